"""Takes of odd size, length, depth and content: measured and judged without a fault."""

from __future__ import annotations

import math
import re
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from qc.pipeline import check_take
from qc.records import TakeFailure, TakeResult
from qc.report import write_report
from tests import synth

PQ, HLG = synth.PQ, synth.HLG
Planes = synth.Planes


def _flat(pixel_format: str, width: int, height: int, frames: int, code: int) -> Any:
    depth = synth.depth_of(pixel_format)
    dtype = np.uint8 if depth == 8 else np.uint16
    grey = 1 << (depth - 1)
    sizes = synth.plane_sizes(pixel_format, width, height)
    codes = (code, grey, grey)
    planes = tuple(
        np.full(size, value, dtype) for size, value in zip(sizes, codes, strict=True)
    )
    return [planes] * frames


def _checked(path: Path, monkeypatch: pytest.MonkeyPatch) -> TakeResult:
    # With this set a fault of ours is raised instead of becoming a sentence.
    monkeypatch.setenv("QC_DEBUG", "1")
    result = check_take(path)
    assert isinstance(result, TakeResult), result.message
    write_report(result, path.parent / "reports", stills=True)
    return result


@pytest.mark.parametrize("frames", [1, 2, 3, 5, 18])
@pytest.mark.parametrize("size", [(16, 16), (64, 36), (34, 22), (400, 30)])
def test_short_and_small(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, frames: int, size: tuple[int, int]
) -> None:
    pictures = synth.noise("yuv420p", *size, frames)
    path = synth.write(tmp_path / "a.mkv", pictures, synth.Video("ffv1"))
    assert _checked(path, monkeypatch).coverage.frames_read == frames


@pytest.mark.parametrize("size", [(1, 1), (640, 8), (15, 15), (16, 640)])
def test_what_is_no_picture_of_a_camera_is_refused(
    tmp_path: Path, size: tuple[int, int]
) -> None:
    kind = synth.Video("ffv1", pixel_format="gray")
    path = synth.write(tmp_path / "a.mkv", synth.noise("gray", *size, 3), kind)
    result = check_take(path)
    assert isinstance(result, TakeFailure)
    assert f"{size[0]} x {size[1]} pixels" in result.message


def test_a_file_that_grows_while_it_is_measured_is_refused(tmp_path: Path) -> None:
    pictures = synth.noise("yuv420p", 64, 36, 30)
    path = synth.write(tmp_path / "a.mkv", pictures, synth.Video("ffv1"))

    def write_on(*_: object) -> None:
        with path.open("ab") as file:
            file.write(bytes(1000))

    result = check_take(path, progress=write_on)
    assert isinstance(result, TakeFailure)
    assert "still being written" in result.message
    before, after = re.findall(r"from ([0-9 ]+) to ([0-9 ]+) bytes", result.message)[0]
    assert before != after
    assert int(after.replace(" ", "")) - int(before.replace(" ", "")) >= 1000
    assert isinstance(check_take(path), TakeResult)


@pytest.mark.parametrize("code", [0, 16, 126, 235, 255])
@pytest.mark.parametrize("range_", [synth.LIMITED, synth.FULL])
def test_flat(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: int, range_: int
) -> None:
    pictures = _flat("yuv420p", 96, 54, 60, code)
    video = synth.Video("ffv1", tags={"range": range_})
    path = synth.write(tmp_path / "a.mkv", pictures, video)
    assert _checked(path, monkeypatch).coverage.frames_read == 60


@pytest.mark.parametrize(
    ("pixel_format", "tags"),
    [
        ("yuv422p10le", {"range": synth.LIMITED}),
        ("yuv444p12le", {"range": synth.FULL}),
        ("yuv411p", {}),
        ("gray", {}),
        ("gray10le", {}),
        ("yuv420p10le", {"transfer": PQ, "matrix": synth.BT2020}),
        ("yuv420p10le", {"transfer": HLG, "matrix": synth.BT2020}),
    ],
)
def test_depths_and_curves(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    pixel_format: str,
    tags: dict[str, int],
) -> None:
    made = synth.scene(40, pixel_format="yuv420p")
    if pixel_format.startswith("gray"):
        shift = synth.depth_of(pixel_format) - 8
        pictures: list[Any] = [(p[0].astype(np.uint8 if not shift else np.uint16)
                                << shift,) for p in made]  # fmt: skip
    else:
        pictures = synth.scene(40, pixel_format=pixel_format)
    video = synth.Video("ffv1", pixel_format, tags=tags)
    path = synth.write(tmp_path / "a.mkv", pictures, video)
    assert _checked(path, monkeypatch).coverage.frames_read == 40


@pytest.mark.parametrize("scan", ["top", "bottom"])
@pytest.mark.parametrize("height", [96, 38])
def test_fields(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, scan: str, height: int
) -> None:
    options = {"flags": "+ildct+ilme", "top": "1" if scan == "top" else "0"}
    pictures = synth.scene(30, height=height)
    video = synth.Video("mpeg2video", options=options, scan=scan)
    path = synth.write(tmp_path / "a.mkv", pictures, video)
    assert _checked(path, monkeypatch).coverage.frames_read == 30


def test_uneven_times(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    ticks = np.cumsum([40, 40, 41, 39, 200, 1, 1, 40, 1000, 40] * 4).tolist()
    video = synth.Video("ffv1", ticks=ticks, time_base=Fraction(1, 1000))
    path = synth.write(tmp_path / "a.mkv", synth.scene(40), video)
    assert _checked(path, monkeypatch).coverage.frames_read == 40


def _tone(channels: int, samples: int, rate: int) -> NDArray[np.int16]:
    time = np.arange(samples) / rate
    wave = 8000 * np.sin(2 * math.pi * 440 * time)
    return np.tile(np.rint(wave).astype(np.int16), (channels, 1))


@pytest.mark.parametrize("samples", [1, 100, 480, 481, 4800, 100_000])
@pytest.mark.parametrize(
    ("channels", "layout", "rate"),
    [(1, "mono", 8000), (2, "stereo", 48_000), (6, "5.1", 96_000), (3, "2.1", 11_025)],
)
def test_sounds(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    samples: int,
    channels: int,
    layout: str,
    rate: int,
) -> None:
    sound = synth.Sound(_tone(channels, samples, rate), rate=rate, layout=layout)
    path = synth.write(tmp_path / "a.wav", sounds=[sound])
    result = _checked(path, monkeypatch)
    assert result.coverage.sound_read_s == pytest.approx(samples / rate)


@pytest.mark.parametrize("level", [0, 1, -32768])
def test_sound_that_stands_still(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, level: int
) -> None:
    samples = np.full((2, 300_000), level, np.int16)
    path = synth.write(tmp_path / "a.wav", sounds=[synth.Sound(samples)])
    _checked(path, monkeypatch)


@pytest.mark.parametrize(
    ("name", "noted"),
    [("a.mov", True), ("a.mkv", True), ("a.wav", False), ("a.flac", False)],
)
def test_a_take_without_a_picture(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, noted: bool
) -> None:
    # 1.02 s are 25 frames of 25 a second and a half: none that is used lies beyond.
    codec = "flac" if name.endswith("flac") else "pcm_s16le"
    samples = _tone(2, 48_960, 48_000)
    path = synth.write(tmp_path / name, sounds=[synth.Sound(samples, codec)])
    result = _checked(path, monkeypatch)
    assert ("There is no picture in this file." in result.notes) is noted
    assert result.duration == Fraction(102, 100)
    assert all(r.end <= result.duration for r in result.usable)
