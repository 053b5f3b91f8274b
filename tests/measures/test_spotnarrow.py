"""Narrow spots among what a scene leaves over: drawn rims, with what is expected.

What a spot leaves over in a pair of looks is minus its slope times the move of the
scene (first order, exact for small moves); so what stays is known by arithmetic.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from qc.measures.parts.spots.spotnarrow import narrow_spots
from qc.measures.parts.spots.spotpairs import Laid, comes_on, what_stays

Map = NDArray[np.float64]

H, W, PAIRS = 60, 80, 24
WAY = 8.0  # px, from the middle of the one half of the scene's way to the other's
AT, DEEP = (40.0, 30.0), 0.2
NOBODY = np.zeros((H, W), np.bool_)
Y, X = np.mgrid[:H, :W].astype(np.float64)


def grain(x: float = AT[0], y: float = AT[1], sigma: float = 1.8) -> Map:
    """Draw a dark spot that softly ends."""
    far = (X - x) ** 2 + (Y - y) ** 2
    return np.asarray(-DEEP * np.exp(-far / (2.0 * sigma**2)))


def streaks() -> Map:
    """Draw broad streaks along the way of the scene, half as deep as a grain."""
    return np.asarray(0.5 * DEEP * np.cos(2 * np.pi * Y / 30.0))


def laid(one: Map, two: Map, came: float = WAY) -> Laid:
    """Return pairs whose earlier half leaves over one map, and the later another."""
    random = np.random.default_rng(7)
    moves = random.uniform(-1.5, 1.5, (PAIRS, 2, 1, 1)) * np.ones((1, 1, H, W))
    left = random.normal(0.0, 0.004, (PAIRS, H, W))
    places = np.zeros((PAIRS, 2, 6, 8, 2))
    for k, shown in enumerate([one] * (PAIRS // 2) + [two] * (PAIRS // 2)):
        down, across = np.gradient(shown)
        left[k] -= moves[k, 0] * across + moves[k, 1] * down
        lies = np.array([came, 0.0]) * (k >= PAIRS // 2)
        half = 0.5 * moves[k, :, 0, 0]
        places[k] = np.stack([lies + half, lies - half])[:, None, None]
    rest = random.normal(0.0, 0.2, left.shape)  # a scene of contrast, if nothing moved
    maps = (m.astype(np.float32) for m in (moves, left, rest, np.ones(left.shape)))
    return Laid(*maps, places.astype(np.float32))


def found(pairs: Laid, known: NDArray[np.bool_] = NOBODY) -> list[tuple[Map, float]]:
    """Return where spots lie, (x, y), and how strong they are."""
    return [
        (np.argwhere(mask).mean(axis=0)[::-1], strength)
        for mask, strength, _ in narrow_spots(what_stays(pairs), pairs, known)
    ]


def test_scene_goes_on_as_far_as_drawn() -> None:
    box = slice(20, 40), slice(30, 50)
    assert comes_on(laid(grain(), grain()), box) == pytest.approx((WAY, 0.0), abs=1e-3)


@pytest.mark.parametrize("ground", [np.zeros((H, W)), streaks()])
def test_grain_is_found_where_it_lies(ground: Map) -> None:
    shown = grain() + ground
    ((at, strength),) = found(laid(shown, shown))
    assert np.hypot(*(at - AT)) < 1.0
    assert -DEEP < strength < -0.4 * DEEP  # what holds slopes back evens it out


def test_streaks_alone_are_no_spot() -> None:
    assert found(laid(streaks(), streaks())) == []


@pytest.mark.parametrize("share", [0.3, 0.5, 1.0])
def test_what_goes_on_with_the_scene_is_no_spot(share: float) -> None:
    gone = grain(AT[0] + share * WAY)
    assert found(laid(grain(), gone)) == []


@pytest.mark.parametrize("left", [0.0, 0.35])
def test_what_half_of_the_way_hardly_shows_is_no_spot(left: float) -> None:
    assert found(laid(grain(), left * grain())) == []


def test_scene_that_comes_too_little_tells_nothing() -> None:
    assert found(laid(grain(), grain(), came=1.0)) == []
    assert found(laid(grain(), grain(), came=2.0)) != []


def test_line_across_the_way_is_no_spot() -> None:
    line = np.asarray(-DEEP * np.exp(-((X - AT[0]) ** 2) / (2.0 * 1.8**2)))
    assert found(laid(line, line)) == []


def test_bright_one_is_no_dark_spot() -> None:
    assert found(laid(-grain(), -grain())) == []


def test_what_is_known_is_not_told_again() -> None:
    assert found(laid(grain(), grain()), grain() < -0.5 * DEEP) == []
