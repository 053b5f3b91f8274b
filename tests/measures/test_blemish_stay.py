"""Whether what came is still there: pictures whose changes are known."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from qc.measures.parts.spots.splash import Shown, Splash
from qc.measures.parts.spots.spotstay import Landed, lies_as

Map = NDArray[np.float32]
H, W = 68, 120
BOX = slice(20, 40), slice(50, 70)
NOTHING = np.zeros((0, 0), np.float32)


def scene() -> Map:
    return np.random.default_rng(5).normal(3.5, 0.3, (H, W)).astype(np.float32)


def shown(level: Map, moved_px: float = 0.0, chain: int = 1) -> Shown:
    place = np.full((6, 8, 2), moved_px / W, np.float32)
    return Shown(0, level, NOTHING, chain, place)


def landed() -> Landed:
    pattern = np.zeros((20, 20), np.float32)
    pattern[6:14, 6:14] = -0.3
    around = np.ones((20, 20), bool)
    around[4:16, 4:16] = False
    found = Splash(0.45, 0.35, 0.07, 0.12, -0.3, 10)
    return Landed(found, BOX, pattern, around, shown(scene()), 1.0, sudden=True)


@pytest.mark.parametrize(("share", "there"), [(1.0, True), (0.7, True), (0.2, False)])
def test_place_shows_what_came_or_not(share: float, there: bool) -> None:
    one = landed()
    assert one.shows(shown(scene()), np.float32(share) * one.pattern) is there


@pytest.mark.parametrize("inside", [0.0, 0.6])
def test_busy_surroundings_leave_open_what_is_not_as_it_was(inside: float) -> None:
    # What passes around it may cover it.
    one = landed()
    here = one.pattern + np.where(one.pattern != 0, np.float32(inside), 0)
    here[one.around] = 0.5
    expected = True if inside == 0 else None
    assert one.shows(shown(scene()), here) is expected


@pytest.mark.parametrize(
    ("moved_px", "chain", "expected"), [(1.0, 1, True), (4.0, 1, None), (4.0, 2, True)]
)
def test_busy_surroundings_count_only_before_a_camera_at_rest(
    moved_px: float, chain: int, expected: bool | None
) -> None:
    # Of another chain it is not known how far the picture came: then it is compared.
    one = landed()
    here = one.pattern.copy()
    here[one.around] = 0.5
    assert one.shows(shown(scene(), moved_px, chain), here) is expected


def test_picture_that_lies_elsewhere_is_told_from_one_at_rest() -> None:
    # Half a px of noise-like ground is more than its slopes allow.
    still = scene()
    assert lies_as(shown(still), shown(still + np.float32(0.01)))
    assert not lies_as(shown(still), shown(np.roll(still, 7, axis=1)))


@pytest.mark.parametrize(
    ("looks", "tries", "seconds", "there"),
    [(3, 4, 2.0, True), (3, 6, 2.0, False), (2, 2, 2.0, False), (5, 5, 1.0, False)],
)
def test_it_is_there_if_most_looks_show_it_for_long_enough(
    looks: int, tries: int, seconds: float, there: bool
) -> None:
    one = landed()
    one.looks, one.tries, one.seen_s = looks, tries, one.since + seconds
    assert one.is_there is there
