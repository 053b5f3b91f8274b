"""Film speeds spread over fields: drawn field by field, as SMPTE's 2:3 has it.

The turn of fields is from memory: pictures A B C D lie on ten fields as A A B B B C C
D D D (2:3), or as A A B B B C C C D D (2:3:3:2); two fields make a frame.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from qc.measures.parts.scan.pulldown import PULLDOWNS, pulldown_of
from qc.records import Grade, Scan
from tests.measures.test_combing import (
    _moved,
    coded,
    found,
    mpeg2,
    noisy,
    swing,
    take,
)
from tests.pictures import Image, column

TURNS = {"2:3": (2, 3, 2, 3), "2:3:3:2": (2, 3, 3, 2)}
FRAMES = 90


def spread(kind: str, *, bottom_first: bool = False, phase: int = 0) -> list[Image]:
    """Draw pictures of a pan, each held for so many fields in turn."""
    held = [p for r in range(30) for p, n in enumerate(TURNS[kind], 4 * r)
            for _ in range(n)]  # fmt: skip
    out = []
    for i in range(phase, phase + FRAMES):
        first, second = held[2 * i], held[2 * i + 1]
        upper, lower = (second, first) if bottom_first else (first, second)
        image = _moved(1.25 * upper).copy()
        image[1::2] = _moved(1.25 * lower)[1::2]
        out.append(noisy(image, i, 1.5))
    return out


@pytest.mark.parametrize("phase", range(5))
@pytest.mark.parametrize("bottom_first", [False, True])
@pytest.mark.parametrize("kind", PULLDOWNS)
def test_the_turn_of_fields_is_told(kind: str, bottom_first: bool, phase: int) -> None:
    images = spread(kind, bottom_first=bottom_first, phase=phase)[:21]
    images = [np.round(i) for i in images]
    pairs = pairwise(images)
    both = np.array([[np.abs(b - a)[k::2].mean() for k in (0, 1)] for a, b in pairs])
    assert pulldown_of(both[:, 0], both[:, 1], least=0.5) == kind


@pytest.mark.parametrize(
    ("scan", "grade"),
    [("top field first", Grade.NOTE), ("progressive", Grade.REVIEW)],
)
@pytest.mark.parametrize("kind", PULLDOWNS)
def test_it_is_named_with_what_to_do(kind: str, scan: Scan, grade: Grade) -> None:
    rate = 30
    (finding,) = found(take(spread(kind), scan, rate=rate))
    assert finding.grade is grade
    assert (finding.start_frame, finding.end_frame) == (0, FRAMES)
    assert f"({kind} pulldown)" in finding.message
    assert "24 pictures a second" in finding.message
    assert f"take the {kind} pulldown out" in finding.advice
    assert "do not shift fields" in finding.advice
    # Two of five frames mix two pictures, or one.
    assert finding.worst == {"2:3": 40, "2:3:3:2": 20}[kind]


def test_what_is_none() -> None:
    cases: list[tuple[float, Scan]] = [(0.0, "progressive"), (0.5, "top field first")]
    for lag, scan in cases:
        measured = take(
            [noisy(i, n, 1.5) for n, i in enumerate(swing(FRAMES, lag))], scan, rate=30
        )
        codes = column(measured, "combing.pulldown")
        assert not (codes > 0).any()
        assert found(measured) == []
    still = [_moved(0)] * FRAMES
    assert found(take(still, "top field first", rate=30)) == []


def test_only_the_part_that_is_spread() -> None:
    images = spread("2:3")[:60] + swing(160, 0.5)[60:160]
    told = found(take(images, "top field first", rate=30))
    (finding,) = [f for f in told if "pulldown" in f.message]
    assert finding.start_frame == 0
    assert 50 <= finding.end_frame <= 75
    assert told == [finding]


def test_through_a_coder(tmp_path: Path) -> None:
    video = replace(mpeg2("top"), rate=Fraction(30000, 1001))
    measured = coded(tmp_path / "a.mov", spread("2:3"), video)
    (finding,) = found(measured)
    assert "23.976 pictures a second" in finding.message
    assert (finding.start_frame, finding.end_frame) == (0, FRAMES)
