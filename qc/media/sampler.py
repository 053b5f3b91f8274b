"""Single frames of a take, fetched again after measuring."""

from __future__ import annotations

from collections.abc import Generator, Iterable, Iterator
from dataclasses import replace
from fractions import Fraction

import av
from av.container import InputContainer
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from qc.errors import DecodeError
from qc.media.container import bears, fingerprint, open_recording
from qc.media.decoding import has_own_times
from qc.media.packets import packets_of
from qc.media.planes import planes_of, to_rgb
from qc.media.reader import TakeReader
from qc.media.threads import give_all_frames
from qc.records import Picture, Still, TakeInfo

__all__ = ["stills_at"]

# A wanted frame this close behind the one before is decoded up to, not sought.
_NEAR_S = 2
# How far before a wanted frame to begin when a seek lands behind it, or among frames
# that build on others before it.
_STEP_BACK_S = (0, 2, 10)


def stills_at(
    info: TakeInfo, ticks: Iterable[int], *, whole: bool = False
) -> Generator[tuple[int, Still], None, None]:
    """Fetch the frames that are showing at some moments, each decoded once more.

    Parameters
    ----------
    info : TakeInfo
    ticks : iterable of int
        Moments in ticks of the picture's time base since the take's start.
    whole : bool
        The take holds no damage: frames that only lie between are left out where the
        coding tells that others do not build on them. What damage looks like may
        depend on any of them.

    Yields
    ------
    tick, Still
        In order of time. A frame that cannot be decoded again is left out.

    Raises
    ------
    DecodeError
        The file is no longer the one that was measured, or cannot be opened.
    """
    wanted = sorted(set(ticks))
    if info.video is None or not wanted:
        return
    if info.fingerprint and not _is_still(info):
        # Pictures of somebody else's take must not get into this report.
        raise DecodeError(f"{info.path}: the file has changed since it was measured")
    with open_recording(info.path, known=info) as container:
        stream = container.streams[info.video.stream]
        if not isinstance(stream, VideoStream):
            return
        if has_own_times(stream):
            yield from _by_seeking(container, stream, info, wanted, whole=whole)
            return
    yield from _by_counting(info, wanted)


def _is_still(info: TakeInfo) -> bool:
    """Tell whether a file is the one that was measured, though it may have grown."""
    return fingerprint(info.path) == info.fingerprint or bears(info.path, info.marks)


def _by_seeking(
    container: InputContainer,
    stream: VideoStream,
    info: TakeInfo,
    wanted: list[int],
    *,
    whole: bool,
) -> Iterator[tuple[int, Still]]:
    assert info.video is not None  # noqa: S101 -- the caller has looked
    # Slice threads: a frame-threaded loop that is left early may not come to rest. And
    # H.264's hide errors in another way than the threads that measured.
    stream.thread_type = "SLICE"
    stream.codec_context.thread_count = int(stream.codec_context.name == "h264")
    give_all_frames(stream)
    origin = round(info.origin / info.video.time_base)
    near = round(_NEAR_S / info.video.time_base)
    moments = [tick + origin for tick in wanted]
    # H.264 says on which pictures no other builds; in fields, one of two may be such.
    spares = whole and info.video.codec == "h264" and not info.video.interlaced
    frames = _Frames(container, stream, moments)
    goes_on = False
    for tick, pts, following in zip(wanted, moments, [*moments[1:], None], strict=True):
        frame, came_from_before = None, goes_on
        goes_on = following is not None and following - pts <= near
        if spares and _key_between(stream, pts, following):
            goes_on = False
        if spares:
            frame = frames.exactly(pts, seek=not came_from_before)
        elif came_from_before:
            frame = frames.up_to(pts)
        if frame is None or frame.is_corrupt:
            frame = _frame_at(frames, pts, info)
        if frame is not None:
            yield tick, _still(frame, tick, info)
    stream.codec_context.flush_buffers()


def _key_between(stream: VideoStream, pts: int, following: int | None) -> bool:
    """Tell whether the index lets one begin again nearer to a moment than another is.

    Where there is no index, it does not.
    """
    if following is None or not len(stream.index_entries):
        return False
    search = stream.index_entries.search_timestamp
    return search(following) > search(pts)


def _by_counting(info: TakeInfo, wanted: list[int]) -> Iterator[tuple[int, Still]]:
    """Decode from the start: nothing says where in the file a moment is."""
    with TakeReader(replace(info, audio=())) as reader:
        last: VideoFrame | None = None
        rest = list(wanted)
        for timed in reader.timed_frames():
            while rest and timed.pts > rest[0]:
                tick = rest.pop(0)
                if last is not None:
                    yield tick, _still(last, tick, info)
            last = timed.frame
            if not rest:
                return
        if last is not None:
            for tick in rest:
                yield tick, _still(last, tick, info)


class _Frames:
    """Frames of one stream from wherever the file was last sought to.

    The frame behind the one that was asked for is kept: asking for a later one goes on
    from there.

    Parameters
    ----------
    moments : list of int
        Times of the frames that will be asked for.
    """

    def __init__(
        self, container: InputContainer, stream: VideoStream, moments: list[int]
    ) -> None:
        self._container, self._stream = container, stream
        self._rest: Iterator[VideoFrame] = iter(())
        self._ahead: VideoFrame | None = None
        self._last: VideoFrame | None = None
        self._moments = frozenset(moments)
        self._sparing = False

    def seek(self, pts: int | None) -> None:
        """Go to the key frame at or before a time; None: to the file's start."""
        self._rest, self._ahead, self._last = iter(()), None, None
        if pts is None:
            self._container.seek(0, backward=True, any_frame=False)
        else:
            self._container.seek(
                pts, stream=self._stream, backward=True, any_frame=False
            )
        self._stream.codec_context.flush_buffers()
        self._rest = self._decoded()

    def up_to(self, pts: int) -> VideoFrame | None:
        """Decode until past `pts`; return the frame showing then, None if none is."""
        for frame in self._coming():
            if frame.pts is not None and frame.pts > pts:
                self._ahead = frame
                return self._last
            self._last = frame
            if frame.pts == pts:
                return frame
        return _if_showing(self._last, pts)

    def exactly(self, pts: int, *, seek: bool) -> VideoFrame | None:
        """Return the whole frame of this very time, None if that takes more than this.

        Pictures on which no other builds are not decoded on the way, unless they will
        be asked for.

        Parameters
        ----------
        seek : bool
            False goes on from the frame before.
        """
        self._sparing = True
        try:
            if seek:
                self.seek(pts)
            frame = self.up_to(pts)
        except av.FFmpegError:
            return None
        finally:
            self._sparing = False
        whole = frame is not None and frame.pts == pts and not frame.is_corrupt
        return frame if whole else None

    def _coming(self) -> Iterator[VideoFrame]:
        ahead, self._ahead = self._ahead, None
        if ahead is not None:
            yield ahead
        yield from self._rest

    def _decoded(self) -> Iterator[VideoFrame]:
        context = self._stream.codec_context
        begun = False
        try:
            for packet in packets_of(self._container, [self._stream]):
                spare = self._sparing and packet.pts not in self._moments
                context.skip_frame = "NONREF" if spare else "DEFAULT"
                try:
                    frames = packet.decode()
                except av.FFmpegError:
                    continue
                for frame in frames:
                    if not isinstance(frame, VideoFrame) or frame.pts is None:
                        continue
                    sound = packet.size and not frame.is_corrupt
                    begun = bool(begun or frame.key_frame or sound)
                    # What a decoder still holds at the end comes without such marks.
                    if begun or packet.size:
                        yield frame
        except av.FFmpegError:
            return


def _frame_at(frames: _Frames, pts: int, info: TakeInfo) -> VideoFrame | None:
    """Return the frame showing at `pts`, by the index, else from ever earlier."""
    assert info.video is not None  # noqa: S101 -- the caller has looked
    best: VideoFrame | None = None
    for back in (*_STEP_BACK_S, None):
        try:
            ticks = 0 if back is None else round(Fraction(back) / info.video.time_base)
            frames.seek(None if back is None else pts - ticks)
        except av.FFmpegError:
            continue
        found = frames.up_to(pts)
        if found is None:
            continue
        best = found
        # Behind an open group of pictures' start, frames are broken that were whole.
        if not found.is_corrupt or back == _STEP_BACK_S[-1]:
            break
    return best


def _if_showing(last: VideoFrame | None, pts: int) -> VideoFrame | None:
    """Return the file's last frame if it still shows at `pts`.

    Where a file's clock starts again, moments of the take are not in it.
    """
    if last is None or last.pts is None:
        return None
    held = last.duration or pts - last.pts + 1
    return last if pts < last.pts + held else None


def _still(frame: VideoFrame, tick: int, info: TakeInfo) -> Still:
    assert info.video is not None  # noqa: S101 -- the caller has looked
    y, cb, cr = planes_of(frame)
    picture = Picture(
        index=-1,
        pts=tick,
        y=y,
        cb=cb,
        cr=cr,
        signal=info.video.signal,
        interlaced=info.video.interlaced,
        top_field_first=info.video.scan != "bottom field first",
        key=bool(frame.key_frame),
    )
    rgb = to_rgb(frame, info.video.signal)
    rgb.flags.writeable = False
    return Still(picture=picture, rgb=rgb)
