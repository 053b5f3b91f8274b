"""Faults of a microphone or its cable: knocks, rubbing, wind, swapped plugs, overload.

Each function takes a channel's clean sound and a strength, and returns what a recorder
would have got instead, and from when to when. They are made by the physics of the
fault, and by other arithmetic than the tests of the measures.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from scipy import signal

from tests.sounds import Sound

__all__ = ["Heard", "Put", "knocks", "overloaded", "plugs", "rubbing", "wind"]

Rng = np.random.Generator
# Swapped plugs: so much of the take stays on either side, in seconds.
_APART_S = 12.0


@dataclass(frozen=True, eq=False)
class Heard:
    """Sound with a fault in it.

    Attributes
    ----------
    sound : (channels, n) array
    span : (first, last)
        Seconds; of a moment what lies around it.
    """

    sound: Sound
    span: tuple[float, float]
    told: dict[str, Any] = field(default_factory=dict)


Put = Callable[[Sound, int, Rng, float], Heard | None]


def _apart(rng: Rng, seconds: float, count: int) -> list[float]:
    """Return moments a second and more apart, from 1 s on, in order."""
    out: list[float] = []
    for at in rng.uniform(1.0, seconds - 2.0, 20 * count):
        if len(out) < count and all(abs(at - other) > 1.0 for other in out):
            out.append(float(at))
    return sorted(out)


def _blow(rate: int, rng: Rng) -> Sound:
    """Return what a microphone on a stand gives when something hits it; peak 1.

    The stand swings at one or two low tones that die away within tenths of a second,
    its tube rings shortly higher up, 6 to 16 dB weaker.
    """
    n = np.arange(round(0.6 * rate)) / rate
    out = np.zeros(len(n))
    for _ in range(int(rng.integers(1, 3))):
        decay, hertz = rng.uniform(0.04, 0.12), rng.uniform(25, 58)
        out += rng.uniform(0.4, 1.0) * np.exp(-n / decay) * np.sin(
            2 * np.pi * hertz * n
        )  # fmt: skip
    out /= np.abs(out).max()
    ring = np.exp(-n / rng.uniform(0.008, 0.03)) * np.sin(
        2 * np.pi * rng.uniform(120, 320) * n
    )
    out += 10 ** (rng.uniform(-16, -6) / 20) * ring
    out *= 1.0 - np.exp(-n / 0.003)
    return np.asarray(rng.choice([-1, 1]) * out / np.abs(out).max())


def knocks(sound: Sound, rate: int, rng: Rng, percent: float) -> Heard | None:
    """Hit the stand three to six times; `percent` of full scale is the highest peak."""
    seconds = sound.shape[1] / rate
    places = _apart(rng, seconds, int(rng.integers(3, 7)))
    if len(places) < 3:
        return None
    out = sound.copy()
    for k, at in enumerate(places):
        blow = (
            _blow(rate, rng) * percent / 100 * (1.0 if k == 0 else rng.uniform(0.5, 1))
        )
        first = round(at * rate)
        out[0, first : first + len(blow)] += blow
    return Heard(out, (places[0], places[-1] + 0.15), {"knocks": len(places)})


def _coloured(n: int, rate: int, rng: Rng, slope: float, corner: float) -> Sound:
    """Return noise whose amplitude falls over a corner like ``f ** -slope``; RMS 1."""
    hertz = np.fft.rfftfreq(n, 1 / rate)
    size = np.maximum(hertz, corner) ** -slope
    size[hertz < 5] = 0.0
    noise = np.fft.irfft(np.fft.rfft(rng.standard_normal(n)) * size, n)
    return np.asarray(noise / noise.std())


def rubbing(sound: Sound, rate: int, rng: Rng, percent: float) -> Heard | None:
    """Let cloth rub on the microphone two to five times, 0.2 to 1.2 s each.

    Noise that falls by 12 dB an octave over 30 to 60 Hz, with a scratch over all the
    band 24 to 36 dB weaker, shaken some ten times a second. `percent` of full scale is
    its RMS value.
    """
    seconds = sound.shape[1] / rate
    places = _apart(rng, seconds, int(rng.integers(2, 6)))
    if len(places) < 2:
        return None
    out, end = sound.copy(), 0.0
    for at in places:
        n = round(rng.uniform(0.2, 1.2) * rate)
        shaken = np.abs(_coloured(n, rate, rng, 2.0, 10.0)) + 0.5
        rub = _coloured(n, rate, rng, 2.0, rng.uniform(30, 60))
        rub += 10 ** (rng.uniform(-36, -24) / 20) * rng.standard_normal(n)
        rub *= shaken * np.minimum(1.0, np.minimum(np.arange(n), np.arange(n)[::-1])
                                   / (0.03 * rate))  # fmt: skip
        first = round(at * rate)
        part = out[0, first : first + n]
        part += (rub * percent / 100 / np.sqrt(np.mean(rub**2)))[: len(part)]
        end = max(end, at + n / rate)
    return Heard(out, (places[0], min(end, seconds)), {"rubs": len(places)})


def wind(sound: Sound, rate: int, rng: Rng, percent: float) -> Heard | None:
    """Blow gusts over the microphone; `percent` of full scale is the RMS of a gust.

    The pressure in turbulent air falls like the frequency to the power -7/3 (Kolmogorov
    theory, from memory), in amplitude -7/6; microphones cut it off under 10 Hz or so.
    """
    n = sound.shape[1]
    if n < 6 * rate:
        return None
    noise = _coloured(n, rate, rng, 7 / 6, 10.0)
    t = np.arange(n) / rate
    shape, first, last = np.zeros(n), math.inf, 0.0
    for at in rng.uniform(0.5, t[-1] - 2.5, max(round(t[-1] / 6), 2)):
        long = rng.uniform(0.6, 2.0)
        gust = np.sin(np.pi * np.clip((t - at) / long, 0, 1)) ** 0.7
        shape = np.maximum(shape, rng.uniform(0.6, 1.0) * gust)
        first, last = min(first, at), max(last, at + long)
    out = sound.copy()
    out[0] += percent / 100 * shape * noise
    return Heard(out, (first, last))


def plugs(sound: Sound, rate: int, rng: Rng, apart_db: float) -> Heard | None:
    """Swap two microphones' plugs within a take.

    One is near the speaker, the other hears him with the room, each with its own noise:
    of an input (white) or of the room (falling by 3 or 6 dB an octave), `apart_db`
    apart, both over what the recording holds itself in its pauses. Where that noise
    would reach the voice itself, nothing is swapped.
    """
    n = sound.shape[1]
    seconds = n / rate
    if seconds < 2 * _APART_S + 1:
        return None
    hall = rng.standard_normal(round(rng.uniform(0.3, 0.8) * rate))
    hall *= np.exp(-np.arange(len(hall)) / (rng.uniform(0.03, 0.12) * rate))
    far = signal.fftconvolve(sound[0], hall / np.sqrt(np.sum(hall**2)))[:n]
    hundredths = sound[0, : n // (rate // 100) * (rate // 100)].reshape(-1, rate // 100)
    levels = 10 * np.log10(np.mean(hundredths**2, axis=1) + 1e-12)
    quiet = max(rng.uniform(-78, -62), float(np.percentile(levels, 5)) + 6)
    if quiet + apart_db > np.percentile(levels, 80) - 10:
        return None
    slopes = [float(rng.choice([0.0, 0.5])), float(rng.choice([0.0, 0.5, 1.0]))]
    near_noise, far_noise = (_coloured(n, rate, rng, s, 20.0) for s in slopes)
    pair = np.stack(
        [
            sound[0] + 10 ** (quiet / 20) * near_noise,
            rng.uniform(0.15, 0.6) * far
            + 10 ** ((quiet + apart_db) / 20) * far_noise,
        ]
    )  # fmt: skip
    at = rng.uniform(_APART_S, seconds - _APART_S)
    first = round(at * rate)
    pair[:, first:] = pair[::-1, first:].copy()
    told = {"moment": at, "quieter_dbfs": quiet, "slopes": slopes}
    return Heard(pair, (at - 2.0, at + 2.0), told)


def overloaded(low_hz: float, high_hz: float, order: int) -> Put:
    """Return a fault: cut off by some dB ahead of a high-pass, then set to level.

    Parameters
    ----------
    low_hz, high_hz : float
        Between these lies the corner of the high-pass.
    order : int
        1: a coupling capacitor or a gentle low cut; 2: a low cut of 12 dB an octave.
    """

    def put(sound: Sound, rate: int, rng: Rng, over_db: float) -> Heard | None:
        first = sound[0]
        level = np.abs(first).max() / 10 ** (over_db / 20)
        hertz = math.exp(rng.uniform(math.log(low_hz), math.log(high_hz)))
        sections = signal.butter(order, hertz, "high", fs=rate, output="sos")
        cut = signal.sosfilt(sections, first.clip(-level, level))
        cut *= 10 ** (rng.uniform(-9, -3) / 20) / np.abs(cut).max()
        cut += 10 ** (rng.uniform(-102, -92) / 20) * rng.standard_normal(len(cut))
        told = {
            "hertz": hertz,
            "samples": int(np.count_nonzero(np.abs(first) >= level)),
        }
        return Heard(
            np.stack([cut, *sound[1:]]), (0.0, sound.shape[1] / rate), told
        )  # fmt: skip

    return put
