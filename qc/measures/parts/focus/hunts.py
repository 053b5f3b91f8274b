"""Where focus hunts: swings of sharpness that are a lens's, the picture being still."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from qc.limits import Limits
from qc.measures.base import Measured
from qc.measures.parts.focus.lightjumps import jumps
from qc.measures.parts.focus.motionblur import Smear, smear_of
from qc.measures.parts.focus.softcheck import BRIDGE_S, glints_alone, noise_alone
from qc.measures.parts.focus.swings import (
    Swinging,
    leg_seconds,
    share_at_keys,
    swinging,
)
from qc.measures.parts.focus.tiles import RELEASE, best_of, tile_rows
from qc.records import Readings
from qc.spans import bridged, past_limit, runs

__all__ = ["LEAST_PERCENT", "Still", "hunts", "stills", "without_hunts"]

# Sharpness is compared as its logarithm; under this percent it is as good as gone, and
# what is left hangs on how well the noise was read.
LEAST_PERCENT = 15.0
# A picture is still if it is so most of this time.
_STILL_S = 0.6
# In the hand it moves by up to so many times as much. Swings count there too where it
# moves no more while soft than while sharp, but for this share: no smear swings so.
_IN_HAND, _NO_MORE = 3.0, 1.3
# What is not known for a moment, because it moves then or nothing is sharp enough to
# tell how soft it is, does not end it; in slow takes some frames must do.
_GAP_S, _GAP_FRAMES = 0.8, 3.5
_SHORTEST_S = 0.6
# So many of the subject's tiles must go along, by so much, if it is the lens.
_TILES_SHARE = 0.6
_TILE_SLOPE = 0.35
_TILE_CORRELATION = 0.5
# Noise beside its detail flattens a tile's way: keeping that close to it is enough.
_TILE_CLOSE = 0.75
# More of the rise than this at key frames: the coding brings it back, not the lens.
_KEY_SHARE = 0.6
# One way is that much quicker than the other; focus takes as long both ways.
_SAWTOOTH = 2.0
# In the mean of so many seconds' frames so much of a swing is left, at 4 Hz two thirds.
_FEW_S, _LEFT_SHARE = 0.12, 0.5
# What that mean takes away, root mean square, is 0.14 of a sine's way at 4 Hz and 0.05
# at 2 Hz; of frames in turns of four, one of them sharper, 0.4.
_ROUGH_SHARE = 0.18
# Key frames closer than this are no sign of a coding in groups.
_GROUP_S = 0.2
_SHORT_S, _MORE_SWINGS = 3.5, 2
# So far from the turns of a leg a reading of edges still tells of it.
_BESIDE_S = 0.25


@dataclass(frozen=True, slots=True, eq=False)
class Still:
    """A stretch of one shot without motion: rows and logarithm of sharpness."""

    rows: NDArray[np.intp]
    times: NDArray[np.float64]
    log: NDArray[np.float64]


def stills(
    measured: Measured, readings: Readings, sharpness: NDArray[np.floating]
) -> Iterator[Still]:
    """Yield the stretches in which sharpness, percent of the best, can be followed."""
    smear = smear_of(readings, measured.info.video)
    limit = float(measured.limits["hunting.still_percent"])
    yield from _stills(readings, sharpness, smear, limit)


def hunts(
    measured: Measured, readings: Readings, sharpness: NDArray[np.float32]
) -> tuple[tuple[Still, Swinging], ...]:
    """Return the swings that are a lens's, and the stretch that each is in.

    Parameters
    ----------
    sharpness : (rows,) array
        Percent of the best of the shot.
    """
    return _hunts_of(measured, readings, sharpness.tobytes())


# Focus, its soft parts and hunting ask for the same, one after the other.
@lru_cache(maxsize=1)
def _hunts_of(
    measured: Measured, readings: Readings, sharpness: bytes
) -> tuple[tuple[Still, Swinging], ...]:
    smear = smear_of(readings, measured.info.video)
    limit = float(measured.limits["hunting.still_percent"])
    hunting = np.zeros(readings.rows, np.bool_)
    out = []
    for in_hand in (False, True):
        most = limit * (_IN_HAND if in_hand else 1.0)
        percent = np.frombuffer(sharpness, np.float32)
        for still in _stills(readings, percent, smear, most):
            for found in _hunts_in(readings, measured.limits, still):
                rows = slice(still.rows[found.first], still.rows[found.last - 1] + 1)
                if in_hand and (
                    hunting[rows].any() or _by_smear(smear.percent, still, found)
                ):
                    continue
                hunting[rows] = True
                out.append((still, found))
    return tuple(out)


def _stills(
    readings: Readings, sharpness: NDArray[np.floating], smear: Smear, most: float
) -> Iterator[Still]:
    percent = sharpness.astype(np.float64)
    shots = readings["framing.shot"]
    begins = readings.times()[:-1]
    period = float(np.median(np.diff(readings.times())))
    # A kernel longer than the take would lengthen what it smooths.
    span = min(max(1, round(_STILL_S / max(period, 1e-3))), readings.rows)
    moves = smear.percent > most
    often = np.convolve(moves, np.ones(span) / span, mode="same") >= 0.5
    percent[often | smear.zooming] = np.nan
    gap = max(_GAP_S, _GAP_FRAMES * period)
    # A framing that ends while the picture rests (a head has moved off, little by
    # little) breaks nothing off: the lens looks at the same as before.
    breaks_off = np.append(False, np.diff(shots) != 0) & (smear.cut | moves)
    for first, last in runs(~np.isnan(shots)):
        breaks = np.flatnonzero(breaks_off[first + 1 : last]) + 1 + first
        for a, b in zip([first, *breaks], [*breaks, last], strict=True):
            yield from _followed(percent, begins, (int(a), int(b)), gap)


def _followed(
    percent: NDArray[np.float64],
    begins: NDArray[np.float64],
    span: tuple[int, int],
    gap: float,
) -> Iterator[Still]:
    a, b = span
    rows = a + np.flatnonzero(~np.isnan(percent[a:b]))
    if not rows.size:
        return
    for part in np.split(rows, np.flatnonzero(np.diff(begins[rows]) > gap) + 1):
        times = begins[part]
        if times[-1] - times[0] >= _SHORTEST_S:
            level = np.maximum(percent[part], LEAST_PERCENT)
            yield Still(part, times, np.log(level / 100.0))


def _hunts_in(readings: Readings, limits: Limits, still: Still) -> Iterator[Swinging]:
    """Yield the swings in a still stretch that are a lens's."""
    depth = -math.log1p(-limits["hunting.review_percent"] / 100.0)
    least = limits["hunting.least_swings"]
    # Too short to show that this picture does not always waver: more swings.
    least += _MORE_SWINGS * (still.times[-1] - still.times[0] < _SHORT_S)
    for found in swinging(still.log, still.times, depth=depth, least=least):
        part = _without_glints(readings, still, found, least)
        if part is None:
            continue
        swings = [found]
        if len(part) < len(found.turns):
            cut = slice(part[0], part[-1] + 1)
            swings = [
                again.moved(int(part[0]))
                for again in swinging(
                    still.log[cut], still.times[cut], depth=depth, least=least
                )
            ]
        yield from (s for s in swings if _hunts(readings, still, s))


def _hunts(readings: Readings, still: Still, found: Swinging) -> bool:
    others = (_by_coding, _by_kinds, _by_noise, _by_light)
    return _by_lens(readings, still, found) and not any(
        other(readings, still, found) for other in others
    )


def _without_glints(
    readings: Readings, still: Still, found: Swinging, least: float
) -> NDArray[np.intp] | None:
    """Return the turns of a run without outermost legs that glints explain.

    None where too few legs are left that they do not explain.
    """
    legs = pairwise(found.turns.tolist())
    lens = [not _leg_of_glints(readings, still, leg) for leg in legs]
    if sum(lens) < len(lens) and sum(lens) < max(2.0 * least, 2):
        return None
    low, high = lens.index(True), len(lens) - lens[::-1].index(True)
    return found.turns[low : high + 1]


def _leg_of_glints(readings: Readings, still: Still, leg: tuple[int, int]) -> bool:
    first, last = leg
    middle = 0.5 * (still.log[first] + still.log[last])
    times = still.times
    # Edges are read now and then: perhaps just before a turn, or behind it.
    first, last = np.searchsorted(
        times, (times[first] - _BESIDE_S, times[last] + _BESIDE_S)
    )
    rows, sharper = still.rows[first:last], still.log[first:last] > middle
    return glints_alone(readings, rows[~sharper], rows[sharper])


def without_hunts(
    measured: Measured, percent: NDArray[np.float32], lasting: NDArray[np.float32]
) -> NDArray[np.float32]:
    """Return lasting sharpness without falls that are told as hunting.

    Parameters
    ----------
    percent, lasting : (rows,) arrays
        Sharpness against the best of the shot, and without what is too short.

    Returns
    -------
    (rows,) array of float32
        NaN in swings that come back over the limit of a soft picture each time; what is
        soft before or after them stays.
    """
    readings, limits = measured.picture, measured.limits
    # Only where hunting is looked for is it told.
    if readings is None or "hunting.key" not in readings.columns:
        return lasting
    limit = float(limits["focus.soft_review_percent"])
    soft = past_limit(lasting, limit=limit, release=RELEASE * limit, above=False)
    if not soft:
        return lasting
    swings = np.zeros(readings.rows, np.bool_)
    for still, found in hunts(measured, readings, percent):
        turns = percent[still.rows[found.turns]]
        if np.median(np.maximum(turns[:-1], turns[1:])) >= limit:
            swings[still.rows[found.first] : still.rows[found.last - 1] + 1] = True
    if not swings.any():
        return lasting
    out, times = lasting.copy(), readings.times()
    for first, last in bridged(soft, times=times, gap=BRIDGE_S):
        inside = swings[first:last]
        left = float(np.diff(times[first : last + 1])[~inside].sum())
        short = left < limits["focus.soft_min_seconds"]
        with np.errstate(invalid="ignore"):
            fell = out[first:last] < RELEASE * limit
        if inside.any():
            out[first:last][fell & (inside | short)] = np.nan
    return out


def _by_lens(readings: Readings, still: Still, found: Swinging) -> bool:
    """Return whether most of the subject goes along: no hand, no instrument alone."""
    rows = still.rows[found.first : found.last]
    detail = tile_rows(readings, rows).astype(np.float64)
    # What is never sharp has no part in it; jumps are what is looked for.
    best = best_of(detail, share_lit=0.5, jumps=math.inf)
    subject = ~np.isnan(best)
    if not subject.any():
        return False
    floor = 0.01 * LEAST_PERCENT  # as for the whole
    tiles = np.log(np.maximum(detail[:, subject] / best[subject], floor))
    whole = still.log[found.first : found.last]
    whole = whole - whole.mean()
    goes = 0
    for tile in tiles.T:
        seen = ~np.isnan(tile)
        if seen.mean() < 0.5:
            continue
        part, with_it = tile[seen] - tile[seen].mean(), whole[seen]
        power = float(np.dot(with_it, with_it))
        common = float(np.dot(part, with_it))
        length = math.sqrt(float(np.dot(part, part)) * power)
        slope = common / power if power > 0 else 0.0
        far = slope >= _TILE_SLOPE and common >= _TILE_CORRELATION * length
        goes += far or common >= _TILE_CLOSE * length > 0
    return bool(goes >= _TILES_SHARE * np.count_nonzero(subject))


def _by_coding(readings: Readings, still: Still, found: Swinging) -> bool:
    """Return whether detail comes, or goes, all at once with the key frames."""
    if "hunting.key" not in readings.columns:
        return False
    keys = readings["hunting.key"][still.rows] > 0
    at = np.flatnonzero(keys)
    if at.size < 2 or np.median(np.diff(still.times[at])) < _GROUP_S:
        return False
    log = still.log
    seconds = leg_seconds(log, still.times, found.turns)
    rises = np.diff(log[found.turns]) > 0
    up, down = (float(np.median(seconds[r])) for r in (rises, ~rises))
    if max(up, down) < _SAWTOOTH * min(up, down):
        return False
    if down < up:
        log = -log
    # The same half-way between key frames: of quick swings every frame has a share.
    between = np.zeros_like(keys)
    between[(at[:-1] + at[1:]) // 2] = True
    here, there = (
        share_at_keys(log, still.times, k, found.turns) for k in (keys, between)
    )
    return here > max(_KEY_SHARE, 2.0 * there)


def _by_kinds(readings: Readings, still: Still, found: Swinging) -> bool:
    """Return whether it is from frame to frame that detail differs: kinds of frames.

    In noise a coder keeps more of it in every second frame, or every fourth. No lens is
    so quick: of its swings most is left in the mean of a few frames.
    """
    period = float(np.median(np.diff(still.times)))
    span = round(_FEW_S / max(period, 1e-3))
    if span < 2:
        return False
    log = still.log
    padded = np.pad(log, (span // 2, span - 1 - span // 2), mode="edge")
    mean = np.convolve(padded, np.ones(span) / span, mode="valid")
    leg = float(np.median(np.abs(np.diff(log[found.turns]))))
    rough = (log - mean)[found.turns[0] : found.turns[-1] + 1]
    if math.sqrt(float(np.mean(rough**2))) > _ROUGH_SHARE * leg:
        return True
    left = [
        float(np.ptp(mean[max(a - span, 0) : b + span + 1]))
        for a, b in pairwise(found.turns.tolist())
    ]
    return float(np.median(left)) < _LEFT_SHARE * leg


def _by_noise(readings: Readings, still: Still, found: Swinging) -> bool:
    """Return whether not the lens swings, but glints, or how noise is read."""
    part = slice(found.first, found.last)
    rows, log = still.rows[part], still.log[part]
    sharper = log > log.mean()
    kinds = rows[~sharper], rows[sharper]
    return noise_alone(readings, *kinds) or glints_alone(readings, *kinds)


def _by_smear(percent: NDArray[np.float64], still: Still, found: Swinging) -> bool:
    """Return whether the picture moves more while it is soft than while it is sharp."""
    part = slice(found.first, found.last)
    moved, sharper = percent[still.rows[part]], still.log[part] > still.log[part].mean()
    soft, sharp = (float(np.median(moved[side])) for side in (~sharper, sharper))
    return soft > _NO_MORE * sharp


def _by_light(readings: Readings, still: Still, found: Swinging) -> bool:
    """Return whether light jumps within most legs: a flash, a lamp, no lens."""
    rows = still.rows[found.turns]
    jumped = np.flatnonzero(jumps(readings)[rows[0] : rows[-1] + 1]) + rows[0]
    legs = np.searchsorted(jumped, rows)
    return 2 * int(np.count_nonzero(np.diff(legs))) > len(rows) - 1
