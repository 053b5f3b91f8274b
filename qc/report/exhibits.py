"""Small figures beside a finding: the measure gives the data, here they are drawn."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qc.measures.base import Exhibit, Line, Measure
from qc.records import Finding, TakeResult
from qc.report.drawing import LINE_LOOKS, Canvas, Drawing, Key, number
from qc.report.words import NOT_MEASURED, counted, fixed, sensible

__all__ = ["Field", "Figure", "exhibits_of", "figure_of"]

MOST_EXHIBITS = 4
"""Figures a finding."""
_SIZE = (380, 230)
_PATH_SIZE = (300, 300)
_MOST_BARS = 240
_MOST_SWATCHES = 12


@dataclass(frozen=True, slots=True)
class Field:
    """A colour to look at; `fill` is empty where it was not measured."""

    label: str
    fill: str
    figures: str


@dataclass(frozen=True, slots=True)
class Figure:
    """A small figure: a drawing with its legend, or fields of colour.

    Attributes
    ----------
    kind : str
        How wide it may be on the page, a name of the style sheet.
    """

    kind: str
    title: str
    caption: str
    drawing: Drawing | None = None
    keys: tuple[Key, ...] = ()
    fields: tuple[Field, ...] = ()


def exhibits_of(
    result: TakeResult,
    measures: Iterable[Measure],
    numbers: Iterable[tuple[int, Finding]],
) -> dict[int, tuple[Figure, ...]]:
    """Return the figures of numbered findings, where their measures have any."""
    makers = {
        rule: m.exhibits
        for m in measures
        if m.exhibits is not None
        for rule in m.rule_labels
    }
    out: dict[int, tuple[Figure, ...]] = {}
    for at, finding in numbers:
        maker = makers.get(finding.rule)
        if maker is None:
            continue
        figures = [figure_of(e) for e in list(maker(result, finding))[:MOST_EXHIBITS]]
        if figures:
            out[at] = tuple(figures)
    return out


def figure_of(exhibit: Exhibit) -> Figure:
    """Return an exhibit as it is put on the page."""
    if exhibit.kind == "swatches":
        return _swatches(exhibit)
    lines = [line for line in exhibit.lines if len(line.x)]
    known = any(np.isfinite(line.x * line.y).any() for line in lines)
    if not known:
        caption = f"{exhibit.caption} Nothing could be measured here.".strip()
        return Figure(exhibit.kind, exhibit.title, caption)
    makers = {"lines": _lines, "path": _path, "bars": _bars}
    canvas = makers[exhibit.kind](exhibit, lines)
    looks = [LINE_LOOKS[i % len(LINE_LOOKS)] for i in range(len(lines))]
    keys = [
        Key(("bar " if exhibit.kind == "bars" else "") + look, line.label)
        for look, line in zip(looks, lines, strict=True)
        if line.label
    ]
    return Figure(
        kind=exhibit.kind,
        title=exhibit.title,
        caption=exhibit.caption,
        drawing=canvas.drawing(_said(exhibit, lines)),
        # A lone line needs no telling apart where the title names it.
        keys=tuple(keys) if len(keys) > 1 or exhibit.kind == "path" else (),
    )


def _said(exhibit: Exhibit, lines: list[Line]) -> str:
    """Return what a figure shows, for those who do not see it."""
    parts = [f"{exhibit.title}."]
    for line in lines:
        name = line.label or exhibit.y_label or "Values"
        known = np.isfinite(line.x) & np.isfinite(line.y)
        x, y = line.x[known].astype(np.float64), line.y[known].astype(np.float64)
        if not y.size:
            parts.append(f"{name}: {NOT_MEASURED}.")
        elif exhibit.kind == "path":
            parts.append(
                f"{name}: across {sensible(x.min())} to {sensible(x.max())}, "
                f"up {sensible(y.min())} to {sensible(y.max())}."
            )
        else:
            parts.append(
                f"{name}: {counted(y.size, 'value')}, {sensible(y.min())} to "
                f"{sensible(y.max())}, highest at {sensible(float(x[y.argmax()]))}."
            )
    for label, value in exhibit.levels:
        parts.append(f"{label}: {sensible(value)}.")
    axes = [t for t in (exhibit.x_label, exhibit.y_label) if t]
    if axes:
        parts.append(f"Axes: {', '.join(axes)}.")
    return " ".join(parts)


# ----------------------------------------------------------------- the three drawings


def _ends(
    values: Iterable[NDArray[np.floating]], extra: Iterable[float] = (), room: float = 0
) -> tuple[float, float]:
    """Return the ends of an axis around all numbers, never the same."""
    known = np.concatenate(
        [np.asarray(v, np.float64).ravel() for v in values]
        + [np.array(list(extra), np.float64)]
    )
    known = known[np.isfinite(known)]
    low, high = float(known.min()), float(known.max())
    if high - low <= 1e-9 * max(abs(low), abs(high), 1e-3):
        room_flat = max(abs(high) * 0.05, 0.5)
        return low - room_flat, high + room_flat
    return low - room * (high - low), high + room * (high - low)


def _canvas(
    size: tuple[int, int], x: tuple[float, float], y: tuple[float, float]
) -> Canvas:
    width, height = size
    return Canvas(size, 46.0, width - 10.0, 22.0, height - 36.0, x, y)


def _label_axes(canvas: Canvas, exhibit: Exhibit) -> None:
    canvas.frame()
    canvas.say(2, 11, exhibit.y_label, "name")
    canvas.say(canvas.right, canvas.size[1] - 5, exhibit.x_label, "name", "end")


def _lines(exhibit: Exhibit, lines: list[Line]) -> Canvas:
    y_ends = _ends((n.y for n in lines), (v for _, v in exhibit.levels), 0.06)
    canvas = _canvas(_SIZE, _ends(n.x for n in lines), y_ends)
    canvas.y_ticks()
    canvas.x_ticks(5)
    canvas.levels((label, value, "") for label, value in exhibit.levels)
    for i, line in enumerate(lines):
        canvas.line(line.x, line.y, LINE_LOOKS[i % len(LINE_LOOKS)])
    _label_axes(canvas, exhibit)
    return canvas


def _path(exhibit: Exhibit, lines: list[Line]) -> Canvas:
    canvas = _canvas(_PATH_SIZE, _ends(n.x for n in lines), _ends(n.y for n in lines))
    # One scale for both: the larger reach fills the box, the other is centred.
    across = canvas.right - canvas.left
    up = canvas.bottom - canvas.top
    unit = max(
        (canvas.x_ends[1] - canvas.x_ends[0]) / across,
        (canvas.y_ends[1] - canvas.y_ends[0]) / up,
    )
    middle_x, middle_y = sum(canvas.x_ends) / 2, sum(canvas.y_ends) / 2
    reach_x, reach_y = unit * across * 0.54, unit * up * 0.54
    canvas.x_ends = (middle_x - reach_x, middle_x + reach_x)
    canvas.y_ends = (middle_y - reach_y, middle_y + reach_y)
    canvas.y_ticks()
    canvas.x_ticks(5)
    canvas.levels((label, value, "") for label, value in exhibit.levels)
    for i, line in enumerate(lines):
        look = LINE_LOOKS[i % len(LINE_LOOKS)]
        canvas.line(line.x, line.y, look)
        known = np.flatnonzero(np.isfinite(line.x) & np.isfinite(line.y))
        if known.size:
            # Where it begins and where it ends, or a path has no direction.
            for row, end in ((known[0], "begin"), (known[-1], "stop")):
                x, y = float(canvas.x(line.x[row])), float(canvas.y(line.y[row]))
                canvas.draw(_ring(x, y, 3.4), f"{look} {end}")
    _label_axes(canvas, exhibit)
    return canvas


def _ring(x: float, y: float, r: float) -> str:
    return (
        f"M{number(x - r)} {number(y)}a{r} {r} 0 1 0 {2 * r} 0"
        f"a{r} {r} 0 1 0 {-2 * r} 0Z"
    )


def _bars(exhibit: Exhibit, lines: list[Line]) -> Canvas:
    rows = [_few(line) for line in lines]
    places = np.unique(np.concatenate([x[np.isfinite(x)] for x, _ in rows]))
    gaps = np.diff(places)
    slot = float(gaps.min()) if gaps.size else 1.0
    x_ends = float(places[0]) - slot / 2, float(places[-1]) + slot / 2
    y_ends = _ends((y for _, y in rows), [0.0, *(v for _, v in exhibit.levels)], 0.0)
    room = 0.06 * (y_ends[1] - y_ends[0])
    y_ends = (
        y_ends[0] - room if y_ends[0] < 0 else 0.0,
        y_ends[1] + room if y_ends[1] > 0 else 0.0,
    )
    canvas = _canvas(_SIZE, x_ends, y_ends)
    canvas.y_ticks()
    canvas.x_ticks(5)
    part = 0.84 * slot / len(rows)
    zero = float(canvas.y(0.0))
    for i, (x, y) in enumerate(rows):
        path = []
        for place, value in zip(x, y, strict=True):
            if not (math.isfinite(place) and math.isfinite(value)):
                continue
            start = place - 0.42 * slot + i * part
            left, right = canvas.x(np.array([start, start + part]))
            right = max(right, left + 0.6)
            top = number(float(canvas.y(value)))
            path.append(
                f"M{number(float(left))} {number(zero)}V{top}H{number(float(right))}"
                f"V{number(zero)}Z"
            )
        canvas.draw("".join(path), f"bar {LINE_LOOKS[i % len(LINE_LOOKS)]}")
    canvas.levels((label, value, "") for label, value in exhibit.levels)
    _label_axes(canvas, exhibit)
    return canvas


def _few(line: Line) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return a row of bars; of too many to see, the longest of each few."""
    x, y = line.x.astype(np.float64), line.y.astype(np.float64)
    if len(x) <= _MOST_BARS:
        return x, y
    step = -(-len(x) // _MOST_BARS)
    size = np.where(np.isfinite(y), np.abs(y), -1.0)
    kept = [i + int(size[i : i + step].argmax()) for i in range(0, len(x), step)]
    return x[::step][: len(kept)], y[kept]


# ------------------------------------------------------------------------ the colours


def _swatches(exhibit: Exhibit) -> Figure:
    fields = [_field(label, rgb) for label, rgb in exhibit.swatches[:_MOST_SWATCHES]]
    return Figure("swatches", exhibit.title, exhibit.caption, fields=tuple(fields))


def _field(label: str, rgb: tuple[float, float, float]) -> Field:
    if not all(math.isfinite(v) for v in rgb):
        return Field(label, "", NOT_MEASURED)
    shown = [round(255 * min(max(float(v), 0.0), 1.0)) for v in rgb]
    figures = " ".join(
        f"{name}′ {fixed(100.0 * float(v), 1)}"
        for name, v in zip("RGB", rgb, strict=True)
    )
    return Field(label, "rgb({},{},{})".format(*shown), f"{figures}\N{NO-BREAK SPACE}%")
