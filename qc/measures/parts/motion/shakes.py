"""Which stretches of a take shake: sways and knocks, and where they begin."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.motion.knocking import Knock, knocks
from qc.measures.parts.motion.swaying import Path
from qc.measures.parts.motion.takepaths import take_paths, way_seen
from qc.measures.parts.stillness.stillframes import State
from qc.records import Readings
from qc.spans import Span, bridged, past_limit, runs

__all__ = ["SWAYS_ON_S", "Jump", "Shake", "shakes_in"]

_Array = NDArray[np.floating]

SWAYS_ON_S = 2.5  # a knock that rings longer is told as a sway
_RELEASE = 0.5  # of the limit: where a sway has settled
# So much less than the strongest, and at another rate: another sway, not its end.
_OF_WORST, _SAME_HZ = 0.35, 1.5
_BRIDGE_S = 1.0
_PAN_ALLOWS_S = 0.1  # s; times the speed of a pan: sway that it hides (house choice)
_LEAST_S = 1.0  # a shorter sway is no more than a small knock
# So much of a jump must have been seen: over gaps a path goes on as it was.
_SEEN = 0.5
_STOOD_FRAMES = 3  # in a row: fewer hide no motion to speak of
_GOES_ON = 0.8  # of its strongest, in its last third: a sway, however short
_OUTJUMPS = 1.5  # times the longest swing: a jump beside a little sway is a knock
# A sway has begun where the picture has left its place by so much of it; from there
# back to where it set off, as long as it was this fast, of its speed then.
_LEFT, _SETS_OFF = 0.4, 0.25
_EARLIEST_S = 2.5
_RESTED, _RESTED_S = 0.05, 0.3  # of its size, so long: it rested


@dataclass(frozen=True, slots=True)
class Jump:
    """A knock in rows of the readings."""

    first: int
    last: int
    knock: Knock


@dataclass(frozen=True, slots=True)
class Shake:
    """A stretch that sways, in rows of the readings, and the knocks it began with."""

    first: int
    last: int
    jumps: tuple[Jump, ...] = ()


def shakes_in(
    readings: Readings, *, review: float, knock: float
) -> tuple[list[Shake], list[Jump]]:
    """Return what sways in a take, and the knocks that are no part of it.

    Parameters
    ----------
    review, knock : float
        Percent of width: a sway, a jump, that is told.
    """
    ends, paths = _standstill_ends(readings), take_paths(readings)
    times, seen = readings.times(), way_seen(readings)
    jumps = [
        jump
        for jump in _jumps(paths, times[:-1], knock)
        # What moved while the recording stood still shows at once.
        if not any(jump.first - 2 <= end <= jump.last for end in ends)
        and seen[max(jump.first - 1, 0) : jump.last + 2].sum()
        >= _SEEN * jump.knock.jump
    ]
    out = []
    for first, last in _spans(readings, review):
        size = readings["steadiness.sway_percent"][first:last]
        at = [j for j in jumps if j.first < last and j.last > first]
        longest = _OUTJUMPS * float(np.nanmax(size))
        goes_on = _goes_on(size) and all(j.knock.jump <= longest for j in at)
        long_enough = SWAYS_ON_S if at and not goes_on else _LEAST_S
        if times[last] - times[first] >= long_enough:
            jumps = [j for j in jumps if j not in at]
            # The first swing of a steady sway looks like a jump and is none.
            begun = _begun(readings, paths, (first, last))
            out.append(Shake(begun, last, () if goes_on else tuple(at)))
    return out, jumps


def _spans(readings: Readings, review: float) -> list[Span]:
    """Return the stretches that sway by more than the limit."""
    size = readings["steadiness.sway_percent"]
    hz = readings["steadiness.sway_hz"]
    # A quick pan that is not quite even shows less than a picture that should rest.
    judged = size - _PAN_ALLOWS_S * readings["steadiness.pan_percent_s"]
    spans = bridged(
        past_limit(judged, limit=review, release=_RELEASE * review),
        times=readings.times(),
        gap=_BRIDGE_S,
    )
    return [_narrowed(span, judged, hz, review) for span in spans]


def _narrowed(
    span: Span,
    judged: NDArray[np.floating],
    hz: NDArray[np.floating],
    review: float,
) -> Span:
    """Return a span without a weak sway of another kind before or after the strong."""
    part = slice(*span)
    judged, hz = np.nan_to_num(judged[part]), hz[part]
    strong = judged >= min(review, max(_RELEASE * review, _OF_WORST * judged.max()))
    theirs = hz[strong & np.isfinite(hz)]
    if theirs.size:
        with np.errstate(invalid="ignore"):
            apart = np.abs(np.log(hz / np.median(theirs)))
        strong |= apart <= math.log(_SAME_HZ)
    at = span[0] + np.flatnonzero(strong)
    return int(at[0]), int(at[-1]) + 1


def _begun(readings: Readings, paths: list[Path], span: Span) -> int:
    """Return the row at which the picture set off.

    What was intended is smoothed, and so begins to move before the picture does; of a
    quick sway the way from rest to the first turn is no whole swing and is missing.
    """
    first, last = span
    path = next((p for p in paths if p.first <= first < p.last), None)
    if path is None:
        return first
    times = readings.times()
    size = float(np.nanmedian(readings["steadiness.sway_percent"][first:last]))
    begin = _rested(readings, path, span, size)
    late = int(np.searchsorted(times, times[first] + _EARLIEST_S))
    places = _places(path, times[begin : min(last, path.last, late)])
    left = np.hypot(*(places - places[0]).T) > _LEFT * size
    if not left.any():
        return first
    row = int(np.argmax(left))
    speed = np.hypot(*np.diff(places, axis=0, prepend=places[:1]).T)
    fast = _SETS_OFF * float(speed[max(row - 1, 0) : row + 1].max())
    while row > 0 and speed[row] > fast:
        row -= 1
    return begin + row


def _rested(readings: Readings, path: Path, span: Span, size: float) -> int:
    """Return the row a quarter of a round before a sway, if the picture rested there.

    Otherwise the first row of the sway.
    """
    first, last = span
    hz = readings["steadiness.sway_hz"][first:last]
    known = hz[np.isfinite(hz)]
    if not known.size:
        return first
    times = readings.times()
    quarter = 0.25 / float(np.median(known))
    row = int(np.searchsorted(times, times[first] - quarter)) - 2
    early = int(np.searchsorted(times, times[max(row, 0)] - _RESTED_S))
    if early < path.first or row - early < 2:
        return first
    moved = np.ptp(_places(path, times[early : row + 1]), axis=0)
    return row if float(np.hypot(*moved)) < _RESTED * size else first


def _places(path: Path, at: _Array) -> _Array:
    return np.stack([np.interp(at, path.times, path.places[:, k]) for k in (0, 1)], 1)


def _goes_on(size: NDArray[np.floating]) -> bool:
    """Return whether a sway is near its end as strong as ever: no knock dies so."""
    part = np.nan_to_num(size)
    late = float(np.median(part[-(len(part) // 3) - 1 :]))
    return late >= _GOES_ON * float(part.max())


def _jumps(paths: list[Path], begins: _Array, least: float) -> list[Jump]:
    out = []
    for path in paths:
        for knock in knocks(path, least=least):
            ends = path.times[[knock.first, min(knock.last, len(path.times) - 1)]]
            first, last = np.searchsorted(begins, ends - 0.5 / path.rate)
            out.append(Jump(int(first), max(int(last), int(first) + 1), knock))
    return out


def _standstill_ends(readings: Readings) -> list[int]:
    """Return the rows at which the recording goes on after it stood still."""
    if "stillness.state" not in readings.columns:
        return []
    state = readings["stillness.state"]
    stood = runs((state == State.FROZEN) | (state == State.SINGLE))
    return [last for first, last in stood if last - first >= _STOOD_FRAMES]
