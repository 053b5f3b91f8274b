"""Sums over comparisons, at every place, and what they say by Student's t."""

from __future__ import annotations

import functools
from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.spots.spotpool import FEWEST
from qc.measures.parts.spots.spotranks import middle, ranked, second_order

__all__ = ["FLOOR", "PRIOR", "Sums"]

Map = NDArray[np.float32]

FLOOR = {"level": 0.012, "detail": 0.06}  # nothing is known better, in logarithms
PRIOR = 4.0  # values of the usual scatter, beside those of a place itself
_USUAL = 0.8  # of the places scatter no more


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
    def of(
        cls,
        first_row: int,
        row: int,
        values: Mapping[str, Map],
        fresh: NDArray[np.bool_],
    ) -> Sums:
        """Begin with one comparison.

        Parameters
        ----------
        values : maps by ``"level"`` and ``"detail"``
            See `spotlooks.Difference`.
        fresh : (rows, columns) array
            Where the look shows something new.
        """
        count, total, squares = {}, {}, {}
        for name in FLOOR:
            new = _spread(fresh, values[name].shape)
            count[name] = np.where(np.isfinite(values[name]), new, np.float32(0))
            total[name] = np.where(count[name] > 0, values[name], np.float32(0))
            squares[name] = total[name] ** 2
        return cls(first_row, row, 1, count, total, squares)

    def where(self, fresh: NDArray[np.bool_]) -> Sums:
        """Return a copy of what is known where the look shows something new."""
        new = {n: _spread(fresh, v.shape) for n, v in self.count.items()}
        parts = [
            {n: v * new[n] for n, v in mine.items()}
            for mine in (self.count, self.total, self.squares)
        ]
        return Sums(self.first_row, self.row, self.pairs, *parts)

    def take(self, other: Sums) -> None:
        """Add another stretch to this one."""
        for mine, theirs in (
            (self.count, other.count),
            (self.total, other.total),
            (self.squares, other.squares),
        ):
            for name, values in mine.items():
                values += theirs[name]
        self.first_row = min(self.first_row, other.first_row)
        self.row = max(self.row, other.row)
        self.pairs += other.pairs

    def take_where(self, other: Sums, fresh: NDArray[np.bool_]) -> None:
        """Add another stretch where its look shows something new."""
        for name, count in self.count.items():
            new = _spread(fresh, count.shape)
            part = np.empty_like(new)
            for mine, theirs in (
                (self.count, other.count),
                (self.total, other.total),
                (self.squares, other.squares),
            ):
                np.multiply(theirs[name], new, out=part)
                mine[name] += part
        self.first_row = min(self.first_row, other.first_row)
        self.row = max(self.row, other.row)
        self.pairs += other.pairs

    def plus(self, other: Sums) -> Sums:
        """Return the sums over both stretches."""
        parts = [
            {n: v.copy() for n, v in mine.items()}
            for mine in (self.count, self.total, self.squares)
        ]
        both = Sums(self.first_row, self.row, self.pairs, *parts)
        both.take(other)
        return both

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
        known = n >= FEWEST
        if not known.any():
            return np.zeros_like(n), np.zeros_like(n), n
        least = np.maximum(n, np.float32(1))
        mean = np.asarray(self.total[name] / least, np.float32)
        rest = np.maximum(self.squares[name] - n * mean**2, 0)
        scatter = (rest[::2, ::2] / np.maximum(n[::2, ::2] - 1, 1))[known[::2, ::2]]
        # A few values may agree by chance: what is usual in this picture counts
        # as some more of them.
        usual = np.float32(ranked(scatter, _USUAL)) if scatter.size else np.float32(1)
        spread = (rest + np.float32(PRIOR) * usual) / (least - 1 + np.float32(PRIOR))
        mean = mean - _surface(mean, known)
        t = mean / np.sqrt((spread + np.float32(FLOOR[name] ** 2)) / least)
        return np.where(known, mean, 0), np.where(known, t, 0), n


def _spread(fresh: NDArray[np.bool_], shape: tuple[int, ...]) -> Map:
    """Return a grid's places on a map."""
    size = shape[1], shape[0]
    return np.asarray(
        cv2.resize(fresh.astype(np.float32), size, None, 0, 0, cv2.INTER_NEAREST),
        np.float32,
    )


@functools.lru_cache(maxsize=8)
def _terms(height: int, width: int) -> Map:
    """Return terms of second order at every place, (height, width, 6)."""
    return second_order(height, width).astype(np.float32)


def _surface(values: Map, known: NDArray[np.bool_]) -> Map:
    """Return the surface of second order that most of the values lie near to."""
    height, width = values.shape
    terms = _terms(height, width)
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
        scale = max(2.0 * middle(np.abs(off)), 1e-4)
        weight = np.asarray(1.0 / (1.0 + (off / scale) ** 2) ** 2, np.float32)
    return np.asarray(terms @ factors, np.float32)
