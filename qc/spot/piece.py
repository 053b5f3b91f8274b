"""One stretch of a take, measured and judged as a little take of its own."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from fractions import Fraction

from qc.errors import DecodeError
from qc.judge import find
from qc.limits import Limits
from qc.measures import all_measures
from qc.measures.base import Measure, Measured, Setup
from qc.media import TakeReader
from qc.media.windows import WindowReader
from qc.records import Finding, Picture, Readings, SoundBlock, TakeInfo
from qc.rows import (
    PictureRows,
    SoundRows,
    add_derived,
    one_opencv_thread,
    sound_totals,
)
from qc.spot.needs import FOUND_ANYHOW

__all__ = ["Piece", "PieceMaker"]

# Of a window that time cut off, less than this is nothing to judge by.
_FEWEST_S = Fraction(3, 4)
# However slow the machine is, so much is seen.
_AT_LEAST_S = Fraction(1)


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """What a stretch showed.

    Attributes
    ----------
    start, end : float
        Seconds that were measured; of the pictures if the take has any.
    whole : bool
        It was measured to its end.
    """

    start: float
    end: float
    whole: bool
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
            return self._measure(reader, iter(reader), until=until)

    def is_there(self, moment: float) -> bool:
        """Tell whether the file holds a moment, or one shortly after it."""
        start = Fraction(moment).limit_denominator(1_000_000)
        try:
            with WindowReader(self._info, start, start + 1, threads=1) as reader:
                # Beyond its end a file leads to its last key frame.
                return any(True for _ in reader)
        except DecodeError:
            return False

    def from_start(self, *, until: float) -> Piece | None:
        """Measure from the take's start on, as far as time allows."""
        with TakeReader(self._info, threads=self._threads) as reader:
            return self._measure(reader, iter(reader), until=until)

    def _measure(
        self,
        reader: WindowReader | TakeReader,
        items: Iterator[Picture | SoundBlock],
        *,
        until: float,
    ) -> Piece | None:
        began = self._clock()
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
                late = self._clock() > until
                if late and frames >= self._at_least:
                    whole = False
                    break
        self._at_least = 0.0
        decoder = reader.pictures
        heard = tuple(s.readings() for s in sounds.values())
        if not frames and not any(r.rows for r in heard):
            return None
        if self._info.video is not None and not whole and frames < self._fewest:
            return None
        measured = Measured(
            info=self._own,
            limits=self._limits,
            picture=pictures.readings(),
            sound=heard,
            totals=pictures.totals() | sound_totals(list(sounds.values())),
            missing=self._missing(reader) if whole else (),
            changed_format=0 if decoder is None else decoder.changed_format,
            restarts=0 if decoder is None else decoder.restarts,
        )
        add_derived(measured, self._measures)
        start, end = _extent(measured)
        return Piece(
            start=start,
            end=end,
            whole=whole,
            picture=measured.picture,
            sound=measured.sound,
            findings=self._found(measured, self._measures),
            frames=frames,
            damaged=damaged,
            missing=len(measured.missing),
            errors=(0 if decoder is None else decoder.errors)
            + sum(s.errors for s in reader.sounds.values()),
            bytes=reader.bytes if isinstance(reader, WindowReader) else 0,
            seconds_took=self._clock() - began,
        )

    def _missing(self, reader: WindowReader | TakeReader) -> tuple[Fraction, ...]:
        if reader.pictures is None or self._info.video is None:
            return ()
        base = self._info.video.time_base
        shift = reader.key if isinstance(reader, WindowReader) else Fraction(0)
        lost = sorted(m * base + shift for m in reader.pictures.missing)
        if isinstance(reader, WindowReader):
            lost = [m for m in lost if reader.begin <= m < reader.end]
        return tuple(lost)

    def _found(
        self, measured: Measured, measures: tuple[Measure, ...]
    ) -> tuple[Finding, ...]:
        return tuple(f for f in find(measured, measures) if f.rule in self._kept)


def _extent(measured: Measured) -> tuple[float, float]:
    picture = measured.picture
    clocks = [picture] if picture is not None and picture.rows else []
    clocks = clocks or [r for r in measured.sound if r.rows]
    return (
        min(float(r.start(0)) for r in clocks),
        max(float(r.start(r.rows)) for r in clocks),
    )
