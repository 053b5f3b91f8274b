"""Patches and single pixels: both ways to the last bit, OpenCV, exact arithmetic."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise
from typing import Any

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from qc.kernels.samples import (
    TILES,
    BandTable,
    Coding,
    LightTables,
    band_tints,
    closed_stops,
    grid_colours,
    near_burnt,
    patch_looks,
    pile_up,
)
from qc.signal import LUMA_WEIGHTS, Signal, ycbcr_to_rgb
from tests.test_kernel_light import same
from tests.test_kernel_passes import KINDS, alike, both_ways_of
from tests.test_kernels import DEPTHS, NUMBERS, needs_compiled, plane_of

Planes = tuple[NDArray[np.unsignedinteger[Any]], ...]
# 4:2:0, 4:2:2, 4:4:4 and 4:1:1: luma lines and pixels to a chroma sample.
SAMPLINGS = st.sampled_from([(2, 2), (1, 2), (1, 1), (1, 4)])
SIDES = st.integers(2, 60)


def planes_of(
    height: int, width: int, cut: tuple[int, int], bits: int, number: int, how: str
) -> Any:
    """Make planes of a picture, noise or few codes, the chroma rounded up."""
    small = -(-height // cut[0]), -(-width // cut[1])
    return tuple(
        plane_of(*size, bits, (number + i) % 2**32, how)
        for i, size in enumerate(((height, width), small, small))
    )


# ------------------------------------------------------------------------------ patch


@settings(deadline=None, max_examples=150)
@given(SIDES, SIDES, SAMPLINGS, DEPTHS, NUMBERS, KINDS)
def test_a_patch_is_summed_up_as_numpy_does_its_tiles_as_opencv_does(
    height: int, width: int, cut: tuple[int, int], bits: int, number: int, how: str
) -> None:
    planes = planes_of(height, width, cut, bits, number, how)
    fast, slow = both_ways_of(lambda: patch_looks(planes))
    assert fast == slow
    for look, plane in zip(fast, planes, strict=True):
        assert look[:3] == (plane.sum(dtype=object), plane.min(), plane.max())
        # What is over at the right and below is left out of the tiles.
        whole = (n - n % TILES if n > TILES else n for n in plane.shape)
        part = plane[tuple(slice(n) for n in whole)]
        tiles = cv2.resize(part, (TILES, TILES), interpolation=cv2.INTER_AREA)
        told = tiles.min(), tiles.max(), tiles.sum(dtype=object)
        # A tile holds less than 2^24 in all: OpenCV, which adds in float32, is exact.
        assert look[3:] == told


@needs_compiled
def test_large_patches_are_summed_exactly() -> None:
    """Sixteen bits over many lines: more than float32 holds, and than 32 bits hold."""
    plane = np.full((3000, 2000), 65535, np.uint16)
    plane[1500:, 1000:] = 65534
    fast, slow = both_ways_of(lambda: patch_looks((plane, plane, plane)))
    assert fast == slow
    assert fast[0].total == 65535 * plane.size - 1500 * 1000
    assert fast[0][1:3] == (65534, 65535)
    assert fast[0][3:5] == (65534, 65535)
    assert fast[0].tile_total == 16 * 65535 - 4


def test_the_mean_of_four_pixels_goes_up_at_a_half() -> None:
    plane = np.zeros((8, 8), np.uint8)
    plane[0, 0] = 2
    for looks in both_ways_of(lambda: patch_looks((plane, plane, plane))):
        assert looks[0] == (2, 0, 2, 0, 1, 1)


# ------------------------------------------------------------------------------- grid


def coding_of(signal: Signal) -> Coding:
    kr, kb = LUMA_WEIGHTS[signal.matrix]
    return Coding(
        black=signal.black,
        range=signal.white - signal.black,
        zero=signal.chroma_zero,
        span=signal.chroma_span,
        red=2.0 * (1.0 - kr),
        blue=2.0 * (1.0 - kb),
        from_red=kr,
        from_blue=kb,
        green=1.0 - kr - kb,
    )


@settings(deadline=None, max_examples=80)
@given(
    SIDES, SIDES, SAMPLINGS, DEPTHS, st.integers(1, 9), st.integers(0, 1), NUMBERS,
    KINDS, st.sampled_from(list(LUMA_WEIGHTS)),
)  # fmt: skip
def test_colours_of_single_pixels_are_those_of_the_coding(
    height: int, width: int, cut: tuple[int, int], bits: int, step: int, first: int,
    number: int, how: str, matrix: Any,
) -> None:  # fmt: skip
    signal = Signal(bit_depth=bits, matrix=matrix)
    planes = planes_of(height, width, cut, bits, number, how)
    fast, slow = both_ways_of(
        lambda: grid_colours(planes, (first, 1), step, coding_of(signal))
    )
    assert alike(fast, slow)
    rows, columns = np.arange(first, height, step), np.arange(1, width, step)
    y, cb, cr = (
        p[np.ix_(rows * p.shape[0] // height, columns * p.shape[1] // width)].ravel()
        for p in planes
    )
    rgb = ycbcr_to_rgb(y, cb, cr, signal=signal)
    assert fast[0] == pytest.approx(rgb.T, abs=1e-5)
    assert fast[1] == pytest.approx(
        (y.astype(float) - signal.black) / (signal.white - signal.black), abs=1e-6
    )


# ------------------------------------------------------------------------------- tint


@settings(deadline=None, max_examples=60)
@given(st.integers(1, 400), st.integers(1, 9), st.floats(0.0, 1.0), NUMBERS)
def test_bands_tell_their_median_tint(
    count: int, every: int, share: float, number: int
) -> None:
    random = np.random.default_rng(number)
    rgb = random.uniform(-0.1, 1.1, (3, count)).astype(np.float32)
    table = np.log2(np.maximum(np.arange(1300), 1) / 1024).astype(np.float32)
    how = BandTable(table, 1024.0, 0.03, 0.9, 3.0, share)
    order = random.permutation(-(-count // every))
    edges = np.sort(random.integers(0, order.size + 1, 6))
    fast, slow = both_ways_of(lambda: band_tints(rgb, order, edges, how, every=every))
    assert same(fast, slow)
    for found, (a, z) in zip(fast, pairwise(edges.tolist()), strict=True):
        own = rgb[:, ::every][:, order[a:z]]
        own = own[:, ((own > 0.03) & (own < 0.9)).all(axis=0)]
        assert own.shape[1] < max(3, share * (z - a)) or not np.isnan(found).any()
        if not np.isnan(found).any():
            # The table is read at the nearest place: a half of it either way.
            red, green, blue = np.log2(own.astype(float))
            away = 2 * float(Fraction(1, 2048)) / 0.03 / np.log(2)
            for tint, light in zip(found.tolist(), (red, blue), strict=True):
                assert tint == pytest.approx(np.median(light - green), abs=away)


def test_a_tint_is_exact_where_the_table_is() -> None:
    """Twice as much red as green, and a quarter of blue: one stop up, two down."""
    table = np.log2(np.maximum(np.arange(1300), 1) / 1024).astype(np.float32)
    green = np.float32(2.0) ** -np.arange(1, 4, dtype=np.float32)
    rgb = np.stack([2 * green, green, green / 4])[:, 1:]
    how = BandTable(table, 1024.0, 0.03, 0.9, 2.0, 0.5)
    order, edges = np.arange(2), np.array([0, 2, 2])
    told = both_ways_of(lambda: band_tints(rgb.copy(), order, edges, how, every=1))
    for found in told:
        assert found[0].tolist() == [1.0, -2.0]
        assert np.isnan(found[1]).all()


# ---------------------------------------------------------------------------- closing


def tables_of(matrix: str, level: float) -> LightTables:
    """Tables of a signal that is light itself: every figure follows by hand."""
    signals = np.maximum(np.arange(1383), 1) / 1024
    log = np.log2(signals).astype(np.float32)
    first = float(log[-1]) - 10
    light = first + np.arange(2561) / 256
    inverse = np.interp(light, log, signals).astype(np.float32)
    red, blue = LUMA_WEIGHTS[matrix]
    return LightTables(log, 1024.0, inverse, first, 256.0, level, red, blue)


@settings(deadline=None, max_examples=60)
@given(
    st.integers(1, 300),
    st.floats(-0.3, 0.4),
    st.sampled_from(list(LUMA_WEIGHTS)),
    NUMBERS,
)
def test_both_ways_close_as_far(
    count: int, cut: float, matrix: str, number: int
) -> None:
    random = np.random.default_rng(number)
    how = tables_of(matrix, -0.1)
    place = random.integers(0, 1383, (3, count))
    light = how.log.take(place)
    some = np.flatnonzero(random.random(count) < 0.2)
    rebuilt = light.take(some, axis=1) + np.float32(0.3)
    fast, slow = both_ways_of(
        lambda: closed_stops(place, light, some, rebuilt, how, cut=cut)
    )
    assert same(fast, slow)


def test_what_is_not_cut_off_is_closed_by_what_its_luma_is_over() -> None:
    """Greys of a half to one and a quarter; burning from a half on; nothing is cut."""
    how = tables_of("bt709", -1.0)
    place = np.tile(np.array([512, 768, 1024, 1280]), (3, 1))
    none = np.zeros(0, np.intp), np.zeros((3, 0), np.float32)
    for found in both_ways_of(
        lambda: closed_stops(place, how.log.take(place), *none, how, cut=1.0)
    ):
        told = np.log2(place[0] / 512)
        assert found == pytest.approx(told, abs=0.01)


def test_what_was_rebuilt_is_closed_further_until_it_is_no_longer_cut_off() -> None:
    """Three greys cut off at 1 that were 1.25: closed by a stop they are 0.625."""
    how = tables_of("bt709", -1.0)
    place = np.full((3, 1), 1024)
    rebuilt = np.full((3, 1), np.log2(1.25), np.float32)
    some = np.array([0])
    for found in both_ways_of(
        lambda: closed_stops(place, how.log.take(place), some, rebuilt, how, cut=0.0)
    ):
        assert found == pytest.approx([np.log2(1.25) + 1.0], abs=0.01)


# ------------------------------------------------------------------------ what burns


@settings(deadline=None, max_examples=60)
@given(st.integers(0, 300), NUMBERS)
def test_the_largest_channel_is_piled_up_by_hundredths(count: int, number: int) -> None:
    # Halves of a hundredth and a quarter of one more: no edge of a bin is met.
    halves = np.random.default_rng(number).integers(150, 300, (3, count))
    rgb = ((halves + 0.25) / 200).astype(np.float32)

    def work() -> tuple[NDArray[np.float32], NDArray[np.int64]]:
        piled = np.zeros(40, np.int64)
        return pile_up(rgb, piled), piled

    fast, slow = both_ways_of(work)
    assert all(same(one, other) for one, other in zip(fast, slow, strict=True))
    assert np.array_equal(fast[0], rgb.max(axis=0) if count else np.zeros(0))
    bins = (halves.max(axis=0, initial=0) + 1) // 2 - 90
    expected = np.bincount(bins[(bins >= 0) & (bins < 40)], minlength=40)
    assert np.array_equal(fast[1], expected)


@settings(deadline=None, max_examples=60)
@given(st.integers(1, 300), st.floats(0, 1), st.integers(0, 1400), NUMBERS)
def test_pixels_near_what_burns_are_found_alike(
    count: int, share: float, first: int, number: int
) -> None:
    random = np.random.default_rng(number)
    how = tables_of("bt709", -0.1)
    codes = random.integers(0, 1500, (3, count))
    rgb, luma = (codes / 1024).astype(np.float32), codes[1].astype(np.float32) / 1024
    highest = rgb.max(axis=0)
    fast, slow = both_ways_of(
        lambda: near_burnt(
            rgb,
            luma,
            highest,
            how,
            burns=(0.9, 1.1),
            first=first,
            warm=0.25,
            enough=share * count,
        )
    )
    burnt = np.count_nonzero((luma >= np.float32(0.9)) | (highest >= np.float32(1.1)))
    if burnt <= share * count:
        assert fast is slow is None
        return
    assert all(same(one, other) for one, other in zip(fast, slow, strict=True))
    near = codes.max(axis=0) >= first
    assert np.array_equal(fast.place, np.minimum(codes[:, near], 1382))
    assert np.array_equal(fast.light, how.log[fast.place])
    assert np.allclose(fast.over, fast.light[1] + 0.1, atol=1e-6)
    gap = fast.light[0] - np.maximum(fast.light[1], fast.light[2])
    clear = np.abs(gap + 0.25) > 1e-5
    assert np.array_equal(fast.warm[clear], gap[clear] >= -0.25)
