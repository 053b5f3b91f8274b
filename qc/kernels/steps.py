"""What changes from one kept frame to the next but one: small pictures of log light.

Both ways do the same operations in the same order, so that they agree to the last bit.
"""

from __future__ import annotations

from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from qc import kernels

if kernels.compiled:  # else slower, and otherwise the same
    from qc.kernels import _planes

__all__ = ["half_light", "light_step", "round_part", "sudden_places"]

_Array: TypeAlias = NDArray[np.float32]

_MOST_SIDE = 64  # places that the pass in C has room for
_SQUARE = np.ones((3, 3), np.uint8)
_CROSS = cv2.getStructuringElement(cv2.MORPH_CROSS, (3, 3))


def half_light(picture: _Array, foot: float) -> _Array:
    """Return a picture at half its size, at least 0, and more by a foot.

    Parameters
    ----------
    picture : (h, w) array of float32
        Two pixels at least, both ways.

    Returns
    -------
    (h // 2, w // 2) array of float32
    """
    height, width = picture.shape
    rows, columns = height // 2, width // 2
    if rows < 1 or columns < 1:
        raise ValueError(
            f"a picture must have two pixels each way, got {(height, width)}"
        )
    if kernels.compiled:
        out = np.empty((rows, columns), np.float32)
        _planes.half_light(np.ascontiguousarray(picture), picture.shape, foot, out)
        return out
    even = picture[: 2 * rows, : 2 * columns]
    above, below = even[0::2], even[1::2]
    sums = (above[:, 0::2] + above[:, 1::2]) + (below[:, 0::2] + below[:, 1::2])
    mean = sums * np.float32(0.25)
    return np.asarray(np.maximum(mean, np.float32(0)) + np.float32(foot), np.float32)


def light_step(
    before: _Array,
    after: _Array,
    *,
    every: int,
    smooth: tuple[float, float],
    wanted: bool,
) -> tuple[float, float, _Array | None, _Array | None]:
    """Hold two pictures against each other.

    Parameters
    ----------
    before, after : (h, w) arrays of float32
    every : int
        The common change is the upper median of every so many places, both ways.
    smooth : (float, float)
        Weights of a place and of each neighbour, down and across.
    wanted : bool
        Whether the maps are.

    Returns
    -------
    step : float
        What most places changed by, and is taken off.
    move : float
        The sizes of the changes, added up.
    changed : (h, w) array or None
        The sizes of the changes, smoothed before.
    tops : (h, w) array or None
        The same in the mean of three by three places.

    Notes
    -----
    At the border pictures are mirrored about their outermost places (OpenCV's
    ``BORDER_REFLECT_101``).
    """
    shape = before.shape
    if kernels.compiled:
        changed = tops = None
        if wanted:
            changed, tops = np.empty(shape, np.float32), np.empty(shape, np.float32)
        step, move = _planes.light_step(
            before, after, shape, every, smooth, changed, tops
        )
        return step, move, changed, tops
    change = before - after
    some = np.sort(change[::every, ::every], axis=None)
    step = some[some.size // 2]
    change -= step
    columns = np.add.reduce(np.abs(change).astype(np.float64), axis=0)
    move = float(np.add.accumulate(columns)[-1])
    if not wanted:
        return float(step), move, None, None
    changed = np.abs(_spread(change, smooth, smooth))
    ninth = 1.0 / 9.0
    return float(step), move, changed, _spread(changed, (1.0, 1.0), (ninth, ninth))


def _spread(
    picture: _Array, across: tuple[float, float], down: tuple[float, float]
) -> _Array:
    """Weigh places and their neighbours, across and then down."""
    for axis, (own, other) in ((1, across), (0, down)):
        rim = [(0, 0), (0, 0)]
        rim[axis] = (1, 1)
        wide = np.moveaxis(np.pad(picture, rim, mode="reflect"), axis, 0)
        sums = (wide[:-2] + wide[2:]) * np.float32(other) + wide[1:-1] * np.float32(own)
        picture = np.moveaxis(sums, 0, axis)
    return np.ascontiguousarray(picture)


def sudden_places(
    now: _Array, before: _Array, after: _Array, *, own: float, times: float, rim: int
) -> tuple[int, int]:
    """Count places that are more than they were before and are after.

    Parameters
    ----------
    now, before, after : (h, w) arrays of float32
    own, times : float
        A place counts if it is more than this, and than so many times the others.
    rim : int
        Places at the border.

    Returns
    -------
    all, inside : int
        Places that count, and those of them that are not at the border.
    """
    if kernels.compiled:
        return _planes.sudden_places(now, before, after, now.shape, rim, own, times)
    alone = now > np.float32(times) * np.maximum(before, after)
    alone &= now > np.float32(own)
    height, width = now.shape
    inside = alone[rim : max(height - rim, rim), rim : max(width - rim, rim)]
    return int(np.count_nonzero(alone)), int(np.count_nonzero(inside))


def round_part(
    seen: NDArray[np.bool_], place: tuple[int, int]
) -> tuple[NDArray[np.bool_], int, tuple[int, int]] | None:
    """Return the part that holds a place, its holes closed and its threads cut.

    Parameters
    ----------
    seen : (h, w) array of bool
        At most 64 places each way.
    place : (row, column)

    Returns
    -------
    mask : array of bool
        The part in its box.
    count : int
        Its places, which hang together side by side.
    corner : (row, column)
        Of the box. None instead of all if nothing is left of the place.

    Notes
    -----
    Closed by a square, opened by a cross of three places each (OpenCV's
    ``morphologyEx``).
    """
    height, width = seen.shape
    if max(seen.shape) > _MOST_SIDE:
        raise ValueError(f"so many places are no surroundings: {seen.shape}")
    if kernels.compiled:
        whole = np.empty(seen.shape, np.bool_)
        count, top, left, bottom, right = _planes.round_part(
            seen, (height, width), place, whole
        )
        if not count:
            return None
        return whole[top:bottom, left:right], count, (top, left)
    few = cv2.morphologyEx(seen.astype(np.uint8), cv2.MORPH_CLOSE, _SQUARE)
    few = cv2.morphologyEx(few, cv2.MORPH_OPEN, _CROSS)
    if not few[place]:
        return None
    _, labels = cv2.connectedComponents(few, connectivity=4)
    mask = np.asarray(labels == labels[place])
    down, across = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    top, left = int(down[0]), int(across[0])
    mask = mask[top : int(down[-1]) + 1, left : int(across[-1]) + 1]
    return mask, int(np.count_nonzero(mask)), (top, left)
