"""Drops that land while a hand passes: told by what lasts, before and after.

Drawn: a ground, a hand of another pattern that passes over it, and a drop that takes a
share of the light behind it, blurred, from a known look on. Where it lies, and the last
look without it, are known by construction.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from qc.measures.parts.spots.splash import Splash
from qc.measures.parts.spots.spotland import LandWatch
from qc.measures.parts.spots.spotplate import PlateWatch
from qc.measures.parts.spots.spotstep import frame_of
from tests.pictures import VIDEO_8, codes, picture, scene

HEIGHT, WIDTH = 136, 240
GROUND = scene(HEIGHT, WIDTH, np.random.default_rng(3)).astype(np.float32)
HAND = scene(HEIGHT, WIDTH, np.random.default_rng(4)).astype(np.float32)
EVERY = 12  # rows from look to look
LANDS = 7  # the first look that shows the drop
X, Y = 130.0, 60.0  # its middle

Map = NDArray[np.float32]
ROWS, COLUMNS = np.mgrid[:HEIGHT, :WIDTH].astype(np.float32)
FAR = np.hypot(COLUMNS - X, ROWS - Y)


def drop(under: Map, takes: float = 0.35, radius: float = 9.0) -> Map:
    """Lay a drop over a picture: softer behind it, and darker."""
    soft = np.clip(1.4 - FAR / radius, 0, 1)
    blurred = cv2.GaussianBlur(under, (0, 0), 2.5)
    return under * (1 - soft) + (1 - takes) * blurred * soft


def shadow(under: Map) -> Map:
    """Return the same, darker, with all its detail."""
    return under * (1 - 0.35 * np.clip(1.4 - FAR / 9.0, 0, 1))


def laid(under: Map) -> Map:
    """Return the same with a thing of its own pattern and edge laid there."""
    return np.where(FAR < 8, 0.6 * np.roll(HAND, 40, axis=1), under)


def hand(under: Map, x: float, y: float = 62.0) -> Map:
    """Lay a hand over a picture, with its middle there."""
    there = np.hypot(COLUMNS - x, 1.2 * (ROWS - y)) < 22
    return np.where(there, np.roll(HAND, int(x), axis=1), under)


def told(
    come: Callable[[Map], Map], way: Callable[[int], float], *, looks: int = 18
) -> list[Splash]:
    """Return what is found where something comes, and a hand goes its way."""
    random = np.random.default_rng(6)
    watch = PlateWatch()
    for n in range(looks):
        seen = hand(GROUND, way(n))
        seen = come(seen) if n >= LANDS else seen
        seen = seen + random.normal(0, 0.3, seen.shape)
        watch.look(frame_of(seen.astype(np.float32), EVERY * n, 0.5 * n))
    return watch.all()


def passes(n: int) -> float:
    """Return where a hand is that lies over the place when the drop lands."""
    return X + 45.0 * (n - LANDS + 0.3)


@pytest.mark.parametrize("takes", [0.25, 0.35, 0.6])
def test_a_drop_behind_a_hand_is_told(takes: float) -> None:
    (found,) = told(lambda under: drop(under, takes), passes)
    assert WIDTH * (found.x + found.w / 2) == pytest.approx(X, abs=3)
    assert HEIGHT * (found.y + found.h / 2) == pytest.approx(Y, abs=3)
    assert found.without < EVERY * LANDS <= found.row
    assert found.row - found.without <= 3 * EVERY
    assert np.log(1 - takes) <= found.level < 0


def test_the_watch_for_what_lands_looks_so_too() -> None:
    random = np.random.default_rng(6)
    watch = LandWatch()
    for n in range(18):
        seen = hand(GROUND, passes(n))
        seen = drop(seen) if n >= LANDS else seen
        seen = seen + random.normal(0, 0.3, seen.shape)
        watch.frame(picture(codes(seen, VIDEO_8), index=n), EVERY * n, 0.5 * n)
    (found,) = watch.all()
    assert found.without < EVERY * LANDS <= found.row


def test_a_drop_is_told_though_hands_come_again_and_again() -> None:
    (found,) = told(drop, lambda n: X + 60.0 * ((n - LANDS) % 3))
    assert found.without < EVERY * LANDS <= found.row


@pytest.mark.parametrize("come", [shadow, laid, lambda under: under])
def test_what_is_no_drop_is_not(come: Callable[[Map], Map]) -> None:
    assert told(come, passes) == []


def test_a_hand_that_comes_to_rest_is_not() -> None:
    assert told(lambda under: under, lambda n: X if n >= LANDS else -99.0) == []


def test_a_drop_that_is_wiped_off_soon_is_not() -> None:
    looks = iter(range(LANDS, 99))
    assert told(lambda u: drop(u) if next(looks) < LANDS + 3 else u, passes) == []


def test_where_the_camera_moves_nothing_is_said() -> None:
    watch = PlateWatch()
    for n in range(18):
        seen = np.roll(GROUND, 5 * n, axis=1)
        seen = drop(seen) if n >= LANDS else seen
        watch.look(frame_of(seen.astype(np.float32), EVERY * n, 0.5 * n))
    assert watch.all() == []


def test_another_size_of_picture_begins_anew() -> None:
    watch = PlateWatch()
    for n in range(18):
        seen = GROUND if n < LANDS else drop(GROUND)[:, :200].copy()
        watch.look(frame_of(seen, EVERY * n, 0.5 * n))
    assert watch.all() == []
