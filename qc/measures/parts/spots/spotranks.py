"""Arithmetic that the search for spots shares: levels, ranks, second-order surfaces."""

from __future__ import annotations

import functools

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = [
    "FOOT",
    "median",
    "middle",
    "middle_of",
    "ranked",
    "rms",
    "second_order",
    "surface",
]

_FITS = 3
FOOT = 5.0
"""Percent of black-to-white, added before taking logarithms: noise in the dark must not
count for changes by a factor."""


def middle(values: NDArray[np.floating]) -> float:
    """Return the upper median: without what numpy's loads and checks first.

    Examples
    --------
    >>> middle(np.array([[4.0, 1.0], [3.0, 2.0]]))
    3.0
    """
    flat = values.ravel()
    return float(np.partition(flat, flat.size // 2)[flat.size // 2])


def median(values: NDArray[np.floating]) -> NDArray[np.floating]:
    """Return the median over the first axis, as numpy's, without its checks.

    Examples
    --------
    >>> median(np.array([[4.0, 1.0], [3.0, 2.0]])).tolist()
    [3.5, 1.5]
    """
    half, odd = divmod(len(values), 2)
    if odd:
        return np.asarray(np.partition(values, half, axis=0)[half])
    two = np.partition(values, (half - 1, half), axis=0)
    return np.asarray(0.5 * (two[half - 1] + two[half]))


def middle_of(
    one: NDArray[np.float32], two: NDArray[np.float32], three: NDArray[np.float32]
) -> NDArray[np.float32]:
    """Return the middle of three at every place.

    Examples
    --------
    >>> a, b, c = (np.float32([v]) for v in (3, 1, 2))
    >>> middle_of(a, b, c).tolist()
    [2.0]
    """
    low, high = cv2.min(one, two), cv2.max(one, two)
    return np.asarray(cv2.max(low, cv2.min(high, three)), np.float32)


def rms(values: NDArray[np.floating]) -> float:
    """Return the root of the mean square; 0 of nothing.

    Examples
    --------
    >>> rms(np.array([3.0, -3.0, 3.0])), rms(np.array([]))
    (3.0, 0.0)
    """
    return float(np.sqrt((values**2).mean())) if values.size else 0.0


def ranked(values: NDArray[np.floating], share: float) -> float:
    """Return what this share of the values does not go beyond.

    Examples
    --------
    >>> ranked(np.arange(11.0), 0.9)
    9.0
    """
    flat = values.ravel()
    at = int(share * (flat.size - 1))
    return float(np.partition(flat, at)[at])


@functools.lru_cache(maxsize=16)
def second_order(rows: int, columns: int) -> NDArray[np.float64]:
    """Return terms of second order at the places of a grid from -1 to 1.

    Returns
    -------
    (rows, columns, 6) array of float64
        1, x, y, x², xy, y²; read-only.
    """
    y, x = np.mgrid[-1 : 1 : rows * 1j, -1 : 1 : columns * 1j]
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1)
    terms.flags.writeable = False
    return terms


def surface(steps: NDArray[np.float32], least: float) -> NDArray[np.float32]:
    """Return the surface of second order that most of the steps of a grid lie near to.

    Dirt on the lens, and what moves by itself, bent them.

    Parameters
    ----------
    steps : (rows, columns, 2) array
    least : float
        What a step may be off, at least, before it counts for less.
    """
    terms = second_order(*steps.shape[:2]).reshape(-1, 6)
    goal = steps.reshape(-1, 2).astype(np.float64)
    weight = np.ones((len(goal), 1))
    for _ in range(_FITS):
        weighted = terms * weight
        _, factors = cv2.solve(
            weighted.T @ terms, weighted.T @ goal, flags=cv2.DECOMP_SVD
        )
        off = ((goal - terms @ factors) ** 2).sum(axis=1, keepdims=True)
        weight = 1.0 / (1.0 + off / (4.0 * max(middle(off), least**2))) ** 2
    return np.asarray((terms @ factors).reshape(steps.shape), np.float32)
