"""Slats that pass as the camera tilts: rows of the scene go as fast as the picture."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from numpy.typing import NDArray

from qc.judge import find
from qc.measures import framing, light, steadiness
from qc.measures.parts.light.lightwaves import STRIPS, Wave
from qc.measures.parts.light.passing import passes
from qc.signal import Signal
from tests.measures.test_light import HEIGHT, WIDTH, Lamp, coded, scene_light
from tests.pictures import Image, codes, measure, picture, scene, setup_of

RATE = 25
TIMES = np.arange(75) / RATE
MEASURES = (framing.MEASURE, steadiness.MEASURE, light.MEASURE)
STEADY = Lamp(0.0, 100, 0.01)
ROLLING = Lamp(0.6, 106, 1 / 250, readout=0.03)  # 3.2 bands that roll 6 times a second


def wave(hertz: float, bands: float) -> Wave:
    return Wave(hertz, bands, 0.1, 0.9, 20.0, 0.1, 0.001)


def tilt(speed: float) -> NDArray[np.float64]:
    """Return how far the picture goes up in each frame, for heights a second."""
    return np.full(len(TIMES), speed / RATE)


@pytest.mark.parametrize("speed", [0.28, -0.28, 0.9])
@pytest.mark.parametrize("bands", [2.0, 6.5, 11.0])
def test_what_goes_with_the_picture_passes(speed: float, bands: float) -> None:
    # Exact: so many rows a height, so many heights a second, upward for both.
    hertz = speed * bands
    assert passes(wave(abs(hertz), np.copysign(bands, speed)), tilt(speed), TIMES)
    assert not passes(wave(abs(hertz) + 2.5, bands), tilt(speed), TIMES)
    assert not passes(wave(abs(hertz), bands), tilt(0.0), TIMES)
    assert not passes(wave(abs(hertz), bands), None, TIMES)
    assert not passes(wave(abs(hertz), bands), np.full(len(TIMES), np.nan), TIMES)


def test_fields_see_twice_as_often_what_passes() -> None:
    bands, speed = 10.4, 1.4
    there = wave(speed * bands, bands)
    assert passes(there, tilt(speed), TIMES, moments=2)
    # Going the other way it would show at 25 - 14.56 Hz among frames, not so among
    # fields, where 50 - 14.56 Hz lies beyond half of their rate.
    other = wave(RATE - speed * bands, bands)
    assert passes(other, tilt(-speed), TIMES)
    assert not passes(other, tilt(-speed), TIMES, moments=2)


def test_rows_finer_than_strips_pass_as_other_bands() -> None:
    bands, speed = 15.5, 0.3
    # Sampled in so many strips, what lies beyond half of them folds.
    folded = bands - STRIPS
    assert passes(wave(speed * bands, folded), tilt(speed), TIMES)


@pytest.mark.parametrize("bands", [18.6, 19.3, 32.4])
@pytest.mark.parametrize("speed", [0.35, -0.35])
def test_what_hard_edges_leave_passes_as_few_bands(bands: float, speed: float) -> None:
    folded = np.copysign(bands - STRIPS, (bands - STRIPS) * speed)
    assert passes(wave(abs(speed) * bands, folded), tilt(speed), TIMES)
    # What goes a tenth faster than the picture is none of it.
    assert not passes(wave(1.1 * abs(speed) * bands, folded), tilt(speed), TIMES)


def test_bands_as_the_mains_make_them_are_no_fine_rows() -> None:
    # At 25 frames lamps on 60 Hz beat 5 times a second: 125 - 120. Four bands fold from
    # 23 rows, of which as many pass at this speed.
    assert not passes(wave(5.0, -4.0), tilt(5.0 / 23.0), TIMES)
    assert passes(wave(5.5, -4.0), tilt(5.5 / 23.0), TIMES)


def test_flicker_passes_nothing() -> None:
    assert not passes(wave(0.0, 0.0), tilt(0.5), TIMES)


SLATS = 12  # lines from one to the next
PLAIN = scene(HEIGHT + 200, WIDTH, np.random.default_rng(8)) * 0.7 + 40
SLATTED = PLAIN + 30 * np.sin(2 * np.pi * np.arange(len(PLAIN)) / SLATS)[:, None]
# Closer together than strips can follow: 19.5 rows show as 7.5 bands.
CLOSE = PLAIN + 40 * np.sin(39 * np.pi * np.arange(len(PLAIN)) / HEIGHT)[:, None]


@pytest.mark.parametrize(
    ("tall", "lamp", "told"),
    [
        (SLATTED, STEADY, False),
        (CLOSE, STEADY, False),
        (PLAIN, STEADY, False),
        (PLAIN, ROLLING, True),
    ],
)
def test_slats_that_pass_are_no_bands(tall: Image, lamp: Lamp, told: bool) -> None:
    random = np.random.default_rng(5)
    pictures = []
    for i in range(80):
        lit = scene_light(tall[2 * i : 2 * i + HEIGHT])
        lit = lit * lamp.gain(i / RATE)[:, None]
        image = coded(lit) + random.normal(0, 1.0, lit.shape)
        pictures.append(picture(codes(image, Signal()), index=i))
    setup = setup_of(rate=Fraction(RATE), width=WIDTH, height=HEIGHT)
    measured = measure(iter(pictures), setup, MEASURES)
    rules = {f.rule for f in find(measured, MEASURES)}
    assert ("light.banding" in rules) is told
    notes = " ".join(light.MEASURE.notes(measured) if light.MEASURE.notes else ())
    assert ("could not be" in notes) is not told
