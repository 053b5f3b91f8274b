"""Views of a picture that several measures share; each is computed once a frame.

Call them through ``picture.view(luma_histogram)``. None decodes, converts or copies a
whole plane; all keep the planes' native depth. The views of luma come of one pass.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from qc.kernels import PlaneSums, area_mean, plane_sums, scaled_codes
from qc.kernels.detail import tile_variance
from qc.kernels.portable import tile_edges
from qc.records import Picture
from qc.signal import LUMA_WEIGHTS

__all__ = [
    "PROXY_LONG_SIDE",
    "TILE_COLUMNS",
    "TILE_ROWS",
    "LaplacianTiles",
    "field_lumas",
    "fields",
    "laplacian_tiles",
    "luma_histogram",
    "luma_pass",
    "proxy_chroma",
    "proxy_luma",
    "proxy_rgb",
    "tile_edges",
]

Plane: TypeAlias = NDArray[np.unsignedinteger]

# Sharpness is read on this grid: at 1080p a tile is 240 x 180 pixels, small enough
# that a wound filling a third of the picture has tiles of its own.
TILE_COLUMNS = 8
TILE_ROWS = 6

# Longer side, in pixels, of the small picture that framing and light are read from.
PROXY_LONG_SIDE = 240


def fields(plane: Plane, *, interlaced: bool) -> tuple[Plane, ...]:
    """Return the plane, or its two fields as views when it is interlaced."""
    if interlaced and plane.shape[0] > 1:
        return plane[0::2], plane[1::2]
    return (plane,)


def luma_pass(picture: Picture) -> PlaneSums:
    """Return what the luma plane gives in one pass; the views below take it apart."""
    return plane_sums(
        picture.y,
        bins=picture.signal.top + 1,
        tiles=(TILE_ROWS, TILE_COLUMNS),
        interlaced=picture.interlaced,
        small=_proxy_size(picture) if picture.y.size else None,
    )


def luma_histogram(picture: Picture) -> NDArray[np.int64]:
    """Return how many pixels have each luma code.

    Returns
    -------
    array, shape (2**bit_depth,), of int64
        Exact counts.
    """
    return picture.view(luma_pass).counts


class LaplacianTiles:
    """Sums of the Laplacian of luma on the tile grid, over one frame or its fields.

    Attributes
    ----------
    count : (rows, columns) array
        Pixels in each tile.
    total, squares : (rows, columns) arrays of float64
        Sum of the Laplacian and of its square, in native code values.
    """

    __slots__ = ("_variance", "_whole", "count", "squares", "total")

    def __init__(
        self,
        count: NDArray[np.float64],
        total: NDArray[np.float64],
        squares: NDArray[np.float64],
    ) -> None:
        self.count = count
        self.total = total
        self.squares = squares
        self._variance, self._whole = tile_variance(count, total, squares)

    def variance(self) -> NDArray[np.float64]:
        """Return the variance in each tile, in native code values squared."""
        return self._variance

    def whole_variance(self) -> float:
        """Return the variance over the whole picture; NaN for an empty one."""
        return self._whole


def laplacian_tiles(picture: Picture) -> LaplacianTiles:
    """Return sums of the Laplacian (0 1 0 / 1 -4 1 / 0 1 0) of luma on the tile grid.

    Interlaced pictures are read field by field, so that motion between the fields is
    not taken for detail; the sums of both fields are added.

    Notes
    -----
    At the border the picture is mirrored about its outermost pixels (OpenCV's
    ``BORDER_REFLECT_101``, scipy's ``mode="mirror"``).
    """
    sums = picture.view(luma_pass)
    return LaplacianTiles(
        _tile_sizes(*picture.y.shape, interlaced=picture.interlaced),
        sums.total.astype(np.float64),
        sums.squares.astype(np.float64),
    )


@lru_cache(maxsize=8)
def _tile_sizes(height: int, width: int, *, interlaced: bool) -> NDArray[np.float64]:
    """Return how many pixels are in each tile, those of both fields together."""
    columns = np.diff(tile_edges(width, TILE_COLUMNS))
    lines = [height]
    if interlaced and height > 1:
        lines = [(height + 1) // 2, height // 2]
    out = sum(np.outer(np.diff(tile_edges(n, TILE_ROWS)), columns) for n in lines)
    count = np.asarray(out, np.float64)
    count.flags.writeable = False
    return count


def _proxy_size(picture: Picture) -> tuple[int, int]:
    """Return width and height of the small picture."""
    height, width = picture.y.shape
    scale = max(1.0, max(height, width) / PROXY_LONG_SIDE)
    return max(1, round(width / scale)), max(1, round(height / scale))


def proxy_luma(picture: Picture) -> NDArray[np.float32]:
    """Return a small area-averaged luma picture in percent of black-to-white.

    Returns
    -------
    array of float32
        Longer side at most `PROXY_LONG_SIDE` pixels; the shape keeps the coded
        picture's proportions.
    """
    small = picture.view(luma_pass).small
    if small is None:
        raise ValueError("an empty picture has no small one")
    return _in_percent(small, picture)


def _in_percent(codes: Plane, picture: Picture) -> NDArray[np.float32]:
    black, white = picture.signal.black, picture.signal.white
    return scaled_codes(codes, zero=black, factor=100.0 / (white - black))


def field_lumas(picture: Picture) -> tuple[NDArray[np.float32], ...]:
    """Return `proxy_luma` of the upper and of the lower field of an interlaced picture.

    Returns
    -------
    tuple of arrays
        As large as `proxy_luma`, with fewer lines where a field has fewer. Of a
        progressive picture the one that `proxy_luma` gives.
    """
    planes = fields(picture.y, interlaced=picture.interlaced)
    if len(planes) == 1:
        return (picture.view(proxy_luma),)
    width, height = _proxy_size(picture)
    size = width, min(height, planes[1].shape[0])
    return tuple(_in_percent(area_mean(plane, size), picture) for plane in planes)


def proxy_chroma(picture: Picture) -> NDArray[np.float32]:
    """Return small area-averaged chroma pictures, as large as `proxy_luma`.

    Returns
    -------
    (2, h, w) array of float32
        Cb and Cr as differences from no colour; full excursion is -0.5 to 0.5. Where
        the chroma samples sit between the luma samples is not looked at: under half a
        pixel of the full picture.
    """
    signal, size = picture.signal, _proxy_size(picture)
    planes = [area_mean(plane, size) for plane in (picture.cb, picture.cr)]
    out = np.stack(planes).astype(np.float32)
    out -= signal.chroma_zero
    out /= signal.chroma_span
    return out


def proxy_rgb(picture: Picture) -> NDArray[np.float32]:
    """Return the small picture in R'G'B', shares of black-to-white, not clipped.

    Returns
    -------
    (3, h, w) array of float32
        By the stream's own matrix; values under 0 and over 1 are kept.
    """
    kr, kb = LUMA_WEIGHTS[picture.signal.matrix]
    luma = picture.view(proxy_luma) * np.float32(0.01)
    pb, pr = picture.view(proxy_chroma)
    out = np.empty((3, *luma.shape), np.float32)
    out[0] = luma + np.float32(2.0 * (1.0 - kr)) * pr
    out[2] = luma + np.float32(2.0 * (1.0 - kb)) * pb
    out[1] = (luma - kr * out[0] - kb * out[2]) / (1.0 - kr - kb)
    return out
