"""What was looked at, and what it promises of the rest."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Literal

import numpy as np

from qc.records import Readings, SpotBound, SpotCoverage, TakeInfo
from qc.spot.edges import edges_of
from qc.spot.piece import Piece
from qc.spot.plan import missable, share_bound, stretch_bound, unseen

__all__ = ["frames_seen", "promise", "seconds_heard"]

# A window that reaches so near the take's end has reached it: sound may be a little
# longer than the pictures, and the last frame ends somewhere.
_END_S = 0.25
_START_S = 0.1


def frames_seen(pieces: Iterable[Piece]) -> int:
    """Return how many different frames the pieces hold."""
    starts = [p.picture.edges[:-1] for p in pieces if p.picture is not None]
    return int(np.unique(np.concatenate(starts)).size) if starts else 0


def seconds_heard(sound: Sequence[Readings]) -> float:
    """Return of how much time sound was looked at: of the track with most of it."""
    # Rows are a hundredth of a second; a stretch unseen is a longer one.
    rows = [int((np.diff(r.edges) == 1).sum()) for r in sound]
    return max(rows, default=0) / 100.0


def promise(
    info: TakeInfo,
    pieces: Sequence[Piece],
    *,
    reading: Literal["windows", "from the start"],
    weights: Sequence[float],
    window: float,
    needs: Mapping[str, float],
    not_judged: Mapping[str, str],
    length: float,
    within: float,
    found: set[str],
    heard_rules: set[str],
    sound: Sequence[Readings],
) -> SpotCoverage:
    """Return what pieces of a take promise.

    Parameters
    ----------
    weights : sequence of float
        Of the strata in which a window was looked at whole; empty where chance had no
        part.
    window : float
        Length of such a window in seconds.
    needs : mapping of rule id to seconds
        Of a fault that must lie in a window to be judged.
    length : float
        Seconds of the take.
    found : set of rule ids
    heard_rules : set of rule ids
        Those that are about sound.
    """
    seen = [_extent(p, (p.start, p.end), length) for p in pieces]
    heard_at = [_extent(p, p.heard, length) for p in pieces if p.heard is not None]
    known = info.duration is not None
    gaps = [b - a for a, b in unseen(seen, length=length)]
    rest = dict(not_judged)
    bounds = []
    for rule, seconds in needs.items():
        if not known:
            break  # what is not known to be there cannot be promised of
        told = _bound(
            heard_at if rule in heard_rules else seen,
            weights,
            window=window,
            needs=seconds,
            length=length,
        )
        if told is None:
            rest[rule] = "needs a longer stretch than was seen anywhere"
            continue
        share, stretch, sure = told
        bounds.append(
            SpotBound(
                rule=rule,
                found=rule in found,
                share_percent=None if rule in found else 100.0 * share,
                stretch_s=stretch,
                sure_s=sure,
            )
        )
    frames: float | None = None
    if known and info.video is not None:
        expected = info.frames_expected or round(length * float(info.grid.rate))
        frames = min(100.0, 100.0 * frames_seen(pieces) / max(expected, 1))
    heard: float | None = None
    if known and info.audio and length:
        heard = 100.0 * seconds_heard(sound) / length
    return SpotCoverage(
        within_s=within,
        reading=reading,
        windows=tuple(seen_stretches(seen, length)),
        by_chance=len(weights),
        window_s=window,
        frames_share_percent=frames,
        sound_share_percent=None if heard is None else min(heard, 100.0),
        longest_unseen_s=max(gaps, default=0.0) if known else math.nan,
        bytes_read=sum(p.bytes for p in pieces),
        bounds=tuple(bounds),
        edges=edges_of(pieces, length=length),
        not_judged=tuple(sorted(rest.items())),
    )


def _snapped(start: float, end: float, length: float) -> tuple[float, float]:
    """Return a stretch, up to the take's ends if only a trifle is left of it."""
    if end - start > _END_S:
        start = 0.0 if start <= _START_S else start
        end = length if end >= length - _END_S else end
    return start, min(end, length)


def _extent(
    piece: Piece, measured: tuple[float, float], length: float
) -> tuple[float, float]:
    """Return what a piece covers: beyond the file's own ends there is nothing to miss.

    Pictures or sound may begin later and end sooner than the other.
    """
    start, end = _snapped(*measured, length)
    if end <= start:
        return start, end
    if piece.start <= _START_S:
        start = 0.0
    return start, length if piece.at_end else end


def _bound(
    seen: Sequence[tuple[float, float]],
    weights: Sequence[float],
    *,
    window: float,
    needs: float,
    length: float,
) -> tuple[float, float, float] | None:
    """Return share, stretch and sure length; None if no stretch could show the fault.

    Two bounds hold: what chance gives with 95 in 100, and, for certain, that a fault
    unseen lies where one could be missed. The lesser is told: it falls to nothing as
    the last of a take is seen.
    """
    if not any(b - a >= needs for a, b in seen):
        return None
    holes = missable(seen, length=length, needs=needs)
    sure = max((b - a for a, b in holes), default=needs)
    certain = _covered(holes) / length if length else 0.0
    chance = None
    if weights and _both_ends(seen, window, length):
        chance = stretch_bound(share_bound(weights), window=window, needs=needs)
    if chance is None or certain <= chance[0]:
        return min(certain, 1.0), needs, sure
    return *chance, sure


def _both_ends(
    seen: Sequence[tuple[float, float]], window: float, length: float
) -> bool:
    """Tell whether a window's length was seen at each end: chance builds on it."""
    reach = window - _START_S
    return any(a <= 0.0 and b >= reach for a, b in seen) and any(
        b >= length and a <= length - reach for a, b in seen
    )


def _covered(stretches: Iterable[tuple[float, float]]) -> float:
    return sum(b - a for a, b in seen_stretches(stretches, float("inf")))


def seen_stretches(
    seen: Iterable[tuple[float, float]], length: float
) -> list[tuple[float, float]]:
    """Return what was looked at as stretches that do not touch, in order."""
    out: list[tuple[float, float]] = []
    for start, end in sorted(seen):
        if out and start <= out[-1][1]:
            out[-1] = out[-1][0], max(out[-1][1], end)
        else:
            out.append((start, min(end, length)))
    return out
