"""The day on one line: a lane for each camera with its takes, and the gaps."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass

from qc.daybook import DayFinding, DayTake
from qc.report.day_axis import DayAxis, clock_axis, order_axis
from qc.report.day_values import clock, copies_of, seconds_of
from qc.report.rows import GRADE_WORDS
from qc.report.strips import Mark
from qc.report.words import counted, grouped, length

__all__ = [
    "Bar",
    "CameraLane",
    "DayLine",
    "Times",
    "day_line",
    "known_times",
    "percent",
]

Times = Mapping[str, tuple[float, float, str]]
"""Start and end on the day's clock in seconds, and what they are read from."""

# Bars at least so wide hold their number.
_LABEL_SHARE = 0.022
# Takes that seem to overlap by less do not: files of one take may share a moment.
_TOUCH_S = 0.5
_MOST_ROWS = 4
_FEW = 60


@dataclass(frozen=True, slots=True)
class Bar:
    """A take or a gap on the axis, as CSS lengths; `label` is empty without room."""

    left: str
    width: str
    row: int
    title: str
    grade: str = ""
    href: str = ""
    label: str = ""


@dataclass(frozen=True, slots=True)
class CameraLane:
    """The takes of one camera; those that overlap lie in rows, one under another."""

    title: str
    text: str
    rows: int
    bars: tuple[Bar, ...]
    gaps: tuple[Bar, ...]


@dataclass(frozen=True, slots=True)
class DayLine:
    """The whole line.

    Attributes
    ----------
    lanes : tuple of CameraLane
        Empty when the times are not known.
    grades : tuple of str
        Grades that occur on it, for its legend.
    few : bool
        So few takes that each may be a stop of the tabulator key.
    missing : tuple of str
        Takes that have no place on it.
    """

    axis: DayAxis
    ticks: tuple[Mark, ...]
    pauses: tuple[Bar, ...]
    start: str
    end: str
    lanes: tuple[CameraLane, ...]
    grades: tuple[str, ...]
    has_gaps: bool
    few: bool
    missing: tuple[str, ...]


def percent(share: float) -> str:
    """Return a share of the axis as a CSS length."""
    return f"{100.0 * share:.3f}%"


def known_times(times: Times) -> dict[str, tuple[float, float, str]]:
    """Return the times that can be drawn: finite, and not ending before they begin."""
    return {
        name: (start, max(end, start), basis)
        for name, (start, end, basis) in times.items()
        if math.isfinite(start) and math.isfinite(end)
    }


def day_line(
    numbered: Sequence[tuple[int, DayTake]],
    findings: Iterable[DayFinding],
    times: Times,
    cameras: Mapping[str, str],
) -> DayLine:
    """Return the line of a day.

    Parameters
    ----------
    numbered : sequence of (number, DayTake)
        As numbered on the page.
    times, cameras : mappings by take name
        Without times the axis goes by number, and there are no lanes.
    """
    placed = [(n, t) for n, t in numbered if t.name in times]
    if not placed:
        axis = order_axis(len(numbered))
        few = len(numbered) <= _FEW
        return DayLine(axis, _ticks(axis), (), "", "", (), (), False, few, ())
    spans = [times[t.name][:2] for _, t in placed]
    axis = clock_axis(spans)
    by_camera: dict[str, list[tuple[int, DayTake]]] = {}
    for number, take in sorted(placed, key=lambda p: times[p[1].name][0]):
        by_camera.setdefault(cameras.get(take.name, ""), []).append((number, take))
    findings = list(findings)
    gaps = [f for f in findings if f.rule == "day.gap"]
    copies = copies_of(findings)
    lanes = tuple(
        _lane(name, members, gaps, axis, times, copies, alone=len(by_camera) == 1)
        for name, members in by_camera.items()
    )
    grades = {t.grade for _, t in placed}
    return DayLine(
        axis=axis,
        ticks=_ticks(axis),
        pauses=tuple(
            Bar(percent(p.left), percent(p.right - p.left), 0, p.text)
            for p in axis.pauses
        ),
        start=clock(min(a for a, _ in spans)),
        end=clock(max(b for _, b in spans)),
        lanes=lanes,
        grades=tuple(g.value for g in sorted(grades, key=lambda g: g.rank)),
        has_gaps=any(lane.gaps for lane in lanes),
        few=len(placed) <= _FEW,
        missing=tuple(t.name for _, t in numbered if t.name not in times),
    )


def _ticks(axis: DayAxis) -> tuple[Mark, ...]:
    return tuple(
        Mark(
            percent(tick.share),
            tick.label,
            "first" if tick.share < 0.03 else "last" if tick.share > 0.97 else "middle",
            minor=i % 2 == 1,
        )
        for i, tick in enumerate(axis.ticks)
    )


def _lane(
    camera: str,
    members: Sequence[tuple[int, DayTake]],
    gaps: Iterable[DayFinding],
    axis: DayAxis,
    times: Times,
    copies: Collection[str],
    *,
    alone: bool,
) -> CameraLane:
    free: list[float] = []
    behind = 0
    bars = []
    for number, take in members:
        start, end, _ = times[take.name]
        row = next((i for i, f in enumerate(free) if start >= f - _TOUCH_S), len(free))
        if row >= _MOST_ROWS:
            row, behind = _MOST_ROWS - 1, behind + 1
        free[row : row + 1] = [max([end, *free[row : row + 1]])]
        bars.append(_bar(number, take, start, end, row, axis))
    names = {t.name for _, t in members}
    return CameraLane(
        title=camera or ("Takes" if alone else "Camera not known"),
        text=_lane_text([t for _, t in members], copies, behind),
        rows=len(free),
        bars=tuple(bars),
        gaps=tuple(
            _gap(g.start, g.end, axis)
            for g in gaps
            if names & set(g.takes[:1]) and g.start is not None and g.end is not None
        ),
    )


def _lane_text(takes: Sequence[DayTake], copies: Collection[str], behind: int) -> str:
    """Say what a lane holds, and which of it the top of the page does not count."""
    long = length(math.fsum(seconds_of(t.document) for t in takes))
    said = f"{counted(len(takes), 'take')}, {long}"
    among = sum(t.name in copies for t in takes)
    if among:
        said += f" with {counted(among, 'copy', 'copies')}"
    if behind:
        said += f"; {grouped(behind)} drawn over others in the last row"
    return said


def _bar(
    number: int, take: DayTake, start: float, end: float, row: int, axis: DayAxis
) -> Bar:
    left, right = axis.share(start), axis.share(end)
    word = GRADE_WORDS[take.grade].lower()
    return Bar(
        left=percent(left),
        width=percent(right - left),
        row=row,
        title=f"Take {number}: {take.name}, {word}, {clock(start, fine=True)} "
        f"to {clock(end, fine=True)}",
        grade=take.grade.value,
        href=f"#t{number}",
        label=str(number) if right - left >= _LABEL_SHARE else "",
    )


def _gap(start: float, end: float, axis: DayAxis) -> Bar:
    left, right = axis.share(start), axis.share(end)
    lasts = length(max(end - start, 0.0))
    return Bar(
        left=percent(left),
        width=percent(right - left),
        row=0,
        title=f"Gap of {lasts} from {clock(start, fine=True)}",
    )
