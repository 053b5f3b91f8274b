"""The same passes with OpenCV and numpy, where nothing could be compiled."""

from __future__ import annotations

from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = [
    "MOST_LINES",
    "area_mean",
    "area_sums",
    "histogram",
    "laplacian_sums",
    "tile_edges",
]

Plane: TypeAlias = NDArray[np.unsignedinteger]
_Whole: TypeAlias = NDArray[np.int64]

MOST_LINES = 32768
"""Sums over areas want planes no larger, either way."""

# OpenCV's means of so many pixels at most are whole in float32 whatever the codes.
_MOST_PIXELS = 256
# OpenCV counts in float32, whole only up to here; larger pictures are cut in bands.
_EXACT_COUNT = 1 << 24


def tile_edges(length: int, tiles: int) -> list[int]:
    """Return where tiles begin along one side, and its end; they differ by one at most.

    Examples
    --------
    >>> tile_edges(10, 4)
    [0, 2, 5, 7, 10]
    """
    return [length * i // tiles for i in range(tiles + 1)]


def histogram(plane: Plane, bins: int) -> NDArray[np.int64]:
    """Return how many pixels have each code below `bins`."""
    height, width = plane.shape
    total = np.zeros(bins, np.int64)
    if plane.size == 0:
        return total
    band = max(1, (_EXACT_COUNT - 1) // width)
    for top in range(0, height, band):
        counts = cv2.calcHist(
            [plane[top : top + band]], [0], None, [bins], [0.0, float(bins)]
        )
        total += counts.ravel().astype(np.int64)
    return total


def area_mean(plane: Plane, size: tuple[int, int]) -> Plane:
    """Return a small picture of area means, rounded to whole codes.

    Parameters
    ----------
    plane : (H, W) array of uint8 or uint16
        Native codes.
    size : (width, height)
        Pixels; not larger than the plane.

    Returns
    -------
    (height, width) array of the plane's type
        Native codes. The exact mean, pixels at an edge in part, halves to the even
        code; of two by two pixels halves go up, as OpenCV rounds those.
    """
    height, width = plane.shape
    columns, rows = size
    whole = not (height % rows or width % columns)
    few = height * width <= _MOST_PIXELS * rows * columns
    out: Plane
    if (whole and few) or columns > width or rows > height:
        out = np.asarray(cv2.resize(plane, size, interpolation=cv2.INTER_AREA))
    else:
        # OpenCV weighs in float32, and what lies near a half may go either way.
        means = area_sums(plane, (rows, columns)) / plane.size
        out = np.rint(means).astype(plane.dtype)
    return out


def area_sums(values: Plane | _Whole, shape: tuple[int, int]) -> _Whole:
    """Return sums over the cells of a grid, whatever its size; not rounded.

    Parameters
    ----------
    values : (H, W) array of whole numbers
    shape : (rows, columns)

    Returns
    -------
    (rows, columns) array of int64
        Pixels at an edge count in part: a cell holds H x W units.
    """
    return _along(_along(values, shape[0]).T, shape[1]).T


def _along(values: Plane | _Whole, parts: int) -> _Whole:
    """Return sums of lines over equal parts, in `parts`-ths of a line."""
    length = len(values)
    edges = np.arange(parts + 1) * length
    first, last = edges[:-1] // parts, (edges[1:] - 1) // parts
    running = np.zeros((length + 1, values.shape[1]), np.int64)
    np.cumsum(values, axis=0, dtype=np.int64, out=running[1:])
    sums = parts * (running[np.maximum(last, first + 1)] - running[first + 1])
    # The first line and the last are in it in part, or are one and the same.
    ends = np.minimum((first + 1) * parts, edges[1:]) - edges[:-1]
    sums += ends[:, None] * values[first].astype(np.int64)
    ends = np.where(last > first, edges[1:] - last * parts, 0)
    sums += ends[:, None] * values[last].astype(np.int64)
    return np.asarray(sums, np.int64)


def laplacian_sums(
    plane: Plane, tiles: tuple[int, int], *, interlaced: bool
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return sums of the Laplacian and of its square in each tile.

    Parameters
    ----------
    plane : (H, W) array of uint8 or uint16
        Native codes.
    tiles : (rows, columns)
    interlaced : bool
        Sum the Laplacian of each field, not across the fields.

    Returns
    -------
    total, squares : (rows, columns) arrays of int64
        Codes, and codes squared.
    """
    total, squares = (np.zeros(tiles, np.int64) for _ in range(2))
    step = 2 if interlaced and plane.shape[0] > 1 else 1
    for first in range(step):
        _add_laplacian(plane[first::step], total, squares)
    return total, squares


def _add_laplacian(
    plane: Plane, total: NDArray[np.int64], squares: NDArray[np.int64]
) -> None:
    if plane.size == 0:
        return
    height, width = plane.shape
    # 8-bit: |Laplacian| <= 4 * 255, whole in int16. Deeper: up to 4 * 65535, whole in
    # float32; OpenCV's int16-to-int16 path is slower than this and 16-bit would clip.
    depth = cv2.CV_16S if plane.dtype == np.uint8 else cv2.CV_32F
    lap = cv2.Laplacian(plane, depth, ksize=1, borderType=cv2.BORDER_REFLECT_101)
    rows, columns = (
        tile_edges(n, t) for n, t in zip((height, width), total.shape, strict=True)
    )
    for i in range(total.shape[0]):
        band = lap[rows[i] : rows[i + 1]]
        for j in range(total.shape[1]):
            tile = band[:, columns[j] : columns[j + 1]]
            if tile.size:
                squares[i, j] += round(cv2.norm(tile, cv2.NORM_L2SQR))
    # The Laplacian is a difference of differences: summed over a tile, all but the
    # differences across the tile's border cancel, so no second pass is needed.
    across_rows = _steps(plane, rows, columns)
    across_columns = _steps(plane.T, columns, rows).T
    total += np.diff(across_rows, axis=0) + np.diff(across_columns, axis=1)


def _steps(plane: Plane, edges: list[int], across: list[int]) -> NDArray[np.int64]:
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
    return np.diff(sums, axis=1)
