"""Continuity: time stamps that jump, so that a frame is held where others should be."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
from numpy.typing import NDArray

from qc.limits import Option
from qc.measures.base import Column, Measure, Measured, Setup, Values, finding_of
from qc.measures.parts.stillness.periods import periods_of
from qc.records import Finding, Grade, Picture, Readings
from qc.spans import bridged, runs

__all__ = ["MEASURE", "held_periods"]

# From here on a frame is shown longer than rounding of time stamps explains.
_LONG = 1.5
_BRIDGE_S = 0.5
# So many ordinary frames show what the usual period is.
_ENOUGH = 8


def held_periods(
    edges: NDArray[np.int64], *, period_ticks: float
) -> NDArray[np.float64]:
    """Return for how many frame periods each frame is shown.

    Parameters
    ----------
    edges : (n + 1,) array of int64
        Ticks at which frames begin, and the end of the last.
    period_ticks : float
        Ticks of one frame at the declared rate.

    Examples
    --------
    >>> held_periods(np.array([0, 40, 120, 160]), period_ticks=40).tolist()
    [1.0, 2.0, 1.0]
    """
    return np.diff(edges) / period_ticks


class _Reader:
    def __init__(self, setup: Setup) -> None:
        pass

    def read(self, picture: Picture) -> Values:
        return {}

    def finish(self) -> Mapping[str, object]:
        return {}


def _held(readings: Readings, measured: Measured) -> NDArray[np.float64]:
    video = measured.info.video
    if video is None:
        return np.full(readings.rows, np.nan)
    ticks = float(1 / (video.frame_rate * video.time_base))
    held = held_periods(readings.edges, period_ticks=ticks)
    if held.size:
        # How long the last frame is to be shown is often left open.
        held[-1] = min(held[-1], 1.0)
    return held


def _derive(measured: Measured) -> Mapping[str, NDArray[np.floating]]:
    readings = measured.picture
    if readings is None or not readings.rows:
        return {}
    return {"held_periods": _held(readings, measured)}


def _long(measured: Measured, readings: Readings) -> NDArray[np.bool_]:
    """Return which frames are held for longer than the take's own frame period."""
    video = measured.info.video
    held = readings["continuity.held_periods"]
    periods = periods_of(readings.edges, tick=float(readings.time_base))
    if video is None or periods is None:
        return np.zeros(readings.rows, bool)
    if periods.varies:
        # A varying rate is no gap as long as nothing is held for long.
        review = measured.limits["continuity.gap_review_seconds"]
        return np.asarray(held / float(video.frame_rate) >= review, bool)
    usual = 1.0
    if periods.count >= _ENOUGH:
        # All frames are held for two periods where the declared rate is wrong: that is
        # told by itself (file.rate).
        usual = max(1.0, periods.median * float(video.frame_rate))
    return np.asarray(held > _LONG * usual, bool)


def _check(measured: Measured) -> Iterator[Finding]:
    readings = measured.picture
    if readings is None or readings.rows < 2 or measured.info.video is None:
        return
    held = readings["continuity.held_periods"]
    period = 1 / measured.info.video.frame_rate
    long_held = _long(measured, readings)
    # Frames that the file has data for but that did not decode are damage, told there.
    for moment in measured.missing:
        tick = int(moment / readings.time_base)
        row = int(np.searchsorted(readings.edges, tick, side="right")) - 1
        long_held[min(max(row, 0), readings.rows - 1)] = False
    times = readings.times()
    for first, last in bridged(runs(long_held), times=times, gap=_BRIDGE_S):
        part = np.where(long_held[first:last], held[first:last], 0.0)
        worst_row = first + int(part.argmax())
        lost = int(np.sum(np.round(part[part > 0]) - 1))
        longest = float(part.max()) * float(period)
        grade = _grade(measured, longest)
        yield finding_of(
            measured,
            readings,
            rule="file.gap",
            grade=grade,
            first=first,
            last=last,
            worst_row=worst_row,
            worst=longest,
            limit=_limit(measured, grade),
            unit="s",
            message=_message(int(np.count_nonzero(part)), lost, longest),
            advice=(
                "Look whether the card is fast enough for the recording format and "
                "whether the recorder warned of dropped frames; copy the file again "
                "and compare."
            ),
        )


def _grade(measured: Measured, seconds: float) -> Grade:
    if seconds >= measured.limits["continuity.gap_reject_seconds"]:
        return Grade.REJECT
    if seconds >= measured.limits["continuity.gap_review_seconds"]:
        return Grade.REVIEW
    return Grade.NOTE


def _message(gaps: int, lost: int, longest: float) -> str:
    gone = f"about {lost} frame{'s' * (lost != 1)} {'are' if lost != 1 else 'is'}"
    if gaps == 1:
        return (
            f"Time stamps jump: {gone} not there, a frame is held for {longest:.2f} s."
        )
    return (
        f"Time stamps jump in {gaps} places: {gone} not there; the longest hold is "
        f"{longest:.2f} s."
    )


def _limit(measured: Measured, grade: Grade) -> float | None:
    """Return the limit that a gap of this grade reached; a note reached none."""
    if grade is Grade.NOTE:
        return None
    return float(measured.limits[f"continuity.gap_{grade.value}_seconds"])


def _summarise(measured: Measured) -> Mapping[str, object]:
    readings = measured.picture
    if readings is None or not readings.rows or measured.info.video is None:
        return {}
    held = readings["continuity.held_periods"].astype(np.float64)
    period = float(1 / measured.info.video.frame_rate)
    return {
        "frames_held_long": int(np.count_nonzero(held > _LONG)),
        "longest_held_s": float(held.max()) * period,
    }


MEASURE = Measure(
    name="continuity",
    label="Continuity",
    clock="picture",
    columns=(),
    derived=(Column("held_periods", "Shown for", "frame periods", 2),),
    derive=_derive,
    options=(
        Option(
            "continuity.gap_review_seconds",
            0.2,
            "Review where a frame is held this long because those after it are not "
            "there; shorter is noted (house choice).",
            unit="s",
            low=0,
            high=3600,
        ),
        Option(
            "continuity.gap_reject_seconds",
            2.0,
            "Reject where a frame is held this long (house choice).",
            unit="s",
            low=0,
            high=86400,
        ),
    ),
    start=_Reader,
    version=3,
    checks=(_check,),
    check_rules={"file.gap": "Gap"},
    summarise=_summarise,
    method=(
        "A frame is held when the next begins more than one and a half of the take's "
        "usual frame periods after it. Where more than a tenth of the frames are not "
        "shown for the usual period the rate itself varies, and only long holds count. "
        "Raw streams of MPEG-1 and 2, H.264 and HEVC have none: they go on evenly."
    ),
    source="Time stamps of the file. Limits: house choice.",
)
