"""Something near that hides a field in focus; readings of tiles that are rare.

What a lens does to a tile and what a thing in front of it does is from optics: defocus
spreads light within a disc and leaves the mean of a tile (but for what crosses its
border), a thing in front brings its own light.
"""

from __future__ import annotations

from fractions import Fraction
from types import SimpleNamespace
from typing import Any, cast

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from qc.judge import find
from qc.measures import focus
from qc.measures.base import Measured, Setup
from qc.measures.parts.focus import partsoft
from qc.measures.parts.focus.hiding import alike
from qc.measures.parts.focus.pulls import pull_of
from qc.measures.parts.focus.sharpness import tile_colours
from qc.measures.parts.focus.shrunk import Shrunk
from qc.measures.parts.focus.slowtiles import Waiting
from qc.measures.parts.focus.tiles import percentile, tile_rows
from qc.records import Finding, Grade, Picture, Readings
from qc.store import ColumnStore
from tests.pictures import column, picture, reader_of, scene, setup_of

TILES = 48
RANDOM_STATE = 71
HIGH, WIDE = 270, 480
Image = NDArray[np.floating[Any]]


# ------------------------------------------------------------- readings that are rare


def kept(kinds: list[tuple[int, str]], rows: int, damaged: set[int]) -> Readings:
    """Keep readings of some kinds, taken in some rows, as the reader does."""
    later = Waiting()
    store = ColumnStore(
        {"focus.tile_slow": TILES, "focus.tile_slow_kind": 0, "framing.shot": 0}
    )
    for row in range(rows):
        later.next_row()
        if row in damaged:
            store.append({})
            continue
        for at, kind in kinds:
            if at == row:
                later.put(kind, np.full((6, 8), 100.0 * row + len(kind)))
        store.append({f"focus.{name}": v for name, v in later.take().items()})
    return Readings("picture", Fraction(1, 25), np.arange(rows + 1), store)


@pytest.mark.parametrize("damaged", [set(), {1, 2, 13}])
def test_rare_readings_are_found_where_they_were_taken(damaged: set[int]) -> None:
    kinds = [
        (at, kind)
        for at in (0, 12, 24)
        for kind in ("tile_contrast_percent", "tile_coarser", "tile_across")
    ]
    readings = kept(kinds, 32, damaged)
    for kind in ("tile_contrast_percent", "tile_coarser", "tile_across"):
        found = tile_rows(readings, np.arange(32), f"focus.{kind}")
        assert np.flatnonzero(~np.isnan(found[:, 0])).tolist() == [0, 12, 24]
        assert found[[0, 12, 24], 5].tolist() == [
            100.0 * at + len(kind) for at in (0, 12, 24)
        ]
        # Of some rows only those, wherever the readings were kept.
        some = tile_rows(readings, np.array([3, 12, 20]), f"focus.{kind}")
        assert np.isnan(some[[0, 2]]).all()
        assert not np.isnan(some[1]).any()


def test_what_waits_behind_long_damage_is_dropped() -> None:
    readings = kept([(0, "tile_coarser"), (0, "tile_across")], 40, set(range(1, 30)))
    across = tile_rows(readings, np.arange(40), "focus.tile_across")
    coarser = tile_rows(readings, np.arange(40), "focus.tile_coarser")
    assert np.isnan(across).all()
    assert not np.isnan(coarser[0]).any()


def test_colours_of_tiles_are_their_means() -> None:
    # Tiles of one code each: 240 x 135 luma tiles cut exactly, 8-bit limited range.
    number = np.random.default_rng(RANDOM_STATE)
    luma, cb, cr = number.integers(16, 236, (3, 6, 8))
    plane, blue, red = (
        np.kron(v, np.ones(size, int)).astype(np.uint8)
        for v, size in ((luma, (40, 60)), (cb, (20, 30)), (cr, (20, 30)))
    )
    grey = picture(plane)
    shown = Picture(
        index=0, pts=0, duration=1, y=grey.y, cb=blue, cr=red, signal=grey.signal
    )
    found = tile_colours(shown, plane)
    # ITU-R BT.709: black 16, white 235, no colour 128, excursion 224.
    assert found[0] == pytest.approx((luma - 16) * 100 / 219)
    assert found[1] == pytest.approx((cb - 128) * 100 / 224)
    assert found[2] == pytest.approx((cr - 128) * 100 / 224)


def test_percentiles_are_those_of_numpy() -> None:
    number = np.random.default_rng(RANDOM_STATE)
    values = number.normal(size=(37, 6))
    values[number.random(values.shape) < 0.3] = np.nan
    values[:, 2] = np.nan
    values[1:, 3] = np.nan
    for share in (5.0, 50.0, 95.0):
        with pytest.warns(RuntimeWarning):
            expected = np.nanpercentile(values, share, axis=0)
        np.testing.assert_allclose(percentile(values, share), expected)


# -------------------------------------------------------------- pictures made smaller


@pytest.mark.parametrize("scale", [1, 2, 4])
@pytest.mark.parametrize("down", [False, True])
@pytest.mark.parametrize("size", [(144, 256), (150, 333)])
def test_picked_lines_are_those_of_the_whole_made_smaller(
    scale: int, down: bool, size: tuple[int, int]
) -> None:
    number = np.random.default_rng(RANDOM_STATE)
    plane = number.integers(0, 256, size).astype(np.uint8)
    lines, pixels = round(size[0] / 1.333), round(size[1] / 1.333)
    step = 6 * scale
    found = Shrunk(plane, (lines, pixels)).lines(scale, step, down=down)
    # OpenCV's area means of the whole picture, then means of squares.
    whole = cv2.resize(
        plane.astype(np.float32), (pixels, lines), interpolation=cv2.INTER_AREA
    )
    high, wide = lines // scale, pixels // scale
    squares = whole[: high * scale, : wide * scale].reshape(high, scale, wide, scale)
    mean = squares.mean(axis=(1, 3))
    expected = mean[:, :: step // scale].T if down else mean[:: step // scale]
    np.testing.assert_allclose(found, expected, atol=2e-3)


# -------------------------------------------------------------------- what is in front


def test_tiles_are_alike_in_other_light_but_not_with_other_things() -> None:
    number = np.random.default_rng(RANDOM_STATE)
    before = np.stack(
        [number.uniform(10, 60, TILES), *number.uniform(-12, 12, (2, TILES))], axis=-1
    )
    darker = 0.6 * before  # the iris closes: all of them go alike
    hand = before.copy()
    hand[:20] = (55.0, -3.0, 9.0)
    found = alike(np.stack([before, darker, hand]), before)
    assert found[0].all()
    assert found[1].all()
    assert found[2, 20:].all()
    assert np.count_nonzero(found[2, :20]) <= 2


def near_thing(share: float) -> tuple[Image, Image]:
    """Return cover and codes of a thing over a share of the picture, blurred."""
    y, x = np.mgrid[:HIGH, :WIDE]
    cover = (x < share * WIDE + 30 * np.sin(y / 40.0)).astype(np.float64)
    shade = 215.0 + 8.0 * np.cos(x / 60.0) + 4.0 * np.sin(y / 25.0)  # a pale glove
    return cv2.GaussianBlur(cover, (0, 0), 6.0), cv2.GaussianBlur(shade, (0, 0), 6.0)


def filmed(
    *,
    share: float = 0.0,
    hand: tuple[int, int] = (0, 0),
    lost: tuple[int, int] = (0, 0),
    far: float = 1.0,
    frames: int = 110,
) -> Measured:
    """Film a field with noise; a near hand, or a lens out of focus, for some frames."""
    number = np.random.default_rng(RANDOM_STATE)
    crisp = scene(HIGH, WIDE, number)
    # From here on things lie behind what is in focus.
    behind = round(far * WIDE)
    crisp[:, behind:] = cv2.GaussianBlur(crisp, (0, 0), 1.3)[:, behind:]
    soft = cv2.GaussianBlur(crisp, (0, 0), 2.5)
    cover, shade = near_thing(share)
    shown: list[Image] = []
    for i in range(frames):
        seen = np.asarray(soft if lost[0] <= i < lost[1] else crisp, np.float64)
        if hand[0] <= i < hand[1]:
            seen = seen * (1.0 - cover) + shade * cover
        shown.append(seen)
    return taken(shown)


def taken(images: list[Image]) -> Measured:
    """Read images with noise, as one shot that stands whatever comes in front."""
    number = np.random.default_rng(RANDOM_STATE + 1)
    setup = setup_of(width=WIDE, height=HIGH)
    names = {f"focus.{c.name}": c.width * (c.width > 1) for c in focus.MEASURE.columns}
    store = ColumnStore(names | {"framing.shot": 0, "framing.motion_percent": 0})
    reader = reader_of(focus.MEASURE, setup)
    for i, seen in enumerate(images):
        noisy = seen + number.normal(0.0, 0.7, seen.shape)
        shown = picture(np.clip(noisy, 16, 235), index=i)
        values = {f"focus.{name}": v for name, v in reader.read(shown).items()}
        store.append(values | {"framing.shot": 0.0, "framing.motion_percent": 0.0})
    return derived(setup, store, len(images))


def derived(setup: Setup, store: ColumnStore, rows: int) -> Measured:
    """Return what was read of a picture at 25 frames a second, and all that follows."""
    edges = np.arange(rows + 1)
    readings = Readings("picture", Fraction(1, 25), edges, store)
    measured = Measured(setup.info, setup.limits, readings, (), {})
    assert focus.MEASURE.derive is not None
    for name, values in focus.MEASURE.derive(measured).items():
        store.add(f"focus.{name}", values)
    return measured


def soft(measured: Measured) -> list[Finding]:
    return [f for f in find(measured, (focus.MEASURE,)) if f.rule == "focus.soft"]


def told(measured: Measured) -> list[tuple[Grade, int, int]]:
    return [(f.grade, f.start_frame, f.end_frame) for f in soft(measured)]


def test_a_near_thing_out_of_focus_is_no_loss_of_focus() -> None:
    # Two thirds of the tiles lose their detail; what is left of the field is crisp.
    measured = filmed(share=0.62, hand=(30, 80))
    percent = column(measured, "focus.relative_percent")
    assert np.nanmedian(percent[40:70]) < 50.0
    assert told(measured) == []


def test_focus_lost_behind_a_near_thing_is_told_when_it_is_lost() -> None:
    ((grade, first, last),) = told(filmed(share=0.62, hand=(20, 95), lost=(50, 80)))
    assert grade in (Grade.REVIEW, Grade.REJECT)
    # Colours are read every 6 frames.
    assert abs(first - 50) <= 6
    assert abs(last - 80) <= 6


def test_focus_lost_with_nothing_in_front_is_told_as_before() -> None:
    ((grade, first, last),) = told(filmed(lost=(50, 80)))
    assert grade in (Grade.REVIEW, Grade.REJECT)
    assert abs(first - 50) <= 1
    assert abs(last - 80) <= 1


def test_where_next_to_nothing_is_in_sight_a_note_says_so() -> None:
    measured = filmed(share=0.7, far=0.62, hand=(30, 80))
    (found,) = soft(measured)
    assert found.grade is Grade.NOTE
    assert "could not be told" in found.message
    assert abs(found.start_frame - 30) <= 6
    assert abs(found.end_frame - 80) <= 6


def pulled(places: NDArray[np.floating[Any]], widest: float = 3.0) -> Measured:
    """Film a pull: the left half lies at 0, the right half at 1, the lens at `places`.

    The blur of a thin lens grows in proportion to how far it is off (textbook).
    """
    crisp = scene(HIGH, WIDE, np.random.default_rng(RANDOM_STATE))
    right = np.broadcast_to(np.arange(WIDE) >= WIDE // 2, crisp.shape)
    images: dict[float, Image] = {}
    for place in np.unique(places):
        halves = [
            cv2.GaussianBlur(crisp, (0, 0), widest * off) if off > 0.05 else crisp
            for off in (abs(place), abs(1.0 - place))
        ]
        images[place] = np.where(right, halves[1], halves[0])
    return taken([images[place] for place in places])


def test_a_pull_that_goes_past_the_place_and_back_is_a_note() -> None:
    way = np.repeat(np.linspace(0.0, 1.0, 7)[1:-1], 3)
    places = np.concatenate(
        [np.zeros(40), way, np.ones(4), np.full(14, 1.6), np.ones(50)]
    )
    found = told(pulled(places.round(3)))
    assert found
    assert {grade for grade, _, _ in found} == {Grade.NOTE}


def test_a_lens_that_goes_past_both_places_and_stays_is_told() -> None:
    places = np.concatenate([np.zeros(40), np.linspace(0, 2.2, 12), np.full(50, 2.2)])
    found = told(pulled(places.round(3)))
    assert found
    assert found[-1][0] in (Grade.REVIEW, Grade.REJECT)
    assert found[-1][2] == len(places)


def test_what_was_left_behind_by_a_pull_is_no_part_gone_soft() -> None:
    # Within 1.6 s; a fall that is seen from the middle of the way on (rows 93 to 97,
    # where both halves are half sharp) has nothing else to be held against.
    way = np.linspace(0.0, 1.0, 40)
    places = np.concatenate([np.zeros(75), way**2 * (3 - 2 * way), np.ones(100)])
    measured = pulled(places.round(3))
    readings = measured.picture
    assert readings is not None
    fall = cast(Any, SimpleNamespace(before=(93, 97)))
    stretch = cast(Any, SimpleNamespace(first=100, deep=112, last=215))
    assert pull_of(readings, np.arange(112, 215), np.arange(93, 97)) is None
    found = partsoft._pull(measured, readings, fall, stretch)
    assert found is not None
    assert (found.here, found.not_there) == ("the right", "the left")
    # A fall long after it is one of its own.
    later = cast(Any, SimpleNamespace(first=140, deep=150, last=215))
    assert partsoft._pull(measured, readings, fall, later) is None
