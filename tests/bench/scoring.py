"""Arithmetic and tables of the accuracy bench, and the register of its sections."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "SECTIONS",
    "Pool",
    "Row",
    "Section",
    "Task",
    "binned",
    "percentile",
    "rate",
    "section",
]

Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Task:
    """What a section is asked to do.

    Attributes
    ----------
    split : str
        "tune" or "test".
    count : int or None
        How many takes; None: the section's own number.
    plots : Path or None
        Folder for figures; None: draw none.
    jobs : int
        Processes that share the takes.
    """

    split: str = "test"
    count: int | None = None
    plots: Path | None = None
    jobs: int = 1


@dataclass(frozen=True, slots=True)
class Row:
    """One scored figure.

    Attributes
    ----------
    value : float
        NaN when there was nothing to score: that is not a pass.
    cases : int
        Over how many takes or frames.
    goal : float or None
        None: told for information.
    at_least : bool
        The value must reach the goal; else it must not exceed it.
    """

    name: str
    value: float
    cases: int
    unit: str = ""
    goal: float | None = None
    at_least: bool = True
    remark: str = ""

    @property
    def verdict(self) -> str:
        """ "met", "missed", "no data", or nothing without a goal."""
        if self.goal is None:
            return ""
        if self.cases == 0 or math.isnan(self.value):
            return "no data"
        good = self.value >= self.goal if self.at_least else self.value <= self.goal
        return "met" if good else "missed"

    def record(self) -> dict[str, Any]:
        """Return the row for JSON; NaN and infinity as null."""
        value = self.value if math.isfinite(self.value) else None
        return asdict(self) | {"value": value, "verdict": self.verdict}

    def line(self) -> tuple[str, ...]:
        """Return the cells of the printed table."""
        value = "-" if math.isnan(self.value) else f"{self.value:.4g}{self.unit}"
        sign = ">=" if self.at_least else "<="
        goal = "" if self.goal is None else f"{sign} {self.goal:g}{self.unit}"
        return self.name, value, goal, self.verdict, str(self.cases), self.remark


@dataclass(frozen=True, slots=True)
class Section:
    """A named part of the bench."""

    name: str
    what: str
    run: Callable[[Task], list[Row]]


SECTIONS: dict[str, Section] = {}


def section(
    name: str, what: str
) -> Callable[[Callable[[Task], list[Row]]], Callable[[Task], list[Row]]]:
    """Register a function as a section of the bench."""

    def keep(run: Callable[[Task], list[Row]]) -> Callable[[Task], list[Row]]:
        SECTIONS[name] = Section(name, what, run)
        return run

    return keep


@dataclass(slots=True)
class Pool:
    """Pixels of masks added up over frames.

    Examples
    --------
    >>> pool = Pool()
    >>> pool.add(np.array([True, True, False]), np.array([True, False, False]))
    >>> pool.iou
    0.5
    """

    both: int = 0
    either: int = 0
    frames: int = 0
    each: list[float] = field(default_factory=list)

    def add(self, found: Mask, truth: Mask, leave_out: Mask | None = None) -> None:
        """Add a frame; pixels of `leave_out` are right either way."""
        if leave_out is not None:
            found, truth = found & ~leave_out, truth & ~leave_out
        both = int(np.count_nonzero(found & truth))
        either = int(np.count_nonzero(found | truth))
        self.both += both
        self.either += either
        self.frames += 1
        if either:
            self.each.append(both / either)

    def merge(self, other: Pool) -> None:
        """Add another pool."""
        self.both += other.both
        self.either += other.either
        self.frames += other.frames
        self.each += other.each

    @property
    def iou(self) -> float:
        """Pixels in both masks over pixels in either; NaN if no mask had any."""
        return self.both / self.either if self.either else math.nan


def rate(flags: Iterable[bool]) -> float:
    """Return the share that is true, in percent; NaN of nothing.

    Examples
    --------
    >>> rate([True, True, True, False])
    75.0
    """
    flags = list(flags)
    return 100.0 * sum(flags) / len(flags) if flags else math.nan


def percentile(values: Iterable[float], percent: float) -> float:
    """Return a percentile (linear between ranks); NaN of nothing.

    A value that is NaN stands for a failure and counts as infinitely large.
    """
    found = [math.inf if math.isnan(v) else v for v in values]
    if not found:
        return math.nan
    ranked = np.sort(np.array(found))
    place = (len(ranked) - 1) * percent / 100.0
    low = math.floor(place)
    if place == low or ranked[low + 1] == ranked[low]:
        return float(ranked[low])
    return float(ranked[low] + (place - low) * (ranked[low + 1] - ranked[low]))


def binned(
    keys: Sequence[float], values: Sequence[float], edges: Sequence[float]
) -> list[tuple[float, float, list[float]]]:
    """Sort values into bins of their keys: (low, high, values); the last is closed.

    Examples
    --------
    >>> binned([0.1, 0.6, 1.0], [1, 2, 3], [0, 0.5, 1])
    [(0, 0.5, [1]), (0.5, 1, [2, 3])]
    """
    out = []
    for low, high in itertools.pairwise(edges):
        last = high == edges[-1]
        mine = [
            v
            for k, v in zip(keys, values, strict=True)
            if low <= k < high or (last and k == high)
        ]
        out.append((low, high, mine))
    return out
