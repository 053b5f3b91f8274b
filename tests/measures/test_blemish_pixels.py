"""Stuck pixels: drawn into moving scenes at known places."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from qc.measures import blemish
from qc.measures.parts.spots.pixellooks import colour_of, colour_word, outliers
from qc.measures.parts.spots.stuckpixels import PixelWatch
from qc.records import Grade, Picture
from tests.measures.test_blemish import (
    FRAMES,
    REACH,
    H,
    Image,
    W,
    findings,
    measured_of,
    panned,
    still_scene,
)
from tests.pictures import VIDEO_8, picture


def with_pixel(images: list[Image], x: int, y: int, step: float) -> list[Image]:
    for image in images:
        image[y, x] = np.median(image[y - 2 : y + 3, x - 2 : x + 3]) + step
    return images


def test_stuck_pixels_are_found_to_the_pixel() -> None:
    random = np.random.default_rng(8)
    at = [(int(random.integers(8, W - 8)), int(random.integers(8, H - 8)))]
    images = panned()
    while len(at) < 6:
        new = int(random.integers(8, W - 8)), int(random.integers(8, H - 8))
        if all(max(abs(new[0] - x), abs(new[1] - y)) > 40 for x, y in at):
            at.append(new)
    for i, (x, y) in enumerate(at):
        with_pixel(images, x, y, 90 if i % 2 else -70)
    found = findings(measured_of(images))
    places = {(f.where[0] + 1, f.where[1] + 1) for f in found if f.where}
    assert places <= set(at)  # none too many
    assert len(places) >= 5
    # Six are more than the five that a note is enough for.
    assert all(
        f.grade is (Grade.REVIEW if len(found) > 5 else Grade.NOTE) for f in found
    )


@pytest.mark.parametrize(("step", "seen"), [(6, False), (80, True)])
def test_pixel_counts_from_some_percent_over_its_surroundings(
    step: float, seen: bool
) -> None:
    found = findings(measured_of(with_pixel(panned(2), 200, 100, step)))
    assert [f.where for f in found] == ([(199, 99, 3, 3)] if seen else [])
    where = "white pixel in the middle (column 200, row 100)"
    assert all(where in f.message for f in found)


def test_sway_of_a_few_pixels_is_enough_for_a_stuck_pixel() -> None:
    # One percent of the width, too little to tell a spot.
    images = with_pixel(panned(1, reach=0.04), 240, 90, 90)
    measured = measured_of(images)
    (finding,) = findings(measured)
    assert finding.where == (239, 89, 3, 3)
    assert blemish.MEASURE.summarise is not None
    told = blemish.MEASURE.summarise(measured)
    assert told["stuck_pixels"] == 1


def test_outliers_of_a_hand_made_picture() -> None:
    y = np.full((40, 40), 100, np.uint8)
    y[10, 10], y[30, 20] = 160, 50
    y[20:24, 30:34] = 160  # a block is no pixel: it has its like two pixels away
    places, percent = outliers(picture(y))
    assert places.tolist() == [10 * 40 + 10, 30 * 40 + 20]
    # 60 and -50 codes of the 219 from black to white.
    assert percent == pytest.approx([100 * 60 / 219, -100 * 50 / 219], abs=1e-4)


def test_outliers_of_interlaced_pictures_lie_in_their_own_line() -> None:
    y = np.full((41, 33), 100, np.uint8)
    y[15, 12] = 200
    places, _ = outliers(picture(y, interlaced=True))
    assert places.tolist() == [15 * 33 + 12]


def test_pixel_where_a_zoom_moves_nothing_cannot_be_told() -> None:
    # A far lamp in the middle of a zoom stays one pixel in one place, and so does a
    # stuck pixel; a little to the side only a stuck pixel does.
    big = still_scene(1)[REACH[1] :, REACH[0] :][:H, :W]
    middle, side = (W // 2, H // 2), (W // 2 + 130, H // 2 + 40)
    images = []
    for i in range(FRAMES):
        zoom = 1.0 + 0.012 * i
        matrix = cv2.getRotationMatrix2D((middle[0], middle[1]), 0, zoom)
        images.append(cv2.warpAffine(big, matrix, (W, H), flags=cv2.INTER_LINEAR))
    for at in (middle, side):
        with_pixel(images, *at, 90)
    (finding,) = findings(measured_of(images))
    assert finding.where == (side[0] - 1, side[1] - 1, 3, 3)


@pytest.mark.parametrize(("looks", "seen"), [(6, [40]), (24, [40, 280])])
def test_far_things_come_as_far_as_near_ones_only_later(
    looks: int, seen: list[int]
) -> None:
    """The left half comes 4 px a look, the right half 1 px: 3, or 6 in all, count."""
    image = np.full((180, 320), 100, np.uint8)
    for x in (40, 280):
        image[90, x] = 230
    watch = PixelWatch()
    for n in range(looks):
        place = np.zeros((11, 20, 2), np.float32)
        place[:, :12, 0], place[:, 12:, 0] = 4.001 * n / 320, 1.001 * n / 320
        watch.look(picture(image), n, 1, place)
    assert sorted(p.x for p in watch.pixels()) == seen


@pytest.mark.parametrize(("dot", "beside", "told"), [(True, 0, 1), (True, 12, 0)])
def test_pixel_counts_where_nothing_can_be_followed(
    dot: bool, beside: int, told: int
) -> None:
    # Every look shows another scene, as lights do that rush past at night: the scene
    # is drawn anew, so that no motion lies between them and none is said to.
    random = np.random.default_rng(31)
    watch, nowhere = PixelWatch(), np.zeros((4, 6, 2), np.float32)
    for look in range(16):
        few = random.uniform(20, 120, (H // 9 + 2, W // 9 + 2)).astype(np.float32)
        image = cv2.resize(few, (W, H), interpolation=cv2.INTER_LINEAR)
        if beside:  # a plate that stays, with the dot on it, is a thing of the rig
            image[90 - beside : 91 + beside, 200 - beside : 201 + beside] = 60
        if dot:
            image[90, 200] = 200
        watch.look(picture(image.astype(np.uint8)), look, 0, nowhere)
    found = [one for one in watch.pixels() if one.stirred]
    assert [(one.x, one.y) for one in found] == [(200, 90)] * told


def swung_by(ways: list[float], *, gone: bool) -> list[tuple[int, int]]:
    """Return the pixels found before plain ground that lies so far off, of the width.

    Parameters
    ----------
    gone : bool
        The bright pixel is missing in one look.
    """
    watch = PixelWatch()
    for n, way in enumerate(ways):
        image = np.full((180, 320), 100, np.uint8)
        image[90, 160] = 100 if gone and n == 7 else 230
        place = np.zeros((11, 20, 2), np.float32)
        place[..., 0] = way
        watch.look(picture(image), n, 1, place)
    return [(p.x, p.y) for p in watch.pixels()]


@pytest.mark.parametrize(
    ("looks", "step", "gone", "told"),
    [
        (12, 0.02, False, 1),
        (8, 0.02, False, 0),
        (12, 0.012, False, 0),
        (12, 0.02, True, 0),
    ],
)
def test_two_places_are_enough_for_what_always_shows(
    looks: int, step: float, gone: bool, told: int
) -> None:
    # The camera swings to and fro between three framings of plain ground: the first
    # says nothing, and the two others not enough by themselves.
    ways = [step * (0, 1, 2, 1)[n % 4] for n in range(looks)]
    assert swung_by(ways, gone=gone) == [(160, 90)] * told


@pytest.mark.parametrize(
    ("looks", "reach", "gone", "told"),
    [
        (14, 4.8, False, 1),
        (9, 4.8, False, 0),
        (14, 2.4, False, 0),
        (14, 4.8, True, 0),
    ],
)
def test_half_of_the_way_is_enough_for_what_surely_stays(
    looks: int, reach: float, gone: bool, told: int
) -> None:
    # To both sides of the first framing, and no farther from it than that: 6 px would
    # count by themselves.
    to_and_fro = 0, 1, 2, 3, 2, 1, 0, -1, -2, -3, -2, -1
    ways = [reach * to_and_fro[n % 12] / 960 for n in range(looks)]
    assert swung_by(ways, gone=gone) == [(160, 90)] * told


def chroma_of(red: float, green: float, blue: float) -> tuple[float, float]:
    """Return Cb and Cr in codes of 8 bits (ITU-R BT.709-6, items 3.3 and 3.4)."""
    luma = 0.2126 * red + 0.7152 * green + 0.0722 * blue
    return 128 + 224 * (blue - luma) / 1.8556, 128 + 224 * (red - luma) / 1.5748


@pytest.mark.parametrize(
    ("ground", "pixel", "percent", "word"),
    [
        ((0.7, 0.7, 0.7), (1.0, 0.0, 0.0), -48.0, "red"),
        ((0.7, 0.7, 0.7), (1.0, 0.0, 1.0), -41.0, "magenta"),
        ((0.2, 0.2, 0.2), (0.0, 1.0, 0.0), 51.0, "green"),
        # These have less colour than what is around them, and no other.
        ((0.8, 0.2, 0.6), (1.0, 1.0, 1.0), 64.0, "white"),
        ((0.8, 0.2, 0.2), (0.0, 0.0, 0.0), -33.0, "dark"),
        # Dead under its red filter, before grey.
        ((0.5, 0.5, 0.5), (0.0, 0.5, 0.5), -10.0, "dark"),
    ],
)
def test_a_pixel_has_the_colour_it_adds(
    ground: tuple[float, ...], pixel: tuple[float, ...], percent: float, word: str
) -> None:
    planes = [np.full((12, 12), round(v), np.uint8) for v in chroma_of(*ground)]
    for plane, here in zip(planes, chroma_of(*pixel), strict=True):
        plane[6, 6] = round(here)
    grey = np.full((24, 24), 100, np.uint8)
    shown = Picture(
        index=0,
        pts=0,
        duration=1,
        y=grey,
        cb=planes[0],
        cr=planes[1],
        signal=VIDEO_8,
    )
    cb, cr = colour_of(shown, np.array([12 * 24 + 12]))
    assert colour_word(percent, float(cb[0]), float(cr[0])) == word
