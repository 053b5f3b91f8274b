"""The compiled passes against OpenCV and numpy, and both against exact arithmetic."""

from __future__ import annotations

import subprocess
import sys
import sysconfig
from fractions import Fraction
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from qc import kernels
from qc.kernels import PlaneSums, area_mean, plane_sums, portable, scaled_codes

Plane = NDArray[np.unsignedinteger[Any]]

needs_compiled = pytest.mark.skipif(
    not kernels.compiled, reason="no extension here: it was installed without compiler"
)
DEPTHS = st.sampled_from([8, 10, 12, 16])
NUMBERS = st.integers(0, 2**32 - 1)


def plane_of(height: int, width: int, bits: int, number: int, how: str) -> Plane:
    """Make a plane: noise, extremes, or few codes; sometimes as a decoder's is."""
    random = np.random.default_rng(number)
    top = 2**bits - 1
    dtype = np.uint8 if bits == 8 else np.uint16
    room = (height, width + int(random.integers(0, 40)))
    if how == "extremes":
        codes = random.integers(0, 2, room) * top
    elif how == "few":
        codes = random.integers(0, 4, room) + top // 2
    else:
        codes = random.integers(0, top, room, endpoint=True)
    plane: Plane = codes.astype(dtype)[:, :width]
    if how == "upside down":
        plane = plane[::-1]
    plane.flags.writeable = False
    return plane


PLANES = st.builds(
    plane_of,
    st.integers(1, 90),
    st.integers(1, 130),
    DEPTHS,
    NUMBERS,
    st.sampled_from(["noise", "extremes", "few", "upside down"]),
)


def both(plane: Plane, **more: Any) -> tuple[PlaneSums, PlaneSums]:
    """Return what the compiled and what the portable way gives."""
    with pytest.MonkeyPatch.context() as patch:
        fast = plane_sums(plane, **more)
        patch.setattr(kernels, "compiled", False)
        return fast, plane_sums(plane, **more)


def same(a: PlaneSums, b: PlaneSums) -> bool:
    if (a.small is None) != (b.small is None):
        return False
    if a.small is not None and b.small is not None:
        alike = a.small.dtype == b.small.dtype and np.array_equal(a.small, b.small)
    else:
        alike = True
    return alike and all(
        np.array_equal(getattr(a, name), getattr(b, name))
        for name in ("counts", "total", "squares")
    )


@needs_compiled
@settings(max_examples=200)
@given(
    PLANES,
    st.tuples(st.integers(1, 9), st.integers(1, 9)),
    st.booleans(),
    st.floats(0.02, 1.0),
)
def test_both_ways_agree_to_the_last_bit(
    plane: Plane, tiles: tuple[int, int], interlaced: bool, shrink: float
) -> None:
    bits = 8 if plane.dtype == np.uint8 else 16
    small = tuple(max(1, round(n * shrink)) for n in plane.shape[::-1])
    for bins in {1 << bits, 1 << min(bits, 10)}:
        fast, slow = both(
            plane, bins=bins, tiles=tiles, interlaced=interlaced, small=small
        )
        assert same(fast, slow)


@needs_compiled
@settings(max_examples=150)
@given(
    st.integers(1, 17),
    st.integers(1, 17),
    st.integers(1, 9),
    st.integers(1, 9),
    DEPTHS,
    NUMBERS,
    st.sampled_from(["noise", "few", "extremes"]),
)
def test_whole_shrinking_agrees_to_the_last_bit(
    down: int, across: int, rows: int, columns: int, bits: int, number: int, how: str
) -> None:
    plane = plane_of(down * rows, across * columns, bits, number, how)
    size = (columns, rows)
    expected = portable.area_mean(plane, size)
    assert np.array_equal(area_mean(plane, size), expected)
    more: dict[str, Any] = {"tiles": (2, 2), "interlaced": False, "small": size}
    small = plane_sums(plane, bins=1 << bits, **more).small
    assert small is not None
    assert np.array_equal(small, expected)


@given(st.integers(1, 5), st.integers(1, 5), st.sampled_from([3, 5, 8, 16]), NUMBERS)
def test_a_mean_is_the_nearest_code_halves_the_even_one(
    rows: int, columns: int, factor: int, number: int
) -> None:
    # Exact arithmetic: Python rounds a fraction to the nearest, halves to even.
    plane = plane_of(rows * factor, columns * factor, 8, number, "noise")
    blocks = plane.reshape(rows, factor, columns, factor)
    sums = blocks.astype(np.int64).sum(axis=(1, 3))
    expected = [[round(Fraction(int(n), factor**2)) for n in row] for row in sums]
    assert area_mean(plane, (columns, rows)).tolist() == expected


@settings(deadline=None, max_examples=80)
@given(st.integers(1, 40), st.integers(1, 40), DEPTHS, NUMBERS, st.data())
def test_a_mean_of_parts_of_pixels_is_exact_too(
    height: int, width: int, bits: int, number: int, data: st.DataObject
) -> None:
    # Exact arithmetic: how much of each pixel lies in a small one.
    plane = plane_of(height, width, bits, number, "noise")
    rows, columns = data.draw(st.integers(1, height)), data.draw(st.integers(1, width))
    fast = area_mean(plane, (columns, rows))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(kernels, "compiled", False)
        assert np.array_equal(fast, area_mean(plane, (columns, rows)))
    if (height, width) == (2 * rows, 2 * columns):
        return  # OpenCV's own rounding

    def shares(length: int, parts: int, at: int) -> dict[int, Fraction]:
        side = Fraction(length, parts)
        cuts = {
            x: min(x + 1, (at + 1) * side) - max(x, at * side) for x in range(length)
        }
        return {x: cut / side for x, cut in cuts.items() if cut > 0}

    i, j = number % rows, number % columns
    mean = sum(
        down * across * int(plane[y, x])
        for y, down in shares(height, rows, i).items()
        for x, across in shares(width, columns, j).items()
    )
    assert int(fast[i, j]) == round(mean)


@pytest.mark.parametrize("bits", [8, 10, 16])
def test_a_large_picture_that_the_small_one_does_not_divide(bits: int) -> None:
    # More than 256 lines to a small one, brightest codes: sums at their largest.
    plane = np.full((1440, 2560), 2**bits - 1, np.uint8 if bits == 8 else np.uint16)
    plane[:, ::2] -= 1
    for size in ((240, 135), (7, 2), (3, 1)):
        fast, slow = both(
            plane, bins=1 << bits, tiles=(6, 8), interlaced=False, small=size
        )
        assert same(fast, slow)
        assert fast.small is not None
        assert int(fast.small.min()) >= 2**bits - 2
    # OpenCV weighs in float32: a code apart at most.
    near = cv2.resize(plane, (240, 135), interpolation=cv2.INTER_AREA)
    assert np.abs(area_mean(plane, (240, 135)).astype(int) - near).max() <= 1


@given(st.integers(1, 30), st.integers(1, 50), DEPTHS, NUMBERS, st.integers(0, 4096))
def test_codes_are_scaled_in_float32(
    height: int, width: int, bits: int, number: int, zero: int
) -> None:
    plane = plane_of(height, width, bits, number, "upside down")
    fast = scaled_codes(plane, zero=zero, factor=100.0 / 219)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(kernels, "compiled", False)
        slow = scaled_codes(plane, zero=zero, factor=100.0 / 219)
    assert fast.dtype == slow.dtype == np.float32
    assert np.array_equal(fast, slow)
    exact = (plane.astype(float) - zero) * (100.0 / 219)
    assert fast == pytest.approx(exact, rel=2**-22, abs=1e-12)


def whole_laplacian(plane: Plane) -> NDArray[np.int64]:
    """Return the Laplacian of every pixel, in int64."""
    codes = plane.astype(np.int64)
    # A single line or column mirrors onto itself.
    modes = ["reflect" if n > 1 else "edge" for n in codes.shape]
    padded = np.pad(codes, ((1, 1), (0, 0)), mode=modes[0])  # type: ignore[call-overload]
    out: NDArray[np.int64] = padded[:-2] + padded[2:] - 4 * codes
    padded = np.pad(codes, ((0, 0), (1, 1)), mode=modes[1])  # type: ignore[call-overload]
    return np.asarray(out + padded[:, :-2] + padded[:, 2:], np.int64)


@pytest.mark.parametrize("compiled", [True, False])
@settings(max_examples=60)
@given(PLANES, st.booleans())
def test_sums_are_those_of_whole_numbers(
    compiled: bool, plane: Plane, interlaced: bool
) -> None:
    if compiled and not kernels.compiled:
        pytest.skip("no extension here")
    tiles = (3, 4)
    total, squares = (np.zeros(tiles, np.int64) for _ in range(2))
    halves = [plane[0::2], plane[1::2]] if interlaced and len(plane) > 1 else [plane]
    for half in halves:
        lap = whole_laplacian(half)
        rows, columns = (
            portable.tile_edges(n, t) for n, t in zip(half.shape, tiles, strict=True)
        )
        for i in range(3):
            for j in range(4):
                tile = lap[rows[i] : rows[i + 1], columns[j] : columns[j + 1]]
                total[i, j] += tile.sum()
                squares[i, j] += (tile**2).sum()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(kernels, "compiled", compiled)
        got = plane_sums(plane, bins=65536, tiles=tiles, interlaced=interlaced)
    assert np.array_equal(got.total, total)
    assert np.array_equal(got.squares, squares)
    assert got.small is None
    counts = np.bincount(plane.ravel(), minlength=65536)
    assert np.array_equal(got.counts, counts)


@needs_compiled
@pytest.mark.parametrize("bits", [8, 10, 12, 16])
@pytest.mark.parametrize("interlaced", [False, True])
@pytest.mark.parametrize("width", [1905, 1920, 1921, 70_001])
def test_long_lines_of_the_hardest_picture_do_not_overflow(
    bits: int, interlaced: bool, width: int
) -> None:
    # Checkerboard of the extremes, per field too: |Laplacian| is 4 x top everywhere.
    rows, columns = np.indices((12, width))
    rows = rows // 2 if interlaced else rows
    top = 2**bits - 1
    y = ((rows + columns) % 2 * top).astype(np.uint8 if bits == 8 else np.uint16)
    got = plane_sums(y, bins=top + 1, tiles=(1, 1), interlaced=interlaced)
    assert got.squares.item() == y.size * (4 * top) ** 2
    assert got.counts[top] == np.count_nonzero(y)


@needs_compiled
@settings(max_examples=120)
@given(
    st.integers(12, 60),
    st.integers(1, 4),
    st.integers(0, 17),
    st.integers(1, 40),
    st.sampled_from([8, 10]),
    NUMBERS,
    st.booleans(),
    st.sampled_from(["noise", "extremes", "upside down"]),
)
def test_tiles_whose_edges_fall_between_lanes_or_within_a_vector(
    lanes: int,
    columns: int,
    beyond: int,
    rows: int,
    bits: int,
    number: int,
    woven: bool,
    how: str,
) -> None:
    # Tiles as wide as whole lanes of 4 pixels, or 10-bit ones of a vector and more, are
    # summed another way.
    plane = plane_of(40, max(4 * lanes * columns, 96) + beyond, bits, number, how)
    more: dict[str, Any] = {"tiles": (rows, columns), "interlaced": woven}
    assert same(*both(plane, bins=1 << bits, **more))


@needs_compiled
@pytest.mark.parametrize("interlaced", [False, True])
@pytest.mark.parametrize("y", [0, 1, 2, 20, 38, 39])
@pytest.mark.parametrize("x", [0, 1, 15, 16, 50, 82, 83])
def test_one_code_that_ten_bits_have_not_is_found_wherever_it_is(
    x: int, y: int, interlaced: bool
) -> None:
    plane = plane_of(40, 84, 10, 12, "noise").copy()
    plane[y, x] = 1024
    fast, slow = both(
        plane, bins=1024, tiles=(4, 3), interlaced=interlaced, small=(21, 10)
    )
    assert same(fast, slow)
    assert fast.counts.sum() == plane.size - 1


@needs_compiled
@pytest.mark.parametrize("bits", [8, 10])
@pytest.mark.parametrize("interlaced", [False, True])
def test_tall_tiles_of_the_hardest_picture_do_not_overflow(
    bits: int, interlaced: bool
) -> None:
    rows, columns = np.indices((4200, 128))
    rows = rows // 2 if interlaced else rows
    top = 2**bits - 1
    y = ((rows + columns) % 2 * top).astype(np.uint8 if bits == 8 else np.uint16)
    got = plane_sums(y, bins=top + 1, tiles=(1, 2), interlaced=interlaced)
    assert (got.squares == y.size // 2 * (4 * top) ** 2).all()


@needs_compiled
@pytest.mark.parametrize("bits", [8, 10])
@pytest.mark.parametrize("side", [1, 2, 6, 7, 8, 9, 16])
def test_the_mean_of_white_is_white_and_of_flat_lines_exact(
    bits: int, side: int
) -> None:
    # Sums of the most pixels, and lines whose pixels are all the same.
    top = 2**bits - 1
    plane = np.full((6 * side, 70 * side), top, np.uint8 if bits == 8 else np.uint16)
    plane[: 2 * side] = 16
    fast, slow = both(
        plane, bins=top + 1, tiles=(3, 2), interlaced=False, small=(70, 6)
    )
    assert same(fast, slow)
    assert fast.small is not None
    assert (fast.small[:2] == 16).all()
    assert (fast.small[2:] == top).all()
    assert fast.counts[top] == plane.size - fast.counts[16] == plane.size * 2 // 3


@needs_compiled
@pytest.mark.parametrize("width", [512, 513, 519])
@pytest.mark.parametrize("bits", [8, 10])
def test_pictures_large_enough_to_count_pairs_agree(width: int, bits: int) -> None:
    plane = plane_of(520, width, bits, 11, "noise").copy()
    plane[100:300, 40:300] = 16  # bytes that are all the same are counted at once
    fast, slow = both(
        plane, bins=1 << bits, tiles=(6, 8), interlaced=True, small=(64, 65)
    )
    assert same(fast, slow)
    assert np.array_equal(fast.counts, np.bincount(plane.ravel(), minlength=1 << bits))


@needs_compiled
def test_codes_that_the_depth_has_not_are_summed_and_not_counted() -> None:
    plane = plane_of(40, 64, 16, 3, "noise")
    fast, slow = both(plane, bins=1024, tiles=(6, 8), interlaced=False, small=(8, 5))
    assert same(fast, slow)
    assert fast.counts.sum() == np.count_nonzero(plane < 1024) < plane.size


def test_lines_that_are_not_dense_are_read_all_the_same() -> None:
    plane = plane_of(30, 60, 10, 5, "noise")
    more: dict[str, Any] = {"tiles": (2, 3), "interlaced": True, "small": (10, 5)}
    apart = plane_sums(plane[:, ::3], bins=1024, **more)
    dense = plane_sums(np.ascontiguousarray(plane[:, ::3]), bins=1024, **more)
    assert same(apart, dense)


@pytest.mark.parametrize("shape", [(0, 0), (0, 5), (5, 0)])
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_an_empty_plane_sums_to_nothing(
    shape: tuple[int, int], dtype: type[np.unsignedinteger[Any]]
) -> None:
    empty = np.zeros(shape, dtype)
    for result in both(empty, bins=256, tiles=(2, 2), interlaced=True):
        assert not result.counts.any()
        assert not result.total.any()
        assert not result.squares.any()


@needs_compiled
def test_the_extension_refuses_what_it_would_misread() -> None:
    from qc.kernels import _planes

    plane, counts = np.zeros((8, 8), np.uint8), np.zeros(256, np.int64)
    sums, small = np.zeros((2, 2, 2), np.int64), np.zeros((2, 2), np.uint8)
    good = [plane, counts, sums, 2, 2, False, small]
    _planes.luma_pass(*good)  # type: ignore[arg-type]
    for at, wrong, message in (
        (0, np.zeros((8, 8), np.int16), "plane must be"),
        (0, np.zeros((8, 16), np.uint8)[:, ::2], "plane must be"),
        (0, np.zeros(8, np.uint8), "plane must be"),
        (1, np.zeros(256, np.int32), "arrays of int64"),
        (1, np.zeros(65537, np.int64), "do not fit"),
        (2, np.zeros((2, 2, 3), np.int64), "do not fit"),
        (3, 3, "do not fit"),
        (3, 2**62, "do not fit"),
        (4, -2, "do not fit"),
        (6, np.zeros((2, 2), np.uint16), "must fit its plane"),
        (6, np.zeros((16, 16), np.uint8), "must fit its plane"),
        (6, np.zeros((0, 2), np.uint8), "must fit its plane"),
    ):
        bad: list[Any] = [*good]
        bad[at] = wrong
        with pytest.raises(ValueError, match=message):
            _planes.luma_pass(*bad)
    locked = np.zeros(256, np.int64)
    locked.flags.writeable = False
    with pytest.raises(ValueError, match="read-only"):
        _planes.luma_pass(plane, locked, sums, 2, 2, False, None)


def test_without_the_extension_the_package_works() -> None:
    code = (
        "import sys; sys.modules['qc.kernels._planes'] = None\n"
        "import numpy as np, qc.kernels as k\n"
        "y = np.arange(256, dtype=np.uint8).reshape(16, 16)\n"
        "s = k.plane_sums(y, bins=256, tiles=(1, 1), interlaced=False, small=(4, 4))\n"
        "print(k.compiled, int(s.counts.sum()), s.small.shape)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "False 256 (4, 4)"


@needs_compiled
def test_one_build_serves_later_versions_of_python() -> None:
    from qc.kernels import _planes

    name = Path(str(_planes.__file__)).name
    if sysconfig.get_platform().startswith("win"):
        assert name == "_planes.pyd"
    else:
        assert name == "_planes.abi3.so"
