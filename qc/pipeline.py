"""One take: decode, measure, judge, report, in this order."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import TypeAlias, cast

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.errors import QCError
from qc.judge import advice_from, find, grade_of, usable_ranges
from qc.limits import Limits
from qc.measures import all_measures, default_limits
from qc.measures.base import (
    ROOMS,
    Measure,
    Measured,
    PictureReader,
    Setup,
    SoundReader,
)
from qc.measures.parts.sound.soundlines import with_names
from qc.media import TakeReader, probe
from qc.records import (
    AudioTrack,
    Coverage,
    Picture,
    Readings,
    SoundBlock,
    TakeFailure,
    TakeInfo,
    TakeResult,
)
from qc.store import ColumnStore

__all__ = ["Progress", "check_take", "measure_take"]

Progress: TypeAlias = Callable[[TakeInfo, Fraction], None]

_SOUND_TICK = Fraction(1, 100)


def check_take(
    path: Path | str,
    *,
    limits: Limits | None = None,
    video: int | None = None,
    threads: int = 0,
    progress: Progress | None = None,
) -> TakeResult | TakeFailure:
    """Measure every frame and sample of a recording and judge it.

    Parameters
    ----------
    path : path
        The recording; opened read-only.
    limits : Limits, optional
        House limits; the built-in ones if left out.
    video : int, optional
        Which picture stream to measure, counted from 0.
    threads : int
        Decoder threads; 0 takes what the machine has.
    progress : function of (TakeInfo, seconds), optional
        Told after every picture how far the take is measured.

    Returns
    -------
    TakeResult or TakeFailure
        A recording that cannot be measured is a failure, not an exception.
    """
    path = Path(path)
    limits = default_limits() if limits is None else limits
    stage = "open"
    try:
        info = with_names(probe(path, video=video), limits)
        stage = "measure"
        return measure_take(info, limits=limits, threads=threads, progress=progress)
    except QCError as error:
        return TakeFailure(path, stage, str(error))
    except MemoryError:
        return TakeFailure(
            path, stage, f"{path}: not enough memory to measure this take"
        )
    except OSError as error:
        return TakeFailure(
            path,
            "worker",
            f"{path}: could not be measured to its end: {error.strerror or error}; "
            "check that the card is in and that the disk has room for temporary files",
        )
    except Exception as error:
        # A mistake of ours must not cost the other takes of the same call.
        if os.environ.get("QC_DEBUG"):
            raise
        return TakeFailure(
            path,
            stage,
            f"{path}: could not be measured because of a fault in this program "
            f"({type(error).__name__}: {error}); please report it",
        )


def measure_take(
    info: TakeInfo,
    *,
    limits: Limits,
    threads: int = 0,
    progress: Progress | None = None,
) -> TakeResult:
    """Measure and judge a take that has been probed.

    Raises
    ------
    QCError
        A measure's setting does not fit this take, or the file cannot be read.
    """
    began = time.monotonic()
    measures = all_measures()
    setup = Setup(info, limits)
    pictures = _PictureRecorder(setup, measures)
    sounds = {t.stream: _SoundRecorder(setup, t, measures) for t in info.audio}
    with _one_opencv_thread(), TakeReader(info, threads=threads) as reader:
        for item in reader:
            if isinstance(item, Picture):
                pictures.take(item)
                if progress is not None:
                    progress(info, reader.position(item))
            else:
                sounds[item.track.stream].take(item)
                if progress is not None and info.video is None:
                    progress(info, Fraction(item.start, item.track.sample_rate))
        decoder = reader.pictures
        missing = [] if decoder is None else decoder.missing
        coverage = Coverage(
            mode="every frame",
            frames_read=0 if decoder is None else decoder.frames,
            frames_expected=info.frames_expected,
            frames_damaged=0 if decoder is None else decoder.damaged,
            frames_missing=len(missing),
            decode_errors=(0 if decoder is None else decoder.errors)
            + sum(s.errors for s in reader.sounds.values()),
            sound_read_s=max(
                (s.samples / s.track.sample_rate for s in reader.sounds.values()),
                default=0.0,
            ),
            elapsed_s=0.0,
        )
        changed = 0 if decoder is None else decoder.changed_format
        restarts = 0 if decoder is None else decoder.restarts
        ended_early = reader.ended_early
    base = info.video.time_base if info.video is not None else Fraction(1)
    measured = Measured(
        info=info,
        limits=limits,
        picture=pictures.readings(),
        sound=tuple(s.readings() for s in sounds.values()),
        totals=pictures.totals() | _sound_totals(list(sounds.values())),
        missing=tuple(m * base for m in sorted(missing)),
        changed_format=changed,
        restarts=restarts,
        ended_early=ended_early,
    )
    _derive(measured, measures)
    return _judge(measured, measures, coverage, began)


@contextmanager
def _one_opencv_thread() -> Iterator[None]:
    """Leave the other cores to the decoder while a take is measured.

    OpenCV's own threads cost more than they give on pictures of this size. The setting
    is the whole process's, so it is put back.
    """
    before = cv2.getNumThreads()
    cv2.setNumThreads(1)
    try:
        yield
    finally:
        cv2.setNumThreads(before)


def _derive(measured: Measured, measures: tuple[Measure, ...]) -> None:
    readings = measured.picture
    for measure in measures:
        if measure.derive is None or readings is None:
            continue
        for name, values in measure.derive(measured).items():
            cast(ColumnStore, readings.columns).add(f"{measure.name}.{name}", values)


def _judge(
    measured: Measured,
    measures: tuple[Measure, ...],
    coverage: Coverage,
    began: float,
) -> TakeResult:
    info = measured.info
    ends = [
        r.start(r.rows) for r in (measured.picture, *measured.sound) if r and r.rows
    ]
    duration = max(ends, default=Fraction(0))
    frames = info.grid.nearest(duration)
    if measured.picture is not None and measured.picture.rows:
        frames = info.grid.nearest(measured.picture.start(measured.picture.rows))
    findings = find(measured, measures)
    summary = {
        m.name: dict(m.summarise(measured)) for m in measures if m.summarise is not None
    }
    notes = [
        note
        for m in sorted(measures, key=_file_first)
        if m.notes is not None
        for note in m.notes(measured)
    ]
    if info.video is not None and not info.audio:
        notes.insert(0, "There is no sound in this file.")
    return TakeResult(
        info=info,
        coverage=replace(coverage, elapsed_s=time.monotonic() - began),
        grade=grade_of(findings),
        findings=findings,
        usable=usable_ranges(findings, measured, frames=frames),
        summary=summary,
        advice=advice_from(findings),
        notes=tuple(notes),
        picture=measured.picture,
        sound=measured.sound,
        duration=duration,
        limits=measured.limits,
    )


def _file_first(measure: Measure) -> bool:
    return measure.reading_order != ROOMS.index("file")


class _PictureRecorder:
    """Feeds pictures to every picture measure and keeps the rows."""

    def __init__(self, setup: Setup, measures: tuple[Measure, ...]) -> None:
        self._info = setup.info
        active = [m for m in measures if m.clock == "picture"]
        if setup.info.video is None:
            active = []
        self._readers = [(m, cast(PictureReader, m.start(setup))) for m in active]
        self._store = ColumnStore(
            {
                f"{m.name}.{c.name}": c.width if c.width > 1 else 0
                for m in active
                for c in m.columns
            }
        )
        self._edges: list[NDArray[np.int64]] = []
        self._block = np.empty(4096, np.int64)
        self._end = 0

    def take(self, picture: Picture) -> None:
        row = {}
        for measure, reader in self._readers:
            for name, value in reader.read(picture).items():
                row[f"{measure.name}.{name}"] = value
        at = self._store.rows % len(self._block)
        self._block[at] = picture.pts
        self._store.append(row)
        if at + 1 == len(self._block):
            self._edges.append(self._block)
            self._block = np.empty_like(self._block)
        self._end = picture.pts + max(picture.duration, 1)

    def readings(self) -> Readings | None:
        if self._info.video is None:
            return None
        rest = self._store.rows % len(self._block)
        edges = np.concatenate([*self._edges, self._block[:rest], [self._end]])
        edges.flags.writeable = False
        return Readings("picture", self._info.video.time_base, edges, self._store)

    def totals(self) -> dict[str, Mapping[str, object]]:
        return {m.name: reader.finish() for m, reader in self._readers}


_MOST_GAP_ROWS = 360_000  # an hour


class _SoundRecorder:
    """Feeds one track's blocks to every sound measure and keeps the rows."""

    def __init__(
        self, setup: Setup, track: AudioTrack, measures: tuple[Measure, ...]
    ) -> None:
        self._track = track
        active = [m for m in measures if m.clock == "sound"]
        self.readers = [(m, cast(SoundReader, m.start(setup, track))) for m in active]
        self._store = ColumnStore(
            {
                f"{m.name}.{c.name}": track.channels if c.per_channel else 0
                for m in active
                for c in m.columns
            }
        )
        self._first: int | None = None
        self._next = 0
        self._others: list[tuple[int, int, AudioTrack]] = []

    def take(self, block: SoundBlock) -> None:
        if self._first is None:
            self._first = self._next = block.first_row
        if block.first_row > self._next:
            # The decoder keeps gaps within bounds; a disk must not fill in any case.
            missing = min(block.first_row - self._next, _MOST_GAP_ROWS)
            self._store.extend({}, missing)
            self._next += missing
        rows = len(block.row_edges) - 1
        if not block.samples.shape[1]:
            # Sound of another kind: its place is kept, and what it is.
            self._store.extend({}, rows)
            begin = self._next - self._first
            self._others.append((begin, begin + rows, block.track))
            self._next += rows
            return
        values: dict[str, NDArray[np.floating]] = {}
        for measure, reader in self.readers:
            for name, value in reader.read(block).items():
                values[f"{measure.name}.{name}"] = np.asarray(value)
        self._store.extend(values, rows)
        self._next += rows

    def readings(self) -> Readings:
        first = self._first or 0
        edges = np.arange(first, first + self._store.rows + 1, dtype=np.int64)
        edges.flags.writeable = False
        if self._others:
            channels, rates = np.full((2, self._store.rows), np.nan, np.float32)
            for begin, end, kind in self._others:
                channels[begin:end] = kind.channels
                rates[begin:end] = kind.sample_rate
            self._store.add("damage.other_channels", channels)
            self._store.add("damage.other_rate", rates)
        return Readings("sound", _SOUND_TICK, edges, self._store, self._track)


def _sound_totals(recorders: list[_SoundRecorder]) -> dict[str, Mapping[str, object]]:
    tracks: dict[str, list[Mapping[str, object]]] = {}
    for recorder in recorders:
        for measure, reader in recorder.readers:
            tracks.setdefault(measure.name, []).append(reader.finish())
    return {name: {"tracks": figures} for name, figures in tracks.items()}
