"""Where a channel of a patch may be full, against bars and every rounding.

Published values are in ``values/colour.toml``, each with its source.
"""

from __future__ import annotations

import math
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from qc.measures.parts.neutral.patchclip import clipped_share
from qc.signal import Signal, ycbcr_to_rgb

VALUES: dict[str, Any] = tomllib.loads(
    (Path(__file__).parents[1] / "values" / "colour.toml").read_text(encoding="utf-8")
)


def planes(code: list[int], shape: tuple[int, int]) -> list[NDArray[np.uint8]]:
    h, w = shape
    return [
        np.full(s, c, np.uint8)
        for c, s in zip(code, ((2 * h, 2 * w), shape, shape), strict=True)
    ]


@pytest.mark.parametrize("code", VALUES["bars"]["full"])
def test_full_bars_are_clipped(code: list[int]) -> None:
    assert clipped_share(*planes(code, (4, 5)), signal=Signal()) == 1.0


@pytest.mark.parametrize("code", VALUES["bars"]["not_full"])
def test_75_percent_bars_are_not_clipped(code: list[int]) -> None:
    assert clipped_share(*planes(code, (4, 5)), signal=Signal()) == 0.0


def test_clipped_pixels_are_counted_exactly() -> None:
    y, cb, cr = planes([180, 128, 128], (10, 10))
    y[3, :7] = 235
    assert clipped_share(y, cb, cr, signal=Signal()) == 7 / 400
    # One chroma sample that makes its four pixels red over 100 %: 180 is 74.9 %, and
    # 240 in Cr adds 0.5 * 1.5748.
    cr[0, 0] = 240
    assert clipped_share(y, cb, cr, signal=Signal()) == 11 / 400


def test_clipping_looks_at_each_fields_own_colour() -> None:
    y, cb, cr = planes([180, 128, 128], (4, 4))
    cr[0] = 240  # the first field's first two rows: luma rows 0 and 2
    y[1] = y[3] = 20  # the other field's would not be full even with it
    assert clipped_share(y, cb, cr, signal=Signal(), interlaced=True) == 16 / 64
    assert clipped_share(y, cb, cr, signal=Signal()) == 8 / 64


@given(st.randoms(use_true_random=False), st.booleans(), st.sampled_from([8, 10, 12]))
def test_clipping_against_all_roundings(random: Any, full: bool, depth: int) -> None:
    signal = Signal(bit_depth=depth, full_range=full)
    rng = np.random.default_rng(random.getrandbits(32))
    y = rng.integers(signal.top // 2, signal.top + 1, (8, 6)).astype(np.uint16)
    cb, cr = rng.integers(signal.top // 4, 3 * signal.top // 4, (2, 4, 3)).astype(
        np.uint16
    )
    share = clipped_share(y, cb, cr, signal=signal)
    wide = [np.kron(c, np.ones((2, 2))) for c in (cb, cr)]
    # The value before rounding was at most half a code away in each plane.
    highest = np.max(
        [
            ycbcr_to_rgb(y + i, wide[0] + j, wide[1] + k, signal=signal)
            for i in (-0.5, 0.5)
            for j in (-0.5, 0.5)
            for k in (-0.5, 0.5)
        ],
        axis=(0, -1),
    )
    assert np.mean(highest >= 1 + 1e-5) <= share <= np.mean(highest >= 1 - 1e-5)


def test_no_pixels_no_share() -> None:
    empty = np.empty((0, 0), np.uint8)
    assert math.isnan(clipped_share(empty, empty, empty, signal=Signal()))
