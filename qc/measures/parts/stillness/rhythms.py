"""In what rhythm frames come twice, and what is out of turn there: pure arithmetic.

Pictures of one rate in a recording of another repeat at steady steps: 25 in 50, 24 in
60, 24 in 25. That is a matter of settings; what breaks such a rhythm is a fault.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.stillness.slips import with_slips
from qc.measures.parts.stillness.stillframes import (
    CALM_PERCENT,
    SMALLEST,
    Changes,
)
from qc.spans import Span, runs

__all__ = ["Cadence", "cadences", "out_of_turn"]

Flags = NDArray[np.bool_]
Values = NDArray[np.floating]

# In a rhythm: repeats change so much less than the others, and so many fit.
_RHYTHM_SHARE = 0.3
_EXPLAINED = 0.75
# Long patterns fit by chance sooner.
_SHORT_PERIOD = 6
_EXPLAINED_LONG = 0.9
_AS_GOOD = 0.02
_SEEN = 0.3
# By kind: a repeat's largest cell and its mean change, shares of a new picture's; and
# how many frames of each kind lie on their side.
_PARTED_SHARE, _PARTED_LESS, _PURE = 0.4, 0.5, 0.9
# Or so many repeats lie under both new pictures beside them, which of so many hardly
# comes by chance (one in three would), and mean changes are somewhat less.
_BELOW, _BELOW_LESS, _FEWEST_BELOW = 0.95, 0.7, 8
_BLOCK = 120
_SHORTEST_BLOCK = 20
_LONGEST_PERIOD = 30
# Rare repeats, one in so many frames or fewer, are told by their steps over a take.
_RARE_PERIOD, _FEWEST_RARE = 13, 4
_RARE_OFF = 0.6  # frames off the even step: where a converter rounds to
_RARE_ON, _RARE_THERE = 0.8, 0.75  # of the repeats keep the step; of the steps repeat
# A missing picture changes by so small a share of what each of the new pictures beside
# it does, and by no more than so many times what nine in ten repeats do.
_MISSING_SHARE, _BESIDE, _OVER_REPEATS = 0.3, 2, 1.5


@dataclass(frozen=True, slots=True, eq=False)
class Cadence:
    """A stretch in which repeats come in a steady rhythm.

    Attributes
    ----------
    first, last : int
        Rows, half-open.
    period, repeats : int
        Of so many frames, so many repeat the one before.
    """

    first: int
    last: int
    period: int
    repeats: int


def _rhythm(flags: Flags, difference: Values, told: Flags) -> Flags | None:
    """Return the shortest pattern that a block follows; None for none.

    Coding hides some repeats, so the usual change in each phase of a period tells.

    Parameters
    ----------
    told : (n,) array of bool
        Frames that must fit; a key frame is coded anew, whether it repeats or not.
    """
    n = len(flags)
    found: list[tuple[float, Flags]] = []
    for period in range(2, min(_LONGEST_PERIOD, n // 4) + 1):
        pattern = _pattern(flags, difference, told, period)
        if pattern is not None:
            laid = pattern[np.arange(n) % period]
            found.append((float(np.mean((laid == flags)[told])), pattern))
            if found[-1][0] >= 1.0 - _AS_GOOD:
                break
    best = max((fit for fit, _ in found), default=0.0)
    # Multiples of the period fit as well: the shortest of the best.
    return next((p for fit, p in found if fit >= best - _AS_GOOD), None)


def _pattern(
    flags: Flags, difference: Values, told: Flags, period: int
) -> Flags | None:
    """Return which phases of a period repeat; None if frames do not follow it."""
    phase = np.arange(len(flags)) % period
    whole = len(difference) // period * period
    usual = np.median(difference[:whole].reshape(-1, period), axis=0)
    pattern = np.asarray(usual <= _RHYTHM_SHARE * usual.max(), bool)
    if not 0 < int(pattern.sum()) < period:
        return None
    laid = pattern[phase] & told
    flags = flags & told
    if not laid.any() or not (~laid & told).any():
        return None
    hits = int(np.count_nonzero(laid & flags))
    quiet = difference <= 2 * _RHYTHM_SHARE * float(np.median(difference[~laid & told]))
    kept = float(np.mean(quiet[laid] | flags[laid]))
    # Groups of pictures have a rhythm, too, but few frames that come twice.
    sure = hits >= _SEEN * int(laid.sum())
    needed = _EXPLAINED if period <= _SHORT_PERIOD else _EXPLAINED_LONG
    fits = hits >= needed * int(flags.sum()) and kept >= needed
    return pattern if sure and fits else None


def _followed(
    flags: Flags, difference: Values, told: Flags
) -> tuple[Flags | None, Flags | None]:
    """Return the pattern that a block follows, and how it lies if its step changes.

    A block whose step changes in its middle follows none as a whole; its parts do.
    """
    whole = _rhythm(flags, difference, told)
    n = len(flags)
    # One frame in six at least repeats in a rhythm so short.
    dense = float(flags.mean()) >= 0.5 / _SHORT_PERIOD
    parts = _parts(n) if whole is None and dense else []
    tried = [whole, *(_rhythm(flags[p], difference[p], told[p]) for p in parts)]
    new = difference[~flags & told]
    if not new.size:
        return whole, None
    quiet = difference <= 2 * _RHYTHM_SHARE * float(np.median(new))
    for pattern in tried:
        if pattern is not None and len(pattern) <= _SHORT_PERIOD:
            laid = with_slips(flags, quiet, told, pattern)
            if laid is not None:
                return pattern, laid
    return whole, None


def _parts(length: int) -> list[slice]:
    """Return the halves and thirds of a block that are long enough to have a rhythm."""
    return [
        slice(length * i // count, length * (i + 1) // count)
        for count in (2, 3)
        for i in range(count)
        if length // count >= _SHORTEST_BLOCK
    ]


def _blocks(length: int) -> Iterator[Span]:
    count = max(1, round(length / _BLOCK))
    for i in range(count):
        yield length * i // count, length * (i + 1) // count


def _parted(difference: Values, cell: Values, told: Flags) -> Flags | None:
    """Return the shortest pattern whose phases fall in two kinds; None for none.

    A codec that shares its data over several pictures gives some repeats as much mean
    change as it leaves the quietest new pictures, but it moves nothing in them.
    """
    n = len(cell)
    for period in range(2, min(_SHORT_PERIOD, n // 4) + 1):
        whole = n // period * period
        usual = np.median(cell[:whole].reshape(-1, period), axis=0)
        pattern = np.asarray(usual <= _PARTED_SHARE * usual.max(), bool)
        if not 0 < int(pattern.sum()) < period:
            continue
        laid = pattern[np.arange(n) % period]
        kinds = float(np.median(cell[laid])), float(np.median(cell[~laid]))
        between = float(np.sqrt(max(kinds[0], SMALLEST) * kinds[1]))
        less = np.median(difference[laid]) / np.median(difference[~laid])
        pure = min(np.mean(cell[laid] < between), np.mean(cell[~laid] > between))
        apart = less <= _PARTED_LESS and pure >= _PURE
        below = less <= _BELOW_LESS and _below(cell, laid, told) >= _BELOW
        if (apart or below) and kinds[1] > 2 * CALM_PERCENT:
            return pattern
    return None


def _below(cell: Values, laid: Flags, told: Flags) -> float:
    """Return the share of repeats under the new pictures beside them on both sides.

    However much quicker or slower things move in one part of a block than in another.
    """
    rows, new = np.flatnonzero(laid & told), np.flatnonzero(~laid)
    at = np.searchsorted(new, rows)
    inside = (at > 0) & (at < len(new))
    rows, at = rows[inside], at[inside]
    if len(rows) < _FEWEST_BELOW:
        return 0.0
    beside = np.minimum(cell[new[at - 1]], cell[new[at]])
    return float(np.mean(cell[rows] < beside))


def out_of_turn(changes: Changes, cadence: Cadence, inside: Flags) -> Flags:
    """Return which new pictures of a rhythm are missing: they repeat out of turn.

    Returns
    -------
    (last - first,) array of bool
        They change as little as the rhythm's own repeats, and far less than each of
        the new pictures beside them.
    """
    part = slice(cadence.first, cadence.last)
    laid = inside[part]
    out = ~laid
    new = np.flatnonzero(~laid)
    if not laid.any() or len(new) <= 2 * _BESIDE:
        return np.zeros_like(out)
    for values in (changes.cell[part], changes.difference[part]):
        mine = np.nan_to_num(values[new])
        padded = np.concatenate([[np.inf] * _BESIDE, mine, [np.inf] * _BESIDE])
        windows = np.lib.stride_tricks.sliding_window_view(padded, _BESIDE)
        least = windows.min(axis=1)
        # Where motion comes to rest the new pictures beside are as quiet.
        beside = np.minimum(least[: len(new)], least[_BESIDE + 1 :])
        top = _OVER_REPEATS * float(np.nanpercentile(values[laid], 90))
        out[new] &= (mine <= _MISSING_SHARE * beside) & (mine <= top)
    return out & ~laid


def cadences(
    flags: Flags,
    known: Flags,
    difference: Values,
    cell: Values | None = None,
    keys: Flags | None = None,
) -> tuple[list[Cadence], Flags]:
    """Find steady rhythms of repeated frames, such as 25 pictures a second in 50.

    Parameters
    ----------
    flags : (n,) array of bool
        Frames that repeat the one before.
    known : (n,) array of bool
        Frames that can be judged; others end a block.
    difference, cell : (n,) array
        Mean change of each frame, and the largest of a cell, if it is known.
    keys : (n,) array of bool
        Key frames, where they are rare: they need not fit a rhythm.

    Returns
    -------
    list of Cadence
    inside : (n,) array of bool
        Frames that a rhythm repeats.

    Examples
    --------
    >>> again = np.arange(60) % 2 == 1
    >>> found, _ = cadences(again, np.ones(60, bool), np.where(again, 0.0, 1.0))
    >>> found[0].period, found[0].repeats
    (2, 1)
    """
    inside = np.zeros(len(flags), bool)
    told = np.ones(len(flags), bool) if keys is None else ~keys
    out: list[Cadence] = []
    for start, stop in runs(known):
        for a, b in _blocks(stop - start):
            first, last = start + a, start + b
            part = flags[first:last]
            if last - first < _SHORTEST_BLOCK:
                continue
            pattern = laid = None
            if int(part.sum()) >= 4:
                pattern, laid = _followed(
                    part, difference[first:last], told[first:last]
                )
            if pattern is None and cell is not None:
                pattern = _parted(
                    difference[first:last], cell[first:last], told[first:last]
                )
            if pattern is None or (
                int(pattern.sum()) == 1 and len(pattern) >= _RARE_PERIOD
            ):
                continue
            if laid is None:
                laid = pattern[np.arange(last - first) % len(pattern)]
            inside[first:last] = laid
            new = Cadence(first, last, len(pattern), int(pattern.sum()))
            if out and _goes_on(out[-1], new):
                out[-1] = Cadence(out[-1].first, last, new.period, new.repeats)
            else:
                out.append(new)
    rare = _rare_rhythm(np.flatnonzero(flags & known & ~inside), known)
    if rare is not None:
        inside[rare[1]] = True
        out.append(rare[0])
    return out, inside


def _rare_rhythm(
    rows: NDArray[np.intp], known: Flags
) -> tuple[Cadence, NDArray[np.intp]] | None:
    """Find repeats that come at even steps, such as one each second.

    Parameters
    ----------
    rows : (n,) array of int
        Frames that repeat the one before, in no other rhythm.

    Returns
    -------
    Cadence and the rows that keep its step; None where most do not. A step need not
    be a whole number of frames: 23.976 pictures a second in 25 repeat every 24.4.
    """
    if len(rows) < _FEWEST_RARE:
        return None
    step = float(np.median(np.diff(rows)))
    if step < _RARE_PERIOD:
        return None
    # From the middle outwards the count of steps stays right while it is refined.
    start = float(rows[len(rows) // 2])
    on = np.ones(len(rows), bool)
    for _ in range(4):
        count = np.rint((rows - start) / step)
        on = np.abs(rows - start - step * count) <= max(2 * _RARE_OFF, 0.1 * step)
        if on.sum() < _FEWEST_RARE or np.ptp(count[on]) < _FEWEST_RARE - 1:
            return None
        step, start = np.polyfit(count[on], rows[on].astype(np.float64), 1)
    count = np.rint((rows - start) / step)
    on = np.abs(rows - start - step * count) <= _RARE_OFF
    steps = float(np.ptp(count[on])) + 1.0 if on.any() else np.inf
    few = on.sum() < max(_FEWEST_RARE, _RARE_ON * len(rows))
    if few or on.sum() < _RARE_THERE * steps or step < _RARE_PERIOD:
        return None
    period = round(step)
    first, last = int(rows[on][0]), int(rows[on][-1])
    near = np.flatnonzero(known[: first + 1])
    begin = max(first - period + 1, int(near[0]))
    end = min(last + period, len(known))
    return Cadence(begin, end, period, 1), rows[on]


def _goes_on(before: Cadence, after: Cadence) -> bool:
    return (before.period, before.repeats) == (after.period, after.repeats)
