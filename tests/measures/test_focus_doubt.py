"""What looks like lost focus and is none: noise, woven fields, light that flashes.

Each with its counterpart: focus lost under the same conditions is still found.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from fractions import Fraction
from functools import cache
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage

from qc.judge import find
from qc.measures import combing, flash, focus, framing, hunting
from qc.measures.base import Measured
from qc.measures.noise import MEASURE as NOISE
from qc.measures.parts.focus.lightjumps import between_jumps, jumps
from qc.measures.parts.focus.shotfocus import told_through
from qc.measures.parts.focus.softcheck import noise_alone
from qc.records import Finding, Readings
from qc.store import ColumnStore
from tests.pictures import Image, column, measure, picture, scene, setup_of

HEIGHT, WIDTH = 200, 320
SHARP = scene(HEIGHT, WIDTH, np.random.default_rng(4))
WIDE = scene(2 * HEIGHT, 2 * WIDTH, np.random.default_rng(21)).astype(np.float32)
MEASURES = (
    combing.MEASURE,
    flash.MEASURE,
    framing.MEASURE,
    focus.MEASURE,
    hunting.MEASURE,
)


def watch(images: Iterable[Image], noise: float = 1.0) -> Measured:
    random = np.random.default_rng(5)
    pictures = (
        picture(y + random.normal(0, noise, y.shape), index=i)
        for i, y in enumerate(images)
    )
    return measure(pictures, setup_of(width=WIDTH, height=HEIGHT), MEASURES)


def told(measured: Measured) -> list[Finding]:
    return [f for f in find(measured, MEASURES) if f.rule.startswith("focus.")]


def spans(measured: Measured) -> list[tuple[str, int, int]]:
    return [(f.rule, f.start_frame, f.end_frame) for f in told(measured)]


def notes(measured: Measured) -> str:
    assert focus.MEASURE.notes is not None
    return " ".join(focus.MEASURE.notes(measured))


def blurred(image: Image, sigma: float) -> Image:
    return np.asarray(ndimage.gaussian_filter(image, sigma, mode="mirror"))


# -------------------------------------------------------------------------- glints


def glinting(seconds: float) -> Image:
    """Draw wet tissue, dull by itself, a crisp tool, and glints that wax and wane."""
    random = np.random.default_rng(8)
    image = 60 + 0.25 * SHARP
    image[60:140, 30:60] = 190.0
    image[64:136:8, 34:56] = 90.0
    glints = np.zeros_like(image)
    places = random.integers((20, 80), (HEIGHT - 20, WIDTH - 20), (500, 2))
    glints[tuple(places.T)] = random.uniform(60, 120, 500)
    share = 0.6 + 0.33 * np.cos(2 * np.pi * 0.5 * seconds)
    return np.asarray(image + share * 3.0 * blurred(glints, 0.6))


def test_glints_that_come_and_go_are_no_focus() -> None:
    images = [glinting(i / 25) for i in range(150)]
    measured = watch(images)
    assert told(measured) == []
    # The reading falls: it is not that nothing was seen.
    assert np.nanmin(column(measured, "focus.relative_percent")) < 50
    images[60:95] = [blurred(image, 1.6) for image in images[60:95]]
    # Among glints a loss may be told as a swing; it is told.
    assert any(first <= 62 and last >= 93 for _, first, last in spans(watch(images)))


# --------------------------------------------------------------------------- noise


def test_detail_is_told_only_where_noise_leaves_it() -> None:
    # What is not known of the noise: 15 % of its energy, 0.387 of its amplitude.
    detail = np.array([[1.0, 1.0, 0.1]] * 3)
    out = told_through(
        detail,
        noise=np.array([2.0, 3.0, np.nan]),
        noisy=np.array([0.5, 0.2, 0.5]),
        least=np.array([0.5, 0.5, 0.5]),
    )
    # 0.387 x 2 x 0.5 = 0.39, x 3 x 0.5 = 0.58 and x 3 x 0.2 = 0.23.
    nan = math.nan
    expected = [[1.0, 1.0, 0.1], [nan, 1.0, nan], [1.0, 1.0, 0.1]]
    assert out == pytest.approx(np.array(expected), nan_ok=True)


@pytest.mark.parametrize("number", [0, 1])
@pytest.mark.parametrize(("lens", "judged"), [(0.6, True), (0.8, False)])
def test_noise_that_a_coder_keeps_by_kinds_of_frame_is_no_focus(
    lens: float, judged: bool, number: int
) -> None:
    # Strong noise, of which every fourth frame keeps a tenth more.
    subject = blurred(SHARP, lens)
    random = np.random.default_rng(number)
    images = [
        subject + random.normal(0, 5.5 if i % 4 == 0 else 5.0, subject.shape)
        for i in range(60)
    ]
    measured = watch(images, noise=0.0)
    assert told(measured) == []
    known = ~np.isnan(column(measured, "focus.relative_percent"))
    assert known.all() if judged else not known.any()
    assert ("not judged" in notes(measured)) is not judged


def test_lost_focus_is_found_in_moderate_noise() -> None:
    images = [SHARP] * 30 + [blurred(SHARP, 2.0)] * 20 + [SHARP] * 20
    ((rule, first, last),) = spans(watch(images, noise=3.0))
    assert (rule, first, last) == ("focus.soft", 30, 50)


def readings_of(columns: dict[str, NDArray[Any]]) -> Readings:
    n = len(next(iter(columns.values())))
    store = ColumnStore(dict.fromkeys(columns, 0))
    store.extend(columns, n)
    return Readings("picture", Fraction(1, 25), np.arange(n + 1), store)


@pytest.mark.parametrize(
    ("variance", "noise", "alone"),
    [
        ((300.0, 300.0), (2.4, 3.4), True),  # 115 of noise taken off, or 231
        ((300.0, 200.0), (2.4, 2.4), False),  # gone from the picture
        ((300.0, 240.0), (2.4, 2.8), False),  # most of it gone from the picture
        ((300.0, 300.0), (1.0, 3.4), False),  # the gain was raised
    ],
)
def test_detail_may_differ_by_the_reading_of_noise_alone(
    variance: tuple[float, float], noise: tuple[float, float], alone: bool
) -> None:
    v, n = (np.repeat(pair, 20) for pair in (variance, noise))
    readings = readings_of(
        {
            "focus.laplacian_variance": v,
            "focus.noise_codes": n,
            "focus.sharpness": np.maximum(v - 20 * n**2, 0.0),
        }
    )
    sharp, soft = np.arange(20), np.arange(20, 40)
    assert noise_alone(readings, soft, sharp) is alone


# --------------------------------------------------------------------- woven fields


@cache
def _view(moment: float, sigma: float) -> Image:
    """Look at a wide picture that moves for a second, stands, and moves again."""
    x = 12 * math.sin(moment / 7) if moment % 50 < 25 else 0.0
    shift = np.array([[1.0, 0.0, -x - WIDTH / 2], [0.0, 1.0, -HEIGHT / 2]])
    flat = cv2.warpAffine(WIDE, shift, (WIDTH, HEIGHT), flags=cv2.INTER_CUBIC)
    image = np.asarray(flat, np.float64)
    return blurred(image, sigma) if sigma else image


def woven(sigma: Callable[[int], float]) -> Iterable[Image]:
    for i in range(100):
        image = np.array(_view(float(i), sigma(i)), np.float64)
        image[1::2] = _view(i + 0.5, sigma(i))[1::2]
        yield image


def test_teeth_of_woven_fields_are_no_sharpness() -> None:
    measured = watch(woven(lambda _: 0.0))
    found = [f.rule for f in find(measured, MEASURES)]
    assert found == ["picture.combing"]
    assert "along the lines" in notes(measured)
    relative = column(measured, "focus.relative_percent")
    assert np.nanmin(relative) > 60
    assert np.isnan(column(measured, "focus.shot_rise_px")).all()


def test_lost_focus_is_found_in_woven_fields() -> None:
    measured = watch(woven(lambda i: 2.0 if 28 <= i < 48 else 0.0))
    ((rule, first, last),) = spans(measured)
    # The direction of detail is read every sixth frame.
    assert rule == "focus.soft"
    assert first == pytest.approx(28, abs=4)
    assert last == pytest.approx(48, abs=4)


# ----------------------------------------------------------------------- flashes


def veiled(image: Image) -> Image:
    """Light on the lens: a third of the contrast on top of a bright haze."""
    return np.asarray(np.minimum(16 + 0.35 * (image - 16) + 0.6 * 219, 235.0))


@pytest.mark.parametrize("period", [8, 12, 50])  # 3, 2 and 0.5 a second
def test_veils_of_light_are_no_lost_focus(period: int) -> None:
    images = [
        veiled(SHARP) if 37 <= i < 137 and (i - 37) % period < period // 2 else SHARP
        for i in range(175)
    ]
    measured = watch(images)
    assert told(measured) == []
    assert "flashes" in notes(measured)
    relative = column(measured, "focus.relative_percent")
    assert np.isnan(relative[37 : 37 + period // 2 - 1]).all()
    assert np.nanmin(relative) > 85


def test_focus_lost_and_hunting_beside_a_flash_are_found() -> None:
    images = [SHARP] * 30 + [veiled(SHARP)] * 10 + [SHARP] * 30
    images += [blurred(SHARP, 2.0)] * 20 + [SHARP] * 20
    assert spans(watch(images)) == [("focus.soft", 70, 90)]


def test_a_jump_and_one_back_enclose_a_stretch() -> None:
    rise = np.zeros(30)
    fall = np.zeros(30)
    rise[10], fall[20] = 90.0, 80.0
    rise[25] = fall[25] = 60.0  # things change places
    both = {"flash.rise_percent": rise, "flash.fall_percent": fall}
    jump = jumps(readings_of(both))
    assert np.flatnonzero(jump).tolist() == [10, 20]
    assert between_jumps(jump, (10, 20))
    assert between_jumps(jump, (11, 21))
    assert not between_jumps(jump, (0, 10))
    assert not between_jumps(jump, (10, 15))


def test_without_what_flashes_are_read_from_nothing_jumps() -> None:
    readings = readings_of({"focus.noise_codes": np.ones(5)})
    assert not jumps(readings).any()


# ------------------------------------------------- what is no best to hold others to


def coarse(number: int, sigma: float) -> Image:
    """Return noise that neighbours share, as a coder leaves it: read too low."""
    white = np.random.default_rng(number).normal(0, 1, SHARP.shape)
    smooth = ndimage.gaussian_filter(white, 0.7)
    return np.asarray(sigma * smooth / smooth.std())


def doubts(images: Iterable[Image]) -> list[tuple[str, int, int]]:
    measures = (*MEASURES, NOISE)
    pictures = (picture(y, index=i) for i, y in enumerate(images))
    measured = measure(pictures, setup_of(width=WIDTH, height=HEIGHT), measures)
    found = find(measured, measures)
    return [
        (f.rule, f.start_frame, f.end_frame)
        for f in found
        if f.rule.startswith("focus.")
    ]


def test_gain_that_is_turned_up_makes_the_rest_not_soft() -> None:
    subject = blurred(SHARP, 1.2)
    images = [subject + coarse(i, 9.0 if 60 <= i < 110 else 0.5) for i in range(170)]
    assert doubts(images) == []
    # Focus lost where the noise is as usual.
    for i in range(20, 45):
        images[i] = blurred(SHARP, 4.0) + coarse(i, 0.5)
    assert doubts(images) == [("focus.soft", 20, 45)]


def test_an_iris_that_is_closed_for_a_while_makes_the_rest_not_soft() -> None:
    subject = blurred(SHARP, 1.2) - 16
    images = [
        16 + subject * (0.12 if 60 <= i < 110 else 1.0) + coarse(i, 1.2)
        for i in range(170)
    ]
    assert doubts(images) == []
    for i in range(20, 45):
        images[i] = blurred(SHARP, 4.0) + coarse(i, 1.2)
    assert doubts(images) == [("focus.soft", 20, 45)]
