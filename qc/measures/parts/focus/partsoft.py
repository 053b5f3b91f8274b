"""A part of the picture that gets soft while the rest stays sharp."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from qc.measures.base import Measured, finding_of
from qc.measures.parts.focus.hunts import hunts
from qc.measures.parts.focus.lightjumps import between_jumps, flashing, jumps
from qc.measures.parts.focus.partfalls import Fall, falls_of
from qc.measures.parts.focus.partlens import left_by_lens
from qc.measures.parts.focus.partshow import box_of
from qc.measures.parts.focus.partspan import Stretch, stretch_of
from qc.measures.parts.focus.partwords import part_advice, part_message, part_of
from qc.measures.parts.focus.pulls import PULL_ADVICE, Pull, pull_message, pull_of
from qc.measures.parts.focus.softcheck import hidings, pulls
from qc.measures.parts.focus.wovenfocus import woven_rows
from qc.records import Finding, Grade, Readings
from qc.spans import Span, runs

__all__ = ["part_soft"]

# Shorter than this a part of the picture is let pass (house choice).
_SHORTEST_S = 0.8
# What takes longer than this to come is said to come slowly.
_SLOW_S = 0.3
# So many rows from where a fall is seen tell whether it is one of a lens.
_LOOK = 2048
# A jump of light so few rows from a fall belongs to it.
_AT_ONCE = 2
# Of a stretch so much is told, or explained, by what is known of the whole picture.
_TOLD = 0.5
# What was sharp before a pull of focus is looked for in so many rows before it.
_BEFORE_PULL = 25


def part_soft(measured: Measured) -> Iterable[Finding]:
    """Yield where a part of the picture is soft that was as sharp as the rest."""
    readings = measured.picture
    if readings is None or "focus.relative_percent" not in readings.columns:
        return
    jump = jumps(readings)
    told: NDArray[np.bool_] | None = None
    for fall, stretch, left in _stretches(measured, readings, jump):
        if told is None:
            told = _told(measured, readings)
        span = stretch.first, stretch.last
        if np.mean(told[slice(*span)]) >= _TOLD or between_jumps(jump, span):
            continue
        yield _finding(measured, readings, fall, stretch, 100.0 * left)


def _stretches(
    measured: Measured, readings: Readings, jump: NDArray[np.int8]
) -> Iterator[tuple[Fall, Stretch, float]]:
    """Yield the stretches that a lens explains, none twice, and what it left."""
    limits = measured.limits
    limit = 0.01 * float(limits["focus.soft_review_percent"])
    shortest = max(_SHORTEST_S, float(limits["focus.soft_min_seconds"]))
    woven, jumped = woven_rows(measured), np.flatnonzero(jump)
    video = measured.info.video
    step = 1.0 if video is None else video.signal.code_scale
    for shot in _shots(readings, float(limits["focus.shot_min_seconds"])):
        if woven[slice(*shot)].any():
            continue  # teeth are crisp
        found: list[tuple[float, Fall, Stretch, float]] = []
        for fall in falls_of(readings, *shot, step=step):
            near = min(shot[1], fall.before[0] + _LOOK)
            stretch = stretch_of(readings, fall, near)
            if stretch is None:
                continue
            seconds = readings.start(stretch.last) - readings.start(stretch.first)
            if round(float(seconds), 6) < shortest:
                continue
            left = left_by_lens(readings, fall, stretch, _lit(jumped, stretch, shot))
            if left is None or not left < limit:
                continue
            if stretch.last == near:
                stretch = stretch_of(readings, fall, shot[1]) or stretch
            lost = float(np.sum(1.0 - fall.left[fall.tiles]))
            found.append((lost, fall, stretch, left))
        # The one that says most, of those that are the same.
        chosen: list[tuple[Fall, Stretch, float]] = []
        for _, fall, stretch, left in sorted(found, key=lambda one: -one[0]):
            if all(
                stretch.last <= other.first or stretch.first >= other.last
                for _, other, _ in chosen
            ):
                chosen.append((fall, stretch, left))
        yield from sorted(chosen, key=lambda one: one[1].first)


def _shots(readings: Readings, least: float) -> Iterator[Span]:
    """Yield rows that lie together in one shot and last long enough."""
    shots = readings["framing.shot"]
    for first, last in runs(~np.isnan(shots)):
        cuts = first + 1 + np.flatnonzero(np.diff(shots[first:last]))
        ends = [first, *(int(cut) for cut in cuts), last]
        for low, high in pairwise(ends):
            if float(readings.start(high) - readings.start(low)) >= least:
                yield low, high


def _lit(jumped: NDArray[np.intp], stretch: Stretch, shot: Span) -> Span:
    """Return the rows of a shot from the last jump of light before a fall to the next.

    Parameters
    ----------
    jumped : (n,) array
        Rows at which the light jumps, in order.
    """
    before = np.searchsorted(jumped, stretch.began - _AT_ONCE)
    behind = np.searchsorted(jumped, stretch.deep + _AT_ONCE, side="right")
    bounds = np.concatenate([[shot[0]], jumped, [shot[1]]])  # one more in front
    return max(shot[0], int(bounds[before])), min(shot[1], int(bounds[behind + 1]))


def _told(measured: Measured, readings: Readings) -> NDArray[np.bool_]:
    """Return where the whole picture is soft, told or explained, and where it hunts."""
    limit = float(measured.limits["focus.soft_review_percent"])
    percent, lasts = (readings[f"focus.{n}_percent"] for n in ("relative", "lasting"))
    with np.errstate(invalid="ignore"):
        out = np.asarray(lasts < limit, np.bool_)
    both = percent, lasts, measured.limits
    for span in (
        *(span for span, _ in pulls(readings, *both)),
        *hidings(readings, *both),
    ):
        out[slice(*span)] = True
    out |= flashing(readings)
    if "hunting.key" in readings.columns:
        for still, found in hunts(measured, readings, percent):
            out[still.rows[found.first] : still.rows[found.last - 1] + 1] = True
    return out


def _pull(
    measured: Measured, readings: Readings, fall: Fall, stretch: Stretch
) -> Pull | None:
    """Return the pull of focus that a soft part is one side of, None if there is none.

    Just before the fall the focus may have been on its way already: then what was
    sharp before it set out counts.
    """
    soft = np.arange(stretch.deep, stretch.last)
    found = pull_of(readings, soft, np.arange(*fall.before))
    if found is not None:
        return found
    percent, lasts = (readings[f"focus.{n}_percent"] for n in ("relative", "lasting"))
    shot = readings["framing.shot"]
    for (first, last), _ in pulls(readings, percent, lasts, measured.limits):
        if not (first <= stretch.first <= last and stretch.last > last):
            continue
        rows = np.arange(max(0, first - _BEFORE_PULL), first)
        found = pull_of(readings, soft, rows[shot[rows] == shot[stretch.first]])
        if found is not None:
            return found
    return None


def _finding(
    measured: Measured,
    readings: Readings,
    fall: Fall,
    stretch: Stretch,
    worst: float,
) -> Finding:
    limits, video = measured.limits, measured.info.video
    first, last = stretch.first, stretch.last
    seconds = float(readings.start(last) - readings.start(first))
    limit = float(limits["focus.soft_review_percent"])
    low = np.nanpercentile(stretch.share, 10.0)
    worst_row = first + int(np.nanargmin(np.abs(stretch.share - low)))
    rotation = int(video.rotation) if video is not None else 0
    pull = _pull(measured, readings, fall, stretch)
    if pull is None:
        took = float(readings.start(stretch.deep) - readings.start(stretch.began))
        message = part_message(
            part_of(fall.tiles, fall.rest, rotation),
            left=worst,
            kept=100.0 * stretch.kept,
            seconds=seconds,
            slow_s=took if took >= _SLOW_S else 0.0,
            limit=limit,
        )
    else:
        message = pull_message(pull, seconds)
    return finding_of(
        measured,
        readings,
        rule="focus.soft",
        grade=Grade.REVIEW if pull is None else Grade.NOTE,
        first=first,
        last=last,
        worst_row=worst_row,
        message=message,
        advice=part_advice(limits) if pull is None else PULL_ADVICE,
        worst=worst,
        limit=limit,
        unit="%",
        where=(
            box_of(fall.tiles, video.width, video.height) if video is not None else None
        ),
    )
