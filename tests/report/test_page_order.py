"""What the page shows at once, and what it keeps behind a fold."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from qc.console import print_take
from qc.measures import all_measures, rule_labels
from qc.measures.base import ROOMS, Chart
from qc.records import Finding, Grade, Readings, TakeResult
from qc.report import sheet
from qc.report.curves import summary_of
from qc.report.figures import Figures, figures
from qc.report.handover import result_document
from qc.report.page import take_page
from qc.report.sheet import page_of
from qc.report.strips import Strip, strip_of
from qc.store import ColumnStore

MakeResult = Callable[..., TakeResult]
WRITTEN = datetime(2024, 5, 6, 7, 8, tzinfo=UTC)
PICTURE = {
    "channels.any_percent": 0.0,
    "exposure.p50_percent": 40.0,
    "flash.flashes_per_second": 0.0,
    "focus.relative_percent": 90.0,
    "highlights.relevant_percent": 0.1,
    "noise.mid_percent": 0.3,
    "steadiness.sway_percent": 0.1,
    "stillness.difference_percent": 1.0,
    "white.cast_delta_e00": 0.5,
}


@pytest.fixture
def measured(make_result: MakeResult) -> Iterator[Callable[..., TakeResult]]:
    """Return a function that makes a take with steady readings of many measures."""
    stores: list[ColumnStore] = []

    def make(columns: Mapping[str, float], *rules: tuple[str, Grade]) -> TakeResult:
        base = make_result(Path("A.mov"), frames=50, spans=((5, 10),))
        store = ColumnStore(dict.fromkeys(columns, 0))
        stores.append(store)
        store.extend({n: np.full(50, v, np.float32) for n, v in columns.items()}, 50)
        assert base.picture is not None
        readings = Readings("picture", Fraction(1, 25), base.picture.edges, store)
        findings = tuple(
            replace(base.findings[0], rule=rule, grade=grade) for rule, grade in rules
        )
        return replace(base, picture=readings, findings=findings)

    yield make
    for store in stores:
        store.close()


def _strip(result: TakeResult) -> Strip:
    numbers: list[tuple[int, Finding]] = list(enumerate(result.findings, 1))
    return strip_of(result, all_measures(), numbers, rule_labels())


def _rule(measure: str) -> str:
    found = next(m for m in all_measures() if m.name == measure)
    return next(iter(found.rule_labels))


def _titles(strip: Strip) -> list[str]:
    return [lane.title for lane in strip.lanes]


# ------------------------------------------------------------------------ the lanes


def test_without_findings_only_what_always_matters_is_shown(
    measured: Callable[..., TakeResult],
) -> None:
    strip = _strip(measured(PICTURE))
    assert _titles(strip) == [
        "Level",
        "Burnt-out area",
        "Colour cast of a white",
        "Sharpness",
        "Sway",
        "True peak, channel 1",
    ]
    assert {lane.title for lane in strip.more} == {
        "Saturated colour channels",
        "Flashes",
        "Noise",
        "Change from frame to frame",
    }


def test_what_has_findings_comes_first_and_the_gravest_before_all(
    measured: Callable[..., TakeResult],
) -> None:
    result = measured(
        PICTURE,
        (_rule("channels"), Grade.NOTE),
        (_rule("noise"), Grade.REJECT),
        (_rule("focus"), Grade.REVIEW),
    )
    strip = _strip(result)
    assert _titles(strip)[:4] == [
        "Noise",
        "Sharpness",
        "Saturated colour channels",
        "Level",
    ]
    everything = [lane.title for lane in strip.lanes + strip.more]
    assert len(everything) == len(set(everything)) == len(PICTURE) + 1


def test_each_channel_of_sound_stands_where_its_own_findings_put_it(
    measured: Callable[..., TakeResult],
) -> None:
    result = measured(PICTURE, (_rule("peaks"), Grade.REVIEW))
    (finding,) = result.findings
    first = _strip(replace(result, findings=(replace(finding, channel=1),)))
    other = _strip(replace(result, findings=(replace(finding, channel=2),)))
    assert _titles(first)[0] == "True peak, channel 1"
    assert _titles(other)[-1] == "True peak, channel 1"


def test_rooms_follow_one_another_as_they_are_read(
    measured: Callable[..., TakeResult],
) -> None:
    strip = _strip(measured(PICTURE))
    room = {chart.label: m.reading_order for m in all_measures() for chart in m.charts}
    for names in (_titles(strip), [lane.title for lane in strip.more]):
        orders = [room[name.split(", channel")[0]] for name in names]
        assert orders == sorted(orders)
    assert ROOMS[0] == "exposure"
    assert ROOMS[-1] == "sound"


def test_what_was_not_read_is_left_out_and_named_once(
    measured: Callable[..., TakeResult],
) -> None:
    result = measured(PICTURE | {"noise.mid_percent": np.nan})
    strip = _strip(result)
    assert "Noise" not in {lane.title for lane in strip.lanes + strip.more}
    assert strip.unmeasured.count("Noise") == 1
    # One channel was silent for the meter (conftest): it alone is named.
    assert "True peak, channel 2" in strip.unmeasured
    assert "True peak" not in strip.unmeasured
    said = re.search(r"Not measured in this take: ([^<]*)", _html(result))
    assert said is not None
    assert "Noise" in said[1].removesuffix(".").split("; ")


@pytest.mark.parametrize("lost", [False, True])
def test_sound_alone_is_not_said_to_lack_its_pictures(
    make_result: MakeResult, lost: bool
) -> None:
    result = make_result(Path("A.wav"), picture=False, frames=0, spans=())
    result = replace(result, info=replace(result.info, picture_lost=lost))
    strip = strip_of(result, all_measures(), [], {})
    assert ("Sharpness" in strip.unmeasured) is lost
    assert "Loudness" in strip.unmeasured  # which sound has, and was not read here


def test_nothing_hides_when_there_would_be_nothing_above_the_fold(
    measured: Callable[..., TakeResult],
) -> None:
    result = replace(measured({"noise.mid_percent": 0.3}), sound=())
    strip = _strip(result)
    assert _titles(strip) == ["Noise"]
    assert strip.more == ()


def test_flashes_are_told_in_words(measured: Callable[..., TakeResult]) -> None:
    strip = _strip(measured(PICTURE | {"flash.flashes_per_second": 0.5}))
    (lane,) = (one for one in strip.more if one.title == "Flashes")
    assert lane.summary.endswith("a\u00a0second")


def test_a_chart_waits_unless_it_says_otherwise() -> None:
    assert not Chart(("x",), "X").always


# ------------------------------------------------------------------------- the folds


def _html(result: TakeResult) -> str:
    return take_page(result, stills=False, written=WRITTEN)


@pytest.mark.parametrize("said", [0, 1, 3, 4, 9])
def test_three_notes_are_shown_and_the_rest_is_counted(
    said: int, make_result: MakeResult
) -> None:
    notes = tuple(f"Note {i}." for i in range(said))
    result = replace(make_result(Path("A.mov")), notes=notes)
    page = page_of(result, stills=False, written=WRITTEN)
    assert page.notes + page.more_notes == notes
    assert len(page.notes) == min(said, 3)
    html = _html(result)
    assert all(html.count(f"<li>{note}</li>") == 1 for note in notes)
    found = re.search(r"<summary>(\d+) more notes?</summary>", html)
    assert (int(found[1]) if found else 0) == max(said - 3, 0)


_COMMON = "A spot that lay on the lens from the start could not be looked for: dark."


@pytest.mark.parametrize("said", [0, 1, 3, 4, 9])
@pytest.mark.parametrize("common", [0, 1])
def test_terminal_page_and_document_have_the_same_notes(
    said: int,
    common: int,
    make_result: MakeResult,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """What the terminal leaves out is counted: the sum is that of the document."""
    notes = (_COMMON,) * common + tuple(f"Note {i}." for i in range(said))
    result = replace(make_result(Path("A.mov")), notes=notes)
    print_take(result, Path("r"))
    told = capsys.readouterr().out
    shown = sum(f"  {note}\n" in told for note in notes)
    more = re.search(r"(\d+) more notes? in the report", told)
    assert shown + (int(more[1]) if more else 0) == len(notes)
    assert shown == min(said, 3)
    assert tuple(result_document(result)["notes"]) == notes
    page = page_of(result, stills=False, written=WRITTEN)
    assert page.notes + page.more_notes == notes


def test_long_parts_are_closed_and_their_links_lead_inside(
    make_result: MakeResult,
) -> None:
    html = _html(make_result(Path("A.mov")))
    folds = re.findall(
        r'<details class="fold( paper)?">\s*<summary><h2 id="(\w+)"', html
    )
    assert folds == [
        ("", "curves"),
        (" paper", "file"),
        ("", "figures"),
        ("", "method"),
    ]
    assert not re.search(r"<details[^>]*\bopen\b", html)
    for _, name in folds:
        assert f'<a href="#{name}-all">' in html
        assert f'id="{name}-all"' in html


def test_a_take_is_wholly_usable_though_its_sound_runs_on_for_a_moment(
    make_result: MakeResult,
) -> None:
    result = make_result(Path("A.mov"), spans=())
    (whole,) = result.usable[:1]
    usable = (replace(whole, start=Fraction(0), start_frame=0),)
    longer = result.duration + Fraction(1, 200)
    page = page_of(
        replace(result, usable=usable, duration=longer), stills=False, written=WRITTEN
    )
    assert page.verdict.usable.startswith("All of it is usable")


@pytest.mark.parametrize(
    ("frames", "said"),
    [
        (40, "Usable: 1.6 s of 1.9 s, in 1 stretch."),
        (
            50,
            "Usable: 2.0 s of 2.3 s, in 1 stretch of 2.0 s or more.",
        ),
    ],
)
def test_no_stretch_is_said_to_be_longer_than_it_is(
    make_result: MakeResult, frames: int, said: str
) -> None:
    result = make_result(Path("A.mov"), frames=frames, spans=())
    (whole,) = result.usable[:1]
    usable = replace(
        whole,
        start=Fraction(0),
        end=Fraction(frames, 25),
        start_frame=0,
        end_frame=frames,
    )
    result = replace(
        result,
        usable=(usable,),
        duration=usable.end + Fraction(3, 10),
        limits={**result.limits, "judging.usable_min_seconds": 2.0},
    )
    page = page_of(result, stills=False, written=WRITTEN)
    assert page.verdict.usable.replace("\N{NO-BREAK SPACE}", " ") == said


@pytest.mark.parametrize("gone", [0, 5])
def test_frames_that_are_not_there_are_not_counted_as_usable(
    make_result: MakeResult, gone: int
) -> None:
    result = make_result(Path("A.mov"), frames=250, spans=())
    assert result.picture is not None
    # Frames 10 to 10 + gone are missing; the stretch is the first 46 places.
    edges = np.delete(result.picture.edges, np.arange(10, 10 + gone))
    usable = replace(
        result.usable[0],
        start=Fraction(0),
        end=Fraction(46, 25),
        start_frame=0,
        end_frame=46,
    )
    picture = replace(result.picture, edges=edges)
    result = replace(result, usable=(usable,), picture=picture)
    (row,) = sheet._usable(result)
    told = row.frames.replace("\N{NO-BREAK SPACE}", " ")
    assert told == ("46 frames" if not gone else "46 frames long, 41 there")


# ---------------------------------------------------------------- lanes in few words


@pytest.mark.parametrize(
    ("values", "unit", "told", "said"),
    [
        ([-200.0, -200.0], "dBFS", {}, "digital silence"),
        # Hum that is looked for and not found is drawn on the ground of its lane.
        ([-100.0, math.nan, -100.0], "dBFS", {"floor": -100.0}, "none found"),
        ([-100.0, -62.0], "dBFS", {"floor": -100.0}, "highest −62.0 dBFS"),
        (
            [-30.0, -23.9],
            "LUFS",
            {"floor": -60.0, "name": "Short-term loudness"},
            "short-term loudness up to −23.9 LUFS",
        ),
    ],
)
def test_levels_of_sound_in_few_words(
    values: list[float], unit: str, told: dict[str, Any], said: str
) -> None:
    column = np.array(values, np.float32)
    text = summary_of(column, unit, sound=True, **told)
    assert text.replace("\N{NO-BREAK SPACE}", " ") == said


@pytest.mark.parametrize(
    ("values", "said"),
    [
        ([0.0094, -0.0004, 1.69], "median 0.01, 0.00 to 1.69 stops"),
        ([0.9979, 0.9968, 1.0], "median 1.00, 1.00 to 1.00 stops"),
        ([2.0, 0.0, 7.0], "median 2, 0 to 7 stops"),
    ],
)
def test_numbers_side_by_side_have_the_same_decimals(
    values: list[float], said: str
) -> None:
    text = summary_of(np.array(values, np.float32), "stops", sound=False)
    assert text.replace("\N{NO-BREAK SPACE}", " ") == said


# ----------------------------------------------------------------- names of figures


def _figures(result: TakeResult, **summary: object) -> tuple[Figures, ...]:
    return figures(replace(result, summary=summary), all_measures())  # type: ignore[arg-type]


def test_no_two_columns_of_a_table_have_the_same_name(make_result: MakeResult) -> None:
    row = {"channel": 1, "mains_hz": 50, "offset_percent": 0.1, "offset_dbfs": -60.0}
    (block,) = _figures(make_result(Path("A.mov")), hum={"channels": [row]})
    assert len(block.heads) == 4
    assert len(set(block.heads)) == 4


@pytest.mark.parametrize(
    ("level", "told_from", "shown"),
    [
        (math.nan, -88.0, "none found"),
        (math.nan, None, "not measured"),
        (-62.0, -88.0, "−62.0\u00a0dBFS"),
    ],
)
def test_hum_that_was_looked_for_is_not_called_unmeasured(
    make_result: MakeResult, level: float, told_from: float | None, shown: str
) -> None:
    row = {"channel": 1, "hum_dbfs": level, "told_from_dbfs": told_from}
    other = row | {"channel": 2, "told_from_dbfs": -70.0}
    (block,) = _figures(make_result(Path("A.mov")), hum={"channels": [row, other]})
    assert block.heads[1:] == ("Hum, strongest", "Hum would be told from")
    assert block.rows[0][1] == shown


@pytest.mark.parametrize(
    ("level", "shown"), [(-100.0, "none found"), (-62.0, "−62.0\u00a0dBFS")]
)
def test_a_spot_check_says_that_no_hum_was_found(
    make_result: MakeResult, level: float, shown: str
) -> None:
    (block,) = _figures(make_result(Path("A.mov")), hum={"hum_max_dbfs": level})
    assert [fact.value for fact in block.facts] == [shown]


def test_levels_of_a_table_are_round_numbers(make_result: MakeResult) -> None:
    rows = [{"level_percent": 10.0, "noise_percent": 0.08}]
    (block,) = _figures(make_result(Path("A.mov")), noise={"by_level": rows})
    assert block.rows[0][0] == "10\u00a0%"


@pytest.mark.parametrize(
    ("measure", "key", "value", "unit"),
    [
        ("flash", "flashes_max_per_second", 0.5, "a second"),
        ("white", "cast_delta_e00", 1.5, "ΔE₀₀"),
        ("noise", "mid_median_percent", 0.22, "%"),
    ],
)
def test_units_are_in_plain_words(
    measure: str, key: str, value: float, unit: str, make_result: MakeResult
) -> None:
    (block,) = _figures(make_result(Path("A.mov")), **{measure: {key: value}})
    (fact,) = block.facts
    assert fact.value.replace("\u00a0", " ").split(" ", 1)[1] == unit
