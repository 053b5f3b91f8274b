"""Long columns brought down to what a page can show, without losing a single frame.

Each bin keeps the lowest and the highest value of the rows that it touches, so that a
fault of one frame in three hours still stands out.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

__all__ = ["Extremes", "extremes", "steps", "thinned"]


@dataclass(frozen=True, slots=True, eq=False)
class Extremes:
    """Lowest and highest value in each of some stretches of time.

    Attributes
    ----------
    edges : (n + 1,) array
        Seconds.
    low, high : (n,) arrays
        NaN where no row was measured.
    """

    edges: NDArray[np.float64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]

    @property
    def exact(self) -> bool:
        """True when every bin holds one value, so that nothing was joined."""
        return bool(np.array_equal(self.low, self.high, equal_nan=True))


def steps(values: NDArray[np.floating], times: NDArray[np.float64]) -> Extremes:
    """Return every row as it is: a bin a row."""
    column = np.asarray(values, np.float64)
    return Extremes(times, column, column)


def extremes(
    values: NDArray[np.floating],
    times: NDArray[np.float64],
    *,
    start: float,
    end: float,
    bins: int = 1000,
) -> Extremes:
    """Return the lowest and highest value in equal stretches of time.

    Parameters
    ----------
    values : (n,) array
        NaN = not measured.
    times : (n + 1,) array
        Seconds at which rows begin, and the end of the last; rising.
    start, end : float
        Seconds; the stretch that the bins cover.
    bins : int
        Takes of no more rows than this are kept row by row.

    Returns
    -------
    Extremes
        A row belongs to every bin that it is showing in, so that a frame held long
        leaves no gap.

    Raises
    ------
    ValueError
        If `times` does not have one entry more than `values`.
    """
    if len(times) != len(values) + 1:
        raise ValueError(f"{len(values)} values need {len(values) + 1} times")
    if len(values) <= bins:
        return steps(values, times)
    edges = np.linspace(start, end, bins + 1)
    first = np.searchsorted(times, edges[:-1], side="right") - 1
    last = np.searchsorted(times, edges[1:], side="left")
    first, last = np.clip(first, 0, len(values)), np.clip(last, 0, len(values))
    # One NaN behind the last row, so that every boundary is a place in the array.
    padded = np.append(np.asarray(values, np.float64), np.nan)
    bounds = np.stack([first, last], axis=1).ravel()
    low = np.fmin.reduceat(padded, bounds)[::2]
    high = np.fmax.reduceat(padded, bounds)[::2]
    empty = last <= first
    low[empty] = high[empty] = np.nan
    return Extremes(edges, low, high)


def thinned(
    x: NDArray[np.floating], y: NDArray[np.floating], *, most: int = 600
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return fewer points of a line or path that reach just as far.

    Parameters
    ----------
    x, y : (n,) arrays
        In any order; a point with a NaN is a gap.
    most : int
        Lines of no more points than this are kept as they are.

    Returns
    -------
    x, y : arrays
        Of each of some runs of neighbours, in their order: the first, those with the
        extremes of x and y, and a NaN if there was a gap. At most `most` and a half
        of them.
    """
    if len(x) != len(y):
        raise ValueError(f"{len(x)} x and {len(y)} y do not make points")
    places, heights = x.astype(np.float64), y.astype(np.float64)
    if len(x) <= most:
        return places, heights
    bounds = np.unique(np.linspace(0, len(x), max(most // 4, 1) + 1).astype(int))
    gap = ~(np.isfinite(places) & np.isfinite(heights))
    kept: list[int] = []
    for first, last in pairwise(bounds.tolist()):
        known = np.flatnonzero(~gap[first:last]) + first
        chosen = set(np.flatnonzero(gap[first:last])[:1] + first)
        if known.size:
            chosen.add(known[0])
            for values in (places[known], heights[known]):
                chosen |= {known[values.argmin()], known[values.argmax()]}
        kept.extend(sorted(int(i) for i in chosen))
    heights[gap] = np.nan
    return places[kept], heights[kept]
