"""Planes of a decoded frame as numpy views, and its colours for looking at."""

from __future__ import annotations

from functools import lru_cache
from typing import TypeAlias, cast

import numpy as np
from av.video.format import VideoFormat
from av.video.frame import VideoFrame
from av.video.plane import VideoPlane
from numpy.typing import NDArray

from qc.signal import Signal

__all__ = ["is_rgb", "planes_of", "target_format", "to_rgb"]

Plane: TypeAlias = NDArray[np.unsignedinteger]

# Planar Y'CbCr that numpy can look at in place.
_PLANAR = frozenset(
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
_NARROW, _WIDE = np.dtype(np.uint8), np.dtype("<u2")
_FULL, _BT709 = 2, 1  # swscale's numbers for full range and the BT.709 matrix


def target_format(frame: VideoFrame) -> str | None:
    """Return the planar format a frame must be turned into, None if it is fine as is.

    Range and matrix stay the stream's for Y'CbCr; R'G'B' becomes full-range BT.709
    4:4:4 of its own depth.
    """
    return _target_of(frame.format.name)[0]


@lru_cache(maxsize=64)
def _target_of(name: str) -> tuple[str | None, int]:
    """Return what a format must be turned into, see `target_format`, and its bits."""
    kind = VideoFormat(name)
    bits = kind.components[0].bits
    if name in _PLANAR or name in _GRAY:
        return None, bits
    depth = next(suffix for most, suffix in _DEPTHS if bits <= most)
    if kind.is_rgb or name.startswith((*_RGB_NAMES, "x2", "mono")):
        return f"yuv444p{depth}", bits
    if name.startswith(("gray", "ya")):
        return f"gray{depth}", bits
    sub = {(2, 2): "420", (2, 1): "422", (1, 1): "444"}.get(_subsampling(kind), "444")
    return f"yuv{sub}p{depth}", bits


def _subsampling(kind: VideoFormat) -> tuple[int, int]:
    if len(kind.components) < 3:
        return (1, 1)
    across = kind.chroma_width(1 << 10)
    down = kind.chroma_height(1 << 10)
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
    target, bits = _target_of(frame.format.name)
    planes = frame.planes
    if target is not None or any(p.line_size <= 0 for p in planes):
        target = target or "yuv444p"
        if is_rgb(frame):
            frame = frame.reformat(
                format=target, dst_colorspace=_BT709, dst_color_range=_FULL
            )
        else:
            frame = frame.reformat(format=target)
        planes = frame.planes
        bits = _target_of(frame.format.name)[1]
    dtype = _NARROW if bits <= 8 else _WIDE
    y = _plane(planes[0], dtype)
    if len(planes) < 3:
        size = (y.shape[0] + 1) // 2, (y.shape[1] + 1) // 2
        grey = cast(Plane, np.full(size, 1 << (bits - 1), dtype))
        grey.flags.writeable = False
        return y, grey, grey
    return y, _plane(planes[1], dtype), _plane(planes[2], dtype)


def _plane(plane: VideoPlane, dtype: np.dtype[np.unsignedinteger]) -> Plane:
    view: Plane = np.ndarray(
        (plane.height, plane.width),
        dtype,
        buffer=memoryview(plane),
        strides=(plane.line_size, dtype.itemsize),
    )
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
