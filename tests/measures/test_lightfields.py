"""Lamps under an interlaced camera: each field meets them at its own moment.

What is rendered is exact, as in `test_light`: a lamp's light over the exposure of every
row, from the moment of the row's own field.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from fractions import Fraction

import numpy as np
import pytest
from numpy.typing import NDArray

from qc.measures import light
from qc.records import Picture
from qc.signal import Signal
from qc.take import Scan
from qc.views import field_lumas, proxy_luma
from tests.measures.test_light import (
    SCENE,
    STEADY,
    Lamp,
    coded,
    found,
    judged,
    result_of,
    scene_light,
    shaking,
    top,
)
from tests.pictures import Image, codes, column, picture

RATE = Fraction(25)
SIGNAL = Signal()
TOP: Scan = "top field first"
BOTTOM: Scan = "bottom field first"


def woven(
    lamp: Lamp,
    seconds: float,
    *,
    scan: Scan = TOP,
    apart_s: float = 0.02,
    look: Callable[[int], Image] = lambda _: SCENE,
    lines: float = 0.0,
) -> Iterator[Picture]:
    """Yield interlaced pictures, of which the later field sees the lamp later.

    Parameters
    ----------
    apart_s : float
        From the first field's moment to the second one's; 0: a frame of one moment.
    look : function of the number of the moment
        The scene; two moments a frame.
    lines : float
        The odd lines see so much more, as a share: what fields see differently.
    """
    random = np.random.default_rng(8)
    first = 0 if scan == TOP else 1
    for i in range(round(seconds * RATE)):
        image = np.empty_like(SCENE)
        for k in (0, 1):
            at = float(i / RATE) + k * apart_s
            lit = scene_light(look(2 * i + k)) * lamp.gain(at)[:, None]
            lit[1::2] *= 1 + lines
            rows = slice((first + k) % 2, None, 2)
            image[rows] = coded(lit)[rows]
        image += random.normal(0, 1.0, image.shape)
        yield picture(codes(image, SIGNAL), index=i, interlaced=True)


@pytest.mark.parametrize("scan", [TOP, BOTTOM])
@pytest.mark.parametrize(
    ("pulses", "beat"),
    # The distance to the nearest multiple of 50 fields a second.
    [(120, 20.0), (109, 9.0), (128, 22.0)],
)
def test_a_beat_among_fields_is_told_as_it_is(
    pulses: float, beat: float, scan: Scan
) -> None:
    lamp = Lamp(0.15, pulses, 1 / 400)
    measured = judged(woven(lamp, 4, scan=scan), RATE, scan=scan)
    (finding,) = [f for f in found(measured) if f.rule == "light.flicker"]
    assert top(measured, "flicker_hz") == pytest.approx(beat, abs=0.1)
    # depth |sinc(f t)|; read as frames it would be |cos(pi f / 50)| of that
    assert top(measured, "flicker_percent") == pytest.approx(lamp.left_percent, rel=0.1)
    assert "fields a second" in finding.message
    assert ("points to lamps on 60 Hz mains" in finding.message) == (pulses == 120)


def test_bands_among_fields_are_counted() -> None:
    lamp = Lamp(0.2, 120, 1 / 400, readout=1 / 60)
    measured = judged(woven(lamp, 4), RATE, scan=TOP)
    (finding,) = found(measured)
    assert finding.rule == "light.banding"
    assert top(measured, "banding_hz") == pytest.approx(20.0, abs=0.1)
    assert top(measured, "bands_count") == pytest.approx(2.0, abs=0.1)  # f x readout
    assert top(measured, "banding_percent") == pytest.approx(
        lamp.left_percent, rel=0.15
    )


def test_exposures_that_help_fit_into_a_field() -> None:
    measured = judged(woven(Lamp(0.15, 120, 1 / 400), 4), RATE, scan=TOP)
    (finding,) = found(measured)
    # Whole pulses of 1/120 s within 1/50 s.
    assert "1/120 s" in finding.advice
    assert "1/60 s" in finding.advice
    assert "1/40 s" not in finding.advice


def test_frames_of_one_moment_in_an_interlaced_take_beat_as_frames() -> None:
    lamp = Lamp(0.15, 120, 1 / 400)
    measured = judged(woven(lamp, 4, apart_s=0.0), RATE, scan=TOP)
    (finding,) = found(measured)
    assert top(measured, "flicker_hz") == pytest.approx(5.0, abs=0.1)
    assert "60 Hz mains" in finding.message
    assert "25 frames a second" in finding.message


def test_a_beat_of_two_seconds_among_fields_is_placed() -> None:
    steady, lamp = woven(STEADY, 8), woven(Lamp(0.15, 120, 1 / 400), 8)
    pictures = (
        b if 75 <= a.index < 125 else a for a, b in zip(steady, lamp, strict=True)
    )
    (finding,) = found(judged(pictures, RATE, scan=TOP))
    assert finding.start == pytest.approx(3.0, abs=0.12)
    assert finding.end == pytest.approx(5.0, abs=0.12)


def test_the_course_of_the_light_shows_every_field() -> None:
    lamp = Lamp(0.15, 120, 1 / 400)
    measured = judged(woven(lamp, 4), RATE, scan=TOP)
    (finding,) = found(measured)
    assert light.MEASURE.exhibits is not None
    (course,) = light.MEASURE.exhibits(result_of(measured), finding)
    (line,) = course.lines
    # Two seconds around the worst frame, 50 fields each, twenty rounds a second.
    assert len(line.x) == pytest.approx(100, abs=2)
    assert float(np.median(np.diff(line.x))) == pytest.approx(0.02, abs=1e-6)
    # A sine's standard deviation is its amplitude over the square root of 2.
    assert float(np.std(line.y)) == pytest.approx(lamp.left_percent / 2**0.5, rel=0.1)


def tilting(moment: int) -> Image:
    """A camera that tilts by a line a frame."""
    return np.roll(SCENE, moment // 2, axis=0)


@pytest.mark.parametrize("lines", [0.0, 0.1])
@pytest.mark.parametrize("look", [lambda _: SCENE, tilting, shaking])
def test_what_fields_see_differently_is_no_beat(
    look: Callable[[int], Image], lines: float
) -> None:
    measured = judged(woven(STEADY, 4, look=look, lines=lines), RATE, scan=TOP)
    assert np.isfinite(column(measured, "light.flicker_percent")).all()
    assert not found(measured)


def test_field_lumas_are_means_of_the_fields_own_lines() -> None:
    y = np.empty((540, 960), np.uint8)
    y[0::2], y[1::2] = 16, 235
    upper, lower = picture(y, interlaced=True).view(field_lumas)
    assert upper.shape == lower.shape == (135, 240)
    np.testing.assert_allclose(upper, 0.0, atol=1e-4)
    np.testing.assert_allclose(lower, 100.0, atol=1e-4)
    (whole,) = picture(y).view(field_lumas)
    np.testing.assert_array_equal(whole, picture(y).view(proxy_luma))


def test_progressive_takes_have_no_fields() -> None:
    y: NDArray[np.uint8] = np.full((270, 480), 100, np.uint8)
    measured = judged((picture(y, index=i) for i in range(3)), RATE)
    assert np.isnan(column(measured, "light.fields_stops")).all()
    measured = judged((picture(y, index=i, interlaced=True) for i in range(3)), RATE)
    assert not column(measured, "light.fields_stops").any()
