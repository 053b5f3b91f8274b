"""Stretches of a take: where a column stays past a limit, with memory for edges.

Pure functions on arrays; rows are half-open ``[first, last)`` everywhere.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

__all__ = ["Span", "bridged", "complement", "past_limit", "runs", "union"]

Span: TypeAlias = tuple[int, int]


def runs(mask: NDArray[np.bool_]) -> list[Span]:
    """Return the half-open runs of True in a one-dimensional mask.

    Examples
    --------
    >>> runs(np.array([False, True, True, False, True]))
    [(1, 3), (4, 5)]
    """
    if mask.ndim != 1:
        raise ValueError(f"mask must have one dimension, got shape {mask.shape}")
    inside = np.zeros(mask.size + 2, np.bool_)
    inside[1:-1] = mask
    edges = np.flatnonzero(inside[1:] != inside[:-1])
    return [(a, b) for a, b in edges.reshape(-1, 2).tolist()]


def past_limit(
    values: NDArray[np.floating], *, limit: float, release: float, above: bool = True
) -> list[Span]:
    """Return where `values` is past `limit`, held until it is back within `release`.

    Parameters
    ----------
    values : (n,) array
        NaN counts as unknown: it neither opens nor holds a stretch.
    limit, release : float
        A stretch opens beyond `limit` and ends where the value is not beyond
        `release`; with ``above=True``, `release` is the lower of the two.
    above : bool
        True when too much is the fault, False when too little is.

    Returns
    -------
    list of (first, last)

    Examples
    --------
    >>> past_limit(np.array([0., 5., 3., 1., 5.]), limit=4, release=2)
    [(1, 3), (4, 5)]
    """
    with np.errstate(invalid="ignore"):
        opens = values > limit if above else values < limit
        holds = values > release if above else values < release
    if not opens.any():
        return []
    holds = holds | opens
    return [
        (first, last) for first, last in runs(holds) if bool(opens[first:last].any())
    ]


def bridged(
    spans: Iterable[Span], *, times: NDArray[np.float64], gap: float
) -> list[Span]:
    """Join stretches that lie less than `gap` seconds apart.

    Parameters
    ----------
    spans : iterable of (first, last), in order
    times : (n + 1,) array
        Seconds at which rows begin, and the end of the last.
    gap : float
        Seconds; gaps of this length or more stay.
    """
    out: list[Span] = []
    for first, last in spans:
        if out and times[first] - times[out[-1][1]] < gap:
            out[-1] = (out[-1][0], last)
        else:
            out.append((first, last))
    return out


def union(spans: Iterable[Span]) -> list[Span]:
    """Return the same ground as disjoint stretches in order.

    Examples
    --------
    >>> union([(5, 9), (0, 2), (1, 3), (3, 4)])
    [(0, 4), (5, 9)]
    """
    out: list[Span] = []
    for first, last in sorted(s for s in spans if s[1] > s[0]):
        if out and first <= out[-1][1]:
            out[-1] = (out[-1][0], max(out[-1][1], last))
        else:
            out.append((first, last))
    return out


def complement(spans: Iterable[Span], *, first: int, last: int) -> list[Span]:
    """Return what of ``[first, last)`` no stretch covers.

    Examples
    --------
    >>> complement([(2, 4)], first=0, last=5)
    [(0, 2), (4, 5)]
    """
    out: list[Span] = []
    at = first
    for start, stop in union(spans):
        if start > at:
            out.append((at, min(start, last)))
        at = max(at, stop)
    if at < last:
        out.append((at, last))
    return [span for span in out if span[1] > span[0]]
