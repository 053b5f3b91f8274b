"""Earlier pairs of frames, and where readings change: exact by construction."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from qc.measures.parts.scan.framepairs import FramePairs, change_point
from tests.pictures import picture, setup_of


@given(
    before=st.integers(0, 12),
    behind=st.integers(1, 12),
    holes=st.sets(st.integers(0, 23)),
    new=st.sampled_from([-1.0, 0.5, 3.0]),
)
def test_a_change_lies_where_readings_change(
    before: int, behind: int, holes: set[int], new: float
) -> None:
    values = np.array([0.0] * before + [new] * behind)
    known = [i for i in range(len(values) - 1) if i not in holes] + [len(values) - 1]
    seen = np.full(len(values), np.nan)
    seen[known] = values[known]
    first, last = change_point(seen, old=0.0, new=new)
    assert first <= before <= last
    assert np.isnan(seen[first:last]).all()


def test_one_reading_on_the_wrong_side_moves_no_change() -> None:
    values = np.array([0, 0.5, 0, 0, 0, 0.5, 0.5, 0, 0.5, 0.5])
    assert change_point(values, old=0, new=0.5) == (5, 5)


def test_earlier_pairs_are_kept_for_so_long() -> None:
    pairs = FramePairs(setup_of(), per_second=1, count=1, rows=16, keep_s=0.4)
    for i in range(30):
        pairs.take(picture(np.full((16, 32), 40 + i, np.uint8), index=i))
    # 25 frames a second: 0.4 s are ten steps between eleven frames.
    assert pairs.reach == 10
    for ago in range(10):
        before, now = pairs.earlier(ago) or (None, None)
        assert before is not None
        assert now is not None
        assert (before[0, 0, 0], now[0, 0, 0]) == (68 - ago, 69 - ago)
    assert pairs.earlier(10) is None
    damaged = picture(np.full((16, 32), 90, np.uint8), index=30, damaged=True)
    assert pairs.take(damaged) is None
    assert pairs.reach == 0


def test_of_wide_pictures_every_other_band_is_kept_but_pairs_are_whole() -> None:
    for width, few in ((1024, 2), (512, 4)):
        pairs = FramePairs(
            setup_of(), per_second=1, count=4, rows=16, keep_s=0.4, thin=True
        )
        taken = []
        for i in range(30):
            y = np.repeat(np.arange(64, dtype=np.uint8)[:, None], width, axis=1) + i
            pair = pairs.take(picture(y.astype(np.uint8), index=i))
            taken += [] if pair is None else [(i, pair)]
            # The first line of each band is its number, and i is added.
            for ago in range(pairs.reach):
                before, now = pairs.earlier(ago) or (None, None)
                assert before is not None
                assert now is not None
                lines = list(range(0, 64, 64 // few))
                assert now[:, 0, 0].tolist() == [k + i - ago for k in lines]
                assert before[:, 0, 0].tolist() == [k + i - ago - 1 for k in lines]
        assert [i for i, _ in taken] == [1, 26]
        for i, (before, now) in taken[-1:]:
            assert now.shape == before.shape == (4, 16, width)
            assert i == 26
