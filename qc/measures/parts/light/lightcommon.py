"""A lamp's beat under a moving camera: what all parts of the picture do alike.

Panning, every part's light walks on its own, and smoothly. A lamp lights them all: at
its frequency all parts swing by like amounts, together or as bands one after another.
So parts are weighed by how quiet they are, the plane wave that stands out most is
sought, and it counts when most parts take part in it, on the left as on the right.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.light.lightwaves import (
    PARTS,
    STRIPS,
    Wave,
    frequencies,
    levels,
    line_figures,
    spectrum,
    vertex,
)

__all__ = ["Common", "common_wave", "waves_down"]

Array = NDArray[np.float64]

_BAND_STEP = 0.25
# Fewer than where all stands still: slats and shelves that pass are finer bands.
_MOST_BANDS = 10.0
# Parts that are known less of the time, and pictures with fewer parts, tell nothing.
_KNOWN = 0.8
_LEAST_PARTS = 1.0 / 3.0
# A frame may change a part by so many times what is usual there, and a little: more is
# a cut, or something that came between.
_USUAL_TIMES, _ALWAYS_STOPS = 6.0, 0.01
# No part is weighed more than this share of the middle one's unrest allows.
_QUIET_SHARE = 0.3
# How far a wave stands out and how sharp it is; less where the mains would put one.
_CLEAR, _CLEAR_MAINS = 5.0, 4.0
_NARROW = 0.5
# A part takes part from this share of the common amplitude on; so many must. Left,
# middle and right must not differ by more than this (house choices, held against pans,
# cuts, traffic and drawn scenes).
_TAKES_PART, _SHARE = 0.3, 0.75
_SIDES = (0.5, 1.7)
_MAINS_HZ = 0.5


@dataclass(frozen=True, slots=True)
class Common:
    """What a window holds.

    Attributes
    ----------
    wave : Wave or None
        The wave that counts; its `explained` is the share of parts that take part.
    floor_stops : float
        What amplitude its surroundings in the spectrum have, or the best one's.
    """

    wave: Wave | None
    floor_stops: float


@dataclass(frozen=True, slots=True, eq=False)
class _Parts:
    """Spectra of the parts of a window.

    Attributes
    ----------
    hertz : (f,) array
    swings : (f, STRIPS, PARTS) array of complex
    known : (STRIPS, PARTS) array of bool
    weight : (STRIPS, PARTS) array
        0 where not known; their sum is 1.
    waves : (f, b) array of complex
        Amplitudes of waves of `bands` bands.
    """

    hertz: Array
    length: float
    swings: NDArray[np.complex128]
    known: NDArray[np.bool_]
    weight: Array
    bands: Array
    waves: NDArray[np.complex128]


def common_wave(
    changes: NDArray[np.floating],
    times: Array,
    *,
    low_hz: float,
    least_hz: float,
    mains_hz: tuple[float, ...],
) -> Common | None:
    """Return the wave that all parts of the picture share, if there is one.

    Parameters
    ----------
    changes : (n, STRIPS * PARTS) array
        Stops since the frame before; NaN where not known.
    times : (n,) array
        Seconds.
    low_hz : float
        Where looking begins; it ends at half the frame rate.
    least_hz : float
        A wave counts from here on; under it only at `mains_hz`.
    mains_hz : tuple of float
        Where lamps on the mains would beat.

    Returns
    -------
    Common or None
        None where too little is known.
    """
    parts = _parts(changes, times, low_hz)
    if parts is None:
        return None
    mains = np.zeros(len(parts.hertz), np.bool_)
    for hertz in mains_hz:
        mains |= np.abs(parts.hertz - hertz) <= _MAINS_HZ
    floor = np.nan
    for allowed, clear in (
        (parts.hertz >= least_hz, _CLEAR),
        (mains, _CLEAR_MAINS),
    ):
        if not allowed.any():
            continue
        wave = _best(parts, allowed)
        if wave.clear >= clear and _counts(wave):
            return Common(wave, wave.floor_stops)
        floor = np.fmin(floor, wave.floor_stops)
    return Common(None, float(floor))


def _counts(wave: Wave) -> bool:
    return wave.narrow <= _NARROW and wave.explained >= _SHARE


def _parts(changes: NDArray[np.floating], times: Array, low_hz: float) -> _Parts | None:
    known = np.isfinite(changes[1:]).mean(axis=0) >= _KNOWN
    if known.mean() < _LEAST_PARTS:
        return None
    steps = np.nan_to_num(np.asarray(changes, np.float64))
    most = _USUAL_TIMES * np.median(np.abs(steps), axis=0) + _ALWAYS_STOPS
    level = levels(np.clip(steps, -most, most))
    hertz, first, length = frequencies(times, low_hz, np.inf)
    if not len(hertz):
        return None
    swings = spectrum(level, times, hertz, first)
    # What moves falls with frequency; straightened by its root, one figure tells how
    # restless a part is.
    unrest = np.median(np.abs(swings) * np.sqrt(hertz)[:, None], axis=0)
    middle = float(np.median(unrest[known]))
    weight = np.zeros(known.shape)
    weight[known] = 1.0 / np.maximum(
        unrest[known] ** 2 + (_QUIET_SHARE * middle) ** 2, 1e-18
    )
    shape = (STRIPS, PARTS)
    weight = (weight / weight.sum()).reshape(shape)
    swings = swings.reshape(-1, *shape)
    bands = np.arange(-_MOST_BANDS, _MOST_BANDS + 0.5 * _BAND_STEP, _BAND_STEP)
    # Part after part in memory: sums over a short last axis take six times as long.
    weighed = np.ascontiguousarray(np.moveaxis(swings * weight, 2, 0))
    waves = waves_down(weighed.sum(axis=0), bands)
    return _Parts(hertz, length, swings, known.reshape(shape), weight, bands, waves)


def waves_down(rows: NDArray[np.complex128], bands: Array) -> NDArray[np.complex128]:
    """Return the sums of strips over waves of so many bands, by one FFT.

    Not as a matrix product: its threads get into each other's way in a day's run.

    Parameters
    ----------
    rows : (f, STRIPS) array
    bands : (b,) array
        Quarters of a band from top to bottom.

    Returns
    -------
    (f, b) array of complex
    """
    padded = STRIPS * round(1.0 / _BAND_STEP)
    places = np.round(bands / _BAND_STEP).astype(np.intp)
    sums = np.fft.fft(rows, padded, axis=1)[:, places % padded]
    # Strips are looked at in their middles.
    return np.asarray(sums * np.exp(-1j * np.pi * places / padded), np.complex128)


def _down(bands: Array) -> NDArray[np.complex128]:
    place = (np.arange(STRIPS) + 0.5) / STRIPS
    return np.asarray(np.exp(-2j * np.pi * np.outer(place, bands)), np.complex128)


def _best(parts: _Parts, allowed: NDArray[np.bool_]) -> Wave:
    """Return the wave that stands out most among these frequencies."""
    hertz, bands = parts.hertz, parts.bands
    score = np.abs(parts.waves) * np.sqrt(hertz)[:, None]
    score[~allowed] = 0.0
    f, k = (int(i) for i in np.unravel_index(int(score.argmax()), score.shape))
    line = np.abs(parts.waves[:, k])
    figures = line_figures(line * np.sqrt(hertz), hertz, f, parts.length)
    peak = float(line[f])
    step = float(hertz[1] - hertz[0]) if len(hertz) > 1 else 0.0
    return Wave(
        hertz=float(hertz[f] + step * vertex(line, f)),
        bands=float(bands[k] + _BAND_STEP * vertex(score[f], k)),
        stops=peak / float(np.sinc(bands[k] / STRIPS)),
        explained=_taking_part(parts, f, k),
        clear=figures.clear,
        narrow=figures.narrow,
        floor_stops=figures.floor / float(np.sqrt(hertz[f])),
    )


def _taking_part(parts: _Parts, f: int, k: int) -> float:
    """Return the share of parts that swing with a wave; 0 if its sides differ."""
    wave = parts.waves[f, k]
    if not abs(wave) > 0:
        return 0.0
    own = parts.swings[f] * _down(parts.bands[k : k + 1]) / wave
    sides = (own.real * parts.weight).sum(axis=0)
    sides = sides / np.maximum(parts.weight.sum(axis=0), 1e-30)
    there = parts.known.any(axis=0)
    low, high = _SIDES
    if (sides[there] < low).any() or (sides[there] > high).any():
        return 0.0
    return float(np.mean(own.real[parts.known] >= _TAKES_PART))
