"""Channels that carry one and the same sound, told by the fingerprints of ``phase``."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from qc.measures.base import Measured, finding_of
from qc.measures.parts.sound.soundlines import Line, first_row, tracks_of
from qc.measures.parts.sound.truepeak import keeps_samples, lfe_index
from qc.records import Finding, Grade

__all__ = ["MOST_CHANNELS", "check_same", "fit", "heard"]

MOST_CHANNELS = 32
"""Channels of a track that are compared."""

Rows = NDArray[np.float64]

_SAME_SHARE = 0.98
_SAME_MIN_ROWS = 200
# Below this share of energy left over, two channels are the same to the last step.
_EXACT = 1e-7


def fit(a: Line, b: Line) -> bool:
    """Return whether two channels can be compared row by row."""
    same_rate = a.track.sample_rate == b.track.sample_rate
    return same_rate and first_row(a.readings) == first_row(b.readings)


def heard(line: Line) -> Rows:
    """Return a channel's fingerprint, 0 where it is not loud enough to tell.

    Returns
    -------
    (rows,) array
    """
    gate = line.measured.limits["phase.gate_dbfs"]
    level = line.readings["phase.level_dbfs"][:, line.index]
    with np.errstate(invalid="ignore"):
        return np.where(level > gate, _fingerprint(line), 0.0)


def _fingerprint(line: Line) -> Rows:
    return np.nan_to_num(
        line.readings["phase.fingerprint"][:, line.index].astype(np.float64)
    )


def check_same(measured: Measured) -> Iterator[Finding]:
    """Yield groups of channels that carry one and the same sound."""
    groups: list[list[Line]] = []
    exact: dict[int, bool] = {}
    for line in _lines(measured):
        own = heard(line)
        for k, group in enumerate(groups):
            alike = _alike(group[0], line, own, measured)
            if alike is not None:
                exact[k] = exact.get(k, True) and alike
                group.append(line)
                break
        else:
            groups.append([line])
    for k, group in enumerate(groups):
        if len(group) > 1:
            yield _same(measured, group, exact[k])


def _lines(measured: Measured) -> list[Line]:
    """Return every channel but LFE, in the take's order."""
    return [
        Line(measured, readings, track, index)
        for _, readings, track in tracks_of(measured)
        for index in range(min(track.channels, MOST_CHANNELS))
        if index != lfe_index(track.layout)
    ]


def _alike(first: Line, line: Line, own: Rows, measured: Measured) -> bool | None:
    """Return whether two channels differ in nothing; None if they are not the same."""
    if first.readings is not line.readings and not fit(first, line):
        return None
    rows = min(first.readings.rows, line.readings.rows)
    either = (heard(first)[:rows] != 0.0) | (own[:rows] != 0.0)
    if np.count_nonzero(either) < _SAME_MIN_ROWS:
        return None
    x, y = (_fingerprint(one)[:rows][either] for one in (first, line))
    if not (np.any(x) and np.any(y)):
        return None
    gain = float(np.dot(x, y) / np.dot(x, x))
    if gain <= 0.0:
        return None
    left = float(np.sum((y - gain * x) ** 2) / np.sum(y * y))
    exact = all(keeps_samples(one.track.codec) for one in (first, line))
    key = "phase.same_correlation" + ("" if exact else "_lossy")
    limit = 1.0 - float(measured.limits[key]) ** 2
    if left > limit:
        return None
    # Loud moments must not speak for all others.
    levels = np.maximum(gain * _level(first, rows), _level(line, rows))[either]
    off = np.abs(y - gain * x) > 4.0 * math.sqrt(limit) * levels
    if np.count_nonzero(off) > (1.0 - _SAME_SHARE) * len(off):
        return None
    return left < _EXACT and abs(20.0 * math.log10(gain)) < 0.01


def _level(line: Line, rows: int) -> Rows:
    level = line.readings["phase.level_dbfs"][:rows, line.index].astype(np.float64)
    return np.nan_to_num(10.0 ** (level / 20.0))


def _same(measured: Measured, group: list[Line], exact: bool) -> Finding:
    names = [str(line).removeprefix("Channel ") for line in group]
    who = f"Channels {', '.join(names[:-1])} and {names[-1]}"
    but = "the same sound" if exact else "the same sound, but for its level,"
    readings = group[0].readings
    return finding_of(
        measured,
        readings,
        rule="sound.same",
        grade=Grade.NOTE,
        first=0,
        last=readings.rows,
        worst_row=0,
        message=f"{who} carry {but} in the whole take: mono, recorded twice.",
        advice=(
            f"{who}: check the plug of the second microphone, and which input its "
            "channel is set to; if there is only one, nothing needs to be done."
        ),
    )
