"""What a take is too short to be judged for, so that it is not called good for it."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from qc.measures import all_measures
from qc.records import Grade, TakeResult
from qc.report.words import length

__all__ = ["is_too_short", "too_short_for", "too_short_sentence"]

# A take shorter than this is told for what it could not be judged (house choice): the
# measures named below need two to two and a half seconds of one thing.
_SHORT_S = 3.0
# Measures that need time to judge by, and what an operator calls what they look for.
_TAKE_TIME = {
    "focus": "focus",
    "hunting": "hunting",
    "steadiness": "shake",
    "light": "flicker",
    "hum": "hum",
}


def too_short_for(result: TakeResult) -> tuple[str, ...]:
    """Return what a short take could not be judged for; nothing for a longer one.

    Notes
    -----
    It goes by the readings: a measure whose first chart holds no number has judged
    nothing, whatever the reason.
    """
    if result.duration >= _SHORT_S:
        return ()
    blind = set(_blind(result))
    return tuple(what for name, what in _TAKE_TIME.items() if name in blind)


def _blind(result: TakeResult) -> Iterator[str]:
    for measure in all_measures():
        if measure.name not in _TAKE_TIME or not measure.charts:
            continue
        clocks = (result.picture, *result.sound)
        own = [r for r in clocks if r is not None and r.clock == measure.clock]
        main = f"{measure.name}.{measure.charts[0].columns[0]}"
        read = [r[main] for r in own if r.rows and main in r.columns]
        if own and not any(np.isfinite(values).any() for values in read):
            yield measure.name


def is_too_short(result: TakeResult) -> bool:
    """Tell whether a take without findings must not be called good: it is too short."""
    return result.grade.rank <= Grade.NOTE.rank and bool(too_short_for(result))


def too_short_sentence(result: TakeResult) -> str:
    """Say what a take is too short to be judged for; empty if it is not."""
    what = too_short_for(result)
    if not what:
        return ""
    *most, last = what
    names = f"{', '.join(most)} and {last}" if most else last
    return (
        f"{length(result.duration)} are too short to judge {names}: nothing is said of "
        "that."
    )
