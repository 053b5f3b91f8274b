"""Spots under a picture that moves a little: the sway of a boom, a slow zoom.

When the scene moves by less than a spot is large, the spot covers itself in two looks
laid over each other: what is left over is its rim. `spotslopes` makes a map of what
stays from the rims of many pairs of looks; here the pairs are chosen, and the spots are
told from what a scene at several depths, or people in it, leave over.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.spots.spothalves import Told, halves_of, quietest, trusted
from qc.measures.parts.spots.spotranks import middle, ranked, surface
from qc.measures.parts.spots.spotshape import is_compact, ring_around
from qc.measures.parts.spots.spotslopes import Rims, slopes

__all__ = ["Fixed", "SwayBank", "come", "moves_along"]

Map = NDArray[np.float32]
Mask = NDArray[np.bool_]

_MOST_LOOKS, _MOST_PAIRS, _FEWEST_PAIRS = 40, 24, 8
_GAP_S = 0.24
_LEAST_S = 4.0  # over which looks must lie: about one swing of a boom
_NEW = 0.002  # of the width: nearer looks show the same
_SHIFT, _BEST = (0.0035, 0.03), 0.012  # of the width, between two looks of a pair
_BLOCK, _CONTRAST = 9, 0.015  # px; natural logarithm
_ALONG = 0.65  # of the places with contrast, that come along
_NEARBY, _TO_TELL = 10, 0.1  # px beside a spot; of them, that have contrast
_ALONG_BESIDE, _ALONG_ALL = 0.75, 0.85  # of the places with contrast
_LEAST_OFF = 1e-4  # of the width
_CLIP = {"level": 0.4, "detail": 1.5}
_FLOOR = {"level": 0.02, "detail": 0.15}
_LEAST = {"level": 0.03, "detail": 0.2}
# Times what the halves of the pairs differ by around a place, the spot must be. Over 21
# moved takes without a spot the most was 4.5 in a place like a spot (6.3 at the
# picture's edge); of 75 spots 70 had 5 to 58.
_BEYOND, _BORDERS = 3.5, 1.5
# Of 306 takes without a drop, in most of which things move or are put down, the surest
# place that all else would have let pass had 6.2, beside a rod come to rest; of 54 that
# follow a thing or rest before one, one more than with all pairs alike had 7.0.
_SURE = 7.2
_AREA, _FILLED, _LONGEST = (0.0004, 0.03), 0.4, 3.5
_MARGIN, _BORDER = 4, 2  # px
_TRIED = 6  # places, the surest
# Of a spot that was found otherwise. Of 17 spots the least that either half showed
# was 0.36; of an edge that grew out of the middle of a zoom, 0.03 to 0.26.
_DENIED = 0.25
# Shares of the move at which a thing nearer or farther comes along.
_OTHERS = 0.5, 0.75, 1.3, 1.6, 2.0
# How sure; what may be left once the spot is taken away, of what was left over before;
# and how much better the spot must tell it than any of these. What is sure or better by
# far need not have all three; of a very dark spot much is left over, for more than
# `_CLIP` counts no more. With all pairs alike, over 242 takes without a spot, of which
# 54 follow a thing or rest before one, nothing else passed by the last three.
_EXPLAINED = (
    (_SURE, 0.55, 1.1),
    (9.0, 0.65, 1.5),
    (11.0, 0.8, 1.3),
    (20.0, 0.5, 1.0),
)
# Of the spot: from px to px, and what most of what lies around it may show; that of one
# twice as sure, beside which an edge of the scene may be left over.
_STEEPEST, _AROUND, _MOST_OF = 0.62, (0.45, 0.6), 0.9
# From here on slopes say too little of how dark a spot is: they are cut off.
_DARK = -0.25
_RING = 5, 9  # px across, of the ring that it is held against


@dataclass(frozen=True, slots=True, eq=False)
class _Kept:
    row: int
    seconds: float
    maps: dict[str, Map]
    chain: int
    place: Map
    # Level of the small picture in full, half precision: to 0.004.
    fine: NDArray[np.float16] | None


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
        self._halves: dict[str, tuple[Map, Map]] = {}

    @property
    def looks(self) -> Sequence[_Kept]:
        """The looks that are kept, in order."""
        return self._kept

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
        maps: tuple[Map, Map],
        here: tuple[int, Map],
        fine: Map | None = None,
    ) -> None:
        """Keep a look.

        Parameters
        ----------
        maps : (level, detail)
            Of one size; see `spotlooks`.
        fine : (h, w) array or None
            Level of the small picture in full, for `spotpassing`.
        """
        both = dict(zip(_LEAST, maps, strict=True))
        if self._kept and self._kept[-1].maps["detail"].shape != maps[1].shape:
            self._kept = []
        kept = None if fine is None else fine.astype(np.float16)
        self._kept.append(_Kept(row, seconds, both, *here, kept))
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
        rims = {name: _rims(pairs, name) for name in _LEAST}
        trust = {name: trusted(one) for name, one in rims.items()}
        self._halves = {
            name: halves_of(replace(one, trust=trust[name]))
            for name, one in rims.items()
        }
        maps = {name: Told.of(*two) for name, two in self._halves.items()}
        out: list[Fixed] = []
        for name in _LEAST:
            out += _found(pairs, name, maps, trust[name])
        return sorted(out, key=lambda one: -one.sure)

    def denies(self, mask: Mask, level: float, detail: float) -> bool:
        """Return whether what stays by the pairs is next to nothing in a place.

        An edge that grows out of the middle of a zoom may pass for a spot where looks
        far apart are compared.

        Parameters
        ----------
        level, detail : float
            What was found there, natural logarithms.
        """
        changes = {"level": level, "detail": min(detail, 0.0)}
        shares = [
            float(np.median(half[mask])) / changes[name]
            for name, two in self._halves.items()
            for half in two
            if abs(changes[name]) >= _LEAST[name]
        ]
        return bool(shares) and max(shares) < _DENIED

    def _pairs(self) -> Iterator[_Pair | None]:
        """Lay looks over others that lie about as far off as is best, two each."""
        chosen: list[tuple[_Kept, _Kept]] = []
        places = np.stack([one.place for one in self._kept])
        chains = np.array([one.chain for one in self._kept])
        for i, new in enumerate(self._kept):
            away = places[:i] - new.place
            sizes = np.hypot(away[..., 0], away[..., 1]).mean(axis=(1, 2))
            fit = (chains[:i] == new.chain) & (sizes >= _SHIFT[0])
            off = np.where(fit & (sizes <= _SHIFT[1]), np.abs(sizes - _BEST), np.inf)
            best = [k for k in np.argsort(off)[:2] if np.isfinite(off[k])]
            chosen += [(self._kept[k], new) for k in best]
        for at in np.linspace(0, len(chosen) - 1, min(len(chosen), _MOST_PAIRS)):
            yield _pair_of(*chosen[round(at)])


def _size(move: Map) -> float:
    """Return how far the picture moved in the mean, as a share of its width."""
    return float(np.hypot(move[..., 0], move[..., 1]).mean())


def _pair_of(old: _Kept, new: _Kept) -> _Pair | None:
    """Lay two looks over each other; None if they do not fit."""
    h, w = new.maps["detail"].shape
    steps = surface(old.place - new.place, _LEAST_OFF) * np.float32(w)
    move = np.asarray(cv2.resize(steps, (w, h)), np.float32)
    left = {n: _laid(new, old, n, move, 1.0, (0, 0)) for n in _LEAST}
    if np.isfinite(left["level"]).mean() < 0.5:
        return None
    resting = new.maps["level"] - old.maps["level"]
    resting -= np.float32(middle(resting[::3, ::3]))
    if moves_along(left["level"], resting) < _ALONG:
        return None
    # One way after the other, as the sums over pairs want them.
    ways = np.ascontiguousarray(np.moveaxis(move, -1, 0))
    return _Pair(ways, left, resting, (new, old))


def moves_along(left: Map, resting: Map) -> float:
    """Return the share of the places with any contrast that come along.

    Where a camera stands still, what moves before it must not pass for the picture.
    """
    known = np.isfinite(left)
    moved, rested = (
        cv2.blur(np.where(known, one, 0) ** 2, (_BLOCK, _BLOCK))
        for one in (left, resting)
    )
    told = (np.maximum(moved, rested) > _CONTRAST**2) & known
    told = told[::_BLOCK, ::_BLOCK]
    if not told.any():
        return 0.0
    return float((moved < rested)[::_BLOCK, ::_BLOCK][told].mean())


def come(values: Map, x: Map, y: Map) -> Map:
    """Return what lies at these places; NaN outside."""
    return np.asarray(
        cv2.remap(
            values,
            np.asarray(x, np.float32),
            np.asarray(y, np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=(float("nan"),) * 4,
        ),
        np.float32,
    )


def _part(image: Map, move: Map, corner: tuple[int, int]) -> Map:
    """Return what lies so far from each place of a part of a map; NaN outside."""
    h, w = move.shape[:2]
    x = move[..., 0] + np.arange(corner[1], corner[1] + w, dtype=np.float32)
    y = move[..., 1] + np.arange(corner[0], corner[0] + h, dtype=np.float32)[:, None]
    return come(image, x, y)


def _laid(
    new: _Kept, old: _Kept, name: str, move: Map, share: float, corner: tuple[int, int]
) -> Map:
    """Return what is left over if the scene came along by a share of its move."""
    half = np.float32(0.5 * share) * move
    rest = _part(new.maps[name], -half, corner) - _part(old.maps[name], half, corner)
    few = rest[::3, ::3]
    few = few[np.isfinite(few)]
    return rest - np.float32(middle(few)) if few.size else rest


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


def _rims(pairs: list[_Pair], name: str) -> Rims:
    """Return what the pairs leave over."""
    moves = np.stack([pair.move for pair in pairs])
    left = np.stack([pair.left[name] for pair in pairs])
    if name == "detail":  # a dark spot has less detail for being dark
        left -= np.minimum(np.stack([pair.left["level"] for pair in pairs]), 0)
    return Rims(moves, left, _CLIP[name], _FLOOR[name])


def _found(
    pairs: list[_Pair], name: str, maps: dict[str, Told], trust: Map
) -> Iterator[Fixed]:
    g, unsure = maps[name].g, maps[name].unsure
    more = maps["detail" if name == "level" else "level"]
    rows = [look.row for pair in pairs for look in pair.looks]
    tried = []
    for sign in (-1, 1) if name == "level" else (-1,):
        shown = np.float32(sign) * g
        core = (shown > _LEAST[name]) & (shown > _BEYOND * unsure)
        if not core.any():
            continue
        wide = (shown > 0.5 * _LEAST[name]) & (shown > _BORDERS * unsure)
        _, labels = cv2.connectedComponents(wide.astype(np.uint8))
        for label in np.unique(labels[core]):
            part = labels == label
            mask = part & (shown > 0.45 * float(shown[part].max()))
            deep = part & (shown > 0.7 * float(shown[part].max()))
            if mask.sum() > _AREA[1] * mask.size or not is_compact(
                mask,
                edge=_BORDER,
                fewest=_AREA[0] * mask.size,
                filled=_FILLED,
                longest=_LONGEST,
            ):
                continue
            strength, sure, alike = maps[name].at(mask, deep)
            also = more.at(mask, deep)
            if sign < 0 and also[0] < 0 and also[1] >= _BEYOND and also[2]:
                # Both say so: that is enough to be sure, not more.
                sure = max(sure, min(float(np.hypot(sure, also[1])), _SURE))
            if sure >= _SURE and alike:
                tried.append((sure, strength, part, mask, deep))
    tried.sort(key=lambda one: -one[0])
    for sure, strength, part, mask, deep in tried[:_TRIED]:
        if _stays(pairs, name, g, trust, (mask, part), (strength, sure)):
            shows = float(np.median(more.g[deep]))
            if name == "level" and strength <= _DARK:
                strength = min(strength, _darker(pairs, mask, deep))
            yield Fixed(mask, name, strength, sure, shows, min(rows), max(rows))


def _darker(pairs: list[_Pair], mask: Mask, deep: Mask) -> float:
    """Return by how much a spot is darker than its ring, natural logarithm.

    The scene hardly moves behind either, and a very dark spot outweighs it.
    """
    ring = ring_around(mask, *_RING)
    if not ring.any():
        return 0.0
    maps = [pair.looks[0].maps["level"] for pair in pairs]
    return float(np.median([middle(m[deep]) - middle(m[ring]) for m in maps]))


def _stays(
    pairs: list[_Pair],
    name: str,
    g: Map,
    trust: Map,
    places: tuple[Mask, Mask],
    told: tuple[float, float],
) -> bool:
    """Return whether what is left over around a place is a spot's, and soft.

    A thing nearer or farther than the rest moves by another share of the move: then
    there is a share at which next to nothing is left over. People pass in some of the
    pairs: of the quieter half of them the middle one counts.

    Parameters
    ----------
    places : masks of the spot and of all that hangs together with it
    told : (strength, sureness)
    """
    (mask, part), (strength, sure) = places, told
    rows, columns = np.nonzero(mask)
    top, left = max(int(rows.min()) - _MARGIN, 0), max(int(columns.min()) - _MARGIN, 0)
    box = (
        slice(top, int(rows.max()) + _MARGIN + 1),
        slice(left, int(columns.max()) + _MARGIN + 1),
    )
    down, across = slopes(np.asarray(cv2.GaussianBlur(g, (0, 0), 0.5), np.float32))
    if float(np.hypot(down, across)[box].max()) > _STEEPEST * abs(strength):
        return False
    around = cv2.dilate(mask[box].astype(np.uint8), np.ones((5, 5), np.uint8)) == 0
    if not around.any():
        return False
    ring = np.abs(g[box][around])
    most = _AROUND[int(sure >= 2.0 * _SURE)]
    if ranked(ring, _MOST_OF) > most * abs(strength):
        return False
    if not _scene_moves(pairs, mask, part):
        return False
    down, across = slopes(g)
    weights = trust[(slice(None), *box)]
    sums = []
    for at in quietest(weights):
        pair, weight = pairs[at], weights[at]
        move = np.moveaxis(pair.move, 0, -1)[box]
        own = pair.left[name][box]
        shown = -(move[..., 0] * across[box] + move[..., 1] * down[box])
        tried = np.stack(
            [
                own,
                own - shown,
                *(_laid(*pair.looks, name, move, s, (top, left)) for s in _OTHERS),
            ]
        )
        known = np.isfinite(tried).all(axis=0)
        if known.any():
            # Things that move by themselves must not decide.
            most = _CLIP[name] / 2
            off = np.clip(tried[:, known], -most, most) ** 2
            sums.append((off * weight[known]).sum(axis=1))
    if not sums:
        return False
    each = np.maximum(np.stack(sums), 1e-9)
    better = float(np.median(each[:, 2:] / each[:, 1:2], axis=0).min())
    left_over = float(np.median(each[:, 1] / each[:, 0]))
    return any(
        sure >= surely and left_over <= most and better >= least
        for surely, most, least in _EXPLAINED
    )
