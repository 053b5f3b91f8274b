"""What stands on the page of a day: frozen records, made without any HTML."""

from __future__ import annotations

import datetime
import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import PurePath

from qc import __version__
from qc.daybook import DayFinding, DayResult, DayTake
from qc.limits import Limits
from qc.measures import all_options
from qc.records import Grade
from qc.report.day_drift import Drift, drift_of
from qc.report.day_facts import day_order, fault_label
from qc.report.day_line import DayLine, Times, day_line, known_times
from qc.report.day_rows import (
    DayFindingRow,
    SkippedRow,
    TakeRow,
    day_finding_rows,
    skipped_rows,
    take_row,
)
from qc.report.day_values import (
    DayTotals,
    across_takes,
    clock,
    copies_of,
    day_totals,
    figure,
    take_faults,
    text_at,
    too_short_among,
)
from qc.report.facts import Fact
from qc.report.figures import LimitRow, limit_rows
from qc.report.plainly import Plain, plainly
from qc.report.words import counted, grouped, length

__all__ = ["Count", "DayPage", "FaultChoice", "day_page_of"]

_ADVICE_FIRST = 3
# How `qc.day.clock` names times that only the file system tells.
_TIME_OF_FILE = "time of the file"
_KINDS_NAMED = 3
# How many takes have a grade, in the words of a list.
_COUNT_WORDS = {
    Grade.CLEAN: "clean",
    Grade.REVIEW: "to review",
    Grade.REJECT: "rejected",
    Grade.UNREADABLE: "unreadable",
}


@dataclass(frozen=True, slots=True)
class Count:
    """How many takes have a grade; `more` says what the word alone would hide."""

    grade: str
    word: str
    number: str
    more: str = ""


@dataclass(frozen=True, slots=True)
class FaultChoice:
    """A fault to filter by."""

    rule: str
    label: str
    takes: str


@dataclass(frozen=True, slots=True)
class DayPage:
    """Everything on the page."""

    name: str
    title: str
    headline: tuple[str, ...]
    complete: bool
    counts: tuple[Count, ...]
    across: Count | None
    why: str
    usable: str
    usable_share: str
    usable_notes: tuple[str, ...]
    advice: tuple[Plain, ...]
    more_advice: tuple[Plain, ...]
    findings: tuple[DayFindingRow, ...]
    line: DayLine
    drift: Drift
    takes: tuple[TakeRow, ...]
    by_time: bool
    order: str
    choices: tuple[FaultChoice, ...]
    has_posters: bool
    has_cameras: bool
    stills: bool
    skipped: tuple[SkippedRow, ...]
    coverage: tuple[Fact, ...]
    reading: tuple[str, ...]
    changed_limits: tuple[LimitRow, ...]
    limits_from: str
    version: str
    written: str


def day_page_of(
    result: DayResult,
    limits: Limits,
    *,
    stills: bool,
    times: Times,
    cameras: Mapping[str, str],
    written: datetime.datetime,
) -> DayPage:
    """Return what stands on the page of a day.

    Parameters
    ----------
    stills : bool
        False leaves out the small pictures of the takes.
    times, cameras : mappings by take name
        Empty where nothing is known of them.
    """
    times = known_times(times)
    numbered = list(enumerate(day_order(replace(result, times=times)), 1))
    numbers = {t.name: n for n, t in numbered}
    of_take: dict[str, list[DayFinding]] = {}
    for finding in result.findings:
        for name in finding.takes:
            of_take.setdefault(name, []).append(finding)
    rows = tuple(
        take_row(
            n,
            t,
            of_take.get(t.name, ()),
            limits,
            times,
            camera=cameras.get(t.name, ""),
            stills=stills,
        )
        for n, t in numbered
    )
    totals = day_totals(result.takes, result.findings, result.skipped)
    line = day_line(numbered, result.findings, times, cameras)
    counts, across = _counts(totals), _across(totals)
    return DayPage(
        name=result.folder.name or "Day",
        title=", ".join(
            f"{c.number} {c.word}{c.more}"
            for c in (*counts, across)
            if c is not None and c.number != "0"
        ),
        headline=tuple(_headline(line, times, totals, len(rows), cameras)),
        complete=result.complete,
        counts=counts,
        across=across,
        why=_why(result, totals.grades.get(Grade.UNREADABLE, 0)),
        usable=_usable(totals),
        usable_share=_share(totals),
        usable_notes=tuple(_usable_notes(totals)),
        advice=tuple(map(plainly, result.advice[:_ADVICE_FIRST])),
        more_advice=tuple(map(plainly, result.advice[_ADVICE_FIRST:])),
        findings=day_finding_rows(result.findings, numbers),
        line=line,
        drift=drift_of(numbered, line.axis, times, cameras, limits),
        takes=rows,
        by_time=bool(times),
        order=_order(result.takes, times),
        choices=_choices(result.takes, of_take),
        has_posters=any(row.poster for row in rows),
        has_cameras=any(row.camera for row in rows),
        stills=stills,
        skipped=skipped_rows(result.skipped),
        coverage=_coverage(result),
        reading=tuple(_reading(result.takes, times)),
        changed_limits=tuple(r for r in limit_rows(limits, all_options()) if r.changed),
        limits_from=PurePath(str(getattr(limits, "source", "built-in"))).name,
        version=__version__,
        written=written.strftime("%Y-%m-%d %H:%M %Z").strip(),
    )


# -------------------------------------------------------------------- the verdict


def _counts(totals: DayTotals) -> tuple[Count, ...]:
    # A take with notes only is clean.
    numbers = Counter(totals.grades)
    numbers[Grade.CLEAN] += numbers.pop(Grade.NOTE, 0)
    too_short = too_short_among(totals.too_short)
    return tuple(
        Count(
            grade.value,
            word,
            grouped(numbers[grade]),
            too_short if grade is Grade.CLEAN else "",
        )
        for grade, word in _COUNT_WORDS.items()
    )


def _across(totals: DayTotals) -> Count | None:
    """Return what is to be looked at that no take's grade counts."""
    if not totals.across:
        return None
    worst = max(totals.across, key=lambda g: g.rank)
    number = grouped(len(totals.across))
    return Count(worst.value, across_takes(totals.across), number)


def _headline(
    line: DayLine,
    times: Times,
    totals: DayTotals,
    takes: int,
    cameras: Mapping[str, str],
) -> Iterable[str]:
    if line.lanes:
        # When a file was copied is no hour of work: it counts only where it is all
        # that is known.
        sure = [t for t in times.values() if not t[2].startswith(_TIME_OF_FILE)]
        spans = sure or list(times.values())
        first, last = min(s for s, _, _ in spans), max(e for _, e, _ in spans)
        yield f"{clock(first)} to {clock(last)}"
    yield counted(takes, "take")
    once = ", copies counted once" if totals.copies else ""
    yield f"{length(totals.recorded_s)} recorded{once}"
    known = {c for c in cameras.values() if c}
    if len(known) > 1:
        yield counted(len(known), "camera")


def _originals(result: DayResult) -> list[DayTake]:
    """Return the takes without copies, as the times of the page count them."""
    copies = copies_of(result.findings)
    return [take for take in result.takes if take.name not in copies]


def _why(result: DayResult, unreadable: int) -> str:
    """Return which faults most takes have that are not clean."""
    takes = _originals(result)
    if not takes and not unreadable:
        return "No recording was found."
    found: Counter[str] = Counter()
    for take in takes:
        for fault in take_faults(take, ()):
            if fault.grade.rank >= Grade.REVIEW.rank:
                found[fault_label(fault.rule)] += 1
    if not found:
        where = "the takes that could be read" if unreadable else "any take"
        # Told here too: the counts above are of takes, and such a day is not clean.
        across = sum(f.grade.rank >= Grade.REVIEW.rank for f in result.findings)
        if across:
            seen = "Across takes there is something to look at, see below."
            return f"No limit was broken in {where} by itself. {seen}"
        return f"No limit was broken in {where}."
    named = [
        f"{label.lower()} ({counted(n, 'take')})"
        for label, n in found.most_common(_KINDS_NAMED)
    ]
    more = len(found) - _KINDS_NAMED
    rest = f" and {counted(more, 'more kind')} of fault" if more > 0 else ""
    often = " most often" if max(found.values()) > 1 else ""
    return f"Found{often}: {', '.join(named)}{rest}."


def _usable(totals: DayTotals) -> str:
    if not totals.recorded_s:
        return "Nothing could be read."
    usable, recorded = length(totals.usable_s), length(totals.recorded_s)
    if usable == recorded and totals.grades.get(Grade.UNREADABLE):
        return f"All that could be read is usable: {recorded}."
    if usable == recorded and totals.too_short:
        return f"All of it is usable as far as it could be judged: {recorded}."
    if usable == recorded:
        return f"All of it is usable: {recorded}."
    if not totals.usable_s:
        return f"None of {recorded} is usable without a second look."
    return f"Usable: {usable} of {recorded}."


def _share(totals: DayTotals) -> str:
    if not totals.recorded_s:
        return ""
    return f"{100 * totals.usable_s / totals.recorded_s:.1f}%"


def _usable_notes(totals: DayTotals) -> Iterable[str]:
    if totals.copies:
        copies = counted(totals.copies, "copy", "copies")
        yield f"Left out of these times: {copies} of another take."
    unreadable = totals.grades.get(Grade.UNREADABLE, 0)
    if unreadable and totals.recorded_s:
        takes = counted(unreadable, "unreadable file")
        yield f"Left out of these times: {takes}, of unknown length."


def _order(takes: Sequence[DayTake], times: Times) -> str:
    """Return in which order the table holds the takes."""
    untimed = sum(take.name not in times for take in takes)
    if not untimed:
        return "in order of time"
    if untimed == len(takes):
        return "by name"
    return (
        f"in order of time, and behind them by name {untimed} whose time is not known"
    )


def _choices(
    takes: Iterable[DayTake], of_take: Mapping[str, list[DayFinding]]
) -> tuple[FaultChoice, ...]:
    """Return every fault of the day with how many takes have it, most first."""
    found: Counter[str] = Counter()
    for take in takes:
        found.update({f.rule for f in take_faults(take, of_take.get(take.name, ()))})
    return tuple(
        FaultChoice(rule.replace(" ", "_"), fault_label(rule), grouped(n))
        for rule, n in sorted(found.items(), key=lambda f: (-f[1], f[0]))
    )


# ------------------------------------------------------------------ how it was read


def _coverage(result: DayResult) -> tuple[Fact, ...]:
    takes = [t for t in result.takes if t.readable]

    def total(name: str) -> float:
        return math.fsum(figure(t.document, "coverage", name) or 0.0 for t in takes)

    facts = [
        Fact("Folder", result.folder.name),
        Fact("Takes measured", f"{grouped(len(takes))} of {len(result.takes)}"),
        Fact("Frames measured", grouped(int(total("frames_read")))),
        Fact("Frames damaged", grouped(int(total("frames_damaged")))),
        Fact("Frames missing", grouped(int(total("frames_missing")))),
        Fact("Sound measured", length(total("sound_read_s"))),
        Fact("Time this run took", length(result.elapsed_s)),
    ]
    if errors := int(total("decode_errors")):
        facts.insert(-1, Fact("Errors while decoding", grouped(errors)))
    versions = {text_at(t.document, "tool", "version") for t in result.takes} - {""}
    if versions - {__version__}:
        facts.append(Fact("Measured by versions", ", ".join(sorted(versions))))
    return tuple(facts)


def _reading(takes: Iterable[DayTake], times: Times) -> Iterable[str]:
    readable = [t.document for t in takes if t.readable]
    spot = sum(1 for d in readable if text_at(d, "coverage", "mode") == "spot")
    if spot:
        yield (
            f"{counted(spot, 'take')} only spot-checked: what lies between the places "
            "that were looked at is not known."
        )
    if len(readable) > spot:
        yield (
            "Every frame and every sample that could be decoded was measured; the "
            "report of each take says how."
        )
    bases = Counter(basis for _, _, basis in times.values())
    if bases:
        said = ", ".join(f"{counted(n, 'take')} by {b}" for b, n in bases.most_common())
        yield f"Times of day: {said}."
    else:
        yield "The files do not tell at what time of day they were recorded."
