"""Channels that change places: noise of known levels that is swapped at a known moment.

Levels of rows are given where arithmetic is checked, else sound is made of rendered
speech, heard near in one channel and from afar in the other.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from qc.measures.parts.sound.swapped import turns
from qc.measures.peaks import MEASURE as PEAKS
from qc.measures.phase import MEASURE as M
from qc.records import Finding, Grade
from tests.sounds import RATE, Sound, findings, measure, music, speech

Rows = NDArray[np.float64]


def swapped(x: Sound, *moments: float) -> Sound:
    x = x.copy()
    for moment in moments:
        at = round(moment * RATE)
        x[:, at:] = x[::-1, at:]
    return x


def found(*sounds: Sound) -> list[Finding]:
    told = findings(measure([PEAKS, M], *sounds), M)
    return [f for f in told if f.rule == "sound.swapped"]


def noise(seconds: float, dbfs: float, number: int, *, dull: bool = False) -> Sound:
    rng = np.random.default_rng(number)
    x = rng.standard_normal(round(seconds * RATE))
    if dull:
        hertz = np.fft.rfftfreq(len(x), 1 / RATE)
        x = np.fft.irfft(np.fft.rfft(x) / np.sqrt(np.maximum(hertz, 20)), len(x))
    return 10 ** (dbfs / 20) * x / x.std()


def near_and_far(near_dbfs: float, far_dbfs: float, number: int = 0) -> Sound:
    """Return a minute of a voice on a clip and in the room, each with its own noise."""
    voice = speech(60, number=number, floor_dbfs=-120)
    hall = np.random.default_rng(3).standard_normal(RATE // 2)
    hall *= np.exp(-np.arange(len(hall)) / 3000)
    far = 0.25 * signal.fftconvolve(voice, hall / np.sqrt(np.sum(hall**2)))
    return np.stack(
        [
            voice + noise(60, near_dbfs, 1),
            far[: len(voice)] + noise(60, far_dbfs, 2, dull=True),
        ]
    )


@pytest.mark.parametrize("number", [0, 1, 3])
@pytest.mark.parametrize("moment", [23.0, 41.3])
def test_two_microphones_change_places(number: int, moment: float) -> None:
    x = swapped(near_and_far(-70, -50, number), moment)
    (one,) = found(x)
    assert (one.rule, one.grade) == ("sound.swapped", Grade.REVIEW)
    # As near as pauses lie. Of 48 such minutes 41 were told.
    assert float(one.start + one.end) / 2 == pytest.approx(moment, abs=1.0)
    assert one.duration == 4  # what follows can be used
    assert one.message.startswith("Channels 1 and 2 seem to have changed places here")
    assert "goes from \u221270 to \u22125" in one.message
    # Also where a recorder writes a track for each.
    assert [f.start for f in found(x[:1], x[1:])] == [one.start]


def test_there_and_back() -> None:
    told = found(swapped(near_and_far(-70, -50), 20, 40))
    moments = [float(f.start + f.end) / 2 for f in told]
    assert moments == pytest.approx([20, 40], abs=1.0)


@pytest.mark.parametrize("number", range(3))
def test_what_stays_in_its_place(number: int) -> None:
    x = near_and_far(-70, -50, number)
    half = x.shape[1] // 2
    louder = x.copy()
    louder[0, half:] *= 8  # 18 dB
    both = louder.copy()
    both[1, half:] /= 2
    for sound in (x, louder, both, x[::-1], np.stack([music(40), music(40, number=1)])):
        assert found(sound) == []


def test_two_speakers_one_after_the_other() -> None:
    # Each has a clip microphone and is heard faintly in the other's.
    one, two = (speech(30, number=k, floor_dbfs=-120) for k in (1, 2))
    first = np.concatenate([one, 0.05 * two])
    second = np.concatenate([0.05 * one, two])
    for levels in ((-65, -65), (-70, -58)):
        own = [noise(60, level, k) for k, level in enumerate(levels)]
        assert found(np.stack([first + own[0], second + own[1]])) == []


def rows(first: float, second: float, seconds: int = 30) -> Rows:
    return np.tile([first, second], (100 * seconds, 1)).astype(np.float64)


@pytest.mark.parametrize(
    ("before", "after", "told"),
    [
        ((-70, -50), (-50, -70), True),
        ((-50, -70), (-70, -50), True),
        ((-70, -50), (-52, -68), True),
        # Too near each other, not each other's, or only one of the two.
        ((-55, -50), (-50, -55), False),
        ((-70, -50), (-46, -70), False),
        ((-70, -50), (-50, -50), False),
        # Nothing but zeros is no noise.
        ((-math.inf, -50), (-50, -math.inf), False),
    ],
)
def test_levels_that_become_each_others(
    before: tuple[float, float], after: tuple[float, float], told: bool
) -> None:
    levels = np.concatenate([rows(*before), rows(*after)])
    got = list(turns(levels, levels - 10))
    assert [(t.row, t.before, t.after) for t in got] == (
        [(3000, before[0], after[0])] if told else []
    )
    # Treble that stays where it was belongs to another noise than the rest.
    assert list(turns(levels, np.concatenate([rows(-80, -70)] * 2))) == []


@pytest.mark.parametrize("moment", [31.2, 31.6, 38.4, 38.8])
@pytest.mark.parametrize("number", range(3))
def test_the_turn_may_lie_near_an_end_of_what_is_looked_at(
    moment: float, number: int
) -> None:
    # A voice that is rarely still: what is left of ten seconds on the side of the turn
    # makes their quietest twentieth lie between the two noises.
    rng = np.random.default_rng(number)
    noise = np.tile([-70.0, -50.0], (7000, 1))
    noise[round(100 * moment) :] = noise[round(100 * moment) :, ::-1]
    voice = rng.uniform(-75, -20, (7000, 1))
    levels = 10 * np.log10(10 ** (noise / 10) + 10 ** (voice / 10))
    (one,) = turns(levels, levels - 10)
    assert one.row / 100 == pytest.approx(moment, abs=0.5)
    assert (one.before, one.after) == pytest.approx((-69, -49), abs=1.5)


@pytest.mark.parametrize("moment", [24.0, 27.5, 33.0])
def test_the_moment_is_that_of_the_noise_though_words_are_the_other_way(
    moment: float,
) -> None:
    # The microphone with less noise is near the speaker, as it should be: in words, two
    # thirds of the time, it is the louder one.
    rng = np.random.default_rng(8)
    noise, words = np.tile([-70.0, -55.0], (6000, 1)), np.tile([-25.0, -40], (6000, 1))
    for x in (noise, words):
        x[round(100 * moment) :] = x[round(100 * moment) :, ::-1]
    spoken = np.repeat(rng.random(300) < 0.67, 20)  # a fifth of a second each
    levels = np.where(spoken[:, np.newaxis], words, noise)
    (one,) = turns(levels, levels - 10)
    assert one.row / 100 == pytest.approx(moment, abs=0.6)


def test_ten_seconds_on_either_side_are_needed() -> None:
    for seconds, told in ((9, 0), (10, 1)):
        levels = np.concatenate([rows(-70, -50), rows(-50, -70, seconds)])
        assert len(list(turns(levels, levels))) == told
    assert list(turns(rows(-70, -50, 3), rows(-70, -50, 3))) == []
