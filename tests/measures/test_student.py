"""Student's t against scipy and a printed table."""

from __future__ import annotations

import pytest
from scipy import special

from qc.measures.parts.spots.student import student_t, upper_tail

FREEDOM = [1, 2, 3, 4, 5, 8, 9, 17, 30, 101, 400, 1001]


@pytest.mark.parametrize("freedom", FREEDOM)
@pytest.mark.parametrize("chance", [0.25, 0.025, 1e-3, 1e-5, 1e-6, 1e-9])
def test_quantiles_are_scipys(freedom: int, chance: float) -> None:
    assert student_t(freedom, chance) == pytest.approx(
        -special.stdtrit(freedom, chance), rel=1e-6
    )


@pytest.mark.parametrize("freedom", FREEDOM)
@pytest.mark.parametrize("t", [0.0, 0.3, 1.0, 4.0, 9.0])
def test_tails_are_scipys(freedom: int, t: float) -> None:
    assert upper_tail(t, freedom) == pytest.approx(
        special.stdtr(freedom, -t), rel=1e-6, abs=1e-14
    )


def test_a_printed_table_says_the_same() -> None:
    # Percentage points as in every table of Student's t (from memory).
    table = {(1, 0.025): 12.706, (5, 0.01): 3.365, (30, 0.005): 2.750}
    for (freedom, chance), t in table.items():
        assert student_t(freedom, chance) == pytest.approx(t, abs=5e-4)
