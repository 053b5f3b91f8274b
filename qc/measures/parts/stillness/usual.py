"""What is usual around a frame, and how far a take's frames lie off it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.focus.medians import known_median

__all__ = ["spread_of", "usual_beside"]

Values = NDArray[np.floating]

_AT_ONCE = 16384  # windows: those of two hours would take half a gigabyte


def usual_beside(values: Values, reach: int, *, fewest: int) -> Values:
    """Return the lesser of the medians of the values before and behind each place.

    Parameters
    ----------
    values : (n,) array
        NaN where unknown.
    reach : int
        How many on either side are looked at.
    fewest : int
        So many of them must be known on both sides, else the answer is NaN.

    Examples
    --------
    >>> usual_beside(np.array([1.0, 3.0, 9.0, 2.0, 4.0]), 2, fewest=2).tolist()
    [nan, nan, 2.0, nan, nan]
    """
    n = len(values)
    padded = np.concatenate([np.full(reach, np.nan), values, np.full(reach, np.nan)])
    windows = np.lib.stride_tricks.sliding_window_view(padded, reach)
    usual = np.full(len(windows), np.nan)
    for at in range(0, len(windows), _AT_ONCE):
        part = windows[at : at + _AT_ONCE]
        known = np.isfinite(part).sum(axis=1) >= fewest
        usual[at : at + _AT_ONCE][known] = known_median(part[known].T)
    return np.asarray(np.minimum(usual[:n], usual[reach + 1 : reach + 1 + n]))


def spread_of(values: Values) -> float:
    """Return the standard deviation by the median of deviations; infinite for none."""
    known = values[np.isfinite(values)]
    if not known.size:
        return np.inf
    # 1.4826: of a normal distribution (textbook).
    return 1.4826 * float(np.median(np.abs(known - np.median(known))))
