"""The passes over whole planes, compiled where a compiler was found at installing.

Both ways give the same numbers to the last bit; `compiled` says which one is at work.
A small extension in C is used rather than a compiling package: it adds nothing to
install, starts at once, and reads the decoder's own buffers.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from qc.kernels import portable

try:
    from qc.kernels import _planes
except ImportError:  # no compiler was found; slower, and otherwise the same
    compiled = False
else:
    compiled = True

__all__ = ["PlaneSums", "area_mean", "compiled", "plane_sums", "scaled_codes"]

Plane: TypeAlias = NDArray[np.unsignedinteger]


@dataclass(frozen=True, slots=True, eq=False)
class PlaneSums:
    """What one pass over a plane gives.

    Attributes
    ----------
    counts : (bins,) array of int64
        Pixels of each code.
    total, squares : (rows, columns) arrays of int64
        Sums of the Laplacian and of its square in each tile.
    small : (h, w) array or None
        The small picture, in whole codes, if one was asked for.
    """

    counts: NDArray[np.int64]
    total: NDArray[np.int64]
    squares: NDArray[np.int64]
    small: Plane | None


def plane_sums(
    plane: Plane,
    *,
    bins: int,
    tiles: tuple[int, int],
    interlaced: bool,
    small: tuple[int, int] | None = None,
) -> PlaneSums:
    """Count a plane's codes, and sum its Laplacian on a grid of tiles.

    Parameters
    ----------
    plane : (H, W) array of uint8 or uint16
        Read where it lies; lines may be longer than the picture.
    bins : int
        How many codes there are; higher ones are not counted.
    tiles : (rows, columns)
    interlaced : bool
        Sum the Laplacian of each field, not across the fields.
    small : (width, height) or None
        Also make an area-averaged picture of this size.

    Notes
    -----
    The Laplacian is 0 1 0 / 1 -4 1 / 0 1 0; at the border the picture is mirrored
    about its outermost pixels (OpenCV's ``BORDER_REFLECT_101``).
    """
    if not (compiled and _is_readable(plane)):
        return _portable_sums(plane, bins, tiles, interlaced, small)
    counts = np.empty(bins, np.int64)
    sums = np.empty((2, *tiles), np.int64)
    out = None
    if small is not None and _shrinks(plane, small):
        out = np.empty(small[::-1], plane.dtype)
    _planes.luma_pass(plane, counts, sums, *tiles, interlaced, out)
    if small is not None and out is None:
        out = portable.area_mean(plane, small)
    return PlaneSums(counts, sums[0], sums[1], out)


def area_mean(plane: Plane, size: tuple[int, int]) -> Plane:
    """Return a small picture of area means, rounded to whole codes.

    Parameters
    ----------
    size : (width, height)
        See `portable.area_mean`.
    """
    if not (compiled and _is_readable(plane) and _shrinks(plane, size)):
        return portable.area_mean(plane, size)
    out = np.empty(size[::-1], plane.dtype)
    _planes.area_mean(plane, out)
    return out


def scaled_codes(plane: Plane, *, zero: float, factor: float) -> NDArray[np.float32]:
    """Return ``(code - zero) * factor`` of each pixel, counted in float32."""
    if compiled and _is_readable(plane):
        out = np.empty(plane.shape, np.float32)
        _planes.scaled_codes(plane, zero, factor, out)
        return out
    return (plane.astype(np.float32) - np.float32(zero)) * np.float32(factor)


def _portable_sums(
    plane: Plane,
    bins: int,
    tiles: tuple[int, int],
    interlaced: bool,
    small: tuple[int, int] | None,
) -> PlaneSums:
    total, squares = portable.laplacian_sums(plane, tiles, interlaced=interlaced)
    return PlaneSums(
        portable.histogram(plane, bins),
        total,
        squares,
        None if small is None else portable.area_mean(plane, small),
    )


def _is_readable(plane: Plane) -> bool:
    """Tell whether the lines of a plane are dense, as those of a decoder are."""
    item = plane.itemsize
    return plane.strides[1] == item and plane.flags.aligned and item <= 2


def _shrinks(plane: Plane, size: tuple[int, int]) -> bool:
    """Tell whether there is a pixel at least for each small one, and a common kind."""
    height, width = plane.shape
    most = portable.MOST_LINES
    if not (size[0] <= width <= most and size[1] <= height <= most):
        return False
    return (height, width) != (2 * size[1], 2 * size[0])
