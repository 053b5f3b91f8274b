"""The rows of the findings table, and the findings counted by kind."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from fractions import Fraction

from qc.records import Finding, Grade, TakeResult
from qc.report.axis import spoken_label
from qc.report.exhibits import Figure
from qc.report.limitkeys import limit_key
from qc.report.plainly import Plain, plainly
from qc.report.stills import MarkedStill, Stills, excess
from qc.report.words import amount, beside, counted, length

__all__ = [
    "GRADE_WORDS",
    "FindingRow",
    "KindRow",
    "by_kind",
    "finding_rows",
    "kind_rows",
    "time_of",
]

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
    limit_key: str
    worst_at: str
    excess_order: str
    message: Plain
    advice: Plain
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
    return tuple(
        replace(_row(result, n, f, labels, pictures), figures=own.get(n, ()))
        for n, f in numbers
    )


def _row(
    result: TakeResult,
    number: int,
    finding: Finding,
    labels: Mapping[str, str],
    pictures: Stills,
) -> FindingRow:
    info = result.info
    worst, limit = finding.worst, finding.limit
    how_bad = "–" if worst is None else amount(worst, finding.unit)
    allowed = "" if limit is None else amount(limit, finding.unit)
    if worst is not None and limit is not None:
        how_bad, allowed = beside(worst, limit, finding.unit)
    return FindingRow(
        number=number,
        start=spoken_label(info, finding.start_frame, finding.start),
        end=spoken_label(info, finding.end_frame, finding.end),
        start_order=finding.start_frame,
        end_order=finding.end_frame,
        duration=length(finding.duration),
        frames=(
            counted(finding.end_frame - finding.start_frame, "frame")
            if info.video is not None
            else ""
        ),
        duration_order=f"{float(finding.duration):.4f}",
        label=labels.get(finding.rule, finding.rule),
        grade=finding.grade.value,
        grade_word=GRADE_WORDS[finding.grade],
        grade_order=finding.grade.rank,
        worst=how_bad,
        limit=f"limit {allowed}" if allowed else "",
        limit_key=limit_key(finding, result.limits) if allowed else "",
        worst_at=spoken_label(info, finding.worst_frame, finding.worst_at),
        excess_order=f"{excess(finding):.4f}",
        message=plainly(finding.message),
        advice=plainly(finding.advice),
        channel=", ".join(
            _channel(result, n) for n in finding.channels or (finding.channel,)
        ),
        still=pictures.by_number.get(number),
        why_no_still=pictures.why_none.get(number, ""),
        scopes=pictures.scopes.get(number, ()),
    )


def _channel(result: TakeResult, number: int | None) -> str:
    if number is None:
        return ""
    for track in result.info.audio:
        if number in track.channel_numbers:
            at = number - track.first_channel
            name = "".join(track.channel_names[at : at + 1])
            return f"{number} ({name})" if name else str(number)
    return str(number)
