"""What flicker and bands look like: the course of the light, and bands on a still."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from qc.measures.base import Exhibit, Line, Setup
from qc.measures.parts.light.lightfields import fields_of
from qc.measures.parts.light.lightwaves import STRIPS, levels
from qc.records import Finding, Marks, Picture, TakeResult
from qc.spans import runs
from qc.views import tile_edges

__all__ = ["exhibits", "mark"]

Array = NDArray[np.float64]

_FLICKER, _BANDING = "light.flicker", "light.banding"
_SHOWN_SECONDS = 1.0
# A slow beat needs more of it to be seen; this many rounds.
_SHOWN_ROUNDS = 2.0
_SHOWN_POINTS = 400
# Bands are outlined where the light is under this share of the way to its darkest.
_DARK_SHARE = 0.5


def exhibits(result: TakeResult, finding: Finding) -> Iterable[Exhibit]:
    """Show the level over time, and for bands the picture's profile from the top."""
    around = _around(result, finding)
    if around is None:
        return ()
    level, times, at = around
    figures = [_profile(level, at)] if finding.rule == _BANDING else []
    figures.append(_course(level, times, finding.rule))
    return tuple(figures)


def mark(picture: Picture, setup: Setup, finding: Finding) -> Marks:
    """Outline the dark bands of the worst frame."""
    result = setup.result
    around = None if result is None else _around(result, finding)
    if around is None or finding.rule != _BANDING:
        return Marks()
    level, _, at = around
    now = np.nan_to_num(level[at])
    edges = tile_edges(picture.height, STRIPS)
    outlines = tuple(
        ("dark-band", _box(picture.width, edges[first], edges[last]))
        for first, last in runs(now < _DARK_SHARE * min(float(now.min()), 0.0))
    )
    return Marks(outlines=outlines, caption="Outlined: the dark bands of this frame.")


def _box(width: int, top: int, bottom: int) -> Array:
    right, low = float(width - 1), float(bottom - 1)
    return np.array([[0.0, top], [right, top], [right, low], [0.0, low]])


def _around(result: TakeResult, finding: Finding) -> tuple[Array, Array, int] | None:
    """Return the strips' levels in percent around the worst row, times, its place."""
    readings, worst = result.picture, finding.worst_pts_row
    if readings is None or worst is None or finding.rule not in (_FLICKER, _BANDING):
        return None
    kind = finding.rule.partition(".")[2]
    hertz = float(readings[f"light.{kind}_hz"][worst])
    if not hertz > 0:
        return None
    reach = max(_SHOWN_SECONDS, 0.5 * _SHOWN_ROUNDS / hertz)
    times = readings.times()[:-1]
    low = max(times[worst] - reach, float(finding.start))
    high = min(low + 2 * reach, float(finding.end))
    shown = np.flatnonzero((times >= low) & (times < high))
    if len(shown) < 4:
        return None
    begin, end = int(shown[0]), int(shown[-1]) + 1
    at = min(max(worst - begin, 0), len(shown) - 1)
    strips, times = readings["light.strips_stops"][begin:end], times[begin:end]
    fields = fields_of(readings, result.info.video, [(begin, end)])
    if fields is not None:
        both = slice(2 * begin, 2 * end)
        strips, times, at = fields.changes[both], fields.times[both], 2 * at
    level = 100.0 * (2.0 ** levels(strips) - 1.0)
    level[:, ~np.isfinite(strips[1:]).any(axis=0)] = np.nan
    return level, times, at


def _profile(level: Array, at: int) -> Exhibit:
    """Return brightness from the picture's top to its bottom in the worst frame."""
    place = 100.0 * (np.arange(STRIPS) + 0.5) / STRIPS
    return Exhibit(
        kind="lines",
        title="The bands in this frame",
        caption=(
            "Light from the top of the picture (left) to its bottom (right) against "
            "the same rows' own middle; it should be a level line."
        ),
        lines=(Line("Light", place, level[at]),),
        x_label="% of height from the top",
        y_label="% of light",
    )


def _course(level: Array, times: Array, rule: str) -> Exhibit:
    """Return brightness over time: of all rows, or of one row under bands."""
    known = np.flatnonzero(np.isfinite(level).all(axis=0))
    one = rule == _BANDING
    row = known[len(known) // 2] if len(known) else 0
    values = level[:, row] if one else np.median(level[:, known], axis=1)
    step = max(1, len(times) // _SHOWN_POINTS)
    return Exhibit(
        kind="lines",
        title="Light of one row over time" if one else "Light of the picture over time",
        caption="Percent against its own middle; it should be a level line.",
        lines=(Line("Light", times[::step], values[::step]),),
        x_label="seconds of the take",
        y_label="% of light",
    )
