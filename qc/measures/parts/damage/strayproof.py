"""Looks closer at pictures that may not belong between their neighbours."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.damage.straydetail import (
    ALIKE,
    FLAT,
    STRIPS,
    UNLIKE,
    Detail,
    fit_of,
    flat_strips,
    has_edge,
    kind_of,
    laid_over,
    likeness,
    rolled_fit,
)
from qc.measures.parts.damage.straylooks import (
    PAST_STEP,
    SHORT,
    Around,
    Past,
    Seen,
    Stray,
    around_of,
)
from qc.measures.parts.level.smallcells import ROWS

__all__ = ["judged"]

_Array = NDArray[np.float32]
_Flags = NDArray[np.bool_]

_AREA = cv2.INTER_AREA
_KINDS = {"flat", "other", "shifted", "rolled"}
_ALL = 0, STRIPS
_WHOLE, _MOST, _FEW = 0.8, 0.4, 8  # of the strips; so many strips
# Whole pictures: tiles that neighbours share; of these lost, and kept, at most.
_HOLDS, _OFF, _SAME = 0.3, 0.55, 0.2
# Where a line changes at both ends of a group: times what is usual and so many percent
# more; times what its neighbours differ.
_UNUSUAL, _LEAST, _APART = 2.0, 0.2, 1.5
_MOVED = 1.0  # %: neighbours that differ by more are laid over each other first
_CALM = 0.2  # of a group's change: what may change beside it
_DARKER, _ONE_WAY = 1.0, 0.98  # %; of the cells
_GRAIN = 0.3  # correlation of neighbouring pixels
_BROKEN = 0.3  # of the rest of a torn picture
# Of the change: how near an old picture comes again, and how near it stayed then, two
# pictures before and two behind.
_AGAIN, _AROUND, _LASTED = 0.2, 0.5, 2
_LEAST_CELLS = 36  # that have moved since an old picture


def judged(seen: Sequence[Seen], group: tuple[int, int], past: Past) -> Stray | None:
    """Tell whether a group of pictures is stray.

    Parameters
    ----------
    seen : sequence of Seen
        Pictures in a row, the group and those around it among them.
    group : (first, last)
        Rows, half-open.
    past : Past
        Earlier pictures.
    """
    around = around_of(seen, group)
    if around is None:
        return None
    ends, short = around.ends, len(around.group) <= SHORT
    lines = ends > _UNUSUAL * around.usual + _LEAST
    if not lines.any() or not _calm(around, lines):
        return None
    apart = np.abs(around.before.cells - around.behind.cells).mean(axis=1)
    if short and (lines & (ends > _APART * apart))[ROWS:].any():
        found = _by_colour(around)
        if found is not None:
            return found
    pair = around.before.luma, around.behind.luma
    if float(apart[:ROWS].mean()) > _MOVED:
        pair = laid_over(*pair) or pair
        rest = cv2.resize(np.abs(pair[0] - pair[1]), (1, ROWS), None, 0, 0, _AREA)
        apart[:ROWS] = np.minimum(apart[:ROWS], rest[:, 0])
    lines = (lines & (ends > _APART * apart))[:ROWS]
    if not lines.any():
        return None
    found = _by_detail(around, lines, pair)
    if found is None and short:
        found = _old(around, lines, past)
    return found


def _calm(around: Around, lines: _Flags) -> bool:
    """Tell whether nothing else happens beside the group, as when a thing darts by.

    A hand that comes before the lens covers other lines in the picture before.
    """
    much = _CALM * float(around.ends[lines].sum())
    most = max(much, 1.5 * float(around.usual[lines].sum()))
    rest = much + 1.5 * float(around.most[~lines].sum())
    return all(
        float(change[lines].sum()) <= most and float(change[~lines].sum()) <= rest
        for change in around.calm
    )


def _by_detail(
    around: Around, lines: _Flags, pair: tuple[_Array, _Array]
) -> Stray | None:
    """Tell of pictures that have lost the detail that their neighbours share.

    Parameters
    ----------
    pair : two (h, w) arrays
        The neighbours, laid over each other.
    """
    p, q = (Detail.of(x) for x in pair)
    one = Detail.of(around.group[0].luma)
    # What keeps its pattern is only lit otherwise.
    lost = (p.power > FLAT**2) & (likeness(one, p) < UNLIKE)
    if not ((lost.sum(axis=1) >= 2) | flat_strips(one, p, q)).any():
        return None
    if len(around.group) > SHORT and kind_of(one, p, q, _ALL, whole=True) != "rolled":
        return None
    group = [one, *(Detail.of(s.luma) for s in around.group[1:])]
    marks = _marks(group, p, q, lines)
    whole = marks.whole or (not marks.told.any() and _cut_like(around, p, group))
    band = _ALL if whole else _band(marks.told, marks.useful)
    if band[0] == band[1]:
        return None
    kinds = {kind_of(x, p, q, band, whole=whole) for x in group}
    if "rolled" in kinds and kinds <= {"rolled", None, "moved"}:
        # One that has rolled nearly all the way round looks as if it had not.
        kind = "rolled"
    elif len(group) > SHORT or None in kinds:
        return None
    elif "moved" in kinds:
        if not _quiet(around):
            return None
        kind = "other"
    else:
        kind = str(kind_of(one, p, q, band, whole=whole))
    if kind == "other" and all(_only_lit(s, around, band) for s in around.group):
        return None
    if not whole and not _torn(around, pair, band, kind, marks):
        return None
    first, last = around.group[0].row, around.behind.row
    return Stray(first, last, band[0] / STRIPS, band[1] / STRIPS, kind)


class _Marks(NamedTuple):
    """Where pictures of a group have lost their neighbours' detail.

    Attributes
    ----------
    told, useful : (strips,) arrays
        Strips that have; those of which something can be said.
    holds, stray, broken : (strips, parts) arrays
        Tiles that the neighbours share; those lost in all pictures, and in any.
    plain : (strips, parts) array
        Tiles without detail, of which the level is another.
    whole : bool
        Whether it is so nearly everywhere.
    """

    told: _Flags
    useful: _Flags
    holds: _Flags
    stray: _Flags
    broken: _Flags
    plain: _Flags
    whole: bool


def _marks(group: list[Detail], p: Detail, q: Detail, lines: _Flags) -> _Marks:
    holds = (np.minimum(p.power, q.power) > FLAT**2) & (likeness(p, q) >= ALIKE)
    held = max(int(holds.sum()), 1)
    level = 4.0 * np.abs(p.level - q.level) + 2.0
    told, useful = lines.copy(), np.zeros(STRIPS, bool)
    stray, broken, plain = holds.copy(), np.zeros_like(holds), ~holds
    whole = bool(holds.mean() > _HOLDS and lines.mean() > _MOST)
    for x in group:
        like = np.maximum(likeness(x, p), likeness(x, q))
        off, same = holds & (like < UNLIKE), holds & (like > ALIKE)
        flat = flat_strips(x, p, q)
        told &= ((off.sum(axis=1) >= 2) & ~same.any(axis=1)) | flat
        useful |= (off | same).any(axis=1) | flat
        stray &= off
        broken |= off
        plain &= np.abs(x.level - p.level) > level
        whole &= bool(off.sum() > _OFF * held and same.sum() < _SAME * held)
    most = _WHOLE * max(int(useful.sum()), 1)
    whole |= bool(told.sum() >= most >= _FEW and lines.mean() > _WHOLE)
    return _Marks(told, useful, holds, stray, broken, plain, whole)


def _torn(
    around: Around,
    pair: tuple[_Array, _Array],
    band: tuple[int, int],
    kind: str,
    marks: _Marks,
) -> bool:
    """Tell whether a band is off from side to side, between sharp edges, and no more.

    A hand or an instrument is not as wide as the picture, nor are its edges lines of
    it; in a knock all of the picture moves.
    """
    top, bottom = band
    outside = np.ones(STRIPS, bool)
    outside[max(top - 1, 0) : bottom + 1] = False
    if marks.broken[outside].sum() > _BROKEN * marks.holds[outside].sum():
        return False
    if kind == "shifted":
        return True
    across = marks.stray[top:bottom].mean(axis=0) >= 0.5
    plain = marks.plain[top:bottom].mean(axis=0) >= 0.5
    if kind == "other" and not (
        bottom - top >= 2 and across.sum() >= 2 and (across | plain).all()
    ):
        return False
    edges = [edge for edge in band if 0 < edge < STRIPS]
    off = [np.abs(s.luma - pair[0]).mean(axis=1) for s in around.group]
    return all(has_edge(one, edge, band) for one in off for edge in edges)


def _only_lit(one: Seen, around: Around, band: tuple[int, int]) -> bool:
    """Tell whether a picture is nowhere darker than both neighbours, or brighter.

    A lamp from elsewhere shows other detail; but it takes no light away. Noise is known
    by itself: nothing in it is alike from one pixel to the next.
    """
    rows = slice(*band)
    x, p = one.cells[:ROWS][rows], around.before.cells[:ROWS][rows]
    q = around.behind.cells[:ROWS][rows]
    more = float((x > np.minimum(p, q) - _DARKER).mean())
    less = float((x < np.maximum(p, q) + _DARKER).mean())
    if max(more, less) < _ONE_WAY:
        return False
    height = len(one.luma)
    a, b = (round(edge * height / STRIPS) for edge in band)
    detail = Detail.of(one.luma).detail[a:b]
    return fit_of(detail[:, 1:].ravel(), detail[:, :-1].ravel()) > _GRAIN


def _quiet(around: Around) -> bool:
    """Tell whether the camera rests, or goes on steadily, on both sides of a group."""
    most = _CALM * float(around.ends.sum())
    return all(float(change.sum()) <= most for change in around.calm)


def _cut_like(around: Around, p: Detail, group: list[Detail]) -> bool:
    """Tell of quite another picture where all moves too fast to be followed."""
    usual, apart = around.usual[:ROWS], around.before.cells - around.behind.cells
    between = np.abs(apart[:ROWS]).mean(axis=1)
    ends = around.ends[:ROWS]
    far = (ends > 2.5 * usual) & (ends > 2.0 * between) & (ends > 3.0)
    if far.mean() < 0.85:
        return False
    ref = around.before.cells[:ROWS].ravel()
    for seen, x in zip(around.group, group, strict=True):
        alike = fit_of(seen.cells[:ROWS].ravel(), ref) > 0.4
        if alike or rolled_fit(x.detail, p.detail)[0] > 0.3:
            return False
    return True


def _band(told: _Flags, useful: _Flags) -> tuple[int, int]:
    """Return the longest run of told strips, over strips that tell nothing."""
    best = (0, 0)
    start = None
    count = 0
    end = 0
    most = 0
    for i in range(len(told) + 1):
        if i < len(told) and told[i]:
            if start is None:
                start, count = i, 0
            count += 1
            end = i + 1
        elif start is not None and (i == len(told) or useful[i]):
            if count > most:
                most, best = count, (start, end)
            start = None
    return best


def _old(around: Around, lines: _Flags, past: Past) -> Stray | None:
    """Tell of pictures that were shown before, of which some part has moved since."""
    first, last = around.group[0].row, around.behind.row
    p, q = around.before.cells[:ROWS], around.behind.cells[:ROWS]
    usual = float(around.usual[:ROWS].mean())
    apart = np.abs(p - q)
    ends = around.ends[:ROWS]
    if float(ends[lines].sum()) < 3.0 * float(around.most[:ROWS][lines].sum()):
        return None  # a picture that shakes comes back to where it was
    top, bottom = ROWS, 0
    for one in around.group:
        x = one.cells[:ROWS]
        less = np.minimum(np.abs(x - p), np.abs(x - q))
        moved = (less > 3.0 * apart) & (less > 4.0 * usual + 0.75)
        if moved.sum() < _LEAST_CELLS:
            return None
        brighter = float((x[moved] > p[moved]).mean())
        if max(brighter, 1.0 - brighter) > 0.95 or _lit(x[moved], p[moved]) > 0.6:
            return None  # the same in another light
        then = _then(past, x, moved, first, float(less[moved].mean()))
        if then is None:
            return None
        inside = np.flatnonzero(moved.any(axis=1))
        a, b = int(inside[0]), int(inside[-1]) + 1
        # The first line of cells and the last may lie in the old picture in part.
        trim = int(b - a > 3)
        off = np.abs(then - np.abs(x))[a + trim : b - trim]
        if float(off.mean()) > 1.5 * usual + 0.3:
            return None
        top, bottom = min(top, a), max(bottom, b)
    if bottom - top >= _WHOLE * ROWS:
        top, bottom = 0, ROWS
    return Stray(first, last, top / ROWS, bottom / ROWS, "old")


def _then(
    past: Past, x: _Array, moved: _Flags, first: int, change: float
) -> _Array | None:
    """Find the earlier picture that a picture shows again where things have moved.

    What was seen for a moment only, as when a lamp blinks or an eye, comes back of
    itself: around its own time the old picture must have been much the same too.
    """
    known = np.flatnonzero((past.rows >= 0) & (past.rows < first - SHORT))
    if known.size <= 2 * _LASTED:
        return None
    known = known[np.argsort(past.rows[known])]
    old = past.cells[known][:, moved] * np.float32(PAST_STEP)
    miss = np.abs(old - np.abs(x[moved])).mean(axis=1)
    fits = miss <= _AGAIN * change
    lasts = miss <= _AROUND * change
    fits[:-_LASTED] &= lasts[_LASTED:]
    fits[_LASTED:] &= lasts[:-_LASTED]
    if not fits.any():
        return None
    best = int(np.where(fits, miss, np.inf).argmin())
    return np.asarray(past.cells[known[best]] * np.float32(PAST_STEP), np.float32)


def _lit(x: _Array, ref: _Array) -> float:
    """Return the share of a change that a gain and an offset explain.

    What turns the bright dark and the dark bright is no light.
    """
    if fit_of(x, ref) < 0.5:
        return 0.0
    change = x - ref
    slope = fit_of(change, ref) * float(change.std()) / max(float(ref.std()), 1e-6)
    rest = change - change.mean() - slope * (ref - ref.mean())
    return 1.0 - float(np.mean(rest**2)) / max(float(np.mean(change**2)), 1e-12)


def _by_colour(around: Around) -> Stray | None:
    """Tell of pictures whose colour alone is another."""
    before, behind = around.before.cells[ROWS:], around.behind.cells[ROWS:]
    ref = 0.5 * (before + behind)
    apart = float(np.abs(before - behind).mean())
    for one in around.group:
        x = one.cells[ROWS:]
        change = float(np.abs(x - ref).mean())
        if change < 1.5 or change < 4.0 * apart:
            return None
        luma = np.abs(one.cells[:ROWS] - around.before.cells[:ROWS]).mean()
        if float(luma) > 2.0 + 1.5 * float(around.usual[:ROWS].mean()):
            return None
        lost = float(np.abs(x).mean()) < 0.3 * float(np.abs(ref).mean())
        a, b = x.reshape(2, -1), ref.reshape(2, -1)
        swapped = float(np.abs(a[::-1] - b).mean()) < 0.4 * change
        if not (lost or swapped or change > 8.0):
            return None
    return Stray(around.group[0].row, around.behind.row, 0.0, 1.0, "colour")
