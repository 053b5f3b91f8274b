"""Moments of zeros on all channels at once, in a recording that has noise otherwise.

Air, microphone and converter make noise all the time: zeros alone are never a pause of
the room. What else writes zeros is left out: a gate, which closes in every pause, a
recorder whose sound begins late, and coding that leaves out what nobody hears.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.sound.cutoffs import COARSE, gated, nothing
from qc.measures.parts.sound.truepeak import keeps_samples
from qc.spans import Span, runs

__all__ = ["can_tell", "lost_moments"]

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


def can_tell(codecs: list[str]) -> tuple[bool, bool]:
    """Return whether zeros mean anything in such sound, and if it is lossy.

    Examples
    --------
    >>> can_tell(["flac"]), can_tell(["flac", "aac"]), can_tell(["pcm_u8"])
    ((True, False), (True, True), (False, False))
    """
    lossy = not all(keeps_samples(c) for c in codecs)
    return not any(c in COARSE for c in codecs), lossy


def lost_moments(
    level: NDArray[np.float32], *, shortest: float, shortest_end: float, lossy: bool
) -> list[Span]:
    """Return where all channels hold zeros though the recording has noise otherwise.

    Parameters
    ----------
    level : (rows,) array
        RMS level of the loudest channel in each hundredth of a second, dBFS; NaN where
        nothing is known.
    shortest, shortest_end : float
        Rows from which on a moment counts, and one that lasts to the take's end. Zeros
        at the begin do not count: the recorder's sound begins there.
    lossy : bool
        Coding may have made quiet noise zeros.
    """
    zeros = nothing(level)
    alive = ~zeros & ~np.isnan(level)
    if np.count_nonzero(alive) < _SHORTEST_ALIVE:
        return []
    floor = float(np.percentile(level[alive], _FLOOR_PERCENT))
    if floor < (_LOWEST_LOSSY_DBFS if lossy else _LOWEST_DBFS):
        return []
    if floor < _LOWEST_LOSSY_DBFS:
        shortest = max(shortest, _SHORT_ROWS)
    spans = runs(zeros)
    if gated(level, spans):
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
    loud = float(np.percentile(level[alive], 75.0)) - _UNDER_LOUD_DB
    # Beeps between zeros are no sound that is cut off: there is no noise at all.
    noisy = floor + _CALM_DB < loud and not lossy
    out = []
    for first, last in spans:
        if np.count_nonzero(alive[:first]) < _SHORTEST_ALIVE:
            continue
        if last - first < (shortest_end if last == len(level) else shortest):
            continue
        before = level[max(first - 2, 0) : first]
        in_loud = noisy and bool((before >= max(_LOUD_DBFS, loud)).any())
        if noise_goes_on or in_loud or first in in_noise:
            out.append((first, last))
    return out
