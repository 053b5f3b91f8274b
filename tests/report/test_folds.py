"""Many findings of one kind share a row and a bar, and none of them is lost."""

from __future__ import annotations

import dataclasses
import itertools
from pathlib import Path

import pytest

from qc.console import print_take
from qc.measures import all_measures, rule_labels
from qc.records import Grade, TakeResult
from qc.report.folds import fold_rows
from qc.report.rows import finding_rows
from qc.report.stills import MANY, excess, few_of_a_kind, take_stills
from qc.report.strips import strip_of
from qc.report.words import beside

from .conftest import MakeResult, make_finding


def _folds(result: TakeResult) -> list[tuple[int, int]]:
    numbers = list(enumerate(result.findings, 1))
    stills = take_stills(result, all_measures(), [], pictures=False)
    rows = finding_rows(result, numbers, rule_labels(), stills)
    return [(f.row.number, f.findings) for f in fold_rows(numbers, rows)]


@pytest.mark.parametrize("count", [1, 3, MANY - 1, MANY, 30, 300])
def test_every_finding_is_in_exactly_one_row(
    make_result: MakeResult, count: int
) -> None:
    spans = tuple((10 * i, 10 * i + 4) for i in range(count))
    folds = _folds(make_result(Path("A.mov"), frames=3000, spans=spans))
    assert sum(n for _, n in folds) == count
    assert len(folds) == (count if count < MANY else 1)


def test_a_row_holds_one_rule_one_grade_and_one_channel(
    make_result: MakeResult,
) -> None:
    result = make_result(Path("A.mov"), frames=3000, spans=())
    findings = [
        make_finding(result.info, i, i + 1, rule=rule, grade=grade, channel=channel)
        for i, (rule, grade, channel) in enumerate(
            [
                ("sound.dropout", Grade.REVIEW, 1),
                ("sound.dropout", Grade.REVIEW, 2),
                ("sound.dropout", Grade.REJECT, 1),
                ("picture.repeated", Grade.REVIEW, None),
            ]
            * MANY
        )
    ]
    result = dataclasses.replace(result, findings=tuple(findings))
    assert [n for _, n in _folds(result)] == [MANY] * 4


def test_the_worst_stands_for_all(make_result: MakeResult) -> None:
    result = make_result(Path("A.mov"), frames=3000, spans=())
    findings = [
        make_finding(result.info, 9 * i, 9 * i + 1, worst=float(worst))
        for i, worst in enumerate([6, 7, 30, 8, 9])
    ]
    result = dataclasses.replace(result, findings=tuple(findings))
    assert _folds(result) == [(3, 5)]


def _ranked(result: TakeResult, *ways: dict[str, object]) -> list[int]:
    """Return the places of findings, the worst first."""
    findings = [
        make_finding(result.info, i, i + 1, **way)  # type: ignore[arg-type]
        for i, way in enumerate(ways)
    ]
    return sorted(range(len(ways)), key=lambda i: -excess(findings[i]))


def test_what_stays_under_its_limit_is_never_worse_than_what_passes_it(
    make_result: MakeResult,
) -> None:
    result = make_result(Path("A.mov"), spans=())
    note, review = {"grade": Grade.NOTE}, {"grade": Grade.REVIEW}
    gap = {"rule": "file.gap", "limit": 0.2}
    assert _ranked(
        result,
        {**note, **gap, "worst": 0.08},
        {**note, **gap, "worst": 0.12},
        {**review, **gap, "worst": 0.2},
        {**review, **gap, "worst": 0.28},
    ) == [3, 2, 1, 0]
    # Without a limit: of notes the larger, and a note never before a review.
    no_limit = {"rule": "picture.blemish", "limit": None}
    assert _ranked(
        result,
        {**note, **no_limit, "worst": 3.0},
        {**note, **no_limit, "worst": 9.0},
        {**review, **no_limit, "worst": 2.0},
        {**review, "rule": "picture.blemish", "limit": 1.0, "worst": 1.1},
    ) == [2, 3, 1, 0]


@pytest.mark.parametrize("limit", [50.0, None])
def test_of_notes_of_too_little_the_smaller_is_worse(
    make_result: MakeResult, limit: float | None
) -> None:
    result = make_result(Path("A.mov"), spans=())
    soft = {"rule": "focus.soft", "grade": Grade.NOTE, "limit": limit}
    worst = [60.0, 55.0, 40.0, 10.0]
    assert _ranked(result, *({**soft, "worst": w} for w in worst)) == [3, 2, 1, 0]


def test_a_rate_is_the_worse_the_farther_it_lies_from_the_declared_one(
    make_result: MakeResult,
) -> None:
    result = make_result(Path("A.mov"), spans=())
    rate = {"rule": "file.rate", "grade": Grade.NOTE, "limit": 50.0}
    worst = [50.1, 49.7, 52.0, 47.0]
    assert _ranked(result, *({**rate, "worst": w} for w in worst)) == [3, 2, 1, 0]


def test_bars_of_one_kind_do_not_overlap(make_result: MakeResult) -> None:
    # Ten minutes: a hundredth of the axis, the least between bars, is 150 frames.
    starts = [0, 20, 40, 1000, 1100, 5000, 14_990]
    spans = tuple((s, s + 2) for s in starts)
    result = make_result(Path("A.mov"), frames=15_000, spans=spans)
    numbers = enumerate(result.findings, 1)
    strip = strip_of(result, all_measures(), numbers, rule_labels())
    (rail,) = strip.rails
    assert [bar.label for bar in rail.bars] == ["3×", "2×", "6", "7"]
    ends = [
        (float(b.left.rstrip("%")), float(b.left.rstrip("%")) + float(b.width[:-1]))
        for b in rail.bars
    ]
    assert all(b[0] - a[1] >= 1 for a, b in itertools.pairwise(ends))


@pytest.mark.parametrize(
    ("worst", "limit", "shown"),
    [
        (0.0286, 0.004, ("0.0286", "0.0040")),
        (8.003, 8.0, ("8.003", "8.000")),
        (24.96, 25.0, ("24.96", "25.00")),
        (30.0, 25.0, ("30", "25")),
        (float("nan"), 25.0, ("not measured", "25")),
    ],
)
def test_one_sees_on_which_side_of_its_limit_a_value_lies(
    worst: float, limit: float, shown: tuple[str, str]
) -> None:
    assert beside(worst, limit, "") == shown


def test_of_many_of_one_kind_few_are_shown_and_every_other_kind_is(
    make_result: MakeResult,
) -> None:
    result = make_result(Path("A.mov"), frames=3000, spans=())
    findings = [
        *(
            make_finding(result.info, 9 * i, 9 * i + 1, worst=float(10 + i))
            for i in range(30)
        ),
        make_finding(result.info, 500, 501, rule="focus.soft"),
    ]
    shown, alike = few_of_a_kind(enumerate(findings, 1))
    # Those farthest past their limit, the last four; and the only one of its kind.
    assert sorted(n for n, _ in shown) == [27, 28, 29, 30, 31]
    assert len(alike) == 26


def test_of_equals_the_longest_is_the_worst_for_page_pictures_and_terminal(
    make_result: MakeResult, capsys: pytest.CaptureFixture[str]
) -> None:
    result = make_result(Path("A.mov"), frames=3000, spans=())
    lengths = [6, 9, 51, 7, 8, 5]
    findings = tuple(
        make_finding(result.info, 100 * i, 100 * i + n, worst=77.0, message=f"{n}.")
        for i, n in enumerate(lengths)
    )
    result = dataclasses.replace(result, findings=findings)
    assert _folds(result) == [(3, 6)]
    assert 3 in {n for n, _ in few_of_a_kind(enumerate(findings, 1))[0]}
    print_take(result, Path("reports"))
    assert "the worst at 10:00:08:00: 51." in capsys.readouterr().out
