"""Single pixels that stand out of a whole plane: candidates for stuck ones."""

from __future__ import annotations

from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from qc import kernels

if kernels.compiled:  # else slower, and otherwise the same
    from qc.kernels import _planes

__all__ = ["beyond_cross"]

_Plane: TypeAlias = NDArray[np.unsignedinteger]
_Places: TypeAlias = NDArray[np.int64]

_BAND = 64
_CROSS = (-2, 0), (2, 0), (0, -2), (0, 2)


def beyond_cross(plane: _Plane, least: int, most: int) -> tuple[_Places, _Places]:
    """Return places brighter, and darker, than all four pixels two away from them.

    Parameters
    ----------
    plane : (H, W) array of uint8 or uint16
    least : int
        Codes, at least 1; only what lies farther beyond is told.
    most : int
        While there are more of a kind its `least` is doubled, as long as half of the
        codes' range is not reached.

    Returns
    -------
    bright, dark : (n,) arrays of int64
        ``row * width + column``, ascending.
    """
    height, width = plane.shape
    nothing = np.zeros(0, np.int64)
    if height < 5 or width < 5:
        return nothing, nothing
    if not (kernels.compiled and plane.strides[1] == plane.itemsize):
        return _portable(plane, 1, least, most), _portable(plane, -1, least, most)
    top, room = int(np.iinfo(plane.dtype).max), most + 1
    while True:
        out = np.empty((2, 2, room), np.int64)
        counts = _planes.beyond_cross(plane, least, most, top, room, out)
        if max(counts) <= room:
            bright, dark = (
                kind[:count].copy()
                for kind, count in zip(out[:, 0], counts, strict=True)
            )
            return bright, dark
        room = max(counts)


def _portable(plane: _Plane, sign: int, least: int, most: int) -> _Places:
    height, width = plane.shape
    join = cv2.max if sign > 0 else cv2.min
    beyond = np.empty((height - 4, width - 4), plane.dtype)
    # In bands that stay in the processor's cache.
    for first in range(0, height - 4, _BAND):
        last = min(first + _BAND, height - 4)
        core, up, down, left, right = (
            plane[2 + first + y : 2 + last + y, 2 + x : width - 2 + x]
            for y, x in ((0, 0), *_CROSS)
        )
        around = join(join(up, down), join(left, right))
        beyond[first:last] = (
            cv2.subtract(core, around) if sign > 0 else cv2.subtract(around, core)
        )
    top = int(np.iinfo(plane.dtype).max)
    rows, columns = np.nonzero(beyond > least)
    places = (rows + 2) * np.int64(width) + columns + 2
    amounts = beyond[rows, columns].astype(np.int64)
    while len(places) > most and 2 * least < top:
        least *= 2
        strong = amounts > least
        places, amounts = places[strong], amounts[strong]
    return places
