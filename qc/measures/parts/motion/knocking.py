"""Knocks: a quiet picture jumps at once and settles again."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.motion.swaying import Path
from qc.measures.parts.running import running_median, running_range
from qc.spans import runs

__all__ = ["Knock", "knocks", "without_knocks"]

_Array = NDArray[np.floating]

_MEDIAN_S = 1.0  # a ring of 2 Hz or more is gone from a median over so long
_BACK = 0.35  # of the farthest: no farther from home it has come back
_SOON_S = 1.0
# What it trembles by, of its reach, at most, and where nothing else is known of it; of
# what it did before the jump.
_RESTLESS, _STILL, _AS_BEFORE = 0.3, 0.2, 1.5
_NUDGE_PERCENT = 6.0  # a longer jump that stays away is a quick reframing


@dataclass(frozen=True, slots=True)
class Knock:
    """A jump of a picture that was quiet.

    Attributes
    ----------
    first, last : int
        Samples of the path: where it jumps, and where it has settled.
    jump : float
        From one side to the other within half a second, percent of width.
    seconds : float
        Until it has settled.
    """

    first: int
    last: int
    jump: float
    seconds: float


def knocks(path: Path, *, least: float) -> list[Knock]:
    """Find where a quiet picture jumps at once and settles again.

    A jump takes a quarter of a second; up to 0.45 s if the picture comes back, which
    nobody has meant. It is looked for on the path as it is, where a jump may stay, and
    on what is left of the path by a running median, where a picture that slowly drifts
    or pans is quiet too.

    Parameters
    ----------
    least : float
        Percent of width; smaller jumps are let be.
    """
    places, rate = path.places, path.rate
    out = _jumps_in(places, rate, least)
    size = 2 * round(0.5 * _MEDIAN_S * rate) + 1
    if len(places) <= size:
        return out
    drift = running_median(places, size)
    for found in _jumps_in(places - drift, rate, least):
        if any(found.first < k.last and k.first < found.last for k in out):
            continue
        # A pan that stops goes a little too far and comes back: the path goes farther.
        around = drift[max(found.first - size // 2, 0) : found.last + 1]
        if float(np.hypot(*np.ptp(around, axis=0))) <= found.jump:
            out.append(found)
    return sorted(out, key=lambda knock: knock.first)


def _jumps_in(places: _Array, rate: float, least: float) -> list[Knock]:
    n = len(places)
    quick, quiet = max(round(0.25 * rate), 1), max(round(0.4 * rate), 2)
    if n < 2 * quick + quiet:
        return []
    # The farthest that it gets within a quarter of a second, from here on.
    far = running_range(places, quick + 1, ahead=True)
    out: list[Knock] = []
    for first, last in runs(np.hypot(*far.T) >= 0.7 * least):
        if out and first < out[-1].last:
            continue
        found = _knock_at(places, first, last, rate, quick, quiet)
        if found is not None and found.jump >= least:
            out.append(found)
    return out


def without_knocks(path: Path, found: list[Knock]) -> Path:
    """Return a path that goes straight on where it was knocked and soon settled.

    What rings for longer is left: it may be a sway that began with a knock.
    """
    places = path.places.copy()
    at = np.arange(len(places))
    for knock in found:
        first, last = max(knock.first - 1, 0), min(knock.last, len(places) - 1)
        if knock.seconds > _SOON_S or last - first < 2:
            continue
        ends = np.array([first, last])
        for k in (0, 1):
            part = np.interp(at[first:last], ends, path.places[ends, k])
            places[first:last, k] = part
    return Path(path.first, path.last, path.times, places, path.rate)


def _knock_at(
    places: _Array, first: int, last: int, rate: float, quick: int, quiet: int
) -> Knock | None:
    begin = max(first - 2 * quiet, 0)
    stop = first + quick + max(round(2.0 * rate), 1) + 2 * quiet
    local = places[begin:stop]
    first, last = first - begin, last - begin
    # A pan that goes on as before is no part of the jump.
    t = np.arange(len(local)) - first / 2
    speed = (
        t[: first + 1]
        @ local[: first + 1]
        / max(float((t[: first + 1] ** 2).sum()), 1.0)
    )
    local = local - np.outer(t, speed)
    before = local[: first + 1]
    home = np.median(before, axis=0)
    away = np.hypot(*(local[first:] - home).T)
    reach = float(away.max())
    restless = float(np.ptp(before, axis=0).max())
    if restless > _RESTLESS * reach:
        return None
    trembled = float(np.hypot(*(before - home).T).max())
    onset = first + int(np.argmax(away > min(max(0.1 * reach, trembled), 0.5 * reach)))
    # In the hand it goes on to tremble as it did before.
    within = min(max(_STILL * reach, _AS_BEFORE * restless), _RESTLESS * reach)
    settled = _settled(local, onset, 2 * quiet, within, round(2.0 * rate))
    if settled is None:
        return None
    end = np.median(local[settled : settled + quiet], axis=0)
    left = float(np.hypot(*(end - home)))
    taken = int(np.argmax(away >= 0.8 * reach)) - (onset - first)
    if taken > (quick if left > _BACK * reach else round(0.45 * rate)):
        return None
    if reach > _NUDGE_PERCENT and left > 0.5 * reach:
        return None
    ends = begin + max(settled, min(last, settled + quick))
    jump = _farthest(local[max(onset - 1, 0) : onset + 2 * quick + 1])
    return Knock(begin + onset, ends, jump, (settled - onset) / rate)


def _farthest(places: _Array) -> float:
    """Return how far the two places lie apart that lie farthest apart."""
    apart = places[:, None] - places[None]
    return float(np.hypot(apart[..., 0], apart[..., 1]).max())


def _settled(
    places: _Array, onset: int, quiet: int, within: float, most: int
) -> int | None:
    """Return the sample from which the picture keeps still, None if it does not."""
    for i in range(onset, min(onset + most, len(places) - quiet) + 1):
        if np.ptp(places[i : i + quiet], axis=0).max() <= within:
            return i
    return None
