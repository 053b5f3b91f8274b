"""Stuck pixels under a slow travel over a scene full of small bright details."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from qc.measures.parts.spots.pixellooks import beside, ground_at, outliers
from qc.measures.parts.spots.stuckpixels import PixelWatch, StuckPixel
from tests.measures.test_blemish import Image
from tests.pictures import picture

H, W = 180, 320
AT = 143, 77  # column, row


def lit_windows(number: int) -> Image:
    """Draw windows of a town at night, twice as large as seen, with room around."""
    random = np.random.default_rng(number)
    out = np.full((2 * H + 240, 2 * W + 240), 22.0, np.float32)
    for top in range(4, out.shape[0] - 8, 19):
        for left in range(4, out.shape[1] - 8, 17):
            if random.random() < 0.5:
                size = random.integers(3, 8, 2)
                light = random.uniform(60, 230)
                out[top : top + size[0], left : left + size[1]] = light
    return cv2.GaussianBlur(out, (0, 0), 1.0)


def seen(scene: Image, right: float, down: float) -> Image:
    """Return what a camera sees that has come so many pixels along."""
    matrix = np.array([[2, 0, 100 + 2 * right], [0, 2, 100 + 2 * down]], np.float32)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return cv2.warpAffine(scene, matrix, (W, H), flags=flags)


def lift(image: Image, share: float) -> None:
    """Raise a pixel by a share of the way to white, and its neighbours by less.

    By how much less: as the bench of injected faults does (house choice).
    """
    x, y = AT
    near = np.array([[0.12, 0.35, 0.12], [0.35, 1.0, 0.35], [0.12, 0.35, 0.12]])
    part = image[y - 1 : y + 2, x - 1 : x + 2]
    part += (235.0 - part) * (share * near)


def travelled(
    step: tuple[float, float], looks: int, share: float, number: int = 1
) -> list[StuckPixel]:
    scene, watch = lit_windows(number), PixelWatch()
    for n in range(looks):
        right, down = n * step[0], n * step[1]
        image = seen(scene, right, down)
        if share:
            lift(image, share)
        place = np.zeros((6, 10, 2), np.float32)
        place[...] = -right / W, -down / W
        watch.look(picture(image), n, 1, place)
    return watch.pixels()


# In the second travel a window as bright as a pixel raised by half passes over it.
@pytest.mark.parametrize(
    ("step", "share"),
    [((0.8, 0.3), 0.5), ((0.8, 0.3), 0.9), ((-0.6, 0.6), 0.9), ((0.0, 0.9), 0.5)],
)
def test_pixel_is_found_under_a_slow_travel(
    step: tuple[float, float], share: float
) -> None:
    # 11 or 12 px in all: the looks of 3 px and more would be four at most.
    (found,) = travelled(step, 14, share)
    assert (found.x, found.y, found.colour) == (*AT, "white")


@pytest.mark.parametrize("number", range(4))
@pytest.mark.parametrize("step", [(0.8, 0.3), (0.8, 0.0), (0.0, 0.9), (0.35, 0.0)])
def test_windows_that_pass_slowly_are_no_pixels(
    step: tuple[float, float], number: int
) -> None:
    assert not travelled(step, 16, 0.0, number)


def test_too_little_travel_tells_nothing() -> None:
    # 6 px are asked for; here they are 5.
    assert not travelled((0.33, 0.0), 16, 0.9)


def test_lamps_in_a_row_along_the_travel_are_no_pixel() -> None:
    # One lamp every 4 px lies at each place in every fourth look or more seldom.
    watch = PixelWatch()
    for n in range(24):
        image = np.full((H, W), 40.0, np.float32)
        image[90, 8 + n % 4 : W - 8 : 4] = 200
        place = np.full((6, 10, 2), (n / W, 0.0), np.float32)
        watch.look(picture(image), n, 1, place)
    assert not watch.pixels()


@pytest.mark.parametrize(("rests", "told"), [(True, 0), (False, 1)])
def test_dot_counts_unless_what_is_beside_it_rests_too(rests: bool, told: int) -> None:
    # A plate on the rig that the field of motion, a smooth surface, runs across.
    random = np.random.default_rng(5)
    plate = random.uniform(30, 150, (12, 40)).astype(np.float32)
    plate = cv2.resize(plate, (480, 144), interpolation=cv2.INTER_CUBIC)
    watch = PixelWatch()
    for n in range(12):
        image = np.full((H, W), 60.0, np.float32)
        first = 0 if rests else 3 * n
        image[20:164, 80:240] = plate[:, 80 + first : 240 + first]
        image[AT[1], AT[0]] = 220
        place = np.full((6, 10, 2), (0.9 * n / W, 0.0), np.float32)
        watch.look(picture(image), n, 1, place)
    assert len(watch.pixels()) == told


def test_nothing_is_looked_at_while_the_picture_rests() -> None:
    watch, image = PixelWatch(), picture(lit_windows(1)[:H, :W])
    place = np.zeros((6, 10, 2), np.float32)
    assert [watch.look(image, n, 1, place) for n in range(4)] == [True] + 3 * [False]


def ring_excess(y: NDArray[np.uint8], row: int, column: int) -> float:
    """Return what a pixel is above the brightest that is two away (definition)."""
    part = y[row - 2 : row + 3, column - 2 : column + 3].astype(float)
    around = np.ones((5, 5), bool)
    around[1:4, 1:4] = False
    return 100 / 219 * float(part[2, 2] - part[around].max())


def test_beyond_is_what_lies_above_the_ring() -> None:
    y = np.random.default_rng(3).integers(20, 230, (60, 80)).astype(np.uint8)
    rows, columns = np.mgrid[2:58, 2:78].reshape(2, -1)
    _, beyond = ground_at(picture(y), rows * 80 + columns, np.ones(rows.size))
    true = [ring_excess(y, *at) for at in zip(rows, columns, strict=True)]
    assert beyond == pytest.approx(np.array(true), abs=1e-3)


def test_beside_is_the_mean_of_squares_less_their_median() -> None:
    y = np.random.default_rng(4).integers(20, 230, (40, 40)).astype(np.uint8)
    sides = [(0, 6), (6, 6), (6, 0), (6, -6), (0, -6), (-6, -6), (-6, 0), (-6, 6)]
    means = [
        y[20 + d - 1 : 20 + d + 2, 18 + a - 1 : 18 + a + 2].mean() for d, a in sides
    ]
    expected = 100 / 219 * (np.array(means) - np.median(means))
    assert beside(picture(y), np.array([20 * 40 + 18]))[0] == pytest.approx(
        expected, abs=1e-3
    )


def test_of_bright_pixels_side_by_side_the_strongest_is_told() -> None:
    y = np.full((60, 60), 60, np.uint8)
    y[20, 20], y[20, 25], y[20, 40], y[45, 30] = 120, 140, 130, 130
    places, _ = outliers(picture(y))
    assert places.tolist() == [20 * 60 + 25, 20 * 60 + 40, 45 * 60 + 30]
