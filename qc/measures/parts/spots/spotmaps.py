"""Spots that stay in their place over a take: sums over time, and what they show.

What is left over when looks are compared is noise of either sign in the scene, and the
same again and again where something lies on the lens. Sums are kept in a bounded
number of blocks of time, so that a splash in the middle of a take is found from there.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.spots.splash import Splash
from qc.measures.parts.spots.spotlooks import Difference
from qc.measures.parts.spots.spotpool import pooled_regions
from qc.measures.parts.spots.spotshape import on_map
from qc.measures.parts.spots.spotsums import FLOOR, PRIOR, Sums
from qc.measures.parts.spots.spotsway import Fixed
from qc.measures.parts.spots.spottrail import Kept, SpotTrail
from qc.measures.parts.spots.spotwhen import series_of, when_of
from qc.measures.parts.spots.student import student_t

Map = NDArray[np.float32]
Mask = NDArray[np.bool_]

__all__ = [
    "FEWEST_PLACES",
    "OWN_EDGES",
    "Spot",
    "SpotMaps",
    "Sums",
    "with_splashes",
    "with_swayed",
]

_BLOCKS = 24
FEWEST_PLACES = 5  # different framings without which scene and spot look alike
# Of a place to pass without a spot. A picture has a few thousand places; over real
# moving clips without any the least was 10**-5.9 in level and 10**-2.2 in detail.
_CHANCE = {"level": 1e-6, "detail": 1e-5}
# By itself; people who move alike in a few looks are as sure as that.
_FEWEST = {"level": 8, "detail": 8}
_ALIKE_LOOKS = 1.25  # looks that follow soon are not quite new ones
_GROWN_T = 3.0
_GROWN_SHARE = 0.45  # of a spot's strongest place: where its border is drawn
_LARGEST = 0.2  # of the picture; more is no blemish
_LEAST_AREA = 2
OWN_EDGES = 0.5  # natural logarithm; so much more detail than the scene has there
_NEAR, _NEAR_LETTERS = 0.01, 0.05  # of the width, between parts of one thing
_LARGER, _SURE_SHARE = 1.8, 0.4
_CUTS = 6  # parts of a take at whose ends a spot may come or go
_TOLD = {"level": 0.02, "detail": 0.2}  # weaker than this it says nothing of when


@dataclass(frozen=True, slots=True)
class Spot:
    """Something that stays in its place.

    Attributes
    ----------
    x, y, w, h : float
        Box as shares of the picture's width and height.
    level, detail : float
        By how much, in natural logarithms, it is brighter and has more detail than
        what lies behind it.
    sure : float
        Largest Student t.
    first_row, row : int
        Rows of the first and last look that surely show it.
    without, gone : int
        Last row that surely was without it, first that surely is again; -1 if there
        is none.
    likely : int
        The likeliest of the first rows that show it, if it came.
    dated : bool
        Whether it could be told from when to when it is there.
    splash : bool
        It was seen to come at once, where the picture hardly moves.
    maybe : bool
        The scene did not move on since: it may belong to it after all.
    swayed : bool
        Told from how the scene swayed a little behind it.
    mask : (h, w) array of bool or None
        Its places on the map of detail.
    """

    x: float
    y: float
    w: float
    h: float
    level: float
    detail: float
    sure: float
    first_row: int
    row: int
    without: int = -1
    gone: int = -1
    likely: int = 0
    dated: bool = False
    splash: bool = False
    maybe: bool = False
    swayed: bool = False
    mask: Mask | None = field(default=None, compare=False, repr=False)


class SpotMaps:
    """Collects comparisons; memory does not grow with the take."""

    def __init__(self) -> None:
        self.blocks: list[Sums] = []
        self.trail = SpotTrail()
        self._size = 1

    def add(self, difference: Difference) -> None:
        """Add a comparison."""
        new = Sums.of(
            difference.first_row,
            difference.row,
            {name: getattr(difference, name) for name in FLOOR},
            difference.since < 0,
        )
        shape = new.total["level"].shape
        if self.blocks and self.blocks[-1].total["level"].shape != shape:
            return
        self.trail.add(difference)
        if self.blocks and self.blocks[-1].pairs < self._size:
            self.blocks[-1].take(new)
            return
        self.blocks.append(new)
        if len(self.blocks) >= _BLOCKS:
            pairs = zip(self.blocks[::2], self.blocks[1::2], strict=True)
            self.blocks = [one.plus(two) for one, two in pairs]
            self._size *= 2

    @property
    def pairs(self) -> int:
        """How many comparisons there are."""
        return sum(b.pairs for b in self.blocks)

    @property
    def judged(self) -> float:
        """Share of the picture over which enough of the scene has passed."""
        return float((self._whole().count["level"] >= FEWEST_PLACES).mean())

    def _whole(self) -> Sums:
        total = self.blocks[0]
        for block in self.blocks[1:]:
            total = total.plus(block)
        return total

    def spots(self, *, level: float, detail: float) -> tuple[list[Spot], bool]:
        """Return the spots, the surest first, and whether too much stays in place.

        Parameters
        ----------
        level, detail : float
            Least change that counts, in natural logarithms.
        """
        if not self.blocks:
            return [], False
        least = {"level": level, "detail": detail}
        found: list[Spot] = []
        crowded = False
        for whole in self._long():
            spots, large = self._told(whole, least)
            found += spots
            crowded = crowded or large
        for part in self._parts():
            spots, large = self._told(part, least)
            # So much in a few looks is people who move with the camera.
            found += [] if large else spots
        height, width = self.blocks[0].total["level"].shape
        distinct = _distinct(found, height / width)
        return [dated(spot, self.trail.kept) for spot in distinct], crowded

    def _told(self, whole: Sums, least: dict[str, float]) -> tuple[list[Spot], bool]:
        """Return the spots of one stretch, and whether too much stays in place."""
        out: list[Spot] = []
        large = False
        for name in FLOOR:
            told = whole.tell(name)
            for mask in (
                *_regions(told, name, least[name]),
                *pooled_regions(told, name, least[name]),
            ):
                if mask.mean() > _LARGEST:
                    large = True
                    continue
                out.append(_spot(mask, whole, told, name))
        return out, large

    def _long(self) -> Iterator[Sums]:
        """Yield sums of the whole, and of halves, quarters... from either end."""
        n = len(self.blocks)
        lengths = sorted({-(-n // 2**k) for k in range(4)}, reverse=True)
        for order in (self.blocks[::-1], self.blocks):
            for length in lengths:
                if length == n and order is self.blocks:
                    continue
                total = order[0]
                for block in order[1:length]:
                    total = total.plus(block)
                if total.pairs >= FEWEST_PLACES:
                    yield total

    def _parts(self) -> Iterator[Sums]:
        """Yield sums from each of some moments on, and up to it.

        Each as if the take began or ended there: what was passed over before a spot
        came is new to it.
        """
        if not self.trail.whole:
            return
        rows = [one.row for one in self.trail.kept]
        cuts = sorted({rows[k * len(rows) // _CUTS] for k in range(1, _CUTS)})
        spans = [(cut, rows[-1] + 1) for cut in cuts] + [(0, cut) for cut in cuts]
        yield from self.trail.stretches(spans, FEWEST_PLACES)


def _spot(mask: Mask, whole: Sums, told: tuple[Map, Map, Map], name: str) -> Spot:
    height, width = mask.shape
    rows, columns = np.nonzero(mask)
    mean, t, _ = told
    both = {n: whole.typical(n, mask) for n in FLOOR if n != name}
    both[name] = float(mean[mask][np.argmax(np.abs(t[mask]))])
    return Spot(
        x=float(columns.min()) / width,
        y=float(rows.min()) / height,
        w=float(np.ptp(columns) + 1) / width,
        h=float(np.ptp(rows) + 1) / height,
        level=both["level"],
        detail=both["detail"],
        sure=float(np.abs(t[mask]).max()),
        first_row=whole.first_row,
        row=whole.row,
        mask=on_map(mask, whole.total["detail"].shape),
    )


def dated(spot: Spot, kept: Sequence[Kept]) -> Spot:
    """Return a spot with the rows between which it came and went, if they are told."""
    if spot.mask is None:
        return spot
    signs = {
        "level": int(np.sign(spot.level)) * (abs(spot.level) >= _TOLD["level"]),
        "detail": int(np.sign(spot.detail)) * (abs(spot.detail) >= _TOLD["detail"]),
    }
    series = series_of(kept, spot.mask, (spot.first_row, spot.row), signs)
    if series is None:
        return spot
    when = when_of(series)
    within = (series.rows >= when.by) & (series.rows <= when.until)
    seen = {name: values[within] for name, values in series.changes.items()}
    return replace(
        spot,
        level=_usual(seen["level"], spot.level),
        detail=_usual(seen["detail"], spot.detail),
        first_row=when.by,
        row=when.until,
        without=when.without,
        gone=when.gone,
        likely=when.likely,
        dated=when.sure,
    )


def _usual(values: NDArray[np.float64], other: float) -> float:
    """Return what a spot usually shows, or what its surest place does if that is more.

    Its border shows less than its middle.
    """
    values = values[np.isfinite(values)]
    if not values.size:
        return other
    usual = float(np.median(values))
    return other if other * usual > usual**2 else usual


def with_splashes(
    spots: list[Spot], splashes: Iterable[Splash], last_row: int
) -> list[Spot]:
    """Add splashes to the spots, but for those that are found anyway."""
    out = list(spots)
    for one in splashes:
        new = Spot(
            one.x,
            one.y,
            one.w,
            one.h,
            level=one.level,
            detail=one.detail,
            sure=0.0,
            first_row=one.row,
            row=last_row,
            without=one.without,
            dated=True,
            splash=True,
            maybe=not one.moved,
        )
        if all(_gap(new, other, 1.0) >= 0 for other in out):
            out.append(new)
    return out


def with_swayed(
    spots: list[Spot], found: Iterable[Fixed], level: float, detail: float
) -> list[Spot]:
    """Add what was told from a little sway, but for what is found anyway.

    Parameters
    ----------
    level, detail : float
        Least change that counts, in natural logarithms.
    """
    out = list(spots)
    least = {"level": level, "detail": detail}
    for one in found:
        if abs(one.strength) < least[one.name]:
            continue
        rows, columns = np.nonzero(one.mask)
        height, width = one.mask.shape
        both = {one.name: one.strength}
        other = "detail" if one.name == "level" else "level"
        both[other] = min(one.other, 0.0)
        new = Spot(
            float(columns.min()) / width,
            float(rows.min()) / height,
            float(np.ptp(columns) + 1) / width,
            float(np.ptp(rows) + 1) / height,
            level=both["level"],
            detail=both["detail"],
            sure=one.sure,
            first_row=one.first_row,
            row=one.row,
            swayed=True,
            mask=one.mask,
        )
        if all(_gap(new, kept, height / width) >= 0 for kept in out):
            out.append(new)
    return out


def _needed(n: Map, name: str) -> Map:
    """Return the Student t that is too large for chance, at every place."""
    counts = np.arange(FEWEST_PLACES, max(int(n.max()), FEWEST_PLACES) + 2)
    chance = _CHANCE[name]
    least = [student_t(int(count - 1 + PRIOR), chance) for count in counts.tolist()]
    return np.asarray(np.interp(n, counts, _ALIKE_LOOKS * np.array(least)), np.float32)


def _regions(
    told: tuple[Map, Map, Map], name: str, least: float
) -> Iterator[NDArray[np.bool_]]:
    """Yield masks of what is surely not part of the scene."""
    mean, t, n = told
    if not (n >= _FEWEST[name]).any():
        return
    needed = np.where(n >= _FEWEST[name], _needed(n, name), np.float32(np.inf))
    for sign in (1, -1) if name == "level" else (-1,):
        strength = sign * mean
        cores = (sign * t > needed) & (strength > least)
        if not cores.any():
            continue
        grown = (sign * t > _GROWN_T) & (strength > 0.4 * least)
        count, labels = cv2.connectedComponents(grown.astype(np.uint8))
        for label in range(1, count):
            part = labels == label
            if not (part & cores).any():
                continue
            top = float(strength[part & cores].max())
            mask = part & (strength > _GROWN_SHARE * top)
            if int(mask.sum()) >= _LEAST_AREA:
                yield mask


def _distinct(found: list[Spot], aspect: float) -> list[Spot]:
    """Keep the surest of spots that lie over one another; join near ones.

    Parameters
    ----------
    aspect : float
        Height over width of the picture.
    """
    kept: list[Spot] = []
    for spot in sorted(found, key=lambda s: -s.sure):
        over = [i for i, k in enumerate(kept) if _gap(spot, k, aspect) < 0]
        if not over:
            kept.append(spot)
        elif _as_large(spot, kept[over[0]]):
            # The same seen by its level and by its detail: it is both boxes.
            kept[over[0]] = _around(kept[over[0]], spot)
    out: list[Spot] = []
    for spot in kept:
        one = spot
        # What was joined may have come near to others.
        while near := [o for o in out if _gap(one, o, aspect) <= _reach(one, o)]:
            out = [o for o in out if o not in near]
            for other in near:
                one = _joined(other, one)
        out.append(one)
    return sorted(out, key=lambda s: -s.sure)


def _reach(one: Spot, other: Spot) -> float:
    """Return how far parts of one thing may lie apart; letters lie farther."""
    sharp = min(one.detail, other.detail) >= OWN_EDGES
    return _NEAR_LETTERS if sharp else _NEAR


def _gap(one: Spot, other: Spot, aspect: float) -> float:
    """Return how far two boxes are apart, in widths; negative if they overlap."""
    across = max(one.x, other.x) - min(one.x + one.w, other.x + other.w)
    down = max(one.y, other.y) - min(one.y + one.h, other.y + other.h)
    return max(across, down * aspect)


def _joined(one: Spot, other: Spot) -> Spot:
    """Return the box around both, and what the surer of them looks like."""
    surer = one if one.sure >= other.sure else other
    box = _around(one, other)
    return replace(
        surer,
        x=box.x,
        y=box.y,
        w=box.w,
        h=box.h,
        mask=box.mask,
    )


def _around(one: Spot, other: Spot) -> Spot:
    """Return the first with the box around both."""
    mask = one.mask
    if mask is not None and other.mask is not None:
        mask = mask | other.mask
    x, y = min(one.x, other.x), min(one.y, other.y)
    return replace(
        one,
        x=x,
        y=y,
        w=max(one.x + one.w, other.x + other.w) - x,
        h=max(one.y + one.h, other.y + other.h) - y,
        mask=mask,
    )


def _as_large(spot: Spot, kept: Spot) -> bool:
    """Return whether a less sure spot is about as large as a surer one."""
    sides = (spot.w / kept.w, spot.h / kept.h)
    return all(1 / _LARGER <= side <= _LARGER for side in sides) and (
        spot.sure >= _SURE_SHARE * kept.sure
    )
