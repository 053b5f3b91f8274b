"""Short stretches of a recording, each read as a little take of its own."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from types import TracebackType
from typing import Any

import av
from av.audio.stream import AudioStream
from av.container import InputContainer
from av.packet import Packet
from av.stream import Discard
from av.video.stream import VideoStream

from qc.errors import DecodeError
from qc.media.clusters import Clusters, Spliced
from qc.media.container import open_recording
from qc.media.decoding import has_own_times
from qc.media.packets import packets_of
from qc.media.pictures import PictureDecoder
from qc.media.sound import ROWS_PER_SECOND, SoundDecoder
from qc.records import Picture, SoundBlock, TakeInfo

__all__ = ["WindowReader", "can_seek", "found_length"]

# How far before a wanted start to begin when the file's index leads behind it.
_STEP_BACK_S = (0, 2, 10)
# Packets looked through for a key frame, and for sound that the file holds late.
_MOST_PACKETS = 4000
_LATE_SOUND_PACKETS = 600
# Coded sound builds on what was before: the first packets behind a jump are not whole.
_UNSOUND_PACKETS = 3
# Sound and pictures of one moment lie so far apart in a file, at most.
_APART_S = 2


def can_seek(info: TakeInfo) -> bool:
    """Return whether windows can be sought: the file tells times and its length."""
    if info.video is not None and unindexed(info) is not None:
        return True
    if not info.duration:
        return False
    with open_recording(info.path, known=info) as container:
        if info.video is None:
            return True
        stream = container.streams[info.video.stream]
        return isinstance(stream, VideoStream) and has_own_times(stream)


def found_length(info: TakeInfo) -> Fraction | None:
    """Return how long a take is whose file does not say, as far as can be found.

    The last half second or so, of which the file's last piece holds an unknown part,
    does not count.
    """
    clusters = unindexed(info) if info.video is not None else None
    last = clusters.last() if clusters is not None else None
    return None if last is None else max(last[1] - info.origin, Fraction(0)) or None


def unindexed(info: TakeInfo) -> Clusters | None:
    """Return the clusters of a file whose index is missing, if it has clusters."""
    if not info.container.startswith("matroska"):
        return None
    clusters = Clusters(info.path)
    return None if clusters.indexed or not clusters.head else clusters


class WindowReader:
    """Decodes one stretch of a take, in the order the file holds it.

    It begins at the key frame at or before the start. What lies between that and the
    start is given too if it is short, else it is only decoded. Times count from the
    take's start. Use as a context manager and iterate; leaving early is no error.

    Parameters
    ----------
    info : TakeInfo
        Of the whole take.
    start, end : Fraction
        Seconds since the take's start.
    lead : Fraction
        Seconds before `start` that are given at most.
    threads : int
        Decoder threads; 0 takes what the machine has.

    Attributes
    ----------
    begin : Fraction
        From when on pictures and sound are given.
    key : Fraction
        When the first key frame is shown, in seconds since the take's start.
    bytes : int
        Coded bytes that were read.
    """

    def __init__(
        self,
        info: TakeInfo,
        start: Fraction,
        end: Fraction,
        *,
        lead: Fraction = Fraction(0),
        threads: int = 0,
    ) -> None:
        self._info = info
        self._start, self.end, self._lead = start, end, lead
        self._threads = threads
        self._container: InputContainer | None = None
        self._clusters = unindexed(info) if info.video is not None else None
        self._spliced: Spliced | None = None
        self._held: list[Packet[Any]] = []
        self.key = Fraction(0)
        self._shift_s = 0
        self._primed: dict[int, int] = {}
        self._passed: set[int] = set()
        self.pictures: PictureDecoder | None = None
        self.sounds: dict[int, SoundDecoder] = {}
        self.begin = start
        self.bytes = 0
        self.ended_early = ""

    def __enter__(self) -> WindowReader:
        self._container = open_recording(self._info.path, known=self._info)
        try:
            self._choose_streams(self._container)
            try:
                self._seek(self._container)
            except av.FFmpegError as error:
                raise DecodeError(
                    f"{self._info.path}: cannot go to a moment of this file: "
                    f"{error.strerror}"
                ) from error
            self._open(self._container)
        except BaseException:
            self.__exit__(None, None, None)
            raise
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        container, self._container = self._container, None
        self._held.clear()
        if self.pictures is not None:
            self.pictures.close()
        if container is not None:
            # Frame threads must be idle before their container goes.
            for stream in container.streams:
                if stream.codec_context is not None and stream.codec_context.is_open:
                    stream.codec_context.flush_buffers()
            container.close()
        if self._spliced is not None:
            self._spliced.close()
            self._spliced = None

    # ------------------------------------------------------------------ getting there

    def _choose_streams(self, container: InputContainer) -> None:
        info = self._info
        for stream in container.streams:
            stream.discard = Discard.all
        streams: list[Any] = [container.streams[t.stream] for t in info.audio]
        if info.video is not None:
            streams.append(container.streams[info.video.stream])
        for stream in streams:
            stream.discard = Discard.default
        self._streams = sorted(streams, key=lambda s: int(s.index))

    def _reopen_near(self, moment: Fraction, clusters: Clusters) -> InputContainer:
        """Open the file again as if it began at the cluster of a moment."""
        if self._container is not None:
            self._container.close()
            self._container = None
        if self._spliced is not None:
            self._spliced.close()
        place = clusters.before(moment)
        self._spliced = Spliced(self._info.path, clusters.head, place)
        self._container = open_recording(self._info.path, through=self._spliced)
        self._choose_streams(self._container)
        return self._container

    def _open(self, container: InputContainer) -> None:
        """Set up decoders whose clocks begin with this window."""
        info = self._info
        # Length and count are the whole take's: a window must not be held to them.
        own = replace(info, origin=info.origin + self.key, duration=None)
        if info.video is not None:
            own = replace(own, video=replace(info.video, frames_expected=None))
            stream = container.streams[info.video.stream]
            if not isinstance(stream, VideoStream):
                raise DecodeError(f"{info.path}: the file changed while it was read")
            self.pictures = PictureDecoder(own, stream, threads=self._threads)
            places = [p.pos for p in self._held if p.pos is not None]
            if places:
                # The check of a transport stream's numbering need not read the rest.
                self.pictures.begin_at(min(places))
        # Whole seconds, so that rows of sound lie where those of the whole take do.
        self._shift_s = self.key // 1 - 1
        origin = info.origin + self._shift_s
        for track in info.audio:
            sound = container.streams[track.stream]
            if isinstance(sound, AudioStream):
                self.sounds[sound.index] = SoundDecoder(sound, track, origin)
                exact = track.codec.startswith("pcm") or self.key <= 0
                self._primed[sound.index] = 0 if exact else _UNSOUND_PACKETS

    def _seek(self, container: InputContainer) -> None:
        info = self._info
        if info.video is None:
            at = max(info.origin + self._start, Fraction(0))
            container.seek(int(at * av.time_base), backward=True)
            self.key = self._start
            return
        stream = container.streams[info.video.stream]
        base = info.video.time_base
        target = info.origin + self._start
        found: Fraction | None = None
        for back in _STEP_BACK_S:
            # Before its first moment a file has nothing to go to.
            moment = max(target - back, info.origin)
            if self._clusters is not None:
                container = self._reopen_near(target - back, self._clusters)
            elif moment > info.origin or back:
                container.seek(int(moment / base), stream=stream, backward=True)
            found = self._find_key(container, info.video.stream)
            if found is not None and found <= target:
                break
        if found is None or found >= info.origin + self.end:
            raise DecodeError(
                f"{info.path}: no key frame was found where the file's index says"
            )
        self.key = found - info.origin
        near = self.key if self._start - self.key <= self._lead else self._start
        self.begin = max(near, self.key)

    def _find_key(self, container: InputContainer, index: int) -> Fraction | None:
        """Read on to a key frame; keep it, and the sound before it."""
        self._held.clear()
        for count, packet in enumerate(packets_of(container, self._streams)):
            if packet.size:
                self.bytes += packet.size
                if packet.stream.index != index:
                    self._held.append(packet)
                elif packet.is_keyframe:
                    moment = _moment(packet)
                    if moment is not None:
                        self._held.append(packet)
                        return moment
            if count > _MOST_PACKETS:
                break
        return None

    # ------------------------------------------------------------------------ reading

    def __iter__(self) -> Iterator[Picture | SoundBlock]:
        """Yield pictures and blocks of sound with times since the take's start."""
        if self._container is None:
            raise ValueError("WindowReader must be entered before it is iterated")
        for packet in self._packets(self._container):
            index = packet.stream.index
            sound = self.sounds.get(index)
            if sound is not None:
                if self._is_whole(packet, index):
                    yield from self._moved(sound.decode(packet))
            elif self.pictures is not None:
                yield from self._shown(self.pictures.decode(packet))
        if self.pictures is not None:
            flush: Packet[Any] = Packet()
            flush.stream = next(s for s in self._streams if s.type == "video")
            yield from self._shown(self.pictures.decode(flush))
            yield from self._shown(self.pictures.finish())
        for sound in self.sounds.values():
            yield from self._moved(sound.finish())

    def _packets(self, container: InputContainer) -> Iterator[Packet[Any]]:
        """Yield packets until every stream has passed the window's end."""
        info = self._info
        end = info.origin + self.end
        late = 0
        passed = self._passed
        try:
            for packet in self._in_order(container):
                if not packet.size:
                    continue
                index = packet.stream.index
                moment = _moment(packet, coded=True)
                if moment is not None and moment >= end:
                    passed.add(index)
                if len(passed) == len(self._streams):
                    return
                if info.video is not None and info.video.stream in passed:
                    far = moment is not None and moment > end + _APART_S
                    late += 1
                    if far or late > _LATE_SOUND_PACKETS:
                        return
                if index not in passed:
                    yield packet
        except av.FFmpegError as error:
            self.ended_early = error.strerror or type(error).__name__

    def _in_order(self, container: InputContainer) -> Iterator[Packet[Any]]:
        held, self._held = self._held, []
        yield from held
        for packet in packets_of(container, self._streams):
            self.bytes += packet.size
            yield packet

    def _is_whole(self, packet: Packet[Any], index: int) -> bool:
        """Tell whether sound is wanted and builds on what has been decoded."""
        moment = _moment(packet)
        begin = self._info.origin + self.begin
        if moment is not None and moment < begin - Fraction(1, 4):
            return False
        if self._primed[index] > 0:
            self._primed[index] -= 1
            try:
                packet.decode()
            except av.FFmpegError:
                return False
            return False
        return True

    def _shown(self, pictures: Iterator[Picture]) -> Iterator[Picture]:
        if self._info.video is None:
            return
        base = self._info.video.time_base
        origin = round(self._info.origin / base)
        shift = round((self._info.origin + self.key) / base) - origin
        for picture in pictures:
            picture.pts += shift
            moment = picture.pts * base
            if self.begin <= moment + base / 2 and moment < self.end:
                yield picture

    def _moved(self, blocks: Iterator[SoundBlock]) -> Iterator[SoundBlock]:
        for block in blocks:
            yield replace(
                block,
                start=block.start + self._shift_s * block.track.sample_rate,
                first_row=block.first_row + self._shift_s * ROWS_PER_SECOND,
            )


def _moment(packet: Packet[Any], *, coded: bool = False) -> Fraction | None:
    """Return when a packet is shown, or with `coded` from when on, in seconds."""
    ticks = (packet.pts, packet.dts)
    at = next((t for t in (ticks[::-1] if coded else ticks) if t is not None), None)
    base = packet.time_base or packet.stream.time_base
    return None if at is None or not base else at * Fraction(base)
