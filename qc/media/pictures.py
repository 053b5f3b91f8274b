"""Every frame as a `Picture`: planes as decoded, damage located."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from fractions import Fraction

import av
import numpy as np
from av.packet import Packet
from av.video.frame import VideoFrame
from av.video.stream import VideoStream
from numpy.typing import NDArray

from qc.records import Picture, VideoTrack
from qc.signal import Signal

__all__ = ["PictureDecoder", "planes_of", "target_format", "to_rgb"]

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
_FULL, _BT709 = 2, 1  # swscale's numbers for full range and the BT.709 matrix

# Packets given up by the decoder are told from late ones after this many frames.
_REORDER_WINDOW = 64


def target_format(frame: VideoFrame) -> str | None:
    """Return the planar format a frame must be turned into, None if it is fine as is.

    Range and matrix stay the stream's for Y'CbCr; R'G'B' becomes full-range BT.709
    4:4:4 of its own depth.
    """
    name = frame.format.name
    if name in _PLANAR or name in _GRAY:
        return None
    bits = frame.format.components[0].bits
    depth = "" if bits <= 8 else "10le" if bits <= 10 else "12le" if bits <= 12 else "16le"
    if frame.format.is_rgb or name.startswith(("pal", "gbr", "rgb", "bgr", "x2", "mono")):
        return f"yuv444p{depth}"
    if name.startswith("gray") or name.startswith("ya"):
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
    name = frame.format.name
    return bool(frame.format.is_rgb) or name.startswith(("pal", "gbr", "rgb", "bgr"))


def planes_of(
    frame: VideoFrame,
) -> tuple[
    NDArray[np.unsignedinteger], NDArray[np.unsignedinteger], NDArray[np.unsignedinteger]
]:
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
        flat = np.full(((y.shape[0] + 1) // 2, (y.shape[1] + 1) // 2), 1 << (bits - 1))
        grey = flat.astype(dtype)
        grey.flags.writeable = False
        return y, grey, grey
    return y, _plane(frame, 1, dtype), _plane(frame, 2, dtype)


def _plane(
    frame: VideoFrame, number: int, dtype: np.dtype[np.unsignedinteger]
) -> NDArray[np.unsignedinteger]:
    plane = frame.planes[number]
    stride = plane.line_size // dtype.itemsize
    rows = np.frombuffer(plane, dtype, count=stride * plane.height)
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
    out: NDArray[np.uint8] = rgb.to_ndarray()
    return out


class PictureDecoder:
    """Decodes one picture stream packet by packet and keeps count of damage.

    Decoding errors do not end it. A frame counts as damaged when the decoder reports
    an error in it, and so do the frames after it up to the next one that can be
    decoded on its own, because they are built on it. Packets from which no frame came
    are counted as missing frames.
    """

    def __init__(self, stream: VideoStream, track: VideoTrack, origin: Fraction) -> None:
        self._stream = stream
        self._track = track
        self._origin = round(origin / track.time_base)
        self._tick = max(1, round(1 / (track.frame_rate * track.time_base)))
        self._last_pts: int | None = None
        self._spoiled = False
        self._error_since_frame = False
        self._waiting: deque[int] = deque()
        self._first_out: int | None = None
        self.frames = 0
        self.damaged = 0
        self.errors = 0
        self.changed_format = 0
        self.missing: list[int] = []
        self._shape: tuple[str, int, int] | None = None

    def decode(self, packet: Packet) -> Iterator[Picture]:
        """Yield the pictures that this packet completes; an empty packet flushes."""
        if packet.size and packet.pts is not None and not packet.is_discard:
            self._waiting.append(packet.pts)
        if packet.size and packet.is_corrupt:
            self._error_since_frame = True
        try:
            frames = packet.decode()
        except av.FFmpegError:
            self.errors += 1
            self._error_since_frame = True
            return
        for frame in frames:
            if isinstance(frame, VideoFrame):
                picture = self._picture(frame)
                if picture is not None:
                    yield picture

    def _picture(self, frame: VideoFrame) -> Picture | None:
        shape = (frame.format.name, frame.width, frame.height)
        if self._shape is None:
            self._shape = shape
        elif shape != self._shape:
            # The picture changed its size or format on the way: other numbers would
            # not compare with those before. Counted, told, and left out.
            self.changed_format += 1
            self._settle(frame.pts)
            return None
        lost = self._settle(frame.pts)
        broken = bool(frame.is_corrupt) or self._error_since_frame or lost
        self._error_since_frame = False
        if broken:
            # A key frame that decodes whole ends the trouble even right after it.
            self._spoiled = not (frame.key_frame and not frame.is_corrupt)
        elif frame.key_frame:
            self._spoiled = False
        damaged = broken or self._spoiled
        self.damaged += damaged
        y, cb, cr = planes_of(frame)
        picture = Picture(
            index=self.frames,
            pts=self._time(frame),
            duration=frame.duration or self._tick,
            y=y,
            cb=cb,
            cr=cr,
            signal=self._track.signal,
            interlaced=self._track.interlaced,
            top_field_first=self._track.scan != "bottom field first",
            damaged=damaged,
            key=bool(frame.key_frame),
        )
        self.frames += 1
        return picture

    def _time(self, frame: VideoFrame) -> int:
        """Return ticks since the take's start; time never stands still or runs back."""
        if frame.pts is None:
            pts = 0 if self._last_pts is None else self._last_pts + self._tick
        else:
            pts = frame.pts - self._origin
            if self._last_pts is not None and pts <= self._last_pts:
                pts = self._last_pts + 1
        self._last_pts = pts
        return pts

    def _settle(self, pts: int | None) -> bool:
        """Take a frame's packet off the list; return whether others went missing."""
        if pts is None:
            return False
        if self._first_out is None:
            self._first_out = pts
        if pts in self._waiting:
            self._waiting.remove(pts)
        # Whatever should have been shown well before this frame is not coming.
        late = [p for p in self._waiting if p < pts]
        lost = False
        for p in late:
            self._waiting.remove(p)
            # The second field of a frame has a packet of its own in some streams, and
            # pictures before the first whole one cannot be decoded: neither is lost.
            near = self._last_pts is not None and (
                abs(p - self._origin - self._last_pts) < 0.75 * self._tick
                or abs(p - pts) < 0.75 * self._tick
            )
            if p > self._first_out and not near:
                self.missing.append(p - self._origin)
                lost = True
        while len(self._waiting) > 4 * _REORDER_WINDOW:
            self._waiting.popleft()
        return lost

    def finish(self) -> None:
        """Count what was still waiting when the stream ended as missing."""
        for p in self._waiting:
            after = self._last_pts is not None and (
                p - self._origin > self._last_pts + 0.75 * self._tick
            )
            if after:
                self.missing.append(p - self._origin)
        self._waiting.clear()
