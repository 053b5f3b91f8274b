"""A part of the picture that gets soft while the rest stays sharp.

What was put in is known by construction: a Gaussian blur of one part from one frame to
another. What a lens leaves of fine detail is worked out from the same pictures with
scipy's Laplacian, not with ours.
"""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import laplace

from qc.measures import focus
from qc.measures.base import Measured
from qc.measures.parts.focus.partfalls import falls_of
from qc.measures.parts.focus.partlens import left_by_lens
from qc.measures.parts.focus.partshow import sharp_row
from qc.measures.parts.focus.partspan import moments_of, stretch_of
from qc.measures.parts.focus.partwords import part_of
from qc.records import Grade, Readings
from qc.store import ColumnStore
from tests.measures.test_focus_hiding import derived, soft
from tests.pictures import picture, reader_of, scene, setup_of

RANDOM_STATE = 83
HIGH, WIDE, FRAMES = 270, 480, 100
SIGMA = 2.0
CHANGE = "stillness.difference_percent"
FLASH = "flash.rise_percent", "flash.fall_percent"
Image = NDArray[np.floating[Any]]

CRISP = scene(HIGH, WIDE, np.random.default_rng(RANDOM_STATE))
Y, X = np.mgrid[:HIGH, :WIDE]
LEFT = np.asarray(X < WIDE // 2, np.float64)
MIDDLE = np.asarray(
    (abs(X - WIDE / 2) < 0.3 * WIDE) & (abs(Y - HIGH / 2) < 0.3 * HIGH), np.float64
)


def blurred(sigma: float) -> Image:
    if sigma <= 0.1:
        return CRISP
    return np.asarray(cv2.GaussianBlur(CRISP, (0, 0), sigma), np.float64)


def partly(part: Image, other: Image) -> Image:
    return np.asarray(CRISP * (1.0 - part) + other * part)


def taken(
    shown: Callable[[int], Image],
    noise: float = 0.7,
    darker_at: int | None = None,
    changes: Callable[[int], float] = lambda _: 0.3,
) -> Measured:
    """Read pictures with noise as one shot.

    Parameters
    ----------
    darker_at : int or None
        Frame at which another measure saw a jump of light.
    changes : callable
        By how many percent another measure saw a frame differ from that before it.
    """
    number = np.random.default_rng(RANDOM_STATE + 1)
    setup = setup_of(width=WIDE, height=HIGH)
    names = {f"focus.{c.name}": c.width * (c.width > 1) for c in focus.MEASURE.columns}
    others = "framing.shot", "framing.motion_percent", *FLASH, CHANGE
    store = ColumnStore(names | dict.fromkeys(others, 0))
    reader = reader_of(focus.MEASURE, setup)
    for i in range(FRAMES):
        noisy = shown(i) + number.normal(0.0, noise, CRISP.shape)
        read = reader.read(picture(np.clip(noisy, 16, 235), index=i))
        values = {f"focus.{name}": v for name, v in read.items()}
        values |= dict.fromkeys(others, 0.0)
        seen = {FLASH[1]: 100.0 * (i == darker_at), CHANGE: changes(i)}
        store.append(values | seen)
    return derived(setup, store, FRAMES)


def left_of_detail(part: Image, sigma: float) -> float:
    """Return the percentage of fine detail that a blur leaves, median over tiles."""
    shares = []
    for rows in np.array_split(np.arange(HIGH), 6):
        for columns in np.array_split(np.arange(WIDE), 8):
            tile = np.ix_(rows, columns)
            if part[tile].all():
                was, now = (
                    laplace(image)[tile].std() for image in (CRISP, blurred(sigma))
                )
                shares.append(now / was)
    return 100.0 * float(np.median(shares))


@pytest.mark.parametrize(
    ("part", "words"), [(LEFT, "the left half"), (MIDDLE, "the middle")]
)
def test_a_part_that_loses_focus_at_once_is_told_where_and_when(
    part: Image, words: str
) -> None:
    lost = partly(part, blurred(SIGMA))
    (found,) = soft(taken(lambda i: lost if 40 <= i < 75 else CRISP))
    assert found.grade is Grade.REVIEW
    assert abs(found.start_frame - 40) <= 1
    assert abs(found.end_frame - 75) <= 1
    assert words in found.message
    assert found.worst is not None
    # What is taken off for noise takes some of what little is left.
    assert 0.0 <= found.worst <= left_of_detail(part, SIGMA) + 8.0 < 25.0


def test_a_part_that_loses_focus_soon_after_a_jump_of_light_is_told() -> None:
    lost = partly(LEFT, blurred(SIGMA))

    def shown(i: int) -> Image:
        sharp_or_not = lost if 40 <= i < 75 else CRISP
        return 16.0 + (0.6 if i >= 25 else 1.0) * (sharp_or_not - 16.0)

    (found,) = soft(taken(shown, darker_at=25))
    assert abs(found.start_frame - 40) <= 1
    assert abs(found.end_frame - 75) <= 1


def test_the_box_is_around_what_is_soft() -> None:
    lost = partly(LEFT, blurred(SIGMA))
    (found,) = soft(taken(lambda i: lost if 40 <= i < 75 else CRISP))
    # Tiles of 60 x 45 pixels: the left half is four of them wide.
    assert found.where == (0, 0, WIDE // 2, HIGH)


def test_a_slow_loss_to_the_end_of_the_take_is_told() -> None:
    way = np.interp(np.arange(FRAMES), [30, 65], [0.0, SIGMA]).round(2)
    shown = {sigma: partly(LEFT, blurred(sigma)) for sigma in np.unique(way)}
    (found,) = soft(taken(lambda i: shown[way[i]]))
    assert 30 <= found.start_frame <= 65
    assert found.end_frame == FRAMES
    assert "It came within" in found.message


def test_a_loss_of_nearly_all_is_told_once() -> None:
    part = np.asarray(X >= 0.2 * WIDE, np.float64)
    lost = partly(part, blurred(SIGMA))
    (found,) = soft(taken(lambda i: lost if 40 <= i < 75 else CRISP))
    assert found.grade in (Grade.REVIEW, Grade.REJECT)
    assert abs(found.start_frame - 40) <= 1
    assert abs(found.end_frame - 75) <= 1


# ----------------------------------------------------------------- what is no such loss


@pytest.mark.parametrize(("before", "behind"), [(0.1, 1.5), (0.9, 0.2)])
def test_a_part_that_begins_or_ends_to_move_is_no_loss(
    before: float, behind: float
) -> None:
    lost = partly(LEFT, blurred(SIGMA))
    measured = taken(
        lambda i: lost if 40 <= i < 75 else CRISP,
        changes=lambda i: behind if 40 <= i < 75 else before,
    )
    assert soft(measured) == []


def test_a_part_that_is_never_sharp_is_no_loss() -> None:
    shown = partly(LEFT, blurred(SIGMA))
    assert soft(taken(lambda _: shown)) == []


def test_a_smooth_thing_in_front_of_a_part_is_no_loss() -> None:
    # A hand as light as the middle of what it covers, with soft shades of its own.
    shade = float(CRISP.mean()) + 12.0 * np.cos(X / 50.0) + 9.0 * np.sin(Y / 35.0)

    def shown(i: int) -> Image:
        reach = WIDE / 2 * np.interp(i, [38, 42, 75, 79], [0.0, 1.0, 1.0, 0.0])
        return np.where(reach > X, shade, CRISP)

    assert soft(taken(shown)) == []


def test_a_part_in_half_the_light_is_no_loss() -> None:
    dark = partly(LEFT, 16.0 + 0.45 * (CRISP - 16.0))
    assert soft(taken(lambda i: dark if 40 <= i < 75 else CRISP)) == []


def test_smoke_over_a_part_is_no_loss() -> None:
    veil = partly(LEFT, 0.45 * CRISP + 0.55 * 190.0)
    assert soft(taken(lambda i: veil if 40 <= i < 75 else CRISP)) == []


def test_noise_in_a_part_that_ends_is_no_loss() -> None:
    number = np.random.default_rng(RANDOM_STATE)
    grain = number.normal(0.0, 12.0, (8, *CRISP.shape))
    assert not [
        found
        for found in soft(
            taken(lambda i: CRISP + LEFT * grain[i % 8] if i < 50 else CRISP)
        )
        if found.where is not None
    ]


def test_glints_on_a_part_that_go_are_no_loss() -> None:
    number = np.random.default_rng(RANDOM_STATE)
    points = (number.random(CRISP.shape) > 0.997).astype(np.float64)
    below = blurred(1.0)
    with_glints = below + 760.0 * LEFT * cv2.GaussianBlur(points, (0, 0), 0.7)
    readings = taken(lambda i: with_glints if i < 50 else below).picture
    assert readings is not None
    falls = list(falls_of(readings, 0, FRAMES))
    assert falls
    for fall in falls:
        stretch = stretch_of(readings, fall, FRAMES)
        assert stretch is not None
        assert left_by_lens(readings, fall, stretch, (0, FRAMES)) is None


def test_a_focus_that_goes_from_one_half_to_the_other_is_a_note_at_most() -> None:
    halves = partly(LEFT, blurred(SIGMA)), partly(1.0 - LEFT, blurred(SIGMA))
    found = soft(taken(lambda i: halves[i >= 50]))
    assert {one.grade for one in found} <= {Grade.NOTE}


# ------------------------------------------------------------------------- the pieces


def readings_of(
    detail: NDArray[np.floating[Any]], contrast: float | None = None
) -> Readings:
    names = {"tile_detail": 48, "tile_slow": 48, "tile_slow_kind": 0, "noise_codes": 0}
    store = ColumnStore({f"focus.{name}": width for name, width in names.items()})
    slow = {}
    if contrast is not None:
        # The first kind of what is read now and then, in the row itself.
        slow = {
            "focus.tile_slow": np.full(48, contrast),
            "focus.tile_slow_kind": 0.0,
        }
    for row in detail:
        store.append({"focus.tile_detail": row, "focus.noise_codes": 0.0} | slow)
    return Readings("picture", Fraction(1, 25), np.arange(len(detail) + 1), store)


def test_a_fall_is_found_with_its_tiles_its_depth_and_its_length() -> None:
    number = np.random.default_rng(RANDOM_STATE)
    part = np.zeros((6, 8), np.bool_)
    part[1:4, 2:6] = True
    detail = np.ones((9000, 48)) + number.normal(0.0, 0.02, (9000, 48))
    detail[200:8700, part.ravel()] *= 0.4
    readings = readings_of(detail)
    found = list(falls_of(readings, 0, 9000))
    assert found
    for fall in found:
        assert fall.tiles.reshape(6, 8).tolist() == part.tolist()
        assert fall.left[fall.tiles] == pytest.approx(0.4, abs=0.03)
        stretch = stretch_of(readings, fall, 9000)
        assert stretch is not None
        assert (stretch.first, stretch.last) == (200, 8700)
        assert set(moments_of(readings, fall, stretch).tolist()) == {200}


@pytest.mark.parametrize(
    ("codes", "step", "told"), [(1.2, 1.0, 0), (1.4, 1.0, 1), (1.2, 0.25, 1)]
)
def test_what_rounding_makes_by_itself_is_no_detail(
    codes: float, step: float, told: int
) -> None:
    # Rounding is uniform over a step: sd 1/sqrt(12); the squares of a Laplacian's five
    # weights sum up to 20: 1.29 of a code. Exact.
    contrast = 4.6
    detail = np.full((200, 48), 8.0 / contrast)
    detail[:, :12] = codes / contrast
    detail[100:, :12] *= 0.45
    found = list(falls_of(readings_of(detail, contrast), 0, 200, step=step))
    assert len(found) == told


@pytest.mark.parametrize("fell", [4, 48])
def test_too_few_tiles_or_all_of_them_are_no_part(fell: int) -> None:
    detail = np.ones((200, 48))
    detail[100:, :fell] = 0.3
    assert list(falls_of(readings_of(detail), 0, 200)) == []


def test_the_companion_is_the_nearest_frame_with_that_part_in_focus() -> None:
    detail = np.ones((200, 48))
    detail[100:190, :24] = 0.3  # three rows of tiles
    readings = readings_of(detail)
    box = (0, 0, WIDE, HIGH // 2)
    assert sharp_row(readings, box, (WIDE, HIGH), 110, (0, 200)) == 99
    assert sharp_row(readings, box, (WIDE, HIGH), 180, (0, 200)) == 190
    # Not beyond the shot.
    assert sharp_row(readings, box, (WIDE, HIGH), 180, (0, 185)) == 99


@pytest.mark.parametrize(
    ("rows", "columns", "words"),
    [
        ((0, 6), (4, 8), "the right half"),
        ((3, 6), (0, 8), "the lower half"),
        ((2, 4), (3, 5), "the middle"),
        ((4, 6), (6, 8), "the lower right"),
        ((0, 6), (2, 8), "all but the left side"),
    ],
)
def test_parts_have_names(
    rows: tuple[int, int], columns: tuple[int, int], words: str
) -> None:
    part = np.zeros((6, 8), np.bool_)
    part[slice(*rows), slice(*columns)] = True
    assert part_of(part.ravel(), ~part.ravel(), 0) == words
