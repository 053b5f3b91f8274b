"""Camera-like clips to time the check on: a textured moving scene with sensor noise.

Real recorders decide what decoding costs: bit rate, noise, groups of pictures, entropy
coding. These clips are coded as cameras code (recipes below); their content is
computed and the same on every run.

Run as a script it makes what is missing and prints a JSON list of
``{"name", "path", "label"}``; the clips are kept in a folder, under names that
change with this file, so that an old clip is never taken for a new one.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import math
from collections.abc import Iterator
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
from av.packet import Packet
from av.video.frame import VideoFrame
from av.video.stream import VideoStream
from numpy.typing import NDArray

__all__ = ["RECIPES", "Recipe", "clip", "looped"]

Canvas: TypeAlias = NDArray[np.float32]

RATE = 50
_SOUND_RATE, _SOUND_FRAME = 48_000, 1024
_RANDOM_STATE = 1080
_TV, _BT709 = 1, 1  # limited range and BT.709 in ITU-T H.273
_FULL_HD = 1920 * 1080
# Noise of Y', Cb, Cr in 8-bit codes: a camera near its base gain (common practice, no
# source). What of it survives coding is the coder's business, as in a camera.
_NOISE_CODES = (1.4, 0.7, 0.7)


@dataclass(frozen=True, slots=True)
class Recipe:
    """How a camera codes, or near it.

    Attributes
    ----------
    megabits : float
        Megabits a second of picture at 1920 x 1080, 50 frames a second; other sizes
        in proportion. 0 leaves it to the coder.
    """

    name: str
    label: str
    suffix: str
    coder: str
    pixel_format: str
    sound: str
    megabits: float = 0.0
    group: int = 1
    b_frames: int = 0
    options: dict[str, str] = field(default_factory=dict)


# 1080p50 of camcorders, long GOP: 28 (AVCHD 2.0's limit) to 50 Mbit/s; half a second a
# group, two B-frames, CABAC. All-intra 10-bit 4:2:2: CAVLC in slices. From memory of
# the formats' published descriptions.
RECIPES = {
    recipe.name: recipe
    for recipe in (
        Recipe(
            "h264",
            "8-bit 4:2:0 H.264 long GOP",
            ".mp4",
            "libx264",
            "yuv420p",
            "aac",
            megabits=35.0,
            group=RATE // 2,
            b_frames=2,
            options={"preset": "veryfast", "profile": "high", "refs": "2"},
        ),
        Recipe(
            "intra",
            "10-bit 4:2:2 H.264 intra",
            ".mov",
            "libx264",
            "yuv422p10le",
            "pcm_s24le",
            megabits=150.0,
            options={
                "preset": "veryfast",
                "profile": "high422",
                "x264-params": "cabac=0:slices=8",
            },
        ),
        Recipe(
            "prores",
            "10-bit ProRes 422",
            ".mov",
            "prores_ks",
            "yuv422p10le",
            "pcm_s24le",
            # A fixed quantiser: near the format's 245 Mbit/s at this rate, and under.
            options={
                "profile": "standard",
                "flags": "+qscale",
                "global_quality": str(118 * 5),
            },
        ),
    )
}


def neutral_patch(width: int, height: int) -> tuple[int, int, int, int]:
    """Return x, y, width, height of an even grey card that is always in the picture."""
    return round(0.12 * width), round(0.12 * height), width // 16, height // 12


class Scene:
    """A lit, textured field with glints, a grey card and an instrument that moves.

    Parameters
    ----------
    width, height : int
        Size of the luma plane in pixels.
    chroma_height : int
        Rows of the chroma planes, which are half as wide.
    """

    def __init__(self, width: int, height: int, chroma_height: int) -> None:
        self._sizes = [(width, height), *2 * [(width // 2, chroma_height)]]
        self._margin = margin = 2 * round(width / 80)
        rng = np.random.default_rng(_RANDOM_STATE)
        w, h = width + 2 * margin, height + 2 * margin
        x, y = np.meshgrid(np.linspace(-1, 1, w), np.linspace(-1, 1, h))
        lamp = (0.25 + 0.9 * np.exp(-(x**2) / 0.5 - y**2 / 0.6)).astype(np.float32)
        luma = 16 + 150 * lamp * (0.62 + 0.16 * _texture(rng, h, w))
        # Wet glints burn out: single specks and a few connected patches.
        glints = _texture(rng, h, w) + 0.8 * lamp
        luma = np.where(glints > 2.6, 16 + 219 * np.float32(1.04), luma)
        cb = 128 - 14 * lamp + 5 * _texture(rng, h, w)
        cr = 128 + 30 * lamp + 6 * _texture(rng, h, w)
        px, py, pw, ph = neutral_patch(width, height)
        card = slice(py, py + ph + 2 * margin), slice(px, px + pw + 2 * margin)
        luma[card], cb[card], cr[card] = 120.0, 128.0, 128.0
        self._planes = []
        for plane, (pw, ph) in zip((luma, cb, cr), self._sizes, strict=True):
            size = w * pw // width, h * ph // height
            small = cv2.resize(plane, size, interpolation=cv2.INTER_AREA)
            self._planes.append(np.asarray(small, np.float32))
        th, tw = height // 7, width // 3
        steel = 70 + 60 * np.abs(np.sin(np.linspace(0, 3, th)))[:, None]
        self._tool = np.asarray(steel + 8 * _texture(rng, th, tw), np.float32)
        # Slightly blurred by the camera's own processing, so not white.
        self._noise = [_noise(rng, height + 64, width + 64) for _ in range(3)]
        self._rng = np.random.default_rng(_RANDOM_STATE + 1)

    def frames(self, count: int) -> Iterator[list[Canvas]]:
        """Yield Y', Cb and Cr, in 8-bit codes with fractions."""
        width, height = self._sizes[0]
        reach = self._margin / 2
        for i in range(count):
            s = i / RATE
            # A ceiling boom sways slowly; the hand with the instrument is quicker.
            dx = reach * math.sin(0.9 * s) + 0.3 * math.sin(11.0 * s) - self._margin
            dy = 0.7 * reach * math.sin(1.3 * s + 1) + 0.3 * math.cos(13.0 * s)
            dy -= self._margin
            planes = [
                self._plane(number, dx=dx * w / width, dy=dy * h / height)
                for number, (w, h) in enumerate(self._sizes)
            ]
            lean = 0.3 + 0.1 * math.sin(s)
            tx = width * (0.35 + 0.1 * math.sin(2.1 * s))
            ty = height * (0.55 + 0.15 * math.sin(1.7 * s))
            turn = np.array([[1, lean, tx], [-lean, 1, ty]])
            cv2.warpAffine(
                self._tool,
                turn,
                (width, height),
                dst=planes[0],
                borderMode=cv2.BORDER_TRANSPARENT,
            )
            for plane, level in zip(planes, _NOISE_CODES, strict=True):
                h, w = plane.shape
                noise = self._noise[int(self._rng.integers(len(self._noise)))]
                y, x = (int(v) for v in self._rng.integers(0, 64, 2))
                cv2.scaleAdd(noise[y : y + h, x : x + w], level, plane, dst=plane)
            yield planes

    def _plane(self, number: int, *, dx: float, dy: float) -> Canvas:
        move = np.array([[1, 0, dx], [0, 1, dy]])
        moved = cv2.warpAffine(self._planes[number], move, self._sizes[number])
        return np.asarray(moved, np.float32)


def _texture(rng: np.random.Generator, height: int, width: int) -> Canvas:
    """Return a surface whose detail falls with its fineness, as natural ones do."""
    total = np.zeros((height, width), np.float32)
    cells = 8
    while cells <= width:
        rows = max(2, cells * height // width)
        layer = rng.standard_normal((rows, cells)).astype(np.float32)
        grown = cv2.resize(layer, (width, height), interpolation=cv2.INTER_CUBIC)
        total += grown * np.float32((8 / cells) ** 0.45)
        cells *= 2
    return np.asarray(total / total.std(), np.float32)


def _noise(rng: np.random.Generator, height: int, width: int) -> Canvas:
    white = rng.standard_normal((height, width), np.float32)
    soft = cv2.GaussianBlur(white, (3, 3), 0.5)
    return np.asarray(soft / soft.std(), np.float32)


def _coded(planes: list[Canvas], pixel_format: str) -> VideoFrame:
    height, width = planes[0].shape
    deep = "10" in pixel_format
    kind = np.dtype("<u2" if deep else "u1")
    frame = VideoFrame(width, height, pixel_format)
    for target, plane in zip(frame.planes, planes, strict=True):
        codes = np.rint(np.clip(plane, 1, 254) * (4 if deep else 1))
        padded = np.zeros((codes.shape[0], target.line_size // kind.itemsize), kind)
        padded[:, : codes.shape[1]] = codes
        target.update(padded.tobytes())
    frame.color_range = _TV
    frame.colorspace = frame.color_primaries = frame.color_trc = _BT709
    return frame


def _samples(seconds: int) -> NDArray[np.float32]:
    """Return two channels of speech-like sound: noise and tones in bursts."""
    rng = np.random.default_rng(_RANDOM_STATE + 2)
    t = np.arange(seconds * _SOUND_RATE) / _SOUND_RATE
    voice = np.maximum(0.0, np.sin(2 * np.pi * 0.8 * t)) ** 2
    tone = np.sin(2 * np.pi * (180 + 20 * np.sin(2 * np.pi * 3 * t)) * t)
    out = [
        level * voice * (tone + 0.5 * rng.standard_normal(t.size))
        + 0.002 * rng.standard_normal(t.size)
        for level in (0.12, 0.09)
    ]
    return np.clip(np.array(out), -1.0, 1.0).astype(np.float32)


def _sound_frame(samples: NDArray[np.float32], at: int, coder: str) -> AudioFrame:
    if coder == "aac":
        frame = AudioFrame.from_ndarray(np.ascontiguousarray(samples), "fltp", "stereo")
    else:
        whole = np.rint(samples.T.astype(np.float64) * (2**31 - 1)).astype(np.int32)
        frame = AudioFrame.from_ndarray(whole.reshape(1, -1), "s32", "stereo")
    frame.sample_rate = _SOUND_RATE
    frame.pts = at
    frame.time_base = Fraction(1, _SOUND_RATE)
    return frame


def _streams(
    out: OutputContainer, recipe: Recipe, width: int, height: int
) -> tuple[VideoStream, AudioStream]:
    # A fixed number of threads: a coder's bits may depend on it.
    options = recipe.options | {"threads": "4"}
    video = out.add_stream(recipe.coder, rate=RATE, options=options)
    if not isinstance(video, VideoStream):
        raise TypeError(f"{recipe.coder} is no coder of pictures")
    video.width, video.height = width, height
    video.pix_fmt = recipe.pixel_format
    video.time_base = Fraction(1, RATE)
    video.metadata["timecode"] = "10:00:00:00"
    context = video.codec_context
    context.color_range = _TV
    context.colorspace = context.color_primaries = context.color_trc = _BT709
    context.gop_size = recipe.group
    context.max_b_frames = recipe.b_frames
    if recipe.megabits:
        context.bit_rate = round(recipe.megabits * 1e6 * width * height / _FULL_HD)
    sound = out.add_stream(recipe.sound, rate=_SOUND_RATE)
    if not isinstance(sound, AudioStream):
        raise TypeError(f"{recipe.sound} is no coder of sound")
    sound.layout = "stereo"
    if recipe.sound == "aac":
        sound.bit_rate = 256_000
    return video, sound


def _write(path: Path, recipe: Recipe, width: int, height: int, seconds: int) -> None:
    samples, done = _samples(seconds), 0
    with av.open(str(path), "w") as out:
        video, sound = _streams(out, recipe, width, height)
        rows = height // 2 if "420" in recipe.pixel_format else height
        scene = Scene(width, height, rows)
        for i, planes in enumerate(scene.frames(seconds * RATE)):
            frame = _coded(planes, recipe.pixel_format)
            frame.pts, frame.time_base = i, Fraction(1, RATE)
            out.mux(video.encode(frame))
            until = (i + 1) * _SOUND_RATE // RATE
            while done < until:
                part = samples[:, done : done + _SOUND_FRAME]
                out.mux(sound.encode(_sound_frame(part, done, recipe.sound)))
                done += part.shape[1]
        out.mux(video.encode(None))
        out.mux(sound.encode(None))


def _kept(cache: Path, stem: str, suffix: str) -> Path:
    source = hashlib.blake2b(Path(__file__).read_bytes(), digest_size=5).hexdigest()
    return cache / f"{stem}-{source}{suffix}"


def clip(recipe: Recipe, *, cache: Path, width: int, height: int, seconds: int) -> Path:
    """Return the clip of a recipe, made first if it is not there yet."""
    stem = f"{recipe.name}-{width}x{height}-{seconds}s"
    path = _kept(cache, stem, recipe.suffix)
    if not path.exists():
        cache.mkdir(parents=True, exist_ok=True)
        part = path.with_name(f"part-{path.name}")
        _write(part, recipe, width, height, seconds)
        part.replace(path)
    return path


def looped(source: Path, times: int) -> Path:
    """Return a clip whose packets are those of `source`, `times` over."""
    path = source.with_name(f"{source.stem}-x{times}{source.suffix}")
    if path.exists():
        return path
    part = path.with_name(f"part-{path.name}")
    with av.open(str(part), "w") as out, av.open(str(source)) as first:
        old = [first.streams.video[0], first.streams.audio[0]]
        new = {s.index: out.add_stream_from_template(s) for s in old}
        shift = {s.index: 0 for s in old}
        for _ in range(times):
            with av.open(str(source)) as again:
                ends = dict(shift)
                for packet in again.demux([again.streams[i] for i in shift]):
                    if packet.size == 0:
                        continue
                    index = packet.stream.index
                    # Each stream runs on from its own end: none breaks off or overlaps.
                    ends[index] += packet.duration or 0
                    _move(packet, shift[index])
                    packet.stream = new[index]
                    out.mux(packet)
                shift = ends
    part.replace(path)
    return path


def _move(packet: Packet[Any], ticks: int) -> None:
    if packet.pts is not None:
        packet.pts += ticks
    if packet.dts is not None:
        packet.dts += ticks


def main() -> None:
    """Make clips and print where they are."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("cache", type=Path)
    parser.add_argument("--clips", nargs="+", choices=RECIPES, default=list(RECIPES))
    parser.add_argument("--seconds", type=int, default=10)
    parser.add_argument("--size", default="1920x1080")
    parser.add_argument("--times", type=int, default=1, help="repeat the packets")
    given = parser.parse_args()
    width, height = (int(n) for n in given.size.split("x"))
    made = []
    for name in given.clips:
        path = clip(
            RECIPES[name],
            cache=given.cache,
            width=width,
            height=height,
            seconds=given.seconds,
        )
        if given.times > 1:
            path = looped(path, given.times)
        made.append({"name": name, "label": RECIPES[name].label, "path": str(path)})
    patch = neutral_patch(width, height)
    print(json.dumps({"clips": made, "neutral": patch}))


if __name__ == "__main__":
    main()
