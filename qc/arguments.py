"""The options of the command ``qc``: their names, their help, and how they are read."""

from __future__ import annotations

import argparse
import math
import os
import re
import shlex
from dataclasses import dataclass
from pathlib import Path

__all__ = [
    "EXAMPLES",
    "Neutral",
    "add_day",
    "add_shared",
    "command_meant",
    "path",
    "seconds",
]

EXAMPLES = """examples:
  qc take A001.mov       every frame and sample of one take, and its report
  qc spot A001.mov       an answer within 20 seconds, between two cases
  qc day /media/card     every recording on a card, and a report of the day"""
_COMMANDS = ("take", "spot", "day", "limits")

_NEUTRAL = re.compile(
    r"([0-9]{1,6}),([0-9]{1,6}),([0-9]{1,6}),([0-9]{1,6})"
    r"(?:/([0-9]{1,5})[x×]([0-9]{1,5}))?(?:@(.+))?"
)


@dataclass(frozen=True, slots=True)
class Neutral:
    """What ``--neutral`` gives.

    Attributes
    ----------
    patch : list of int
        x, y, width and height in pixels.
    size : list of int
        Width and height of the picture it was drawn on; empty if not told.
    moment : str
        Timecode at which it is seen; empty: all the time.
    """

    patch: list[int]
    size: list[int]
    moment: str


def command_meant(first: str) -> str:
    """Return the command that was perhaps meant by a file's or folder's name alone.

    Examples
    --------
    >>> command_meant("gone clip.mov"), command_meant("take"), command_meant("--help")
    ("qc take 'gone clip.mov'", '', '')
    """
    if first.startswith("-") or first in _COMMANDS:
        return ""
    if "." not in first and not os.path.exists(first):  # noqa: PTH110
        return ""
    command = "day" if os.path.isdir(first) else "take"  # noqa: PTH112
    return f"qc {command} {shlex.quote(first)}"


def add_shared(parser: argparse.ArgumentParser) -> None:
    """Add what every command that measures takes."""
    add = parser.add_argument
    add("--out", metavar="DIR", type=path, default=Path("reports"),
        help="where reports go (default: reports)")  # fmt: skip
    add("--limits", metavar="FILE", type=path, help="house limits, a TOML file")
    add("--level", metavar="PERCENT", type=_number,
        help="level from which a pixel counts as burnt out (default: 95)")  # fmt: skip
    add("--neutral", metavar="X,Y,W,H[/WxH][@TIMECODE]", type=_neutral,
        help="where a neutral white or grey surface lies, in pixels of the (first) "
        "picture, or of a picture of /WxH; with @TIMECODE, when (of one take, not of "
        "a day)")  # fmt: skip
    add("--no-stills", action="store_true",
        help="leave every picture of the recording out of the report")  # fmt: skip
    add("--video", metavar="N", type=_stream,
        help="which picture stream to measure, counted from 0")  # fmt: skip
    add("--format", choices=("text", "json"), default="text",
        help="what is printed (default: text)")  # fmt: skip
    add("--fail-on", choices=("note", "review", "reject"), default="review",
        help="findings from this grade on make exit code 1 (default: review)"
    )  # fmt: skip
    add("--quiet", action="store_true", help="no progress, no summary, only errors")


def add_day(parser: argparse.ArgumentParser) -> None:
    """Add what only a day takes."""
    add = parser.add_argument
    add(
        "--jobs",
        metavar="N",
        type=_at_least_one,
        help="takes at a time (default: as many as there are cores)",
    )
    add("--fresh", action="store_true", help="measure everything again")
    add(
        "--watch",
        action="store_true",
        help="go on as cards are copied in, until stopped with Ctrl-C",
    )
    add(
        "--cluster",
        metavar="ADDRESS",
        help="measure on a Dask scheduler's workers; the recordings and the reports "
        "lie on storage that all of them share",
    )


def _at_least_one(text: str) -> int:
    if not re.fullmatch(r"[0-9]{1,4}", text) or int(text) < 1:
        raise argparse.ArgumentTypeError(f"{text!r} is not a whole number from 1 on")
    return int(text)


def _stream(text: str) -> int:
    if not re.fullmatch(r"[0-9]{1,4}", text):
        raise argparse.ArgumentTypeError(
            f"{text!r} is not a whole number; it counts picture streams from 0"
        )
    return int(text)


def _in_unit(text: str, unit: str) -> float:
    """Read a number as people write it: with its unit, with a comma for the point."""
    return float(text.strip().removesuffix(unit).replace(",", "."))


def _number(text: str) -> float:
    try:
        return _in_unit(text, "%")
    except ValueError:
        raise argparse.ArgumentTypeError(
            f"{text!r} is not a number, e.g. 95 or 97.5"
        ) from None


def seconds(text: str) -> float:
    """Return a time from 1 s to a day."""
    try:
        value = _in_unit(text, "s")
    except ValueError:
        value = math.nan
    if not 1 <= value <= 86_400:
        raise argparse.ArgumentTypeError(
            f"{text!r} is not a time in seconds, from 1 to 86400"
        )
    return value


def _neutral(text: str) -> Neutral:
    match = _NEUTRAL.fullmatch(text.replace(" ", ""))
    if match is None:
        raise argparse.ArgumentTypeError(
            f"{text!r} is not X,Y,WIDTH,HEIGHT in pixels, e.g. 40,60,160,120, with the "
            "size of the picture it was drawn on added if that is another "
            "(40,60,160,120/1920x1080), and @TIMECODE if the patch is there only at "
            "one moment"
        )
    numbers = [int(n) for n in match.groups()[:6] if n is not None]
    return Neutral(numbers[:4], numbers[4:], match[7] or "")


def path(text: str) -> Path:
    """Return a path; an empty one is no name for the folder one is in."""
    if not text:
        raise argparse.ArgumentTypeError("a name is empty; name a file or folder")
    return Path(text)
