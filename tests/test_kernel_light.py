"""Light, flashes and single pixels: both ways to the last bit, and plain numpy."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from qc.kernels.flash import ScreenTable, TurnLimits, Turns, screen_light
from qc.kernels.light import (
    Agreement,
    StripTable,
    changed_lines,
    common_level,
    looked_up,
    mean_cells,
    middle_means,
    most_apart,
    share_level,
    strip_look,
)
from qc.kernels.spots import beyond_cross, fit_sums
from tests.test_kernel_passes import alike, both_ways_of
from tests.test_kernels import DEPTHS, NUMBERS, plane_of

SIZES = st.integers(1, 40)
HOW = Agreement(0.05, 0.08, 0.15, 0.5, 0.15, 0.8, -0.2)


def same(fast: Any, slow: Any) -> bool:
    """Return whether both are the same to the bit; NaN where the other is, too."""
    if fast is None or slow is None:
        return fast is slow
    if isinstance(fast, np.ndarray):
        return fast.dtype == slow.dtype and np.array_equal(fast, slow, equal_nan=True)
    return alike(fast, slow)


# ------------------------------------------------------------------------------ table


@settings(deadline=None, max_examples=50)
@given(SIZES, SIZES, st.integers(1, 300), st.sampled_from([1.0, 50.0]), NUMBERS)
def test_a_table_is_read_at_the_nearest_place(
    rows: int, columns: int, steps: int, scale: float, number: int
) -> None:
    random = np.random.default_rng(number)
    # Quarters are whole in float32: what is nearest is exact, halves go up.
    quarters = random.integers(-400, 1600, (rows, columns)) / 4
    table = random.normal(0.0, 3.0, steps).astype(np.float32)
    table[random.integers(0, steps)] = np.inf
    cells = quarters.astype(np.float32)
    fast, slow = both_ways_of(lambda: looked_up(cells, table, scale=scale))
    assert same(fast, slow)
    at = np.floor(quarters * scale + 0.5).astype(int)
    assert np.array_equal(fast, table[np.clip(at, 0, steps - 1)])


# ------------------------------------------------------------------------------ cells


@settings(deadline=None, max_examples=50)
@given(st.integers(1, 9), st.integers(1, 12), st.integers(1, 6), SIZES, NUMBERS)
def test_cells_are_numpys_means(
    rows: int, columns: int, down: int, across: int, number: int
) -> None:
    random = np.random.default_rng(number)
    luma = random.uniform(-5, 110, (rows * down, columns * across)).astype(np.float32)
    fast, slow = both_ways_of(lambda: mean_cells(luma, rows, columns))
    assert same(fast, slow)
    parts = luma.reshape(rows, down, columns, across).astype(np.float64)
    assert fast == pytest.approx(parts.mean(axis=(1, 3)), rel=1e-4, abs=1e-4)


@settings(deadline=None, max_examples=60)
@given(st.integers(1, 80), st.integers(1, 60), st.floats(0.01, 1.0), NUMBERS)
def test_a_share_of_cells_lies_at_or_under_its_level(
    rows: int, columns: int, share: float, number: int
) -> None:
    random = np.random.default_rng(number)
    cells = random.integers(0, 50, (rows, columns)).astype(np.float32)
    fast, slow = both_ways_of(lambda: share_level(cells, share))
    assert fast == slow
    assert np.mean(cells <= fast) >= share - 1e-9
    assert np.mean(cells < fast) < share


def test_no_cells_have_no_level() -> None:
    assert np.isnan(share_level(np.zeros((0, 3), np.float32), 0.99))


@settings(deadline=None, max_examples=60)
@given(SIZES, st.integers(1, 150), DEPTHS, NUMBERS)
def test_the_largest_difference_is_numpys(
    height: int, width: int, bits: int, number: int
) -> None:
    one, two = (plane_of(height, width, bits, number + i, "few") for i in range(2))
    fast, slow = both_ways_of(lambda: most_apart(one, two))
    assert fast == slow == np.abs(one.astype(np.int64) - two.astype(np.int64)).max()
    assert most_apart(one, one) == 0


# ------------------------------------------------------------------------- the level


@settings(deadline=None, max_examples=120)
@given(
    st.integers(1, 12),
    st.integers(1, 20),
    st.sampled_from([0.0, 0.05, 0.3, -1.2]),
    st.sampled_from([0.01, 0.1, 0.4]),
    st.booleans(),
    NUMBERS,
)
def test_the_common_level_is_the_same_both_ways(
    rows: int, columns: int, change: float, grain: float, half: bool, number: int
) -> None:
    random = np.random.default_rng(number)
    anchor = random.uniform(-4, 0, (rows, columns)).astype(np.float32)
    cells = anchor + np.float32(change)
    cells += random.normal(0, grain, cells.shape).astype(np.float32)
    if half:
        cells[:, columns // 2 :] += np.float32(0.7)
    cells[random.random(cells.shape) < 0.1] = np.nan
    cells[random.random(cells.shape) < 0.1] = np.inf
    anchor[random.random(cells.shape) < 0.1] = np.nan
    fast, slow = both_ways_of(lambda: common_level(anchor, cells, HOW))
    assert fast == slow


def test_a_gain_is_told_and_a_shadow_over_half_is_not() -> None:
    random = np.random.default_rng(2)
    anchor = random.uniform(-4, -1, (27, 48)).astype(np.float32)
    gain = anchor + np.float32(0.5)
    gain[3, 5:9] += np.float32(2.0)  # something bright came in
    gain[8, :2] = np.inf  # cut off; at most -0.5 + 4 (0.08 + 0.15 * 0.5) is no wonder
    anchor[8, 0], anchor[8, 1] = -3.0, -0.5
    found = common_level(anchor, gain, HOW)
    assert found is not None
    assert found[0] == pytest.approx(0.5, abs=1e-6)
    assert found[1] == 4 + 1
    shadow = anchor.copy()
    shadow[:, :29] -= np.float32(0.5)
    assert common_level(anchor, shadow, HOW) is None


# ------------------------------------------------------------------------------ strips

_STEPS = 4096
_SHARES = np.maximum(np.arange(_STEPS + 2), 1) / _STEPS
_STOPS = np.log2(_SHARES).astype(np.float32)
TABLE = StripTable(
    stops=_STOPS,
    rises=np.diff(_STOPS, append=_STOPS[-1:]),
    low=8.0,
    high=92.0,
    scale=_STEPS / 100.0,
    parts=3,
    fewest=6,
    least=3.5,
)


@settings(deadline=None, max_examples=60)
@given(st.integers(1, 27), st.sampled_from([3, 9, 30]), st.floats(0, 90), NUMBERS)
def test_strips_are_numpys_trimmed_means(
    strips: int, across: int, low: float, number: int
) -> None:
    random = np.random.default_rng(number)
    one, two = (
        random.uniform(low, 105, (strips, across)).astype(np.float32) for _ in range(2)
    )
    before = both_ways_of(lambda: strip_look(one, TABLE, None))
    assert same(before[0][0], before[1][0])
    assert before[0][1] is None
    (fast_look, fast), (slow_look, slow) = both_ways_of(
        lambda: strip_look(two, TABLE, before[0][0])
    )
    assert same(fast_look, slow_look)
    assert same(fast, slow)
    assert fast is not None
    usable = (one >= 8) & (one <= 92) & (two >= 8) & (two <= 92)
    light = [np.log2(np.clip(v, 8, 92).astype(np.float64) / 100) for v in (one, two)]
    for s in range(strips):
        known = np.sort((light[1] - light[0])[s][usable[s]])
        cut = len(known) // 4
        expected = known[cut : len(known) - cut].mean() if len(known) >= 6 else np.nan
        assert float(fast[s]) == pytest.approx(expected, abs=2e-5, nan_ok=True)


def test_parts_are_plain_means_of_what_is_usable() -> None:
    one, two = np.full((2, 30), 20.0, np.float32), np.full((2, 30), 40.0, np.float32)
    two[0, :10] = 3.0  # too dark: less than half of this part is usable twice
    one[0, 3:10] = 3.0
    changes = strip_look(two, TABLE, strip_look(one, TABLE, None)[0])[1]
    assert changes is not None
    parts = changes[2:].reshape(2, 3)
    assert np.isnan(parts[0, 0])
    # 20 to 40 % is one stop.
    assert parts.ravel()[1:] == pytest.approx(1.0, abs=1e-4)


def test_too_few_known_cells_have_no_middle() -> None:
    changes = np.full((2, 30), np.nan, np.float32)
    changes[0, :5], changes[1, :6] = 1.0, [9, 1, 2, 3, 4, -9]
    means = middle_means(changes)
    assert np.isnan(means[0])
    assert means[1] == 2.5


# ------------------------------------------------------------------------------- lines


@settings(deadline=None, max_examples=60)
@given(SIZES, SIZES, st.integers(1, 9), DEPTHS, NUMBERS, st.integers(0, 3))
def test_lines_are_compared_and_kept(
    height: int, width: int, step: int, bits: int, number: int, first: int
) -> None:
    old = plane_of(height, width, bits, number, "noise")
    new = plane_of(height, width, bits, number + 1, "upside down")
    new = np.where(np.arange(width) % 2 == 0, old, new)
    first = min(first, height - 1)

    def work() -> tuple[Any, ...]:
        lines = np.empty((len(range(first, height, step)), width), old.dtype)
        how: dict[str, Any] = {"first": first, "step": step, "lines": lines}
        begins = changed_lines(old, **how, known=False)
        return begins, changed_lines(new, **how, known=True), lines

    fast, slow = both_ways_of(work)
    assert same(fast, slow)
    apart = np.abs(new.astype(np.int64) - old.astype(np.int64))[first::step]
    assert fast[0] == (0, 0)
    assert fast[1] == (np.count_nonzero(apart), apart.sum())
    assert np.array_equal(fast[2], new[first::step])


# ------------------------------------------------------------------------------ flashes


def screen(number: int) -> ScreenTable:
    random = np.random.default_rng(number)
    light = np.sort(random.uniform(0, 200, 1001)).astype(np.float32)
    to_places = random.uniform(-4, 4, (3, 4)).astype(np.float32)
    to_places[:, 0] = 9.0
    mix = np.array([[0.2, 0.7, 0.1], [1.6, -1.6, -1.6], [0.2, -0.8, -0.8]], np.float32)
    return ScreenTable(
        light, to_places, mix, red_from=140.5, red_zero=128, red_luma=2.0, red_step=20
    )


@settings(deadline=None, max_examples=80)
@given(SIZES, st.integers(1, 60), SIZES, SIZES, DEPTHS, NUMBERS, st.booleans())
def test_a_screen_shows_the_same_both_ways(
    height: int, width: int, down: int, across: int, bits: int, number: int, red: bool
) -> None:
    random = np.random.default_rng(number)
    luma = random.uniform(-3, 105, (height, width)).astype(np.float32)
    cb, cr = (plane_of(down, across, bits, number + i, "noise") for i in range(2))
    fast, slow = both_ways_of(
        lambda: screen_light(luma, cb, cr, screen(number), red=red)
    )
    assert same(fast[0], slow[0])
    assert fast[2] == slow[2]
    assert (fast[1] is None) == (slow[1] is None)
    if fast[1] is not None and slow[1] is not None:
        assert same(fast[1], slow[1])
        assert fast[2] == fast[1][1].any()
    # Against the sum of products in float64.
    expected = np.tensordot([0.2, 0.7, 0.1], fast[0][:3].astype(np.float64), axes=1)
    assert fast[0][3] == pytest.approx(expected, rel=1e-5, abs=1e-4)


@settings(deadline=None, max_examples=60)
@given(st.integers(1, 20), SIZES, st.booleans(), st.booleans(), NUMBERS)
def test_places_turn_the_same_both_ways(
    height: int, width: int, red: bool, hdr: bool, number: int
) -> None:
    limits = TurnLimits(20.0, 160.0, 8.0 if hdr else 0.0, 0.01)

    def work() -> tuple[Any, ...]:
        random = np.random.default_rng(number)
        turns = None
        out: list[float] = []
        for frame in range(14):
            values = random.uniform(0, 60, (height, width)).astype(np.float32)
            values *= np.float32(random.choice([1.0, 6.0]))
            saturated = random.random(values.shape) < 0.3 if red else None
            if turns is None:
                turns = Turns(values, saturated, limits)
            if frame == 6:
                turns.passed(values)
            out += turns.read(
                values, saturated, at_s=frame / 25, since_s=frame / 25 - 0.1,
                watch_first=frame < 7,
            )  # fmt: skip
        assert turns is not None
        return (*out, turns.ever_red)

    fast, slow = both_ways_of(work)
    assert fast == slow


@pytest.mark.parametrize(
    ("low", "high", "hdr", "counts"),
    # ITU-R BT.1702-3: 20 cd/m2, the darker under 160; HDR over it: a contrast of 1/17.
    [
        (10, 30, False, True),
        (10, 29, False, False),
        (159, 179, False, True),
        (161, 400, False, False),
        (400, 449, True, False),
        (400, 450, True, True),
    ],
)
def test_a_turn_wants_the_recommendations_change(
    low: float, high: float, hdr: bool, counts: bool
) -> None:
    shape = (5, 8)
    limits = TurnLimits(20.0, 160.0, 8.0 if hdr else 0.0, 0.01)
    turns = Turns(np.full(shape, low, np.float32), None, limits)
    how: dict[str, Any] = {"at_s": 0.5, "since_s": 0.4, "watch_first": False}
    values = np.full(shape, low, np.float32)
    values[:, :4] = high
    assert turns.read(values, None, **how) == (50.0 * counts, 0.0)
    values[:, :4] = low
    how |= {"at_s": 0.7, "since_s": 0.6}
    assert turns.read(values, None, **how) == (0.0, 50.0 * counts)


# ------------------------------------------------------------------------------- spots


@settings(deadline=None, max_examples=80)
@given(
    st.integers(3, 40),
    st.integers(3, 150),
    st.integers(1, 20),
    st.sampled_from([3, 50, 4000]),
    DEPTHS,
    NUMBERS,
    st.sampled_from(["noise", "extremes", "few", "upside down"]),
)
def test_single_pixels_are_those_beyond_numpys_extremes(
    height: int, width: int, least: int, most: int, bits: int, number: int, how: str
) -> None:
    plane = plane_of(height, width, bits, number, how)
    fast, slow = both_ways_of(lambda: beyond_cross(plane, least, most))
    assert same(fast, slow)
    if min(plane.shape) < 5:
        assert [len(found) for found in fast] == [0, 0]
        return
    codes = plane.astype(np.int64)
    core = codes[2:-2, 2:-2]
    cross = [codes[:-4, 2:-2], codes[4:, 2:-2], codes[2:-2, :-4], codes[2:-2, 4:]]
    beyond = core - np.max(cross, axis=0), np.min(cross, axis=0) - core
    for found, amounts in zip(fast, beyond, strict=True):
        limit = least
        while (amounts > limit).sum() > most and 2 * limit < np.iinfo(plane.dtype).max:
            limit *= 2
        rows, columns = np.nonzero(amounts > limit)
        assert np.array_equal(found, (rows + 2) * width + columns + 2)


def test_a_weave_that_cannot_be_thinned_is_told_whole() -> None:
    # All lie 150 codes beyond; twice 130 is over the top, so that none is left out.
    # Those on the outermost two lines have no four pixels round them.
    plane = np.full((90, 160), 100, np.uint8)
    plane[::8, ::8] = 250
    fast, slow = both_ways_of(lambda: beyond_cross(plane, 130, 50))
    assert same(fast, slow)
    assert [len(found) for found in fast] == [10 * 19, 0]
    # At 100 they could be, to more than 200: none is so far beyond.
    assert not len(beyond_cross(plane, 100, 50)[0])


@settings(deadline=None, max_examples=60)
@given(st.integers(1, 150), st.floats(0.5, 9.0), NUMBERS)
def test_sums_of_a_fit_are_those_of_weighted_least_squares(
    n: int, scale: float, number: int
) -> None:
    random = np.random.default_rng(number)
    terms, known = random.normal(0, 1, (n, 6)), random.random(n) < 0.8
    steps, laid = random.normal(0, 3, (2, n, 2))
    fast, slow = both_ways_of(lambda: fit_sums(terms, steps, laid, known, scale))
    assert alike(fast, slow)
    off = np.linalg.norm(steps - laid, axis=1) / scale
    weight = np.diag(known / (1.0 + off**2) ** 2)
    for found, by in zip(fast, (terms, steps), strict=True):
        assert found == pytest.approx(terms.T @ weight @ by, rel=1e-9, abs=1e-9)
