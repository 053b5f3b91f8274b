"""Steadiness: how the picture moves as a whole, and what of it nobody intended.

The motion of every frame adds up to the path of the picture. What of the path is slow
and smooth was meant: a pan, a reframing. What goes back and forth several times is a
sway of the boom or a trembling hand; a jump of a quiet picture is a knock. Zoom is
found along with the motion and is no shake.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping

import numpy as np
from numpy.typing import NDArray

from qc.limits import Option
from qc.measures.base import Chart, Column, Measure, Measured, Setup, Values
from qc.measures.parts.motion.globalmotion import MotionTracker
from qc.measures.parts.motion.notcamera import CoverWatch
from qc.measures.parts.motion.shakefigures import shake_exhibits
from qc.measures.parts.motion.shaketexts import RULE, shake_findings
from qc.measures.parts.motion.takepaths import sway_columns
from qc.records import Picture
from qc.views import proxy_luma

__all__ = ["MEASURE"]

_UNKNOWN_NOTE_PERCENT = 20.0


class _Reader:
    """Follows the motion; a damaged picture and the one after it are unknown."""

    def __init__(self, setup: Setup) -> None:
        video = setup.info.video
        self._tick = float(video.time_base) if video is not None else 1.0
        self._tracker = MotionTracker()
        self._covers = CoverWatch()
        self._damaged = False

    def read(self, picture: Picture) -> Values:
        damaged, self._damaged = self._damaged, picture.damaged
        if picture.damaged:
            return {}
        luma = picture.view(proxy_luma)
        motion = self._tracker.read(luma)
        ago = self._covers.read(luma, picture.pts * self._tick, motion)
        values = {
            "covered_ago_frames": float(ago),
            "rests_behind": self._tracker.behind,
        }
        if motion is None or damaged:
            return values
        percent = 100.0 / luma.shape[1]
        return values | {
            "dx_percent": percent * motion.x,
            "dy_percent": percent * motion.y,
            "zoom_percent": 100.0 * motion.zoom,
            "trust": motion.trust,
        }

    def finish(self) -> Mapping[str, object]:
        return {}


# ------------------------------------------------------------------ over the take


def _derive(measured: Measured) -> Mapping[str, NDArray[np.floating]]:
    readings = measured.picture
    if readings is None or not readings.rows:
        none = np.full(0 if readings is None else readings.rows, np.nan)
        return {column.name: none for column in MEASURE.derived}
    least = float(measured.limits["steadiness.knock_percent"])
    size, hz, pan = sway_columns(readings, knock=least)
    return {"sway_percent": size, "sway_hz": hz, "pan_percent_s": pan}


def _summarise(measured: Measured) -> Mapping[str, object]:
    readings = measured.picture
    if readings is None or not readings.rows:
        return {}
    size = readings["steadiness.sway_percent"].astype(np.float64)
    hz = readings["steadiness.sway_hz"].astype(np.float64)
    known = np.isfinite(size)
    if not known.any():
        return {"sway_max_percent": math.nan, "unknown_percent": 100.0}
    worst = int(np.nanargmax(size))
    return {
        "sway_max_percent": float(size[worst]),
        "sway_max_hz": float(hz[worst]),
        "sway_p95_percent": float(np.percentile(size[known], 95)),
        "unknown_percent": 100.0 * float(np.mean(~known)),
    }


def _notes(measured: Measured) -> Iterable[str]:
    readings = measured.picture
    if readings is None or not readings.rows:
        return
    size = readings["steadiness.sway_percent"]
    unknown = 100.0 * float(np.mean(np.isnan(size)))
    if unknown >= _UNKNOWN_NOTE_PERCENT:
        yield (
            f"How steady the picture is could not be told in {unknown:.0f} % of the "
            "take: it has too little detail there, or most of it moves by itself."
        )


MEASURE = Measure(
    name="steadiness",
    version=8,
    label="Steadiness",
    clock="picture",
    room="movement",
    columns=(
        Column("dx_percent", "Shift right since the frame before", "% of width", 3),
        Column("dy_percent", "Shift down since the frame before", "% of width", 3),
        Column("zoom_percent", "Zoom since the frame before", "%", 3),
        Column("trust", "Share of the picture that follows", "", 2),
        Column("covered_ago_frames", "Covered before, in view again now", "frames", 0),
        Column("rests_behind", "The ground rests behind what moves", "", 0),
    ),
    derived=(
        Column("sway_percent", "Sway, peak to peak", "% of width", 2),
        Column("sway_hz", "How often it sways", "Hz", 2),
        Column("pan_percent_s", "Speed of the intended pan", "% of width/s", 1),
    ),
    derive=_derive,
    options=(
        Option(
            "steadiness.review_percent",
            0.8,
            "The picture sways or trembles to and fro by more than this, peak to peak "
            "in percent of its width, at 0.4 Hz or faster (house choice).",
            unit="%",
            low=0.1,
            high=100,
        ),
        Option(
            "steadiness.reject_percent",
            3.0,
            "A sway this large spoils the stretch (house choice).",
            unit="%",
            low=0.1,
            high=100,
        ),
        Option(
            "steadiness.knock_percent",
            0.8,
            "A quiet picture jumps by more than this from one side to the other, in "
            "percent of its width, within a quarter of a second, and settles again "
            "(house choice).",
            unit="%",
            low=0.1,
            high=100,
        ),
        Option(
            "steadiness.knock_reject_percent",
            4.0,
            "A jump this large spoils the stretch (house choice).",
            unit="%",
            low=0.1,
            high=100,
        ),
    ),
    start=_Reader,
    checks=(shake_findings,),
    check_rules={RULE: "Shake"},
    charts=(
        Chart(
            ("sway_percent",),
            "Sway",
            "% of width",
            low=0,
            limits=("steadiness.review_percent", "steadiness.reject_percent"),
            always=True,
            explain="How far the picture goes to and fro; pans and zooms do not count.",
        ),
    ),
    summarise=_summarise,
    notes=_notes,
    exhibits=shake_exhibits,
    method=(
        "The small picture is registered against an earlier one of the same framing, "
        "patch by patch by least squares on its gradients, blind to changes of light; "
        "a robust vote gives the shift, zoom and roll that most of the picture "
        "follows, so that hands and instruments do not count; where fewer than 70 % of "
        "the patches follow, and more than a third of all, faint ones with them, lie "
        "where they lay, the camera rests; so it does where faint patches lie where "
        "they lay in two of five pictures or more, over 1.5 s, in which others clearly "
        "move. The path these shifts "
        "add up to is smoothed (Gaussian, 0.55 s): the smooth part is the intended "
        "pan. What is left and goes to and fro at least twice at 0.4 Hz or faster is "
        "sway, peak to peak along its main direction, as far as the path itself goes "
        "back and does not only slow down; its frequency is the peak of the "
        "periodogram. A sway at 0.4 to 0.9 Hz that sets off from rest is told after a "
        "round and a half, if a damped sinusoid fits its path so well that at most a "
        "tenth of the wave is left over: of reframing to and fro by hand, drawn for "
        "hours, 23 % were left at best. A sway begins where the path sets off. A jump "
        "within a quarter of a second out of rest, or within 0.45 s if the picture "
        "comes back, is a knock, from one side to the other, if the picture settles "
        "to a fifth of its way, or to one and a half times what it trembled by before; "
        "one farther than one and a half times a sway around it is no part of that "
        "sway, unless it lasts. It is looked for beside a slow drift too (running "
        "median, 1 s). Of a shift that comes with a zoom, so much is the zoom's as a "
        "fixed point anywhere in the picture makes of it. Where something comes before "
        "the lens for up to 6 s, so that the picture is like none before and then the "
        "same scene is back, motion "
        "is unknown."
    ),
    source=(
        "Registration by gradients: B. D. Lucas and T. Kanade, 1981; iteratively "
        "reweighted least squares, periodograms and the damped pendulum: textbook "
        "(from memory). Limits: "
        "house choice."
    ),
)
