"""Histogram, waveform and plane of colours of a frame, drawn as ink on paper.

Where many pixels share a place the ink is darker, on a logarithmic scale, so that a
single one still leaves a trace. Told by lightness alone: every eye and printer sees it.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from qc.records import Picture, TakeResult
from qc.report.drawing import Canvas, Raster, number
from qc.report.exhibits import Figure
from qc.report.ink import ink_png
from qc.report.scopes import (
    BAR_COLOURS,
    BINS,
    chroma_density,
    level_counts,
    level_edges,
    mean_chroma,
    target,
    waveform_density,
)
from qc.report.words import amount
from qc.signal import Signal

__all__ = ["SCOPED_RULES", "scope_figures"]

SCOPED_RULES = (
    "highlights.relevant",
    "highlights.channel",
    "exposure.dark",
    "exposure.drift",
    "white.cast",
    "white.drift",
)
"""Rules whose worst frame gets these figures."""

_NAMES = ("R′", "G′", "B′", "Y′")
_OUTER = (0.01, 0.5, 0.99)


def scope_figures(
    picture: Picture, result: TakeResult, *, rotation: int, waveform: bool
) -> tuple[Figure, ...]:
    """Return the figures of a frame.

    Parameters
    ----------
    rotation : int
        Degrees clockwise by which the picture is turned when it is shown.
    waveform : bool
        False leaves out the waveform, in which shapes of the picture can be guessed.
    """
    if not picture.y.size or not picture.cb.size:
        return ()
    value = result.limits.get("highlights.level_percent")
    level = float(value) if isinstance(value, int | float) else math.nan
    figures = [_histogram(picture, level)]
    if waveform:
        figures.append(_waveform(picture, level, rotation))
    figures.append(_colours(picture))
    return tuple(figures)


def _percent_of(signal: Signal) -> str:
    kind = {"hlg": "HLG", "pq": "PQ"}.get(signal.transfer)
    return f"% of the {kind} code range" if kind else "% of black to white"


def _level_ticks(signal: Signal, low: float, high: float) -> list[float]:
    return [v for v in (0.0, 25.0, 50.0, 75.0, 100.0) if low <= v <= high]


# ---------------------------------------------------------------------- the histogram


def _histogram(picture: Picture, level: float) -> Figure:
    signal = picture.signal
    counts = level_counts(picture)
    low, high = level_edges(signal)
    canvas = Canvas((380, 296), 24.0, 370.0, 14.0, 260.0, (low, high))
    binned = counts.reshape(len(_NAMES), BINS, -1).sum(axis=2)
    share = np.sqrt(binned / max(int(binned.max()), 1))
    row = (canvas.bottom - canvas.top) / len(_NAMES)
    ticks = _level_ticks(signal, low, high)
    canvas.x_axis(ticks, [f"{t:g}" for t in ticks])
    edges = np.repeat(canvas.x(np.linspace(low, high, BINS + 1)), 2)[1:-1]
    said = []
    for i, name in enumerate(_NAMES):
        base = canvas.top + (i + 1) * row
        heights = base - np.repeat(share[i], 2) * (row - 18.0)
        canvas.draw(_filled(edges, heights, base), "ink")
        canvas.draw(f"M{number(canvas.left)} {number(base)}H370", "axis")
        canvas.say(canvas.left - 6, base - 2, name, "name", "end")
        said.append(_reach(name, counts[i], signal, level))
        if math.isfinite(level):
            over = _share_from(counts[i], signal, level)
            text = f"{amount(100.0 * over, '%')} at or above {level:g} %"
            canvas.say(canvas.left + 3, base - row + 13, text, "over")
    if math.isfinite(level) and low < level < high:
        at = number(float(canvas.x(level)))
        canvas.draw(
            f"M{at} {number(canvas.top)}V{number(canvas.bottom)}", "level l-review"
        )
        canvas.say(float(at), canvas.top - 4, f"{level:g} %", "l-review", "middle")
    canvas.say(canvas.right, 292, _percent_of(signal), "name", "end")
    return Figure(
        kind="scope",
        title="How often each level occurs",
        caption=(
            "The higher a hill, the more pixels have that level (heights by square "
            "root). A hill pressed against the right end of one channel alone: that "
            "colour is burnt out although the picture's brightness is not."
        ),
        drawing=canvas.drawing(" ".join(said)),
    )


def _filled(x: NDArray[np.float64], y: NDArray[np.float64], base: float) -> str:
    """Return the outline of a hill; what repeats is left out."""
    keep = np.ones(len(x), bool)
    keep[1:-1] = (y[1:-1] != y[:-2]) | (y[1:-1] != y[2:])
    points = " ".join(
        f"{number(float(a))} {number(float(b))}"
        for a, b in zip(x[keep], y[keep], strict=True)
    )
    start, end = number(float(x[0])), number(float(x[-1]))
    return f"M{start} {number(base)}L{points} {end} {number(base)}Z"


def _share_from(counts: NDArray[np.int64], signal: Signal, level: float) -> float:
    """Return the share of pixels really at or above a level."""
    first = max(signal.first_code_at(level), 0)
    return float(counts[first:].sum()) / max(int(counts.sum()), 1)


def _reach(name: str, counts: NDArray[np.int64], signal: Signal, level: float) -> str:
    """Return in words where a channel's levels lie."""
    total = np.cumsum(counts)
    places = [int(np.searchsorted(total, total[-1] * p)) for p in _OUTER]
    dark, middle, bright = (amount(signal.percent(p), "%", 0) for p in places)
    text = f"{name}: median {middle}, all but the outer hundredths {dark} to {bright}"
    if math.isfinite(level):
        over = amount(100.0 * _share_from(counts, signal, level), "%")
        text += f", {over} of it at or above {level:g} %"
    return text + "."


# ----------------------------------------------------------------------- the waveform


def _middle(rows: NDArray[np.int64], signal: Signal) -> str:
    """Return in words where the levels of some columns lie."""
    total = np.cumsum(rows)
    dark, middle, bright = (
        amount(signal.percent(place * (signal.top + 1) // BINS), "%", 0)
        for place in (int(np.searchsorted(total, total[-1] * p)) for p in _OUTER)
    )
    return f"median {middle}, all but the outer hundredths {dark} to {bright}."


def _waveform(picture: Picture, level: float, rotation: int) -> Figure:
    signal = picture.signal
    density, pixels = waveform_density(picture, rotation=rotation)
    low, high = level_edges(signal)
    canvas = Canvas((440, 268), 34.0, 402.0, 14.0, 240.0, (0.0, 1.0), (low, high))
    canvas.y_axis(
        _level_ticks(signal, low, high),
        [f"{t:g}" for t in _level_ticks(signal, low, high)],
    )
    shares = density / np.maximum(pixels, 1)
    canvas.rasters.append(_raster(canvas, ink_png(shares[::-1])))
    if math.isfinite(level):
        canvas.levels([(f"{level:g} %", level, "l-review")], outside=True)
    canvas.frame()
    canvas.say(2, 9, _percent_of(signal), "name")
    canvas.say(canvas.left, 254, "left edge of the picture", "name")
    canvas.say(canvas.right, 254, "right edge", "name", "end")
    thirds = np.array_split(np.arange(density.shape[1]), 3)
    said = []
    for name, columns in zip(("left", "middle", "right"), thirds, strict=True):
        if columns.size:
            rows = density[:, columns].sum(axis=1)
            words = _middle(rows, signal)
            said.append(f"In the {name} third: {words}")
    turned = f" It is turned by {rotation}° as the picture is." if rotation else ""
    return Figure(
        kind="wide",
        title="Where in the picture the levels lie",
        caption=(
            "Each column of the picture stands above its own place; the higher, the "
            "brighter. What reaches the dashed line counts as burnt out, and where "
            f"it does so is where to look in the picture.{turned}"
        ),
        drawing=canvas.drawing(" ".join(said)),
    )


def _raster(canvas: Canvas, uri: str) -> Raster:
    return Raster(
        number(canvas.left),
        number(canvas.top),
        number(canvas.right - canvas.left),
        number(canvas.bottom - canvas.top),
        uri,
    )


# ------------------------------------------------------------------------ the colours


def _colours(picture: Picture) -> Figure:
    signal = picture.signal
    density = chroma_density(picture)
    zero, span = signal.chroma_zero, signal.chroma_span
    ends = (-0.5 - zero) / span, (signal.top + 0.5 - zero) / span
    canvas = Canvas((300, 300), 12.0, 288.0, 12.0, 288.0, ends, ends)
    canvas.draw(_six(canvas, signal, 1.0), "grid strong")
    canvas.draw(_six(canvas, signal, 0.75), "grid")
    middle_x, middle_y = float(canvas.x(0.0)), float(canvas.y(0.0))
    arm = 7.0
    canvas.rasters.append(_raster(canvas, ink_png(density[::-1].astype(np.float64))))
    canvas.draw(
        f"M{number(middle_x - arm)} {number(middle_y)}h{2 * arm}"
        f"M{number(middle_x)} {number(middle_y - arm)}v{2 * arm}",
        "axis",
    )
    for name in BAR_COLOURS:
        for amplitude, size in ((1.0, 3.2), (0.75, 2.2)):
            cb, cr = target(name, matrix=signal.matrix, amplitude=amplitude)
            x, y = float(canvas.x(cb)), float(canvas.y(cr))
            canvas.draw(
                f"M{number(x - size)} {number(y)}l{size} {-size} {size} {size} "
                f"{-size} {size}Z",
                "mark",
            )
            if amplitude == 1.0:
                below = y > middle_y
                half = len(name) * 3.0
                at = min(max(x, half + 1), 299 - half)
                canvas.say(at, y + (14 if below else -7), name, "name over", "middle")
    cb, cr = mean_chroma(density, signal)
    return Figure(
        kind="square",
        title="Where its colours lie",
        caption=(
            "The cross is no colour at all: a white or grey that is balanced lies on "
            "it. The further out, the stronger the colour; the outer figure joins the "
            "strongest colours of the signal, the inner one those at 75 %."
        ),
        drawing=canvas.drawing(_said_of(cb, cr, signal)),
    )


def _six(canvas: Canvas, signal: Signal, amplitude: float) -> str:
    """Return the figure that joins the six colours, in their order around."""
    places = [
        target(name, matrix=signal.matrix, amplitude=amplitude) for name in BAR_COLOURS
    ]
    places.sort(key=lambda p: math.atan2(p[1], p[0]))
    points = " ".join(
        f"{number(float(canvas.x(cb)))} {number(float(canvas.y(cr)))}"
        for cb, cr in places
    )
    return f"M{points}Z"


def _said_of(cb: float, cr: float, signal: Signal) -> str:
    far = math.hypot(cb, cr)

    def turn(name: str) -> float:
        x, y = target(name, matrix=signal.matrix)
        apart = math.atan2(y, x) - math.atan2(cr, cb)
        return abs(math.remainder(apart, math.tau))

    text = (
        f"Plane of colour differences. On average Cb {amount(200.0 * cb, '%', 1)} and "
        f"Cr {amount(200.0 * cr, '%', 1)} of full excursion"
    )
    if far < 0.01:
        return f"{text}: close to no colour."
    return f"{text}: toward {min(BAR_COLOURS, key=turn)}."
