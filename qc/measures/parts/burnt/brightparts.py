"""The burnt-out area of a frame, told apart: what matters, swabs, glints, the unknown.

Private to `qc.measures.highlights`. Areas are told apart on the small picture; each
block of 4 x 4 pixels that holds burnt-out ones gets the kind of the place it lies in.
What cannot be told is a kind of its own, and is judged like what matters.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.burnt.brightblocks import BLOCK, at_least, block_counts
from qc.measures.parts.burnt.brightcues import Cues, Plane, Scene, read_cues
from qc.measures.parts.burnt.brightfeatures import FEATURES, features_of
from qc.measures.parts.burnt.brightpast import BrightMemory, Past
from qc.measures.parts.burnt.brightrules import Areas, Kind, by_rules, near, weigh
from qc.measures.parts.burnt.brightweights import (
    RELEVANT_TO,
    SWAB_FROM,
    SWAB_TO,
    merits,
)
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

_BESIDE = np.ones((7, 7), np.uint8)
_JOIN = np.ones((3, 3), np.uint8)

# A glint is no larger than a square of this share of the picture's width ...
_GLINT_WIDTH = 0.016
# ... and what lies around it stays under this share of the level; where it comes and
# goes from one look to the next, a brighter surrounding is let pass.
_GLINT_AROUND, _FLICKER_AROUND, _FLICKERS = 0.86, 0.94, 0.6
# A cell with less of its pixels burnt out is not worth a row of its own.
_ANY_BURNT = 0.02
# The verdict of a place is that of this square of cells.
_SMOOTH = (3, 3)
# What there must be to go by: shares of edge, rim, shade and of places not quite at
# the end, within the wider square.
_KNOWN = [
    FEATURES.index(f"wide {n}") for n in ("told", "shade", "rim per edge", "step")
]
_LEAST_KNOWN = 0.02
# So many stops of blue off, cotton, cream gloves and fat may each be the white one.
_CAST, _GROSS_CAST = FEATURES.index("cast"), 1.3
_NO_WHITE = FEATURES.index("no white")
_PAST_CELLS, _PAST_SHARE = 9, 0.5


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
        See `qc.measures.parts.burnt.brightfeatures`.
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
    areas = Areas.of(cues.pale)
    at = np.flatnonzero(scene.burnt > _ANY_BURNT)
    evidence = weigh(cues, past, areas)
    features = features_of(scene, cues, at, (areas.near, evidence.table))
    rules = by_rules(cues, past, areas, evidence)
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


def _decide(look: Look) -> Codes:
    """Return the kind of each cell; what holds next to nothing is as what is beside.

    What the rules of thumb say stands unless the fitted merit clearly speaks against
    it; where they say nothing, the merit decides, in doubt for what matters.
    """
    shape = look.scene.luma.shape
    own, one = np.zeros((2, *shape), np.float32)
    own.ravel()[look.at] = merits(look.features)
    one.ravel()[look.at] = 1
    total, weight = (
        cv2.blur(plane, _SMOOTH, borderType=cv2.BORDER_CONSTANT) for plane in (own, one)
    )
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
    swab = cv2.dilate((out == Kind.SWAB).astype(np.uint8), _JOIN)
    broad = cv2.morphologyEx(swab, cv2.MORPH_OPEN, _BESIDE) > 0
    narrow = ~near(cues.body | broad, _BESIDE)
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
