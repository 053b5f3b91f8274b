"""One pass over a recording: pictures and sound in the order the file holds them."""

from __future__ import annotations

from collections.abc import Generator, Iterator
from contextlib import closing
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
from qc.media.ahead import read_ahead
from qc.media.container import open_recording
from qc.media.packets import packets_of
from qc.media.pictures import PictureDecoder, Timed
from qc.media.sound import SoundDecoder
from qc.media.threads import frames_ahead
from qc.records import Picture, SoundBlock, TakeInfo

__all__ = ["TakeReader"]

# A file that cannot be read on is tried again this often: what lies behind a damaged
# place may be whole.
_READ_ATTEMPTS = 50


class TakeReader:
    """Decodes every frame and sample of a take, once.

    Use as a context manager and iterate. Damage is counted, not raised. Frames, damage
    and what is missing are the same however many threads decode.

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
        self._container = container = open_recording(self.info.path, known=self.info)
        try:
            self._prepare(container)
        except BaseException:
            container.close()
            raise
        return self

    def _prepare(self, container: InputContainer) -> None:
        for stream in container.streams:
            # What is not measured is not even read where the container allows it.
            stream.discard = Discard.all
        if self.info.video is not None:
            stream = container.streams[self.info.video.stream]
            if not isinstance(stream, VideoStream):
                raise DecodeError(
                    f"{self.info.path}: the file changed while it was read"
                )
            stream.discard = Discard.default
            self.pictures = PictureDecoder(self.info, stream, threads=self._threads)
        for track in self.info.audio:
            sound = container.streams[track.stream]
            sound.discard = Discard.default
            if isinstance(sound, AudioStream):
                self.sounds[sound.index] = SoundDecoder(sound, track, self.info.origin)

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        container, self._container = self._container, None
        if self.pictures is not None:
            self.pictures.close()
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
            sound = self.sounds.get(index)
            if sound is not None:
                yield from sound.decode(packet)
            elif self.pictures is not None:
                yield from self.pictures.decode(packet)
        if self.pictures is not None:
            yield from self.pictures.finish()
        for sound in self.sounds.values():
            yield from sound.finish()

    def ahead(self) -> Generator[Picture | SoundBlock, None, None]:
        """Yield as iterating does, a few items decoded ahead in another thread.

        Decoder threads depend on each other and do not fill every core all the time;
        measuring, which would else wait for the next picture, does. Not where one
        thread was asked for. Close it before the reader.
        """
        if self._threads == 1:
            yield from self
            return
        with closing(read_ahead(self, frames_ahead(self.info.video))) as items:
            yield from items

    def timed_frames(self) -> Iterator[Timed]:
        """Yield frames as decoded, with their times, instead of pictures; no sound."""
        if self._container is None or self.pictures is None:
            raise ValueError("TakeReader must be entered, and the take have pictures")
        for packet in self._demux(self._container):
            if packet.stream.index not in self.sounds:
                yield from self.pictures.timed(packet)
        yield from self.pictures.rest()

    def _demux(self, container: InputContainer) -> Iterator[Packet[Any]]:
        wanted = list(self.sounds)
        if self.info.video is not None:
            wanted.append(self.info.video.stream)
        streams = [container.streams[i] for i in sorted(wanted)]
        for _ in range(_READ_ATTEMPTS):
            try:
                yield from packets_of(container, streams)
            except av.FFmpegError as error:
                self.ended_early = error.strerror or type(error).__name__
            else:
                return
        # The file breaks off: what came so far is measured; then the decoders give
        # what they still hold.
        for stream in streams:
            flush: Packet[Any] = Packet()
            flush.stream = stream
            yield flush

    def position(self, picture: Picture) -> Fraction:
        """Return when a picture begins, in seconds since the take's start."""
        if self.info.video is None:
            raise ValueError("this take has no picture")
        return picture.pts * self.info.video.time_base
