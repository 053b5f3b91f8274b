"""Teeth that are half smoothed away, or in a part of the picture alone.

Fields are drawn at known moments of a steady motion (see test_combing): a lower field
that is a mean of two moments, weighed so, lies that share of the way between them.
"""

from __future__ import annotations

import numpy as np
import pytest

from qc.measures.combing import MEASURE
from qc.measures.parts.scan.framepairs import band_starts
from qc.measures.parts.scan.partcombing import BAND_ROWS, BANDS, check_parts
from tests.measures.test_combing import (
    HEIGHT,
    WIDTH,
    found,
    frame,
    lag_of,
    swing,
    take,
)
from tests.pictures import Image, column, measure, picture, setup_of


def smoothed(share: float, frames: int) -> list[Image]:
    """Draw interlace of which a coder left so much of the teeth; motion is slow."""
    out = []
    for i in range(-frames // 2, frames - frames // 2):
        right, wrong = (frame(i, lag, (1.0, 0.3)) for lag in (0.0, 0.5))
        out.append((1.0 - share) * right + share * wrong)
    return out


def mixed(first: int, last: int, frames: int, lag: float = 0.5) -> list[Image]:
    """Draw a take in which these lines alone are interlaced."""
    out = []
    for right, wrong in zip(swing(frames, 0.0), swing(frames, lag), strict=True):
        image = right.copy()
        image[first:last] = wrong[first:last]
        out.append(image)
    return out


@pytest.mark.parametrize("share", [0.4, 0.6])
def test_teeth_that_a_coder_half_smoothed_are_told(share: float) -> None:
    images = [*smoothed(0.0, 90)[:45], *smoothed(share, 90)[45:]]
    (finding,) = found(take(images, "progressive"))
    assert finding.worst == pytest.approx(0.5 * share, abs=0.05)
    assert "smoothed part of the teeth" in finding.message
    # Looked at about three times a second: 25 / 2.9 frames.
    assert 43 <= finding.start_frame <= 54
    assert finding.end_frame == 90


def test_what_looks_like_smoothed_teeth_for_three_moments_is_let_be() -> None:
    # About three moments a second are looked at.
    for count in (16, 24):
        images = [*smoothed(0.4, 90)[:count], *smoothed(0.0, 90)[count:]]
        assert found(take(images, "progressive")) == []
    # For longer, and most of the time, it is something.
    images = [*smoothed(0.4, 90)[:60], *smoothed(0.0, 90)[60:]]
    (finding,) = found(take(images, "progressive"))
    assert finding.start_frame == 0
    assert finding.end_frame == pytest.approx(60, abs=9)


def test_what_a_coder_all_but_smoothed_away_is_let_be() -> None:
    assert found(take(smoothed(0.1, 60), "progressive")) == []


@pytest.mark.parametrize("share", [0.3, 0.4])
def test_fields_that_a_coder_drew_together_are_not_told_to_be_one(share: float) -> None:
    assert found(take(smoothed(share, 60), "top field first")) == []


@pytest.mark.parametrize("share", [0.5, 0.8])
def test_nor_is_their_order_hidden_by_that(share: float) -> None:
    (finding,) = found(take(smoothed(share, 60), "bottom field first"))
    assert "recorded top field first" in finding.message


def test_half_smoothed_teeth_are_the_right_ones_of_an_interlaced_take() -> None:
    assert found(take(smoothed(0.7, 60), "top field first")) == []


@pytest.mark.parametrize("lag", [0.5, -0.5])
def test_a_part_with_teeth_is_told_with_its_place(lag: float) -> None:
    setup = setup_of(scan="progressive", width=WIDTH, height=HEIGHT)
    images = mixed(80, 160, 60, lag)
    shown = (picture(image, index=i) for i, image in enumerate(images))
    (finding,) = found(measure(shown, setup, [MEASURE]))
    assert "In a part of the picture" in finding.message
    assert ("later" if lag > 0 else "earlier") in finding.message
    assert finding.where is not None
    x, y, width, height = finding.where
    assert (x, width) == (0, WIDTH)
    assert 80 <= y < y + height <= 160
    assert (finding.start_frame, finding.end_frame) == (0, 60)
    assert finding.worst == pytest.approx(lag, abs=0.1)


def test_where_the_part_begins_late_is_told() -> None:
    images = [*swing(120, 0.0)[:60], *mixed(80, 160, 120)[60:]]
    (finding,) = found(take(images, "progressive"))
    # Looked at about three times a second: 25 / 2.9 frames.
    assert 60 <= finding.start_frame <= 69


def test_a_part_for_a_moment_is_let_be() -> None:
    images = swing(90, 0.0)
    images[40:65] = mixed(80, 160, 90)[40:65]
    assert found(take(images, "progressive")) == []


def test_what_is_told_of_the_whole_is_not_told_of_parts() -> None:
    measured = take(swing(60, 0.5), "progressive")
    assert len(found(measured)) == 1
    assert len(list(check_parts(measured, np.zeros(60, bool)))) == 1
    assert list(check_parts(measured, np.ones(60, bool))) == []


def test_bands_have_the_lag_that_was_drawn_in_them() -> None:
    before, now = mixed(80, 160, 21)[19:]
    lags = np.array(lag_of(before, now).bands)
    starts = np.array(band_starts(HEIGHT, count=BANDS, rows=BAND_ROWS))
    inside = (starts >= 80) & (starts + BAND_ROWS <= 160)
    outside = (starts + BAND_ROWS <= 80) | (starts >= 160)
    assert lags[inside] == pytest.approx(0.5, abs=0.1)
    assert np.all(lags[outside] == 0)


def test_small_pictures_have_fewer_bands() -> None:
    small = [image[:70] for image in swing(30, 0.0)]
    bands = column(take(small, "progressive"), "combing.bands_lag_frames")
    assert np.isnan(bands[:, 2:]).all()
    assert (bands[:, :2] == 0).any()
