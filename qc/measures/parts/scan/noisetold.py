"""Which readings of noise are noise for sure, and how long each stands."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.running import running_max
from qc.measures.parts.scan.flatnoise import UNEVEN
from qc.measures.parts.scan.gainsteps import between_steps
from qc.records import Readings
from qc.spans import runs

__all__ = ["FINE_GRAIN", "LIKE", "mid_percent"]

# Texture under a moving camera changes from frame to frame as noise does. A lens
# spreads it over several pixels, so that 2 x 2 means keep more of it than of noise;
# from here on (1 for independent pixels, 2 for coarse grain) motion tells nothing.
FINE_GRAIN = 1.3
# Moved by more than this from frame to frame (percent of width: a pixel in 1920).
_STILL_PERCENT = 0.06
# Where the picture cannot be followed, something moves if its cells have gone as far as
# this, percent of width, within so many frames, or seconds: at 50 pictures a second
# every second one may be a repeat, which has not moved.
_GONE_PERCENT, _GONE_FRAMES, _GONE_S = 0.5, 2, 0.08
# A zoom moves half of a 16:9 picture by more than this share of the width times its
# growth (half of its area lies further from the middle: sqrt(9 / 16 / 2 pi)).
_ZOOM_SHARE = 0.3
# In a zoom every part of the picture goes another way, so that texture changes
# unevenly; grain is as even as at rest (0.1 fine, 0.15 to 0.25 coarse).
_EVEN = 0.25
_FOLLOWED = 0.5  # share of it that must follow
# A reading stands until the next one; some time more, in case that one fails.
_HELD_S = 1.2
_LEAST_FRAMES = 3
# One of a key frame stands for its group, up to the next if that one is alike.
_GROUP_S = 6.0
# Looks at neighbouring frames and key frames tell of the same picture when this near.
_NEAR_S = 0.8
# A doubtful reading beside a sure one may be the same noise: if it is of the same grain
# and hardly less, or more by what motion may add to it. Motion and coding alone would
# not happen to give what noise gave a moment ago.
LIKE, _LIKE_MORE, _LIKE_GRAIN = 1.25, 1.5, 0.15


@dataclass(frozen=True, slots=True, eq=False)
class _Looks:
    """Readings of one kind, NaN in rows without one."""

    raw: NDArray[np.floating]
    grain: NDArray[np.floating]
    uneven: NDArray[np.floating]

    @classmethod
    def of(cls, readings: Readings, prefix: str) -> _Looks:
        names = (f"noise.{prefix}{name}" for name in ("percent", "grain", "uneven"))
        nothing = np.full(readings.rows, np.nan, np.float32)
        return cls(*(readings[n] if n in readings.columns else nothing for n in names))


def mid_percent(readings: Readings, limit: float) -> NDArray[np.floating]:
    """Return the noise at mid level over time, NaN where it is not known for sure.

    Parameters
    ----------
    readings : Readings
        With the columns of the noise measure, and of motion if it was measured.
    limit : float
        Noise over it must be sure; percent of range.
    """
    plain = _Looks(
        readings["noise.raw_percent"],
        readings["noise.grain"],
        readings["noise.uneven"],
    )
    keys = _Looks.of(readings, "key_")
    zooms = _zooms(readings)
    moves = _moves(readings)
    for looks in (plain, keys):
        # Even in a zoom: grain, whatever its size.
        moves |= zooms & (looks.uneven > _EVEN)
    told = _told(plain, moves, limit)
    here = _plain(readings, plain, told)
    # Alone, without others like them: a picture that moves a little has such.
    sure = _sure(keys, moves) & (keys.raw > limit)
    sure &= ~_near(readings, (plain.raw > limit) & ~told)
    here = np.fmax(here, _of_keys(readings, keys, sure))
    return _lasting(np.fmax(here, between_steps(readings, _speed(readings))), limit)


def _lasting(percent: NDArray[np.floating], limit: float) -> NDArray[np.floating]:
    """Return noise without what comes and goes within a frame or two: no gain does."""
    with np.errstate(invalid="ignore"):
        high = percent > limit
    for first, last in runs(high):
        if last - first < _LEAST_FRAMES and first > 0 and last < len(percent):
            percent[first:last] = np.nan
    return percent


def _near(readings: Readings, rows: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return what lies by one of these rows.

    Where neighbouring frames differ by more than the limit, but not as noise does,
    something moves; key frames then tell no more than they.
    """
    begins = readings.times()[:-1]
    at = begins[rows]
    first = np.searchsorted(at, begins - _NEAR_S)
    last = np.searchsorted(at, begins + _NEAR_S, side="right")
    return np.asarray(last > first)


def _moves(readings: Readings) -> NDArray[np.bool_]:
    """Return where the picture has moved since the frame before."""
    nothing = np.full(readings.rows, np.nan, np.float32)

    def column(name: str) -> NDArray[np.floating]:
        return readings[name] if name in readings.columns else nothing

    gone = column("framing.motion_percent")
    wide = 2 * _gone_frames(readings) + 1
    about = running_max(np.nan_to_num(gone), wide, beyond="nearest")
    with np.errstate(invalid="ignore"):
        part = column("steadiness.trust") < _FOLLOWED
        if "steadiness.dx_percent" not in readings.columns:
            return np.asarray(gone > _STILL_PERCENT)
        moved = np.hypot(
            column("steadiness.dx_percent"), column("steadiness.dy_percent")
        )
        out = (moved > _STILL_PERCENT) | (np.isnan(moved) & (about > _GONE_PERCENT))
        # Where but a part rests, or goes, the rest of it does another thing.
        return np.asarray(out | (part & (about > _STILL_PERCENT)))


def _gone_frames(readings: Readings) -> int:
    """Return within how many frames to either side something must have gone."""
    seconds = float(np.median(np.diff(readings.times())))
    return max(_GONE_FRAMES, int(_GONE_S / max(seconds, 1e-3) + 1e-6))


def _speed(readings: Readings) -> NDArray[np.float64]:
    """Return how far the picture moves, percent of its width; NaN if not known."""
    nothing = np.full(readings.rows, np.nan)

    def column(name: str) -> NDArray[np.float64]:
        known = name in readings.columns
        return readings[name].astype(np.float64) if known else nothing

    followed = np.hypot(
        column("steadiness.dx_percent"), column("steadiness.dy_percent")
    )
    gone = column("framing.motion_percent")
    return np.where(np.isnan(followed), gone, followed)


def _zooms(readings: Readings) -> NDArray[np.bool_]:
    """Return where the picture grows or shrinks and hardly moves else.

    A zoom rests in its middle only.
    """
    names = ("dx_percent", "dy_percent", "zoom_percent")
    if any(f"steadiness.{name}" not in readings.columns for name in names):
        return np.zeros(readings.rows, bool)
    dx, dy, zoom = (readings[f"steadiness.{name}"] for name in names)
    with np.errstate(invalid="ignore"):
        much = _ZOOM_SHARE * np.abs(zoom)
        return np.asarray((much > _STILL_PERCENT) & (much > np.hypot(dx, dy)))


def _plain(
    readings: Readings, looks: _Looks, told: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """Return what two neighbouring frames tell, until the next look."""
    raw, ago = looks.raw, readings["noise.changed_ago_frames"]
    out = np.full(readings.rows, np.nan)
    times = readings.times()
    value, until = math.nan, 0
    rows = np.flatnonzero(~np.isnan(readings["noise.repeated_percent"]) | told)
    for row, end in zip(rows, np.append(rows, readings.rows)[1:], strict=True):
        jumped = not math.isnan(ago[row])
        first = row - int(ago[row]) if jumped else row
        if told[row]:
            value = float(raw[row])
            until = int(np.searchsorted(times[:-1], times[row] + _HELD_S))
        elif jumped:
            # What it was before has ended, whatever it is now.
            value, until = math.nan, 0
        out[first:end] = np.nan
        out[first : min(end, until)] = value
    return out


def _of_keys(
    readings: Readings, looks: _Looks, told: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """Return what key frames tell: each for its group."""
    out = np.full(readings.rows, np.nan)
    times = readings.times()
    rows = np.flatnonzero(~np.isnan(looks.raw))
    jumps = list(_jumps(readings))
    for row, after in zip(rows, np.append(rows, readings.rows)[1:], strict=True):
        if not told[row]:
            continue
        goes_on = after < readings.rows and told[after]
        held = _GROUP_S if goes_on else _HELD_S
        until = int(np.searchsorted(times[:-1], times[row] + held))
        first, last = int(row), min(int(after), until)
        for jump in jumps:
            if goes_on or not first < jump <= last:
                continue
            last = jump
        out[first:last] = np.fmax(out[first:last], looks.raw[row])
    return out


def _jumps(readings: Readings) -> Iterator[int]:
    """Yield the rows at which noise between neighbouring frames jumped."""
    ago = readings["noise.changed_ago_frames"]
    for row in np.flatnonzero(~np.isnan(ago)):
        yield int(row) - int(ago[row])


def _told(looks: _Looks, moves: NDArray[np.bool_], limit: float) -> NDArray[np.bool_]:
    """Return which readings are noise for sure."""
    raw = looks.raw
    # Motion adds to noise and never takes from it: a low reading holds all the same.
    low = raw <= limit
    # Nothing beyond what rounding does: smoothed by compression, or drawn.
    there = raw > 0
    told = np.asarray(there & (low | _sure(looks, moves)), bool)
    rows = np.flatnonzero(there)
    for order in (rows, rows[::-1]):
        told |= _likewise(told.copy(), order, looks, limit)
    return told


def _sure(looks: _Looks, moves: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return which readings hang on nothing but noise."""
    even = looks.uneven <= UNEVEN
    return np.asarray(even & ~(moves & (looks.grain > FINE_GRAIN)))


def _likewise(
    told: NDArray[np.bool_], order: NDArray[np.intp], looks: _Looks, limit: float
) -> NDArray[np.bool_]:
    """Return which doubtful readings behind a sure one are like it, one by one."""
    raw, grain = looks.raw, looks.grain
    out = np.zeros(len(told), bool)
    sure = -1
    for row in order.tolist():
        if told[row]:
            sure = row if raw[row] > limit else -1
        elif sure >= 0:
            near = raw[sure] / LIKE <= raw[row] <= raw[sure] * _LIKE_MORE
            out[row] = near and abs(grain[row] - grain[sure]) <= _LIKE_GRAIN
            sure = sure if out[row] else -1
    return out
