"""The patterns of marks: which pixels of an area are dark, and which are light.

Told apart by their shapes alone; none is made of parallel slanted stripes.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

__all__ = ["PATTERNS", "Tones", "places"]

Places: TypeAlias = NDArray[np.intp]
Tones: TypeAlias = tuple[NDArray[np.bool_], NDArray[np.bool_]]


def places(shape: tuple[int, ...]) -> tuple[Places, Places]:
    """Return row and column numbers that broadcast to `shape`."""
    return np.arange(shape[0])[:, np.newaxis], np.arange(shape[1])[np.newaxis, :]


def _weave(shape: tuple[int, ...], width: int) -> Tones:
    """Return a basket weave: cells with two level strokes, cells with two upright."""
    cell = 8 * width
    thick = width + width // 2
    rows, columns = places(shape)
    upright = ((rows // cell) + (columns // cell)) % 2 == 1
    across = np.where(upright, columns % cell, rows % cell)
    along = np.where(upright, rows % cell, columns % cell)
    stroked = (along >= width) & (along < cell - width)
    dark = (across >= width) & (across < width + thick) & stroked
    light = (across >= 5 * width) & (across < 5 * width + thick) & stroked
    return dark, light


def _stitches(shape: tuple[int, ...], width: int) -> Tones:
    """Return sparse upright stitches, set off from row to row."""
    cell = 10 * width
    rows, columns = places(shape)
    shifted = (columns + (rows // cell) % 2 * (cell // 2)) % cell
    stroked = (rows % cell >= 3 * width) & (rows % cell < 8 * width)
    dark = (shifted < width) & stroked
    light = (shifted >= width) & (shifted < 2 * width) & stroked
    return dark, light


def _crosses(shape: tuple[int, ...], width: int) -> Tones:
    """Return a lattice of small upright crosses."""
    cell = 10 * width
    rows, columns = places(shape)
    y, x = rows % cell - cell // 2, columns % cell - cell // 2
    arm = 3 * width
    dark = ((abs(y) <= width) & (abs(x) <= arm)) | ((abs(x) <= width) & (abs(y) <= arm))
    core = width // 2
    light = ((abs(y) <= core) & (abs(x) < arm)) | ((abs(x) <= core) & (abs(y) < arm))
    return dark & ~light, light


def _birds(shape: tuple[int, ...], width: int) -> Tones:
    """Return small open angles, like birds far off, set off from row to row."""
    cell = 12 * width
    rows, columns = places(shape)
    shifted = (columns + (rows // cell) % 2 * (cell // 2)) % cell
    wing = abs(shifted - cell // 2)
    depth = rows % cell - 2 * width - wing
    near = wing <= 4 * width
    dark = near & (depth >= 0) & (depth < 2 * width)
    light = near & (depth >= 2 * width) & (depth < 4 * width)
    return dark, light


def _net(shape: tuple[int, ...], width: int) -> Tones:
    """Return an open net of level and upright threads, like gauze."""
    cell = 10 * width
    rows, columns = places(shape)
    dark = (rows % cell < width) | (columns % cell < width)
    light = (rows % cell == width) | (columns % cell == width)
    if width > 1:
        light |= (rows % cell < 2 * width) | (columns % cell < 2 * width)
    return dark, light & ~dark


def _rings(shape: tuple[int, ...], width: int) -> Tones:
    """Return small rings, set off from row to row."""
    cell = 12 * width
    rows, columns = places(shape)
    shifted = (columns + (rows // cell) % 2 * (cell // 2)) % cell
    away = np.hypot(rows % cell - cell / 2, shifted - cell / 2) / width
    return (away >= 2.6) & (away < 4.2), (away >= 1.2) & (away < 2.6)


def _bricks(shape: tuple[int, ...], width: int) -> Tones:
    """Return short level bars in bond, each with a light one under it."""
    cell = 6 * width
    rows, columns = places(shape)
    long = 11 * width
    shifted = (columns + (rows // cell) % 2 * (long // 2)) % long
    laid = shifted < 6 * width
    return (rows % cell < width) & laid, (rows % cell // width == 1) & laid


def _teeth(shape: tuple[int, ...], width: int) -> Tones:
    """Return combs: a level back with short upright teeth below it."""
    cell, pitch = 14 * width, 5 * width
    rows, columns = places(shape)
    down, along = rows % cell, columns % pitch
    back = down < width
    tooth = (down < 8 * width) & (along < width)
    light_tooth = (down < 8 * width) & (along >= width) & (along < 2 * width)
    light_back = (down >= width) & (down < 2 * width)
    dark = back | tooth
    return dark, (light_tooth | light_back) & ~dark


PATTERNS: dict[str, Callable[[tuple[int, ...], int], Tones]] = {
    "weave": _weave,
    "stitch": _stitches,
    "cross": _crosses,
    "birds": _birds,
    "net": _net,
    "rings": _rings,
    "bricks": _bricks,
    "teeth": _teeth,
}
