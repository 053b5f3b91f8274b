"""The rows of the findings table, and the findings counted by kind."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from fractions import Fraction

from qc.records import Finding, Grade, TakeResult
from qc.report.exhibits import Figure
from qc.report.stills import MarkedStill, Stills
from qc.report.words import amount, counted, length

__all__ = [
    "GRADE_WORDS",
    "FindingRow",
    "KindRow",
    "by_kind",
    "finding_rows",
    "kind_rows",
    "time_of",
]

# Up to so many rows each gives its advice in full.
_ADVICE_REPEATED = 8

GRADE_WORDS = {
    Grade.CLEAN: "Clean",
    Grade.NOTE: "Note",
    Grade.REVIEW: "Review",
    Grade.REJECT: "Reject",
    Grade.UNREADABLE: "Unreadable",
}


@dataclass(frozen=True, slots=True)
class KindRow:
    """All findings of one kind together."""

    label: str
    grade: str
    count: str
    duration: str


@dataclass(frozen=True, slots=True)
class FindingRow:
    """A row of the findings table; the ``*_order`` numbers are what it is sorted by.

    Attributes
    ----------
    same_advice_as : int
        Number of the row that gives the same advice in full; 0 for none.
    figures : tuple of Figure
        What the measure shows beside the finding.
    scopes : tuple of Figure
        Where levels and colours of the worst frame lie.
    """

    number: int
    start: str
    end: str
    start_order: int
    end_order: int
    duration: str
    frames: str
    duration_order: str
    label: str
    grade: str
    grade_word: str
    grade_order: int
    worst: str
    limit: str
    worst_at: str
    excess_order: str
    message: str
    advice: str
    same_advice_as: int
    channel: str
    still: MarkedStill | None
    why_no_still: str
    figures: tuple[Figure, ...] = ()
    scopes: tuple[Figure, ...] = ()

    @property
    def illustrated(self) -> bool:
        """Whether there is anything to see beyond the row itself."""
        return bool(self.still or self.figures or self.scopes)


def by_kind(findings: list[Finding]) -> dict[str, list[Finding]]:
    """Return findings by rule."""
    out: dict[str, list[Finding]] = {}
    for finding in findings:
        out.setdefault(finding.rule, []).append(finding)
    return out


def time_of(findings: list[Finding]) -> Fraction:
    """Return how long findings last together; where they overlap counts once."""
    total, reached = Fraction(0), Fraction(-1)
    for finding in sorted(findings, key=lambda f: f.start):
        start = max(finding.start, reached)
        total += max(finding.end - start, Fraction(0))
        reached = max(reached, finding.end)
    return total


def kind_rows(result: TakeResult, labels: Mapping[str, str]) -> tuple[KindRow, ...]:
    """Return one row a rule, the gravest and longest first."""
    groups = by_kind(list(result.findings))
    rows = []
    for rule, group in groups.items():
        gravest = max((f.grade for f in group), key=lambda g: g.rank)
        order = (-gravest.rank, -time_of(group))
        row = KindRow(
            label=labels.get(rule, rule),
            grade=gravest.value,
            count=counted(len(group), "finding"),
            duration=length(time_of(group)),
        )
        rows.append((order, row))
    return tuple(row for _, row in sorted(rows, key=lambda r: r[0]))


def finding_rows(
    result: TakeResult,
    numbers: Iterable[tuple[int, Finding]],
    labels: Mapping[str, str],
    pictures: Stills,
    figures: Mapping[int, tuple[Figure, ...]] | None = None,
) -> tuple[FindingRow, ...]:
    """Return numbered findings as they stand in the table.

    Parameters
    ----------
    figures : mapping of a finding's number to its figures
    """
    own = figures or {}
    rows = [
        replace(_row(result, n, f, labels, pictures), figures=own.get(n, ()))
        for n, f in numbers
    ]
    if len(rows) > _ADVICE_REPEATED:
        given: dict[str, int] = {}
        for i, row in enumerate(rows):
            first = given.setdefault(row.advice, row.number)
            if row.advice and first != row.number:
                rows[i] = replace(row, same_advice_as=first)
    return tuple(rows)


def _row(
    result: TakeResult,
    number: int,
    finding: Finding,
    labels: Mapping[str, str],
    pictures: Stills,
) -> FindingRow:
    grid = result.info.grid
    worst, limit = finding.worst, finding.limit
    return FindingRow(
        number=number,
        start=grid.label(finding.start_frame),
        end=grid.label(finding.end_frame),
        start_order=finding.start_frame,
        end_order=finding.end_frame,
        duration=length(finding.duration),
        frames=counted(finding.end_frame - finding.start_frame, "frame"),
        duration_order=f"{float(finding.duration):.4f}",
        label=labels.get(finding.rule, finding.rule),
        grade=finding.grade.value,
        grade_word=GRADE_WORDS[finding.grade],
        grade_order=finding.grade.rank,
        worst="–" if worst is None else amount(worst, finding.unit),
        limit="" if limit is None else f"limit {amount(limit, finding.unit)}",
        worst_at=grid.label(finding.worst_frame),
        excess_order=f"{_excess(worst, limit):.4f}",
        message=finding.message,
        advice=finding.advice,
        same_advice_as=0,
        channel=_channel(result, finding.channel),
        still=pictures.by_number.get(number),
        why_no_still=pictures.why_none.get(number, ""),
        scopes=pictures.scopes.get(number, ()),
    )


def _excess(worst: float | None, limit: float | None) -> float:
    """Return how far past its limit a value is, so that unlike units can be sorted."""
    if worst is None or math.isnan(worst):
        return 0.0
    if limit is None or math.isnan(limit):
        return abs(worst)
    return abs(worst - limit) / max(abs(limit), 1e-3)


def _channel(result: TakeResult, number: int | None) -> str:
    if number is None:
        return ""
    for track in result.info.audio:
        if number in track.channel_numbers:
            at = number - track.first_channel
            name = "".join(track.channel_names[at : at + 1])
            return f"{number} ({name})" if name else str(number)
    return str(number)
