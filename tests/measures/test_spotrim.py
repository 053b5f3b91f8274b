"""Spots told by a rim that stands still all the way round.

What a spot does is exact arithmetic on the drawn picture (`test_blemish.spotted`), and
so is what the rims of drawn layers are.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from qc.measures.parts.spots.spotlayers import Layers
from qc.measures.parts.spots.spotpassing import Passing
from qc.measures.parts.spots.spotrim import closed_rims, rim_spots
from tests.measures.test_blemish import PAINT, H, Image, W, spotted
from tests.measures.test_blemish_passing import (
    EVERY_S,
    LOOKS,
    STEP,
    away,
    layer,
    seen,
    told,
    travelled,
)

WAY = [STEP * (i - LOOKS / 2) for i in range(LOOKS)]


@functools.cache
def before_tufts() -> tuple[Image, ...]:
    """Draw a plain coat that goes by, with dark tufts behind `PAINT` now and then.

    The tufts wave: the scene does not lie over itself there.
    """
    random = np.random.default_rng(11)
    soft = cv2.GaussianBlur(random.normal(0, 1, (H + 40, W + 120)), (0, 0), 4.0)
    soft *= 6.0 / soft.std()
    y, x = np.mgrid[:H, :W]
    out = []
    for i, came in enumerate(WAY):
        image = 150 + seen(soft, 60 + came)
        # One tuft in three looks, each time as the wind has it.
        if i % 3 == 0:
            bend = random.uniform(-9, 9)
            off = np.hypot(x - PAINT[0] * W - bend, (y - PAINT[1] * H - bend) / 2)
            hair = seen(layer(40 + i), 40) / 200
            image -= 80 * hair / (1 + np.exp((off - 16) / 2))
        far = np.maximum(np.abs(x - PAINT[0] * W) / 90, np.abs(y - PAINT[1] * H) / 70)
        share = np.clip((far - 0.8) / 0.2, 0, 1)
        image = image * (1 - share) + seen(layer(1), 20 + STEP * i) * share
        out.append(np.asarray(image + random.normal(0, 0.7, image.shape)))
    return tuple(out)


@pytest.mark.parametrize(("radius", "loss"), [(5, 0.5), (7, 0.35), (4, 0.5)])
def test_spot_before_a_coat_with_tufts_is_found(radius: float, loss: float) -> None:
    images = [spotted(f, radius, loss=loss) for f in before_tufts()]
    found = told(images, rim_spots)
    assert [away(one, PAINT) < radius for one in found] == [True] * len(found) != []
    # No more than the light that is missing.
    assert all(np.log(1 - loss) - 0.1 < one.strength < -0.1 for one in found)


@pytest.mark.parametrize("at", [PAINT, (0.7, 0.85)])
def test_spot_before_layers_that_move_differently_is_found(
    at: tuple[float, float],
) -> None:
    found = told([spotted(f, 6, loss=0.5, at=at) for f in travelled()], rim_spots)
    assert [away(one, at) < 4 for one in found] == [True] * len(found) != []


@pytest.mark.parametrize("share", [0.0, 0.15, 1.0])
def test_how_still_a_weak_rim_stands_tells_it_after_a_short_way(share: float) -> None:
    # It takes two fifths of the light before lit windows that take more; they come
    # 10 px in all. A thing that goes along by a seventh of that is no spot.
    at, step = (0.55, 0.6), 0.4
    images = [
        spotted(
            f, 3.5, loss=0.4, at=(at[0] - share * step * (i - LOOKS / 2) / W, at[1])
        )
        for i, f in enumerate(travelled(step))
    ]
    found = told(images, rim_spots)
    assert [away(one, at) < 3.5 for one in found] == ([] if share else [True])


@functools.cache
def before_a_roof(step: float) -> tuple[Image, ...]:
    """Draw lit windows that pass behind `PAINT`, half of them hidden by a plain sky."""
    random, x = np.random.default_rng(21), np.arange(W)
    out = []
    for i in range(LOOKS):
        windows, far = seen(layer(3), 20 + step * i), seen(layer(5), 20 + step * i)
        share = 1 / (1 + np.exp(x - PAINT[0] * W + step * (i - LOOKS / 2)))
        sky = np.where(np.arange(H)[:, None] < 150, 120.0, far)
        image = windows * share + sky * (1 - share)
        out.append(np.asarray(image + random.normal(0, 1.0, image.shape)))
    return tuple(out)


@pytest.mark.parametrize(
    ("step", "radius", "loss"), [(0.5, 8, 0.35), (0.5, 8, 0.5), (STEP, 12, 0.5)]
)
def test_drop_half_before_a_plain_sky_is_told_by_that_half(
    step: float, radius: float, loss: float
) -> None:
    # Its other half is off by what the windows do, which is no less than what it takes.
    drawn = [spotted(f, radius, loss=loss, blur=2.0) for f in before_a_roof(step)]
    found = told(drawn, rim_spots)
    assert found
    assert all(away(one, PAINT) < radius / 2 for one in found)
    assert told(before_a_roof(step), rim_spots) == []


def test_scene_has_no_rim() -> None:
    assert told(before_tufts(), rim_spots) == []
    assert told(travelled(), rim_spots) == []
    assert told(travelled(stain=True), rim_spots) == []


def test_camera_that_rests_or_hardly_moves_tells_nothing() -> None:
    for images in (travelled(camera=False), travelled(0.08)):
        assert told([spotted(f, 7, loss=0.5) for f in images], rim_spots) == []


@pytest.mark.parametrize(("number", "sway"), [(0, 1.5), (1, 1.5), (2, 1.0)])
def test_few_looks_far_off_make_no_spots_of_a_scene_at_rest(
    number: int, sway: float
) -> None:
    # Three looks before the camera came to rest, then a hand's tremor, px: a disc that
    # belongs to the scene, and all else of it, hardly moves in most looks.
    random = np.random.default_rng(number)
    images = []
    for came in (-40, -28, -12, *(sway * random.normal(size=LOOKS - 3))):
        view = seen(layer(1), 60 + came)
        view = spotted(view, 8, loss=0.5, at=(PAINT[0] - came / W, PAINT[1]))
        images.append(np.asarray(view + random.normal(0, 1.0, view.shape)))
    assert told(images, rim_spots) == []


def test_two_seconds_are_too_few() -> None:
    images = [spotted(f, 6, loss=0.5) for f in travelled()]
    assert told(images, rim_spots, every=2.0 / LOOKS) == []
    assert told(images, rim_spots, every=EVERY_S) != []


@pytest.mark.parametrize("share", [0.3, 1.0, 1.3])
def test_thing_that_the_camera_follows_loosely_is_no_spot(share: float) -> None:
    images = [
        spotted(one, 8, loss=0.5, at=(PAINT[0] - share * there / W, PAINT[1]))
        for one, there in zip(travelled(), WAY, strict=True)
    ]
    assert told(images, rim_spots) == []


def test_brighter_spot_is_left_to_others() -> None:
    assert told([spotted(f, 7, loss=-0.5) for f in travelled()], rim_spots) == []


# ------------------------------------------------------------------ rims by themselves


def layers(stays: Image, looks: Image) -> Layers:
    """Return layers in which the scene is gone but for what the looks still have."""
    rest = np.asarray(stays + looks, np.float32)
    moves = np.zeros((*rest.shape, 2), np.float32)
    moves[..., 0] = 2.0 * np.arange(len(rest))[:, None, None]
    fixed = np.asarray(stays, np.float32)
    return Layers(moves, rest, rest, fixed, np.zeros_like(fixed))


Y, X = np.mgrid[:90, :120]


def disc(radius: float, squeeze: float = 1.0) -> Image:
    off = np.hypot((X - 70) * squeeze, Y - 40)
    return np.asarray(-0.3 / (1 + np.exp((off - radius) / 0.8)))


def noise(size: float, number: int = 2) -> Image:
    return np.random.default_rng(number).normal(0, size, (14, 90, 120))


@pytest.mark.parametrize(
    ("radius", "squeeze"), [(4, 1.0), (7, 1.0), (10, 1.0), (7, 1.3)]
)
def test_rim_of_a_disc_is_where_it_was_drawn(radius: float, squeeze: float) -> None:
    found = closed_rims(layers(disc(radius, squeeze), noise(0.02)))
    assert len(found) == 1
    assert abs(found[0].column - 70) <= 1
    assert abs(found[0].row - 40) <= 1
    assert found[0].radius == pytest.approx(radius, rel=0.35)


def test_brighter_disc_edge_and_streak_have_no_closed_rim() -> None:
    edge = 0.3 / (1 + np.exp((X - 60) / 0.8))
    streak = -0.3 * np.exp(-(((X - 60) / 4.0) ** 2))
    for drawn in (-disc(7), edge, -edge, streak):
        assert closed_rims(layers(drawn, noise(0.02))) == []


def test_half_a_rim_is_none() -> None:
    half = np.where(Y < 40, disc(8), -0.3)
    assert closed_rims(layers(half, noise(0.02))) == []


def test_looks_that_are_restless_there_hardly_count() -> None:
    # Ten of fourteen looks show hair there; the mean of all alike would not tell it.
    quiet, loud = noise(0.01), noise(0.01)
    loud[:10, 20:60, 50:90] += noise(0.5, 3)[:10, 20:60, 50:90]
    (all_quiet,) = closed_rims(layers(disc(6), quiet))
    (few_quiet,) = (
        rim
        for rim in closed_rims(layers(disc(6), loud))
        if abs(rim.column - 70) < 3 and abs(rim.row - 40) < 3
    )
    assert few_quiet.least > 0.25 * all_quiet.least
    only = closed_rims(layers(disc(6), np.repeat(loud[:1], 14, axis=0) + noise(0.5)))
    assert [rim for rim in only if rim.least > 0.25 * all_quiet.least] == []


def test_one_quiet_look_alone_says_little() -> None:
    # Only the first look shows it, and is quiet; the others are neither.
    looks = noise(0.3)
    looks[0] = noise(0.005)[0]
    shown = disc(6)
    looks[1:] -= shown
    found = closed_rims(layers(shown, looks))
    assert [rim for rim in found if rim.least > 6] == []


@dataclass(frozen=True)
class Shown:
    """A look of which only where the picture lay counts."""

    row: int
    place: NDArray[np.float32]
    maps: dict[str, NDArray[np.float32]]
    seconds: float = 0.0
    chain: int = 0
    fine: None = None


@pytest.mark.parametrize(("step", "found"), [(2.0, 1), (0.1, 0)])
def test_what_moves_in_the_picture_tells_nothing_of_what_rests_behind_it(
    step: float, found: int
) -> None:
    # At the place itself all seems to come by 2 px a look, as if a rod went by there.
    drawn = layers(disc(6), noise(0.02))
    maps = {"detail": np.zeros((45, 60), np.float32)}
    place = np.zeros((4, 6, 2), np.float32)
    place[..., 0] = step / 120
    looks = [Shown(i, i * place, maps) for i in range(14)]
    assert len(rim_spots(Passing(looks, 1.0, drawn, drawn))) == found
