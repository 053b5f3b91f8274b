"""Planes of a decoded frame as numpy views, and its colours for looking at."""

from __future__ import annotations

from typing import TypeAlias, cast

import numpy as np
from av.video.frame import VideoFrame
from numpy.typing import NDArray

from qc.signal import Signal

__all__ = ["is_rgb", "planes_of", "target_format", "to_rgb"]

Plane: TypeAlias = NDArray[np.unsignedinteger]

# Planar Y'CbCr that numpy can look at in place.
_PLANAR = tuple(
    f"{family}{kind}p{depth}"
    for family, kinds in (
        ("yuv", ("420", "422", "444", "440", "411", "410")),
        ("yuvj", ("420", "422", "444", "440", "411")),
        ("yuva", ("420", "422", "444")),
    )
    for kind in kinds
    for depth in ("", "9le", "10le", "12le", "14le", "16le")
)
_GRAY = ("gray", "gray9le", "gray10le", "gray12le", "gray14le", "gray16le")
_RGB_NAMES = ("pal", "gbr", "rgb", "bgr")
_DEPTHS = ((8, ""), (10, "10le"), (12, "12le"), (32, "16le"))
_FULL, _BT709 = 2, 1  # swscale's numbers for full range and the BT.709 matrix


def target_format(frame: VideoFrame) -> str | None:
    """Return the planar format a frame must be turned into, None if it is fine as is.

    Range and matrix stay the stream's for Y'CbCr; R'G'B' becomes full-range BT.709
    4:4:4 of its own depth.
    """
    name = frame.format.name
    if name in _PLANAR or name in _GRAY:
        return None
    bits = frame.format.components[0].bits
    depth = next(suffix for most, suffix in _DEPTHS if bits <= most)
    if frame.format.is_rgb or name.startswith((*_RGB_NAMES, "x2", "mono")):
        return f"yuv444p{depth}"
    if name.startswith(("gray", "ya")):
        return f"gray{depth}"
    sub = {(2, 2): "420", (2, 1): "422", (1, 1): "444"}.get(_subsampling(frame), "444")
    return f"yuv{sub}p{depth}"


def _subsampling(frame: VideoFrame) -> tuple[int, int]:
    parts = frame.format.components
    if len(parts) < 3:
        return (1, 1)
    across = frame.format.chroma_width(1 << 10)
    down = frame.format.chroma_height(1 << 10)
    return ((1 << 10) // max(across, 1), (1 << 10) // max(down, 1))


def is_rgb(frame: VideoFrame) -> bool:
    """Return whether the frame is coded in R'G'B'."""
    return bool(frame.format.is_rgb) or frame.format.name.startswith(_RGB_NAMES)


def planes_of(frame: VideoFrame) -> tuple[Plane, Plane, Plane]:
    """Return Y', Cb and Cr as read-only views on the decoder's buffers.

    Returns
    -------
    y, cb, cr : arrays of uint8 or uint16
        Native depth. Formats that are not planar Y'CbCr are converted first (see
        `target_format`); grey pictures get chroma planes without colour.
    """
    target = target_format(frame)
    if target is not None or any(p.line_size <= 0 for p in frame.planes):
        target = target or "yuv444p"
        if is_rgb(frame):
            frame = frame.reformat(
                format=target, dst_colorspace=_BT709, dst_color_range=_FULL
            )
        else:
            frame = frame.reformat(format=target)
    bits = frame.format.components[0].bits
    dtype = np.dtype(np.uint8) if bits <= 8 else np.dtype("<u2")
    y = _plane(frame, 0, dtype)
    if len(frame.planes) < 3:
        size = (y.shape[0] + 1) // 2, (y.shape[1] + 1) // 2
        grey = cast(Plane, np.full(size, 1 << (bits - 1), dtype))
        grey.flags.writeable = False
        return y, grey, grey
    return y, _plane(frame, 1, dtype), _plane(frame, 2, dtype)


def _plane(
    frame: VideoFrame, number: int, dtype: np.dtype[np.unsignedinteger]
) -> Plane:
    plane = frame.planes[number]
    stride = plane.line_size // dtype.itemsize
    rows: Plane = np.frombuffer(memoryview(plane), dtype, count=stride * plane.height)
    view = rows.reshape(plane.height, stride)[:, : plane.width]
    view.flags.writeable = False
    return view


def to_rgb(frame: VideoFrame, signal: Signal) -> NDArray[np.uint8]:
    """Return a frame in 8-bit R'G'B' for looking at, by its own matrix and range."""
    numbers = {"bt709": 1, "bt601": 5, "bt2020": 9}
    rgb = frame.reformat(
        format="rgb24",
        src_colorspace=None if is_rgb(frame) else numbers[signal.matrix],
        src_color_range=2 if signal.full_range else 1,
        dst_color_range=2,
    )
    return cast(NDArray[np.uint8], rgb.to_ndarray())
