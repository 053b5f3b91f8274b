"""Real recordings cut to short pieces, and how pieces are written again.

A short recording is played to and fro until it is long enough: every picture stays a
real one, and so does the motion between two of them. But a pan that is played to and
fro truly is a sway, one that the bench has made: where the picture of such a piece goes
somewhere (`way_percent`), shake is looked for in it played once. Pieces are scaled so
that their long side is at most 640, which keeps the bench within minutes. What a
recording carries by itself is listed with the reason, by looking at it; there its
findings are right.
"""

from __future__ import annotations

import itertools
import json
import os
import sys
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import lru_cache
from pathlib import Path
from typing import Any, Literal

import av
import cv2
import numpy as np

from qc.signal import Signal
from tests import synth
from tests.bench.faults.linear import Planes

__all__ = [
    "FOLDER",
    "MORE",
    "PIECES",
    "Piece",
    "Source",
    "cache",
    "goes_back",
    "load",
    "way_percent",
    "write",
]

_ROOT = Path(__file__).resolve().parents[3]
FOLDER = Path(os.environ.get("QC_FOOTAGE") or _ROOT.parent / "shared" / "footage")
# A second folder, for recordings that come with a package (Debian's opencv-doc holds
# vtest.avi, a still camera over a walkway).
MORE = [Path(f) for f in [os.environ.get("QC_FOOTAGE_MORE")] if f]
_LONG_SIDE = 640
# A piece whose picture goes farther than this is none to be played back for shake.
_WAY_PERCENT = 1.0
# Pictures that lie so far apart are held against each other, one after another.
_WAY_HOP = 5
_VERSION = 3

Split = Literal["tune", "test"]


@dataclass(frozen=True)
class Source:
    """A piece of a recording.

    Attributes
    ----------
    file : str
        Name in the folder of footage, ``sample_media/...``, or ``family``: drawn.
    first, count : int
        Frames taken.
    passes : int
        Played so many times, to and fro.
    still : bool
        The camera stands still.
    moves : bool
        So much of the picture moves at all times that a stopped picture shows.
    travels : bool
        The picture moves as a whole, by 2 % of its width or more (`way_percent`).
    neutral : bool
        Something white or grey is in sight all the time.
    rate : int
        Frames a second; 0: as the file says.
    crop : (x, y, w, h) or None
        Cut out instead of scaled: pixels as the camera made them. Multiples of 2.
    quick : bool
        Small enough for the quick run.
    known : mapping
        Rules that it breaks by itself, with what was seen there.
    """

    name: str
    split: Split
    file: str
    first: int = 0
    count: int = 250
    passes: int = 1
    still: bool = False
    moves: bool = False
    travels: bool = False
    neutral: bool = False
    full_range: bool = False
    matrix: Literal["bt601", "bt709"] = "bt709"
    rate: int = 0
    crop: tuple[int, int, int, int] | None = None
    quick: bool = False
    known: Mapping[str, str] = field(default_factory=dict)

    @property
    def drawn(self) -> bool:
        return self.file == "family" or self.file.startswith("sample_media")

    @property
    def path(self) -> Path:
        if self.file.startswith("sample_media"):
            return _ROOT / self.file
        there = [f / self.file for f in (FOLDER, *MORE) if (f / self.file).is_file()]
        return there[0] if there else FOLDER / self.file

    @property
    def there(self) -> bool:
        return self.file == "family" or self.path.is_file()


_WEBCAM = "the webcam gave fewer pictures than the file holds"
PIECES: tuple[Source, ...] = (
    # --- tune
    Source("karma", "tune", "karma.mp4", 0, 240, moves=True, travels=True,
           full_range=True),
    Source("webcam a", "tune", "cap13_edit2.mp4", 0, 240, still=True, matrix="bt601",
           neutral=True,
           known={"picture.repeated": _WEBCAM, "picture.frozen": _WEBCAM}),
    Source("webcam b", "tune", "cap13_edit2.mp4", 300, 240, still=True, matrix="bt601",
           neutral=True,
           known={"picture.repeated": _WEBCAM, "picture.frozen": _WEBCAM}),
    Source("carphone", "tune", "carphone_pristine.mp4", 0, 120, 2, moves=True,
           quick=True, neutral=True, matrix="bt601",
           known={"highlights.relevant": "the window is blown out",
                  "picture.shake": "the car shakes the camera"}),
    Source("take 01", "tune", "sample_media/take01_clean.mov", 0, 130, moves=True,
           quick=True, neutral=True),
    Source("walkway a", "tune", "vtest.avi", 0, 100, still=True, matrix="bt601"),
    Source("field 1", "tune", "family", 1, 150, neutral=True,
           known={"white.cast": "drawn under 3186 K, camera set to 5600 K"}),
    Source("field 2", "tune", "family", 2, 150, neutral=True,
           known={"white.cast": "drawn under 4231 K, camera set to 5600 K"}),
    # --- test
    Source("bikes", "test", "bikes.mp4", 0, 250, moves=True, matrix="bt601",
           known={"highlights.relevant": "a white door is blown out",
                  "picture.shake": "one shot is hand-held"}),
    Source("city a", "test", "cityCC0.mpg", 0, 112, 2, moves=True, travels=True,
           known={"highlights.relevant": "lit windows are blown out"}),
    Source("city b", "test", "cityCC0.mpg", 118, 72, 3, moves=True,
           known={"highlights.relevant": "lit windows are blown out"}),
    Source("stage", "test", "nasa_13013.mp4", 0, 325,
           known={"exposure.dark": "a dark stage",
                  "exposure.drift": "the lights come on",
                  "highlights.channel": "saturated red",
                  "picture.repeated": "slow parts hold frames"}),
    Source("dog", "test", "VID_20191220_170832.mp4", 1, 40, 5, moves=True,
           travels=True, rate=30, neutral=True,
           known={"white.cast": "warm lamps"}),
    Source("dog close", "test", "VID_20191220_170832.mp4", 1, 40, 5, moves=True,
           travels=True, rate=30, neutral=True, crop=(640, 340, 640, 360),
           known={"white.cast": "warm lamps"}),
    Source("floor", "test", "sample_sef_slow_motion.mp4", 0, 62, 3, moves=True,
           travels=True, quick=True, matrix="bt601"),
    Source("take 08", "test", "sample_media/take08_one_channel.mov", 0, 130,
           moves=True, quick=True, neutral=True),
    Source("walkway b", "test", "vtest.avi", 300, 100, still=True, matrix="bt601"),
    Source("walkway c", "test", "vtest.avi", 600, 100, still=True, matrix="bt601"),
    Source("field 3", "test", "family", 3, 150, neutral=True),
    Source("field 4", "test", "family", 4, 150, neutral=True),
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class Piece:
    """Pictures of a piece, as they were decoded."""

    source: Source
    frames: Sequence[Planes]
    signal: Signal
    rate: Fraction

    @property
    def name(self) -> str:
        return self.source.name

    @property
    def size(self) -> tuple[int, int]:
        """Height, width."""
        h, w = self.frames[0][0].shape
        return h, w

    @property
    def seconds(self) -> float:
        return float(len(self.frames) / self.rate)


@lru_cache
def cache() -> Path:
    """Folder of what is decoded once."""
    folder = Path(tempfile.gettempdir()) / "rushes-qc-bench"
    folder.mkdir(exist_ok=True)
    return folder


def _decoded(source: Source) -> Iterator[tuple[Planes, Fraction]]:
    with av.open(str(source.path)) as container:
        stream = container.streams.video[0]
        rate = Fraction(stream.base_rate or stream.average_rate or 25)
        if stream.average_rate is not None and abs(rate - stream.average_rate) > 1:
            rate = Fraction(round(stream.average_rate))
        for index, frame in enumerate(container.decode(stream)):
            if source.first <= index < source.first + source.count:
                y, cb, cr = synth.planes_in(frame)
                yield (y, cb, cr), rate


def _drawn(source: Source) -> Iterator[tuple[Planes, Fraction]]:
    folder = str(_ROOT / "sample_media")
    if folder not in sys.path:
        sys.path.append(folder)
    from theatre import family  # type: ignore[import-not-found]

    # First and last of the family that is 8 bits.
    number = 0
    for case in family.cases(source.split, 40):
        if case.bit_depth != 8 or case.full_range:
            continue
        number += 1
        if number == source.first:
            right = case.exposed(-0.3, -0.3)
            for planes, _ in right.frames(25, source.count / 25):
                yield planes, Fraction(25)
            return


def _scaled(planes: Planes, size: tuple[int, int]) -> Planes:
    """Scale to (width, height), which are multiples of 4, by area."""
    w, h = size
    if planes[0].shape == (h, w):
        return planes
    y = cv2.resize(planes[0], (w, h), interpolation=cv2.INTER_AREA)
    cb, cr = (
        cv2.resize(p, (w // 2, h // 2), interpolation=cv2.INTER_AREA)
        for p in planes[1:]
    )
    return y, cb, cr  # type: ignore[return-value]


def _cut(planes: Planes, box: tuple[int, int, int, int]) -> Planes:
    x, y, w, h = box
    luma, *chroma = planes
    cb, cr = (c[y // 2 : (y + h) // 2, x // 2 : (x + w) // 2].copy() for c in chroma)
    return luma[y : y + h, x : x + w].copy(), cb, cr


def load(source: Source) -> Piece:
    """Decode a piece, or take it from the cache."""
    key = f"{_VERSION} {source.name} {source.first} {source.count} {source.split}"
    place = cache() / key.replace(" ", "_")
    told = place.with_suffix(".json")
    if not told.is_file():
        _store(source, place)
    rate = Fraction(json.loads(told.read_text())["rate"])
    parts = [np.load(f"{place}.{n}.npy", mmap_mode="r") for n in ("y", "cb", "cr")]
    order = list(range(len(parts[0])))
    for number in range(1, source.passes):
        there = range(len(parts[0]))
        order += list(there[-2::-1] if number % 2 else there[1:])
    signal = Signal(
        full_range=source.full_range,
        matrix=source.matrix,
        primaries="bt709" if source.matrix == "bt709" else "bt601-525",
    )
    frames = [tuple(np.asarray(p[i]) for p in parts) for i in order]
    return Piece(source, frames, signal, rate)  # type: ignore[arg-type]


def way_percent(piece: Piece) -> float:
    """Return how far the picture as a whole gets along one axis, percent of its width.

    Phase correlation of every fifth picture with the next of them, added up (C. D.
    Kuglin and D. C. Hines, 1975, from memory; as OpenCV has it): not the way in which
    the tool itself follows a picture.
    """
    pictures = [planes[0].astype(np.float32) for planes in piece.frames[::_WAY_HOP]]
    height, width = piece.size
    window = cv2.createHanningWindow((width, height), cv2.CV_32F)
    steps = [
        cv2.phaseCorrelate(a, b, window)[0] for a, b in itertools.pairwise(pictures)
    ]
    path = np.cumsum([(0.0, 0.0), *steps], axis=0)
    return 100.0 * float(np.ptp(path, axis=0).max()) / width


def goes_back(source: Source) -> Source | None:
    """Return a piece played once if playing it to and fro makes a sway, else None."""
    if source.passes == 1:
        return None
    once = replace(source, passes=1)
    return once if way_percent(load(once)) > _WAY_PERCENT else None


def _store(source: Source, place: Path) -> None:
    kept: list[Planes] = []
    rates = []
    made = _drawn(source) if source.file == "family" else _decoded(source)
    for planes, rate in made:
        rates.append(rate)
        if source.crop is not None:
            kept.append(_cut(planes, source.crop))
            continue
        h, w = planes[0].shape
        scale = min(1.0, _LONG_SIDE / max(h, w))
        size = (int(w * scale) // 4 * 4, int(h * scale) // 4 * 4)
        if scale == 1.0:  # not scaled, only cut to even sizes
            y, cb, cr = planes
            half = (slice(size[1] // 2), slice(size[0] // 2))
            kept.append((y[: size[1], : size[0]], cb[half], cr[half]))
        else:
            kept.append(_scaled(planes, size))
    for number, name in enumerate(("y", "cb", "cr")):
        np.save(f"{place}.{name}.npy", np.stack([p[number] for p in kept]))
    place.with_suffix(".json").write_text(
        json.dumps({"rate": str(source.rate or rates[0])})
    )


_CODE: dict[str, int] = {"bt709": synth.BT709, "bt601": synth.SMPTE170M}


def write(
    path: Path,
    frames: Sequence[Planes],
    piece: Piece,
    ticks: Sequence[int] | None = None,
    options: Mapping[str, Any] | None = None,
) -> Path:
    """Write pictures as a camera would: H.264 High, crf 18, half-second groups.

    Parameters
    ----------
    ticks : sequence of int or None
        When each frame is shown, in frame periods.
    """
    s = piece.signal
    code = _CODE[s.matrix]
    video = synth.Video(
        pixel_format="yuvj420p" if s.full_range else "yuv420p",
        rate=piece.rate,
        options={
            "preset": "veryfast",
            "profile": "high",
            "crf": "18",
            "threads": "1",
            "g": str(round(piece.rate / 2)),
            **(options or {}),
        },
        tags={
            "range": synth.FULL if s.full_range else synth.LIMITED,
            "matrix": code,
            "transfer": synth.BT709,
            "primaries": code,
        },
        ticks=ticks,
        time_base=None if ticks is None else 1 / piece.rate,
    )
    return synth.write(path, list(frames), video)
