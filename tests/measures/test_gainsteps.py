"""Gain turned up under a moving camera, and texture that only looks like noise.

Noise is put in with numpy, so that its standard deviation is known; smoothing by
[1, 2, 1] and bringing it back to the same power is arithmetic.
"""

from __future__ import annotations

import math
from fractions import Fraction

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from qc.measures.parts.scan.flatnoise import flat_noise
from qc.measures.parts.scan.framepairs import band_starts
from qc.measures.parts.scan.gainsteps import added, between_steps
from qc.records import Readings
from qc.signal import Signal
from qc.store import ColumnStore

RANDOM_STATE = 4
WIDTH, HEIGHT = 320, 240
PERCENT = 219 / 100
LOOKS = range(10, 160, 12)


def coarse_noise(rng: np.random.Generator, percent: float) -> NDArray[np.float64]:
    """Return noise as a colour filter's interpolation leaves it, in 8-bit codes."""
    tap = np.array([1.0, 2.0, 1.0]) / 4
    noise = cv2.sepFilter2D(rng.standard_normal((HEIGHT, WIDTH)), cv2.CV_64F, tap, tap)
    return np.asarray(noise / float(tap @ tap) * percent * PERCENT)


def shares(move: int, percent: float) -> NDArray[np.float64]:
    """Return what blocks change by in a pan over a floor, half of it without detail."""
    rng = np.random.default_rng(RANDOM_STATE)
    texture = cv2.GaussianBlur(rng.standard_normal((HEIGHT, 2 * WIDTH)), (0, 0), 2.0)
    fade = np.linspace(0, 1, HEIGHT)[:, None].clip(0.3) - 0.3
    floor = 100 + 300 * fade * texture
    bands = []
    for x in (0, move):
        codes = floor[:, x : x + WIDTH] + coarse_noise(rng, percent)
        picture = np.clip(np.rint(codes), 16, 235).astype(np.uint8)
        starts = band_starts(HEIGHT, count=8, rows=16)
        bands.append(np.stack([picture[a : a + 16] for a in starts]))
    return flat_noise(*bands, signal=Signal()).shares


@pytest.mark.parametrize("percent", [2.0, 4.0])
def test_what_gain_adds_to_all_blocks_is_told_through_motion(percent: float) -> None:
    quiet, noisy = shares(2, 0.2), shares(2, percent)
    # The least of the blocks lie under the mean: chi-squared of some fifty degrees.
    assert added(quiet, noisy) == pytest.approx(percent * PERCENT, rel=0.25)
    assert added(noisy, quiet) == pytest.approx(-percent * PERCENT, rel=0.25)


def test_gain_may_add_less_where_it_is_dark_if_hardly_anything_was_there() -> None:
    # What a slow flight over a dim scene leaves, and noise half as strong again where
    # it is light: variances add. The same motion forty times as strong does not.
    own = np.array([0.0, 0.1, 0.2, 0.6])
    noise = np.array([1.0, 1.4, 1.9, 1.5**2])
    size = math.sqrt(11.0 * (1.4 + 1.9) / 2)
    assert added(own, own + 11.0 * noise) == pytest.approx(size, rel=1e-12)
    assert added(own + 11.0 * noise, own) == pytest.approx(-size, rel=1e-12)
    assert math.isnan(added(own + 0.05, 40 * (own + 0.05)))


def test_motion_that_grows_adds_nothing() -> None:
    assert math.isnan(added(shares(1, 0.2), shares(6, 0.2)))
    assert math.isnan(added(shares(0, 0.2), shares(4, 0.2)))


def readings(
    steps: dict[int, float], noisy: range, *, speed_change: int = 0, cut: int = -1
) -> tuple[Readings, NDArray[np.float64]]:
    """Return readings of 160 frames: looks, and steps found at the next of them."""
    store = ColumnStore(
        dict.fromkeys(
            (
                "noise.floor_percent",
                "noise.gained_percent",
                "noise.gained_ago_frames",
                "framing.motion_percent",
            ),
            0,
        )
    )
    speed = np.full(160, 0.8)
    if speed_change:
        speed[:speed_change] = 0.01
    for i in range(160):
        row = {"framing.motion_percent": math.nan if i == cut else float(speed[i])}
        if i in LOOKS:
            row["noise.floor_percent"] = 3.0 if i in noisy else 0.2
            for at, size in steps.items():
                if at <= i < at + 12:
                    row["noise.gained_percent"] = size
                    row["noise.gained_ago_frames"] = float(i - at)
        store.append(row)
    return Readings("picture", Fraction(1, 25), np.arange(161), store), speed


def told(steps: dict[int, float], noisy: range, **more: int) -> tuple[int, int] | None:
    rows = np.flatnonzero(~np.isnan(between_steps(*readings(steps, noisy, **more))))
    return (int(rows[0]), int(rows[-1]) + 1) if rows.size else None


def test_noise_lasts_from_a_step_to_its_reverse() -> None:
    assert told({40: 3.4, 110: -3.4}, range(40, 110)) == (40, 110)


def test_a_step_without_its_reverse_counts_while_looks_show_it() -> None:
    assert told({40: 3.4}, range(40, 160)) == (40, LOOKS[-1] + 1)
    assert told({110: -3.4}, range(110)) == (LOOKS[0], 110)
    # Three looks are too few.
    assert told({40: 3.4}, range(40, 80)) is None
    assert told({40: 3.4}, range(0)) is None


def test_a_start_of_motion_and_a_cut_are_no_gain() -> None:
    assert told({40: 3.4}, range(40, 160), speed_change=40) is None
    assert told({40: 3.4}, range(40, 160), cut=40) is None


def test_texture_of_what_moves_in_a_quiet_dark_picture_is_no_noise() -> None:
    rng = np.random.default_rng(RANDOM_STATE)
    texture = cv2.GaussianBlur(rng.standard_normal((HEIGHT, WIDTH)), (0, 0), 1.5)
    dark = 40 + rng.integers(-3, 4, (HEIGHT, WIDTH))

    def pair(noise: float) -> tuple[NDArray[np.uint8], ...]:
        bands = []
        for x in (0, 2):
            codes = dark + coarse_noise(rng, noise)
            codes[60:180, 60 + x : 180 + x] = 118 + 60 * texture[60:180, 60:180]
            codes[60:180, 60:180] += coarse_noise(rng, noise)[60:180, 60:180]
            picture = np.clip(np.rint(codes), 0, 255).astype(np.uint8)
            starts = band_starts(HEIGHT, count=8, rows=16)
            bands.append(np.stack([picture[a : a + 16] for a in starts]))
        return tuple(bands)

    moved = flat_noise(*pair(0.0), signal=Signal())
    assert moved.mid / PERCENT > 2.5
    assert math.isinf(moved.uneven)
    # With noise all over the picture it is one again.
    assert math.isfinite(flat_noise(*pair(3.0), signal=Signal()).uneven)
