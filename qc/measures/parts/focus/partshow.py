"""What a still of a soft part shows: a frame around it, and when it was sharp."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.focus.medians import known_median
from qc.measures.parts.focus.tiles import percentile, tile_rows
from qc.records import Readings
from qc.spans import Span
from qc.views import TILE_COLUMNS, TILE_ROWS, tile_edges

__all__ = ["box_of", "part_outline", "sharp_row"]

Box = tuple[int, int, int, int]

# So far from the worst frame a sharp one is looked for, and so sharp it has to be, of
# the best there.
_LOOK, _SHARP, _BEST_PERCENTILE = 4096, 0.9, 95.0


def box_of(tiles: NDArray[np.bool_], width: int, height: int) -> Box:
    """Return the box around some tiles: x, y, width, height in pixels.

    Examples
    --------
    >>> tiles = np.zeros((6, 8), bool)
    >>> tiles[2:4, 4:6] = True
    >>> box_of(tiles.ravel(), 800, 600)
    (400, 200, 200, 200)
    """
    down, across = np.nonzero(tiles.reshape(TILE_ROWS, TILE_COLUMNS))
    lines, pixels = tile_edges(height, TILE_ROWS), tile_edges(width, TILE_COLUMNS)
    x, y = pixels[int(across.min())], lines[int(down.min())]
    return x, y, pixels[int(across.max()) + 1] - x, lines[int(down.max()) + 1] - y


def part_outline(box: Box) -> NDArray[np.float64]:
    """Return the corners of a box, in turn."""
    x, y, w, h = box
    return np.array([(x, y), (x + w, y), (x + w, y + h), (x, y + h)], np.float64)


def sharp_row(
    readings: Readings, box: Box, size: tuple[int, int], row: int, shot: Span
) -> int | None:
    """Return the row nearest to another at which a part of the picture is sharp.

    Parameters
    ----------
    box : (x, y, width, height)
        The part, in pixels.
    size : (width, height)
        Of the picture.
    shot : (first, last)
        Rows to look in.
    """
    first, last = max(shot[0], row - _LOOK), min(shot[1], row + _LOOK)
    inside = np.zeros((TILE_ROWS, TILE_COLUMNS), np.bool_)
    lines, pixels = tile_edges(size[1], TILE_ROWS), tile_edges(size[0], TILE_COLUMNS)
    x, y, w, h = box
    down = [y <= top < y + h for top in lines[:-1]]
    across = [x <= left < x + w for left in pixels[:-1]]
    inside[np.ix_(down, across)] = True
    detail = tile_rows(readings, np.arange(first, last))[:, inside.ravel()]
    with np.errstate(invalid="ignore", divide="ignore"):
        share = known_median((detail / percentile(detail, _BEST_PERCENTILE)).T)
    known = share[~np.isnan(share)]
    if not known.size:
        return None
    least = _SHARP * float(np.percentile(known, _BEST_PERCENTILE))
    sharp = first + np.flatnonzero(share >= least)
    return int(sharp[np.argmin(np.abs(sharp - row))]) if sharp.size else None
