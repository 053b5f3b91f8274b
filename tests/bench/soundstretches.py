"""Faults of sound that last: dead, cut off, turned round, hum of seconds, a fall."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from tests.sounds import Sound

__all__ = [
    "cut_off",
    "falls",
    "short_hum",
    "turned_apart",
    "whole_dead",
    "whole_mono",
    "whole_quiet",
    "whole_turned",
]

Spans = list[tuple[float, float]]
Rng = np.random.Generator
Put = Callable[[Sound, int, Rng], tuple[Sound, Spans] | None]

# The other channel is heard over this, RMS of a tenth of a second.
_HEARD_DBFS = -45.0


def _all_of(sound: Sound, rate: int) -> Spans:
    return [(0.0, sound.shape[1] / rate)]


def whole_dead(db: float | None) -> Put:
    """Leave nothing, or noise, of the second channel."""

    def put(sound: Sound, rate: int, rng: Rng) -> tuple[Sound, Spans] | None:
        level = 0.0 if db is None else 10 ** (db / 20)
        noise = level * rng.standard_normal(sound.shape[1])
        return np.stack([sound[0], noise]), _all_of(sound, rate)

    return put


def cut_off(db: float | None) -> Put:
    """Cut the first channel off for 1.2 to 5 s while the other is heard."""

    def put(sound: Sound, rate: int, rng: Rng) -> tuple[Sound, Spans] | None:
        tenth = rate // 10
        whole = sound[1, : sound.shape[1] // tenth * tenth].reshape(-1, tenth)
        loud = np.mean(whole**2, axis=1) > 10 ** (_HEARD_DBFS / 10)
        for _ in range(60):
            length = int(rng.uniform(1.2, 5.0) * rate)
            at = int(rng.integers(0, max(sound.shape[1] - length, 1)))
            heard = loud[at // tenth : (at + length) // tenth]
            if length < 0.8 * sound.shape[1] and heard.sum() >= max(6, heard.size / 4):
                break
        else:
            return None
        out = sound.copy()
        noise = 0.0 if db is None else 10 ** (db / 20) * rng.standard_normal(length)
        out[0, at : at + length] = noise
        return out, [(at / rate, (at + length) / rate)]

    return put


def short_hum(db: float) -> Put:
    """Put hum of two to three seconds somewhere into the first channel."""

    def put(sound: Sound, rate: int, rng: Rng) -> tuple[Sound, Spans] | None:
        n = np.arange(sound.shape[1]) / rate
        length = rng.uniform(2.0, 3.0)
        first = rng.uniform(0.5, n[-1] - length - 0.5)
        hertz = 50 + rng.uniform(-0.08, 0.08)
        hum = sum(
            a * np.sin(2 * np.pi * hertz * k * n + rng.uniform(0, 6))
            for k, a in ((1, 1.0), (2, 0.6), (3, 0.4))
        )
        hum = np.asarray(hum) * 10 ** (db / 20) / np.std(hum)
        hum[(n < first) | (n >= first + length)] = 0.0
        if not _heard(sound[0], hum, rate, (50, 100)):
            return None
        return sound + np.stack([hum, 0 * hum]), [(first, first + length)]

    return put


def _heard(own: Sound, hum: Sound, rate: int, lines: tuple[int, ...]) -> bool:
    """Tell whether hum is louder than the sound itself in the 10 Hz around a line."""
    there = hum != 0
    step = rate / np.count_nonzero(there)
    power = [np.abs(np.fft.rfft(x[there])) ** 2 for x in (own, hum)]
    bands = [slice(round((hz - 5) / step), round((hz + 5) / step) + 1) for hz in lines]
    return any(power[1][b].sum() > power[0][b].sum() for b in bands)


def whole_turned(sound: Sound, rate: int, rng: Rng) -> tuple[Sound, Spans] | None:
    """Turn one channel round."""
    return sound * np.array([[1.0], [-1.0]]), _all_of(sound, rate)


def turned_apart(sound: Sound, rate: int, rng: Rng) -> tuple[Sound, Spans] | None:
    """Turn one channel round that hears all of it 0.3 to 1.2 ms later or earlier."""
    late = round(rng.choice([-1, 1]) * rng.uniform(0.3, 1.2) * rate / 1000)
    other = -np.roll(sound[1], late)
    return np.stack([sound[0], other]), _all_of(sound, rate)


def whole_mono(sound: Sound, rate: int, rng: Rng) -> tuple[Sound, Spans] | None:
    """Put one channel on both."""
    return np.stack([sound[0], 0.7 * sound[0]]), _all_of(sound, rate)


def whole_quiet(sound: Sound, rate: int, rng: Rng) -> tuple[Sound, Spans] | None:
    """Turn all down by 30 dB."""
    return sound * 10 ** (-30 / 20), _all_of(sound, rate)


def falls(sound: Sound, rate: int, rng: Rng) -> tuple[Sound, Spans] | None:
    """Turn all down by 24 dB from about the middle on."""
    at = int(rng.uniform(0.4, 0.6) * sound.shape[1])
    out = sound.copy()
    out[:, at:] *= 10 ** (-24 / 20)
    return out, [(at / rate, sound.shape[1] / rate)]
