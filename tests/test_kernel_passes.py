"""The passes for single measures: both ways to the last bit, and exact arithmetic."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from qc import kernels
from qc.kernels import channels, detail, pairs
from qc.kernels.motion import common_motion
from tests.test_kernels import DEPTHS, NUMBERS, needs_compiled, plane_of


def both_ways_of(work: Callable[[], Any]) -> tuple[Any, Any]:
    """Return what work gives with the extension, and without."""
    with pytest.MonkeyPatch.context() as patch:
        fast = work()
        patch.setattr(kernels, "compiled", False)
        return fast, work()


def alike(fast: Any, slow: Any) -> bool:
    """Return whether two results, arrays or tuples of them, are the same to the bit."""
    if isinstance(fast, tuple):
        return all(alike(a, b) for a, b in zip(fast, slow, strict=True))
    if isinstance(fast, np.ndarray):
        return fast.dtype == slow.dtype and np.array_equal(fast, slow)
    return bool(fast == slow)


KINDS = st.sampled_from(["noise", "extremes", "few", "upside down"])


@settings(deadline=None, max_examples=60)
@given(st.integers(1, 6), st.integers(1, 6), st.integers(2, 32), DEPTHS, NUMBERS, KINDS)
def test_quiet_blocks_are_scipys_second_differences(
    rows: int, columns: int, side: int, bits: int, number: int, how: str
) -> None:
    plane = plane_of(rows * side, columns * side, bits, number, how)
    fast, slow = both_ways_of(lambda: detail.quiet_blocks(plane, side))
    assert alike(fast, slow)
    weights = [1.0, -2.0, 1.0]
    down = ndimage.correlate1d(plane.astype(float), weights, axis=0, mode="mirror")
    rough = np.abs(ndimage.correlate1d(down, weights, axis=1, mode="mirror"))
    for found, values in zip(fast, (rough, plane), strict=True):
        blocks = values.reshape(rows, side, columns, side).astype(float)
        assert np.array_equal(found, blocks.sum(axis=(1, 3)))


@settings(deadline=None, max_examples=80)
@given(
    st.integers(1, 5), st.integers(0, 15), st.integers(2, 16), st.integers(1, 3),
    DEPTHS, NUMBERS, KINDS,
)  # fmt: skip
def test_the_quietest_are_the_lowest_of_those_that_count(
    across: int, over: int, side: int, bands: int, bits: int, number: int, how: str
) -> None:
    plane = plane_of(4 * side + over, across * side + over % side, bits, number, how)
    tops = np.sort(np.random.default_rng(number).integers(0, 2 * side, bands))
    low, high = 0.2 * 2**bits, 0.7 * 2**bits
    given_: dict[str, Any] = {"tops": tops, "low": low, "high": high, "share": 0.3}
    fast, slow = both_ways_of(
        lambda: detail.quietest(plane, side, lines=2 * side, **given_)
    )
    assert fast == slow
    kept = []
    for top in tops.tolist():
        rough, sums = detail.quiet_blocks(
            plane[top : top + 2 * side, : across * side], side
        )
        pairs_ = zip(rough.ravel().tolist(), sums.ravel().tolist(), strict=True)
        kept += [r for r, s in pairs_ if low < round(Fraction(s, side**2)) < high]
    count = min(max(4, round(0.3 * len(kept))), len(kept))
    assert fast == (len(kept), count, sum(sorted(kept)[:count]))


@settings(deadline=None, max_examples=80)
@given(
    st.integers(4, 60), st.integers(5, 90), st.integers(1, 7), DEPTHS, NUMBERS, KINDS
)
def test_energies_of_both_ways_are_those_of_whole_numbers(
    height: int, width: int, step: int, bits: int, number: int, how: str
) -> None:
    plane = plane_of(height, width, bits, number, how)
    tiles = (3, 4)
    fast, slow = both_ways_of(lambda: detail.both_ways(plane, step=step, tiles=tiles))
    assert alike(fast, slow)
    codes = plane.astype(np.int64)
    lines = [1 + i * step for i in range((height - 2) // step)]
    along = np.diff(codes[lines], n=2, axis=1)
    down = np.diff(codes, n=2, axis=0)[[line - 1 for line in lines]]
    assert fast[0].sum() == (along**2).sum()
    assert fast[1].sum() == (down**2).sum()


@settings(deadline=None, max_examples=80)
@given(
    st.integers(1, 20), st.integers(1, 30), st.integers(1, 9), st.integers(1, 9),
    DEPTHS, NUMBERS, KINDS,
)  # fmt: skip
def test_tiles_hold_each_pixel_once(
    height: int, width: int, rows: int, columns: int, bits: int, number: int, how: str
) -> None:
    plane = plane_of(height, width, bits, number, how)
    fast, slow = both_ways_of(lambda: detail.tile_moments(plane, (rows, columns)))
    assert alike(fast, slow)
    codes = [[int(code) for code in line] for line in plane]
    for found, power in zip(fast, (1, 2), strict=True):
        whole = sum(code**power for line in codes for code in line)
        assert int(found.sum()) == whole * rows * columns
    # One tile in exact arithmetic: how much of each pixel is in it.
    i, j = number % rows, number % columns

    def share(x: int, side: int, at: int, n: int) -> Fraction:
        low = max(Fraction(at * side, n), Fraction(x))
        return max(min(Fraction((at + 1) * side, n), Fraction(x + 1)) - low, Fraction())

    exact = sum(
        share(y, height, i, rows) * share(x, width, j, columns) * code
        for y, line in enumerate(codes)
        for x, code in enumerate(line)
    )
    assert int(fast[0][i, j]) == exact * rows * columns
    if rows <= height and columns <= width:
        sums = both_ways_of(lambda: detail.area_sums(plane, (rows, columns)))
        assert alike(*sums)
        assert np.array_equal(sums[0], fast[0])


@settings(deadline=None, max_examples=40)
@given(
    st.integers(1, 40), st.integers(1, 50), st.integers(1, 4), st.integers(1, 5),
    DEPTHS, NUMBERS, KINDS,
)  # fmt: skip
def test_contrast_of_tiles_is_the_same_both_ways(
    height: int, width: int, rows: int, columns: int, bits: int, number: int, how: str
) -> None:
    plane = plane_of(height, width, bits, number, how)
    black = 2.0 ** (bits - 4)
    given_ = {"black": black, "percent": 114.3 / 2**bits, "share": 0.3, "dark": 20.0}
    fast, slow = both_ways_of(
        lambda: detail.tile_contrast(plane, (rows, columns), **given_)
    )
    assert np.array_equal(fast, slow, equal_nan=True)
    # One tile as numpy has it, where tiles are whole pixels.
    tall, wide = height // rows, width // columns
    if height % rows or width % columns:
        return
    tile = (plane[:tall, :wide].astype(float) - black) * given_["percent"]
    level = float(tile.mean())
    if level <= 20.0:
        assert np.isnan(fast[0, 0])
    else:
        expected = np.hypot(tile.std(), 0.3 * level)
        assert fast[0, 0] == pytest.approx(expected, rel=1e-6)


@settings(deadline=None, max_examples=40)
@given(st.integers(1, 8), st.integers(1, 9), NUMBERS)
def test_variances_of_sums_are_numpys(rows: int, columns: int, number: int) -> None:
    rng = np.random.default_rng(number)
    tiles = [
        rng.integers(-1000, 1000, rng.integers(0, 9)).astype(float)
        for _ in range(rows * columns)
    ]
    count, total, squares = (
        np.array([float(f(t)) for t in tiles]).reshape(rows, columns)
        for f in (len, np.sum, lambda t: np.sum(t * t))
    )
    fast, slow = both_ways_of(lambda: detail.tile_variance(count, total, squares))
    assert np.array_equal(fast[0], slow[0], equal_nan=True)
    assert np.array_equal(fast[1], slow[1], equal_nan=True)
    for found, tile in zip(fast[0].ravel(), tiles, strict=True):
        expected = tile.var() if tile.size else np.nan
        assert found == pytest.approx(expected, abs=1e-6, nan_ok=True)
    every = np.concatenate(tiles)
    expected = every.var() if every.size else np.nan
    assert fast[1] == pytest.approx(expected, abs=1e-6, nan_ok=True)


def _reached(values: np.ndarray, bins: int, percent: float) -> int:
    """Return the bin of the value that so many of those under the end reach."""
    kept = np.sort(np.floor(values).astype(int))[::-1]
    kept = kept[kept < bins]
    rank = int(np.ceil(kept.size * percent / 100.0))
    return int(kept[rank - 1]) if kept.size and rank else bins - 1


@settings(deadline=None, max_examples=120)
@given(
    st.integers(8, 60), st.integers(8, 90), st.sampled_from([1, 2, 4, 8]),
    st.integers(1, 4), st.booleans(), DEPTHS, NUMBERS, KINDS,
)  # fmt: skip
def test_the_largest_steps_are_those_of_all_in_order(
    height: int,
    width: int,
    scale: int,
    apart: int,
    down: bool,
    bits: int,
    number: int,
    how: str,
) -> None:
    plane = plane_of(height, width, bits, number, how)
    shift = bits - 8 + 2 * (scale.bit_length() - 1)
    bins, percent = (4096 if number % 3 else 300), (0.1, 3.0, 50.0)[number % 3]
    given_: dict[str, Any] = {"shift": shift, "bins": bins, "percent": percent}
    given_ |= {"scale": scale, "step": scale * apart, "down": down}
    fast, slow = both_ways_of(lambda: detail.edge_steps(plane, **given_))
    assert fast == slow
    if scale > 1:
        return
    lines = (plane.T if down else plane)[::apart].astype(float) / 2.0 ** (bits - 8)
    slope = np.abs(lines[:, 2:] - lines[:, :-2]).ravel()
    bend = np.abs(np.diff(lines, n=2, axis=1)).ravel()
    expected = tuple(_reached(4.0 * v, bins, percent) for v in (slope, bend))
    assert fast == expected


@settings(deadline=None, max_examples=60)
@given(
    st.integers(1, 5), st.integers(1, 9), st.integers(1, 90), st.integers(0, 70),
    DEPTHS, NUMBERS, KINDS,
)  # fmt: skip
def test_bands_are_copied_as_they_are(
    bands: int, rows: int, width: int, over: int, bits: int, number: int, how: str
) -> None:
    plane = plane_of(rows + over, width, bits, number, how)
    tops = np.random.default_rng(number).integers(0, over + 1, bands)

    def copied() -> np.ndarray:
        out = np.zeros((bands, rows, width), plane.dtype)
        pairs.copy_bands(plane, tops, out)
        return out

    fast, slow = both_ways_of(copied)
    assert alike(fast, slow)
    assert np.array_equal(fast, np.stack([plane[t : t + rows] for t in tops]))


@settings(deadline=None, max_examples=60)
@given(
    st.integers(1, 4), st.integers(1, 80), st.sampled_from([8, 10, 16]), NUMBERS, KINDS
)
def test_pairs_of_frames_are_summed_in_whole_numbers(
    bands: int, width: int, bits: int, number: int, how: str
) -> None:
    one, two = (
        np.ascontiguousarray(plane_of(bands * 16, width, bits, number + k, how))
        for k in (0, 1)
    )
    shape = (bands, 16, width)
    fast, slow = both_ways_of(
        lambda: pairs.pair_sums(one.reshape(shape), two.reshape(shape))
    )
    assert alike(fast, slow)
    if width < 16:
        return
    block = two[:16, :16].astype(np.int64) - one[:16, :16]
    halves = block.reshape(8, 2, 8, 2).sum(axis=(1, 3))
    assert fast[:, 0].tolist()[0] == block.sum()
    assert fast[:, 0].tolist()[1] == (block**2).sum()
    assert fast[:, 0].tolist()[4] == (halves**2).sum()


@settings(deadline=None, max_examples=80)
@given(
    st.integers(1, 3), st.integers(1, 12), st.integers(1, 120), st.integers(1, 40),
    st.sampled_from([4, 16]), st.sampled_from([8, 10, 16]), NUMBERS, KINDS,
)  # fmt: skip
def test_sums_for_the_lag_of_fields_agree(
    bands: int,
    rows: int,
    pixels: int,
    factor: int,
    width: int,
    bits: int,
    number: int,
    how: str,
) -> None:
    before, now = (
        np.ascontiguousarray(
            plane_of(bands * rows, pixels, bits, number + k, how)
        ).reshape(bands, rows, pixels)
        for k in (0, 1)
    )
    fast, slow = both_ways_of(
        lambda: pairs.lag_sums(before, now, factor=factor, width=width)
    )
    assert alike(fast, slow)
    if not fast.size or rows < 4:
        return
    # The change of the bottom field, but for its last line, doubled.
    part = slice(0, factor * width)
    bottom = [codes[0, 1 : 2 * (rows // 2) - 1 : 2, part] for codes in (before, now)]
    change = bottom[1].astype(np.int64).sum() - bottom[0].astype(np.int64).sum()
    assert fast[1, 0, 0] == 2 * change


@settings(deadline=None, max_examples=80)
@given(
    st.integers(1, 3), st.integers(1, 12), st.integers(1, 120), st.integers(1, 40),
    st.sampled_from([4, 16]), st.sampled_from([8, 10, 16]), NUMBERS, KINDS,
)  # fmt: skip
def test_sums_across_fields_of_two_frames_agree(
    bands: int,
    rows: int,
    pixels: int,
    factor: int,
    width: int,
    bits: int,
    number: int,
    how: str,
) -> None:
    one, two = (
        np.ascontiguousarray(
            plane_of(bands * rows, pixels, bits, number + k, how)
        ).reshape(bands, rows, pixels)
        for k in (0, 1)
    )
    fast, slow = both_ways_of(
        lambda: pairs.across_sums(one, two, factor=factor, width=width)
    )
    assert alike(fast, slow)
    if not fast.size or rows < 4:
        return
    # Line by line, as it is defined: a line of one frame between two of the other.
    a, b = (
        codes[0, :, : factor * width]
        .astype(np.int64)
        .reshape(rows, width, factor)
        .sum(axis=2)
        for codes in (one, two)
    )
    for first in (1, 2):
        lines = range(first, first + 2 * (rows // 2 - 1), 2)
        off = [2 * a[y] - b[y - 1] - b[y + 1] for y in lines]
        assert fast[first - 1, 0, 0] == sum(int((line**2).sum()) for line in off)


def colours_of(
    height: int, width: int, down: int, across: int, bits: int, number: int, how: str
) -> channels.Coloured:
    """Make a picture, its chroma near no colour or anywhere."""
    small = -(-height // down), -(-width // across)
    y = plane_of(height, width, bits, number, how)
    cb, cr = (plane_of(*small, bits, number + k, how) for k in (1, 2))
    return channels.Coloured(y, cb, cr, down, across)


COLOURS = st.builds(
    colours_of,
    st.integers(1, 40),
    st.integers(1, 300),
    st.sampled_from([1, 2, 4]),
    st.sampled_from([1, 2, 4]),
    DEPTHS,
    NUMBERS,
    KINDS,
)


@settings(deadline=None, max_examples=150)
@given(COLOURS, NUMBERS, st.integers(1, 5), st.booleans(), st.sampled_from([1, 2]))
def test_channels_are_told_alike(
    picture: channels.Coloured, number: int, every: int, masked: bool, area_step: int
) -> None:
    random = np.random.default_rng(number)
    bits = 21 if picture.y.dtype == np.uint8 else 13
    top = int(np.iinfo(picture.y.dtype).max)
    lines = np.stack(
        [
            random.integers(0, 2 * top, 6) << bits,
            *(random.integers(-2 << bits, 2 << bits, 6) for _ in range(2)),
        ],
        axis=1,
    )
    # As those of pictures: both ends have one share of chroma, and never so far that 32
    # bits do not hold it.
    lines[3:, 1:] = lines[:3, 1:]
    lines[:, 0] = np.clip(lines[:, 0] + (lines[:, 1:].sum(axis=1) * top // 2), 0, None)
    lines = lines // 4
    three, six = channels.Ends(lines[:3], bits), channels.Ends(lines, bits)
    level = int(random.integers(0, top + 1))
    mask = None
    if masked:
        mask = (random.integers(0, 2, picture.y.shape) * 255).astype(np.uint8)
    height, width = picture.y.shape

    def seen() -> tuple[Any, ...]:
        area = np.zeros((-(-height // area_step), -(-width // 2)), picture.y.dtype)
        more: dict[str, Any] = {"mask": mask, "area": area, "area_step": area_step}
        found = channels.look(
            picture, three, level=level, steps=[0, top // 8], every=every, **more
        )
        counts = channels.values_at(picture, three, step=(every, 2), shift=0, bins=320)
        some = channels.places(picture, three, step=(1, every), level=level)
        return (*found, area, channels.outside(picture, six), counts, some)

    fast, slow = both_ways_of(seen)
    assert alike(fast, slow)
    # A picture of its own places is counted as a whole, too.
    low = picture.y < level
    if mask is not None:
        low &= mask > 0
    red = picture.y > picture.widened(
        channels.thresholds(picture.cb, picture.cr, three, 0)
    )
    assert fast[0][0, 0] == np.count_nonzero(red & low)
    assert fast[0][3, 0] >= fast[0][:3, 0].max()


@settings(deadline=None, max_examples=60)
@given(st.integers(1, 60), NUMBERS, st.sampled_from([(0.15,), (0.9, 0.4)]))
def test_common_motion_agrees_to_the_last_bit_and_outvotes_the_few(
    n: int, number: int, scales: tuple[float, ...]
) -> None:
    # Patches as they are: their gradients' normal matrices, and places in the picture.
    random = np.random.default_rng(number)
    sides = random.normal(0, 1, (n, 2, 3))
    normal = sides @ sides.swapaxes(1, 2) + 0.1 * np.eye(2)
    x, y = random.uniform(-1, 1, (2, n))
    one, nil = np.ones(n), np.zeros(n)
    model = np.stack(
        [np.stack([one, nil, x, -y], -1), np.stack([nil, one, y, x], -1)], axis=1
    )
    motion = np.array([*random.uniform(-0.2, 0.2, 2), *random.uniform(-0.05, 0.05, 2)])
    pull = np.einsum("pij,pjk,k->pi", normal, model, motion)
    pull += random.normal(0, 0.01, (n, 2))
    # A few move otherwise.
    few = np.arange(n) < n // 6
    pull[few] += np.einsum("pij,j->pi", normal[few], np.array([3.0, -2.0]))
    trace = np.trace(normal, axis1=1, axis2=2)
    root = np.linalg.cholesky(np.linalg.inv(normal)).swapaxes(1, 2)
    root *= np.sqrt(2.0 / trace)[:, None, None]
    weighing = np.einsum("pik,pij,pjl->pkl", model, normal, model).reshape(n, 16)
    given_: dict[str, Any] = {
        "felt": np.einsum("pij,pj->pi", root, pull),
        "pull": pull,
        "worth": 1.0 / np.maximum(trace, trace.mean()),
        "model_felt": np.einsum("pij,pjk,pkl->pil", root, normal, model).reshape(-1, 4),
        "weighing": weighing,
        "model": model.reshape(-1, 4),
        "lean": (1e-9, 1e-9, 1e-3, 1e-3),
    }
    x, y, zoom, turn = (0.9 * motion).tolist()
    guess = (x, y, zoom, turn)
    fast, slow = both_ways_of(lambda: common_motion(guess, scales=scales, **given_))
    assert alike(fast, slow)
    if n >= 30:
        assert np.abs(fast[0] - motion).max() < 0.05
        # One edge tells less of what runs along it.
        assert np.median(fast[1][few]) > 1.0


@needs_compiled
def test_the_newer_passes_refuse_what_they_would_misread() -> None:
    from qc.kernels import _planes

    plane, wide = np.zeros((32, 32), np.uint8), np.zeros((32, 32), np.uint16)
    chroma, numbers = np.zeros((16, 16), np.uint8), lambda n: np.zeros(n, np.int64)
    planes = (plane, chroma, chroma, 2, 2)
    other = (plane, chroma, chroma, 1, 1)
    steps, ends = numbers(2), numbers(9)
    cells, bands = np.zeros(2), np.zeros((1, 8, 32), np.uint8)
    rest = (steps, 2, numbers(8), numbers(400), 200, 1, None, 2)
    calls: list[tuple[Any, tuple[Any, ...], str]] = [
        (_planes.quiet_blocks, (plane, 33, numbers(2)), "must fill a plane"),
        (_planes.quiet_blocks, (plane, 7, numbers(2)), "must fill a plane"),
        (_planes.quiet_blocks, (plane, 16, numbers(7)), "do not fit"),
        (_planes.quietest, (plane, 33, 33, numbers(1), 1, 0.0, 9.0, 0.2), "lie in"),
        (_planes.quietest, (plane, 8, 12, numbers(1), 1, 0.0, 9.0, 0.2), "lie in"),
        (_planes.quietest, (plane, 8, 8, numbers(1) + 25, 1, 0.0, 9.0, 0.2), "bands"),
        (_planes.quietest, (plane, 8, 8, numbers(2), 1, 0.0, 9.0, 0.2), "do not fit"),
        (_planes.both_ways, (plane[:2], 1, 1, 1, numbers(2)), "three lines"),
        (_planes.both_ways, (plane, 0, 1, 1, numbers(2)), "three lines"),
        (_planes.both_ways, (plane, 1, 2, 2, numbers(7)), "do not fit"),
        (_planes.tile_moments, (plane, 0, 1, numbers(2)), "tiles want"),
        (_planes.tile_moments, (plane, 2, 2, numbers(9)), "do not fit"),
        (_planes.area_sums, (plane, 33, 2, numbers(66)), "smaller than its plane"),
        (_planes.area_sums, (plane, 2, 2, numbers(5)), "do not fit"),
        (_planes.tile_contrast, (plane, 0, 1, 0.0, 1.0, 0.1, 4.0, cells), "tiles want"),
        (_planes.tile_contrast, (plane, 2, 2, 0.0, 1.0, 0.1, 4.0, cells), "that fit"),
        (_planes.tile_variance, (2, cells, cells, cells[:1], cells), "that fit"),
        (_planes.edge_steps, (plane, 2, 3, 0, 2, 9, 0.1), "whole squares"),
        (_planes.edge_steps, (plane, 33, 33, 0, 2, 9, 0.1), "whole squares"),
        (_planes.edge_steps, (plane, 2, 4, 0, 2, 9, 101.0), "whole squares"),
        (_planes.copy_bands, (plane, numbers(1) + 25, 1, 8, bands), "lie in a plane"),
        (_planes.copy_bands, (plane, numbers(2), 1, 8, bands), "do not fit"),
        (_planes.copy_bands, (wide, numbers(1), 1, 8, bands), "another type or size"),
        (_planes.pair_sums, (plane, wide, numbers(20)), "one shape and type"),
        (_planes.pair_sums, (plane, plane, numbers(21)), "do not fit"),
        (_planes.lag_sums, (plane, plane, 5, 1, 4, numbers(11)), "fill a plane"),
        (_planes.lag_sums, (plane, plane, 8, 1, 4, numbers(11)), "do not fit"),
        (_planes.across_sums, (plane, plane, 5, 1, 4, numbers(2)), "fill a plane"),
        (_planes.across_sums, (plane, plane, 8, 1, 4, numbers(2)), "do not fit"),
        (_planes.channel_range, (planes, numbers(9), 21), "do not fit"),
        (_planes.channel_range, (other, numbers(18), 21), "does not belong"),
        (
            _planes.channel_places,
            (planes, ends, 0, (1, 1), 9, None, 1, 0),
            "not belong",
        ),
        (_planes.channel_places, (planes, ends, 21, (1, 0), 9, None, 1, 0), "a step"),
        (_planes.channel_look, (planes, plane[:9], ends, 21, 200, *rest), "the mask"),
        (_planes.channel_look, (planes, None, ends, 21, 256, *rest), "must be codes"),
        (_planes.channel_look, (planes, None, ends, 21, 201, *rest), "must be codes"),
        (
            _planes.channel_look,
            (planes, None, ends, 21, 200, *rest[:6], chroma[:3], 2),
            "half as wide",
        ),
    ]
    patches = [np.zeros(n) for n in (4, 4, 2, 16, 32, 16, 6)]
    more = (0.0,) * 4, (0.3, 0.0), (0.0,) * 4
    _planes.common_motion(2, *patches, *more)
    for at in range(7):
        wrong: list[Any] = [*patches]
        wrong[at] = np.zeros(3)
        calls.append((_planes.common_motion, (2, *wrong, *more), "float64 that fit"))
    for call, given_, message in calls:
        with pytest.raises(ValueError, match=message):
            call(*given_)
    _planes.channel_look(planes, None, ends, 21, 200, *rest[:6], chroma.copy(), 2)
