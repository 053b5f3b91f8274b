"""Speech-like sound, synthesised: no voice was recorded.

Glottal pulses run through four moving resonances; syllables come in phrases with
pauses. Channel 1 is the surgeon's microphone, channel 2 a room microphone: the
same voice later, duller and with the room's echo, over faint ventilation.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from . import textures as tx

RATE = 48000
PEAK_DBFS = (-9.6, -10.8)
"""Peak of channel 1 and of channel 2 in a good take."""

_VOWELS = (
    (730, 1090, 2440, 3500),
    (270, 2290, 3010, 3600),
    (300, 870, 2240, 3400),
    (530, 1840, 2480, 3500),
    (570, 840, 2410, 3400),
    (500, 1500, 2500, 3500),
    (660, 1720, 2410, 3500),
)
_BANDWIDTHS = (80.0, 100.0, 140.0, 220.0)
_BLOCK = 240

Samples = NDArray[np.float64]


def _timeline(
    count: int, rng: np.random.Generator
) -> tuple[Samples, Samples, Samples, Samples]:
    """Voice level, hiss level, pitch and formants (count, 4), one row a block."""
    blocks = count // _BLOCK + 2
    voice, hiss = np.zeros(blocks), np.zeros(blocks)
    pitch = np.full(blocks, 110.0)
    formants = np.tile(np.array(_VOWELS[5], np.float64), (blocks, 1))
    at = int(rng.integers(8, 20))
    while at < blocks:
        syllables = int(rng.integers(6, 12))
        start_pitch = float(rng.uniform(112, 132))
        for n in range(syllables):
            onset = rng.random()
            if onset < 0.35:  # s, f, sh
                long = int(rng.integers(10, 19))
                hiss[at : at + long] = float(rng.uniform(0.10, 0.22))
                at += long
            elif onset < 0.7:  # t, k, p: a closure, then a short burst
                at += int(rng.integers(6, 11))
                hiss[at : at + 3] = float(rng.uniform(0.15, 0.35))
                at += 3
            long = int(rng.integers(20, 38)) + (10 if n == syllables - 1 else 0)
            stress = float(rng.uniform(0.75, 1.0))
            t = np.linspace(0, 1, long)
            stop = min(at + long, blocks)
            keep = stop - at
            if keep <= 0:
                break
            shape = np.sin(np.pi * np.clip(t, 0, 1)) ** 0.45 * stress
            voice[at:stop] = shape[:keep]
            glide = (
                start_pitch
                * (1 - 0.16 * n / syllables)
                * (1 + 0.05 * np.sin(np.pi * t))
            )
            pitch[at:stop] = glide[:keep]
            a, b = rng.integers(0, len(_VOWELS), 2)
            path = np.outer(1 - t, _VOWELS[a]) + np.outer(t, _VOWELS[b])
            formants[at:stop] = path[:keep]
            at = stop
        at += int(rng.integers(45, 90))
    smooth = np.hanning(9) / np.hanning(9).sum()
    voice = np.convolve(voice, smooth, "same")
    for column in range(4):
        formants[:, column] = np.convolve(
            np.pad(formants[:, column], 8, mode="edge"), np.hanning(17) / 8.0, "valid"
        )
    return voice, hiss, pitch, formants


def voice(count: int, take: str) -> Samples:
    """Return `count` samples of speech-like sound, peak 1."""
    rng = tx.generator("voice " + take)
    level, hiss, pitch, formants = _timeline(count, rng)
    blocks = len(level)
    total = blocks * _BLOCK
    grid = np.arange(total) / _BLOCK
    f0 = np.interp(grid, np.arange(blocks), pitch)
    f0 = f0 * (1 + 0.008 * np.sin(2 * np.pi * 5.1 * np.arange(total) / RATE))
    phase = np.cumsum(f0 / RATE) % 1.0
    # opening and closing of the glottis, then its slope (the sharp closing edge)
    flow = np.where(
        phase < 0.42,
        0.5 * (1 - np.cos(np.pi * phase / 0.42)),
        np.where(phase < 0.58, np.cos(np.pi * (phase - 0.42) / 0.32), 0.0),
    )
    source = np.diff(flow, prepend=0.0) * 12
    source *= np.interp(grid, np.arange(blocks), level)
    source += (
        rng.standard_normal(total) * 0.012 * np.interp(grid, np.arange(blocks), level)
    )
    out = source
    for k in range(4):
        out = _moving_resonance(out, formants[:, k], _BANDWIDTHS[k])
    out /= np.abs(out).max()
    top = signal.butter(2, (3200, 9000), "bandpass", fs=RATE, output="sos")
    breath = signal.sosfilt(top, rng.standard_normal(total))
    out = out + 0.35 * breath * np.interp(grid, np.arange(blocks), hiss)
    low = signal.butter(2, 90, "highpass", fs=RATE, output="sos")
    out = signal.sosfilt(low, out)[:count]
    # a limiter's gentle squeeze: speech channels are never left raw
    out = np.tanh(1.8 * out / np.abs(out).max())
    return np.asarray(out / np.abs(out).max(), np.float64)


def _moving_resonance(source: Samples, centres_hz: Samples, width_hz: float) -> Samples:
    """Two-pole resonance whose centre moves block by block, unit gain at 0 Hz."""
    out = np.empty_like(source)
    state = np.zeros(2)
    r = np.exp(-np.pi * width_hz / RATE)
    for i, centre in enumerate(centres_hz):
        a = np.array([1.0, -2 * r * np.cos(2 * np.pi * centre / RATE), r * r])
        part = slice(i * _BLOCK, (i + 1) * _BLOCK)
        out[part], state = signal.lfilter([a.sum()], a, source[part], zi=state)
    return out


def two_channels(count: int, take: str) -> Samples:
    """Return (count, 2) samples: surgeon's microphone and room, full scale 1."""
    rng = tx.generator("room " + take)
    dry = voice(count, take)
    tail = int(0.22 * RATE)
    decay = rng.standard_normal(tail) * np.exp(-np.arange(tail) / (0.045 * RATE))
    decay[: int(0.004 * RATE)] = 0
    echo = 0.10 * decay
    echo[int(0.0061 * RATE)] += 1.0
    echo[int(0.0118 * RATE)] += 0.42
    echo[int(0.0193 * RATE)] -= 0.28
    wet = signal.fftconvolve(dry, echo)[:count]
    wet = signal.sosfilt(signal.butter(1, 4200, fs=RATE, output="sos"), wet)
    air = signal.sosfilt(
        signal.butter(1, 500, fs=RATE, output="sos"),
        rng.standard_normal((2, count)),
        axis=1,
    )
    both = np.stack([dry, wet / np.abs(wet).max()], 1)
    both *= 10 ** (np.array(PEAK_DBFS) / 20)
    both += (air / air.std() * 10 ** (np.array([[-66.0], [-56.0]]) / 20)).T
    both *= 10 ** (np.array(PEAK_DBFS) / 20) / np.abs(both).max(axis=0)
    return np.asarray(both, np.float64)


def overload(
    samples: Samples, channel: int, start: int, end: int, gain_db: float
) -> tuple[Samples, list[int]]:
    """Turn one channel up between two samples and clip it at full scale.

    Returns
    -------
    samples : ndarray, (count, 2)
        A changed copy.
    clipped : list of int
        First and last sample that hit full scale, and how many did.
    """
    out = samples.copy()
    part = out[start:end, channel] * 10 ** (gain_db / 20)
    hit = np.flatnonzero(np.abs(part) >= 1.0)
    out[start:end, channel] = np.clip(part, -1.0, 1.0)
    if not hit.size:
        raise ValueError("the overload clips nothing: the span falls into a pause")
    return out, [int(start + hit[0]), int(start + hit[-1]), int(hit.size)]
