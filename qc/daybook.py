"""What travels through a day's run. No input or output happens here."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from qc.limits import Limits
from qc.records import Grade

__all__ = ["DayFinding", "DayResult", "DayTake", "Found", "Job", "Skipped"]


@dataclass(frozen=True, slots=True)
class Found:
    """A recording of the folder.

    Attributes
    ----------
    path : Path
        Absolute path.
    name : str
        Path relative to the day's folder, with ``/``.
    size, mtime_ns : int
        As found; they tell whether the file has changed since.
    """

    path: Path
    name: str
    size: int
    mtime_ns: int


@dataclass(frozen=True, slots=True)
class Skipped:
    """A file of the folder that is not measured, and why.

    Attributes
    ----------
    lost : bool
        It is or may hold a recording, but could not be looked at.
    growing : bool
        That is because it is still being written.
    leads_out : bool
        It is a link to something outside the folder, which nobody has looked at.
    """

    name: str
    reason: str
    lost: bool = False
    growing: bool = False
    leads_out: bool = False

    @property
    def closed(self) -> bool:
        """Whether it counts as unreadable: nothing but its name could be read."""
        return self.lost and not self.growing


@dataclass(frozen=True, slots=True, eq=False)
class Job:
    """One take to measure, complete in itself: it may run on another machine.

    Attributes
    ----------
    path : Path
        The recording.
    name : str
        Its name relative to the day's folder, with ``/``.
    out : Path
        The day's report folder.
    folder : str
        Name of the take's folder in it.
    key : str
        Stands for everything that the result depends on: file, limits, versions.
    pulse : Path
        A file in which the worker writes how far it is.
    memory_mb : int
        Memory it may use.
    """

    path: Path
    name: str
    out: Path
    folder: str
    key: str
    pulse: Path
    limits: Limits
    stills: bool
    video: int | None
    threads: int
    memory_mb: int


@dataclass(frozen=True, slots=True, eq=False)
class DayTake:
    """A take of the day, as kept.

    Attributes
    ----------
    name : str
        Relative to the day's folder, with ``/``.
    grade : Grade
    document : mapping
        The take's ``result.json``; of an unreadable take ``stage`` and ``message``.
        Under ``"day"``: ``key``, ``name``, ``content`` (a mark of the decoded content,
        the same for a re-wrapped copy), ``metadata``, ``created`` (ISO 8601 or null),
        ``mtime_ns``, ``poster`` (JPEG as base64, or null) and ``strips`` (short lists
        of numbers for ``"exposure"``, ``"highlights"``, ``"focus"`` and ``"sound"``,
        null where not measured) and ``too_short`` (true if nothing was found, but it
        is too short to judge all).
    folder : str or None
        Its report folder, relative to the day's; None without a report.
    fresh : bool
        Measured in this run, not taken over from an earlier one.
    """

    name: str
    grade: Grade
    document: Mapping[str, Any]
    folder: str | None
    fresh: bool = True

    @property
    def readable(self) -> bool:
        """Whether the take could be measured."""
        return self.grade is not Grade.UNREADABLE

    @property
    def too_short(self) -> bool:
        """Whether nothing was found in a take too short to be judged for all."""
        day = self.document.get("day")
        return isinstance(day, dict) and day.get("too_short") is True


@dataclass(frozen=True, slots=True)
class DayFinding:
    """Something that only the whole day shows.

    Attributes
    ----------
    takes : tuple of str
        Names of the takes it is about, in order of time.
    start, end : float or None
        Seconds on the day's clock, if it has a place on it.
    """

    rule: str
    grade: Grade
    takes: tuple[str, ...]
    message: str
    advice: str = ""
    start: float | None = None
    end: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class DayResult:
    """A whole day.

    Attributes
    ----------
    folder : Path
        Where the recordings lie.
    out : Path
        Where the reports lie.
    takes : tuple of DayTake
        In name order.
    skipped : tuple of Skipped
        Files that are no recordings, with the reason.
    findings : tuple of DayFinding
    advice : tuple of str
        What to correct at the rig for the next day, most useful first.
    complete : bool
        False while takes are still missing: interrupted, or files still growing.
    times : mapping of take name to (start, end, basis)
        Seconds on the day's clock, and what they are read from.
    cameras : mapping of take name to label
        Which camera recorded it, as far as the files tell.
    """

    folder: Path
    out: Path
    takes: tuple[DayTake, ...]
    skipped: tuple[Skipped, ...]
    findings: tuple[DayFinding, ...]
    advice: tuple[str, ...]
    elapsed_s: float
    complete: bool = True
    times: Mapping[str, tuple[float, float, str]] = field(default_factory=dict)
    cameras: Mapping[str, str] = field(default_factory=dict)

    @property
    def grade(self) -> Grade:
        """How the day stands as a whole: the worst of its takes and across them."""
        grades = [take.grade for take in self.takes]
        grades += [finding.grade for finding in self.findings]
        grades += [Grade.UNREADABLE for skipped in self.skipped if skipped.closed]
        worst = max(grades, key=lambda g: g.rank, default=Grade.UNREADABLE)
        return Grade.CLEAN if worst is Grade.NOTE else worst

    @property
    def empty(self) -> bool:
        """Whether no recording was found, nor anything that may hide one."""
        return not self.takes and not any(skipped.lost for skipped in self.skipped)
