"""Noise under light that rolls: a known standard deviation is found all the same.

Bands are drawn as they come about: light times 1 + m cos over the rows, through the
curve of BT.709-6 (written here, from memory); noise is added behind the curve, with
numpy, at a standard deviation in percent of range.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from qc.measures.parts.scan.flatnoise import flat_noise
from qc.measures.parts.scan.framepairs import band_starts
from qc.measures.parts.scan.rowsalike import without_rows_alike
from qc.signal import Signal

Image = NDArray[np.float64]

HEIGHT, WIDTH = 288, 512
SIGNAL = Signal()
ROWS = np.arange(HEIGHT) / HEIGHT


def curve(light: Image) -> Image:
    """Apply BT.709-6: scene light of 0 to 1 as a share of range."""
    return np.where(light < 0.018, 4.5 * light, 1.099 * light**0.45 - 0.099)


def lit(light: Image, gain: Image, percent: float, number: int, blur: float) -> Image:
    """Return video codes of a scene whose rows get so much of its light."""
    grain = np.random.default_rng(number).normal(0, 1, light.shape)
    if blur:
        grain = np.asarray(cv2.GaussianBlur(grain, (0, 0), blur), np.float64)
        grain /= grain.std()
    share = curve(light * gain[:, None]) + percent / 100 * grain
    return np.rint(16 + 219 * share).clip(1, 254).astype(np.uint8)


def seen(
    gains: tuple[Image, Image], percent: float, *, blur: float = 0.0
) -> tuple[float, float, float]:
    """Return noise in percent, grain and unevenness of two frames under such light."""
    x = np.linspace(0.03, 0.5, WIDTH)
    light = np.tile(x, (HEIGHT, 1))
    frames = [lit(light, g, percent, 5 + i, blur) for i, g in enumerate(gains)]
    starts = band_starts(HEIGHT, count=8, rows=16)
    before, now = (np.stack([f[a : a + 16] for a in starts]) for f in frames)
    noise = flat_noise(before, now, signal=SIGNAL)
    return 100 * noise.mid / 219, noise.grain, noise.uneven


def rolling(bands: float, swing: float, at: float) -> Image:
    return 1.0 + swing * np.cos(2 * np.pi * (bands * ROWS - at))


STEADY = np.ones(HEIGHT)


@pytest.mark.parametrize("percent", [0.4, 1.0, 2.0, 4.0])
@pytest.mark.parametrize(("bands", "swing"), [(2.0, 0.3), (8.8, 0.3), (13.0, 0.1)])
def test_noise_under_bands_is_what_was_drawn(
    percent: float, bands: float, swing: float
) -> None:
    # A third of a round from frame to frame.
    gains = rolling(bands, swing, 0.1), rolling(bands, swing, 0.1 + 1 / 3)
    found, grain, uneven = seen(gains, percent)
    assert found == pytest.approx(percent, rel=0.1, abs=0.12)
    assert uneven <= 0.6
    if percent >= 1.0:
        # Up to 12 % of the variance may be the rows' own and stay: 2 x 2 means keep all
        # of that and a quarter of the noise.
        assert 0.94 < grain < math.sqrt(0.88 + 4 * 0.12)


def test_without_bands_nothing_is_taken_out() -> None:
    random = np.random.default_rng(3)
    for blur in (0.0, 1.5):
        codes = random.normal(0, 12, (8, 16, 32 * 16))
        if blur:
            codes = np.stack([cv2.GaussianBlur(c, (0, 0), blur) for c in codes])
        one, two = (100 + codes).astype(np.uint8), np.full(codes.shape, 100, np.uint8)
        some = np.ones(8 * 32) * codes.var()
        kept = without_rows_alike(one, two, some, some)
        assert kept[0] is some
        assert kept[1] is some


@pytest.mark.parametrize("blur", [0.8, 1.5])
def test_coarse_grain_under_bands_keeps_its_grain(blur: float) -> None:
    gains = rolling(6.0, 0.3, 0.0), rolling(6.0, 0.3, 0.4)
    banded, coarse, _ = seen(gains, 3.0, blur=blur)
    plain, grain, _ = seen((STEADY, STEADY), 3.0, blur=blur)
    assert banded == pytest.approx(plain, rel=0.1)
    assert coarse == pytest.approx(grain, abs=0.08)


def test_flicker_of_the_whole_picture_is_not_noise() -> None:
    # Light alike in all rows: each block's mean takes it out.
    found, _, _ = seen((STEADY, 0.6 * STEADY), 1.0)
    assert found == pytest.approx(1.0, rel=0.1)


def test_fields_of_unlike_light_are_not_noise() -> None:
    # The upper field a sixth of a stop brighter, then the lower one.
    upper = np.where(np.arange(HEIGHT) % 2 == 0, 2 ** (1 / 6), 1.0)
    lower = np.where(np.arange(HEIGHT) % 2 == 1, 2 ** (1 / 6), 1.0)
    found, _, _ = seen((upper, lower), 0.8)
    assert found == pytest.approx(0.8, rel=0.1, abs=0.1)


def test_what_each_block_does_by_itself_stays() -> None:
    # Stripes that go up in one block and down in the next: no row does that.
    random = np.random.default_rng(8)
    course = random.normal(0, 20, (8, 16, 32)).repeat(16, axis=2)
    one = np.full(course.shape, 100, np.uint8)
    two = (100 + course).clip(0, 255).astype(np.uint8)
    change = two.astype(float) - one
    blocks = change.reshape(8, 16, 32, 16).swapaxes(1, 2).reshape(8 * 32, -1)
    variance = blocks.var(axis=1, ddof=1)
    kept, _ = without_rows_alike(one, two, variance, variance)
    assert kept == pytest.approx(variance)
