"""What is said of a shake, and what to do at the rig."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from qc.measures.base import Measured, finding_of
from qc.measures.parts.motion.shakes import Jump, Shake, shakes_in
from qc.records import Finding, Grade, Readings

__all__ = ["RULE", "shake_findings"]

RULE = "picture.shake"
_TREMBLE_HZ = 3.0


def shake_findings(measured: Measured) -> Iterator[Finding]:
    """Tell where a take sways, or was knocked."""
    readings = measured.picture
    if readings is None or not readings.rows:
        return
    shakes, jumps = shakes_in(
        readings,
        review=float(measured.limits["steadiness.review_percent"]),
        knock=float(measured.limits["steadiness.knock_percent"]),
    )
    for shake in shakes:
        yield _swayed(measured, readings, shake)
    for jump in jumps:
        yield _knocked(measured, readings, jump)


def _grade(measured: Measured, worst: float) -> tuple[Grade, float]:
    reject = float(measured.limits["steadiness.reject_percent"])
    if worst > reject:
        return Grade.REJECT, reject
    return Grade.REVIEW, float(measured.limits["steadiness.review_percent"])


def _swayed(measured: Measured, readings: Readings, shake: Shake) -> Finding:
    first, last = shake.first, shake.last
    size = readings["steadiness.sway_percent"][first:last]
    worst_row = first + int(np.nanargmax(size))
    worst = float(np.nanmax(size))
    hz = readings["steadiness.sway_hz"][first:last]
    known = hz[np.isfinite(hz)]
    often = float(np.median(known)) if known.size else math.nan
    seconds = float(readings.times()[last] - readings.times()[first])
    grade, limit = _grade(measured, worst)
    trembles = often >= _TREMBLE_HZ
    what = "trembled" if trembles else "swayed"
    rate = f" at {often:.1f} Hz" if math.isfinite(often) else ""
    message = (
        f"The picture {what} for {seconds:.1f} s{rate}, to and fro by up to "
        f"{worst:.1f} % of its width."
    )
    if any(abs(j.first - first) <= max(0.1 * (last - first), 3) for j in shake.jumps):
        message += " It began with a jump: a knock, or the boom was let go."
    return finding_of(
        measured,
        readings,
        rule=RULE,
        grade=grade,
        first=first,
        last=last,
        worst_row=worst_row,
        message=message,
        advice=_TREMBLE_ADVICE if trembles else _SWAY_ADVICE,
        worst=worst,
        limit=limit,
        unit="% of width",
    )


def _knocked(measured: Measured, readings: Readings, jump: Jump) -> Finding:
    knock = jump.knock
    reject = float(measured.limits["steadiness.knock_reject_percent"])
    gross = knock.jump > reject
    least = float(measured.limits["steadiness.knock_percent"])
    return finding_of(
        measured,
        readings,
        rule=RULE,
        grade=Grade.REJECT if gross else Grade.REVIEW,
        first=jump.first,
        last=jump.last,
        worst_row=min(jump.first + 1, jump.last - 1),
        message=(
            f"A knock: the picture jumped by {knock.jump:.1f} % of its width and "
            f"settled within {knock.seconds:.1f} s."
        ),
        advice=_KNOCK_ADVICE,
        worst=knock.jump,
        limit=reject if gross else least,
        unit="% of width",
    )


_SWAY_ADVICE = (
    "Balance the boom with its counterweights, tighten its brakes and lock the joints; "
    "after moving it wait until it has settled before the next step is filmed."
)
_TREMBLE_ADVICE = (
    "Lock the joints of boom and head and tighten the camera on its plate; find what "
    "makes it tremble (a fan, a pump, a hand on the boom) and keep it away from the "
    "rig."
)
_KNOCK_ADVICE = (
    "Nobody should touch or lean on the boom, its rail or its stand while the camera "
    "records; lock the joint that gave way and check the framing afterwards."
)
