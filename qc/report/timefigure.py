"""A figure with the take's time axis, drawn for the page."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qc.records import Grade, TakeResult
from qc.report.axis import Axis, ticks
from qc.report.drawing import (
    Canvas,
    Drawing,
    Key,
    hatched,
    number,
    path_of,
    tick_values,
)
from qc.report.extremes import Extremes
from qc.report.words import sensible
from qc.spans import runs

__all__ = ["Plot", "TimeFigure"]

_SIZE = (960, 262)
_HATCH_STEP = 9.0


@dataclass(frozen=True, slots=True)
class Plot:
    """A figure, its legend, and how to read it."""

    title: str
    drawing: Drawing
    keys: tuple[Key, ...]
    explain: str


class TimeFigure:
    """One figure with the take's time axis.

    Parameters
    ----------
    ends : (low, high)
        Values at the bottom and the top.
    by_tens : bool
        The scale is logarithmic.
    """

    def __init__(
        self,
        result: TakeResult,
        axis: Axis,
        unit: str,
        ends: tuple[float, float],
        *,
        by_tens: bool = False,
    ) -> None:
        width, height = _SIZE
        self._result = result
        self._canvas = Canvas(
            _SIZE,
            52.0,
            width - 84.0,
            20.0,
            height - 22.0,
            (axis.start, axis.end),
            ends,
            np.log10 if by_tens else None,
        )
        marks = ticks(result.info, axis)
        places = [axis.start + t.share * (axis.end - axis.start) for t in marks]
        self._canvas.x_axis(places, [t.label for t in marks])
        if by_tens:
            values = list(_tens(*ends))
            self._canvas.y_axis(values, [sensible(v) for v in values])
        else:
            self._canvas.y_axis(tick_values(*ends))
        self._canvas.say(2, 11, unit, "name")
        self._keys: list[Key] = []

    def band(self, shape: Extremes, look: str, label: str) -> None:
        """Draw the area between the extremes, and its rim so that spikes show."""
        x, low, high = self._stairs(shape)
        parts = []
        for first, last in runs(np.isfinite(high) & np.isfinite(low)):
            there = path_of(*_corners(x[first:last], high[first:last]))
            back = path_of(*_corners(x[first:last][::-1], low[first:last][::-1]))
            parts.append(f"{there}L{back.removeprefix('M').removesuffix('h0')}Z")
        self._canvas.draw("".join(parts), f"band {look}")
        self._keys.append(Key(f"band {look}", label))

    def line(self, shape: Extremes, look: str, label: str) -> None:
        """Draw the highest value of every bin."""
        x, _, high = self._stairs(shape)
        self._canvas.draw(path_of(*_corners(x, high)), look)
        self._keys.append(Key(look, label))

    def limits(self, limits: list[tuple[str, float, Grade | None]]) -> None:
        """Draw limits across and write their names at their right ends."""
        self._canvas.levels(
            [
                (label, value, f"l-{grade.value}" if grade else "dotted")
                for label, value, grade in limits
            ],
            outside=True,
        )

    def moments(self, seconds: list[float]) -> None:
        """Draw upright lines at some moments."""
        top, bottom = number(self._canvas.top), number(self._canvas.bottom)
        path = "".join(
            f"M{number(float(x))} {top}V{bottom}"
            for x in self._canvas.x(np.asarray(seconds, np.float64))
        )
        self._canvas.draw(path, "level dotted")

    def flagged(self, rules: tuple[str, ...]) -> None:
        """Hatch the stretches of some rules: one way for review, both for reject."""
        canvas = self._canvas
        for grade in (Grade.REVIEW, Grade.REJECT):
            path = ""
            for start, end in self._stretches(rules, grade):
                left, right = (float(canvas.x(v)) for v in (start, end))
                right = max(right, left + 1.5)
                for falling in (False, True)[: 1 + (grade is Grade.REJECT)]:
                    path += hatched(
                        left,
                        right,
                        canvas.top,
                        canvas.bottom,
                        falling=falling,
                        step=_HATCH_STEP,
                    )
            canvas.draw(path, f"hatch l-{grade.value}")

    def _stretches(
        self, rules: tuple[str, ...], grade: Grade
    ) -> list[tuple[float, float]]:
        """Return where findings lie, those that touch joined."""
        spans = sorted(
            (float(f.start), float(f.end))
            for f in self._result.findings
            if f.grade is grade and f.rule in rules
        )
        out: list[tuple[float, float]] = []
        for start, end in spans:
            if out and start <= out[-1][1]:
                out[-1] = out[-1][0], max(end, out[-1][1])
            else:
                out.append((start, end))
        return out

    def plot(self, title: str, says: str, explain: str) -> Plot:
        """Return the figure."""
        self._canvas.frame()
        keys = tuple(sorted(self._keys, key=lambda k: k.look))
        if len(keys) == 1:
            keys = ()  # the title names it
        return Plot(title, self._canvas.drawing(says), keys, explain)

    def _stairs(
        self, shape: Extremes
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """Return x, low and high: each bin's values from its start to its end."""
        canvas = self._canvas
        x = np.repeat(canvas.x(shape.edges), 2)[1:-1]
        low, high = (
            np.clip(canvas.y(np.repeat(v, 2)), canvas.top, canvas.bottom)
            for v in (shape.low, shape.high)
        )
        return x, low, high


def _corners(
    x: NDArray[np.float64], y: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return stairs without the points in the middle of a level stretch."""
    if len(y) < 3:
        return x, y
    y = np.round(y, 1)
    keep = np.ones(len(y), bool)
    same = (y[1:] == y[:-1]) | (np.isnan(y[1:]) & np.isnan(y[:-1]))
    keep[1:-1] = ~(same[1:] & same[:-1])
    return x[keep], y[keep]


def _tens(low: float, high: float) -> Iterator[float]:
    """Return round numbers on a logarithmic scale."""
    steps = (1.0, 2.0, 5.0) if high / low < 200.0 else (1.0,)
    powers = range(int(np.floor(np.log10(low))), int(np.ceil(np.log10(high))) + 1)
    for power in powers:
        for step in steps:
            if low <= step * 10.0**power <= high:
                yield step * 10.0**power
