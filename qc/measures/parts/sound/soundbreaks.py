"""Breaks in one channel of sound: clicks, jumps, stuck and missing samples.

All of it works on one line of samples with what lies around it, and gives places in
it. Times are in cells of a millisecond.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from qc.spans import Span

__all__ = [
    "AROUND",
    "Break",
    "Kind",
    "Roughness",
    "cell_samples",
    "flat_top",
    "holes",
    "keyed",
    "quantum",
    "roughness",
    "spikes",
    "stuck",
]

Kind: TypeAlias = Literal["zeros", "held", "hole", "repeat", "click", "jump"]
Samples: TypeAlias = NDArray[np.float32]

AROUND = 20
"""Milliseconds that are looked at before and after a break."""

# A spike of the roughness counts from so many times its mean level around it, before
# and after. Gaussian noise reaches 6 times in a minute, glottal pulses of speech 9.
_SPIKE = 10.0
# Lossy coding makes clicks as wide as those of lips; only higher ones are told there.
_SPIKE_LOSSY = 20.0
_SPIKE_QUANTA = 4.0
# Outside of a millisecond around a click there is no more than this share of it:
# what an instrument, a hand or a plosive makes rings and decays for longer.
_RINGING = 0.28
# Where nothing but a step or a single sample is so narrow, a third will do: it is what
# can be heard beside sound so close (tried on voices, instruments and motors).
_RINGING_NARROW = 0.34
_NARROW = 3
# Wider than a sixth of a millisecond they are told from this height on, 1.0 being full
# scale.
_LOUD_CLICK = 0.1
_LEVEL_CELLS = slice(2, 10)
_BESIDE = np.arange(-5, 6)
# The middle third difference of an impulse of 1 is 3, of a step 2.
_IMPULSE_GAIN = 3.0
# What stands still is cut off if sound of this share goes up to its edges.
_ABRUPT = 0.1
# In coarse steps quiet sound stands still by itself.
_STUCK_QUANTA = 16.0
# Samples this close together, over nearly all around on their side, are a flat top.
_FLAT_SPREAD, _TOP_SHARE = 0.03, 0.97
# A tone is looked at over so many cells; beside it is so much less, in amplitude.
_KEYED_CELLS, _KEYED_TIMES = 12, 4.0
_KEYED_STEADY, _KEYED_ALIKE = 1.15, 0.97
# Half a period of 20 Hz, the lowest that is heard.
_LONGEST_TOP = 25
# Levels beside a hole are of six cells.
_SIDE = 6


@dataclass(frozen=True, slots=True)
class Break:
    """Something between samples `first` and `last` (half-open) of a line.

    Attributes
    ----------
    height : float
        For a click or jump its height, 1.0 being full scale; else the level (RMS) of
        the sound around it.
    step : float
        For a click or jump the furthest way from one of its samples to the next, as a
        share of the whole scale from -1 to 1; else 0.
    """

    kind: Kind
    first: int
    last: int
    height: float
    step: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Roughness:
    """The third difference of a line: what a band-limited sound has little of.

    Attributes
    ----------
    size : (n,) array
        Its magnitude; ``size[j]`` is about the samples `j` to `j` + 3.
    mean, highest : (cells,) arrays
        Over each cell from the line's begin on.
    cell : int
        Samples a cell.
    """

    size: Samples
    mean: Samples
    highest: Samples
    cell: int


def cell_samples(sample_rate: int) -> int:
    """Return how many samples make a millisecond, at least 4."""
    return max(round(sample_rate / 1000), 4)


def roughness(line: Samples, cell: int) -> Roughness:
    """Measure how rough a line is from sample to sample."""
    import cv2  # heavy; the command must answer at once

    if len(line) < 3 + cell:
        none = np.zeros(0, np.float32)
        return Roughness(none, none, none, cell)
    # The third difference is that of the outer two samples less thrice the inner two's.
    size = line[2:-1] - line[1:-2]
    size *= np.float32(-3.0)
    size += line[3:]
    size -= line[:-3]
    np.abs(size, out=size)
    whole = size[: len(size) // cell * cell].reshape(-1, cell)
    # All cells at once: the maximum along short rows is slow.
    highest = cv2.reduce(cv2.transpose(whole), 0, cv2.REDUCE_MAX)[0]
    share = np.full(cell, 1.0 / cell, np.float32)
    mean = np.einsum("ij,j->i", whole, share)
    return Roughness(size, mean, np.asarray(highest, np.float32), cell)


def quantum(line: Samples) -> float:
    """Return the smallest step between neighbouring samples: the steps it is coded in.

    Examples
    --------
    >>> quantum(np.array([0.0, 0.5, 0.5, 0.25], np.float32))
    0.25
    """
    steps = np.abs(line[1:] - line[:-1])
    steps = steps[steps > 0]
    return float(steps.min()) if steps.size else 0.0


def _around(mean: Samples) -> tuple[Samples, Samples]:
    """Return the mean of each cell's neighbours before it and after it, near ones out.

    NaN where there are none.
    """
    near, far = _LEVEL_CELLS.start, _LEVEL_CELLS.stop
    width, n = far - near, len(mean)
    summed = np.concatenate([[0.0], np.cumsum(mean, dtype=np.float64)])
    windows = (summed[width:] - summed[:-width]) / width  # windows[i]: cells i to i + 8
    before = np.full(n, np.nan, np.float32)
    after = before.copy()
    count = max(n - far + 1, 0)
    before[far - 1 : far - 1 + count] = windows[:count]
    after[: max(n - far + 1, 0)] = windows[near : near + count]
    return before, after


def spikes(
    line: Samples, rough: Roughness, *, lowest: float, lossy: bool = False
) -> Iterator[Break]:
    """Yield clicks and jumps: roughness of less than a millisecond, alone.

    Parameters
    ----------
    lowest : float
        Height from which on they are told, 1.0 being full scale.
    lossy : bool
        Coding has made them a little wider.
    """
    if len(rough.mean) <= _LEVEL_CELLS.stop:
        return
    # A spike of order three is spread over four samples.
    high = rough.highest > np.float32(lowest * 2.0)
    if not high.any():
        return
    before, after = _around(rough.mean)
    level = np.maximum(before, after)  # NaN, and no spike, where one is not known
    with np.errstate(invalid="ignore"):
        high &= rough.highest > (_SPIKE_LOSSY if lossy else _SPIKE) * level
    at = np.flatnonzero(high)
    # Told where it is highest; see `_spike`, which looks at samples.
    beside = np.clip(at[:, np.newaxis] + _BESIDE, 0, len(high) - 1)
    at = at[rough.highest[at] >= rough.highest[beside].max(axis=1)]
    steps: float | None = None
    for cell in at:
        found = _spike(line, rough, int(cell), lossy=lossy)
        if found is None or found.height <= lowest:
            continue
        if steps is None:
            steps = quantum(line)
        if found.height > _SPIKE_QUANTA * steps:
            yield found


def _spike(line: Samples, rough: Roughness, cell: int, *, lossy: bool) -> Break | None:
    size, width = rough.size, rough.cell
    peak_at = cell * width + int(size[cell * width : (cell + 1) * width].argmax())
    peak = float(size[peak_at])
    half = max(width // 2, 6)
    lo, hi = max(peak_at - 6 * width, 0), min(peak_at + 6 * width, len(size))
    part = size[lo:hi]
    at = peak_at - lo
    if part.max() > peak:
        return None  # told where it is highest
    inner = slice(max(at - half, 0), at + half + 1)
    rest = np.concatenate([part[: inner.start], part[inner.stop :]])
    loud = np.flatnonzero(part[inner] > _RINGING * peak)
    first, last = int(loud[0]), int(loud[-1])
    edge = last - first <= _NARROW and not lossy
    most = (_RINGING_NARROW if edge else _RINGING) * peak
    if rest.size == 0 or float(rest.max()) > most:
        return None
    begin, end = lo + inner.start + first, lo + inner.start + last + 4
    a, b = max(begin - 1, 0), min(end, len(line) - 1)
    moved = abs(float(line[b]) - float(line[a]))
    inside = np.abs(line[begin : end + 1] - 0.5 * (line[a] + line[b]))
    kind: Kind = "jump" if moved > 0.7 * float(inside.max()) else "click"
    height = peak / (2.0 if kind == "jump" else _IMPULSE_GAIN)
    # A few samples only: lips and tongue click too, for a third of a millisecond.
    # The third difference of a pulse of three samples is six long.
    part_ms = 2 if height > _LOUD_CLICK else 3 if lossy else 6
    if last - first > max(width // part_ms, 5):
        return None
    steps = np.abs(np.diff(line[a : b + 1].astype(np.float64)))
    return Break(kind, begin, end, height, float(steps.max()) / 2.0)


def keyed(line: Samples, first: int, last: int, cell: int) -> bool:
    """Tell whether a steady tone is switched on or off at a click or jump.

    Alarms and the beeps of monitors are keyed hard. A tone is steady and comes again
    period by period; on the other side it is gone.

    Examples
    --------
    >>> x = np.sin(np.arange(4800, dtype=np.float32) / 8)
    >>> x[2400:] = 0.001
    >>> keyed(x, 2398, 2402, 48), keyed(x, 1200, 1204, 48)
    (True, False)
    """
    length = _KEYED_CELLS * cell
    sides = line[max(first - length, 0) : first], line[last : last + length]
    if min(len(e) for e in sides) < length:
        return False
    loud, quiet = sorted(sides, key=_rms, reverse=True)
    if _rms(quiet) * _KEYED_TIMES > _rms(loud):
        return False
    tone = loud - loud.mean()
    halves = _rms(tone[: length // 2]), _rms(tone[length // 2 :])
    if max(halves) > _KEYED_STEADY * min(halves):
        return False
    lags = np.arange(cell // 5, length // 3)
    kept = length - int(lags[-1])
    shifted = np.lib.stride_tricks.sliding_window_view(tone, kept)[lags]
    energy = np.einsum("ij,ij->i", shifted, shifted) * float(tone[:kept] @ tone[:kept])
    alike = (shifted @ tone[:kept]) / np.sqrt(np.maximum(energy, 1e-20))
    again = int(alike.argmax())
    # What dies away is like itself all along; a tone turns about in between.
    return bool(alike[again] > _KEYED_ALIKE and alike[: again + 1].min() < 0.0)


def _rms(part: Samples) -> float:
    return float(np.sqrt(np.mean(np.square(part)))) if part.size else 0.0


def flat_top(line: Samples, first: int, last: int, cell: int) -> bool:
    """Tell whether samples lie level at the top of what is around, on their side.

    What is clipped stands still as well, at the highest that gets through. The two
    sides of zero need not be clipped at the same height, and a top may lean a little.

    Examples
    --------
    >>> x = np.sin(np.arange(400, dtype=np.float32) / 20)
    >>> flat_top(np.minimum(x, np.float32(0.5)), 20, 40, 10)
    True
    >>> x[20:40] = 0.3
    >>> flat_top(x, 20, 40, 10)
    False
    """
    part = line[first:last]
    if not part.size:
        return False
    side = 1.0 if float(part.mean()) > 0 else -1.0
    around = side * line[max(first - AROUND * cell, 0) : last + AROUND * cell]
    low, highest = float((side * part).min()), float(around.max())
    spread = float(part.max() - part.min())
    return low > _TOP_SHARE * highest > 0 and spread <= _FLAT_SPREAD * highest


def stuck(
    line: Samples, cell: int, *, shortest: int, edge_level: float, smear: int = 0
) -> Iterator[tuple[Break, bool, bool]]:
    """Yield stretches of samples that do not move, with whether sound meets each end.

    Parameters
    ----------
    shortest : int
        Samples from which on a stretch counts.
    edge_level : float
        RMS from which on there is sound at an edge; 1.0 is full scale.
    smear : int
        Cells at each edge over which coding spreads it.

    Yields
    ------
    Break, bool, bool
        The kind is ``"zeros"`` or ``"held"``. At the line's own begin and end it is
        not known whether sound meets the stretch: False.
    """
    steps: float | None = None
    for first, last in _still(line, max(shortest // 2, 1)):
        if last - first < shortest:
            continue
        if steps is None:
            steps = quantum(line)
        value = abs(float(line[first]))
        ends = (
            line[max(first - AROUND * cell, 0) : first],
            line[last:][: AROUND * cell],
        )
        highest = max((float(np.abs(e).max()) for e in ends if e.size), default=0.0)
        # A flat top, not a hold: no sound stays at its top for longer.
        top = value > 0.8 * highest and value > 0
        if last - first <= _LONGEST_TOP * cell and (
            top or flat_top(line, first, last, cell)
        ):
            continue
        level = max(edge_level, _STUCK_QUANTA * steps)
        met = (
            _meets(ends[0][::-1][smear * cell :], cell, level),
            _meets(ends[1][smear * cell :], cell, level),
        )
        around = max(_rms(e[: (5 + smear) * cell]) for e in (ends[0][::-1], ends[1]))
        kind: Kind = "held" if value > 0 else "zeros"
        yield Break(kind, first, last, around), *met


def _still(line: Samples, step: int) -> Iterator[Span]:
    """Yield runs of equal samples that are at least twice `step` long, and a few more.

    Such a run holds a whole stretch between two multiples of `step`; nothing else is
    looked at sample by sample.
    """
    looked = line[::step]
    at = np.flatnonzero(looked[1:] == looked[:-1])
    at = at[line[at * step + step // 2] == looked[at]]
    if not at.size:
        return
    inside = line[at[:, np.newaxis] * step + np.arange(1, step)]
    at = at[(inside == looked[at][:, np.newaxis]).all(axis=1)]
    breaks = np.flatnonzero(np.diff(at) > 1) + 1
    for part in np.split(at, breaks) if at.size else []:
        first, last = int(part[0]) * step, (int(part[-1]) + 1) * step + 1
        value = line[first]
        while first > 0 and line[first - 1] == value:
            first -= 1
        while last < len(line) and line[last] == value:
            last += 1
        yield first, last


def _meets(outward: Samples, cell: int, level: float) -> bool:
    """Return whether sound goes on up to an edge; `outward` leads away from it."""
    if outward.size < 5 * cell:
        return False
    near, wide = _rms(outward[: 2 * cell]), _rms(outward)
    return near > level * 0.5 and wide > level and near > _ABRUPT * wide


def holes(
    rough: Roughness,
    *,
    depth: float,
    longest: int,
    lowest: float,
    shortest: int = 1,
    edge: int = 2,
) -> Iterator[tuple[int, int, float]]:
    """Yield stretches of cells in which the sound falls away and is back at once.

    Parameters
    ----------
    depth : float
        Share of the roughness on both sides that is left at most.
    shortest, longest : int
        Cells.
    lowest : float
        Roughness that there must be on both sides.
    edge : int
        Cells that the fall, and the rise, may take.

    Yields
    ------
    first, last, share
        Cells, half-open, and what is left.
    """
    mean = rough.mean
    if len(mean) < 3 * edge:
        return
    deep = np.zeros(len(mean), bool)
    # Far lower than just before: the begin of a hole.
    fallen = mean[edge:] < depth * mean[:-edge]
    fallen &= mean[:-edge] > lowest
    deep[edge:] = fallen
    if not deep.any():
        return
    done = 0
    for at in np.flatnonzero(deep).tolist():
        if at < done:
            continue
        level = float(mean[at - edge])
        low = mean[at:] < depth * level
        length = int(low.argmin()) if not low.all() else len(low)
        end = at + length
        done = end
        if (
            not shortest <= length <= longest
            or end + edge + _SIDE > len(mean)
            or at < edge + _SIDE
        ):
            continue
        left = float(mean[at:end].max())
        sides = mean[at - edge - _SIDE + 1 : at - edge + 1], mean[end + edge - 1 :]
        before, after = (float(np.median(s)) for s in (sides[0], sides[1][:_SIDE]))
        # What fades away and swells again is no hole.
        sharp = sides[0][-1] > 0.5 * before and sides[1][0] > 0.5 * after
        if sharp and min(before, after) > max(left / depth, lowest):
            yield at, end, left / min(before, after)
