"""Filters along readings give what `scipy.ndimage` gives."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import ndimage

from qc.measures.parts.running import (
    running_max,
    running_mean,
    running_median,
    running_min,
    running_opening,
    running_percentile,
    running_range,
    smoothed_by_gauss,
)

RANDOM_STATE = 11
MODES = {"nearest": "nearest", "mirrored": "reflect"}

lengths = st.integers(1, 70)
sizes = st.integers(1, 90)
columns = st.sampled_from([None, 1, 2, 3])
beyonds: Any = st.sampled_from(list(MODES))


def drawn(length: int, width: int | None) -> NDArray[np.float64]:
    random = np.random.default_rng(RANDOM_STATE + length)
    return random.normal(0, 3, (length,) if width is None else (length, width))


@given(lengths, columns, sizes, st.booleans(), beyonds)
def test_highest_and_lowest_are_scipys(
    length: int, width: int | None, size: int, ahead: bool, beyond: Any
) -> None:
    values = drawn(length, width)
    how: Any = {
        "axis": 0,
        "mode": MODES[beyond],
        "origin": -(size // 2) if ahead else 0,
    }
    high = running_max(values, size, ahead=ahead, beyond=beyond)
    low = running_min(values, size, ahead=ahead, beyond=beyond)
    np.testing.assert_array_equal(high, ndimage.maximum_filter1d(values, size, **how))
    np.testing.assert_array_equal(low, ndimage.minimum_filter1d(values, size, **how))
    if beyond == "mirrored":
        spread = running_range(values, size, ahead=ahead)
        np.testing.assert_array_equal(spread, high - low)


@given(lengths, columns, sizes, beyonds, st.floats(0, 99.9))
def test_ranks_are_scipys(
    length: int, width: int | None, size: int, beyond: Any, percent: float
) -> None:
    values = drawn(length, width)
    # With a window longer than the values scipy's reads what it never wrote (1.17).
    size = min(size, length)
    window = size if width is None else (size, 1)
    mode = MODES[beyond]
    np.testing.assert_array_equal(
        running_median(values, size, beyond=beyond),
        ndimage.median_filter(values, size=window, mode=mode),
    )
    np.testing.assert_array_equal(
        running_percentile(values, percent, size, beyond=beyond),
        ndimage.percentile_filter(values, percent, size=window, mode=mode),
    )


def test_ranks_of_more_than_is_laid_out_at_once_are_scipys(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("qc.measures.parts.running._AT_ONCE", 100)
    values = drawn(500, 2)
    np.testing.assert_array_equal(
        running_median(values, 31),
        ndimage.median_filter(values, (31, 1), mode="nearest"),
    )


@given(lengths, sizes)
def test_openings_are_scipys(length: int, size: int) -> None:
    values = drawn(length, None)
    np.testing.assert_array_equal(
        running_opening(values, size),
        ndimage.grey_opening(values, size=(size,), mode="nearest"),
    )


@pytest.mark.parametrize("kind", [np.float64, np.complex128])
@given(lengths, sizes)
def test_means_are_scipys(kind: Any, length: int, size: int) -> None:
    values = drawn(length, 2)
    given_ = values[:, 0] + 1j * values[:, 1] if kind is np.complex128 else values[:, 0]
    # Both keep a running sum: its rounding differs.
    np.testing.assert_allclose(
        running_mean(given_, size),
        ndimage.uniform_filter1d(given_, size, mode="nearest"),
        rtol=0,
        atol=1e-12,
    )


@given(lengths, columns, st.floats(0.3, 40))
def test_smoothing_is_scipys(length: int, width: int | None, sigma: float) -> None:
    values = drawn(length, width)
    np.testing.assert_allclose(
        smoothed_by_gauss(values, sigma),
        ndimage.gaussian_filter1d(values, sigma, axis=0, mode="nearest"),
        rtol=0,
        atol=1e-12,
    )


@pytest.mark.parametrize("size", [1, 4, 7, 50])
def test_of_values_fewer_than_a_window_the_padded_ones_are_ranked(size: int) -> None:
    values = drawn(3, None)
    before, behind = size // 2, size - 1 - size // 2
    longer = np.pad(values, (before, behind), "symmetric")
    expected = [sorted(longer[i : i + size])[size // 2] for i in range(3)]
    assert running_median(values, size, beyond="mirrored").tolist() == expected


def test_nothing_gives_nothing() -> None:
    assert running_max(np.empty((0, 2)), 5).shape == (0, 2)
