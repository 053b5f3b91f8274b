"""Hum over time: windows that belong together, where they begin and end, in words."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from qc.measures.base import signed
from qc.measures.parts.sound.humsteps import HumStretch, StepLines, hum_stretch
from qc.measures.parts.sound.soundlines import (
    ROWS_PER_SECOND,
    Line,
    first_row,
    length_of,
)
from qc.measures.parts.sound.truepeak import dbfs
from qc.records import Finding, Grade
from qc.spans import Span

__all__ = ["HOP_S", "Segment", "groups", "hum_finding", "hum_windows"]

HOP_S = 2.0
"""Seconds from window to window."""

# One line that is none too high counts where it stays for so many windows, over 6 s.
_STEADY = 3
# Hum that begins and ends within one window: so long, so steady, and so much weaker
# before and after it. Tried on speech, music and motors (house choices).
_SHORT_S, _STANDS_STILL, _OUTSIDE = 1.2, 0.8, 0.3
# Its ends are dated where this share of its strongest line stands still.
_DATED = 0.3
_NEAR_END_S = 0.35


@dataclass(frozen=True, slots=True)
class Segment:
    """Hum in one window of one channel; rows are hundredths since the take's start."""

    channel: int
    number: int
    first_row: int
    last_row: int
    mains_hz: int
    level_dbfs: float
    over_db: float
    harmonics: tuple[int, ...]
    sure: bool


def _certain(group: list[Segment], windows: int, stretch: HumStretch | None) -> bool:
    """Tell whether windows with lines are hum, and nothing that passes by."""
    sure = sum(s.sure for s in group)
    # One window is enough only where there are no more, or if its lines begin and end
    # within it and stand still between.
    if len(group) >= _STEADY or sure > 1 or sure == windows:
        return True
    return (
        sure == 1
        and stretch is not None
        and any(len(s.harmonics) > 1 for s in group)
        and stretch.last_s - stretch.first_s >= _SHORT_S
        and stretch.steady >= _STANDS_STILL
        and not stretch.outside > _OUTSIDE
    )


def _stretch(group: list[Segment], steps: Mapping[int, StepLines]) -> HumStretch | None:
    """Return where hum begins and ends, to a tenth of a second where that shows."""

    def found(one: Segment, first: int, last: int, **ends: bool) -> HumStretch | None:
        return hum_stretch(
            [steps[k] for k in range(first, last + 1) if k in steps],
            one.channel,
            mains=one.mains_hz,
            harmonics=one.harmonics,
            **ends,
        )

    a, b = group[0], group[-1]
    if b.number - a.number <= 1:
        one = max(a, b, key=lambda s: s.level_dbfs)
        return found(one, a.number - 2, b.number + 1)
    begin = found(a, a.number - 2, a.number + 1, to_last=True)
    end = found(b, b.number - 2, b.number + 1, from_first=True)
    if begin is None or end is None:
        return None
    return HumStretch(
        begin.first_s if _stands_out(begin) else -math.inf,
        end.last_s if _stands_out(end) else math.inf,
        math.nan,
        min(begin.steady, end.steady),
        math.nan,
    )


def _stands_out(stretch: HumStretch) -> bool:
    return not stretch.outside > 0.5 and stretch.steady >= _DATED


def groups(segments: list[Segment]) -> Iterator[list[Segment]]:
    """Yield windows one after another with the same mains; one may be missing."""
    group: list[Segment] = []
    for one in segments:
        if group and (
            one.number - group[-1].number > 2 or one.mains_hz != group[-1].mains_hz
        ):
            yield group
            group = []
        group.append(one)
    if group:
        yield group


def hum_windows(
    segments: list[Segment], totals: Mapping[str, Any]
) -> Iterator[Segment]:
    """Yield the windows of a channel whose lines are hum, however faint.

    Parameters
    ----------
    totals : mapping
        The track's ``windows`` and ``steps``.
    """
    for group in groups(segments):
        stretch = _stretch(group, totals["steps"])
        if _certain(group, totals["windows"], stretch):
            yield from group


def _rows(line: Line, group: list[Segment], stretch: HumStretch | None) -> Span:
    """Return the rows of hum: those of its windows where its ends do not show."""
    base, rows = first_row(line.readings), line.readings.rows
    first = max(group[0].first_row - base, 0)
    last = min(group[-1].last_row - base, rows)
    # Windows come every two seconds: what is left at the ends is too short for one.
    if first < HOP_S * ROWS_PER_SECOND:
        first = 0
    if rows - last < (HOP_S + 0.2) * ROWS_PER_SECOND:
        last = rows
    if stretch is not None and (math.isnan(stretch.level) or _stands_out(stretch)):
        near = _NEAR_END_S * ROWS_PER_SECOND
        if math.isfinite(stretch.first_s):
            first = max(round(stretch.first_s * ROWS_PER_SECOND) - base, 0)
            first = 0 if first < near else first
        if math.isfinite(stretch.last_s):
            last = min(round(stretch.last_s * ROWS_PER_SECOND) - base, rows)
            last = rows if rows - last < near else last
    return first, last


def hum_finding(
    line: Line, group: list[Segment], totals: Mapping[str, Any]
) -> Finding | None:
    """Return the finding of windows one after another; None if it is no hum, or faint.

    Parameters
    ----------
    totals : mapping
        The track's ``windows`` and ``steps``.
    """
    limits = line.measured.limits
    loudest = max(group, key=lambda s: s.level_dbfs)
    stretch = _stretch(group, totals["steps"])
    if not _certain(group, totals["windows"], stretch):
        return None
    level = float(np.median([s.level_dbfs for s in group]))
    if stretch is not None and not math.isnan(stretch.level) and _stands_out(stretch):
        # A window that hum does not fill shows less of it.
        level = max(level, float(dbfs(stretch.level)))
    review = float(limits["hum.review_dbfs"])
    note = float(limits["hum.note_dbfs"])
    if level <= min(note, review):
        return None
    grade = Grade.REVIEW if level > review else Grade.NOTE
    base, rows = first_row(line.readings), line.readings.rows
    first, last = _rows(line, group, stretch)
    if first >= last:
        return None
    whole = last - first == rows
    when = (
        "in the whole take"
        if whole
        else f"for {length_of(line.readings, (first, last))}"
    )
    mains = loudest.mains_hz
    often = [
        h for h in range(1, 13) if sum(h in s.harmonics for s in group) * 2 > len(group)
    ] or list(loudest.harmonics)  # fmt: skip
    hertz = [f"{h * mains}" for h in often[:6]]
    lines = hertz[0] if len(hertz) == 1 else f"{', '.join(hertz[:-1])} and {hertz[-1]}"
    over = float(np.median([s.over_db for s in group]))
    return line.finding(
        "sound.hum",
        (first, last),
        grade=grade,
        worst_row=min(max(loudest.first_row - base, first), last - 1),
        worst=level,
        limit=review if grade is Grade.REVIEW else note,
        unit="dBFS",
        message=(
            f"{line}: mains hum of {mains} Hz at {signed(level, 0)} dBFS {when} "
            f"(lines at {lines} Hz, up to {over:.0f} dB above the noise)."
        ),
        advice=(
            "lay microphone cables away from mains cables and power supplies, and "
            "across them, not along; run the recorder from its battery to see whether "
            "a ground loop hums; never move plugs of medical devices, ask the house's "
            "technician; if it changes with the "
            "room's light, it is a dimmer."
        ),
    )
