"""Whether a thing shows itself before a picture that goes on: drawn looks.

In logarithms of level what takes a share of the light is a sum: all that the scene
changes by shows through it. A hand shows itself, whatever lies behind.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from qc.measures.parts.spots.spotmaps import Spot
from qc.measures.parts.spots.spotopaque import shows_itself

Map = NDArray[np.float32]
Mask = NDArray[np.bool_]

LOOKS, H, W, STEP = 12, 60, 100, 6  # px that the scene goes on from look to look
BOX = slice(24, 36), slice(40, 54)
MASK = np.zeros((H, W), np.bool_)
MASK[BOX] = True
ALL = 0, 10 * LOOKS


@dataclass(frozen=True)
class Drawn:
    """A look as `spotways.Shows` asks for it."""

    row: int
    maps: dict[str, Map]
    chain: int
    place: Map


def looks_at(
    shown: Callable[[Map], Map],
    *,
    contrast: float = 0.3,
    light: float = 0.0,
    step: int = STEP,
) -> list[Drawn]:
    """Draw a scene that goes to the left, with something else in the box.

    Parameters
    ----------
    light : float
        Natural logarithm by which all gets brighter from look to look.
    """
    random = np.random.default_rng(5)
    wide = cv2.GaussianBlur(random.normal(0, 1, (H, W + LOOKS * STEP)), (0, 0), 5.0)
    wide *= contrast / wide.std()
    out = []
    for k in range(LOOKS):
        behind = wide[:, step * k : step * k + W].astype(np.float32)
        level = behind.copy()
        level[BOX] = shown(behind)[BOX]
        level += np.float32(light * k) + random.normal(0, 0.01, (H, W))
        place = np.zeros((6, 10, 2), np.float32)
        place[..., 0] = -step * k / W
        out.append(Drawn(10 * k, {"level": level.astype(np.float32)}, 0, place))
    return out


def spot(level: float, mask: Mask = MASK, rows: tuple[int, int] = ALL) -> Spot:
    return Spot(0, 0, 0, 0, level, 0.0, 9.0, *rows, mask=mask)


def hand(behind: Map) -> Map:
    return np.full_like(behind, 0.25)


def dirty(behind: Map) -> Map:
    return behind - np.float32(0.3)


def smeared(behind: Map) -> Map:
    return np.asarray(cv2.GaussianBlur(behind, (0, 0), 2.0), np.float32) - 0.2


@pytest.mark.parametrize("light", [0.0, 0.05])
def test_hand_shows_itself_and_dirt_shows_the_scene(light: float) -> None:
    assert shows_itself(looks_at(hand, light=light), spot(0.25))
    assert not shows_itself(looks_at(dirty, light=light), spot(-0.3))
    assert not shows_itself(looks_at(smeared, light=light), spot(-0.2))


def test_mask_of_another_size_will_do() -> None:
    large = cv2.resize(MASK.astype(np.uint8), (2 * W, 2 * H)) > 0
    assert shows_itself(looks_at(hand), spot(0.25, large))
    assert not shows_itself(looks_at(dirty), spot(-0.3, large))


def test_drop_so_thick_that_nothing_passes_is_not_denied() -> None:
    thick = looks_at(lambda behind: np.full_like(behind, -1.0))
    assert shows_itself(thick, spot(-0.6))
    assert not shows_itself(thick, spot(-1.0))


def test_plain_scene_or_one_that_rests_tells_nothing() -> None:
    assert not shows_itself(looks_at(hand, contrast=0.05), spot(0.25))
    assert not shows_itself(looks_at(hand, step=0), spot(0.25))


def test_few_looks_tell_nothing() -> None:
    assert not shows_itself(looks_at(hand), spot(0.25, rows=(0, 40)))
    assert not shows_itself([], spot(0.25))


def test_looks_that_were_not_followed_tell_nothing() -> None:
    apart = [
        Drawn(one.row, one.maps, k, one.place) for k, one in enumerate(looks_at(hand))
    ]
    assert not shows_itself(apart, spot(0.25))
