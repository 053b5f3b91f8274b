"""Views against numpy and scipy: exact counts, exact Laplacian sums, area means."""

from __future__ import annotations

import itertools
from typing import Any

import colour
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import ndimage

import qc.kernels.portable
from qc.records import Picture
from qc.signal import Matrix, Signal, ycbcr_to_rgb
from qc.views import (
    PROXY_LONG_SIDE,
    TILE_COLUMNS,
    TILE_ROWS,
    fields,
    laplacian_tiles,
    luma_histogram,
    proxy_chroma,
    proxy_luma,
    proxy_rgb,
    tile_edges,
)
from tests.pictures import picture

SIGNALS = [Signal(bit_depth=b) for b in (8, 10, 12, 16)]
SIZES = st.tuples(st.integers(1, 40), st.integers(1, 40))


def plane_of(
    shape: tuple[int, int], signal: Signal, number: int
) -> NDArray[np.unsignedinteger[Any]]:
    dtype = np.uint8 if signal.bit_depth == 8 else np.uint16
    random = np.random.default_rng(number)
    return random.integers(0, signal.top, shape, dtype, endpoint=True)


# ------------------------------------------------------------------------- fields


def test_fields_are_every_other_line_without_a_copy() -> None:
    plane = np.arange(35, dtype=np.uint8).reshape(7, 5)
    top, bottom = fields(plane, interlaced=True)
    assert np.array_equal(top, plane[[0, 2, 4, 6]])
    assert np.array_equal(bottom, plane[[1, 3, 5]])
    assert np.shares_memory(top, plane)
    assert np.shares_memory(bottom, plane)


def test_a_progressive_picture_and_a_single_line_stay_whole() -> None:
    plane = np.zeros((7, 5), np.uint8)
    assert [f is plane for f in fields(plane, interlaced=False)] == [True]
    assert len(fields(plane[:1], interlaced=True)) == 1


# ---------------------------------------------------------------------- histogram


@given(SIZES, st.sampled_from(SIGNALS), st.integers(0, 2**32 - 1))
def test_histogram_counts_as_numpy_does(
    shape: tuple[int, int], signal: Signal, number: int
) -> None:
    plane = plane_of(shape, signal, number)
    histogram = luma_histogram(picture(plane, signal=signal))
    assert histogram.dtype == np.int64
    expected = np.bincount(plane.ravel(), minlength=signal.top + 1)
    assert np.array_equal(histogram, expected)


@pytest.mark.parametrize("signal", SIGNALS, ids=lambda s: f"{s.bit_depth}-bit")
def test_decoder_buffers_are_read_where_they_lie(signal: Signal) -> None:
    # Lines of a decoder are longer than the picture, and the buffer is read-only.
    buffer = plane_of((33, 64), signal, 1)
    buffer.flags.writeable = False
    for view in (buffer[:, :47], buffer[1::2, :47], buffer[:, ::3]):
        p = picture(view, signal=signal)
        assert np.shares_memory(p.y, buffer)
        expected = np.bincount(view.ravel(), minlength=signal.top + 1)
        assert np.array_equal(luma_histogram(p), expected)
        lap = ndimage.laplace(view.astype(np.float64), mode="mirror")
        assert laplacian_tiles(p).squares.sum() == pytest.approx(np.sum(lap**2), 1e-12)


def test_counts_stay_exact_beyond_whole_float32() -> None:
    # 4097 x 4097 is odd and over 2^24: float32 cannot hold this count.
    y = np.full((4097, 4097), 200, np.uint8)
    assert float(np.float32(y.size)) != y.size
    histogram = luma_histogram(picture(y))
    assert histogram[200] == y.size
    assert histogram.sum() == y.size


def test_bands_add_up_to_the_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    plane = plane_of((50, 31), SIGNALS[1], 7)
    expected = np.bincount(plane.ravel(), minlength=1024)
    for exact in (2, 32, 33, 500, 50 * 31, 50 * 31 + 1):
        monkeypatch.setattr(qc.kernels.portable, "_EXACT_COUNT", exact)
        histogram = qc.kernels.portable.histogram(plane, 1024)
        assert np.array_equal(histogram, expected)


def test_an_empty_picture_has_an_empty_histogram() -> None:
    for shape in ((0, 0), (0, 4), (4, 0)):
        histogram = luma_histogram(picture(np.zeros(shape, np.uint8)))
        assert histogram.shape == (256,)
        assert histogram.sum() == 0


def test_a_view_is_computed_once() -> None:
    calls = []

    def count(p: Picture) -> int:
        calls.append(p)
        return len(calls)

    p = picture(np.zeros((4, 4), np.uint8))
    assert (p.view(count), p.view(count)) == (1, 1)


# -------------------------------------------------------------------------- tiles


@given(st.integers(0, 5000), st.integers(1, 50))
def test_tile_edges_share_out_a_side(length: int, tiles: int) -> None:
    edges = tile_edges(length, tiles)
    assert (edges[0], edges[-1], len(edges)) == (0, length, tiles + 1)
    sizes = np.diff(edges)
    assert sizes.min() >= 0
    assert sizes.max() - sizes.min() <= 1


def expected_tiles(
    plane: NDArray[Any], interlaced: bool
) -> tuple[NDArray[np.float64], ...]:
    """Count, sum and sum of squares on the tile grid, with scipy's Laplacian."""
    count, total, squares = (np.zeros((TILE_ROWS, TILE_COLUMNS)) for _ in range(3))
    for field in [plane[0::2], plane[1::2]] if interlaced else [plane]:
        lap = ndimage.laplace(field.astype(np.float64), mode="mirror")
        rows = tile_edges(field.shape[0], TILE_ROWS)
        columns = tile_edges(field.shape[1], TILE_COLUMNS)
        for i, (top, bottom) in enumerate(itertools.pairwise(rows)):
            for j, (left, right) in enumerate(itertools.pairwise(columns)):
                tile = lap[top:bottom, left:right]
                count[i, j] += tile.size
                total[i, j] += tile.sum()
                squares[i, j] += np.sum(tile**2)
    return count, total, squares


@settings(max_examples=60)
@given(
    st.tuples(st.integers(2, 40), st.integers(1, 40)),
    st.sampled_from(SIGNALS),
    st.booleans(),
    st.integers(0, 2**32 - 1),
)
def test_laplacian_sums_are_scipys(
    shape: tuple[int, int], signal: Signal, interlaced: bool, number: int
) -> None:
    plane = plane_of(shape, signal, number)
    tiles = laplacian_tiles(picture(plane, signal=signal, interlaced=interlaced))
    count, total, squares = expected_tiles(plane, interlaced)
    assert np.array_equal(tiles.count, count)
    assert np.array_equal(tiles.total, total)
    assert tiles.squares == pytest.approx(squares, rel=1e-12)


@pytest.mark.parametrize("signal", SIGNALS, ids=lambda s: f"{s.bit_depth}-bit")
def test_the_hardest_picture_does_not_overflow(signal: Signal) -> None:
    # One-pixel checkerboard between the extreme codes: |Laplacian| = 4 x top each.
    rows, columns = np.indices((271, 483))
    y = ((rows + columns) % 2 * signal.top).astype(np.uint16)
    tiles = laplacian_tiles(picture(y, signal=signal))
    expected = tiles.count * (4.0 * signal.top) ** 2
    assert tiles.squares == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("interlaced", [False, True])
def test_variance_is_that_of_the_pixels(interlaced: bool) -> None:
    plane = plane_of((61, 83), SIGNALS[0], 3)
    tiles = laplacian_tiles(picture(plane, interlaced=interlaced))
    halves = [plane[0::2], plane[1::2]] if interlaced else [plane]
    laps = [ndimage.laplace(h.astype(np.float64), mode="mirror") for h in halves]
    assert tiles.whole_variance() == pytest.approx(
        float(np.var(np.concatenate(laps))), rel=1e-12
    )
    if not interlaced:
        rows, columns = tile_edges(61, TILE_ROWS), tile_edges(83, TILE_COLUMNS)
        corner = laps[0][rows[-2] :, columns[-2] :]
        assert tiles.variance()[-1, -1] == pytest.approx(float(np.var(corner)))


def test_ten_bits_read_as_eight_after_scaling() -> None:
    eight = plane_of((90, 120), SIGNALS[0], 5)
    ten = eight.astype(np.uint16) * 4
    a = laplacian_tiles(picture(eight))
    b = laplacian_tiles(picture(ten, signal=SIGNALS[1]))
    scale = SIGNALS[1].code_scale
    assert np.array_equal(b.squares * scale**2, a.squares)
    assert np.array_equal(b.total * scale, a.total)


def test_tiles_without_pixels_are_unknown_not_flat() -> None:
    tiles = laplacian_tiles(picture(np.zeros((3, 4), np.uint8)))
    assert np.isnan(tiles.variance()).sum() == np.count_nonzero(tiles.count == 0) > 0
    empty = laplacian_tiles(picture(np.zeros((0, 0), np.uint8)))
    assert np.isnan(empty.whole_variance())


# -------------------------------------------------------------------------- proxy


def test_proxy_is_in_percent_of_black_to_white() -> None:
    for signal, code, percent in (
        (Signal(), 235, 100.0),
        (Signal(), 16, 0.0),
        (Signal(full_range=True), 255, 100.0),
        (Signal(bit_depth=10), 502, 50.0),  # (502 - 64) / 876
        (Signal(bit_depth=12, full_range=True), 819, 20.0),  # 819 / 4095
    ):
        y = np.full((480, 960), code, np.uint16)
        proxy = proxy_luma(picture(y, signal=signal))
        assert proxy.dtype == np.float32
        assert proxy == pytest.approx(percent, abs=1e-4)


def test_proxy_is_the_area_mean() -> None:
    # 960 is 4 x 240: blocks of 4 x 4. In 16 bits the mean is rounded to a code.
    signal = Signal(bit_depth=16, full_range=True)
    y = plane_of((480, 960), signal, 9)
    blocks = y.reshape(120, 4, 240, 4).mean(axis=(1, 3)) / signal.top * 100
    assert proxy_luma(picture(y, signal=signal)) == pytest.approx(blocks, abs=1e-3)


@given(st.integers(1, 700), st.integers(1, 700))
def test_proxy_keeps_proportions_and_size(height: int, width: int) -> None:
    proxy = proxy_luma(picture(np.full((height, width), 126, np.uint8)))
    assert max(proxy.shape) == min(PROXY_LONG_SIDE, max(height, width))
    scale = max(1.0, max(height, width) / PROXY_LONG_SIDE)
    assert proxy.shape[0] == pytest.approx(height / scale, abs=1.0)
    assert proxy.shape[1] == pytest.approx(width / scale, abs=1.0)


# ----------------------------------------------------------------- proxy in colour


def coloured(planes: list[NDArray[Any]], signal: Signal) -> Picture:
    """Make a picture of three planes, chroma of any size."""
    dtype = np.uint8 if signal.bit_depth == 8 else np.uint16
    made: list[NDArray[Any]] = [plane.astype(dtype) for plane in planes]
    return Picture(index=0, pts=0, y=made[0], cb=made[1], cr=made[2], signal=signal)


CHROMA_SIZES = {"4:2:0": (240, 480), "4:2:2": (480, 480), "4:4:4": (480, 960)}


@pytest.mark.parametrize("size", CHROMA_SIZES.values(), ids=CHROMA_SIZES.keys())
def test_proxy_chroma_is_a_difference_from_no_colour(size: tuple[int, int]) -> None:
    # ITU-R BT.709-6, BT.2020-2: extremes of Cb and Cr are 16 and 240 in 8 bits, 64 and
    # 960 in 10; 128 and 512 are no colour. Full range: 255 codes from end to end.
    for signal, cb, cr, expected in (
        (Signal(), 240, 16, (0.5, -0.5)),
        (Signal(), 128, 128, (0.0, 0.0)),
        (Signal(bit_depth=10), 64, 960, (-0.5, 0.5)),
        (Signal(full_range=True), 179, 77, (0.2, -0.2)),
    ):
        planes = [np.full((480, 960), 100), np.full(size, cb), np.full(size, cr)]
        chroma = proxy_chroma(coloured(planes, signal))
        assert chroma.dtype == np.float32
        assert chroma.shape == (2, 120, 240)
        for plane, value in zip(chroma, expected, strict=True):
            assert plane == pytest.approx(value, abs=1e-6)


def test_proxy_chroma_is_the_area_mean() -> None:
    # 4:2:0 of 960 x 480: blocks of 2 x 2 chroma samples. In 16 bits the mean is
    # rounded to a code.
    signal = Signal(bit_depth=16)
    cb, cr = (plane_of((240, 480), signal, number) for number in (1, 2))
    p = coloured([np.full((480, 960), 20_000), cb, cr], signal)
    means = [
        (c.reshape(120, 2, 240, 2).mean(axis=(1, 3)) - 32768) / (224 * 256)
        for c in (cb, cr)
    ]
    assert proxy_chroma(p) == pytest.approx(np.stack(means), abs=1e-5)


@given(st.integers(1, 500), st.integers(1, 500), st.sampled_from([(2, 2), (1, 2)]))
def test_colour_proxies_are_as_large_as_the_luma_proxy(
    height: int, width: int, sharing: tuple[int, int]
) -> None:
    size = -(-height // sharing[0]), -(-width // sharing[1])
    planes = [np.full((height, width), 90), np.full(size, 120), np.full(size, 140)]
    p = coloured(planes, Signal())
    luma, rgb = proxy_luma(p), proxy_rgb(p)
    assert rgb.shape == (3, *luma.shape)
    assert proxy_chroma(p).shape == (2, *luma.shape)


@pytest.mark.parametrize("matrix", ["bt601", "bt709", "bt2020"])
@pytest.mark.parametrize("full_range", [False, True])
def test_proxy_rgb_is_the_streams_own_matrix(matrix: Matrix, full_range: bool) -> None:
    # A small picture is its own proxy: colour-science converts it pixel by pixel.
    names = {"bt601": "BT.601", "bt709": "BT.709", "bt2020": "BT.2020"}
    signal = Signal(bit_depth=10, matrix=matrix, full_range=full_range)
    planes = [plane_of((60, 90), signal, number) for number in (3, 4, 5)]
    theirs = colour.YCbCr_to_RGB(
        np.stack(planes, axis=-1),
        K=colour.WEIGHTS_YCBCR[f"ITU-R {names[matrix]}"],
        in_bits=10,
        in_legal=not full_range,
        in_int=True,
        out_bits=10,
        out_legal=False,
        out_int=False,
        clamp_int=False,
    )
    rgb = proxy_rgb(coloured(list(planes), signal))
    assert rgb.dtype == np.float32
    assert np.moveaxis(rgb, 0, -1) == pytest.approx(theirs, abs=2e-6)
    assert rgb.min() < 0  # nothing is cut
    assert rgb.max() > 1


def test_proxy_rgb_of_an_area_is_the_mean_of_its_pixels() -> None:
    # The matrix is linear: the mean of R'G'B' is R'G'B' of the means.
    signal = Signal(bit_depth=16)
    planes = [plane_of((480, 960), signal, number) for number in (6, 7, 8)]
    pixels = ycbcr_to_rgb(*planes, signal=signal)
    means = pixels.reshape(120, 4, 240, 4, 3).mean(axis=(1, 3))
    rgb = proxy_rgb(coloured(list(planes), signal))
    assert np.moveaxis(rgb, 0, -1) == pytest.approx(means, abs=5e-5)


def test_proxy_rgb_takes_the_other_proxies_as_they_are() -> None:
    p = picture(np.full((90, 160), 126, np.uint8))
    p.view(proxy_luma)[:] = 25.0
    assert p.view(proxy_rgb) == pytest.approx(0.25)
