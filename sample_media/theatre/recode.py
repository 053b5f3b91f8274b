"""Pictures through a real encoder and back, in memory: coding noise as it is."""

from __future__ import annotations

import io
from collections.abc import Iterable, Iterator
from fractions import Fraction

import av
import numpy as np
from numpy.typing import NDArray

__all__ = ["planes_of", "through_h264"]

Codes = NDArray[np.unsignedinteger]
Planes = tuple[Codes, Codes, Codes]


def _frame_of(planes: Planes) -> av.VideoFrame:
    y = planes[0]
    height, width = y.shape
    name = "yuv420p" if y.dtype == np.uint8 else "yuv422p10le"
    frame = av.VideoFrame(width, height, name)
    for plane, own in zip(planes, frame.planes, strict=True):
        store = np.frombuffer(memoryview(own), y.dtype).reshape(
            -1, own.line_size // y.itemsize
        )
        store[:, : plane.shape[1]] = plane
    return frame


def planes_of(frame: av.VideoFrame) -> Planes:
    """Copy the planes out of a decoded frame."""
    dtype = np.dtype(np.uint8 if frame.format.components[0].bits == 8 else np.uint16)
    y, cb, cr = (
        np.frombuffer(memoryview(p), dtype).reshape(-1, p.line_size // dtype.itemsize)[
            : p.height, : p.width
        ].copy()
        for p in frame.planes
    )  # fmt: skip
    return y, cb, cr


def through_h264(
    pictures: Iterable[Planes], *, fps: Fraction, crf: int = 20
) -> Iterator[Planes]:
    """Code pictures as H.264 and decode them again.

    Parameters
    ----------
    pictures : iterable of (y, cb, cr)
        All of one size; uint8 is 4:2:0, uint16 is 10-bit 4:2:2.
    crf : int
        The encoder's quality; 18 to 23 is what good cameras and recorders leave.
    """
    store = io.BytesIO()
    with av.open(store, "w", format="mov") as out:
        stream = None
        for number, planes in enumerate(pictures):
            frame = _frame_of(planes)
            if stream is None:
                stream = out.add_stream("libx264", rate=fps)
                stream.width, stream.height = frame.width, frame.height
                stream.pix_fmt = frame.format.name
                stream.codec_context.thread_count = 1
                stream.options = {"crf": str(crf), "preset": "veryfast"}
            frame.pts, frame.time_base = number, 1 / fps
            out.mux(stream.encode(frame))
        if stream is None:
            return
        out.mux(stream.encode(None))
    store.seek(0)
    with av.open(store, "r") as back:
        for frame in back.decode(video=0):
            yield planes_of(frame)
