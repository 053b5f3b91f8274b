"""House limits: TOML in, checked values out; mistakes are told with a remedy."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from qc.errors import LimitsError
from qc.limits import Limits, Option, Region, load, parse, to_toml
from qc.measures import (
    all_measures,
    all_options,
    check_order,
    default_limits,
    load_limits,
)


def _read(text: str) -> Limits:
    return parse(text, all_options(), source="house.toml")


def test_every_default_passes_its_own_check() -> None:
    for option in all_options():
        assert option.check(option.default) == default_limits()[option.key]


def test_every_option_is_explained_and_belongs_to_a_measure() -> None:
    names = {m.name for m in all_measures()} | {"judging", "day"}
    for option in all_options():
        assert option.section in names
        assert len(option.text) > 20
        assert option.text.endswith(".")


def test_option_keys_are_unique() -> None:
    keys = [o.key for o in all_options()]
    assert len(keys) == len(set(keys))


def test_printed_limits_read_back_to_the_same_values() -> None:
    limits = default_limits()
    text = to_toml(limits, all_options(), titles={})
    assert dict(_read(text)) == dict(limits)
    # tomllib is an independent reader: every section of ours is a table to it.
    assert set(tomllib.loads(text)) == {o.section for o in all_options()}


def test_regions_read_back_after_printing() -> None:
    limits = _read(
        "[highlights]\nignore = [[0.1, 0.2, 0.3, 0.4], [[0, 0], [1, 0], [0.5, 1]]]"
    )
    again = _read(to_toml(limits, all_options(), titles={}))
    assert again["highlights.ignore"] == limits["highlights.ignore"]
    assert len(again["highlights.ignore"]) == 2


def test_rectangle_becomes_its_four_corners() -> None:
    (region,) = _read("[highlights]\nignore = [[0.25, 0.5, 0.5, 0.25]]")[
        "highlights.ignore"
    ]
    assert region == Region(((0.25, 0.5), (0.75, 0.5), (0.75, 0.75), (0.25, 0.75)))


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (
            "level_percent = 95\n",
            r"level_percent: stands in no section; write it under \[highlights\]",
        ),
        (
            "[hum]\nlevel_percent = 95\n",
            r"\[hum\] level_percent: no such key; it belongs under \[highlights\]",
        ),
        ("[focs]\n", r"house\.toml: \[focs\]: no such section; did you mean 'focus'"),
        (
            "[highlights]\nlevle_percent = 90",
            r"\[highlights\] levle_percent: no such key; did you mean 'level_percent'",
        ),
        ("[highlights]\nlevel_percent = 'high'", r'= "high": must be a number'),
        ("[highlights]\nlevel_percent = true", r"= true: must be a number"),
        ("[highlights]\nlevel_percent = nan", r"must be a finite number"),
        ("[highlights]\nlevel_percent = 300", r"must be between 1 and 109 %"),
        ("[highlights]\nignore = [[0.9, 0.9, 0.5, 0.5]]", r"shares of the picture"),
        ("[highlights]\nignore = [[0.1, 0.1, 0.0, 0.5]]", r"must be over 0"),
        ("[highlights]\nignore = [[0.1, 0.1]]", r"rectangles .* or polygons"),
        ("[highlights]\nignore = 'left'", r"must be a list"),
        ("[white]\nneutral = [1, 2, 3]", r"whole pixels"),
        ("[white]\nneutral = [1, 2, 0, 4]", r"at least 1"),
        ("[white]\nneutral = [-1, 2, 5, 4]", r"0 or more"),
        ("highlights = 3", r"must be a section"),
        ("[highlights]\nlevel_percent = [true, 1]", r"= \[true, 1\]: must be a"),
        ("[day]\nmemory_mb = 2000000", r"must be between 300 and 1 000 000 MB"),
        ("[highlights\n", r"not valid TOML"),
        (
            "[highlights]\nlevel_percent = 97,5  # a bit more",
            r"line 2: level_percent = 97,5: .* with a point: level_percent = 97\.5",
        ),
        ("[highlights]\nlevel_percent = 97,5,1", r"not valid TOML"),
    ],
)
def test_mistakes_are_told_with_place_and_remedy(text: str, sentence: str) -> None:
    with pytest.raises(LimitsError, match=sentence):
        _read(text)


def test_missing_file_says_how_to_get_one(tmp_path: Path) -> None:
    with pytest.raises(LimitsError, match="no such limits file; 'qc limits' prints"):
        load(tmp_path / "none.toml", all_options())


def test_a_file_that_is_no_text_is_told(tmp_path: Path) -> None:
    path = tmp_path / "a.toml"
    path.write_bytes(b"\xff\xfe\x00\x01")
    with pytest.raises(LimitsError, match="not a text file in UTF-8"):
        load(path, all_options())


def test_review_beyond_reject_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "house.toml"
    path.write_text("[highlights]\nreview_percent = 20\nreject_percent = 10\n")
    with pytest.raises(LimitsError, match=r"review_percent = 20 lies beyond reject"):
        load_limits(path)
    # Where too little is the fault the order turns round.
    path.write_text("[focus]\nsoft_review_percent = 10\nsoft_reject_percent = 20\n")
    with pytest.raises(LimitsError, match="must be at least that"):
        load_limits(path)
    # Speech cannot be too quiet and too loud at once.
    path.write_text("[speech]\nquiet_dbfs = -10\nloud_dbfs = -12\n")
    with pytest.raises(LimitsError, match=r"quiet_dbfs = -10 lies over loud_dbfs"):
        load_limits(path)
    # No gap is longer than the longest and shorter than the shortest.
    path.write_text("[day]\ngap_min_seconds = 500\n")
    with pytest.raises(LimitsError, match=r"= 500 lies over gap_max_seconds = 120"):
        load_limits(path)
    check_order(default_limits())


def test_command_line_values_are_checked_like_the_file() -> None:
    with pytest.raises(LimitsError, match=r"--level: .* must be between 1 and 109"):
        default_limits().with_values(
            all_options(), {"highlights.level_percent": 0.0}, source="--level"
        )


@given(
    st.floats(min_value=1, max_value=109, allow_nan=False),
    st.integers(min_value=0, max_value=10_000),
)
def test_numbers_survive_printing_and_reading(level: float, x: int) -> None:
    limits = default_limits().with_values(
        all_options(),
        {"highlights.level_percent": level, "white.neutral": [x, 1, 2, 3]},
        source="test",
    )
    again = _read(to_toml(limits, all_options(), titles={}))
    assert again["highlights.level_percent"] == level
    assert again["white.neutral"] == (x, 1, 2, 3)


@given(st.text(max_size=60))
def test_any_text_gives_limits_or_one_sentence(text: str) -> None:
    try:
        limits = _read(text)
    except LimitsError as error:
        assert str(error).startswith("house.toml: ")  # noqa: PT017
        assert "\n" not in str(error).strip() or "TOML" in str(error)  # noqa: PT017
    else:
        assert set(limits) == {o.key for o in all_options()}


@given(
    st.dictionaries(
        st.sampled_from([o.key for o in all_options()]),
        st.one_of(
            st.booleans(),
            st.integers(),
            st.floats(),
            st.text(max_size=5),
            st.lists(st.integers(), max_size=5),
            st.none(),
        ),
        max_size=4,
    )
)
def test_any_value_is_taken_or_refused_by_name(changes: dict[str, object]) -> None:
    try:
        limits = default_limits().with_values(all_options(), changes, source="x")
    except LimitsError as error:
        named = [k.partition(".")[2] in str(error) for k in changes]
        assert any(named)
    else:
        assert len(limits) == len(all_options())


def test_text_and_choices() -> None:
    text = Option("a.b", "x", "About it, at some length.", kind="text")
    choice = Option("a.c", "p", "About it, too.", kind="choice", choices=("p", "q"))
    limits = parse('[a]\nb = "ü \\" #"\nc = "q"', [text, choice], source="t")
    assert limits["a.b"] == 'ü " #'
    assert limits["a.c"] == "q"
    assert dict(
        parse(to_toml(limits, [text, choice], titles={}), [text, choice], source="t")
    ) == dict(limits)
    with pytest.raises(LimitsError, match="must be one of p, q"):
        parse('[a]\nc = "z"', [text, choice], source="t")


def test_every_mistake_of_a_file_is_told_at_once() -> None:
    text = "[highlight]\na = 9\n[focus]\nsoft_reviw = 40\n[highlights]\nlevel_percent=0"
    with pytest.raises(LimitsError) as told:
        _read(text)
    message = str(told.value)
    assert "3 mistakes: (1) [highlight]: no such section" in message
    assert "(2) [focus] soft_reviw: no such key; did you mean" in message
    assert "(3) [highlights] level_percent = 0: " in message
