"""Changes line by line: both ways to the last bit, and against plain numpy."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from qc.kernels.stray import BEFORE, Changes, LineChanges, few_codes
from tests.test_kernel_passes import both_ways_of
from tests.test_kernels import DEPTHS, NUMBERS, plane_of

LINES, COLUMNS, COUNTED = 9, 16, 6


def read_all(pictures: list[np.ndarray], breaks: set[int]) -> list[Changes]:
    reader = LineChanges((LINES, COLUMNS), counted=COUNTED, times=2.0, least=0.25)
    out: list[Changes] = []
    begun = 0
    for row, now in enumerate(pictures):
        begun = row if row in breaks else begun
        before = pictures[max(begun, row - BEFORE) : row][::-1]
        out.append(reader.read(now, tuple(before)))
    return out


def pictures_of(count: int, number: int) -> list[np.ndarray]:
    """Return pictures that drift a little, some of them quite others for a moment."""
    random = np.random.default_rng(number)
    shape = LINES, COLUMNS
    base = random.uniform(0, 100, shape)
    out = []
    for _ in range(count):
        base = base + random.normal(0, random.choice([0.0, 0.1, 1.0]), shape)
        other = random.random() < 0.3
        now = base + other * random.uniform(-40, 40, (LINES, 1))
        out.append(now.astype(np.float32))
    return out


@settings(deadline=None, max_examples=60)
@given(st.integers(1, 14), NUMBERS, st.sets(st.integers(1, 13), max_size=2))
def test_changes_are_mean_differences_of_lines(
    count: int, number: int, breaks: set[int]
) -> None:
    pictures = pictures_of(count, number)
    fast, slow = both_ways_of(lambda: read_all(pictures, breaks))
    begun = 0
    for row, (one, other) in enumerate(zip(fast, slow, strict=True)):
        assert np.array_equal(one.lines, other.lines)
        assert one[1:] == other[1:]
        begun = row if row in breaks else begun
        before = pictures[max(begun, row - BEFORE) : row][::-1]
        now = pictures[row].astype(float)
        means = np.array([np.abs(now - then).mean(axis=1) for then in before])
        if not before:
            assert not one.lines.any()
            continue
        # float32 of sums of 16 numbers under 200
        assert one.lines == pytest.approx(means, rel=1e-5, abs=1e-5)
        assert one.most == pytest.approx(means[0].max(), rel=1e-5, abs=1e-5)
        assert one.on == pytest.approx(means[0, :COUNTED].sum(), rel=1e-5, abs=1e-4)
        over = means[min(1, len(means) - 1), :COUNTED].sum()
        assert one.over == pytest.approx(over, rel=1e-5, abs=1e-4)


@pytest.mark.parametrize("long", [1, 2, 3])
@pytest.mark.parametrize("line", [0, LINES - 1])
def test_a_group_of_strange_pictures_is_told_when_it_has_gone(
    long: int, line: int
) -> None:
    still = np.full((LINES, COLUMNS), 30, np.float32)
    other = still.copy()
    other[line] += 5
    pictures = [still] * 7 + [other] * long + [still] * 4
    for found in both_ways_of(lambda: read_all(pictures, set())):
        told = {row: one.groups for row, one in enumerate(found) if one.groups}
        assert told == {7 + long: (long,)}


def test_lines_hold_a_multiple_of_eight_cells() -> None:
    with pytest.raises(ValueError, match="multiple of 8 cells, got 12"):
        LineChanges((3, 12), counted=3, times=2.0, least=0.25)


@settings(deadline=None, max_examples=60)
@given(
    st.integers(1, 40),
    st.integers(1, 40),
    DEPTHS,
    NUMBERS,
    st.sampled_from(["noise", "upside down"]),
)
def test_few_codes_are_those_in_the_middle_of_parts(
    height: int, width: int, bits: int, number: int, how: str
) -> None:
    one = plane_of(height, width, bits, number, how)
    two = plane_of(height + 3, width + 1, bits, number + 1, how)

    def taken() -> np.ndarray:
        out = np.full((6, 8), np.nan, np.float32)
        few_codes(one, two, zero=100.0, factor=0.25, out=out)
        return out

    fast, slow = both_ways_of(taken)
    assert np.array_equal(fast, slow)
    for plane, lines in ((one, fast[:3]), (two, fast[3:])):
        down, across = plane.shape[0] // 3, plane.shape[1] // 8
        for y, line in enumerate(lines):
            for x, found in enumerate(line):
                if not down or not across:
                    assert found == 0
                    continue
                code = plane[y * down + down // 2, x * across + across // 2]
                assert found == (int(code) - 100) * 0.25  # exact in float32
