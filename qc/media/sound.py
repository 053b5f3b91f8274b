"""Every sample as `SoundBlock`s of whole rows: one second, cut at hundredths."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

import av
import numpy as np
from av.audio.frame import AudioFrame
from av.audio.stream import AudioStream
from av.packet import Packet
from numpy.typing import NDArray

from qc.records import AudioTrack, SoundBlock

__all__ = ["ROWS_PER_SECOND", "SoundDecoder", "float_samples", "row_start"]

ROWS_PER_SECOND = 100

# Time stamps of some containers are rounded to milliseconds: less than two rows of
# difference between the stamp and the count of samples is no gap.
_TOLERANCE_S = Fraction(2, ROWS_PER_SECOND)


def row_start(row: int, sample_rate: int) -> int:
    """Return the first sample of a row: rows are hundredths of a second.

    Examples
    --------
    >>> [row_start(r, 11025) for r in range(4)]
    [0, 111, 221, 331]
    """
    return -(-row * sample_rate // ROWS_PER_SECOND)


def float_samples(frame: AudioFrame) -> NDArray[np.float32]:
    """Return a frame's samples as (channels, n) float32 where 1.0 is full scale.

    Integer samples are divided by the magnitude of their most negative value, so that
    24-bit sound stays exact.
    """
    raw = frame.to_ndarray()
    if not frame.format.is_planar:
        raw = raw.reshape(-1, frame.layout.nb_channels).T
    if raw.dtype == np.uint8:
        return (raw.astype(np.float32) - 128.0) / 128.0
    if np.issubdtype(raw.dtype, np.integer):
        bits = 8 * raw.dtype.itemsize
        return raw.astype(np.float32) * np.float32(2.0 ** (1 - bits))
    return raw.astype(np.float32)


class SoundDecoder:
    """Decodes one sound stream packet by packet into blocks of whole rows."""

    def __init__(
        self, stream: AudioStream, track: AudioTrack, origin: Fraction
    ) -> None:
        self._stream = stream
        self.track = track
        self._origin = origin
        self._parts: list[NDArray[np.float32]] = []
        self._have = 0
        self._start: int | None = None  # number of the first sample held back
        self._next_row: int | None = None
        self._gap = False
        self.samples = 0
        self.errors = 0
        self.gaps = 0

    def decode(self, packet: Packet[AudioStream]) -> Iterator[SoundBlock]:
        """Yield the blocks that this packet completes; an empty packet flushes."""
        try:
            frames = packet.decode()
        except av.FFmpegError:
            self.errors += 1
            return
        for frame in frames:
            if isinstance(frame, AudioFrame):
                yield from self._take_in(frame)

    def _take_in(self, frame: AudioFrame) -> Iterator[SoundBlock]:
        rate = self.track.sample_rate
        if (
            frame.layout.nb_channels != self.track.channels
            or frame.sample_rate != rate
            or frame.samples == 0
        ):
            self.errors += frame.samples != 0
            return
        samples = float_samples(frame)
        expected = None if self._start is None else self._start + self._have
        position = expected
        if frame.pts is not None and frame.time_base is not None:
            seconds = frame.pts * Fraction(frame.time_base) - self._origin
            stamped = round(seconds * rate)
            if expected is None:
                position = stamped
            elif stamped - expected > _TOLERANCE_S * rate:
                self.gaps += 1
                yield from self._release(everything=True)
                self._gap = True
                self._start = None
                position = stamped
        if position is None:
            position = 0
        if self._start is None:
            self._start = position
        self._parts.append(samples)
        self._have += samples.shape[1]
        self.samples += samples.shape[1]
        if self._have >= rate:
            yield from self._release(everything=False)

    def finish(self) -> Iterator[SoundBlock]:
        """Yield what is left."""
        yield from self._release(everything=True)

    def _release(self, *, everything: bool) -> Iterator[SoundBlock]:
        if self._start is None or not self._have:
            return
        rate = self.track.sample_rate
        start, stop = self._start, self._start + self._have
        first_row = start * ROWS_PER_SECOND // rate
        if self._next_row is not None and first_row < self._next_row:
            # Behind a gap that ended inside a row that is already given away.
            first_row = self._next_row
        last_row = stop * ROWS_PER_SECOND // rate
        end = stop if everything else row_start(last_row, rate)
        if everything and stop > row_start(last_row, rate):
            last_row += 1
        last_row = max(last_row, first_row + 1)
        if end <= start:
            return
        data = np.concatenate(self._parts, axis=1)
        block, rest = data[:, : end - start], data[:, end - start :]
        edges = np.array(
            [row_start(r, rate) - start for r in range(first_row, last_row + 1)],
            np.int64,
        )
        edges[0] = 0
        edges[-1] = block.shape[1]
        np.clip(edges, 0, block.shape[1], out=edges)
        block = np.ascontiguousarray(block)
        block.flags.writeable = False
        edges.flags.writeable = False
        yield SoundBlock(
            track=self.track,
            samples=block,
            start=start,
            first_row=first_row,
            row_edges=edges,
            gap_before=self._gap,
        )
        self._gap = False
        self._next_row = last_row
        self._parts = [rest] if rest.shape[1] else []
        self._have = rest.shape[1]
        self._start = end
