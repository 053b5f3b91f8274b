"""How much later one field is than the other, where focus changes besides.

Fields are drawn at known moments and blurred by known widths (see test_combing).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import ndimage

from tests.measures.test_combing import frame, lag_of
from tests.pictures import Image


def blurred(image: Image, sigma: float) -> Image:
    return np.asarray(ndimage.gaussian_filter(image, sigma, mode="mirror"))


@pytest.mark.parametrize(
    ("before", "now"), [(0.0, 1.0), (1.0, 0.0), (0.6, 0.9), (1.2, 2.5), (2.5, 1.2)]
)
def test_focus_that_changes_is_no_lag(before: float, now: float) -> None:
    still = frame(0, 0, (0, 0))
    lag = lag_of(blurred(still, before), blurred(still, now)).frames
    assert math.isnan(lag) or abs(lag) < 0.15


@pytest.mark.parametrize("lag", [0.5, -0.5])
@pytest.mark.parametrize(("before", "now"), [(0.6, 1.0), (1.0, 0.6)])
def test_a_lag_is_found_while_focus_changes(
    lag: float, before: float, now: float
) -> None:
    move = (3.0, 1.0)
    pictures = []
    for moment, sigma in ((0, before), (1, now)):
        top = blurred(frame(moment, 0, move), sigma)
        top[1::2] = blurred(frame(moment + lag, 0, move), sigma)[1::2]
        pictures.append(top)
    assert lag_of(pictures[0], pictures[1]).frames == pytest.approx(lag, abs=0.12)
