"""What several places of the scene behind a pixel say of it."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from qc.measures.parts.spots.pixellooks import FACING, GROUND, ground_at
from qc.measures.parts.spots.pixelplaces import (
    PLACES,
    SEEN,
    begin,
    goes,
    note,
    weigh,
)
from qc.measures.parts.spots.stuckpixels import PixelWatch
from tests.measures.test_blemish import Image
from tests.pictures import picture

H, W = 120, 320
AT = 150, 60  # column, row
Values = NDArray[np.float32]


def plain(value: float, mean: float, spread: float = 0.0) -> Values:
    """Return a pixel before ground of one level, as `ground_at` gives it."""
    return np.array([[value, mean, mean, mean, spread]], np.float32)


def placed(*grounds: Values) -> NDArray[np.void]:
    """Return what is kept of a pixel before places far from each other."""
    seen = np.zeros(1, SEEN)
    begin(seen, 1, np.zeros((1, 2), np.float32), grounds[0])
    for number, ground in enumerate(grounds[1:], 1):
        lies = np.full((1, 2), 0.1 * number, np.float32)
        note(seen, 1, lies, ground, np.zeros((1, FACING), np.float32), W)
    return seen


def student(off: float) -> float:
    """Return minus the logarithm of Student's t density, 3 degrees, but for a constant.

    Textbook: (1 + t^2 / 3) to the power of -2.
    """
    return 2.0 * math.log(1.0 + off**2 / 3.0)


def test_places_say_what_the_densities_do() -> None:
    # 3 of the 50 to white are a share of 0.06; noise is 1.2, so 2.5 of them. Before 98
    # that share moves by 0.12, a tenth of the noise. The first place does not count.
    told = weigh(placed(plain(53, 50), plain(53, 50), plain(98.12, 98), plain(53, 50)))
    assert told.share[0] == pytest.approx(0.06, abs=1e-4)
    assert told.said[0] == pytest.approx(2 * student(2.5) + student(0.1), abs=2e-3)
    assert told.denied[0] == 0
    assert told.far[0] == pytest.approx(math.hypot(0.3, 0.3), rel=1e-5)


def test_no_place_says_more_than_six_and_a_missing_pixel_is_denied() -> None:
    # 20 of 50 are 16.7 times the noise: 9.1 either way, held to 6 only if it speaks
    # for a pixel.
    told = weigh(placed(*4 * [plain(70, 50)], plain(50, 50)))
    assert student(20 / 1.2) == pytest.approx(9.08, abs=0.01)
    assert told.said[0] == pytest.approx(3 * 6 - student(20 / 1.2), abs=1e-3)
    assert told.denied[0] == pytest.approx(1 / 5)


def test_line_through_the_pixel_says_nothing() -> None:
    # Two that face each other are as bright as the pixel: the scene may be so.
    line = np.array([[70, 50, 70, 52.5, 6.6]], np.float32)
    assert weigh(placed(*5 * [line])).said[0] <= 0


def test_larger_mark_on_plain_ground_is_no_pixel() -> None:
    # What is two away differs by 5 although all farther off is even: 1.2 and 0.06 of
    # the 20 are let pass, 2.4.
    assert weigh(placed(*5 * [plain(70, 50, 5.0)])).said[0] <= 0
    assert weigh(placed(*5 * [plain(70, 50, 2.0)])).said[0] > 12.5


def test_places_are_told_apart_by_way_and_by_what_is_around() -> None:
    other = np.array([[9, 0, 0, 0, 9, 0, 0, 0]], np.float32)
    slope = np.array([[9, 9, 0, -9, -9, -9, 0, 9]], np.float32)
    even, ground = np.zeros((1, FACING), np.float32), plain(70, 50)
    seen = np.zeros(1, SEEN)
    begin(seen, 1, np.zeros((1, 2), np.float32), ground)

    def count(px: float, around: Values, chain: int = 1) -> int:
        note(seen, chain, np.array([[px / W, 0]], np.float32), ground, around, W)
        return int(seen["count"][0])

    assert count(1.2, even) == 1  # under a pixel and a half
    assert count(4, even) == 2
    assert count(20, other) == 3
    assert count(40, 1.1 * other) == 3  # the same again, wherever it was followed to
    assert count(60, slope) == 4  # which is the same all over a sky
    assert count(60, even, chain=2) == 4  # even ground may be any after a cut
    assert count(0, -other, chain=2) == 5
    for n in range(2 * PLACES):
        count(100 + 10 * n, even)
    assert seen["count"][0] == PLACES
    assert seen["times"][0].sum() <= 8 + 2 * PLACES


@pytest.mark.parametrize(
    ("now", "gone"),
    [
        (plain(70, 50), False),
        (plain(55, 50), True),  # half of 20 is 10, over four times the noise
        (plain(61, 50), False),
        (plain(90.2, 90), False),  # half of the 4 to be seen there are not enough
        (plain(50, 50, 8.0), False),  # nor 10 before stripes: four times 4.2
    ],
)
def test_pixel_goes_if_half_of_it_is_missing(now: Values, gone: bool) -> None:
    assert bool(goes(placed(plain(70, 50)), now)[0]) is gone


@pytest.mark.parametrize("interlaced", [False, True])
def test_ground_is_what_the_ring_gives(interlaced: bool) -> None:
    y = np.random.default_rng(7).integers(20, 230, (40, 50)).astype(np.uint8)
    step, row, column = 2 if interlaced else 1, 20, 18
    ring = [(a, b) for a in range(-2, 3) for b in range(-2, 3) if 2 in map(abs, (a, b))]
    percent = (y.astype(float) - 16) * 100 / 219
    around = {(a, b): percent[row + step * a, column + b] for a, b in ring}
    faced = [0.5 * (v + around[-a, -b]) for (a, b), v in around.items()]
    here, values = percent[row, column], np.array([*around.values()])
    bright = [here, min(faced), max(faced), values.mean(), values.std()]
    dark = [100 - here, 100 - max(faced), 100 - min(faced), 100 - values.mean()]
    beyond = [here - values.max(), values.min() - here]
    for sign, expected in ((1, bright), (-1, [*dark, values.std()])):
        ground, out = ground_at(
            picture(y, interlaced=interlaced),
            np.array([row * 50 + column]),
            np.array([7.0 * sign]),
        )
        assert ground.shape == (1, GROUND)
        assert ground[0] == pytest.approx(np.array(expected), abs=1e-3)
        assert out[0] == pytest.approx(beyond[sign < 0], abs=1e-3)


# ------------------------------------------------------------------ whole travels


def sky_and_stripes(coloured_by: int = 40) -> Image:
    """Draw even sky and fine bright stripes in turn, each so many pixels wide."""
    columns = np.arange(2 * W)
    stripes = np.where(columns % 6 < 2, 215.0, 70.0)
    line = np.where(columns // coloured_by % 2 == 0, 80.0, stripes)
    return np.tile(line.astype(np.float32), (H, 1))


def watched(images: list[Image], ways: list[float]) -> list[tuple[int, int]]:
    watch = PixelWatch()
    for n, (image, px) in enumerate(zip(images, ways, strict=True)):
        place = np.zeros((6, 10, 2), np.float32)
        place[..., 0] = -px / W
        watch.look(picture(image), n, 1, place)
    return [(p.x, p.y) for p in watch.pixels()]


@pytest.mark.parametrize("share", [0.0, 0.5])
def test_pixel_before_sky_in_half_of_the_looks_and_stripes_in_half(
    share: float,
) -> None:
    scene, images, ways = sky_and_stripes(), [], []
    x, y = AT
    near = np.array([[0.12, 0.35, 0.12], [0.35, 1.0, 0.35], [0.12, 0.35, 0.12]])
    for n in range(18):
        image = scene[:, 5 * n : 5 * n + W].copy()
        part = image[y - 1 : y + 2, x - 1 : x + 2]
        part += (235.0 - part) * (share * near)
        images.append(image)
        ways.append(5.0 * n)
    assert watched(images, ways) == ([AT] if share else [])


def test_pixel_that_lay_before_white_for_long_is_found_later() -> None:
    # Dark at first, so that it is known; then white, where it cannot be seen, for more
    # places than are kept; then dark again.
    scene = np.full((H, 6 * W), 70, np.float32)
    scene[:, 170 : 170 + 6 * 2 * PLACES] = 235
    x, y = AT
    images, ways = [], []
    for n in range(48):
        image = scene[:, 6 * n : 6 * n + W].copy()
        image[y, x] += 0.5 * (235 - image[y, x])
        images.append(image)
        ways.append(6.0 * n)
    assert not watched(images[:24], ways[:24])
    assert watched(images, ways) == [AT]


def test_scene_that_goes_to_and_fro_has_no_pixels() -> None:
    # Two framings in turn, a dot of the scene at the same place in both, and a motion
    # that is followed 3 px too far each time.
    random = np.random.default_rng(6)
    few = random.uniform(90, 170, (H // 8, W // 8 + 8)).astype(np.float32)
    scene = cv2.resize(few, (W + 64, H), interpolation=cv2.INTER_CUBIC)
    x, y = AT
    scene[y, x], scene[y, x + 24] = scene[y, x] - 36, scene[y, x + 24] - 36
    images = [scene[:, 24 * (n % 2) :][:, :W] for n in range(16)]
    assert not watched(images, [24.0 * (n % 2) + 3.0 * n for n in range(16)])
