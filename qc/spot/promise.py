"""What was looked at, and what it promises of the rest."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Literal

import numpy as np

from qc.records import Readings, SpotBound, SpotCoverage, TakeInfo
from qc.spot.edges import edges_of
from qc.spot.piece import Piece
from qc.spot.plan import share_bound, stretch_bound, unseen

__all__ = ["frames_seen", "promise", "seconds_heard"]


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
    """
    seen = [(p.start, p.end) for p in pieces]
    known = info.duration is not None
    gaps = [b - a for a, b in unseen(seen, length=length)]
    rest = dict(not_judged)
    bounds = []
    share = share_bound(weights) if weights else None
    for rule, seconds in needs.items():
        if not known:
            break  # what is not known to be there cannot be promised of
        missing = [b - a for a, b in unseen(seen, length=length, at_least=seconds)]
        if share is None:
            part: tuple[float, float] | None = min(sum(missing) / length, 1.0), seconds
        else:
            part = stretch_bound(share, window=window, needs=seconds)
        if part is None:
            rest[rule] = "needs a longer stretch than a window"
            continue
        # One may reach into what was seen by less than is needed, on both sides.
        sure = max(missing) + 2.0 * seconds if missing else seconds
        bounds.append(
            SpotBound(
                rule=rule,
                found=rule in found,
                share_percent=None if rule in found else 100.0 * part[0],
                stretch_s=part[1],
                sure_s=min(sure, length),
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
