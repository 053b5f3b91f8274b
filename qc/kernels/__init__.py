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

__all__ = ["PlaneSums", "area_mean", "compiled", "plane_sums"]

Plane: TypeAlias = NDArray[np.unsignedinteger]

# Means of so many pixels at most are whole in float32 whatever the codes; those of two
# by two OpenCV rounds in another way than the rest.
_MOST_PIXELS = 256
_NOT = (2, 2)


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
    if small is not None and _divides(plane, small):
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
        Not larger than the plane.
    """
    if not (compiled and _is_readable(plane) and _divides(plane, size)):
        return portable.area_mean(plane, size)
    out = np.empty(size[::-1], plane.dtype)
    _planes.area_mean(plane, out)
    return out


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


def _divides(plane: Plane, size: tuple[int, int]) -> bool:
    """Tell whether each small pixel is a whole number of pixels, and not too many."""
    width, height = size
    down, below = divmod(plane.shape[0], height)
    across, beside = divmod(plane.shape[1], width)
    pixels = down * across
    return (
        not (below or beside)
        and 1 < pixels <= _MOST_PIXELS
        and (
            down,
            across,
        )
        != _NOT
    )
