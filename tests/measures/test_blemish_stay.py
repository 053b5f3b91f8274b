"""Whether what came is still there: pictures whose changes are known."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from qc.measures.parts.spots.splash import Shown, Splash
from qc.measures.parts.spots.spotarrived import Arrived
from qc.measures.parts.spots.spotlay import laid_at, way_of
from qc.measures.parts.spots.spotstay import Landed, lies_as
from qc.measures.parts.spots.spotstep import Step, frame_of, ring_of

Map = NDArray[np.float32]
H, W = 68, 120
BOX = slice(20, 40), slice(50, 70)
NOTHING = np.zeros((0, 0), np.float32)
STEP = -0.3


def scene(moved: float = 0.0) -> Map:
    """Return a smooth ground, natural logarithms, as the scene has come to the left."""
    fine = np.random.default_rng(5).normal(0, 1, (H, W + 20)).astype(np.float32)
    smooth = 3.5 + 1.2 * cv2.GaussianBlur(fine, (0, 0), 2.0)
    matrix = np.array([[1, 0, moved + 10], [0, 1, 0]], np.float32)
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    return np.asarray(cv2.warpAffine(smooth, matrix, (W, H), flags=flags), np.float32)


def with_drop(level: Map, share: float = 1.0, at: int = 0) -> Map:
    out = level.copy()
    out[26:34, 56 + at : 64 + at] += np.float32(STEP * share)
    return out


def arrived() -> Arrived:
    inside = np.zeros((20, 20), bool)
    inside[6:14, 6:14] = True
    # Pixels twice as fine, so that what is kept of them is the level itself.
    frames = [
        frame_of(np.repeat(np.repeat(np.exp(level) - 5, 2, axis=0), 2, axis=1), row, t)
        for level, row, t in ((scene(), 9, 0.96), (with_drop(scene()), 10, 1.0))
    ]
    found = Splash(56 / W, 26 / H, 8 / W, 8 / H, STEP, 10)
    return Arrived(found, Step(10, 9, 9, BOX, inside, ring_of(inside), *frames))


@pytest.mark.parametrize("moved", [0.0, 0.4, 2.5])
@pytest.mark.parametrize(("share", "there"), [(1.0, True), (0.75, True), (0.2, False)])
def test_place_shows_what_came_or_not(share: float, there: bool, moved: float) -> None:
    # Wherever the scene has come meanwhile, if it goes there in steps.
    one = arrived()
    for part in (0.5, 1.0):
        shown = one.shows(with_drop(scene(part * moved), share))
    assert shown is there


def test_thing_of_the_scene_that_goes_along_is_not_there() -> None:
    one = arrived()
    assert one.shows(with_drop(scene(3.0))) is True
    assert arrived().shows(with_drop(scene(6.0), at=-6)) is not True


def test_busy_surroundings_leave_it_open() -> None:
    level = with_drop(scene())
    level[36:44, 40:80] += 0.5
    level[16:24, 40:80] += 0.5
    assert arrived().shows(level) is None


@pytest.mark.parametrize(
    ("good", "bad", "seconds", "there"),
    [(3, 0, 2.0, True), (4, 1, 2.0, True), (3, 2, 2.0, False), (2, 0, 2.0, False),
     (5, 0, 1.0, False)],
)  # fmt: skip
def test_it_is_there_if_most_looks_show_it_for_long_enough(
    good: int, bad: int, seconds: float, there: bool
) -> None:
    one = arrived()
    shares = [0.0] * bad + [1.0] * good
    for number, share in enumerate(shares, 1):
        now = one.since + seconds * number / len(shares)
        one.look(with_drop(scene(), share), now)
    assert one.has_stayed(one.since + seconds, at_last=True) is there


def test_what_is_gone_in_the_last_look_has_not_stayed() -> None:
    one = arrived()
    for number in range(1, 10):
        one.look(with_drop(scene(), float(number < 9)), one.since + number)
    assert not one.has_stayed(one.since + 9, at_last=True)
    assert not one.is_lost(one.since + 9)
    assert one.is_lost(one.since + 40)


def test_scene_that_has_moved_on_is_told() -> None:
    one = arrived()
    assert not one.told.moved
    for moved in (2.0, 4.0, 6.0):
        assert one.shows(with_drop(scene(moved))) is True
    assert one.told.moved


@pytest.mark.parametrize("moved", [-1.3, 0.25, 2.0])
def test_way_of_a_part_is_measured(moved: float) -> None:
    goal, beside = scene(moved)[BOX], np.ones((20, 20), bool)
    way = way_of(scene(), goal, BOX, beside, np.zeros(2, np.float32))
    assert way == pytest.approx([moved, 0.0], abs=0.05)
    assert np.abs(laid_at(scene(), BOX, way) - goal).max() < 0.03


def landed() -> Landed:
    pattern = np.zeros((20, 20), np.float32)
    pattern[6:14, 6:14] = STEP
    found = Splash(0.45, 0.35, 0.07, 0.12, STEP, 10)
    return Landed(found, BOX, pattern, ring_of(pattern != 0), shown(scene()), 1.0)


def shown(level: Map) -> Shown:
    return Shown(0, level, NOTHING, 1, np.zeros((6, 8, 2), np.float32))


@pytest.mark.parametrize(("loss", "there"), [(0.0, True), (0.3, True), (0.8, False)])
def test_look_shows_what_has_come_to_stay(loss: float, there: bool) -> None:
    # Held against the lasting picture with it.
    one = landed()
    assert one.shows(np.float32(-loss) * one.pattern) is there


def test_look_with_busy_surroundings_leaves_it_open() -> None:
    one = landed()
    here = np.where(one.around, np.float32(0.5), np.float32(0))
    assert one.shows(here) is None


def test_picture_that_lies_elsewhere_is_told_from_one_at_rest() -> None:
    # Half a px of noise-like ground is more than its slopes allow.
    still = scene()
    assert lies_as(shown(still), shown(still + np.float32(0.01)))
    assert not lies_as(shown(still), shown(np.roll(still, 7, axis=1)))
