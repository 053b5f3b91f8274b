"""The same spot in several takes of one camera.

Places and sizes are given; which of them are one spot follows by hand from the rules
in the text: a centre off by less than half the size, sizes alike within 2.5 times, and
single pixels within two pixels. Which takes belong together is common practice, no
source.
"""

from __future__ import annotations

from typing import Any

import pytest

from qc.day.checks import check_whole_day, day_advice
from qc.daybook import DayFinding, DayTake
from qc.measures import default_limits
from qc.records import Grade
from tests.day.documents import finding, take

LENS = (300, 200, 60, 50)  # at the upper left of 1920 x 1080


def blemish(
    box: Any = LENS, *, start: int = 0, grade: Grade = Grade.REVIEW, end: int = 1500
) -> dict[str, Any]:
    told = finding(start, end, rule="picture.blemish", grade=grade, worst=3.1)
    return told | {"where": list(box) if isinstance(box, tuple) else box}


def day(*findings: list[dict[str, Any]], **facts: Any) -> list[DayTake]:
    """Return takes of a minute, a quarter of an hour after another."""
    hours = [f"{10 + i // 4:02}:{15 * (i % 4):02}:00:00" for i in range(len(findings))]
    return [
        take(f"{'ABCDEFG'[i]}.mov", hours[i], findings=found, **facts)
        for i, found in enumerate(findings)
    ]


def found(takes: list[DayTake]) -> list[DayFinding]:
    whole = check_whole_day(takes, default_limits())
    return [f for f in whole if f.rule == "day.blemish"]


def test_same_spot_is_told_from_the_take_it_begins_in() -> None:
    takes = day([], [blemish(start=250)], [blemish((310, 195, 55, 55))], [blemish()])
    (one,) = found(takes)
    assert one.takes == ("B.mov", "C.mov", "D.mov")
    assert one.grade is Grade.REVIEW
    # 250 frames of 1/25 s into the take that begins at 10:15.
    assert "in 3 takes, from B.mov at 10:15:10:00 on" in one.message
    assert "at the upper left" in one.message
    # Mean of 60, 55 and 60 of 1920 pixels.
    assert "about 3.0 % of the picture's width" in one.message
    assert "not found" not in one.message
    assert "lens" in one.advice
    assert (one.start, one.end) == (36_900.0, 38_760.0)


def test_takes_are_taken_in_order_of_time_not_of_names() -> None:
    takes = [
        take("Z.mov", "09:00:00:00", findings=[blemish()]),
        take("A.mov", "11:00:00:00", findings=[blemish()]),
    ]
    (one,) = found(takes)
    assert one.takes == ("Z.mov", "A.mov")
    assert "from Z.mov on" in one.message


def test_takes_in_which_it_was_not_found_are_named() -> None:
    (one,) = found(day([blemish()], [], [blemish()], []))
    assert "in between in B.mov and afterwards in D.mov" in one.message
    assert "too still to tell" in one.message


@pytest.mark.parametrize(
    ("other", "same"),
    [
        ((320, 210, 60, 50), True),  # 22 pixels off, under half of 60
        ((345, 200, 60, 50), False),
        ((300, 250, 60, 50), False),
        ((270, 175, 120, 100), True),  # twice as large about the same centre
        ((230, 125, 200, 200), False),  # over three times as large
        ((329, 224, 3, 3), False),  # a single pixel is no spot
    ],
)
def test_place_and_size_must_be_alike(
    other: tuple[int, int, int, int], same: bool
) -> None:
    assert bool(found(day([blemish()], [blemish(other)]))) is same


@pytest.mark.parametrize(("off", "same"), [(0, True), (2, True), (3, False)])
def test_pixels_are_held_against_each_other_to_the_pixel(off: int, same: bool) -> None:
    one = blemish((700, 500, 3, 3), grade=Grade.NOTE)
    other = blemish((700 + off, 500, 3, 3), grade=Grade.NOTE)
    told = found(day([one], [other]))
    assert bool(told) is same
    for f in told:
        assert f.grade is Grade.NOTE
        assert "pixel in the middle (column 701, row 501)" in f.message
        assert "pixel correction" in f.advice


def test_two_spots_of_one_take_are_not_one_in_several() -> None:
    assert found(day([blemish(), blemish((305, 205, 60, 50))])) == []
    assert len(found(day(*[[blemish(), blemish((1500, 900, 60, 50))]] * 2))) == 2


def test_other_cameras_and_copies_do_not_count() -> None:
    takes = [
        take("A.mov", "10:00:00:00", findings=[blemish()], metadata={"model": "one"}),
        take("B.mov", "10:10:00:00", findings=[blemish()], metadata={"model": "two"}),
    ]
    assert found(takes) == []
    copies = [
        take(name, "10:00:00:00", findings=[blemish()], content="c", fingerprint="f")
        for name in ("A.mov", "B.mov")
    ]
    assert found(copies) == []


def test_size_of_the_picture_does_not_matter_for_a_spot() -> None:
    takes = [
        take("A.mov", "10:00:00:00", findings=[blemish()]),
        take(
            "B.mov",
            "10:10:00:00",
            findings=[blemish((200, 133, 40, 34))],
            width=1280,
            height=720,
        ),
    ]
    (one,) = found(takes)
    assert one.takes == ("A.mov", "B.mov")


@pytest.mark.parametrize(
    "box",
    [
        None,
        "wide",
        (1, 2, 3),
        (0, 0, 0, 0),
        (1900, 0, 60, 50),
        (-1, 0, 5, 5),
        (0.5,) * 4,
    ],
)
def test_boxes_that_make_no_sense_are_left_out(box: Any) -> None:
    assert found(day([blemish(box)], [blemish(box)])) == []


def test_other_faults_at_one_place_are_no_blemish() -> None:
    told = blemish() | {"rule": "highlights.relevant"}
    assert found(day([told], [told])) == []


def test_advice_of_the_day_tells_it() -> None:
    takes = day([blemish()], [blemish()])
    advice = day_advice(takes, check_whole_day(takes, default_limits()))
    assert any("Same spot in several takes" in a for a in advice)
