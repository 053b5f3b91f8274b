"""Masks of spots: whether they have a spot's shape, and the same on other maps."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["is_compact", "on_map", "ring_around"]

Mask = NDArray[np.bool_]


def is_compact(
    mask: Mask, *, edge: int, fewest: float, filled: float, longest: float
) -> bool:
    """Return whether the places of a mask lie together as a spot's do.

    Parameters
    ----------
    edge : int
        How many places must lie between them and the mask's edge.
    fewest : float
        Places.
    filled : float
        Least share of the box around them.
    longest : float
        How many times as long as broad they may be.

    Examples
    --------
    >>> mask = np.zeros((9, 9), np.bool_)
    >>> mask[3:6, 2:6] = True
    >>> [is_compact(mask, edge=e, fewest=8, filled=0.5, longest=2) for e in (2, 3)]
    [True, False]
    """
    rows, columns = np.nonzero(mask)
    h, w = int(np.ptp(rows)) + 1, int(np.ptp(columns)) + 1
    inside = min(rows.min(), columns.min()) >= edge and (
        rows.max() < mask.shape[0] - edge and columns.max() < mask.shape[1] - edge
    )
    return bool(
        inside
        and rows.size >= max(fewest, filled * h * w)
        and max(h, w) <= longest * min(h, w)
    )


def ring_around(mask: Mask, near: int, far: int) -> Mask:
    """Return what lies around the places of a mask: squares so many px across.

    Examples
    --------
    >>> mask = np.zeros((7, 7), np.bool_)
    >>> mask[3, 3] = True
    >>> int(ring_around(mask, 3, 5).sum())
    16
    """
    few = mask.astype(np.uint8)
    inner, outer = (cv2.dilate(few, np.ones((n, n), np.uint8)) for n in (near, far))
    return np.asarray(outer > inner)


def on_map(mask: Mask, shape: tuple[int, ...]) -> Mask:
    """Return a mask on a map of another size, never empty."""
    if mask.shape == shape:
        return mask
    size = shape[1], shape[0]
    share = cv2.resize(mask.astype(np.float32), size, None, 0, 0, cv2.INTER_AREA)
    return np.asarray(share >= min(0.5, float(share.max())))
