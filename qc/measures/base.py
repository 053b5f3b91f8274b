"""What a measure is: columns, options, rules, advice and source, declared in one file.

A module of this folder that holds a ``MEASURE`` is a measure; nothing else has to be
told of it. Options become the limits file, columns become readings, charts become
strips of the report, rules become findings.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal, Protocol, TypeAlias, get_args

import numpy as np
from numpy.typing import NDArray

from qc.limits import Limits, Option
from qc.records import (
    Finding,
    Grade,
    Marks,
    Picture,
    Readings,
    SoundBlock,
    TakeInfo,
    TakeResult,
)

__all__ = [
    "ROOMS",
    "Chart",
    "Check",
    "Column",
    "Companion",
    "Exhibit",
    "Hit",
    "Line",
    "Measure",
    "Measured",
    "PictureReader",
    "Room",
    "Rule",
    "Setup",
    "SoundReader",
    "Values",
    "finding_of",
    "signed",
]

Values: TypeAlias = Mapping[str, "float | NDArray[np.floating]"]
Figures: TypeAlias = Mapping[str, object]
Room: TypeAlias = Literal[
    "exposure", "colour", "focus", "movement", "light", "noise", "file", "sound"
]

ROOMS: tuple[Room, ...] = get_args(Room)
"""What a measure is about, in the order in which people read of it."""


@dataclass(frozen=True, slots=True, eq=False)
class Setup:
    """What a measure may know before the first frame.

    Attributes
    ----------
    result : TakeResult or None
        The finished take, when a still of it is marked; None while measuring.
    """

    info: TakeInfo
    limits: Limits
    result: TakeResult | None = None


class PictureReader(Protocol):
    """Measures one take's pictures; made anew for each take: it may remember."""

    def read(self, picture: Picture) -> Values:
        """Return the values of one frame by column name (without the measure's)."""

    def finish(self) -> Figures:
        """Return figures that only the whole take gives, by name."""


class SoundReader(Protocol):
    """Measures one sound track of one take."""

    def read(self, block: SoundBlock) -> Values:
        """Return the block's values by column name: (rows, channels) or (rows,)."""

    def finish(self) -> Figures:
        """Return figures that only the whole track gives, by name."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column of readings.

    Parameters
    ----------
    name : str
        Column name within the measure, ending in its unit: ``"relevant_percent"``.
    label : str
        What it is, for people.
    unit : str
        Unit for people.
    width : int
        Numbers a row; 1 for a plain column. On the sound clock ``per_channel`` decides.
    per_channel : bool
        Sound clock: one number a channel of the track.
    """

    name: str
    label: str
    unit: str = ""
    decimals: int = 1
    width: int = 1
    per_channel: bool = False


@dataclass(frozen=True, slots=True)
class Chart:
    """A strip of the report's time line.

    Parameters
    ----------
    columns : tuple of str
        Columns drawn, the first most important.
    label : str
        Heading for people.
    unit : str
        Unit of the axis.
    low, high : float or None
        Ends of the axis; None: from the data.
    limits : tuple of str
        Option keys drawn as limit lines.
    explain : str
        How to read it, one sentence.
    always : bool
        Shown even when nothing is wrong; the others wait behind a fold.
    """

    columns: tuple[str, ...]
    label: str
    unit: str = ""
    low: float | None = None
    high: float | None = None
    limits: tuple[str, ...] = ()
    explain: str = ""
    always: bool = False


@dataclass(frozen=True, slots=True)
class Companion:
    """Another frame to show beside the worst one, e.g. the sharpest of the shot.

    Parameters
    ----------
    row : int
        Row of the picture readings.
    caption : str
        What it is for comparison, a few words.
    """

    row: int
    caption: str


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """One line of an `Exhibit`: numbers over numbers; NaN leaves a gap."""

    label: str
    x: NDArray[np.floating]
    y: NDArray[np.floating]


@dataclass(frozen=True, slots=True, eq=False)
class Exhibit:
    """A small figure beside a finding. The measure gives the data, the report draws.

    Parameters
    ----------
    kind : "lines", "path", "bars" or "swatches"
        Lines over a common axis; a path in the plane, equal scales; bars; colours.
    title : str
        What it shows, short.
    caption : str
        How to read it, one sentence.
    lines : tuple of Line
        For ``"path"`` x and y are the place; for ``"bars"`` each is a row of bars.
    x_label, y_label : str
        Axes with their units.
    levels : tuple of (label, value)
        Horizontal lines, e.g. limits.
    swatches : tuple of (label, (r, g, b))
        R'G'B' as shares of full signal, for ``"swatches"``.
    """

    kind: Literal["lines", "path", "bars", "swatches"]
    title: str
    caption: str = ""
    lines: tuple[Line, ...] = ()
    x_label: str = ""
    y_label: str = ""
    levels: tuple[tuple[str, float], ...] = ()
    swatches: tuple[tuple[str, tuple[float, float, float]], ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Measured:
    """A take after the measuring step; what rules and summaries are made from.

    Attributes
    ----------
    totals : mapping of measure name to figures
        What the readers' ``finish`` gave; for sound measures a list, one a track,
        under ``"tracks"``.
    missing : tuple of Fraction
        Moments, in seconds since the start, of frames that the file has data for but
        that could not be decoded.
    changed_format : int
        Frames left out because the picture changed its size or format.
    restarts : int
        How often the clock of the pictures jumped or began anew.
    ended_early : str
        Why reading broke off before the file's end; empty if it did not.
    """

    info: TakeInfo
    limits: Limits
    picture: Readings | None
    sound: tuple[Readings, ...]
    totals: Mapping[str, Figures]
    missing: tuple[Fraction, ...] = ()
    changed_format: int = 0
    restarts: int = 0
    ended_early: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Hit:
    """A stretch in which a column broke a limit; what messages are made from.

    Attributes
    ----------
    first, last : int
        Rows, half-open.
    worst_row : int
    worst, limit : float
    seconds : float
        Length of the stretch.
    channel : int or None
        Sound channel counted over all tracks from 1.
    """

    measured: Measured
    readings: Readings
    first: int
    last: int
    worst_row: int
    worst: float
    limit: float
    grade: Grade
    seconds: float
    channel: int | None = None
    column_index: int | None = None

    def values(self, column: str) -> NDArray[np.float32]:
        """Return a column's rows of this stretch."""
        values = self.readings[column][self.first : self.last]
        if values.ndim == 2 and self.column_index is not None:
            return values[:, self.column_index]
        return values


@dataclass(frozen=True, slots=True)
class Rule:
    """A column held against limits over time.

    Enter beyond the limit, leave within the release level, bridge short gaps, ignore
    what is shorter than the minimum unless it is gross.

    Parameters
    ----------
    id : str
        Rule id from the design, e.g. ``"highlights.relevant"``.
    column : str
        Full column name, ``"highlights.relevant_percent"``.
    label : str
        The fault's short name for people.
    message, advice : function of a `Hit`
        Sentences for the report.
    note, review, reject : str or None
        Option keys of the limits of each grade; those that are None do not exist.
    above : bool
        True when too much is the fault.
    release : float
        Release level as a share of the limit; or, with `release_by` set, limit minus
        (plus, for ``above=False``) `release_by`.
    min_seconds, bridge_seconds : str or float
        Option key or seconds.
    unit : str
        Unit of worst value and limit.
    where : function of a `Hit` or None
        Place in the picture.
    """

    id: str
    column: str
    label: str
    message: Callable[[Hit], str]
    advice: Callable[[Hit], str]
    note: str | None = None
    review: str | None = None
    reject: str | None = None
    above: bool = True
    release: float = 0.8
    release_by: float | None = None
    min_seconds: str | float = 0.0
    bridge_seconds: str | float = 0.2
    unit: str = ""
    where: Callable[[Hit], tuple[int, int, int, int] | None] | None = None


Check: TypeAlias = Callable[[Measured], Iterable[Finding]]


@dataclass(frozen=True, slots=True)
class Measure:
    """One measure: everything the tool knows of it.

    Parameters
    ----------
    name : str
        Name of the module, the TOML section and the summary entry.
    label : str
        Name for people.
    clock : "picture" or "sound"
    columns, options, charts : tuples
    start : function of (Setup) or (Setup, AudioTrack)
        Makes the reader of one take, or of one track.
    derived : tuple of Column
        Columns that only the whole take gives, e.g. against the best of a shot.
    derive : function of Measured
        Gives the derived columns by name.
    rules : tuple of Rule
        Plain rules: a column against limits.
    checks : tuple of functions of Measured
        Rules with memory; they yield findings. Their ids stand in `check_rules`.
    check_rules : mapping of rule id to short name
    summarise : function of Measured
        Figures for ``result.json``, by name.
    notes : function of Measured
        Sentences: what could not be measured, and why.
    mark : function of (Picture, Setup, Finding) or None
        What the fault looks like on a still; the setup carries the finished take.
    companions : function of (TakeResult, Finding) or None
        Frames to show beside the worst one.
    exhibits : function of (TakeResult, Finding) or None
        Small figures beside a finding.
    method : str
        How it is measured, one short paragraph for the report.
    source : str
        Published sources of the method.
    room : one of `ROOMS` or None
        What it is about; None: the file, or the sound if that is its clock.
    version : int
        Raised whenever measuring gives other numbers than before, so that kept
        results are measured again.
    """

    name: str
    label: str
    clock: Literal["picture", "sound"]
    columns: tuple[Column, ...]
    start: Callable[..., PictureReader | SoundReader]
    method: str
    source: str
    options: tuple[Option, ...] = ()
    derived: tuple[Column, ...] = ()
    derive: Callable[[Measured], Mapping[str, NDArray[np.floating]]] | None = None
    rules: tuple[Rule, ...] = ()
    checks: tuple[Check, ...] = ()
    check_rules: Mapping[str, str] | tuple[()] = ()
    charts: tuple[Chart, ...] = ()
    summarise: Callable[[Measured], Figures] | None = None
    notes: Callable[[Measured], Iterable[str]] | None = None
    mark: Callable[[Picture, Setup, Finding], Marks] | None = None
    companions: Callable[[TakeResult, Finding], Iterable[Companion]] | None = None
    exhibits: Callable[[TakeResult, Finding], Iterable[Exhibit]] | None = None
    room: Room | None = None
    version: int = 1

    @property
    def reading_order(self) -> int:
        """Place of the measure's room among `ROOMS`."""
        usual: Room = "sound" if self.clock == "sound" else "file"
        return ROOMS.index(self.room or usual)

    @property
    def rule_labels(self) -> dict[str, str]:
        """Short names for people of every rule of this measure, by id."""
        return {r.id: r.label for r in self.rules} | dict(self.check_rules)

    def column(self, full_name: str) -> Column:
        """Return the column called ``"measure.column"``."""
        wanted = full_name.removeprefix(f"{self.name}.")
        return next(c for c in self.columns + self.derived if c.name == wanted)


def finding_of(
    measured: Measured,
    readings: Readings,
    *,
    rule: str,
    grade: Grade,
    first: int,
    last: int,
    worst_row: int,
    message: str,
    advice: str = "",
    worst: float | None = None,
    limit: float | None = None,
    unit: str = "",
    where: tuple[int, int, int, int] | None = None,
    channel: int | None = None,
) -> Finding:
    """Make a `Finding` from rows of one clock.

    Parameters
    ----------
    first, last, worst_row : int
        Rows of `readings`; `last` is exclusive.

    Returns
    -------
    Finding
        Frame numbers lie on the take's grid; a stretch of sound covers every frame
        it touches.
    """
    grid = measured.info.grid
    start, end = readings.start(first), readings.start(last)
    worst_at = readings.start(worst_row)
    if readings.clock == "picture":
        frames = grid.nearest(start), grid.nearest(end), grid.nearest(worst_at)
        shown: int | None = worst_row
    else:
        frames = (
            grid.at_or_before(start),
            grid.at_or_after(end),
            grid.at_or_before(worst_at),
        )
        shown = None
        if measured.picture is not None and measured.picture.rows:
            # Sound often runs on for a moment; frames end with the picture.
            whole = grid.nearest(measured.picture.start(measured.picture.rows))
            if frames[0] < whole:
                frames = frames[0], min(frames[1], whole), min(frames[2], whole - 1)
    return Finding(
        rule=rule,
        grade=grade,
        start=start,
        end=end,
        worst_at=worst_at,
        start_frame=max(frames[0], 0),
        end_frame=max(frames[1], frames[0] + 1),
        worst_frame=max(frames[2], 0),
        message=message,
        advice=advice,
        worst=worst,
        limit=limit,
        unit=unit,
        where=where,
        channel=channel,
        worst_pts_row=shown,
    )


def signed(value: float, decimals: int | None = None) -> str:
    """Return a number for people: always with its sign, the minus a real one.

    Parameters
    ----------
    decimals : int or None
        None: as many as needed, and no plus sign.

    Examples
    --------
    >>> signed(-0.5, 1), signed(0.25, 2), signed(-1.0), signed(-0.001, 1)
    ('−0.5', '+0.25', '−1', '+0.0')
    """
    if decimals is None:
        return f"{value:g}".replace("-", "−")
    return f"{round(value, decimals) + 0.0:+.{decimals}f}".replace("-", "−")
