"""Views of a picture that several measures share; each is computed once a frame.

Call them through ``picture.view(luma_histogram)``. None decodes, converts or copies a
whole plane; all keep the planes' native depth.
"""

from __future__ import annotations

from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.records import Picture
from qc.signal import LUMA_WEIGHTS

__all__ = [
    "PROXY_LONG_SIDE",
    "TILE_COLUMNS",
    "TILE_ROWS",
    "LaplacianTiles",
    "fields",
    "laplacian_tiles",
    "luma_histogram",
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

# OpenCV counts in float32, whole only up to here; larger pictures are cut in bands.
_EXACT_COUNT = 1 << 24


def fields(plane: Plane, *, interlaced: bool) -> tuple[Plane, ...]:
    """Return the plane, or its two fields as views when it is interlaced."""
    if interlaced and plane.shape[0] > 1:
        return plane[0::2], plane[1::2]
    return (plane,)


def luma_histogram(picture: Picture) -> NDArray[np.int64]:
    """Return how many pixels have each luma code.

    Returns
    -------
    array, shape (2**bit_depth,), of int64
        Exact counts.
    """
    bins = picture.signal.top + 1
    return _histogram(picture.y, bins)


def _histogram(plane: Plane, bins: int) -> NDArray[np.int64]:
    height, width = plane.shape
    if plane.size == 0:
        return np.zeros(bins, np.int64)
    band = max(1, (_EXACT_COUNT - 1) // width)
    total = np.zeros(bins, np.int64)
    for top in range(0, height, band):
        counts = cv2.calcHist(
            [plane[top : top + band]], [0], None, [bins], [0.0, float(bins)]
        )
        total += counts.ravel().astype(np.int64)
    return total


def tile_edges(length: int, tiles: int) -> list[int]:
    """Return where tiles begin along one side, and its end; they differ by one at most.

    Examples
    --------
    >>> tile_edges(10, 4)
    [0, 2, 5, 7, 10]
    """
    return [length * i // tiles for i in range(tiles + 1)]


class LaplacianTiles:
    """Sums of the Laplacian of luma on the tile grid, over one frame or its fields.

    Attributes
    ----------
    count : (rows, columns) array
        Pixels in each tile.
    total, squares : (rows, columns) arrays of float64
        Sum of the Laplacian and of its square, in native code values.
    """

    __slots__ = ("count", "squares", "total")

    def __init__(
        self,
        count: NDArray[np.float64],
        total: NDArray[np.float64],
        squares: NDArray[np.float64],
    ) -> None:
        self.count = count
        self.total = total
        self.squares = squares

    def variance(self) -> NDArray[np.float64]:
        """Return the variance in each tile, in native code values squared."""
        with np.errstate(invalid="ignore", divide="ignore"):
            mean = self.total / self.count
            return np.maximum(self.squares / self.count - mean**2, 0.0)

    def whole_variance(self) -> float:
        """Return the variance over the whole picture; NaN for an empty one."""
        n = float(self.count.sum())
        if n == 0:
            return float("nan")
        mean = float(self.total.sum()) / n
        return max(float(self.squares.sum()) / n - mean * mean, 0.0)


def laplacian_tiles(picture: Picture) -> LaplacianTiles:
    """Return sums of the Laplacian (0 1 0 / 1 -4 1 / 0 1 0) of luma on the tile grid.

    Interlaced pictures are read field by field, so that motion between the fields is
    not taken for detail; the sums of both fields are added.

    Notes
    -----
    At the border the picture is mirrored about its outermost pixels (OpenCV's
    ``BORDER_REFLECT_101``, scipy's ``mode="mirror"``).
    """
    shape = (TILE_ROWS, TILE_COLUMNS)
    count, total, squares = (np.zeros(shape) for _ in range(3))
    for plane in fields(picture.y, interlaced=picture.interlaced):
        _add_laplacian(plane, count, total, squares)
    return LaplacianTiles(count, total, squares)


def _add_laplacian(
    plane: Plane,
    count: NDArray[np.float64],
    total: NDArray[np.float64],
    squares: NDArray[np.float64],
) -> None:
    if plane.size == 0:
        return
    height, width = plane.shape
    # 8-bit: |Laplacian| <= 4 * 255, whole in int16. Deeper: up to 4 * 65535, whole in
    # float32; OpenCV's int16-to-int16 path is slower than this and 16-bit would clip.
    depth = cv2.CV_16S if plane.dtype == np.uint8 else cv2.CV_32F
    lap = cv2.Laplacian(plane, depth, ksize=1, borderType=cv2.BORDER_REFLECT_101)
    rows, columns = tile_edges(height, TILE_ROWS), tile_edges(width, TILE_COLUMNS)
    for i in range(TILE_ROWS):
        band = lap[rows[i] : rows[i + 1]]
        for j in range(TILE_COLUMNS):
            tile = band[:, columns[j] : columns[j + 1]]
            if tile.size:
                count[i, j] += tile.size
                squares[i, j] += cv2.norm(tile, cv2.NORM_L2SQR)
    # The Laplacian is a difference of differences: summed over a tile, all but the
    # differences across the tile's border cancel, so no second pass is needed.
    across_rows = _steps(plane, rows, columns)
    across_columns = _steps(plane.T, columns, rows).T
    total += np.diff(across_rows, axis=0) + np.diff(across_columns, axis=1)


def _steps(plane: Plane, edges: list[int], across: list[int]) -> NDArray[np.float64]:
    """Return sums of ``plane[e] - plane[e - 1]`` at each edge, for each tile across.

    At the picture's own border the mirrored pixel gives the step: ``plane[-1]`` is
    ``plane[1]``, ``plane[n]`` is ``plane[n - 2]``.
    """
    n = plane.shape[0]
    after = [min(e, 2 * (n - 1) - e) if n > 1 else 0 for e in edges]
    before = [abs(e - 1) if n > 1 else 0 for e in edges]
    step = plane[after].astype(np.int64) - plane[before].astype(np.int64)
    sums = np.zeros((len(edges), len(across)), np.int64)
    sums[:, 1:] = np.cumsum(step, axis=1)[:, [max(a - 1, 0) for a in across[1:]]]
    sums[:, [k for k, a in enumerate(across) if a == 0]] = 0
    return np.diff(sums, axis=1).astype(np.float64)


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
    small = cv2.resize(picture.y, _proxy_size(picture), interpolation=cv2.INTER_AREA)
    signal = picture.signal
    out = (small.astype(np.float32) - signal.black) * (
        100.0 / (signal.white - signal.black)
    )
    return out.astype(np.float32, copy=False)


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
    planes = [
        cv2.resize(plane, size, interpolation=cv2.INTER_AREA)
        for plane in (picture.cb, picture.cr)
    ]
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
