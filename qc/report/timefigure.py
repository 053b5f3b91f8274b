"""A figure with the take's time axis, as an SVG picture for the page."""

from __future__ import annotations

import base64
import io
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from qc.records import Grade, TakeResult
from qc.report.axis import Axis, ticks
from qc.report.extremes import Extremes

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["LINES", "SOFT", "Plot", "TimeFigure"]

_WIDTH_IN, _HEIGHT_IN = 9.6, 2.7

# Tones that differ in lightness as well, for print and for eyes that see hues alike.
_INK, SOFT, _GRID = "#1d2429", "#5c666d", "#d5d9dc"
LINES = ("#14557f", "#c07417", "#6b3f7d", "#4f7a3a")
_GRADES = {Grade.REVIEW: "#9a6200", Grade.REJECT: "#a5281b"}
_FONTS = "'Segoe UI','Helvetica Neue','Liberation Sans',Arial,sans-serif"


@dataclass(frozen=True, slots=True)
class Plot:
    """A figure as a picture that stands in the page itself, and what it shows."""

    title: str
    uri: str
    width: int
    height: int
    alt: str
    explain: str


class TimeFigure:
    """One figure with the take's time axis."""

    def __init__(self, result: TakeResult, axis: Axis, unit: str) -> None:
        # Takes a third of a second to import; nothing else needs it.
        from matplotlib.figure import Figure

        self.figure = Figure(figsize=(_WIDTH_IN, _HEIGHT_IN), layout="constrained")
        self.axes: Axes = self.figure.add_subplot()
        self.axis = axis
        axes = self.axes
        axes.set_xlim(axis.start, axis.end)
        axes.set_ylabel(unit, color=SOFT, fontsize=8)
        marks = ticks(result.info, axis)
        axes.set_xticks([axis.start + t.share * (axis.end - axis.start) for t in marks])
        axes.set_xticklabels([t.label for t in marks])
        axes.tick_params(colors=SOFT, labelsize=8, length=3, width=0.6)
        axes.grid(True, color=_GRID, linewidth=0.6)
        axes.set_axisbelow(True)
        for side in ("top", "right"):
            axes.spines[side].set_visible(False)
        for side in ("left", "bottom"):
            axes.spines[side].set_color(SOFT)
            axes.spines[side].set_linewidth(0.6)

    def band(self, shape: Extremes, color: str, label: str, *, alpha: float) -> None:
        """Draw the area between the extremes, and its rim so that spikes show."""
        x, low, high = _stairs(shape)
        self.axes.fill_between(
            x, low, high, color=color, alpha=alpha, linewidth=0.9, label=label
        )

    def line(
        self, shape: Extremes, color: str, label: str, *, above: float = 0.0
    ) -> None:
        """Draw the highest value of every bin, `above` lines of a lower number."""
        x, _, high = _stairs(shape)
        self.axes.plot(x, high, color=color, lw=1.0, label=label, zorder=2 + above)

    def by_tens(self, low: float, high: float) -> None:
        """Make the scale logarithmic, with plain numbers."""
        from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

        self.axes.set_yscale("log")
        self.axes.set_ylim(low, high)
        steps = (1.0, 2.0, 5.0) if high / low < 200.0 else (1.0,)
        self.axes.yaxis.set_major_locator(LogLocator(subs=steps))
        self.axes.yaxis.set_major_formatter(FuncFormatter(lambda v, _: f"{v:g}"))
        self.axes.yaxis.set_minor_formatter(NullFormatter())
        self.axes.tick_params(axis="y", which="minor", length=0)

    def limit(
        self,
        value: float,
        label: str,
        *,
        grade: Grade | None = None,
        align: Literal["center", "top", "bottom"] = "center",
    ) -> None:
        """Draw a limit across and write its name at its right end."""
        color = _GRADES.get(grade, SOFT) if grade is not None else SOFT
        style = {Grade.REJECT: (0, (7, 2)), Grade.REVIEW: (0, (4, 3))}
        self.axes.axhline(
            value,
            color=color,
            linewidth=1.0,
            linestyle=style.get(grade, (0, (1, 2))) if grade else (0, (1, 2)),
        )
        self.axes.annotate(
            label,
            (1.0, value),
            xycoords=("axes fraction", "data"),
            xytext=(4, 0),
            textcoords="offset points",
            va=align,
            color=color,
            fontsize=8,
        )

    def flagged(self, result: TakeResult, rules: tuple[str, ...]) -> None:
        """Hatch the stretches of some rules."""
        for finding in result.findings:
            color = _GRADES.get(finding.grade)
            if color is not None and finding.rule in rules:
                self.axes.axvspan(
                    float(finding.start),
                    float(finding.end),
                    facecolor="none",
                    edgecolor=color,
                    hatch="///" if finding.grade is Grade.REVIEW else "xxx",
                    linewidth=0.0,
                    alpha=0.35,
                )

    def plot(self, title: str, alt: str, explain: str) -> Plot:
        """Return the figure as an SVG picture."""
        import matplotlib as mpl

        self.axes.legend(
            loc="lower left",
            bbox_to_anchor=(0.0, 1.0),
            ncols=6,
            frameon=False,
            fontsize=8,
            labelcolor=_INK,
            borderaxespad=0.2,
            handlelength=1.4,
            columnspacing=1.4,
        )
        data = io.BytesIO()
        # Letters stay letters: small, sharp in print, in the reader's own font. A
        # fixed salt and no date: the same take gives the same page.
        settings: dict[Any, Any] = {
            "svg.fonttype": "none",
            "svg.hashsalt": "qc",
            "hatch.linewidth": 0.5,
        }
        with mpl.rc_context(settings):
            self.figure.savefig(
                data, format="svg", transparent=True, metadata={"Date": None}
            )
        svg = data.getvalue().decode("utf-8").replace("'DejaVu Sans'", _FONTS)
        text = base64.b64encode(svg.encode("utf-8")).decode("ascii")
        return Plot(
            title=title,
            uri=f"data:image/svg+xml;base64,{text}",
            width=round(_WIDTH_IN * 100),
            height=round(_HEIGHT_IN * 100),
            alt=alt,
            explain=explain,
        )


def _stairs(
    shape: Extremes,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return x, low and high of stairs: each bin's values from its start to its end."""
    x = np.repeat(shape.edges, 2)[1:-1]
    return x, np.repeat(shape.low, 2), np.repeat(shape.high, 2)
