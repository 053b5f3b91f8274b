"""Steps of light: both ways to the last bit, and against OpenCV."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from qc.kernels.steps import half_light, light_step, round_part, sudden_places
from tests.test_kernel_passes import alike, both_ways_of
from tests.test_kernels import NUMBERS

BELL = cv2.getGaussianKernel(3, 0.6).ravel()
SMOOTH = float(BELL[1]), float(BELL[0])


def light_of(height: int, width: int, number: int) -> np.ndarray:
    random = np.random.default_rng(number)
    return random.normal(3.0, 1.0, (height, width)).astype(np.float32)


@settings(deadline=None, max_examples=60)
@given(st.integers(2, 50), st.integers(2, 70), NUMBERS)
def test_half_a_picture_is_opencvs_area_mean(
    height: int, width: int, number: int
) -> None:
    picture = 20.0 * light_of(height, width, number) - 40.0
    fast, slow = both_ways_of(lambda: half_light(picture, 5.0))
    assert alike(fast, slow)
    rows, columns = height // 2, width // 2
    even = picture[: 2 * rows, : 2 * columns]
    small = cv2.resize(even, (columns, rows), interpolation=cv2.INTER_AREA)
    assert fast == pytest.approx(np.maximum(small.reshape(rows, columns), 0) + 5, 1e-5)


def test_a_line_has_no_half() -> None:
    with pytest.raises(ValueError, match="two pixels each way"):
        half_light(np.zeros((1, 8), np.float32), 5.0)


@settings(deadline=None, max_examples=60)
@given(st.integers(2, 50), st.integers(2, 70), st.integers(1, 5), NUMBERS)
def test_a_step_is_what_opencv_makes_of_the_difference(
    height: int, width: int, every: int, number: int
) -> None:
    before, after = (light_of(height, width, number + k) for k in (0, 1))
    after += np.float32(0.5)

    def held() -> tuple[object, ...]:
        return light_step(before, after, every=every, smooth=SMOOTH, wanted=True)

    fast, slow = both_ways_of(held)
    assert alike(fast, slow)
    step, move, changed, tops = fast
    change = before - after
    few = np.sort(change[::every, ::every], axis=None)
    assert step == few[few.size // 2]
    change -= np.float32(step)
    assert move == pytest.approx(np.abs(change, dtype=float).sum(), rel=1e-6)
    assert changed is not None
    expected = np.abs(cv2.GaussianBlur(change, (3, 3), 0.6))
    assert changed == pytest.approx(expected, rel=1e-5, abs=1e-5)
    assert tops == pytest.approx(cv2.blur(changed, (3, 3)), rel=1e-5, abs=1e-5)
    only = light_step(before, after, every=every, smooth=SMOOTH, wanted=False)
    assert only == (step, move, None, None)


@settings(deadline=None, max_examples=60)
@given(st.integers(1, 30), st.integers(1, 40), st.integers(0, 6), NUMBERS)
def test_sudden_places_are_counted_with_and_without_the_border(
    height: int, width: int, rim: int, number: int
) -> None:
    now, before, after = (light_of(height, width, number + k) for k in range(3))
    fast, slow = both_ways_of(
        lambda: sudden_places(now, before, after, own=3.5, times=1.25, rim=rim)
    )
    assert fast == slow
    places = [
        (y, x)
        for y in range(height)
        for x in range(width)
        if now[y, x] > 3.5 and now[y, x] > 1.25 * max(before[y, x], after[y, x])
    ]
    inside = [
        (y, x) for y, x in places if rim <= y < height - rim and rim <= x < width - rim
    ]
    assert fast == (len(places), len(inside))


@settings(deadline=None, max_examples=120)
@given(st.integers(1, 34), st.integers(1, 34), st.floats(0.2, 0.9), NUMBERS)
def test_a_round_part_is_what_is_left_of_a_place_closed_and_opened(
    height: int, width: int, share: float, number: int
) -> None:
    random = np.random.default_rng(number)
    rough = ndimage.gaussian_filter(random.normal(0, 1, (height, width)), 1.0)
    seen = rough <= np.quantile(rough, share)
    place = int(random.integers(height)), int(random.integers(width))
    fast, slow = both_ways_of(lambda: round_part(seen, place))
    assert (fast is None) == (slow is None)
    # scipy's way: what lies outside stops neither growing nor shrinking.
    square, cross = np.ones((3, 3)), ndimage.generate_binary_structure(2, 1)
    few = ndimage.binary_dilation(seen, square)
    few = ndimage.binary_erosion(few, square, border_value=1)
    few = ndimage.binary_erosion(few, cross, border_value=1)
    few = ndimage.binary_dilation(few, cross)
    labels, _ = ndimage.label(few, cross)
    if fast is None or slow is None:
        assert not few[place]
        return
    whole = labels == labels[place]
    for mask, count, (top, left) in (fast, slow):
        assert count == np.count_nonzero(whole)
        found = np.zeros_like(whole)
        found[top : top + mask.shape[0], left : left + mask.shape[1]] = mask
        assert np.array_equal(found, whole)
        assert mask.any(axis=0).all()
        assert mask.any(axis=1).all()


def test_surroundings_of_a_part_are_few() -> None:
    with pytest.raises(ValueError, match="no surroundings"):
        round_part(np.zeros((65, 3), np.bool_), (0, 0))
