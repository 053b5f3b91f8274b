"""Whines and telephones: lines of known pitch and level, and what is none of them."""

from __future__ import annotations

import numpy as np
import pytest

from qc.measures.interference import MEASURE as M
from qc.measures.parts.sound.steadylines import line_counts, slot_scores, spectra
from qc.records import Finding, Grade
from tests.sounds import RATE, Sound, as_pcm, findings, measure, speech, tone


def told(*channels: Sound, rate: int = RATE) -> list[Finding]:
    sound = as_pcm(np.stack(channels), 24)
    return findings(measure([M], sound, rate=rate), M)


def whine(seconds: float, hertz: float, rms_dbfs: float, rate: int = RATE) -> Sound:
    # A sine's peak lies 3.01 dB over its RMS.
    return tone(seconds, hertz=hertz, peak_dbfs=rms_dbfs + 3.01, rate=rate)


def telephone(seconds: float, rms_dbfs: float, *, number: int = 0) -> Sound:
    """Render slots of 15/26 ms, 216.7 a second, sent for some tenths of a second."""
    rng = np.random.default_rng(number)
    n = round(seconds * RATE)
    slots = ((np.arange(n) * 13_000 / 60 / RATE) % 1.0 < 1 / 8) - 1 / 8
    sent, at = np.zeros(n), 0
    while at < n:
        length = round(rng.uniform(0.1, 0.6) * RATE)
        sent[at : at + length] = 1.0
        at += length + round(rng.uniform(0.03, 0.25) * RATE)
    out = slots * sent
    return 10 ** (rms_dbfs / 20) * out / np.sqrt(np.mean(out[sent > 0] ** 2))


@pytest.mark.parametrize("hertz", [1000.0, 2437.0, 8000.0, 15_625.0])
@pytest.mark.parametrize("dbfs", [-50.0, -62.0])
def test_a_whine_under_speech(hertz: float, dbfs: float) -> None:
    x = speech(12, number=1, floor_dbfs=-62.0) + whine(12, hertz, dbfs)
    (one,) = told(x)
    assert one.grade is (Grade.REVIEW if dbfs > -55 else Grade.NOTE)
    assert f"at {hertz / 1000:.1f} kHz" in one.message
    assert one.worst == pytest.approx(dbfs, abs=1.5)
    assert (float(one.start), float(one.end)) == (0.0, 12.0)
    assert "in the whole take" in one.message


@pytest.mark.parametrize("rate", [44_100, 96_000])
def test_at_other_rates_and_on_one_channel(rate: int) -> None:
    x = speech(10, number=1, rate=rate)
    (one,) = told(x, x + whine(10, 5500.0, -48.0, rate), rate=rate)
    assert (one.channel, one.rule) == (2, "sound.interference")
    assert one.worst == pytest.approx(-48.0, abs=1.0)


def test_a_whine_that_begins_and_ends() -> None:
    # From 6 to 20 s of 26; known to a count of 1.4 s.
    x = speech(26, number=3)
    x[6 * RATE : 20 * RATE] += whine(14, 6200.0, -46.0)
    (one,) = told(x)
    assert float(one.start) == pytest.approx(6.0, abs=1.4)
    assert float(one.end) == pytest.approx(20.0, abs=1.4)


@pytest.mark.parametrize("number", range(5))
def test_speech_and_steady_noise_have_none(number: int) -> None:
    assert told(speech(12, number=number)) == []
    rng = np.random.default_rng(number)
    assert told(0.01 * rng.standard_normal(12 * RATE)) == []


@pytest.mark.parametrize("share", [0.15, 0.3, 0.5])
def test_beeps_are_no_whine(share: float) -> None:
    at = np.arange(20 * RATE) / RATE % 0.9
    beeps = 0.05 * np.sin(2 * np.pi * 960 * at) * (at < 0.9 * share)
    rng = np.random.default_rng(1)
    assert told(beeps + 0.001 * rng.standard_normal(len(beeps))) == []


def test_an_alarm_of_five_seconds_is_no_whine() -> None:
    x = speech(20, number=2)
    x[4 * RATE : 9 * RATE] += whine(5, 1040.0, -35.0)
    assert told(x) == []


def test_a_line_up_tone_is_meant() -> None:
    assert told(tone(12, hertz=1000.0, peak_dbfs=-18.0)) == []


def test_a_buzz_of_the_mains_is_told_as_hum_alone() -> None:
    n = np.arange(12 * RATE)
    buzz = sum(np.sin(2 * np.pi * 100 * k * n / RATE) / k for k in range(1, 30))
    x = 0.004 * np.asarray(buzz) + speech(12, number=4)
    assert told(x) == []


def test_many_lines_are_a_motor() -> None:
    x = speech(12, number=2)
    for k in range(8):
        x += whine(12, 1300.0 + 977.0 * k, -55.0)
    assert told(x) == []


@pytest.mark.parametrize("number", range(4))
def test_a_telephone_under_speech(number: int) -> None:
    x = speech(10, number=number, level_dbfs=-24.0)
    x[4 * RATE : 7 * RATE] += telephone(3, -28.0, number=number)
    (one,) = told(x)
    assert one.grade is Grade.REVIEW
    assert "217 Hz" in one.message
    assert float(one.start) == pytest.approx(4.0, abs=0.35)
    assert float(one.end) == pytest.approx(7.0, abs=0.35)


@pytest.mark.parametrize("pitch", [215.5, 216.7, 218.0])
def test_a_voice_of_that_pitch_is_no_telephone(pitch: float) -> None:
    # It strays by half a per cent, as the steadiest of voices do, through its formants.
    rng = np.random.default_rng(9)
    n = 10 * RATE
    knots = np.arange(0, n + RATE, RATE // 12)
    stray = np.interp(np.arange(n), knots, rng.normal(1.0, 0.005, len(knots)))
    pulses = np.diff(np.floor(np.cumsum(pitch * stray / RATE)), prepend=0.0)
    x = np.convolve(pulses, 0.3 * np.exp(-np.arange(200) / 20.0))[:n]
    assert told(x - x.mean() + 0.001 * rng.standard_normal(n)) == []


def test_what_a_line_and_a_comb_give() -> None:
    # A sine on a bin: all its power in three bins (Hann: 2/3 + 2 x 1/6).
    n = np.arange(16 * 4096)
    x = 0.1 * np.sin(2 * np.pi * 512 / 4096 * n)
    rng = np.random.default_rng(2)
    x = (x + 1e-4 * rng.standard_normal(len(n))).astype(np.float32)
    found = line_counts(spectra(x.reshape(16, -1)), RATE)
    at = int(np.flatnonzero(found.bins == 512)[0])
    assert found.counts[at] == 16
    assert found.power[at] == pytest.approx(0.1**2 / 2, rel=0.01)
    slots = telephone(2, -20.0)[: 16 * 4096].astype(np.float32)
    assert np.median(slot_scores(spectra(slots.reshape(16, -1)), RATE)) > 15
    assert slot_scores(spectra(x.reshape(16, -1)), RATE).max() < 9


def test_notes_that_are_struck_again_and_again_are_no_whine() -> None:
    # 880 Hz, struck twice a second, dying away by 26 dB a second.
    n = np.arange(14 * RATE)
    ringing = 10 ** (-1.3 * (n % (RATE // 2)) / RATE)
    x = 0.02 * ringing * np.sin(2 * np.pi * 880 * n / RATE)
    rng = np.random.default_rng(4)
    assert told(x + 0.0005 * rng.standard_normal(len(n))) == []
