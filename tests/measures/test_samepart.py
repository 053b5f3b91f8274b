"""A drift is told of the same part of the same surface, however the camera sways."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from qc.judge import find
from qc.measures import steadiness, white
from qc.measures.base import Measure, Measured
from qc.measures.parts.neutral.samepart import same_parts
from qc.records import Finding, Picture
from tests.pictures import measure, picture, setup_of

RATE, N = 25, 100
SIZE = (480, 270)
# A surface as large as a square of 36 pixels: what it slides by half of that is 18.
SHARE = 100.0 * 36**2 / (480 * 270)
T = np.arange(N) / RATE

Array = NDArray[np.float64]


def given(of: Measure, columns: Mapping[str, Array]) -> Measure:
    """Return a measure that reads what it is given, row by row."""

    class Reader:
        def __init__(self, _: object) -> None:
            self.row = 0

        def read(self, _: Picture) -> dict[str, Any]:
            row, self.row = self.row, self.row + 1
            return {name: values[row] for name, values in columns.items()}

        def finish(self) -> dict[str, object]:
            return {}

    return replace(of, start=Reader)


def taken(
    middle: Array, moved: Array, *, drift: Array | None = None, motion: bool = True
) -> Measured:
    """Judge a white followed at `middle` while the picture has gone right by `moved`.

    Parameters
    ----------
    middle, moved : (N,) arrays
        Pixels.
    drift : (N,) array, optional
        Codes by which Cr rises and Cb falls.
    """
    off = np.zeros(N) if drift is None else drift
    stops = 0.025 * off
    whites = {
        "patch_codes": np.stack([np.full(N, 180.0), 128 - off, 128 + off], axis=1),
        "neutral_box": np.stack(
            [middle - 6, np.full(N, 94.0), np.full(N, 12.0), np.full(N, 12.0)], axis=1
        ),
        "found_confidence": np.full(N, 0.95),
        "found_share_percent": np.full(N, SHARE),
        "found_track": np.ones(N),
        "picture_stops": np.stack([stops, -stops], axis=1),
        "picture_framing": np.ones(N),
    }
    sways = {
        "dx_percent": np.diff(moved, prepend=np.nan) * 100 / SIZE[0],
        "dy_percent": np.zeros(N),
    }
    measures = [given(white.MEASURE, whites)]
    if motion:
        stripped = replace(steadiness.MEASURE, derived=(), derive=None)
        measures.append(given(stripped, sways))
    setup = setup_of(rate=Fraction(RATE), width=SIZE[0], height=SIZE[1])
    blank = np.zeros((2, 2), np.uint8)
    return measure((picture(blank, index=i) for i in range(N)), setup, measures)


def parts_of(measured: Measured) -> list[int]:
    assert measured.picture is not None
    parts: list[int] = same_parts(measured.picture, np.arange(N), SIZE).tolist()
    return parts


def drifts(measured: Measured) -> list[Finding]:
    return [f for f in find(measured, [white.MEASURE]) if f.rule == "white.drift"]


SWAY = 12 * np.sin(2 * np.pi * 0.4 * T)
STEP = np.where(np.arange(N) < N // 2, 0.0, 1.0)


def test_a_box_that_goes_with_the_picture_keeps_its_part() -> None:
    assert parts_of(taken(200 + SWAY, SWAY)) == [0] * N


def test_a_box_that_stands_while_the_camera_sways_a_little_keeps_its_part() -> None:
    # From one end of the sway to the other are 14 pixels of the 18.
    assert parts_of(taken(np.full(N, 200.0), 7 / 12 * SWAY)) == [0] * N


def test_what_is_found_elsewhere_in_a_moving_picture_is_another_part() -> None:
    assert parts_of(taken(200 + SWAY - 60 * STEP, SWAY)) == [0] * 50 + [1] * 50


def test_a_box_may_jump_while_the_camera_stands() -> None:
    assert parts_of(taken(200 - 60 * STEP, np.zeros(N))) == [0] * N


def test_without_motion_all_of_a_track_is_one_part() -> None:
    assert parts_of(taken(200 - 60 * STEP, SWAY, motion=False)) == [0] * N


def test_a_box_over_which_the_picture_goes_on_slides_off() -> None:
    # Exact: at 1 pixel a frame it has slid by more than 18 in frame 19, and over 2 s,
    # which is as long as it stays without a look, never less again.
    parts = parts_of(taken(np.full(N, 200.0), np.arange(N, dtype=float)))
    assert parts == [0] * 19 + [-1] * (N - 19)


DRIFT = 2.5 * np.clip((np.arange(N) - 30) / 40, 0, 1)


@pytest.mark.parametrize("sway", [0.0, 1.0])
def test_a_drift_of_one_part_is_told(sway: float) -> None:
    (found,) = drifts(taken(200 + sway * SWAY, sway * SWAY, drift=DRIFT))
    assert found.end_frame == N


def test_other_surfaces_of_other_colours_are_no_drift() -> None:
    # The same colours, told with the camera standing, and none of them by the light.
    off = 2.5 * STEP
    assert not drifts(taken(200 + SWAY - 60 * STEP, SWAY, drift=off))
    assert drifts(taken(200 + SWAY, SWAY, drift=off))


def test_a_fold_that_slides_into_the_box_is_no_drift() -> None:
    moved = 1.5 * np.arange(N, dtype=float)
    assert not drifts(taken(np.full(N, 200.0), moved, drift=DRIFT))
    assert drifts(taken(200 + moved, moved, drift=DRIFT))
