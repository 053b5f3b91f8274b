"""What a screen shows of a spot's step, against a reference library."""

from __future__ import annotations

import math

import colour
import pytest

from qc.measures.parts.spots.spotseen import is_seen, lightness


@pytest.mark.parametrize("percent", [0.5, 3.0, 10.0, 25.0, 50.0, 80.0, 100.0])
def test_lightness_is_that_of_the_standard(percent: float) -> None:
    """colour-science's CIE 1976 L* of the light of BT.1886's power 2.4."""
    light = 100 * (percent / 100) ** 2.4
    expected = float(colour.lightness(light, method="CIE 1976"))
    assert lightness(percent) == pytest.approx(expected, abs=1e-6)


def test_a_step_counts_by_what_is_seen() -> None:
    foot = 5.0
    for before, after in ((40.0, 37.0), (40.0, 39.5), (3.0, 2.0), (60.0, 66.0)):
        level = math.log(before + foot)
        step = math.log(after + foot) - level
        lights = [100 * (p / 100) ** 2.4 for p in (before, after)]
        one, other = (float(colour.lightness(v, method="CIE 1976")) for v in lights)
        assert is_seen(level, step) is (abs(one - other) >= 1.0)
