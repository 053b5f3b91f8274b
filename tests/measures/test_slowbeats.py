"""Beats slower than three a second, and where beats begin and end.

Lamps are rendered exactly (see test_light): one that pulses 101.2 times a second beats
at 1.2 Hz under 25 frames (the distance to the nearest multiple, 100), and an exposure t
leaves ``depth |sinc(f t)|`` of it.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import replace
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from qc.measures import light
from qc.measures.base import Measured
from qc.measures.parts.light.lightwaves import PARTS, STRIPS
from qc.measures.parts.light.slowbeats import slow_wave
from qc.records import Picture
from tests.measures.test_light import (
    HEIGHT,
    SCENE,
    STEADY,
    WIDTH,
    Lamp,
    coded,
    found,
    judged,
    quiet,
    rendered,
    scene_light,
    top,
)
from tests.pictures import Image, measure, picture, setup_of

Array = NDArray[np.float64]

RATE = Fraction(25)


def of_levels(level: Array, keys: Collection[int] = (0,)) -> Measured:
    """Make a take whose strips have these levels, in stops, at 25 frames a second."""
    whole = level + np.zeros((len(level), STRIPS))
    changes = np.diff(whole, axis=0, prepend=whole[:1])
    changes += np.random.default_rng(8).normal(0, 0.001, changes.shape)

    class Reader:
        def __init__(self, _: object) -> None:
            self.row = -1

        def read(self, _: Picture) -> dict[str, Any]:
            self.row += 1
            return {
                "strips_stops": changes[self.row],
                "parts_stops": np.repeat(changes[self.row], PARTS),
                "key": float(self.row in keys),
            }

        def finish(self) -> dict[str, object]:
            return {}

    blank = np.zeros((2, 2), np.uint8)
    pictures = (picture(blank, index=i) for i in range(len(changes)))
    given = replace(light.MEASURE, start=Reader)
    return measure(pictures, setup_of(rate=RATE), [given])


@pytest.mark.parametrize(("beat", "seconds"), [(0.6, 8), (1.2, 4), (2.0, 4), (2.7, 4)])
def test_a_slow_flicker_is_told_as_it_is(beat: float, seconds: float) -> None:
    lamp = Lamp(0.60, 100 + beat, 1 / 60)
    measured = judged(rendered(lamp, RATE, seconds), RATE)
    (finding,) = found(measured)
    assert finding.rule == "light.flicker"
    assert (float(finding.start), float(finding.end)) == (0.0, seconds)
    assert top(measured, "flicker_hz") == pytest.approx(beat, abs=0.04)
    assert top(measured, "flicker_percent") == pytest.approx(
        lamp.left_percent, rel=0.06
    )
    assert "automatic exposure" in finding.message or beat == 2.7


@pytest.mark.parametrize(("beat", "seconds"), [(0.12, 8), (0.5, 8), (1.7, 4), (2.5, 4)])
def test_slow_bands_are_told_as_they_are(beat: float, seconds: float) -> None:
    lamp = Lamp(0.40, 100 + beat, 1 / 150, readout=0.016)
    measured = judged(rendered(lamp, RATE, seconds), RATE)
    (finding,) = found(measured)
    assert finding.rule == "light.banding"
    assert (float(finding.start), float(finding.end)) == (0.0, seconds)
    # Part of a round tells its rate less well.
    assert top(measured, "banding_hz") == pytest.approx(beat, abs=0.05)
    assert top(measured, "banding_percent") == pytest.approx(
        lamp.left_percent, rel=0.12
    )
    assert top(measured, "bands_count") == pytest.approx(1.6, abs=0.15)


# ------------------------------------------------------- what is not a steady beat


def irregular(i: int) -> Image:
    """Automatic exposure that hunts: each swing of another length and height."""
    t = i / 25
    walk = 0.2 * np.sin(2 * np.pi * (0.5 * t + 0.35 * np.sin(0.9 * t)))
    return np.asarray(
        coded(scene_light(SCENE) * 2 ** (walk * (1 + 0.6 * np.sin(0.7 * t))))
    )


def two_rounds(i: int) -> Image:
    """An iris opened and closed twice."""
    t = i / 25
    level = 0.2 * np.sin(2 * np.pi * 0.6 * t) if t < 2 / 0.6 else 0.0
    return np.asarray(coded(scene_light(SCENE) * 2**level))


def heart(i: int) -> Image:
    """Tissue in the middle third that shines and darkens 1.2 times a second."""
    out = SCENE.copy()
    part = slice(WIDTH // 3, 2 * WIDTH // 3)
    out[:, part] = 16 + (out[:, part] - 16) * (
        1 + 0.12 * np.sin(2 * np.pi * 1.2 * i / 25)
    )
    return out


def sewing(i: int) -> Image:
    """A glove that goes to and fro over the lower half, steadily, once a second."""
    out = SCENE.copy()
    left = round(WIDTH * (0.3 + 0.25 * np.sin(2 * np.pi * i / 25)))
    out[HEIGHT // 2 :, left : left + WIDTH // 3] = 70
    return out


def breathing(i: int) -> Image:
    """The lower half heaves and shades steadily, 0.4 times a second."""
    out = SCENE.copy()
    shade = 1 + 0.1 * np.sin(2 * np.pi * 0.4 * i / 25)
    out[HEIGHT // 2 :] = 16 + (out[HEIGHT // 2 :] - 16) * shade
    return out


def smoke(i: int) -> Image:
    """A cloud that comes over the picture and clears, at no rate."""
    t = i / 25
    thick = 0.25 * np.exp(-(((t - 4) / 1.2) ** 2)) + 0.2 * np.exp(
        -(((t - 7) / 0.8) ** 2)
    )
    across = np.linspace(0.5, 1.5, WIDTH)
    return np.asarray(SCENE + (150 - SCENE) * thick * across)


@pytest.mark.parametrize(
    "look", [irregular, two_rounds, heart, sewing, breathing, smoke]
)
def test_what_is_not_steady_or_not_everywhere_is_no_beat(
    look: Callable[[int], Image],
) -> None:
    assert quiet(judged(rendered(STEADY, RATE, 9, look=look), RATE))


def test_steps_at_key_frames_once_a_second_are_the_coders() -> None:
    # Up at the key frame and down in steps: a saw, which no sine explains by 80 %.
    n, group = 250, 25
    saw = 0.04 * (1.0 - (np.arange(n) % group) / group)[:, None]
    assert top(of_levels(saw, range(0, n, group)), "flicker_percent") == 0
    # A sine of the same rate is a lamp, with those key frames or without.
    sine = 0.04 * np.sin(2 * np.pi * np.arange(n) / group + 1)[:, None]
    for keys in ((0,), range(0, n, group)):
        assert top(of_levels(sine, keys), "flicker_percent") == pytest.approx(
            100 * np.tanh(0.04 * np.log(2)), rel=0.05
        )


def test_a_quick_beat_does_not_fold_into_a_slow_one() -> None:
    # 12 s windows keep three readings a second, where 2.7 Hz would look like 0.4 Hz.
    n = 400
    level = (
        0.15 * np.sin(2 * np.pi * 2.7 * np.arange(n) / 25)[:, None] * np.ones(STRIPS)
    )
    changes = np.diff(level, axis=0, prepend=level[:1])
    times = np.arange(n) / 25
    assert slow_wave(changes, None, times, high_hz=0.7) is None
    wave = slow_wave(changes[:75], None, times[:75])
    assert wave is not None
    assert wave.hertz == pytest.approx(2.7, abs=0.02)
    assert wave.stops == pytest.approx(0.15, rel=0.03)


def test_light_of_one_side_is_none_of_the_room() -> None:
    times = np.arange(100) / 25
    beat = 0.2 * np.sin(2 * np.pi * 1.2 * times)
    sides = np.array([1.0, 1.0, 0.0])
    level = beat[:, None, None] * np.ones((STRIPS, 1)) * sides
    parts = np.diff(level, axis=0, prepend=level[:1]).reshape(100, STRIPS * PARTS)
    strips = np.diff(level.mean(axis=2), axis=0, prepend=0)
    assert slow_wave(strips, None, times) is not None
    assert slow_wave(strips, parts, times) is None


# ---------------------------------------------------------------- where beats begin


@pytest.mark.parametrize("beat", [1.7, 3.1, 5.0])
def test_flicker_is_placed_where_it_is(beat: float) -> None:
    t = np.arange(300)[:, None] / 25
    level = 0.25 * np.sin(2 * np.pi * beat * t) * ((t >= 4.8) & (t < 8.4))
    (finding,) = found(of_levels(level))
    assert finding.rule == "light.flicker"
    # Half a round, and a frame: nearer the evidence does not go.
    near = 0.5 / beat + 0.04
    assert float(finding.start) == pytest.approx(4.8, abs=near)
    assert float(finding.end) == pytest.approx(8.4, abs=near)


@pytest.mark.parametrize("seconds", [2.0, 3.0])
@pytest.mark.parametrize("beat", [1.7, 8.0])
def test_bands_are_placed_where_they_are(beat: float, seconds: float) -> None:
    t = np.arange(200)[:, None] / 25
    down = (np.arange(STRIPS) + 0.5) / STRIPS
    level = 0.25 * np.sin(2 * np.pi * (2.3 * down + beat * t))
    level = level * ((t >= 3.0) & (t < 3.0 + seconds))
    (finding,) = found(of_levels(level))
    assert finding.rule == "light.banding"
    near = max(0.5 / beat, 0.15) + 0.04
    assert float(finding.start) == pytest.approx(3.0, abs=near)
    assert float(finding.end) == pytest.approx(3.0 + seconds, abs=near)
