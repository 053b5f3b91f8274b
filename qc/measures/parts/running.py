"""Filters that run along readings: highest, lowest, mean, median, smoothed.

They give what `scipy.ndimage` gives (its tests compare them); importing that takes
half a second, which every start of the command would have to pay.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any, Literal, TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = [
    "running_max",
    "running_mean",
    "running_median",
    "running_min",
    "running_opening",
    "running_percentile",
    "running_range",
    "smoothed_by_gauss",
]

Values: TypeAlias = NDArray[np.floating]
Floats: TypeAlias = NDArray[np.float64]

# What lies beyond both ends: the last value again and again, or all mirrored, the last
# value twice.
Beyond: TypeAlias = Literal["nearest", "mirrored"]
_BORDER = {"nearest": cv2.BORDER_REPLICATE, "mirrored": cv2.BORDER_REFLECT}
_PADDING: dict[Beyond, Literal["edge", "symmetric"]] = {
    "nearest": "edge",
    "mirrored": "symmetric",
}
# Windows are laid out one by one in no more numbers than this (32 MB).
_AT_ONCE = 4_000_000


def running_max(
    values: Values, size: int, *, ahead: bool = False, beyond: Beyond = "mirrored"
) -> Floats:
    """Return the highest of so many values around each row.

    Parameters
    ----------
    values : (n,) or (n, k) array
        Columns are looked at by themselves.
    size : int
        Values in a window; of an even number one more lies before the row.
    ahead : bool
        Windows begin at their row.
    beyond : {"nearest", "mirrored"}
        What lies beyond the ends.

    Returns
    -------
    array of float64, shaped as `values`
    """
    return _morphed(cv2.dilate, values, size, ahead=ahead, beyond=beyond)


def running_min(
    values: Values, size: int, *, ahead: bool = False, beyond: Beyond = "mirrored"
) -> Floats:
    """Return the lowest of so many values around each row, as `running_max` does."""
    return _morphed(cv2.erode, values, size, ahead=ahead, beyond=beyond)


def running_opening(values: Values, size: int) -> Floats:
    """Return the least of so many values in a row, for each value the best such row.

    The ends go on for ever.
    """
    least = running_min(values, size, beyond="nearest")
    # Backwards: so a value's rows are those that hold it, also of an even number.
    return running_max(least[::-1], size, beyond="nearest")[::-1]


def running_range(values: Values, size: int, *, ahead: bool = False) -> Floats:
    """Return from lowest to highest of so many values around each row."""
    return running_max(values, size, ahead=ahead) - running_min(
        values, size, ahead=ahead
    )


def running_mean(values: NDArray[np.inexact], size: int) -> NDArray[np.inexact]:
    """Return means of so many values around each row; the last ones go on for ever.

    Parameters
    ----------
    values : (n,) array, may be complex
    size : int
        Of an even number one more lies before the row.
    """
    parts = _columns(np.ascontiguousarray(values).view(np.float64))
    if np.iscomplexobj(values):
        parts = parts.reshape(-1, 2)
    means = cv2.blur(parts, (1, size), borderType=cv2.BORDER_REPLICATE)
    return np.ascontiguousarray(means).view(values.dtype).reshape(values.shape)


def running_median(values: Values, size: int, *, beyond: Beyond = "nearest") -> Floats:
    """Return medians of so many values around each row.

    Parameters
    ----------
    values : (n,) or (n, k) array
    size : int
        Of an even number the upper middle one is taken, and one more lies before.
    """
    return _ranked(values, size, size // 2, beyond)


def running_percentile(
    values: Values, percent: float, size: int, *, beyond: Beyond = "mirrored"
) -> Floats:
    """Return values that so many percent around each row lie under.

    Parameters
    ----------
    values : (n,) or (n, k) array
    percent : float
        0 to under 100.
    """
    return _ranked(values, size, int(size * percent / 100.0), beyond)


def smoothed_by_gauss(values: Values, sigma: float) -> Floats:
    """Return values smoothed along rows by a Gaussian cut off at four sigma.

    Parameters
    ----------
    values : (n,) or (n, k) array
    sigma : float
        In rows.
    """
    reach = int(4.0 * sigma + 0.5)
    at = np.arange(-reach, reach + 1)
    weights = np.exp(-0.5 / (sigma * sigma) * at**2)
    weights /= weights.sum()
    longer = _longer(values, reach, reach, "nearest")
    columns = [np.convolve(column, weights, "valid") for column in longer.T]
    return np.stack(columns, axis=1).reshape(values.shape)


def _columns(values: Values) -> Floats:
    """Return values as rows and columns, C-ordered."""
    table = np.asarray(values, np.float64)
    return np.ascontiguousarray(table.reshape(len(table), -1))


def _morphed(
    operation: Callable[..., Any],
    values: Values,
    size: int,
    *,
    ahead: bool,
    beyond: Beyond,
) -> Floats:
    if len(values) == 0:
        return np.asarray(values, np.float64)
    anchor = (0, 0 if ahead else size // 2)
    out = operation(
        _columns(values),
        np.ones((size, 1), np.uint8),
        anchor=anchor,
        borderType=_BORDER[beyond],
    )
    return np.asarray(out, np.float64).reshape(np.shape(values))


def _longer(values: Values, before: int, behind: int, beyond: Beyond) -> Floats:
    padding = ((before, behind), (0, 0))
    return np.pad(_columns(values), padding, _PADDING[beyond])


def _ranked(values: Values, size: int, rank: int, beyond: Beyond) -> Floats:
    longer = _longer(values, size // 2, size - 1 - size // 2, beyond)
    out = np.empty((len(values), longer.shape[1]))
    for column in range(longer.shape[1]):
        windows = np.lib.stride_tricks.sliding_window_view(
            np.ascontiguousarray(longer[:, column]), size
        )
        for part in _pieces(len(values), size):
            out[part, column] = np.partition(windows[part], rank, axis=1)[:, rank]
    return out.reshape(np.shape(values))


def _pieces(count: int, size: int) -> Iterator[slice]:
    step = max(_AT_ONCE // size, 1)
    for begin in range(0, count, step):
        yield slice(begin, min(begin + step, count))
