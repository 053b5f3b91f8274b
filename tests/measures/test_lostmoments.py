"""Moments of zeros on all channels: told where the recording has noise otherwise."""

from __future__ import annotations

import numpy as np
import pytest

from qc.measures.dropout import MEASURE as DROPOUT
from qc.measures.parts.sound.lostmoments import can_tell, lost_moments
from qc.measures.peaks import MEASURE as PEAKS
from qc.records import Finding, Grade
from tests.sounds import RATE, Sound, as_pcm, findings, measure

# Words and pauses in seconds, made so that every moment below is known to lie in one.
_WORDS = ((0.5, 1.5), (2.0, 3.0), (4.0, 5.0), (6.0, 7.5), (8.5, 9.5))


def told(*sounds: Sound, **more: object) -> list[Finding]:
    measured = measure([PEAKS, DROPOUT], *sounds, **more)  # type: ignore[arg-type]
    found = findings(measured, PEAKS, DROPOUT)
    return [f for f in found if f.rule in ("sound.silent", "sound.dropout")]


def room(noise_dbfs: float = -68.0, seconds: float = 10.0, state: int = 4) -> Sound:
    """Draw noise of a room with words of -20 dBFS in it."""
    rng = np.random.default_rng(state)
    n = round(seconds * RATE)
    words = np.zeros(n)
    for first, last in _WORDS:
        words[round(first * RATE) : round(last * RATE)] = 0.1
    own = words * rng.standard_normal(n)
    return np.clip(own + 10 ** (noise_dbfs / 20) * rng.standard_normal(n), -0.9, 0.9)


def cut(x: Sound, first: float, last: float) -> Sound:
    y = np.array(x)
    y[..., round(first * RATE) : round(last * RATE)] = 0.0
    return y


def gate(x: Sound, wait: float) -> Sound:
    """Close at `wait` after every word, open with the next."""
    y = np.array(x)
    begins = [*(a for a, _ in _WORDS[1:]), 10.0]
    for (_, end), again in zip(_WORDS, begins, strict=True):
        if end + wait < again:
            y = cut(y, end + wait, again)
    return y


@pytest.mark.parametrize(
    "length", [0.03, 0.09, 0.2, 0.5, 1.0, 1.9, 2.0, 2.1, 2.9, 3.0, 3.1, 4.0]
)
@pytest.mark.parametrize("begin", [2.5, 3.2, 3.5, 4.7])
def test_no_length_of_zeros_is_missed_and_none_told_twice(
    begin: float, length: float
) -> None:
    # In words and in pauses, at either edge: one finding, whoever tells it.
    x = room()
    both = np.stack([x, 0.8 * x])
    (one,) = told(as_pcm(cut(both, begin, begin + length), 24))
    assert one.grade is Grade.REVIEW
    assert float(one.start) == pytest.approx(begin, abs=0.011)
    assert float(one.end) == pytest.approx(begin + length, abs=0.011)


def test_a_pause_with_its_noise_is_none() -> None:
    assert told(as_pcm(np.stack([room(), room()]), 24)) == []


@pytest.mark.parametrize("wait", [0.02, 0.2, 0.4])
def test_a_gate_that_closes_in_pauses_is_not_told(wait: float) -> None:
    x = gate(room(), wait)
    assert np.count_nonzero(x == 0.0) > RATE
    assert told(as_pcm(np.stack([x, x]), 24)) == []


def test_a_gate_that_has_closed_but_once_is_not_told() -> None:
    # 4 s: the pauses of 0.5 s end before it closes, 0.6 s after a word.
    x = gate(room(), 0.6)[: round(4.5 * RATE)]
    assert 0.3 * RATE < np.count_nonzero(x == 0.0) < 0.5 * RATE
    assert told(as_pcm(x[None], 24)) == []


def test_sound_that_begins_late_is_not_told() -> None:
    assert told(as_pcm(cut(room(), 0.0, 2.5)[None], 24)) == []


@pytest.mark.parametrize(("left", "count"), [(0.5, 0), (1.2, 1)])
def test_the_end_of_a_take(left: float, count: int) -> None:
    # From 1 s on (house choice), here in a word: recorders fill up their last block.
    assert len(told(as_pcm(cut(room(), 10 - left, 10.0)[None], 24))) == count


def test_a_channel_without_microphone_changes_nothing() -> None:
    x = room()
    nothing = np.zeros_like(x)
    clean = told(as_pcm(np.stack([x, nothing]), 24))
    assert clean == []
    (one,) = told(as_pcm(np.stack([cut(x, 3.2, 3.7), nothing]), 24))
    assert (one.rule, float(one.start), float(one.end)) == ("sound.silent", 3.2, 3.7)


def test_one_channel_that_goes_on_is_no_silence_of_all() -> None:
    x = room()
    found = told(as_pcm(np.stack([cut(x, 3.2, 3.7), x]), 24))
    assert [f for f in found if f.rule == "sound.silent"] == []


def test_noise_that_rounds_to_zeros_is_not_told() -> None:
    # A fifth of a step of 16 bits rounds to zero but once in a hundred samples.
    x = as_pcm(room(20 * np.log10(0.2 / 32768)))
    x = cut(x, 3.2, 3.9)
    assert told(np.stack([x, x])) == []


@pytest.mark.parametrize("noise_dbfs", [-60.0, -65.0])
def test_zeros_in_the_midst_of_steady_noise(noise_dbfs: float) -> None:
    # No gate waits for four seconds and closes then.
    rng = np.random.default_rng(2)
    x = 10 ** (noise_dbfs / 20) * rng.standard_normal((2, 8 * RATE))
    (one,) = told(as_pcm(cut(x, 4.0, 4.5), 24))
    assert (one.rule, float(one.start), float(one.end)) == ("sound.silent", 4.0, 4.5)


@pytest.mark.parametrize("length", [0.03, 0.06, 0.09])
@pytest.mark.parametrize("begin", [3.2, 3.5, 5.4])
def test_a_short_hole_in_a_pause(begin: float, length: float) -> None:
    # In 16 bits, too: noise of -70 dBFS is ten steps high.
    x = room(-70.0)
    (one,) = told(as_pcm(cut(np.stack([x, 0.8 * x]), begin, begin + length)))
    assert (one.rule, float(one.start)) == ("sound.silent", begin)
    assert float(one.end) == pytest.approx(begin + length, abs=0.011)


def test_short_zeros_need_noise_that_never_rounds_to_them() -> None:
    for noise, rows, count in (
        (-75.0, 3, 1), (-85.0, 3, 0), (-85.0, 9, 0), (-85.0, 10, 1),
    ):  # fmt: skip
        level = _level([(noise, 60), (-20.0, 90), (noise, 5), (-200.0, rows),
                        (noise, 60)])  # fmt: skip
        got = lost_moments(level, shortest=2, shortest_end=100, lossy=False)
        assert got == [(155, 155 + rows)] * count


def _level(parts: list[tuple[float, int]]) -> np.ndarray:
    return np.concatenate([np.full(n, dbfs, np.float32) for dbfs, n in parts])


def test_lossy_sound_needs_louder_noise() -> None:
    # Noise in all pauses, 150 rows of zeros in one of them.
    for noise, lossy, count in (
        (-85.0, False, 1), (-85.0, True, 0), (-75.0, True, 1), (-95.0, False, 0),
    ):  # fmt: skip
        level = _level(
            [(noise, 60), (-20.0, 90), (noise, 5), (-200.0, 150), (-20.0, 90),
             (noise, 60)]
        )  # fmt: skip
        got = lost_moments(level, shortest=100, shortest_end=100, lossy=lossy)
        assert got == [(155, 305)] * count


def test_what_zeros_mean_in_which_sound() -> None:
    assert can_tell(["pcm_s24le", "flac"]) == (True, False)
    assert can_tell(["pcm_s24le", "aac"]) == (True, True)
    assert can_tell(["pcm_s24le", "pcm_alaw"])[0] is False
