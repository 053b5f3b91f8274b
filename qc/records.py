"""What travels between the four steps. No input or output happens here.

Arrays are read-only, times are integer ticks and `Fraction` until they are printed,
and a record never changes once made.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction
from pathlib import Path
from typing import Any, Literal, Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from qc.signal import Signal
from qc.spotted import SpotBound, SpotCoverage, SpotEdge
from qc.take import AudioTrack, Scan, TakeInfo, TimeGrid, VideoTrack

__all__ = [
    "AudioTrack",
    "Columns",
    "Coverage",
    "Finding",
    "Grade",
    "Marks",
    "Picture",
    "Readings",
    "Scan",
    "SoundBlock",
    "SpotBound",
    "SpotCoverage",
    "SpotEdge",
    "Still",
    "TakeFailure",
    "TakeInfo",
    "TakeResult",
    "TimeGrid",
    "UsableRange",
    "VideoTrack",
]

T = TypeVar("T")


class Grade(StrEnum):
    """How serious a finding is, and how a take stands as a whole."""

    CLEAN = "clean"
    NOTE = "note"
    REVIEW = "review"
    REJECT = "reject"
    UNREADABLE = "unreadable"

    @property
    def rank(self) -> int:
        """Order of seriousness, 0 for clean."""
        return list(Grade).index(self)


# ------------------------------------------------------------- decoded material


class Picture:
    """One decoded frame: planes at native depth, and views computed at most once.

    Attributes
    ----------
    index : int
        Count of frames decoded before this one.
    pts : int
        Presentation time in ticks of the track's time base.
    y, cb, cr : (H, W) and (h, w) arrays of uint8 or uint16, read-only
        Planes as decoded, numpy views on the decoder's buffers. Chroma planes keep
        their own size. Keep a copy, not the view, beyond the next frame.
    signal : Signal
        What the codes mean.
    interlaced : bool
        True when the frame holds two fields of different moments; measure per field.
    top_field_first : bool
        Which field is the earlier one.
    damaged : bool
        The decoder said that this frame, or one it builds on, could not be decoded.
    key : bool
        The frame can be decoded without others.
    """

    __slots__ = (
        "_views",
        "cb",
        "cr",
        "damaged",
        "duration",
        "index",
        "interlaced",
        "key",
        "pts",
        "signal",
        "top_field_first",
        "y",
    )

    def __init__(
        self,
        *,
        index: int,
        pts: int,
        y: NDArray[np.unsignedinteger],
        cb: NDArray[np.unsignedinteger],
        cr: NDArray[np.unsignedinteger],
        signal: Signal,
        duration: int = 0,
        interlaced: bool = False,
        top_field_first: bool = True,
        damaged: bool = False,
        key: bool = False,
    ) -> None:
        if y.ndim != 2:
            raise ValueError(f"y must have shape (height, width), got {y.shape}")
        for plane in (y, cb, cr):
            plane.flags.writeable = False
        self.index = index
        self.pts = pts
        self.duration = duration
        self.y = y
        self.cb = cb
        self.cr = cr
        self.signal = signal
        self.interlaced = interlaced
        self.top_field_first = top_field_first
        self.damaged = damaged
        self.key = key
        self._views: dict[Callable[[Picture], Any], Any] = {}

    @property
    def width(self) -> int:
        """Width of the luma plane in pixels."""
        return int(self.y.shape[1])

    @property
    def height(self) -> int:
        """Height of the luma plane in pixels."""
        return int(self.y.shape[0])

    def view(self, compute: Callable[[Picture], T]) -> T:
        """Return ``compute(self)``, computed once however many measures ask for it.

        Parameters
        ----------
        compute : function of a Picture
            A view from `qc.views`; the function itself is the key.
        """
        try:
            return self._views[compute]  # type: ignore[no-any-return]
        except KeyError:
            value = self._views[compute] = compute(self)
            return value


@dataclass(frozen=True, slots=True, eq=False)
class SoundBlock:
    """A run of samples of one track.

    Attributes
    ----------
    track : AudioTrack
    samples : (channels, n) array of float32, read-only
        1.0 is digital full scale; float sources may go beyond.
    start : int
        Number of the first sample on the track's own clock: sample 0 plays when the
        first picture begins (at the track's own start in a take without pictures).
    first_row : int
        Row of the sound readings in which `start` lies.
    row_edges : (rows + 1,) array of int64
        Offsets into `samples` at which rows begin, and the end. Rows are a hundredth
        of a second; the first and last may be partly filled.
    gap_before : bool
        True when samples are missing between the block before and this one.
    """

    track: AudioTrack
    samples: NDArray[np.float32]
    start: int
    first_row: int
    row_edges: NDArray[np.int64]
    gap_before: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Marks:
    """What a fault looks like on a still: areas and outlines, each with a kind.

    Attributes
    ----------
    areas : tuple of (kind, mask)
        Boolean masks of the coded picture's size.
    outlines : tuple of (kind, points)
        Polygons in pixels of the coded picture, (n, 2) float arrays.
    caption : str
        What the marking shows, one short sentence.
    """

    areas: tuple[tuple[str, NDArray[np.bool_]], ...] = ()
    outlines: tuple[tuple[str, NDArray[np.float64]], ...] = ()
    caption: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Still:
    """A frame fetched again for the report: the picture and its colours.

    Attributes
    ----------
    rgb : (H, W, 3) array of uint8
        The coded picture in R'G'B', not rotated, not stretched.
    """

    picture: Picture
    rgb: NDArray[np.uint8]


# --------------------------------------------------------------------- readings


class Columns(Protocol):
    """Named columns of numbers, one row a frame or a hundredth of a second of sound."""

    def __getitem__(self, name: str) -> NDArray[np.float32]:
        """Return a column: (rows,) or (rows, width) float32, NaN = not measured."""

    def part(self, name: str, first: int, last: int) -> NDArray[np.float32]:
        """Return rows ``[first, last)`` of a column."""

    def __contains__(self, name: object) -> bool:
        """Return whether there is such a column."""

    def __iter__(self) -> Iterator[str]:
        """Iterate over the names."""

    def __len__(self) -> int:
        """Return the number of columns."""


@dataclass(frozen=True, slots=True, eq=False)
class Readings:
    """What was measured on one clock: the pictures, or one sound track.

    Attributes
    ----------
    clock : "picture" or "sound"
    time_base : Fraction
        Seconds a tick.
    edges : (rows + 1,) array of int64
        Row i covers ticks ``edges[i]`` to ``edges[i + 1]``, counted from the take's
        start.
    columns : Columns
        float32, NaN where it could not be measured.
    track : AudioTrack or None
        The sound track, on a sound clock.
    """

    clock: Literal["picture", "sound"]
    time_base: Fraction
    edges: NDArray[np.int64]
    columns: Columns
    track: AudioTrack | None = None

    @property
    def rows(self) -> int:
        """Number of rows."""
        return max(len(self.edges) - 1, 0)

    def start(self, row: int) -> Fraction:
        """Return when `row` begins, in seconds since the take's start."""
        return int(self.edges[row]) * self.time_base

    def times(self) -> NDArray[np.float64]:
        """Return when rows begin, in seconds, and the end of the last: for plots."""
        return self.edges.astype(np.float64) * float(self.time_base)

    def __getitem__(self, name: str) -> NDArray[np.float32]:
        """Return a column by name."""
        return self.columns[name]


# --------------------------------------------------------------------- verdicts


@dataclass(frozen=True, slots=True)
class Finding:
    """A stretch of a take that is not as it should be.

    Attributes
    ----------
    rule : str
        Rule id, e.g. ``"highlights.relevant"``.
    start, end, worst_at : Fraction
        Seconds since the take's start; `end` is exclusive.
    start_frame, end_frame, worst_frame : int
        The same on the take's frame grid; `end_frame` is exclusive.
    worst_pts_row : int or None
        Row of the picture readings to show, if a picture shows the fault.
    worst, limit : float or None
        The worst value and the limit it broke, in `unit`.
    message : str
        What is wrong and how bad, in the operator's words.
    advice : str
        What to do at the rig.
    where : (x, y, w, h) in pixels of the coded picture, or None
    channel : int or None
        Sound channel, counted over all tracks from 1.
    channels : tuple of int
        All of them, where it is said of several at once; `channel` is None then.
    """

    rule: str
    grade: Grade
    start: Fraction
    end: Fraction
    worst_at: Fraction
    start_frame: int
    end_frame: int
    worst_frame: int
    message: str
    advice: str = ""
    worst: float | None = None
    limit: float | None = None
    unit: str = ""
    where: tuple[int, int, int, int] | None = None
    channel: int | None = None
    worst_pts_row: int | None = None
    channels: tuple[int, ...] = ()

    @property
    def duration(self) -> Fraction:
        """Seconds from `start` to `end`."""
        return self.end - self.start


@dataclass(frozen=True, slots=True)
class UsableRange:
    """A stretch of a take without findings at or over review; `end` is exclusive."""

    start: Fraction
    end: Fraction
    start_frame: int
    end_frame: int

    @property
    def duration(self) -> Fraction:
        """Seconds from `start` to `end`."""
        return self.end - self.start


@dataclass(frozen=True, slots=True)
class Coverage:
    """How much of a take was looked at; `spot` tells more of a spot check."""

    mode: Literal["every frame", "spot"]
    frames_read: int
    frames_expected: int | None
    frames_damaged: int
    frames_missing: int
    decode_errors: int
    sound_read_s: float
    elapsed_s: float
    spot: SpotCoverage | None = None


@dataclass(frozen=True, slots=True, eq=False)
class TakeResult:
    """Everything found out about one take.

    Attributes
    ----------
    picture : Readings or None
    sound : tuple of Readings
        One a sound track.
    summary : mapping of measure name to its figures
    advice : tuple of str
        What to change before the next take, most useful first.
    notes : tuple of str
        What could not be measured, and why.
    """

    info: TakeInfo
    coverage: Coverage
    grade: Grade
    findings: tuple[Finding, ...]
    usable: tuple[UsableRange, ...]
    summary: Mapping[str, Mapping[str, object]]
    advice: tuple[str, ...]
    notes: tuple[str, ...]
    picture: Readings | None
    sound: tuple[Readings, ...]
    duration: Fraction
    limits: Mapping[str, object]

    @property
    def failed(self) -> bool:
        """Always False: the take could be measured."""
        return False

    def label(self, seconds: Fraction) -> str:
        """Return the timecode label of the frame that begins nearest to `seconds`."""
        return self.info.grid.label(self.info.grid.nearest(seconds))


@dataclass(frozen=True, slots=True)
class TakeFailure:
    """A take that could not be measured. A bad file is a result, not an exception.

    Attributes
    ----------
    stage : str
        Step at which it failed: ``"open"``, ``"decode"``, ``"measure"``, ``"report"``.
    message : str
        One sentence: which file, what, what to do.
    """

    path: Path
    stage: str
    message: str

    @property
    def failed(self) -> bool:
        """Always True."""
        return True
