"""Which faults a window of a take can show, and how much of each must lie in it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence

import numpy as np

from qc.limits import Limits
from qc.measures.base import Measure
from qc.records import Readings
from qc.take import TakeInfo

__all__ = ["FOUND_ANYHOW", "FOUND_IN_LONG", "needs_of", "not_judged", "unmeasured"]

Needs = Callable[[Limits, float], float]


def _seconds(value: float) -> Needs:
    return lambda limits, frame: value


def _option(key: str, more: float = 0.0) -> Needs:
    """Return what a limit asks for, and what the measure itself takes."""
    return lambda limits, frame: float(limits[key]) + more


# Seconds of a fault that must lie in a window, from each rule's shortest stretch and
# from how its measure reads time; see the measures. A frame is the take's own.
_NEEDS: Mapping[str, Needs] = {
    "highlights.relevant": _option("highlights.min_seconds", 0.1),
    # Levels over white are looked at every half a second.
    "highlights.channel": _option("channels.min_seconds", 0.6),
    "exposure.dark": _option("exposure.dark_min_seconds", 0.05),
    # A median of half a second, and a shortest stretch.
    "white.cast": _option("white.min_seconds", 0.5),
    "picture.black": _seconds(0.2),
    "picture.frozen": _option("stillness.frozen_review_seconds", 0.2),
    # About twice a second it is looked at.
    "picture.noise": _option("noise.min_seconds", 0.8),
    "picture.shake": _seconds(2.4),
    "light.flicker": _seconds(2.1),
    "light.banding": _seconds(2.1),
    "light.flash": _seconds(1.2),
    "sound.peak": _seconds(0.02),
    "sound.clipped": _seconds(0.02),
    "sound.phase": _option("phase.min_seconds", 0.4),
    "file.damaged": lambda limits, frame: 2 * frame,
    "file.gap": lambda limits, frame: (
        float(limits["continuity.gap_review_seconds"]) + 3 * frame
    ),
}
_WHOLE = "is a matter of the whole take"
_APART = "compares moments that lie further apart than a piece is long"
_LONGER = "needs a longer stretch than a piece"
_MANY = "needs more moments than a piece holds"
_SPEECH = "needs many seconds of speech"
_WHY_NOT: Mapping[str, str] = {
    "exposure.drift": _APART,
    "white.drift": _APART,
    "focus.soft": (
        "compares with the sharpest of the shot; in a piece only focus that comes or "
        "goes, or edges that are wide anyhow, can be found"
    ),
    "focus.hunting": _LONGER,
    "picture.repeated": _MANY,
    "picture.combing": _MANY,
    "picture.blemish": _MANY,
    "sound.dropout": "is too short to be met by chance",
    "sound.quiet": _SPEECH,
    "sound.loud": _SPEECH,
    "sound.noise": _SPEECH,
    "sound.silent": _LONGER,
    "sound.dead_channel": _LONGER,
    "sound.same": _WHOLE,
    "sound.hum": _LONGER,
    "sound.interference": _LONGER,
    "sound.swapped": _APART,
    "sound.rumble": "needs more of the sound around it than a piece holds",
    "file.length": _WHOLE,
    "file.rate": _WHOLE,
}
# What a window finds of these holds, though no bound can be given.
FOUND_ANYHOW = frozenset({"focus.soft", "focus.hunting", "sound.dropout"})
# What a long stretch finds of these holds as well: all but what is of the whole take.
FOUND_IN_LONG = frozenset(r for r, why in _WHY_NOT.items() if why != _WHOLE)


def needs_of(
    measures: Iterable[Measure], limits: Limits, info: TakeInfo
) -> dict[str, float]:
    """Return seconds of a fault that must lie in a window, by rule id.

    Rules that a window cannot show, and those of clocks the take does not have, are
    left out.
    """
    frame = 1.0 / float(info.grid.rate)
    out: dict[str, float] = {}
    for measure in measures:
        if info.video is None if measure.clock == "picture" else not info.audio:
            continue
        for rule in measure.rule_labels:
            if rule in _NEEDS:
                out[rule] = _NEEDS[rule](limits, frame)
    return out


def not_judged(
    measures: Iterable[Measure], info: TakeInfo, judged: Iterable[str]
) -> dict[str, str]:
    """Return why rules are not judged, by rule id; a measure new here is among them."""
    judged = set(judged)
    out: dict[str, str] = {}
    for measure in measures:
        if info.video is None if measure.clock == "picture" else not info.audio:
            continue
        for rule in measure.rule_labels:
            if rule not in judged:
                out[rule] = _WHY_NOT.get(rule, "needs more than a piece shows")
    return out


def unmeasured(measures: Iterable[Measure], readings: Sequence[Readings]) -> set[str]:
    """Return rules whose columns hold nothing, so that nothing is promised of them.

    A rule with memory is told by the first column of its measure's first chart.
    """
    out: set[str] = set()
    for measure in measures:
        columns = {r.id: r.column for r in measure.rules}
        if measure.charts:
            main = f"{measure.name}.{measure.charts[0].columns[0]}"
            columns |= dict.fromkeys(dict(measure.check_rules), main)
        for rule, column in columns.items():
            own = [r[column] for r in readings if r.rows and column in r.columns]
            if not any(np.isfinite(values).any() for values in own):
                out.add(rule)
    return out
