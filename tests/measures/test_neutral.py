"""Finding a neutral surface, on drawn fields whose white is known by construction.

Colours of lamps and code values are made by colour-science, never by the code under
test. The drawn materials are of the kind and size of those in a theatre: their
reflectances are common experience, no source.
"""

from __future__ import annotations

import math
import warnings
from functools import cache
from types import SimpleNamespace
from typing import Any

import colour
import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from qc.measures.base import Setup
from qc.measures.parts.neutral.lamp import lamp_of_white, lamp_words
from qc.measures.parts.neutral.neutral import find_candidates
from qc.measures.parts.neutral.neutrallight import (
    BIN_STOPS,
    BLUE_RANGE,
    RED_RANGE,
    lamp_duv,
    least_duv,
)
from qc.measures.parts.neutral.neutralweights import (
    KNOTS,
    TERMS,
    basis,
    confidences,
    damped,
    merits,
    terms,
)
from qc.measures.parts.neutral.wholeshift import WholeShift
from qc.measures.white import MEASURE
from qc.records import Grade, Picture
from qc.signal import Signal
from tests.measures.test_white import (
    findings,
    make_info,
    make_limits,
    measure,
    notes,
    readings_of,
    summary,
    value,
)

Image = NDArray[np.float64]

WIDTH, HEIGHT = 320, 180
SWAB = (30, 20, 70, 60)  # x, y, width, height
SIGNAL = Signal()
BT709 = colour.RGB_COLOURSPACES["ITU-R BT.709"]
DRAPE, SKIN = (0.04, 0.155, 0.14), (0.62, 0.40, 0.31)
BLOOD, PALE = (0.48, 0.11, 0.10), (0.60, 0.24, 0.205)  # between these lies tissue
WHITE, BLOODY = (0.8, 0.8, 0.8), (0.62, 0.42, 0.40)
BALANCED = np.ones(3)


def lamp_rgb(kelvin: float, duv: float) -> Image:
    """Return linear BT.709 of a lamp of luminance 1, by colour-science."""
    uv = colour.temperature.CCT_to_uv_Ohno2013(np.array([kelvin, duv]))
    xyz = colour.xy_to_XYZ(colour.UCS_uv_to_xy(uv))
    return np.asarray(colour.XYZ_to_RGB(xyz, BT709, apply_cctf_encoding=False))


def true_uv(gains: Image) -> Image:
    xyz = colour.RGB_to_XYZ(gains, BT709)
    return np.asarray(colour.xy_to_Luv_uv(colour.XYZ_to_xy(xyz)))


def field(
    *,
    swab: tuple[float, ...] | None = WHITE,
    drape: tuple[float, ...] = DRAPE,
    painted: bool = False,
    number: int = 1,
) -> Image:
    """Draw linear light: woven drape, a wound with skin round it, perhaps a swab."""
    rng = np.random.default_rng(number)
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH].astype(float)
    out = np.empty((HEIGHT, WIDTH, 3))
    weave = 1 + 0.12 * np.sin(2 * np.pi * x / 3.1) * np.sin(2 * np.pi * y / 3.3)
    out[:] = drape
    out *= weave[..., None]
    far = np.hypot((x - 205) / 95, (y - 95) / 62)
    soft = cv2.GaussianBlur(rng.normal(size=far.shape), (0, 0), 6)
    bump = (1 + 0.9 * soft / soft.std() * 0.15)[..., None]
    out[far < 1] = (np.array(SKIN) * bump)[far < 1]
    mixed = cv2.GaussianBlur(rng.normal(size=far.shape), (0, 0), 5)
    share = np.clip(0.5 + (not painted) * 0.5 * mixed / mixed.std(), 0, 1)[..., None]
    tissue = np.array(BLOOD) * (1 - share) + np.array(PALE) * share
    out[far < 0.8] = (tissue * bump)[far < 0.8]
    if swab is not None:
        left, top, w, h = SWAB
        part = slice(top, top + h), slice(left, left + w)
        out[part] = np.array(swab) * weave[part][..., None]
    light = 0.55 + 0.5 * np.exp(-(((x - 150) / 200) ** 2) - ((y - 80) / 130) ** 2)
    out = cv2.GaussianBlur(out * light[..., None], (0, 0), 0.7)
    return out * (1 + 0.01 * rng.normal(size=out.shape))


def shoot(
    light: Image, gains: Image = BALANCED, *, level: float = 0.8, index: int = 0
) -> Picture:
    """Code a scene whose white is `gains`, clipped at 100 %."""
    seen = np.clip(light * gains * level / max(gains), 0, 1)
    coded = colour.RGB_to_YCbCr(
        colour.oetf(seen, "ITU-R BT.709"),
        K=colour.WEIGHTS_YCBCR["ITU-R BT.709"],
        out_legal=True,
    )
    codes = np.asarray(coded) * 255
    half = (WIDTH // 2, HEIGHT // 2)
    y = np.rint(codes[..., 0]).astype(np.uint8)
    cb, cr = (
        np.rint(cv2.resize(codes[..., k], half, interpolation=cv2.INTER_AREA)).astype(
            np.uint8
        )
        for k in (1, 2)
    )
    return Picture(index=index, pts=index, duration=1, y=y, cb=cb, cr=cr, signal=SIGNAL)


def again(picture: Picture, index: int) -> Picture:
    return Picture(
        index=index,
        pts=index,
        duration=1,
        y=picture.y,
        cb=picture.cb,
        cr=picture.cr,
        signal=picture.signal,
    )


def take(*parts: tuple[int, Picture]) -> list[Picture]:
    frames = [picture for count, picture in parts for _ in range(count)]
    return [again(picture, i) for i, picture in enumerate(frames)]


def auto(pictures: list[Picture], **values: object) -> Any:
    info = make_info(frames=len(pictures), size=(WIDTH, HEIGHT))
    return measure(pictures, info, neutral=[], **values)


def best(picture: Picture) -> tuple[tuple[int, int, int, int], float]:
    search = find_candidates(picture)
    chances = confidences(search.candidates)
    if not chances:
        return (0, 0, 0, 0), 0.0
    k = int(np.argmax(chances))
    return search.candidates[k].box, chances[k]


LAMPS = [(6504.0, 0.0032), (5000.0, 0.0), (4300.0, 0.012), (5600.0, -0.012), (3200, 0)]


# ---------------------------------------------------------------------------- finding


@pytest.mark.parametrize(("kelvin", "duv"), LAMPS)
def test_the_swab_is_found_and_its_colour_is_the_lamps(
    kelvin: float, duv: float
) -> None:
    gains = lamp_rgb(kelvin, duv)
    picture = shoot(field(), gains)
    (x, y, w, h), confidence = best(picture)
    left, top, width, height = SWAB
    assert left <= x
    assert x + w <= left + width
    assert top <= y
    assert y + h <= top + height
    assert confidence >= 0.6
    measured = auto([picture])
    found = [value(measured, f"neutral_{c}_prime") for c in "uv"]
    # What the issue asks for: 0.002.
    assert np.hypot(*(np.array(found) - true_uv(gains))) <= 0.002
    assert value(measured, "source") == 3
    assert readings_of(measured)["white.neutral_box"][0].tolist() == [x, y, w, h]


@pytest.mark.parametrize(("kelvin", "duv"), LAMPS)
@pytest.mark.parametrize("drape", [DRAPE, (0.045, 0.115, 0.26), (0.035, 0.17, 0.22)])
def test_tissue_and_drapes_alone_give_no_white(
    kelvin: float, duv: float, drape: tuple[float, ...]
) -> None:
    picture = shoot(field(swab=None, drape=drape), lamp_rgb(kelvin, duv))
    measured = auto([picture])
    assert np.isnan(value(measured, "cast_delta_e00"))
    assert np.isnan(value(measured, "neutral_u_prime"))
    assert value(measured, "source") == 0
    (note,) = notes(measured)
    assert note.startswith("No neutral surface was found")
    assert "Tissue and coloured drapes alone give no white." in note
    assert summary(measured) == {"words": "not judged"}


@pytest.mark.parametrize("drape", [DRAPE, (0.12, 0.27, 0.42)])
def test_a_drape_that_fills_the_picture_is_no_white(drape: tuple[float, ...]) -> None:
    cloth = field(swab=None)
    cloth[:] = np.array(drape) * cloth[..., 1:2] / cloth[..., 1:2].mean()
    measured = auto(take((60, shoot(cloth, level=1.5))))
    assert not readings_of(measured)["white.source"].any()


def test_a_burnt_out_swab_is_not_read() -> None:
    box, _ = best(shoot(field(), level=2.2))
    left, top, width, height = SWAB
    assert not (left <= box[0] < left + width and top <= box[1] < top + height)


def test_a_drawn_area_is_no_surface() -> None:
    flat = np.full((HEIGHT, WIDTH, 3), 0.4)
    assert not find_candidates(shoot(flat)).candidates
    assert not auto([shoot(flat)]).totals["white"]["measured"]


def test_black_and_tiny_and_odd_pictures_are_survived() -> None:
    for shape in ((1, 1), (2, 3), (16, 16), (9, 400)):
        half = (-(-shape[0] // 2), -(-shape[1] // 2))
        for code in (16, 120, 255):
            picture = Picture(
                index=0,
                pts=0,
                y=np.full(shape, code, np.uint8),
                cb=np.full(half, 128, np.uint8),
                cr=np.full(half, 128, np.uint8),
                signal=SIGNAL,
            )
            assert not find_candidates(picture).candidates


def test_interlaced_and_ten_bit_pictures_give_the_same() -> None:
    gains = lamp_rgb(5000, 0.0)
    plain = shoot(field(), gains)
    deep = Picture(
        index=0,
        pts=0,
        y=plain.y.astype(np.uint16) * 4,
        cb=plain.cb.astype(np.uint16) * 4,
        cr=plain.cr.astype(np.uint16) * 4,
        signal=Signal(bit_depth=10),
        interlaced=True,
    )
    info = make_info(deep.signal, frames=1, size=(WIDTH, HEIGHT))
    measured = measure([deep], info, neutral=[])
    found = [value(measured, f"neutral_{c}_prime") for c in "uv"]
    assert np.hypot(*(np.array(found) - true_uv(gains))) <= 0.002


# ------------------------------------------------------------------------- confidence


def test_chances_are_shares_of_one() -> None:
    candidates = find_candidates(shoot(field())).candidates
    chances = confidences(candidates)
    assert len(candidates) == len(chances) > 1
    assert all(0 <= c <= 1 for c in chances)
    assert confidences([]) == []
    assert terms([c.features for c in candidates]).shape == (
        len(candidates),
        len(TERMS),
    )


def test_a_white_beside_it_makes_skin_unlikely() -> None:
    def chance_of_skin(picture: Picture) -> float:
        candidates = find_candidates(picture).candidates
        return max(
            (
                chance
                for c, chance in zip(candidates, confidences(candidates), strict=True)
                if c.box[0] > 105
            ),
            default=0.0,
        )

    pale = field()
    pale[:, 140:] = pale[:, 140:].mean(-1, keepdims=True) * [1.15, 1.0, 0.8]
    alone = pale.copy()
    alone[:, :140] = np.array(DRAPE) * (0.7 + 0.1 * pale[:, :140, 1:2])
    assert chance_of_skin(shoot(pale)) < 0.5 * chance_of_skin(shoot(alone))


@cache
def colour_off_lamps(red: float, blue: float, setting_k: float | None) -> float:
    """Return |Duv| of the lamp behind a white, by colour-science."""
    rgb = np.array([2.0**red, 1.0, 2.0**blue])
    if setting_k is not None:
        rgb = rgb * lamp_rgb(setting_k, 0.0)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            kelvin, duv = colour.temperature.XYZ_to_CCT_Ohno2013(
                colour.RGB_to_XYZ(rgb, BT709)
            )
        except colour.utilities.ColourRuntimeWarning:
            return math.inf  # beyond 100 000 K: no lamp
    # What is taken for a lamp: 2300 to 8500 K (house choice).
    return abs(float(duv)) if 2300 < kelvin < 8500 else math.inf


def test_colours_that_a_lamp_explains_by_colour_science() -> None:
    table = lamp_duv("bt709")
    assert table.shape[0] == pytest.approx((RED_RANGE[1] - RED_RANGE[0]) / BIN_STOPS, 1)
    for kelvin, duv, setting in [
        (3200, 0.0, 5600),
        (6700, 0.005, 3200),
        (4300, -0.01, 4300),
        (3000, 0.004, 5600),
    ]:
        light = lamp_rgb(kelvin, duv) / lamp_rgb(setting, 0.0)
        red, blue = np.log2(light[[0, 2]] / light[1]).tolist()
        red, blue = (
            lo + BIN_STOPS * (int((s - lo) / BIN_STOPS) + 0.5)
            for s, lo in ((red, RED_RANGE[0]), (blue, BLUE_RANGE[0]))
        )
        expected = min(
            colour_off_lamps(red, blue, k) for k in (None, 3200.0, 4300.0, 5600.0)
        )
        assert abs(least_duv(table, red, blue)) <= expected + 2e-4
        assert abs(least_duv(table, red, blue)) <= abs(duv) + 0.006  # half a bin
    # Green of a laser line, magenta, and what lies outside of the table: no lamp.
    for red, blue in ((-1.5, -2.0), (1.5, 1.5), (5.0, 0.0)):
        assert least_duv(table, red, blue) == pytest.approx(0.03)


def test_curves_are_straight_between_their_knots() -> None:
    rng = np.random.default_rng(2)
    x = np.stack([rng.uniform(k[0] - 1, k[-1] + 1, 50) for k in KNOTS.values()], axis=1)
    shares = basis(x)
    # Hat functions: shares of each curve's knots add up to one.
    assert shares.sum(axis=1) == pytest.approx(len(KNOTS))
    assert shares.min() >= 0
    # And the merit is linear in them: solved from some candidates, right for others.
    known, *_ = np.linalg.lstsq(shares, merits(x), rcond=None)
    assert shares @ known == pytest.approx(merits(x), abs=1e-6)


def test_a_painted_thing_is_no_flesh_whatever_its_shade() -> None:
    # The area of an ellipse; its edges are blurred a little.
    share = math.pi * (0.8 * 95) * (0.8 * 62) / (WIDTH * HEIGHT)
    for painted, expected in ((False, share), (True, 0.0)):
        found = find_candidates(shoot(field(painted=painted))).candidates
        (swab,) = [c for c in found if c.box[0] < SWAB[0] + SWAB[2]]
        assert swab.features.flesh_share == pytest.approx(expected, abs=0.03)


def test_without_flesh_in_sight_a_chance_counts_less() -> None:
    chances = np.array([0.0, 0.5, 0.9, 1.0])
    assert damped(chances, np.full(4, 0.3)) == pytest.approx(chances)
    alone = damped(chances, np.zeros(4))
    assert (alone <= chances).all()
    assert (np.diff(alone) > 0).all()
    assert alone[1] < 0.1
    assert alone[[0, 3]].tolist() == [0, 1]


@pytest.mark.parametrize(
    "paint",
    [
        (0.72, 0.64, 0.50),  # cream tiles
        (0.75, 0.66, 0.42),  # a yellow wall
        (0.30, 0.37, 0.46),  # a grey-blue cloth
        (0.72, 0.55, 0.47),  # pale skin
    ],
)
def test_a_room_of_one_paint_is_not_sure_to_be_white(paint: tuple[float, ...]) -> None:
    scene = field(swab=None)
    shade = scene[..., 1:2] / scene[..., 1:2].mean()
    scene[:] = np.array(paint) * np.clip(shade, 0.4, 1.6)
    scene[120:, 200:] = np.array((0.40, 0.22, 0.12)) * shade[120:, 200:]  # wood
    measured = auto([shoot(scene, level=1.0)])
    assert value(measured, "source") == 0
    assert value(measured, "confidence") < 0.5
    assert any("No neutral surface was found" in note for note in notes(measured))


def test_a_white_over_100_percent_is_read_where_the_camera_goes_on() -> None:
    light = field()
    left, top, width, height = SWAB
    part = light[top : top + height, left : left + width]
    gain = 0.97 / np.percentile(part, 90)  # 98.6 % signal by BT.709's curve
    bright = np.clip(light * gain, 0, 1.4)
    bright[100:140, 20:60] = 1.3  # a glare that goes up to 113 %, clipped at 109 %
    coded = np.minimum(colour.oetf(bright, "ITU-R BT.709"), 1.09)
    codes = colour.RGB_to_YCbCr(
        coded,
        K=colour.WEIGHTS_YCBCR["ITU-R BT.709"],
        out_legal=True,
        clamp_int=False,
    )
    y = np.rint(np.asarray(codes)[..., 0] * 255).astype(np.uint8)
    cb, cr = (
        np.rint(
            255 * cv2.resize(codes[..., k], None, fx=0.5, fy=0.5, interpolation=3)
        ).astype(np.uint8)
        for k in (1, 2)
    )
    picture = Picture(index=0, pts=0, duration=1, y=y, cb=cb, cr=cr, signal=SIGNAL)
    search = find_candidates(picture)
    # Codes end at 109 % (BT.709-6 item 3.4: 235 is 100 %, 254 the last).
    assert search.clips == pytest.approx(1.09, abs=0.02)
    boxes = [c.box for c in search.candidates]
    assert any(left <= x < left + width and top <= y < top + height
               for x, y, *_ in boxes)  # fmt: skip
    # Where channels pile up at 100 % that is the end.
    assert find_candidates(shoot(field(), level=2.2)).clips == 1.0


# ------------------------------------------------------- the picture as a whole


def followed(pictures: list[Picture], fps: float = 50.0) -> tuple[Image, list[int]]:
    whole = WholeShift(SIGNAL)
    seen = [whole.read(p, i / fps) for i, p in enumerate(pictures)]
    return np.array([w.stops for w in seen]), [w.framing for w in seen]


@pytest.mark.parametrize(("kelvin", "duv"), LAMPS[1:4])
def test_the_change_of_the_whole_picture_is_the_lamps(
    kelvin: float, duv: float
) -> None:
    gains = lamp_rgb(kelvin, duv)
    plain, other = shoot(field(swab=None)), shoot(field(swab=None), gains)
    stops, framings = followed(take((30, plain), (30, other)))
    expected = np.log2(gains[[0, 2]] / gains[1])
    assert stops[29] == pytest.approx((0, 0), abs=0.005)
    # To the frame, and by von Kries exactly as much as the lamp's R/G and B/G.
    assert stops[30] == pytest.approx(expected, abs=0.02)
    assert set(framings) == {1}


@pytest.mark.parametrize("whole", [True, False])
def test_strong_colours_tell_a_change_too_if_the_picture_goes_along(
    whole: bool,
) -> None:
    # Blood over most of the picture: hardly any blue is left there.
    scene = field(swab=None) * (1.2, 0.25, 0.02)
    scene[:, :40] = np.array(SKIN) * (1 + 0.1 * np.sin(np.arange(40) / 5))[:, None]
    warm = lamp_rgb(1e6 / (1e6 / 6504 + 59), 0.0032)
    other = shoot(scene, warm, level=0.8 * float(max(warm)))
    if not whole:  # only what is not so coloured changes: another thing lies there
        changed = scene.copy()
        changed[:, :40] *= warm
        other = shoot(changed)
    stops, framings = followed(take((30, shoot(scene)), (30, other)))
    expected = np.log2(warm[[0, 2]] / warm[1])
    if whole:
        assert stops[-1] == pytest.approx(expected, abs=0.05)
        assert set(framings) == {1}
    else:
        assert np.isnan(stops[30]).all()


def test_what_moves_a_little_does_not_end_a_framing() -> None:
    # Patches shade by themselves, a sixth of a stop about a tenth: under two thirds of
    # them go along with the median, and it is the same picture for all that.
    scene = field(swab=None)
    rng = np.random.default_rng(7)
    own = rng.normal((0.09, 0.0, 0.0), (0.16, 0.0, 0.16), (HEIGHT // 4, WIDTH // 4, 3))
    other = scene * 2.0 ** np.repeat(np.repeat(own, 4, axis=0), 4, axis=1)
    stops, framings = followed(take((30, shoot(scene)), (90, shoot(other))))
    assert np.hypot(*stops[30]) == pytest.approx(0.06, abs=0.02)
    assert set(framings) == {1}


def test_a_large_change_that_points_make_unevenly_is_followed() -> None:
    # A stop of red, bent by half as much here and there by a curve and black level.
    scene = 0.6 * field()
    rng = np.random.default_rng(8)
    own = rng.normal((1.0, 0.0, 0.0), (0.55, 0.0, 0.1), (HEIGHT // 10, WIDTH // 10, 3))
    other = scene * 2.0 ** np.repeat(np.repeat(own, 10, axis=0), 10, axis=1)
    stops, framings = followed(take((30, shoot(scene)), (90, shoot(other))))
    assert stops[30] == pytest.approx((1.0, 0.0), abs=0.15)
    assert set(framings) == {1}


def test_iris_and_hands_and_pans_are_no_change_of_colour() -> None:
    scene = field(swab=None)
    hand = scene.copy()
    hand[:, :110] = np.array(SKIN) * 0.8  # over a third of the picture
    stops, _ = followed(
        take(
            (20, shoot(scene)), (20, shoot(scene, level=0.45)), (20, shoot(hand))
        )
    )  # fmt: skip
    # A step of 8 bits in Cb is 0.03 stop of B/G there; a drift's limit is over 0.1.
    assert np.abs(stops[20:40]).max() < 0.03
    # Either it is told that nothing has changed, or nothing is told.
    assert np.abs(np.nan_to_num(stops[40:])).max() < 0.05
    moved = np.roll(scene, 140, axis=1)
    stops, framings = followed(take((20, shoot(scene)), (60, shoot(moved))))
    assert np.isnan(stops[25]).all()
    assert framings[-1] == 2


def whole_findings(measured: Any) -> list[Any]:
    return [f for f in findings(measured) if "whole picture" in f.message]


def test_a_changed_setting_is_found_without_any_white() -> None:
    scene = field(swab=None)
    warm = lamp_rgb(1e6 / (1e6 / 6504 + 60), 0.0032)
    pictures = take((70, shoot(scene)), (50, shoot(scene, warm)), (70, shoot(scene)))
    measured = auto(pictures)
    assert value(measured, "source") == 0
    cast, drift = sorted(findings(measured), key=lambda f: f.rule)
    assert [(f.start_frame, f.end_frame) for f in (cast, drift)] == [(70, 120)] * 2
    assert (cast.rule, drift.rule) == ("white.cast", "white.drift")
    assert (cast.grade, drift.grade) == (Grade.REVIEW, Grade.REVIEW)
    assert "changed at once at 10:00:01:20 while the framing stayed" in drift.message
    assert "warm by about 60 mired" in drift.message
    # u'v' between the two lamps, by colour-science.
    away = np.hypot(*(true_uv(warm) - true_uv(BALANCED)))
    assert drift.worst == pytest.approx(away, abs=0.001)
    # What it comes back to was likely set: three quarters of the change count.
    assert cast.worst == pytest.approx(white_cast(warm / warm[1], 0.75), abs=0.4)
    assert "begins and ends with" in cast.message
    assert "which of the two is right" in cast.message
    result: Any = SimpleNamespace(
        picture=measured.picture, info=measured.info, limits=measured.limits
    )
    assert MEASURE.exhibits is not None
    assert MEASURE.mark is not None
    for finding in (cast, drift):
        (figure,) = MEASURE.exhibits(result, finding)
        assert [line.label for line in figure.lines] == ["red / green", "blue / green"]
        setup = Setup(measured.info, make_limits(neutral=[]), result)
        assert not MEASURE.mark(pictures[0], setup, finding).outlines


def white_cast(light: Any, share: float) -> float:
    """Return CIEDE2000 of a white under a share of a light's change, in stops.

    By colour-science.
    """
    xyz = colour.RGB_to_XYZ(light**share, BT709)
    lab = colour.XYZ_to_Lab(xyz / xyz[1], BT709.whitepoint)
    return float(colour.delta_E(np.array([100.0, 0, 0]), lab, method="CIE 2000"))


@pytest.mark.parametrize("counts", [(70, 50), (50, 70)])
def test_of_two_states_neither_is_marked_without_a_white(
    counts: tuple[int, int],
) -> None:
    scene = field(swab=None)
    warm = lamp_rgb(1e6 / (1e6 / 6504 + 60), 0.0032)
    before, after = counts
    measured = auto(take((before, shoot(scene)), (after, shoot(scene, warm))))
    (drift,) = findings(measured)
    assert (drift.rule, drift.start_frame) == ("white.drift", before)
    change = f"10:00:0{before // 50}:{before % 50:02}"
    assert (
        f"the part from 10:00:00:00 to {change} or that from there to 10:00:02:20, "
        "cannot be told without a white" in drift.message
    )


def test_a_walk_is_found_without_any_white() -> None:
    scene = field(swab=None)
    shades = [
        shoot(scene, lamp_rgb(1e6 / (1e6 / 6504 + 40 * k / 20), 0.0032))
        for k in range(21)
    ]
    measured = auto(
        take((50, shades[0]), *((5, shade) for shade in shades), (60, shades[-1]))
    )
    (drift,) = [f for f in findings(measured) if f.rule == "white.drift"]
    assert "whole picture walked over 1." in drift.message
    assert "automatic white balance" in drift.advice
    assert 50 < drift.start_frame < 120


def test_little_changes_need_a_white() -> None:
    # 10 mired: over the limit of a white's drift, under that of the picture's.
    scene = field(swab=None)
    little = lamp_rgb(1e6 / (1e6 / 6504 + 10), 0.0032)
    measured = auto(take((60, shoot(scene)), (60, shoot(scene, little))))
    assert not findings(measured)


def test_a_white_seen_once_tells_the_cast_after_a_change_of_the_whole() -> None:
    # Balanced while the swab is there; then it goes, and then the lamp changes.
    without = field(swab=None)
    measured = auto(
        take((60, shoot(field())), (40, shoot(without)), (60, shoot(without, WARM)))
    )
    cast = readings_of(measured)["white.cast_delta_e00"]
    assert cast[70:90].max() < 2
    assert cast[110:].min() > 6
    (found,) = [f for f in findings(measured) if f.rule == "white.cast"]
    assert found.start_frame == pytest.approx(100, abs=2)
    assert found.end_frame == 160


# --------------------------------------------------------------------- over a take


WARM = lamp_rgb(4600, 0.003)


def test_a_cast_is_found_to_the_frame_without_a_patch() -> None:
    balanced, warm = shoot(field()), shoot(field(), WARM)
    measured = auto(take((60, balanced), (70, warm), (30, balanced)))
    cast, drift = sorted(findings(measured), key=lambda f: f.rule)
    assert (cast.rule, drift.rule) == ("white.cast", "white.drift")
    assert (cast.start_frame, cast.end_frame) == (60, 130)
    assert "warm by about" in cast.message
    assert "a neutral surface found in the picture (confidence 0." in cast.message
    assert cast.where is not None
    # The lamp changed from one frame to the next.
    assert (drift.start_frame, drift.end_frame) == (60, 130)
    assert "changed at once at 10:00:01:10" in drift.message
    assert "from close to neutral to warm by about" in drift.message
    assert "a lamp was switched" in drift.advice
    # The cast is a finding of its own; the drift explains it.
    assert (cast.grade, drift.grade) == (Grade.REJECT, Grade.NOTE)
    away = np.hypot(*(true_uv(WARM) - true_uv(BALANCED)))
    assert drift.worst == pytest.approx(away, abs=0.002)


def test_a_balanced_take_has_no_cast() -> None:
    measured = auto(take((100, shoot(field()))))
    assert not findings(measured)
    assert not notes(measured)
    assert summary(measured)["words"] == "close to neutral"
    assert summary(measured)["share_measured_percent"] == 100.0


def test_a_small_drift_is_reviewed_though_there_is_no_cast() -> None:
    # 15 mired is under the limit of a cast, 20; in u'v' about 0.008, drift's is 0.004.
    little = shoot(field(), lamp_rgb(1e6 / (1e6 / 6504 + 15), 0.0032))
    measured = auto(take((60, shoot(field())), (60, little)))
    (drift,) = findings(measured)
    assert (drift.rule, drift.grade) == ("white.drift", Grade.REVIEW)
    assert (drift.start_frame, drift.end_frame) == (60, 120)


def test_a_given_patch_drifts_as_well() -> None:
    little = shoot(field(), lamp_rgb(1e6 / (1e6 / 6504 + 15), 0.0032))
    pictures = take((60, shoot(field())), (60, little))
    info = make_info(frames=120, size=(WIDTH, HEIGHT))
    measured = measure(pictures, info, neutral=[40, 30, 40, 30])
    (drift,) = findings(measured)
    assert (drift.rule, drift.where) == ("white.drift", (40, 30, 40, 30))
    assert value(measured, "source") == 1
    # A hand, or a swab that is moved: the picture does not change with the patch.
    pictures = take((60, shoot(field())), (60, shoot(field(swab=BLOODY))))
    measured = measure(pictures, info, neutral=[40, 30, 40, 30])
    assert not [f for f in findings(measured) if f.rule == "white.drift"]


def test_automatic_white_balance_is_a_walk() -> None:
    scene, steps = field(), 20
    shades = [
        shoot(scene, lamp_rgb(1e6 / (1e6 / 6504 + 50 * k / steps), 0.0032))
        for k in range(steps + 1)
    ]
    measured = auto(
        take((50, shades[0]), *((5, shade) for shade in shades), (60, shades[-1]))
    )
    (drift,) = [f for f in findings(measured) if f.rule == "white.drift"]
    assert "walked over 1." in drift.message  # 60 % of 2.1 s
    assert "automatic white balance" in drift.advice
    assert 50 < drift.start_frame < 120


def test_a_walk_goes_on_when_the_swab_is_taken_away() -> None:
    # 100 mired in 4 s; the swab is in sight for the first 60.
    shades = [lamp_rgb(1e6 / (1e6 / 6504 + 5 * k), 0.0032) for k in range(21)]
    seen, gone = field(), field(swab=None)
    pictures = take(
        (50, shoot(seen)),
        *((10, shoot(seen if k < 12 else gone, s)) for k, s in enumerate(shades)),
        (60, shoot(gone, shades[-1])),
    )
    found = [f for f in findings(auto(pictures)) if f.rule == "white.drift"]
    (drift,) = found
    # It reaches 0.004 in u'v' after some 8 mired, a second and a half into it.
    assert 50 < drift.start_frame < 100
    assert drift.end_frame == len(pictures)
    assert "automatic white balance" in drift.advice


def test_a_swab_that_soaks_up_blood_is_no_drift() -> None:
    shades = [
        shoot(field(swab=tuple(np.add(WHITE, np.subtract(BLOODY, WHITE) * k / 12))))
        for k in range(13)
    ]
    measured = auto(
        take((50, shades[0]), *((5, shade) for shade in shades), (50, shades[-1]))
    )
    assert not [f for f in findings(measured) if f.rule == "white.drift"]


def test_frames_without_a_white_take_over_the_takes_cast() -> None:
    with_swab = shoot(field(), WARM)
    without = shoot(field(swab=None), WARM)
    measured = auto(take((60, without), (60, with_swab), (80, without)))
    (cast,) = [f for f in findings(measured) if f.rule == "white.cast"]
    assert (cast.start_frame, cast.end_frame) == (0, 200)
    assert 60 <= cast.worst_frame < 120
    seen = np.flatnonzero(readings_of(measured)["white.source"] == 3)
    assert seen[0] <= 60 + 25  # looked for twice a second at least when things move
    assert seen[-1] == 119
    share = round(100 * len(seen) / 200)
    assert f"seen in {share} % of these frames" in cast.message
    assert any(f"read in {share} % of the frames" in note for note in notes(measured))


def test_a_white_held_before_the_lens_is_a_reference_shot() -> None:
    sheet = field(swab=None)
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH].astype(float)
    shade = 0.4 + 0.3 * np.exp(-(((x - 150) / 150) ** 2) - ((y - 80) / 90) ** 2)
    sheet[:] = (shade * (1 + 0.05 * np.sin(2 * np.pi * x / 3.1)))[..., None]
    measured = auto(
        take((75, shoot(sheet, WARM, level=1.0)), (50, shoot(field(swab=None), WARM)))
    )
    assert value(measured, "source", 30) == 2
    assert value(measured, "source", 100) == 0
    (cast,) = [f for f in findings(measured) if f.rule == "white.cast"]
    assert (cast.start_frame, cast.end_frame) == (0, 125)
    (note,) = notes(measured)
    assert note.startswith(
        "White reference shot at 10:00:00:00: cast at its end warm by about"
    )


def sheet(colour_of_it: tuple[float, ...] = WHITE, folds: float = 0.0) -> Image:
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH].astype(float)
    shade = 0.5 + 0.2 * np.exp(-(((x - 150) / 150) ** 2) - ((y - 80) / 90) ** 2)
    shade = shade * 2.0 ** (folds * np.sin(x / 9))
    weave = 1 + 0.05 * np.sin(2 * np.pi * x / 3.1)
    return np.asarray((shade * weave)[..., None] * np.array(colour_of_it))


def test_a_reference_under_a_strong_blue_cast_is_taken() -> None:
    # Daylight, and the camera set to lamp light.
    blue = lamp_rgb(5600, 0.0) / lamp_rgb(3200, 0.0)
    measured = auto(
        take((60, shoot(sheet(), blue)), (60, shoot(field(swab=None), blue)))
    )
    assert value(measured, "source", 30) == 2
    (cast,) = [f for f in findings(measured) if f.rule == "white.cast"]
    assert "a white-reference shot" in cast.message
    assert any(
        n.startswith("White reference shot at 10:00:00:00") for n in notes(measured)
    )
    found = [value(measured, f"neutral_{c}_prime", 30) for c in "uv"]
    assert np.hypot(*(np.array(found) - true_uv(blue))) <= 0.002


@pytest.mark.parametrize(
    ("scene", "level", "why"),
    [
        (sheet((0.2, 0.8, 0.2)), 0.6, "no lamp of 2300 to 9000 K"),
        (sheet(folds=1.2), 0.8, "not flat and evenly lit"),
        (sheet(), 4.0, "burnt out"),
    ],
)
def test_why_a_sheet_is_no_reference(scene: Image, level: float, why: str) -> None:
    measured = auto(take((30, shoot(scene, level=level))))
    assert any(
        "at 10:00:00:00 was not taken for a white reference" in note and why in note
        for note in notes(measured)
    )
    assert not (readings_of(measured)["white.source"] == 2).any()


def test_what_the_report_shows() -> None:
    pictures = take((50, shoot(field(), WARM)))
    measured = auto(pictures)
    (cast,) = findings(measured)
    result: Any = SimpleNamespace(
        picture=measured.picture, info=measured.info, limits=measured.limits
    )
    assert MEASURE.exhibits is not None
    (swatches,) = MEASURE.exhibits(result, cast)
    (_, before), (_, after) = swatches.swatches
    assert before[0] > before[1] > before[2]  # warm
    assert after == (before[1],) * 3
    assert MEASURE.mark is not None
    setup = Setup(measured.info, make_limits(neutral=[]), result)
    marks = MEASURE.mark(pictures[0], setup, cast)
    ((kind, points),) = marks.outlines
    x, y, w, h = readings_of(measured)["white.neutral_box"][cast.worst_pts_row or 0]
    assert kind == "neutral"
    assert points.tolist() == [[x, y], [x + w, y], [x + w, y + h], [x, y + h]]


def test_the_course_of_a_drift_is_shown() -> None:
    measured = auto(take((60, shoot(field())), (60, shoot(field(), WARM))))
    (drift,) = [f for f in findings(measured) if f.rule == "white.drift"]
    result: Any = SimpleNamespace(
        picture=measured.picture, info=measured.info, limits=measured.limits
    )
    assert MEASURE.exhibits is not None
    (figure,) = MEASURE.exhibits(result, drift)
    (line,) = figure.lines
    assert figure.kind == "lines"
    assert np.median(line.y[:50]) < 0.001
    assert line.y[-1] == pytest.approx(drift.worst, abs=1e-3)
    assert figure.levels == (("limit", 0.004),)


# ------------------------------------------------------------------------------ lamps


@pytest.mark.parametrize("lamp_k", [3000.0, 4300.0, 6700.0])
@pytest.mark.parametrize("setting_k", [3200.0, 5600.0])
def test_the_lamp_behind_a_white_by_colour_science(
    lamp_k: float, setting_k: float
) -> None:
    white = lamp_rgb(lamp_k, 0.004) / lamp_rgb(setting_k, 0.0)
    cct, duv = lamp_of_white(white, setting_k=setting_k, primaries="bt709")
    assert 1e6 / cct == pytest.approx(1e6 / lamp_k, abs=0.3)
    assert duv == pytest.approx(0.004, abs=1e-4)


def test_whether_a_wrong_preset_explains_it() -> None:
    inside = lamp_rgb(4000, 0.0) / lamp_rgb(5600, 0.0)
    text = lamp_words(inside, primaries="bt709")
    # 4000 K lies within 3000 to 6700 K, and the setting is the first of the two.
    assert text == (
        "This cast fits a theatre lamp of about 4000 K with the camera set to 5600 K: "
        "a wrong preset may explain it."
    )
    cold = lamp_words(lamp_rgb(6000, 0) / lamp_rgb(3200, 0), primaries="bt709")
    # Set to 5600 K the light would have been out of range; set to 3200 K it fits.
    assert "a theatre lamp of about 6000 K with the camera set to 3200 K" in cold
    green = lamp_words(lamp_rgb(5600, 0.02) / lamp_rgb(5600, 0), primaries="bt709")
    assert "No theatre lamp (3000 to 6700 K as published)" in green
    assert "set to 5600 K or 3200 K gives this cast (too green for that)" in green
    assert "coloured light" in green
    candle = lamp_words(lamp_rgb(2000, 0) / lamp_rgb(5600, 0), primaries="bt709")
    assert "gives this cast (as of a lamp of 2000 K)" in candle
