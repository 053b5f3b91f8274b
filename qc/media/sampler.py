"""Single frames of a take, fetched again after measuring."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from fractions import Fraction

import av
from av.container import InputContainer
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from qc.media.container import open_recording
from qc.media.pictures import planes_of, to_rgb
from qc.records import Picture, Still, TakeInfo

__all__ = ["stills_at"]

# How far before a wanted frame to begin when a seek lands behind it.
_STEP_BACK_S = (0, 2, 10)


def stills_at(info: TakeInfo, ticks: Iterable[int]) -> Iterator[tuple[int, Still]]:
    """Fetch the frames that are showing at some moments, each decoded once more.

    Parameters
    ----------
    info : TakeInfo
    ticks : iterable of int
        Moments in ticks of the picture's time base since the take's start.

    Yields
    ------
    tick, Still
        In order of time. A frame that cannot be decoded again is left out.
    """
    if info.video is None:
        return
    wanted = sorted(set(ticks))
    if not wanted:
        return
    with open_recording(info.path) as container:
        stream = container.streams[info.video.stream]
        if not isinstance(stream, VideoStream):
            return
        # Slice threads: a frame-threaded loop that is left early may not come to rest.
        stream.thread_type = "SLICE"
        stream.codec_context.thread_count = 0
        origin = round(info.origin / info.video.time_base)
        for tick in wanted:
            frame = _frame_at(container, stream, tick + origin, info)
            if frame is not None:
                yield tick, _still(frame, tick, info)
        stream.codec_context.flush_buffers()


def _frame_at(
    container: InputContainer, stream: VideoStream, pts: int, info: TakeInfo
) -> VideoFrame | None:
    """Return the frame showing at `pts`, by the index, else from ever earlier."""
    best: VideoFrame | None = None
    for back in _STEP_BACK_S:
        best = _decode_to(container, stream, pts, Fraction(back), info)
        if best is not None:
            return best
    try:
        container.seek(0, backward=True, any_frame=False)
    except av.FFmpegError:
        return None
    return _scan_to(container, stream, pts)


def _decode_to(
    container: InputContainer,
    stream: VideoStream,
    pts: int,
    back: Fraction,
    info: TakeInfo,
) -> VideoFrame | None:
    assert info.video is not None  # noqa: S101 -- the caller has looked
    target = pts - round(back / info.video.time_base)
    try:
        container.seek(target, stream=stream, backward=True, any_frame=False)
    except av.FFmpegError:
        return None
    return _scan_to(container, stream, pts)


def _scan_to(
    container: InputContainer, stream: VideoStream, pts: int
) -> VideoFrame | None:
    """Decode until past `pts`; return the last frame not after it, None if none was."""
    stream.codec_context.flush_buffers()
    last: VideoFrame | None = None
    try:
        for packet in container.demux(stream):
            try:
                frames = packet.decode()
            except av.FFmpegError:
                continue
            for frame in frames:
                if not isinstance(frame, VideoFrame) or frame.pts is None:
                    continue
                if frame.pts > pts:
                    return last
                last = frame
                if frame.pts == pts:
                    return frame
    except av.FFmpegError:
        return last
    return last


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
