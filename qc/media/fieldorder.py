"""Which field of a frame the recording itself marks as the first."""

from __future__ import annotations

import av
import numpy as np
from av.filter import Graph
from av.video.frame import VideoFrame

from qc.media.planes import planes_of

__all__ = ["top_field_first"]

# FFmpeg's decoders of these mark either order; with others no mark may mean that
# nothing is known.
_MARKED = {"dvvideo", "h264", "mpeg1video", "mpeg2video", "mpeg4", "prores", "vc1"}


def top_field_first(frame: VideoFrame, codec: str) -> bool | None:
    """Return the mark that a frame carries; None where it does not show.

    Codecs mark each frame; PyAV does not hand the mark on, but FFmpeg's filter that
    separates fields goes by it: which lines come first, tells.

    Parameters
    ----------
    frame : VideoFrame
        An interlaced one, as decoded. If both of its fields are the same, as of an
        even grey, nothing shows.
    codec : str
        FFmpeg's name.
    """
    if codec not in _MARKED:
        return None
    graph = Graph()
    try:
        source = graph.add_buffer(
            width=frame.width,
            height=frame.height,
            format=frame.format,
            time_base=frame.time_base,
        )
        fields = graph.add("separatefields")
        sink = graph.add("buffersink")
        source.link_to(fields)
        fields.link_to(sink)
        graph.configure()
        source.push(frame)
        first = sink.pull()
    except (av.FFmpegError, ValueError):
        return None
    if not isinstance(first, VideoFrame):
        return None
    whole, lines = planes_of(frame)[0], planes_of(first)[0]
    is_upper, is_lower = (
        np.array_equal(lines, whole[row::2][: len(lines)]) for row in (0, 1)
    )
    return None if is_upper == is_lower else is_upper
