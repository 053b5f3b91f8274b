"""Two plain ways to take numbers from every frame, timed beside the full check.

They say what little measuring costs where nobody has thought about speed, and what a
library written for speed takes for fewer numbers. Neither judges anything. Both decode
with as many threads as the check does, in a process of their own.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np
from av.audio.frame import AudioFrame
from av.filter import Graph
from av.video.frame import VideoFrame

__all__ = ["YARDSTICKS", "filter_statistics", "plain_loop"]

_WHITE = 235
# One figure of each: range and averages of the planes, width of edges, black, frozen;
# loudness with true peak, and levels.
_PICTURE_FILTERS = ("signalstats", "blurdetect", "blackdetect", "freezedetect")
_SOUND_FILTERS = (("ebur128", "peak=true"), ("astats", ""))


def _frames(path: Path | str, threads: int) -> Iterator[VideoFrame | AudioFrame]:
    with av.open(path) as container:
        video, sound = container.streams.video[0], container.streams.audio[0]
        video.thread_type = "AUTO"
        video.codec_context.thread_count = threads
        for packet in container.demux([video, sound]):
            for frame in packet.decode():
                if isinstance(frame, (VideoFrame, AudioFrame)):
                    yield frame


def plain_loop(path: Path | str, threads: int) -> dict[str, Any]:
    """Read frames as BGR with OpenCV's usual recipe: grey, Laplacian, threshold.

    Returns
    -------
    dict
        ``frames``; ``variance`` and ``white_percent``, means over the frames.
    """
    cv2.setNumThreads(1)
    frames, variance, white = 0, 0.0, 0.0
    for frame in _frames(path, threads):
        if not isinstance(frame, VideoFrame):
            continue
        grey = cv2.cvtColor(frame.to_ndarray(format="bgr24"), cv2.COLOR_BGR2GRAY)
        variance += float(cv2.Laplacian(grey, cv2.CV_64F).var())
        white += 100.0 * int(np.count_nonzero(grey >= _WHITE)) / grey.size
        frames += 1
    return {
        "frames": frames,
        "variance": variance / frames,
        "white_percent": white / frames,
    }


class _Chain:
    """Filters one behind the other, fed frame by frame."""

    def __init__(self, source: Any, sink: str, filters: Iterator[tuple[str, str]]):
        self._graph = Graph()
        self._graph.threads = 1  # as the check measures: the decoder has the others
        nodes = [source(self._graph)]
        nodes += [self._graph.add(name, given or None) for name, given in filters]
        nodes.append(self._graph.add(sink))
        self._graph.link_nodes(*nodes).configure()

    def put(self, frame: VideoFrame | AudioFrame) -> Iterator[Any]:
        """Yield the frames that come out, with what the filters say of them."""
        self._graph.push(frame)
        while True:
            try:
                yield self._graph.pull()
            except (av.BlockingIOError, av.EOFError):
                return


def filter_statistics(path: Path | str, threads: int) -> dict[str, Any]:
    """Read frames and sound through FFmpeg's own statistics filters.

    Returns
    -------
    dict
        ``frames``; ``luma``, the mean of the frames' mean luma codes.
    """
    frames, told, luma = 0, 0, 0.0
    with av.open(path) as container:
        video, sound = container.streams.video[0], container.streams.audio[0]
        pictures = _Chain(
            lambda graph: graph.add_buffer(template=video),
            "buffersink",
            ((name, "") for name in _PICTURE_FILTERS),
        )
        sounds = _Chain(
            lambda graph: graph.add_abuffer(template=sound),
            "abuffersink",
            iter(_SOUND_FILTERS),
        )
    for frame in _frames(path, threads):
        if isinstance(frame, AudioFrame):
            for _ in sounds.put(frame):
                pass
            continue
        frames += 1
        for out in pictures.put(frame):
            told += 1
            luma += float(out.metadata["lavfi.signalstats.YAVG"])
    if told != frames:
        raise SystemExit(f"the filters told of {told} of {frames} frames")
    return {"frames": frames, "luma": luma / frames}


YARDSTICKS = {
    "plain OpenCV loop": plain_loop,
    "FFmpeg's statistics filters": filter_statistics,
}
