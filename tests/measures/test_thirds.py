"""Film speeds spread over 50 fields: drawn field by field.

The turn of fields is from memory: 24 pictures lie on 50 fields, each for two of them,
the twelfth and the twenty-fourth for three; two fields make a frame.
"""

from __future__ import annotations

import numpy as np
import pytest

from qc.measures.parts.scan.thirds import by_thirds
from qc.records import Grade, Scan
from tests.measures.test_combing import _moved, found, noisy, swing, take
from tests.pictures import Image

FRAMES = 100


def spread() -> tuple[list[Image], float]:
    """Draw a pan, and tell what share of the frames is of two pictures."""
    held = [p for p in range(200) for _ in range(3 if p % 12 == 11 else 2)]
    images, mixed = [], 0
    for i in range(FRAMES):
        upper, lower = held[2 * i : 2 * i + 2]
        mixed += upper != lower
        image = _moved(0.9 * upper).copy()
        image[1::2] = _moved(0.9 * lower)[1::2]
        images.append(noisy(image, i, 1.5))
    return images, mixed / FRAMES


@pytest.mark.parametrize(
    ("scan", "grade"),
    [("top field first", Grade.NOTE), ("progressive", Grade.REVIEW)],
)
def test_whole_and_mixed_frames_in_turn_are_one_thing(scan: Scan, grade: Grade) -> None:
    images, share = spread()
    assert share == pytest.approx(0.5, abs=0.03)  # the drawing is what it should be
    (finding,) = found(take(images, scan))
    assert finding.grade is grade
    assert (finding.start_frame, finding.end_frame) == (0, FRAMES)
    assert "made of two pictures" in finding.message
    assert "24 pictures a second" in finding.message
    assert "do not shift the fields" in finding.advice
    assert "no picture is lost" not in finding.message
    # The frame shown is one that has teeth: its fields are a picture apart, not half.
    assert finding.worst is not None
    assert 0.75 <= finding.worst < 1.5


def test_progressive_pictures_in_interlace_are_not_mixed() -> None:
    (finding,) = found(take(swing(60, 0.0), "top field first"))
    assert "same moment" in finding.message


@pytest.mark.parametrize(
    "lag",
    [
        [0.0] * 20,
        [0.5] * 20,
        [1.0] * 20,  # a converter that joins fields wrongly, all the time
        [0.0] * 10 + [1.0] * 10,  # or from one place on
        [0.0, 1, 0, 0, -1, 0, 0, 1, 0, 0, -1],  # either way: read wrongly
        [0.0] * 10 + [1.0] + [0.0] * 10,
        [],
    ],
)
def test_what_does_not_come_in_turn_is_let_be(lag: list[float]) -> None:
    assert not by_thirds(np.array(lag)).any()


def test_only_the_part_that_comes_in_turn_counts() -> None:
    lag = np.array([0.5] * 12 + [0.0, 0, 1, 0, 0, 1, 1, 0, 0, 1, 0] + [0.5] * 12)
    told = np.flatnonzero(by_thirds(lag))
    assert (told.min(), told.max()) == (12, 22)
