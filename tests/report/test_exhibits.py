"""Small figures beside findings: drawn true to their numbers, and nothing unescaped."""

from __future__ import annotations

import ast
import math
import re
from collections.abc import Callable, Iterable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import cast
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

import qc
from qc.measures import all_measures
from qc.measures.base import Exhibit, Line
from qc.records import Finding, TakeResult
from qc.report import sheet
from qc.report.drawing import Drawing, hatched, path_of, tick_values
from qc.report.exhibits import MOST_EXHIBITS, Figure, exhibits_of, figure_of
from qc.report.extremes import thinned
from qc.report.page import render

MakeResult = Callable[..., TakeResult]
HOSTILE = "</svg><script>alert(1)</script> \"x\" 'y' & z"
WRITTEN = datetime(2024, 5, 6, 7, 8, tzinfo=UTC)
RAMP = np.linspace(0.0, 10.0, 11)


def drawing(exhibit: Exhibit) -> Drawing:
    figure = figure_of(exhibit)
    assert figure.drawing is not None
    return figure.drawing


def points(path: str) -> list[tuple[float, float]]:
    """All absolute points of a path of straight lines."""
    found = re.findall(r"[ML ]?(-?[\d.]+) (-?[\d.]+)", path)
    return [(float(x), float(y)) for x, y in found]


def paths(drawn: Drawing, look: str) -> list[str]:
    return [s.path for s in drawn.shapes if s.look.split()[0] == look]


def words(drawn: Drawing, anchor: str) -> dict[str, tuple[float, float]]:
    return {
        w.text: (float(w.x), float(w.y))
        for w in drawn.words
        if w.anchor == anchor and "name" not in w.look
    }


def test_axes_of_time_have_one_name() -> None:
    """Seconds are of the take or of the finding, and every figure says of which."""
    told = {
        keyword.value.value
        for path in (Path(qc.__file__).parent / "measures").rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call)
        for keyword in node.keywords
        if keyword.arg == "x_label" and isinstance(keyword.value, ast.Constant)
    }
    times = {name for name in told if re.match(r"s(econds?)?\b", str(name))}
    assert times == {"seconds of the take", "seconds since the finding begins"}


# ---------------------------------------------------------------------------- lines


def test_a_line_passes_through_its_values_as_the_axes_say() -> None:
    drawn = drawing(Exhibit("lines", "Ramp", lines=(Line("a", RAMP, RAMP * 2),)))
    ((x0, y0), *_, (x1, y1)) = points(paths(drawn, "p0")[0])
    left, below = words(drawn, "middle"), words(drawn, "end")
    # Tick labels are centred below their place, and 3.5 above the base line beside it.
    assert x0 == pytest.approx(left["0"][0], abs=0.2)
    assert x1 == pytest.approx(left["10"][0], abs=0.2)
    assert y0 == pytest.approx(below["0"][1] - 3.5, abs=0.2)
    assert y1 == pytest.approx(below["20"][1] - 3.5, abs=0.2)


def test_what_was_not_measured_is_a_gap() -> None:
    values = RAMP.copy()
    values[4] = np.nan
    (path,) = paths(
        drawing(Exhibit("lines", "T", lines=(Line("", RAMP, values),))), "p0"
    )
    assert path.count("M") == 2
    assert len(points(path)) == 10
    assert "nan" not in path


def test_a_lone_value_between_gaps_still_shows() -> None:
    y = np.array([np.nan, 3.0, np.nan])
    assert path_of(np.arange(3.0), y) == "M1 3h0"


@pytest.mark.parametrize("kind", ["lines", "path", "bars"])
@pytest.mark.parametrize("gone", [True, False])
def test_nothing_measured_is_said_and_draws_nothing(kind: str, gone: bool) -> None:
    lines = (Line("a", RAMP, np.full(11, np.nan)),) if gone else ()
    figure = figure_of(Exhibit(kind, "Title", "How to read.", lines))  # type: ignore[arg-type]
    assert figure.drawing is None
    assert figure.caption == "How to read. Nothing could be measured here."


@pytest.mark.parametrize("kind", ["lines", "path", "bars"])
@pytest.mark.parametrize("value", [0.0, -7.0, 1e6, 1e-9])
def test_flat_values_have_an_axis(kind: str, value: float) -> None:
    line = Line("a", RAMP, np.full(11, value))
    drawn = drawing(Exhibit(kind, "T", lines=(line,)))  # type: ignore[arg-type]
    assert all(
        math.isfinite(v) for s in drawn.shapes for p in points(s.path) for v in p
    )
    assert words(drawn, "end")


def test_levels_are_drawn_at_their_value_and_their_names_keep_apart() -> None:
    levels = (("review", 8.0), ("reject", 8.2), ("far out", float("nan")))
    drawn = drawing(Exhibit("lines", "T", lines=(Line("", RAMP, RAMP),), levels=levels))
    lines = [points(p.replace("H", " 0 "))[0][1] for p in paths(drawn, "level")]
    axis = words(drawn, "end")
    unit = (axis["0"][1] - axis["10"][1]) / 10
    assert sorted(axis["0"][1] - 3.5 - y for y in lines) == pytest.approx(
        [8.0 * unit, 8.2 * unit], abs=0.3
    )
    assert abs(axis["review"][1] - axis["reject"][1]) >= 11
    assert "far out" not in axis


def test_lines_differ_in_more_than_colour_and_have_a_legend() -> None:
    lines = tuple(Line(name, RAMP, RAMP + i) for i, name in enumerate("abcd"))
    figure = figure_of(Exhibit("lines", "T", lines=lines))
    assert [k.label for k in figure.keys] == list("abcd")
    assert len({k.look for k in figure.keys}) == 4
    style = Path(sheet.__file__).with_name("assets").joinpath("page.css").read_text()
    for key in figure.keys[1:]:
        assert re.search(rf"\.fig \.{key.look} \{{[^}}]*stroke-dasharray", style)


def test_a_figure_says_in_words_what_it_shows() -> None:
    exhibit = Exhibit(
        "lines",
        "Level",
        lines=(Line("left", RAMP, 5 - np.abs(RAMP - 3)),),
        x_label="seconds",
        y_label="%",
        levels=(("limit", 4.0),),
    )
    assert drawing(exhibit).says == (
        "Level. left: 11\u00a0values, −2 to 5, highest at 3. limit: 4. "
        "Axes: seconds, %."
    )


# -------------------------------------------------------------------- many points


@given(
    y=st.lists(st.floats(-1e6, 1e6) | st.just(math.nan), min_size=1, max_size=400),
    most=st.integers(4, 60),
)
def test_thinning_keeps_the_extremes_and_the_order(y: list[float], most: int) -> None:
    values = np.array(y)
    x, kept = thinned(np.arange(float(len(y))), values, most=most)
    assert len(x) <= max(1.5 * most, 6) or len(y) <= most
    assert (np.diff(x) > 0).all()
    known = values[np.isfinite(values)]
    if known.size:
        assert np.nanmin(kept) == known.min()
        assert np.nanmax(kept) == known.max()
    assert np.isnan(values).any() == np.isnan(kept).any()
    # Every point kept is one that was there.
    np.testing.assert_array_equal(kept, values[x.astype(int)])


def test_one_spike_among_thousands_still_shows() -> None:
    y = np.zeros(20_000)
    y[12_345] = 9.0
    drawn = drawing(Exhibit("lines", "T", lines=(Line("", np.arange(20_000.0), y),)))
    (path,) = paths(drawn, "p0")
    assert len(path) < 12_000
    top = min(points(path), key=lambda p: p[1])
    left, right = (words(drawn, "middle")[t][0] for t in ("5000", "15000"))
    assert top[0] == pytest.approx(left + (right - left) * 0.7345, abs=1.0)


def test_lines_of_unlike_lengths_are_refused() -> None:
    with pytest.raises(ValueError, match="3 x and 2 y"):
        thinned(np.zeros(3), np.zeros(2))


# ----------------------------------------------------------------- paths, bars, fields


def test_a_path_has_one_scale_both_ways() -> None:
    turn = np.linspace(0, 2 * np.pi, 200)
    circle = Line("motion", 30 + 5 * np.cos(turn), -4 + 5 * np.sin(turn))
    drawn = drawing(Exhibit("path", "Path", lines=(circle,)))
    x, y = np.array(points(paths(drawn, "p0")[0])).T
    assert np.ptp(x) == pytest.approx(np.ptp(y), rel=0.01)
    # Ten units across, on the axis as well.
    axis = words(drawn, "middle")
    first, *_, last = axis
    unit = (axis[last][0] - axis[first][0]) / (float(last) - float(first))
    assert np.ptp(x) / unit == pytest.approx(10.0, rel=0.01)


def test_a_path_shows_where_it_begins_and_ends() -> None:
    line = Line("motion", np.array([np.nan, 0.0, 4.0]), np.array([1.0, 0.0, 3.0]))
    looks = [s.look for s in drawing(Exhibit("path", "P", lines=(line,))).shapes]
    assert looks[-3:-1] == ["p0 begin", "p0 stop"]


def test_bars_stand_on_zero_and_are_as_long_as_their_value() -> None:
    values = np.array([1.0, -2.0, np.nan, 4.0])
    line = Line("a", np.arange(4.0), values)
    (path,) = paths(drawing(Exhibit("bars", "B", lines=(line,))), "bar")
    feet = [
        (float(a), float(b))
        for a, b in re.findall(r"M[-\d.]+ ([-\d.]+)V([-\d.]+)", path)
    ]
    assert len(feet) == 3
    lengths = np.array([foot - top for foot, top in feet])
    np.testing.assert_allclose(lengths / lengths[0], [1, -2, 4], rtol=0.02)


def test_rows_of_bars_stand_side_by_side() -> None:
    rows = tuple(Line(n, np.arange(5.0), np.ones(5)) for n in "ab")
    first, second = paths(drawing(Exhibit("bars", "B", lines=rows)), "bar")
    ends = [float(m) for m in re.findall(r"H([-\d.]+)", first)]
    starts = [float(m) for m in re.findall(r"M([-\d.]+)", second)]
    assert np.allclose(ends, starts, atol=0.2)


def test_of_too_many_bars_the_longest_are_kept() -> None:
    y = np.zeros(5000)
    y[777] = -3.0
    (path,) = paths(
        drawing(Exhibit("bars", "B", lines=(Line("", np.arange(5000.0), y),))), "bar"
    )
    assert path.count("M") <= 250
    depths = {
        float(b) - float(a) for a, b in re.findall(r"M\S+ ([-\d.]+)V([-\d.]+)", path)
    }
    assert max(depths) > 100


def test_fields_have_their_colour_and_its_figures() -> None:
    swatches = (("Patch", (1.0, 0.5, -0.02)), ("Hidden", (math.nan, 0.0, 0.0)))
    figure = figure_of(Exhibit("swatches", "Patch", swatches=swatches))
    patch, hidden = figure.fields
    assert patch.fill == "rgb(255,128,0)"
    assert patch.figures == "R′ 100.0 G′ 50.0 B′ −2.0\u00a0%"
    assert (hidden.fill, hidden.figures) == ("", "not measured")


# ---------------------------------------------------------------------- on the page


def _fake(result: TakeResult, finding: Finding) -> Iterable[Exhibit]:
    line = Line(HOSTILE, RAMP, RAMP)
    for kind in ("lines", "path", "bars"):
        yield Exhibit(
            kind,  # type: ignore[arg-type]
            HOSTILE,
            HOSTILE,
            (line, replace(line, y=-RAMP)),
            x_label=HOSTILE,
            y_label=HOSTILE,
            levels=((HOSTILE, 5.0),),
        )
    yield Exhibit("swatches", HOSTILE, HOSTILE, swatches=((HOSTILE, (0.2, 0.3, 0.4)),))
    yield Exhibit("lines", "One too many", lines=(line,))


@pytest.fixture
def html(make_result: MakeResult, monkeypatch: pytest.MonkeyPatch) -> str:
    measures = tuple(
        replace(m, exhibits=_fake) if m.name == "highlights" else m
        for m in all_measures()
    )
    monkeypatch.setattr(sheet, "all_measures", lambda: measures)
    result = make_result(Path("A.mov"))
    return render(sheet.page_of(result, stills=False, written=WRITTEN))


def test_drawings_are_well_formed_and_escape_every_word(html: str) -> None:
    drawings = re.findall(r'<svg class="fig x-.*?</svg>', html, re.DOTALL)
    assert len(drawings) == 2 * 3
    for text in drawings:
        svg = ElementTree.fromstring(text)  # noqa: S314 -- our own page
        assert svg.get("role") == "img"
        assert HOSTILE in "".join(svg.find("desc").itertext())  # type: ignore[union-attr]
        assert not svg.findall(".//script")
    assert "<script>alert" not in html


def test_figures_stand_with_their_finding_without_pictures_too(html: str) -> None:
    assert "Figures of the findings" in html
    for number in (1, 2):
        (case,) = re.findall(rf'<article id="p{number}".*?</article>', html, re.DOTALL)
        assert case.count('<figure class="exhibit') == MOST_EXHIBITS
        assert f'<a href="#f{number}">' in case
        assert f'<a href="#p{number}">Figures' in html
    assert "image/jpeg" not in html


def test_ids_are_unique(html: str) -> None:
    ids = re.findall(r'\sid="([^"]*)"', html)
    assert len(ids) == len(set(ids))


def test_figures_go_to_the_findings_of_their_measure(make_result: MakeResult) -> None:
    result = make_result(Path("A.mov"), spans=((0, 5), (10, 20)))
    own, other = result.findings
    asked = []

    def maker(_: TakeResult, finding: Finding) -> Iterable[Exhibit]:
        asked.append(finding)
        return (Exhibit("lines", "T", lines=(Line("", RAMP, RAMP),)),)

    measures = [
        replace(m, exhibits=maker) for m in all_measures() if m.name == "highlights"
    ]
    numbers = [(1, own), (2, replace(other, rule="sound.peak"))]
    found = exhibits_of(result, measures, numbers)
    assert list(found) == [1]
    assert asked == [own]
    assert isinstance(found[1][0], Figure)


# ------------------------------------------------------------------------- the tools


@given(low=st.floats(-1e5, 1e5), span=st.floats(1e-4, 1e6), most=st.integers(3, 9))
def test_ticks_are_round_few_and_inside(low: float, span: float, most: int) -> None:
    ticks = tick_values(low, low + span, most=most)
    assert len(ticks) <= most + 1
    assert all(low - 1e-6 * span <= t <= low + span * (1 + 1e-6) for t in ticks)
    if len(ticks) > 1:
        step = ticks[1] - ticks[0]
        lead = step / 10.0 ** math.floor(math.log10(step) + 1e-9)
        assert min(abs(lead - r) for r in (1, 2, 5, 10)) < 1e-3


@pytest.mark.parametrize("falling", [False, True])
def test_hatching_stays_in_its_box_at_its_slant(falling: bool) -> None:
    path = hatched(100, 160, 20, 90, falling=falling, step=9)
    ends = np.array(points(path)).reshape(-1, 2, 2)
    x, y = ends[..., 0], ends[..., 1]
    assert x.min() >= 100
    assert x.max() <= 160
    assert y.min() >= 20
    assert y.max() <= 90
    slope = np.diff(y, axis=1) / np.diff(x, axis=1)
    np.testing.assert_allclose(slope, 1 if falling else -1, atol=0.1)
    # Lines begin every nine units: 130 of them pass the box's half perimeter.
    assert len(ends) == pytest.approx(130 / 9, abs=1.5)


def test_boxes_side_by_side_join_up() -> None:
    def lines(path: str) -> NDArray[np.float64]:
        return cast(NDArray[np.float64], np.array(points(path)).reshape(-1, 4))

    one = lines(hatched(0, 60, 0, 30, falling=False, step=10))
    two = lines(hatched(60, 120, 0, 30, falling=False, step=10))
    # The same families of lines: x + y is a multiple of the step away from the foot.
    for ends in (one, two):
        assert np.allclose((ends[:, 0] + ends[:, 1]) % 10, 0, atol=0.01)
