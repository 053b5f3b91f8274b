"""Hunting: focus that swings to and fro by itself while the picture hardly moves."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping

import numpy as np
from numpy.typing import NDArray

from qc.limits import Option
from qc.measures.base import (
    Column,
    Exhibit,
    Line,
    Measure,
    Measured,
    Setup,
    Values,
    finding_of,
)
from qc.measures.parts.focus.hunts import LEAST_PERCENT, hunts, stills
from qc.measures.parts.focus.swings import turning_points
from qc.records import Finding, Grade, Picture, TakeResult
from qc.spans import runs

__all__ = ["MEASURE"]

_RULE = "focus.hunting"
_MARGIN_S = 1.0


class _Reader:
    def __init__(self, setup: Setup) -> None:
        pass

    def read(self, picture: Picture) -> Values:
        return {"key": float(picture.key)}

    def finish(self) -> Mapping[str, object]:
        return {}


# ------------------------------------------------------------------ over the take


def _derive(measured: Measured) -> Mapping[str, NDArray[np.floating]]:
    readings = measured.picture
    if readings is None or not readings.rows:
        return {}
    depth, hz = (np.full(readings.rows, np.nan) for _ in range(2))
    if "focus.relative_percent" in readings.columns:
        percent = readings["focus.relative_percent"]
        for still in stills(measured, readings, percent):
            depth[still.rows] = 0.0
        for still, found in hunts(measured, readings, percent):
            at = slice(still.rows[found.first], still.rows[found.last - 1] + 1)
            depth[at] = _depth_percent(percent[still.rows[found.turns]])
            hz[at] = found.hz
    return {"swing_percent": depth, "swing_hz": hz}


def _depth_percent(turns: NDArray[np.floating]) -> float:
    """Return how much of the sharpness a leg takes, or gives back, the median."""
    pairs = np.sort(np.stack([turns[:-1], turns[1:]]), axis=0)
    return float(np.median(100.0 * (1.0 - pairs[0] / pairs[1])))


def _check(measured: Measured) -> Iterator[Finding]:
    readings = measured.picture
    if readings is None or "hunting.swing_percent" not in readings.columns:
        return
    swing = readings["hunting.swing_percent"]
    rate = readings["hunting.swing_hz"]
    review = float(measured.limits["hunting.review_percent"])
    reject = float(measured.limits["hunting.reject_percent"])
    for first, last in runs(~np.isnan(rate)):
        worst = float(np.nanmax(swing[first:last]))
        hz = float(np.nanmedian(rate[first:last]))
        gross = worst > reject
        sharpness = readings["focus.relative_percent"][first:last]
        seconds = float(readings.start(last) - readings.start(first))
        yield finding_of(
            measured,
            readings,
            rule=_RULE,
            grade=Grade.REJECT if gross else Grade.REVIEW,
            first=first,
            last=last,
            worst_row=first + int(np.nanargmin(sharpness)),
            message=(
                f"Focus hunts for {seconds:.1f} s: sharpness swings to and fro "
                f"{_times(seconds * hz)}, at {hz:.1f} Hz, and loses {worst:.0f} % of "
                "the fine detail each time while the picture hardly moves, as "
                "autofocus does."
            ),
            advice=_ADVICE,
            worst=worst,
            limit=reject if gross else review,
            unit="%",
        )


def _times(swings: float) -> str:
    return f"about {max(round(swings), 2)} times"


_ADVICE = (
    "Switch autofocus off at the lens and at the camera. Focus by hand at full zoom on "
    "the operative field and leave it: autofocus starts looking for something sharper "
    "whenever a hand, an instrument or the light moves."
)


# ------------------------------------------------------------------------- report


def _exhibits(result: TakeResult, finding: Finding) -> Iterable[Exhibit]:
    readings = result.picture
    if readings is None or "focus.relative_percent" not in readings.columns:
        return
    begins = readings.times()[:-1]
    start, end = float(finding.start), float(finding.end)
    first, last = np.searchsorted(begins, (start - _MARGIN_S, end + _MARGIN_S))
    seconds = begins[first:last] - start
    percent = readings["focus.relative_percent"][first:last].astype(np.float64)
    inside = np.flatnonzero(
        (begins[first:last] >= start) & (begins[first:last] < end) & ~np.isnan(percent)
    )
    if inside.size < 3:
        return
    log = np.log(np.maximum(percent[inside], LEAST_PERCENT))
    review = float(str(result.limits["hunting.review_percent"]))
    turns = inside[turning_points(log, -math.log1p(-review / 100.0))]
    yield Exhibit(
        kind="lines",
        title="Sharpness over time",
        caption=(
            "Focus that was set once keeps a level line; autofocus goes to and fro "
            "between the turns marked."
        ),
        lines=(
            Line("sharpness", seconds, percent),
            Line("turns", seconds[turns], percent[turns]),
        ),
        x_label="seconds since the finding begins",
        y_label="% of the shot's best",
    )


def _summarise(measured: Measured) -> Mapping[str, object]:
    readings = measured.picture
    if readings is None or "hunting.swing_percent" not in readings.columns:
        return {}
    swing = readings["hunting.swing_percent"].astype(np.float64)
    known = swing[~np.isnan(swing)]
    return {
        "swing_max_percent": float(known.max()) if known.size else math.nan,
        "unknown_percent": 100.0 * float(np.mean(np.isnan(swing))),
    }


def _notes(measured: Measured) -> Iterable[str]:
    readings = measured.picture
    if readings is None or "hunting.swing_percent" not in readings.columns:
        return
    unknown = float(np.mean(np.isnan(readings["hunting.swing_percent"])))
    if unknown > 0.5:
        told = f"only in {100 * (1 - unknown):.0f} % of the take"
        yield (
            f"Whether the focus hunts to and fro could be told "
            f"{told if unknown < 0.995 else 'nowhere'}: the picture moves too much "
            "for it, or holds too little detail."
        )


MEASURE = Measure(
    name="hunting",
    label="Focus hunting",
    version=11,
    clock="picture",
    room="focus",
    columns=(Column("key", "Frame coded by itself", "", 0),),
    derived=(
        Column("swing_percent", "Detail lost at each swing of focus", "%", 0),
        Column("swing_hz", "Swings of focus", "Hz", 2),
    ),
    derive=_derive,
    options=(
        Option(
            "hunting.review_percent",
            30.0,
            "Focus hunts when sharpness swings to and fro by more than this share of "
            "itself, at 0.2 to 4 Hz (house choice).",
            unit="%",
            low=1,
            high=95,
        ),
        Option(
            "hunting.reject_percent",
            60.0,
            "Swings this deep spoil the stretch (house choice).",
            unit="%",
            low=1,
            high=100,
        ),
        Option(
            "hunting.least_swings",
            2.5,
            "Full swings without a pause that make it hunting; focusing by hand goes "
            "past the best and back once or twice (house choice).",
            low=1,
            high=100,
        ),
        Option(
            "hunting.still_percent",
            0.1,
            "Hunting is looked for while the picture moves by no more than this share "
            "of its width from frame to frame, three times that in the hand (house "
            "choice).",
            unit="%",
            low=0,
            high=100,
        ),
    ),
    start=_Reader,
    checks=(_check,),
    check_rules={_RULE: "Focus hunts"},
    summarise=_summarise,
    notes=_notes,
    exhibits=_exhibits,
    method=(
        "Where one shot, or the next that begins while the picture rests, is still, or "
        "moves by up to three times as much and no more while soft than while sharp, "
        "the logarithm of its sharpness against its best "
        "(see Focus) is followed from turn to turn; turns smaller than the limit are "
        "passed over. Legs that follow one another at 0.2 to 4 Hz, more than two "
        "swings of them, are hunting if most of the subject's tiles go along, and if "
        "detail does not come back all at once with the key frames of the coding, nor "
        "with jumps of the light, nor only by how the noise is read, nor from frame to "
        "frame as kinds of coded frames differ. It begins and ends where the reading "
        "leaves what lies within its own turns, or where that bends; outermost legs "
        "that glints explain are none of it. The frequency is that of half-way "
        "crossings, "
        "fall to fall and rise to rise, lesser swings counted, the depth the median "
        "leg."
    ),
    source=(
        "Turning points as in counting of load cycles: textbook (from memory). Limits: "
        "house choice."
    ),
)
