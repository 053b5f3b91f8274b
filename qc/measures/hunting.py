"""Hunting: focus that swings to and fro by itself while the picture is still."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qc.limits import Limits, Option
from qc.measures.base import (
    Column,
    Exhibit,
    Line,
    Measure,
    Measured,
    Setup,
    Values,
    finding_of,
)
from qc.measures.parts.focus.lightjumps import jumps
from qc.measures.parts.focus.motionblur import smear_of
from qc.measures.parts.focus.softcheck import noise_alone
from qc.measures.parts.focus.swings import (
    Swinging,
    leg_seconds,
    share_at_keys,
    swinging,
    turning_points,
)
from qc.measures.parts.focus.tiles import best_of, tile_rows
from qc.records import Finding, Grade, Picture, Readings, TakeResult
from qc.spans import runs

__all__ = ["MEASURE"]

_RULE = "focus.hunting"
# Sharpness is compared as its logarithm; under this percent it is as good as gone, and
# what is left hangs on how well the noise was read.
_LEAST_PERCENT = 15.0
# A picture is still if it is so most of this time.
_STILL_S = 0.6
# What is not known for a moment, because it moves then or nothing is sharp enough to
# tell how soft it is, does not end it; in slow takes some frames must do.
_GAP_S, _GAP_FRAMES = 0.5, 3.5
_SHORTEST_S = 0.6
# So many of the subject's tiles must go along, by so much, if it is the lens.
_TILES_SHARE = 0.6
_TILE_SLOPE = 0.35
_TILE_CORRELATION = 0.5
# More of the rise than this at key frames: the coding brings it back, not the lens.
_KEY_SHARE = 0.6
# One way is that much quicker than the other; focus takes as long both ways.
_SAWTOOTH = 2.0
# Key frames closer than this are no sign of a coding in groups.
_GROUP_S = 0.2
_MARGIN_S = 1.0
_SHORT_S, _MORE_SWINGS = 3.5, 2


class _Reader:
    def __init__(self, setup: Setup) -> None:
        pass

    def read(self, picture: Picture) -> Values:
        return {"key": float(picture.key)}

    def finish(self) -> Mapping[str, object]:
        return {}


@dataclass(frozen=True, slots=True, eq=False)
class _Still:
    """A stretch of one shot without motion: rows and logarithm of sharpness."""

    rows: NDArray[np.intp]
    times: NDArray[np.float64]
    log: NDArray[np.float64]


def _stills(measured: Measured, readings: Readings) -> Iterator[_Still]:
    """Yield the stretches in which sharpness can be followed."""
    percent = readings["focus.relative_percent"].astype(np.float64)
    shots = readings["framing.shot"]
    smear = smear_of(readings, measured.info.video)
    begins = readings.times()[:-1]
    period = float(np.median(np.diff(readings.times())))
    # A kernel longer than the take would lengthen what it smooths.
    span = min(max(1, round(_STILL_S / max(period, 1e-3))), readings.rows)
    moves = smear.percent > measured.limits["hunting.still_percent"]
    often = np.convolve(moves, np.ones(span) / span, mode="same") >= 0.5
    percent[often | smear.zooming] = np.nan
    gap = max(_GAP_S, _GAP_FRAMES * period)
    for first, last in runs(~np.isnan(shots)):
        breaks = np.flatnonzero(np.diff(shots[first:last])) + 1 + first
        for a, b in zip([first, *breaks], [*breaks, last], strict=True):
            yield from _followed(percent, begins, (int(a), int(b)), gap)


def _followed(
    percent: NDArray[np.float64],
    begins: NDArray[np.float64],
    span: tuple[int, int],
    gap: float,
) -> Iterator[_Still]:
    a, b = span
    rows = a + np.flatnonzero(~np.isnan(percent[a:b]))
    if not rows.size:
        return
    for part in np.split(rows, np.flatnonzero(np.diff(begins[rows]) > gap) + 1):
        times = begins[part]
        if times[-1] - times[0] >= _SHORTEST_S:
            level = np.maximum(percent[part], _LEAST_PERCENT)
            yield _Still(part, times, np.log(level / 100.0))


# ------------------------------------------------------------------ over the take


def _derive(measured: Measured) -> Mapping[str, NDArray[np.floating]]:
    readings = measured.picture
    if readings is None or not readings.rows:
        return {}
    depth, hz = (np.full(readings.rows, np.nan) for _ in range(2))
    if "focus.relative_percent" in readings.columns:
        percent = readings["focus.relative_percent"]
        for still in _stills(measured, readings):
            depth[still.rows] = 0.0
            for found in _hunts(readings, measured.limits, still):
                at = slice(still.rows[found.first], still.rows[found.last - 1] + 1)
                depth[at] = _depth_percent(percent[still.rows[found.turns]])
                hz[at] = found.hz
    return {"swing_percent": depth, "swing_hz": hz}


def _depth_percent(turns: NDArray[np.floating]) -> float:
    """Return how much of the sharpness a leg takes, or gives back, the median."""
    pairs = np.sort(np.stack([turns[:-1], turns[1:]]), axis=0)
    return float(np.median(100.0 * (1.0 - pairs[0] / pairs[1])))


def _hunts(readings: Readings, limits: Limits, still: _Still) -> Iterator[Swinging]:
    depth = -math.log1p(-limits["hunting.review_percent"] / 100.0)
    least = limits["hunting.least_swings"]
    # Too short to show that this picture does not always waver: more swings.
    least += _MORE_SWINGS * (still.times[-1] - still.times[0] < _SHORT_S)
    for found in swinging(still.log, still.times, depth=depth, least=least):
        others = (_by_coding, _by_noise, _by_light)
        if _by_lens(readings, still, found) and not any(
            other(readings, still, found) for other in others
        ):
            yield found


def _by_lens(readings: Readings, still: _Still, found: Swinging) -> bool:
    """Return whether most of the subject goes along: no hand, no instrument alone."""
    rows = still.rows[found.first : found.last]
    detail = tile_rows(readings, rows).astype(np.float64)
    # What is never sharp has no part in it; jumps are what is looked for.
    best = best_of(detail, share_lit=0.5, jumps=math.inf)
    subject = ~np.isnan(best)
    if not subject.any():
        return False
    floor = 0.01 * _LEAST_PERCENT  # as for the whole
    tiles = np.log(np.maximum(detail[:, subject] / best[subject], floor))
    whole = still.log[found.first : found.last]
    whole = whole - whole.mean()
    goes = 0
    for tile in tiles.T:
        seen = ~np.isnan(tile)
        if seen.mean() < 0.5:
            continue
        part, with_it = tile[seen] - tile[seen].mean(), whole[seen]
        power = float(np.dot(with_it, with_it))
        common = float(np.dot(part, with_it))
        length = math.sqrt(float(np.dot(part, part)) * power)
        slope = common / power if power > 0 else 0.0
        goes += slope >= _TILE_SLOPE and common >= _TILE_CORRELATION * length
    return bool(goes >= _TILES_SHARE * np.count_nonzero(subject))


def _by_coding(readings: Readings, still: _Still, found: Swinging) -> bool:
    """Return whether detail comes, or goes, all at once with the key frames."""
    if "hunting.key" not in readings.columns:
        return False
    keys = readings["hunting.key"][still.rows] > 0
    at = np.flatnonzero(keys)
    if at.size < 2 or np.median(np.diff(still.times[at])) < _GROUP_S:
        return False
    log = still.log
    seconds = leg_seconds(log, still.times, found.turns)
    rises = np.diff(log[found.turns]) > 0
    up, down = (float(np.median(seconds[r])) for r in (rises, ~rises))
    if max(up, down) < _SAWTOOTH * min(up, down):
        return False
    if down < up:
        log = -log
    # The same half-way between key frames: of quick swings every frame has a share.
    between = np.zeros_like(keys)
    between[(at[:-1] + at[1:]) // 2] = True
    here, there = (
        share_at_keys(log, still.times, k, found.turns) for k in (keys, between)
    )
    return here > max(_KEY_SHARE, 2.0 * there)


def _by_noise(readings: Readings, still: _Still, found: Swinging) -> bool:
    """Return whether it is not the picture that swings, but how its noise is read."""
    part = slice(found.first, found.last)
    rows, log = still.rows[part], still.log[part]
    sharper = log > log.mean()
    return noise_alone(readings, rows[~sharper], rows[sharper])


def _by_light(readings: Readings, still: _Still, found: Swinging) -> bool:
    """Return whether light jumps within most legs: a flash, a lamp, no lens."""
    rows = still.rows[found.turns]
    jumped = np.flatnonzero(jumps(readings)[rows[0] : rows[-1] + 1]) + rows[0]
    legs = np.searchsorted(jumped, rows)
    return 2 * int(np.count_nonzero(np.diff(legs))) > len(rows) - 1


def _check(measured: Measured) -> Iterator[Finding]:
    readings = measured.picture
    if readings is None or "hunting.swing_percent" not in readings.columns:
        return
    swing = readings["hunting.swing_percent"]
    rate = readings["hunting.swing_hz"]
    review = float(measured.limits["hunting.review_percent"])
    reject = float(measured.limits["hunting.reject_percent"])
    for first, last in runs(~np.isnan(rate)):
        worst = float(np.nanmax(swing[first:last]))
        hz = float(np.nanmedian(rate[first:last]))
        gross = worst > reject
        sharpness = readings["focus.relative_percent"][first:last]
        seconds = float(readings.start(last) - readings.start(first))
        yield finding_of(
            measured,
            readings,
            rule=_RULE,
            grade=Grade.REJECT if gross else Grade.REVIEW,
            first=first,
            last=last,
            worst_row=first + int(np.nanargmin(sharpness)),
            message=(
                f"Focus hunts for {seconds:.1f} s: sharpness swings to and fro "
                f"{_times(seconds * hz)}, at {hz:.1f} Hz, and loses {worst:.0f} % of "
                "the fine detail each time while the picture is still, as autofocus "
                "does."
            ),
            advice=_ADVICE,
            worst=worst,
            limit=reject if gross else review,
            unit="%",
        )


def _times(swings: float) -> str:
    return f"about {max(round(swings), 2)} times"


_ADVICE = (
    "Switch autofocus off at the lens and at the camera. Focus by hand at full zoom on "
    "the operative field and leave it: autofocus starts looking for something sharper "
    "whenever a hand, an instrument or the light moves."
)


# ------------------------------------------------------------------------- report


def _exhibits(result: TakeResult, finding: Finding) -> Iterable[Exhibit]:
    readings = result.picture
    if readings is None or "focus.relative_percent" not in readings.columns:
        return
    begins = readings.times()[:-1]
    start, end = float(finding.start), float(finding.end)
    first, last = np.searchsorted(begins, (start - _MARGIN_S, end + _MARGIN_S))
    seconds = begins[first:last] - start
    percent = readings["focus.relative_percent"][first:last].astype(np.float64)
    inside = np.flatnonzero(
        (begins[first:last] >= start) & (begins[first:last] < end) & ~np.isnan(percent)
    )
    if inside.size < 3:
        return
    log = np.log(np.maximum(percent[inside], _LEAST_PERCENT))
    review = float(str(result.limits["hunting.review_percent"]))
    turns = inside[turning_points(log, -math.log1p(-review / 100.0))]
    yield Exhibit(
        kind="lines",
        title="Sharpness over time",
        caption=(
            "Focus that was set once keeps a level line; autofocus goes to and fro "
            "between the turns marked."
        ),
        lines=(
            Line("sharpness", seconds, percent),
            Line("turns", seconds[turns], percent[turns]),
        ),
        x_label="s since the finding begins",
        y_label="% of the shot's best",
    )


def _summarise(measured: Measured) -> Mapping[str, object]:
    readings = measured.picture
    if readings is None or "hunting.swing_percent" not in readings.columns:
        return {}
    swing = readings["hunting.swing_percent"].astype(np.float64)
    known = swing[~np.isnan(swing)]
    return {
        "swing_max_percent": float(known.max()) if known.size else math.nan,
        "unknown_percent": 100.0 * float(np.mean(np.isnan(swing))),
    }


def _notes(measured: Measured) -> Iterable[str]:
    readings = measured.picture
    if readings is None or "hunting.swing_percent" not in readings.columns:
        return
    unknown = float(np.mean(np.isnan(readings["hunting.swing_percent"])))
    if unknown > 0.5:
        told = f"only in {100 * (1 - unknown):.0f} % of the take"
        yield (
            f"Whether the focus hunts to and fro could be told "
            f"{told if unknown < 0.995 else 'nowhere'}: the picture moves too much "
            "for it, or holds too little detail."
        )


MEASURE = Measure(
    name="hunting",
    label="Focus hunting",
    version=4,
    clock="picture",
    room="focus",
    columns=(Column("key", "Frame coded by itself", "", 0),),
    derived=(
        Column("swing_percent", "Detail lost at each swing of focus", "%", 0),
        Column("swing_hz", "Swings of focus", "Hz", 2),
    ),
    derive=_derive,
    options=(
        Option(
            "hunting.review_percent",
            30.0,
            "Focus hunts when sharpness swings to and fro by more than this share of "
            "itself, at 0.2 to 4 Hz (house choice).",
            unit="%",
            low=1,
            high=95,
        ),
        Option(
            "hunting.reject_percent",
            60.0,
            "Swings this deep spoil the stretch (house choice).",
            unit="%",
            low=1,
            high=100,
        ),
        Option(
            "hunting.least_swings",
            2.5,
            "Full swings without a pause that make it hunting; focusing by hand goes "
            "past the best and back once or twice (house choice).",
            low=1,
            high=100,
        ),
        Option(
            "hunting.still_percent",
            0.1,
            "Hunting is looked for while the picture moves by no more than this share "
            "of its width from frame to frame (house choice).",
            unit="%",
            low=0,
            high=100,
        ),
    ),
    start=_Reader,
    checks=(_check,),
    check_rules={_RULE: "Focus hunts"},
    summarise=_summarise,
    notes=_notes,
    exhibits=_exhibits,
    method=(
        "Where one shot is still, the logarithm of its sharpness against its best (see "
        "Focus) is followed from turn to turn; turns smaller than the limit are passed "
        "over. Legs that follow one another at 0.2 to 4 Hz, more than two swings of "
        "them, are hunting if most of the subject's tiles go along, and if detail does "
        "not come back all at once with the key frames of the coding, nor with jumps "
        "of the light, nor only by how the noise is read. The frequency is that of "
        "half-way crossings, the depth the median leg."
    ),
    source=(
        "Turning points as in counting of load cycles: textbook (from memory). Limits: "
        "house choice."
    ),
)
