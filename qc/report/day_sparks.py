"""Tiny charts of a take for its row: what was measured, and what broke its limit."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from qc.limits import Limits
from qc.report.day_values import figure, strip
from qc.report.words import amount

__all__ = ["SPARK_HEIGHT", "SPARK_WIDTH", "Spark", "sparks_of"]

SPARK_WIDTH, SPARK_HEIGHT = 80, 36
# In the first chart level is drawn over burnt-out area.
_SPLIT, _GAP = 21, 2
_LEVEL_TOP = 110.0
_BURNT_TOP = 25.0
_SOUND_FLOOR = -60.0
_SILENT_DBFS = -150.0


@dataclass(frozen=True, slots=True)
class Spark:
    """A tiny chart.

    Attributes
    ----------
    line, area : str
        SVG paths of what was measured, as stairs and as area; may be empty.
    review, reject : str
        What lies past those limits.
    ticks : tuple of (height, grade)
        Where limits are.
    text : str
        Its most telling figure.
    order : str
        What rows are sorted by; empty if not measured.
    """

    line: str
    area: str
    review: str
    reject: str
    ticks: tuple[tuple[str, str], ...]
    text: str
    order: str


def sparks_of(
    document: Mapping[str, Any], limits: Limits
) -> tuple[Spark | None, Spark | None, Spark | None]:
    """Return the charts of picture levels, sharpness and sound; None: not measured.

    All takes have the same scales, so that rows can be compared.
    """
    picture, focus = _picture(document, limits), _focus(document, limits)
    return picture, focus, _sound(document, limits)


def _picture(document: Mapping[str, Any], limits: Limits) -> Spark | None:
    levels, burnt = strip(document, "exposure"), strip(document, "highlights")
    if not levels and not burnt:
        return None
    level = figure(document, "summary", "exposure", "p50_median_percent")
    highest = figure(document, "summary", "highlights", "relevant_max_percent")
    bounds = _bounds(limits, "highlights.review_percent", "highlights.reject_percent")

    def root(value: float) -> float:
        part = min(max(value, 0.0), _BURNT_TOP) / _BURNT_TOP
        return SPARK_HEIGHT - (SPARK_HEIGHT - _SPLIT - _GAP) * math.sqrt(part)

    return Spark(
        line=_stairs(levels, _linear(0.0, _LEVEL_TOP, _SPLIT)),
        area=_area(burnt, root, SPARK_HEIGHT),
        **_past(burnt, root, bounds, above=True),
        ticks=_ticks(bounds, root),
        text=f"{amount(level, '%', 0)} · {amount(highest, '%', 1)}",
        order=_order(level),
    )


def _focus(document: Mapping[str, Any], limits: Limits) -> Spark | None:
    values = strip(document, "focus")
    if not values:
        return None
    lowest = figure(document, "summary", "focus", "relative_percent_min")
    bounds = _bounds(limits, "focus.soft_review_percent", "focus.soft_reject_percent")
    y = _linear(0.0, 100.0, SPARK_HEIGHT)
    return Spark(
        line=_stairs(values, y),
        area="",
        **_past(values, y, bounds, above=False),
        ticks=_ticks(bounds, y),
        text=amount(lowest, "%", 0),
        order=_order(lowest),
    )


def _sound(document: Mapping[str, Any], limits: Limits) -> Spark | None:
    values = strip(document, "sound")
    if not values:
        return None
    peak = figure(document, "summary", "peaks", "true_peak_dbtp")
    silent = peak is not None and peak <= _SILENT_DBFS
    bounds = _bounds(limits, "peaks.review_dbtp")
    # Room above full scale: peaks between samples may exceed it.
    y = _linear(_SOUND_FLOOR, 3.0, SPARK_HEIGHT)
    return Spark(
        line="",
        area=_area(values, y, SPARK_HEIGHT),
        **_past(values, y, bounds, above=True),
        ticks=_ticks(bounds, y),
        text="silent" if silent else amount(peak, "dBTP", 1),
        order=_order(peak),
    )


def _bounds(limits: Limits, review: str, reject: str = "") -> dict[str, float]:
    pairs = (("review", review), ("reject", reject))
    return {grade: float(limits[key]) for grade, key in pairs if key in limits}


def _order(value: float | None) -> str:
    return "" if value is None else f"{value:.4g}"


def _linear(low: float, high: float, bottom: int) -> Callable[[float], float]:
    def y(value: float) -> float:
        return bottom * (1.0 - (min(max(value, low), high) - low) / (high - low))

    return y


def _ticks(
    bounds: Mapping[str, float], y: Callable[[float], float]
) -> tuple[tuple[str, str], ...]:
    return tuple((f"{y(value):.1f}", grade) for grade, value in bounds.items())


def _runs(
    values: Sequence[float | None], y: Callable[[float], float]
) -> list[list[tuple[float, float, int]]]:
    """Return stretches that were measured, as stairs: left, right, height."""
    step = SPARK_WIDTH / max(len(values), 1)
    out: list[list[tuple[float, float, int]]] = []
    open_run = False
    for i, value in enumerate(values):
        if value is None:
            open_run = False
            continue
        stair = (round(i * step, 1), round((i + 1) * step, 1), round(2 * y(value)))
        if not open_run:
            out.append([])
        elif out[-1][-1][2] == stair[2]:
            stair = (out[-1].pop()[0], stair[1], stair[2])
        out[-1].append(stair)
        open_run = True
    return out


def _stairs(values: Sequence[float | None], y: Callable[[float], float]) -> str:
    return "".join(_stairs_of(run) for run in _runs(values, y))


def _stairs_of(run: Sequence[tuple[float, float, int]]) -> str:
    left, _, height = run[0]
    rest = "".join(f"V{h / 2:g}H{right:g}" for _, right, h in run[1:])
    return f"M{left:g} {height / 2:g}H{run[0][1]:g}{rest}"


def _area(
    values: Sequence[float | None], y: Callable[[float], float], base: float
) -> str:
    return "".join(
        f"{_stairs_of(run)}V{base:g}H{run[0][0]:g}Z" for run in _runs(values, y)
    )


def _past(
    values: Sequence[float | None],
    y: Callable[[float], float],
    bounds: Mapping[str, float],
    *,
    above: bool,
) -> dict[str, str]:
    """Return the areas between limits and what lies past them."""

    def past(value: float | None, bound: float | None) -> bool:
        if value is None or bound is None:
            return False
        return value >= bound if above else value < bound

    review, reject = bounds.get("review"), bounds.get("reject")
    out = {"review": "", "reject": ""}
    for grade, bound in (("review", review), ("reject", reject)):
        if bound is None:
            continue
        other = reject if grade == "review" else None
        part = [v if past(v, bound) and not past(v, other) else None for v in values]
        base = review if review is not None else bound
        out[grade] = _area(part, y, round(y(base), 1))
    return out
