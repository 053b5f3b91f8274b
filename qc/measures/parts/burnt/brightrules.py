"""Rules of thumb for burnt-out areas: what their edges and their colour say of them.

Private to `qc.measures.parts.burnt.brightparts`, which lets the fitted merit of
`qc.measures.parts.burnt.brightweights` speak after them.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.burnt.brightcues import Cues
from qc.measures.parts.burnt.brightpast import Past

__all__ = ["Areas", "Evidence", "Kind", "by_rules", "near", "weigh"]

Flags = NDArray[np.bool_]
Codes = NDArray[np.uint8]
Numbers = NDArray[np.float64]

_SQUARE = np.ones((3, 3), np.uint8)
_BESIDE = np.ones((7, 7), np.uint8)
_AROUND = np.ones((9, 9), np.uint8)

# So much of an area's edge must say something, in shares of its length.
_TOLD_WHITE, _TOLD_TISSUE = 0.4, 0.1
# How much a trace of colour deep inside weighs against the edge, faint and clear.
_TRACES = (2.0, 6.0)
# An area is cloth if its colour stays under this share of what speaks for cloth.
_LEAN = 0.75
# Where both sides have that much to say, each place is decided by what lies nearest
# (tissue then leaves a trace somewhere).
_MIXED, _MIXED_CELLS, _MIXED_TRACE = 0.6, 300, 0.01
# A patch over this share of the picture whose rim is all steps may be both in one.
_VAST, _VAST_TRACE = 0.06, 0.12
_VOTES = {"fade": 0.25, "trace": 3.0, "past": 1.0}
_VOTE_SIZES = (5, 13, 37, 101)
_PAST = 3.0


class Kind(IntEnum):
    """What a block of burnt-out pixels is."""

    NONE = 0
    RELEVANT = 1
    SWAB = 2
    GLINT = 3
    UNDECIDED = 4


def near(flags: Flags, kernel: NDArray[np.uint8]) -> Flags:
    """Return what lies within the kernel of the flagged cells."""
    return np.asarray(cv2.dilate(flags.view(np.uint8), kernel) > 0, np.bool_)


@dataclass(frozen=True, slots=True, eq=False)
class Areas:
    """Connected pale areas, their borders, and how often evidence lies there.

    Attributes
    ----------
    number : int
        Areas and, as the first, what lies in none.
    own, near : (h, w) arrays of int32
        The area a cell lies in; the same or the area it lies beside.
    edge : (number,) array
        Cells along each area's inner edge, at least 1.
    """

    number: int
    own: NDArray[np.int32]
    near: NDArray[np.int32]
    edge: Numbers

    @classmethod
    def of(cls, pale: Flags) -> Areas:
        """Label the areas; necks under three cells wide part them."""
        solid = cv2.morphologyEx(pale.view(np.uint8), cv2.MORPH_OPEN, _SQUARE)
        number, labels = cv2.connectedComponents(
            solid, connectivity=4, ltype=cv2.CV_32S
        )
        own = np.asarray(labels, np.int32)
        beside = cv2.dilate(own.astype(np.float32), _SQUARE).astype(np.int32)
        near = np.where(own > 0, own, beside)
        edge = (solid > 0) & (cv2.erode(solid, _SQUARE) == 0)
        length = np.bincount(own.ravel(), edge.ravel(), number)
        return cls(number, own, near, np.maximum(length, 1.0))

    def on(self, flags: Flags) -> Numbers:
        """Count flagged cells in and beside each area."""
        return np.bincount(self.near[flags], minlength=self.number).astype(np.float64)

    def inside(self, flags: Flags) -> Numbers:
        """Count flagged cells in each area."""
        return np.bincount(self.own[flags], minlength=self.number).astype(np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """What speaks in each pale area, (number,) arrays: see `weigh`."""

    coloured: Numbers
    white: Numbers
    plain: Numbers
    trace: Numbers
    deep: Numbers
    cells: Numbers

    @property
    def table(self) -> Numbers:
        """Return the rows that `features_of` is given; the first stands for none."""
        out = np.stack([self.coloured, self.white, self.plain, self.trace], axis=1)
        out[0] = 0
        return out


def weigh(cues: Cues, past: Past, areas: Areas) -> Evidence:
    """Add up what speaks for and against cloth in each pale area."""
    touched = near(cues.tissue, _SQUARE)
    cloth, step = cues.cloth & ~touched, cues.step & ~touched
    fade = cues.tissue & (areas.own == 0)
    deep = np.maximum(areas.inside(cues.deep), 5.0)
    cells = np.maximum(areas.inside(cues.pale), 1.0)
    trace = areas.inside(cues.faint > 0) / deep
    coloured = (
        areas.on(fade) / areas.edge
        + _TRACES[0] * trace
        + _TRACES[1] * areas.inside(cues.faint > 1) / deep
        + _PAST * areas.inside(past.tissue) / cells
    )
    plain = areas.on(cloth) / areas.edge + _PAST * areas.inside(past.cloth) / cells
    white = plain + areas.on(step) / areas.edge
    return Evidence(coloured, white, plain, trace, deep, cells)


def by_rules(cues: Cues, past: Past, areas: Areas, e: Evidence) -> Codes:
    """Return the kind of each cell by rules of thumb."""
    coloured, white = e.coloured, e.white
    kind = np.full(areas.number, Kind.UNDECIDED, np.uint8)
    kind[(white >= _TOLD_WHITE) & (coloured <= _LEAN * white)] = Kind.SWAB
    vast = e.cells > _VAST * cues.pale.size
    vast &= (e.plain < 0.05) & (coloured > _VAST_TRACE)
    kind[vast] = Kind.UNDECIDED
    kind[(coloured >= _TOLD_TISSUE) & (coloured > _LEAN * white)] = Kind.RELEVANT
    mixed = (white > _MIXED * coloured) & (coloured > _MIXED * white)
    mixed &= (e.deep > _MIXED_CELLS) & (e.trace > _MIXED_TRACE)
    kind[0], mixed[0] = Kind.NONE, False
    out = kind[areas.near]
    if mixed.any():
        touched = near(cues.tissue, _SQUARE)
        swab = _vote((cues.cloth | cues.step) & ~touched, cues, past)
        kinds = np.where(swab, np.uint8(Kind.SWAB), np.uint8(Kind.RELEVANT))
        out = np.where(mixed[areas.near], kinds, out)
    return _fill(out, areas, cues)


def _vote(white: Flags, cues: Cues, past: Past) -> Flags:
    """Return where cloth outweighs tissue, what lies nearer counting for more."""
    against = (cues.tissue & ~cues.pale) | (cues.faint > 0)
    lean = (white & ~near(against, _AROUND)).astype(np.float32)
    lean -= cues.tissue * np.float32(_VOTES["fade"])
    lean -= cues.faint * np.float32(_VOTES["trace"])
    lean += past.cloth * np.float32(_VOTES["past"])
    lean -= past.tissue * np.float32(_VOTES["past"])
    score = np.zeros(lean.shape, np.float32)
    for size in _VOTE_SIZES:
        score += cv2.blur(lean, (size, size), borderType=cv2.BORDER_CONSTANT)
    return score > 0


def _fill(out: Codes, areas: Areas, cues: Cues) -> Codes:
    """Decide what lies in no area by itself and by what it lies beside."""
    np.copyto(out, np.uint8(Kind.RELEVANT), where=(areas.own == 0) & cues.tissue)
    rest = out == Kind.NONE
    beside = cv2.dilate(out, np.ones((5, 5), np.uint8))
    np.copyto(beside, np.uint8(Kind.UNDECIDED), where=beside == Kind.NONE)
    np.copyto(out, beside, where=rest)
    np.copyto(out, np.uint8(Kind.SWAB), where=rest & cues.cloth)
    narrow = (out == Kind.SWAB) & ~near(cues.body, _BESIDE)
    np.copyto(out, np.uint8(Kind.UNDECIDED), where=narrow)
    return out
