"""Moments in which even the noise of the room is gone, though no zeros are written."""

from __future__ import annotations

import numpy as np
import pytest

from qc.measures.dropout import MEASURE as DROPOUT
from qc.measures.hum import MEASURE as HUM
from qc.measures.parts.sound.breakevents import Event, clusters
from qc.measures.parts.sound.mutes import far_under
from qc.measures.peaks import MEASURE as PEAKS
from qc.records import Finding, Grade
from tests.sounds import RATE, Sound, as_pcm, findings, measure, speech


def told(sound: Sound, **more: object) -> list[Finding]:
    measured = measure([PEAKS, DROPOUT], sound, **more)  # type: ignore[arg-type]
    return findings(measured, PEAKS, DROPOUT)


def voice(seconds: float = 8.0, *, floor_dbfs: float = -58.0) -> Sound:
    return speech(seconds, number=5, level_dbfs=-22.0, floor_dbfs=floor_dbfs)


def muted(x: Sound, first: float, last: float, *, by_db: float = 60.0) -> Sound:
    """Turn a stretch down, within 5 ms at each end as a mute switch does."""
    a, b, edge = round(first * RATE), round(last * RATE), RATE // 200
    gain = np.full(b - a, 10.0 ** (-by_db / 20.0))
    ramp = np.geomspace(1.0, gain[0], edge)
    n = min(edge, (b - a) // 3)
    gain[:n], gain[-n:] = ramp[:n], ramp[:n][::-1]
    y = x.copy()
    y[..., a:b] *= gain
    return y


def noise_alone(x: Sound, first: float, last: float, dbfs: float) -> Sound:
    """Leave the noise of a converter: the plug is out."""
    a, b = round(first * RATE), round(last * RATE)
    y = x.copy()
    y[..., a:b] = 10 ** (dbfs / 20) * np.random.default_rng(8).standard_normal(b - a)
    return y


@pytest.mark.parametrize("length", [0.05, 0.1, 0.4, 1.2, 2.9, 3.1, 3.6])
@pytest.mark.parametrize("channels", [1, 2])
def test_a_mute_of_all_channels_is_told_once(channels: int, length: float) -> None:
    # Up to three seconds it is a drop-out, then silence; each edge within 20 ms.
    x = muted(voice(), 2.2, 2.2 + length)
    (one,) = told(as_pcm(np.stack([x, 0.8 * x][:channels]), 24))
    assert one.rule == ("sound.dropout" if length < 3 else "sound.silent")
    assert one.grade is Grade.REVIEW
    assert float(one.start) == pytest.approx(2.2, abs=0.021)
    assert float(one.end) == pytest.approx(2.2 + length, abs=0.021)


def test_a_long_mute_says_what_is_left() -> None:
    (one,) = told(as_pcm(muted(voice(), 2.2, 5.6)[None], 24))
    assert one.message == (
        "The sound is cut off for 3.4 s: all channels fall at once far under the "
        "noise of the room."
    )


@pytest.mark.parametrize("length", [0.05, 0.3, 0.9])
def test_a_moment_of_one_channel(length: float) -> None:
    x = voice()
    y = noise_alone(x, 3.0, 3.0 + length, -85.0)
    (one,) = told(as_pcm(np.stack([x, y]), 24))
    assert (one.rule, one.channel, one.grade) == ("sound.dropout", 2, Grade.REVIEW)
    assert float(one.start) == pytest.approx(3.0, abs=0.011)
    assert float(one.end) == pytest.approx(3.0 + length, abs=0.011)


@pytest.mark.parametrize("milliseconds", [4, 8, 15, 25])
def test_a_few_milliseconds_of_converter_noise(milliseconds: int) -> None:
    # In a vowel: the noise is rough, so that the third difference hardly falls.
    x = voice()
    loud = np.convolve(np.square(x), np.ones(480) / 480, "same")
    at = float(np.argmax(loud[RATE : 6 * RATE]) + RATE) / RATE
    y = noise_alone(x, at, at + milliseconds / 1000, -85.0)
    (one,) = told(as_pcm(y[None], 24))
    assert one.rule == "sound.dropout"
    assert "falls away" in one.message
    assert float(one.start) == pytest.approx(at, abs=0.011)


def hum_at_rest(count: int, dbfs: float) -> Sound:
    """Return hum of 50 Hz whose swings are short: the fifth power of a sine.

    It holds 50, 150 and 250 Hz alone: 16 sin(x)^5 = 10 sin x - 5 sin 3x + sin 5x. Under
    a tenth of its peak, as far as 39 degrees from zero, it is for 4.3 ms at a time.
    """
    x = np.sin(2 * np.pi * 50 * np.arange(count) / RATE) ** 5
    return np.asarray(10 ** (dbfs / 20) * x / np.sqrt(np.mean(x**2)))


@pytest.mark.parametrize("dbfs", [-20.0, -35.0])
def test_hum_between_its_swings_is_no_hole(dbfs: float) -> None:
    hum = hum_at_rest(8 * RATE, dbfs)
    hum += 1e-4 * np.random.default_rng(2).standard_normal(len(hum))
    measured = measure([PEAKS, HUM, DROPOUT], as_pcm(hum[None], 24))
    found = findings(measured, PEAKS, HUM, DROPOUT)
    assert [f.rule for f in found] == ["sound.hum"]


def test_a_hole_is_told_in_a_voice_over_hum_and_in_hum_if_it_is_longer() -> None:
    # Over weak hum the voice is gone for 8 ms; of strong hum more than a period is.
    x = voice()
    loud = np.convolve(np.square(x), np.ones(480) / 480, "same")
    at = float(np.argmax(loud[RATE : 6 * RATE]) + RATE) / RATE
    for dbfs, seconds in ((-52.0, 0.008), (-20.0, 0.03)):
        y = noise_alone(x + hum_at_rest(len(x), dbfs), at, at + seconds, -85.0)
        measured = measure([PEAKS, HUM, DROPOUT], as_pcm(y[None], 24))
        told = [f for f in findings(measured, DROPOUT) if f.grade is not Grade.NOTE]
        assert [f.rule for f in told] == ["sound.dropout"]
        assert float(told[0].start) == pytest.approx(at, abs=0.011)


@pytest.mark.parametrize("number", range(6))
@pytest.mark.parametrize("floor_dbfs", [-50.0, -58.0, -66.0])
def test_pauses_leave_the_noise_of_the_room(number: int, floor_dbfs: float) -> None:
    x = speech(8, number=number, floor_dbfs=floor_dbfs)
    assert [f for f in told(as_pcm(x[None], 24)) if f.grade is not Grade.NOTE] == []


@pytest.mark.parametrize("by_db", [15.0, 30.0])
def test_an_expander_that_turns_pauses_down_is_none(by_db: float) -> None:
    # Down within 80 ms when the voice has been away for 0.15 s.
    x = voice(12.0)
    level = np.convolve(np.abs(x), np.ones(960) / 960, "same")
    wait = RATE * 15 // 100
    spoken = np.convolve(level > 0.01, np.ones(wait))[: len(x)] > 0
    smooth = np.hanning(RATE * 8 // 100)
    share = np.convolve(spoken, smooth / smooth.sum())[: len(x)]
    x = x * 10.0 ** (-by_db * (1 - share) / 20.0)
    assert [f for f in told(as_pcm(x[None], 24)) if f.grade is not Grade.NOTE] == []


def test_a_fade_at_the_end_is_none() -> None:
    x = voice() * np.minimum(1.0, np.arange(8 * RATE)[::-1] / (3 * RATE))
    assert [f for f in told(as_pcm(x[None], 24)) if f.grade is not Grade.NOTE] == []


def test_a_tone_that_is_keyed_is_none() -> None:
    # On for four fifths of the time: what lies between is the room itself.
    rng = np.random.default_rng(3)
    n = np.arange(10 * RATE)
    x = 0.05 * np.sin(2 * np.pi * 960 * n / RATE) * (n % RATE < 0.8 * RATE)
    x += 10 ** (-72 / 20) * rng.standard_normal(len(n))
    found = told(as_pcm(x[None], 24))
    assert [f for f in found if "falls away" in f.message] == []


def test_the_noise_must_be_that_of_a_room() -> None:
    # 20 dB under the floor: gone. The floor itself spreads by 6 dB: not.
    rng = np.random.default_rng(1)
    level = np.concatenate(
        [rng.normal(-25, 6, 300), rng.normal(-60, 2, 200), rng.normal(-25, 6, 300)]
    ).astype(np.float32)
    assert not far_under(level, highest=-70.0).any()
    level[400:410] = -85.0
    assert np.flatnonzero(far_under(level, highest=-70.0)).tolist() == [
        *range(400, 410)
    ]


def _event(kind: str, at_s: float, length_s: float = 0.0) -> Event:
    first = round(at_s * RATE)
    return Event(kind, first, first + round(length_s * RATE) + 1, 0.1, (0,))


@pytest.mark.parametrize(
    ("clicks", "parts"),
    [
        # Beside the hole, apart from it, and so many that the cable is bad all along.
        ((5.1, 5.7), [3]),
        ((5.1, 6.9), [2, 1]),
        ((6.3, 6.5, 6.9), [4]),
    ],
)
def test_a_stray_click_does_not_make_a_hole_longer(
    clicks: tuple[float, ...], parts: list[int]
) -> None:
    events = [_event("hole", 5.2, 0.4), *(_event("click", at) for at in clicks)]
    events.sort(key=lambda e: e.first)
    got = clusters(events, 2 * RATE, many=3)
    assert [len(part) for part in got] == parts
