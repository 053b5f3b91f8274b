"""What a person sees in the terminal: the verdict first, then what to do."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from qc.measures import rule_labels
from qc.records import Finding, Grade, TakeInfo, TakeResult

if TYPE_CHECKING:
    from qc.day import Told
    from qc.daybook import DayResult, DayTake, Job
    from qc.pipeline import Progress

__all__ = [
    "TotalLine",
    "day_progress",
    "print_day",
    "print_take",
    "print_total",
    "printable",
    "progress",
    "total_line",
]

_SHOWN_FINDINGS = 8
_STYLE = {
    Grade.CLEAN: "bold green",
    Grade.NOTE: "cyan",
    Grade.REVIEW: "bold yellow",
    Grade.REJECT: "bold red",
}
_SIGN = {
    Grade.CLEAN: "●",
    Grade.NOTE: "·",
    Grade.REVIEW: "▲",
    Grade.REJECT: "■",
}
_UNKNOWN = "○"
# The report has all of them.
_NOTES_SHOWN = 3
# What is true of nearly every take is for the report alone.
_REPORT_ONLY = ("A spot that lay on the lens from the start could not be looked for",)


def printable(text: str) -> str:
    """Return text without characters that would steer a terminal.

    Examples
    --------
    >>> printable("a" + chr(27) + "b") == "a" + chr(92) + "x1b" + "b"
    True
    """
    from qc.report.words import spelled_out

    return "".join(
        c if c.isprintable() or c == "\N{NO-BREAK SPACE}" else repr(c)[1:-1]
        for c in spelled_out(text)
    )


def _console(*, stderr: bool = False) -> Console:
    # Piped output is not folded: whoever reads it wants whole lines.
    stream = sys.stderr if stderr else sys.stdout
    width = None if stream.isatty() else 10_000
    return Console(stderr=stderr, width=width, highlight=False)


def print_take(result: TakeResult, folder: Path, *, name: str = "") -> None:
    """Print a take's summary to standard output.

    Parameters
    ----------
    name : str
        What tells it from takes of the same name; its own if left out.
    """
    from qc.report.plainly import plainly
    from qc.report.unjudged import is_too_short, too_short_sentence

    console = _console()
    wrap = console.is_terminal
    spot = result.coverage.spot
    head = _head(result)
    head.append(f"  {printable(name or result.info.name)}", style="bold")
    head.append(f"  {_extent(result)}")
    console.print(head, soft_wrap=not wrap)
    if spot is not None:
        from qc.report.spotwords import summary_sentences

        for sentence in summary_sentences(result):
            _indented(console, Text(sentence), wrap)
    if is_too_short(result):
        _indented(console, Text(too_short_sentence(result)), wrap)
    for sentence in result.advice:
        _indented(console, Text(f"→ {plainly(sentence).words}"), wrap)
    for line in _finding_lines(result):
        _indented(console, line, wrap)
    if result.usable and result.findings:
        best = result.usable[0]
        from qc.report.axis import spoken_label
        from qc.report.words import length

        text = (
            "longest usable stretch "
            f"{spoken_label(result.info, best.start_frame, best.start)} to "
            f"{spoken_label(result.info, best.end_frame, best.end)}, "
            f"{length(best.duration)}"
        )
        _indented(console, Text(text), wrap)
    if spot is not None:
        from qc.report.spotwords import left_out

        if text := left_out(result):
            _indented(console, Text(text), wrap)
    notes = [note for note in result.notes if not note.startswith(_REPORT_ONLY)]
    for note in notes[:_NOTES_SHOWN]:
        _indented(console, Text(note, style="dim"), wrap)
    # Of all there are, so that page, console and JSON tell the same number.
    more = len(result.notes) - len(notes[:_NOTES_SHOWN])
    if more > 0:
        text = f"{more} more note{'s' * (more > 1)} in the report"
        _indented(console, Text(text, style="dim"), wrap)
    _indented(console, Text(f"report: {printable(str(folder / 'report.html'))}"), wrap)


def _head(result: TakeResult) -> Text:
    from qc.report.spotwords import sees_too_little, verdict_word

    if sees_too_little(result):  # must not look like a clean bill
        return Text(f"{_UNKNOWN} {verdict_word(result, '')}", style="bold")
    grade = result.grade
    word = verdict_word(result, grade.value.upper())
    return Text(f"{_SIGN[grade]} {word}", style=_STYLE[grade])


def _indented(console: Console, text: Text, wrap: bool) -> None:
    if wrap:
        console.print(Padding(text, (0, 0, 0, 2)))
    else:
        console.print(Text("  ") + text, soft_wrap=True)


def _extent(result: TakeResult) -> str:
    from qc.report.words import counted, length

    coverage = result.coverage
    long = length(result.duration)
    spot = coverage.spot
    partial = spot is not None and spot.reading != "everything"
    read = counted(coverage.frames_read, "frame")
    frames = f"{read}, " if result.info.video else ""
    count = len(result.findings)
    # Beside "only a note" it must not sound like more.
    noun = "note" if result.grade is Grade.CLEAN else "finding"
    found = f"{count} {noun}{'s' * (count != 1)}" if count else "no findings"
    if partial:
        return f"{long} long, {found} in what was seen"
    usable = sum((u.duration for u in result.usable), Fraction(0))
    share = ""
    if count:
        share = f", {length(usable)} usable" if usable else _nothing_usable(result)
    return f"{frames}{long}, {found}{share}"


def _nothing_usable(result: TakeResult) -> str:
    """Say it with the shortest stretch that would count, where there is one."""
    least = result.limits.get("judging.usable_min_seconds")
    of = f"of {float(str(least)):g} s or more " if least else ""
    return f", nothing usable {of}without a second look"


def _finding_lines(result: TakeResult) -> Iterator[Text]:
    """Yield a line for each of the gravest findings; many of one kind share one."""
    from qc.report.folds import grouped_findings
    from qc.report.stills import kind_of

    labels = rule_labels()
    groups = grouped_findings(result.findings, kind=kind_of)
    shown = sorted(
        groups,
        key=lambda g: (-g[0].grade.rank, -sum(f.duration for f in g), g[0].start),
    )[:_SHOWN_FINDINGS]
    for group in sorted(shown, key=lambda g: g[0].start):
        yield _finding_line(result, group, labels)
    left = len(result.findings) - sum(len(group) for group in shown)
    if left > 0:
        yield Text(f"and {left} more in the report")


def _finding_line(
    result: TakeResult, group: list[Finding], labels: dict[str, str]
) -> Text:
    from qc.report.axis import spoken_label
    from qc.report.plainly import plainly
    from qc.report.stills import how_bad

    def at(frame: int, seconds: Fraction) -> str:
        return spoken_label(result.info, frame, seconds)

    worst = max(group, key=how_bad)
    last = max(group, key=lambda f: f.end)
    line = Text(f"{_SIGN[worst.grade]} ", style=_STYLE[worst.grade])
    line.append(
        f"{at(group[0].start_frame, group[0].start)} to {at(last.end_frame, last.end)}",
        style="default not bold",
    )
    line.append(f"  {labels.get(worst.rule, worst.rule)}", style="bold")
    if len(group) > 1:
        line.append(
            f", {len(group)} times, the worst at "
            f"{at(worst.worst_frame, worst.worst_at)}",
            style="default not bold",
        )
    line.append(": ", style="bold")
    line.append(printable(plainly(worst.message).words), style="default not bold")
    return line


def _takes(number: int) -> str:
    return f"{number} take{'s' * (number != 1)}"


class TotalLine(NamedTuple):
    """What stands of a take below several: kept, so that the take itself can go.

    Attributes
    ----------
    badness : int
        What takes are put in order by.
    """

    badness: int
    text: Text
    failed: bool


def total_line(name: str, result: TakeResult | None) -> TotalLine:
    """Return what stands of a take below several; None for one that failed."""
    from qc.report.spotwords import sees_too_little

    if result is None:
        line = Text("× UNREADABLE", style="bold magenta")
        line.append(f"  {printable(name)}", style="default not bold")
        return TotalLine(Grade.UNREADABLE.rank, line, failed=True)
    line = _head(result)
    line.append(f"  {printable(name)}", style="default not bold")
    line.append(f"  {_extent(result)}", style="default not bold")
    # What could not be judged stands before what is clean.
    least = Grade.NOTE.rank if sees_too_little(result) else Grade.CLEAN.rank
    return TotalLine(max(result.grade.rank, least), line, failed=False)


def print_total(takes: Sequence[TotalLine]) -> None:
    """Print a line for each of several takes, the worst first, and how many."""
    console = _console()
    failed = sum(take.failed for take in takes)
    tail = f"; {failed} of them could not be done, see above" if failed else ""
    console.print(Text(f"{_takes(len(takes))}{tail}"), soft_wrap=True)
    for take in sorted(takes, key=lambda take: -take.badness):
        _indented(console, take.text, console.is_terminal)


@contextmanager
def progress(
    name: str, number: int, total: int, *, quiet: bool, began: float | None = None
) -> Iterator[Progress | None]:
    """Show how far a take is measured: a bar, or two lines where nobody looks.

    Parameters
    ----------
    began : float, optional
        When the user's wait began, by `time.monotonic`; now, if left out.

    Yields
    ------
    function of (TakeInfo, seconds), or None when quiet
    """
    if quiet:
        yield None
        return
    name = printable(name)
    which = f"{number}/{total} " if total > 1 else ""
    waiting = time.monotonic() if began is None else began
    console = _console(stderr=True)
    if not console.is_terminal:
        begun = False

        def say(info: TakeInfo, position: Fraction) -> None:
            nonlocal begun
            if not begun:
                console.print(Text(f"qc: {which}measuring {name}"), soft_wrap=True)
                begun = True

        yield say
        if begun:  # what cannot be opened is an error, and was not measured
            seconds = time.monotonic() - waiting
            took = f"qc: {which}{name}: took {seconds:.1f} s, report included"
            console.print(Text(took), soft_wrap=True)
        return
    from rich.progress import (
        BarColumn,
        TaskProgressColumn,
        TextColumn,
        TimeRemainingColumn,
    )
    from rich.progress import (
        Progress as Bar,
    )

    bar = Bar(
        TextColumn("{task.description}"),
        BarColumn(),
        TaskProgressColumn(),
        TextColumn("{task.fields[rate]}"),
        TimeRemainingColumn(),
        console=console,
        transient=True,
    )
    measuring = time.monotonic()
    last = 0.0
    with bar:
        task = bar.add_task(f"{which}{name}", total=None, rate="")

        def tell(info: TakeInfo, position: Fraction) -> None:
            nonlocal last
            now = time.monotonic()
            if now - last < 0.1:
                return
            last = now
            speed = float(position) / max(now - measuring, 1e-3)
            length = None if info.duration is None else float(info.duration)
            bar.update(
                task, completed=float(position), total=length, rate=f"{speed:.1f}x"
            )

        yield tell


def print_day(result: DayResult) -> None:
    """Print a day's summary to standard output."""
    from qc.day.wording import names
    from qc.report.day_values import across_takes, day_totals, too_short_among

    console = _console()
    wrap = console.is_terminal
    totals = day_totals(result.takes, result.findings, result.skipped)
    too_short = too_short_among(totals.too_short)
    head = Text(printable(result.folder.name), style="bold")
    for grade in (Grade.CLEAN, Grade.REVIEW, Grade.REJECT, Grade.UNREADABLE):
        head.append("  ")
        head.append(
            f"{_SIGN.get(grade, '×')} {totals.grades.get(grade, 0)} {grade.value}"
            + too_short * (grade is Grade.CLEAN),
            style=_STYLE.get(grade, "bold magenta"),
        )
    if across := totals.across:
        worst = max(across, key=lambda g: g.rank)
        head.append("  ")
        head.append(
            f"{_SIGN[worst]} {len(across)} {across_takes(across)}", style=_STYLE[worst]
        )
    if not result.takes and not any(skipped.lost for skipped in result.skipped):
        head.append("  no recordings found")
    console.print(head, soft_wrap=not wrap)
    from qc.report.plainly import plainly

    for sentence in result.advice:
        _indented(console, Text(f"→ {printable(plainly(sentence).words)}"), wrap)
    for finding in result.findings:
        line = Text(f"{_SIGN[finding.grade]} ", style=_STYLE[finding.grade])
        line.append(printable(finding.message), style="default not bold")
        _indented(console, line, wrap)
    for take in result.takes:
        if not take.readable:
            message = str(take.document.get("message", take.name))
            _indented(console, Text(f"× {printable(message)}"), wrap)
    for skipped in result.skipped:
        if skipped.lost:
            text = Text(f"× {printable(skipped.name)}: {printable(skipped.reason)}")
            _indented(console, text, wrap)
    links = [s.name for s in result.skipped if s.leads_out]
    if links:
        them = "a link leads" if len(links) == 1 else f"{len(links)} links lead"
        told = f"{them} out of the folder, not followed: {names(links)}"
        _indented(console, Text(told), wrap)
    if result.empty:
        return  # there is no report
    count = sum(not skipped.lost for skipped in result.skipped)
    if count:
        _indented(
            console,
            Text(
                f"{count} other file{'s' * (count != 1)} not measured: "
                "listed in the report",
                style="dim",
            ),
            wrap,
        )
    where = printable(str(result.out / "day.html"))
    _indented(console, Text(f"report: {where}"), wrap)


@contextmanager
def day_progress(*, quiet: bool) -> Iterator[Told | None]:
    """Show how far a day is: bars on a terminal, else a line for every take done.

    Yields
    ------
    function for `qc.day.check_day`, or None when quiet
    """
    if quiet:
        yield None
        return
    console = _console(stderr=True)
    if console.is_terminal:
        from qc.daybars import bars

        with bars(console) as told:
            yield told
        return
    done = 0

    def tell(jobs: list[Job], ready: int, take: DayTake | None) -> None:
        nonlocal done
        if take is None:
            done = 0
            console.print(
                Text(f"qc: {_takes(len(jobs))} to measure, {ready} kept from before"),
                soft_wrap=True,
            )
            return
        done += 1
        line = f"qc: {done}/{len(jobs)} {printable(take.name)}: {take.grade.value}"
        line += ", but too short to judge all" * take.too_short
        console.print(Text(line), soft_wrap=True)

    yield tell
