"""What a picture looks like from afar, and where it fits another.

Both ways do the same operations in the same order, so that they agree to the last bit.
"""

from __future__ import annotations

import math
from typing import NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from qc import kernels
from qc.kernels.portable import MOST_LINES, area_sums

if kernels.compiled:  # else slower, and otherwise the same
    from qc.kernels import _planes

__all__ = ["Look", "look_of", "near_scores", "normalised"]

Plane: TypeAlias = NDArray[np.unsignedinteger]
_Array: TypeAlias = NDArray[np.float32]

# What the passes in C have room for.
_MOST_CELLS = 256
# A middle shorter than this, of a picture of unit length, is flat.
_LEAST_MIDDLE = 1e-3


class Look(NamedTuple):
    """What a frame looks like, coarse and finer; and the finer one's middle.

    Attributes
    ----------
    coarse, fine : (h, w) arrays of float32
        Of zero mean and unit length.
    middle : (n,) array of float32 or None
        Of zero mean and unit length too: it lies in the other picture whatever the
        displacement. None where it is flat.
    """

    coarse: _Array
    fine: _Array
    middle: _Array | None


def look_of(
    codes: Plane,
    *,
    factor: float,
    shape: tuple[int, int],
    margins: tuple[int, int],
    flat: float,
) -> Look | None:
    """Return area means of a picture, on a grid and on one half as fine.

    Parameters
    ----------
    codes : (H, W) array of uint8 or uint16
    factor : float
        What a code is in the unit of `flat`.
    shape : (rows, columns)
        Even, at most the picture's and 256 cells.
    margins : (down, across)
        Cells that the middle leaves out on each side.
    flat : float
        A picture whose standard deviation is at most this is None.
    """
    rows, columns = shape
    my, mx = margins
    factor /= codes.size
    high, wide = rows - 2 * my, columns - 2 * mx
    if (
        kernels.compiled
        and codes.strides[1] == codes.itemsize
        and max(shape) <= _MOST_CELLS
        and max(codes.shape) <= MOST_LINES
    ):
        fine = np.empty(shape, np.float32)
        coarse = np.empty((rows // 2, columns // 2), np.float32)
        middle = np.empty(high * wide, np.float32)
        found = _planes.shot_look(
            codes, shape, margins, factor, flat, _LEAST_MIDDLE, fine, coarse, middle
        )
        return Look(coarse, fine, middle if found > 1 else None) if found else None
    small = (area_sums(codes, shape) * factor).astype(np.float32)
    above, below = small[0::2], small[1::2]
    halves = (above[:, 0::2] + above[:, 1::2]) + (below[:, 0::2] + below[:, 1::2])
    less = normalised(halves * np.float32(0.25), flat * math.sqrt(small.size // 4))
    more = normalised(small, flat * math.sqrt(small.size))
    if less is None or more is None:
        return None
    inner = normalised(more[my : my + high, mx : mx + wide], _LEAST_MIDDLE)
    return Look(less, more, None if inner is None else inner.ravel())


def normalised(picture: _Array, least: float) -> _Array | None:
    """Return a picture of zero mean and unit length; None if it is no longer."""
    out = picture - np.float32(_sum(picture) / picture.size)
    length = math.sqrt(_sum(out.astype(np.float64) ** 2))
    if not length > least:
        return None
    return np.asarray(out * np.float32(1.0 / length), np.float32)


def near_scores(
    before: _Array, middle: _Array, margins: tuple[int, int]
) -> list[float] | None:
    """Correlate a middle with what is around its place, a cell to each side.

    Parameters
    ----------
    before : (h, w) array of float32
    middle : (n,) array of float32
        Of zero mean and unit length.
    margins : (down, across)
        Cells around it in the whole picture, 1 at least.

    Returns
    -------
    list of nine float, or None
        Line by line: from a cell up and left of its place to a cell down and right.
        None where a place has no contrast.
    """
    height, width = before.shape
    my, mx = margins
    rows, columns = height - 2 * my, width - 2 * mx
    before = np.ascontiguousarray(before)
    if kernels.compiled and max(before.shape) <= _MOST_CELLS:
        out = np.empty(9)
        found = _planes.shot_near(before, middle, before.shape, margins, out)
        return out.tolist() if found else None
    codes = before.astype(np.float64)
    inside = middle.reshape(rows, columns).astype(np.float64)
    scores = []
    for place in range(9):
        top, left = my - 1 + place // 3, mx - 1 + place % 3
        part = codes[top : top + rows, left : left + columns]
        mean = _sum(part) / part.size
        spread = _sum(part * part) - part.size * mean * mean
        if not spread > 0.0:
            return None
        scores.append(_sum(part * inside) / math.sqrt(spread))
    return scores


def _sum(values: NDArray[np.floating]) -> float:
    """Return a sum in float64: down each column, then across, one after another."""
    columns = np.add.reduce(values.astype(np.float64), axis=0)
    return float(np.add.accumulate(columns)[-1])
