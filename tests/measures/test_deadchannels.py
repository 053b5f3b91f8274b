"""Channels that are cut off, and channels that are unused: places are exact."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from qc.measures import dropout, peaks
from qc.records import Finding
from tests.bench import soundfaults
from tests.sounds import RATE, Sound, as_pcm, findings, measure, speech, tone

M = peaks.MEASURE


def found(*sounds: Sound, **more: object) -> list[Finding]:
    return findings(measure([M], *sounds, **more), M)  # type: ignore[arg-type]


def noise(seconds: float, rms_dbfs: float) -> Sound:
    x = np.random.default_rng(5).standard_normal(round(seconds * RATE))
    return x * 10 ** (rms_dbfs / 20)


@pytest.mark.parametrize("left", [None, -85.0])
@pytest.mark.parametrize(("first", "last"), [(3.3, 4.6), (2.07, 6), (0, 2), (5, 12)])
def test_a_channel_that_is_cut_off(
    left: float | None, first: float, last: float
) -> None:
    # From one second on, to the hundredth: zeros, or the noise of a converter alone.
    talk, other = (speech(12, number=n, floor_dbfs=-62) for n in (2, 3))
    span = slice(round(first * RATE), round(last * RATE))
    other[span] = 0.0 if left is None else noise(12, left)[span]
    both = [M, dropout.MEASURE]
    told = findings(measure(both, as_pcm(np.stack([talk, other]), 24)), *both)
    cut = [f for f in told if f.rule == "sound.dead_channel"]
    jumps = [f for f in told if f.rule == "sound.dropout"]
    if cut:
        (one,) = cut
        assert one.channel == 2
        assert (float(one.start), float(one.end)) == (first, last)
        assert "cut off" in one.message
        assert jumps == []
    else:  # sound goes up to both edges: a drop-out
        assert left is None
        (one,) = jumps
        assert (one.start, one.end) == (Fraction(33, 10), Fraction(46, 10))


def test_what_is_not_cut_off_at_once() -> None:
    talk, other = (speech(12, number=n, floor_dbfs=-62) for n in (2, 3))
    # It fades away over half a second, and comes back so.
    gain = np.interp(np.arange(12 * RATE) / RATE, [3, 3.5, 6, 6.5], [0, -40, -40, 0])
    assert found(np.stack([talk, other * 10 ** (gain / 20)])) == []
    # A gate: zeros whenever nobody speaks, again and again.
    pauses = [(1.0, 2.2), (3.4, 4.6), (6.0, 7.5), (9.0, 10.5)]
    gated, silent = other.copy(), np.zeros(12 * RATE, bool)
    for a, b in pauses:
        # It closes a moment after the last word.
        held = slice(round((a - 0.3) * RATE), round(a * RATE))
        gated[held] = noise(12, -62)[held]
        silent[round(a * RATE) : round(b * RATE)] = True
    gated[silent] = 0.0
    assert found(np.stack([talk, gated])) == []
    # Once, it may be a plug.
    silent[round(3 * RATE) :] = False
    once = np.where(silent, 0.0, other)
    assert [f.rule for f in found(np.stack([talk, once]))] == ["sound.dead_channel"]
    # In steps of 8 bits quiet sound rounds to zeros by itself.
    coarse = np.stack([talk, 0.003 * other])
    zeros = found(as_pcm(coarse, 8), codec="pcm_u8")
    assert [(f.start, f.end) for f in zeros if "cut off" in f.message] == []


def test_unused_channels_are_one_finding() -> None:
    tracks = [tone(4)[None], 0.5 * tone(4)[None], *[np.zeros((1, 4 * RATE))] * 6]
    (one,) = found(*tracks)
    assert (one.rule, one.channel) == ("sound.dead_channel", None)
    assert one.message.startswith("Channels 3 to 8: no sound in the whole take")
    unused = 'unused_channels = ["3", "4", "5", "6", "7", "8"]'
    assert unused in one.advice
    # What the advice says is what the limits file takes.
    assert found(*tracks, toml=f"[peaks]\n{unused}") == []


def test_a_channel_dead_behind_a_lossy_coder() -> None:
    # The coder smears the edges over a frame of 21 ms.
    talk, other = (speech(8, number=n, floor_dbfs=-62) for n in (2, 3))
    other[3 * RATE : 6 * RATE] = 0.0
    pcm = soundfaults.through_aac(as_pcm(np.stack([talk, other])), RATE)
    (one,) = found(pcm, codec="aac")
    assert one.rule == "sound.dead_channel"
    assert float(one.start) == pytest.approx(3, abs=0.06)
    assert float(one.end) == pytest.approx(6, abs=0.06)


def test_silence_of_all_is_told_as_that() -> None:
    talk = speech(12, number=2)
    talk[5 * RATE : 9 * RATE] = 0.0
    (one,) = found(np.stack([talk, 0.5 * talk]))
    assert (one.rule, one.start, one.end) == ("sound.silent", 5, 9)


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("seconds", [6, 25])
@pytest.mark.parametrize(
    "level", [-85.0, -75.0, -71.0, -70.5, -70.0, -69.5, -69.0, -60.0]
)
def test_no_level_of_noise_lies_between_the_two(
    level: float, seconds: int, bits: int
) -> None:
    # At -70 dBFS a channel ends to carry nothing; hundredths of a second of noise lie
    # up to 1 dB over and under their level. It is told once, whatever it is called.
    talk = speech(seconds, number=2)
    (one,) = found(as_pcm(np.stack([noise(seconds, level), talk]), bits))
    assert (one.rule, one.channel) == ("sound.dead_channel", 1)
    assert (one.start, one.end) == (0, seconds)
    if abs(level + 70) > 2:
        assert ("only noise" in one.message) == (level > -70)


def test_noise_that_sways_about_the_level_is_told_once() -> None:
    # Two seconds over it and two under it, in turn.
    sway = np.sign(np.sin(np.arange(24 * RATE) * np.pi / (2 * RATE)))
    hiss = noise(24, -70) * 10 ** (1.5 * sway / 20)
    (one,) = found(np.stack([hiss, speech(24, number=2)]))
    assert (one.start, one.end) == (0, 24)
    assert "only noise" in one.message


def test_a_channel_dead_first_and_only_noise_then_is_told_in_two() -> None:
    hiss = np.concatenate([noise(20, -85), noise(20, -60)])
    dead, noisy = found(np.stack([hiss, speech(40, number=2)]))
    assert (dead.start, dead.end, "no sound" in dead.message) == (0, 20, True)
    assert (noisy.start, noisy.end) == (20, 40)
    assert "only noise" in noisy.message


def test_channels_of_noise_alone_are_one_finding() -> None:
    talk = speech(12, number=2)
    hiss = noise(12, -60)
    (one,) = found(np.stack([talk, hiss, np.roll(hiss, 999), np.roll(hiss, 5555)]))
    assert one.message.startswith(
        "Channels 2 to 4: carry only noise (up to −60 dBFS) in the whole take"
    )
