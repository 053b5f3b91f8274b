"""What is usual beside a frame: against a plain loop, and in bounded memory."""

from __future__ import annotations

import tracemalloc

import numpy as np

from qc.measures.parts.stillness import usual
from qc.measures.parts.stillness.usual import usual_beside


def test_against_numpy_place_by_place() -> None:
    # Source: numpy's own median of the known values, one place at a time.
    rng = np.random.default_rng(1)
    values = rng.normal(size=400)
    values[rng.random(400) < 0.3] = np.nan
    reach, fewest = 9, 5
    expected = np.full(400, np.nan)
    for i in range(400):
        sides = values[max(i - reach, 0) : i], values[i + 1 : i + 1 + reach]
        known = [side[np.isfinite(side)] for side in sides]
        if min(len(k) for k in known) >= fewest:
            expected[i] = min(np.median(k) for k in known)
    np.testing.assert_array_equal(usual_beside(values, reach, fewest=fewest), expected)
    assert np.isfinite(expected).sum() > 200


def test_an_hour_takes_little_more_than_its_windows_at_once() -> None:
    # Source: arithmetic. 25 frames beside each of an hour at 50 a second are 36 MB at
    # once, and sorted once more as much; a piece of them is a tenth of that.
    values = np.random.default_rng(2).normal(size=180_000)
    tracemalloc.start()
    try:
        usual_beside(values, 25, fewest=5)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    in_and_out = 4 * values.nbytes
    assert peak < in_and_out + 6 * usual._AT_ONCE * 25 * 8
    assert peak < 180_000 * 25 * 8
