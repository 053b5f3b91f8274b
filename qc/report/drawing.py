"""Line drawings for the page: paths, words and small rasters in a box of user units.

Only plain records leave here: the template puts them down as SVG and escapes every
word, and the page's style sheet gives the tones, so that dark screens and print are
right. Looks are names of that sheet.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from qc.report.extremes import thinned
from qc.report.words import sensible
from qc.spans import runs

__all__ = [
    "LINE_LOOKS",
    "Canvas",
    "Drawing",
    "Key",
    "Raster",
    "Shape",
    "Words",
    "hatched",
    "path_of",
    "tick_values",
]

Anchor: TypeAlias = Literal["start", "middle", "end"]
Numbers: TypeAlias = NDArray[np.floating]

LINE_LOOKS = ("p0", "p1", "p2", "p3")
"""Looks of lines that are told apart, each with its own dashes as well as tone."""

# Widest a number beside the axis may be, and a letter, in user units.
_LETTER = 5.7
_LABEL_GAP = 12.0
_MOST_POINTS = 600


@dataclass(frozen=True, slots=True)
class Shape:
    """A path and its look."""

    path: str
    look: str


@dataclass(frozen=True, slots=True)
class Words:
    """A short text at a place; `y` is its base line."""

    x: str
    y: str
    text: str
    look: str = ""
    anchor: Anchor = "start"


@dataclass(frozen=True, slots=True)
class Raster:
    """A small picture that stands in the page itself, stretched over a box."""

    x: str
    y: str
    width: str
    height: str
    uri: str


@dataclass(frozen=True, slots=True)
class Key:
    """What a look means, for the legend below a drawing."""

    look: str
    label: str


@dataclass(frozen=True, slots=True)
class Drawing:
    """A drawing, `says` in words what it shows."""

    width: int
    height: int
    says: str
    rasters: tuple[Raster, ...] = ()
    shapes: tuple[Shape, ...] = ()
    words: tuple[Words, ...] = ()


def number(value: float) -> str:
    """Return a coordinate, to a tenth of a unit and without needless digits.

    Examples
    --------
    >>> number(12.04), number(-0.01), number(3.46)
    ('12', '0', '3.5')
    """
    text = f"{value:.1f}"
    text = text.removesuffix(".0")
    return "0" if text == "-0" else text


def path_of(x: Numbers, y: Numbers) -> str:
    """Return lines through points; where either number is unknown there is a gap."""
    parts = []
    known = np.isfinite(x) & np.isfinite(y)
    for first, last in runs(known):
        points = " ".join(
            f"{number(float(a))} {number(float(b))}"
            for a, b in zip(x[first:last], y[first:last], strict=True)
        )
        # A point alone is drawn by the round end of a line of no length.
        parts.append(f"M{points}" + ("h0" if last - first == 1 else ""))
    return "".join(parts)


def hatched(
    left: float, right: float, top: float, bottom: float, *, falling: bool, step: float
) -> str:
    """Return slanted lines that fill a box; boxes side by side join up."""
    height = bottom - top
    out = []
    for i in range(math.floor((left - height) / step), math.ceil(right / step) + 1):
        foot = i * step
        x0, x1 = max(left, foot), min(right, foot + height)
        if x1 > x0:
            y0, y1 = bottom - (x0 - foot), bottom - (x1 - foot)
            if falling:
                y0, y1 = top + bottom - y0, top + bottom - y1
            out.append(f"M{number(x0)} {number(y0)}L{number(x1)} {number(y1)}")
    return "".join(out)


def tick_values(low: float, high: float, *, most: int = 6) -> list[float]:
    """Return round numbers between two ends, at most about `most` of them.

    Examples
    --------
    >>> tick_values(0.0, 100.0), tick_values(-3.1, 4.2, most=4)
    ([0.0, 20.0, 40.0, 60.0, 80.0, 100.0], [-2.0, 0.0, 2.0, 4.0])
    """
    span = high - low
    if not (span > 0 and math.isfinite(span)):
        return []
    size = 10.0 ** math.floor(math.log10(span / most))
    step = next(s * size for s in (1, 2, 5, 10, 20) if span / (s * size) <= most + 1e-9)
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [round(i * step, 12) for i in range(first, last + 1)]


def _tick_labels(values: Sequence[float]) -> list[str]:
    """Return numbers with as many decimals as tell them apart."""
    if len(values) > 1 and max(abs(v) for v in values) < 1e6:
        step = abs(values[1] - values[0])
        decimals = max(0, -math.floor(math.log10(step) + 1e-9))
        if decimals <= 4:
            return [f"{v + 0.0:.{decimals}f}".replace("-", "−") for v in values]
    return [sensible(v) for v in values]


@dataclass(slots=True)
class Canvas:
    """A drawing in the making, with one plot in it that has scales.

    Parameters
    ----------
    size : (width, height)
        Of the drawing, in user units.
    left, right, top, bottom : float
        The plot's box.
    x_ends, y_ends : (low, high)
        Values at the left and right, and at the bottom and top of the plot.
    y_map : function
        Applied to y values and ends first, e.g. a logarithm.
    """

    size: tuple[int, int]
    left: float
    right: float
    top: float
    bottom: float
    x_ends: tuple[float, float] = (0.0, 1.0)
    y_ends: tuple[float, float] = (0.0, 1.0)
    y_map: Callable[[NDArray[np.float64]], NDArray[np.float64]] | None = None
    rasters: list[Raster] = field(default_factory=list)
    shapes: list[Shape] = field(default_factory=list)
    texts: list[Words] = field(default_factory=list)

    def x(self, values: Numbers | float) -> NDArray[np.float64]:
        """Return places of x values."""
        low, high = self.x_ends
        share = (np.asarray(values, np.float64) - low) / (high - low)
        return self.left + share * (self.right - self.left)

    def y(self, values: Numbers | float) -> NDArray[np.float64]:
        """Return places of y values."""
        ends = np.asarray(self.y_ends, np.float64)
        heights = np.asarray(values, np.float64)
        if self.y_map is not None:
            ends, heights = self.y_map(ends), self.y_map(heights)
        share = (heights - ends[0]) / (ends[1] - ends[0])
        return np.asarray(self.bottom - share * (self.bottom - self.top))

    def draw(self, path: str, look: str) -> None:
        """Add a path, if there is anything to it."""
        if path:
            self.shapes.append(Shape(path, look))

    def say(
        self, x: float, y: float, text: str, look: str = "", anchor: Anchor = "start"
    ) -> None:
        """Add a text."""
        self.texts.append(Words(number(x), number(y), text, look, anchor))

    def line(self, x: Numbers, y: Numbers, look: str) -> None:
        """Draw values over values, thinned so that no extreme is lost."""
        thin_x, thin_y = thinned(self.x(x), self.y(y), most=_MOST_POINTS)
        inside = np.clip(thin_y, self.top - 1.0, self.bottom + 1.0)
        self.draw(path_of(thin_x, inside), look)

    def x_axis(self, values: Iterable[float], labels: Iterable[str]) -> None:
        """Draw upright grid lines and their labels below."""
        for value, label in zip(values, labels, strict=True):
            at = float(self.x(value))
            self.draw(f"M{number(at)} {number(self.top)}V{number(self.bottom)}", "grid")
            # What would hang over the edge is moved in.
            half = len(label) * _LETTER / 2
            at = min(max(at, half), self.size[0] - half)
            self.say(at, self.bottom + 14, label, anchor="middle")

    def y_axis(self, values: Sequence[float], labels: Sequence[str] = ()) -> None:
        """Draw level grid lines and their labels at the left."""
        for value, label in zip(values, labels or _tick_labels(values), strict=True):
            at = float(self.y(value))
            self.draw(f"M{number(self.left)} {number(at)}H{number(self.right)}", "grid")
            self.say(self.left - 5, at + 3.5, label, anchor="end")

    def x_ticks(self, most: int = 6) -> None:
        """Draw an x axis at round numbers."""
        values = tick_values(*self.x_ends, most=most)
        self.x_axis(values, _tick_labels(values))

    def y_ticks(self, most: int = 5) -> None:
        """Draw a y axis at round numbers."""
        self.y_axis(tick_values(*self.y_ends, most=most))

    def frame(self) -> None:
        """Draw the two axes themselves."""
        box = f"M{number(self.left)} {number(self.top)}V{number(self.bottom)}"
        self.draw(f"{box}H{number(self.right)}", "axis")

    def levels(
        self, levels: Iterable[tuple[str, float, str]], *, outside: bool = False
    ) -> None:
        """Draw lines across with their names, which keep apart.

        Parameters
        ----------
        levels : iterable of (label, value, look)
        outside : bool
            Names stand right of the plot, not on it.
        """
        low, high = sorted(self.y_ends)
        known = [
            (float(self.y(v)), label, look)
            for label, v, look in levels
            if math.isfinite(v) and low <= v <= high
        ]
        reached = -math.inf
        for at, label, look in sorted(known):
            self.draw(
                f"M{number(self.left)} {number(at)}H{number(self.right)}",
                f"level {look}".strip(),
            )
            if outside:
                place = max(at + 3.5, reached + _LABEL_GAP)
                self.say(self.right + 5, place, label, look)
            else:
                # Above its line; below where another name or the edge is near.
                above = at - 3.5
                free = above - 9.0 >= max(reached, self.top)
                place = above if free else max(at + 11.0, reached + _LABEL_GAP)
                self.say(self.right - 3, place, label, f"over {look}".strip(), "end")
            reached = place

    def drawing(self, says: str) -> Drawing:
        """Return what was drawn, with what it shows in words."""
        return Drawing(
            *self.size,
            says,
            tuple(self.rasters),
            tuple(self.shapes),
            tuple(self.texts),
        )
