"""The burnt-out area of a frame, told apart: what matters, swabs, glints, the unknown.

Private to `qc.measures.highlights`. Areas are told apart on the small picture; each
block of 4 x 4 pixels that holds burnt-out ones gets the kind of the place it lies in.
What cannot be told is a kind of its own, and is judged like what matters.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.brightblocks import BLOCK, at_least, block_counts
from qc.measures.brightcues import Cues, Plane, Scene, read_cues
from qc.measures.brightfeatures import FEATURES, features_of
from qc.measures.brightpast import BrightMemory, Past
from qc.measures.brightweights import RELEVANT_TO, SWAB_FROM, SWAB_TO, merits
from qc.records import Picture
from qc.views import luma_histogram, proxy_luma, proxy_rgb

__all__ = [
    "BrightMemory",
    "Kind",
    "Look",
    "Parts",
    "Split",
    "classify",
    "look_at",
    "split",
    "whole",
]

Flags = NDArray[np.bool_]
Codes = NDArray[np.uint8]
Numbers = NDArray[np.float64]

_SQUARE = np.ones((3, 3), np.uint8)
_AROUND = np.ones((9, 9), np.uint8)
_BESIDE = np.ones((7, 7), np.uint8)

# A glint is no larger than a square of this share of the picture's width ...
_GLINT_WIDTH = 0.016
# ... and what lies around it stays under this share of the level; where it comes and
# goes from one look to the next, a brighter surrounding is let pass.
_GLINT_AROUND, _FLICKER_AROUND, _FLICKERS = 0.86, 0.94, 0.6
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
# A cell with less of its pixels burnt out is not worth a row of its own.
_ANY_BURNT = 0.02
# The verdict of a place is that of this square of cells.
_SMOOTH = (3, 3)
# What there must be to go by: shares of edge, rim, shade and of places not quite at
# the end, within the wider square.
_KNOWN = [FEATURES.index(f"wide {n}") for n in ("told", "shade", "rim per edge", "step")]
_LEAST_KNOWN = 0.02
# So many stops of blue off, cotton, cream gloves and fat may each be the white one.
_CAST, _GROSS_CAST = FEATURES.index("cast"), 1.3
_NO_WHITE = FEATURES.index("no white")
_PAST_CELLS, _PAST_SHARE = 9, 0.5


class Kind(IntEnum):
    """What a block of burnt-out pixels is."""

    NONE = 0
    RELEVANT = 1
    SWAB = 2
    GLINT = 3
    UNDECIDED = 4


@dataclass(frozen=True, slots=True, eq=False)
class Split:
    """A frame's burnt-out area by blocks of 4 x 4 pixels.

    Attributes
    ----------
    kinds : (bh, bw) array of uint8
        A `Kind` for every block.
    counts : (bh, bw) array of uint8
        Burnt-out pixels of every block, 0 to 16.
    """

    kinds: Codes
    counts: Codes


@dataclass(frozen=True, slots=True, eq=False)
class Parts:
    """A frame's burnt-out pixels by what they are: disjoint masks of the whole picture.

    Attributes
    ----------
    relevant, swab, glint, undecided : (H, W) arrays of bool
        What is judged is `relevant` together with `undecided`.
    """

    relevant: Flags
    swab: Flags
    glint: Flags
    undecided: Flags


def classify(picture: Picture, *, code: int, memory: BrightMemory) -> Parts:
    """Tell apart what of a picture is at or above a level.

    Parameters
    ----------
    code : int
        First luma code that counts as burnt out.
    memory : BrightMemory
        The take so far; it learns from this picture.
    """
    mask = at_least(picture.y, code)
    found = split(picture, mask, block_counts(mask), code=code, memory=memory)
    full = whole(found.kinds, picture.y.shape) * mask
    return Parts(
        full == Kind.RELEVANT,
        full == Kind.SWAB,
        full == Kind.GLINT,
        full == Kind.UNDECIDED,
    )


def whole(kinds: Codes, shape: tuple[int, ...]) -> Codes:
    """Spread kinds of blocks over the pixels of a picture of this shape."""
    rows = np.repeat(kinds, BLOCK, axis=0)[: shape[0]]
    return np.repeat(rows, BLOCK, axis=1)[:, : shape[1]]


def split(
    picture: Picture, mask: Codes, counts: Codes, *, code: int, memory: BrightMemory
) -> Split:
    """Tell apart the burnt-out blocks of a picture.

    Parameters
    ----------
    mask : (H, W) array of uint8
        1 where the picture is at or above the level.
    counts : (bh, bw) array of uint8
        What `block_counts` gives of it.
    code : int
        First luma code that counts.
    memory : BrightMemory
        The take so far; it learns from this picture.
    """
    if picture.damaged or not mask.size:
        # A broken picture shows neither colours nor edges to go by.
        kinds = np.where(counts > 0, np.uint8(Kind.UNDECIDED), np.uint8(0))
        return Split(kinds, counts)
    look = look_at(picture, mask, counts, code=code, memory=memory)
    cells = _decide(look)
    size = counts.shape[::-1]
    kinds = np.asarray(
        cv2.resize(cells, size, interpolation=cv2.INTER_NEAREST), np.uint8
    )
    kinds[counts == 0] = Kind.NONE
    _find_glints(kinds, counts, look.scene, look.past, picture.width)
    return Split(kinds, counts)


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """One picture as it is judged: what it shows, what was there, and the features.

    Attributes
    ----------
    at : (n,) array
        Flat indices of the cells that hold burnt-out pixels, or lie beside one.
    features : (n, len(FEATURES)) array of float32
        See `qc.measures.brightfeatures`.
    rules : (h, w) array of uint8
        The kind of each cell by rules of thumb alone.
    """

    scene: Scene
    cues: Cues
    past: Past
    at: NDArray[np.intp]
    features: Plane
    rules: Codes


def look_at(
    picture: Picture, mask: Codes, counts: Codes, *, code: int, memory: BrightMemory
) -> Look:
    """Measure the burnt-out places of a picture; arguments as for `split`."""
    level = picture.signal.percent(code) / 100
    luma = picture.view(proxy_luma) * np.float32(0.01)
    scene = Scene(
        rgb=picture.view(proxy_rgb),
        luma=luma,
        burnt=_burnt_shares(mask, counts, luma.shape),
        level=level,
        end=memory.reach(max(_end_of(picture), level)),
        transfer=picture.signal.transfer,
        matrix=picture.signal.matrix,
    )
    cues = read_cues(scene)
    past = memory.recall(scene, cues.colour)
    areas = _Areas.of(cues.pale)
    at = np.flatnonzero(scene.burnt > _ANY_BURNT)
    evidence = _weigh(cues, past, areas)
    features = features_of(scene, cues, at, (areas.near, evidence.table))
    rules = _by_rules(cues, past, areas, evidence)
    return Look(scene, cues, past, at, features, rules)


def _burnt_shares(mask: Codes, counts: Codes, shape: tuple[int, ...]) -> Plane:
    """Return the share of burnt-out pixels in each cell of the small picture."""
    size = (shape[1], shape[0])
    if mask.shape[1] < 2 * BLOCK * shape[1]:
        # Cells smaller than two blocks: from the pixels themselves.
        shares = cv2.resize(mask.astype(np.float32), size, interpolation=cv2.INTER_AREA)
        return np.asarray(shares, np.float32)
    part = cv2.resize(counts.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    return np.asarray(part / np.float32(BLOCK * BLOCK), np.float32)


def _end_of(picture: Picture) -> float:
    """Return the luma at which this picture's highlights pile up, 1 is nominal white.

    Coding noise and overshoot scatter a few pixels above the camera's end, so that not
    the highest code counts but the fullest among the highest.
    """
    counts = picture.view(luma_histogram)
    signal = picture.signal
    over = np.flatnonzero(np.cumsum(counts[::-1])[::-1] > counts.sum() * 1e-4)
    top = int(over[-1]) if over.size else 0
    low = max(top - max(round(0.06 * (signal.white - signal.black)), 1), 0)
    return signal.percent(low + int(np.argmax(counts[low : top + 1]))) / 100


def _near(flags: Flags, kernel: NDArray[np.uint8]) -> Flags:
    """Return what lies within the kernel of the flagged cells."""
    return np.asarray(cv2.dilate(flags.view(np.uint8), kernel) > 0, np.bool_)


@dataclass(frozen=True, slots=True, eq=False)
class _Areas:
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
    def of(cls, pale: Flags) -> _Areas:
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
class _Evidence:
    """What speaks in each pale area, (number,) arrays: see `_weigh`."""

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


def _weigh(cues: Cues, past: Past, areas: _Areas) -> _Evidence:
    """Add up what speaks for and against cloth in each pale area."""
    touched = _near(cues.tissue, _SQUARE)
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
    return _Evidence(coloured, white, plain, trace, deep, cells)


def _by_rules(cues: Cues, past: Past, areas: _Areas, e: _Evidence) -> Codes:
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
        touched = _near(cues.tissue, _SQUARE)
        swab = _vote((cues.cloth | cues.step) & ~touched, cues, past)
        kinds = np.where(swab, np.uint8(Kind.SWAB), np.uint8(Kind.RELEVANT))
        out = np.where(mixed[areas.near], kinds, out)
    return _fill(out, areas, cues)


def _vote(white: Flags, cues: Cues, past: Past) -> Flags:
    """Return where cloth outweighs tissue, what lies nearer counting for more."""
    against = (cues.tissue & ~cues.pale) | (cues.faint > 0)
    lean = (white & ~_near(against, _AROUND)).astype(np.float32)
    lean -= cues.tissue * np.float32(_VOTES["fade"])
    lean -= cues.faint * np.float32(_VOTES["trace"])
    lean += past.cloth * np.float32(_VOTES["past"])
    lean -= past.tissue * np.float32(_VOTES["past"])
    score = np.zeros(lean.shape, np.float32)
    for size in _VOTE_SIZES:
        score += cv2.blur(lean, (size, size), borderType=cv2.BORDER_CONSTANT)
    return score > 0


def _fill(out: Codes, areas: _Areas, cues: Cues) -> Codes:
    """Decide what lies in no area by itself and by what it lies beside."""
    np.copyto(out, np.uint8(Kind.RELEVANT), where=(areas.own == 0) & cues.tissue)
    rest = out == Kind.NONE
    beside = cv2.dilate(out, np.ones((5, 5), np.uint8))
    np.copyto(beside, np.uint8(Kind.UNDECIDED), where=beside == Kind.NONE)
    np.copyto(out, beside, where=rest)
    np.copyto(out, np.uint8(Kind.SWAB), where=rest & cues.cloth)
    narrow = (out == Kind.SWAB) & ~_near(cues.body, _BESIDE)
    np.copyto(out, np.uint8(Kind.UNDECIDED), where=narrow)
    return out


def _decide(look: Look) -> Codes:
    """Return the kind of each cell; what holds next to nothing is as what is beside.

    What the rules of thumb say stands unless the fitted merit clearly speaks against
    it; where they say nothing, the merit decides, in doubt for what matters.
    """
    shape = look.scene.luma.shape
    total, weight = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
    total.ravel()[look.at] = merits(look.features)
    weight.ravel()[look.at] = 1
    total = cv2.blur(total, _SMOOTH, borderType=cv2.BORDER_CONSTANT)
    weight = cv2.blur(weight, _SMOOTH, borderType=cv2.BORDER_CONSTANT)
    merit = total / np.maximum(weight, 1e-6)
    out = look.rules.copy()
    if look.at.size and _white_is_known(look.features[0]):
        out[(out == Kind.SWAB) & (merit < SWAB_TO)] = Kind.UNDECIDED
        out[(out == Kind.RELEVANT) & (merit > RELEVANT_TO)] = Kind.SWAB
        out[(look.rules == Kind.UNDECIDED) & (merit > SWAB_FROM)] = Kind.SWAB
    _overrule(out, look, look.past)
    return out


def _white_is_known(row: Plane) -> bool:
    """Return whether colours mean anything: a white is in sight, and nearly right."""
    return bool(row[_NO_WHITE] == 0 and row[_CAST] <= _GROSS_CAST)


def _overrule(out: Codes, look: Look, past: Past) -> None:
    """Let what is known for sure, and what is too little to go by, win; in place."""
    scene, cues = look.scene, look.cues
    known = look.features[:, _KNOWN].sum(axis=1)
    blind = np.zeros(out.shape, np.bool_)
    blind.ravel()[look.at[known < _LEAST_KNOWN]] = True
    out[blind] = Kind.UNDECIDED
    # What is as narrow as an instrument is not taken for cloth.
    narrow = ~_near(cues.body, _BESIDE)
    out[(out == Kind.SWAB) & narrow] = Kind.UNDECIDED
    if past.tissue.any() or past.cloth.any():
        size = (_PAST_CELLS, _PAST_CELLS)
        tissue, cloth, burnt = (
            cv2.blur(f.astype(np.float32), size)
            for f in (past.tissue, past.cloth, scene.burnt > 0.5)
        )
        out[(tissue > _PAST_SHARE * burnt) & (tissue > cloth)] = Kind.RELEVANT
        out[(cloth > _PAST_SHARE * burnt) & (cloth > 2 * tissue) & ~narrow] = Kind.SWAB


def _find_glints(
    kinds: Codes, counts: Codes, scene: Scene, past: Past, width: int
) -> None:
    """Mark what is tiny and steep, or tiny and flickering, as glints, in place."""
    level, size = scene.level, (5, 5)
    lit = 0.5 * (level + scene.end)
    rest = np.maximum(scene.luma - scene.burnt * np.float32(lit), 0)
    free = np.maximum(cv2.blur(1 - scene.burnt, size), 0.05)
    around = cv2.blur(rest, size) / free
    limit = np.where(past.flickers, _FLICKER_AROUND, _GLINT_AROUND) * level
    steep = (limit - around).astype(np.float32)
    number, labels = cv2.connectedComponents(counts, connectivity=8, ltype=cv2.CV_32S)
    filled = np.flatnonzero(counts)
    flat = labels.ravel()[filled]
    pixels = np.bincount(flat, counts.ravel()[filled], number)
    drop = cv2.resize(steep, counts.shape[::-1], interpolation=cv2.INTER_NEAREST)
    drops = np.bincount(flat, drop.ravel()[filled], number)
    glint = (pixels <= max((_GLINT_WIDTH * width) ** 2, 9.0)) & (drops > 0)
    glint[0] = False
    kinds[glint[labels]] = Kind.GLINT
