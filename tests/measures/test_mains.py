"""Lamps on the mains: closed forms against figures computed by hand and numerically.

Second opinion: `scipy.integrate` for what an exposure leaves of a ripple.
"""

from __future__ import annotations

import math
import tomllib
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate

from qc.measures.parts.light.mains import (
    angle_of,
    bands_of,
    beat_hz,
    clean_times,
    percent_of_stops,
    pointed_to,
    residual,
    times_text,
)

VALUES: dict[str, Any] = tomllib.loads(
    (Path(__file__).parents[1] / "values" / "light.toml").read_text()
)


@pytest.mark.parametrize(("pulses", "over", "left"), VALUES["residual"]["values"])
def test_what_an_exposure_leaves(pulses: float, over: float, left: float) -> None:
    assert residual(1 / over, pulses_hz=pulses) == pytest.approx(left, abs=0.0005)


@given(st.floats(0.0005, 0.04), st.floats(50, 400))
def test_what_an_exposure_leaves_is_the_mean_over_it(
    time: float, pulses: float
) -> None:
    # The largest mean of a sine over any window of that length lies around its top.
    mean, _ = integrate.quad(
        lambda t: math.cos(2 * math.pi * pulses * t), -time / 2, time / 2, limit=200
    )
    assert residual(time, pulses_hz=pulses) == pytest.approx(abs(mean) / time, abs=1e-6)


def test_an_exposure_of_no_length_leaves_all() -> None:
    assert residual(0.0, pulses_hz=100) == 1.0


@pytest.mark.parametrize(("pulses", "rate", "beat"), VALUES["beat"]["values"])
def test_beats(pulses: float, rate: str, beat: float) -> None:
    measured = abs(beat_hz(pulses, rate=Fraction(rate)))
    assert measured == pytest.approx(beat, abs=0.0005)


@pytest.mark.parametrize(("mains", "rate", "times"), VALUES["clean"]["values"])
def test_clean_times(mains: int, rate: str, times: list[float]) -> None:
    found = sorted(clean_times(mains, rate=Fraction(rate)))
    assert [float(1 / t) for t in found] == pytest.approx(times, rel=1e-6)
    for t in found:
        assert residual(float(t), pulses_hz=2 * mains) == pytest.approx(0, abs=1e-9)
        assert t <= 1 / Fraction(rate)


@pytest.mark.parametrize(("over", "rate", "degrees"), VALUES["angle"]["values"])
def test_shutter_angles(over: int, rate: str, degrees: float) -> None:
    angle = angle_of(Fraction(1, over), rate=Fraction(rate))
    assert angle == pytest.approx(degrees, abs=1e-9)


@pytest.mark.parametrize(("pulses", "readout_ms", "bands"), VALUES["bands"]["values"])
def test_bands(pulses: float, readout_ms: float, bands: float) -> None:
    assert bands_of(pulses, readout_s=readout_ms / 1000) == pytest.approx(bands)


@pytest.mark.parametrize(
    ("hertz", "rate", "mains"),
    [
        (4.0, "24", (50,)),
        (0.0, "24", (60,)),
        (10.1, "30000/1001", (50,)),
        (0.12, "60000/1001", (60,)),
        (5.0, "25", (60,)),
        (0.1, "25", (50,)),
        (20.0, "50", (60,)),
        (7.3, "25", ()),
        # 100 and 120 Hz lie 10 Hz to either side of 110: both beat alike at 110 frames.
        (10.0, "110", (50, 60)),
    ],
)
def test_which_mains_a_beat_points_to(
    hertz: float, rate: str, mains: tuple[int, ...]
) -> None:
    assert pointed_to(hertz, rate=Fraction(rate), resolution_hz=0.08) == mains


@given(st.floats(0.001, 0.99))
def test_percent_is_the_contrast_of_high_and_low(contrast: float) -> None:
    high, low = 1 + contrast, 1 - contrast
    amplitude = 0.5 * math.log2(high / low)
    assert percent_of_stops(amplitude) == pytest.approx(100 * contrast)


def test_times_for_people() -> None:
    assert times_text(50, rate=Fraction(25)) == (
        "1/100 s (90°), 1/50 s (180°), 1/33.3 s (270°) or 1/25 s (360°)"
    )
    assert times_text(60, rate=Fraction(50)) == "1/120 s (150°) or 1/60 s (300°)"
    assert times_text(50, rate=Fraction(60)) == "1/100 s (216°)"
    assert times_text(50, rate=Fraction(120)) == ""
