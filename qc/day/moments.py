"""What a take tells of the time it was recorded, and whether takes overlap by it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from fractions import Fraction

from qc.daybook import DayTake
from qc.report.day_facts import TakeFacts, name_order

__all__ = [
    "BY_NAME",
    "CREATED_END",
    "CREATED_START",
    "FILE",
    "TIMECODE",
    "Basis",
    "Seen",
    "overlapping",
    "told",
    "tolerance",
]

# Overlaps of at most so many frames are rounding in the file.
_TOLERANCE_FRAMES = 2
# Cameras whose clock was never set write the zero of 1904, 1970 or 1980 (common
# practice, no source).
_EARLIEST = datetime(1995, 1, 1, tzinfo=UTC).timestamp()
_LATEST = datetime(2200, 1, 1, tzinfo=UTC).timestamp()


@dataclass(frozen=True, slots=True)
class Basis:
    """What a time is read from.

    Attributes
    ----------
    text : str
        For people.
    slack_s : Fraction
        By how much the distance of two takes may be wrong.
    known : bool
        False if the time is only a place in a row.
    """

    text: str
    slack_s: Fraction
    known: bool = True


TIMECODE = Basis("timecode", Fraction(0))
# Written in whole seconds.
CREATED_START = Basis("creation time in the file, taken as the start", Fraction(1))
CREATED_END = Basis("creation time in the file, taken as the end", Fraction(1))
# Cards in the FAT format keep even seconds (from memory), and recorders take a moment
# to close a file.
FILE = Basis("time of the file, taken as the end", Fraction(3))
BY_NAME = Basis("order of the names; the time is not known", Fraction(0), known=False)


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """A readable take and the times it tells.

    Attributes
    ----------
    created, filed : Fraction or None
        Time of creation and of the file, in seconds since 1970.
    """

    take: DayTake
    facts: TakeFacts
    created: Fraction | None
    filed: Fraction | None

    @classmethod
    def of(cls, take: DayTake) -> Seen:
        """Read the times of a readable take from its document."""
        day = take.document.get("day") or {}
        ticks = day.get("mtime_ns")
        filed = None if ticks is None else Fraction(int(ticks), 1_000_000_000)
        if filed is not None and not _EARLIEST <= filed <= _LATEST:
            filed = None
        return cls(take, TakeFacts.of(take), _moment(day.get("created")), filed)

    @property
    def name(self) -> str:
        """Name of the take."""
        return self.take.name

    @property
    def order(self) -> tuple[str, str]:
        """Key of the name's order."""
        return name_order(self.take.name)

    @property
    def filed_start(self) -> Fraction | None:
        """When the take began, if the file was last written at its end."""
        return None if self.filed is None else self.filed - self.facts.duration

    @property
    def created_end(self) -> Fraction | None:
        """When the take began, if its time of creation is that of its end."""
        return None if self.created is None else self.created - self.facts.duration


def _moment(text: object) -> Fraction | None:
    if not isinstance(text, str):
        return None
    try:
        moment = datetime.fromisoformat(text.strip())
    except ValueError:
        return None
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=UTC)
    seconds = moment.timestamp()
    return Fraction(seconds) if _EARLIEST <= seconds <= _LATEST else None


def tolerance(one: TakeFacts, other: TakeFacts) -> Fraction:
    """Return how many seconds two takes may overlap by rounding in the files."""
    return _TOLERANCE_FRAMES / min(one.timecode.rate, other.timecode.rate)


def told(
    group: Sequence[Seen], time_of: Callable[[Seen], Fraction | None]
) -> list[Fraction] | None:
    """Return the times of all takes; None if one of them does not tell."""
    times = [t for s in group if (t := time_of(s)) is not None]
    return times if len(times) == len(group) else None


def overlapping(
    group: Sequence[Seen], starts: Sequence[Fraction], slack_s: Fraction
) -> set[int]:
    """Return the takes that begin before an earlier one has ended, and those earlier.

    Parameters
    ----------
    group : sequence of Seen
    starts : sequence of Fraction
        When each begins, in seconds.
    slack_s : Fraction
        Overlaps of at most so many seconds, and a few frames, are none.
    """
    found: set[int] = set()
    last: int | None = None
    ends = [t + s.facts.duration for t, s in zip(starts, group, strict=True)]
    for i in sorted(range(len(group)), key=lambda i: (starts[i], ends[i])):
        if last is not None:
            shared = min(ends[last], ends[i]) - starts[i]
            if shared > slack_s + tolerance(group[last].facts, group[i].facts):
                found |= {last, i}
        if last is None or ends[i] > ends[last]:
            last = i
    return found
