"""Bands that roll slower than a take is long: found from half a round, or said so.

Lamps are rendered exactly (see test_light). What lamps on the mains beat at follows
from the frame rate: 120 - 4 x 30000/1001 = 0.120 Hz, 8.3 s a round.
"""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction

import numpy as np
import pytest
from numpy.typing import NDArray

from qc.measures import light
from qc.measures.base import Measured
from qc.measures.parts.light.lightrolls import roll_of, slow_beat
from qc.measures.parts.light.lightwaves import PARTS, STRIPS
from tests.measures.test_light import (
    HEIGHT,
    NTSC,
    SCENE,
    STEADY,
    WIDTH,
    Lamp,
    found,
    judged,
    of_strips,
    rendered,
    top,
)
from tests.pictures import Image

Array = NDArray[np.float64]

BEAT = float(120 - 4 * NTSC)
ROLLING = Lamp(0.30, 120, 1 / 250, readout=0.012)  # 1.44 bands, 19.9 %


def notes(measured: Measured) -> list[str]:
    assert light.MEASURE.notes is not None
    return [n for n in light.MEASURE.notes(measured) if "Slow bands" in n]


def judged_percent(measured: Measured) -> float:
    assert light.MEASURE.summarise is not None
    return float(str(light.MEASURE.summarise(measured)["slow_bands_judged_percent"]))


@pytest.mark.parametrize(
    ("rate", "beat"),
    [
        (NTSC, 120 - 4 * NTSC),
        (2 * NTSC, 120 - 2 * 2 * NTSC),
        (Fraction(24000, 1001), 120 - 5 * Fraction(24000, 1001)),
        (Fraction(25), None),
        (Fraction(24), None),
        (Fraction(60), None),
    ],
)
def test_what_beats_slowly_follows_from_the_rate(
    rate: Fraction, beat: Fraction | None
) -> None:
    expected = None if beat is None else pytest.approx(float(beat))
    assert slow_beat(float(rate)) == expected


@pytest.mark.parametrize("seconds", [4.3, 7.0])
def test_slow_bands_are_found_from_part_of_a_round(seconds: float) -> None:
    measured = judged(rendered(ROLLING, NTSC, seconds), NTSC)
    (finding,) = found(measured)
    assert finding.rule == "light.banding"
    assert (finding.start_frame, finding.end_frame) == (0, round(seconds * NTSC))
    assert finding.worst == pytest.approx(ROLLING.left_percent, rel=0.1)
    assert top(measured, "bands_count") == pytest.approx(120 * 0.012, abs=0.2)
    assert top(measured, "banding_hz") == pytest.approx(BEAT, abs=0.03)
    assert "lamps on 60 Hz mains" in finding.message
    assert notes(measured) == []


def test_a_take_too_short_for_slow_bands_says_so() -> None:
    measured = judged(rendered(ROLLING, NTSC, 3.0), NTSC)
    assert found(measured) == []
    (note,) = notes(measured)
    assert "60 Hz mains" in note
    assert "could be told nowhere" in note
    assert f"{0.5 / BEAT:.1f} s" in note
    assert judged_percent(measured) == 0.0


def test_a_still_take_without_bands_is_judged() -> None:
    measured = judged(rendered(STEADY, NTSC, 6.0), NTSC)
    assert found(measured) == []
    assert notes(measured) == []
    assert judged_percent(measured) == 100.0


def test_a_cut_leaves_what_is_too_short_untold() -> None:
    other = SCENE[:, ::-1].copy()

    def look(i: int) -> Image:
        return SCENE if i < 60 else other

    measured = judged(rendered(STEADY, NTSC, 7.0, look=look), NTSC)
    (note,) = notes(measured)
    assert "only in 71 % of the take" in note  # all but 60 of 210 frames


def test_quick_bands_do_not_fold_into_slow_ones() -> None:
    # 100 - 3 x 29.97 = 10.09 Hz; readings at a third of the rate would show 0.10 Hz.
    lamp = Lamp(0.30, 100, 1 / 250, readout=0.014)
    measured = judged(rendered(lamp, NTSC, 5.0), NTSC)
    assert top(measured, "banding_hz") == pytest.approx(10.09, abs=0.02)


# ------------------------------------------------------- what is not a lamp's band


def shadow(i: int) -> Image:
    """A soft shadow that goes down the left half, as a head or a lamp's arm makes."""
    rows = np.arange(HEIGHT)[:, None] / HEIGHT
    dark = np.exp(-(((rows - i / 150) / 0.2) ** 2))
    out = SCENE.copy()
    half = WIDTH // 2
    out[:, :half] = 16 + (out[:, :half] - 16) * (1 - 0.3 * dark)
    return out


def one_side(i: int) -> Image:
    """Bands on a screen that fills the right third."""
    rows = np.arange(HEIGHT)[:, None] / HEIGHT
    bands = np.cos(2 * np.pi * (BEAT * i / float(NTSC) + 1.5 * rows))
    out = SCENE.copy()
    side = WIDTH // 3
    out[:, -side:] = 16 + (out[:, -side:] - 16) * (1 + 0.2 * bands)
    return out


def slow_tilt(i: int) -> Image:
    return np.roll(SCENE, i // 6, axis=0)


def to_and_fro(i: int) -> Image:
    """Waves that come and go back, as on water: no one speed."""
    rows = np.arange(HEIGHT)[:, None] / HEIGHT
    phase = 0.3 * np.sin(2 * np.pi * i / 90)
    bands = np.cos(2 * np.pi * (phase + 1.5 * rows))
    return np.asarray(16 + (SCENE - 16) * (1 + 0.1 * bands))


@pytest.mark.parametrize("look", [shadow, one_side, slow_tilt, to_and_fro])
def test_what_moves_is_no_slow_band(look: Callable[[int], Image]) -> None:
    measured = judged(rendered(STEADY, NTSC, 5.0, look=look), NTSC)
    assert [f for f in found(measured) if f.rule == "light.banding"] == []


# ------------------------------------------------------------------------ arithmetic


def changes(
    seconds: float, wave: Callable[[Array, Array], Array]
) -> tuple[Array, Array, Array]:
    """Return strips, parts and times of a wave over time and place, a little noisy."""
    times = np.arange(round(seconds * NTSC)) / float(NTSC)
    place = (np.arange(STRIPS) + 0.5) / STRIPS
    level = wave(times[:, None], place[None])
    random = np.random.default_rng(5)
    steps = np.diff(level, axis=0, prepend=level[:1])
    steps += random.normal(0, 5e-4, steps.shape)
    return steps, np.repeat(steps, PARTS, axis=1), times


@pytest.mark.parametrize("bands", [-3.0, -1.0, 1.5, 4.0])
@pytest.mark.parametrize("seconds", [4.3, 8.0])
def test_amplitude_and_bands_of_a_wave_are_read_from_half_a_round(
    bands: float, seconds: float
) -> None:
    given = changes(
        seconds, lambda t, y: 0.1 * np.cos(2 * np.pi * (BEAT * t + bands * y) + 1.0)
    )
    rolls = roll_of(*given, BEAT)
    assert rolls is not None
    assert rolls.wave is not None
    assert rolls.wave.bands == pytest.approx(bands, abs=0.13)
    assert rolls.wave.stops == pytest.approx(0.1, rel=0.1)
    assert rolls.wave.explained > 0.95


@pytest.mark.parametrize(
    "wave",
    [
        lambda t, y: 0.3 * np.sin(0.9 * t) + 0 * y,  # all alike: exposure
        lambda t, y: 0.2 * t * (y - 0.5),  # a lamp that is turned away
        # Bands that stop half-way.
        lambda t, y: 0.1 * np.cos(2 * np.pi * (BEAT * np.minimum(t, 2) + 1.5 * y)),
        # Four times as fast as any mains would make them.
        lambda t, y: 0.1 * np.cos(2 * np.pi * (4 * BEAT * t + 1.5 * y)),
    ],
    ids=["exposure", "turned", "stops", "fast"],
)
def test_other_changes_of_light_are_no_slow_band(
    wave: Callable[[Array, Array], Array],
) -> None:
    rolls = roll_of(*changes(5.0, wave), BEAT)
    assert rolls is None or rolls.wave is None


def test_unknown_strips_tell_nothing() -> None:
    steps, parts, times = changes(5.0, lambda t, y: 0 * t * y)
    steps[:, 5:] = np.nan
    assert roll_of(steps, parts, times, BEAT) is None


def few(measured: Measured) -> list[str]:
    assert light.MEASURE.notes is not None
    return [n for n in light.MEASURE.notes(measured) if "goes up and down" in n]


@pytest.mark.parametrize("seconds", [11.0, 14.0, 18.0])
def test_a_slow_flicker_seen_too_few_times_is_said(seconds: float) -> None:
    # 0.120 Hz: 1.3, 1.7 and 2.2 rounds.
    turn = 2 * np.pi * BEAT * np.arange(round(seconds * NTSC)) / float(NTSC)
    level = np.repeat(0.05 * np.cos(turn)[:, None], STRIPS, axis=1)
    measured = of_strips(np.diff(level, axis=0, prepend=level[:1]), NTSC)
    assert found(measured) == []
    (note,) = few(measured)
    # Contrast of 2^0.05 and 2^-0.05, rounds as above.
    assert "by 3.5 %" in note
    assert f"once in {1 / BEAT:.1f} s" in note
    assert f"holds {seconds * BEAT:.1f} rounds" in note


def test_what_is_no_slow_flicker_is_not_noted_as_one() -> None:
    at = np.arange(round(14 * NTSC)) / float(NTSC)
    place = (np.arange(STRIPS) + 0.5) / STRIPS
    for level in (
        np.repeat(0.1 * np.clip((at - 5) / 2, 0, 1)[:, None], STRIPS, axis=1),  # iris
        np.repeat(0.05 * np.cos(2 * np.pi * 0.3 * at)[:, None], STRIPS, axis=1),
        0.05 * np.cos(2 * np.pi * BEAT * at)[:, None] * (place < 0.3),  # a shadow
        np.repeat(0.004 * np.cos(2 * np.pi * BEAT * at)[:, None], STRIPS, axis=1),
    ):
        measured = of_strips(np.diff(level, axis=0, prepend=level[:1]), NTSC)
        assert few(measured) == []
