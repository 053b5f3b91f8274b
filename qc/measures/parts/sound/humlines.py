"""Mains hum as lines in a spectrum: fundamental and harmonics of 50 or 60 Hz."""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "MAINS_HZ",
    "HarmonicLines",
    "Spectrum",
    "faintest_told",
    "harmonic_lines",
    "spectrum",
]

Array = NDArray[np.float64]

MAINS_HZ = (50, 60)
"""Power frequencies of the world, in hertz."""

_HARMONICS = 12
# Lines of the hum that is thought of when asked how faint it could still be told.
_SPREAD = 5
# Grids keep within 0.2 Hz, recorders' clocks far closer (house choice).
_OFF_HZ = 0.2
_OFFS = np.linspace(-_OFF_HZ, _OFF_HZ, 17)
_LINE_BINS = 2  # half a main lobe of the window, in bins
_BESIDE_BINS = np.arange(4, 7)
# The floor is read this far to both sides of a line, the line itself left out.
_FLOOR_HZ = (1.5, 8.0)


@dataclass(frozen=True, slots=True, eq=False)
class Spectrum:
    """Power in each bin, (..., bins); a full-scale sine's together are 0.5."""

    power: NDArray[np.float64]
    step_hz: float


@dataclass(frozen=True, slots=True, eq=False)
class HarmonicLines:
    """What a spectrum holds at the multiples of a mains frequency.

    Attributes
    ----------
    off_hz : (...) array
        How far the fundamental lies from the nominal frequency.
    power : (..., harmonics) array
        Mean square of each line, what the floor gives taken out.
    over_db : (..., harmonics) array
        Highest bin of each line over the median of the floor around it, and of what
        is just beside it.
    """

    off_hz: Array
    power: Array
    over_db: Array


@functools.cache
def _window(count: int) -> NDArray[np.float64]:
    out: NDArray[np.float64] = np.hanning(count + 1)[:count]
    return out


def spectrum(samples: NDArray[np.floating], rate: float) -> Spectrum:
    """Return the power spectrum of one stretch of sound under a Hann window.

    Parameters
    ----------
    samples : (..., n) array

    Examples
    --------
    >>> n = np.arange(8000)
    >>> s = spectrum(np.sin(2 * np.pi * 100 * n / 2000), 2000)
    >>> s.step_hz, round(float(s.power.sum()), 3)
    (0.25, 0.5)
    """
    count = samples.shape[-1]
    window = _window(count)
    bins = np.fft.rfft((samples - samples.mean(axis=-1, keepdims=True)) * window)
    scale = 2.0 / (count * float(np.sum(window**2)))
    power = scale * (np.square(bins.real) + np.square(bins.imag))
    return Spectrum(power, rate / count)


def harmonic_lines(s: Spectrum, mains_hz: int) -> HarmonicLines:
    """Look for the harmonics of a mains frequency.

    The fundamental is put where the harmonics together stand out most, within 0.2 Hz
    of the nominal frequency, in each spectrum for itself.
    """
    bins = s.power.shape[-1]
    power = s.power.reshape(-1, bins)
    highest = (bins - _BESIDE_BINS[-1] - 2) * s.step_hz
    count = min(_HARMONICS, int(highest / (mains_hz + _OFF_HZ)))
    numbers = np.arange(1, count + 1)
    at_hz = np.asarray(mains_hz * numbers, np.float64)
    floors = _floors(power, s.step_hz, at_hz)
    at = np.rint((mains_hz + _OFFS[:, np.newaxis]) * numbers / s.step_hz).astype(int)
    over = np.maximum(power[:, at] / floors[:, np.newaxis], 1.0)
    score = np.log10(over).sum(axis=2) - 1e-6 * np.abs(_OFFS)
    best = _OFFS[score.argmax(axis=1)]
    hertz = (mains_hz + best[:, np.newaxis]) * numbers
    centres = np.rint(hertz / s.step_hz).astype(int)[:, :, np.newaxis]
    each = np.arange(len(power))[:, np.newaxis, np.newaxis]
    around = power[each, centres + np.arange(-_LINE_BINS, _LINE_BINS + 1)]
    floor = floors * (2 * _LINE_BINS + 1) * 1.4
    lines = np.maximum(around.sum(axis=2) - floor, 0.0)
    # A passing note is a hill, a line stands over what is beside it as well.
    beside = np.concatenate([-_BESIDE_BINS, _BESIDE_BINS])
    near = np.sort(power[each, centres + beside], axis=2)
    middle = len(beside) // 2
    median = 0.5 * (near[:, :, middle - 1] + near[:, :, middle])
    heights = np.maximum(around[:, :, 1:-1].max(axis=2), 1e-30)
    over_db = 10.0 * np.log10(heights / np.maximum(floors, median))
    shape = (*s.power.shape[:-1], count)
    return HarmonicLines(
        best.reshape(shape[:-1]), lines.reshape(shape), over_db.reshape(shape)
    )


def faintest_told(s: Spectrum, mains_hz: int, line_db: float) -> Array:
    """Return the power from which on hum stands out of what else is there.

    Hum of five harmonics, all equally strong, is meant: two must stand so far over the
    floor, the first or the second among them.

    Parameters
    ----------
    line_db : float
        So far the highest bin of a line must stand over the floor.

    Returns
    -------
    (...) array
        Mean square of the five together.

    References
    ----------
    The highest bin of a line under a Hann window holds two thirds of it (arithmetic:
    1 of 1 + 1/4 + 1/4).
    """
    power = s.power.reshape(-1, s.power.shape[-1])
    at_hz = np.asarray(mains_hz * np.arange(1, _SPREAD + 1), np.float64)
    need = 1.5 * 10.0 ** (line_db / 10.0) * _floors(power, s.step_hz, at_hz)
    second = np.partition(need, 1, axis=1)[:, 1]
    both = np.maximum(need[:, :2].min(axis=1), second)
    return np.asarray(_SPREAD * both.reshape(s.power.shape[:-1]))


def _floors(power: Array, step_hz: float, at_hz: Array) -> Array:
    """Return the median power around each line, on its quieter side.

    A voice's pitch may lie on the other.
    """
    near, far = (max(round(hz / step_hz), 2) for hz in _FLOOR_HZ)
    centres = np.rint(at_hz / step_hz).astype(int)[:, np.newaxis]
    away = np.arange(near + 1, far + 1)
    sides = np.stack([centres - away, centres + away])
    middle = len(away) // 2
    found = power[:, np.clip(sides, 1, power.shape[1] - 1)]
    medians: Array = np.partition(found, middle, axis=3)[..., middle].min(axis=1)
    return np.maximum(medians, 1e-22)
