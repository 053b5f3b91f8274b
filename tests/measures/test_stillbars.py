"""Stills at the ends of a take: bars or a card before it, frames left out behind it."""

from __future__ import annotations

import numpy as np
import pytest

from qc.records import Grade
from tests.measures.test_stillness import HEIGHT, WIDTH, found, held, live, read
from tests.pictures import Image


def bars() -> Image:
    """Draw seven bars from bright to dark."""
    levels = np.linspace(180, 30, 7)
    return np.repeat(levels[np.arange(WIDTH) * 7 // WIDTH][None], HEIGHT, axis=0)


@pytest.mark.parametrize("frames", [30, 75])
def test_bars_before_a_take_are_called_so(frames: int) -> None:
    images = [*[bars()] * frames, *live("hand", 2.0)[:60]]
    (finding,) = found(read(images), "frozen")
    assert (finding.start_frame, finding.end_frame) == (1, frames)
    assert "bars or a card" in finding.message
    assert "leave it out" in finding.advice
    # However long, the take behind it is not rejected for it.
    assert finding.grade is Grade.REVIEW


def test_a_camera_that_stands_from_the_first_frame_on_is_frozen() -> None:
    (finding,) = found(read(held(live("hand", 2.0), 1, 61)), "frozen")
    assert finding.grade is Grade.REJECT
    assert "bars" not in finding.message


def test_bars_within_a_take_are_a_freeze() -> None:
    images = list(live("hand", 2.0))
    (finding,) = found(read([*images[:30], *[bars()] * 60, *images[30:60]]), "frozen")
    assert finding.grade is Grade.REJECT
    assert "lost the camera's signal" in finding.advice


@pytest.mark.parametrize(("frames", "told"), [(1, False), (5, False), (7, True)])
def test_a_few_repeats_at_the_very_end_are_the_coders(frames: int, told: bool) -> None:
    # House choice: a fifth of a second, five frames of 25.
    images = live("hand", 2.0)[:60]
    assert bool(found(read(held(images, 60 - frames, 60)))) is told
    (within,) = found(read(held(images, 40 - frames, 40)))
    assert within.rule == "picture.repeated"
