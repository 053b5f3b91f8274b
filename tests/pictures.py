"""Pictures and takes whose answer is known by construction.

`picture` and `setup_of` make what a reader is given; `measure` runs readers over
pictures as the pipeline does and gives what rules and summaries are made from.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from fractions import Fraction
from pathlib import Path
from typing import Any, cast

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from qc.judge import find
from qc.measures import (
    all_options,
    default_limits,
    exposure,
    focus,
    framing,
    highlights,
)
from qc.measures.base import Measure, Measured, PictureReader, Setup
from qc.records import Finding, Picture, Readings, Scan, TakeInfo, VideoTrack
from qc.signal import Signal
from qc.store import ColumnStore
from qc.timecode import TimecodeFormat

MEASURES = (exposure.MEASURE, focus.MEASURE, framing.MEASURE, highlights.MEASURE)
VIDEO_8 = Signal()

Image = NDArray[np.floating[Any]]
Plane = NDArray[np.unsignedinteger[Any]]


def picture(
    y: NDArray[Any],
    *,
    signal: Signal = VIDEO_8,
    index: int = 0,
    pts: int | None = None,
    interlaced: bool = False,
    damaged: bool = False,
) -> Picture:
    """Make a picture of a luma plane; real-valued planes are rounded and clipped."""
    dtype = np.uint8 if signal.bit_depth == 8 else np.uint16
    if y.dtype.kind == "f":
        y = np.clip(np.rint(y), 0, signal.top)
    y = y if y.dtype == dtype else y.astype(dtype)
    height, width = y.shape
    grey = np.full(((height + 1) // 2, (width + 1) // 2), signal.chroma_zero, dtype)
    return Picture(
        index=index,
        pts=index if pts is None else pts,
        duration=1,
        y=y,
        cb=grey,
        cr=grey.copy(),
        signal=signal,
        interlaced=interlaced,
        damaged=damaged,
    )


def info_of(
    *,
    signal: Signal = VIDEO_8,
    width: int = 0,
    height: int = 0,
    rate: Fraction = Fraction(25),
    scan: Scan = "progressive",
) -> TakeInfo:
    """Describe a take with pictures and without sound; a tick is a frame."""
    video = VideoTrack(
        stream=0,
        number=0,
        codec="rawvideo",
        pixel_format="",
        width=width,
        height=height,
        frame_rate=rate,
        time_base=1 / rate,
        signal=signal,
        scan=scan,
    )
    return TakeInfo(
        path=Path("take.mov"),
        bytes=0,
        container="mov",
        duration=None,
        video=video,
        audio=(),
        timecode=TimecodeFormat(rate, drop_frame=False),
    )


def setup_of(changes: Mapping[str, object] | None = None, **facts: Any) -> Setup:
    """Make what a reader may know before the first frame, with limits changed."""
    limits = default_limits().with_values(all_options(), changes or {}, source="test")
    return Setup(info_of(**facts), limits)


def reader_of(measure: Measure, setup: Setup) -> PictureReader:
    """Start a measure of pictures."""
    return cast(PictureReader, measure.start(setup))


def measure(
    pictures: Iterable[Picture],
    setup: Setup,
    measures: Iterable[Measure] = MEASURES,
) -> Measured:
    """Read pictures and derive what only the whole take gives."""
    measures = tuple(measures)
    readers = [(m, reader_of(m, setup)) for m in measures]
    store = ColumnStore(
        {
            f"{m.name}.{c.name}": c.width if c.width > 1 else 0
            for m in measures
            for c in m.columns
        }
    )
    begins, end = [], 0
    for p in pictures:
        store.append(
            {
                f"{m.name}.{name}": value
                for m, reader in readers
                for name, value in reader.read(p).items()
            }
        )
        begins.append(p.pts)
        end = p.pts + p.duration
    video = setup.info.video
    assert video is not None
    edges = np.array([*begins, end], np.int64)
    measured = Measured(
        info=setup.info,
        limits=setup.limits,
        picture=Readings("picture", video.time_base, edges, store),
        sound=(),
        totals={m.name: reader.finish() for m, reader in readers},
    )
    for m in measures:
        if m.derive is not None:
            for name, values in m.derive(measured).items():
                store.add(f"{m.name}.{name}", values)
    return measured


def column(measured: Measured, name: str) -> NDArray[np.float32]:
    """Return a column of the picture readings."""
    assert measured.picture is not None
    return measured.picture[name]


def findings(measured: Measured, rule: str) -> list[Finding]:
    """Return what a rule found."""
    return [f for f in find(measured, MEASURES) if f.rule == rule]


def scene(
    height: int, width: int, random: np.random.Generator, *, low: float = 30
) -> Image:
    """Draw a picture with edges and detail of every size, in 8-bit video codes.

    Overlapping discs of random grey, their radii distributed as r^-3: the "dead leaves"
    model of natural pictures (Lee, Mumford, Huang, International Journal of Computer
    Vision 41, 2001; from memory), each with a faint grain, under an uneven light.
    Edges are as wide as a lens and a sensor leave them.
    """
    out = np.full((height, width), 0.5 * (low + 200))
    radius_min, radius_max = 3.0 / 360 * height, 0.5 * height
    # Inverse of the distribution function of a density r^-3 between the two radii.
    u = random.uniform(size=1000 * width // height)
    radii = (radius_min**-2 + u * (radius_max**-2 - radius_min**-2)) ** -0.5
    for r in radii:
        centre = (int(random.integers(width)), int(random.integers(height)))
        cv2.circle(out, centre, max(1, round(r)), random.uniform(low, 200), -1)
    light = cv2.resize(
        random.uniform(0.55, 1.1, (3, 5)), (width, height), None, 0, 0, 2
    )
    out = (out - VIDEO_8.black) * light + VIDEO_8.black
    grain = cv2.GaussianBlur(random.normal(0, 9, (height, width)), (0, 0), 0.8)
    out = cv2.GaussianBlur(out, (0, 0), 0.6) + grain
    return np.asarray(np.clip(out, 17, 234), np.float64)


def codes(image: Image, signal: Signal) -> Image:
    """Turn 8-bit limited-range luma into codes of another signal, not rounded."""
    share = (image - VIDEO_8.black) / (VIDEO_8.white - VIDEO_8.black)
    return share * (signal.white - signal.black) + signal.black


def footage(name: str) -> Path:
    """Return the path of a real recording; skip the test where it is absent."""
    default = Path(__file__).parents[2] / "shared" / "footage"
    path = Path(os.environ.get("QC_FOOTAGE", default)) / name
    if not path.exists():
        pytest.skip(f"no {name} among the real recordings (QC_FOOTAGE)")
    return path
