"""Every sample as `SoundBlock`s of whole rows: one second, cut at hundredths."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction

import av
import numpy as np
from av.audio.frame import AudioFrame
from av.audio.stream import AudioStream
from av.container import InputContainer
from av.packet import Packet
from numpy.typing import NDArray

from qc.records import AudioTrack, SoundBlock

__all__ = [
    "HIGHEST_RATE",
    "LOWEST_RATE",
    "ROWS_PER_SECOND",
    "SoundDecoder",
    "float_samples",
    "row_start",
]

ROWS_PER_SECOND = 100

# Time stamps of some containers are rounded to milliseconds: less than two rows of
# difference between the stamp and the count of samples is no gap.
_TOLERANCE_S = Fraction(2, ROWS_PER_SECOND)

# So near in floats is surely near enough: they round by a millionth of that.
_SURELY_S = 0.01

# A stamp is believed when so many frames behind it do not contradict it: one that
# damage made up stands alone.
_WITNESSES = 2
# House choices. A clock that runs back by more than this has begun anew. The last
# frame has no witness: its stamp is believed up to a gap of _ALONE_S. All gaps of a
# track together, and the distance of its begin from the take's, have a bound, and no
# gap leads further than _BEYOND_S past the announced end.
_BACK_S = 1
_ALONE_S = 10
_BEYOND_S = 10
_GAPS_S = 3600
# Rates that sound is recorded with, in Hz, with much to spare.
LOWEST_RATE, HIGHEST_RATE = 1000, 1_000_000
_PIECE_SAMPLES = 1 << 20


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
    if raw.dtype.kind in "iu":
        bits = 8 * raw.dtype.itemsize
        return raw.astype(np.float32) * np.float32(2.0 ** (1 - bits))
    return raw.astype(np.float32, copy=False)


class _Stamped:
    """A decoded frame, its stamp in seconds since the take's start, its length.

    Fractions are made when they are wanted: of most frames only `about_s` is.

    Attributes
    ----------
    about_s : float
        The stamp, to a millionth; NaN if there is none.
    """

    __slots__ = ("_base", "_origin", "_usual_rate", "about_s", "frame")

    def __init__(
        self, frame: AudioFrame, origin: Fraction, origin_s: float, usual_rate: int
    ) -> None:
        self.frame = frame
        self._origin, self._usual_rate = origin, usual_rate
        self._base = base = frame.time_base
        self.about_s = math.nan
        if frame.pts is not None and base is not None:
            self.about_s = frame.pts * base.numerator / base.denominator - origin_s

    @property
    def stamp(self) -> Fraction | None:
        if self.frame.pts is None or self._base is None:
            return None
        return self.frame.pts * Fraction(self._base) - self._origin

    @property
    def length(self) -> Fraction:
        rate = self.frame.sample_rate
        if not LOWEST_RATE <= rate <= HIGHEST_RATE:
            rate = self._usual_rate
        return Fraction(self.frame.samples, rate)


class SoundDecoder:
    """Decodes one sound stream packet by packet into blocks of whole rows.

    Sound of another kind than the track's, other channels or another rate, cannot be
    measured with it. It comes as blocks without samples: their `track` tells the kind,
    their rows are where it lies.
    """

    def __init__(
        self, stream: AudioStream, track: AudioTrack, origin: Fraction
    ) -> None:
        self._stream = stream
        self.track = track
        self._origin, self._origin_s = origin, float(origin)
        self._announced = _announced_end(stream, origin)
        self._queue: deque[_Stamped] = deque()
        self._shift = Fraction(0)  # seconds from the stamps' clock to the track's
        self._gaps_s = Fraction(0)
        self._parts: list[NDArray[np.float32]] = []
        self._have = 0
        self._start: int | None = None  # number of the first sample held back
        self._next_row: int | None = None
        self._gap = False
        self._other: AudioTrack | None = None
        self._other_from: Fraction | None = None
        self._reached: Fraction | None = None  # where unmeasured sound ends
        self.samples = 0
        self.errors = 0
        self.gaps = 0
        self.restarts = 0

    def decode(self, packet: Packet[AudioStream]) -> Iterator[SoundBlock]:
        """Yield the blocks that this packet completes; an empty packet flushes."""
        try:
            frames = packet.decode()
        except av.FFmpegError:
            self.errors += 1
            return
        for frame in frames:
            if isinstance(frame, AudioFrame) and frame.samples:
                rate = self.track.sample_rate
                self._queue.append(_Stamped(frame, self._origin, self._origin_s, rate))
                if len(self._queue) > _WITNESSES:
                    yield from self._take_in(self._queue.popleft())

    def finish(self) -> Iterator[SoundBlock]:
        """Yield what is left."""
        while self._queue:
            yield from self._take_in(self._queue.popleft())
        yield from self._release(everything=True)
        yield from self._release_other()

    def _take_in(self, item: _Stamped) -> Iterator[SoundBlock]:
        frame, rate = item.frame, self.track.sample_rate
        channels = frame.layout.nb_channels
        other = channels != self.track.channels or frame.sample_rate != rate
        if other or not self._goes_on(item):
            place, is_gap = self._place(item)
            if other:
                self.errors += 1
                yield from self._release(everything=True)
                self._start = None
                kind = replace(
                    self.track, channels=channels, sample_rate=frame.sample_rate
                )
                yield from self._take_other(place, item.length, kind)
                return
            if is_gap or self._reached is not None:
                yield from self._release(everything=True)
                yield from self._release_other()
                self.gaps += is_gap
                self._gap = self._next_row is not None
                self._start = None
                self._reached = None
            if self._start is None:
                self._start = round(place * rate)
        samples = float_samples(frame)
        for first in range(0, samples.shape[1], _PIECE_SAMPLES):
            piece = samples[:, first : first + _PIECE_SAMPLES]
            self._parts.append(piece)
            self._have += piece.shape[1]
            self.samples += piece.shape[1]
            if self._have >= rate:
                yield from self._release(everything=False)

    def _goes_on(self, item: _Stamped) -> bool:
        """Tell what nearly every frame does, surely: to begin where the last ended."""
        if self._start is None or self._reached is not None:
            return False
        expected = (self._start + self._have) / self.track.sample_rate
        return abs(item.about_s + float(self._shift) - expected) < _SURELY_S

    def _place(self, item: _Stamped) -> tuple[Fraction, bool]:
        """Return when a frame begins on the track's clock, and if behind a gap."""
        expected = self._reached
        if expected is None and self._start is not None:
            expected = Fraction(self._start + self._have, self.track.sample_rate)
        if expected is None:
            return self._first_place(item), False
        if item.stamp is None:
            return expected, False
        stamped = item.stamp + self._shift
        ahead = stamped - expected
        if -_BACK_S <= ahead <= _TOLERANCE_S:
            return expected, False
        if ahead > 0 and self._is_plausible(stamped, ahead):
            if self._is_witnessed(item, exact=False):
                self._gaps_s += ahead
                return stamped, True
        elif self._queue and self._is_witnessed(item, exact=True):
            # Another clock from here on, as where recordings were joined.
            self.restarts += 1
            self._shift -= ahead
        return expected, False

    def _first_place(self, item: _Stamped) -> Fraction:
        place = item.stamp
        if place is not None and len(self._queue) > 1:
            second = self._queue[0]
            if second.stamp is not None and _agree(second, [self._queue[1]], True):
                ahead = second.stamp - place - item.length
                if not -_TOLERANCE_S <= ahead <= _GAPS_S:
                    place = second.stamp - item.length
        if place is None:
            return Fraction(0)
        if abs(place) > _GAPS_S:
            self.restarts += 1
            self._shift, place = -place, Fraction(0)
        return place

    def _is_plausible(self, stamped: Fraction, gap: Fraction) -> bool:
        if gap + self._gaps_s > _GAPS_S or (not self._queue and gap > _ALONE_S):
            return False
        return self._announced is None or stamped <= self._announced + _BEYOND_S

    def _is_witnessed(self, item: _Stamped, *, exact: bool) -> bool:
        """Tell whether the following frames agree with a frame's stamp."""
        return _agree(item, list(self._queue)[:_WITNESSES], exact)

    def _take_other(
        self, place: Fraction, length: Fraction, kind: AudioTrack
    ) -> Iterator[SoundBlock]:
        """Keep the place of sound that cannot be measured."""
        if self._other != kind:
            yield from self._release_other()
        if self._other is None:
            self._other, self._other_from = kind, place
        self._reached = place + length
        if self._other_from is not None and self._reached - self._other_from >= 1:
            yield from self._release_other()

    def _release_other(self) -> Iterator[SoundBlock]:
        kind, begin, end = self._other, self._other_from, self._reached
        self._other = self._other_from = None
        if kind is None or begin is None or end is None:
            return
        first_row = int(begin * ROWS_PER_SECOND // 1)
        if self._next_row is not None:
            first_row = max(first_row, self._next_row)
        last_row = int(-(-end * ROWS_PER_SECOND // 1))
        if last_row <= first_row:
            return
        samples = np.zeros((kind.channels, 0), np.float32)
        edges = np.zeros(last_row - first_row + 1, np.int64)
        samples.flags.writeable = edges.flags.writeable = False
        yield SoundBlock(
            track=kind,
            samples=samples,
            start=round(begin * kind.sample_rate),
            first_row=first_row,
            row_edges=edges,
            gap_before=True,
        )
        self._next_row = last_row

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


def _agree(item: _Stamped, following: list[_Stamped], exact: bool) -> bool:
    """Tell whether frames follow each other by their stamps.

    With `exact`, without any gap between them.
    """
    if item.stamp is None:
        return False
    end = item.stamp + item.length
    for other in following:
        if other.stamp is None:
            continue
        ahead = other.stamp - end
        if ahead < -_TOLERANCE_S or (exact and ahead > _TOLERANCE_S):
            return False
        end = other.stamp + other.length
    return True


def _announced_end(stream: AudioStream | None, origin: Fraction) -> Fraction | None:
    """Return when the file says that it ends, in seconds since the take's start."""
    if stream is None or not isinstance(stream.container, InputContainer):
        return None
    ends = []
    container = stream.container
    if container.duration:
        begin = container.start_time or 0
        ends.append(Fraction(begin + container.duration, av.time_base))
    if stream.duration and stream.time_base:
        begin = stream.start_time or 0
        ends.append((begin + stream.duration) * Fraction(stream.time_base))
    return max(ends) - origin if ends else None
