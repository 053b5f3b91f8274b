"""The column store keeps every number, in memory or spilled, in bounded memory."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from qc.store import ColumnStore


def _filled(rows: int, *, in_memory_bytes: int = 1 << 30) -> ColumnStore:
    store = ColumnStore({"a": 0, "v": 3}, in_memory_bytes=in_memory_bytes)
    for i in range(rows):
        row: dict[str, float | np.ndarray] = {"v": np.array([i, i + 0.25, -i])}
        if i % 3:
            row["a"] = i / 2
        store.append(row)
    return store


@pytest.mark.parametrize("rows", [0, 1, 4095, 4096, 4097, 20_000])
@pytest.mark.parametrize("in_memory_bytes", [1, 1 << 30])
def test_what_goes_in_comes_out(rows: int, in_memory_bytes: int) -> None:
    store = _filled(rows, in_memory_bytes=in_memory_bytes)
    index = np.arange(rows, dtype=np.float32)
    assert store.rows == rows
    assert store["v"].shape == (rows, 3)
    np.testing.assert_array_equal(store["v"][:, 1], index + np.float32(0.25))
    expected = np.where(np.arange(rows) % 3 == 0, np.nan, index / 2)
    np.testing.assert_array_equal(store["a"], expected)
    store.close()


@given(st.integers(0, 9000), st.integers(0, 9000))
@settings(max_examples=25)
def test_a_part_is_the_slice_of_the_whole(a: int, b: int) -> None:
    store = _CACHED
    np.testing.assert_array_equal(store.part("v", a, b), store["v"][a:b])


_CACHED = _filled(9000, in_memory_bytes=1)


def test_rows_come_in_bulk_like_one_by_one() -> None:
    store = ColumnStore({"x": 2, "y": 0})
    data = np.arange(2 * 10_000, dtype=np.float32).reshape(-1, 2)
    for at in range(0, 10_000, 777):
        part = data[at : at + 777]
        store.extend({"x": part}, len(part))
    np.testing.assert_array_equal(store["x"], data)
    assert np.isnan(store["y"]).all()


def test_rows_one_by_one_and_in_bulk_keep_their_order() -> None:
    store = ColumnStore({"x": 0, "y": 2}, in_memory_bytes=1)
    given: list[float] = []
    for run in range(300):
        for _ in range(run % 97):
            store.append({"x": len(given), "y": np.full(2, -len(given))})
            given.append(len(given))
        many = np.arange(len(given), len(given) + run % 5, dtype=np.float32)
        store.extend({"x": many, "y": np.stack([-many, -many], axis=1)}, len(many))
        given.extend(many)
        if run % 41 == 0:
            assert store.rows == len(given)
            np.testing.assert_array_equal(store.part("x", 0, 10), given[:10])
    np.testing.assert_array_equal(store["x"], given)
    np.testing.assert_array_equal(store["y"][:, 1], -np.array(given))
    store.close()


def test_one_channel_stays_two_dimensional() -> None:
    store = ColumnStore({"x": 1})
    store.extend({"x": np.zeros((5, 1))}, 5)
    assert store["x"].shape == (5, 1)


def test_columns_are_read_only_and_known_by_name() -> None:
    store = _filled(3)
    assert list(store) == ["a", "v"]
    assert "a" in store
    assert "b" not in store
    with pytest.raises(ValueError, match="read-only"):
        store["v"][0, 0] = 1
    with pytest.raises(KeyError, match="b"):
        store.append({"b": 1.0})


def test_an_added_column_must_fit() -> None:
    store = _filled(4)
    store.add("d", np.arange(4.0))
    np.testing.assert_array_equal(store.part("d", 1, 3), [1, 2])
    assert len(store) == 3
    with pytest.raises(ValueError, match="d has 2 rows, not 4"):
        store.add("d", np.zeros(2))
