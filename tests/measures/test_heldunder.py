"""A kept picture that changes a little: a camera stops dead at full speed and jumps on.

Drawn: a window that goes over a large scene, by so many pixels a frame; while it is
kept it stays where it is, and goes on where it would have been. Noise is new in each
frame. Cameras that brake, rest, turn or stop and start without a jump are no fault.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import cv2
import numpy as np
import pytest

from qc.judge import find
from qc.measures import framing, steadiness, stillness
from qc.records import Finding
from qc.signal import Signal
from tests.pictures import codes, measure, picture, scene, setup_of

MEASURES = (framing.MEASURE, steadiness.MEASURE, stillness.MEASURE)
HEIGHT, WIDTH = 216, 384
LARGE = cv2.resize(
    scene(360, 700, np.random.default_rng(12)),
    (1400, 720),
    interpolation=cv2.INTER_CUBIC,
)
FRAMES = 130
FULL = 1.5  # pixels a frame


def look(way: float) -> np.ndarray:
    """Return what a camera shows that has gone so far, in pixels."""
    at = np.float64([[1, 0, -20 - way], [0, 1, -30 - 0.4 * way]])
    return cv2.warpAffine(LARGE, at, (WIDTH, HEIGHT), flags=cv2.INTER_LINEAR)


def told(ways: Sequence[float], noise: float = 0.5) -> list[Finding]:
    """Return what is found frozen where a camera has gone so far, in pixels."""
    random = np.random.default_rng(4)
    return frozen(look(way) + random.normal(0, noise, (HEIGHT, WIDTH)) for way in ways)


def frozen(looks: Iterable[np.ndarray]) -> list[Finding]:
    """Return what is found frozen in a take of pictures in percent."""
    pictures = (picture(codes(one, Signal()), index=i) for i, one in enumerate(looks))
    found = find(measure(pictures, setup_of(), MEASURES), MEASURES)
    return [f for f in found if f.rule == "picture.frozen"]


def steady(speed: float = FULL) -> np.ndarray:
    return speed * np.arange(FRAMES)


def speeds(course: Sequence[tuple[int, float]]) -> np.ndarray:
    """Return where a camera is that goes at speeds given at some frames."""
    at, speed = zip(*course, strict=True)
    return np.cumsum(np.interp(np.arange(FRAMES), at, speed))


@pytest.mark.parametrize("noise", [0.3, 0.8])
@pytest.mark.parametrize(("first", "last"), [(50, 75), (40, 90), (60, 73)])
def test_a_kept_picture_under_noise_is_told(
    first: int, last: int, noise: float
) -> None:
    ways = steady()
    ways[first:last] = ways[first - 1]
    found = told(ways, noise)
    assert [(f.start_frame, f.end_frame) for f in found] == [(first, last)]
    assert "noise" in found[0].message


def trembles() -> np.ndarray:
    """Return the way of a camera in the hand, in pixels: it turns again and again."""
    t = np.arange(FRAMES) / 25
    return 6 * np.sin(2 * np.pi * 0.31 * t) + 1.2 * np.sin(2 * np.pi * 2.7 * t + 1)


def refined(first: int, last: int, ways: np.ndarray) -> list[np.ndarray]:
    """Return pictures of a way; from `first` to `last` one is kept and refined.

    A coder with data to spare brings a fiftieth of its pixels nearer, by a code, with
    each frame.
    """
    random = np.random.default_rng(8)
    out = [look(way) + random.normal(0, 0.5, (HEIGHT, WIDTH)) for way in ways]
    for i in range(first, last):
        some = random.random((HEIGHT, WIDTH)) < 0.02
        out[i] = out[i - 1] + some * random.choice((-0.5, 0.5), (HEIGHT, WIDTH))
    return out


@pytest.mark.parametrize("first", [40, 55])
def test_a_kept_picture_that_a_coder_goes_on_refining_is_told(first: int) -> None:
    (finding,) = frozen(refined(first, first + 26, trembles()))
    assert (finding.start_frame, finding.end_frame) == (first, first + 26)
    assert "the same but for coding, while the camera's motion stops" in finding.message


def test_a_camera_at_rest_of_which_a_coder_keeps_little_is_not() -> None:
    assert not frozen(refined(50, 76, np.where(np.arange(FRAMES) < 76, 0.0, 9.0)))


def test_shorter_than_half_a_second_is_not() -> None:
    ways = steady()
    ways[50:60] = ways[49]
    assert not told(ways)


@pytest.mark.parametrize("frames", [1, 2, 5, 12])
def test_a_camera_that_brakes_and_rests_is_not(frames: int) -> None:
    course = [(0, FULL), (50 - frames, FULL), (50, 0.0), (80, 0.0), (80 + frames, FULL)]
    assert not told(speeds(course))


def test_a_camera_that_brakes_is_not_though_a_knock_moves_it_on() -> None:
    ways = speeds([(0, FULL), (45, FULL), (50, 0.0), (80, 0.0), (81, FULL)])
    ways[80:] += 15 * FULL
    assert not told(ways)


def test_a_camera_that_stops_at_once_and_goes_on_from_there_is_not() -> None:
    ways = np.cumsum([0.0 if 50 <= i < 80 else FULL for i in range(FRAMES)])
    assert not told(ways)


def test_a_camera_at_rest_that_is_moved_at_once_is_not() -> None:
    ways = np.where(np.arange(FRAMES) < 60, 0.0, 40.0)
    assert not told(ways)


def test_a_rest_before_a_pan_and_a_rest_behind_one_are_not() -> None:
    assert not told(speeds([(0, FULL), (60, FULL), (61, 0.0), (FRAMES, 0.0)]))
    assert not told(speeds([(0, 0.0), (60, 0.0), (61, FULL), (FRAMES, FULL)]))


def test_a_sway_that_turns_is_not() -> None:
    assert not told(20 * np.sin(2 * np.pi * np.arange(FRAMES) / 80))


def hand(way: Sequence[float]) -> list[Finding]:
    """Return what is found frozen where a hand goes so far in front of a still camera.

    A coder leaves out the noise, and goes on refining a pixel in 200.
    """
    random = np.random.default_rng(6)
    patch = 35.0 + 20.0 * random.random((70, 50))
    looks = []
    for gone in way:
        one = look(0.0).astype(np.float32)
        x = round(20 + float(gone)) % (WIDTH - 60)
        one[80:150, x : x + 50] = patch
        few = random.random(one.shape) < 0.005
        looks.append(np.where(few, one + 1.5, one))
    return frozen(looks)


def test_a_hand_that_stops_dead_and_is_elsewhere_at_once_is_kept() -> None:
    way = 2.0 * np.arange(FRAMES)
    way[60:80] = way[59]
    assert [(f.start_frame, f.end_frame) for f in hand(way)] == [(60, 80)]


def test_a_hand_that_rests_is_none() -> None:
    # It brakes, stays for most of a second and sets off from where it was.
    course = [(0, 2.0), (56, 2.0), (60, 0.0), (80, 0.0), (84, 2.0), (FRAMES, 2.0)]
    assert hand(speeds(course)) == []
    # Nor one that stops at once and goes on without a jump.
    steps = np.full(FRAMES, 2.0)
    steps[60:80] = 0.0
    assert hand(np.cumsum(steps)) == []
