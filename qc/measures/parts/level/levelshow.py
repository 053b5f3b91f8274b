"""What is shown beside a drift of the level: the curve that its number was read off."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from qc.measures.base import Exhibit, Line, signed
from qc.measures.parts.level.leveldrift import RULE
from qc.measures.parts.level.levelevents import Event, events, judged_walk, walks
from qc.measures.parts.level.levelwalk import level_steps
from qc.records import Finding, Readings, TakeResult

__all__ = ["exhibits"]

_SHOWN_SECONDS = 4.0
_SHOWN_POINTS = 600


def exhibits(result: TakeResult, finding: Finding) -> Iterable[Exhibit]:
    """Show the level over time around a drift or a jump, as it was judged.

    The number of the message lies between the two levels that are marked.
    """
    readings = result.picture
    if readings is None or finding.rule != RULE:
        return
    if "exposure.same_stops" not in readings.columns:
        return
    starts = readings.times()[:-1]
    first = int(np.argmin(np.abs(starts - float(finding.start))))
    for rows, at, walk in walks(readings):
        if not rows[0] <= first <= rows[-1]:
            continue
        steps = level_steps(walk, at)
        for row, stops in steps:
            if rows[row] == first and _is(finding, abs(stops)):
                before = float(np.median(walk[max(row - 5, 0) : row]))
                shown = (("Level", walk),)
                yield _figure(finding, at, shown, (before, before + stops))
                return
        event = _event(result, readings, finding, first)
        if event is not None:
            calm = judged_walk(walk, at, told=_stops(result, "step_note"))
            told = walk if event.as_read else calm
            beside = (("as read", walk),) if steps and not event.as_read else ()
            label = "Level, without its jumps" if beside else "Level"
            ends = (event.low, event.high)
            if event.swings[0].stops < 0:
                ends = ends[::-1]
            yield _figure(finding, at, ((label, told), *beside), ends)
        return


def _is(finding: Finding, stops: float) -> bool:
    return finding.worst is not None and abs(finding.worst - stops) < 1e-6


def _stops(result: TakeResult, key: str) -> float:
    return float(str(result.limits[f"exposure.{key}_stops"]))


def _event(
    result: TakeResult, readings: Readings, finding: Finding, first: int
) -> Event | None:
    """Return the event that a finding tells of."""
    least, jumps = (_stops(result, key) for key in ("drift_review", "step_note"))
    for event in events(readings, least=least, told=jumps):
        if event.first == first and _is(finding, event.stops):
            return event
    return None


def _figure(
    finding: Finding,
    at: NDArray[np.float64],
    shown: Iterable[tuple[str, NDArray[np.float64]]],
    ends: tuple[float, float],
) -> Exhibit:
    start, end = float(finding.start), float(finding.end)
    near = (at >= start - _SHOWN_SECONDS) & (at <= end + _SHOWN_SECONDS)
    rows = np.flatnonzero(near)
    rows = rows[:: max(1, len(rows) // _SHOWN_POINTS)]
    change = ends[1] - ends[0]
    much = f"{signed(change, 2)} stop{'s' * (abs(change) >= 1.005)}"
    return Exhibit(
        kind="lines",
        title="Level of what stays in sight",
        caption=(
            "Stops against the first picture of the place; it should be a level line. "
            f"From the level marked “from” to the one marked “to” it is {much}."
        ),
        lines=tuple(Line(label, at[rows], line[rows]) for label, line in shown),
        x_label="seconds of the take",
        y_label="stops",
        levels=(("from", ends[0]), ("to", ends[1])),
    )
