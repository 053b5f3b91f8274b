"""Stretches: where a column is past a limit, joined, and what is left between."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from qc.spans import bridged, complement, past_limit, runs, union

masks = st.lists(st.booleans(), max_size=60).map(lambda v: np.array(v, bool))
span_lists = st.lists(
    st.tuples(st.integers(0, 50), st.integers(0, 12)).map(
        lambda t: (t[0], t[0] + t[1])
    ),
    max_size=12,
)


@given(masks)
def test_runs_cover_exactly_what_is_true(mask: np.ndarray) -> None:
    again = np.zeros_like(mask)
    for first, last in runs(mask):
        assert first < last
        assert mask[first:last].all()
        again[first:last] = True
    assert (again == mask).all()


def test_runs_refuses_two_dimensions() -> None:
    with pytest.raises(ValueError, match="one dimension"):
        runs(np.zeros((2, 2), bool))


def test_release_level_holds_a_stretch_open() -> None:
    values = np.array([0.0, 5.0, 3.0, 5.0, 1.0])
    assert past_limit(values, limit=4, release=2) == [(1, 4)]
    assert past_limit(values, limit=4, release=4) == [(1, 2), (3, 4)]


def test_too_little_is_past_a_lower_limit() -> None:
    values = np.array([9.0, 3.0, 6.0, 9.0])
    assert past_limit(values, limit=5, release=7, above=False) == [(1, 3)]


def test_unknown_neither_opens_nor_holds() -> None:
    values = np.array([np.nan, 5.0, np.nan, 5.0])
    assert past_limit(values, limit=4, release=2) == [(1, 2), (3, 4)]


@given(
    st.lists(st.floats(0, 10), max_size=60).map(np.array),
    st.floats(2, 8),
    st.floats(0, 2),
)
def test_every_value_past_the_limit_is_inside(
    values: np.ndarray, limit: float, under: float
) -> None:
    spans = past_limit(values, limit=limit, release=limit - under)
    inside = np.zeros(len(values), bool)
    for first, last in spans:
        inside[first:last] = True
        assert (values[first:last] > limit - under).all()
        assert (values[first:last] > limit).any()
    assert inside[values > limit].all()


def test_gaps_shorter_than_asked_are_bridged() -> None:
    times = np.arange(11) / 10.0
    assert bridged([(0, 2), (3, 4), (7, 9)], times=times, gap=0.2) == [(0, 4), (7, 9)]
    assert bridged([(0, 2), (4, 5)], times=times, gap=0.2) == [(0, 2), (4, 5)]


@given(span_lists)
def test_union_and_complement_tile_the_whole(spans: list[tuple[int, int]]) -> None:
    covered = {i for a, b in spans for i in range(a, b)}
    joined = union(spans)
    assert {i for a, b in joined for i in range(a, b)} == covered
    assert all(a[1] < b[0] for a, b in pairwise(joined))
    free = complement(spans, first=0, last=40)
    assert {i for a, b in free for i in range(a, b)} == set(range(40)) - covered
