"""Recordings: write them with PyAV, damage them, read frames back."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
from av.audio.frame import AudioFrame
from av.audio.stream import AudioStream
from av.video.frame import VideoFrame
from av.video.stream import VideoStream
from numpy.typing import NDArray

from . import textures as tx
from .sound import RATE

_TV, _BT709 = 1, 1
"""Numbers of limited range and of BT.709 in ITU-T H.273."""

Planes = tuple[NDArray[np.uint16], NDArray[np.uint16], NDArray[np.uint16]]


@dataclass(frozen=True, slots=True)
class Recipe:
    """How a recording is coded.

    Attributes
    ----------
    frame_rate : Fraction
        Frames a second.
    timecode : str
        Start timecode; ";" before the frames means drop-frame.
    pixel_format : str
        FFmpeg's name, for example "yuv420p".
    crf : float
        libx264's quality: lower is better and larger.
    group : int
        Frames from one key frame to the next.
    b_frames : int
        Pictures between two that are predicted forwards only.
    pcm : bool
        16-bit PCM sound instead of AAC.
    """

    frame_rate: Fraction
    timecode: str
    pixel_format: str = "yuv420p"
    crf: float = 28.5
    group: int = 75
    b_frames: int = 2
    pcm: bool = False


def write(
    path: Path, pictures: Iterable[Planes], samples: NDArray[np.float64], recipe: Recipe
) -> None:
    """Write one recording: pictures, two channels of sound, timecode."""
    with av.open(str(path), "w", options={"movflags": "+write_colr"}) as out:
        video = _video_stream(out, recipe)
        audio = out.add_stream("pcm_s16le" if recipe.pcm else "aac", rate=RATE)
        assert isinstance(audio, AudioStream)  # noqa: S101 - the codec names are ours
        audio.layout = "stereo"
        if not recipe.pcm:
            audio.bit_rate = 96_000
        done = 0
        for index, planes in enumerate(pictures):
            frame = _picture(planes, recipe.pixel_format)
            frame.pts = index
            frame.time_base = 1 / recipe.frame_rate
            out.mux(video.encode(frame))
            until = int((index + 1) * RATE / recipe.frame_rate)
            while done + 1024 <= min(until, len(samples)):
                out.mux(audio.encode(_sound(samples[done : done + 1024], done, recipe)))
                done += 1024
        if done < len(samples):
            out.mux(audio.encode(_sound(samples[done:], done, recipe)))
        out.mux(video.encode(None))
        out.mux(audio.encode(None))


def _video_stream(out: av.container.OutputContainer, recipe: Recipe) -> VideoStream:
    options = {
        "preset": "slow",
        "crf": str(recipe.crf),
        # one thread: the coded bytes do not depend on the machine's cores
        "threads": "1",
        # the cloth's weave must live through every frame, not through key frames
        # alone, or sharpness would seem to pump: small differences are kept, and
        # key frames are hardly better than the rest
        "x264-params": f"keyint={recipe.group}:min-keyint={recipe.group}:scenecut=0:"
        f"open-gop=0:bframes={recipe.b_frames}:deblock=-1,-1:aq-mode=3:"
        "no-dct-decimate=1:deadzone-inter=6:deadzone-intra=6:trellis=0:"
        "ipratio=1.1:pbratio=1.1",
    }
    stream = out.add_stream("libx264", rate=recipe.frame_rate, options=options)
    assert isinstance(stream, VideoStream)  # noqa: S101 - the codec name is ours
    stream.width, stream.height = 1280, 720
    stream.pix_fmt = recipe.pixel_format
    stream.time_base = 1 / recipe.frame_rate
    stream.metadata["timecode"] = recipe.timecode
    context = stream.codec_context
    context.color_range = _TV
    context.colorspace = context.color_primaries = context.color_trc = _BT709
    context.gop_size = recipe.group
    return stream


def _picture(planes: Planes, pixel_format: str) -> VideoFrame:
    h, w = planes[0].shape
    frame = VideoFrame(w, h, pixel_format)
    kind = np.dtype("<u2" if "10" in pixel_format else "u1")
    for target, plane in zip(frame.planes, planes, strict=True):
        rows = np.zeros((plane.shape[0], target.line_size // kind.itemsize), kind)
        rows[:, : plane.shape[1]] = plane
        target.update(rows.tobytes())
    frame.color_range = _TV
    frame.colorspace = frame.color_primaries = frame.color_trc = _BT709
    return frame


def _sound(samples: NDArray[np.float64], start: int, recipe: Recipe) -> AudioFrame:
    if recipe.pcm:
        ints = np.clip(np.rint(samples * 32767), -32768, 32767).astype(np.int16)
        frame = AudioFrame.from_ndarray(ints.reshape(1, -1), "s16", "stereo")
    else:
        planar = np.ascontiguousarray(samples.T.astype(np.float32))
        frame = AudioFrame.from_ndarray(planar, "fltp", "stereo")
    frame.sample_rate = RATE
    frame.pts = start
    frame.time_base = Fraction(1, RATE)
    return frame


def damage(path: Path, frame: int, reach: tuple[float, float]) -> tuple[int, int]:
    """Overwrite part of one coded picture with chance bytes.

    Parameters
    ----------
    path : Path
        The recording; it is changed.
    frame : int
        Which coded picture, in coding order.
    reach : (float, float)
        From where to where in its payload, shares of its size. Keep clear of the
        start, where lengths and headers stand, so that the file still opens.

    Returns
    -------
    (int, int)
        First byte overwritten and the byte after the last.
    """
    with av.open(str(path)) as source:
        packets = [
            (p.pos, p.size) for p in source.demux(source.streams.video[0]) if p.size
        ]
    position, size = packets[frame]
    if position is None:
        raise ValueError(f"{path.name}: coded picture {frame} has no place in the file")
    start, end = position + int(size * reach[0]), position + int(size * reach[1])
    data = bytearray(path.read_bytes())
    rng = tx.generator("damage " + path.name)
    # no zero bytes: chance must not forge a start code
    data[start:end] = rng.integers(1, 256, end - start, np.uint8).tobytes()
    path.write_bytes(data)
    return start, end


def read(path: Path) -> dict[int, NDArray[np.uint8]]:
    """Decode every picture on one thread; luma by frame number."""
    found: dict[int, NDArray[np.uint8]] = {}
    with av.open(str(path)) as source:
        stream = source.streams.video[0]
        stream.thread_count = 1
        rate, base = stream.average_rate, stream.time_base
        if not rate or not base:
            raise ValueError(f"{path.name}: no frame rate")
        for packet in source.demux(stream):
            try:
                for frame in packet.decode():
                    if isinstance(frame, VideoFrame) and frame.pts is not None:
                        number = round(frame.pts * base * rate)
                        luma = frame.reformat(format="gray").to_ndarray()
                        found[number] = luma.astype(np.uint8, copy=False)
            except av.FFmpegError:
                continue  # the damaged picture itself: it is found missing below
    return found


def wrong_frames(good: Path, bad: Path) -> list[int]:
    """Frames that are missing from `bad` or decode otherwise than in `good`."""
    right, wrong = read(good), read(bad)
    return [
        n
        for n, picture in right.items()
        if n not in wrong or not np.array_equal(picture, wrong[n])
    ]
