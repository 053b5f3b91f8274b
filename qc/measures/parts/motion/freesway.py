"""A boom that was hit in its rest, told after a round and a half.

What hangs free sways as a damped pendulum does, in a sinusoid of one frequency that
shrinks by the same share with every round, and begins in its middle (textbook physics).
A hand that reframes to and fro never keeps time so well, and a breath has its rest at
one end. So such waves are fitted to the path by least squares, wherever it was at rest
before, and what is left over tells the one from the other.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.motion.swaying import LOWEST_HZ, Path
from qc.measures.parts.running import running_range, smoothed_by_gauss
from qc.spans import runs

__all__ = ["free_sway"]

_Array = NDArray[np.floating]

_HIGHEST_HZ = 0.9  # what is faster has swung often enough before long
_ROUNDS = 1.5
# Root mean square of what is left, over that of the wave (house choice: of least jerk
# by hand, to and fro and to anywhere, drawn for 2.5 hours, 0.23 was left at best).
_LEFT = 0.1
_RATE = 20.0  # samples a second: half a step off, a wave of 0.9 Hz is left by 0.07
_SMOOTH_S = 0.06
_STEP = 1.025  # from one frequency to the next
# Shares by which a wave shrinks in a round, as exponents: down to a third is left.
_DECAYS = (0.0, 0.3, 0.7, 1.2)
_DIRECTIONS = 8
_NEARLY_MOST = 0.7  # of the strongest: a direction that is looked at
_QUIET_PERCENT = 0.3  # peak to peak within five seconds; below it nothing is looked at
_STRETCH_S = 5.0
_REST_S, _REST_SHARE = 0.7, 0.08  # of the wave, so long before it
_CHUNK = 4096  # windows at a time
_ANGLES = math.pi * np.arange(_DIRECTIONS) / _DIRECTIONS
_WAYS = np.stack([np.cos(_ANGLES), np.sin(_ANGLES)], axis=1)


def free_sway(path: Path) -> tuple[_Array, _Array]:
    """Find where a path sways out of rest as a free boom does.

    Parameters
    ----------
    path : Path

    Returns
    -------
    size, hz : (n,) arrays
        Peak to peak in the unit of the path, 0 where there is none, and the frequency,
        NaN there.
    """
    count = math.floor((path.times[-1] - path.times[0]) * _RATE) + 1
    best = _Best(count)
    times = path.times[0] + np.arange(count) / _RATE
    smooth = smoothed_by_gauss(path.places, _SMOOTH_S * path.rate)
    places = np.stack([np.interp(times, path.times, smooth[:, k]) for k in (0, 1)], 1)
    window = round(_STRETCH_S * _RATE)
    spread = running_range(places, window)
    steps = round(math.log(_HIGHEST_HZ / LOWEST_HZ) / math.log(_STEP))
    for first, last in runs(spread.max(axis=1) > _QUIET_PERCENT):
        for hz in np.geomspace(LOWEST_HZ, _HIGHEST_HZ, steps + 1).tolist():
            _look(places[first:last], first, hz, best)
    nearest = np.clip(np.rint((path.times - times[0]) * _RATE), 0, count - 1)
    rows = nearest.astype(np.intp)
    return best.size[rows], best.hz[rows]


class _Best:
    """Of every sample the wave that leaves least."""

    def __init__(self, count: int) -> None:
        self.left = np.full(count, _LEFT)
        self.size, self.hz = np.zeros(count), np.full(count, np.nan)

    def offer(self, first: int, left: float, sizes: _Array, hz: float) -> None:
        part = slice(first, first + len(sizes))
        better = left < self.left[part]
        self.left[part][better] = left
        self.size[part][better] = sizes[better]
        self.hz[part][better] = hz


def _look(places: _Array, offset: int, hz: float, best: _Best) -> None:
    """Fit waves of one frequency to a moving stretch wherever they may begin."""
    still, length = round(_REST_S * _RATE), round(_ROUNDS / hz * _RATE) + 1
    if len(places) < length + still:
        return
    windows = np.lib.stride_tricks.sliding_window_view(places, length + still, axis=0)
    waves = [_wave(hz, decay, length) for decay in _DECAYS]
    far = np.hypot(*_spread(places, length + still).T)
    moved = np.hypot(*_spread(places, still)[: len(far)].T)
    # No wave that fits is much larger than the path goes.
    maybe = np.flatnonzero((moved < 1.5 * _REST_SHARE * far) & (far > _QUIET_PERCENT))
    for begin in range(0, len(maybe), _CHUNK):
        rows = maybe[begin : begin + _CHUNK]
        before, some = windows[rows, :, :still], windows[rows, :, still:]
        from_home = some - before.mean(axis=2, keepdims=True)
        along = np.einsum("da,wan->wdn", _WAYS, from_home)
        energy = np.einsum("wdn,wdn->wd", along, along)
        for wave, shrinks in waves:
            pull = along @ wave / (wave @ wave)
            size, told = 2.0 * np.abs(pull), pull**2 * (wave @ wave)
            left = np.sqrt(np.maximum(energy - told, 0.0) / np.maximum(told, 1e-12))
            fits = (size >= _NEARLY_MOST * size.max(axis=1, keepdims=True)) & (
                moved[rows, None] < _REST_SHARE * size
            )
            # Along all of them a straight path fits alike: the strongest is its own.
            strong = np.where(fits & (left < _LEFT), size, 0.0)
            way = strong.argmax(axis=1)
            for k in np.flatnonzero(strong.max(axis=1)).tolist():
                sizes = float(size[k, way[k]]) * shrinks
                at = offset + int(rows[k]) + still
                best.offer(at, float(left[k, way[k]]), sizes, hz)


def _spread(places: _Array, length: int) -> _Array:
    """Return from lowest to highest within so many samples from each on."""
    spread = running_range(places, length, ahead=True)
    return spread[: len(places) - length + 1]


def _wave(hz: float, decay: float, length: int) -> tuple[_Array, _Array]:
    """Return a damped sinusoid out of rest, and how it shrinks."""
    rounds = hz * np.arange(length) / _RATE
    shrinks = np.exp(-decay * rounds)
    return shrinks * np.sin(2 * math.pi * rounds), shrinks
