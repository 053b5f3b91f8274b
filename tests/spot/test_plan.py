"""The order of looking, and the arithmetic of what was not seen."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from scipy.optimize import minimize

from qc.spot.plan import Plan, missable, share_bound, stretch_bound, unseen

RANDOM_STATE = 7


def _looked(plan: Plan, windows: int) -> list[float]:
    starts = []
    for _ in range(windows):
        draw = plan.draw()
        starts.append(draw.start)
        plan.seen(draw)
    return starts


# ---------------------------------------------------------------------------- the order


def test_each_stratum_holds_one_start_and_they_cover_the_line() -> None:
    for windows in range(1, 40):
        plan = Plan(1000.0, number=windows)
        starts = _looked(plan, windows)
        strata = sorted((s.first, s.last) for _, s in plan._heap)
        assert len(strata) == windows
        assert math.isclose(sum(plan.weights), 1.0)
        assert [a for a, _ in strata] == [0.0, *(b for _, b in strata[:-1])]
        for first, last in strata:
            assert sum(first <= s < last for s in starts) == 1


def test_the_longest_stratum_is_halved() -> None:
    plan = Plan(64.0, number=3)
    for windows in range(1, 33):
        _looked(plan, 1)
        longest, shortest = max(plan.weights), min(plan.weights)
        # Halving the longest each time: never more than two lengths, one twice the
        # other.
        assert longest / shortest in (1.0, 2.0)
        assert len(plan.weights) == windows


def test_neighbours_are_halved_far_apart() -> None:
    plan = Plan(16.0, number=0)
    _looked(plan, 8)  # eight strata of length 2
    halved = []
    for _ in range(8):
        draw = plan.draw()
        halved.append(int(draw.start // 2))
        plan.seen(draw)
    # Bits of 0 to 7 in reverse, the definition of the order.
    assert halved == [0, 4, 2, 6, 1, 5, 3, 7]


def test_the_same_number_gives_the_same_starts_and_another_does_not() -> None:
    one, same, other = (_looked(Plan(500.0, number=n), 12) for n in (1, 1, 2))
    assert one == same
    assert one != other


def test_what_was_not_seen_does_not_count() -> None:
    plan = Plan(10.0, number=1)
    first = plan.draw()
    assert plan.weights == ()
    plan.seen(first)
    plan.draw()  # begun, but not finished in time
    assert plan.weights == (1.0,)


def test_a_window_counts_only_once() -> None:
    plan = Plan(10.0, number=1)
    plan.seen(plan.draw())
    draw = plan.draw()
    plan.seen(draw)
    with pytest.raises(ValueError, match="only once"):
        plan.seen(draw)


def test_a_line_without_length_is_refused() -> None:
    with pytest.raises(ValueError, match="no room"):
        Plan(0.0, number=1)


def test_starts_are_even_in_their_stratum() -> None:
    # Over many numbers, the start of a quarter is even over it: mean and variance of
    # a uniform distribution, within four standard errors.
    runs = 2000
    found = np.array(
        [
            next(s.start for _, s in plan._heap if s.first == 25.0)
            for plan in (Plan(100.0, number=n) for n in range(runs))
            if _looked(plan, 4)
        ]
    )
    assert abs(found.mean() - 37.5) < 4 * 25 / math.sqrt(12 * runs)
    assert abs(found.var() - 25**2 / 12) < 0.1 * 25**2 / 12


# -------------------------------------------------------------------------- the bounds


@pytest.mark.parametrize("n", [1, 2, 3, 8, 59, 500])
def test_equal_strata_give_the_exact_bound(n: int) -> None:
    # With n even and independent looks, 1 - (1 - p)**n = 0.95.
    assert math.isclose(
        share_bound([1.0 / n] * n), 1.0 - 0.05 ** (1.0 / n), rel_tol=1e-9
    )


def test_no_look_promises_nothing() -> None:
    assert share_bound([]) == 1.0


@pytest.mark.parametrize(
    "weights", [(0.5, 0.25, 0.25), (0.25,) * 2 + (0.125,) * 4, (0.9, 0.05, 0.05)]
)
def test_unequal_strata_as_a_general_optimiser_finds(
    weights: tuple[float, ...],
) -> None:
    """The largest share with a chance of 0.05 to go unseen, by scipy's SLSQP."""
    w = np.array(weights)
    best = minimize(
        lambda q: float(w @ q),  # the share that does not show the fault, least
        np.full(len(w), 0.5),
        bounds=[(1e-9, 1.0)] * len(w),
        constraints={
            "type": "ineq",
            "fun": lambda q: np.log(q).sum() - math.log(0.05),
        },
        method="SLSQP",
        options={"maxiter": 500, "ftol": 1e-12},
    )
    assert best.success
    assert math.isclose(share_bound(weights), 1.0 - best.fun, rel_tol=1e-4)


def test_more_looks_promise_more() -> None:
    plan = Plan(100.0, number=5)
    bounds = []
    for _ in range(30):
        plan.seen(plan.draw())
        bounds.append(share_bound(plan.weights))
    assert all(b < a for a, b in pairwise(bounds))


@pytest.mark.parametrize("needs", [0.3, 1.0, 1.8, 2.4])
@pytest.mark.parametrize("windows", [3, 12])
def test_the_bound_holds_in_95_of_100_checks(needs: float, windows: int) -> None:
    """Faults just over the bound: unseen in at most 5 of 100, by counting.

    The chance of a miss, 0.05 at the worst place, is met within three standard errors.
    """
    length, window, trials = 600.0, 2.5, 1500
    rng = np.random.default_rng(RANDOM_STATE + windows)
    plan = Plan(length - window, number=0)
    _looked(plan, windows)
    bound = stretch_bound(share_bound(plan.weights), window=window, needs=needs)
    assert bound is not None
    share, least = bound
    missed = 0
    for number in range(trials):
        stretches = _stretches(rng, length, share, least)
        plan = Plan(length - window, number=number)
        looks = [(s, s + window) for s in _looked(plan, windows)]
        looks += [(0.0, window), (length - window, length)]
        missed += not any(
            min(b, last) - max(a, first) >= needs - 1e-9
            for a, b in looks
            for first, last in stretches
        )
    assert missed / trials <= 0.05 + 3 * math.sqrt(0.05 * 0.95 / trials)


def _stretches(
    rng: np.random.Generator, length: float, share: float, least: float
) -> list[tuple[float, float]]:
    """Return stretches of a fault, each at least so long, at any places."""
    affected = min(share * length, length)
    most = max(int(affected / max(least, 1e-6)), 1)
    count = int(rng.integers(1, min(most, 6) + 1))
    extra = rng.dirichlet(np.ones(count)) * max(affected - count * least, 0.0)
    free = rng.dirichlet(np.ones(count + 1)) * max(length - affected, 0.0)
    out, at = [], 0.0
    for gap, more in zip(free, extra, strict=False):
        out.append((at + gap, at + gap + least + more))
        at = out[-1][1]
    return out


@pytest.mark.parametrize(
    ("window", "needs", "stretch"),
    [(2.5, 0.3, 0.3), (2.5, 1.25, 4.0), (2.5, 2.0, 7.5), (2.0, 1.5, 5.0)],
)
def test_starts_that_show_a_stretch_by_counting(
    window: float, needs: float, stretch: float
) -> None:
    """The share of a take is no more than that of its starts times the loss."""
    length, step = 100.0, 0.001
    starts = np.arange(0.0, length - window, step)
    bound = stretch_bound(0.01, window=window, needs=needs)
    assert bound is not None
    assert stretch >= bound[1] - 1e-9
    for begin in (window, 40.0, length - window - stretch):
        overlap = np.minimum(starts + window, begin + stretch) - np.maximum(
            starts, begin
        )
        shown = (overlap >= needs - 1e-9).sum() * step
        assert stretch <= shown * bound[0] / 0.01 + 3 * step


def test_a_window_too_short_judges_nothing() -> None:
    assert stretch_bound(0.1, window=2.0, needs=2.1) is None


# -------------------------------------------------------------------------- the unseen


def test_windows_too_short_for_a_fault_do_not_count() -> None:
    seen = [(0.0, 2.0), (5.0, 5.5), (8.0, 10.0)]
    assert unseen(seen, length=10.0) == [(2.0, 5.0), (5.5, 8.0)]
    assert unseen(seen, length=10.0, at_least=1.0) == [(2.0, 8.0)]


def test_windows_that_touch_are_one() -> None:
    assert unseen([(3.0, 4.0), (4.0, 6.0)], length=6.0, at_least=2.0) == [(0.0, 3.0)]


def _is_met(
    begin: float, end: float, seen: list[tuple[float, float]], needs: float
) -> bool:
    """By definition: so much of it lies in one window."""
    return any(min(b, end) - max(a, begin) >= needs - 1e-9 for a, b in seen)


@pytest.mark.parametrize("number", range(12))
def test_what_can_be_missed_as_trying_every_stretch_finds(number: int) -> None:
    """Windows at random places of a line of whole tenths: every stretch is tried."""
    rng = np.random.default_rng(RANDOM_STATE + number)
    tenths, needs = 60, int(rng.integers(2, 9))
    seen = []
    for _ in range(int(rng.integers(1, 9))):
        a = int(rng.integers(0, tenths - 2))
        b = min(a + int(rng.integers(2, 20)), tenths)
        seen.append((float(a), float(b)))
    missed = [
        (a, b)
        for a in range(tenths)
        for b in range(a + needs, tenths + 1)
        # Less than needed by as little as one likes: the next stretch, open.
        if not _is_met(a + 1e-6, b - 1e-6, seen, needs)
    ]
    told = missable(seen, length=tenths, needs=needs)
    longer = [(a, b) for a, b in missed if b - a > needs]
    assert all(any(x <= a and b <= y for x, y in told) for a, b in longer)
    # And not more than that: each that is told is one of them.
    assert all((int(a), int(b)) in missed for a, b in told)


@pytest.mark.parametrize("needs", [0.02, 0.3, 1.2, 2.4])
def test_when_all_was_seen_nothing_can_be_missed(needs: float) -> None:
    assert missable([(0.0, 6.0)], length=6.0, needs=needs) == []
    # Windows that overlap by what is needed are as good as one.
    pair = [(0.0, 4.0), (4.0 - needs, 6.5)]
    assert missable(pair, length=6.5, needs=needs) == []


def test_what_reaches_over_two_windows_that_only_touch_can_be_missed() -> None:
    # 2.1 s are needed; 1.05 s lie in each.
    assert missable([(0.0, 2.5), (2.5, 5.0)], length=5.0, needs=2.1) == [
        (pytest.approx(0.4), pytest.approx(4.6))
    ]
