"""Feeds pictures and sound to every measure, and keeps what they give row by row."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from fractions import Fraction
from typing import cast

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.base import Measure, Measured, PictureReader, Setup, SoundReader
from qc.media.threads import frames_at_once
from qc.records import AudioTrack, Picture, Readings, SoundBlock
from qc.store import ColumnStore

__all__ = [
    "PictureRows",
    "SoundRows",
    "add_derived",
    "one_opencv_thread",
    "sound_totals",
]

_SOUND_TICK = Fraction(1, 100)
_MOST_GAP_ROWS = 360_000  # an hour


class PictureRows:
    """Feeds pictures to every picture measure and keeps the rows.

    A few pictures wait, and each measure reads them one after the other: what it works
    with is then still at hand in the processor, which takes a sixth off what measuring
    costs.
    """

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
        self._places = [
            {c.name: self._store.places[f"{m.name}.{c.name}"] for c in m.columns}
            for m in active
        ]
        self._edges: list[NDArray[np.int64]] = []
        self._block = np.empty(4096, np.int64)
        self._end = 0
        self._waiting: list[Picture] = []
        self._at_once = frames_at_once(setup.info.video)

    def take(self, picture: Picture) -> None:
        """Measure a picture, now or with the next ones, and keep its row."""
        self._waiting.append(picture)
        if len(self._waiting) == self._at_once:
            self.measure()

    def measure(self) -> None:
        """Measure the pictures that wait."""
        pictures, self._waiting = self._waiting, []
        rows = list(self._store.new_rows(len(pictures)))
        for (_, reader), places in zip(self._readers, self._places, strict=True):
            for picture, row in zip(pictures, rows, strict=True):
                for name, value in reader.read(picture).items():
                    row[places[name]] = value
        for picture in pictures:
            self._keep(picture)

    def _keep(self, picture: Picture) -> None:
        at = self._store.rows % len(self._block)
        self._block[at] = picture.pts
        self._store.keep_rows(1)
        if at + 1 == len(self._block):
            self._edges.append(self._block)
            self._block = np.empty_like(self._block)
        self._end = picture.pts + max(picture.duration, 1)

    def readings(self) -> Readings | None:
        """Return the rows; None if the take has no picture."""
        if self._info.video is None:
            return None
        self.measure()
        rest = self._store.rows % len(self._block)
        edges = np.concatenate([*self._edges, self._block[:rest], [self._end]])
        edges.flags.writeable = False
        return Readings("picture", self._info.video.time_base, edges, self._store)

    def totals(self) -> dict[str, Mapping[str, object]]:
        """Return what only the whole take gives, by measure; once, at the end."""
        self.measure()
        return {m.name: reader.finish() for m, reader in self._readers}


class SoundRows:
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
        """Measure a block of sound and keep its rows; a gap before it is NaN."""
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
        """Return the track's rows."""
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


def sound_totals(recorders: list[SoundRows]) -> dict[str, Mapping[str, object]]:
    """Return what only whole tracks give: by measure, a list under ``"tracks"``."""
    tracks: dict[str, list[Mapping[str, object]]] = {}
    for recorder in recorders:
        for measure, reader in recorder.readers:
            tracks.setdefault(measure.name, []).append(reader.finish())
    return {name: {"tracks": figures} for name, figures in tracks.items()}


@contextmanager
def one_opencv_thread() -> Iterator[None]:
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


def add_derived(measured: Measured, measures: tuple[Measure, ...]) -> None:
    """Add the columns that only the whole take gives to its picture readings."""
    readings = measured.picture
    for measure in measures:
        if measure.derive is None or readings is None:
            continue
        for name, values in measure.derive(measured).items():
            cast(ColumnStore, readings.columns).add(f"{measure.name}.{name}", values)
