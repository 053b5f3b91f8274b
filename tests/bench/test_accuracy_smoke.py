"""The accuracy bench counts right: masks, shares and verdicts worked out by hand."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.bench import accuracy, rendered, scoring
from tests.bench.scoring import Pool, Row, Task, binned, percentile, rate


def _mask(*boxes: tuple[int, int, int, int]) -> NDArray[np.bool_]:
    mask = np.zeros((40, 60), bool)
    for x, y, w, h in boxes:
        mask[y : y + h, x : x + w] = True
    return mask


def test_iou_of_two_squares_that_overlap_by_a_half() -> None:
    # 100 and 100 pixels, 50 in common: 50 / 150.
    pool = Pool()
    pool.add(_mask((0, 0, 10, 10)), _mask((5, 0, 10, 10)))
    assert pool.iou == pytest.approx(1 / 3)


def test_iou_leaves_out_what_is_right_either_way() -> None:
    # Left of x = 5 counts nothing: found 50, truth 100, common 50.
    pool = Pool()
    pool.add(_mask((0, 0, 10, 10)), _mask((5, 0, 10, 10)), _mask((0, 0, 5, 40)))
    assert pool.iou == pytest.approx(0.5)


def test_pooling_weighs_pixels_and_keeps_each_frame() -> None:
    first, second = Pool(), Pool()
    first.add(_mask((0, 0, 10, 10)), _mask((0, 0, 10, 10)))  # 100 of 100
    second.add(_mask((0, 0, 20, 20)), _mask((0, 0, 10, 10)))  # 100 of 400
    second.add(_mask(), _mask())  # nothing to find, nothing found
    first.merge(second)
    assert (first.both, first.either, first.frames) == (200, 500, 3)
    assert first.iou == pytest.approx(0.4)
    assert first.each == [1.0, 0.25]
    assert math.isnan(Pool().iou)


def test_missing_readings_count_as_infinitely_wrong() -> None:
    assert percentile([3.0, 1.0, 2.0], 50) == 2.0
    assert percentile([0.0, 10.0], 90) == pytest.approx(9.0)
    assert percentile([1.0, math.nan, 2.0], 50) == 2.0
    assert math.isinf(percentile([1.0, math.nan], 90))
    assert math.isnan(percentile([], 50))
    assert rate([True, False]) == 50.0
    assert math.isnan(rate([]))


def test_bins_hold_every_value_once() -> None:
    keys = [0.0, 0.5, 0.5, 0.99, 1.0]
    found = binned(keys, [1, 2, 3, 4, 5], [0.0, 0.5, 1.0])
    assert [mine for _, _, mine in found] == [[1], [2, 3, 4, 5]]


@pytest.mark.parametrize(
    ("value", "cases", "at_least", "verdict"),
    [
        (0.85, 3, True, "met"),
        (0.849, 3, True, "missed"),
        (0.85, 3, False, "met"),
        (0.86, 3, False, "missed"),
        (math.nan, 3, True, "no data"),
        (0.9, 0, True, "no data"),
    ],
)
def test_verdict(value: float, cases: int, at_least: bool, verdict: str) -> None:
    assert Row("x", value, cases, "", 0.85, at_least).verdict == verdict


def test_verdict_of_a_figure_without_goal_is_empty() -> None:
    assert Row("x", 1.0, 1).verdict == ""


def _take(relevant: list[float], swab: float, found: bool) -> rendered.BurntTake:
    swabs = [swab] * len(relevant)
    return rendered.BurntTake("t", relevant=relevant, swab=swabs, found=found)


def test_highlight_rows_from_takes_made_up(monkeypatch: pytest.MonkeyPatch) -> None:
    right = _take([0.001] * 15, 0.02, found=False)
    wrong = _take([0.001] * 15, 0.02, found=True)
    without_swab = _take([0.001] * 15, 0.0, found=True)  # not scored
    burnt = _take([0.0] * 10 + [0.02] * 5, 0.0, found=True)  # 1 s at 5 fps
    missed = _take([0.0] * 10 + [0.02] * 5, 0.0, found=False)
    short = _take([0.0] * 11 + [0.02] * 4, 0.0, found=False)  # not scored
    pool = Pool()
    pool.add(_mask((0, 0, 10, 10)), _mask((0, 0, 10, 9)))
    burnt.pools["to +1"] = pool
    takes = (right, wrong, without_swab, burnt, burnt, burnt, missed, short)
    monkeypatch.setattr(rendered, "_burnt_takes", lambda *_: takes)
    rows = {r.name: r for r in rendered.score_highlights(Task())}
    iou = rows["IoU of the relevant mask, to +1 stop over"]
    assert (iou.value, iou.verdict) == (pytest.approx(0.9), "met")
    assert rows["IoU of the relevant mask, to +2 stop over"].verdict == "no data"
    good = rows["burnt swab, good field: no finding"]
    assert (good.value, good.cases, good.verdict) == (50.0, 2, "missed")
    bad = rows["relevant burnt >= 1 % for 1 s: found"]
    assert (bad.value, bad.cases, bad.verdict) == (75.0, 4, "missed")


def test_stops_rows_from_takes_made_up(monkeypatch: pytest.MonkeyPatch) -> None:
    take = _take([0.1] * 5, 0.0, found=True)
    take.stops = [0.5, 1.0, 1.4, 1.8, 0.0]
    take.close = np.array([0.6, 1.3, 1.4, math.nan, 0.3])
    take.at_least = np.array([0.59, 1.2, math.nan, 1.0, math.nan])
    monkeypatch.setattr(rendered, "_burnt_takes", lambda *_: (take,))
    rows = {r.name: r for r in rendered.score_stops(Task())}
    low = rows["median error, true 0 to 1.5 stops"]
    assert (low.value, low.cases, low.verdict) == (pytest.approx(0.1), 3, "met")
    assert math.isinf(rows["median error, true 1.5 to 2.5 stops"].value)
    # 0.59 and 1.0 hold, no bound told holds, 1.2 > 1.0 + 0.1 does not
    assert rows["lower bound <= truth + 0.1"].value == pytest.approx(75.0)
    assert rows["nothing to close, told over 1/4"].value == 100.0


def test_white_rows_from_takes_made_up(monkeypatch: pytest.MonkeyPatch) -> None:
    def take(share: float, error: float, **facts: Any) -> rendered.WhiteTake:
        usual = {"balanced": False, "found": True, "confidence": 0.9, "cast": False}
        return rendered.WhiteTake(
            "t", "neutral", share=share, error=error, **(usual | facts)
        )

    takes = iter(
        (
            take(0.05, 0.001),
            take(0.05, 0.003, confidence=0.3),
            take(0.0, math.nan, found=False),
            take(0.0, 0.02, confidence=0.1, balanced=True, cast=True),
        )
    )
    monkeypatch.setattr(rendered.family, "white_cases", lambda *_: range(4))
    monkeypatch.setattr(rendered, "_white_take", lambda _: next(takes))
    rows = {r.name: r for r in rendered.score_white(Task())}
    # 90th percentile of 0.001 and 0.003: 0.001 + 0.9 * 0.002
    assert rows["u'v' error, 90th percentile, all with a neutral"].value == (
        pytest.approx(0.0028)
    )
    assert rows["false white.cast on balanced takes"].verdict == "missed"
    assert rows["read without a neutral"].value == 50.0
    sure = rows["u'v' error at confidence 0.75 to 1, 90th percentile"]
    assert (sure.value, sure.cases) == (0.001, 1)


def test_channels_that_are_told_wrong_or_not_at_all_are_scored() -> None:
    nan = math.nan
    takes = [
        rendered.BurntTake(
            "made up",
            channel_stops=[0.0, 0.5, 1.0, 2.0, 0.0],
            close_channel=np.array([0.3, 0.6, 1.8, nan, nan]),
        ),
        rendered.BurntTake("without the column", channel_stops=[1.0]),
    ]
    rows = {r.name: r for r in rendered._channel_rows(takes)}
    low = rows["channel: median error, true 0 to 1.5 stops"]
    assert low.value == pytest.approx(0.45)  # of 0.1 and 0.8
    assert low.cases == 2
    assert low.verdict == "missed"
    assert rows["channel: 90th percentile, true 0 to 1.5 stops"].remark.startswith("50")
    high = rows["channel: median error, true 1.5 to 2.5 stops"]
    assert (high.value, high.cases) == (2.0, 1)  # nothing told is nothing closed
    assert rows["channel: nothing to close, told over 1/4"].value == 50.0


def test_a_take_goes_through_the_real_readers() -> None:
    """Two halves: tissue that burns, and a made-up truth that says so."""
    y = np.full((90, 160), 120, np.uint8)
    y[:, 80:] = 240
    grey = np.full((45, 80), 128, np.uint8)
    truth = SimpleNamespace(
        relevant=y == 240,
        swab=y == 0,
        other=y == 0,
        over_stops=0.7,
        labels=np.full(y.shape, rendered.family.RELEVANT[0], np.uint8),
        edge=y == 0,
        light=np.stack([y / 120.0, y / 240.0, y / 240.0], axis=-1),
    )

    class Half:
        name = "half"
        bit_depth, full_range, first_code = 8, False, 225
        plan = SimpleNamespace(table=SimpleNamespace(size=(160, 90)))
        # Ends at 100 %, linear.
        sensor = SimpleNamespace(
            facts=SimpleNamespace(clip_percent=100.0), curve=lambda light: light
        )

        def frames(self, fps: float, seconds: float, *, coded: bool) -> Iterator[Any]:
            assert coded
            for _ in range(round(fps * seconds)):
                yield (y.copy(), grey.copy(), grey.copy()), truth

        def truth_stops(self, _: Any) -> float:
            return 0.8

    take = rendered._burnt_take(Half())
    assert take.relevant == [0.5] * 15
    assert take.stops == [0.8] * 15
    # Red of the brighter half is 2; it has to come two 8-bit codes under 1.
    expected = math.log2(2.0 / (217 / 219))
    assert take.channel_stops == pytest.approx([expected] * 15, abs=1e-3)
    assert take.bad
    assert not take.good
    assert rendered._classifier() is not None
    assert take.pools["to +1"].frames == 15


def test_command_prints_and_writes_what_a_section_gives(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[Task] = []

    def run(task: Task) -> list[Row]:
        asked.append(task)
        return [Row("made up", 97.5, 4, " %", 97.0), Row("unread", math.inf, 1)]

    known = {"own": scoring.Section("own", "made up", run)}
    monkeypatch.setattr(accuracy, "SECTIONS", known)
    out = tmp_path / "figures.json"
    command = ["own", "--split", "tune", "--count", "4", "--json", str(out)]
    assert accuracy.main(command) == 0
    assert asked == [Task("tune", 4, None)]
    printed = capsys.readouterr().out
    assert "97.5 %" in printed
    assert "met" in printed
    rows = json.loads(out.read_text())["own"]
    assert rows[0]["verdict"] == "met"
    assert rows[1]["value"] is None
    with pytest.raises(SystemExit):
        accuracy.main(["other"])
