"""Maps of what burns: both ways to the last bit, and OpenCV's own filters."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from qc.kernels.bright import (
    MAPS,
    OWN,
    TABLE_STEPS,
    BrightLevels,
    block_counts,
    draw_maps,
    group_ratios,
    square_ratios,
)
from tests.test_kernel_light import same
from tests.test_kernel_passes import KINDS, both_ways_of
from tests.test_kernels import DEPTHS, NUMBERS, plane_of

HALVES = st.integers(1, 24)
LEVELS = BrightLevels(
    end=1.04, told_under=1.028, ended_from=1.01, rim_from=0.62, most_stops=1.2,
    warm_luma=0.2, warm_from=0.3, warm_red=0.05, pale_luma=0.35, pale_red=0.12,
    pale_blue=0.15, blood_luma=0.08, blood_from=2.0, still_warm=0.12, white_red=0.1,
    table_from=0.25, table_scale=(TABLE_STEPS - 1) / 0.79,
)  # fmt: skip


def scene_of(height: int, width: int, number: int) -> tuple[Any, ...]:
    """Make a small picture with patches that burn; the arguments of `draw_maps`."""
    random = np.random.default_rng(number)

    def smooth(count: int) -> NDArray[np.float32]:
        coarse = random.uniform(0.0, 1.3, (count, height // 4 + 2, width // 4 + 2))
        large = [cv2.resize(c, (width, height)) for c in coarse]
        return np.array(large, np.float32)

    rgb, (luma, burnt) = smooth(3), smooth(2)
    burnt = np.clip(2.0 * burnt - 1.0, 0.0, 1.0).astype(np.float32)
    colour = random.normal(0.0, 1.0, (2, height, width)).astype(np.float32)
    tables = random.normal(0.0, 0.5, (4, TABLE_STEPS)).astype(np.float32)
    return rgb, luma, burnt, colour, tables


def maps_of(height: int, width: int, number: int) -> Any:
    """Draw maps of a made-up picture of twice this size."""
    return draw_maps(*scene_of(2 * height, 2 * width, number), LEVELS).maps


@settings(deadline=None, max_examples=100)
@given(HALVES, HALVES, NUMBERS)
def test_maps_are_drawn_alike(rows: int, columns: int, number: int) -> None:
    scene = scene_of(2 * rows, 2 * columns, number)
    fast, slow = both_ways_of(lambda: draw_maps(*scene, LEVELS))
    for one, other in zip(fast, slow, strict=True):
        assert same(one, other)


def test_slopes_grain_and_neighbours_are_opencvs() -> None:
    rgb, luma, burnt, colour, tables = scene_of(40, 60, 5)
    found = draw_maps(rgb, luma, burnt, colour, tables, LEVELS)
    mask = (burnt > 0.5).astype(np.uint8)
    assert 0.05 < mask.mean() < 0.95, "nothing to draw"
    grain = np.abs(cv2.Laplacian(luma, cv2.CV_32F))
    steep = cv2.magnitude(
        cv2.Sobel(luma, cv2.CV_32F, 1, 0, scale=0.25),
        cv2.Sobel(luma, cv2.CV_32F, 0, 1, scale=0.25),
    )
    square = np.ones((3, 3), np.uint8)
    edge = cv2.dilate(mask, square) - cv2.erode(mask, square)
    around = cv2.dilate(mask, np.ones((9, 9), np.uint8))
    rim = (around > 0) & (mask == 0) & (luma > LEVELS.rim_from)
    lines = cv2.morphologyEx(
        rgb.min(axis=0), cv2.MORPH_BLACKHAT, np.ones((5, 5), np.uint8)
    )
    expected = {
        "burnt": mask, "rim": rim, "rim grain": rim * grain, "edge": edge,
        "edge steep": edge * steep, "grain": mask * grain,
        "line": mask * lines,
    }  # fmt: skip
    for name, plane in expected.items():
        half = cv2.resize(
            np.asarray(plane, np.float32), (30, 20), interpolation=cv2.INTER_AREA
        )
        assert np.allclose(found.maps[MAPS.index(name)], half, atol=1e-5), name
    assert np.array_equal(found.dips, lines)
    for name, plane in (("luma", luma), ("burnt", burnt), ("seen blue", colour[1])):
        half = cv2.resize(plane, (30, 20), interpolation=cv2.INTER_AREA)
        assert np.allclose(found.own[OWN.index(name)], half, atol=1e-6), name


@settings(deadline=None, max_examples=60)
@given(HALVES, HALVES, st.lists(st.sampled_from([1, 3, 9, 41]), min_size=1), NUMBERS)
def test_squares_are_read_alike_and_as_opencv_blurs(
    rows: int, columns: int, sides: list[int], number: int
) -> None:
    maps = maps_of(rows, columns, number)
    at = np.flatnonzero(np.random.default_rng(number).random(rows * columns) < 0.5)
    fast, slow = both_ways_of(lambda: square_ratios(maps, at, sides, 0.95))
    assert same(fast, slow)
    # The first map is not held against another one.
    for ratios, side in zip(fast, sides, strict=True):
        mean = cv2.blur(maps[0], (side, side), borderType=cv2.BORDER_REPLICATE)
        assert np.allclose(ratios[0], mean.ravel()[at], atol=1e-6)
        told = cv2.blur(maps[1], (side, side), borderType=cv2.BORDER_REPLICATE)
        assert np.allclose(ratios[1], (told / (mean + 0.004)).ravel()[at], atol=1e-5)


@settings(deadline=None, max_examples=60)
@given(HALVES, HALVES, st.integers(1, 9), NUMBERS)
def test_groups_are_read_alike(
    rows: int, columns: int, number_of: int, number: int
) -> None:
    maps = maps_of(rows, columns, number)
    random = np.random.default_rng(number)
    groups = random.integers(0, number_of, rows * columns).astype(np.int32)
    at = np.flatnonzero(random.random(rows * columns) < 0.5)
    fast, slow = both_ways_of(lambda: group_ratios(maps, groups, number_of, at, 0.95))
    assert same(fast, slow)
    for i, place in enumerate(at):
        own = groups == groups[place]
        # Of none, nothing is known.
        mean = maps[0].ravel()[own].sum() / (own.sum() + 1e-3) * (groups[place] > 0)
        assert np.isclose(fast[0, i], mean, atol=1e-5)


@settings(deadline=None, max_examples=100)
@given(st.integers(1, 70), st.integers(1, 70), st.floats(0, 1), DEPTHS, NUMBERS, KINDS)
def test_blocks_are_counted_alike(
    height: int, width: int, level: float, bits: int, number: int, how: str
) -> None:
    plane = plane_of(height, width, bits, number, how)
    code = round(level * 2**bits)  # up to one that no pixel has
    fast, slow = both_ways_of(lambda: block_counts(plane, code))
    assert same(fast, slow)
    assert fast.sum(dtype=int) == np.count_nonzero(plane >= code)
    y, x = number % height, number // 7 % width
    block = plane[y - y % 4 : y - y % 4 + 4, x - x % 4 : x - x % 4 + 4]
    assert fast[y // 4, x // 4] == np.count_nonzero(block >= code)
