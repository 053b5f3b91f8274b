"""The bench's small networks learn what is there to be learnt, and only that."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from tests.bench import fit_lamps, smallnet
from tests.bench.plainfield import PlainField


def test_a_network_tells_two_kinds_that_differ_by_one_feature() -> None:
    rng = np.random.default_rng(1)
    x = rng.normal(0, 1, (50_000, 5)).astype(np.float32)
    white = x[:, 2] > 0
    weights = np.stack([~white, white], axis=1).astype(np.float64)
    net = smallnet.fit(x[:40_000], weights[:40_000], 0, hidden=8)
    assert np.mean((net.merits(x[40_000:]) > 0) == white[40_000:]) > 0.95


def test_a_choice_is_learnt_by_what_speaks_for_each() -> None:
    rng = np.random.default_rng(2)
    x = rng.normal(0, 1, (900, 9, 4)).astype(np.float32)
    best = x[:, :, 1].argmax(axis=1)
    truth = np.eye(9, dtype=np.float32)[best]
    net = smallnet.choose(x[:600], truth[:600], 0)
    told = net.merits(x[600:].reshape(-1, 4)).reshape(-1, 9).argmax(axis=1)
    assert np.mean(told == best[600:]) > 0.85


def test_a_field_without_a_clue_teaches_nothing() -> None:
    rng = np.random.default_rng(3)
    x = rng.normal(0, 1, (900, 9, 4)).astype(np.float32)
    truth = np.eye(9, dtype=np.float32)[rng.integers(0, 9, 900)]
    net = smallnet.choose(x[:600], truth[:600], 0)
    told = net.merits(x[600:].reshape(-1, 4)).reshape(-1, 9).argmax(axis=1)
    # By chance one in nine; three standard errors of 300 tries are 5 %.
    assert np.mean(told == truth[600:].argmax(axis=1)) < 1 / 9 + 0.06


def test_lamps_are_fitted_to_the_cast_that_a_plain_field_was_shot_under() -> None:
    shown = []
    for number in range(12):
        field = PlainField(number)
        planes, _ = field.frame()
        white = field.lamp_red, field.lamp_stops
        shown.append(fit_lamps.measure(field, planes, white, number))
    net = fit_lamps.fit(shown)
    off = [
        fit_lamps.settled(s.votes, fit_lamps.chances(net.merits(s.evidence)))[1]
        - s.white[1]
        for s in shown
    ]
    # Fitted to these very fields it must do better than to say none has a cast.
    assert (
        np.median(np.abs(off))
        < 0.5 * np.median([abs(s.white[1]) for s in shown]) + 0.05
    )


def test_what_was_measured_of_lamps_is_read_as_it_was_kept(tmp_path: Path) -> None:
    field = PlainField(3)
    planes, _ = field.frame()
    shown = fit_lamps.measure(field, planes, (0.25, -0.5), 3)
    fit_lamps.keep(tmp_path / "lamps003.npz", [shown, shown])
    first, second = fit_lamps.kept(tmp_path / "lamps003.npz")
    for read in (first, second):
        assert np.array_equal(read.evidence, shown.evidence)
        for one, other in zip(read.votes, shown.votes, strict=True):
            assert np.array_equal(one.blue, other.blue)
            assert one.tint == other.tint
        assert (read.white, read.take) == ((0.25, -0.5), 3)


def test_a_fit_goes_on_from_what_there_is() -> None:
    rng = np.random.default_rng(4)
    x = rng.normal(0, 1, (30_000, 5)).astype(np.float32)
    first, both = x[:, 2] > 0, x[:, 2] + x[:, 3] > 0

    def weights(white: np.ndarray) -> np.ndarray:
        return np.stack([~white, white], axis=1).astype(np.float64)

    start = smallnet.fit(x[:20_000], weights(first[:20_000]), 0, hidden=8)
    net = smallnet.fit(x[:20_000], weights(both[:20_000]), 0, start=start)
    assert np.array_equal(net.mean, start.mean)

    def right(of: smallnet.Net) -> float:
        return float(np.mean((of.merits(x[20_000:]) > 0) == both[20_000:]))

    # Half of what differs in sign is told wrong by the first alone: three in four.
    assert right(start) < 0.8
    assert right(net) > right(start) + 0.03
