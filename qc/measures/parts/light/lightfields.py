"""Light from field to field: interlaced takes hold two moments a frame.

Read as frames, a beat of 20 Hz among 50 fields would lose two thirds of its strength
and show at 5 Hz; one of 25 Hz would be gone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from qc.measures.base import Measured
from qc.measures.parts.light.beatedges import Told, settle
from qc.measures.parts.light.fastbeats import LOW_HZ, Beat, fast_beat
from qc.records import Readings
from qc.spans import Span
from qc.take import VideoTrack

__all__ = ["Fields", "fields_of", "fields_rate"]

Array = NDArray[np.float64]

# What the two fields see differently, since they look at other lines, changes as the
# picture sways or tilts: so much under half the field rate nothing is told.
_NEAR_HALF_HZ = 2.0


def fields_rate(measured: Measured, rate: float) -> float | None:
    """Return fields a second at so many frames; None where a frame is one moment."""
    video = measured.info.video
    return 2.0 * rate if video is not None and video.interlaced else None


@dataclass(frozen=True, slots=True, eq=False)
class Fields:
    """The light of an interlaced take, two rows a frame.

    Attributes
    ----------
    changes : (2 * rows, STRIPS) array
        Stops since the field before; NaN where not known.
    times : (2 * rows,) array
        Seconds.
    keys : (2 * rows,) array of bool
        Key frames, both of their fields.
    """

    changes: NDArray[np.float32]
    times: Array
    keys: NDArray[np.bool_]

    def beat(self, window: slice, rate: float) -> Beat | None:
        """Return the beat of some frames, or None if none counts.

        Parameters
        ----------
        window : slice
            Rows: frames.
        rate : float
            Frames a second.
        """
        rows = slice(2 * window.start, 2 * window.stop)
        beat = fast_beat(
            self.changes[rows],
            self.times[rows],
            self.keys[rows],
            2.0 * rate,
            high_hz=rate - _NEAR_HALF_HZ,
        )
        return beat if beat is not None and beat.wave is not None else None

    def settle(
        self,
        out: dict[str, NDArray[np.float32]],
        told: list[Told],
        spans: Sequence[Span],
    ) -> None:
        """Let beats begin and end where they do: `beatedges.settle`, by fields."""
        twice = {name: np.repeat(column, 2) for name, column in out.items()}
        settle(
            twice,
            [
                Told(t.kind, 2 * t.first, 2 * t.last, t.wave, t.reach_s)
                for t in told
                if not _is_told_of_fields(t, told)
            ],
            self.changes,
            self.times,
            [(2 * first, 2 * last) for first, last in spans],
        )
        for name, column in twice.items():
            # A frame of which one field beats is one that beats.
            out[name][:] = np.fmax(column[0::2], column[1::2])


def _is_told_of_fields(this: Told, told: list[Told]) -> bool:
    """Tell whether fields tell a faster, stronger beat there: frames show its alias."""
    return any(
        other.wave.hertz > this.wave.hertz + LOW_HZ
        and other.wave.stops > this.wave.stops
        and other.first < this.last
        and this.first < other.last
        and this.kind == other.kind
        for other in told
    )


def fields_of(
    readings: Readings,
    video: VideoTrack | None,
    spans: Sequence[Span],
    keys: NDArray[np.bool_] | None = None,
) -> Fields | None:
    """Return the light from field to field; None for takes of one moment a frame.

    Parameters
    ----------
    readings : Readings
        Of the whole take.
    video : VideoTrack or None
    spans : sequence of (first, last)
        Rows within one shot: what both fields see differently is taken out of each.
    keys : (rows,) array of bool, optional
        Key frames; none if left out.
    """
    if video is None or not video.interlaced:
        return None
    if "light.fields_stops" not in readings.columns:
        return None
    apart = readings["light.fields_stops"].astype(np.float64)
    if video.scan == "bottom field first":
        apart = -apart
    for first, last in spans:
        apart[first:last] -= _middle(apart[first:last])
    frames = readings["light.strips_stops"].astype(np.float64)
    n, strips = frames.shape
    changes = np.full((2 * n, strips), np.nan, np.float32)
    # A frame's level lies in the middle of those of its fields.
    changes[2::2] = frames[1:] - 0.5 * (apart[1:] + apart[:-1])
    changes[1::2] = apart
    times = readings.times()[:-1]
    both = np.repeat(times, 2)
    both[1::2] += 0.5 * float(1 / Fraction(video.frame_rate))
    keys = np.zeros(n, np.bool_) if keys is None else keys
    return Fields(changes, both, np.repeat(keys, 2))


def _middle(values: Array) -> Array:
    """Return each column's median of what is known; 0 where nothing is."""
    out = np.zeros(values.shape[1])
    for k, column in enumerate(values.T):
        known = column[np.isfinite(column)]
        out[k] = np.median(known) if known.size else 0.0
    return out
