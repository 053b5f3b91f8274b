"""Fields of other frames: which frame each field is of is known from the drawing.

A camera that trembles is drawn, so that no two changes from frame to frame are alike.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from pathlib import Path

import cv2
import numpy as np
import pytest

from qc.measures.parts.scan.framepairs import FramePairs
from qc.measures.parts.scan.otherframes import lags_since, other_frame
from qc.records import Grade, Scan
from qc.signal import Signal
from tests import synth
from tests.measures.test_combing import at, coded, found, lags, noisy, notes, take
from tests.pictures import Image, codes, picture, setup_of

SPAN = 219
TEN_BITS = Signal(bit_depth=10)
FIRST, LAST, FRAMES = 35, 75, 100
Drawing = Callable[[float], Image]


def held(moment: float) -> Image:
    """Look through a camera in the hand: slow sway and tremor, in pixels."""
    t = moment / 25
    x = 9 * math.sin(1.9 * t) + 2.5 * math.sin(11 * t + 1) + 1.5 * math.sin(40 * t)
    y = 6 * math.sin(1.4 * t + 2) + 2 * math.sin(13 * t) + 1.2 * math.sin(43 * t)
    return at(x, y)


def at_rest(moment: float) -> Image:
    """Look from a stand at a card that somebody waves."""
    image, card = at(0, 0).copy(), at(150, 60)[:90, :120]
    x = 180 + 120 * math.sin(moment / 7) + 15 * math.sin(moment / 2.3)
    y = 75 + 40 * math.sin(moment / 5) + 6 * math.sin(moment / 1.7)
    return np.asarray(_laid(image, card, x, y), np.float64)


def _laid(image: Image, card: Image, x: float, y: float) -> Image:
    move = np.array([[1.0, 0.0, x], [0.0, 1.0, y]])
    size = (image.shape[1], image.shape[0])
    share = cv2.warpAffine(np.ones_like(card), move, size)
    return image * (1.0 - share) + cv2.warpAffine(np.asarray(card), move, size)


def woven(
    drawing: Drawing,
    lag: int,
    *,
    upper: bool = False,
    first: int = FIRST,
    last: int = LAST,
    frames: int = FRAMES,
) -> list[Image]:
    """Draw a take in which one field of some frames is of another frame."""
    out = []
    for i in range(frames):
        image = drawing(i).copy()
        if first <= i < last and upper:
            image[0::2] = drawing(i - lag)[0::2]
        elif first <= i < last:
            image[1::2] = drawing(i + lag)[1::2]
        out.append(noisy(image, i, 0.7))
    return out


def pairs_of(images: Sequence[Image], signal: Signal | None = None) -> FramePairs:
    """Keep some frames; the last is the latest."""
    signal = Signal() if signal is None else signal
    pairs = FramePairs(setup_of(), per_second=2.9, count=5, rows=32, keep_s=1.6)
    for i, image in enumerate(images):
        pairs.take(picture(codes(image, signal), signal=signal, index=i))
    return pairs


# ------------------------------------------------------------------------- arithmetic


@pytest.mark.parametrize("lag", [-2, -1, 1, 2])
@pytest.mark.parametrize("upper", [False, True])
def test_the_frame_is_told_that_a_field_is_of(lag: int, upper: bool) -> None:
    images = woven(held, lag, upper=upper, first=0, last=30, frames=20)
    for signal in (Signal(), TEN_BITS):
        span = signal.white - signal.black
        pairs = pairs_of(images, signal)
        told = other_frame(pairs, span=span, whole=True, expected=False)
        assert told.lag == lag
        # As far as the two moments stand apart, at moving edges.
        y = [held(19 - told.behind + k)[1::2] for k in (0, lag)]
        apart = float(np.abs(y[1] - y[0]).max()) * span / SPAN
        assert 0.02 * span < told.teeth < apart


def test_time_run_backwards_turns_the_lag_round() -> None:
    images = woven(held, -2, first=0, last=30, frames=20)
    told = other_frame(pairs_of(images[::-1]), span=SPAN, whole=True, expected=False)
    assert told.lag == 2


@pytest.mark.parametrize("drawing", [held, at_rest])
def test_progressive_pictures_have_fields_of_one_frame(drawing: Drawing) -> None:
    images = woven(drawing, 0, frames=120)
    for first in range(0, 110, 9):
        pairs = pairs_of(images[first : first + 9])
        told = other_frame(pairs, span=SPAN, whole=True, expected=False)
        assert told.lag == 0


@pytest.mark.parametrize("pitch", [2, 3, 4, 5])
@pytest.mark.parametrize("speed", [0.25, 1.0, 1.5, 2.0])
def test_stripes_that_move_up_are_no_other_frame(pitch: int, speed: float) -> None:
    # A line or two a frame: the field of one frame is exactly the other one of the
    # next, but as much of the one before.
    y, x = np.mgrid[:240, :480].astype(np.float64)
    images = [
        125 + 90 * np.sin(2 * np.pi * (y + 0.1 * x - speed * i) / pitch + 0.3)
        for i in range(9)
    ]
    told = other_frame(pairs_of(images), span=SPAN, whole=True, expected=False)
    assert not abs(told.lag) > 0


def test_pictures_that_have_nothing_to_do_with_each_other_tell_nothing() -> None:
    images = [noisy(np.full((240, 480), 120.0), i, 40) for i in range(9)]
    told = other_frame(pairs_of(images), span=SPAN, whole=True, expected=False)
    assert not abs(told.lag) > 0
    still = [noisy(at(0, 0), i, 1) for i in range(9)]
    told = other_frame(pairs_of(still), span=SPAN, whole=True, expected=False)
    assert math.isnan(told.lag)
    few = other_frame(pairs_of(still[:3]), span=SPAN, whole=True, expected=True)
    assert math.isnan(few.lag)


@pytest.mark.parametrize("upper", [False, True])
def test_each_frame_is_told_by_itself(upper: bool) -> None:
    images = woven(held, -2, upper=upper, first=10, last=20, frames=30)
    told = lags_since(pairs_of(images), 25, lag=-2.0, span=SPAN)
    truth = np.where((np.arange(5, 30) >= 10) & (np.arange(5, 30) < 20), -2.0, 0.0)
    known = ~np.isnan(told)
    # The camera turns back between some frames: nothing has moved from one to another.
    assert known.mean() > 0.8
    wrong = np.flatnonzero(told[known] != truth[known])
    assert len(wrong) <= 2
    assert all(abs(np.flatnonzero(known)[w] + 5 - 15) >= 4 for w in wrong)


# ------------------------------------------------------------------------ whole takes


@pytest.mark.parametrize("scan", ["progressive", "unknown"])
@pytest.mark.parametrize(("lag", "upper"), [(-2, False), (1, False), (-1, True)])
def test_woven_fields_are_told_in_the_hand(scan: Scan, lag: int, upper: bool) -> None:
    (finding,) = found(take(woven(held, lag, upper=upper), scan))
    assert finding.rule == "picture.combing"
    assert finding.grade is Grade.REVIEW
    assert finding.worst == lag
    assert finding.start_frame == pytest.approx(FIRST, abs=2)
    assert finding.end_frame == pytest.approx(LAST, abs=2)
    assert "belong to different frames" in finding.message
    frames = "2 frames" if abs(lag) == 2 else "1 frame"
    assert f"{frames} {'later' if lag > 0 else 'earlier'})" in finding.message
    # Where the field is that belongs to it.
    assert f"{frames} {'earlier' if lag > 0 else 'later'}," in finding.advice


def test_woven_fields_are_told_where_the_camera_rests() -> None:
    (finding,) = found(take(woven(at_rest, -2), "progressive"))
    assert finding.worst == -2
    assert finding.start_frame == pytest.approx(FIRST, abs=2)
    assert finding.end_frame == pytest.approx(LAST, abs=2)


@pytest.mark.parametrize("drawing", [held, at_rest])
def test_what_was_not_woven_has_no_finding(drawing: Drawing) -> None:
    measured = take(woven(drawing, 0), "progressive")
    assert found(measured) == []
    assert max(abs(v) for v in lags(measured)) < 0.1


def test_a_still_take_cannot_be_told() -> None:
    measured = take(woven(lambda _: at(0, 0), -2), "progressive")
    assert found(measured) == []
    assert len(notes(measured)) == 1


@pytest.mark.parametrize("quality", [20, 30])
def test_woven_fields_are_told_through_a_coder(tmp_path: Path, quality: int) -> None:
    options = {"preset": "veryfast", "crf": str(quality), "threads": "1"}
    video = synth.Video(options=options)
    measured = coded(tmp_path / "take.mp4", woven(held, -2), video)
    (finding,) = found(measured)
    assert finding.worst == -2
    assert finding.start_frame == pytest.approx(FIRST, abs=3)
    assert finding.end_frame == pytest.approx(LAST, abs=3)


# ------------------------------------------------------------- parts of a frame apart


def smoothed(lag: float, share: float, frames: int = 80) -> list[Image]:
    """Draw a take of two moments a frame; a coder has mixed the fields."""
    out = []
    for i in range(frames):
        one, two = held(i), held(i + lag)
        image = one.copy()
        image[0::2] = ((1 - share) * one + share * two)[0::2]
        image[1::2] = ((1 - share) * two + share * one)[1::2]
        out.append(noisy(image, i, 0.7))
    return out


@pytest.mark.parametrize(
    ("scan", "lag", "words"),
    [
        ("progressive", 0.5, "Declared progressive"),
        ("progressive", -0.5, "Declared progressive"),
        ("bottom field first", 0.5, "recorded top field first"),
        ("top field first", -0.5, "recorded bottom field first"),
    ],
)
def test_smoothed_teeth_of_a_camera_in_the_hand_are_told(
    scan: Scan, lag: float, words: str
) -> None:
    for share in (0.0, 0.15):
        (finding,) = found(take(smoothed(lag, share), scan))
        assert words in finding.message
        assert finding.worst is not None
        assert 0.14 < math.copysign(1.0, lag) * finding.worst < 0.6
    declared = "top field first" if lag > 0 else "bottom field first"
    assert found(take(smoothed(lag, 0.15), declared)) == []
