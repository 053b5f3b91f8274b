"""How light changes from picture to picture: passes over small pictures, and lines.

Both ways do the same operations in the same order, so that they agree to the last bit.
"""

from __future__ import annotations

import math
from typing import NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from qc import kernels

if kernels.compiled:  # else slower, and otherwise the same
    from qc.kernels import _planes

__all__ = [
    "Agreement",
    "StripTable",
    "changed_lines",
    "common_level",
    "looked_up",
    "mean_cells",
    "middle_means",
    "most_apart",
    "share_level",
    "strip_changes",
    "strip_look",
]

_Array: TypeAlias = NDArray[np.float32]
_Plane: TypeAlias = NDArray[np.unsignedinteger]

# What the passes in C have room for.
_MOST_WIDE, _MOST_CELLS, _MOST_ACROSS = 1024, 4096, 64
# Parts of the picture that must agree on a change of level: down, across.
_PARTS = (2, 3)


def mean_cells(luma: _Array, rows: int, columns: int) -> _Array:
    """Return means of a picture's parts, of whole pixels each.

    Parameters
    ----------
    luma : (H, W) array of float32
        `rows` and `columns` divide its sides.

    Returns
    -------
    (rows, columns) array of float32
    """
    height, width = luma.shape
    down, across = height // rows, width // columns
    if kernels.compiled and width <= _MOST_WIDE and luma.flags.c_contiguous:
        out = np.empty((rows, columns), np.float32)
        _planes.light_cells(luma, rows, columns, down, across, out)
        return out
    lines = luma[::down].copy()
    for i in range(1, down):
        lines += luma[i::down]
    sums = lines[:, ::across].copy()
    for i in range(1, across):
        sums += lines[:, i::across]
    return np.asarray(sums * np.float32(1.0 / (across * down)), np.float32)


def looked_up(cells: _Array, table: _Array, *, scale: float) -> _Array:
    """Return what a table has nearest to ``scale * cells``.

    Parameters
    ----------
    cells : array of float32
        No NaN.
    table : (n,) array of float32
        From 0 up; beyond its ends the first and last are taken.

    Returns
    -------
    array of float32
        Shaped as `cells`.
    """
    if kernels.compiled and 0 < cells.size <= _MOST_CELLS and cells.flags.c_contiguous:
        out = np.empty(cells.shape, np.float32)
        _planes.light_table(cells.size, cells, table, len(table), scale, out)
        return out
    place = cells * np.float32(scale)
    place += np.float32(0.5)
    at = np.minimum(np.maximum(place, 0.0), len(table) - 1)
    return np.asarray(table[at.astype(np.intp)], np.float32)


# --------------------------------------------------------------------- common level


class Agreement(NamedTuple):
    """When cells count as changed alike.

    Attributes
    ----------
    least_cells : float
        Share of all cells that must be known.
    tolerance, share : float
        Cells agree within so many stops, and so much of the change.
    agree : float
        Share of the known cells that must.
    least_part, parts_agree : float
        Share of a part's cells that must be known; and of the parts that must agree.
    limit : float
        Log light over which a cell cannot be read.
    """

    least_cells: float
    tolerance: float
    share: float
    agree: float
    least_part: float
    parts_agree: float
    limit: float


def common_level(
    anchor: _Array, cells: _Array, how: Agreement
) -> tuple[float, int] | None:
    """Return by how much most cells changed alike; None where they did not.

    Parameters
    ----------
    anchor, cells : (rows, columns) arrays
        Log light, stops; NaN where not known. Cells are infinite where they are too
        bright to be read.

    Returns
    -------
    level : float
        Stops: mean over the cells that agree with the median.
    entered : int
        Cells that are brighter than that by more than four times what is allowed.
    """
    if kernels.compiled and cells.size <= _MOST_CELLS and cells.size:
        rows, columns = cells.shape
        return _planes.light_level(anchor, cells, rows, columns, how)
    change = cells - anchor
    known = np.isfinite(change)
    values = change[known]
    if values.size < how.least_cells * change.size or not values.size:
        return None
    level = _median(values)
    allowed = how.tolerance + how.share * abs(level)
    near = values[np.abs(values - np.float32(level)) <= np.float32(allowed)]
    if near.size < how.agree * values.size:
        return None
    if abs(level) > how.tolerance and not _parts_agree(
        change, known, level, allowed, how
    ):
        return None
    # The mean of those that agree: finer than a median of coded levels.
    level = float(np.add.accumulate(near, dtype=np.float64)[-1]) / near.size
    entered = np.count_nonzero(values > np.float32(level + 4 * allowed))
    burnt = cells == np.inf
    # Too bright to be read now, and would not be by the common change alone.
    before = (anchor[burnt] + np.float32(level)) + np.float32(4 * allowed)
    return level, int(entered + np.count_nonzero(before < np.float32(how.limit)))


def _parts_agree(
    change: _Array,
    known: NDArray[np.bool_],
    level: float,
    allowed: float,
    how: Agreement,
) -> bool:
    """Return whether the picture's parts changed alike: a shadow is not a gain."""
    height, width = change.shape
    agree = parts = 0
    for i in range(_PARTS[0]):
        for j in range(_PARTS[1]):
            at = (
                slice(height * i // _PARTS[0], height * (i + 1) // _PARTS[0]),
                slice(width * j // _PARTS[1], width * (j + 1) // _PARTS[1]),
            )
            values = change[at][known[at]]
            if values.size and values.size >= how.least_part * change[at].size:
                parts += 1
                agree += abs(_median(values) - level) <= allowed
    return agree >= how.parts_agree * parts


def _median(values: _Array) -> float:
    middle = values.size // 2
    if values.size % 2:
        return float(np.partition(values, middle)[middle])
    low, high = np.partition(values, (middle - 1, middle))[middle - 1 : middle + 1]
    return float((low + high) / np.float32(2))


# --------------------------------------------------------------------- strips


class StripTable(NamedTuple):
    """How levels are turned into light, and when strips can be told.

    Attributes
    ----------
    stops, rises : (n,) arrays of float32
        Light at each place of the table, and how much more it is at the next.
    low, high : float
        Levels between which a cell is usable; others are taken for these.
    scale : float
        Places of the table a unit of level.
    parts : int
        Into how many parts a strip is cut.
    fewest : int
        Cells of a strip that must be usable.
    least : float
        And of a part, on the average of two pictures.
    """

    stops: _Array
    rises: _Array
    low: float
    high: float
    scale: float
    parts: int
    fewest: int
    least: float


def strip_look(
    cells: _Array, table: StripTable, before: _Array | None
) -> tuple[_Array, _Array | None]:
    """Turn cells into light, and compare it with that of the picture before.

    Parameters
    ----------
    cells : (strips, across) array of float32
    before : (n,) array of float32 or None
        What this gave for the picture before.

    Returns
    -------
    look : (n,) array of float32
        Stops of each cell, where they are usable, and sums of both over parts.
    changes : (strips + strips * parts,) array of float32 or None
        Of each strip the mean of its middle half, then of each part the plain mean;
        NaN where they cannot be told. None if there is none before.
    """
    strips, across = cells.shape
    parts = table.parts
    look = np.empty(2 * (cells.size + strips * parts), np.float32)
    if kernels.compiled and across <= _MOST_ACROSS >= strips:
        out = np.empty(strips + strips * parts, np.float32)
        _planes.light_strips(
            cells, strips, across, parts, len(table.stops), table.stops, table.rises,
            table.low, table.high, table.scale, table.fewest, table.least, look,
            before, out,
        )  # fmt: skip
        return look, None if before is None else out
    stops, usable, sums, counts = _taken_apart(look, strips, across, parts)
    place = np.minimum(np.maximum(cells, np.float32(table.low)), np.float32(table.high))
    usable[...] = place == cells
    place *= np.float32(table.scale)
    whole = place.astype(np.int32)
    # Between two places of the table the curve is straight enough.
    rest = (place - whole.astype(np.float32)) * table.rises[whole]
    stops[...] = table.stops[whole] + rest
    for summed, values in ((sums, stops), (counts, usable)):
        each = values.reshape(strips * parts, across // parts)
        summed[...] = np.add.accumulate(each, axis=1)[:, -1]
    if before is None:
        return look, None
    return look, strip_changes(look, before, table, (strips, across))


def strip_changes(
    look: _Array, before: _Array, table: StripTable, shape: tuple[int, int]
) -> _Array:
    """Return `strip_look`'s changes between two looks."""
    now = _taken_apart(look, *shape, table.parts)
    then = _taken_apart(before, *shape, table.parts)
    changes = now[0] - then[0]
    changes[(now[1] == 0) | (then[1] == 0)] = np.nan
    counts = (now[3] + then[3]) * np.float32(0.5)
    counts[counts < np.float32(table.least)] = np.nan
    parts = (now[2] - then[2]) / counts
    return np.concatenate([middle_means(changes, fewest=table.fewest), parts])


def _taken_apart(look: _Array, strips: int, across: int, parts: int) -> list[_Array]:
    n, m = strips * across, strips * parts
    ends = (0, n, 2 * n, 2 * n + m, 2 * (n + m))
    shapes = ((strips, across), (strips, across), (m,), (m,))
    return [
        look[a:b].reshape(shape)
        for a, b, shape in zip(ends, ends[1:], shapes, strict=False)
    ]


def middle_means(changes: _Array, *, fewest: int = 6) -> _Array:
    """Return the mean of each row's middle half; NaN left out.

    Parameters
    ----------
    changes : (strips, cells) array

    Returns
    -------
    (strips,) array
        NaN where fewer are known. A coder that leaves some places as they were does
        not hide the others' change as it would from a median.
    """
    out = np.full(len(changes), np.nan, np.float32)
    ordered = np.sort(changes.astype(np.float32, copy=False), axis=1)  # NaN at the end
    for row, values in enumerate(ordered):
        known = int(np.count_nonzero(~np.isnan(values)))
        if known < fewest:
            continue
        middle = values[known // 4 : known - known // 4]
        out[row] = np.add.accumulate(middle)[-1] / np.float32(len(middle))
    return out


# --------------------------------------------------------------------- lines


def changed_lines(
    plane: _Plane, *, first: int, step: int, lines: _Plane, known: bool
) -> tuple[int, int]:
    """Compare some lines of a plane with those kept, and keep them instead.

    Parameters
    ----------
    plane : (H, W) array of uint8 or uint16
    first, step : int
        Which lines.
    lines : (n, W) array
        Written.
    known : bool
        Whether anything has been kept; else nothing is compared.

    Returns
    -------
    changed, total : int
        Pixels that changed, and the sum of their changes in codes.
    """
    dense = plane.strides[1] == plane.itemsize
    if kernels.compiled and dense and lines.size:
        return _planes.light_lines(plane, first, step, lines, known)
    now = plane[first::step]
    changed = total = 0
    if known:
        apart = np.abs(now.astype(np.int32) - lines)
        changed = int(np.count_nonzero(apart))
        total = int(apart.sum(dtype=np.int64))
    lines[...] = now
    return changed, total


def share_level(cells: _Array, share: float) -> float:
    """Return the lowest level at or under which a share of cells lies; NaN for none."""
    if not cells.size:
        return math.nan
    place = math.ceil(share * cells.size) - 1
    if kernels.compiled and cells.size <= _MOST_CELLS and cells.flags.c_contiguous:
        return _planes.light_share(cells, cells.size, place)
    return float(np.partition(cells.ravel(), place)[place])


def most_apart(one: _Plane, two: _Plane) -> int:
    """Return by how much two planes of one kind and size differ where they do most."""
    if one.shape != two.shape or one.dtype != two.dtype:
        raise ValueError("planes must be alike")
    if not one.size:
        return 0
    dense = one.strides[1] == two.strides[1] == one.itemsize
    if kernels.compiled and dense:
        return _planes.most_apart(one, two)
    return int(np.abs(one.astype(np.int32) - two).max())
