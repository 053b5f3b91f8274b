"""Knocks and wind of known place and level, and low sounds that are none.

Filters are held against `scipy.signal.butter`; what bursts come out as is arithmetic.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from qc.measures.rumble import MEASURE as M
from qc.measures.rumble import low_pass_section
from qc.records import Finding, Grade
from tests.sounds import (
    RATE,
    Sound,
    applause,
    as_pcm,
    blocks_of,
    figures,
    findings,
    measure,
    measure_blocks,
    music,
    speech,
    tone,
    track_of,
    with_gap_before,
)


def found(x: Sound, *, rate: int = RATE, **more: object) -> list[Finding]:
    return findings(measure([M], np.atleast_2d(x), rate=rate, **more), M)  # type: ignore[arg-type]


def room(seconds: float, rate: int = RATE, dbfs: float = -65.0) -> Sound:
    rng = np.random.default_rng(11)
    return 10 ** (dbfs / 20) * rng.standard_normal(round(seconds * rate))


def burst(hertz: float, seconds: float, dbfs: float, rate: int = RATE) -> Sound:
    """Return a tone of a known RMS level under a window that rises at once."""
    n = np.arange(round(seconds * rate)) / rate
    shape = np.minimum(1.0, np.minimum(n, n[-1] - n) / 0.02)
    return 10 ** (dbfs / 20) * math.sqrt(2) * shape * np.sin(2 * np.pi * hertz * n)


def with_bursts(x: Sound, at: list[float], one: Sound, rate: int = RATE) -> Sound:
    x = x.copy()
    for second in at:
        first = round(second * rate)
        x[first : first + len(one)] += one
    return x


def knock(dbfs: float, rng: np.random.Generator) -> Sound:
    """Return a blow on a stand: a low tone that falls and dies away."""
    n = np.arange(round(0.4 * RATE)) / RATE
    swing = np.sin(2 * np.pi * rng.uniform(20, 55) * n * (1 - 0.2 * n))
    shape = np.exp(-n / rng.uniform(0.03, 0.08)) * (1 - np.exp(-n / 0.004))
    return 10 ** (dbfs / 20) * swing * shape


def wind(seconds: float, dbfs: float, number: int = 0) -> Sound:
    """Return gusts: noise that falls off over 25 Hz, now and then."""
    rng = np.random.default_rng(number)
    n = round(seconds * RATE)
    hertz = np.fft.rfftfreq(n, 1 / RATE)
    size = rng.standard_normal(len(hertz)) / (1 + (hertz / 25) ** 2) ** 0.9
    noise = np.fft.irfft(size * np.exp(2j * np.pi * rng.random(len(hertz))), n)
    knots = np.arange(0, seconds + 1, 0.4)
    gusts = np.interp(
        np.arange(n) / RATE, knots, np.maximum(0, rng.normal(0, 1, len(knots)))
    )
    return 10 ** (dbfs / 20) * noise / noise.std() * gusts


@pytest.mark.parametrize(("hertz", "rate"), [(60, 600), (60, 615.4), (15, 600)])
def test_the_low_pass_is_that_of_a_reference_library(hertz: float, rate: float) -> None:
    np.testing.assert_allclose(
        low_pass_section(hertz, rate),
        signal.butter(2, hertz, fs=rate, output="sos"),
        atol=1e-12,
    )


@pytest.mark.parametrize("rate", [8_000, 44_100, 48_000, 96_000])
@pytest.mark.parametrize("level", [-30.0, -20.0])
def test_bursts_of_known_level_and_place(rate: int, level: float) -> None:
    x = with_bursts(room(12, rate), [3, 5, 8], burst(30, 0.3, level, rate), rate)
    (one,) = found(x, rate=rate)
    assert (one.rule, one.grade, one.channel) == ("sound.rumble", Grade.NOTE, 1)
    assert one.start == pytest.approx(3.0, abs=0.1)
    assert one.end == pytest.approx(8.3, abs=0.15)
    # At 30 Hz two low-passes of second order from 60 Hz on take 2 x 0.26 dB, the
    # high-pass from 15 Hz on 0.26: 10 log10(1 + 1 / 16) each.
    assert one.worst == pytest.approx(level - 3 * 10 * math.log10(17 / 16), abs=0.8)
    assert "3 bursts under 60 Hz within 5." in one.message


@pytest.mark.parametrize(
    ("level", "grade"), [(-45, None), (-30, Grade.NOTE), (-10, Grade.REVIEW)]
)
def test_grades(level: float, grade: Grade | None) -> None:
    # A note from -40 dBFS on, review over -15 dBFS for 0.2 s (house choices).
    x = with_bursts(room(10), [3, 5], burst(35, 0.25, level))
    assert [f.grade for f in found(x)] == ([grade] if grade else [])


def test_a_single_soft_knock_is_not_worth_a_word() -> None:
    assert found(with_bursts(room(10), [4], burst(35, 0.15, -32))) == []
    (one,) = found(with_bursts(room(10), [4], burst(35, 0.15, -18)))
    assert "a burst under 60 Hz" in one.message


@pytest.mark.parametrize(
    ("words", "clear", "told"),
    [
        # In a pause -25 dBFS are clear; words of -23 dBFS cover them, those of -10 hide
        # them; where none is clear, words may hold such sound themselves.
        (-23.0, True, "4 bursts"),
        (-10.0, True, ""),
        (-23.0, False, ""),
    ],
)
def test_bursts_within_words_count_beside_a_clear_one(
    words: float, clear: bool, told: str
) -> None:
    band = signal.butter(4, (200, 4000), "band", fs=RATE, output="sos")
    word = signal.sosfilt(band, np.random.default_rng(1).standard_normal(RATE))
    word *= 10 ** (words / 20) / word.std()
    x = with_bursts(room(16), [2, 5, 11], word)
    x = with_bursts(x, [2.4, 5.4, 11.4], burst(30, 0.2, -25))
    found_in = found(with_bursts(x, [8], burst(30, 0.2, -25)) if clear else x)
    assert len(found_in) == bool(told)
    for one in found_in:
        assert told in one.message
        assert one.start == pytest.approx(2.4, abs=0.1)
        assert one.end == pytest.approx(11.6, abs=0.15)


def test_a_burst_that_a_short_word_cuts_in_two_is_one() -> None:
    x = with_bursts(room(12), [2, 5, 9], burst(30, 0.4, -25))
    x = with_bursts(x, [5.2], burst(400, 0.06, -10))
    (one,) = found(x)
    assert one.message.startswith("Channel 1: 3 bursts under 60 Hz")


@pytest.mark.parametrize("number", range(3))
def test_knocks_and_wind_beside_speech(number: int) -> None:
    rng = np.random.default_rng(number)
    voice = speech(20, number=number)
    places = [2.0, 6.5, 9.0, 13.0, 17.0]
    x = voice
    for second in places:
        x = with_bursts(x, [second], knock(-10, rng))
    (one,) = found(as_pcm(x))
    assert places[0] <= one.start < one.end <= places[-1] + 0.4
    (gusts,) = found(as_pcm(voice + wind(20, -24, number)))
    assert "knocks, rubbing, breath or wind" in gusts.message


@pytest.mark.parametrize("number", range(3))
def test_voices_strings_and_applause_are_none(number: int) -> None:
    for x in (
        speech(20, number=number),
        speech(20, number=number, level_dbfs=-9.0, floor_dbfs=-40.0),
        music(20, number=number, drums=False),
        applause(10, number=number),
        np.zeros(10 * RATE),
        room(10, dbfs=-12.0),
    ):
        assert found(as_pcm(x)) == []


@pytest.mark.parametrize("hertz", [25.0, 40.0, 50.0])
def test_a_motor_that_runs_for_a_while_is_none(hertz: float) -> None:
    assert found(with_bursts(room(20), [6], burst(hertz, 5.0, -25))) == []
    assert found(room(20) + tone(20, hertz=hertz, peak_dbfs=-20)) == []


def test_offset_is_none_at_the_start_and_behind_a_gap() -> None:
    x = as_pcm(room(10) + 0.1)[None]
    track = track_of(x)
    blocks = with_gap_before(blocks_of(track, x, [300, 600]), 1)
    assert findings(measure_blocks([M], [(track, blocks)]), M) == []


def test_a_channel_for_low_effects_is_left_alone() -> None:
    x = with_bursts(room(10), [3, 5, 7], burst(40, 0.3, -12))
    six = np.stack([x if k == 3 else room(10) for k in range(6)])
    assert found(six, layout="5.1") == []
    assert [f.channel for f in found(six, layout="hexagonal")] == [4]


def test_figures_are_those_of_each_channel() -> None:
    x = np.stack([room(8), with_bursts(room(8), [3, 5], burst(30, 0.3, -20))])
    one, two = figures(measure([M], x), M)["channels"]
    # White noise of -65 dBFS has 45 of 24000 Hz between 15 and 60: -92 dBFS.
    assert one["usual_dbfs"] == pytest.approx(-65 + 10 * math.log10(45 / 24_000), abs=2)
    assert two["highest_dbfs"] == pytest.approx(-20.8, abs=0.5)


def test_sound_of_a_moment_and_damage_are_read() -> None:
    assert found(room(0.02)) == []
    x = with_bursts(room(10), [3, 5, 7], burst(40, 0.3, -20))
    x[5 * RATE + 100] = math.nan
    assert len(found(x)) == 1


@given(st.lists(st.integers(1, 999), max_size=6))
@settings(max_examples=5, deadline=None)
def test_blocks_change_nothing(cuts: list[int]) -> None:
    x = as_pcm(speech(10, number=2) + wind(10, -20))[None]
    one, other = measure([M], x), measure([M], x, cuts=cuts)
    assert repr(findings(one, M)) == repr(findings(other, M))
    assert repr(figures(one, M)) == repr(figures(other, M))
