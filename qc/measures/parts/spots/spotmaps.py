"""Spots that stay in their place over a take: sums over time, and what they show.

What is left over when looks are compared is noise of either sign in the scene, and the
same again and again where something lies on the lens. Sums are kept in a bounded
number of blocks of time, so that a splash in the middle of a take is found from there.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.spots.spotlooks import Difference

Map = NDArray[np.float32]

__all__ = ["FEWEST_PLACES", "OWN_EDGES", "Spot", "SpotMaps", "Sums"]

_BLOCKS = 24
FEWEST_PLACES = 5  # different framings without which scene and spot look alike
# Of a place to pass without a spot. A picture has a few thousand places; over real
# moving clips without any the least was 10**-5.9 in level and 10**-2.2 in detail.
_CHANCE = {"level": 1e-6, "detail": 1e-5}
# Fine detail comes and goes sooner, with focus and motion blur.
_FEWEST = {"level": FEWEST_PLACES, "detail": 8}
PRIOR = 4.0  # values of the usual scatter, beside those of a place itself
_USUAL = 80.0  # percentile of the scatter over the picture
_FLOOR = {"level": 0.012, "detail": 0.06}  # nothing is known better, in logarithms
_GROWN_T = 3.0
_GROWN_SHARE = 0.45  # of a spot's strongest place: where its border is drawn
_LARGEST = 0.2  # of the picture; more is no blemish
_LEAST_AREA = 2
OWN_EDGES = 0.5  # natural logarithm; so much more detail than the scene has there
_NEAR, _NEAR_LETTERS = 0.01, 0.05  # of the width, between parts of one thing
_LARGER, _SURE_SHARE = 1.8, 0.4
_AS_GOOD = 0.9  # of what the best stretch explains


@dataclass(slots=True, eq=False)
class Sums:
    """Sums over the comparisons of a stretch of time, at every place.

    Attributes
    ----------
    first_row, row : int
        Rows of the first and the last look in it.
    count, total, squares : dict of (h, w) arrays, by ``"level"`` and ``"detail"``
    """

    first_row: int
    row: int
    pairs: int
    count: dict[str, NDArray[np.float32]]
    total: dict[str, NDArray[np.float32]]
    squares: dict[str, NDArray[np.float32]]

    @classmethod
    def of(cls, difference: Difference) -> Sums:
        """Begin with one comparison."""
        count, total, squares = {}, {}, {}
        for name in _FLOOR:
            values = getattr(difference, name)
            height, width = values.shape
            fresh = cv2.resize(
                difference.fresh, (width, height), interpolation=cv2.INTER_NEAREST
            )
            count[name] = np.where(np.isfinite(values), fresh, np.float32(0))
            total[name] = np.where(count[name] > 0, values, np.float32(0))
            squares[name] = total[name] ** 2
        return cls(difference.first_row, difference.row, 1, count, total, squares)

    def plus(self, other: Sums) -> Sums:
        """Return the sums over both stretches."""
        parts = [
            {n: mine[n] + theirs[n] for n in mine}
            for mine, theirs in (
                (self.count, other.count),
                (self.total, other.total),
                (self.squares, other.squares),
            )
        ]
        return Sums(
            min(self.first_row, other.first_row),
            max(self.row, other.row),
            self.pairs + other.pairs,
            *parts,
        )

    def typical(self, name: str, mask: NDArray[np.bool_]) -> float:
        """Return the usual mean within a mask of any size; 0 where nothing is known."""
        height, width = self.total[name].shape
        inside = mask
        if mask.shape != (height, width):
            inside = (
                cv2.resize(mask.astype(np.float32), (width, height), None, 0, 0, 3)
                >= 0.5
            )
        inside = inside & (self.count[name] > 0)
        if not inside.any():
            return 0.0
        return float(np.median(self.total[name][inside] / self.count[name][inside]))

    def tell(self, name: str) -> tuple[Map, Map, Map]:
        """Return mean, its Student t and the number of comparisons at every place.

        Notes
        -----
        What changes slowly over the whole picture is no spot: a lens gives less light
        to the corners. A surface of second order is taken away.
        """
        n = self.count[name]
        known = n >= _FEWEST[name]
        if not known.any():
            return np.zeros_like(n), np.zeros_like(n), n
        least = np.maximum(n, np.float32(1))
        mean = np.asarray(self.total[name] / least, np.float32)
        rest = np.maximum(self.squares[name] - n * mean**2, 0)
        scatter = (rest[::2, ::2] / np.maximum(n[::2, ::2] - 1, 1))[known[::2, ::2]]
        # A few values may agree by chance: what is usual in this picture counts
        # as some more of them.
        usual = np.float32(np.percentile(scatter, _USUAL)) if scatter.size else 1.0
        spread = (rest + np.float32(PRIOR) * usual) / (least - 1 + np.float32(PRIOR))
        mean = mean - _surface(mean, known)
        t = mean / np.sqrt((spread + np.float32(_FLOOR[name] ** 2)) / least)
        return np.where(known, mean, 0), np.where(known, t, 0), n


def _surface(values: Map, known: NDArray[np.bool_]) -> Map:
    """Return the surface of second order that most of the values lie near to."""
    height, width = values.shape
    y, x = np.mgrid[-1 : 1 : height * 1j, -1 : 1 : width * 1j].astype(np.float32)
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1)
    few = known[::4, ::4]
    some, goal = terms[::4, ::4][few], values[::4, ::4][few]
    if len(goal) < 60:
        return np.zeros_like(values)
    weight = np.ones(goal.shape, np.float32)
    stiff = np.float32(0.02 * len(goal)) * np.eye(6, dtype=np.float32)
    for _ in range(4):
        weighted = some * weight[:, None]
        _, solved = cv2.solve(
            weighted.T @ some + stiff, weighted.T @ goal[:, None], flags=cv2.DECOMP_SVD
        )
        factors = np.asarray(solved, np.float32).ravel()
        off = goal - some @ factors
        scale = max(2.0 * float(np.median(np.abs(off))), 1e-4)
        weight = np.asarray(1.0 / (1.0 + (off / scale) ** 2) ** 2, np.float32)
    return np.asarray(terms @ factors, np.float32)


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
        Rows of the first and last look that show it.
    from_start, to_end : bool
        It shows in the first and in the last comparison there is.
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
    from_start: bool
    to_end: bool


class SpotMaps:
    """Collects comparisons; memory does not grow with the take."""

    def __init__(self) -> None:
        self.blocks: list[Sums] = []
        self._size = 1

    def add(self, difference: Difference) -> None:
        """Add a comparison."""
        new = Sums.of(difference)
        shape = new.total["level"].shape
        if self.blocks and self.blocks[-1].total["level"].shape != shape:
            return
        if self.blocks and self.blocks[-1].pairs < self._size:
            self.blocks[-1] = self.blocks[-1].plus(new)
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
        for whole in self._stretches():
            for name in _FLOOR:
                told = whole.tell(name)
                for mask in _regions(told, name, least[name]):
                    if mask.mean() > _LARGEST:
                        crowded = True
                        continue
                    found.append(self._spot(mask, whole, told, name))
        height, width = self.blocks[0].total["level"].shape
        return _distinct(found, height / width), crowded

    def _stretches(self) -> Iterator[Sums]:
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

    def _spot(
        self,
        mask: NDArray[np.bool_],
        whole: Sums,
        told: tuple[Map, Map, Map],
        name: str,
    ) -> Spot:
        height, width = mask.shape
        rows, columns = np.nonzero(mask)
        mean, t, _ = told
        both = {n: whole.typical(n, mask) for n in _FLOOR if n != name}
        both[name] = float(mean[mask][np.argmax(np.abs(t[mask]))])
        first, last = self._when(mask, name)
        return Spot(
            x=float(columns.min()) / width,
            y=float(rows.min()) / height,
            w=float(np.ptp(columns) + 1) / width,
            h=float(np.ptp(rows) + 1) / height,
            level=both["level"],
            detail=both["detail"],
            sure=float(np.abs(t[mask]).max()),
            first_row=self.blocks[first].first_row,
            row=self.blocks[last - 1].row,
            from_start=first == 0,
            to_end=last == len(self.blocks),
        )

    def _when(self, mask: NDArray[np.bool_], name: str) -> tuple[int, int]:
        """Return the stretch of blocks in which a spot is there.

        Least squares: there by one amount within the stretch, and not at all outside.
        """
        count = np.array([float(b.count[name][mask].sum()) for b in self.blocks])
        total = np.array([float(b.total[name][mask].sum()) for b in self.blocks])
        n, s = (np.concatenate([[0.0], np.cumsum(v)]) for v in (count, total))
        explained = {
            (i, j): (s[j] - s[i]) ** 2 / max(n[j] - n[i], 1.0)
            for i in range(len(self.blocks))
            for j in range(i + 1, len(self.blocks) + 1)
        }
        most = max(explained.values())
        # Longer when nothing speaks against it.
        return max(
            (ij for ij, e in explained.items() if e >= _AS_GOOD * most),
            key=lambda ij: (ij[1] - ij[0], explained[ij]),
        )


def _needed(n: Map, name: str) -> Map:
    """Return the Student t that is too large for chance, at every place."""
    from scipy.special import stdtrit  # heavy; the command must answer at once

    counts = np.arange(FEWEST_PLACES, max(int(n.max()), FEWEST_PLACES) + 2)
    least = -np.asarray(stdtrit(counts - 1 + PRIOR, _CHANCE[name]))
    return np.interp(n, counts, least).astype(np.float32)


def _regions(
    told: tuple[Map, Map, Map], name: str, least: float
) -> Iterator[NDArray[np.bool_]]:
    """Yield masks of what is surely not part of the scene."""
    mean, t, n = told
    if not (n >= _FEWEST[name]).any():
        return
    needed = _needed(n, name)
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
        first_row=min(one.first_row, other.first_row),
        row=max(one.row, other.row),
        from_start=one.from_start or other.from_start,
        to_end=one.to_end or other.to_end,
    )


def _around(one: Spot, other: Spot) -> Spot:
    """Return the first with the box around both."""
    x, y = min(one.x, other.x), min(one.y, other.y)
    return replace(
        one,
        x=x,
        y=y,
        w=max(one.x + one.w, other.x + other.w) - x,
        h=max(one.y + one.h, other.y + other.h) - y,
    )


def _as_large(spot: Spot, kept: Spot) -> bool:
    """Return whether a less sure spot is about as large as a surer one."""
    sides = (spot.w / kept.w, spot.h / kept.h)
    return all(1 / _LARGER <= side <= _LARGER for side in sides) and (
        spot.sure >= _SURE_SHARE * kept.sure
    )
