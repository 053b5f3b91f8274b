"""Long columns brought down to what a page can show, without losing a single frame.

Each bin keeps the lowest and the highest value of the rows that it touches, so that a
fault of one frame in three hours still stands out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Extremes", "extremes", "steps"]


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
