"""Spots under a picture that moves a little: the sway of a boom, a slow zoom.

When the scene moves by less than a spot is large, the spot covers itself in two looks
laid over each other: what is left over is its rim, darker on one side and brighter on
the other, the more the farther the scene has come. Over many pairs of looks that gives
the slope of what stays in its place, and the slopes give the spot (as the gain of a
telescope's sensor is found from pictures of the sky that were moved against each other;
a least-squares problem, solved by conjugate gradients).
"""

from __future__ import annotations

import functools
from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.spots.spotfield import follow

__all__ = ["Fixed", "SwayBank", "fixed_pattern"]

Map = NDArray[np.float32]
Bytes = NDArray[np.uint8]
Mask = NDArray[np.bool_]

_MOST_LOOKS, _MOST_PAIRS, _FEWEST_PAIRS = 40, 40, 8
_GAP_S = 0.24
_LEAST_S = 5.5  # over which looks must lie: more than one swing of a boom
_NEW = 0.002  # of the width: nearer looks show the same
_SHIFT, _BEST = (0.0035, 0.03), 0.012  # of the width, between two looks of a pair
_LEAST_FIT = 0.6  # correlation of two looks laid over each other
_BLOCK, _CONTRAST = 9, 0.015  # px; natural logarithm
_ALONG = 0.65  # of the places with contrast, that come along
_NEARBY, _TO_TELL = 10, 0.1  # px beside a spot; of them, that have contrast
_ALONG_BESIDE, _ALONG_ALL = 0.75, 0.85  # of the places with contrast
_CLIP = {"level": 0.4, "detail": 1.5}
_FLOOR = {"level": 0.02, "detail": 0.15}
_STEPS = 40, 20, 20  # of conjugate gradients, each with weights by what was left
_STIFF, _BACK = 0.03, 0.002  # against slopes, and against anything, of what is known
_WIDE = 14.0  # px; what is wider is not told from light that falls off
_LEAST = {"level": 0.035, "detail": 0.2}
_BEYOND = 4.0  # times what most places show
_ALIKE = 0.7, 1.4  # of it, what either half of the pairs must show
_AREA, _FILLED, _LONGEST = (0.0004, 0.03), 0.45, 3.5
_MARGIN, _BORDER = 4, 2  # px
# What may be left once the spot is taken away, of what was left over before. Over 32
# moved takes without a spot the least was 0.58 in a place like a spot; spots had 0.13
# to 0.5.
_EXPLAINED = 0.5
# Shares of the move at which a thing nearer or farther comes along; how much better the
# spot must tell what is left over.
_OTHERS, _BETTER = (0.5, 0.75, 1.3, 1.6, 2.0), 1.1
# Of the spot: from px to px, and what lies around it.
_STEEPEST, _AROUND = 0.6, 0.75


@dataclass(frozen=True, slots=True, eq=False)
class _Kept:
    row: int
    seconds: float
    even: Bytes
    maps: dict[str, Map]
    chain: int
    place: Map


@dataclass(frozen=True, slots=True, eq=False)
class _Pair:
    """Two looks laid over each other in the middle of their way.

    Attributes
    ----------
    move : (2, h, w) array
        How far the scene has come, px of the maps.
    left : dict of (h, w) arrays
        What is left over; NaN outside.
    resting : (h, w) array
        What is left over of the level if nothing moved.
    looks : (new, old)
    """

    move: Map
    left: dict[str, Map]
    resting: Map
    looks: tuple[_Kept, _Kept]


@dataclass(frozen=True, slots=True, eq=False)
class Fixed:
    """Something that stays in its place.

    Attributes
    ----------
    mask : (h, w) array of bool
        As large as the map of detail.
    name : "level" or "detail"
    strength : float
        Natural logarithm.
    sure : float
        Times what most places show.
    other : float
        What the other map shows there.
    first_row, row : int
        Of the looks.
    """

    mask: Mask
    name: str
    strength: float
    sure: float
    other: float
    first_row: int
    row: int


class SwayBank:
    """Keeps looks of a take that lie a little apart; bounded memory."""

    def __init__(self) -> None:
        self._kept: list[_Kept] = []
        self._gap = _GAP_S

    def due(self, seconds: float, here: tuple[int, Map]) -> bool:
        """Return whether a look is worth keeping."""
        if not self._kept:
            return True
        last = self._kept[-1]
        if last.chain != here[0]:
            return True
        return seconds - last.seconds >= self._gap and (
            _size(here[1] - last.place) >= _NEW
        )

    def add(
        self,
        row: int,
        seconds: float,
        even: Bytes,
        maps: tuple[Map, Map],
        here: tuple[int, Map],
    ) -> None:
        """Keep a look.

        Parameters
        ----------
        maps : (level, detail)
            See `spotlooks`.
        """
        level, detail = maps
        size = detail.shape[1], detail.shape[0]
        small = cv2.resize(level, size, None, 0, 0, cv2.INTER_AREA)
        both = {"level": np.asarray(small, np.float32), "detail": detail}
        if self._kept and self._kept[-1].even.shape != even.shape:
            self._kept = []
        self._kept.append(_Kept(row, seconds, even, both, *here))
        if len(self._kept) > _MOST_LOOKS:
            self._kept = self._kept[::2]
            self._gap *= 2

    def spots(self) -> list[Fixed]:
        """Return what stays in its place, the surest first."""
        if not self._kept or self._kept[-1].seconds - self._kept[0].seconds < _LEAST_S:
            return []
        pairs = [pair for pair in self._pairs() if pair is not None]
        if len(pairs) < _FEWEST_PAIRS:
            return []
        out: list[Fixed] = []
        for name in _LEAST:
            out += _found(pairs, name)
        return sorted(out, key=lambda one: -one.sure)

    def _pairs(self) -> Iterator[_Pair | None]:
        """Lay looks over others that lie about as far off as is best, two each."""
        chosen: list[tuple[_Kept, _Kept]] = []
        for i, new in enumerate(self._kept):
            far = [
                (abs(_size(new.place - old.place) - _BEST), k)
                for k, old in enumerate(self._kept[:i])
                if old.chain == new.chain
                and _SHIFT[0] <= _size(new.place - old.place) <= _SHIFT[1]
            ]
            chosen += [(self._kept[k], new) for _, k in sorted(far)[:2]]
        for at in np.linspace(0, len(chosen) - 1, min(len(chosen), _MOST_PAIRS)):
            yield _pair_of(*chosen[round(at)])


def _size(move: Map) -> float:
    """Return how far the picture moved in the mean, as a share of its width."""
    return float(np.hypot(move[..., 0], move[..., 1]).mean())


def _pair_of(old: _Kept, new: _Kept) -> _Pair | None:
    """Lay two looks over each other; None if they do not fit."""
    width = new.even.shape[1]
    guess = np.float32(width) * (old.place - new.place)
    field = follow(old.even, new.even, guess, bend=False)
    if field is None:
        return None
    h, w = new.maps["detail"].shape
    share = np.float32(w / width)
    move = np.asarray(cv2.resize(field.there * share, (w, h)), np.float32)
    left = {n: _laid(new, old, n, move, 1.0, (0, 0)) for n in _LEAST}
    one = _part(new.maps["level"], -0.5 * move, (0, 0))
    two = _part(old.maps["level"], 0.5 * move, (0, 0))
    known = np.isfinite(one) & np.isfinite(two)
    if known.mean() < 0.5:
        return None
    filled = [np.where(known, v, new.maps["level"]) for v in (one, two)]
    fine = [v - cv2.GaussianBlur(v, (0, 0), 4.0) for v in filled]
    if float(np.corrcoef(fine[0][known], fine[1][known])[0, 1]) < _LEAST_FIT:
        return None
    resting = new.maps["level"] - old.maps["level"]
    resting -= np.float32(np.median(resting))
    if _moves_along(left["level"], resting) < _ALONG:
        return None
    return _Pair(np.moveaxis(move, -1, 0), left, resting, (new, old))


def _moves_along(left: Map, resting: Map) -> float:
    """Return the share of the places with any contrast that come along.

    Where a camera stands still, what moves before it must not pass for the picture.
    """
    moved, rested = (
        cv2.blur(np.nan_to_num(one) ** 2, (_BLOCK, _BLOCK)) for one in (left, resting)
    )
    told = np.maximum(moved, rested) > _CONTRAST**2
    told[np.isnan(left)] = False
    told = told[::_BLOCK, ::_BLOCK]
    if not told.any():
        return 0.0
    return float((moved < rested)[::_BLOCK, ::_BLOCK][told].mean())


def _part(image: Map, move: Map, corner: tuple[int, int]) -> Map:
    """Return what lies so far from each place of a part of a map; NaN outside."""
    h, w = move.shape[:2]
    x = move[..., 0] + np.arange(corner[1], corner[1] + w, dtype=np.float32)
    y = move[..., 1] + np.arange(corner[0], corner[0] + h, dtype=np.float32)[:, None]
    return np.asarray(
        cv2.remap(
            image,
            np.asarray(x, np.float32),
            np.asarray(y, np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=(float("nan"),) * 4,
        ),
        np.float32,
    )


def _laid(
    new: _Kept, old: _Kept, name: str, move: Map, share: float, corner: tuple[int, int]
) -> Map:
    """Return what is left over if the scene came along by a share of its move."""
    half = np.float32(0.5 * share) * move
    rest = _part(new.maps[name], -half, corner) - _part(old.maps[name], half, corner)
    return np.asarray(rest - np.float32(np.nanmedian(rest)), np.float32)


def fixed_pattern(moves: Map, left: Map, clip: float, floor: float) -> Map:
    """Return what stays in its place, from what is left over of pairs of looks.

    Parameters
    ----------
    moves : (n, 2, h, w) array
        Of the scene, px to the right and down from the later look to the earlier.
    left : (n, h, w) array
        The later look less the earlier one, each moved half the way; NaN if unknown.
    clip, floor : float
        More is another thing; less is noise.

    Returns
    -------
    (h, w) array
        But for what changes slowly over the picture.
    """
    known = np.isfinite(left) & (np.abs(left) < clip)
    rest = np.where(known, left, 0).astype(np.float32)
    weight = known.astype(np.float32)
    g = np.zeros(left.shape[1:], np.float32)
    for steps in _STEPS:
        x, y = weight * moves[:, 0], weight * moves[:, 1]
        a = [
            (x * moves[:, 0]).sum(0),
            (x * moves[:, 1]).sum(0),
            (y * moves[:, 1]).sum(0),
        ]
        b = [-(x * rest).sum(0), -(y * rest).sum(0)]
        g = _integrated(a, b, g, steps)
        down, across = _slopes(g)
        off = rest + moves[:, 0] * across + moves[:, 1] * down
        scale = max(2.0 * float(np.median(np.abs(off[known]))), floor)
        weight = (known / (1.0 + (off / scale) ** 2)).astype(np.float32)
    return g - np.asarray(cv2.GaussianBlur(g, (0, 0), _WIDE), np.float32)


def _slopes(g: Map) -> tuple[Map, Map]:
    """Return central differences, down and across."""
    down, across = np.zeros_like(g), np.zeros_like(g)
    down[1:-1] = 0.5 * (g[2:] - g[:-2])
    across[:, 1:-1] = 0.5 * (g[:, 2:] - g[:, :-2])
    return down, across


def _back(down: Map, across: Map) -> Map:
    """Return the transpose of `_slopes` of two maps."""
    out = np.zeros_like(down)
    out[2:] += 0.5 * down[1:-1]
    out[:-2] -= 0.5 * down[1:-1]
    out[:, 2:] += 0.5 * across[:, 1:-1]
    out[:, :-2] -= 0.5 * across[:, 1:-1]
    return out


def _integrated(a: list[Map], b: list[Map], g: Map, steps: int) -> Map:
    """Solve for the map whose slopes fit best, by conjugate gradients (textbook).

    Parameters
    ----------
    a : three (h, w) arrays
        Sums of the moves' products: across, mixed, down.
    b : two (h, w) arrays
        Sums of moves times what is left over: across, down.
    g : (h, w) array
        To begin with.
    """
    usual = np.float32(max(float(np.median(a[0] + a[2])), 1e-6))
    stiff, back = np.float32(_STIFF) * usual, np.float32(_BACK) * usual
    wide, tall = a[0] + stiff, a[2] + stiff

    def applied(g: Map) -> Map:
        down, across = _slopes(g)
        out = _back(a[1] * across + tall * down, wide * across + a[1] * down)
        # Central differences do not see every second place: a little of the nearest.
        rough = g - cv2.blur(g, (3, 3))
        return np.asarray(out + back * g + (4 * stiff) * rough, np.float32)

    rest = _back(b[1], b[0]) - applied(g)
    way = rest.copy()
    size = start = float(np.vdot(rest, rest))
    for _ in range(steps):
        if size <= 1e-6 * start or size == 0:
            break
        to = applied(way)
        step = np.float32(size / max(float(np.vdot(way, to)), 1e-12))
        g = g + step * way
        rest = rest - step * to
        new = float(np.vdot(rest, rest))
        way = rest + np.float32(new / size) * way
        size = new
    return g


def _along(pairs: list[_Pair]) -> tuple[Mask, Mask]:
    """Return which places have contrast that tells, and which of them come along."""
    most = np.float32(_CLIP["level"] / 2)
    moved, rested = (
        sum(np.minimum(np.abs(np.nan_to_num(one)), most) ** 2 for one in maps)
        for maps in ([p.left["level"] for p in pairs], [p.resting for p in pairs])
    )
    moved, rested = (cv2.blur(np.asarray(m), (5, 5)) for m in (moved, rested))
    told = np.maximum(moved, rested) > len(pairs) * _CONTRAST**2
    return told, moved < rested


def _scene_moves(pairs: list[_Pair], mask: Mask, part: Mask) -> bool:
    """Return whether the scene beside a place comes along.

    A patient breathes while the drape and the camera rest: there a stain on the drape
    stays too. Where there is nothing beside to tell by, the whole picture must move.
    """
    told, along = _along(pairs)
    rows, columns = np.nonzero(mask)
    box = (
        slice(max(int(rows.min()) - _NEARBY, 0), int(rows.max()) + _NEARBY + 1),
        slice(max(int(columns.min()) - _NEARBY, 0), int(columns.max()) + _NEARBY + 1),
    )
    beside = cv2.dilate(part.astype(np.uint8), np.ones((7, 7), np.uint8)) == 0
    told &= beside
    if int(told[box].sum()) >= _TO_TELL * int(beside[box].sum()):
        return float(along[box][told[box]].mean()) >= _ALONG_BESIDE
    return bool(told.any()) and float(along[told].mean()) >= _ALONG_ALL


def _found(pairs: list[_Pair], name: str) -> Iterator[Fixed]:
    moves = np.stack([pair.move for pair in pairs])
    left = np.stack([pair.left[name] for pair in pairs])
    if name == "detail":
        left = left - np.minimum(np.stack([p.left["level"] for p in pairs]), 0)
    limits = _CLIP[name], _FLOOR[name]
    g = fixed_pattern(moves, left, *limits)
    usual = 1.4826 * float(np.median(np.abs(g)))
    least = max(_LEAST[name], _BEYOND * usual)
    core = g < -least
    if not core.any():
        return

    @functools.cache
    def halves() -> list[Map]:
        # In time: what wanders by itself, as a shadow does, is not in both places.
        half = len(left) // 2
        parts = slice(0, half), slice(half, None)
        return [fixed_pattern(moves[part], left[part], *limits) for part in parts]

    @functools.cache
    def more() -> Map:
        rest = np.stack([pair.left[other] for pair in pairs])
        return fixed_pattern(moves, rest, _CLIP[other], _FLOOR[other])

    other = "detail" if name == "level" else "level"
    rows = [look.row for pair in pairs for look in pair.looks]
    _, labels = cv2.connectedComponents((g < -0.5 * least).astype(np.uint8))
    for label in np.unique(labels[core]):
        part = labels == label
        mask = part & (g < 0.45 * float(g[part].min()))
        if not _compact(mask) or not _stays(pairs, name, g, mask, part):
            continue
        deep = g < 0.7 * float(g[part].min())
        deep &= part
        strength = float(np.median(g[deep]))
        shares = [float(np.median(h[deep])) / strength for h in halves()]
        if not all(_ALIKE[0] <= share <= _ALIKE[1] for share in shares):
            continue
        yield Fixed(
            mask,
            name,
            strength,
            abs(strength) / max(usual, 1e-3),
            float(np.median(more()[deep])),
            min(rows),
            max(rows),
        )


def _compact(mask: Mask) -> bool:
    rows, columns = np.nonzero(mask)
    if not rows.size:
        return False
    h, w = int(np.ptp(rows)) + 1, int(np.ptp(columns)) + 1
    low, high = (share * mask.size for share in _AREA)
    inside = min(rows.min(), columns.min()) >= _BORDER and (
        rows.max() < mask.shape[0] - _BORDER and columns.max() < mask.shape[1] - _BORDER
    )
    return bool(
        inside
        and low <= rows.size <= high
        and rows.size >= _FILLED * h * w
        and max(h, w) <= _LONGEST * min(h, w)
    )


def _stays(pairs: list[_Pair], name: str, g: Map, mask: Mask, part: Mask) -> bool:
    """Return whether what is left over around a place is a spot's, and soft.

    A thing nearer or farther than the rest moves by another share of the move: then
    there is a share at which next to nothing is left over.
    """
    rows, columns = np.nonzero(mask)
    top, left = max(int(rows.min()) - _MARGIN, 0), max(int(columns.min()) - _MARGIN, 0)
    box = (
        slice(top, int(rows.max()) + _MARGIN + 1),
        slice(left, int(columns.max()) + _MARGIN + 1),
    )
    size = -float(g[part].min())
    size = -float(np.median(g[part & (g < -0.7 * size)]))
    down, across = _slopes(np.asarray(cv2.GaussianBlur(g, (0, 0), 0.5), np.float32))
    if float(np.hypot(down, across)[box].max()) > _STEEPEST * size:
        return False
    wide = cv2.dilate(part[box].astype(np.uint8), np.ones((3, 3), np.uint8)) == 0
    if wide.any() and float(np.abs(g[box][wide]).max()) > _AROUND * size:
        return False
    if not _scene_moves(pairs, mask, part):
        return False
    down, across = _slopes(g)
    sums = np.zeros(2 + len(_OTHERS))
    for pair in pairs:
        move = np.moveaxis(pair.move, 0, -1)[box]
        own = pair.left[name][box]
        shown = -(move[..., 0] * across[box] + move[..., 1] * down[box])
        tried = [
            own,
            own - shown,
            *(_laid(*pair.looks, name, move, s, (top, left)) for s in _OTHERS),
        ]
        known = np.all([np.isfinite(one) for one in tried], axis=0)
        if known.any():
            # Things that move by themselves must not decide.
            most = _CLIP[name] / 2
            sums += [
                float((np.clip(one[known], -most, most) ** 2).sum()) for one in tried
            ]
    if sums[1] > _EXPLAINED * sums[0]:
        return False
    return bool(sums[2:].min() >= _BETTER * sums[1])
