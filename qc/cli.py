"""The command ``qc``: each command builds limits, makes one call, prints, returns."""

from __future__ import annotations

import argparse
import json
import os
import re
import sys
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from difflib import get_close_matches
from enum import IntEnum
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn, TypeAlias

import qc
from qc.arguments import (
    EXAMPLES,
    add_day,
    add_shared,
    command_meant,
    path,
    seconds,
)
from qc.ended import Ended, ends_in_order
from qc.errors import QCError, UsageError
from qc.output import began, guard_streams

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from qc.limits import Limits
    from qc.pipeline import Progress
    from qc.records import TakeFailure, TakeResult

__all__ = ["ExitCode", "main"]


class ExitCode(IntEnum):
    """What the command's exit code means."""

    CLEAN = 0  # done, no finding at or over --fail-on
    FINDINGS = 1  # done, findings at or over --fail-on
    FAILED = 2  # something could not be done; wins over 1
    INTERRUPTED = 130  # Ctrl-C
    ENDED = 143  # SIGTERM: by the system, or from outside


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command and return its exit code."""
    # Before numpy: matrices here are small, and every core has a decoder's thread.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    output = guard_streams()
    # The user's wait includes the start of the interpreter.
    waiting = began() if arguments is None else time.monotonic()
    given = sys.argv[1:] if arguments is None else arguments
    if not given:
        _parser().error(f"the following arguments are required: COMMAND\n{EXAMPLES}")
    if meant := command_meant(given[0]):
        _parser().error(f"{given[0]} is no command; did you mean: {meant}?")
    options, unknown = _parser().parse_known_args([_plain(text) for text in given])
    options.began = waiting
    if unknown:
        _refuse(options.command, unknown)
    try:
        with ends_in_order():
            code = int(options.run(options))
    except QCError as error:
        _complain(str(error))
        return ExitCode.FAILED
    except KeyboardInterrupt as wish:
        # A day keeps what is measured; other commands begin anew.
        again = "; run it again to go on" if options.command.prog == "qc day" else ""
        what = "ended from outside" if isinstance(wish, Ended) else "interrupted"
        _tell(f"{what}; reports already written are complete{again}")
        return ExitCode.ENDED if isinstance(wish, Ended) else ExitCode.INTERRUPTED
    output.flush()
    if output.error is not None and not isinstance(output.error, BrokenPipeError):
        _complain(f"the output could not be written: {output.error.strerror}")
        return ExitCode.FAILED
    return code


def _refuse(command: argparse.ArgumentParser, unknown: Sequence[str]) -> NoReturn:
    """End with what is not understood, and which option was perhaps meant."""
    known = sorted(set(re.findall(r"--[a-z][a-z-]*", command.format_help())))
    names = [text.partition("=")[0] for text in unknown if text.startswith("--")]
    close = [c for name in names for c in get_close_matches(name, known, n=1)]
    meant = f"; did you mean {close[0]}?" if close else ""
    command.error(f"not understood: {' '.join(unknown)}{meant}")


def _plain(text: str) -> str:
    """Return an argument; a file whose name begins with a hyphen is no option."""
    named = text.startswith("-") and "." in text and os.path.isfile(text)  # noqa: PTH113
    return os.path.join(os.curdir, text) if named else text  # noqa: PTH118


def _complain(message: str) -> None:
    _tell(f"error: {message}")


def _tell(message: str) -> None:
    from qc.console import printable

    print(f"qc: {printable(message)}", file=sys.stderr)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="qc",
        description="Measure recordings frame by frame and sample by sample, and say "
        "at which\ntimecodes they are not usable, why, and what to change at the rig.",
        epilog=f"{EXAMPLES}\n\nExit code: 0 nothing at or over --fail-on, 1 something "
        "was, 2 something could not\nbe done, 130 interrupted, 143 ended from outside. "
        "Nothing leaves this machine\nwithout --cluster.",
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser.add_argument("--version", action="version", version=f"qc {qc.__version__}")
    commands = parser.add_subparsers(metavar="COMMAND", required=True)
    take = commands.add_parser(
        "take",
        help="measure every frame and sample; write a report for each recording",
        description="Measure every frame and sample of each recording and write a "
        "report for each.",
        allow_abbrev=False,
    )
    take.add_argument("files", nargs="+", metavar="FILE", type=path)
    add_shared(take)
    take.set_defaults(run=_take, command=take)
    spot = commands.add_parser(
        "spot",
        help="a verdict in bounded time, and what share was looked at",
        description="Look at as much of each recording as there is time for, spread "
        "over all of it, and write a report: what was found, and how much of a fault "
        "could be there unseen.",
        allow_abbrev=False,
    )
    spot.add_argument("files", nargs="+", metavar="FILE", type=path)
    add_shared(spot)
    spot.add_argument(
        "--within",
        metavar="SECONDS",
        type=seconds,
        default=20.0,
        help="time for each recording, its report included (default: 20)",
    )
    spot.set_defaults(run=_spot, command=spot)
    day = commands.add_parser(
        "day",
        help="every recording under a folder, in parallel, resumable; a day report",
        description="Measure every recording under a folder, several at a time, and "
        "write a report of the day over the reports of the takes. Run again, it "
        "measures only what is new.",
        allow_abbrev=False,
    )
    day.add_argument("folder", metavar="FOLDER", type=path)
    add_shared(day)
    add_day(day)
    day.set_defaults(run=_day, command=day)
    limits = commands.add_parser(
        "limits",
        help="print the house limits in force as commented TOML",
        description="Print the house limits in force as commented TOML: save it, "
        "change it, and give it back with --limits.",
        allow_abbrev=False,
    )
    limits.add_argument(
        "--limits", metavar="FILE", type=path, help="limits file to start from"
    )
    limits.add_argument(
        "--check", metavar="FILE", type=path, help="only check a limits file"
    )
    limits.set_defaults(run=_limits, command=limits)
    return parser


def limits_from(options: argparse.Namespace) -> Limits:
    """Return the limits in force: built-in, then limits file, then command line."""
    from qc.measures import all_options, default_limits, load_limits

    limits = default_limits()
    if options.limits is not None:
        limits = load_limits(options.limits)
    changes: dict[str, dict[str, object]] = {}
    if options.level is not None:
        changes["--level"] = {"highlights.level_percent": options.level}
    if options.neutral is not None:
        changes["--neutral"] = {
            "white.neutral": options.neutral.patch,
            "white.neutral_size": options.neutral.size or _first_size(options),
            "white.neutral_at": options.neutral.moment,
        }
    for source, values in changes.items():
        limits = limits.with_values(all_options(), values, source=source)
    return limits


def _first_size(options: argparse.Namespace) -> tuple[int, int] | None:
    """Return the size of the first recording's picture: a patch was drawn on that."""
    from qc.patchsize import drawn_on

    sizes = (drawn_on(file, video=options.video) for file in _given(options))
    return next((size for size in sizes if size is not None), None)


def _given(options: argparse.Namespace) -> list[Path]:
    """Return the files of a command, each once; none of a day's folder."""
    return _each_once(_expand(getattr(options, "files", ())))[0]


def _each_once(files: Iterable[Path]) -> tuple[list[Path], list[Path]]:
    """Return files without those that are the same as one before, and these."""
    first: dict[str, Path] = {}
    again = [f for f in files if first.setdefault(os.path.realpath(f), f) is not f]
    return list(first.values()), again


def _take(options: argparse.Namespace) -> ExitCode:
    from qc.pipeline import check_take

    limits = limits_from(options)

    def check(file: Path, tell: Progress | None) -> TakeResult | TakeFailure:
        return check_take(file, limits=limits, video=options.video, progress=tell)

    return _each(options, check)


def _spot(options: argparse.Namespace) -> ExitCode:
    from qc.spot import spot_take

    limits = limits_from(options)
    waiting: float | None = options.began

    def check(file: Path, tell: Progress | None) -> TakeResult | TakeFailure:
        nonlocal waiting
        result = spot_take(
            file,
            within=options.within,
            limits=limits,
            video=options.video,
            began=waiting,
            stills=not options.no_stills,
            progress=tell,
        )
        waiting = None  # the next one's time counts from its own beginning
        return result

    return _each(options, check)


_Check: TypeAlias = "Callable[[Path, Progress | None], TakeResult | TakeFailure]"


def _each(options: argparse.Namespace, check: _Check) -> ExitCode:
    """Check each recording, write its report and print what a person needs."""
    from qc import console
    from qc.records import Grade, TakeFailure
    from qc.report.ahead import get_ready
    from qc.report.handover import failure_document, result_document
    from qc.report.words import told_apart

    get_ready()
    text = options.format == "text" and not options.quiet
    files, again = _each_once(_expand(options.files))
    names = told_apart(files)
    for spare in () if options.quiet else dict.fromkeys(again):
        _tell(f"{spare}: named before; it is measured once")
    done: list[console.TotalLine] = []
    # Told at once: whoever waits for the others need not wait for this.
    failures = _hopeless(files, options.out)
    for message in dict.fromkeys(f.message for f in failures.values()):
        _complain(message)
    documents: list[dict[str, Any]] = []
    found = False
    for number, (file, name) in enumerate(zip(files, names, strict=True), 1):
        result: TakeResult | TakeFailure | None = failures.get(number)
        if result is None:
            with console.progress(
                name,
                number,
                len(files),
                quiet=options.quiet,
                began=options.began if number == 1 else None,
            ) as tell:
                result, folder = _one(options, file, check, tell, name)
            if isinstance(result, TakeFailure):
                failures[number] = result
                _complain(result.message)
        if isinstance(result, TakeFailure):
            documents.append(failure_document(result))
            done.append(console.total_line(name, None))
            continue
        done.append(console.total_line(name, result))
        found |= any(
            f.grade.rank >= Grade(options.fail_on).rank for f in result.findings
        )
        if text:
            console.print_take(result, folder, name=name)
        if options.format == "json":
            documents.append(result_document(result) | {"report": str(folder)})
    if options.format == "json":
        print(
            json.dumps(
                {"schema": 1, "takes": documents}, ensure_ascii=False, allow_nan=False
            )
        )
    elif text and len(files) > 1:
        console.print_total(done)
    if failures:
        return ExitCode.FAILED
    return ExitCode.FINDINGS if found else ExitCode.CLEAN


def _hopeless(files: Sequence[Path], out: Path) -> dict[int, TakeFailure]:
    """Return the failures that are clear before anything is measured, by number."""
    from qc.media import probe
    from qc.records import TakeFailure
    from qc.report.folder import check_writable

    try:
        check_writable(out)
    except QCError as error:
        return {
            number: TakeFailure(file, "report", str(error))
            for number, file in enumerate(files, 1)
        }
    failures = {}
    for number, file in enumerate(files, 1):
        if os.path.isfile(file) and os.access(file, os.R_OK):  # noqa: PTH113
            continue
        try:
            probe(file)
        except QCError as error:
            failures[number] = TakeFailure(file, "open", str(error))
    return failures


def _one(
    options: argparse.Namespace,
    file: Path,
    check: _Check,
    tell: Progress | None,
    name: str,
) -> tuple[TakeResult | TakeFailure, Path]:
    """Check a recording and write its report; return its folder too."""
    from qc.records import TakeFailure
    from qc.report import write_report
    from qc.report.folder import check_writable

    try:
        check_writable(options.out)  # before it is measured for nothing
        result = check(file, tell)
        if isinstance(result, TakeFailure):
            return result, Path()
        return result, write_report(
            result, options.out, stills=not options.no_stills, shown_name=name
        )
    except QCError as error:
        why = str(error)
    except OSError as error:
        why = (
            f"{options.out}: reports cannot be written there: "
            f"{error.strerror or error}; name another folder with --out"
        )
    return TakeFailure(file, "report", f"{file.name}: {why}"), Path()


def _day(options: argparse.Namespace) -> ExitCode:
    from qc import console
    from qc.day import check_day, watch_day
    from qc.records import Grade
    from qc.report.day_files import day_document

    if options.neutral is not None and options.neutral.moment:
        raise UsageError(
            "--neutral: a timecode is of one take, not of a day's; leave @TIMECODE "
            "out, or check that take with 'qc take'"
        )
    limits = limits_from(options)
    settings: dict[str, Any] = {
        "out": options.out,
        "limits": limits,
        "stills": not options.no_stills,
        "video": options.video,
        "jobs": options.jobs or 0,
        "fresh": options.fresh,
    }
    text = options.format == "text" and not options.quiet
    with (
        _cluster(options.cluster) as executor,
        console.day_progress(quiet=options.quiet) as told,
    ):
        settings |= {"executor": executor, "told": told}
        if options.watch:
            waits = f"{options.folder}: not there now; it is waited for"
            gone = None if options.quiet else lambda: _tell(waits)
            results = watch_day(options.folder, gone=gone, **settings)
        else:
            results = iter([check_day(options.folder, **settings)])
        for result in results:
            if text:
                console.print_day(result)
            elif options.format == "json":
                print(json.dumps(day_document(result), ensure_ascii=False))
    if not result.takes:
        # A script must not take a card that is not there for a clean day.
        closed = any(skipped.lost for skipped in result.skipped)
        why = (
            "nothing in it could be read; see above"
            if closed
            else "no recordings found; is this the right folder?"
        )
        _complain(f"{options.folder}: {why}")
        return ExitCode.FAILED
    lost = [
        *(str(take.document.get("message", take.name)) for take in result.takes
          if not take.readable),
        *(f"{skipped.name}: {skipped.reason}" for skipped in result.skipped
          if skipped.lost),
    ]  # fmt: skip
    if not text:  # else the summary has named them
        for message in lost:
            _complain(message)
    if lost:
        return ExitCode.FAILED
    worst = Grade(options.fail_on).rank
    found = any(
        Grade(f["grade"]).rank >= worst
        for take in result.takes
        for f in take.document.get("findings", ())
    ) or any(f.grade.rank >= worst for f in result.findings)
    return ExitCode.FINDINGS if found else ExitCode.CLEAN


@contextmanager
def _cluster(address: str | None) -> Iterator[Executor | None]:
    """Give an executor on a Dask scheduler, or None for the workers of this machine."""
    if address is None:
        yield None
        return
    from qc.day.cluster import cluster_executor

    with cluster_executor(address) as executor:
        yield executor


def _expand(files: Sequence[Path]) -> Iterator[Path]:
    """Yield the files; a pattern that no shell has expanded is expanded here."""
    for file in files:
        matches: list[Path] = []
        # A name that is too long, or a folder that may not be read, is told later,
        # when the file is opened.
        with suppress(OSError, ValueError):
            if any(c in file.name for c in "*?[") and not file.exists():
                matches = sorted(file.parent.glob(file.name))
        yield from matches or [file]


def _limits(options: argparse.Namespace) -> ExitCode:
    from qc.limits import to_toml
    from qc.measures import all_measures, all_options, default_limits, load_limits
    from qc.measures.parts.sound.soundlines import unnamed_channels

    if options.check is not None:
        limits = load_limits(options.check)
        print(f"{options.check}: the limits file is fine")
        for key in ("peaks.unused_channels", "speech.unjudged_channels"):
            for name in unnamed_channels(limits, key):
                print(
                    f'{key.partition(".")[2]}: "{name}" is not in channel_names; it '
                    "does something only where a recording itself calls a channel so"
                )
        return ExitCode.CLEAN
    limits = default_limits()
    if options.limits is not None:
        limits = load_limits(options.limits)
    titles = {m.name: m.label for m in all_measures()} | {"judging": "Judging"}
    print("# House limits of Rushes QC. Change what differs in your house and give the")
    print(
        "# file to qc with --limits; what is left out keeps the value printed here.\n"
    )
    print(to_toml(limits, all_options(), titles=titles), end="")
    return ExitCode.CLEAN
