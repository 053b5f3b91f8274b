"""What stays in its place by two halves of pairs: drawn pairs, exact arithmetic."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from qc.measures.parts.spots.spothalves import Told, halves_of, quietest, trusted
from qc.measures.parts.spots.spotslopes import Rims, slopes

Map = NDArray[np.float32]
H, W, N = 60, 80, 24
X, Y = 40, 30
CLIP, FLOOR = 0.4, 0.02


def disc(x: float, y: float, radius: float) -> Map:
    rows, columns = np.mgrid[:H, :W].astype(np.float32)
    away = np.hypot(columns - x, rows - y) / radius
    return np.asarray(np.clip((1.25 - away) / 0.5, 0, 1), np.float32)


def spot() -> Map:
    return np.asarray(cv2.GaussianBlur(-0.15 * disc(X, Y, 4), (0, 0), 0.8), np.float32)


def rims(*, hands: bool) -> Rims:
    """Return the rims of a spot, and of a hand before it in every third pair."""
    random = np.random.default_rng(1001)
    moves = np.zeros((N, 2, H, W), np.float32)
    moves += random.uniform(-1.5, 1.5, (N, 2, 1, 1)).astype(np.float32)
    down, across = slopes(spot())
    left = -(moves[:, 0] * across + moves[:, 1] * down)
    left += random.normal(0, 0.004, left.shape).astype(np.float32)
    for at in range(0, N, 3) if hands else ():
        x, y = X + random.uniform(-9, 9), Y + random.uniform(-5, 5)
        left[at] += random.choice((-0.5, 0.5)) * disc(x, y, 7)
    return Rims(moves, left, CLIP, FLOOR)


def bent(given: Rims) -> list[float]:
    """Return by how much hands bend what stays around the spot, in either half."""
    near = slice(Y - 14, Y + 15), slice(X - 14, X + 15)
    both = zip(halves_of(given), halves_of(rims(hands=False)), strict=True)
    return [float(np.sqrt(((one - goal)[near] ** 2).mean())) for one, goal in both]


def test_where_nothing_passes_all_pairs_count() -> None:
    trust = trusted(rims(hands=False))
    assert trust.shape == (N, H, W)
    assert float(trust.mean()) > 0.97
    # The rim of the spot itself leaves over much in every pair.
    assert float(trust[:, Y - 5 : Y + 6, X - 5 : X + 6].mean()) > 0.9


def test_pairs_in_which_a_hand_passes_count_for_little_there_only() -> None:
    trust = trusted(rims(hands=True))
    there = trust[:, Y - 3 : Y + 4, X - 3 : X + 4].mean(axis=(1, 2))
    assert float(there[::3].max()) < 0.3
    assert float(np.delete(there, np.arange(0, N, 3)).min()) > 0.7
    assert float(trust[:, :8, :8].min()) > 0.9


def test_pairs_that_lie_farther_apart_count_though_they_leave_over_more() -> None:
    given = rims(hands=False)
    far = np.ones((N, 1, 1), np.float32)
    far[::4] = 3.0
    wide = replace(given, moves=given.moves * far[:, None], left=given.left * far)
    assert float(trusted(wide)[::4, Y - 5 : Y + 6, X - 5 : X + 6].mean()) > 0.85


def test_hands_bend_what_stays_less_if_they_count_for_less() -> None:
    given = rims(hands=True)
    alike, less = bent(given), bent(replace(given, trust=trusted(given)))
    assert max(less) < 0.5 * min(alike)


def test_quietest_half_is_without_the_hands() -> None:
    weights = trusted(rims(hands=True))[:, Y - 3 : Y + 4, X - 3 : X + 4]
    chosen = quietest(weights)
    assert len(chosen) == N // 2
    assert not {*range(0, N, 3)} & {*chosen}


@pytest.mark.parametrize(("share", "alike"), [(1.0, True), (0.5, True), (0.2, False)])
def test_place_is_told_if_both_halves_say_so(share: float, alike: bool) -> None:
    one = spot()
    # 2 / (1 + share) of the mean of both: 1, 1.33 and 1.67; at most 1.5 may be.
    told = Told.of(one, np.float32(share) * one)
    mask = disc(X, Y, 4) > 0.5
    strength, sure, both = told.at(mask, mask)
    assert strength == pytest.approx(0.5 * (1 + share) * np.median(one[mask]))
    assert both is alike
    assert sure > 0


def test_the_more_halves_differ_the_less_sure() -> None:
    mask = disc(X, Y, 4) > 0.5
    sure = [Told.of(spot(), np.float32(k) * spot()).at(mask, mask)[1] for k in (1, 0.7)]
    assert sure[0] > sure[1]
