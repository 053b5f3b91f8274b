"""Steadiness: how the picture moves as a whole, and what of it nobody intended.

The motion of every frame adds up to the path of the picture. What of the path is slow
and smooth was meant: a pan, a reframing. What goes back and forth several times is a
sway of the boom or a trembling hand; a jump of a quiet picture is a knock. Zoom is
found along with the motion and is no shake.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qc.limits import Option
from qc.measures.base import (
    Chart,
    Column,
    Exhibit,
    Line,
    Measure,
    Measured,
    Setup,
    Values,
    finding_of,
)
from qc.measures.parts.motion.globalmotion import MotionTracker
from qc.measures.parts.motion.knocking import Knock, knocks, without_knocks
from qc.measures.parts.motion.notcamera import CoverWatch, uncovered, without_zoom
from qc.measures.parts.motion.swaying import Path, path_pieces, sway
from qc.measures.parts.stillness.stillframes import State
from qc.records import Finding, Grade, Picture, Readings, TakeResult
from qc.spans import Span, bridged, past_limit, runs
from qc.views import proxy_luma

__all__ = ["MEASURE"]

_RULE = "picture.shake"
_SURE = 0.4  # of the picture must follow for a motion to be called the camera's
_RELEASE = 0.5  # of the limit: where a sway has settled
# So much less than the strongest, and at another rate: another sway, not its end.
_OF_WORST, _SAME_HZ = 0.35, 1.5
_BRIDGE_S = 1.0
_PAN_ALLOWS_S = 0.1  # s; times the speed of a pan: sway that it hides (house choice)
_TREMBLE_HZ = 3.0
_LEAST_S = 1.0  # a shorter sway is no more than a small knock
_STOOD_FRAMES = 3  # in a row: fewer hide no motion to speak of
_SWAYS_ON_S = 2.5  # a knock that rings longer is told as a sway
_GOES_ON = 0.8  # of its strongest, in its last third: a sway, however short
_UNKNOWN_NOTE_PERCENT = 20.0
_MARGIN_S = 1.0  # shown before and after a finding


class _Reader:
    """Follows the motion; a damaged picture and the one after it are unknown."""

    def __init__(self, setup: Setup) -> None:
        video = setup.info.video
        self._tick = float(video.time_base) if video is not None else 1.0
        self._tracker = MotionTracker()
        self._covers = CoverWatch()
        self._damaged = False

    def read(self, picture: Picture) -> Values:
        damaged, self._damaged = self._damaged, picture.damaged
        if picture.damaged:
            return {}
        luma = picture.view(proxy_luma)
        motion = self._tracker.read(luma)
        ago = self._covers.read(luma, picture.pts * self._tick, motion)
        values: dict[str, float] = {"covered_ago_frames": ago}
        if motion is None or damaged:
            return values
        percent = 100.0 / luma.shape[1]
        return values | {
            "dx_percent": percent * motion.x,
            "dy_percent": percent * motion.y,
            "zoom_percent": 100.0 * motion.zoom,
            "trust": motion.trust,
        }

    def finish(self) -> Mapping[str, object]:
        return {}


# ------------------------------------------------------------------ over the take


def _pieces(readings: Readings, first: int = 0, last: int | None = None) -> list[Path]:
    """Return the paths of a take, or of a part of it."""
    last = readings.rows if last is None else last
    part = {
        name: readings.columns.part(f"steadiness.{name}", first, last)
        for name in (
            "dx_percent",
            "dy_percent",
            "zoom_percent",
            "trust",
            "covered_ago_frames",
        )
    }
    begins = readings.times()[first:last]
    with np.errstate(invalid="ignore"):
        sure = part["trust"] >= _SURE
    sure &= uncovered(part["covered_ago_frames"], begins)
    dx, dy = (
        np.where(sure, part[name], np.nan).astype(np.float64)
        for name in ("dx_percent", "dy_percent")
    )
    return path_pieces(begins, *without_zoom(dx, dy, part["zoom_percent"], begins))


def _derive(measured: Measured) -> Mapping[str, NDArray[np.floating]]:
    readings = measured.picture
    rows = 0 if readings is None else readings.rows
    size, hz, pan = (np.full(rows, np.nan) for _ in range(3))
    if readings is not None and rows:
        begins = readings.times()[:-1]
        least = float(measured.limits["steadiness.knock_percent"])
        for path in _pieces(readings):
            # A knock alone makes two or three swings beside a slow drift.
            found = sway(without_knocks(path, knocks(path, least=least)))
            part = slice(path.first, path.last)
            nearest = np.rint((begins[part] - path.times[0]) * path.rate).astype(int)
            nearest = np.clip(nearest, 0, len(path.times) - 1)
            size[part] = found.size[nearest]
            hz[part] = found.hz[nearest]
            pan[part] = found.pan[nearest]
    return {"sway_percent": size, "sway_hz": hz, "pan_percent_s": pan}


@dataclass(frozen=True, slots=True)
class _Jump:
    """A knock in rows of the readings."""

    first: int
    last: int
    knock: Knock


def _jumps(readings: Readings, least: float) -> list[_Jump]:
    begins = readings.times()[:-1]
    out = []
    for path in _pieces(readings):
        for knock in knocks(path, least=least):
            ends = path.times[[knock.first, min(knock.last, len(path.times) - 1)]]
            first, last = np.searchsorted(begins, ends - 0.5 / path.rate)
            out.append(_Jump(int(first), max(int(last), int(first) + 1), knock))
    return out


def _check(measured: Measured) -> Iterator[Finding]:
    readings = measured.picture
    if readings is None or not readings.rows:
        return
    limits, times = measured.limits, readings.times()
    review = float(limits["steadiness.review_percent"])
    size = readings["steadiness.sway_percent"]
    # A quick pan that is not quite even shows less than a picture that should rest.
    judged = size - _PAN_ALLOWS_S * readings["steadiness.pan_percent_s"]
    spans = bridged(
        past_limit(judged, limit=review, release=_RELEASE * review),
        times=times,
        gap=_BRIDGE_S,
    )
    ends = _standstill_ends(readings)
    jumps = [
        jump
        for jump in _jumps(readings, float(limits["steadiness.knock_percent"]))
        # What moved while the recording stood still shows at once.
        if not any(jump.first - 2 <= end <= jump.last for end in ends)
    ]
    hz = readings["steadiness.sway_hz"]
    for first, last in (_narrowed(span, judged, hz, review) for span in spans):
        at = [j for j in jumps if j.first < last and j.last > first]
        seconds = times[last] - times[first]
        steady = not at or _goes_on(size[first:last])
        if seconds >= _SWAYS_ON_S or (steady and seconds >= _LEAST_S):
            jumps = [j for j in jumps if j not in at]
            # The first swing of a steady sway looks like a jump and is none.
            began = [] if _goes_on(size[first:last]) else at
            yield _swayed(measured, readings, (first, last), began)
    for jump in jumps:
        yield _knocked(measured, readings, jump)


def _standstill_ends(readings: Readings) -> list[int]:
    """Return the rows at which the recording goes on after it stood still."""
    if "stillness.state" not in readings.columns:
        return []
    state = readings["stillness.state"]
    stood = runs((state == State.FROZEN) | (state == State.SINGLE))
    return [last for first, last in stood if last - first >= _STOOD_FRAMES]


def _goes_on(size: NDArray[np.floating]) -> bool:
    """Return whether a sway is near its end as strong as ever: no knock dies so."""
    part = np.nan_to_num(size)
    late = float(np.median(part[-(len(part) // 3) - 1 :]))
    return late >= _GOES_ON * float(part.max())


def _narrowed(
    span: Span,
    judged: NDArray[np.floating],
    hz: NDArray[np.floating],
    review: float,
) -> Span:
    """Return a span without a weak sway of another kind before or after the strong."""
    part = slice(*span)
    judged, hz = np.nan_to_num(judged[part]), hz[part]
    strong = judged >= min(review, max(_RELEASE * review, _OF_WORST * judged.max()))
    theirs = hz[strong & np.isfinite(hz)]
    if theirs.size:
        with np.errstate(invalid="ignore"):
            apart = np.abs(np.log(hz / np.median(theirs)))
        strong |= apart <= math.log(_SAME_HZ)
    at = span[0] + np.flatnonzero(strong)
    return int(at[0]), int(at[-1]) + 1


def _grade(measured: Measured, worst: float) -> tuple[Grade, float]:
    reject = float(measured.limits["steadiness.reject_percent"])
    if worst > reject:
        return Grade.REJECT, reject
    return Grade.REVIEW, float(measured.limits["steadiness.review_percent"])


def _swayed(
    measured: Measured, readings: Readings, span: Span, at: list[_Jump]
) -> Finding:
    first, last = span
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
    if any(abs(j.first - first) <= max(0.1 * (last - first), 3) for j in at):
        message += " It began with a jump: a knock, or the boom was let go."
    return finding_of(
        measured,
        readings,
        rule=_RULE,
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


def _knocked(measured: Measured, readings: Readings, jump: _Jump) -> Finding:
    knock = jump.knock
    reject = float(measured.limits["steadiness.knock_reject_percent"])
    gross = knock.jump > reject
    least = float(measured.limits["steadiness.knock_percent"])
    return finding_of(
        measured,
        readings,
        rule=_RULE,
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


# ------------------------------------------------------------------------- report


def _exhibits(result: TakeResult, finding: Finding) -> Iterable[Exhibit]:
    readings = result.picture
    if readings is None or "steadiness.dx_percent" not in readings.columns:
        return
    begins = readings.times()[:-1]
    shown = float(finding.start) - _MARGIN_S, float(finding.end) + _MARGIN_S
    # Some more on both sides, so that what was intended is known at the ends too.
    first, last = np.searchsorted(begins, (shown[0] - 2.0, shown[1] + 2.0))
    for path in _pieces(readings, int(first), int(last)):
        inside = (path.times >= shown[0]) & (path.times <= shown[1])
        if not inside[np.searchsorted(path.times, float(finding.start)) :].any():
            continue
        rest = _about_home(path, finding)[inside]
        yield Exhibit(
            kind="path",
            title="Path of the picture's centre",
            caption=(
                "Where the middle of the picture went, without the intended pan, in "
                "percent of the picture's width."
            ),
            lines=(Line("centre", rest[:, 0], -rest[:, 1]),),
            x_label="right, % of width",
            y_label="up, % of width",
        )
        seconds = path.times[inside] - float(finding.start)
        yield Exhibit(
            kind="lines",
            title="Sway over time",
            caption="A sway goes on and on; a knock jumps once and dies away.",
            lines=(
                Line("right", seconds, rest[:, 0]),
                Line("up", seconds, -rest[:, 1]),
            ),
            x_label="s since the finding begins",
            y_label="% of width",
        )
        return


def _about_home(path: Path, finding: Finding) -> NDArray[np.floating]:
    """Return the path without the pan, or, of a short jump, from where it began."""
    if float(finding.duration) >= _SWAYS_ON_S:
        return sway(path).rest
    before = path.times < float(finding.start)
    places = path.places[before] if before.any() else path.places[:1]
    return path.places - np.median(places[-10:], axis=0)


def _summarise(measured: Measured) -> Mapping[str, object]:
    readings = measured.picture
    if readings is None or not readings.rows:
        return {}
    size = readings["steadiness.sway_percent"].astype(np.float64)
    hz = readings["steadiness.sway_hz"].astype(np.float64)
    known = np.isfinite(size)
    if not known.any():
        return {"sway_max_percent": math.nan, "unknown_percent": 100.0}
    worst = int(np.nanargmax(size))
    return {
        "sway_max_percent": float(size[worst]),
        "sway_max_hz": float(hz[worst]),
        "sway_p95_percent": float(np.percentile(size[known], 95)),
        "unknown_percent": 100.0 * float(np.mean(~known)),
    }


def _notes(measured: Measured) -> Iterable[str]:
    readings = measured.picture
    if readings is None or not readings.rows:
        return
    size = readings["steadiness.sway_percent"]
    unknown = 100.0 * float(np.mean(np.isnan(size)))
    if unknown >= _UNKNOWN_NOTE_PERCENT:
        yield (
            f"How steady the picture is could not be told in {unknown:.0f} % of the "
            "take: it has too little detail there, or most of it moves by itself."
        )


MEASURE = Measure(
    name="steadiness",
    version=6,
    label="Steadiness",
    clock="picture",
    room="movement",
    columns=(
        Column("dx_percent", "Shift right since the frame before", "% of width", 3),
        Column("dy_percent", "Shift down since the frame before", "% of width", 3),
        Column("zoom_percent", "Zoom since the frame before", "%", 3),
        Column("trust", "Share of the picture that follows", "", 2),
        Column("covered_ago_frames", "Covered before, in view again now", "frames", 0),
    ),
    derived=(
        Column("sway_percent", "Sway, peak to peak", "% of width", 2),
        Column("sway_hz", "How often it sways", "Hz", 2),
        Column("pan_percent_s", "Speed of the intended pan", "% of width/s", 1),
    ),
    derive=_derive,
    options=(
        Option(
            "steadiness.review_percent",
            0.8,
            "The picture sways or trembles to and fro by more than this, peak to peak "
            "in percent of its width, at 0.4 Hz or faster (house choice).",
            unit="%",
            low=0.1,
            high=100,
        ),
        Option(
            "steadiness.reject_percent",
            3.0,
            "A sway this large spoils the stretch (house choice).",
            unit="%",
            low=0.1,
            high=100,
        ),
        Option(
            "steadiness.knock_percent",
            0.8,
            "A quiet picture jumps by more than this from one side to the other, in "
            "percent of its width, within a quarter of a second, and settles again "
            "(house choice).",
            unit="%",
            low=0.1,
            high=100,
        ),
        Option(
            "steadiness.knock_reject_percent",
            4.0,
            "A jump this large spoils the stretch (house choice).",
            unit="%",
            low=0.1,
            high=100,
        ),
    ),
    start=_Reader,
    checks=(_check,),
    check_rules={_RULE: "Shake"},
    charts=(
        Chart(
            ("sway_percent",),
            "Sway",
            "% of width",
            low=0,
            limits=("steadiness.review_percent", "steadiness.reject_percent"),
            always=True,
            explain="How far the picture goes to and fro; pans and zooms do not count.",
        ),
    ),
    summarise=_summarise,
    notes=_notes,
    exhibits=_exhibits,
    method=(
        "The small picture is registered against an earlier one of the same framing, "
        "patch by patch by least squares on its gradients, blind to changes of light; "
        "a robust vote gives the shift, zoom and roll that most of the picture "
        "follows, so that hands and instruments do not count; where fewer than 70 % of "
        "the patches follow, and more than a third of all, faint ones with them, lie "
        "where they lay, the camera rests. The path these shifts "
        "add up to is smoothed (Gaussian, 0.55 s): the smooth part is the intended "
        "pan. What is left and goes to and fro at least twice at 0.4 Hz or faster is "
        "sway, peak to peak along its main direction, as far as the path itself goes "
        "back and does not only slow down; its frequency is the peak of the "
        "periodogram. A jump within a quarter of a second out of rest, or within 0.45 "
        "s if the picture comes back, is a knock, from one side to the other; it is "
        "looked for beside a slow drift too (running median, 1 s). Of a shift that "
        "comes with a zoom, so much is the zoom's as a fixed point anywhere in the "
        "picture makes of it. Where something comes before the lens for up to 6 s, so "
        "that the picture is like none before and then the same scene is back, motion "
        "is unknown."
    ),
    source=(
        "Registration by gradients: B. D. Lucas and T. Kanade, 1981; iteratively "
        "reweighted least squares and periodograms: textbook (from memory). Limits: "
        "house choice."
    ),
)
