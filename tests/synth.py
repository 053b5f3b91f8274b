"""Small recordings whose content is known by construction.

`write` encodes planes and samples with PyAV, as a recorder would: any codec, depth,
chroma format, tags, scan, rotation, timecode, time stamps. Lossless codecs give back
bit for bit what was put in. Other helpers damage files and read them with nothing but
PyAV, to compare with.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any, TypeAlias

import av
import cv2
import numpy as np
from av.audio.frame import AudioFrame
from av.audio.stream import AudioStream
from av.container import OutputContainer
from av.filter import Graph
from av.stream import Disposition
from av.video.frame import VideoFrame
from av.video.stream import VideoStream
from numpy.typing import NDArray

Plane: TypeAlias = NDArray[np.unsignedinteger[Any]]
Planes: TypeAlias = tuple[Plane, ...]

# Code points of ITU-T H.273.
LIMITED, FULL = 1, 2
BT709, BT470BG, SMPTE170M, BT2020 = 1, 5, 6, 9
PQ, HLG = 16, 18

RANDOM_STATE = 20250


# ---------------------------------------------------------------------- pictures


def depth_of(pixel_format: str) -> int:
    """Return the bits of a sample of a pixel format."""
    return int(av.VideoFormat(pixel_format).components[0].bits)


def plane_sizes(pixel_format: str, width: int, height: int) -> list[tuple[int, int]]:
    """Return (height, width) of each plane; odd sizes are rounded up."""
    kind = av.VideoFormat(pixel_format, width, height)
    return [(part.height, part.width) for part in kind.components[:3]]


def noise(
    pixel_format: str, width: int, height: int, frames: int, number: int = 0
) -> list[Planes]:
    """Return random planes over every code there is, both ends surely among them.

    Parameters
    ----------
    number : int
        Which of the many random pictures.
    """
    rng = np.random.default_rng(RANDOM_STATE + number)
    top = (1 << depth_of(pixel_format)) - 1
    dtype = np.uint8 if top < 256 else np.uint16
    out = []
    for _ in range(frames):
        planes = []
        for size in plane_sizes(pixel_format, width, height):
            plane = rng.integers(0, top + 1, size, dtype, endpoint=False)
            plane.flat[0], plane.flat[-1] = 0, top
            planes.append(plane)
        out.append(tuple(planes))
    return out


def scene(
    frames: int,
    width: int = 160,
    height: int = 96,
    pixel_format: str = "yuv420p",
    number: int = 0,
) -> list[Planes]:
    """Return a textured picture that moves steadily, as codecs expect it.

    Levels keep to 40 to 200 of 255 in any depth.
    """
    rng = np.random.default_rng(RANDOM_STATE + number)
    scale = 1 << (depth_of(pixel_format) - 8)
    dtype = np.uint8 if scale == 1 else np.uint16
    coarse = rng.integers(40, 200, (height // 4 + 24, width // 4 + 24)).astype(
        np.float32
    )
    ground = cv2.resize(coarse, None, fx=4, fy=4, interpolation=cv2.INTER_CUBIC)
    ground = np.clip(ground, 40, 200) * scale
    out = []
    for i in range(frames):
        x, y = round(40 + 30 * math.sin(i / 9)), round(40 + 30 * math.cos(i / 7))
        luma = ground[y : y + height, x : x + width]
        planes = [np.rint(luma).astype(dtype)]
        for rows, columns in plane_sizes(pixel_format, width, height)[1:]:
            ramp = np.linspace(100, 156, columns, dtype=np.float32) * scale
            planes.append(np.tile(np.rint(ramp).astype(dtype), (rows, 1)))
        out.append(tuple(planes))
    return out


def frame_of(planes: Planes, pixel_format: str) -> VideoFrame:
    """Return a frame that holds these planes."""
    height, width = planes[0].shape
    frame = VideoFrame(width, height, pixel_format)
    for target, plane in zip(frame.planes, planes, strict=True):
        stride = target.line_size // plane.itemsize
        rows = np.zeros((target.height, stride), plane.dtype)
        rows[:, : plane.shape[1]] = plane
        target.update(rows.tobytes())
    return frame


def planes_in(frame: VideoFrame) -> Planes:
    """Return a copy of a planar frame's planes, read by PyAV alone."""
    dtype = np.uint8 if frame.format.components[0].bits <= 8 else np.dtype("<u2")
    out = []
    for plane in frame.planes:
        stride = plane.line_size // np.dtype(dtype).itemsize
        rows = np.frombuffer(plane, dtype).reshape(-1, stride)
        out.append(rows[: plane.height, : plane.width].copy())
    return tuple(out)


@dataclass(frozen=True)
class Video:
    """How a picture stream is coded.

    Attributes
    ----------
    ticks : sequence of int or None
        When each frame is shown, in `time_base`; None for a constant rate.
    tags : mapping
        ``range, matrix, transfer, primaries`` as code points of ITU-T H.273.
    scan : str
        ``"progressive"``, ``"top"`` or ``"bottom"`` (which field is first).
    matrix : sequence of 9 int, or None
        Display matrix as a file holds it.
    """

    codec: str = "libx264"
    pixel_format: str = "yuv420p"
    rate: Fraction = Fraction(25)
    options: Mapping[str, str] = field(default_factory=dict)
    tags: Mapping[str, int] = field(default_factory=dict)
    scan: str = "progressive"
    ticks: Sequence[int] | None = None
    time_base: Fraction | None = None
    matrix: Sequence[int] | None = None
    pixel_aspect: Fraction | None = None
    timecode: str | None = None
    attached: bool = False


def h264(
    *, group: int = 12, b_frames: int = 2, lossless: bool = False, extra: str = ""
) -> dict[str, str]:
    """Return options of libx264: fixed groups of pictures, one thread."""
    params = (
        f"keyint={group}:min-keyint={group}:scenecut=0:bframes={b_frames}:b-adapt=0"
        f":threads=1{':' * bool(extra)}{extra}"
    )
    return {
        "preset": "veryfast",
        "threads": "1",
        "x264-params": params,
        **({"qp": "0"} if lossless else {"crf": "20"}),
    }


def hevc(*, group: int = 12, lossless: bool = False, extra: str = "") -> dict[str, str]:
    """Return options of libx265: fixed groups of pictures, one thread."""
    params = (
        f"keyint={group}:min-keyint={group}:scenecut=0:bframes=2:b-adapt=0"
        ":open-gop=0:pools=none:frame-threads=1:log-level=none"
        f"{':lossless=1' * lossless}{':' * bool(extra)}{extra}"
    )
    return {"preset": "ultrafast", "threads": "1", "x265-params": params, "crf": "18"}


# ------------------------------------------------------------------------- sound


@dataclass(frozen=True)
class Sound:
    """A sound track.

    Attributes
    ----------
    samples : (channels, n) array
        In the number format of `sample_format`, e.g. int16 for ``s16``.
    start_s : Fraction
        When the first sample plays.
    gaps : sequence of (sample, seconds)
        Behind so many samples, so much time passes without any.
    """

    samples: NDArray[Any]
    codec: str = "pcm_s16le"
    sample_format: str = "s16"
    rate: int = 48_000
    layout: str = "stereo"
    start_s: Fraction = Fraction(0)
    gaps: Sequence[tuple[int, Fraction]] = ()
    options: Mapping[str, str] = field(default_factory=dict)


def ramps(channels: int, samples: int, dtype: Any = np.int16) -> NDArray[Any]:
    """Return samples of which each tells its channel and its number.

    The top bits hold the channel, counted from 1; below them the sample number runs.
    """
    kind = np.dtype(dtype)
    number = np.arange(samples)
    if kind.kind == "f":
        return np.stack(
            [(c + 1) / 16 + (number % 4096) / 2**20 for c in range(channels)]
        ).astype(kind)
    if kind == np.uint8:
        return np.stack([(c + 1) * 16 + number % 16 for c in range(channels)]).astype(
            kind
        )
    if kind == np.int32:
        # 24-bit sound lies in the upper three bytes.
        return np.stack(
            [((c + 1) << 28) // 2 + ((number % 2**16) << 8) for c in range(channels)]
        ).astype(kind)
    return np.stack([((c + 1) << 11) + number % 2048 for c in range(channels)]).astype(
        kind
    )


def full_scale(samples: NDArray[Any]) -> NDArray[np.float64]:
    """Return samples where 1.0 is full scale, by the definition of each format."""
    if samples.dtype == np.uint8:
        return (samples.astype(np.float64) - 128) / 128
    if samples.dtype.kind == "i":
        return samples.astype(np.float64) / -float(np.iinfo(samples.dtype).min)
    return samples.astype(np.float64)


# ------------------------------------------------------------------------- files


def write(
    path: Path,
    pictures: Sequence[Planes] | Sequence[Sequence[Planes]] = (),
    video: Video | Sequence[Video] = (),
    sounds: Sequence[Sound] = (),
    *,
    options: Mapping[str, str] | None = None,
    metadata: Mapping[str, str] | None = None,
    container: str | None = None,
) -> Path:
    """Write a recording.

    Parameters
    ----------
    pictures : planes of each frame, or such a list for each stream of `video`
    """
    videos = [video] if isinstance(video, Video) else list(video)
    streams = [pictures] if isinstance(video, Video) else list(pictures)
    with av.open(str(path), "w", format=container, options=dict(options or {})) as out:
        out.metadata.update(metadata or {})
        coded = [
            (_add_video(out, kind, frames[0]), kind, frames)
            for kind, frames in zip(videos, streams, strict=True)
        ]
        tracks = [(_add_sound(out, sound), sound) for sound in sounds]
        for stream, kind, frames in coded:
            for frame in _timed(frames, kind):
                out.mux(stream.encode(frame))
            out.mux(stream.encode(None))
        for track, sound in tracks:
            for frame in _blocks(sound):
                out.mux(track.encode(frame))
            out.mux(track.encode(None))
    return path


def _add_video(out: OutputContainer, kind: Video, first: Planes) -> VideoStream:
    stream = out.add_stream(kind.codec, rate=kind.rate, options=dict(kind.options))
    assert isinstance(stream, VideoStream)
    stream.height, stream.width = first[0].shape
    stream.pix_fmt = kind.pixel_format
    base = kind.time_base or 1 / kind.rate
    stream.time_base = stream.codec_context.time_base = base
    context = stream.codec_context
    context.color_range = kind.tags.get("range", 0)
    context.colorspace = kind.tags.get("matrix", 2)
    context.color_trc = kind.tags.get("transfer", 2)
    context.color_primaries = kind.tags.get("primaries", 2)
    if kind.pixel_aspect is not None:
        context.sample_aspect_ratio = kind.pixel_aspect
    if kind.matrix is not None:
        stream.set_display_matrix(kind.matrix)
    if kind.timecode is not None:
        stream.metadata["timecode"] = kind.timecode
    if kind.attached:
        stream.disposition = Disposition.attached_pic
    return stream


def _timed(pictures: Sequence[Planes], kind: Video) -> Iterable[VideoFrame]:
    fields = None if kind.scan == "progressive" else _field_marker(pictures[0], kind)
    for i, planes in enumerate(pictures):
        frame = frame_of(planes, kind.pixel_format)
        frame.pts = i if kind.ticks is None else kind.ticks[i]
        frame.time_base = kind.time_base or 1 / kind.rate
        if fields is not None:
            fields.push(frame)
            frame = fields.pull()
        frame.color_range = kind.tags.get("range", 0)
        frame.colorspace = kind.tags.get("matrix", 2)
        frame.color_trc = kind.tags.get("transfer", 2)
        frame.color_primaries = kind.tags.get("primaries", 2)
        yield frame


def _field_marker(first: Planes, kind: Video) -> Graph:
    """Return a filter that marks frames as interlaced: PyAV cannot set the flag."""
    graph = Graph()
    height, width = first[0].shape
    source = graph.add_buffer(
        width=width,
        height=height,
        format=av.VideoFormat(kind.pixel_format),
        time_base=kind.time_base or 1 / kind.rate,
    )
    marker = graph.add("setfield", {"top": "tff", "bottom": "bff"}[kind.scan])
    sink = graph.add("buffersink")
    source.link_to(marker)
    marker.link_to(sink)
    graph.configure()
    return graph


def _add_sound(out: OutputContainer, sound: Sound) -> AudioStream:
    stream = out.add_stream(sound.codec, rate=sound.rate, options=dict(sound.options))
    assert isinstance(stream, AudioStream)
    stream.layout = sound.layout
    stream.format = sound.sample_format
    stream.time_base = Fraction(1, sound.rate)
    return stream


def _blocks(sound: Sound, size: int = 1024) -> Iterable[AudioFrame]:
    shift = round(sound.start_s * sound.rate)
    gaps = [(at, round(length * sound.rate)) for at, length in sound.gaps]
    cuts = sorted({0, *range(0, sound.samples.shape[1], size), *(a for a, _ in gaps)})
    for first, last in zip(cuts, [*cuts[1:], sound.samples.shape[1]], strict=True):
        part = sound.samples[:, first:last]
        if not sound.sample_format.endswith("p"):
            part = part.T.reshape(1, -1)
        frame = AudioFrame.from_ndarray(
            np.ascontiguousarray(part), sound.sample_format, sound.layout
        )
        frame.sample_rate = sound.rate
        frame.time_base = Fraction(1, sound.rate)
        frame.pts = first + shift + sum(n for at, n in gaps if at <= first)
        yield frame


# ------------------------------------------------------------ damage and comparison


@dataclass(frozen=True)
class Coded:
    """A coded picture in a file."""

    place: int
    size: int
    pts: int
    key: bool


def coded_pictures(path: Path, number: int = 0) -> list[Coded]:
    """Return the coded pictures of a picture stream in the order of the file."""
    out: list[Coded] = []
    with av.open(str(path)) as source:
        for p in source.demux(source.streams.video[number]):
            if p.size and p.pts is not None:
                before = out[-1].place + out[-1].size if out else 0
                place = before if p.pos is None else p.pos
                out.append(Coded(place, p.size, p.pts, p.is_keyframe))
    return out


def overwrite(
    source: Path, target: Path, first: int, last: int, number: int = 0
) -> Path:
    """Copy a file with bytes ``[first, last)`` made random, none of them zero.

    Chance must not forge a start code.
    """
    data = bytearray(source.read_bytes())
    last = min(last, len(data))
    rng = np.random.default_rng(RANDOM_STATE + number)
    data[first:last] = rng.integers(1, 256, last - first, np.uint8).tobytes()
    target.write_bytes(data)
    return target


def cut_out(source: Path, target: Path, first: int, last: int) -> Path:
    """Copy a file without bytes ``[first, last)``."""
    data = source.read_bytes()
    target.write_bytes(data[:first] + data[last:])
    return target


def first_seconds(source: Path, target: Path, seconds: float) -> Path:
    """Write the packets of a recording's picture and sound that begin in time."""
    with av.open(str(source)) as old, av.open(str(target), "w") as out:
        streams = [*old.streams.video, *old.streams.audio]
        new = {s.index: out.add_stream_from_template(s) for s in streams}
        for packet in old.demux(streams):
            if packet.pts is None or packet.pts * packet.time_base >= seconds:
                continue
            packet.stream = new[packet.stream.index]
            out.mux(packet)
    return target


def luma_by_time(path: Path, number: int = 0) -> dict[int, Plane]:
    """Decode with one thread and nothing but PyAV; luma by presentation time."""
    found: dict[int, Plane] = {}
    with av.open(str(path)) as source:
        stream = source.streams.video[number]
        stream.codec_context.thread_count = 1
        for packet in source.demux(stream):
            try:
                frames = packet.decode()
            except av.FFmpegError:
                continue
            for frame in frames:
                if frame.pts is not None:
                    found[frame.pts] = planes_in(frame)[0]
    return found


def differs_visibly(one: Plane, other: Plane) -> bool:
    """Tell whether a 16 x 16 block differs by over 4 of 255 on average."""
    if one.shape != other.shape:
        return True
    scale = 1 if one.dtype == np.uint8 else 4
    apart = np.abs(one.astype(np.int32) - other.astype(np.int32))
    rows, columns = apart.shape[0] // 16 * 16, apart.shape[1] // 16 * 16
    blocks = apart[:rows, :columns].reshape(rows // 16, 16, columns // 16, 16)
    return bool(blocks.mean(axis=(1, 3)).max() > 4 * scale)
