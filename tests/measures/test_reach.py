"""Reach of focus: thin-lens arithmetic of close-up lenses.

Worked values are in ``values/focus.toml`` under ``reach``.
"""

from __future__ import annotations

import math
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from qc.measures.parts.focus.reach import Reach, reach, reach_sentence

VALUES: dict[str, Any] = tomllib.loads(
    (Path(__file__).parents[1] / "values" / "focus.toml").read_text(encoding="utf-8")
)["reach"]


@pytest.mark.parametrize(("near", "dioptre", "expected"), VALUES["near"])
def test_the_near_limit_is_the_worked_one(
    near: float, dioptre: float, expected: float
) -> None:
    assert reach(near, dioptre).near_m == pytest.approx(expected, abs=0.0005)


@pytest.mark.parametrize(("dioptre", "expected"), VALUES["far"])
def test_at_infinity_a_dioptre_focuses_at_its_own_length(
    dioptre: float, expected: float
) -> None:
    assert reach(1.0, dioptre).far_m == pytest.approx(expected, rel=1e-12)


def test_without_a_dioptre_the_lens_reaches_from_its_own_limit_to_infinity() -> None:
    assert reach(0.8) == Reach(0.8, math.inf)
    assert math.isnan(reach(0.0).near_m)


@settings(deadline=None)
@given(st.floats(0.05, 50), st.floats(0, 20), st.floats(0, 20))
def test_dioptres_add(near: float, first: float, second: float) -> None:
    once = reach(near, first + second).near_m
    assert reach(reach(near, first).near_m, second).near_m == pytest.approx(once)


@settings(deadline=None)
@given(st.floats(0.05, 50), st.floats(0.1, 20))
def test_near_lies_before_far_and_before_the_lens_alone(
    near: float, dioptre: float
) -> None:
    limits = reach(near, dioptre)
    assert limits.near_m < limits.far_m
    assert limits.near_m < near


def test_a_negative_dioptre_is_refused() -> None:
    with pytest.raises(ValueError, match="dioptre must be 0 or more, got -1"):
        reach(1.0, -1.0)


def test_an_undescribed_rig_says_nothing() -> None:
    assert reach_sentence(0.0, 0.0) == ""


def test_a_dioptre_closes_the_far_side() -> None:
    text = reach_sentence(1.0, 2.0)
    assert "from 0.33 m to 0.50 m" in text
    assert "nowhere else" in text
    assert "beyond 0.50 m" in reach_sentence(0.0, 2.0)


def test_a_far_near_limit_asks_for_a_dioptre_and_says_how_it_was_worked_out() -> None:
    text = reach_sentence(1.5)
    assert "Nearer than 1.50 m" in text
    assert "a +1 would reach from 0.60 m to 1.00 m" in text
    assert "(worked out for a thin lens: allow some 10 cm, and measure)" in text
    # A lens that focuses near enough needs none.
    assert "+1 would" not in reach_sentence(0.4)
