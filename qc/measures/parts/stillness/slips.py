"""Rhythms of repeats that change their step: what shows pictures and takes them drift.

Where pictures of one clock are taken at another, one is now and then shown once too
often or too seldom, and from there on the rhythm goes on a frame later or earlier.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["with_slips"]

Flags = NDArray[np.bool_]

# So many frames that do not fit weigh as much as one change of step, and no more of a
# block may speak against a rhythm than this share (house choices).
_SLIP, _AGAINST = 4.0, 0.1
_UNTOLD = 0.1  # what a repeat weighs that is only quiet, as slow motion is too


def with_slips(flags: Flags, quiet: Flags, told: Flags, pattern: Flags) -> Flags | None:
    """Lay a pattern over a block, its step changed wherever that explains more.

    Parameters
    ----------
    flags : (n,) array of bool
        Frames that repeat the one before.
    quiet : (n,) array of bool
        Frames that change as little as a repeat, told or not.
    told : (n,) array of bool
        Frames that must fit.
    pattern : (period,) array of bool
        Which frames of a period repeat.

    Returns
    -------
    (n,) array of bool or None
        Frames that the rhythm repeats; None where too much speaks against it. What is
        shown for longer than the rhythm has it at a change of step is left out.

    Notes
    -----
    The least sum of frames that do not fit and changes of step, by dynamic programming
    over the steps (textbook).

    Examples
    --------
    >>> flags = np.arange(60) % 2 == 1
    >>> flags[30:] = ~flags[30:]
    >>> laid = with_slips(flags, flags, np.ones(60, bool), np.array([False, True]))
    >>> np.flatnonzero(flags & ~laid).tolist()
    [30]
    """
    n, period = len(flags), len(pattern)
    laid = pattern[(np.arange(n)[:, np.newaxis] + np.arange(period)) % period]
    missed = np.where(quiet, _UNTOLD, 1.0) * (~flags & told)
    wrong = np.where(laid, missed[:, np.newaxis], (flags & told)[:, np.newaxis])
    whole = wrong.sum(axis=0)
    step = int(whole.argmin())
    if whole[step] <= min(_SLIP, _AGAINST * n):
        return np.asarray(laid[:, step], bool)  # no change of step is cheaper
    # cost[k]: of the cheapest way to row i that ends in step k; came[i, k]: its step
    # at the row before.
    cost = wrong[0].copy()
    came = np.empty((n, period), np.intp)
    own = np.arange(period)
    for i in range(1, n):
        best = int(cost.argmin())
        slips = cost[best] + _SLIP < cost
        came[i] = np.where(slips, best, own)
        cost = np.where(slips, cost[best] + _SLIP, cost) + wrong[i]
    step = int(cost.argmin())
    if cost[step] > _AGAINST * n:
        return None
    steps = np.empty(n, np.intp)
    for i in range(n - 1, -1, -1):
        steps[i] = step
        step = int(came[i, step]) if i else step
    out = laid[np.arange(n), steps]
    longest = _longest_run(np.concatenate([pattern, pattern]))
    for at in (np.flatnonzero(np.diff(steps)) + 1).tolist():
        first = last = at
        while first > 0 and out[first - 1]:
            first -= 1
        while last < n and out[last]:
            last += 1
        out[min(first + longest, last) : last] = False
    return np.asarray(out, bool)


def _longest_run(flags: Flags) -> int:
    longest = run = 0
    for flag in flags.tolist():
        run = run + 1 if flag else 0
        longest = max(longest, run)
    return longest
