"""The figures beside a shake: where the picture's centre went, and when."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from qc.measures.base import Exhibit, Line
from qc.measures.parts.motion.shakes import SWAYS_ON_S
from qc.measures.parts.motion.swaying import Path, sway
from qc.measures.parts.motion.takepaths import take_paths
from qc.records import Finding, TakeResult

__all__ = ["shake_exhibits"]

_MARGIN_S = 1.0  # shown before and after a finding


def shake_exhibits(result: TakeResult, finding: Finding) -> Iterable[Exhibit]:
    """Draw the path of the picture's centre, and how it sways over time."""
    readings = result.picture
    if readings is None or "steadiness.dx_percent" not in readings.columns:
        return
    begins = readings.times()[:-1]
    shown = float(finding.start) - _MARGIN_S, float(finding.end) + _MARGIN_S
    # Some more on both sides, so that what was intended is known at the ends too.
    first, last = np.searchsorted(begins, (shown[0] - 2.0, shown[1] + 2.0))
    for path in take_paths(readings, int(first), int(last)):
        inside = (path.times >= shown[0]) & (path.times <= shown[1])
        if not inside[np.searchsorted(path.times, float(finding.start)) :].any():
            continue
        rest = _about_home(path, finding)[inside]
        yield Exhibit(
            kind="path",
            title="Path of the picture's centre",
            caption=(
                "Where the middle of the picture went, without the intended pan, in "
                "percent of the picture's width."
            ),
            lines=(Line("centre", rest[:, 0], -rest[:, 1]),),
            x_label="right, % of width",
            y_label="up, % of width",
        )
        seconds = path.times[inside] - float(finding.start)
        yield Exhibit(
            kind="lines",
            title="Sway over time",
            caption="A sway goes on and on; a knock jumps once and dies away.",
            lines=(
                Line("right", seconds, rest[:, 0]),
                Line("up", seconds, -rest[:, 1]),
            ),
            x_label="seconds since the finding begins",
            y_label="% of width",
        )
        return


def _about_home(path: Path, finding: Finding) -> NDArray[np.floating]:
    """Return the path without the pan, or, of a short jump, from where it began."""
    if float(finding.duration) >= SWAYS_ON_S:
        return sway(path).rest
    before = path.times < float(finding.start)
    places = path.places[before] if before.any() else path.places[:1]
    return path.places - np.median(places[-10:], axis=0)
