"""Jumps of colour from one frame to the next, and back.

Pictures are made with the bench's own curve and daylight (CIE 15, BT.709), so that the
stops to be found are those of the gains put in, by arithmetic.
"""

from __future__ import annotations

from collections.abc import Iterator
from types import SimpleNamespace
from typing import Any, cast

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from qc.measures.base import Measured
from qc.measures.parts.neutral.presetsteps import find_presets, preset_spans
from qc.measures.white import MEASURE
from qc.records import Finding, Grade, Picture
from qc.signal import Signal
from tests.bench.faults.linear import Curve, daylight_gains
from tests.measures.test_neutral import white_cast
from tests.measures.test_white import findings, make_info, readings_of
from tests.measures.test_white import measure as measure_white

RANDOM_STATE = 5
WIDTH, HEIGHT = 320, 180
COUNT, FIRST, LAST = 110, 30, 80


def scene(number: int) -> NDArray[np.float32]:
    """Return soft things of all colours under warm light, wider than a picture."""
    rng = np.random.default_rng(number)
    coarse = rng.uniform(0.08, 0.6, (9, 14, 3)).astype(np.float32)
    wide = cv2.resize(coarse, (480, 300), interpolation=cv2.INTER_CUBIC)
    warm = daylight_gains(70)
    return np.asarray(np.clip(wide, 0.03, 0.9) * warm / warm.max(), np.float32)


def hand_held(
    gains: NDArray[np.float32] | None,
    *,
    step: float = 0.02,
    first: int = FIRST,
    last: int = LAST,
) -> Iterator[Picture]:
    """Yield pictures of a camera that shakes, other gains in between.

    Parameters
    ----------
    step : float
        Root mean square of the way from one picture to the next, share of the width.
    """
    signal = Signal()
    curve = Curve(signal)
    light = scene(RANDOM_STATE)
    rng = np.random.default_rng(RANDOM_STATE)
    way = np.cumsum(rng.normal(0, step * WIDTH / 2**0.5, (COUNT, 2)), axis=0)
    way = np.abs(np.mod(way + 60, 240) - 120).astype(int)  # to and fro
    for i, (x, y) in enumerate(way):
        part = light[y : y + HEIGHT, x : x + WIDTH]
        if gains is not None and first <= i < last:
            part = part * gains
        planes = curve.codes(part + rng.normal(0, 0.004, part.shape).astype(np.float32))
        y_, cb, cr = planes
        yield Picture(index=i, pts=i, y=y_, cb=cb, cr=cr, signal=signal, duration=1)


def measure(pictures: Iterator[Picture]) -> Measured:
    return measure_white(pictures, make_info(size=(WIDTH, HEIGHT)), neutral=[])


def casts(measured: Measured) -> list[Finding]:
    return [f for f in findings(measured) if f.rule == "white.cast"]


@pytest.mark.parametrize("mired", [60, -60])
def test_a_setting_changed_in_a_shaking_hand_is_found_to_the_frame(mired: int) -> None:
    gains = daylight_gains(mired)
    measured = measure(hand_held(gains))
    (told,) = casts(measured)
    assert (told.start_frame, told.end_frame) == (FIRST, LAST)
    assert told.grade is Grade.REVIEW
    assert "jumps back" in told.message
    word = "warm" if mired > 0 else "cold"
    assert f"{word} by about" in told.message
    stops = np.log2(gains / gains[1])[[0, 2]]
    (found,) = [c for _, c in preset_spans(readings_of(measured), 0.5)]
    assert found == pytest.approx(stops, abs=0.05)
    assert told.worst == pytest.approx(white_cast(gains / gains[1], 0.75), abs=1.0)
    result: Any = SimpleNamespace(
        picture=measured.picture, info=measured.info, limits=measured.limits
    )
    assert MEASURE.exhibits is not None
    (figure,) = MEASURE.exhibits(result, told)
    assert figure.kind == "lines"


def test_a_cast_that_a_white_tells_is_not_told_twice() -> None:
    measured = measure(hand_held(daylight_gains(60)))
    readings = measured.picture
    assert readings is not None
    assert len(list(find_presets(measured))) == 1
    told = readings["white.cast_delta_e00"].copy()
    told[FIRST:LAST] = 12.0
    cast("Any", readings.columns).add("white.cast_delta_e00", told)
    assert not list(find_presets(measured))


def test_a_shaking_hand_alone_jumps_nowhere() -> None:
    readings = readings_of(measure(hand_held(None, step=0.03)))
    assert np.isnan(readings["white.picture_step"]).all()
    assert not list(preset_spans(readings, 0.5))


def test_what_does_not_come_back_or_is_gone_at_once_is_no_changed_setting() -> None:
    gains = daylight_gains(60)
    for first, last in ((FIRST, COUNT), (FIRST, FIRST + 10)):
        measured = measure(hand_held(gains, first=first, last=last))
        steps = readings_of(measured)["white.picture_step"][:, 0]
        assert np.count_nonzero(~np.isnan(steps)) == 1 + (last < COUNT)
        assert not casts(measured)


def test_exposure_that_jumps_is_no_jump_of_colour() -> None:
    darker = np.full(3, 0.6, np.float32)
    readings = readings_of(measure(hand_held(darker)))
    assert not list(preset_spans(readings, 0.5))


def test_a_coloured_thing_that_comes_and_goes_is_no_changed_setting() -> None:
    def with_cloth() -> Iterator[Picture]:
        for picture in hand_held(None):
            if FIRST <= picture.index < LAST:
                y, cb, cr = (p.copy() for p in (picture.y, picture.cb, picture.cr))
                y[:, :120], cb[:, :60], cr[:, :60] = 90, 160, 100
                picture = Picture(
                    index=picture.index, pts=picture.pts, y=y, cb=cb, cr=cr,
                    signal=picture.signal, duration=1,
                )  # fmt: skip
            yield picture

    measured = measure(with_cloth())
    chroma = readings_of(measured)["white.picture_chroma"]
    # It is more than what 60 mired do.
    assert np.hypot(*(chroma[FIRST] - chroma[FIRST - 1])) > 3
    assert not casts(measured)
