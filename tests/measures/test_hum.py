"""Mains hum of known level and frequency in rendered speech, and what is none.

Levels are exact arithmetic (a sine of amplitude A has an RMS of A / sqrt 2); second
opinion on the spectrum: `scipy.signal.periodogram`.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from qc.measures import hum
from qc.measures.base import Measured, Setup
from qc.measures.hum import _decimated, _decimator, low_pass
from qc.measures.parts.sound.humlines import faintest_told, harmonic_lines, spectrum
from qc.measures.parts.sound.humsteps import hum_stretch, step_lines
from qc.records import Finding, Grade
from tests.bench import soundfaults
from tests.sounds import (
    RATE,
    Sound,
    as_pcm,
    blocks_of,
    figures,
    findings,
    measure,
    speech,
    tone,
    track_of,
)

M = hum.MEASURE


@pytest.mark.parametrize("down", [2, 3, 5])
def test_the_low_pass_is_that_of_a_reference_library(down: int) -> None:
    # scipy.signal.firwin and upfirdn; the first outputs lack samples before them.
    taps = signal.firwin(48, 0.84 / down)
    np.testing.assert_allclose(low_pass(48, 0.84 / down), taps, atol=1e-15)
    x = np.random.default_rng(6).standard_normal((2, 3_001)).astype(np.float32)
    got = _decimated(x, _decimator(down), down)
    first = -(-47 // down)
    expected = signal.upfirdn(taps, x.astype(np.float64), 1, down, axis=1)
    assert got.shape[1] == (3_001 - 48) // down
    np.testing.assert_allclose(
        got, expected[:, first : first + got.shape[1]], atol=1e-12
    )


def mains(
    seconds: float,
    level_dbfs: float,
    *,
    hertz: float = 50.03,
    parts: tuple[float, ...] = (1.0, 0.6, 0.4),
    rate: int = RATE,
) -> Sound:
    """Return hum of a level (RMS of all its lines together)."""
    n = np.arange(round(seconds * rate)) / rate
    x = sum(
        a * np.sin(2 * np.pi * hertz * (k + 1) * n + k) for k, a in enumerate(parts)
    )
    power = sum(a * a / 2 for a in parts)
    return np.asarray(x) * 10 ** (level_dbfs / 20) / math.sqrt(power)


def found(x: Sound, **more: object) -> list[Finding]:
    sound = as_pcm(np.atleast_2d(x))
    return findings(measure([M], sound, **more), M)  # type: ignore[arg-type]


# ---------------------------------------------------------------------------- found


@pytest.mark.parametrize("level", [-50, -35, -20])
@pytest.mark.parametrize("hertz", [49.95, 50.05, 59.95, 60.0])
def test_hum_under_speech(level: float, hertz: float) -> None:
    (one,) = found(speech(12, number=4) + mains(12, level, hertz=hertz))
    nominal = round(hertz / 10) * 10
    assert (one.rule, one.grade, one.channel) == ("sound.hum", Grade.REVIEW, 1)
    assert f"mains hum of {nominal} Hz at −" in one.message
    assert f"(lines at {nominal}, {2 * nominal}" in one.message
    assert one.worst == pytest.approx(level, abs=2.0)
    assert (one.start, one.end) == (0, 12)
    assert one.advice.startswith("Channel 1: lay microphone cables away from mains")


@pytest.mark.parametrize("rate", [8_000, 16_000, 44_100, 96_000])
def test_at_any_sample_rate(rate: int) -> None:
    x = speech(8, number=1, rate=rate) + mains(8, -40, rate=rate)
    (one,) = found(x, rate=rate)
    assert one.worst == pytest.approx(-40, abs=2.0)


@pytest.mark.parametrize(
    ("level", "grade"), [(-53, Grade.REVIEW), (-57, Grade.NOTE), (-63, None)]
)
def test_grades(level: float, grade: Grade | None) -> None:
    # A note from -60 dBFS on, review from -54 dBFS on (house choices).
    quiet = 10 ** (-80 / 20) * np.random.default_rng(0).standard_normal(10 * RATE)
    got = [f.grade for f in found(quiet + mains(10, level))]
    assert got == ([grade] if grade else [])


def test_the_level_without_anything_else() -> None:
    measured = measure([M], mains(10, -31.7)[None])
    (channel,) = figures(measured, M)["channels"]
    assert channel["hum_dbfs"] == pytest.approx(-31.7, abs=0.1)
    assert channel["mains_hz"] == 50
    column = measured.sound[0]["hum.hum_dbfs"][:, 0]
    assert np.isnan(column[:400]).all()
    assert column[-1] == pytest.approx(-31.7, abs=0.1)


def test_that_there_is_none_is_told_from_not_having_looked() -> None:
    # As for hidden hum: white noise of -20 dBFS would hide five lines of -48 together,
    # 15 dB over it; of -60 dBFS so many decibels less.
    noise = 0.001 * np.random.default_rng(4).standard_normal(10 * RATE)
    (none,) = figures(measure([M], noise[None]), M)["channels"]
    assert math.isnan(none["hum_dbfs"])
    assert none["told_from_dbfs"] == pytest.approx(-88, abs=2.5)
    (short,) = figures(measure([M], noise[None, :RATE]), M)["channels"]
    assert math.isnan(short["hum_dbfs"])
    assert short["told_from_dbfs"] is None


def test_a_line_in_one_window_alone_is_no_hum_in_the_figures_either() -> None:
    # A tone of 100 Hz for two seconds is of one window or two, and no line beside it.
    x = speech(12, number=1)
    at = np.arange(len(x)) / RATE
    x = x + np.where((at >= 4) & (at < 6), tone(12, hertz=100.0, peak_dbfs=-30), 0.0)
    measured = measure([M], x[None])
    assert findings(measured, M) == []
    (one,) = figures(measured, M)["channels"]
    assert math.isnan(one["hum_dbfs"])
    assert one["mains_hz"] is None


def hummed(x: Sound, first: float, last: float, dbfs: float, **more: float) -> Sound:
    """Return sound with hum in it from one moment to another."""
    hum_of = mains(len(x) / RATE, dbfs, **more)  # type: ignore[arg-type]
    at = np.arange(len(x)) / RATE
    return x + np.where((at >= first) & (at < last), hum_of, 0.0)


@pytest.mark.parametrize(("first", "last"), [(8, 18), (6.43, 24), (0, 13.7), (9, 15.2)])
@pytest.mark.parametrize(("dbfs", "hertz"), [(-30, 50.03), (-46, 59.93)])
def test_where_hum_comes_and_goes(
    first: float, last: float, dbfs: float, hertz: float
) -> None:
    (one,) = found(hummed(speech(24, number=2), first, last, dbfs, hertz=hertz))
    assert float(one.start) == pytest.approx(first, abs=0.25)
    assert float(one.end) == pytest.approx(last, abs=0.25)


@pytest.mark.parametrize(("first", "last"), [(3, 5), (4.35, 6.05), (7.6, 10.4)])
@pytest.mark.parametrize("number", [2, 5])
def test_hum_of_two_seconds(first: float, last: float, number: int) -> None:
    (one,) = found(hummed(speech(14, number=number), first, last, -42))
    assert float(one.start) == pytest.approx(first, abs=0.25)
    assert float(one.end) == pytest.approx(last, abs=0.25)
    # The window of 4 s holds less of it.
    assert one.worst == pytest.approx(-42, abs=1.5)


def test_notes_of_two_seconds_are_none() -> None:
    # A bass note that is close to mains, plucked, and a sung one that wavers.
    n = np.arange(2 * RATE) / RATE
    for note in (
        np.exp(-n / 0.6) * (np.sin(2 * np.pi * 49.0 * n) + np.sin(2 * np.pi * 98 * n)),
        np.sin(2 * np.pi * (100 * n + 0.3 * np.sin(2 * np.pi * 5 * n))),
        np.sin(2 * np.pi * 61.7 * n) + np.sin(2 * np.pi * 123.5 * n),
    ):
        x = speech(12, number=3)
        x[5 * RATE : 7 * RATE] += 0.05 * note
        assert found(x) == []


def test_the_stretch_against_a_search_of_all() -> None:
    # Plain loops over all stretches of one line, its frequency known exactly.
    rng = np.random.default_rng(8)
    low = 0.02 * rng.standard_normal((1, 8_000))
    n = np.arange(8_000) / 2_000
    low[0, 2_600:6_200] += 0.05 * np.sin(2 * np.pi * 50 * n[2_600:6_200] + 1)
    part = step_lines(low, 2_000.0, 0.0, (50,))
    got = hum_stretch([part], 0, mains=50, harmonics=(1,))
    assert got is not None
    arrows = part.arrows[50][0, 0]
    score = {
        (a, b): abs(arrows[a:b].sum()) ** 2 / (b - a)
        for a in range(40)
        for b in range(a + 8, 41)
    }
    first, last = max(score, key=lambda span: score[span])
    assert (got.first_s, got.last_s) == pytest.approx((first / 10, last / 10))
    assert (first, last) == (13, 31)
    assert got.level == pytest.approx(0.05 / math.sqrt(2), rel=0.05)


def test_a_rectifiers_hum_without_its_fundamental() -> None:
    x = speech(8, number=2) + mains(8, -40, parts=(0.0, 1.0, 0.0, 0.7, 0.0, 0.4))
    (one,) = found(x)
    assert "hum of 50 Hz" in one.message
    assert "(lines at 100, 200" in one.message


def test_only_the_channel_that_hums() -> None:
    voice = speech(8, number=3)
    (one,) = found(np.stack([voice, voice + mains(8, -35)]))
    assert one.channel == 2


@pytest.mark.parametrize(("seconds", "count"), [(1.5, 0), (2.5, 1), (4.5, 1)])
def test_short_takes(seconds: float, count: int) -> None:
    measured = measure([M], as_pcm(mains(seconds, -30)[None]))
    assert len(findings(measured, M)) == count
    assert M.notes is not None
    assert len(list(M.notes(measured))) == 1 - count


def test_hum_outlasts_lossy_coding() -> None:
    x = speech(8, number=3) + mains(8, -45)
    coded = soundfaults.through_aac(np.stack([x, x]), RATE)
    got = findings(measure([M], coded, codec="aac"), M)
    assert [f.channel for f in got] == [1, 2]


# ------------------------------------------------------------------------------ none


def test_clean_speech_does_not_hum() -> None:
    for number in range(4):
        assert found(speech(10, number=number)) == []


def test_noise_rumble_and_silence_do_not_hum() -> None:
    rng = np.random.default_rng(1)
    white = 0.1 * rng.standard_normal(10 * RATE)
    rumble = signal.lfilter([0.05], [1, -0.995], white)
    for x in (white, rumble, np.zeros(10 * RATE)):
        assert found(x) == []


def test_music_does_not_hum() -> None:
    # Notes of half a second, equal temperament from A = 440 Hz, in the bass.
    rng = np.random.default_rng(3)
    parts = []
    for _ in range(24):
        hertz = 440 * 2 ** ((rng.integers(-38, -10)) / 12)
        note = sum(tone(0.5, hertz=hertz * k, peak_dbfs=-20 - 6 * k) for k in (1, 2, 3))
        parts.append(np.asarray(note) * np.hanning(RATE // 2))
    assert found(np.concatenate(parts)) == []


@pytest.mark.parametrize("hertz", [48.5, 51.0, 55.0, 61.7, 98.0, 110.0])
def test_a_steady_tone_beside_mains_frequency_is_none(hertz: float) -> None:
    # G1, A1, B1, G2, A2 and motors.
    assert found(tone(10, hertz=hertz, peak_dbfs=-20)) == []


def test_a_sweep_through_it_is_none() -> None:
    n = np.arange(10 * RATE) / RATE
    assert found(0.1 * signal.chirp(n, 30, 10, 130)) == []


# ---------------------------------------------------------------------------- offset


@pytest.mark.parametrize(("offset", "count"), [(0.0, 0), (0.005, 0), (-0.05, 1)])
def test_a_constant_offset(offset: float, count: int) -> None:
    # From -40 dBFS, 1 %, on (house choice); 5 % is exact: -26.0 dBFS.
    measured = measure([M], as_pcm(speech(4) + offset)[None])
    (channel,) = figures(measured, M)["channels"]
    assert channel["offset_percent"] == pytest.approx(100 * offset, abs=0.05)
    assert M.notes is not None
    notes = list(M.notes(measured))
    assert len(notes) == count
    for note in notes:
        assert note.startswith("Channel 1: the signal is shifted off zero by −5.0 %")
        assert "(−26 dBFS)" in note


# ------------------------------------------------------------------- the parts of it


def test_the_spectrum_agrees_with_scipy() -> None:
    x = np.random.default_rng(2).standard_normal(4000)
    s = spectrum(x, 2000.0)
    frequencies, density = signal.periodogram(x, 2000.0, "hann", scaling="density")
    assert s.step_hz == pytest.approx(frequencies[1])
    np.testing.assert_allclose(s.power[2:-1], density[2:-1] * s.step_hz, rtol=1e-9)


def test_lines_are_measured_off_the_nominal_frequency() -> None:
    rng = np.random.default_rng(2)
    n = np.arange(8000) / 2000.0
    x = 0.2 * np.sin(2 * np.pi * 50.1 * n) + 0.1 * np.sin(2 * np.pi * 150.3 * n)
    lines = harmonic_lines(spectrum(x + 1e-4 * rng.standard_normal(8000), 2000.0), 50)
    assert lines.off_hz == pytest.approx(0.1, abs=0.08)
    assert np.sqrt(lines.power[[0, 2]]) == pytest.approx(
        np.array([0.2, 0.1]) / math.sqrt(2), rel=0.02
    )
    assert set(np.flatnonzero(lines.over_db > 20)) == {0, 2}


@pytest.mark.parametrize(("above_db", "told"), [(4.0, True), (-4.0, False)])
def test_how_faint_hum_could_still_be_told(above_db: float, told: bool) -> None:
    # Five lines in white noise: two of the five, one of the first two, stand out by
    # 15 dB from that level on. Lines of a Hann window over noise sway by some decibels.
    n = np.arange(8000) / 2000.0
    noise = 0.05 * np.random.default_rng(3).standard_normal((20, 8000))
    least = faintest_told(spectrum(noise, 2000.0), 50, 15.0)
    height = np.sqrt(2 * least / 5 * 10 ** (above_db / 10))[:, np.newaxis]
    hums = sum(np.sin(2 * np.pi * 50 * k * n + k) for k in range(1, 6))
    over = harmonic_lines(spectrum(noise + height * hums, 2000.0), 50).over_db >= 15
    both = (np.count_nonzero(over, axis=1) >= 2) & over[:, :2].any(axis=1)
    assert np.count_nonzero(both == told) >= 18


def _said(x: Sound) -> list[str]:
    measured = measure([M], as_pcm(np.atleast_2d(x)))
    return [n for n in M.notes(measured) if "could not be told" in n]


def test_sound_that_hides_hum_is_noted() -> None:
    # White noise of -20 dBFS has -68 dBFS in 1.5 times a quarter of a hertz of 24 kHz,
    # -70 as a median. Lines 15 dB over it, two thirds in their highest bin, have -53,
    # five of them -46: more than the -54 dBFS from which hum is for review. By the
    # quieter side of each, and the quietest window, it is some decibels less.
    loud = 0.1 * np.random.default_rng(4).standard_normal(10 * RATE)
    (one,) = _said(loud)
    level = one.partition("under about −")[2].partition(" dBFS")[0]
    assert one.startswith("Channel 1: mains hum")
    assert float(level) == pytest.approx(48, abs=2.5)
    assert _said(0.01 * loud) == []
    assert _said(speech(10)) == []
    # Loud for a while only; and hum that is told all the same.
    assert _said(np.where(np.arange(10 * RATE) < 5 * RATE, loud, 0.01 * loud)) == []
    assert _said(loud + mains(10, -15)) == []
    (one,) = _said(np.stack([0.01 * loud, loud, loud + mains(10, -15)]))
    assert one.startswith("Channel 2: ")


@given(st.lists(st.integers(1, 999), max_size=5))
@settings(max_examples=5, deadline=None)
def test_cutting_into_blocks_changes_nothing(cuts: list[int]) -> None:
    x = as_pcm(speech(10, number=1, rate=16_000) + mains(10, -40, rate=16_000))[None]
    one, other = (measure([M], x, rate=16_000, cuts=c) for c in ((), cuts))
    assert findings(one, M) == findings(other, M)
    np.testing.assert_array_equal(
        one.sound[0]["hum.hum_dbfs"], other.sound[0]["hum.hum_dbfs"]
    )


def test_damage_and_nothing_to_measure() -> None:
    x = as_pcm(speech(10) + mains(10, -40))[None].copy()
    x[0, 5 * RATE] = np.nan
    measured = measure([M], x)
    assert [f.rule for f in findings(measured, M)] == ["sound.hum"]
    empty = Measured(measured.info, measured.limits, None, (), {})
    assert (findings(empty, M), figures(empty, M)) == ([], {})


def test_the_reader_gives_the_columns_that_are_declared() -> None:
    track = track_of(np.zeros((2, 1)))
    (block,) = blocks_of(track, np.zeros((2, 4_800)))
    measured = measure([M], np.zeros((1, 10)))
    values = M.start(Setup(measured.info, measured.limits), track).read(block)  # type: ignore[arg-type]
    assert {n: np.shape(v) for n, v in values.items()} == {"hum_dbfs": (10, 2)}


@pytest.mark.parametrize(("seconds", "told"), [(8.5, True), (5.5, False)])
def test_a_weak_line_counts_once_it_stays(seconds: float, told: bool) -> None:
    # 20 dB over noise of -20 dBFS in a Hann window of 4 s, by arithmetic: of the line
    # a third of its squared height lies in the highest bin, of the noise 1.5 bins'
    # share of 24 kHz, whose median is 0.69 of its mean.
    n = np.arange(round(seconds * RATE))
    noise = 0.1 * np.random.default_rng(4).standard_normal(len(n))
    height = math.sqrt(3 * 100 * 0.01 * 1.5 * 0.25 / 24_000 * 0.69)
    x = noise + height * np.sin(2 * np.pi * 60 * n / RATE)
    assert bool(found(x[None])) is told
