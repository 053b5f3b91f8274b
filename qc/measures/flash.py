"""Flashes: a large part of the picture going bright and dark several times a second.

Such pictures can set off a seizure in a viewer with photosensitive epilepsy. The
figures are those of Recommendation ITU-R BT.1702.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping

import numpy as np
from numpy.typing import NDArray

from qc.limits import Option
from qc.measures.base import (
    Chart,
    Column,
    Exhibit,
    Hit,
    Line,
    Measure,
    Measured,
    Rule,
    Setup,
    Values,
)
from qc.measures.parts.light.flashlight import Screen, Swings
from qc.records import Finding, Picture, TakeResult
from qc.signal import Signal

__all__ = ["MEASURE", "flashes_in_a_second", "turns"]

_AREA_PERCENT = 25.0
_WINDOW_S = 1.0
_TICK_S = 1e-3
# Moving by this much a frame, light and dark parts only change places.
_MOVING_PERCENT = 0.3
_LONG_S = 5.0
_SHOWN_SECONDS = 1.0
_RULE = "light.flash"


class _Reader:
    def __init__(self, setup: Setup) -> None:
        video = setup.info.video
        signal = video.signal if video is not None else Signal()
        self._tick = float(video.time_base) if video is not None else 1.0
        self._screen = Screen(signal)
        self._light = Swings(hdr=signal.is_hdr)
        self._red = Swings(red=True)

    def read(self, picture: Picture) -> Values:
        if picture.damaged or not picture.y.size:
            return {}
        at_s = picture.pts * self._tick
        shown = self._screen.show(picture)
        rise, fall = self._light.read(shown, at_s)
        red_on, red_off = self._red.read(shown, at_s)
        return {
            "rise_percent": rise,
            "fall_percent": fall,
            "red_on_percent": red_on,
            "red_off_percent": red_off,
        }

    def finish(self) -> Mapping[str, object]:
        return {}


def turns(
    rise: NDArray[np.floating], fall: NDArray[np.floating], *, area_percent: float
) -> NDArray[np.intp]:
    """Return the rows at which more than an area goes the other way than before.

    Parameters
    ----------
    rise, fall : (n,) arrays
        Percent of the picture that just became brighter, darker.

    Examples
    --------
    >>> up, down = np.array([0., 90, 90, 0, 0]), np.array([0., 0, 0, 90, 0])
    >>> turns(up, down, area_percent=25).tolist()
    [1, 3]
    """
    with np.errstate(invalid="ignore"):
        up, down = rise > area_percent, fall > area_percent
    out, last = [], 0
    for row in np.flatnonzero(up | down):
        # Parts that flash against each other are one flash: one turn a frame.
        now = -last if up[row] and down[row] and last else (1 if up[row] else -1)
        if now != last:
            out.append(row)
            last = now
    return np.array(out, np.intp)


def flashes_in_a_second(
    rows: NDArray[np.intp], times: NDArray[np.float64]
) -> NDArray[np.float32]:
    """Return for each frame the flashes of the fullest second that it lies in.

    Parameters
    ----------
    rows : (k,) array
        Rows of the turns; two turns are a flash.
    times : (n,) array
        Seconds at which rows begin.
    """
    out = np.zeros(len(times), np.float32)
    at = times[rows]
    ends = np.searchsorted(at, at + _WINDOW_S - _TICK_S)
    for first, last in enumerate(ends):
        part = slice(int(rows[first]), int(rows[last - 1]) + 1)
        out[part] = np.maximum(out[part], 0.5 * (last - first))
    return out


def _derive(measured: Measured) -> Mapping[str, NDArray[np.floating]]:
    readings = measured.picture
    if readings is None:
        return {}
    area = measured.limits["flash.area_percent"]
    times = readings.times()[:-1]
    moving = np.zeros(readings.rows, np.bool_)
    if "framing.motion_percent" in readings.columns:
        with np.errstate(invalid="ignore"):
            moving = readings["framing.motion_percent"] > _MOVING_PERCENT
    out = {}
    for name, (on, off) in {
        "flashes_per_second": ("rise_percent", "fall_percent"),
        "red_per_second": ("red_on_percent", "red_off_percent"),
    }.items():
        rise, fall = readings[f"flash.{on}"], readings[f"flash.{off}"]
        net = rise - fall
        up = np.where(moving, net, rise)
        down = np.where(moving, -net, fall)
        out[name] = flashes_in_a_second(turns(up, down, area_percent=area), times)
    # Either kind counts; a flash may be both.
    out["flashes_per_second"] = np.maximum(
        out["flashes_per_second"], out["red_per_second"]
    )
    return out


def _message(hit: Hit) -> str:
    red = float(np.nanmax(hit.values("flash.red_per_second"))) >= hit.worst
    kind = "to and from red" if red else "bright and dark"
    text = (
        "Warning to viewers with photosensitive epilepsy: more than "
        f"{hit.measured.limits['flash.area_percent']:g} % of the picture goes {kind}, "
        f"up to {hit.worst:g} times in one second; more than {hit.limit:g} are not "
        "permitted in television (ITU-R BT.1702)."
    )
    if hit.seconds > _LONG_S:
        text += f" It goes on for {hit.seconds:.0f} s, which adds to the risk."
    return text


def _advice(hit: Hit) -> str:
    return (
        "Warn viewers before it is shown, or cut this part. At the rig: keep flash "
        "units, alarm lamps and screens that flash out of the picture; if the lamps "
        "themselves flash, see the finding on flicker. A measurement can warn; of the "
        "risk itself the Recommendation says that it “cannot be completely eradicated”."
    )


def _summarise(measured: Measured) -> Mapping[str, object]:
    readings = measured.picture
    if readings is None or not readings.rows:
        return {}
    return {
        "flashes_max_per_second": float(np.max(readings["flash.flashes_per_second"])),
        "red_max_per_second": float(np.max(readings["flash.red_per_second"])),
    }


def _exhibits(result: TakeResult, finding: Finding) -> Iterable[Exhibit]:
    """Show how much of the picture turned brighter and darker around the flashes."""
    readings = result.picture
    if readings is None or finding.rule != _RULE:
        return ()
    times = readings.times()[:-1]
    low = float(finding.worst_at) - _SHOWN_SECONDS
    shown = (times >= low) & (times <= low + 3 * _SHOWN_SECONDS)
    if not shown.any():
        return ()
    light = [readings[f"flash.{n}_percent"][shown] for n in ("rise", "fall")]
    red = [readings[f"flash.red_{n}_percent"][shown] for n in ("on", "off")]
    is_red = np.nanmax(red) > np.nanmax(light) if np.isfinite(red).any() else False
    names = ("Turning red", "Leaving red") if is_red else ("Brighter", "Darker")
    return (
        Exhibit(
            kind="lines",
            title="Flashes",
            caption=(
                "Share of the picture that just changed; a peak of each line over the "
                "limit makes a flash."
            ),
            lines=tuple(
                Line(name, times[shown], values.astype(np.float64))
                for name, values in zip(names, red if is_red else light, strict=True)
            ),
            x_label="seconds of the take",
            y_label="% of the picture",
            levels=(("Limit", _area(result)),),
        ),
    )


def _area(result: TakeResult) -> float:
    value = result.limits.get("flash.area_percent", _AREA_PERCENT)
    return float(value) if isinstance(value, (int, float)) else math.nan


def _notes(measured: Measured) -> Iterable[str]:
    video, readings = measured.info.video, measured.picture
    if video is None or readings is None or not readings.rows:
        return
    found = float(np.max(readings["flash.flashes_per_second"]))
    if video.signal.is_hdr and found > measured.limits["flash.most_per_second"]:
        level = (
            "HLG on a screen of 1000 cd/m²"
            if video.signal.transfer == "hlg"
            else ("PQ at its own absolute levels")
        )
        yield f"Flashes were judged for {level}; another screen shows other levels."


MEASURE = Measure(
    name="flash",
    label="Flashes",
    clock="picture",
    room="light",
    columns=(
        Column("rise_percent", "Just became brighter", "% of picture"),
        Column("fall_percent", "Just became darker", "% of picture"),
        Column("red_on_percent", "Just turned to or from red, redder", "% of picture"),
        Column(
            "red_off_percent", "Just turned to or from red, less red", "% of picture"
        ),
    ),
    derived=(
        Column("flashes_per_second", "Flashes in the fullest second", "in 1 s"),
        Column("red_per_second", "Red flashes in the fullest second", "in 1 s"),
    ),
    derive=_derive,
    options=(
        Option(
            "flash.area_percent",
            _AREA_PERCENT,
            "A flash counts when more of the picture than this goes bright and dark "
            "(ITU-R BT.1702-3).",
            unit="%",
            low=1,
            high=100,
        ),
        Option(
            "flash.most_per_second",
            3.0,
            "More flashes than this in any one second are a warning to viewers "
            "(ITU-R BT.1702-3).",
            low=1,
            high=100,
        ),
    ),
    start=_Reader,
    rules=(
        Rule(
            id=_RULE,
            column="flash.flashes_per_second",
            label="Flashes",
            message=_message,
            advice=_advice,
            review="flash.most_per_second",
            release=1.0,
            bridge_seconds=1.0,
            unit="in 1 s",
        ),
    ),
    charts=(
        Chart(
            columns=("flashes_per_second",),
            label="Flashes",
            unit="in 1 s",
            low=0.0,
            limits=("flash.most_per_second",),
            explain="Flashes in the fullest second around each frame.",
        ),
    ),
    summarise=_summarise,
    notes=_notes,
    exhibits=_exhibits,
    method=(
        "Each place of a small picture is followed in cd/m² of a reference screen "
        "(BT.1886 at 200 cd/m²; HLG at 1000 cd/m²; PQ as coded) from turning point to "
        "turning point. A change counts from 20 cd/m² when its darker end is under 160 "
        "cd/m² (HDR, brighter: a contrast of 1/17), or when it leads to or from "
        "saturated red. More than a quarter of the picture within a tenth of a second "
        "is a turn; two opposite turns are a flash. While the whole picture moves, "
        "what becomes darker is set off against what becomes brighter. Two fields are "
        "read together. Striped patterns are not looked for. This measurement can "
        "alert, it cannot clear a recording: the risk “cannot be completely "
        "eradicated” (BT.1702)."
    ),
    source=(
        "Recommendation ITU-R BT.1702-3 (2023); BT.1886; BT.2100-2. Saturated red: "
        "WCAG 2.0, R/(R+G+B) >= 0.8 and a change of 320 (R-G-B) by 20."
    ),
)
