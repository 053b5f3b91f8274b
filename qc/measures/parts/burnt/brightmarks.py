"""Burnt-out areas on a still, as they were judged while the take was measured.

Private to `qc.measures.highlights`. A still is one frame without its past. So that it
shows what was judged, the readings keep which kinds were found in each cell of a
coarse grid; where the frame alone says otherwise, the grid is believed.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.base import Setup
from qc.measures.parts.burnt.brightblocks import at_least, block_counts
from qc.measures.parts.burnt.brightparts import BrightMemory, Kind, split, whole
from qc.measures.parts.burnt.brightregions import Regions
from qc.records import Finding, Marks, Picture

__all__ = ["PLACES", "kinds_of_places", "mark", "places_of"]

Codes = NDArray[np.uint8]

_GRID = (32, 18)
# Kinds kept, by the bit that stands for each; glints show on the still itself.
_KEPT = (Kind.RELEVANT, Kind.UNDECIDED, Kind.SWAB)
# Eight cells of three bits: 24 bits are whole in a float32.
_CELLS = 8
PLACES = _GRID[0] * _GRID[1] // _CELLS
"""Numbers a row of the coarse grid."""
# A kind with less of a cell's burnt-out pixels is not kept.
_SHARE = 0.1


def places_of(kinds: Codes, counts: Codes) -> NDArray[np.float32]:
    """Pack which kinds lie in each cell of the coarse grid.

    Parameters
    ----------
    kinds, counts : (bh, bw) arrays of uint8
        A `Kind` and the burnt-out pixels of every block.

    Returns
    -------
    (PLACES,) array of float32
        Whole numbers under 2**24.
    """
    filled = np.flatnonzero(counts)
    rows, columns = np.divmod(filled, counts.shape[1])
    across, down = _GRID
    cell = rows * down // counts.shape[0] * across + columns * across // counts.shape[1]
    kind_of, pixels = kinds.ravel()[filled], counts.ravel()[filled]
    cells = across * down
    number = kind_of.astype(np.intp) * cells + cell
    of_kind = np.bincount(number, pixels, len(Kind) * cells).astype(np.float32)
    parts = [of_kind.reshape(-1, down, across)[kind] for kind in _KEPT]
    enough = _SHARE * sum(parts, np.zeros(_GRID[::-1], np.float32))
    bits = np.zeros(_GRID[::-1], np.int64)
    for bit, part in enumerate(parts):
        bits |= ((part > 0) & (part >= enough)).astype(np.int64) << bit
    powers = 8 ** np.arange(_CELLS)
    return (bits.reshape(-1, _CELLS) @ powers).astype(np.float32)


def kinds_of_places(places: NDArray[np.floating], own: Codes, counts: Codes) -> Codes:
    """Return the kinds of blocks that agree with what was judged.

    Parameters
    ----------
    places : (PLACES,) array
        What `places_of` gave; NaN where nothing was told apart.
    own, counts : (bh, bw) arrays of uint8
        Kinds as the frame alone shows them, and burnt-out pixels.
    """
    if np.isnan(places).any():
        return own
    packed = places.astype(np.int64)[:, None] // 8 ** np.arange(_CELLS)
    cells = (packed % 8).astype(np.uint8).reshape(_GRID[::-1])
    size = own.shape[::-1]
    bits = np.asarray(
        cv2.resize(cells, size, interpolation=cv2.INTER_NEAREST), np.uint8
    )
    out = own.copy()
    kept = own == Kind.GLINT
    for bit, kind in enumerate(_KEPT):
        kept |= (own == kind) & ((bits >> bit) & 1 > 0)
    open_ = (counts > 0) & ~kept & (bits > 0)
    for bit, kind in reversed(list(enumerate(_KEPT))):
        out[open_ & ((bits >> bit) & 1 > 0)] = kind
    return out


def mark(picture: Picture, setup: Setup, finding: Finding) -> Marks:
    """Show what burns out on a still, each kind in its own marking."""
    limits = setup.limits
    level = limits["highlights.level_percent"]
    code = picture.signal.first_code_at(level)
    mask = at_least(picture.y, code)
    bright = mask > 0
    regions = Regions(limits)
    regions.draw(picture.y.shape)
    kinds = np.full(picture.y.shape, Kind.RELEVANT, np.uint8)
    if limits["highlights.split"]:
        kinds = whole(_judged_kinds(picture, code, setup, finding), mask.shape)
    kinds = np.where(bright, kinds, np.uint8(Kind.NONE))
    if regions.swab is not None:
        kinds[bright & (regions.swab > 0)] = Kind.SWAB
    if regions.always is not None:
        kinds[bright & (regions.always > 0)] = Kind.RELEVANT
    judged = regions.judged > 0 if regions.judged is not None else None
    areas = []
    for name, kind in (
        ("burnt", Kind.RELEVANT),
        ("burnt-undecided", Kind.UNDECIDED),
        ("burnt-swab", Kind.SWAB),
        ("burnt-glint", Kind.GLINT),
    ):
        here = kinds == kind
        if judged is not None:
            here &= judged
        if name == "burnt" or here.any():
            areas.append((name, here))
    if judged is not None:
        areas.append(("burnt-ignored", bright & ~judged))
    size = np.array([picture.width, picture.height], np.float64)
    outlines = [(kind, np.array(r.points) * size) for kind, r in regions.outlines()]
    return Marks(
        areas=tuple(areas),
        outlines=tuple(outlines),
        caption=f"Woven: at or above {level:g} % where it matters.",
    )


def _judged_kinds(picture: Picture, code: int, setup: Setup, finding: Finding) -> Codes:
    """Return kinds of blocks as they were judged, else as the frame alone shows."""
    counts = block_counts(picture.y, code)
    own = split(picture, counts, code=code, memory=BrightMemory()).kinds
    row, result = finding.worst_pts_row, setup.result
    if result is None or result.picture is None or row is None:
        return own
    columns = result.picture.columns
    if "highlights.places" not in columns:
        return own
    places = columns.part("highlights.places", row, row + 1)
    return kinds_of_places(places[0], own, counts) if len(places) else own
