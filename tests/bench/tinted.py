"""Drawn fields under lamps with a tint, for `fit_lamps` and `fit_highlights`."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np

__all__ = ["tinted"]

RANDOM_STATE = 1
# How many a field, their Duv, how many of them are balanced but for it.
_TINTED, _DUV, _BALANCED = 3, (-0.010, 0.012), 0.5
_KELVIN, _BALANCES = (2800.0, 7000.0), (3000.0, 6500.0)
# Whose cameras they are shot with.
_OTHERS_FROM = 20_000
_OVERS = ((0.1, 1.0), (0.3, 1.9), (-0.2, 0.4))


def tinted(case: Any) -> Iterator[Any]:
    """Give a take's field under lamps with a tint, in other takes' cameras."""
    from theatre import family, plans  # type: ignore[import-not-found]

    plan = case.plan
    rng = np.random.default_rng([RANDOM_STATE, 5, plan.number])
    for index in range(_TINTED):
        other = plans.plan("tune", _OTHERS_FROM + _TINTED * plan.number + index)
        kelvin = float(rng.uniform(*_KELVIN))
        even = rng.random() < _BALANCED
        balance = kelvin if even else float(rng.uniform(*_BALANCES))
        over = float(rng.uniform(*_OVERS[index]))
        yield family.Case(
            replace(
                plan, over=(over, over), light=(kelvin, float(rng.uniform(*_DUV))),
                balanced_to=(balance, 0.0), sensor=other.sensor, anchor=other.anchor,
            )
        )  # fmt: skip
