"""Where a beat begins and ends, nearer than the windows in which it was found.

A window that a beat fills by half still tells of it, or does not. Once its frequency
and its bands are known, its strength can be followed round by round: a beat begins and
ends where it passes half of what it has inside.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.light.lightwaves import STRIPS, Wave
from qc.measures.parts.light.mains import percent_of_stops
from qc.measures.parts.running import running_mean
from qc.spans import Span, runs

__all__ = ["Told", "settle"]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

_SAME_HZ = 0.3
_LEAST_S = 0.3  # its strength is taken over whole rounds, no shorter than this
_BESIDE_S = 1.0  # it goes on in step with so much of it beside an edge
# A strength followed must be about that found: else something else is followed. More,
# where a beat fills but a part of its window.
_ALIKE = (0.6, 1.9)
_HALF = 0.5
_FULLER = 1.1  # times what a window told
_STRONGEST = 90.0  # percent of the rows are weaker, though it fills but a part of them
_KNOWN = 0.9


@dataclass(frozen=True, slots=True)
class Told:
    """What one window told of its rows.

    Attributes
    ----------
    first, last : int
        Rows it speaks for.
    reach_s : float
        Seconds that an edge may be off by: half the window.
    """

    kind: str
    first: int
    last: int
    wave: Wave
    reach_s: float


@dataclass(frozen=True, slots=True)
class _Stretch:
    """Windows that follow one another and tell the same; see `Told`."""

    kind: str
    first: int
    last: int
    wave: Wave
    reach_s: float


def _stretches(told: Iterable[Told]) -> list[_Stretch]:
    """Join what windows told of one beat; the strongest speaks for all."""
    out: list[_Stretch] = []
    for new in sorted(told, key=lambda t: (t.kind, t.first)):
        # Windows of several lengths may tell of several beats in turn.
        for k, old in enumerate(out):
            if (
                old.kind == new.kind
                and new.first <= old.last
                and abs(old.wave.hertz - new.wave.hertz) <= _SAME_HZ
            ):
                out[k] = _Stretch(
                    old.kind,
                    min(old.first, new.first),
                    max(old.last, new.last),
                    max(old.wave, new.wave, key=lambda w: w.stops),
                    max(old.reach_s, new.reach_s),
                )
                break
        else:
            out.append(_Stretch(new.kind, new.first, new.last, new.wave, new.reach_s))
    return out


def settle(
    out: dict[str, NDArray[np.float32]],
    told: list[Told],
    changes: NDArray[np.float32],
    times: Array,
    spans: list[Span],
) -> None:
    """Let beats begin and end where they do, not where windows meet.

    Parameters
    ----------
    out : dict of str to (rows,) array
        Columns as the windows wrote them; changed.
    told : list of Told
    changes : (rows, STRIPS) array
        Stops since the frame before, of the take.
    times : (rows,) array
        Seconds.
    spans : list of (first, last)
        Rows in which light can be followed.
    """
    found = _stretches(told)
    for beat in found:
        others = [f for f in found if f.kind == beat.kind and f is not beat]
        first, last, stops = _edges_of(beat, changes, times, spans)
        for rows, row in (
            (slice(beat.first, first), None),
            (slice(last, beat.last), None),
            (slice(first, beat.first), beat.first),
            (slice(beat.last, last), beat.last - 1),
        ):
            if any(f.first < rows.stop and rows.start < f.last for f in others):
                continue  # another beat of the same kind is told there
            _carry(out, beat.kind, rows, row)
        if stops > _FULLER * beat.wave.stops:
            # Of windows that it fills but a part of, it was read too low.
            percent = out[f"{beat.kind}_percent"][first:last]
            percent[percent > 0] = np.fmax(
                percent[percent > 0], percent_of_stops(stops)
            )


def _carry(
    out: dict[str, NDArray[np.float32]], kind: str, rows: slice, row: int | None
) -> None:
    """Write into rows what another one holds; or, with None, that nothing beats."""
    names = [f"{kind}_hz"] + (["bands_count"] if kind == "banding" else [])
    percent = out[f"{kind}_percent"]
    percent[rows] = 0.0 if row is None else np.fmax(percent[rows], percent[row])
    for name in names:
        out[name][rows] = np.nan if row is None else out[name][row]


def _edges_of(
    stretch: _Stretch,
    changes: NDArray[np.floating],
    times: Array,
    shots: Sequence[Span],
) -> tuple[int, int, float]:
    """Return the rows in which a beat is there, and how strong it is there, in stops.

    Parameters
    ----------
    changes : (rows, STRIPS) array
        Stops since the frame before, of the take.
    times : (rows,) array
        Seconds.
    shots : sequence of (first, last)
        Rows in which light can be followed; no edge leaves its shot.

    Notes
    -----
    The strips' mean along the bands, times a turning phasor, over whole rounds: what a
    receiver does to follow a known frequency (textbook synchronous detection).
    """
    first, last, stops = stretch.first, stretch.last, 0.0
    for shot in shots:
        inside = max(first, shot[0]), min(last, shot[1])
        if inside[1] - inside[0] < 3:
            continue
        moved = _moved(stretch, changes, times, shot, inside)
        if moved is None:
            continue
        if inside[0] == first:
            first = moved[0]
        if inside[1] == last:
            last = moved[1]
        stops = max(stops, moved[2])
    return first, max(last, first + 1), stops


def _moved(
    stretch: _Stretch,
    changes: NDArray[np.floating],
    times: Array,
    shot: Span,
    inside: Span,
) -> tuple[int, int, float] | None:
    """Return where the beat begins and ends in a shot, and its strength in stops.

    None where it cannot be followed.
    """
    frame = float(times[shot[1] - 1] - times[shot[0]]) / (shot[1] - shot[0] - 1)
    reach = max(round(stretch.reach_s / frame), 1)
    begin = max(inside[0] - 2 * reach, shot[0])
    end = min(inside[1] + 2 * reach, shot[1])
    hertz = stretch.wave.hertz
    box = max(round(np.ceil(_LEAST_S * hertz) / hertz / frame), 1)
    strength = _strength(changes[begin:end], times[begin:end], stretch.wave, box)
    if strength is None:
        return None
    a, b = inside[0] - begin, inside[1] - begin
    full = float(np.median(np.abs(strength[a:b])))
    if full < _HALF * stretch.wave.stops and inside[1] - inside[0] < 2 * reach:
        return inside[1], inside[0], 0.0  # windows reached over into this shot
    if box >= inside[1] - inside[0]:
        return None
    low, high = _ALIKE
    if full < low * stretch.wave.stops:
        # It may fill less than half of what the windows spoke for.
        a, b = _filled(np.abs(strength), a, b)
        full = float(np.median(np.abs(strength[a:b])))
    if not low * stretch.wave.stops <= full <= high * stretch.wave.stops:
        return None
    beside = max(round(_BESIDE_S / frame), box)
    # Looking begins inside, no farther than in the middle.
    back = min(reach, (b - a) // 2)
    n = len(strength)
    start = n - _edge(strength[::-1], n - a - back, n - a + reach, beside, full)
    stop = _edge(strength, b - back, b + reach, beside, full)
    if stop - start < box:
        return None
    # Half a box from a shot's ends nothing changes any more.
    near = box // 2 + 1
    first = shot[0] if begin + start - shot[0] <= near else begin + start
    last = shot[1] if shot[1] - begin - stop <= near else begin + stop
    return first, last, full


def _filled(strength: Array, first: int, last: int) -> Span:
    """Return the longest part of some rows in which a beat is about as strong as ever.

    Examples
    --------
    >>> _filled(np.array([0.0, 0.1, 1.0, 0.9, 1.1, 0.2, 0.0, 0.1]), 1, 8)
    (2, 5)
    """
    strongest = float(np.percentile(strength[first:last], _STRONGEST))
    parts = runs(strength[first:last] >= _HALF * strongest)
    begin, end = max(parts, key=lambda part: part[1] - part[0])
    return first + int(begin), first + int(end)


def _strength(
    changes: NDArray[np.floating], times: Array, wave: Wave, box: int
) -> Complex | None:
    """Return amplitude and phase of a beat around each row, in stops."""
    known = np.isfinite(changes[1:]).mean(axis=0) >= _KNOWN
    if known.sum() < STRIPS // 3 or len(changes) <= box:
        return None
    steps = np.nan_to_num(np.asarray(changes[:, known], np.float64))
    steps[0] = 0.0
    place = (np.flatnonzero(known) + 0.5) / STRIPS
    # As the search does it: positive bands are ahead further down.
    down = np.exp(-2j * np.pi * wave.bands * place) / len(place)
    level = np.einsum("ns,s->n", np.cumsum(steps, axis=0), down)
    turned = level * np.exp(-2j * np.pi * wave.hertz * (times - times[0]))
    # Beyond the ends of the known nothing is made up: the last whole box holds on.
    mean = running_mean(turned, box)
    half = box // 2
    mean[:half] = mean[half]
    mean[len(mean) - half :] = mean[len(mean) - half - 1]
    return np.asarray(2.0 * mean, np.complex128)


def _edge(strength: Complex, begin: int, end: int, beside: int, full: float) -> int:
    """Return where a beat that is there at `begin` ends, `end` at the latest."""
    near = strength[max(begin - beside // 2, 0) : begin + beside // 2 + 1]
    way = complex(near.sum())
    if abs(way) <= 0:
        return begin
    along = (strength[begin:end] * np.conj(way / abs(way))).real
    gone = np.flatnonzero(along < _HALF * full)
    return begin + (int(gone[0]) if gone.size else len(along))
