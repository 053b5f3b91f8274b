"""Single pixels that stand out of a whole plane: candidates for stuck ones."""

from __future__ import annotations

from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from qc import kernels

if kernels.compiled:  # else slower, and otherwise the same
    from qc.kernels import _planes

__all__ = ["beyond_cross", "fit_sums"]

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


def fit_sums(
    terms: NDArray[np.float64],
    steps: NDArray[np.float64],
    laid: NDArray[np.float64],
    known: NDArray[np.bool_],
    scale: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the sums of a weighted fit of terms to steps, point after point.

    Parameters
    ----------
    terms : (n, 6) array
    steps, laid : (n, 2) arrays
        What is fitted, and the last fit.
    known : (n,) array
        Points that count.
    scale : float
        As far off the last fit a point counts for a quarter.

    Returns
    -------
    normal : (6, 6) array
    goal : (6, 2) array
    """
    out = np.empty(48)
    if kernels.compiled:
        _planes.fit_sums(len(terms), terms, steps, laid, known, scale, out)
    else:
        some, ends = terms[known], steps[known]
        off = ends - laid[known]
        squares = off * off
        far = 1.0 + (squares[:, 0] + squares[:, 1]) / (scale * scale)
        weighted = some * (1.0 / (far * far))[:, None]
        for part, by in ((out[:36], some), (out[36:], ends)):
            each = (weighted[:, :, None] * by[:, None]).reshape(-1, part.size)
            part[:] = np.add.accumulate(each, axis=0)[-1] if len(some) else 0.0
    return out[:36].reshape(6, 6), out[36:].reshape(6, 2)
