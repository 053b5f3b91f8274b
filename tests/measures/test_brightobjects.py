"""Burnt-out areas cut into objects, and merits weighed twice.

References: scipy.ndimage for filters and connected areas, and the same sums number by
number in plain Python.
"""

from __future__ import annotations

from types import ModuleType

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage

from qc.measures.parts.burnt import brightfirst, brightsecond
from qc.measures.parts.burnt.brightagain import AGAIN, again_of
from qc.measures.parts.burnt.brightfeatures import FEATURES, Places
from qc.measures.parts.burnt.brightobjects import dips, objects_of
from qc.measures.parts.burnt.brightweights import merits

Plane = NDArray[np.float32]
Table = dict[str, tuple[float, float, list[float]]]


# ------------------------------------------------------------------------------ objects


def test_dips_are_scipys_black_tophat() -> None:
    plane = np.random.default_rng(1).random((40, 50), np.float32)
    expected = ndimage.black_tophat(plane, size=(5, 5), mode="nearest")
    inside = (slice(6, -6), slice(6, -6))
    assert dips(plane)[inside] == pytest.approx(expected[inside], abs=1e-6)


def sheet(line: float = 0.0) -> tuple[Plane, Plane, Plane]:
    """Shares burnt out, luma and the weakest channel's dips; a line at column 30."""
    burnt = np.zeros((40, 60), np.float32)
    burnt[5:35, 5:55] = 1
    luma = np.where(burnt > 0, np.float32(1.05), np.float32(0.3))
    luma[5:35, 30] -= line
    return burnt, luma, np.zeros_like(luma)


def test_a_line_of_shade_cuts_an_area_in_two() -> None:
    labels = objects_of(*sheet(line=0.03))
    assert set(np.unique(labels)) == {0, 1, 2}
    assert len(np.unique(labels[5:35, 5:29])) == 1
    assert len(np.unique(labels[5:35, 32:55])) == 1
    assert labels[20, 10] != labels[20, 50]


def test_without_a_line_an_area_is_one_object() -> None:
    burnt, luma, weakest = sheet()
    labels = objects_of(burnt, luma, weakest)
    assert np.array_equal(labels > 0, burnt > 0)
    assert labels.max() == 1


def test_a_dip_of_the_weakest_channel_and_a_seam_cut_as_well() -> None:
    burnt, luma, weakest = sheet()
    weakest[5:35, 30] = 0.05
    assert objects_of(burnt, luma, weakest).max() == 2
    burnt[5:35, 30] = 0.7
    assert objects_of(burnt, luma, np.zeros_like(weakest)).max() == 2


@pytest.mark.parametrize("number", range(4))
def test_every_burnt_cell_belongs_to_one_object(number: int) -> None:
    random = np.random.default_rng(number)
    rough = ndimage.gaussian_filter(random.normal(0, 1, (60, 90)), 2.5)
    burnt = np.clip(rough / rough.std() * 2, 0, 1).astype(np.float32)
    luma = np.float32(0.9) + random.normal(0, 0.01, burnt.shape).astype(np.float32)
    labels = objects_of(burnt, luma, np.zeros_like(luma))
    assert np.array_equal(labels > 0, burnt > 0.5)
    # Numbers run without a gap: whatever is counted by them is small.
    used = np.unique(labels)
    assert used[-1] <= ndimage.label(burnt > 0.5)[1] + 200


# ----------------------------------------------------------------- what is around again


def places(number: int, shape: tuple[int, int] = (6, 7)) -> Places:
    """Give chance features of some places in two areas of two objects each."""
    random = np.random.default_rng(number)
    at = np.flatnonzero(random.random(shape) < 0.7)
    table = read(brightfirst)
    rows = np.array(
        [
            [table[n][0] + table[n][1] * random.normal(0, 3) for n in FEATURES]
            for _ in at
        ],
        np.float32,
    )
    return Places(
        shape, at, random.uniform(0.1, 1, len(at)).astype(np.float32), rows,
        np.zeros(shape, np.float32), random.integers(0, 3, len(at)),
        random.integers(0, 5, len(at)),
    )  # fmt: skip


def test_merits_are_gathered_in_squares_as_scipy_gathers_them() -> None:
    some = places(2, (30, 40))
    merit = np.random.default_rng(3).normal(0, 3, len(some.at)).astype(np.float32)
    again = again_of(some, merit)
    own, weight = np.zeros((2, 30, 40))
    own.ravel()[some.at] = np.clip(merit, -4, 4) * some.burnt
    weight.ravel()[some.at] = some.burnt
    for name, side in (("near", 3), ("mid", 9), ("wide", 21)):
        total, of = (
            ndimage.uniform_filter(p, side, mode="nearest").ravel()[some.at]
            for p in (own, weight)
        )
        column = again[:, AGAIN.index(f"{name} merit")]
        assert column == pytest.approx(total / (of + 0.004), abs=1e-4)


def test_merits_are_gathered_over_what_belongs_together() -> None:
    some = places(4)
    merit = np.random.default_rng(5).normal(0, 3, len(some.at)).astype(np.float32)
    again = again_of(some, merit)
    cut = [max(-4.0, min(4.0, float(m))) for m in merit]
    for name, of in (("object", some.object), ("area", some.area)):
        column = again[:, AGAIN.index(f"{name} merit")]
        for place, number in enumerate(of):
            mine = [i for i, n in enumerate(of) if n == number]
            weights = [float(some.burnt[i]) for i in mine]
            total = sum(w * cut[i] for w, i in zip(weights, mine, strict=True))
            # What belongs to nothing stands for itself.
            expected = total / sum(weights) if number else cut[place]
            assert column[place] == pytest.approx(expected, abs=0.05)
    share = some.burnt[merit > 0].sum() / some.burnt.sum()
    assert again[:, AGAIN.index("cloth of burnt")] == pytest.approx(share, abs=0.01)


# ------------------------------------------------------------------------------- tables


def read(module: ModuleType) -> Table:
    """Read a table anew: of each feature its mean, spread and weights."""
    table: Table = {}
    for part in module.TABLE.strip().replace(":", " : ").split("\n"):
        words = part.split()
        if ":" in words:
            colon = words.index(":")
            name = " ".join(words[:colon])
            mean, spread = map(float, words[colon + 1 :])
            table[name] = mean, spread, []
        else:
            table[name][2].extend(int(w) / 100 for w in words)
    return table


TABLES = ((brightfirst, FEATURES), (brightsecond, FEATURES + AGAIN))


@pytest.mark.parametrize(("module", "names"), TABLES)
def test_every_feature_has_its_weights_and_nothing_is_left_over(
    module: ModuleType, names: tuple[str, ...]
) -> None:
    table = read(module)
    assert set(table) == set(names)
    assert len(set(names)) == len(names)
    units = {len(module.HIDDEN.split()), len(module.OUT.split())}
    assert {len(weights) for _, _, weights in table.values()} == units


def test_both_tables_hold_features_against_the_same_mean_and_spread() -> None:
    first, second = (read(m) for m, _ in TABLES)
    assert {n: first[n][:2] for n in FEATURES} == {n: second[n][:2] for n in FEATURES}


def said(module: ModuleType, values: dict[str, float]) -> float:
    """Return a merit, number by number."""
    table = read(module)
    merit = float(module.CONSTANT)
    units = zip(module.HIDDEN.split(), module.OUT.split(), strict=True)
    for unit, (bias, out) in enumerate(units):
        hidden = int(bias) / 100
        for name, (mean, spread, weights) in table.items():
            z = (values[name] - mean) / spread
            hidden += max(-5.0, min(5.0, z)) * weights[unit]
        merit += max(hidden, 0.0) * int(out) / 100
    return merit


def test_a_merit_is_what_the_tables_say() -> None:
    some = places(6, (3, 4))
    rows = [dict(zip(FEATURES, map(float, r), strict=True)) for r in some.rows]
    first = np.array([said(brightfirst, r) for r in rows], np.float32)
    again = again_of(some, first)
    for row, more, merit in zip(rows, again, merits(some), strict=True):
        row |= dict(zip(AGAIN, map(float, more), strict=True))
        assert merit == pytest.approx(said(brightsecond, row), abs=0.02)


def test_no_places_have_no_merits() -> None:
    none = np.zeros(0, np.intp)
    empty = Places(
        (3, 4), none, np.zeros(0, np.float32),
        np.zeros((0, len(FEATURES)), np.float32), np.zeros((3, 4), np.float32),
        none, none,
    )  # fmt: skip
    assert merits(empty).shape == (0,)
