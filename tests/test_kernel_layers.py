"""Looks laid over each other: both ways to the last bit, and against scipy."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import ndimage, sparse
from scipy.sparse import linalg

from qc.kernels import layers
from qc.kernels.rims import apply_rims, solved_rims
from qc.kernels.rings import closed_rings
from tests.test_kernel_passes import alike, both_ways_of
from tests.test_kernels import NUMBERS, needs_compiled

Map = NDArray[np.float32]

SIDES = st.integers(2, 40)
FAR = st.sampled_from([0.1, 3.0, 60.0])


def looks_of(n: int, h: int, w: int, far: float, number: int) -> tuple[Map, Map]:
    """Return maps, and ways of so many px."""
    random = np.random.default_rng(number)
    maps = random.normal(size=(n, h, w)).astype(np.float32)
    return maps, (far * random.normal(size=(n, h, w, 2))).astype(np.float32)


def there(values: Any, ways: Any, sign: int) -> NDArray[np.float64]:
    """Return what scipy finds so far from each place, in double precision."""
    h, w = values.shape
    y, x = np.mgrid[:h, :w] + sign * np.moveaxis(ways.astype(float), -1, 0)[::-1]
    return np.asarray(
        ndimage.map_coordinates(values.astype(float), [y, x], order=1, mode="nearest")
    )


def same(fast: Any, slow: Any) -> bool:
    """Return whether arrays are the same to the bit, NaN and all."""
    return all(
        a.dtype == b.dtype and np.array_equal(a, b, equal_nan=True)
        for a, b in zip(fast, slow, strict=True)
    )


@settings(deadline=None, max_examples=60)
@given(st.integers(1, 9), SIDES, SIDES, FAR, NUMBERS, st.sampled_from([1, -1]))
def test_what_lies_between_places_is_scipys_linear_interpolation(
    n: int, h: int, w: int, far: float, number: int, sign: int
) -> None:
    maps, ways = looks_of(n, h, w, far, number)
    expected = np.stack([there(m, v, sign) for m, v in zip(maps, ways, strict=True)])
    fast, slow = both_ways_of(lambda: layers.shown(maps, ways, sign))
    assert alike(fast, slow)
    assert fast == pytest.approx(expected, abs=1e-4)

    scene = maps[0]
    expected = maps - np.stack([there(scene, v, sign) for v in ways])
    fast, slow = both_ways_of(lambda: layers.left_over(maps, scene, ways, sign))
    assert alike(fast, slow)
    assert fast == pytest.approx(expected, abs=1e-4)
    usual, slow = both_ways_of(lambda: layers.usually_left(maps, scene, ways, sign))
    assert alike(usual, slow)
    assert np.array_equal(usual, np.sort(fast, axis=0)[n // 2])

    expected = np.stack(
        [
            np.stack([there(one, v, sign) for one in np.moveaxis(v, -1, 0)], axis=-1)
            for v in ways
        ]
    )
    fast, slow = both_ways_of(lambda: layers.shifted_ways(ways, ways, sign))
    assert alike(fast, slow)
    assert fast == pytest.approx(expected, abs=1e-4 * max(far, 1.0))
    written = both_ways_of(
        lambda: layers.shifted_ways(ways, ways.copy(), sign, write=True)
    )
    assert same(written, (fast, fast))


@settings(deadline=None, max_examples=60)
@given(st.integers(1, 64), st.integers(1, 600), NUMBERS)
def test_middles_are_the_upper_medians(n: int, m: int, number: int) -> None:
    stack = np.random.default_rng(number).normal(size=(n, m)).astype(np.float32)
    fast, slow = both_ways_of(lambda: layers.middles(stack))
    assert alike(fast, slow)
    assert np.array_equal(fast, np.sort(stack, axis=0)[n // 2])


@settings(deadline=None, max_examples=60)
@given(SIDES, SIDES, st.sampled_from([0.1, 3.0]), NUMBERS)
def test_a_pair_is_laid_into_the_middle_of_its_way(
    h: int, w: int, far: float, number: int
) -> None:
    levels, backs = looks_of(2, h, w, far, number)

    def laid() -> tuple[Map, ...]:
        moves = np.empty((2, h, w), np.float32)
        left, trust = np.empty((2, h, w), np.float32)
        out = moves, left, trust
        layers.laid_pair(
            (levels[0], levels[1]), (backs[0], backs[1]), 5.0, 0.02, 0.4, out
        )
        return out

    fast, slow = both_ways_of(laid)
    assert same(fast, slow)
    moves, left, trust = fast
    step = (backs[0] - backs[1]).astype(float)
    assert moves == pytest.approx(np.moveaxis(step, -1, 0), abs=1e-5)
    earlier, later = (
        there(level, step, sign)
        for level, sign in zip(levels, (0.5, -0.5), strict=True)
    )
    known = np.isfinite(left)
    assert left[known] == pytest.approx((later - earlier)[known], abs=1e-4)
    # By the definition: inside for both, and not moved too far.
    y, x = np.mgrid[:h, :w]
    inside = np.hypot(step[..., 0], step[..., 1]) < 5.0
    for sign in (0.5, -0.5):
        column, row = x + sign * step[..., 0], y + sign * step[..., 1]
        inside &= (column >= 0) & (column <= w - 1) & (row >= 0) & (row <= h - 1)
    assert np.mean(inside == known) > 1.0 - 1.5 / known.size  # but for rounding
    assert ((trust >= 0.0) & (trust <= 1.0)).all()


@settings(deadline=None, max_examples=40)
@given(st.integers(2, 12), st.integers(2, 14), NUMBERS)
def test_gradients_lead_to_what_a_direct_solution_gives(
    h: int, w: int, number: int
) -> None:
    random = np.random.default_rng(number)
    wide, tall = random.uniform(0.1, 1.0, (2, h, w))
    sums = np.stack([wide, 0.3 * np.sqrt(wide * tall), tall]).astype(np.float32)
    aim, start = random.normal(size=(2, h, w)).astype(np.float32)

    def solved(steps: int = 300) -> tuple[Map, Map]:
        g, rest = start.copy(), aim.copy()
        solved_rims(sums, rest, 0.1, 1.1, steps, g)
        return g, rest

    fast, slow = both_ways_of(lambda: solved(7))
    assert same(fast, slow)
    # The same linear map, place by place: it is symmetric.
    columns = []
    for k in range(h * w):
        one = np.zeros((h, w), np.float32)
        one.flat[k] = 1.0
        around = np.asarray(
            cv2.blur(one, (3, 3), borderType=cv2.BORDER_REFLECT_101), np.float32
        )
        columns.append(apply_rims(one, around, sums, 0.1, 1.1).ravel().astype(float))
    matrix = np.array(columns).T
    g, rest = solved()
    left = aim.ravel() - matrix @ g.ravel()
    assert rest.ravel() == pytest.approx(left, abs=2e-4)
    inner = np.zeros((h, w), np.bool_)
    inner[2:-2, 2:-2] = True
    inner = inner.ravel()
    # Mirroring makes it a little less than symmetric at the border.
    assert matrix[np.ix_(inner, inner)] == pytest.approx(
        matrix[np.ix_(inner, inner)].T, abs=1e-6
    )
    direct = linalg.spsolve(sparse.csc_matrix(matrix), aim.ravel())
    size = float(np.abs(direct).max())
    assert np.abs(g.ravel() - direct).max() < 0.02 * size


@settings(deadline=None, max_examples=40)
@given(st.integers(1, 40), st.integers(1, 40), NUMBERS)
def test_rings_are_scipys_shifts_of_what_is_brighter_outwards(
    h: int, w: int, number: int
) -> None:
    across, down = np.random.default_rng(number).normal(size=(2, h, w))
    across, down = across.astype(np.float32), down.astype(np.float32)
    radii, parts = (2.0, 3.4, 7.5), 12
    fast, slow = both_ways_of(lambda: closed_rings(across, down, radii, parts))
    assert alike(fast, slow)
    turns = 2.0 * np.pi * np.arange(parts) / parts
    rings = np.empty((len(radii), parts, h, w))
    for ring, radius in zip(rings, radii, strict=True):
        for one, turn in zip(ring, turns, strict=True):
            way = np.array([np.sin(turn), np.cos(turn)])
            outwards = way[1] * across.astype(float) + way[0] * down
            one[:] = ndimage.shift(
                np.pad(outwards, 10), -radius * way, order=1, mode="constant"
            )[10:-10, 10:-10]
    expected = [rings[max(k - 1, 0) : k + 2].max(axis=0).min(axis=0) for k in range(3)]
    assert fast == pytest.approx(np.stack(expected), abs=1e-4)


@needs_compiled
def test_looks_that_do_not_fit_are_refused() -> None:
    from qc.kernels import _planes

    maps, ways = looks_of(3, 4, 5, 1.0, 1)
    steps = np.array([[0, 1, 1, 1]], np.int64)
    beyond = np.array([[0, 3, 1, 1]], np.int64)
    shape, out, one = (3, 4, 5), np.empty_like(maps), maps[0].copy()
    few = np.zeros((2, 2), np.int64)
    calls: list[tuple[Any, tuple[Any, ...]]] = [
        (_planes.middles, (3, 20, maps, beyond, one)),
        (_planes.middles, (0, 20, maps, steps, one)),
        (_planes.middles, (3, 21, maps, steps, one)),
        (_planes.left_over, ((3, 1, 20), None, maps, ways, 1.0, None, out)),
        (_planes.left_over, (shape, None, one, ways, 1.0, None, out)),
        (_planes.left_over, (shape, maps, one, ways, 1.0, beyond, one)),
        (_planes.left_over, (shape, maps, one, ways, 1.0, steps, out)),
        (_planes.shifted_ways, ((3, 4, 1), ways, ways, 1.0, ways)),
        (_planes.shifted_ways, (shape, ways, maps, 1.0, ways)),
        (_planes.laid_pair, ((1, 5), *4 * (one,), 1.0, 1.0, 1.0, *3 * (one,))),
        (_planes.laid_pair, ((4, 5), *4 * (one,), 1.0, 1.0, 1.0, *3 * (one,))),
        (_planes.solved_rims, ((1, 20), maps, one, 0.1, 1.0, 3, one)),
        (_planes.solved_rims, ((4, 5), maps[:2], one, 0.1, 1.0, 3, one)),
        (_planes.closed_rings, ((1, 2, 4, 5), -1, one, one, few, maps, out)),
        (_planes.closed_rings, ((1, 2, 2, 3), 1, one, one, few - 5, maps, out)),
    ]
    for call, arguments in calls:
        with pytest.raises(ValueError, match=r"wanted|fit"):
            call(*arguments)
