"""Two channels that change places within a take: plugs or routings that were swapped.

A channel's noise under its pauses is that of its microphone, input and gain, whoever
speaks. Where the noise of one channel becomes that of the other and the other way
round, in level and in its share of treble, they have changed places. Between channels
of like noise, or where nobody ever pauses, it cannot be told.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations, pairwise
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from qc.measures.base import Measured, finding_of, signed
from qc.measures.parts.sound.samesound import fit
from qc.measures.parts.sound.soundlines import (
    ROWS_PER_SECOND,
    Line,
    channel_names,
    tracks_of,
)
from qc.measures.parts.sound.truepeak import lfe_index
from qc.records import Finding, Grade

__all__ = ["Turn", "check_swapped", "turns"]

Blocks: TypeAlias = list[np.intp]

# Seconds of which the quietest part stands for the noise, so many blocks of them that
# must agree on both sides together, and how many of either side are looked at.
_BLOCK_S, _AGREE, _LOOKED = 10, 3, 4
_QUIET_PERCENT = 5.0
# So far apart the noise of the two is, by level and by treble; so near each other's it
# comes; and so little it sways on either side, so that it turns at once (house
# choices). A fan that jumps from one to the other would be taken for it.
_APART_DB, _TREBLE_DB, _NEAR_DB, _CALM_DB = 6.0, 4.0, 2.5, 2.5
_PAUSE_DB = 4.0  # over the quieter noise: nobody speaks
_BETWEEN = 1  # blocks that may hold the turn
# Nothing quieter is a noise of something.
_FAINTEST_DBFS = -100.0
_MOST_CHANNELS = 8
# The moment is known to the pauses around it; what follows can be used all the same.
_AROUND_ROWS = 2 * ROWS_PER_SECOND


@dataclass(frozen=True, slots=True)
class Turn:
    """Where two channels change places, and the noise of the first before and after.

    Attributes
    ----------
    row : int
        As near as pauses lie.
    """

    row: int
    before: float
    after: float


def turns(levels: NDArray[np.floating], treble: NDArray[np.floating]) -> Iterator[Turn]:
    """Yield where two channels change places.

    Parameters
    ----------
    levels, treble : (rows, 2) arrays
        Levels of hundredths of a second in dB, of the sound and of its differences
        from sample to sample; NaN where not measured.
    """
    block = _BLOCK_S * ROWS_PER_SECOND
    blocks = len(levels) // block
    if blocks < _AGREE:
        return
    both = np.stack([levels, treble], axis=2)[: blocks * block].astype(np.float64)
    both = both.reshape(blocks, block, 2, 2)
    both[~np.isfinite(both)] = -200.0  # digital silence is no noise
    floors = np.percentile(both, _QUIET_PERCENT, axis=1)  # (blocks, channel, kind)
    apart = floors[:, 0] - floors[:, 1]
    way = np.sign(apart[:, 0]).astype(int)
    clear = (
        (np.abs(apart[:, 0]) >= _APART_DB)
        & (way * apart[:, 1] >= _TREBLE_DB)
        & (floors[:, :, 0].min(axis=1) > _FAINTEST_DBFS)
    )
    known = np.flatnonzero(clear)
    for a, b in pairwise(known):
        if way[a] == way[b] or b - a > 1 + _BETWEEN:
            continue
        # The block that holds the turn may look like one of either side, a little off.
        sides = ((a, b), (a - 1, b), (a, b + 1)) if b - a == 1 else ((a, b),)
        for last, first in sides:
            before = [k for k in known[known <= last][-_LOOKED:] if way[k] == way[a]]
            after = [k for k in known[known >= first][:_LOOKED] if way[k] == way[b]]
            if _change_places(floors, before, after):
                old, new = (float(np.median(floors[k, 0, 0])) for k in (before, after))
                rows = int(a) * block, int(b + 1) * block
                yield Turn(_moment(levels, *rows, way[a], min(old, new)), old, new)
                break


def _change_places(floors: NDArray[np.float64], before: Blocks, after: Blocks) -> bool:
    """Tell whether what was the noise of one is the other's, calm on either side."""
    if not before or not after or len(before) + len(after) < _AGREE:
        return False
    old, new = (np.median(floors[k], axis=0) for k in (before, after))
    calm = all(
        np.abs(floors[k] - middle).max() <= _CALM_DB
        for k, middle in ((before[-2:], old), (after[:2], new))
    )
    return calm and bool(np.abs(old - new[::-1]).max() <= _NEAR_DB)


def _moment(
    levels: NDArray[np.floating], first: int, last: int, way: int, quiet: float
) -> int:
    """Return the row from which on the second channel is the noisier one, or less so.

    Only pauses tell: then one of the two is down at the quieter noise. In words the
    channel with less noise may well be the louder one. Between the last pause before
    the turn and the first one behind it the middle is taken.
    """
    part = np.nan_to_num(levels[first:last], nan=_FAINTEST_DBFS).astype(np.float64)
    apart = np.clip(way * (part[:, 0] - part[:, 1]), -_APART_DB, _APART_DB)
    apart[part.min(axis=1) > quiet + _PAUSE_DB] = 0.0
    summed = np.concatenate([[0.0], np.cumsum(apart)])
    best = np.flatnonzero(summed == summed.max())
    return first + int(best[0] + best[-1]) // 2


def check_swapped(measured: Measured) -> Iterator[Finding]:
    """Yield where two channels of a take change places, of one track or of two."""
    lines = [
        Line(measured, readings, track, index)
        for _, readings, track in tracks_of(measured)
        for index in range(track.channels)
        if index != lfe_index(track.layout) and "peaks.rms_dbfs" in readings.columns
    ]
    for first, second in combinations(lines[:_MOST_CHANNELS], 2):
        if first.readings is second.readings or fit(first, second):
            rows = min(first.readings.rows, second.readings.rows)
            levels, treble = (
                np.stack([x.readings[name][:rows, x.index] for x in (first, second)], 1)
                for name in ("peaks.rms_dbfs", "phase.level_dbfs")
            )
            for turn in turns(levels, treble):
                yield _swapped(measured, first, second, turn)


def _swapped(measured: Measured, first: Line, second: Line, turn: Turn) -> Finding:
    who = channel_names([first, second])
    old, new = (signed(math.floor(v + 0.5), 0) for v in (turn.before, turn.after))
    return finding_of(
        measured,
        first.readings,
        rule="sound.swapped",
        grade=Grade.REVIEW,
        first=max(turn.row - _AROUND_ROWS, 0),
        last=min(turn.row + _AROUND_ROWS, first.readings.rows),
        worst_row=turn.row,
        worst=abs(turn.after - turn.before),
        limit=_APART_DB,
        unit="dB",
        message=(
            f"{who} seem to have changed places here: the noise under pauses goes from "
            f"{old} to {new} dBFS in the first and the other way round in the second, "
            "both at once."
        ),
        advice=(
            f"{who}: ask whether plugs or routings were changed while the recorder "
            "ran, and do it between takes only. In the edit, change them back from "
            "here on; listen to both first."
        ),
    )
