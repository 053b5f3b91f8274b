"""Sums behind the search for spots: both ways to the last bit, and against algebra."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from qc.kernels.area import shrunk_steps
from qc.kernels.rims import apply_rims, rim_sums
from tests.test_kernel_passes import alike, both_ways_of
from tests.test_kernels import DEPTHS, NUMBERS, needs_compiled, plane_of

Map = NDArray[np.float32]


def rims_of(n: int, h: int, w: int, number: int) -> tuple[Map, Map, Map, Map]:
    """Return moves, what is left over, trust and slopes; some of them unknown."""
    random = np.random.default_rng(number)
    moves = random.normal(0.0, 2.0, (n, 2, h, w)).astype(np.float32)
    left = random.normal(0.0, 0.3, (n, h, w)).astype(np.float32)
    left[random.random(left.shape) < 0.1] = np.nan
    trust = random.random((n, h, w)).astype(np.float32)
    return moves, left, trust, random.normal(0.0, 0.1, (2, h, w)).astype(np.float32)


@settings(deadline=None, max_examples=60)
@given(
    st.integers(0, 6), st.integers(1, 20), st.integers(1, 30), NUMBERS, st.booleans()
)
def test_sums_of_rims_agree_to_the_last_bit_and_with_plain_sums(
    n: int, h: int, w: int, number: int, trusted: bool
) -> None:
    moves, left, trust, slopes = rims_of(n, h, w, number)
    given = moves, left, trust if trusted else None, 0.4
    for more in ((), (slopes, 2.5)):
        fast, slow = both_ways_of(lambda more=more: rim_sums(*given, *more))
        assert alike(fast, slow)
        # In double precision, by the definition.
        right, down = moves.astype(float).swapaxes(0, 1)
        known = np.abs(left) < np.float32(0.4)
        rest = np.where(known, left, 0.0).astype(float)
        weight = known * (trust.astype(float) if trusted else 1.0)
        if more:
            off = right * slopes[1] + down * slopes[0] + rest
            weight = weight / (1.0 + (2.5 * off) ** 2)
        a = [(weight * p).sum(0) for p in (right * right, right * down, down * down)]
        b = [-(weight * p).sum(0) for p in (right * rest, down * rest)]
        assert fast[0] == pytest.approx(np.array(a), rel=1e-5, abs=1e-4)
        assert fast[1] == pytest.approx(np.array(b), rel=1e-5, abs=1e-4)


@settings(deadline=None, max_examples=60)
@given(st.integers(1, 20), st.integers(1, 30), NUMBERS)
def test_what_sums_make_of_a_map_agrees_and_is_symmetric(
    h: int, w: int, number: int
) -> None:
    random = np.random.default_rng(number)
    sums = random.random((3, h, w)).astype(np.float32)
    one, two = random.normal(size=(2, h, w)).astype(np.float32)
    around = np.asarray(cv2.blur(one, (3, 3)), np.float32)
    fast, slow = both_ways_of(lambda: apply_rims(one, around, sums, 0.3, 1.7))
    assert alike(fast, slow)
    # A transpose after the thing itself: the product with another map is the same.
    nothing = np.zeros_like(one)
    ways = [
        float(np.sum(apply_rims(g, nothing, sums, 0.0, 1.7).astype(float) * other))
        for g, other in ((one, two), (two, one))
    ]
    assert ways[0] == pytest.approx(ways[1], rel=1e-4, abs=1e-3)


@settings(deadline=None, max_examples=80)
@given(
    st.integers(1, 90),
    st.integers(3, 200),
    DEPTHS,
    NUMBERS,
    st.sampled_from(["noise", "extremes", "few", "upside down"]),
    st.floats(0.0, 1.0),
    st.floats(0.0, 1.0),
)
def test_detail_made_smaller_is_opencvs_area_mean_of_the_steps(
    height: int, width: int, bits: int, number: int, how: str, less: float, fewer: float
) -> None:
    lines = plane_of(height, width, bits, number, how)
    size = 1 + int(fewer * (width - 3)), 1 + int(less * (height - 1))
    fast, slow = both_ways_of(lambda: shrunk_steps(lines, size))
    assert alike(fast, slow)
    # By hand: numpy's steps, eightfold and up to 255 if codes have 8 bits.
    steps = np.abs(lines[:, 2:].astype(int) - lines[:, :-2])
    if bits == 8:
        steps = np.minimum(8 * steps, 255)
    area = cv2.resize(
        steps.astype(np.float32), size, interpolation=cv2.INTER_AREA
    ).reshape(fast[0].shape)
    assert np.abs(fast[0] - area.astype(float)).max() <= 0.5 + 1e-5 * 2**bits


@needs_compiled
def test_maps_that_do_not_fit_are_refused() -> None:
    from qc.kernels import _planes

    moves, left, trust, slopes = rims_of(2, 3, 4, 1)
    shape, out = (2, 3, 4), np.empty((5, 3, 4), np.float32)
    plane = np.zeros((6, 8), np.uint8)
    calls: list[tuple[Any, tuple[Any, ...]]] = [
        (_planes.rim_sums, ((2, 3, 5), moves, left, trust, slopes, 0.4, 1.0, out)),
        (_planes.rim_sums, ((-1, 3, 4), moves, left, trust, slopes, 0.4, 1.0, out)),
        (_planes.rim_sums, (shape, moves, left, trust, slopes, 0.4, 1.0, out[:4])),
        (_planes.apply_rims, ((3, 4), left[0], left[1], out[:2], 0.1, 1.0, left[0])),
        (_planes.apply_rims, ((0, 4), left[0], left[1], out[:3], 0.1, 1.0, left[0])),
        (_planes.shrunk_steps, (plane, 8, 7, 2, np.zeros((7, 2), np.uint8))),
        (_planes.shrunk_steps, (plane, 8, 2, 7, np.zeros((2, 7), np.uint8))),
        (_planes.shrunk_steps, (plane, 8, 2, 3, np.zeros((2, 3), np.uint16))),
    ]
    for call, arguments in calls:
        with pytest.raises(ValueError, match=r"size|summed up|does not get larger"):
            call(*arguments)
