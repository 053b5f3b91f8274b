"""Medians of what is known, column by column."""

from __future__ import annotations

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

__all__ = ["known_median", "median", "median_of_known"]

Float = TypeVar("Float", bound=np.floating)


def known_median(values: NDArray[Float]) -> NDArray[Float]:
    """Return the median of each column's known values; NaN where there are none.

    What ``np.nanmedian(values, axis=0)`` gives, without its masked arrays, which take
    several times as long as the sorting where rows are few.

    Parameters
    ----------
    values : (rows, ...) array of float
        NaN where unknown.

    Examples
    --------
    >>> known_median(np.array([[1.0, np.nan], [4.0, np.nan], [2.0, 3.0]])).tolist()
    [2.0, 3.0]
    """
    if not values.size:
        return np.full(values.shape[1:], np.nan, values.dtype)
    # A column's values side by side; NaN come last.
    ordered = values.reshape(len(values), -1).T.copy()
    ordered.sort(axis=1)
    known = len(values) - np.count_nonzero(np.isnan(ordered), axis=1)
    at = np.arange(len(ordered))
    low = ordered[at, np.maximum(known - 1, 0) // 2]
    high = ordered[at, np.minimum(known // 2, len(values) - 1)]
    return np.asarray((low + high) / 2, values.dtype).reshape(values.shape[1:])


def median(values: NDArray[Float]) -> Float:
    """Return the median of numbers, as numpy's, which takes several times as long.

    Parameters
    ----------
    values : array of float
        At least one, none NaN.

    Examples
    --------
    >>> float(median(np.array([4.0, 1.0, 3.0]))), float(median(np.array([4.0, 1.0])))
    (3.0, 2.5)
    """
    flat = values.ravel()
    half = flat.size // 2
    if flat.size % 2:
        middle: Float = np.partition(flat, half)[half]
        return middle
    low, high = np.partition(flat, (half - 1, half))[half - 1 : half + 1]
    between: Float = (low + high) / 2
    return between


def median_of_known(values: NDArray[Float]) -> Float:
    """Return the median of the known ones; NaN if there are none.

    Examples
    --------
    >>> float(median_of_known(np.array([2.0, np.nan, 4.0])))
    3.0
    """
    known = values[~np.isnan(values)]
    middle: Float = median(known if known.size else np.full(1, np.nan, values.dtype))
    return middle
