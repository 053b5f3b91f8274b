"""What stands on the page of one take: frozen records, made without any HTML."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from qc import __version__
from qc.measures import all_measures, all_options, rule_labels
from qc.records import Grade, TakeResult
from qc.report.facts import Fact, coverage_facts, coverage_sentence, file_facts
from qc.report.figures import Figures, LimitRow, figures, limit_rows
from qc.report.plots import plots_of
from qc.report.rows import (
    GRADE_WORDS,
    FindingRow,
    KindRow,
    by_kind,
    finding_rows,
    kind_rows,
    time_of,
)
from qc.report.stills import Stills, take_stills, worst_first
from qc.report.strips import Strip, strip_of
from qc.report.timefigure import Plot
from qc.report.words import counted, length

__all__ = ["Method", "Page", "UsableRow", "Verdict", "page_of"]

MOST_ROWS = 600
"""Findings in the table; a page must open on any computer."""
_ADVICE_FIRST = 3
_KINDS_NAMED = 3


@dataclass(frozen=True, slots=True)
class Verdict:
    """How the take stands, for somebody who reads nothing else."""

    grade: str
    word: str
    why: str
    usable: str
    coverage: str
    spot: bool
    advice: tuple[str, ...]
    more_advice: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class UsableRow:
    """A stretch that may be used."""

    start: str
    end: str
    duration: str
    frames: str


@dataclass(frozen=True, slots=True)
class Method:
    """How a measure measures."""

    label: str
    method: str
    source: str


@dataclass(frozen=True, slots=True)
class Page:
    """Everything on the page."""

    name: str
    start: str
    end: str
    duration: str
    headline: str
    verdict: Verdict
    notes: tuple[str, ...]
    usable: tuple[UsableRow, ...]
    strip: Strip
    kinds: tuple[KindRow, ...]
    findings: tuple[FindingRow, ...]
    findings_left_out: str
    has_channels: bool
    stills: Stills
    stills_note: str
    with_pictures: bool
    plots: tuple[Plot, ...]
    facts: tuple[Fact, ...]
    assumed: tuple[str, ...]
    left_out: tuple[str, ...]
    coverage: tuple[Fact, ...]
    figures: tuple[Figures, ...]
    methods: tuple[Method, ...]
    limits: tuple[LimitRow, ...]
    limits_from: str
    version: str
    written: str


def page_of(result: TakeResult, *, stills: bool, written: datetime.datetime) -> Page:
    """Return what stands on the page of a take.

    Parameters
    ----------
    stills : bool
        False leaves out every picture of the recording.
    written : datetime
        When the report is written, for its foot.
    """
    measures, labels = all_measures(), rule_labels()
    names = [m.name for m in measures]
    numbers = list(enumerate(result.findings, 1))
    if len(numbers) > MOST_ROWS:
        numbers = sorted(worst_first(numbers)[:MOST_ROWS])
    pictures = take_stills(result, measures, numbers) if stills else Stills()
    grid = result.info.grid
    left_out = len(result.findings) - len(numbers)
    return Page(
        name=result.info.name,
        start=result.info.start_timecode,
        end=grid.label(grid.nearest(result.duration)),
        duration=length(result.duration),
        headline=_headline(result),
        verdict=_verdict(result, labels),
        notes=result.notes,
        usable=_usable(result),
        strip=strip_of(result, measures, numbers, labels),
        kinds=kind_rows(result, labels),
        findings=finding_rows(result, numbers, labels, pictures),
        findings_left_out=(
            f"{counted(left_out, 'further finding')}, less grave or shorter than "
            "these, are in findings.csv beside this report."
            if left_out
            else ""
        ),
        has_channels=any(f.channel is not None for _, f in numbers),
        stills=pictures,
        stills_note=_stills_note(result, pictures, stills=stills),
        with_pictures=pictures.poster is not None or bool(pictures.by_number),
        plots=plots_of(result),
        facts=file_facts(result.info),
        assumed=result.info.assumed,
        left_out=result.info.left_out,
        coverage=coverage_facts(result),
        figures=figures(result, measures),
        methods=tuple(Method(m.label, m.method, m.source) for m in measures),
        limits=limit_rows(
            result.limits,
            [o for o in all_options() if o.section in (*names, "judging")],
        ),
        # The file's name alone: folders may tell who works here.
        limits_from=Path(str(getattr(result.limits, "source", "built-in"))).name,
        version=__version__,
        written=written.strftime("%Y-%m-%d %H:%M %Z").strip(),
    )


# ---------------------------------------------------------------------- the verdict


def _headline(result: TakeResult) -> str:
    """Return the few facts that tell one take from another."""
    video = result.info.video
    if video is None:
        channels = sum(t.channels for t in result.info.audio)
        return f"sound only, {counted(channels, 'channel')}"
    rate = f"{float(video.frame_rate):.2f}".rstrip("0").rstrip(".")
    kind = {"hlg": ", HLG", "pq": ", PQ"}.get(video.signal.transfer, "")
    return (
        f"{video.width} × {video.height}, {rate} frames a second, "
        f"{video.signal.bit_depth} bits{kind}"
    )


def _verdict(result: TakeResult, labels: Mapping[str, str]) -> Verdict:
    return Verdict(
        grade=result.grade.value,
        word=GRADE_WORDS[result.grade],
        why=_why(result, labels),
        usable=_usable_sentence(result),
        coverage=coverage_sentence(result),
        spot=result.coverage.mode == "spot",
        advice=result.advice[:_ADVICE_FIRST],
        more_advice=result.advice[_ADVICE_FIRST:],
    )


def _why(result: TakeResult, labels: Mapping[str, str]) -> str:
    if not result.findings:
        return "No limit was broken."
    if result.grade is Grade.CLEAN:
        notes = counted(len(result.findings), "note")
        return f"{notes} to know of; nothing that keeps the take from being used."
    opening = {
        Grade.REVIEW: "Look at the marked places before you use this take",
        Grade.REJECT: "Not usable as it is at the marked places",
    }.get(result.grade, "See the findings")
    gravest = [f for f in result.findings if f.grade is result.grade]
    kinds = sorted(by_kind(gravest).items(), key=lambda kind: -time_of(kind[1]))
    parts = [
        f"{labels.get(rule, rule).lower()} ({length(time_of(group))})"
        for rule, group in kinds[:_KINDS_NAMED]
    ]
    if len(kinds) > _KINDS_NAMED:
        parts.append(f"{counted(len(kinds) - _KINDS_NAMED, 'more kind')} of fault")
    return f"{opening}: {', '.join(parts)}."


def _usable_sentence(result: TakeResult) -> str:
    usable = sum((r.duration for r in result.usable), Fraction(0))
    whole = length(result.duration)
    if not usable:
        return "No stretch is long enough to use without a second look."
    if len(result.usable) == 1 and usable >= result.duration * Fraction(999, 1000):
        return f"All of it is usable: {whole}."
    stretches = counted(len(result.usable), "stretch", "stretches")
    return f"Usable: {length(usable)} of {whole}, in {stretches}."


def _usable(result: TakeResult) -> tuple[UsableRow, ...]:
    grid = result.info.grid
    return tuple(
        UsableRow(
            start=grid.label(r.start_frame),
            end=grid.label(r.end_frame),
            duration=length(r.duration),
            frames=counted(r.end_frame - r.start_frame, "frame"),
        )
        for r in result.usable
    )


def _stills_note(result: TakeResult, pictures: Stills, *, stills: bool) -> str:
    if not stills:
        return (
            "Written without pictures: no frame of the recording is in this report. "
            "The curves remain."
        )
    if result.info.video is None:
        return "There is no picture in this recording."
    return pictures.note
