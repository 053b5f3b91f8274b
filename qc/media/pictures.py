"""Every frame as a `Picture`: planes as decoded, damage located."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass

from av.packet import Packet
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from qc.media.decoding import Decoded, FrameDecoder, has_own_times
from qc.media.planes import planes_of, target_format, to_rgb
from qc.records import Picture, TakeInfo

__all__ = ["PictureDecoder", "Timed", "planes_of", "target_format", "to_rgb"]

# Times that lie further back than this are no matter of reordering.
_FAR_S = 1
# Behind a time that leaps so many frames are waited for, as many as a decoder may hold:
# does the clock come back?
_WITNESSES = 16


@dataclass(slots=True)
class Timed:
    """A decoded frame, when it is shown, and whether damage reaches it.

    Attributes
    ----------
    pts : int
        Ticks since the take's start.
    """

    frame: VideoFrame
    pts: int
    duration: int
    damaged: bool
    key: bool


class PictureDecoder:
    """Decodes one picture stream packet by packet and keeps count of damage.

    Decoding errors do not end it. A frame counts as damaged when the decoder reports
    an error in it, and so do the frames decoded after it up to the next one that can be
    decoded on its own, because they are built on it. Packets from which no frame came
    are counted as missing frames once the stream has ended.

    Parameters
    ----------
    info : TakeInfo
        Of a take with pictures.
    stream : VideoStream
        Not opened for decoding yet.
    threads : int
        0 takes what the machine has.

    Attributes
    ----------
    frames, damaged : int
        Frames given, and those that damage reaches.
    changed_format : int
        Frames left out because they are of another size or format than the first.
    restarts : int
        How often the file's clock ran back; the take's goes on.
    missing : list of int
        Ticks since the take's start of frames that did not come, or were left out.
    """

    def __init__(
        self, info: TakeInfo, stream: VideoStream, *, threads: int = 0
    ) -> None:
        if info.video is None:
            raise ValueError(f"{info.path}: this take has no picture")
        track = self._track = info.video
        self._origin = round(info.origin / track.time_base)
        self._tick = max(1, round(1 / (track.frame_rate * track.time_base)))
        self._far = math.floor(_FAR_S / track.time_base)  # in ticks
        self._stamped = has_own_times(stream)
        self._decoder = FrameDecoder(info, stream, threads=threads, tick=self._tick)
        self._next: deque[Decoded] = deque()
        self._last_pts: int | None = None
        self._last_duration = 0
        self._first_dts: int | None = None
        self._shift: dict[int, int] = {}
        self._offset = 0
        self._shape: tuple[str, int, int] | None = None
        self.frames = 0
        self.damaged = 0
        self.changed_format = 0
        self.restarts = 0
        self.missing: list[int] = []

    @property
    def errors(self) -> int:
        """How many errors the decoder has reported."""
        return self._decoder.errors

    def begin_at(self, place: int) -> None:
        """Expect the first packet at a place in the file, behind data not wanted."""
        self._decoder.begin_at(place)

    def decode(self, packet: Packet[VideoStream]) -> Iterator[Picture]:
        """Yield the pictures that this packet completes; an empty packet drains."""
        for timed in self.timed(packet):
            yield self._picture(timed)

    def finish(self) -> Iterator[Picture]:
        """Yield what was held back; count what has not come as missing."""
        for timed in self.rest():
            yield self._picture(timed)

    def timed(self, packet: Packet[VideoStream]) -> Iterator[Timed]:
        """Yield frames and their times as `decode` does."""
        for decoded in self._decoder.decode(packet):
            # The next one's time tells whether this one's can be.
            self._next.append(decoded)
            yield from self._due(ended=False)

    def rest(self) -> Iterator[Timed]:
        """Yield frames and their times as `finish` does."""
        self._next.extend(self._decoder.finish())
        yield from self._due(ended=True)
        for sent in self._decoder.ledger.lost:
            if sent.pts is not None:
                shift = self._shift.get(sent.clock, self._offset)
                self.missing.append(sent.pts - self._origin + shift)
        self.missing.sort()

    def close(self) -> None:
        """Let go of what the decoder has opened."""
        self._decoder.close()

    def _due(self, *, ended: bool) -> Iterator[Timed]:
        """Yield the frames of which those behind show whether their time can be.

        Where data are missing, decoders give frames of both sides by turns.
        """
        waiting = self._next
        while len(waiting) > (0 if ended else 1):
            at, stray = 0, False
            if self._leaps(waiting[0]):
                if len(waiting) <= _WITNESSES and not ended:
                    return
                # Made up by damage: the clock has gone on as if nothing were.
                stray = self._goes_on(waiting[-1])
                if not stray:
                    at = next((i for i, d in enumerate(waiting) if self._goes_on(d)), 0)
            decoded = waiting[at]
            del waiting[at]
            yield from self._time(decoded, stray=stray)

    def _leaps(self, decoded: Decoded) -> bool:
        """Tell a time far beyond the last one."""
        pts = decoded.frame.pts
        if not self._stamped or pts is None or self._last_pts is None:
            return False
        return self._far_behind(self._last_raw, pts)

    def _goes_on(self, decoded: Decoded) -> bool:
        """Tell a time a little later than the last one."""
        pts = decoded.frame.pts
        return pts is not None and pts > self._last_raw and not self._leaps(decoded)

    @property
    def _last_raw(self) -> int:
        """The last frame's time on the clock that runs now."""
        return (self._last_pts or 0) + self._origin - self._offset

    def _time(self, decoded: Decoded, *, stray: bool) -> Iterator[Timed]:
        frame = decoded.frame
        pts = self._ticks(frame, decoded.sent.clock, stray=stray)
        self._last_pts = pts
        self._last_duration = frame.duration or self._tick
        shape = (frame.format.name, frame.width, frame.height)
        if self._shape is None:
            self._shape = shape
        if shape == self._shape:
            yield Timed(frame, pts, self._last_duration, decoded.damaged, decoded.key)
        else:
            # The picture changed its size or format on the way: other numbers would
            # not compare with those before. Counted, told, and left out.
            self.changed_format += 1
            self.missing.append(pts)

    def _picture(self, timed: Timed) -> Picture:
        y, cb, cr = planes_of(timed.frame)
        picture = Picture(
            index=self.frames,
            pts=timed.pts,
            duration=timed.duration,
            y=y,
            cb=cb,
            cr=cr,
            signal=self._track.signal,
            interlaced=self._track.interlaced,
            top_field_first=self._track.scan != "bottom field first",
            damaged=timed.damaged,
            key=timed.key,
        )
        self.frames += 1
        self.damaged += timed.damaged
        return picture

    def _ticks(self, frame: VideoFrame, clock: int, *, stray: bool) -> int:
        """Return ticks since the take's start; time never stands still or runs back."""
        last = self._last_pts
        if self._stamped and frame.pts is not None and not stray:
            pts = frame.pts - self._origin + self._offset
            if last is not None and self._far_behind(pts, last):
                # The clock began anew, as where recordings were joined.
                self.restarts += 1
                self._offset += last + self._last_duration - pts
                pts = last + self._last_duration
            self._shift[clock] = self._offset
        elif not self._stamped and frame.dts is not None:
            if self._first_dts is None:
                self._first_dts = frame.dts
            pts = frame.dts - self._first_dts
        else:
            pts = 0 if last is None else last + self._last_duration
        return pts if last is None else max(pts, last + 1)

    def _far_behind(self, pts: int, other: int) -> bool:
        return other - pts > self._far
