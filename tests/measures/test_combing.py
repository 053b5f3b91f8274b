"""Interlace: the lag between fields is known by construction, as is what is declared.

Fields are drawn at their own moments of a steady motion: exact arithmetic. The last
tests go through real coders' interlaced streams.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from fractions import Fraction
from functools import cache
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from qc.measures import combing, default_limits
from qc.measures.base import Measured, Setup
from qc.measures.combing import MEASURE
from qc.measures.parts.scan import lagwatch
from qc.measures.parts.scan.fieldlag import FieldLag, field_lag
from qc.measures.parts.scan.framepairs import FramePairs, band_starts
from qc.media import TakeReader, probe
from qc.pipeline import check_take
from qc.records import Finding, Grade, Picture, Scan, TakeResult
from qc.signal import Signal
from tests import synth
from tests.pictures import Image, Plane, codes, column, footage, measure, picture, scene
from tests.pictures import setup_of as plain_setup

HEIGHT, WIDTH = 240, 480
WIDE = scene(2 * HEIGHT, 2 * WIDTH, np.random.default_rng(21)).astype(np.float32)
# Noise of 1.4 % of range: above what the noise measure lets pass.
NOISE = 3.0
LAGS = {"progressive": 0.0, "top field first": 0.5, "bottom field first": -0.5}
LEAST = 2.19  # codes: one percent of 8-bit limited range
Move = tuple[float, float]


def at(x: float, y: float, *, ground: Image = WIDE) -> Image:
    """Look at the wide picture from x, y pixels off its middle."""
    shift = np.array([[1.0, 0.0, -x - WIDTH / 2], [0.0, 1.0, -y - HEIGHT / 2]])
    flat = cv2.warpAffine(ground, shift, (WIDTH, HEIGHT), flags=cv2.INTER_CUBIC)
    return np.asarray(flat, np.float64)


def frame(moment: float, lag: float, move: Move, *, ground: Image = WIDE) -> Image:
    """Draw a frame whose bottom field is taken `lag` frame periods after its top."""
    out = at(move[0] * moment, move[1] * moment, ground=ground)
    if lag:
        later = moment + lag
        out[1::2] = at(move[0] * later, move[1] * later, ground=ground)[1::2]
    return out


def noisy(image: Image, number: int, sigma: float = NOISE) -> Image:
    return image + np.random.default_rng(number).normal(0, sigma, image.shape)


def bands(image: Image, signal: Signal) -> Plane:
    plane = picture(codes(image, signal), signal=signal).y
    return np.stack([plane[a : a + 32] for a in band_starts(HEIGHT, count=5, rows=32)])


def lag_of(before: Image, now: Image, signal: Signal | None = None) -> FieldLag:
    signal = Signal() if signal is None else signal
    least = (signal.white - signal.black) / 100
    return field_lag(bands(before, signal), bands(now, signal), least_change=least)


def take(images: Sequence[Image], scan: Scan, rate: int = 25) -> Measured:
    pictures = (picture(image, index=i) for i, image in enumerate(images))
    setup = plain_setup(scan=scan, rate=Fraction(rate))
    return measure(pictures, setup, [MEASURE])


def found(measured: Measured) -> list[Finding]:
    return [f for check in MEASURE.checks for f in check(measured)]


def lags(measured: Measured) -> list[float]:
    values = column(measured, "combing.field_lag_frames")
    return [float(v) for v in values[~np.isnan(values)]]


def notes(measured: Measured) -> list[str]:
    assert MEASURE.notes is not None
    return list(MEASURE.notes(measured))


def swing(frames: int, lag: float) -> list[Image]:
    """Draw a take in which the camera pans to and fro."""
    out = []
    for i in range(frames):
        image = _moved(i).copy()
        image[1::2] = _moved(i + lag)[1::2]
        out.append(image)
    return out


@cache
def _moved(moment: float) -> Image:
    return at(40 * np.sin(moment / 9), 12 * np.cos(moment / 7))


# ------------------------------------------------------------------------- arithmetic


@given(st.integers(0, 3000), st.integers(1, 12), st.integers(1, 40))
def test_bands_lie_in_the_picture_and_begin_with_the_top_field(
    height: int, count: int, rows: int
) -> None:
    starts = band_starts(height, count=count, rows=2 * rows)
    assert len(starts) == min(count, height // (2 * rows))
    assert all(a % 2 == 0 for a in starts)
    assert all(0 <= a <= height - 2 * rows for a in starts)
    assert all(b - a >= 2 * rows for a, b in pairwise(starts))


@pytest.mark.parametrize("lag", [0.0, 0.5, -0.5])
@pytest.mark.parametrize("move", [(1.0, 0.0), (4.0, 0.0), (0.0, 3.0), (3.0, -2.0)])
@pytest.mark.parametrize("sigma", [0.0, NOISE])
def test_the_lag_between_the_fields_is_found(
    lag: float, move: Move, sigma: float
) -> None:
    before = noisy(frame(0, lag, move), 1, sigma)
    now = noisy(frame(1, lag, move), 2, sigma)
    seen = lag_of(before, now)
    assert seen.frames == pytest.approx(lag, abs=0.04)
    assert seen.moving > 0.3


@pytest.mark.parametrize("lag", LAGS.values())
@pytest.mark.parametrize("move", [(14.0, 0.0), (20.0, 3.0)])
def test_fast_motion_tells_too_or_says_nothing(lag: float, move: Move) -> None:
    # 4 % of the width a frame: the fields of one frame are half of it apart.
    seen = lag_of(frame(0, lag, move), frame(1, lag, move))
    assert np.isnan(seen.frames) or seen.frames == pytest.approx(lag, abs=0.15)


@pytest.mark.parametrize(
    "signal", [Signal(bit_depth=10), Signal(full_range=True), Signal(bit_depth=12)]
)
def test_depth_and_range_make_no_difference(signal: Signal) -> None:
    images = frame(0, 0.5, (3, 1)), frame(1, 0.5, (3, 1))
    plain, other = lag_of(*images), lag_of(*images, signal)
    assert other.frames == pytest.approx(plain.frames, abs=0.01)
    scale = (signal.white - signal.black) / 219
    assert other.teeth == pytest.approx(plain.teeth * scale, rel=0.05)


@settings(max_examples=15, deadline=None)
@given(st.floats(-0.6, 0.6), st.floats(1, 5), st.floats(-3, 3))
def test_time_run_backwards_turns_the_lag_round(lag: float, x: float, y: float) -> None:
    images = frame(0, lag, (x, y)), frame(1, lag, (x, y))
    there, back = lag_of(*images), lag_of(*images[::-1])
    assert there.frames == pytest.approx(-back.frames, abs=1e-3, nan_ok=True)


def test_fields_of_neighbouring_frames_lie_a_frame_apart() -> None:
    # Other lags than 0 and a half are right for small motion only.
    for lag in (1.0, -1.0, 0.25):
        seen = lag_of(frame(0, lag, (0.5, 0)), frame(1, lag, (0.5, 0)))
        assert seen.frames == pytest.approx(lag, rel=0.15)


@pytest.mark.parametrize("lag", LAGS.values())
def test_weave_with_a_pitch_of_two_lines_is_no_comb(lag: float) -> None:
    # Threads that fill every other line look like teeth, still or moving.
    ground = WIDE.copy()
    ground[::2] += 18
    before, now = (frame(t, lag, (3, 0), ground=ground) for t in (0, 1))
    assert lag_of(before, now).frames == pytest.approx(lag, abs=0.05)
    still = lag_of(noisy(before, 1), noisy(before, 2))
    assert np.isnan(still.frames)


def test_what_tells_nothing_is_not_guessed() -> None:
    image = frame(0, 0.5, (3, 0))
    for before, now in (
        (image, image),
        (noisy(image, 1), noisy(image, 2)),
        (image, 16 + 0.9 * (image - 16)),  # a lamp dimmed by a tenth
        (image, image + 12),
        (image, scene(HEIGHT, WIDTH, np.random.default_rng(5))),  # a cut
        (np.full(image.shape, 90.0), np.full(image.shape, 110.0)),
    ):
        assert np.isnan(lag_of(before, now).frames)


# ----------------------------------------------------------------------------- verdicts


@pytest.mark.parametrize("scan", list(LAGS))
def test_a_take_as_declared_has_no_finding(scan: Scan) -> None:
    """All 40 of a panning texture's frames agree: nothing in them contradicts."""
    lag = LAGS[scan]
    measured = take(swing(40, lag), scan, rate=5)
    seen = lags(measured)
    assert len(seen) >= 12
    assert seen == pytest.approx([lag] * len(seen), abs=0.1)
    assert found(measured) == []
    assert notes(measured) == []


@pytest.mark.parametrize("scan", [*LAGS, "unknown"])
def test_a_still_take_cannot_be_told(scan: Scan) -> None:
    image = at(0, 0)
    measured = take([noisy(image, i) for i in range(30)], scan)
    assert lags(measured) == []
    assert found(measured) == []
    (note,) = notes(measured)
    assert "cannot be told" in note


@pytest.mark.parametrize(
    ("scan", "real", "grade", "words"),
    [
        ("progressive", "top field first", Grade.REVIEW, "moving edges have teeth"),
        ("progressive", "bottom field first", Grade.REVIEW, "two moments"),
        ("top field first", "bottom field first", Grade.REVIEW, "back and forth"),
        ("bottom field first", "top field first", Grade.REVIEW, "back and forth"),
        ("top field first", "progressive", Grade.NOTE, "of the same moment"),
        ("bottom field first", "progressive", Grade.NOTE, "of the same moment"),
        ("unknown", "top field first", Grade.REVIEW, "does not say"),
    ],
)
def test_what_was_declared_wrongly_is_found(
    scan: Scan, real: str, grade: Grade, words: str
) -> None:
    measured = take(swing(40, LAGS[real]), scan)
    (finding,) = found(measured)
    assert finding.rule == "picture.combing"
    assert finding.grade is grade
    assert words in finding.message
    if real != "progressive":
        assert real in finding.message + finding.advice
    assert finding.advice
    assert finding.worst == pytest.approx(LAGS[real], abs=0.05)
    assert (finding.start_frame, finding.end_frame) == (0, 40)


def test_an_unknown_scan_of_progressive_pictures_is_no_finding() -> None:
    assert found(take(swing(40, 0.0), "unknown")) == []


def test_fields_of_neighbouring_frames_are_told() -> None:
    slow = [frame(i, 1.0, (1, 0)) for i in range(40)]
    (finding,) = found(take(slow, "top field first"))
    assert "belong to different frames" in finding.message


def test_only_the_wrong_part_is_reported() -> None:
    right, wrong = swing(90, 0.0), swing(90, 0.5)
    measured = take([*right[:45], *wrong[45:]], "progressive")
    (finding,) = found(measured)
    assert 45 <= finding.start_frame <= 46
    assert finding.end_frame == 90


@pytest.mark.parametrize("first", [43, 48, 53])
def test_both_ends_are_told_to_the_frame(first: int) -> None:
    right, wrong = swing(150, 0.0), swing(150, 0.5)
    images = [*right[:first], *wrong[first : first + 50], *right[first + 50 :]]
    measured = take(images, "progressive")
    (finding,) = found(measured)
    assert abs(finding.start_frame - first) <= 1
    assert abs(finding.end_frame - first - 50) <= 2
    held = column(measured, "combing.lag_held_frames")
    assert held[first + 2 : first + 48] == pytest.approx([0.5] * 46, abs=0.15)
    assert held[first - 20 : first] == pytest.approx([0.0] * 20, abs=0.1)


def test_a_change_while_nothing_moves_lies_where_it_is_seen_first() -> None:
    moving, still = swing(60, 0.0), at(40 * np.sin(60 / 9), 12 * np.cos(60 / 7))
    later = [frame(i, 0.5, (1.5, 0.5)) for i in range(-30, 30)]
    (finding,) = found(take([*moving, *[still] * 20, *later], "progressive"))
    # Within the stillness or at its end.
    assert 60 <= finding.start_frame <= 82


def test_changes_are_looked_for_only_so_often(monkeypatch: pytest.MonkeyPatch) -> None:
    calls = []

    def counted(*args: Plane, least_change: float) -> FieldLag:
        calls.append(1)
        return FieldLag([0.0, 0.5][len(calls) % 2], 1.0, 0.0)

    monkeypatch.setattr(lagwatch, "field_lag", counted)
    flat = np.full((64, 64), 90.0)
    take([flat] * 1000, "progressive")
    # 116 moments in 40 s; four changes at once and one more in ten moments, each of
    # at most nine frames. Each looked at would be some 116 x 9.
    assert len(calls) <= 116 + 16 * 9


def test_a_single_odd_moment_is_not_reported() -> None:
    images, other = swing(80, 0.0), swing(80, 0.5)
    images[40:46] = other[40:46]
    assert found(take(images, "progressive")) == []


def test_the_cadence_sees_every_phase_of_five_frames() -> None:
    pairs = FramePairs(
        plain_setup(rate=Fraction(30)), per_second=combing._PER_SECOND, count=1, rows=16
    )
    flat = np.full((32, 32), 90, np.uint8)
    taken = [
        i for i in range(300) if pairs.take(picture(flat.copy(), index=i)) is not None
    ]
    assert len(taken) == pytest.approx(29, abs=1)
    assert {i % 5 for i in taken} == set(range(5))


def test_a_damaged_frame_is_in_no_pair() -> None:
    images = swing(40, 0.5)
    pictures = [picture(image, index=i, damaged=True) for i, image in enumerate(images)]
    measured = measure(pictures, plain_setup(scan="progressive"), [MEASURE])
    assert lags(measured) == []
    assert found(measured) == []


@pytest.mark.parametrize("shape", [(1, 1), (2, 3), (31, 640), (40, 8), (64, 17)])
def test_tiny_and_odd_pictures(shape: tuple[int, int]) -> None:
    random = np.random.default_rng(3)
    images = [random.uniform(16, 235, shape) for _ in range(25)]
    measured = take(images, "progressive")
    assert found(measured) == []
    assert len(notes(measured)) == 1


# --------------------------------------------------------------------------- the report


def test_teeth_are_marked_where_something_moves() -> None:
    ground = np.full((HEIGHT, WIDTH), 90.0)
    image = cv2.GaussianBlur(ground, (0, 0), 1.0)
    image[60:180, 200:280] = 180
    later = np.full((HEIGHT, WIDTH), 90.0)
    later[60:180, 210:290] = 180
    image[1::2] = later[1::2]
    measured = take(swing(40, 0.5), "progressive")
    (finding,) = found(measured)
    assert MEASURE.mark is not None
    marks = MEASURE.mark(picture(image), plain_setup(), finding)
    ((kind, mask),) = marks.areas
    assert kind == "combing"
    rows, columns = np.nonzero(mask)
    # Between the edges' places in both fields, two pixels around.
    assert set(columns.tolist()) == {*range(198, 212), *range(278, 292)}
    assert rows.min() >= 56
    assert rows.max() <= 183
    plain = np.where(np.arange(WIDTH) < 240, 90.0, 180.0) + np.zeros((HEIGHT, 1))
    assert not MEASURE.mark(picture(plain), plain_setup(), finding).areas[0][1].any()


def test_each_reading_is_held_for_the_strip() -> None:
    measured = take(swing(40, 0.5), "progressive")
    held = column(measured, "combing.lag_held_frames")
    first = int(np.flatnonzero(~np.isnan(held))[0])
    assert first <= 1
    assert held[first:] == pytest.approx(0.5, abs=0.1)


# ------------------------------------------------------------------------- real streams


def coded(path: Path, images: Sequence[Image], video: synth.Video) -> Measured:
    planes = []
    for image in images:
        luma = np.clip(np.rint(image), 16, 235).astype(np.uint8)
        grey = np.full((HEIGHT // 2, WIDTH // 2), 128, np.uint8)
        planes.append((luma, grey, grey))
    synth.write(path, planes, video)
    info = probe(path)
    assert info.video is not None
    with TakeReader(info) as reader:
        pictures = (p for p in reader if isinstance(p, Picture))
        return measure(pictures, Setup(info, default_limits()), [MEASURE])


def mpeg2(scan: str) -> synth.Video:
    # Interlaced DCT and motion search, as MPEG-2 recorders code interlaced pictures.
    options = {"flags": "+ildct+ilme", "b": "6000000", "g": "12"}
    return synth.Video(codec="mpeg2video", options=options, scan=scan)


def avc(scan: str) -> synth.Video:
    options = synth.h264(extra="tff=1" if scan == "top" else "bff=1")
    return synth.Video(options=options, scan=scan)


@pytest.mark.parametrize("coder", [mpeg2, avc])
@pytest.mark.parametrize("declared", ["top", "bottom"])
def test_real_interlaced_streams(
    tmp_path: Path, coder: Callable[[str], synth.Video], declared: str
) -> None:
    scan = f"{declared} field first"
    other = {"top": "bottom", "bottom": "top"}[declared]
    path = tmp_path / ("take.mpg" if coder is mpeg2 else "take.mov")
    right = coded(path, swing(30, LAGS[scan]), coder(declared))
    assert right.info.video is not None
    assert right.info.video.scan == scan
    assert found(right) == []
    wrong = coded(path, swing(30, LAGS[f"{other} field first"]), coder(declared))
    (finding,) = found(wrong)
    assert f"recorded {other} field first" in finding.message
    same = coded(path, swing(30, 0.0), coder(declared))
    (note,) = found(same)
    assert note.grade is Grade.NOTE


def test_frames_say_which_field_is_first_where_the_file_does_not(
    tmp_path: Path,
) -> None:
    # MPEG-2 in this container: the field order stands in the frames alone.
    path = tmp_path / "take.mov"
    for scan, lag in (("top", 0.5), ("bottom", -0.5)):
        assert found(coded(path, swing(30, lag), mpeg2(scan))) == []
        (finding,) = found(coded(path, swing(30, -lag), mpeg2(scan)))
        assert finding.grade is Grade.REVIEW
        assert f"Declared {scan} field first" in finding.message


def test_a_field_order_that_the_file_leaves_open_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # The package's name for it is the function.
    module = sys.modules["qc.media.probe"]
    monkeypatch.setattr(module, "top_field_first", lambda frame, codec: None)
    path = tmp_path / "take.mov"
    assert found(coded(path, swing(30, 0.5), mpeg2("top"))) == []
    (finding,) = found(coded(path, swing(30, -0.5), mpeg2("bottom")))
    assert finding.grade is Grade.NOTE
    assert "does not say which field is first" in finding.message
    assert "bottom field first" in finding.advice


def test_interlaced_pictures_in_a_progressive_stream(tmp_path: Path) -> None:
    images = swing(30, 0.5)
    video = synth.Video(options=synth.h264())
    (finding,) = found(coded(tmp_path / "take.mp4", images, video))
    assert "Declared progressive" in finding.message
    assert "top field first" in finding.advice


def test_the_lag_over_time_is_shown(tmp_path: Path) -> None:
    path = tmp_path / "take.mp4"
    coded(path, swing(30, 0.5), synth.Video(options=synth.h264(lossless=True)))
    result = check_take(path)
    assert isinstance(result, TakeResult)
    (finding,) = (f for f in result.findings if f.rule == "picture.combing")
    assert MEASURE.exhibits is not None
    (exhibit,) = MEASURE.exhibits(result, finding)
    (line,) = exhibit.lines
    assert line.y == pytest.approx([0.5] * len(line.y), abs=0.1)
    assert np.diff(line.x) == pytest.approx([1 / 2.9] * (len(line.x) - 1), abs=0.05)
    assert dict(exhibit.levels)["Top field first"] == 0.5


@pytest.mark.footage
@pytest.mark.parametrize("name", ["carphone_pristine.mp4", "bikes.mp4"])
def test_real_progressive_recordings_show_one_moment(name: str) -> None:
    info = probe(footage(name))
    with TakeReader(info) as reader:
        pictures = (p for p in reader if isinstance(p, Picture))
        measured = measure(pictures, Setup(info, default_limits()), [MEASURE])
    assert max(abs(v) for v in lags(measured)) < 0.1
    assert found(measured) == []
