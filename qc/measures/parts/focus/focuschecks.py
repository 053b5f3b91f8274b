"""What is told of focus besides soft stretches: never sharp, elsewhere, hidden."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import NDArray

from qc.measures.base import Measured, finding_of
from qc.measures.parts.focus.focuswords import advice_of, throughout_message
from qc.measures.parts.focus.pulls import PULL_ADVICE, pull_message
from qc.measures.parts.focus.softcheck import hidings, pulls
from qc.records import Finding, Grade, Readings
from qc.spans import Span, runs

__all__ = ["hidden", "never_sharp", "pulled"]

_HIDDEN_ADVICE = (
    "Ask for the view to be kept free, or move the boom so that hands and heads do not "
    "come between the lens and the field. If that was meant, all is well."
)


def never_sharp(measured: Measured) -> Iterable[Finding]:
    """Yield the shots in which nothing is ever sharp: they fall from no best."""
    readings = measured.picture
    if readings is None or "focus.shot_rise_px" not in readings.columns:
        return
    rise = readings["focus.shot_rise_px"]
    review = measured.limits["focus.rise_review_px"]
    reject = measured.limits["focus.rise_reject_px"]
    with np.errstate(invalid="ignore"):
        past = rise > review
    for first, last in runs(past):
        seconds = readings.start(last) - readings.start(first)
        if float(seconds) < measured.limits["focus.soft_min_seconds"]:
            continue
        worst = float(rise[first:last].max())
        limit = reject if worst > reject else review
        shown = readings["focus.edge_rise_px"][first:last]
        at = 0 if np.isnan(shown).all() else int(np.nanargmax(shown))
        yield finding_of(
            measured,
            readings,
            rule="focus.soft",
            grade=Grade.REJECT if worst > reject else Grade.REVIEW,
            first=first,
            last=last,
            worst_row=first + at,
            message=throughout_message(worst, limit),
            advice=advice_of(measured.limits),
            worst=worst,
            limit=float(limit),
            unit="px",
        )


def pulled(measured: Measured) -> Iterable[Finding]:
    """Yield where the focus lies at another place of the picture: no fault, a note."""
    for readings, percent, lasts in _sharpness(measured):
        for span, pull in pulls(readings, percent, lasts, measured.limits):
            yield _note(
                measured,
                readings,
                span,
                worst_row=span[0] + int(np.nanargmin(percent[slice(*span)])),
                message=pull_message(pull, _seconds(readings, span)),
                advice=PULL_ADVICE,
                worst=pull.left_percent,
            )


def hidden(measured: Measured) -> Iterable[Finding]:
    """Yield where something near hides the field, out of focus: a note."""
    for readings, percent, lasts in _sharpness(measured):
        for span in hidings(readings, percent, lasts, measured.limits):
            yield _note(
                measured,
                readings,
                span,
                worst_row=sum(span) // 2,
                message=(
                    f"For {_seconds(readings, span):.1f} s something near lies over "
                    "the field, or is held there, itself without fine detail: next to "
                    "nothing of what was in focus before is in sight, so that focus "
                    "could not be told. What is still in sight around it is crisp."
                ),
                advice=_HIDDEN_ADVICE,
                worst=float(np.nanmin(percent[slice(*span)])),
            )


def _sharpness(
    measured: Measured,
) -> Iterator[tuple[Readings, NDArray[np.float32], NDArray[np.float32]]]:
    """Yield readings, sharpness, and what of it is told as soft; nothing without."""
    readings = measured.picture
    if readings is not None and "focus.relative_percent" in readings.columns:
        names = "relative", "lasting"
        percent, lasts = (readings[f"focus.{name}_percent"] for name in names)
        yield readings, percent, lasts


def _seconds(readings: Readings, span: Span) -> float:
    return float(readings.start(span[1]) - readings.start(span[0]))


def _note(
    measured: Measured,
    readings: Readings,
    span: Span,
    *,
    worst_row: int,
    message: str,
    advice: str,
    worst: float,
) -> Finding:
    limit = float(measured.limits["focus.soft_review_percent"])
    return finding_of(
        measured,
        readings,
        rule="focus.soft",
        grade=Grade.NOTE,
        first=span[0],
        last=span[1],
        worst_row=worst_row,
        message=message,
        advice=advice,
        worst=worst,
        # Where the focus went elsewhere more may be left than would count as soft.
        limit=limit if worst < limit else None,
        unit="%",
    )
