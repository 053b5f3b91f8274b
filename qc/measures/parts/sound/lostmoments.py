"""Moments of zeros on all channels at once, in a recording that has noise otherwise.

Air, microphone and converter make noise all the time: zeros alone are never a pause of
the room. What else writes zeros is left out: a gate, which closes in every pause, a
recorder whose sound begins late, and coding that leaves out what nobody hears.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.sound.cutoffs import COARSE, gated, nothing
from qc.measures.parts.sound.truepeak import SILENCE_DBFS, keeps_samples
from qc.spans import Span, runs

__all__ = ["can_tell", "has_room", "lost_moments"]

_SHORTEST_ALIVE = 50  # rows of sound that there must be, and before a moment
# The quietest tenth of the rows is the noise of the room. Under two steps of 16 bits
# it may round to zeros by itself; lossy coding leaves it out from higher on.
_FLOOR_PERCENT = 10.0
_LOWEST_DBFS, _LOWEST_LOSSY_DBFS = -90.0, -80.0
# Noise of -80 dBFS is three steps of 16 bits: one sample in eight rounds to zero, and
# the hundreds of a row never do together. In fainter noise only longer zeros count.
_SHORT_ROWS = 10
_CALM_DB = 6.0
# A gate closes so long after the last word. Noise that goes on for longer than that,
# by so many rows, has no gate behind it (house choice).
_LONGER_ROWS = 10
# Nor has any gate that waits for this long (house choice).
_LONGEST_WAIT_ROWS = 300
# No gate closes in loud sound: under the loudest quarter by so much at most.
_LOUD_DBFS, _UNDER_LOUD_DB = -50.0, 12.0
# The noise of the room is what goes on for some time at the lowest level that is not
# lost, and so for some of the take: syllables pass through.
_ROOM_ROWS, _LEAST_ROOM_ROWS = 6, 20
_CALM_ROWS = 10  # so long it is calm when zeros end
# What is louder than this is no room (house choice).
_LOUDEST_ROOM_DBFS = -40.0
# Lossy coding leaves out noise of -70 dBFS as well, but no loud sound: less than
# `shortest_end` counts in this alone, and from so many rows on (house choice).
_LOWEST_IN_LOUD_DBFS, _SHORT_LOSSY_ROWS = -70.0, 5


def can_tell(codecs: list[str]) -> tuple[bool, bool]:
    """Return whether zeros mean anything in such sound, and if it is lossy.

    Examples
    --------
    >>> can_tell(["flac"]), can_tell(["flac", "aac"]), can_tell(["pcm_u8"])
    ((True, False), (True, True), (False, False))
    """
    lossy = not all(keeps_samples(c) for c in codecs)
    return not any(c in COARSE for c in codecs), lossy


def has_room(level: NDArray[np.float32], low: NDArray[np.bool_]) -> bool:
    """Tell whether the noise of the room is heard where sound is not lost."""
    kept = ~low & ~np.isnan(level)
    floor = float(np.percentile(level[kept], _FLOOR_PERCENT))
    calm = kept & (np.abs(level - np.float32(floor)) <= _CALM_DB)
    lengths = [b - a for a, b in runs(calm) if b - a >= _ROOM_ROWS]
    return floor <= _LOUDEST_ROOM_DBFS and sum(lengths) >= _LEAST_ROOM_ROWS


def lost_moments(
    level: NDArray[np.float32],
    *,
    lost: NDArray[np.bool_] | None = None,
    shortest: float,
    shortest_end: float,
    lossy: bool,
) -> list[Span]:
    """Return where all channels hold zeros though the recording has noise otherwise.

    Parameters
    ----------
    level : (rows,) array
        RMS level of the loudest channel in each hundredth of a second, dBFS; NaN where
        nothing is known.
    lost : (rows,) array or None
        Rows that count as zeros, if others than zeros do.
    shortest, shortest_end : float
        Rows from which on a moment counts, and one that lasts to the take's end. Zeros
        at the begin do not count: the recorder's sound begins there.
    lossy : bool
        Coding may have made quiet noise zeros.
    """
    zeros = nothing(level) if lost is None else lost
    alive = ~zeros & ~np.isnan(level)
    if np.count_nonzero(alive) < _SHORTEST_ALIVE:
        return []
    floor = float(np.percentile(level[alive], _FLOOR_PERCENT))
    if floor < (_LOWEST_LOSSY_DBFS if lossy else _LOWEST_DBFS):
        return []
    if floor < _LOWEST_LOSSY_DBFS:
        shortest = max(shortest, _SHORT_ROWS)
    elif lossy:
        shortest = max(shortest, _SHORT_LOSSY_ROWS)
    spans = runs(zeros)
    if gated(np.where(zeros, np.float32(SILENCE_DBFS), level), spans):
        return []
    calm = alive & (level < floor + _CALM_DB)
    held, free = 0, 0
    in_noise = set()
    for first, last in runs(calm):
        if last == len(level) or not zeros[last]:
            free = max(free, last - first)
        elif last - first >= _LONGEST_WAIT_ROWS:
            in_noise.add(last)
        else:
            held = max(held, last - first)
    noise_goes_on = free >= held + _LONGER_ROWS
    # Where little is said the loudest quarter is noise as well.
    loud, louder = np.percentile(level[alive], [75.0, 90.0]) - _UNDER_LOUD_DB
    # Beeps between zeros are no sound that is cut off: there is no noise at all.
    noisy = floor + _CALM_DB < louder
    loud = loud if floor + _CALM_DB < loud else louder
    if lossy:
        noisy = noisy and floor >= _LOWEST_IN_LOUD_DBFS and has_room(level, zeros)
    is_room = floor <= _LOUDEST_ROOM_DBFS and not lossy
    out = []
    for first, last in spans:
        if np.count_nonzero(alive[:first]) < _SHORTEST_ALIVE:
            continue
        if last - first < (shortest_end if last == len(level) else shortest):
            continue
        before = level[max(first - 2, 0) : first]
        in_loud = noisy and bool((before >= max(_LOUD_DBFS, loud)).any())
        if lossy and last - first < shortest_end and not in_loud:
            continue
        # A gate opens for sound, not for the noise that it closed upon.
        after = calm[last : last + _CALM_ROWS]
        in_calm = is_room and len(after) == _CALM_ROWS and bool(after[1:].all())
        if noise_goes_on or in_loud or in_calm or first in in_noise:
            out.append((first, last))
    return out
