"""What is said about focus: how soft, since when it drifted, what the rig can reach."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from qc.measures.base import Companion, Hit, Measured
from qc.measures.parts.focus.partshow import sharp_row
from qc.measures.parts.focus.reach import reach_sentence
from qc.measures.parts.focus.sharpness import blur_radius
from qc.measures.parts.focus.wovenfocus import woven_rows
from qc.records import Finding, Grade, Readings, TakeResult

__all__ = ["ADVICE", "advice_of", "companions", "drift_began", "notes", "soft_message"]

ADVICE = (
    "Focus on the operative field at full zoom, zoom back and check the focus again; "
    "repeat it after every change of distance or zoom."
)

# Sharpness falls by steps of this length; a fall that lasts is a drift.
_STEP_S = 2.0
# Further back the steps grow, to so many times as long, and end after an hour.
_GROWS, _STEPS = 1.1, 15.0
_BACK_S = 3600.0
_DRIFT_S = 20.0
# Up to this share of the best, in percent, focus counts as still set.
_SET_PERCENT = 90.0
# A step up by more than this, in percent of the best, is no drift.
_UP_PERCENT = 8.0
_NEAR_BEST = 0.95
_NOTE_SHARE = 0.05


def soft_message(hit: Hit) -> str:
    """Return the sentence of a soft stretch."""
    text = (
        f"Fine detail falls to {math.floor(hit.worst)} % of the sharpest that this "
        f"shot has been (limit {hit.limit:g} %)"
    )
    readings = hit.readings
    reject = float(hit.measured.limits["focus.soft_reject_percent"])
    if hit.worst < reject and hit.grade is Grade.REVIEW:
        least = float(hit.measured.limits["focus.soft_min_seconds"])
        text += f", under {reject:g} % for less than {least:g} s at a time"
    if "focus.shot_rise_px" in readings.columns:
        at = slice(hit.first, hit.last)
        now = _middle(readings["focus.edge_rise_px"][at])
        best = float(readings["focus.shot_rise_px"][hit.worst_row])
        if now > 1.3 * best:
            text += f"; the crispest edges spread over {now:.1f} pixels, not {best:.1f}"
    text += "."
    began = drift_began(readings, hit.first)
    if began is not None:
        grid = hit.measured.info.grid
        label = grid.label(grid.nearest(readings.start(began)))
        text += f" It came slowly: focus has drifted since {label}."
    return text


def advice_of(limits: Mapping[str, Any]) -> str:
    """Return what to do, and what this rig can reach if the limits describe it."""
    reaches = reach_sentence(limits["focus.near_limit_m"], limits["focus.dioptre"])
    return f"{ADVICE} {reaches}" if reaches else ADVICE


def drift_began(readings: Readings, first: int) -> int | None:
    """Return the row since which sharpness fell, step by step, until row `first`.

    Returns
    -------
    int or None
        None when the fall was no slow one.
    """
    edges, columns = readings.edges, readings.columns
    ticks = ticks_first = _STEP_S / float(readings.time_base)
    earliest = edges[first] - _BACK_S / float(readings.time_base)
    shot = columns.part("framing.shot", first, first + 1)[0]
    level, begins, stop = math.nan, first, first + 1
    # Backwards, a step at a time: most stretches are sharp just before.
    while stop > 0 and edges[stop - 1] > earliest:
        start = int(np.searchsorted(edges, edges[stop - 1] - ticks, side="right"))
        start = max(min(start, stop - 1), 0)
        same = columns.part("framing.shot", start, stop) == shot
        now = _middle(columns.part("focus.relative_percent", start, stop)[same])
        if not math.isnan(now):
            if now < level - _UP_PERCENT:
                break
            if now >= _SET_PERCENT:
                begins = stop - 1
                break
            level, begins = now, start
        stop, ticks = start, min(_GROWS * ticks, _STEPS * ticks_first)
    lasted = int(edges[first] - edges[begins]) * readings.time_base
    return begins if lasted >= _DRIFT_S else None


def companions(result: TakeResult, finding: Finding) -> Iterable[Companion]:
    """Yield the sharpest frame of the shot, the nearest of those as sharp."""
    readings, row = result.picture, finding.worst_pts_row
    if readings is None or row is None or finding.unit != "%":
        return
    shots = readings["framing.shot"]
    if finding.where is not None and result.info.video is not None:
        video = result.info.video
        others = np.flatnonzero(shots != shots[row])
        at = int(np.searchsorted(others, row))
        shot = (
            int(others[at - 1]) + 1 if at else 0,
            int(others[at]) if at < len(others) else readings.rows,
        )
        size = video.width, video.height
        found = sharp_row(readings, finding.where, size, row, shot)
        if found is not None:
            yield Companion(found, "the same shot with that part in focus")
        return
    percent = np.where(shots == shots[row], readings["focus.relative_percent"], np.nan)
    with np.errstate(invalid="ignore"):
        sharp = np.flatnonzero(percent >= 90.0)
        if sharp.size:
            sharp = sharp[
                percent[sharp] >= _NEAR_BEST * np.percentile(percent[sharp], 95)
            ]
    if sharp.size:
        nearest = sharp[np.argmin(np.abs(sharp - row))]
        yield Companion(int(nearest), "the same shot in focus")


def notes(measured: Measured) -> Iterable[str]:
    """Yield what could not be judged, and why."""
    readings = measured.picture
    if readings is None or not readings.rows:
        return
    share = float(np.mean(np.isnan(readings["focus.relative_percent"])))
    if share == 1.0:
        yield (
            "Focus was not judged: no shot is long enough and detailed enough to tell "
            "its sharpest moment (a wall or a drape has nothing that focus would make "
            "crisp, and noise hides what is fine), or the picture moves all the time."
        )
    elif share > _NOTE_SHARE:
        yield (
            f"Focus was not judged in {100 * share:.0f} % of the frames: shots too "
            "short, damaged, too dark, too noisy or without detail, smeared by motion, "
            "or under light that flashes."
        )
    if woven_rows(measured).any():
        yield (
            "Where two fields of different moments are woven into a frame, teeth look "
            "like fine detail: focus was judged there by detail along the lines alone."
        )


def throughout_message(rise: float, limit: float) -> str:
    """Return the sentence of a shot that is never sharp."""
    return (
        f"Even the crispest edges of this shot rise over {rise:.0f} pixels throughout "
        f"(limit {limit:g}): as blurred as if every point were a disc of about "
        f"{blur_radius(rise):.1f} pixels radius."
    )


def _middle(values: NDArray[np.floating]) -> float:
    known = values[~np.isnan(values)]
    return float(np.median(known)) if known.size else math.nan
