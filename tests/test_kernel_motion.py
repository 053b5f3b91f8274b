"""The passes for motion: both ways to the last bit, and the same in float64."""

from __future__ import annotations

import math
import statistics
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import ndimage

from qc.kernels.motion import (
    between,
    first_vote,
    patch_sums,
    smooth_small,
    weigh_patches,
)
from tests.test_kernel_passes import alike, both_ways_of
from tests.test_kernels import NUMBERS, needs_compiled


def small_of(height: int, width: int, number: int) -> NDArray[np.float32]:
    """Make a small picture: percent, some of it past black and white."""
    random = np.random.default_rng(number)
    return random.normal(45.0, 30.0, (height, width)).astype(np.float32)


@settings(deadline=None, max_examples=50)
@given(st.integers(5, 60), st.integers(5, 90), st.floats(0.3, 3.0), NUMBERS)
def test_smoothing_agrees_to_the_last_bit_and_is_scipys(
    height: int, width: int, sigma: float, number: int
) -> None:
    small = small_of(height, width, number)
    bell = np.exp(-0.5 * (np.arange(-4, 5) / sigma) ** 2)
    bell /= bell.sum()
    w0, w1, w2, w3, w4 = bell[4:].tolist()
    fast, slow = both_ways_of(lambda: smooth_small(small, (w0, w1, w2, w3, w4)))
    assert alike(fast, slow)
    expected = small.astype(float)
    for axis in (0, 1):
        expected = ndimage.correlate1d(expected, bell, axis=axis, mode="mirror")
    # Some twenty roundings of float32, each of 6e-8 of values up to 200.
    assert np.abs(fast - expected).max() < 2e-4


@settings(deadline=None, max_examples=60)
@given(st.floats(0.0, 1.0), st.floats(1.0, 2.5))
def test_weights_between_pixels_are_the_best_for_smoothed_noise(
    at: float, sigma: float
) -> None:
    taps = np.arange(-1.0, 3.0)

    def alike_at(off: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.exp(-0.25 * (off / sigma) ** 2)

    inverse = np.linalg.inv(alike_at(taps[:, None] - taps))
    fast, slow = both_ways_of(lambda: between(at, sigma, inverse))
    assert fast == slow
    assert sum(fast) == pytest.approx(1.0)
    # The normal equations of linear prediction, but for their sum.
    found = np.array(fast)
    goal = np.linalg.solve(alike_at(taps[:, None] - taps), alike_at(taps - at))
    assert found == pytest.approx(goal / goal.sum(), abs=1e-6)


@settings(deadline=None, max_examples=60)
@given(
    st.integers(1, 4), st.integers(1, 5), st.integers(1, 28), st.integers(0, 6),
    st.integers(0, 6), NUMBERS,
)  # fmt: skip
def test_sums_of_patches_agree_to_the_last_bit_and_are_those_of_doubles(
    rows: int, columns: int, side: int, below: int, beside: int, number: int
) -> None:
    random = np.random.default_rng(number)
    height, width = rows * side, columns * side
    picture = small_of(height + 3 + below, width + 3 + beside, number)
    anchor = random.normal(0.0, 1.0, (4, height, width)).astype(np.float32)
    slope = np.linspace(-0.2, 0.2, side)
    top, left = int(random.integers(1, below + 2)), int(random.integers(1, beside + 2))
    weights = random.uniform(-0.2, 1.0, (2, 4))
    across, down = ((a, b, c, d) for a, b, c, d in weights.tolist())
    fast, slow = both_ways_of(
        lambda: patch_sums(
            picture, anchor, slope, top=top, left=left, across=across, down=down
        )
    )
    assert alike(fast, slow)
    # The same in float64, by the definition: scipy weighs the pixels about each place.
    kernel = np.zeros((5, 5))
    kernel[1:, 1:] = np.outer(*weights[::-1])
    seen = ndimage.correlate(picture.astype(float), kernel, mode="constant")
    change = seen[top : top + height, left : left + width] - anchor[0]
    across_it = np.tile(slope, (height, columns))
    down_it = np.tile(slope, (width, rows)).T
    factors = [*anchor[1:].astype(float), 1.0, across_it, down_it, change]
    for found, factor in zip(fast, factors, strict=True):
        # Float32 rounds each of some forty steps by 6e-8; those of the pixels between
        # by that of the pixels, up to 400.
        sizes = np.abs(factor) * (np.abs(change) + 400.0)
        exact, most = (
            values.reshape(rows, side, columns, side).sum(axis=(1, 3)).ravel()
            for values in (change * factor, 3e-6 * sizes)
        )
        assert np.all(np.abs(found - exact) < most)


@settings(deadline=None, max_examples=60)
@given(st.integers(1, 60), NUMBERS)
def test_single_patches_are_weighed_alike_and_tell_their_own_shift(
    n: int, number: int
) -> None:
    random = np.random.default_rng(number)
    sides = random.normal(0, 1, (n, 2, 3))
    normal = sides @ sides.swapaxes(1, 2) + 0.1 * np.eye(2)
    trace = np.trace(normal, axis1=1, axis2=2)
    inverse = np.linalg.inv(normal)
    root = np.linalg.cholesky(inverse).swapaxes(1, 2)
    length = random.uniform(5.0, 20.0, n)
    textured = random.random(n) < 0.8
    single = np.stack([length**2, length, trace, textured], axis=1)
    facts = np.concatenate([single, inverse.reshape(n, 4), root.reshape(n, 4)], axis=1)
    # Patches moved a little, their light changed; some see another thing.
    shift = random.uniform(-0.5, 0.5, (n, 2))
    sums = np.zeros((7, n))
    sums[:2] = -np.einsum("pij,pj->ip", normal, shift)
    sums[2] = random.uniform(-0.3, 0.3, n) * length
    sums[3:6] = random.normal(0, 9, (3, n))
    other = random.random(n) < 0.2
    moved = np.einsum("pi,pij,pj->p", shift, normal, shift)
    sums[6] = moved + (sums[2:6] ** 2).sum(axis=0) + 4.0 * length**2 * other
    fast, slow = both_ways_of(lambda: weigh_patches(sums, facts, 0.5))
    assert alike(fast, slow)
    _, felt, own, worth = fast
    assert np.allclose(own, shift, atol=1e-9)
    # The inverse is the root's transpose times the root.
    energy = np.einsum("pi,pi->p", own, -sums[:2].T)
    assert np.allclose((felt**2).sum(axis=1), energy, atol=1e-9)
    usable = textured & ~other
    assert np.array_equal(worth > 0, usable)
    usual = trace[usable].sum() / n
    assert np.allclose(worth[usable], 1.0 / np.maximum(trace, usual)[usable], rtol=1e-4)


@needs_compiled
def test_the_passes_for_motion_refuse_what_they_would_misread() -> None:
    from qc.kernels import _planes

    passes: Any = _planes
    calls: list[tuple[Any, tuple[Any, ...], str]] = []
    small, parts = np.zeros((20, 30), np.float32), np.zeros((4, 6, 9), np.float32)
    five, four, out = (0.2,) * 5, (0.0, 1.0, 0.0, 0.0), np.zeros((7, 6))
    sums: tuple[Any, ...] = (small, parts, np.zeros(3), out, 3)
    passes.patch_sums(*sums, 12, 19, four, four)
    for at in ((0, 1), (1, 0), (13, 1), (1, 20), (-5, 1)):
        calls.append((passes.patch_sums, (*sums, *at, four, four), "lie inside"))
    for where, what, message in (
        (0, small.astype(float), "float32"),
        (0, small[0], "float32"),
        (1, parts[:3], "four pictures"),
        (1, parts[0], "float32"),
        (4, 2, "four pictures"),
        (4, 0, "four pictures"),
        (2, np.zeros(4), "float64 that fit"),
        (3, np.zeros(41), "float64 that fit"),
    ):
        wrong: list[Any] = [*sums, 1, 1, four, four]
        wrong[where] = what
        calls.append((passes.patch_sums, tuple(wrong), message))
    for one, two in ((small, small[:19]), (small[:4], small[:4])):
        calls.append((passes.smooth_small, (one, two.copy(), five), "must be alike"))
    patches = [np.zeros(n) for n in (14, 24, 4, 4, 4, 2)]
    passes.weigh_patches(2, *patches, 0.5)
    for at_ in range(6):
        wrong = [*patches]
        wrong[at_] = np.zeros(3)
        calls.append((passes.weigh_patches, (2, *wrong, 0.5), "float64 that fit"))
    for call, given_, message in calls:
        with pytest.raises(ValueError, match=message):
            call(*given_)


def test_small_pictures_too_small_are_refused_both_ways() -> None:
    small, parts = np.zeros((20, 30), np.float32), np.zeros((4, 6, 9), np.float32)
    ones = (0.0, 1.0, 0.0, 0.0)

    def both() -> None:
        with pytest.raises(ValueError, match="no smaller"):
            smooth_small(small[:4], (1.0, 0.0, 0.0, 0.0, 0.0))
        with pytest.raises(ValueError, match="lie inside"):
            patch_sums(
                small, parts, np.zeros(3), top=13, left=1, across=ones, down=ones
            )

    both_ways_of(both)


@settings(deadline=None, max_examples=80)
@given(st.integers(1, 60), st.floats(0.0, 1.0), NUMBERS)
def test_a_first_vote_is_the_median_of_those_that_have_one(
    n: int, share: float, number: int
) -> None:
    random = np.random.default_rng(number)
    own = np.round(random.normal(0.0, 0.3, (n, 2)), int(random.integers(1, 9)))
    worth = np.where(random.random(n) < share, random.random(n) + 1e-9, 0.0)
    given_: dict[str, Any] = {"rest": (0.1, -0.2), "still": 0.25, "follows": 0.2}
    fast, slow = both_ways_of(lambda: first_vote(own, worth, **given_))
    assert fast == slow
    votes = [tuple(v) for v, w in zip(own.tolist(), worth, strict=True) if w > 0]
    if not votes:
        assert fast == (0, 0.0, 0.0, 0.0, 0, 0)
        return
    middle = [statistics.median_high(values) for values in zip(*votes, strict=True)]
    off = [math.dist(vote, middle) for vote in votes]
    assert fast[:3] == (len(votes), *middle)
    assert fast.spread == pytest.approx(statistics.median_high(off), rel=1e-12)
    assert fast.resting == sum(math.dist(v, (0.1, -0.2)) < 0.25 for v in votes)
    assert fast.together == sum(d < 0.2 for d in off)


@needs_compiled
def test_a_first_vote_refuses_what_it_would_misread() -> None:
    from qc.kernels import _planes

    own, worth = np.zeros((3, 2)), np.zeros(3)
    for n, one, two in ((2, own, worth), (3, own[:2], worth), (3, own, worth[:2])):
        with pytest.raises(ValueError, match="float64 that fit"):
            _planes.first_vote(n, one, two, (0.0, 0.0), 0.1, 0.1)
    with pytest.raises(ValueError, match="no vote"):
        _planes.first_vote(0, own[:0], worth[:0], (0.0, 0.0), 0.1, 0.1)
