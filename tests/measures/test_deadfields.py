"""A field that is lost: which one and since when is known by construction."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from qc.measures import default_limits
from qc.measures.parts.scan.deadfields import fields_of
from qc.pipeline import check_take
from qc.records import Grade, Scan, TakeResult
from tests import synth
from tests.measures.test_combing import found, noisy, swing, take
from tests.pictures import Image

FRAMES = 100
SCANS: tuple[tuple[Scan, float], ...] = (
    ("progressive", 0.0),
    ("top field first", 0.5),
    ("bottom field first", -0.5),
)
ROWS = {"upper": 0, "lower": 1}


def _clip(lag: float, noise: float = 1.5) -> list[Image]:
    return [noisy(im, i, noise) for i, im in enumerate(swing(FRAMES, lag))]


def _dead(
    images: Sequence[Image], field: str, first: int, last: int, *, noise: float = 0.4
) -> list[Image]:
    """Let a field stand from `first` to `last`; a coder leaves it a little unrest."""
    out = [image.copy() for image in images]
    row, rng = ROWS[field], np.random.default_rng(3)
    for image in out[first:last]:
        stands = out[first][row::2]
        image[row::2] = stands + rng.normal(0, noise, stands.shape)
    return out


@pytest.mark.parametrize(("scan", "lag"), SCANS)
def test_two_good_fields_are_none(scan: Scan, lag: float) -> None:
    assert found(take(_clip(lag), scan)) == []


@pytest.mark.parametrize("field", ["upper", "lower"])
@pytest.mark.parametrize(("scan", "lag"), SCANS)
def test_a_field_that_stands(scan: Scan, lag: float, field: str) -> None:
    images = _dead(_clip(lag), field, 37, FRAMES)
    (one,) = [f for f in found(take(images, scan)) if f.unit == "% of the other"]
    assert one.rule == "picture.combing"
    assert one.grade is Grade.REVIEW
    # Frame 37 holds the field that then stands: frame 38 is the first that lacks one.
    assert abs(one.start_frame - 38) <= 2
    assert one.end_frame == FRAMES
    assert f"The {field} field stands" in one.message
    other = "lower" if field == "upper" else "upper"
    assert f"from the {other} field alone" in one.advice


def test_a_field_that_stands_for_a_while() -> None:
    images = _dead(_clip(0.5), "lower", 20, 70)
    (one,) = [
        f for f in found(take(images, "top field first")) if f.unit == "% of the other"
    ]
    assert abs(one.start_frame - 21) <= 2
    assert abs(one.end_frame - 70) <= 2


@pytest.mark.parametrize("field", ["upper", "lower"])
@pytest.mark.parametrize("lost", ["black", "a tenth of the range darker"])
def test_a_darker_field(field: str, lost: str) -> None:
    images = [image.copy() for image in _clip(0.5)]
    for image in images[52:]:
        dark = image[ROWS[field] :: 2]
        dark[:] = 16.0 if lost == "black" else dark - 21.9
    (one,) = [f for f in found(take(images, "top field first")) if f.unit == "%"]
    assert abs(one.start_frame - 52) <= 1
    assert one.end_frame == FRAMES
    assert f"The {field} field is darker" in one.message
    assert (one.grade is Grade.REJECT) is (lost == "black")
    if lost != "black":
        # 21.9 codes of the 219 from black to white.
        assert abs(one.worst) == pytest.approx(10.0, abs=0.3)
    assert (one.worst < 0) is (field == "lower")


@pytest.mark.parametrize("rate", [24, 25, 30])
def test_film_pulled_down_is_none(rate: int) -> None:
    # Four film frames in five, two of them of fields of two: every field is repeated
    # once in a while, never the same one for long (SMPTE's 2:3, from memory).
    film = swing(FRAMES, 0.0)
    images = []
    for i in range(0, FRAMES - 5, 5):
        a, b, c, d = film[i : i + 4]
        for upper, lower in ((a, a), (b, b), (b, c), (c, d), (d, d)):
            image = upper.copy()
            image[1::2] = lower[1::2]
            images.append(noisy(image, len(images), 1.5))
    told = found(take(images, "progressive", rate=rate))
    assert [f for f in told if f.unit in ("% of the other", "%")] == []


def test_a_still_picture_tells_nothing() -> None:
    still = swing(1, 0.0)[0]
    assert found(take([still] * FRAMES, "top field first")) == []


def test_lines_that_differ_in_the_scene_do_not_count_as_standing() -> None:
    # A grid of lines as on a monitor in view: fields differ, but change alike.
    images = _clip(0.5)
    for image in images:
        image[60:120:2, 100:200] += 30
    assert found(take(images, "top field first")) == []


def test_arithmetic_of_a_pair() -> None:
    before = np.full((2, 8, 16), 400, np.uint16)
    now = before.copy()
    now[:, 0::2] += 30
    now[:, 1::2] += 12
    fields = fields_of(before, now, span=876)
    assert fields.change_times == pytest.approx(12 / 30)
    assert fields.apart_percent == pytest.approx(100 * (12 - 30) / 876)
    same = fields_of(before, before, span=876)
    assert np.isnan(same.change_times)
    assert same.apart_percent == 0.0


def test_through_a_coder(tmp_path: Path) -> None:
    scene = synth.scene(60, 160, 96)
    frames = [[plane.copy() for plane in picture] for picture in scene]
    for picture in frames[25:]:
        picture[0][1::2] = 16
    path = synth.write(
        tmp_path / "a.mov", frames, synth.Video("mpeg2video", scan="top")
    )
    result = check_take(path, limits=default_limits())
    assert isinstance(result, TakeResult)
    (one,) = [f for f in result.findings if f.unit == "%" and "field" in f.message]
    assert abs(one.start_frame - 25) <= 3
