"""Sound that was cut off ahead of a low cut: tops that slope, at one rate.

Cut off by `numpy.clip`, so that every sample is known; low cuts and the filter of a
converter are `scipy.signal.butter` and `scipy.signal.resample_poly`.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from qc.measures.parts.sound.tilttops import sloping_tops
from qc.measures.peaks import MEASURE as M
from qc.records import Finding, Grade
from tests.sounds import (
    RATE,
    Sound,
    applause,
    as_pcm,
    figures,
    findings,
    measure,
    music,
    speech,
    tone,
)


def low_cut(x: Sound, hertz: float, *, order: int = 1, rate: int = RATE) -> Sound:
    sections = signal.butter(order, hertz, "high", fs=rate, output="sos")
    return np.asarray(signal.sosfilt(sections, x))


def cut_off(x: Sound, over_db: float) -> tuple[Sound, int]:
    """Return sound cut off so far under its peak, and how many samples that took."""
    level = np.abs(x).max() / 10 ** (over_db / 20)
    return x.clip(-level, level), int(np.count_nonzero(np.abs(x) >= level))


def recorded(x: Sound, peak_dbfs: float = -8.0, noise_dbfs: float = -100.0) -> Sound:
    """Return sound as a recorder with its level set right writes it."""
    x = 10 ** (peak_dbfs / 20) * x / np.abs(x).max()
    noise = np.random.default_rng(7).standard_normal(len(x))
    return as_pcm(x + 10 ** (noise_dbfs / 20) * noise)


def clipped(x: Sound, **more: object) -> list[Finding]:
    found = findings(measure([M], x[None], **more), M)  # type: ignore[arg-type]
    return [f for f in found if f.rule == "sound.clipped"]


def voice(seconds: float = 20.0, number: int = 0) -> Sound:
    return speech(seconds, number=number, floor_dbfs=-80)


@pytest.mark.parametrize("hertz", [5, 20, 80])
@pytest.mark.parametrize("over_db", [4, 9])
def test_a_preamplifier_that_clips_ahead_of_a_low_cut(
    hertz: float, over_db: float
) -> None:
    flat, count = cut_off(voice(), over_db)
    x = recorded(low_cut(flat, hertz))
    # Nothing of it is flat: a top of a millisecond falls by so much, and by more than
    # a step of 16 bits from sample to sample.
    assert 1 - math.exp(-2 * math.pi * hertz / 1000) > 0.03
    found = clipped(x)
    assert found
    assert all(f.grade in (Grade.REVIEW, Grade.REJECT) for f in found)
    for one in found:
        assert f"ahead of a low cut of about {hertz} Hz that lets" in one.message
        assert "cut off before the level is set: turn down what comes first" in (
            one.advice
        )
    told = figures(measure([M], x[None]), M)["clipped_samples"]
    # Tops of a few samples, and those with a ripple of the voice's own, are not told.
    assert 0.6 * count <= told <= count


def test_behind_the_filter_of_a_converter() -> None:
    # Cut off and coupled in the analogue, four times as fine, then filtered.
    fine = signal.resample_poly(voice(), 4, 1)
    flat, _ = cut_off(fine, 6)
    coupled = low_cut(flat, 20, rate=4 * RATE)
    told = clipped(recorded(signal.resample_poly(coupled, 1, 4)))
    assert told
    assert "low cut of about 20 Hz" in told[0].message
    # Without a low cut it is not flat to the step either.
    (one, *_) = clipped(recorded(signal.resample_poly(flat, 1, 4)))
    assert " clipped flat at −8." in one.message


def test_two_couplings_one_after_another() -> None:
    # Their rates add up while a top is short: 8 and 20 Hz are 28.
    flat, _ = cut_off(voice(), 6)
    (one, *_) = clipped(recorded(low_cut(low_cut(flat, 8), 20)))
    assert "low cut of about 28 Hz" in one.message


def test_a_loud_minute_in_a_long_take_is_enough() -> None:
    calm = 0.3 * voice(60, number=3)
    loud, _ = cut_off(voice(12, number=3), 8)
    x = np.concatenate([calm, loud, calm])
    told = clipped(recorded(low_cut(x, 20)))
    assert told
    assert all(f.start >= 59.9 and f.end <= 72.1 for f in told)


@pytest.mark.parametrize(
    "sound",
    [
        voice,
        lambda: voice(number=4),
        lambda: music(20),
        lambda: music(20, number=1),
        lambda: applause(10),
        lambda: applause(10, people=8),
        lambda: tone(10, hertz=50, peak_dbfs=-6) + tone(10, hertz=997),
        # Machines that are made so: of a synthesizer, or of a monitor's beep.
        lambda: np.sign(tone(10, hertz=440.3)),
        lambda: (np.arange(10 * RATE) * 110.3 / RATE) % 1 - 0.5,
        # A limiter holds peaks down, a valve rounds them; neither makes them straight.
        lambda: np.tanh(3 * voice() / np.abs(voice()).max()),
    ],
)
@pytest.mark.parametrize("cut_hz", [None, 20, 80])
def test_what_is_not_cut_off(sound: Callable[[], Sound], cut_hz: float | None) -> None:
    x = sound()
    assert clipped(recorded(low_cut(x, cut_hz) if cut_hz else x)) == []


@pytest.mark.parametrize(("over_db", "told"), [(9, True), (0, False)])
def test_louder_noise_than_this_hides_it(over_db: float, told: bool) -> None:
    flat, _ = cut_off(voice(number=4), over_db)
    assert bool(clipped(recorded(low_cut(flat, 20), noise_dbfs=-75))) is told
    assert clipped(recorded(low_cut(flat, 20), noise_dbfs=-55)) == []


@given(st.lists(st.integers(1, 999), max_size=6))
@settings(max_examples=4, deadline=None)
def test_blocks_change_nothing(cuts: list[int]) -> None:
    flat, _ = cut_off(voice(10), 8)
    x = recorded(low_cut(flat, 20))
    assert clipped(x) == clipped(x, cuts=cuts)


@pytest.mark.parametrize("rate", [8_000, 48_000, 96_000])
@pytest.mark.parametrize(("hertz", "side"), [(10.0, 1), (40.0, -1), (-40.0, 1)])
def test_the_rate_of_one_top(rate: int, hertz: float, side: int) -> None:
    # Exact: a flat top of 1.5 ms behind a coupling falls like exp(-2 pi f t).
    n = round(0.0015 * rate)
    ramp = np.arange(12) / 12
    top = np.exp(-2 * math.pi * hertz * np.arange(n) / rate)
    x = np.concatenate([ramp, top, top[-1] * (1 - ramp[1:]), np.zeros(2 * n)])
    x *= 0.3 * side / x.max()
    x[-1] = 1e-5  # as fine as 16 bits
    first, last, told, level = sloping_tops(x.astype(np.float32), rate, full=1.0)
    assert (first.tolist(), last.tolist()) == ([12], [12 + n])
    assert told == pytest.approx([hertz], rel=0.01)
    assert level == pytest.approx([0.3 * top.mean() / top.max()], rel=1e-4)
    for full in (0.3, 0.2):
        assert not sloping_tops(x.astype(np.float32), rate, full=full)[0].size
