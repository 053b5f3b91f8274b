"""One pass over a recording: pictures and sound in the order the file holds them."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from types import TracebackType

import av
from av.audio.stream import AudioStream
from av.container import InputContainer
from av.packet import Packet
from av.stream import Discard
from av.video.stream import VideoStream

from qc.errors import DecodeError
from qc.media.container import open_recording
from qc.media.pictures import PictureDecoder
from qc.media.sound import SoundDecoder
from qc.records import Picture, SoundBlock, TakeInfo

__all__ = ["TakeReader"]


class TakeReader:
    """Decodes every frame and sample of a take, once.

    Use as a context manager and iterate. Damage is counted, not raised.

    Parameters
    ----------
    info : TakeInfo
        What `qc.media.probe` found.
    threads : int
        Decoder threads; 0 takes what the machine has.
    """

    def __init__(self, info: TakeInfo, *, threads: int = 0) -> None:
        self.info = info
        self._threads = threads
        self._container: InputContainer | None = None
        self.pictures: PictureDecoder | None = None
        self.sounds: dict[int, SoundDecoder] = {}
        self.ended_early: str = ""

    def __enter__(self) -> TakeReader:
        self._container = container = open_recording(self.info.path)
        for stream in container.streams:
            # What is not measured is not even read where the container allows it.
            stream.discard = Discard.all
        if self.info.video is not None:
            stream = container.streams[self.info.video.stream]
            stream.discard = Discard.default
            if not isinstance(stream, VideoStream):
                raise DecodeError(f"{self.info.path}: the file changed while it was read")
            stream.thread_type = "AUTO"
            stream.codec_context.thread_count = self._threads
            self.pictures = PictureDecoder(stream, self.info.video, self.info.origin)
        for track in self.info.audio:
            stream = container.streams[track.stream]
            stream.discard = Discard.default
            if isinstance(stream, AudioStream):
                self.sounds[stream.index] = SoundDecoder(
                    stream, track, self.info.origin
                )
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        container, self._container = self._container, None
        if container is not None:
            # Frame threads must be idle before their container goes.
            for stream in container.streams:
                if stream.codec_context is not None and stream.codec_context.is_open:
                    stream.codec_context.flush_buffers()
            container.close()

    def __iter__(self) -> Iterator[Picture | SoundBlock]:
        """Yield pictures and blocks of sound as the file gives them."""
        if self._container is None:
            raise ValueError("TakeReader must be entered before it is iterated")
        for packet in self._demux(self._container):
            # A flushing packet's own stream_index is not set; its stream is.
            index = packet.stream.index
            if self.pictures is not None and self.info.video is not None:
                if index == self.info.video.stream:
                    yield from self.pictures.decode(packet)
                    continue
            sound = self.sounds.get(index)
            if sound is not None:
                yield from sound.decode(packet)
        if self.pictures is not None:
            self.pictures.finish()
        for sound in self.sounds.values():
            yield from sound.finish()

    def _demux(self, container: InputContainer) -> Iterator[Packet]:
        wanted = list(self.sounds)
        if self.info.video is not None:
            wanted.append(self.info.video.stream)
        streams = [container.streams[i] for i in sorted(wanted)]
        try:
            yield from container.demux(streams)
        except av.FFmpegError as error:
            # The file breaks off: what came so far is measured; then the decoders
            # give what they still hold.
            self.ended_early = error.strerror or type(error).__name__
            for stream in streams:
                flush = Packet()
                flush.stream = stream
                yield flush

    def position(self, picture: Picture) -> Fraction:
        """Return when a picture begins, in seconds since the take's start."""
        if self.info.video is None:
            raise ValueError("this take has no picture")
        return picture.pts * self.info.video.time_base
