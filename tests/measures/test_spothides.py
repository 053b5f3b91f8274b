"""Whether the scene shows through a spot: drawn layers, with what each look shows.

In logarithms of level what takes a share of the light is a sum: all that the scene
changes by shows through it. A thing before the lens shows nothing of that.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from qc.measures.parts.spots.spothides import hides
from qc.measures.parts.spots.spotlayers import Layers
from qc.measures.parts.spots.spotpassing import Passing

Maps = NDArray[np.float32]

LOOKS, H, W, STEP = 13, 96, 128, 5  # px that the scene goes on from look to look
BOX = slice(16, 28), slice(24, 38)  # of a map half as large
INSIDE = slice(32, 56), slice(48, 76)
MASK = np.zeros((H // 2, W // 2), np.bool_)
MASK[BOX] = True


def scene(contrast: float = 0.3) -> Maps:
    """Return what looks at a scene that goes by show, about its mean."""
    random = np.random.default_rng(2)
    wide = cv2.GaussianBlur(random.normal(0, 1, (H, W + LOOKS * STEP)), (0, 0), 6.0)
    wide *= contrast / wide.std()
    return np.stack([wide[:, STEP * k : STEP * k + W] for k in range(LOOKS)]).astype(
        np.float32
    )


def passing_by(
    behind: Maps, shown: Callable[[Maps], Maps], step: float = STEP
) -> Passing:
    """Return layers whose looks show something else in the box than the scene."""
    level = behind.copy()
    level[(slice(None), *INSIDE)] = shown(behind)[(slice(None), *INSIDE)]
    nothing = np.zeros((H, W), np.float32)
    moves = np.zeros((LOOKS, H, W, 2), np.float32)
    moves[..., 0] = -step * np.arange(LOOKS)[:, None, None]
    layers = Layers(moves, level, level - behind, nothing, nothing)
    return Passing((), 1.0, layers, layers)


def flat(behind: Maps) -> Maps:
    return np.zeros_like(behind)


def dirty(behind: Maps) -> Maps:
    return behind - np.float32(0.4)


def smeared(behind: Maps) -> Maps:
    # By a third of its breadth, px.
    return np.stack([cv2.GaussianBlur(one, (0, 0), 8.0) for one in behind])


def veiled(behind: Maps) -> Maps:
    # As much light again as the scene has in the mean.
    return np.log(np.exp(behind) + np.float32(1.0))


@pytest.mark.parametrize("shown", [dirty, smeared, veiled])
def test_scene_shows_through_what_lies_on_the_lens(
    shown: Callable[[Maps], Maps],
) -> None:
    assert not hides(passing_by(scene(), shown), MASK, -0.4)


@pytest.mark.parametrize("level", [-0.6, 0.0, 0.5])
def test_thing_before_the_lens_hides_the_scene(level: float) -> None:
    assert hides(passing_by(scene(), flat), MASK, level)


@pytest.mark.parametrize(("share", "hidden"), [(0.1, True), (0.7, False)])
def test_little_of_the_scene_is_not_enough(share: float, hidden: bool) -> None:
    seen = passing_by(scene(), lambda behind: np.float32(share) * behind)
    assert hides(seen, MASK, 0.0) is hidden


def test_thick_dark_drop_is_not_denied() -> None:
    assert not hides(passing_by(scene(), flat), MASK, -1.0)


def test_plain_scene_tells_nothing() -> None:
    assert not hides(passing_by(scene(0.01), flat), MASK, 0.0)


@pytest.mark.parametrize(("share", "hidden"), [(0.9, False), (1.1, True)])
def test_scene_must_come_on_by_the_breadth(share: float, hidden: bool) -> None:
    # What has never been seen beside the spot cannot be told behind it.
    breadth = INSIDE[1].stop - INSIDE[1].start
    step = share * breadth / (LOOKS - 1)
    assert hides(passing_by(scene(), flat, step), MASK, 0.0) is hidden


@pytest.mark.parametrize(
    ("level", "still", "hidden"),
    [(-0.4, True, False), (-0.4, False, True), (0.4, True, True)],
)
def test_where_the_scene_is_not_laid_over_itself_a_still_dark_spot_is_not_denied(
    level: float, still: bool, hidden: bool
) -> None:
    # The opposite of the scene is taken for what is behind: nothing fits, inside the
    # box or around it.
    right = passing_by(scene(), dirty)
    behind = right.layers.level - right.layers.rest
    wrong = right.layers.level + behind
    layers = replace(right.layers, rest=wrong)
    seen = replace(right, layers=layers)
    assert hides(seen, MASK, level, still=still) is hidden


@pytest.mark.parametrize("still", [True, False])
def test_still_thing_hides_a_scene_that_is_laid_over_itself(still: bool) -> None:
    assert hides(passing_by(scene(), flat), MASK, -0.4, still=still)


def test_tiny_thing_tells_nothing() -> None:
    tiny = np.zeros_like(MASK)
    tiny[22, 31] = True
    assert not hides(passing_by(scene(), flat), tiny, 0.0)
