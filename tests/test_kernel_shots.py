"""Looks from afar: both ways to the last bit, and against OpenCV and numpy."""

from __future__ import annotations

import math
from typing import Any

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from qc.kernels.shots import Look, look_of, near_scores, normalised
from tests.test_kernel_passes import both_ways_of
from tests.test_kernels import DEPTHS, NUMBERS, needs_compiled, plane_of

LOOK: dict[str, Any] = {
    "factor": 0.4,
    "shape": (12, 20),
    "margins": (2, 3),
    "flat": 0.5,
}


def same(fast: Look | None, slow: Look | None) -> bool:
    if fast is None or slow is None:
        return fast is slow
    return all(
        a is b if a is None or b is None else np.array_equal(a, b)
        for a, b in zip(fast, slow, strict=True)
    )


@settings(deadline=None, max_examples=80)
@given(
    st.integers(12, 70),
    st.integers(20, 90),
    DEPTHS,
    NUMBERS,
    st.sampled_from(["noise", "extremes", "few", "upside down"]),
)
def test_a_look_is_opencvs_area_mean_without_mean_and_length(
    height: int, width: int, bits: int, number: int, how: str
) -> None:
    codes = plane_of(height, width, bits, number, how)
    fast, slow = both_ways_of(lambda: look_of(codes, **LOOK))
    assert same(fast, slow)
    if fast is None:
        return
    small = cv2.resize(codes.astype(np.float32), (20, 12), interpolation=cv2.INTER_AREA)
    for found, area in (
        (fast.fine, small),
        (fast.coarse, cv2.resize(small, (10, 6), interpolation=cv2.INTER_AREA)),
        (fast.middle, fast.fine[2:-2, 3:-3]),
    ):
        assert found is not None
        expected = area - area.mean(dtype=float)
        expected = expected / np.linalg.norm(expected)
        assert found.ravel() == pytest.approx(expected.ravel(), abs=2e-5)


@pytest.mark.parametrize("amount", [0, 1, 2])
def test_a_picture_under_the_least_contrast_has_no_look(amount: int) -> None:
    # Halves of the picture that differ: a standard deviation of 0.4 x amount / 2.
    codes = np.full((48, 80), 100, np.uint8)
    codes[:, 40:] += np.uint8(amount)
    for look in both_ways_of(lambda: look_of(codes, **LOOK | {"flat": 0.3})):
        assert (look is None) == (0.2 * amount <= 0.3)


def test_a_flat_middle_is_none() -> None:
    codes = np.full((48, 80), 100, np.uint8)
    codes[:4] = 0
    for look in both_ways_of(lambda: look_of(codes, **LOOK)):
        assert look is not None
        assert look.middle is None


@settings(deadline=None, max_examples=60)
@given(st.integers(7, 30), st.integers(9, 40), NUMBERS, st.booleans())
def test_scores_are_opencvs_normalised_correlation(
    height: int, width: int, number: int, wide: bool
) -> None:
    random = np.random.default_rng(number)
    margins = (2, 3) if wide else (1, 1)
    my, mx = margins
    before, after = random.normal(0.0, 1.0, (2, height, width)).astype(np.float32)
    after = (before + 0.3 * after).astype(np.float32)
    inner = after[my : height - my, mx : width - mx]
    middle = normalised(inner, 1e-3)
    assert middle is not None
    fast, slow = both_ways_of(lambda: near_scores(before, middle.ravel(), margins))
    assert fast == slow
    around = before[my - 1 : height - my + 1, mx - 1 : width - mx + 1]
    expected = cv2.matchTemplate(
        np.ascontiguousarray(around),
        np.ascontiguousarray(inner),
        cv2.TM_CCOEFF_NORMED,
    )
    assert fast == pytest.approx(expected.ravel().tolist(), abs=1e-4)


def test_where_a_place_is_flat_there_are_no_scores() -> None:
    before = np.zeros((8, 9), np.float32)
    middle = np.full(6 * 7, 1.0 / math.sqrt(42), np.float32)
    assert both_ways_of(lambda: near_scores(before, middle, (1, 1))) == (None, None)


@needs_compiled
def test_looks_refuse_what_they_would_misread() -> None:
    from qc.kernels import _planes

    codes = np.zeros((24, 40), np.uint8)

    def floats(n: int) -> Any:
        return np.zeros(n, np.float32)

    good = (codes, (12, 20), (2, 3), 1.0, 0.5, 1e-3, floats(240), floats(60))
    for at, wrong, message in (
        (1, (11, 20), "smaller than its picture"),
        (1, (26, 20), "smaller than its picture"),
        (2, (6, 3), "smaller than its picture"),
        (2, (-1, 3), "smaller than its picture"),
        (6, floats(239), "another type or size"),
        (7, np.zeros(60), "another type or size"),
    ):
        bad: list[Any] = [*good]
        bad[at] = wrong
        with pytest.raises(ValueError, match=message):
            _planes.shot_look(*bad, floats(8 * 14))
    before, middle, out = floats(72), floats(42), np.zeros(9)
    for given_, message in (
        ((before, middle, (8, 9), (0, 1), out), "inside its picture"),
        ((before, middle, (8, 9), (4, 1), out), "inside its picture"),
        ((before, middle, (8, 300), (1, 1), out), "inside its picture"),
        ((before, middle[:9], (8, 9), (1, 1), out), "another type or size"),
        ((before, middle, (8, 9), (1, 1), out[:8]), "float64 that fit"),
    ):
        with pytest.raises(ValueError, match=message):
            _planes.shot_near(*given_)
