"""The rows of the day's tables: its takes, and what only the whole day shows."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from qc.daybook import DayFinding, DayTake, Skipped
from qc.limits import Limits
from qc.records import Grade
from qc.report.day_facts import fault_label
from qc.report.day_line import Times
from qc.report.day_sparks import Spark, sparks_of
from qc.report.day_values import (
    clock,
    report_address,
    seconds_of,
    take_faults,
    text_at,
    usable_s,
)
from qc.report.rows import GRADE_WORDS
from qc.report.words import counted, length

__all__ = [
    "DayFindingRow",
    "FaultTag",
    "SkippedRow",
    "TakeLink",
    "TakeRow",
    "day_finding_rows",
    "skipped_rows",
    "take_row",
]

_FAULTS_NAMED = 3
_TAKES_NAMED = 6
_FILES_NAMED = 60
_BASE64 = re.compile(r"[A-Za-z0-9+/]+={0,2}")


@dataclass(frozen=True, slots=True)
class FaultTag:
    """A kind of fault as it stands in a row.

    Attributes
    ----------
    of_day : bool
        Only the whole day shows it, and the take's own grade does not count it.
    """

    label: str
    grade: str
    times: str
    said: str
    of_day: bool = False


@dataclass(frozen=True, slots=True)
class TakeRow:
    """A take in the table; the ``*_order`` texts are what it is sorted by.

    Attributes
    ----------
    href : str
        Its report; empty without one.
    faults : tuple of FaultTag
        The gravest; `more_faults` says how many more kinds there are.
    rules : str
        Ids of all rules it broke, for the filter.
    sign : str
        The grade whose sign it has; ``"unsure"`` if too short to be called clean.
    message : str
        Why it could not be measured.
    usable_share : str
        A CSS length.
    """

    number: int
    name: str
    href: str
    poster: str
    grade: str
    sign: str
    grade_word: str
    grade_order: int
    faults: tuple[FaultTag, ...]
    more_faults: str
    fault_order: int
    rules: str
    message: str
    usable: str
    total: str
    usable_share: str
    usable_order: str
    start: str
    start_note: str
    start_order: str
    camera: str
    sparks: tuple[Spark | None, Spark | None, Spark | None]


def take_row(
    number: int,
    take: DayTake,
    findings: Iterable[DayFinding],
    limits: Limits,
    times: Times,
    *,
    camera: str,
    stills: bool,
) -> TakeRow:
    """Return a take as it stands in the table.

    Parameters
    ----------
    findings : iterable of DayFinding
        What only the day shows of this take.
    """
    document = take.document
    faults = take_faults(take, findings)
    whole, usable = seconds_of(document), usable_s(document)
    start, note, order = _start(take, times)
    more = len(faults) - _FAULTS_NAMED
    return TakeRow(
        number=number,
        name=take.name,
        href="" if take.folder is None else report_address(take.folder),
        poster=_poster(take) if stills else "",
        grade=take.grade.value,
        sign="unsure" if take.too_short else take.grade.value,
        grade_word=_grade_word(take),
        # As in the list of takes: what could not be judged stands before what is clean.
        grade_order=max(take.grade.rank, Grade.NOTE.rank * take.too_short),
        faults=tuple(
            FaultTag(
                f.label,
                f.grade.value,
                f"× {f.count}" if f.count > 1 else "",
                f"{f.grade.value}, {counted(f.count, 'finding')}",
                f.rule.startswith("day."),
            )
            for f in faults[:_FAULTS_NAMED]
        ),
        more_faults=counted(more, "more kind") if more > 0 else "",
        fault_order=sum(f.count for f in faults if f.grade.rank >= Grade.REVIEW.rank),
        rules=" ".join(f.rule.replace(" ", "_") for f in faults),
        message=_message(take),
        usable=(length(usable) if usable else "none") if take.readable else "–",
        total=length(whole) if take.readable else "",
        usable_share=f"{100 * usable / whole:.1f}%" if whole else "0%",
        usable_order=f"{usable:.3f}" if take.readable else "",
        start=start,
        start_note=note,
        start_order=order,
        camera=camera,
        sparks=sparks_of(document, limits),
    )


def _grade_word(take: DayTake) -> str:
    """Return the grade; where the take's own report says more, the gist of it.

    A long word in every row of a day would make sorting slow.
    """
    if take.too_short:
        return "Too short to judge all"
    return GRADE_WORDS[take.grade]


def _poster(take: DayTake) -> str:
    data = text_at(take.document, "day", "poster")
    return f"data:image/jpeg;base64,{data}" if _BASE64.fullmatch(data) else ""


def _message(take: DayTake) -> str:
    """Return why a take could not be measured, without the long way to its file."""
    if take.readable:
        return ""
    message = text_at(take.document, "message") or "It could not be measured."
    path = text_at(take.document, "take", "path")
    return message.removeprefix(f"{path}: ") if path else message


def _start(take: DayTake, times: Times) -> tuple[str, str, str]:
    """Return the timecode a take starts at, its time of day, and its order."""
    timecode = text_at(take.document, "take", "start_timecode")
    if text_at(take.document, "take", "timecode_source") in ("", "none"):
        timecode = ""
    if take.name not in times:
        return timecode, "", timecode
    start = times[take.name][0]
    moment = clock(start, fine=True)
    # Where they agree, one of them says it all.
    note = "" if timecode.startswith(moment) else moment
    return timecode, note, f"{start:.3f}"


# ---------------------------------------------------------------- the day's findings


@dataclass(frozen=True, slots=True)
class TakeLink:
    """A take that another table names."""

    name: str
    href: str


@dataclass(frozen=True, slots=True)
class DayFindingRow:
    """Something that only the whole day shows."""

    label: str
    grade: str
    grade_word: str
    takes: tuple[TakeLink, ...]
    more_takes: str
    when: str
    message: str
    advice: str


def day_finding_rows(
    findings: Iterable[DayFinding], numbers: Mapping[str, int]
) -> tuple[DayFindingRow, ...]:
    """Return the day's findings as they stand in their table."""
    out = []
    for finding in findings:
        more = len(finding.takes) - _TAKES_NAMED
        links = tuple(
            TakeLink(name, f"#t{numbers[name]}" if name in numbers else "")
            for name in finding.takes[: _TAKES_NAMED if more > 1 else None]
        )
        out.append(
            DayFindingRow(
                label=fault_label(finding.rule),
                grade=finding.grade.value,
                grade_word=GRADE_WORDS[finding.grade],
                takes=links,
                more_takes=counted(more, "more take") if more > 1 else "",
                when=_when(finding),
                message=finding.message,
                advice=finding.advice,
            )
        )
    return tuple(out)


def _when(finding: DayFinding) -> str:
    if finding.start is None:
        return ""
    start = clock(finding.start, fine=True)
    if finding.end is None or finding.end <= finding.start:
        return start
    return f"{start} to {clock(finding.end, fine=True)}"


# ------------------------------------------------------------------ not measured


@dataclass(frozen=True, slots=True)
class SkippedRow:
    """Files that were not measured for one reason."""

    reason: str
    count: str
    names: tuple[str, ...]
    more: str


def skipped_rows(skipped: Sequence[Skipped]) -> tuple[SkippedRow, ...]:
    """Return the files that were not measured, by reason."""
    groups: dict[str, list[str]] = {}
    for file in skipped:
        groups.setdefault(file.reason, []).append(file.name)
    return tuple(
        SkippedRow(
            reason=reason,
            count=counted(len(names), "file"),
            names=tuple(names[:_FILES_NAMED]),
            more=(
                f"and {counted(len(names) - _FILES_NAMED, 'more file')}"
                if len(names) > _FILES_NAMED
                else ""
            ),
        )
        for reason, names in groups.items()
    )
