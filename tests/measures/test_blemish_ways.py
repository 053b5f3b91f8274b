"""Spots before a scene that creeps: drawn looks, the answer known."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from qc.measures.parts.spots.spotslow import slow_spots
from qc.measures.parts.spots.spotsway import Fixed
from qc.measures.parts.spots.spotways import Shows, goes_along, way_of

H, W = 68, 120
Map = NDArray[np.float32]


@dataclass(frozen=True)
class Drawn:
    """A look."""

    row: int
    maps: dict[str, Map]
    chain: int
    place: Map


def texture(number: int, width: int, contrast: float = 0.3) -> Map:
    """Return a scene in natural logarithms, of grains of several sizes."""
    random = np.random.default_rng(number)
    out = np.zeros((H, width), np.float32)
    for size in (2, 5, 12):
        few = random.normal(size=(H // size + 2, width // size + 2))
        out += cv2.resize(few.astype(np.float32), (width, H), None, 0, 0, 2)
    return np.asarray(3.5 + contrast * out / out.std(), np.float32)


def disc(x: float, y: float, radius: float) -> Map:
    """Return 1 inside of a disc with an edge one and a half pixels wide."""
    rows, columns = np.mgrid[:H, :W]
    far = np.hypot(columns - x, rows - y)
    inside = np.clip((radius + 0.75 - far) / 1.5, 0, 1)
    return np.asarray(inside, np.float32)


def looks_of(
    step: float,
    level: Map | float = 0.0,
    *,
    own: Map | None = None,
    contrast: float = 0.3,
    near: float = 1.0,
    count: int = 24,
) -> list[Shows]:
    """Return looks at a scene that moves to the left by so many px each.

    Parameters
    ----------
    level : map
        What lies on the lens adds to the logarithm.
    own : (h, w) array or None
        A thing that the camera follows: where 1 it hides what lies behind.
    near : float
        Times as fast the lowest part of the picture runs.
    """
    scene = texture(1, W + int(near * step * count) + 8, contrast)
    out: list[Shows] = []

    def seen_from(come: float) -> Map:
        shift = np.array([[1, 0, -come], [0, 1, 0]], np.float32)
        moved = cv2.warpAffine(scene, shift, (W, H), flags=cv2.INTER_LINEAR)
        return np.asarray(moved, np.float32)

    for n in range(count):
        seen = seen_from(n * step)
        seen[48:] = seen_from(near * n * step)[48:]
        if own is not None:
            seen = seen * (1 - own) + np.float32(2.5) * own
        level_map = np.asarray(seen + level, np.float32)
        place = np.zeros((8, 15, 2), np.float32)
        place[..., 0] = -n * step / W
        place[6:, :, 0] *= near
        maps = {"level": level_map, "detail": np.zeros_like(level_map)}
        out.append(Drawn(10 * n, maps, 1, place))
    return out


def at(found: list[Fixed], x: float, y: float) -> list[bool]:
    """Return whether findings lie within two px of a place."""
    near = disc(x, y, 2) > 0
    return [bool((one.mask & near).any()) for one in found]


def test_way_is_the_way_that_was_drawn() -> None:
    way = way_of(looks_of(2.0), (H, W))
    np.testing.assert_allclose(way.far, 23 * 2.0, rtol=1e-4)
    np.testing.assert_allclose(np.abs(way.right), 1, atol=1e-4)
    np.testing.assert_allclose(way.down, 0, atol=1e-3)


@pytest.mark.parametrize("step", [0.4, 1.5, 4.0])
def test_scene_alone_is_no_spot(step: float) -> None:
    looks = looks_of(step)
    assert not slow_spots(looks)


@pytest.mark.parametrize("radius", [2.0, 4.0])
def test_spot_before_a_scene_that_creeps(radius: float) -> None:
    sky = looks_of(0.5, -0.7 * disc(70, 30, radius), contrast=0.06, near=4)
    found = slow_spots(sky)
    assert found
    assert all(at(found, 70, 30))
    assert found[0].strength < 0


def test_dark_thing_that_creeps_along_is_no_spot() -> None:
    dark = np.hstack([np.zeros((H, 6), np.float32), -0.7 * disc(60, 30, 4)])
    looks: list[Shows] = []
    for n, one in enumerate(looks_of(0.5, contrast=0.06, near=4)):
        shift = np.array([[1, 0, -6 - n * 0.5 + 6], [0, 1, 0]], np.float32)
        moved = cv2.warpAffine(dark, shift, (W, H), flags=cv2.INTER_LINEAR)
        maps = one.maps | {"level": np.asarray(one.maps["level"] + moved, np.float32)}
        looks.append(Drawn(one.row, maps, one.chain, one.place))
    assert not slow_spots(looks)


def test_thing_held_before_a_camera_is_not_the_picture() -> None:
    looks = looks_of(2.0)
    assert goes_along(looks)
    first = looks[0].maps["level"]
    held: list[Shows] = []
    for one in looks:
        level = np.where(disc(60, 34, 25) > 0.5, one.maps["level"], first)
        held.append(Drawn(one.row, {"level": level}, one.chain, one.place))
    assert not goes_along(held)


def test_nothing_is_asked_across_chains() -> None:
    # Where the picture was lost, its place starts anew: that is no step of it.
    looks = looks_of(4.0, count=16)
    lost = [
        Drawn(one.row, one.maps, n // 2, one.place - looks[n // 2 * 2].place)
        for n, one in enumerate(looks)
    ]
    assert goes_along(lost)
    alone = [Drawn(one.row, one.maps, n, one.place) for n, one in enumerate(lost)]
    assert not goes_along(alone)
