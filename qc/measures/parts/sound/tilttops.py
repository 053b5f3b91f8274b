"""Sloping tops: sound that was cut off ahead of a low cut, as a coupling capacitor is.

What a preamplifier cuts off is flat; behind a high-pass of first order it falls towards
zero like ``exp(-2 pi f t)``, at the same share a second in every top. Voices have
straight stretches with sharp corners by chance, which rise as often as they fall, at
any rate. So the rates of all of them are laid side by side: where most agree, the sound
was cut off.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.sound.soundbreaks import quantum

__all__ = ["Slope", "SlopingTops", "sloping_tops"]

Array = NDArray[np.float64]

# Straight is what bends by no more than four steps of 16 bits, two of its own, or this
# share of the second's highest sample from one sample to the next: filters of
# converters leave ripples at the corners. These are so many times as sharp.
_STEPS, _BEND_SHARE, _CORNER = 4.0 / 32768, 0.003, 4.0
# So long, at 48 kHz; at least half as high as the highest.
_SHORTEST_S, _HIGH = 5 / 48_000, 0.5
_LOWEST = 0.01  # quieter, the steps of 16 bits are too coarse
# A square wave spends its time in such tops, and jumps from one to the other.
_SQUARE_SHARE, _RAIL = 0.5, 1.5
# Corners of couplings and low cuts; under the first a top is as good as flat.
_FLAT_HZ, _HIGHEST_HZ = 2.0, 300.0
_NEAR_HZ, _NEAR_SHARE = 1.0, 0.1
# In so many seconds so many tops, most of all straight ones, and hardly any that rise
# at this rate. Tried: clean speech, music and applause reach a quarter of them, what is
# cut off by 3 dB or more nine tenths, unless it is very smooth and free of noise.
_STRETCH_S, _TOPS, _MOST, _RISING = 10, 12, 0.5, 0.1
# There so many tops, of a lesser share, have to stand out of the rates around them, and
# lie where voices do not have theirs. Tried: clean sound gives one and a half times
# what lies beside it, what is cut off six times and more.
_CLEAR_TOPS, _CLEAR_SHARE, _CLEAR_HZ = 24, 0.15, 100.0
_BESIDE, _STANDS_OUT = 3.0, 4.0
# Once the rate is known fewer will do.
_KNOWN_TOPS, _KNOWN_MOST = 4, 0.15


@dataclass(frozen=True, slots=True, eq=False)
class Slope:
    """What is cut off in one channel, and the low cut behind it.

    Attributes
    ----------
    hertz : float
        Corner of the low cut; 0 where tops are as good as flat.
    level : float
        About where tops lie; 1.0 is full scale.
    first, length : (tops,) arrays
        First sample since the take's start, and samples.
    """

    hertz: float
    level: float
    first: NDArray[np.int64]
    length: NDArray[np.int64]


def sloping_tops(
    line: NDArray[np.float32], sample_rate: int, *, full: float
) -> tuple[NDArray[np.intp], NDArray[np.intp], Array, Array]:
    """Return the straight stretches of a second of sound that have sharp corners.

    Parameters
    ----------
    full : float
        Those that reach this magnitude are left out.

    Returns
    -------
    first, last : (tops,) arrays
        Samples, half-open.
    hertz : (tops,) array
        The corner of a high-pass by which a flat top would fall as these do; below 0
        for those that rise.
    level : (tops,) array
        Mean magnitude.

    Examples
    --------
    >>> top = 0.67 * np.exp(-np.arange(20) / 400)
    >>> x = np.concatenate([np.arange(6) / 9, top, np.zeros(30)])
    >>> x[-1] = 1e-4  # as fine as 16 bits
    >>> first, last, hertz, _ = sloping_tops(x.astype(np.float32), 8000, full=1.0)
    >>> first.tolist(), last.tolist(), hertz.round(1).tolist()  # 8000 / (2 pi 400)
    ([6], [26], [3.2])
    """
    nothing = np.zeros(0, np.intp), np.zeros(0, np.intp), np.zeros(0), np.zeros(0)
    size = np.abs(line)
    top = float(size.max(initial=0.0))
    if top < _LOWEST or len(line) < 8:
        return nothing
    bends = np.abs(np.diff(line, 2))
    least = max(_STEPS, _BEND_SHARE * top)
    straight = (bends <= np.float32(least)) & (size[1:-1] >= np.float32(_HIGH * top))
    turns = np.flatnonzero(np.diff(straight.view(np.int8), prepend=0, append=0))
    # Three samples make a bend: so many bends, and a sample at either end of them.
    first, last = turns[::2], turns[1::2] + 2
    shortest = max(round(_SHORTEST_S * sample_rate), 5)
    kept = (last - first >= shortest) & (first >= 2) & (last + 2 <= len(line))
    first, last = first[kept], last[kept]
    if not first.size:
        return nothing
    coarse = 2.0 * quantum(line)
    if coarse > least:
        return nothing  # its steps alone make stretches straight
    x = line.astype(np.float64)
    side = np.sign(x[first])
    fall = side * (x[first] - x[last - 1]) / (last - 1 - first)
    before = side * (x[first] - x[first - 2]) / 2 + fall
    after = side * (x[last - 1] - x[last + 1]) / 2 - fall
    sharp = np.minimum(before, after) > _CORNER * least
    summed = np.concatenate([[0.0], np.cumsum(size, dtype=np.float64)])
    level = (summed[last] - summed[first]) / (last - first)
    jumps = np.minimum(before, after) > _RAIL * level / 2
    highest = np.maximum(size[first], size[last - 1])
    kept = sharp & (highest < full)
    length = int((last - first)[sharp].sum())
    if length > _SQUARE_SHARE * len(line) or 2 * (jumps & sharp).sum() > sharp.sum():
        return nothing
    hertz = fall / level * sample_rate / (2.0 * math.pi)
    return first[kept], last[kept], hertz[kept], level[kept]


@dataclass(slots=True)
class SlopingTops:
    """Gathers straight stretches of one channel, second by second."""

    sample_rate: int
    full: float
    _found: list[NDArray[np.float64]] = field(default_factory=list)

    def look(
        self, line: NDArray[np.float32], *, start: int, first: int, last: int
    ) -> None:
        """Take in a second of samples, with some around it.

        Parameters
        ----------
        start : int
            Number of the sample at `first` since the take's start.
        first, last : int
            Where the second itself lies in `line`, half-open.
        """
        a, b, hertz, level = sloping_tops(line, self.sample_rate, full=self.full)
        own = (a >= first) & (a < last)
        if own.any():
            at = a[own] - first + start
            self._found.append(np.stack([at, (b - a)[own], hertz[own], level[own]]))

    def finish(self) -> Slope | None:
        """Return what was cut off, if anything was."""
        if not self._found:
            return None
        first, length, hertz, level = np.concatenate(self._found, axis=1)
        stretch = first // (_STRETCH_S * self.sample_rate)
        borders = np.flatnonzero(np.diff(stretch)) + 1
        parts = np.split(np.arange(len(first)), borders)
        sure = [(n, rate) for p in parts for n, rate in [_agreed(hertz[p])] if n]
        if not sure:
            return None
        rate = max(sure)[1]
        near = np.abs(hertz - rate) <= _reach(rate)
        told = np.zeros(len(first), bool)
        for part in parts:
            alike = np.count_nonzero(near[part])
            if alike >= max(_KNOWN_TOPS, _KNOWN_MOST * len(part)):
                told[part] = near[part]
        return Slope(
            0.0 if abs(rate) < _FLAT_HZ else float(np.median(hertz[told])),
            float(np.median(level[told])),
            first[told].astype(np.int64),
            length[told].astype(np.int64),
        )


def _reach(rate: float | Array) -> Array:
    return np.asarray(np.maximum(_NEAR_HZ, _NEAR_SHARE * np.abs(rate)))


def _agreed(hertz: Array) -> tuple[int, float]:
    """Return how many rates agree, and on which; 0 where too few do."""
    if len(hertz) < _TOPS:
        return 0, 0.0
    ordered = np.sort(hertz)
    reach = _reach(ordered)
    upper = np.searchsorted(ordered, ordered + reach, side="right")
    lower = np.searchsorted(ordered, ordered - reach, side="left")
    fits = (ordered > -_FLAT_HZ / 2) & (ordered <= _HIGHEST_HZ)
    count = np.where(fits, upper - lower, 0)
    k = int(count.argmax())
    rate, alike = float(ordered[k]), int(count[k])
    rising = 0
    if rate >= _FLAT_HZ:
        rising = int(np.count_nonzero(np.abs(hertz + rate) <= _reach(rate)))
    most = alike >= _MOST * len(hertz) and rising <= _RISING * alike
    return (
        (alike, rate)
        if alike >= _TOPS and (most or _clear(hertz, rate, alike))
        else (0, 0.0)
    )


def _clear(hertz: Array, rate: float, alike: int) -> bool:
    """Tell whether rates that agree stand out of those around them."""
    around = np.count_nonzero(np.abs(hertz - rate) <= _BESIDE * _reach(rate)) - alike
    return bool(
        alike >= max(_CLEAR_TOPS, _CLEAR_SHARE * len(hertz))
        and rate <= _CLEAR_HZ
        and alike >= _STANDS_OUT * (around + 1)
    )
