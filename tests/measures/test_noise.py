"""Noise: a known standard deviation is found again, and nothing else is taken for it.

Noise is drawn with numpy at a standard deviation in percent of range; second opinions:
the wavelet estimate of Donoho and Johnstone, scipy's chi-squared distribution, and the
noise model of the sample takes' own camera.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Mapping, Sequence
from dataclasses import replace
from fractions import Fraction
from functools import cache
from pathlib import Path
from typing import cast

import colour
import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from qc.judge import find
from qc.measures import default_limits
from qc.measures.base import Column, Measure, Measured, Setup
from qc.measures.noise import MEASURE
from qc.measures.parts.scan import flatnoise, noisetold
from qc.measures.parts.scan.flatnoise import FlatNoise, flat_noise
from qc.measures.parts.scan.framepairs import band_starts
from qc.measures.parts.scan.textureshift import shifted_shares
from qc.media import TakeReader, probe
from qc.pipeline import check_take
from qc.records import Columns, Finding, Grade, Picture, TakeResult
from qc.signal import Signal
from tests import synth
from tests.pictures import (
    Image,
    Plane,
    codes,
    column,
    measure,
    picture,
    scene,
    setup_of,
)

HEIGHT, WIDTH = 288, 512
SIGNALS = [
    Signal(),
    Signal(bit_depth=10),
    Signal(full_range=True),
    Signal(bit_depth=10, full_range=True),
    Signal(bit_depth=12),
]
# From dark to light, so that every level is there; 8-bit video codes.
RAMP = np.tile(np.linspace(17, 234, WIDTH), (HEIGHT, 1))
GREY = np.full((HEIGHT, WIDTH), 110.0)


@cache
def _woven(number: int, width: int) -> Image:
    """Draw cloth: detail everywhere, as fine as a lens leaves it, 1.6 % of range."""
    random = np.random.default_rng(number)
    threads = cv2.GaussianBlur(random.normal(0, 9, (HEIGHT, width)), (0, 0), 0.8)
    return np.asarray(110.0 + threads, np.float64)


def woven(number: int = 1, *, width: int = WIDTH) -> Image:
    return _woven(number, width).copy()


def coded(
    image: Image, percent: float, signal: Signal, number: int, *, blur: float = 0.0
) -> Plane:
    """Turn 8-bit video codes into a plane with noise of `percent` of range."""
    grain = np.random.default_rng(number).normal(0, 1, image.shape)
    if blur:
        grain = np.asarray(cv2.GaussianBlur(grain, (0, 0), blur), np.float64)
        grain /= grain.std()
    span = signal.white - signal.black
    return picture(codes(image, signal) + percent / 100 * span * grain, signal=signal).y


def bands(plane: Plane) -> Plane:
    starts = band_starts(HEIGHT, count=8, rows=16)
    return np.stack([plane[a : a + 16] for a in starts])


def pair(
    image: Image,
    percent: float,
    signal: Signal | None = None,
    *,
    then: Image | None = None,
    blur: float = 0.0,
) -> FlatNoise:
    """Measure two frames of an image, the second of another one if given."""
    signal = Signal() if signal is None else signal
    before = coded(image, percent, signal, 1, blur=blur)
    now = coded(image if then is None else then, percent, signal, 2, blur=blur)
    return flat_noise(bands(before), bands(now), signal=signal)


def percent_of(codes_: float, signal: Signal | None = None) -> float:
    signal = Signal() if signal is None else signal
    return 100 * codes_ / (signal.white - signal.black)


def take(images: Sequence[Image], percents: Sequence[float] | float) -> Measured:
    if isinstance(percents, float):
        percents = [percents] * len(images)
    pictures = (
        picture(coded(image, percent, Signal(), 100 + i), index=i)
        for i, (image, percent) in enumerate(zip(images, percents, strict=True))
    )
    return measure(pictures, setup_of(), [MEASURE])


def found(measured: Measured) -> list[Finding]:
    return list(find(measured, [MEASURE]))


def notes(measured: Measured) -> list[str]:
    assert MEASURE.notes is not None
    return list(MEASURE.notes(measured))


# ------------------------------------------------------------------------- arithmetic


@pytest.mark.parametrize("signal", SIGNALS)
@pytest.mark.parametrize("percent", [0.3, 0.6, 1.2, 2.5, 5.0])
def test_known_noise_is_found(percent: float, signal: Signal) -> None:
    for image in (RAMP, woven()):
        seen = pair(image, percent, signal)
        assert percent_of(seen.mid, signal) == pytest.approx(percent, rel=0.05)
        assert seen.repeated == 0
        assert seen.grain == pytest.approx(1.0, abs=0.06)


@pytest.mark.parametrize("signal", SIGNALS)
def test_noise_is_told_for_every_level(signal: Signal) -> None:
    seen = pair(RAMP, 1.0, signal)
    assert seen.levels.shape == (len(flatnoise.LEVELS_PERCENT) - 1,)
    shares = [percent_of(v, signal) for v in seen.levels]
    assert shares == pytest.approx([1.0] * len(shares), rel=0.08)


def test_noise_that_grows_with_the_level_is_told_apart() -> None:
    span = 219 / 100
    rising = 0.01 * (RAMP - 16) / span  # percent: a hundredth of the level
    random = np.random.default_rng(4)
    frames = [
        bands(picture(RAMP + rising * span * random.normal(0, 1, RAMP.shape)).y)
        for _ in range(2)
    ]
    seen = flat_noise(frames[0], frames[1], signal=Signal())
    edges = np.array(flatnoise.LEVELS_PERCENT)
    expected = 0.01 * 0.5 * (edges[:-1] + edges[1:])
    assert seen.levels[2:] / span == pytest.approx(expected[2:], rel=0.15)


def wavelet_sigma(plane: Plane) -> float:
    """Return the noise of one frame by its diagonal Haar coefficients' spread.

    Donoho and Johnstone, "Ideal spatial adaptation by wavelet shrinkage", Biometrika
    81(3), 1994 (from memory); the median deviation is scipy's.
    """
    p = plane.astype(np.float64)
    diagonal = 0.5 * (p[::2, ::2] - p[1::2, ::2] - p[::2, 1::2] + p[1::2, 1::2])
    return float(stats.median_abs_deviation(diagonal, axis=None, scale="normal"))


@pytest.mark.parametrize("percent", [0.5, 2.0])
def test_a_second_opinion_on_a_flat_picture(percent: float) -> None:
    signal = Signal(bit_depth=10)
    seen = pair(GREY, percent, signal).mid
    expected = wavelet_sigma(coded(GREY, percent, signal, 1))
    assert seen == pytest.approx(expected, rel=0.03)


def test_weave_is_noise_to_one_frame_but_not_to_two() -> None:
    assert percent_of(wavelet_sigma(coded(woven(), 0.3, Signal(), 1))) > 0.6
    assert percent_of(pair(woven(), 0.3).mid) == pytest.approx(0.3, rel=0.05)


def test_the_bias_of_choosing_the_least_changing_blocks() -> None:
    expected = stats.chi2.ppf(0.35, 255) / 255
    assert pytest.approx(expected, rel=1e-4) == flatnoise._LOW_BIAS


def test_coarse_grain_is_told() -> None:
    """Noise blurred by sigma 0.55 px, as after a colour filter's interpolation.

    The mean of 2 x 2 pixels of a stationary field has the variance s^2 (1 + r)^2 / 4,
    with r the correlation of neighbours; grain is 1 + r.
    """
    seen = pair(GREY, 2.0, blur=0.55)
    kernel = cv2.getGaussianKernel(9, 0.55).ravel()
    r = float(np.sum(kernel[1:] * kernel[:-1]) / np.sum(kernel**2))
    assert seen.grain == pytest.approx(1 + r, rel=0.05)
    assert percent_of(seen.mid) == pytest.approx(2.0, rel=0.06)


def test_light_that_changes_is_no_noise() -> None:
    assert percent_of(pair(RAMP, 0.5, then=RAMP * 1.02).mid) < 0.6
    assert percent_of(pair(GREY, 0.5, then=GREY + 10).mid) == pytest.approx(
        0.5, rel=0.05
    )


@pytest.mark.parametrize("moving", [0.25, 0.5])
def test_what_moves_in_half_of_the_picture_does_no_harm(moving: float) -> None:
    # A part of the cloth becomes other cloth; the rest stands still. The 35th
    # percentile of all is then at most the 70th or 75th of what stands still: by
    # scipy, of 255 degrees of freedom, that reads 5 % high.
    high = math.sqrt(stats.chi2.ppf(0.75, 255) / stats.chi2.ppf(0.35, 255))
    assert high < 1.06
    then = woven()
    then[:, : round(WIDTH * moving)] = woven(7)[:, : round(WIDTH * moving)]
    seen = pair(woven(), 1.5, then=then)
    assert 0.97 * 1.5 < percent_of(seen.mid) < 1.5 * high * 1.03


@pytest.mark.parametrize("moving", [0.6, 0.7])
def test_the_least_changing_blocks_tell_where_most_of_the_picture_moves(
    moving: float,
) -> None:
    coarse = 110.0 + 3.0 * (woven(7) - 110.0)
    then = woven()
    then[:, : round(WIDTH * moving)] = coarse[:, : round(WIDTH * moving)]
    seen = pair(woven(), 2.0, then=then)
    # The 15th percentile of all is the 50th of what stands still at most: by scipy,
    # of 255 degrees of freedom, that reads 5 % high.
    high = math.sqrt(stats.chi2.ppf(0.5, 255) / stats.chi2.ppf(0.15, 255))
    assert high < 1.06
    assert seen.uneven < flatnoise.UNEVEN
    assert 0.97 * 2.0 < percent_of(seen.mid) < 2.0 * high * 1.03


def test_where_all_of_the_picture_moves_nothing_is_sure() -> None:
    ground = scene(HEIGHT, WIDTH + 40, rng(3))
    seen = pair(ground[:, :WIDTH], 0.2, then=ground[:, 40:])
    assert not seen.uneven < flatnoise.UNEVEN


@pytest.mark.parametrize("level", [0.2, 0.25, 0.7])
def test_without_mid_levels_noise_is_carried_to_them(level: float) -> None:
    """Half photon and half reading noise at 45 %, through the curve's slope.

    The slope is taken by differences on colour-science's curve. On the light side no
    more than at mid level is taken, so that the reading is not too high there.
    """

    def noise(signal: float) -> float:
        step = 1e-4
        curve = colour.models.oetf_BT709
        light, mid = (colour.models.oetf_inverse_BT709(v) for v in (signal, 0.45))
        slope = (curve(light + step) - curve(light - step)) / (2 * step)
        return float(slope * math.sqrt(0.5 * light / mid + 0.5))

    factor = max(noise(level) / noise(0.45), 1.0)
    image = np.full((HEIGHT, WIDTH), 16 + 219 * level)
    seen = pair(image, 1.5 * factor)
    assert percent_of(seen.mid) == pytest.approx(1.5, rel=0.05)
    # Which curve another kind of signal has is not asked for.
    other = Signal(transfer="pq")
    assert math.isnan(pair(image, 1.5 * factor, other).mid)


def test_repeated_blocks_are_no_proof_of_little_noise() -> None:
    signal = Signal()
    frozen = bands(coded(GREY, 2.0, signal, 1))
    seen = flat_noise(frozen, frozen.copy(), signal=signal)
    assert math.isnan(seen.mid)
    assert seen.repeated == 1.0


@pytest.mark.parametrize("level", [5.0, 20.0, 220.0, 234.0])
def test_no_flat_area_at_mid_level_is_no_reading(level: float) -> None:
    seen = pair(np.full((HEIGHT, WIDTH), level), 1.0)
    assert math.isnan(seen.mid)
    assert math.isnan(seen.repeated)


def test_the_camera_of_the_sample_takes() -> None:
    """Its model: sensor noise of variance 4.5e-6 L + 0.0011^2 in linear light.

    Through the slope of the BT.709 curve and the weights of luma, three colours of
    independent noise (see sample_media/theatre/camera.py). Low: near 8-bit rounding.
    """
    sys.path.insert(0, str(Path(__file__).parents[2] / "sample_media"))
    try:
        from theatre import camera
    finally:
        sys.path.pop(0)
    unit = camera.Camera("test", bit_depth=10)
    light = np.full((HEIGHT, WIDTH, 3), 0.2, np.float32)
    planes = [unit.shoot(light, i, camera.Setting())[0] for i in (1, 2)]
    signal = Signal(bit_depth=10)
    seen = flat_noise(bands(planes[0]), bands(planes[1]), signal=signal)
    linear = 0.2 * camera.BASE_GAIN
    sensor = math.sqrt(4.5e-6 * linear + 0.0011**2)
    slope = 0.45 * camera.ALPHA * linear**-0.55
    luma = math.hypot(camera.KR, 1 - camera.KR - camera.KB, camera.KB)
    assert percent_of(seen.mid, signal) == pytest.approx(
        100 * sensor * slope * luma, rel=0.08
    )


# ----------------------------------------------------------------------------- verdicts


@pytest.mark.parametrize(
    ("percent", "grade"),
    [(0.8, None), (1.6, Grade.REVIEW), (3.2, Grade.REJECT)],
)
def test_noise_is_judged(percent: float, grade: Grade | None) -> None:
    measured = take([woven()] * 40, percent)
    seen = found(measured)
    if grade is None:
        assert seen == []
        assert notes(measured) == []
        return
    (finding,) = seen
    assert finding.rule == "picture.noise"
    assert finding.grade is grade
    assert finding.worst == pytest.approx(percent, rel=0.06)
    # 20 log10 of 1.6 / 1.2 is 2.5 dB, of 3.2 / 1.2 is 8.5 dB: rounded up.
    assert f"at least {3 if grade is Grade.REVIEW else 9} dB" in finding.advice
    # 20 log10 of 100 / 1.6 and of 100 / 3.2.
    assert f"{36 if grade is Grade.REVIEW else 30} dB under white" in finding.message
    assert finding.end_frame == 40


def test_only_the_noisy_part_is_reported() -> None:
    measured = take([woven()] * 80, [0.4] * 40 + [2.0] * 40)
    (finding,) = found(measured)
    assert 40 <= finding.start_frame <= 41
    assert finding.end_frame == 80


@pytest.mark.parametrize("first", [34, 41])
@pytest.mark.parametrize("beside", [0.3, 1.14])  # the limit is 1.2
def test_both_ends_are_told_to_the_frame(first: int, beside: float) -> None:
    percents = [beside] * first + [2.0] * 40 + [beside] * 36
    (finding,) = found(take([woven()] * len(percents), percents))
    # At a change, one of the two frames is noisy: the difference has half of it.
    assert abs(finding.start_frame - first) <= 1
    assert abs(finding.end_frame - first - 40) <= 1


@pytest.mark.parametrize(("frames", "kept"), [(1, False), (2, False), (3, True)])
def test_noise_of_a_frame_or_two_is_none(frames: int, kept: bool) -> None:
    over = np.full(50, np.nan)
    over[20 : 20 + frames] = 8.0
    assert (not np.isnan(noisetold._lasting(over, 1.2)).all()) is kept
    # At a take's ends it may go on.
    assert noisetold._lasting(np.array([8.0, np.nan, np.nan]), 1.2)[0] == 8.0
    assert noisetold._lasting(np.array([np.nan, np.nan, 8.0]), 1.2)[2] == 8.0


def test_a_doubtful_reading_counts_beside_a_sure_one_like_it() -> None:
    sure = (2.0, 1.0, 0.2)
    for doubtful, counts in (
        ((2.3, 1.1, 1.0), True),
        ((2.9, 1.1, 1.0), True),  # motion adds to noise
        ((3.1, 1.0, 1.0), False),  # more by over a half
        ((1.5, 1.0, 1.0), False),  # less by a quarter
        ((2.0, 1.3, 1.0), False),  # another grain
    ):
        looks = [(0.3, 1.0, 0.2), doubtful, doubtful, sure, doubtful]
        seen = derived(looks)
        assert (seen[13:39] > 1.2).all() == counts
        assert (seen[39:65] == 2.0).all() or counts
        assert not (derived([looks[0], *[doubtful] * 4]) > 1.2).any()


@pytest.mark.parametrize(
    ("gone", "grain", "counts"),
    [(2.0, 1.6, False), (2.0, 1.1, True), (0.2, 1.6, True)],
)
def test_a_picture_that_cannot_be_followed_may_move(
    gone: float, grain: float, counts: bool
) -> None:
    # Coarse grain where cells of the picture go far is texture; fine is noise.
    looks = [(2.0, grain, 0.2)] * 5
    lost = dict.fromkeys(("steadiness.dx_percent", "steadiness.dy_percent"), np.nan)
    seen = derived(looks, moved={"framing.motion_percent": gone, **lost})
    assert bool((seen > 1.2).any()) is counts


@pytest.mark.parametrize(("rate", "counts"), [(25, True), (50, False)])
def test_every_second_picture_may_be_a_repeat_that_has_not_moved(
    rate: int, counts: bool
) -> None:
    # A ride of 25 pictures a second in 50: what goes far four frames from a look is
    # two pictures away; of 25 a second it is another moment.
    looks = [(2.0, 1.6, 0.2)] * 5
    gone = np.where(np.arange(65) % 2 == 0, 0.3, 0.01)
    gone[[9, 17, 22, 30, 35, 43, 48, 56, 4]] = 0.7
    lost = dict.fromkeys(("steadiness.dx_percent", "steadiness.dy_percent"), np.nan)
    seen = derived(looks, moved={"framing.motion_percent": gone, **lost}, rate=rate)
    assert bool((seen > 1.2).any()) is counts


@pytest.mark.parametrize(
    ("zoom", "uneven", "counts"),
    [(-1.2, 0.45, False), (-1.2, 0.2, True), (1.0, 0.55, False), (0.1, 0.45, True)],
)
def test_texture_in_a_zoom_is_no_grain(
    zoom: float, uneven: float, counts: bool
) -> None:
    # The middle of a zoom rests, the rest of it does not; texture then changes by how
    # far it moves, grain everywhere alike.
    looks = [(3.5, 1.8, uneven)] * 5
    names = ("steadiness.dx_percent", "steadiness.dy_percent")
    moved = {**dict.fromkeys(names, 0.01), "steadiness.zoom_percent": zoom}
    assert bool((derived(looks, moved=moved) > 1.2).any()) is counts


Look = tuple[float, float, float]


def derived(
    looks: Sequence[Look],
    key: Look | None = None,
    moved: Mapping[str, float | NDArray[np.floating]] | None = None,
    rate: int = 25,
) -> NDArray[np.floating]:
    """Return the noise over time from readings: raw, grain, unevenness.

    And of a key frame between any two of them. `moved`: what else was read throughout,
    or in each frame.
    """
    rows = 13 * len(looks)
    flat = take([np.full((16, 16), 20.0)] * rows, 0.1)
    readings = flat.picture
    assert readings is not None
    names = ("raw_percent", "grain", "uneven")
    columns = {
        f"noise.{name}": np.full(rows, np.nan, np.float32)
        for name in (*names, "repeated_percent", "changed_ago_frames")
    }
    columns["noise.repeated_percent"][::13] = 0
    for name, values in zip(names, zip(*looks, strict=True), strict=True):
        columns[f"noise.{name}"][::13] = values
    for name, value in zip(("percent", "grain", "uneven"), key or (), strict=False):
        columns[f"noise.key_{name}"] = np.full(rows, np.nan, np.float32)
        columns[f"noise.key_{name}"][6::13] = value
    for name, value in (moved or {}).items():
        columns[name] = np.full(rows, value, np.float32)
    readings = replace(
        readings,
        columns=cast(Columns, columns),
        time_base=readings.time_base * Fraction(25, rate),
    )
    flat = replace(flat, picture=readings)
    assert MEASURE.derive is not None
    return MEASURE.derive(flat)["mid_percent"]


def groups(key: Image, between: Image, percents: tuple[float, float]) -> Measured:
    """Measure groups of twelve frames that begin with a key frame of its own kind."""
    pictures = []
    for i in range(72):
        first = i % 12 == 0
        plane = coded(key if first else between, percents[not first], Signal(), 100 + i)
        made = picture(plane, index=i)
        made.key = first
        pictures.append(made)
    return measure(pictures, setup_of(), [MEASURE])


def test_noise_that_is_left_in_key_frames_alone_is_found() -> None:
    (finding,) = found(groups(GREY, GREY, (2.2, 0.4)))
    # One frame of each pair has the noise: by the variance of a difference.
    assert finding.worst == pytest.approx(math.hypot(2.2, 0.4) / math.sqrt(2), rel=0.05)
    assert "Compression smooths it away" in finding.message
    assert finding.start_frame <= 36
    assert finding.end_frame == 72


@pytest.mark.parametrize(("beside", "counts"), [(0.5, True), (2.0, False)])
def test_key_frames_tell_nothing_while_something_moves(
    beside: float, counts: bool
) -> None:
    # Neighbouring frames differ by so much, unevenly; key frames evenly.
    seen = derived([(beside, 1.0, 1.5)] * 6, key=(2.0, 1.0, 0.3))
    assert bool((seen > 1.2).any()) == counts
    assert not (derived([(0.5, 1.0, 1.5)] * 6, key=(2.0, 1.0, 0.7)) > 1.2).any()


def test_detail_that_comes_back_with_key_frames_is_no_noise() -> None:
    worn = np.asarray(cv2.GaussianBlur(woven(), (0, 0), 2.0), np.float64)
    assert found(groups(woven(), worn, (0.3, 0.2))) == []


def test_a_clean_picture_that_moves_is_no_noise() -> None:
    # Cloth under a pan of a whole pixel a frame and more, and a scene of edges.
    for ground in (woven(width=2 * WIDTH), scene(HEIGHT, 2 * WIDTH, rng(3))):
        for step in (1, 6):
            images = [ground[:, step * i : step * i + WIDTH] for i in range(30)]
            assert found(moving(images, 0.2, 100 * step / WIDTH)) == []


def test_texture_that_trembles_in_the_hand_is_no_noise() -> None:
    # Cloth that moves by less than a pixel, while what is followed stands still, as a
    # head before the camera does.
    cloth = cv2.GaussianBlur(rng(5).normal(0, 80, (HEIGHT, WIDTH)), (0, 0), 1.2)
    images = []
    for i in range(60):
        dx, dy = 0.5 * math.sin(i * 0.9), 0.4 * math.cos(i * 1.1)
        images.append(110.0 + np.asarray(_shifted(cloth, dx, dy), np.float64))
    # Even, coarse and over the limit: all that was asked for before.
    pair = [coded(image, 0.3, Signal(), i) for i, image in enumerate(images[:2])]
    starts = band_starts(HEIGHT, count=8, rows=16)
    before, now = (np.stack([p[a : a + 16] for a in starts]) for p in pair)
    noise = flat_noise(before, now, signal=Signal())
    assert 100 * noise.mid / 219 > 1.2
    assert not noise.uneven <= flatnoise.UNEVEN
    assert found(moving(images, 0.3, 0.0)) == []


@pytest.mark.parametrize("blur", [0.0, 0.8])
def test_noise_is_no_texture_that_moves(blur: float) -> None:
    # On the same cloth at rest: slopes are there, and explain nothing.
    cloth = 110.0 + cv2.GaussianBlur(rng(5).normal(0, 80, (HEIGHT, WIDTH)), (0, 0), 1.2)
    pair = [coded(cloth, 2.0, Signal(), i, blur=blur) for i in range(2)]
    starts = band_starts(HEIGHT, count=8, rows=16)
    before, now = (np.stack([p[a : a + 16] for a in starts]) for p in pair)
    noise = flat_noise(before, now, signal=Signal())
    assert 100 * noise.mid / 219 == pytest.approx(2.0, rel=0.05)
    assert noise.uneven < 0.3
    _, shares = shifted_shares(before, now)
    # Two of the freedoms of 14 x 14 pixels; of blurred noise fewer are free.
    assert np.median(shares) < (0.02 if not blur else 0.06)


def test_a_shift_explains_what_it_changes() -> None:
    cloth = cv2.GaussianBlur(rng(6).normal(0, 900, (64, 512)), (0, 0), 2.0) + 2048.0
    moved = _shifted(cloth, 0.2, -0.3)
    one, two = (
        np.rint(image[8:56]).astype(np.uint16).reshape(3, 16, 512)
        for image in (cloth, moved)
    )
    places, shares = shifted_shares(one, two)
    assert places.tolist() == [32 * b + c for b in range(3) for c in range(0, 32, 2)]
    assert shares.min() > 0.95
    assert (shifted_shares(one, one)[1] == 0).all()
    ramp = np.tile(np.arange(512, dtype=np.uint16), (1, 16, 1))  # one slope alone
    assert shifted_shares(ramp, ramp + 3)[1].max() < 1e-6  # its mean alone changes
    assert shifted_shares(one[:, :, :8], two[:, :, :8])[1].size == 0


def _shifted(image: Image, dx: float, dy: float) -> Image:
    """Shift an image by parts of a pixel (OpenCV's cubic interpolation)."""
    move = np.array([[1, 0, dx], [0, 1, dy]])
    size = (image.shape[1], image.shape[0])
    out = cv2.warpAffine(
        image, move, size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT_101
    )
    return np.asarray(out, np.float64)


def test_noise_under_a_moving_camera_is_found() -> None:
    ground = np.tile(np.linspace(60, 180, 2 * WIDTH), (HEIGHT, 1))
    images = [ground[:, 3 * i : 3 * i + WIDTH] for i in range(60)]
    (finding,) = found(moving(images, 3.0, 300 / WIDTH))
    assert finding.worst == pytest.approx(3.0, rel=0.1)


def rng(number: int) -> np.random.Generator:
    return np.random.default_rng(number)


def moving(images: Sequence[Image], percent: float, motion: float) -> Measured:
    """Measure a take whose motion, percent of width a frame, is known."""
    # As the measure of steadiness tells it.
    known = Measure(
        name="steadiness",
        label="",
        clock="picture",
        columns=(Column("dx_percent", ""), Column("dy_percent", "")),
        start=lambda _: _Motion(motion),
        method="",
        source="",
    )
    pictures = (
        picture(coded(image, percent, Signal(), 100 + i), index=i)
        for i, image in enumerate(images)
    )
    return measure(pictures, setup_of(), [known, MEASURE])


class _Motion:
    def __init__(self, percent: float) -> None:
        self._percent = percent

    def read(self, picture: Picture) -> dict[str, float]:
        return {"dx_percent": self._percent, "dy_percent": 0.0}

    def finish(self) -> dict[str, object]:
        return {}


def test_a_drawn_picture_says_why_it_has_no_reading() -> None:
    still = [woven()] * 30
    measured = measure(
        (picture(image, index=i) for i, image in enumerate(still)),
        setup_of(),
        [MEASURE],
    )
    assert found(measured) == []
    (note,) = notes(measured)
    assert "do not change at all" in note


def test_a_dark_take_says_why_it_has_no_reading() -> None:
    (note,) = notes(take([np.full((HEIGHT, WIDTH), 20.0)] * 30, 1.0))
    assert "no flat area of middle brightness" in note


@pytest.mark.parametrize("shape", [(1, 1), (3, 5), (15, 700), (40, 15), (33, 47)])
def test_tiny_and_odd_pictures(shape: tuple[int, int]) -> None:
    measured = take([np.full(shape, 110.0)] * 30, 3.0)
    assert found(measured) == []
    assert len(notes(measured)) == 1


def test_damaged_frames_are_not_read() -> None:
    pictures = [
        picture(coded(GREY, 3.0, Signal(), i), index=i, damaged=True) for i in range(40)
    ]
    assert found(measure(pictures, setup_of(), [MEASURE])) == []


# ---------------------------------------------------------------------- through coders


def through(path: Path, percent: float, video: synth.Video) -> Measured:
    """Code a still scene, flat and woven, with noise, and measure what comes out."""
    image = RAMP.copy()
    image[:, WIDTH // 2 :] += woven()[:, WIDTH // 2 :] - 110
    deep = synth.depth_of(video.pixel_format) > 8
    signal = Signal(bit_depth=10 if deep else 8)
    frames = []
    for i in range(15):
        luma = coded(image, percent, signal, 10 + i)
        sizes = synth.plane_sizes(video.pixel_format, WIDTH, HEIGHT)[1:]
        greys = [np.full(size, signal.chroma_zero, luma.dtype) for size in sizes]
        frames.append((luma, *greys))
    synth.write(path, frames, video)
    info = probe(path)
    with TakeReader(info) as reader:
        pictures = (p for p in reader if isinstance(p, Picture))
        return measure(pictures, Setup(info, default_limits()), [MEASURE])


PRORES = synth.Video(codec="prores_ks", pixel_format="yuv422p10le")
GOOD = synth.Video(options={**synth.h264(), "crf": "16"})
POOR = synth.Video(options={**synth.h264(), "crf": "30"})


@pytest.mark.parametrize(
    ("percent", "video"), [(2.0, GOOD), (5.0, GOOD), (2.0, PRORES)]
)
def test_coders_of_cameras_lower_it_by_a_fifth_at_most(
    tmp_path: Path, video: synth.Video, percent: float
) -> None:
    measured = through(tmp_path / "take.mov", percent, video)
    seen = float(np.nanmedian(column(measured, "noise.mid_percent")))
    assert 0.8 * percent < seen < 1.02 * percent


@pytest.mark.parametrize("percent", [0.0, 0.3, 1.0])
def test_compression_is_no_noise_and_no_proof_of_quiet(
    tmp_path: Path, percent: float
) -> None:
    measured = through(tmp_path / "take.mov", percent, POOR)
    assert found(measured) == []
    (note,) = notes(measured)
    assert "compression" in note


# --------------------------------------------------------------------------- the report


def test_the_flat_areas_are_marked() -> None:
    image = woven()
    image[:, :128] = 110
    (finding,) = found(take([image] * 50, 1.6))
    assert MEASURE.mark is not None
    shown = picture(coded(image, 0.5, Signal(), 1))
    ((kind, mask),) = MEASURE.mark(shown, setup_of(), finding).areas
    assert kind == "flat-area"
    # A quarter of the blocks of eight bands, and the flat ones are just that many.
    assert mask.sum() == 8 * 16 * 128
    assert not mask[:, 128:].any()


def test_noise_against_level_is_shown(tmp_path: Path) -> None:
    path = tmp_path / "take.mov"
    through(path, 3.0, PRORES)
    result = check_take(path)
    assert isinstance(result, TakeResult)
    (finding,) = (f for f in result.findings if f.rule == "picture.noise")
    assert MEASURE.exhibits is not None
    (exhibit,) = MEASURE.exhibits(result, finding)
    (line,) = exhibit.lines
    assert line.x.tolist() == [10.0, 20.0, 30.0, 40.0, 50.0, 60.0, 70.0, 80.0]
    # The coder takes a tenth off; the ends hold few blocks in so small a picture.
    assert line.y[1:-1] == pytest.approx(0.9 * 3.0, rel=0.15)
    assert exhibit.levels == (("Review", 1.2), ("Reject", 2.5))
