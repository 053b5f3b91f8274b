"""Spots that come to stay while things move about: drawn scenes, known moments."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
import pytest

from qc.measures.parts.spots.splash import Splash, SplashWatch
from qc.measures.parts.spots.spotland import LandWatch
from qc.measures.parts.spots.spotlooks import LookKeeper
from qc.measures.parts.spots.spotranks import middle_of
from tests.measures.test_blemish import (
    PAINT,
    VIDEO_8,
    H,
    Image,
    W,
    spotted,
    still_scene,
)
from tests.pictures import picture

RATE = 12.5
FRAMES, AT = 120, 52
LOOK_EVERY = 4


def landed(change: Callable[[Image, int], Image], sway: float = 0.0) -> list[Splash]:
    """Return what comes to stay in nine seconds with people passing below.

    Parameters
    ----------
    sway : float
        Px of the picture to either side.
    """
    random = np.random.default_rng(6)
    big = still_scene(2)
    splashes, watch, keeper = SplashWatch(), LandWatch(), LookKeeper()
    for i in range(FRAMES):
        x = 40 + sway * np.sin(0.11 * i)
        matrix = np.array([[1.0, 0.0, x], [0.0, 1.0, 30.0]])
        image = cv2.warpAffine(
            big, matrix, (W, H), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        )
        image = change(image, i)
        for number in range(3):
            at = (37 * i + 140 * number) % (W + 60) - 30, 150 + 20 * number
            cv2.ellipse(image, at, (14, 30), 0, 0, 360, 40.0, -1)
        seen = picture(image + random.normal(0, 1.0, image.shape), index=i, pts=i)
        splashes.frame(seen, i)
        watch.frame(seen, i, i / RATE)
        if i % LOOK_EVERY:
            continue
        keeper.look(seen, i, i / RATE)
        splashes.look(seen, i / RATE, keeper.here)
        assert splashes.now is not None
        watch.look(splashes.now, i / RATE)
    return watch.all()


def test_middle_of_three_is_their_median() -> None:
    three = np.random.default_rng(1).normal(0, 1, (3, 40, 50)).astype(np.float32)
    assert np.array_equal(middle_of(*three), np.median(three, axis=0))


# 3 to 16 % of the width of the picture.
@pytest.mark.parametrize(
    ("radius", "sway"), [(6, 0.0), (13, 0.0), (13, 2.5), (30, 0.0)]
)
def test_drop_that_lands_is_told_to_the_frame(sway: float, radius: float) -> None:
    # Far out of focus, a drop blurs with an eighth of its breadth or so.
    def drop(image: Image, i: int) -> Image:
        blur = 0.25 * radius
        return spotted(image, radius, loss=0.4, blur=blur) if i >= AT else image

    found = landed(drop, sway)
    assert found
    for one in found:
        assert abs(one.row - AT) <= 1
        assert one.without < AT
        assert one.level < 0
        assert abs(one.x + one.w / 2 - PAINT[0]) < 0.03
        assert abs(one.y + one.h / 2 - PAINT[1]) < 0.05


@pytest.mark.parametrize("sway", [0.0, 2.5])
def test_without_a_drop_nothing_is_told(sway: float) -> None:
    assert landed(lambda image, _: image, sway) == []


@pytest.mark.parametrize(("radius", "sway"), [(13, 2.5), (30, 0.0)])
def test_shadow_that_comes_at_once_keeps_the_detail_and_is_no_drop(
    radius: float, sway: float
) -> None:
    def shadow(image: Image, i: int) -> Image:
        return spotted(image, radius, loss=0.4) if i >= AT else image

    assert landed(shadow, sway) == []


@pytest.mark.parametrize("veil", [60.0, 90.0])
def test_what_burns_stays_behind_when_the_iris_opens_and_is_no_drop(
    veil: float,
) -> None:
    # A bright thing reaches the end of the range, and cannot get as much brighter.
    top = float(VIDEO_8.white)

    def opened(image: Image, i: int) -> Image:
        image = np.minimum(spotted(image, 12, veil=veil), top)
        more = VIDEO_8.black + 1.6 * (image - VIDEO_8.black)
        return np.minimum(more, top) if i >= AT else image

    assert landed(opened) == []


@pytest.mark.parametrize("radius", [13, 30])
def test_what_is_laid_down_or_taken_away_is_no_drop(radius: int) -> None:
    x, y = round(PAINT[0] * W), round(PAINT[1] * H)

    def laid_down(image: Image, i: int) -> Image:
        # It comes in from the right, within a second, and rests.
        left = max(AT + 12 - i, 0)
        if i >= AT:
            cv2.circle(image, (x + 18 * left, y), radius, 60.0, -1)
        return image

    def taken_away(image: Image, i: int) -> Image:
        if i < AT:
            cv2.circle(image, (x, y), radius, 40.0, -1)
        return image

    assert landed(laid_down) == []
    assert landed(taken_away) == []
