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
from qc.measures.parts.burnt.brightcues import Plane, Scene, stops_of
from qc.measures.parts.burnt.brightfeatures import FEATURES, Places, places_of
from qc.measures.parts.burnt.brightkinds import Kind
from qc.measures.parts.burnt.brightpast import BrightMemory, Past
from qc.measures.parts.burnt.brightpeaks import glints
from qc.measures.parts.burnt.brightweights import RELEVANT_TO, SWAB_FROM, merits
from qc.measures.parts.burnt.brightwhite import white_of
from qc.records import Picture
from qc.views import luma_histogram, proxy_luma, proxy_rgb

__all__ = [
    "BrightMemory",
    "Kind",
    "Look",
    "Parts",
    "Split",
    "classify",
    "end_of",
    "kinds_of",
    "look_at",
    "scene_of",
    "split",
    "whole",
]

Flags = NDArray[np.bool_]
Codes = NDArray[np.uint8]

_BESIDE = np.ones((7, 7), np.uint8)
# As narrow as an instrument's shaft is no cloth: 7 cells are 3 % of the width.
_BODY = np.ones((7, 7), np.uint8)
_JOIN = np.ones((3, 3), np.uint8)
# From this merit on even a narrow shred is cloth: more than four to one.
_CLEAR_MERIT = 1.5

# The merit of a place is that of this square of places.
_SMOOTH = (3, 3)
# What there must be to go by: not burnt out, not quite at the end, or an edge, within
# the widest square.
_KNOWN = [FEATURES.index(f"vast {n}") for n in ("told", "rim", "edge")]
_ALL_BURNT = FEATURES.index("vast burnt")
_LEAST_KNOWN = 0.02
# A white this many stops of blue off, as the picture shows it, is further off than the
# weights can follow: what they are given ends there. A lamp of 3050 K under a balance
# for 5600 K is 1.44 stops off, and may look like 1.56.
_CAST, _GROSS_CAST = FEATURES.index("cast"), 1.75
# Of the picture: so much may burn as cloth, and so many times more as there is tissue
# in sight that does not burn. Where hardly any is left, a field that is blown out whole
# must not pass for a sheet (house choice).
_TISSUE = FEATURES.index("tissue in all")
_MOST_CLOTH, _CLOTH_PER_TISSUE = 1 / 6, 25.0
_PAST_CELLS, _PAST_SHARE = 9, 0.5
# An area is what it was where so much of it is remembered, so many times as tissue.
_AREA_PAST, _CLEARLY = 0.3, 4


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
    counts = block_counts(picture.y, code)
    found = split(picture, counts, code=code, memory=memory)
    full = whole(found.kinds, picture.y.shape) * at_least(picture.y, code)
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


def split(picture: Picture, counts: Codes, *, code: int, memory: BrightMemory) -> Split:
    """Tell apart the burnt-out blocks of a picture.

    Parameters
    ----------
    counts : (bh, bw) array of uint8
        What `block_counts` gives at `code`.
    code : int
        First luma code that counts.
    memory : BrightMemory
        The take so far; it learns from this picture.
    """
    if picture.damaged or not picture.y.size:
        # A broken picture shows neither colours nor edges to go by.
        kinds = np.where(counts > 0, np.uint8(Kind.UNDECIDED), np.uint8(0))
        return Split(kinds, counts)
    look = look_at(picture, counts, code=code, memory=memory)
    kinds = kinds_of(look, counts, memory, picture.pts)
    asked = (kinds == Kind.RELEVANT) | (kinds == Kind.UNDECIDED)
    found = glints(picture.y, picture.signal, counts, asked, look.scene)
    kinds[found] = Kind.GLINT
    return Split(kinds, counts)


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """One picture as it is judged: what it shows, what was there, and the features.

    Attributes
    ----------
    colour : (2, h, w) array of float32
        Stops of red and blue over green.
    places : Places
        See `qc.measures.parts.burnt.brightfeatures`.
    """

    scene: Scene
    colour: Plane
    past: Past
    places: Places


def scene_of(
    picture: Picture, counts: Codes, *, code: int, memory: BrightMemory
) -> Scene:
    """Return what a picture is judged by; arguments as for `split`."""
    level = picture.signal.percent(code) / 100
    luma = picture.view(proxy_luma) * np.float32(0.01)
    return Scene(
        rgb=picture.view(proxy_rgb),
        luma=luma,
        burnt=_burnt_shares(picture.y, code, counts, luma.shape),
        level=level,
        end=memory.reach(max(end_of(picture), level)),
        transfer=picture.signal.transfer,
        matrix=picture.signal.matrix,
    )


def look_at(
    picture: Picture, counts: Codes, *, code: int, memory: BrightMemory
) -> Look:
    """Measure the burnt-out places of a picture; arguments as for `split`."""
    scene = scene_of(picture, counts, code=code, memory=memory)
    colour = stops_of(scene.rgb, scene.transfer)
    past = memory.recall(scene, colour)
    white = memory.steady_white(white_of(scene, colour))
    return Look(scene, colour, past, places_of(scene, colour, white))


def kinds_of(look: Look, counts: Codes, memory: BrightMemory, pts: int) -> Codes:
    """Return the kind of each block of a picture, glints not yet told apart."""
    merit = _merit(look.places, look.scene.luma.shape)
    cells = _decide(look, memory.settle(merit, look.scene.burnt, pts))
    size = counts.shape[::-1]
    kinds = np.asarray(
        cv2.resize(cells, size, interpolation=cv2.INTER_NEAREST), np.uint8
    )
    kinds[counts == 0] = Kind.NONE
    return kinds


def _burnt_shares(
    y: NDArray[np.unsignedinteger], code: int, counts: Codes, shape: tuple[int, ...]
) -> Plane:
    """Return the share of burnt-out pixels in each cell of the small picture."""
    size = (shape[1], shape[0])
    if y.shape[1] < 2 * BLOCK * shape[1]:
        # Cells smaller than two blocks: from the pixels themselves.
        pixels = (y >= code).astype(np.float32)
        shares = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA)
        return np.asarray(shares, np.float32)
    part = cv2.resize(counts.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    return np.asarray(part / np.float32(BLOCK * BLOCK), np.float32)


def end_of(picture: Picture) -> float:
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


def _decide(look: Look, merit: Plane) -> Codes:
    """Return the kind of each cell; what holds next to nothing is as what is beside.

    The fitted merit decides, in doubt for what matters. Under a white that is off by
    more than what was fitted merits mean nothing, and nothing can be told.
    """
    places = look.places
    out = np.full(merit.shape, Kind.UNDECIDED, np.uint8)
    if places.at.size and places.rows[0, _CAST] <= _GROSS_CAST:
        out[merit < RELEVANT_TO] = Kind.RELEVANT
        out[merit > SWAB_FROM] = Kind.SWAB
    _overrule(out, look, merit)
    cloth = out == Kind.SWAB
    tissue = float(places.rows[0, _TISSUE]) if places.at.size else 0.0
    most = _MOST_CLOTH + _CLOTH_PER_TISSUE * tissue
    if look.scene.burnt[cloth].sum() > most * out.size:
        out[cloth] = Kind.UNDECIDED
    return out


def _merit(places: Places, shape: tuple[int, ...]) -> Plane:
    """Return the merit of each cell, drawn smoothly from that of places."""
    own, weight = np.zeros((2, *places.shape), np.float32)
    own.ravel()[places.at] = merits(places) * places.burnt
    weight.ravel()[places.at] = places.burnt
    pair = cv2.blur(cv2.merge([own, weight]), _SMOOTH, borderType=cv2.BORDER_CONSTANT)
    rows, columns = places.shape
    large = cv2.resize(pair, (2 * columns, 2 * rows), interpolation=cv2.INTER_LINEAR)
    total, of = cv2.split(large[: shape[0], : shape[1]])
    return np.asarray(total / np.maximum(of, 1e-6), np.float32)


def _overrule(out: Codes, look: Look, merit: Plane) -> None:
    """Let what is known for sure, and what is too little to go by, win; in place."""
    scene, places, past = look.scene, look.places, look.past
    known = places.rows[:, _KNOWN].sum(axis=1) + 1 - places.rows[:, _ALL_BURNT]
    if (known < _LEAST_KNOWN).any():
        blind = np.zeros(places.shape, np.uint8)
        blind.ravel()[places.at[known < _LEAST_KNOWN]] = 1
        rows, columns = out.shape
        wide = np.repeat(np.repeat(blind, 2, axis=0), 2, axis=1)[:rows, :columns]
        out[wide > 0] = Kind.UNDECIDED
    # What is as narrow as an instrument is not taken for cloth, unless it is clear.
    cloth = ((out == Kind.SWAB) & (scene.burnt > 0.3)) | (places.white > 0)
    joined = cv2.morphologyEx(cloth.astype(np.uint8), cv2.MORPH_CLOSE, _JOIN)
    broad = cv2.morphologyEx(joined, cv2.MORPH_OPEN, _BODY)
    narrow = cv2.dilate(broad, _BESIDE) == 0
    out[(out == Kind.SWAB) & narrow & (merit < _CLEAR_MERIT)] = Kind.UNDECIDED
    if past.tissue.any() or past.cloth.any():
        size = (_PAST_CELLS, _PAST_CELLS)
        tissue, white, burnt = (
            cv2.blur(f.astype(np.float32), size)
            for f in (past.tissue, past.cloth, scene.burnt > 0.5)
        )
        out[(tissue > _PAST_SHARE * burnt) & (tissue > white)] = Kind.RELEVANT
        out[_once_tissue(scene.burnt > 0.5, past)] = Kind.RELEVANT
        out[(white > _PAST_SHARE * burnt) & (white > 2 * tissue) & ~narrow] = Kind.SWAB


def _once_tissue(burnt: Flags, past: Past) -> Flags:
    """Return the burnt areas of which enough is remembered, and as tissue."""
    number, labels = cv2.connectedComponents(burnt.view(np.uint8), connectivity=4)
    cells = np.bincount(labels.ravel(), minlength=number)
    tissue, white = (
        np.bincount(labels[f], minlength=number) for f in (past.tissue, past.cloth)
    )
    found = (tissue > _AREA_PAST * cells) & (tissue > _CLEARLY * white)
    found[0] = False
    return np.asarray(found[labels], np.bool_)
