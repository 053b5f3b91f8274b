"""One stretch of a take, measured and judged as a little take of its own."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from fractions import Fraction

from qc.errors import DecodeError
from qc.judge import find
from qc.limits import Limits
from qc.measures import all_measures
from qc.measures.base import Measured, Setup
from qc.media import TakeReader
from qc.media.windows import WindowReader
from qc.pipeline import all_of
from qc.records import Coverage, Finding, Picture, Readings, SoundBlock, TakeInfo
from qc.rows import (
    PictureRows,
    SoundRows,
    add_derived,
    one_opencv_thread,
    sound_totals,
)
from qc.spot.needs import FOUND_ANYHOW, FOUND_IN_LONG

__all__ = ["Piece", "PieceMaker", "Whole", "shared_extent"]

# Of a window that time cut off, less than this is nothing to judge by.
_FEWEST_S = Fraction(3, 4)
# However slow the machine is, so much is seen: the least that is judged at all.
_AT_LEAST_S = _FEWEST_S
# A stretch so long shows what takes its time, too, though nothing is promised of it.
_LONG_S = 10.0
# Files have the sound of a moment this much behind its pictures, at most.
_SOUND_LATE_S = 1.0
# Lengths are rounded to whole frames here and there.
_FRAME_S = 0.05


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """What a stretch showed.

    Attributes
    ----------
    start, end : float
        Seconds that were measured; of the pictures if the take has any.
    heard : (start, end) or None
        Seconds that were measured of every sound track; None if there is no sound.
    whole : bool
        It was measured to its end.
    at_end : bool
        And that is the file's: pictures or sound that end sooner are all there is.
    """

    start: float
    end: float
    heard: tuple[float, float] | None
    whole: bool
    at_end: bool
    picture: Readings | None
    sound: tuple[Readings, ...]
    findings: tuple[Finding, ...]
    frames: int
    damaged: int
    missing: int
    errors: int
    bytes: int
    seconds_took: float

    @property
    def rules(self) -> set[tuple[str, int | None]]:
        """Rules and channels that have findings here."""
        return {(f.rule, f.channel) for f in self.findings}


@dataclass(frozen=True, slots=True, eq=False)
class Whole:
    """A take that was read straight through to its end: all that a full check has."""

    measured: Measured
    coverage: Coverage


@dataclass(frozen=True, slots=True, eq=False)
class _Read:
    """What reading gave, before it is judged."""

    pictures: PictureRows
    sounds: list[SoundRows]
    frames: int
    damaged: int
    whole: bool


def shared_extent(piece: Piece) -> tuple[float, float]:
    """Return the seconds of which both pictures and sound were measured."""
    if piece.heard is None:
        return piece.start, piece.end
    return max(piece.start, piece.heard[0]), min(piece.end, piece.heard[1])


class _Stop:
    """Tells when to break off: where it is told to, and the sound has come so far."""

    def __init__(
        self, info: TakeInfo, go_on: Callable[[float], bool], late: Callable[[], bool]
    ) -> None:
        self._go_on, self._late = go_on, late
        video = info.video
        self._base = video.time_base if video is not None else None
        self._heard = {t.stream: 0.0 for t in info.audio}
        self._stopped_at: float | None = None

    def __call__(self, item: Picture | SoundBlock) -> bool:
        """Return whether to break off after a picture or a block of sound."""
        at = 0.0
        if isinstance(item, SoundBlock):
            at = item.start / item.track.sample_rate
            self._heard[item.track.stream] = at
        elif self._base is not None:
            at = float(item.pts * self._base)
        counts = self._base is None or isinstance(item, Picture)
        stopped = self._stopped_at
        if stopped is None:
            if counts and not self._go_on(at):
                self._stopped_at = at
            return False
        return (
            (counts and at - stopped > _SOUND_LATE_S)
            or all(heard > stopped for heard in self._heard.values())
            or self._late()
        )


class PieceMaker:
    """Measures stretches of one take.

    Parameters
    ----------
    judged : collection of str
        Rules that a window can judge.
    clock : function
        Gives the time now, as `time.monotonic`.
    """

    def __init__(
        self,
        info: TakeInfo,
        limits: Limits,
        *,
        judged: set[str],
        threads: int = 0,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._info, self._limits = info, limits
        self._kept = judged | FOUND_ANYHOW
        self._threads, self._clock = threads, clock
        self._measures = all_measures()
        self._fewest = float(_FEWEST_S * info.grid.rate)
        has_picture = info.video is not None
        self._at_least = float(_AT_LEAST_S * info.grid.rate) if has_picture else 0.0
        video = info.video
        if video is not None:
            video = replace(video, frames_expected=None)
        # Length and count are the whole take's: a window must not be held to them.
        self._own = replace(info, duration=None, video=video)

    def window(
        self, start: float, end: float, *, lead: float, until: float
    ) -> Piece | None:
        """Measure a stretch; None if nothing came of it.

        Parameters
        ----------
        start, end : float
            Seconds since the take's start.
        lead : float
            So much before the start may be measured with it.
        until : float
            When to break off, on this object's clock.
        """
        with WindowReader(
            self._info,
            Fraction(start).limit_denominator(1_000_000),
            Fraction(end).limit_denominator(1_000_000),
            lead=Fraction(lead).limit_denominator(1_000_000),
            threads=self._threads,
        ) as reader:
            piece = self._measure(reader, iter(reader), until=until)
        length = float(self._info.duration or math.inf)
        if piece is not None and piece.whole and end >= length - _FRAME_S:
            return replace(piece, at_end=True)
        return piece

    def is_there(self, moment: float) -> bool:
        """Tell whether the file holds a moment, or one shortly after it."""
        start = Fraction(moment).limit_denominator(1_000_000)
        try:
            with WindowReader(self._info, start, start + 1, threads=1) as reader:
                # Beyond its end a file leads to its last key frame.
                return any(True for _ in reader)
        except DecodeError:
            return False

    def straight(
        self, go_on: Callable[[float], bool], *, until: float
    ) -> Piece | Whole | None:
        """Measure from the take's start on, to its end if `go_on` lets it.

        Parameters
        ----------
        go_on : function of seconds
            Told after every picture (or block of sound, without pictures) where it
            begins; says whether to read on.
        until : float
            Up to then the sound may catch up with the pictures once reading stops.
        """
        began = self._clock()
        stop = _Stop(self._info, go_on, lambda: self._clock() > until)
        with TakeReader(self._info, threads=self._threads) as reader:
            read = self._read(iter(reader), stop)
            if read.whole:
                return self._whole(reader, read)
            return self._piece(reader, read, began)

    def _measure(
        self,
        reader: WindowReader,
        items: Iterator[Picture | SoundBlock],
        *,
        until: float,
    ) -> Piece | None:
        began = self._clock()
        read = self._read(items, lambda _: self._clock() > until)
        return self._piece(reader, read, began)

    def _read(
        self,
        items: Iterator[Picture | SoundBlock],
        stop: Callable[[Picture | SoundBlock], bool],
    ) -> _Read:
        setup = Setup(self._info, self._limits)
        pictures = PictureRows(setup, self._measures)
        sounds = {
            t.stream: SoundRows(setup, t, self._measures) for t in self._info.audio
        }
        frames = damaged = 0
        whole = True
        with one_opencv_thread():
            for item in items:
                if isinstance(item, Picture):
                    pictures.take(item)
                    frames += 1
                    damaged += item.damaged
                else:
                    sounds[item.track.stream].take(item)
                if stop(item) and frames >= self._at_least:
                    whole = False
                    break
            pictures.measure()
        self._at_least = 0.0
        return _Read(pictures, list(sounds.values()), frames, damaged, whole)

    def _piece(
        self, reader: WindowReader | TakeReader, read: _Read, began: float
    ) -> Piece | None:
        heard = tuple(s.readings() for s in read.sounds)
        if not read.frames and not any(r.rows for r in heard):
            return None
        cut = self._info.video is not None and not read.whole
        if cut and read.frames < self._fewest:
            return None
        decoder = reader.pictures
        measured = Measured(
            info=self._own,
            limits=self._limits,
            picture=read.pictures.readings(),
            sound=heard,
            totals=read.pictures.totals() | sound_totals(read.sounds),
            missing=self._missing(reader) if read.whole else (),
            changed_format=0 if decoder is None else decoder.changed_format,
            restarts=0 if decoder is None else decoder.restarts,
        )
        add_derived(measured, self._measures)
        start, end = _extent(measured)
        kept = self._kept
        if end - start >= _LONG_S:
            kept = kept | FOUND_IN_LONG
        found = find(measured, self._measures)
        return Piece(
            start=start,
            end=end,
            heard=_heard(measured),
            whole=read.whole,
            at_end=False,
            picture=measured.picture,
            sound=measured.sound,
            findings=tuple(f for f in found if f.rule in kept),
            frames=read.frames,
            damaged=read.damaged,
            missing=len(measured.missing),
            errors=_errors(reader),
            bytes=self._bytes(reader, end),
            seconds_took=self._clock() - began,
        )

    def _whole(self, reader: TakeReader, read: _Read) -> Whole:
        setup = Setup(self._info, self._limits)
        measured, coverage = all_of(setup, reader, read.pictures, read.sounds)
        add_derived(measured, self._measures)
        return Whole(measured, replace(coverage, mode="spot"))

    def _bytes(self, reader: WindowReader | TakeReader, end: float) -> int:
        """Return how much of the file was read; straight on, by the time it covers."""
        if isinstance(reader, WindowReader):
            return reader.bytes
        length = float(self._info.duration or 0)
        return int(self._info.bytes * min(end / length, 1.0)) if length else 0

    def _missing(self, reader: WindowReader | TakeReader) -> tuple[Fraction, ...]:
        if reader.pictures is None or self._info.video is None:
            return ()
        base = self._info.video.time_base
        shift = reader.key if isinstance(reader, WindowReader) else Fraction(0)
        lost = sorted(m * base + shift for m in reader.pictures.missing)
        if isinstance(reader, WindowReader):
            lost = [m for m in lost if reader.begin <= m < reader.end]
        return tuple(lost)


def _errors(reader: WindowReader | TakeReader) -> int:
    decoder = reader.pictures
    return (0 if decoder is None else decoder.errors) + sum(
        s.errors for s in reader.sounds.values()
    )


def _heard(measured: Measured) -> tuple[float, float] | None:
    """Return what all sound tracks share of a stretch."""
    if not measured.sound:
        return None
    if not all(r.rows for r in measured.sound):
        return 0.0, 0.0
    start = max(float(r.start(0)) for r in measured.sound)
    return start, max(start, min(float(r.start(r.rows)) for r in measured.sound))


def _extent(measured: Measured) -> tuple[float, float]:
    picture = measured.picture
    clocks = [picture] if picture is not None and picture.rows else []
    clocks = clocks or [r for r in measured.sound if r.rows]
    return (
        min(float(r.start(0)) for r in clocks),
        max(float(r.start(r.rows)) for r in clocks),
    )
