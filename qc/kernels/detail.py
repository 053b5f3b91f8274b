"""Passes over luma for sharpness: quiet blocks, which way detail runs, crisp edges."""

from __future__ import annotations

from typing import NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from qc import kernels
from qc.kernels import portable
from qc.kernels.portable import tile_edges

if kernels.compiled:  # else slower, and otherwise the same
    from qc.kernels import _planes

__all__ = [
    "Quietest",
    "area_sums",
    "bin_reached",
    "both_ways",
    "edge_steps",
    "quiet_blocks",
    "quietest",
    "tile_contrast",
    "tile_moments",
    "tile_variance",
]

Plane: TypeAlias = NDArray[np.unsignedinteger]
_Whole: TypeAlias = NDArray[np.int64]

_MOST_SIDE = 32
_MOST_SCALE = 32
_FEWEST = 4


def quiet_blocks(plane: Plane, side: int) -> tuple[_Whole, _Whole]:
    """Return how rough squares of a plane are, and the sum of their codes.

    Parameters
    ----------
    plane : (H, W) array of uint8 or uint16
        A whole number of squares each way.
    side : int
        Pixels of a square's side, 2 to 32.

    Returns
    -------
    roughness, sums : (H / side, W / side) arrays of int64
        Sum of the magnitude of (1 -2 1) x (1 -2 1), mirrored about the outermost
        pixels, and of the codes.
    """
    height, width = plane.shape
    out = np.empty((2, height // side, width // side), np.int64)
    if kernels.compiled and _is_dense(plane) and plane.size and side <= _MOST_SIDE:
        _planes.quiet_blocks(plane, side, out)
        return out[0], out[1]
    codes = plane.astype(np.int32)
    lines = np.pad(codes, ((1, 1), (0, 0)), mode="reflect")
    down = lines[:-2] + lines[2:] - 2 * codes
    beside = np.pad(down, ((0, 0), (1, 1)), mode="reflect")
    rough = np.abs(beside[:, :-2] + beside[:, 2:] - 2 * down)
    for values, sums in zip((rough, codes), out, strict=True):
        high = values.reshape(height // side, side, width).sum(axis=1, dtype=np.int64)
        sums[:] = high.reshape(height // side, width // side, side).sum(axis=2)
    return out[0], out[1]


class Quietest(NamedTuple):
    """The quietest squares of a plane.

    Attributes
    ----------
    usable : int
        Squares that are neither too dark nor too bright.
    taken : int
        How many of them are the quietest.
    sum : int
        Of those squares' roughness, see `quiet_blocks`.
    """

    usable: int
    taken: int
    sum: int


def quietest(
    plane: Plane,
    side: int,
    *,
    tops: _Whole,
    lines: int,
    low: float,
    high: float,
    share: float,
) -> Quietest:
    """Find the quietest squares in bands of a plane.

    Parameters
    ----------
    plane : (H, W) array of uint8 or uint16
    side : int
        Pixels of a square's side, 2 to 32; what is left of a line is not read.
    tops : (n,) array of int64
        Lines at which the bands begin; each is mirrored at its own ends.
    lines : int
        Of a band: whole squares.
    low, high : float
        Squares count whose mean, a whole code, lies between.
    share : float
        Of the squares that count, but at least four, so many are taken.
    """
    if kernels.compiled and _is_dense(plane) and side <= _MOST_SIDE:
        found = _planes.quietest(plane, side, lines, tops, len(tops), low, high, share)
        return Quietest(*found)
    width = plane.shape[1] // side * side
    parts = [plane[top : top + lines, :width] for top in tops.tolist()]
    both = [quiet_blocks(part, side) for part in parts]
    rough, sums = (np.concatenate(blocks).ravel() for blocks in zip(*both, strict=True))
    mean = np.rint(sums / side**2)
    usable = rough[(mean > low) & (mean < high)]
    count = min(max(_FEWEST, round(share * usable.size)), usable.size)
    return Quietest(usable.size, count, int(np.sort(usable)[:count].sum()))


def both_ways(
    plane: Plane, *, step: int, tiles: tuple[int, int]
) -> tuple[_Whole, _Whole]:
    """Return the energy of second differences along some lines, and down across them.

    Parameters
    ----------
    plane : (H, W) array of uint8 or uint16
        At least three lines, and a pixel each way for every tile.
    step : int
        Every how many lines one is read, with its neighbours.
    tiles : (rows, columns)

    Returns
    -------
    along, down : (rows, columns) arrays of int64
        Sums of squares. Tiles cut what there is of each kind: along a line there are
        two fewer than pixels.
    """
    out = np.empty((2, *tiles), np.int64)
    if kernels.compiled and _is_dense(plane):
        _planes.both_ways(plane, step, *tiles, out)
        return out[0], out[1]
    lines = (plane.shape[0] - 2) // step
    above, here, below = (
        plane[i : i + lines * step : step].astype(np.int64) for i in range(3)
    )
    down = above + below - 2 * here
    along = here[:, :-2] + here[:, 2:] - 2 * here[:, 1:-1]
    for differences, sums in zip((along, down), out, strict=True):
        rows, columns = (
            tile_edges(n, t) for n, t in zip(differences.shape, tiles, strict=True)
        )
        squares = differences**2
        for i in range(tiles[0]):
            for j in range(tiles[1]):
                part = squares[rows[i] : rows[i + 1], columns[j] : columns[j + 1]]
                sums[i, j] = part.sum()
    return out[0], out[1]


def tile_moments(plane: Plane, tiles: tuple[int, int]) -> tuple[_Whole, _Whole]:
    """Return sums of codes, and of their squares, over tiles of equal size.

    Parameters
    ----------
    plane : (H, W) array of uint8 or uint16
        Not empty, at most 32768 pixels each way.
    tiles : (rows, columns)

    Returns
    -------
    sums, squares : (rows, columns) arrays of int64
        Pixels at an edge count in part: the unit is a (rows x columns)-th of a pixel,
        so that a tile holds H x W of it.
    """
    out = np.empty((2, *tiles), np.int64)
    if kernels.compiled and _is_dense(plane):
        _planes.tile_moments(plane, *tiles, out)
        return out[0], out[1]
    codes = plane.astype(np.int64)
    return portable.area_sums(codes, tiles), portable.area_sums(codes**2, tiles)


def tile_contrast(
    plane: Plane,
    tiles: tuple[int, int],
    *,
    black: float,
    percent: float,
    share: float,
    dark: float,
) -> NDArray[np.float64]:
    """Return how much tiles differ in themselves, with a share of their level.

    Parameters
    ----------
    plane : (H, W) array of uint8 or uint16
        Not empty, at most 32768 pixels each way.
    tiles : (rows, columns)
    black : float
        Code of no light.
    percent : float
        What one code is in percent.
    share : float
        Of the level, squared, so much is added to the variance.
    dark : float
        Percent; of darker tiles nothing is told.

    Returns
    -------
    (rows, columns) array of float64
        Percent; NaN in dark tiles.
    """
    if kernels.compiled and _is_dense(plane):
        out = np.empty(tiles)
        _planes.tile_contrast(plane, *tiles, black, percent, share, dark, out)
        return out
    sums, squares = tile_moments(plane, tiles)
    mean = sums / plane.size
    variance = np.maximum(squares / plane.size - mean * mean, 0.0)
    level = (mean - black) * percent
    contrast = np.sqrt(variance * (percent * percent) + (share * level) ** 2)
    return np.where(level > dark, contrast, np.nan)


def tile_variance(
    count: NDArray[np.float64],
    total: NDArray[np.float64],
    squares: NDArray[np.float64],
) -> tuple[NDArray[np.float64], float]:
    """Return variances from sums: of each tile, and of all together.

    Parameters
    ----------
    count : array of float64
        Of how many values each sum is.
    total, squares : arrays of that shape
        Sums of values, and of their squares; whole numbers.

    Returns
    -------
    variance : array of float64
    whole : float
        NaN, as in a tile, where nothing is summed.
    """
    if kernels.compiled:
        out = np.empty(count.shape)
        return out, _planes.tile_variance(count.size, count, total, squares, out)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = total / count
        out = np.maximum(squares / count - mean * mean, 0.0)
        mean = total.sum() / count.sum()
        whole = np.maximum(squares.sum() / count.sum() - mean * mean, 0.0)
    return out, float(whole)


def area_sums(plane: Plane, shape: tuple[int, int]) -> _Whole:
    """Return sums of codes over the cells of a smaller grid; not rounded.

    Parameters
    ----------
    plane : (H, W) array of uint8 or uint16
        At most 32768 pixels each way.
    shape : (rows, columns)
        At most the plane's.

    Returns
    -------
    (rows, columns) array of int64
        Pixels at an edge count in part: a cell holds H x W units, so that its mean is
        its sum over the plane's size.
    """
    if kernels.compiled and _is_dense(plane):
        out = np.empty(shape, np.int64)
        _planes.area_sums(plane, *shape, out)
        return out
    return portable.area_sums(plane, shape)


def edge_steps(
    plane: Plane,
    *,
    scale: int,
    step: int,
    down: bool,
    shift: int,
    bins: int,
    percent: float,
) -> tuple[int, int]:
    """Return how large the largest steps and bends along lines of squares are.

    Parameters
    ----------
    plane : (H, W) array of uint8 or uint16
    scale : int
        Pixels of a square's side; a plane's last, incomplete ones are left out.
    step : int
        Pixels from one line of squares to the next that is read; a multiple of `scale`.
    down : bool
        Read columns of squares instead.
    shift : int
        A difference d of the squares' sums belongs to bin ``(4 |d|) >> shift``.
    bins : int
        Larger differences do not count.
    percent : float
        Of those that count, so many reach the bins that are returned.

    Returns
    -------
    slope, bend : int
        The bins, see `bin_reached`, of ``s[i + 1] - s[i - 1]`` and of
        ``s[i + 1] + s[i - 1] - 2 s[i]``.
    """
    if kernels.compiled and _is_dense(plane) and scale <= _MOST_SCALE:
        return _planes.edge_steps(plane, scale, step, down, shift, bins, percent)
    rows, columns = (side // scale for side in plane.shape)
    area = plane[: rows * scale, : columns * scale]
    if down:
        area = area.T
    # Whole lines of squares, picked; then squares along them.
    lines = sum(area[i::step].astype(np.int64) for i in range(scale))
    sums = np.asarray(lines).reshape(len(np.asarray(lines)), -1, scale).sum(axis=2)
    before, here, after = sums[:, :-2], sums[:, 1:-1], sums[:, 2:]
    found = []
    for differences in (after - before, before + after - 2 * here):
        at = (4 * np.abs(differences)).ravel() >> shift
        counts = np.bincount(at[at < bins], minlength=bins)
        found.append(bin_reached(counts, percent))
    return found[0], found[1]


def bin_reached(counts: NDArray[np.integer], percent: float) -> int:
    """Return the highest bin that this share of what is counted reaches.

    Examples
    --------
    >>> bin_reached(np.array([5, 2, 2, 1]), 20.0)
    2
    """
    above = np.cumsum(counts[::-1])
    at = np.searchsorted(above, above[-1] * percent / 100.0)
    return len(counts) - 1 - int(at)


def _is_dense(plane: Plane) -> bool:
    item = plane.itemsize
    return plane.strides[1] == item and plane.flags.aligned and item <= 2
