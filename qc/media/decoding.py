"""Frames in order of showing, whole or damaged, and the same with any threads.

Whole stretches are decoded by as many threads as there are. What frame threads make of
damage is a matter of chance, though: which frames come, in which order, and how they
look. So at the first sign of trouble the decoder goes back to a key frame before it and
a second one goes on with a single thread; where the picture is sound again, the first
takes over.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import av
from av.container import InputContainer
from av.packet import Packet
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from qc.media.container import open_recording
from qc.media.framenumbers import FrameNumbers
from qc.media.ledger import Ledger, Sent
from qc.media.threads import (
    closing_packets,
    frames_behind,
    give_all_frames,
    restart,
    use_threads,
)
from qc.media.transport import ContinuityCheck
from qc.records import TakeInfo, VideoTrack

__all__ = ["Decoded", "FrameDecoder", "has_own_times", "is_flush"]

# Frames are held back until those they may build on have come, at most so many bytes
# of them and never more than H.264's longest reordering.
_HELD_BYTES = 200 << 20
_HELD_FRAMES = 16
# Coded pictures that may be on their way through the decoder, with its most threads
# and its longest reordering. So far before the trouble the careful decoder begins.
_ON_THEIR_WAY = 32
_KEPT_BYTES = 128 << 20
_GIVEN_REMEMBERED = 4096
# Containers of constant rate in which damage can make whole pictures disappear: MXF
# and MPEG program streams. Others have an index, or frames of any length.
_UNBROKEN = ("mxf", "mpeg")
# Streams of coded pictures without any container. (MPEG-4 has its own times inside.)
_RAW = ("h264", "hevc", "mpegvideo")
# In frames; film carried at 60 fields a second has steps of one and a half.
_SKIP = 1.75
_INTRA = (0, 1)  # picture types of a frame that has none, and of intra frames
# FFmpeg's limit: shorter packets of MPEG-4 say "as before" and give no frame.
_MPEG4_EMPTY_BYTES = 19


def has_own_times(stream: VideoStream) -> bool:
    """Return whether the file says when each frame is shown.

    AVI has no presentation times. FFmpeg makes them up from the order of the packets,
    which for H.264 and HEVC need not be that of the pictures. Raw streams have none:
    of H.264 and HEVC the same holds, and MPEG-1 begins a period too early.
    """
    format_ = stream.container.format.name
    if format_ in _RAW:
        return False
    return format_ != "avi" or stream.codec_context.name not in ("h264", "hevc")


def is_flush(packet: Packet[Any]) -> bool:
    """Return whether a packet tells the decoder that no more follow."""
    return not packet.size and packet.pts is None and packet.dts is None


@dataclass(slots=True)
class Decoded:
    """A frame, and whether damage reaches it.

    Attributes
    ----------
    sent : Sent
        The coded picture it came from.
    whole : bool
        The decoder found no error in it.
    key : bool
        It can be decoded without others.
    damaged : bool
        It is not whole, or builds on what is not.
    """

    frame: VideoFrame
    sent: Sent
    whole: bool
    key: bool
    damaged: bool = False


class FrameDecoder:
    """Decodes one picture stream packet by packet.

    Parameters
    ----------
    info : TakeInfo
        Of a take with pictures.
    stream : VideoStream
        Not opened for decoding yet.
    threads : int
        0 takes what the machine has.
    tick : int
        Usual duration of a frame in ticks of the stream.

    Attributes
    ----------
    ledger : Ledger
        Which coded pictures were lost.
    """

    def __init__(
        self, info: TakeInfo, stream: VideoStream, *, threads: int, tick: int
    ) -> None:
        if info.video is None:
            raise ValueError(f"{info.path}: this take has no picture")
        self._info = info
        self._track: VideoTrack = info.video
        self._origin = round(info.origin / self._track.time_base)
        self._stamped = has_own_times(stream)
        self._fast = stream
        self._careful: VideoStream | None = None
        self._careful_container: InputContainer | None = None
        # Without times, frames decoded once more cannot be told from others.
        threads = threads if self._stamped else 1
        self._reordering = use_threads(stream, threads, self._track)
        self._strict = not self._stamped
        self._kept = _Kept()
        self._held: deque[Decoded] = deque()
        self._most_held: int | None = None
        self._given: deque[int] = deque(maxlen=_GIVEN_REMEMBERED)
        self._sound_from: int | None = None
        self._judged_through = -1  # last coded picture decoded strictly
        self._tick = tick
        self._last_dts: int | None = None
        self._unbroken = stream.container.format.name in _UNBROKEN
        self._continuity: ContinuityCheck | None = None
        if stream.container.format.name == "mpegts":
            self._continuity = ContinuityCheck(info.path, stream.id)
        self._numbers: FrameNumbers | None = None
        if info.video.codec == "h264":
            self._numbers = FrameNumbers(stream.codec_context.extradata or b"")
        self.ledger = Ledger(tick=tick, stamped=self._stamped)
        self._failed: set[int] = set()

    @property
    def errors(self) -> int:
        """How many coded pictures the decoder has reported errors for."""
        return len(self._failed)

    def decode(self, packet: Packet[VideoStream]) -> Iterator[Decoded]:
        """Yield the frames that this packet completes; an empty packet drains."""
        if packet.size:
            index = self.ledger.send(
                pts=packet.pts,
                dts=packet.dts,
                shown=not packet.is_discard and self._shows(packet),
                key=packet.is_keyframe,
            )
            last = self._last_dts
            if self._lacks_before(packet):
                yield from self._broken(index - 1, index)
            if self._builds_on_lost(packet, last):
                yield from self._broken(index, index)
            if packet.is_corrupt and self._continuity is None:
                yield from self._broken(index, index + 1)
            self._kept.add(index, packet)
            yield from self._decode(index, packet)
            yield from self._speed_up()
        elif is_flush(packet):
            if self._is_torn_before(None):
                yield from self._broken(self.ledger.count - 1, self.ledger.count)
            yield from self._decode(self.ledger.count, None)
        # Other empty packets say "as before"; they would end the decoding.

    def _lacks_before(self, packet: Packet[VideoStream]) -> bool:
        """Tell whether data are missing between a packet and the one before it."""
        torn = self._is_torn_before(packet.pos)
        last, dts = self._last_dts, packet.dts
        self._last_dts = dts
        if last is None or dts is None:
            return torn
        if dts < last:
            return False  # recordings joined end to end: nothing is missing
        return torn or (self._unbroken and dts - last > _SKIP * self._tick)

    def _builds_on_lost(
        self, packet: Packet[VideoStream], last_dts: int | None
    ) -> bool:
        """Tell whether pictures that this one builds on are not in the file."""
        if self._numbers is None:
            return False
        dts = packet.dts
        known = last_dts is not None and dts is not None
        late = known and (dts or 0) - (last_dts or 0) > _SKIP * self._tick
        return self._numbers.lacks(bytes(packet), late=late)

    def _is_torn_before(self, pos: int | None) -> bool:
        """Tell whether a transport stream is torn before a place in the file."""
        if self._continuity is None:
            return False
        return bool(self._continuity.breaks_until(pos)) and self.ledger.count > 1

    def _broken(self, first: int, until: int) -> Iterator[Decoded]:
        """Note that the data of coded pictures, or between them, are not whole."""
        self.ledger.broken(first, until)
        if not self._strict:
            yield from self._slow_down(max(first, 0), draining=False)

    def begin_at(self, place: int) -> None:
        """Expect the first packet at a place in the file, behind data not wanted."""
        if self._continuity is not None:
            self._continuity.begin_at(place)

    def finish(self) -> Iterator[Decoded]:
        """Yield what was held back when the stream has ended."""
        self.ledger.close()
        while self._held:
            yield self._judged(self._held.popleft())

    def close(self) -> None:
        """Let go of the second decoder, and of the file."""
        if self._continuity is not None:
            self._continuity.close()
            self._continuity = None
        if self._careful is not None:
            self._careful.codec_context.flush_buffers()
            self._careful = None
        if self._careful_container is not None:
            self._careful_container.close()
            self._careful_container = None

    def _shows(self, packet: Packet[VideoStream]) -> bool:
        """Tell whether a frame is to come from a packet that the container shows."""
        if self._track.codec == "mpeg4":
            return packet.size > _MPEG4_EMPTY_BYTES
        if self._track.codec == "vp8":
            # RFC 6386, 9.1: bit 4 of the first byte is show_frame.
            return bool(bytes(packet)[0] & 0x10)
        return True

    def _decode(
        self, index: int, packet: Packet[VideoStream] | None
    ) -> Iterator[Decoded]:
        """Decode one packet with the decoder whose turn it is; None drains it."""
        if self._strict:
            yield from self._decode_strictly(index, packet)
            return
        closing = closing_packets(self._fast) if packet is None else []
        for step, each in enumerate([*closing, packet]):
            trouble = self._decode_fast(index + step, each)
            if trouble is not None:
                yield from self._slow_down(min(trouble, index), draining=packet is None)
                return
            yield from self._ready()

    def _decode_fast(
        self, index: int, packet: Packet[VideoStream] | None
    ) -> int | None:
        """Take frames in; return the first coded picture in trouble, if one is."""
        try:
            frames = self._fast.codec_context.decode(packet)
        except av.FFmpegError:
            return self._result_of(index, packet)
        through = self._result_of(index, packet)
        self.ledger.know(through)
        for frame in frames:
            if not isinstance(frame, VideoFrame):
                continue
            if not self.ledger.awaits(frame.pts):
                if frame.pts in self._given:
                    continue  # see `_is_known`
                return through  # a frame that nobody has coded
            lost = self.ledger.first_lost(frame.pts)
            if lost is not None:
                return lost
            decoded = self._take_in(frame)
            if decoded is not None and not decoded.whole:
                return decoded.sent.index
        return self.ledger.first_loss if packet is None else None

    def _decode_strictly(
        self, index: int, packet: Packet[VideoStream] | None
    ) -> Iterator[Decoded]:
        """Decode one packet and put down whatever goes wrong."""
        stream = self._careful or self._fast
        through = self._result_of(index, packet)
        try:
            frames = stream.codec_context.decode(packet)
        except av.FFmpegError:
            self._failed.add(through)
            self.ledger.failed(through)
            frames = []
        self.ledger.know(through)
        for frame in frames:
            if not isinstance(frame, VideoFrame) or self._is_known(frame):
                continue
            if self._stamped and not self.ledger.awaits(frame.pts):
                if index <= self._judged_through:
                    continue  # it came before
                if frame.is_corrupt and frame.pts is None:
                    # Made of what damage has left; it has no place in the take.
                    self.ledger.failed(through)
                    continue
            decoded = self._take_in(frame)
            if decoded is not None and not decoded.whole:
                self.ledger.note_corrupt(decoded.sent)
        self._judged_through = max(self._judged_through, index)
        yield from self._ready()

    def _result_of(self, index: int, packet: Packet[VideoStream] | None) -> int:
        """Return of which coded picture the decoder tells when it is given a packet."""
        last = self.ledger.count - 1
        if packet is None:
            return last
        if self._strict and self._careful is not None:
            return index
        return min(index - frames_behind(self._fast), last)

    def _is_known(self, frame: VideoFrame) -> bool:
        """Tell a frame that was given before decoding began again before it."""
        return not self.ledger.awaits(frame.pts) and frame.pts in self._given

    def _take_in(self, frame: VideoFrame) -> Decoded | None:
        if self._most_held is None:
            if self._stamped and frame.pts is not None and frame.pts < self._origin:
                return None  # it only leads up to the frame that the take begins with
            size = sum(p.buffer_size for p in frame.planes)
            self._most_held = min(_HELD_FRAMES, max(2, _HELD_BYTES // max(size, 1)))
        key = bool(frame.key_frame)
        sent = self.ledger.came(frame.pts, key=key)
        decoded = Decoded(frame, sent, not frame.is_corrupt, key)
        at = len(self._held)
        # Behind an error, decoders give frames out of order.
        while self._strict and at and _shown_before(sent, self._held[at - 1].sent):
            at -= 1
        self._held.insert(at, decoded)
        return decoded

    def _ready(self) -> Iterator[Decoded]:
        """Yield the frames of which it is known whether damage has reached them."""
        while self._held:
            if len(self._held) <= (self._most_held or 0):
                first = self._held[0].sent
                if not self.ledger.complete(first):
                    return
                if self._strict and self.ledger.lacks(first):
                    return  # it may come yet
            else:
                self.ledger.settle(self._held[-1].sent)
            yield self._judged(self._held.popleft())

    def _judged(self, decoded: Decoded) -> Decoded:
        self.ledger.settle(decoded.sent)
        # Intra refresh marks frames as keys that are whole only some frames later.
        whole_key = (
            decoded.whole and decoded.key and int(decoded.frame.pict_type) in _INTRA
        )
        decoded.damaged = self.ledger.damaged(decoded.sent, whole_key=whole_key)
        if whole_key and self.ledger.sound:
            self._sound_from = decoded.sent.index
        if decoded.frame.pts is not None:
            self._given.append(decoded.frame.pts)
        return decoded

    def _slow_down(self, trouble: int, *, draining: bool) -> Iterator[Decoded]:
        """Decode once more, with one thread, from well before a coded picture."""
        packets = self._kept.since(trouble - _ON_THEIR_WAY)
        self._strict = True
        self._sound_from = None
        if packets or not self._kept.total:
            self._begin_again(packets[0][0] if packets else 0)
            self._open_careful()
        # Otherwise pictures are so large that none was kept: it goes on as it is.
        for index, packet in packets:
            yield from self._decode_strictly(index, packet)
        if draining:
            yield from self._decode_strictly(self.ledger.count, None)

    def _speed_up(self) -> Iterator[Decoded]:
        """Go back to many threads once a whole key frame has ended the trouble."""
        if not self._strict or self._careful is None or not self.ledger.sound:
            return
        if self._sound_from is None or not self._kept.has(self._sound_from):
            return
        first = self.ledger.first_outstanding
        if first is not None and first < self._sound_from:
            return
        packets = self._kept.since(self._sound_from)
        self._begin_again(packets[0][0])
        self._strict = False
        restart(self._fast, self._reordering)
        for index, packet in packets:
            yield from self._decode(index, packet)
            if self._strict:
                return  # trouble again: everything up to now has been decoded

    def _begin_again(self, index: int) -> None:
        for held in self._held:
            self.ledger.put_back(held.sent)
        self._held.clear()
        self.ledger.rewind(index - 1)

    def _open_careful(self) -> None:
        if self._careful is None:
            container = open_recording(self._info.path, known=self._info)
            self._careful_container = container
            stream = container.streams[self._track.stream]
            assert isinstance(stream, VideoStream)  # noqa: S101 -- same file as before
            stream.codec_context.thread_count = 1
            give_all_frames(stream)
            self._careful = stream
        else:
            self._careful.codec_context.flush_buffers()


def _shown_before(one: Sent, other: Sent) -> bool:
    return (
        one.pts is not None
        and other.pts is not None
        and one.clock == other.clock
        and one.pts < other.pts
    )


class _Kept:
    """The last coded pictures, from a key frame on; their data are not copied."""

    def __init__(self) -> None:
        self._packets: deque[tuple[int, Packet[VideoStream]]] = deque()
        self._keys: deque[int] = deque()
        self._bytes = 0
        self.total = 0

    def add(self, index: int, packet: Packet[VideoStream]) -> None:
        self.total += 1
        if packet.is_keyframe or not index:
            self._keys.append(index)
            # Signs of trouble come late: as many again.
            while len(self._keys) > 1 and self._keys[1] <= index - 2 * _ON_THEIR_WAY:
                self._keys.popleft()
        if not self._keys:
            return
        self._packets.append((index, packet))
        self._bytes += packet.size
        while self._bytes > _KEPT_BYTES and self._keys:
            self._keys.popleft()
            self._drop()
        self._drop()

    def _drop(self) -> None:
        first = self._keys[0] if self._keys else None
        while self._packets and (first is None or self._packets[0][0] < first):
            self._bytes -= self._packets.popleft()[1].size

    def has(self, index: int) -> bool:
        return bool(self._packets) and self._packets[0][0] <= index

    def since(self, index: int) -> list[tuple[int, Packet[VideoStream]]]:
        """Return the packets from the last key frame at or before `index`.

        If there is none, from the first key frame that is kept.
        """
        begin = max((k for k in self._keys if k <= index), default=None)
        if begin is None:
            return list(self._packets)
        return [(i, p) for i, p in self._packets if i >= begin]
