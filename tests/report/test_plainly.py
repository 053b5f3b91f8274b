"""The operator's words come first, and no figure is lost on the way."""

from __future__ import annotations

import doctest
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest

from qc.console import print_take
from qc.measures import all_options, default_limits
from qc.records import Grade, UsableRange
from qc.report import axis, limitkeys, plainly, unjudged, words
from qc.report.figures import limit_rows
from qc.report.page import take_page
from qc.report.plainly import Plain
from qc.report.spotwords import sees_too_little, verdict_word

from .conftest import MakeResult, make_finding

CAST = (
    "White is warm by about 60 mired (CIEDE2000 15.1 from neutral, limit 14; Δu′v′ "
    "0.0285; CCT of the white 4707 K, Duv +0.003, where neutral is 6504 K, +0.003). "
    "Read on a neutral surface found in the picture (confidence 0.87)."
)
BALANCE = (
    "Take the white balance again. In this recording, gains of red −0.35 stop, blue "
    "+0.55 stop (linear light) bring white near neutral; check the tissue."
)
DRIFT = (
    "The colour of the same white surface changed at once at 10:02:13:22, by Δu′v′ "
    "0.0285 (limit 0.004), and the picture with it."
)


@pytest.mark.parametrize("module", [words, plainly, axis, limitkeys, unjudged])
def test_examples(module: object) -> None:
    assert doctest.testmod(module).failed == 0  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("text", "told", "behind"),
    [
        (
            CAST,
            "White is warm by about 60 mired. Read on a neutral surface found in the "
            "picture.",
            ("CIEDE2000 15.1", "limit 14", "Δu′v′ 0.0285", "4707 K", "confidence 0.87"),
        ),
        (BALANCE, "Take the white balance again.", ("−0.35 stop", "+0.55", "tissue")),
        (
            DRIFT,
            "The colour of the same white surface changed at once at 10:02:13:22 and "
            "the picture with it.",
            ("Δu′v′ 0.0285 (limit 0.004)",),
        ),
    ],
)
def test_figures_of_colour_science_stand_behind_the_sentence(
    text: str, told: str, behind: tuple[str, ...]
) -> None:
    plain = plainly.plainly(text)
    assert plain.words == told
    assert all(figure in plain.figures for figure in behind)
    # What ends as a sentence has its full stop.
    assert plain.figures.endswith(".") is (text is BALANCE)


@pytest.mark.parametrize(
    "text",
    ["", "Burnt out (tissue; limit 8 %). Close the iris.", "(only an aside)", "A. B."],
)
def test_what_has_no_such_figures_stays_as_it_is(text: str) -> None:
    assert plainly.plainly(text) == Plain(text, "")


def test_the_page_has_the_words_first_and_keeps_the_figures(
    make_result: MakeResult,
) -> None:
    result = make_result(Path("A.mov"), spans=((0, 5),), message=CAST, advice=BALANCE)
    page = take_page(replace(result, advice=(BALANCE,)), stills=False)
    first = page.split("<ol>")[1].split("</ol>")[0]
    assert "Take the white balance again. <small" in first
    assert first.index("again.") < first.index("gains of red")
    words = page.index("by about 60\u00a0mired. Read")
    assert words < page.index("CIEDE2000 15.1 from")


# ------------------------------------------------------------ too short, and limits


@pytest.mark.parametrize(("frames", "short"), [(1, True), (3, True), (250, False)])
def test_what_is_too_short_is_not_called_good(
    make_result: MakeResult, frames: int, short: bool
) -> None:
    # No column of these readings tells of focus, shake or flicker.
    result = make_result(Path("A.mov"), frames=frames, spans=(), sound=False)
    whole = UsableRange(Fraction(0), result.duration, 0, frames)
    result = replace(result, usable=(whole,))
    assert result.grade is Grade.CLEAN
    assert unjudged.too_short_for(result) == (
        ("focus", "shake", "flicker") if short else ()
    )
    assert sees_too_little(result) is short
    word = verdict_word(result, "Clean")
    assert word == ("Nothing found, but too short to judge all" if short else "Clean")
    page = take_page(result, stills=False)
    assert ("too short to judge focus, shake and flicker" in page) is short
    assert ("All of it is usable" in page) is not short
    # As in the terminal, an empty ring, that no other take has.
    assert ('href="#g-unsure"' in page) is short


@pytest.mark.parametrize(
    ("spans", "word", "count"),
    [
        (((0, 1),), "Only a note", "1 note"),
        (((0, 1), (2, 3)), "Only notes", "2 notes"),
    ],
)
def test_a_short_take_with_notes_alone_is_not_said_to_have_nothing(
    make_result: MakeResult,
    capsys: pytest.CaptureFixture[str],
    spans: tuple[tuple[int, int], ...],
    word: str,
    count: str,
) -> None:
    result = make_result(
        Path("A.mov"), frames=5, spans=spans, sound=False, grade=Grade.NOTE
    )
    # Notes leave a take clean.
    result = replace(result, grade=Grade.CLEAN)
    assert verdict_word(result, "Clean") == f"{word}, but too short to judge all"
    print_take(result, Path("A"))
    told = capsys.readouterr().out.splitlines()[0]
    assert told.startswith(f"○ {word}, but")
    assert f", {count}, " in told
    assert "finding" not in told


def test_a_short_take_with_findings_keeps_its_grade(make_result: MakeResult) -> None:
    result = make_result(Path("A.mov"), frames=5, spans=((0, 3),))
    assert verdict_word(result, "Review") == "Review"


def test_limits_are_shown_with_all_their_figures() -> None:
    limits = default_limits()
    rows = {row.key: row.value for row in limit_rows(limits, all_options())}
    # The house's own number as it stands in the limits file.
    assert rows["phase.same_correlation"] == f"{limits['phase.same_correlation']!r}"
    for option in all_options():
        value = limits[option.key]
        if isinstance(value, float) and value < 1e9:
            shown = rows[option.key].removesuffix(option.unit).strip()
            assert "-" not in shown  # a hyphen is no minus
            assert float(shown.replace("\N{NO-BREAK SPACE}", "").replace(
                "\N{MINUS SIGN}", "-")) == value  # fmt: skip


@pytest.mark.parametrize(
    ("grade", "limit", "key"),
    [
        (Grade.REVIEW, "highlights.review_percent", "highlights.review_percent"),
        (Grade.REJECT, "highlights.reject_percent", "highlights.reject_percent"),
        (Grade.REJECT, "highlights.review_percent", ""),
    ],
)
def test_a_finding_names_the_key_of_its_limit(
    make_result: MakeResult, grade: Grade, limit: str, key: str
) -> None:
    limits = default_limits()
    info = make_result(Path("A.mov")).info
    finding = make_finding(info, 0, 5, grade=grade, limit=limits[limit])
    assert limitkeys.limit_key(finding, limits) == key


def test_sound_alone_is_told_in_seconds(make_result: MakeResult) -> None:
    result = make_result(
        Path("A.wav"), picture=False, rule="sound.hum", start="00:00:00:00"
    )
    result = replace(result, usable=result.usable[:1])
    page = take_page(result, stills=False)
    # Frames 50 to 75 at 25 frames a second, by arithmetic.
    assert "0:00:02.000" in page
    assert "0:00:03.000" in page
    table = page.split('<table class="findings"')[1].split("</table>")[0]
    assert "frame" not in table.partition("<tbody")[2]


def test_files_of_one_name_are_told_apart_by_their_folders() -> None:
    paths = [Path(p) for p in ("a/1/x.mov", "b/1/x.mov", "b/y.mov", "b/2/x.mov")]
    assert words.told_apart(paths) == ["a/1/x.mov", "b/1/x.mov", "y.mov", "2/x.mov"]
