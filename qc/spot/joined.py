"""Pieces of a take put on one line: readings with gaps, findings told once."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from qc.measures import all_measures
from qc.records import Finding, Readings, TakeInfo
from qc.spot.piece import Piece
from qc.store import ColumnStore

__all__ = ["findings_of", "joined_picture", "joined_sound", "summary_of"]

# Findings of one rule this close together are one.
_TOUCH_S = Fraction(1, 10)


def joined_picture(
    info: TakeInfo, pieces: Sequence[Piece], duration: Fraction
) -> Readings | None:
    """Return the pictures' readings of all pieces; one empty row a stretch unseen."""
    if info.video is None:
        return None
    base = info.video.time_base
    parts = [p.picture for p in pieces if p.picture is not None]
    return _joined("picture", base, parts, int(duration / base))


def joined_sound(
    info: TakeInfo, pieces: Sequence[Piece], duration: Fraction
) -> tuple[Readings, ...]:
    """Return the same of every sound track."""
    tick = Fraction(1, 100)
    return tuple(
        _joined(
            "sound", tick, [p.sound[k] for p in pieces], int(duration / tick), like=True
        )
        for k in range(len(info.audio))
    )


def _joined(
    clock: str, base: Fraction, parts: list[Readings], end: int, *, like: bool = False
) -> Readings:
    parts = sorted((r for r in parts if r.rows), key=lambda r: int(r.edges[0]))
    shapes: dict[str, int] = {}
    for readings in parts:
        for name in readings.columns:
            part = readings.columns.part(name, 0, 1)
            shapes.setdefault(name, part.shape[1] if part.ndim == 2 else 0)
    store = ColumnStore(shapes)
    edges: list[NDArray[np.int64]] = []
    at = 0
    for readings in parts:
        first = int(np.searchsorted(readings.edges[:-1], at)) if edges else 0
        if first >= readings.rows:
            continue
        begin = int(readings.edges[first])
        if begin > at:
            store.extend({}, 1)
            edges.append(np.array([at], np.int64))
        store.extend(
            {
                n: readings.columns.part(n, first, readings.rows)
                for n in shapes_in(readings, shapes)
            },
            readings.rows - first,
        )
        edges.append(readings.edges[first:-1])
        at = int(readings.edges[-1])
    if at < end:
        store.extend({}, 1)
        edges.append(np.array([at], np.int64))
        at = end
    line = np.concatenate([*edges, [at]]) if edges else np.zeros(1, np.int64)
    line.flags.writeable = False
    track = parts[0].track if parts and like else None
    kind = "sound" if clock == "sound" else "picture"
    return Readings(kind, base, line, store, track)  # type: ignore[arg-type]


def shapes_in(readings: Readings, shapes: dict[str, int]) -> list[str]:
    """Return the columns that a piece has in the shape that all have them."""
    out = []
    for name in shapes:
        if name in readings.columns:
            part = readings.columns.part(name, 0, 1)
            if (part.shape[1] if part.ndim == 2 else 0) == shapes[name]:
                out.append(name)
    return out


def findings_of(
    pieces: Iterable[Piece], picture: Readings | None
) -> tuple[Finding, ...]:
    """Return what was found, in order; what two pieces saw of one thing, once.

    Where findings overlap, the longest of the gravest tells, over the stretch of all.
    """
    found: dict[tuple[str, int | None], list[Finding]] = {}
    for piece in pieces:
        for finding in piece.findings:
            own = _in_place(finding, piece, picture)
            found.setdefault((finding.rule, finding.channel), []).append(own)
    out: list[Finding] = []
    for group in found.values():
        cluster: list[Finding] = []
        for finding in sorted(group, key=lambda f: f.start):
            if cluster and finding.start > max(f.end for f in cluster) + _TOUCH_S:
                out.append(_one(cluster))
                cluster = []
            cluster.append(finding)
        out.append(_one(cluster))
    out.sort(key=lambda f: (f.start, -f.grade.rank, f.rule, f.channel or 0, f.end))
    return tuple(out)


def _in_place(finding: Finding, piece: Piece, picture: Readings | None) -> Finding:
    """Return a finding whose picture is a row of the joined readings."""
    row = finding.worst_pts_row
    if row is None or piece.picture is None or picture is None:
        return finding
    tick = piece.picture.edges[min(row, piece.picture.rows - 1)]
    at = int(np.searchsorted(picture.edges, tick, side="right")) - 1
    return replace(finding, worst_pts_row=max(at, 0))


def _one(cluster: list[Finding]) -> Finding:
    told = max(cluster, key=lambda f: (f.grade.rank, f.duration))
    return replace(
        told,
        start=min(f.start for f in cluster),
        end=max(f.end for f in cluster),
        start_frame=min(f.start_frame for f in cluster),
        end_frame=max(f.end_frame for f in cluster),
    )


def summary_of(
    picture: Readings | None, sound: Sequence[Readings]
) -> dict[str, dict[str, object]]:
    """Return lowest, median and highest value of what the charts show, as far as seen.

    Keys are the columns' names with the statistic in front of the unit.
    """
    out: dict[str, dict[str, object]] = {}
    for measure in all_measures():
        sources = [picture] if measure.clock == "picture" else list(sound)
        for name in dict.fromkeys(c for chart in measure.charts for c in chart.columns):
            known = [
                np.asarray(r[f"{measure.name}.{name}"], np.float64).ravel()
                for r in sources
                if r is not None and f"{measure.name}.{name}" in r.columns
            ]
            values = np.concatenate(known) if known else np.zeros(0)
            values = values[np.isfinite(values)]
            if not values.size:
                continue
            stem, _, unit = name.rpartition("_")
            told = out.setdefault(measure.name, {})
            for word, value in (
                ("min", values.min()),
                ("median", np.median(values)),
                ("max", values.max()),
            ):
                told[f"{stem}_{word}_{unit}" if stem else f"{unit}_{word}"] = float(
                    value
                )
    return out
