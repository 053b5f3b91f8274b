"""What a person sees in the terminal: the verdict first, then what to do."""

from __future__ import annotations

import sys
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING

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
    "day_progress",
    "print_day",
    "print_take",
    "print_total",
    "printable",
    "progress",
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
_NOT_USABLE = ", nothing usable without a second look"
# The report has all of them.
_NOTES_SHOWN = 3


def printable(text: str) -> str:
    """Return text without characters that would steer a terminal.

    Examples
    --------
    >>> printable("a" + chr(27) + "b") == "a" + chr(92) + "x1b" + "b"
    True
    """
    return "".join(
        c if c.isprintable() or c == "\N{NO-BREAK SPACE}" else repr(c)[1:-1]
        for c in text
    )


def _console(*, stderr: bool = False) -> Console:
    # Piped output is not folded: whoever reads it wants whole lines.
    stream = sys.stderr if stderr else sys.stdout
    width = None if stream.isatty() else 10_000
    return Console(stderr=stderr, width=width, highlight=False)


def print_take(result: TakeResult, folder: Path) -> None:
    """Print a take's summary to standard output."""
    console = _console()
    wrap = console.is_terminal
    spot = result.coverage.spot
    head = _head(result)
    head.append(f"  {printable(result.info.name)}", style="bold")
    head.append(f"  {_extent(result)}")
    console.print(head, soft_wrap=not wrap)
    if spot is not None:
        from qc.report.spotwords import summary_sentences

        for sentence in summary_sentences(result):
            _indented(console, Text(sentence), wrap)
    for sentence in result.advice:
        _indented(console, Text(f"→ {sentence}"), wrap)
    for line in _finding_lines(result):
        _indented(console, line, wrap)
    if result.usable and result.findings:
        best = result.usable[0]
        grid = result.info.grid
        from qc.report.words import length

        text = (
            f"longest usable stretch {grid.label(best.start_frame)} to "
            f"{grid.label(best.end_frame)}, {length(best.duration)}"
        )
        _indented(console, Text(text), wrap)
    if spot is not None:
        from qc.report.spotwords import left_out

        if text := left_out(result):
            _indented(console, Text(text), wrap)
    for note in result.notes[:_NOTES_SHOWN]:
        _indented(console, Text(note, style="dim"), wrap)
    more = len(result.notes) - _NOTES_SHOWN
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
    from qc.report.words import length

    coverage = result.coverage
    long = length(result.duration)
    spot = coverage.spot
    partial = spot is not None and spot.reading != "everything"
    frames = f"{coverage.frames_read} frames, " if result.info.video else ""
    count = len(result.findings)
    found = f"{count} finding{'s' * (count != 1)}" if count else "no findings"
    if partial:
        return f"{long} long, {found} in what was seen"
    usable = sum((u.duration for u in result.usable), Fraction(0))
    share = ""
    if count:
        share = f", {length(usable)} usable" if usable else _NOT_USABLE
    return f"{frames}{long}, {found}{share}"


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
    from qc.report.stills import excess

    grid = result.info.grid
    worst = max(group, key=lambda f: (excess(f.worst, f.limit), f.duration))
    last = max(f.end_frame for f in group)
    line = Text(f"{_SIGN[worst.grade]} ", style=_STYLE[worst.grade])
    line.append(
        f"{grid.label(group[0].start_frame)} to {grid.label(last)}",
        style="default not bold",
    )
    line.append(f"  {labels.get(worst.rule, worst.rule)}", style="bold")
    if len(group) > 1:
        line.append(
            f", {len(group)} times, the worst at {grid.label(worst.worst_frame)}",
            style="default not bold",
        )
    line.append(": ", style="bold")
    line.append(printable(worst.message), style="default not bold")
    return line


def _takes(number: int) -> str:
    return f"{number} take{'s' * (number != 1)}"


def print_total(takes: int, *, failed: int) -> None:
    """Print a closing line after several takes."""
    tail = f"; {failed} of them could not be done, see above" if failed else ""
    _console().print(Text(f"{_takes(takes)}{tail}"), soft_wrap=True)


@contextmanager
def progress(
    path: Path, number: int, total: int, *, quiet: bool
) -> Iterator[Progress | None]:
    """Show how far a take is measured: a bar, or two lines where nobody looks.

    Yields
    ------
    function of (TakeInfo, seconds), or None when quiet
    """
    if quiet:
        yield None
        return
    name = printable(path.name)
    which = f"{number}/{total} " if total > 1 else ""
    console = _console(stderr=True)
    if not console.is_terminal:
        begun = False
        began = time.monotonic()

        def say(info: TakeInfo, position: Fraction) -> None:
            nonlocal begun
            if not begun:
                console.print(Text(f"qc: {which}measuring {name}"), soft_wrap=True)
                begun = True

        yield say
        if begun:  # what cannot be opened is an error, and was not measured
            seconds = time.monotonic() - began
            console.print(Text(f"qc: {which}{name}: {seconds:.1f} s"), soft_wrap=True)
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
    began = time.monotonic()
    last = 0.0
    with bar:
        task = bar.add_task(f"{which}{name}", total=None, rate="")

        def tell(info: TakeInfo, position: Fraction) -> None:
            nonlocal last
            now = time.monotonic()
            if now - last < 0.1:
                return
            last = now
            speed = float(position) / max(now - began, 1e-3)
            length = None if info.duration is None else float(info.duration)
            bar.update(
                task, completed=float(position), total=length, rate=f"{speed:.1f}x"
            )

        yield tell


def print_day(result: DayResult) -> None:
    """Print a day's summary to standard output."""
    console = _console()
    wrap = console.is_terminal
    counts = Counter(take.grade for take in result.takes)
    head = Text(printable(result.folder.name), style="bold")
    for grade in (Grade.CLEAN, Grade.REVIEW, Grade.REJECT, Grade.UNREADABLE):
        head.append("  ")
        head.append(
            f"{_SIGN.get(grade, '×')} {counts[grade]} {grade.value}",
            style=_STYLE.get(grade, "bold magenta"),
        )
    if not result.takes:
        head.append("  no recordings found")
    console.print(head, soft_wrap=not wrap)
    for sentence in result.advice:
        _indented(console, Text(f"→ {printable(sentence)}"), wrap)
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
        console.print(Text(line), soft_wrap=True)

    yield tell
