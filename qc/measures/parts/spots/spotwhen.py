"""From when to when a spot is there.

When two looks are laid over each other the scene cancels, and each of them says by
itself whether something lies there: what it shows beyond what the other shows of the
same part of the scene. In time order that is a series; where it steps, a spot has come
or was wiped off.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.spots.spottrail import Kept, decoded

__all__ = ["Series", "When", "series_of", "when_of"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

_RING, _GAP = 6, 2  # px of the map of detail
_FEWEST_KNOWN = 0.5  # of the places inside, and around
_FLOOR = {"level": 0.01, "detail": 0.06}  # no series is known better, in logarithms
_FEWEST_LOOKS = 3
# That it is not there at the first look, comes within so many takes, and goes again.
_NOT_YET, _COMES, _GOES = 0.5, 1.0, 0.1
_SURE, _SURE_NOT = 0.95, 0.97
_TAIL = 0.025  # of the moments at which it may have come, on either side
# Of all looks; after a clean one, and after another; where these lie, in strengths; and
# the share of those with a spot that show little of it.
_STRAYS, _TO_STRAY, _STAYS_STRAY = 0.15, 0.08, 0.6
_STRAY_WIDTH, _WEAK = 5.0, 0.7
_LEAST_SCATTER = 0.15  # of the spot's strength
_MOST_ALIKE, _CLIP = 0.8, 2.5
_ROUNDS = 4


@dataclass(frozen=True, slots=True, eq=False)
class _Place:
    """A mask and the ring around it, and where the box with both begins."""

    top: int
    left: int
    inside: Mask
    around: Mask


@dataclass(frozen=True, slots=True, eq=False)
class Series:
    """What looks showed of one spot.

    Attributes
    ----------
    rows : (n,) array of int
        In order, each once.
    values : (n,) array
        About 1 while the spot is there, about 0 while it is not.
    scatter : float
        Of the values where nothing is: what places around show in the same looks.
    changes : dict of (n,) arrays
        Natural logarithms, by ``"level"`` and ``"detail"``; NaN where unknown.
    """

    rows: NDArray[np.int64]
    values: Floats
    scatter: float
    changes: dict[str, Floats]


@dataclass(frozen=True, slots=True)
class When:
    """Rows between which a spot came and went.

    Attributes
    ----------
    without, by : int
        Last row that was surely without it, first that surely shows it; the first is
        -1 if none was without.
    until, gone : int
        Last row that surely shows it, first that is surely without again; the second
        is -1 if there is none.
    sure : bool
        Whether it could be told from when to when.
    likely : int
        The likeliest of the first rows that show it.
    """

    without: int
    by: int
    until: int
    gone: int
    sure: bool
    likely: int = 0


def series_of(
    kept: Sequence[Kept], mask: Mask, found: tuple[int, int], signs: dict[str, int]
) -> Series | None:
    """Return what each look showed inside a mask, against a ring around it.

    Parameters
    ----------
    mask : (h, w) array of bool
        As large as the map of detail.
    found : (first, last)
        Rows, both included, between which the spot was found: its strength is taken
        from there.
    signs : dict
        Of what was found, by ``"level"`` and ``"detail"``: -1, 1, or 0 to leave it out.

    Returns
    -------
    Series or None
        None if too little is known.
    """
    place = _place_of(mask)
    rows = np.array([(one.first_row, one.row) for one in kept], np.int64).reshape(-1, 2)
    order, which = np.unique(rows, return_inverse=True)
    which = which.reshape(rows.shape)

    def shown(name: str, at: _Place) -> Floats:
        return _by_row(_shown(kept, name, at), which, len(order))

    changes = {name: shown(name, place) for name in _FLOOR}
    within = (order >= found[0]) & (order <= found[1])
    others = list(_elsewhere(place, mask.shape))
    total, weights = np.zeros(len(order)), np.zeros(len(order))
    usual = []
    for name, values in changes.items():
        known = np.isfinite(values)
        if not signs[name] or int((known & within).sum()) < _FEWEST_LOOKS:
            continue
        strength = float(np.mean(values[known & within]))
        if strength * signs[name] <= 0:
            continue
        nothing = np.array([shown(name, other) for other in others])
        nothing = nothing.reshape(-1, len(order)) / strength
        scatter = _spread(nothing) + _scatter(values[known] / strength)
        # The matched filter: what is strong against its scatter counts most.
        weight = 1.0 / max(scatter, _FLOOR[name] / abs(strength)) ** 2
        total[known] += weight * values[known] / strength
        weights[known] += weight
        usual.append((weight, nothing))
    known = weights > 0
    if int(known.sum()) < 2 * _FEWEST_LOOKS:
        return None
    nothing = np.average([v for _, v in usual], axis=0, weights=[w for w, _ in usual])
    return Series(
        order[known],
        total[known] / weights[known],
        max(_spread(nothing), _LEAST_SCATTER),
        {n: v[known] for n, v in changes.items()},
    )


def when_of(series: Series) -> When:
    """Return from when to when a spot is there.

    What is told must be much more likely than the rest.
    """
    rows, z = series.rows, series.values
    n = len(z)
    begins, ends = _chances(z, series.scatter, _second(series))
    came, went = 1.0 - begins[0], 1.0 - ends[n]
    first, until, gone, without = 0, n - 1, -1, -1
    if came >= _SURE:
        low, high = _middle_of(begins[1:])
        without, first = int(rows[low]), high + 1
    if went >= _SURE:
        low, high = _middle_of(ends[:n])
        until, gone = low - 1, int(rows[high])
    sure = all(p >= _SURE or p <= 1.0 - _SURE_NOT for p in (came, went))
    if until < first:
        first, until, without, gone, sure = 0, n - 1, -1, -1, False
    likely = int(rows[int(np.argmax(begins[:n]))])
    return When(without, int(rows[first]), int(rows[until]), gone, sure, likely)


def _second(series: Series) -> Floats | None:
    """Return the change that counts less in the values, if it is known in all looks.

    A hand that darkens a place as it blurs it is no drop that only blurs.
    """
    best: tuple[float, Floats] | None = None
    for values in series.changes.values():
        if np.isfinite(values).all() and float(values.std()) > 0:
            alike = abs(float(np.corrcoef(values, series.values)[0, 1]))
            if best is None or alike < best[0]:
                best = alike, values
    return None if best is None or best[0] > _MOST_ALIKE else best[1]


def _chances(z: Floats, scatter: float, second: Floats | None) -> tuple[Floats, Floats]:
    """Return how likely each look is the first with the spot, or the first without.

    A chain of states: not yet there, there, gone again; in each of them a look may be
    a stray one (a hand passes, or that part of the scene shows little of a spot), and
    strays follow one another. Forwards and backwards (textbook), as often as it takes
    to know how strong the spot is and how it scatters.

    Returns
    -------
    begins, ends : (n + 1,) arrays
        ``begins[0]``: it was there from the first; ``ends[n]``: it stays.
    """
    n = len(z)
    total = np.concatenate([[0.0], np.cumsum(z)])
    i, j = np.mgrid[: n + 1, : n + 1]
    length = np.maximum(j - i, 1)
    at = int(np.argmax(np.where(j > i, (total[j] - total[i]) ** 2 / length, -np.inf)))
    span = at // (n + 1), at % (n + 1)
    for _ in range(_ROUNDS):
        begins, ends = _passed(z, scatter, second, span)
        best = int(np.argmax(begins)), int(np.argmax(ends))
        if best == span or best[1] - best[0] < _FEWEST_LOOKS:
            break
        span = best
    return begins, ends


def _passed(
    z: Floats, scatter: float, second: Floats | None, span: tuple[int, int]
) -> tuple[Floats, Floats]:
    n = len(z)
    without, stray, first, later, weak = _densities(z, scatter, span)
    if second is not None:
        inside = second[slice(*span)]
        usual = float(np.median(inside))
        wide = max(1.4826 * float(np.median(np.abs(inside - usual))), 1e-3)
        lost = 1.0 / (_STRAY_WIDTH * 2.0 * wide)
        without = without * (_density(second, wide) + _STRAYS * lost)
        there = _density(second - usual, wide) + _STRAYS * lost
        first, later = first * there, later * there
        stray, weak = stray * lost, weak * lost
    stays = np.array([[1.0 - _TO_STRAY, _TO_STRAY], [1.0 - _STAYS_STRAY, _STAYS_STRAY]])
    new = np.array([1.0 - _STRAYS, _STRAYS])
    # States: not yet there, there, gone; clean and stray of each.
    seen = np.stack([without, stray, first, weak, without, stray], axis=1)
    step = np.zeros((6, 6))
    come, go = _COMES / n, _GOES / n
    step[0:2, 0:2] = (1.0 - come) * stays
    step[0:2, 2:4] = come * new
    step[2:4, 2:4] = (1.0 - go) * stays
    step[2:4, 4:6] = go * new
    step[4:6, 4:6] = stays
    steps = np.repeat(step[None], n, axis=0)  # to each look, times what it shows
    steps *= seen[:, None, :]
    steps[:, 2, 2] *= later / first  # near to the one before
    steps[n - 1, 2:4, 4:6] = 0.0  # one look is nothing to go by
    forward = np.zeros((n, 6))
    forward[0] = seen[0] * np.array([*(_NOT_YET * new), *((1 - _NOT_YET) * new), 0, 0])
    forward[0] /= forward[0].sum()
    for k in range(1, n):
        forward[k] = forward[k - 1] @ steps[k]
        forward[k] /= forward[k].sum()
    backward = np.ones((n, 6))
    backward[n - 1, :2] = 0.0  # it was found: it came
    for k in range(n - 2, -1, -1):
        backward[k] = steps[k + 1] @ backward[k + 1]
        backward[k] /= backward[k].sum()
    begins, ends = np.zeros(n + 1), np.zeros(n + 1)
    begins[0] = _share(forward[0] * backward[0], slice(2, 4))
    ends[n] = _share(forward[n - 1] * backward[n - 1], slice(2, 4))
    for k in range(1, n):
        both = forward[k - 1][:, None] * steps[k] * backward[k][None, :]
        both /= both.sum()
        begins[k] = both[0:2, 2:4].sum()
        ends[k] = both[2:4, 4:6].sum()
    return begins, ends


def _share(chances: Floats, states: slice) -> float:
    return float(chances[states].sum() / chances.sum())


def _densities(
    z: Floats, scatter: float, span: tuple[int, int]
) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """Return how likely each look is by itself, in each state.

    Returns
    -------
    (n,) arrays
        Without a spot, and as a stray; with it, by itself and after the look before;
        and as a stray with it.
    """
    inside = z[slice(*span)]
    there = max(float(np.median(inside)), scatter)
    off = z - there
    near = off[slice(*span)]
    more = max(1.4826 * float(np.median(np.abs(near))), scatter)
    near = np.where(np.abs(near) < _CLIP * more, near, 0.0)
    along = float((near[1:] * near[:-1]).sum() / max(float((near**2).sum()), 1e-9))
    along = min(max(along, 0.0), _MOST_ALIKE)
    after = off - along * np.concatenate([[0.0], off[:-1]])
    stray = np.full(len(z), 1.0 / (_STRAY_WIDTH * there))
    weak = np.where((z > 0) & (z < there), _WEAK / there, 0.0) + (1 - _WEAK) * stray
    return (
        _density(z, scatter),
        stray,
        _density(off, more),
        _density(after, more * math.sqrt(1.0 - along**2)),
        weak,
    )


def _density(off: Floats, scatter: float) -> Floats:
    scale = 1.0 / (math.sqrt(2.0 * math.pi) * scatter)
    # Never quite nothing, so that no path is out of the question.
    return np.maximum(scale * np.exp(-0.5 * (off / scatter) ** 2), 1e-6)


def _middle_of(chances: Floats) -> tuple[int, int]:
    """Return the first and the last place of the middle of a distribution."""
    total = np.cumsum(chances) / chances.sum()
    low = int(np.searchsorted(total, _TAIL))
    high = int(np.searchsorted(total, 1.0 - _TAIL))
    return low, min(high, len(chances) - 1)


def _spread(values: Floats) -> float:
    """Return how far values lie from nothing; 0 if none is known."""
    known = values[np.isfinite(values)]
    return 1.4826 * float(np.median(np.abs(known))) if known.size else 0.0


def _by_row(values: Floats, which: NDArray[np.intp], count: int) -> Floats:
    """Return the mean of what is known of each row."""
    known = np.isfinite(values)
    n = np.bincount(which[known], minlength=count)
    total = np.bincount(which[known], values[known], minlength=count)
    return np.where(n > 0, total / np.maximum(n, 1), np.nan)


def _place_of(mask: Mask) -> _Place:
    """Return the box around a mask and its ring, and both inside the box."""
    far = _GAP + _RING
    rows, columns = np.nonzero(mask)
    top, left = int(rows.min()) - far, int(columns.min()) - far
    height, width = int(rows.max()) + far + 1 - top, int(columns.max()) + far + 1 - left
    inside = np.zeros((height, width), np.uint8)
    inside[rows - top, columns - left] = 1
    near, wide = (
        cv2.dilate(inside, np.ones((2 * r + 1, 2 * r + 1), np.uint8))
        for r in (_GAP, far)
    )
    return _Place(top, left, inside > 0, (wide > 0) & (near == 0))


def _elsewhere(place: _Place, shape: tuple[int, ...]) -> Iterator[_Place]:
    """Yield the same places beside it, as far as they lie in the picture."""
    height, width = place.inside.shape
    for down, across in ((-1, 0), (1, 0), (0, -1), (0, 1), (1, 1), (-1, -1)):
        top, left = place.top + down * height, place.left + across * width
        far = _GAP + _RING
        if -far <= top <= shape[0] - height + far and (
            -far <= left <= shape[1] - width + far
        ):
            yield _Place(top, left, place.inside, place.around)


def _shown(kept: Sequence[Kept], name: str, place: _Place) -> Floats:
    """Return how a place differs from its ring in each look; NaN where unknown.

    Returns
    -------
    (n, 2) array
        For the earlier and the later look of each comparison.
    """
    shape = kept[0].ways[name][0].shape
    height, width = place.inside.shape
    top, left = max(place.top, 0), max(place.left, 0)
    box = slice(top, place.top + height), slice(left, place.left + width)
    cut = (
        slice(top - place.top, shape[0] - place.top),
        slice(left - place.left, shape[1] - place.left),
    )
    inside, around = place.inside[cut], place.around[cut]
    codes = np.stack([way[box] for one in kept for way in one.ways[name]])
    values = decoded(codes, name)
    there, ring = values[:, inside], values[:, around]
    known = np.isfinite(there)
    n = known.sum(axis=1)
    mean = np.where(known, there, 0).sum(axis=1) / np.maximum(n, 1)
    ring.sort(axis=1)  # unknown ones last
    m = np.isfinite(ring).sum(axis=1)
    middle = ring[np.arange(len(ring)), m // 2] if ring.shape[1] else np.nan * mean
    enough = (n >= _FEWEST_KNOWN * place.inside.sum()) & (
        m >= max(_FEWEST_KNOWN * place.around.sum(), 1)
    )
    return np.where(enough, mean - middle, np.nan).astype(np.float64).reshape(-1, 2)


def _scatter(values: Floats) -> float:
    """Return the deviation from one value to the next, whatever steps there are."""
    steps = np.abs(np.diff(values))
    return 1.4826 / math.sqrt(2) * float(np.median(steps)) if steps.size else 0.0
