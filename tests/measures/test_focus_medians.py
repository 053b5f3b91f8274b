"""Medians of known values, against numpy's own."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from qc.measures.parts.focus.medians import known_median


@given(
    arrays.arrays(
        st.sampled_from([np.float32, np.float64]),
        arrays.array_shapes(min_dims=2, max_dims=3, max_side=7),
        elements=st.one_of(st.just(np.nan), st.floats(-1e6, 1e6, width=32)),
    )
)
def test_is_what_numpy_gives(values: np.ndarray) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        truth = np.nanmedian(values, axis=0)
    found = known_median(values)
    assert found.dtype == values.dtype
    assert found == pytest.approx(truth, rel=1e-6, nan_ok=True)


def test_no_rows_tell_nothing() -> None:
    assert np.isnan(known_median(np.empty((0, 3)))).all()
