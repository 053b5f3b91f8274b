"""Burnt-out areas told apart: swabs, glints, what matters, and what cannot be told.

Every picture is drawn here in linear light and coded by the formulas of ITU-R BT.709-6
and BT.601-7 (transfer curve, quantisation, matrix), so that what burns out, and what it
is, is known by construction.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from qc.judge import find
from qc.measures.highlights import MEASURE
from qc.measures.parts.burnt import brightreader
from qc.measures.parts.burnt.brightblocks import at_least, block_counts
from qc.measures.parts.burnt.brightmarks import PLACES, kinds_of_places, places_of
from qc.measures.parts.burnt.brightparts import (
    BrightMemory,
    Parts,
    classify,
    split,
)
from qc.records import Picture
from qc.signal import Signal
from tests.pictures import column, measure, reader_of, setup_of

Light = NDArray[np.float64]
HEIGHT, WIDTH = 270, 480
DRAPE = (0.04, 0.15, 0.14)
PINK = (0.55, 0.30, 0.26)
COTTON = (0.85, 0.84, 0.82)
VIDEO_8 = Signal()
# BT.601-7 and BT.709-6: weights of red and blue in luma.
WEIGHTS = {"bt601": (0.299, 0.114), "bt709": (0.2126, 0.0722)}


@dataclass(frozen=True)
class Camera:
    """How light becomes codes: white clip and knee in shares of the signal."""

    signal: Signal = VIDEO_8
    clip: float = 1.05
    knee: float | None = None
    gains: tuple[float, float, float] = (1.0, 1.0, 1.0)

    def shoot(self, light: Light, *, index: int = 0, **facts: Any) -> Picture:
        """Code linear light, (H, W, 3), as a picture with 4:2:0 chroma."""
        random = np.random.default_rng(index)
        light = light * self.gains + random.normal(0, 0.002, light.shape)
        a, b = 1.09929682680944, 0.018053968510807
        v = np.where(light < b, 4.5 * light, a * np.maximum(light, b) ** 0.45 - (a - 1))
        clip = min(self.clip, 1.0) if self.signal.full_range else self.clip
        if self.knee is not None:
            room = 1.1 * (clip - self.knee)
            over = np.maximum(v - self.knee, 0)
            v = np.where(over > 0, self.knee + room * (1 - np.exp(-over / room)), v)
        r, g, blue = np.moveaxis(np.minimum(v, clip), -1, 0)
        kr, kb = WEIGHTS[self.signal.matrix]
        y = kr * r + (1 - kr - kb) * g + kb * blue
        cb, cr = (blue - y) / (2 * (1 - kb)), (r - y) / (2 * (1 - kr))
        s = self.signal
        half = [cv2.resize(c, None, None, 0.5, 0.5, cv2.INTER_AREA) for c in (cb, cr)]
        planes = [
            s.black + (s.white - s.black) * y,
            *(s.chroma_zero + s.chroma_span * c for c in half),
        ]
        dtype = np.uint8 if s.bit_depth == 8 else np.uint16
        codes = [np.clip(np.rint(p), 0, s.top).astype(dtype) for p in planes]
        y8, cb8, cr8 = codes
        return Picture(
            index=index, pts=index, duration=1, y=y8, cb=cb8, cr=cr8, signal=s, **facts
        )


def field(level: float = 1.0) -> Light:
    """A drape with a darker fold, evenly lit."""
    out = np.empty((HEIGHT, WIDTH, 3))
    out[:] = DRAPE
    out[:, 300:306] *= 0.4
    return np.asarray(out * level, np.float64)


def lay_swab(light: Light, x: int, y: int, side: int, level: float = 1.0) -> None:
    """Lay a woven, hard-edged square of cotton."""
    rows, columns = np.indices((side, side))
    weave = 0.85 + 0.15 * ((rows // 2 + columns // 2) % 2)
    light[y : y + side, x : x + side] = weave[..., None] * COTTON * level


def lay_tissue(
    light: Light, x: float, y: float, radius: float, level: float, floor: float = 0.6
) -> None:
    """Lay a pink bed whose light fades from `level` in the middle to `floor`."""
    rows, columns = np.indices((HEIGHT, WIDTH))
    away = np.hypot(columns - x, rows - y)
    lit = floor + (level - floor) * np.exp(-((away / radius) ** 2))
    bed = away < 1.9 * radius
    light[bed] = (lit[..., None] * PINK)[bed]


def parts_of(camera: Camera, *lights: Light) -> tuple[Parts, NDArray[np.bool_]]:
    """Feed pictures in order; give the last one's parts and what burns in it."""
    memory = BrightMemory()
    code = camera.signal.first_code_at(95)
    for index, light in enumerate(lights):
        picture = camera.shoot(light, index=index)
        parts = classify(picture, code=code, memory=memory)
    return parts, picture.y >= code


def share(mask: NDArray[np.bool_], of: NDArray[np.bool_]) -> float:
    return float((mask & of).sum() / of.sum())


def box(x: int, y: int, side: int) -> NDArray[np.bool_]:
    out = np.zeros((HEIGHT, WIDTH), bool)
    out[y : y + side, x : x + side] = True
    return out


SWAB_AT = (60, 80, 90)
SIGNALS = [
    Signal(),
    Signal(bit_depth=10),
    Signal(full_range=True),
    Signal(matrix="bt601"),
    Signal(bit_depth=10, full_range=True, matrix="bt601"),
]


# ------------------------------------------------------------------- one of each kind


@pytest.mark.parametrize("signal", SIGNALS)
@pytest.mark.parametrize("level", [1.5, 2.5])
def test_a_woven_square_with_hard_edges_is_swab(signal: Signal, level: float) -> None:
    light = field()
    lay_swab(light, *SWAB_AT, level=level)
    parts, burnt = parts_of(Camera(signal), light)
    assert burnt.mean() > 0.02
    assert share(parts.swab, burnt) > 0.95


@pytest.mark.parametrize("signal", SIGNALS)
@pytest.mark.parametrize("level", [3.4, 5.0])
def test_a_pink_patch_that_fades_is_relevant(signal: Signal, level: float) -> None:
    light = field()
    lay_tissue(light, 300, 130, 70, level)
    parts, burnt = parts_of(Camera(signal), light)
    assert burnt.mean() > 0.01
    assert share(parts.relevant, burnt) > 0.95
    assert not parts.swab.any()


def test_a_soft_knee_does_not_turn_tissue_into_cloth() -> None:
    light = field()
    lay_tissue(light, 300, 130, 70, 6.0)
    for knee in (0.80, 0.88):
        parts, burnt = parts_of(Camera(knee=knee), light)
        assert burnt.mean() > 0.02
        assert share(parts.relevant, burnt) > 0.95


def specks(index: int) -> tuple[Light, NDArray[np.bool_]]:
    """Scatter bright points of 3 x 3 pixels over right-exposed tissue."""
    light, where = field(), np.zeros((HEIGHT, WIDTH), bool)
    lay_tissue(light, 240, 135, 90, 1.0, floor=0.8)
    random = np.random.default_rng(index)
    cells = random.permutation(12 * 12)[:60]
    for cell in cells:
        x, y = 150 + 15 * int(cell % 12), 50 + 14 * int(cell // 12)
        light[y : y + 3, x : x + 3] = 4.0
        where[y : y + 3, x : x + 3] = True
    return light, where


def test_tiny_specks_that_come_and_go_are_glints() -> None:
    parts, burnt = parts_of(Camera(), *(specks(i)[0] for i in range(4)))
    assert (burnt == specks(3)[1]).mean() > 0.999
    assert share(parts.glint, burnt) > 0.95


def test_a_frame_burnt_out_all_over_cannot_be_told() -> None:
    parts, burnt = parts_of(Camera(), np.full((HEIGHT, WIDTH, 3), 5.0))
    assert burnt.all()
    assert parts.undecided.all()


@pytest.mark.parametrize(
    ("side", "tissue", "told"),
    [(130, False, True), (160, False, False), (230, False, False), (230, True, True)],
)
def test_much_cloth_is_told_only_where_tissue_is_in_sight(
    side: int, tissue: bool, told: bool
) -> None:
    """Else it might be a field that is blown out whole (house choice)."""
    light = field()
    if tissue:  # lit well, but far from burning
        lay_tissue(light, 370, 135, 50, 0.9)
    lay_swab(light, 20, 20, side, level=2.5)
    parts, burnt = parts_of(Camera(), light)
    assert share(burnt, box(20, 20, side)) > 0.95
    assert share(parts.swab if told else parts.undecided, burnt) > 0.9


@pytest.mark.parametrize("x", [150, 240])
def test_a_bed_blown_out_whole_is_not_taken_for_cloth(x: int) -> None:
    """Four stops over; nothing that is tissue is left to see."""
    light = field(0.5)
    lay_tissue(light, x, 135, 80, 20.0, floor=12.0)
    parts, burnt = parts_of(Camera(), light)
    assert burnt.mean() > 1 / 4
    assert share(parts.relevant | parts.undecided, burnt) > 0.95


def test_what_is_as_narrow_as_an_instrument_is_not_taken_for_cloth() -> None:
    light = field()
    light[60:66, 40:400] = 1.3  # polished steel: neutral, hard edges
    parts, burnt = parts_of(Camera(), light)
    assert share(parts.undecided | parts.relevant, burnt) > 0.95


def test_a_slight_warm_cast_is_no_tissue_and_a_gross_one_is_counted() -> None:
    light = field()
    lay_swab(light, *SWAB_AT, level=2.2)
    parts, burnt = parts_of(Camera(gains=(1.04, 1.0, 0.93)), light)
    assert share(parts.swab, burnt) > 0.9
    # 2.2 stops less blue than green, and paper in sight that shows it: beyond a lamp of
    # 3050 K under a balance for 5600 K (1.44), about as far as the weights were fitted.
    gains = (2 ** (0.6 * 2.2), 1.0, 2**-2.2)
    light[180:260, 330:460] = 0.8 / max(gains)
    parts, burnt = parts_of(Camera(gains=gains), light)
    assert share(parts.relevant | parts.undecided, burnt) > 0.9


def test_a_damaged_frame_cannot_be_told() -> None:
    light = field()
    lay_swab(light, *SWAB_AT, level=1.5)
    picture = Camera().shoot(light, damaged=True)
    parts = classify(picture, code=225, memory=BrightMemory())
    assert np.array_equal(parts.undecided, picture.y >= 225)


@pytest.mark.parametrize("side", ["right", "below"])
def test_a_swab_half_soaked_in_blood_beside_tissue_is_swab(side: str) -> None:
    light = field()
    lay_tissue(light, 320, 130, 60, 0.6)
    lay_swab(light, *SWAB_AT, level=2.0)
    blood = np.array((0.35, 0.02, 0.02))
    if side == "right":
        light[80:170, 110:150] = blood
    else:
        light[130:170, 60:150] = blood
    parts, burnt = parts_of(Camera(gains=(2**0.25, 1.0, 2**-0.45)), light)
    assert burnt.mean() > 0.02
    assert share(parts.swab, burnt) > 0.9


def test_a_yellowish_swab_with_shaded_folds_is_swab() -> None:
    gains = (2**0.4, 1.0, 2**-0.7)  # a lamp's white, off by 0.7 stops of blue
    light = field()
    lay_swab(light, *SWAB_AT, level=2.2)
    light[80:100, 60:150] *= 0.20  # a fold in shade, where no channel is at its end
    lay_tissue(light, 330, 130, 70, 0.5)
    parts, burnt = parts_of(Camera(gains=gains), light)
    assert share(parts.swab, burnt & box(*SWAB_AT)) > 0.9


@pytest.mark.parametrize(
    "gains", [(0.93, 1.06, 0.93), (1.04, 0.95, 1.04), (0.8, 1, 1.28)]
)
def test_under_a_lamp_with_a_tint_cloth_is_cloth_and_tissue_matters(
    gains: tuple[float, float, float],
) -> None:
    light = field()
    lay_swab(light, *SWAB_AT, level=2.0)
    lay_tissue(light, 330, 130, 60, 0.6)
    parts, burnt = parts_of(Camera(gains=gains), light)
    assert burnt.mean() > 0.02
    assert share(parts.swab, burnt) > 0.9
    lay_tissue(light, 330, 130, 70, 5.0)
    parts, burnt = parts_of(Camera(gains=gains), light)
    tissue = burnt & ~box(*SWAB_AT)
    assert tissue.mean() > 0.02
    assert share(parts.relevant | parts.undecided, tissue) > 0.95


# ---------------------------------------------------------------------------- the past


def hard_patch(level: float) -> Light:
    """A bed of flat pink with a hard rim; at a high level it has no colour left."""
    light = field()
    light[80:170, 60:150] = np.array(PINK) * level
    return light


def test_a_patch_without_colour_is_decided_by_what_it_was() -> None:
    burnt_alone, _ = parts_of(Camera(), hard_patch(1.0) * 2.0**2.2)
    # The iris opens: field and patch brighten alike.
    steps = [hard_patch(1.0) * 2.0**s for s in (0.0, 0.3, 0.6, 1.0, 1.4, 1.8, 2.2)]
    parts, burnt = parts_of(Camera(), *steps)
    patch = box(*SWAB_AT)
    assert share(burnt, patch) > 0.99
    assert share(parts.relevant, patch) > 0.95
    assert share(burnt_alone.relevant, patch) < 0.05


def test_what_was_laid_down_meanwhile_has_no_past() -> None:
    before = field()
    before[80:170, 60:150] = np.array(PINK) * 0.5
    after = before.copy()
    lay_swab(after, *SWAB_AT, level=1.5)
    parts, burnt = parts_of(Camera(), *[before] * 5, after)
    assert share(parts.swab, burnt) > 0.95


def test_a_cut_is_forgotten() -> None:
    light = np.roll(field()[:, ::-1], 90, axis=1)
    light[::2] *= 0.6
    light[:135] *= 3.0
    lay_swab(light, *SWAB_AT, level=3.0)
    alone, _ = parts_of(Camera(), light)
    cut, _ = parts_of(Camera(), *[hard_patch(1.0)] * 4, light)
    assert (alone.swab ^ cut.swab).mean() < 1e-3


# --------------------------------------------------------------------------- relations


def test_adding_a_swab_does_not_lower_what_is_relevant() -> None:
    for level in (3.4, 5.0):
        light = field()
        lay_tissue(light, 330, 130, 70, level)
        alone, _ = parts_of(Camera(), light)
        lay_swab(light, *SWAB_AT, level=1.5)
        both, _ = parts_of(Camera(), light)
        judged = alone.relevant | alone.undecided
        assert share(both.relevant | both.undecided, judged) > 0.99
        assert share(both.swab, box(*SWAB_AT)) > 0.95


def test_a_swab_that_touches_burnt_tissue_is_split_from_it() -> None:
    light = field()
    lay_tissue(light, 300, 110, 70, 3.9, floor=0.8)
    lay_swab(light, 190, 70, 70, level=1.9)
    parts, burnt = parts_of(Camera(), light)
    swab = box(190, 70, 70) & burnt
    tissue = burnt & ~box(190, 70, 70)
    assert share(parts.swab, swab) > 0.85
    assert share(parts.relevant | parts.undecided, tissue) > 0.95


@settings(max_examples=40, deadline=None)
@given(
    st.integers(1, 70),
    st.integers(1, 70),
    st.sampled_from(SIGNALS),
    st.integers(0, 2**32 - 1),
)
def test_the_parts_are_disjoint_and_all_of_what_burns(
    height: int, width: int, signal: Signal, number: int
) -> None:
    random = np.random.default_rng(number)
    dtype = np.uint8 if signal.bit_depth == 8 else np.uint16
    chroma = ((height + 1) // 2, (width + 1) // 2)
    y, cb, cr = (
        random.integers(0, signal.top + 1, shape).astype(dtype)
        for shape in ((height, width), chroma, chroma)
    )
    picture = Picture(index=0, pts=0, y=y, cb=cb, cr=cr, signal=signal)
    code = signal.first_code_at(60)
    memory = BrightMemory()
    for _ in range(2):
        p = classify(picture, code=code, memory=memory)
        total = sum(m.astype(int) for m in (p.relevant, p.swab, p.glint, p.undecided))
        assert np.array_equal(total, (y >= code).astype(int))


# ----------------------------------------------------------------- through the measure


def both_kinds() -> Light:
    """A burnt pink patch of about 6 % and a burnt swab of 6 % of the picture."""
    light = field()
    lay_tissue(light, 330, 130, 80, 5.0)
    lay_swab(light, *SWAB_AT, level=1.5)
    return light


def take(lights: list[Light], changes: dict[str, object] | None = None) -> Any:
    pictures = [Camera().shoot(light, index=i) for i, light in enumerate(lights)]
    setup = setup_of(changes, width=WIDTH, height=HEIGHT)
    return measure(pictures, setup, [MEASURE])


def reading(changes: dict[str, object] | None = None) -> dict[str, float]:
    setup = setup_of(changes, width=WIDTH, height=HEIGHT)
    values = reader_of(MEASURE, setup).read(Camera().shoot(both_kinds()))
    return {k: float(v) for k, v in values.items() if np.ndim(v) == 0}


def test_the_shares_add_up_and_relevant_holds_the_undecided() -> None:
    values = reading()
    parts = ("relevant_percent", "swab_percent", "glint_percent")
    assert sum(values[p] for p in parts) == pytest.approx(values["share_percent"])
    assert values["undecided_percent"] <= values["relevant_percent"]
    assert values["swab_percent"] == pytest.approx(
        100 * 8100 / (HEIGHT * WIDTH), rel=0.03
    )
    assert values["largest_percent"] <= values["relevant_percent"]


def test_regions_overrule_what_things_look_like() -> None:
    everywhere = [[0.0, 0.0, 1.0, 1.0]]
    left = [[0.0, 0.0, 0.4, 1.0]]  # holds the swab, not the tissue
    plain = reading()
    values = reading({"highlights.swabs": everywhere})
    assert values["swab_percent"] == pytest.approx(plain["share_percent"])
    assert values["relevant_percent"] == values["largest_percent"] == 0
    values = reading({"highlights.always_relevant": left})
    assert values["relevant_percent"] == pytest.approx(
        plain["relevant_percent"] + plain["swab_percent"], rel=0.02
    )
    # Always relevant is stronger than swab, ignored than both.
    over = {"highlights.swabs": everywhere, "highlights.always_relevant": everywhere}
    values = reading(over)
    assert values["relevant_percent"] == pytest.approx(plain["share_percent"])
    values = reading(over | {"highlights.ignore": left})
    assert values["relevant_percent"] == pytest.approx(
        plain["relevant_percent"], rel=0.02
    )
    assert reading({"highlights.relevant": left})["swab_percent"] == pytest.approx(
        plain["swab_percent"]
    )


def test_without_the_split_all_that_burns_counts() -> None:
    values = reading({"highlights.split": False})
    assert values["relevant_percent"] == values["share_percent"] > 8
    assert values["swab_percent"] == values["glint_percent"] == 0
    assert values["undecided_percent"] == 0


def test_a_burnt_swab_on_a_good_field_is_no_finding_and_tissue_is() -> None:
    good = field()
    lay_swab(good, *SWAB_AT, level=1.5)
    assert not find(take([good] * 12), [MEASURE])
    (finding,) = find(take([both_kinds()] * 12), [MEASURE])
    assert finding.rule == "highlights.relevant"
    assert "where it matters" in finding.message
    assert (
        "6.3 % is swab" in finding.message
    )  # 8100 of 129 600 pixels are 6.25 %, and a rim
    assert finding.where is not None
    x, _, w, _ = finding.where
    assert x > 200
    assert x + w < 450


def test_much_that_is_let_pass_is_told() -> None:
    assert MEASURE.notes is not None
    told = []
    for side in (90, 50):  # 6.25 % and 1.9 % of the picture
        light = field()
        lay_swab(light, 60, 80, side, level=1.5)
        told.append(list(MEASURE.notes(take([light] * 12))))
    (note,), none = told
    assert "Up to 6 % of the picture" in note
    assert "let pass" in note
    assert not none


def test_the_report_says_how_much_could_not_be_told() -> None:
    white = np.full((HEIGHT, WIDTH, 3), 5.0)
    measured = take([white] * 6)
    assert np.all(column(measured, "highlights.undecided_percent") == 100)
    assert MEASURE.summarise is not None
    assert MEASURE.notes is not None
    assert MEASURE.summarise(measured)["undecided_max_percent"] == 100
    assert any("Up to 100.0 %" in note for note in MEASURE.notes(measured))
    (finding,) = find(measured, [MEASURE])
    assert "100.0 % could not be told and is counted" in finding.message
    assert not list(MEASURE.notes(take([field()] * 3)))


def test_little_is_not_told_apart_and_counts() -> None:
    light = field()
    lay_swab(light, 60, 80, 22, level=1.5)  # 0.37 %
    measured = take([light] * 3)
    share_ = column(measured, "highlights.share_percent")
    assert np.all((share_ > 0.3) & (share_ < 0.5))
    for name in ("relevant", "undecided"):
        assert np.array_equal(column(measured, f"highlights.{name}_percent"), share_)


def test_what_was_found_is_held_no_longer_than_the_picture_stands() -> None:
    good = field()
    lay_swab(good, *SWAB_AT, level=1.5)
    bad = field()
    bad_light = bad.copy()
    lay_tissue(bad_light, 200, 130, 71, 5.0)
    measured = take([good] * 7 + [bad_light] * 3 + [good] * 3)
    share_ = column(measured, "highlights.share_percent")
    relevant = column(measured, "highlights.relevant_percent")
    assert np.all(relevant[7:10] > 0.95 * share_[7:10])
    assert np.all(relevant[:7] < 0.1 * share_[:7])
    assert np.all(relevant[10:] < 0.1 * share_[10:])


def test_a_steady_picture_is_looked_at_ever_less_and_a_change_at_once(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    steady = field()
    lay_swab(steady, *SWAB_AT, level=1.5)
    lay_tissue(steady, 300, 130, 70, 3.4)
    looks: list[int] = []

    def counted(picture: Picture, *args: Any, **facts: Any) -> Any:
        looks.append(picture.index)
        return split(picture, *args, **facts)

    monkeypatch.setattr(brightreader, "split", counted)
    first = Camera().shoot(steady)
    darker = Camera().shoot(steady * 0.8)
    shots = [again(first, i) for i in range(60)] + [again(darker, i) for i in (60, 61)]
    # One limit far off, one hardly above what burns: near it looks come sooner.
    far, close_by = (
        setup_of({"highlights.review_percent": review, "highlights.reject_percent": 90},
                 width=WIDTH, height=HEIGHT, rate=Fraction(50))
        for review in (60.0, 1.04 * relevant_share(first))
    )  # fmt: skip
    for setup in (far, close_by):
        looks.clear()
        measure(shots, setup, [MEASURE])
        gaps = np.diff([i for i in looks if i < 60])
        assert gaps[0] <= 26  # half a second and a frame
        assert gaps.max() <= 51
        assert 60 in looks
        if setup is far:
            assert len(looks) <= 3
        else:
            assert gaps[0] <= 3
            assert np.all(np.diff(gaps) >= 0)


@pytest.mark.parametrize(("times", "looked_at"), [(1.15, {0}), (0.97, {0, 6})])
def test_where_a_stretch_ends_counts_only_while_one_is_under_way(
    monkeypatch: pytest.MonkeyPatch, times: float, looked_at: set[int]
) -> None:
    light = field()
    lay_tissue(light, 300, 130, 70, 3.4)
    first = Camera().shoot(light)
    burnt = np.flatnonzero(first.y >= 225)
    shots = []
    for step, left in enumerate((1.0, 0.9, 0.76)):
        y = first.y.copy()
        y.ravel()[burnt[np.arange(burnt.size) % 50 >= 50 * left]] = 224
        one = Picture(
            index=0, pts=0, y=y, cb=first.cb, cr=first.cr, signal=first.signal
        )
        shots += [again(one, 3 * step + i) for i in range(3)]
    looks: set[int] = set()

    def counted(picture: Picture, *args: Any, **facts: Any) -> Any:
        looks.add(picture.index)
        return split(picture, *args, **facts)

    monkeypatch.setattr(brightreader, "split", counted)
    # Four fifths of the limit are passed by the second picture, or by the third.
    review = times * relevant_share(first)
    measure(
        shots,
        setup_of({"highlights.review_percent": review, "highlights.reject_percent": 90},
                 width=WIDTH, height=HEIGHT, rate=Fraction(50)),
        [MEASURE],
    )  # fmt: skip
    assert looks == looked_at


def again(picture: Picture, index: int) -> Picture:
    """Return the same picture as another frame of the take."""
    p = picture
    return Picture(
        index=index, pts=index, duration=1, y=p.y, cb=p.cb, cr=p.cr, signal=p.signal
    )


def relevant_share(picture: Picture) -> float:
    """Return what of a picture is judged, in percent of it."""
    parts = classify(picture, code=225, memory=BrightMemory())
    return 100 * float((parts.relevant | parts.undecided).mean())


# ------------------------------------------------------------------------------- stills


@given(st.integers(0, 2**32 - 1))
def test_places_survive_being_packed(number: int) -> None:
    random = np.random.default_rng(number)
    # One block a cell of the coarse grid: what is unpacked must be what was packed.
    kinds = random.choice([0, 1, 2, 4], (18, 32)).astype(np.uint8)
    counts = np.where(kinds > 0, 16, 0).astype(np.uint8)
    places = places_of(kinds, counts)
    assert places.shape == (PLACES,)
    own = np.where(kinds > 0, random.choice([1, 2, 4], kinds.shape), 0).astype(np.uint8)
    assert np.array_equal(kinds_of_places(places, own, counts), kinds)
    nothing = np.full(PLACES, np.nan, np.float32)
    assert np.array_equal(kinds_of_places(nothing, own, counts), own)


def test_the_still_shows_what_was_judged_with_its_past() -> None:
    assert MEASURE.mark is not None
    steps = [hard_patch(1.0) * 2.0**s for s in (0.0, 0.3, 0.6, 1.0, 1.4, 1.8, 2.2)]
    lights = steps + [steps[-1]] * 8
    pictures = [Camera().shoot(light, index=i) for i, light in enumerate(lights)]
    setup = setup_of(width=WIDTH, height=HEIGHT)
    measured = measure(pictures, setup, [MEASURE])
    (finding,) = find(measured, [MEASURE])
    assert finding.worst_pts_row is not None
    picture = pictures[finding.worst_pts_row]
    patch = box(*SWAB_AT) & (picture.y >= 225)

    class Result:
        picture = measured.picture

    told = type(setup)(setup.info, setup.limits, Result())  # type: ignore[arg-type]
    with_past = dict(MEASURE.mark(picture, told, finding).areas)
    assert share(with_past["burnt"], patch) > 0.9


def test_the_still_marks_each_kind_by_itself() -> None:
    assert MEASURE.mark is not None
    measured = take([both_kinds()] * 6)
    (finding,) = find(measured, [MEASURE])
    setup = setup_of(width=WIDTH, height=HEIGHT)
    picture = Camera().shoot(both_kinds(), index=0)
    areas = dict(MEASURE.mark(picture, setup, finding).areas)
    swab = box(*SWAB_AT)
    assert share(areas["burnt-swab"], swab) > 0.95
    assert not (areas["burnt"] & swab).any()
    total = sum(a.astype(int) for a in areas.values())
    assert np.array_equal(total, (picture.y >= 225).astype(int))


@given(st.integers(1, 40), st.integers(1, 40), st.integers(0, 2**32 - 1))
def test_blocks_count_their_pixels(height: int, width: int, number: int) -> None:
    y = np.random.default_rng(number).integers(0, 256, (height, width), np.uint8)
    mask = at_least(y, 128)
    assert np.array_equal(mask, y >= 128)
    assert np.array_equal(at_least(y, 200, mask), y >= 200)  # the memory used again
    mask = at_least(y, 128, np.ones((2, 2), np.uint8))
    assert np.array_equal(mask, y >= 128)
    counts = block_counts(mask)
    padded = np.pad(mask, ((0, -height % 4), (0, -width % 4)))
    expected = padded.reshape(counts.shape[0], 4, counts.shape[1], 4).sum((1, 3))
    assert np.array_equal(counts, expected)
    assert np.array_equal(block_counts(y, 128), expected)


# ------------------------------------------------------------------- over several looks


def test_merits_are_averaged_over_the_time_between_looks() -> None:
    # A first-order low-pass of 0.4 s: after t seconds it has gone 1 - exp(-t / 0.4).
    memory, burnt = BrightMemory(1 / 50), np.ones((1, 2), np.float32)
    burnt[0, 1] = 0
    memory.settle(np.full((1, 2), 2.0, np.float32), burnt, 0)
    found = memory.settle(np.full((1, 2), -1.0, np.float32), burnt, 10)
    part = 1 - np.exp(-0.2 / 0.4)
    # The second cell was not burnt out before: its merit is that of this look alone.
    assert found[0] == pytest.approx([2 - 3 * part, -1.0], abs=1e-5)


def test_the_newest_look_never_stands_alone_where_it_burnt_before() -> None:
    # After a second the low-pass alone would leave 8 % of what was found before.
    memory, burnt = BrightMemory(1 / 50), np.ones((1, 1), np.float32)
    memory.settle(np.full((1, 1), 2.0, np.float32), burnt, 0)
    found = memory.settle(np.full((1, 1), -1.0, np.float32), burnt, 50)
    assert found[0, 0] == pytest.approx(0.4 * 2 - 0.6 * 1, abs=1e-5)


@pytest.mark.parametrize("looks", [3, 7])
def test_one_look_with_another_white_changes_nothing(looks: int) -> None:
    memory = BrightMemory()
    for _ in range(looks):
        assert memory.steady_white((0.1, -0.2, True)) == (0.1, -0.2, True)
    assert memory.steady_white((-0.3, 0.5, True)) == (0.1, -0.2, True)
    assert memory.steady_white((0.0, 0.0, False)) == (0.1, -0.2, True)


def test_a_white_that_stays_is_believed_and_none_is_made_up() -> None:
    memory = BrightMemory()
    assert memory.steady_white((0.0, 0.0, False)) == (0.0, 0.0, False)
    for _ in range(7):
        memory.steady_white((0.1, -0.2, True))
    for _ in range(7):
        found = memory.steady_white((-0.3, 0.5, True))
    assert found == (-0.3, 0.5, True)


def test_a_swab_on_burnt_tissue_is_known_again_within_a_second() -> None:
    # Burnt before and after, with a swab laid where tissue was: looks at 5 a second.
    before, after = field(), field()
    lay_tissue(before, 105, 125, 70, 5.0)
    lay_swab(after, *SWAB_AT, level=1.5)
    parts, burnt = parts_of(Camera(), *[before] * 5, *[after] * 5)
    assert share(parts.swab, burnt) > 0.9
