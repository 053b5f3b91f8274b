"""Whether the light of the whole picture goes up and down because exposure pumps.

Once or twice a second, by a third of a stop or more, at a beat that no mains give: an
iris or a gain that never comes to rest does that, and the level of the scene tells it
as pumping. A lamp seen so slowly by chance would roll bands through the picture of most
cameras, whose rows are exposed one after another; what has none is told once, as what
it most likely is.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from qc.measures.base import Measured
from qc.measures.parts.level.levelevents import Event, events
from qc.measures.parts.light.mains import PULSES_HZ, beat_hz, pointed_to
from qc.records import Readings
from qc.spans import runs

__all__ = ["pumped"]

# Both speak of the same rounds if they are as long to within this share of them, and
# if most of the beat lies where exposure pumps (house choices).
_SAME_ROUND, _MOSTLY = 0.2, 0.7
_SWINGS = 3  # so many make pumping


def pumped(
    measured: Measured,
    percent: NDArray[np.floating],
    hertz: NDArray[np.floating],
    *,
    rate: float,
    resolution_hz: float,
    below_hz: float,
) -> NDArray[np.bool_]:
    """Return at which rows a flicker is told as exposure that pumps.

    Parameters
    ----------
    percent, hertz : (rows,) arrays
        The flicker: percent of light, 0 or NaN where there is none; its frequency.
    rate : float
        Frames a second.
    resolution_hz : float
        How well its frequency is known.
    below_hz : float
        What is faster no exposure follows.
    """
    readings = measured.picture
    out = np.zeros(len(percent), bool)
    with np.errstate(invalid="ignore"):
        beats = (percent > 0) & (hertz < below_hz)
    if readings is None or not beats.any():
        return out
    pumps = list(_pumping(measured, readings))
    for first, last in runs(beats) if pumps else ():
        middle = float(np.median(hertz[first:last]))
        mains = pointed_to(middle, rate=rate, resolution_hz=resolution_hz)
        # Lamps that stand still at this frame rate beat so slowly only on a grid that
        # is far off: with as many rounds of exposure it is that.
        if any(abs(beat_hz(PULSES_HZ[m], rate=rate)) > resolution_hz for m in mains):
            continue
        for pump in pumps:
            shared = min(last, pump.last) - max(first, pump.first)
            alike = abs(pump.period_s * middle - 1.0) <= _SAME_ROUND
            if alike and shared >= _MOSTLY * (last - first):
                out[first:last] = True
    return out


def _pumping(measured: Measured, readings: Readings) -> Iterator[Event]:
    """Yield the pumping that is told of exposure, if that is measured."""
    needed = ("same_stops", "same_place", "same_carried", "level_stops", "place")
    limits = [f"exposure.{name}_stops" for name in ("drift_review", "step_note")]
    known = all(f"exposure.{name}" in readings.columns for name in needed)
    if not known or any(limit not in measured.limits for limit in limits):
        return
    least, told = (float(measured.limits[limit]) for limit in limits)
    for event in events(readings, least=least, told=told):
        if len(event.swings) >= _SWINGS:
            yield event
