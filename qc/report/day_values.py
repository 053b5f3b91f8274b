"""What the day's page reads out of the takes' documents, whatever they hold.

A document may have been written by an earlier run: nothing in it is taken on trust.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote

from qc.daybook import DayFinding, DayTake, Skipped
from qc.records import Grade
from qc.report.day_facts import fault_label
from qc.report.handover import name_bytes
from qc.report.words import grouped

__all__ = [
    "DayTotals",
    "Fault",
    "across_takes",
    "clock",
    "day_totals",
    "figure",
    "items",
    "report_address",
    "seconds_of",
    "strip",
    "take_faults",
    "text_at",
    "too_short_among",
    "usable_s",
]


# ------------------------------------------------------------------- out of documents


def at(document: Mapping[str, Any], *keys: str) -> Any:
    """Return what stands in a document under keys, one in another; None if nothing."""
    value: Any = document
    for key in keys:
        if not isinstance(value, Mapping):
            return None
        value = value.get(key)
    return value


def figure(document: Mapping[str, Any], *keys: str) -> float | None:
    """Return a finite number of a document, or None."""
    return _number(at(document, *keys))


def text_at(document: Mapping[str, Any], *keys: str) -> str:
    """Return a text of a document; empty if there is none."""
    value = at(document, *keys)
    return value if isinstance(value, str) else ""


def items(document: Mapping[str, Any], *keys: str) -> list[Mapping[str, Any]]:
    """Return the entries of a list in a document."""
    value = at(document, *keys)
    if not isinstance(value, list):
        return []
    return [entry for entry in value if isinstance(entry, Mapping)]


def strip(document: Mapping[str, Any], name: str) -> list[float | None]:
    """Return a take in a few numbers, for tiny charts; empty if not measured."""
    value = at(document, "day", "strips", name)
    if not isinstance(value, list):
        return []
    numbers = [_number(v) for v in value]
    return numbers if any(n is not None for n in numbers) else []


def _number(value: object) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value) if math.isfinite(value) else None


def seconds_of(document: Mapping[str, Any]) -> float:
    """Return how long a take lasts; 0 where it could not be measured."""
    return max(figure(document, "take", "duration_s") or 0.0, 0.0)


def usable_s(document: Mapping[str, Any]) -> float:
    """Return how much of a take is usable, in seconds."""
    usable = sum(figure(u, "duration_s") or 0.0 for u in items(document, "usable"))
    return min(max(usable, 0.0), seconds_of(document))


def report_address(folder: str) -> str:
    """Return a take's report as a link from the day's page, percent-encoded.

    Examples
    --------
    >>> report_address("Fall 3: #2")
    'Fall%203%3A%20%232/report.html'
    """
    return quote(name_bytes(folder), safe="") + "/report.html"


def clock(seconds: float, *, fine: bool = False) -> str:
    """Return a moment of the day's clock as a time of day.

    Examples
    --------
    >>> clock(34_320.4), clock(34_320.4, fine=True), clock(86_460.0)
    ('09:32', '09:32:00', '00:01')
    """
    whole = math.floor(seconds) % 86_400
    text = f"{whole // 3600:02d}:{whole // 60 % 60:02d}"
    return f"{text}:{whole % 60:02d}" if fine else text


# ----------------------------------------------------------------------------- faults


@dataclass(frozen=True, slots=True)
class Fault:
    """A kind of fault in a take.

    Attributes
    ----------
    count : int
        Findings of that kind.
    """

    rule: str
    label: str
    grade: Grade
    count: int


def take_faults(take: DayTake, findings: Iterable[DayFinding]) -> tuple[Fault, ...]:
    """Return the kinds of fault of a take, the gravest and longest first.

    Parameters
    ----------
    findings : iterable of DayFinding
        What only the day shows of this take; it comes behind what the take shows.
    """
    groups: dict[str, list[Mapping[str, Any]]] = {}
    for finding in items(take.document, "findings"):
        groups.setdefault(text_at(finding, "rule"), []).append(finding)
    own = []
    for rule, group in groups.items():
        grade = max((_grade(f) for f in group), key=lambda g: g.rank)
        order = (-grade.rank, -_together(group))
        own.append((order, Fault(rule, fault_label(rule), grade, len(group))))
    out = [fault for _, fault in sorted(own, key=lambda pair: pair[0])]
    of_day: dict[str, list[DayFinding]] = {}
    for day_finding in findings:
        of_day.setdefault(day_finding.rule, []).append(day_finding)
    for rule, members in of_day.items():
        grade = max((f.grade for f in members), key=lambda g: g.rank)
        out.append(Fault(rule, fault_label(rule), grade, len(members)))
    return tuple(out)


def _grade(finding: Mapping[str, Any]) -> Grade:
    try:
        return Grade(text_at(finding, "grade"))
    except ValueError:
        return Grade.NOTE


def _together(findings: list[Mapping[str, Any]]) -> float:
    """Return how long findings last together; where they overlap counts once."""
    total, reached = 0.0, -math.inf
    spans = [(figure(f, "start_s") or 0.0, figure(f, "end_s") or 0.0) for f in findings]
    for start, end in sorted(spans):
        total += max(end - max(start, reached), 0.0)
        reached = max(reached, end)
    return total


# ------------------------------------------------------------------------- the day


@dataclass(frozen=True, slots=True)
class DayTotals:
    """A day in a few numbers.

    Attributes
    ----------
    grades : mapping of Grade to int
        Takes of each grade.
    recorded_s, usable_s : float
        Seconds of the takes that could be read, copies counted once.
    copies : int
        Takes left out of these because they are copies of another one.
    too_short : int
        Takes counted as clean that are too short to judge all.
    across : tuple of Grade
        Of each finding at review or over that only the whole day shows. A take is not
        worse for one: what it holds may be fine, as beside a gap.
    """

    grades: Mapping[Grade, int]
    recorded_s: float
    usable_s: float
    copies: int
    too_short: int = 0
    across: tuple[Grade, ...] = ()


def too_short_among(number: int) -> str:
    """Return what a count of clean takes must add of those too short to judge all.

    Examples
    --------
    >>> too_short_among(0), too_short_among(2)
    ('', ' (2 too short to judge all)')
    """
    return f" ({grouped(number)} too short to judge all)" if number else ""


def across_takes(grades: Sequence[Grade]) -> str:
    """Return what stands behind the number of a day's findings across takes.

    Examples
    --------
    >>> across_takes([Grade.REVIEW]), across_takes([Grade.REVIEW, Grade.REJECT])
    ('across takes, to review', 'across takes, to review or rejected')
    """
    words = {Grade.REVIEW: "to review", Grade.REJECT: "rejected"}
    found = [word for grade, word in words.items() if grade in grades]
    return f"across takes, {' or '.join(found)}"


def copies_of(findings: Iterable[DayFinding]) -> set[str]:
    """Return the names of takes that are copies of another one."""
    return {name for f in findings if f.rule == "day.duplicate" for name in f.takes[1:]}


def day_totals(
    takes: Iterable[DayTake],
    findings: Iterable[DayFinding],
    skipped: Iterable[Skipped] = (),
) -> DayTotals:
    """Return a day in a few numbers; what could not be opened is unreadable too."""
    takes, findings = list(takes), list(findings)
    copies = copies_of(findings)
    counted = [t for t in takes if t.readable and t.name not in copies]
    grades = Counter(t.grade for t in takes)
    grades[Grade.UNREADABLE] += sum(file.closed for file in skipped)
    return DayTotals(
        grades=grades,
        recorded_s=math.fsum(seconds_of(t.document) for t in counted),
        usable_s=math.fsum(usable_s(t.document) for t in counted),
        copies=sum(1 for t in takes if t.name in copies),
        too_short=sum(t.too_short for t in takes),
        across=tuple(f.grade for f in findings if f.grade.rank >= Grade.REVIEW.rank),
    )
