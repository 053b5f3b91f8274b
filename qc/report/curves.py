"""One column of readings drawn in a lane: its path, its axis, its limits, in words."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qc.measures.base import Chart
from qc.records import Grade
from qc.report.axis import Axis
from qc.report.extremes import Extremes
from qc.report.words import alike, amount, sensible
from qc.spans import runs

__all__ = ["Curve", "LimitLine", "curve_of", "lane_ends", "limit_lines", "summary_of"]

# Size of a lane's drawing area in its own units; the page stretches it.
_WIDTH, _HEIGHT = 1000.0, 100.0
# Labels of limit lines keep this far apart, in percent of a lane's height.
_LABEL_GAP = 17.0
_SILENT_DB = -120.0
_SPACE = "\N{NO-BREAK SPACE}"


@dataclass(frozen=True, slots=True)
class Curve:
    """One column of readings, drawn.

    Attributes
    ----------
    path : str
        SVG path data in a box of 1000 by 100.
    filled : bool
        The path is an area between lowest and highest, not a line.
    rank : int
        0 for the chart's main column, then 1, 2 ...
    """

    path: str
    filled: bool
    rank: int
    label: str


@dataclass(frozen=True, slots=True)
class LimitLine:
    """A limit across a lane; `label_top` keeps labels apart."""

    y: str
    label_top: str
    label: str
    grade: str


def lane_ends(
    chart: Chart, columns: list[NDArray[np.float32]], limits: list[float]
) -> tuple[float, float]:
    """Return the ends of a lane's axis: the chart's own, else data and limits."""
    known = [c[np.isfinite(c)] for c in columns]
    lows = [float(k.min()) for k in known if k.size] + limits
    highs = [float(k.max()) for k in known if k.size] + limits
    low = chart.low if chart.low is not None else min(lows, default=0.0)
    high = chart.high if chart.high is not None else max(highs, default=1.0)
    # Noise on a steady column must not fill the lane.
    least = max(0.04 * max(abs(high), abs(low)), 1e-6)
    room = max(0.08 * (high - low), (least - (high - low)) / 2)
    if chart.high is None:
        high += room
    if chart.low is None:
        low -= room
    return low, max(high, low + 1e-6)


def summary_of(
    values: NDArray[np.float32],
    unit: str,
    *,
    sound: bool,
    floor: float | None = None,
    name: str = "",
) -> str:
    """Return a column in a few words.

    Parameters
    ----------
    sound : bool
        Levels of sound are told by their highest.
    floor : float or None
        Low end of the axis: what lies there throughout is nothing.
    name : str
        What it is, if others are drawn with it.
    """
    known = values[np.isfinite(values)].astype(np.float64)
    if not known.size:
        return ""
    # A share of a picture is a "%" here, whatever it is a share of.
    short = unit.split(" ", 1)[0]
    is_level = sound and bool(unit)
    if is_level:
        highest = amount(float(known.max()), short, 1)
        if known.max() <= _SILENT_DB:
            return "digital silence"
        if floor is not None and (known == floor).all():
            return "none found"
        return f"{name.lower()} up to {highest}" if name else f"highest {highest}"
    ends = float(np.median(known)), float(known.min()), float(known.max())
    middle, least, most = alike(*ends)
    return f"median {middle}, {least} to {most}{_SPACE * bool(short)}{short}"


def limit_lines(
    limits: list[tuple[str, float]], low: float, high: float
) -> tuple[LimitLine, ...]:
    """Return the limits that lie within a lane, their labels kept apart."""
    inside = sorted(
        ((high - v) / (high - low) * 100.0, key, v)
        for key, v in limits
        if low <= v <= high
    )
    out: list[LimitLine] = []
    free = 0.0
    for y, key, value in inside:
        top = min(max(y, free), 100.0)
        free = top + _LABEL_GAP
        grade = next((g for g in Grade if g.value in key), Grade.REVIEW)
        word = grade.value
        if "target" in key:
            grade, word = Grade.NOTE, "target"  # where to be, not what to keep off
        out.append(
            LimitLine(
                y=f"{y:.2f}",
                label_top=f"{top:.2f}%",
                label=f"{word} {sensible(value)}",
                grade=grade.value,
            )
        )
    return tuple(out)


def curve_of(
    shape: Extremes, axis: Axis, low: float, high: float, rank: int, label: str
) -> Curve:
    """Return a column as a path: a line of stairs, or the area between extremes."""
    x = (shape.edges - axis.start) / max(axis.end - axis.start, 1e-9) * _WIDTH
    scale = _HEIGHT / (high - low)
    top = np.clip((high - shape.high) * scale, 0.0, _HEIGHT)
    bottom = np.clip((high - shape.low) * scale, 0.0, _HEIGHT)
    parts = []
    for first, last in runs(~np.isnan(shape.high)):
        if shape.exact:
            parts.append(_stairs(x[first : last + 1], top[first:last]))
        else:
            middle = (x[first:last] + x[first + 1 : last + 1]) / 2.0
            parts.append(_area(middle, top[first:last], bottom[first:last]))
    return Curve("".join(parts), not shape.exact, rank, label)


def _stairs(x: NDArray[np.float64], y: NDArray[np.float64]) -> str:
    """Return a line that keeps each row's value for as long as it is showing."""
    steps = (f"V{v:.1f}H{right:.1f}" for v, right in zip(y[1:], x[2:], strict=True))
    return f"M{x[0]:.1f} {y[0]:.1f}H{x[1]:.1f}" + "".join(steps)


def _area(
    x: NDArray[np.float64], top: NDArray[np.float64], bottom: NDArray[np.float64]
) -> str:
    """Return the outline of the area between two lines."""
    there = " ".join(f"{a:.1f} {b:.1f}" for a, b in zip(x, top, strict=True))
    back = " ".join(
        f"{a:.1f} {b:.1f}" for a, b in zip(x[::-1], bottom[::-1], strict=True)
    )
    return f"M{there} {back}Z"
