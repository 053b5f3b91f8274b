"""Mains hum as lines in a spectrum: fundamental and harmonics of 50 or 60 Hz."""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["MAINS_HZ", "HarmonicLines", "Spectrum", "harmonic_lines", "spectrum"]

MAINS_HZ = (50, 60)
"""Power frequencies of the world, in hertz."""

_HARMONICS = 12
# Grids keep within 0.2 Hz, recorders' clocks far closer (house choice).
_OFF_HZ = 0.2
_LINE_BINS = 2  # half a main lobe of the window, in bins
_BESIDE_BINS = np.arange(4, 7)
# The floor is read this far to both sides of a line, the line itself left out.
_FLOOR_HZ = (1.5, 8.0)


@dataclass(frozen=True, slots=True, eq=False)
class Spectrum:
    """Power in each bin, 1.0 for the bins of a full-scale sine together being 0.5."""

    power: NDArray[np.float64]
    step_hz: float


@dataclass(frozen=True, slots=True, eq=False)
class HarmonicLines:
    """What a spectrum holds at the multiples of a mains frequency.

    Attributes
    ----------
    off_hz : float
        How far the fundamental lies from the nominal frequency.
    power : (harmonics,) array
        Mean square of each line, what the floor gives taken out.
    over_db : (harmonics,) array
        Highest bin of each line over the median of the floor around it, and of what
        is just beside it.
    """

    off_hz: float
    power: NDArray[np.float64]
    over_db: NDArray[np.float64]


@functools.cache
def _window(count: int) -> NDArray[np.float64]:
    out: NDArray[np.float64] = np.hanning(count + 1)[:count]
    return out


def spectrum(samples: NDArray[np.floating], rate: float) -> Spectrum:
    """Return the power spectrum of one stretch of sound under a Hann window.

    Examples
    --------
    >>> n = np.arange(8000)
    >>> s = spectrum(np.sin(2 * np.pi * 100 * n / 2000), 2000)
    >>> s.step_hz, round(float(s.power.sum()), 3)
    (0.25, 0.5)
    """
    window = _window(len(samples))
    bins = np.fft.rfft((samples - samples.mean()) * window)
    power = 2.0 * np.abs(bins) ** 2 / (len(samples) * float(np.sum(window**2)))
    return Spectrum(power, rate / len(samples))


def harmonic_lines(s: Spectrum, mains_hz: int) -> HarmonicLines:
    """Look for the harmonics of a mains frequency.

    The fundamental is put where the harmonics together stand out most, within 0.2 Hz
    of the nominal frequency.
    """
    highest = (len(s.power) - _BESIDE_BINS[-1] - 2) * s.step_hz
    count = min(_HARMONICS, int(highest / (mains_hz + _OFF_HZ)))
    numbers = np.arange(1, count + 1)
    floors = _floors(s, float(mains_hz) * numbers)
    offs = np.linspace(-_OFF_HZ, _OFF_HZ, 17)
    bins = np.rint((mains_hz + offs[:, np.newaxis]) * numbers / s.step_hz).astype(int)
    score = np.log10(np.maximum(s.power[bins] / floors, 1.0)).sum(axis=1)
    score -= 1e-6 * np.abs(offs)
    best = float(offs[score.argmax()])
    centres = np.rint((mains_hz + best) * numbers / s.step_hz).astype(int)
    around = s.power[centres[:, np.newaxis] + np.arange(-_LINE_BINS, _LINE_BINS + 1)]
    power = np.maximum(around.sum(axis=1) - floors * (2 * _LINE_BINS + 1) * 1.4, 0.0)
    # A passing note is a hill, a line stands over what is beside it as well.
    beside = np.concatenate([-_BESIDE_BINS, _BESIDE_BINS])
    near = np.median(s.power[centres[:, np.newaxis] + beside], axis=1)
    heights = np.maximum(around[:, 1:-1].max(axis=1), 1e-30)
    over = 10.0 * np.log10(heights / np.maximum(floors, near))
    return HarmonicLines(best, power, over)


def _floors(s: Spectrum, at_hz: NDArray[np.floating]) -> NDArray[np.float64]:
    """Return the median power around each line, on its quieter side.

    A voice's pitch may lie on the other.
    """
    near, far = (max(round(hz / s.step_hz), 2) for hz in _FLOOR_HZ)
    centres = np.rint(at_hz / s.step_hz).astype(int)[:, np.newaxis]
    away = np.arange(near + 1, far + 1)
    sides = np.stack([centres - away, centres + away])
    power = np.sort(s.power[np.clip(sides, 1, len(s.power) - 1)], axis=2)
    medians: NDArray[np.float64] = power[:, :, power.shape[2] // 2].min(axis=0)
    return np.maximum(medians, 1e-22)
