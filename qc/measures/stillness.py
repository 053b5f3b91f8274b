"""Stillness: pictures that are black, that stand still, or that come twice."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.kernels.light import changed_lines, mean_cells, most_apart, share_level
from qc.limits import Option
from qc.measures.base import Chart, Column, Measure, Measured, Setup, Values
from qc.measures.parts.level.smallcells import CELLS, level_cells
from qc.measures.parts.stillness.heldunder import held_under_noise
from qc.measures.parts.stillness.repeats import repeated
from qc.measures.parts.stillness.rhythms import cadences, out_of_turn
from qc.measures.parts.stillness.stillfindings import (
    check,
    companions,
    exhibits,
    seconds_of,
)
from qc.measures.parts.stillness.stillframes import (
    Changes,
    State,
    again,
    rare_keys,
    still,
)
from qc.records import Picture, Readings
from qc.spans import runs
from qc.views import luma_pass, proxy_luma

__all__ = ["MEASURE", "frozen_runs", "level_percent"]

Flags: TypeAlias = NDArray[np.bool_]
Plane: TypeAlias = NDArray[np.unsignedinteger]

# A picture's level is that under which so much of it lies, in cells: coarse enough that
# gain noise under a lens cap is averaged away.
_MOST = 0.99
# Full lines are compared: noise is lost in small pictures. An odd step takes lines of
# both fields.
_LINES = 40
# The live frames of a camera change in many places; a drawing only where the pen is,
# and a codec short of data may leave nothing of the noise. Seen: 0.04 % in a drawing,
# 4 % in the most heavily coded webcam.
_ALIVE_PERCENT = 0.5
# So many live frames on either side of a repeat show whether anything changes there.
_NEIGHBOURS = 3
# A whole picture that moves faster than this, percent of its width a frame, and a light
# on more of it, stop and go on for other reasons than a repeat (house choices).
_SHIFT_PERCENT, _LIT_PERCENT = 0.1, 5.0
# So much of what changes from frame to frame is light, and percent of black-to-white.
_LIGHT_SHARE, _LIGHT_LEAST = 0.5, 1.5
# In rhythms of so many frames at most every group of a codec's pictures has repeats.
_BLURRED_PERIOD = 12


def level_percent(luma: NDArray[np.float32]) -> float:
    """Return the level that 99 % of the picture lies under, noise averaged away.

    Parameters
    ----------
    luma : (H, W) array of float32
        Percent of black-to-white.
    """
    if not luma.size:
        return math.nan
    height, width = luma.shape
    columns, rows = CELLS
    if height % rows or width % columns:
        small = cv2.resize(luma, CELLS, interpolation=cv2.INTER_AREA)
        return share_level(np.asarray(small, np.float32), _MOST)
    return share_level(mean_cells(np.ascontiguousarray(luma), rows, columns), _MOST)


def _level(picture: Picture) -> float:
    cells = picture.view(level_cells)
    if cells.shape == CELLS[::-1]:
        return share_level(cells, _MOST)
    return level_percent(picture.view(proxy_luma))


class _Reader:
    def __init__(self, setup: Setup) -> None:
        self._plane: Plane | None = None
        self._lines: Plane | None = None
        self._small: Plane | None = None

    def read(self, picture: Picture) -> Values:
        if picture.damaged or not picture.y.size:
            # A decoder fills damage with the frame before: that is no still picture.
            self._plane = self._small = None
            return {}
        small = picture.view(luma_pass).small
        before = self._before(picture)
        changed, total, size = self._compare_lines(picture, known=before is not None)
        values: dict[str, float] = {
            "level_percent": _level(picture),
            "key": float(picture.key),
        }
        if before is not None and small is not None:
            # The small picture is in whole codes: so is the largest change of its
            # cells.
            cell = most_apart(small, before[1])
            # The whole picture is compared only where nothing speaks against it.
            same = not changed and not cell and most_apart(picture.y, before[0]) == 0
            span = picture.signal.white - picture.signal.black
            values |= {
                "difference_percent": 100.0 * total / (span * size),
                "cell_percent": 100.0 * cell / span,
                "changed_percent": 100.0 * changed / size,
                "identical": float(same),
            }
        # The view on the decoder's buffer is kept for one frame only.
        self._plane, self._small = picture.y, small
        return values

    def _before(self, picture: Picture) -> tuple[Plane, Plane] | None:
        """Return the plane and the small picture before, if they can be compared."""
        plane, small = self._plane, self._small
        if plane is None or small is None or plane.shape != picture.y.shape:
            return None
        return (plane, small) if plane.dtype == picture.y.dtype else None

    def _compare_lines(self, picture: Picture, *, known: bool) -> tuple[int, int, int]:
        """Keep some full lines; return how many of how many pixels changed by what."""
        plane = picture.y
        step = max(1, picture.height // _LINES) | 1
        first = step // 2
        count = len(range(first, len(plane), step))
        lines = self._lines
        shape = (count, plane.shape[1])
        if lines is None or lines.shape != shape or lines.dtype != plane.dtype:
            lines = self._lines = np.empty(shape, plane.dtype)
        changed, total = changed_lines(
            plane, first=first, step=step, lines=lines, known=known
        )
        return changed, total, lines.size

    def finish(self) -> Mapping[str, object]:
        return {}


# --------------------------------------------------------------------------- arithmetic


def _column(readings: Readings, name: str) -> NDArray[np.float64]:
    return readings[f"stillness.{name}"].astype(np.float64)


def _black(measured: Measured, readings: Readings) -> NDArray[np.bool_]:
    limit = measured.limits["stillness.black_percent"]
    return np.asarray(_column(readings, "level_percent") <= limit, bool)


def _changes(readings: Readings, black: NDArray[np.bool_]) -> Changes:
    """Return how frames differ; black ones, and the first behind, are not judged."""
    unknown = black | np.concatenate([[True], black[:-1]])[: len(black)]
    difference = np.where(unknown, np.nan, _column(readings, "difference_percent"))
    return Changes(
        difference=difference,
        cell=np.where(unknown, np.nan, _column(readings, "cell_percent")),
        changed=np.where(unknown, np.nan, _column(readings, "changed_percent")),
        identical=(_column(readings, "identical") > 0) & ~unknown,
        key=_column(readings, "key") > 0,
        times=readings.times(),
    )


def frozen_runs(
    flags: NDArray[np.bool_], times: NDArray[np.float64], *, shortest: float
) -> list[tuple[int, int]]:
    """Return runs of still frames that last at least `shortest` seconds.

    Parameters
    ----------
    flags : (n,) array of bool
    times : (n + 1,) array
        Seconds at which frames begin.

    Examples
    --------
    >>> flags = np.array([0, 1, 1, 1, 0, 1], bool)
    >>> frozen_runs(flags, np.arange(7) / 25, shortest=0.1)
    [(1, 4)]
    """
    return [(a, b) for a, b in runs(flags) if round(times[b] - times[a], 6) >= shortest]


def _otherwise(readings: Readings) -> Flags:
    """Return where other things stop and go on for a frame: a knock that turns, a lamp.

    The picture as a whole moves one way before the frame and the other way behind it;
    or a part of it turns bright or dark at once beside the frame.
    """
    out = np.zeros(readings.rows, bool)
    shift = ("steadiness.dx_percent", "steadiness.dy_percent")
    if all(name in readings.columns for name in shift) and readings.rows > 2:
        way = np.stack([np.nan_to_num(readings[name]) for name in shift], axis=1)
        before, behind = way[:-2], way[2:]
        fast = np.maximum(np.hypot(*before.T), np.hypot(*behind.T)) > _SHIFT_PERCENT
        out[1:-1] |= fast & ((before * behind).sum(axis=1) < 0)
    light = ("flash.rise_percent", "flash.fall_percent")
    if all(name in readings.columns for name in light):
        net = np.nan_to_num(readings[light[0]] - readings[light[1]])
        jump = np.abs(net) > _LIT_PERCENT
        out |= jump | np.append(jump[1:], False) | np.append(False, jump[:-1])
    return out


def _lamps(readings: Readings) -> Flags:
    """Return beside which frames most of what changes is light.

    Where lamps beat a frame at the turn changes as little as a repeat, between others
    that move nothing either.
    """
    beside = np.zeros(readings.rows, bool)
    if "exposure.mean_percent" not in readings.columns or readings.rows < 2:
        return beside
    mean = readings["exposure.mean_percent"].astype(np.float64)
    lighter = np.abs(np.diff(mean))
    moved = _column(readings, "difference_percent")[1:]
    with np.errstate(invalid="ignore"):
        lit = np.append(
            False, lighter >= np.maximum(_LIGHT_SHARE * moved, _LIGHT_LEAST)
        )
    beside[:-1] |= lit[1:]
    beside[1:] |= lit[:-1]
    return beside


def _alive(readings: Readings, live: NDArray[np.bool_]) -> bool:
    """Tell whether live frames change all over, so that stillness means something."""
    changed = _column(readings, "changed_percent")[live]
    # Where no frame at all is live nothing speaks for a drawing.
    return not changed.size or float(np.median(changed)) >= _ALIVE_PERCENT


def _lives_beside(changes: Changes, states: NDArray[np.floating]) -> Flags:
    """Return where live frames on both sides change in enough places.

    A coder short of data leaves nothing to change for a while, and then frames are the
    same by chance: such a repeat tells nothing, and nobody sees it.
    """
    rows = np.flatnonzero((states == State.LIVE) & ~rare_keys(changes.key))
    out = np.ones(len(states), bool)
    if not rows.size:
        return out
    changed = np.nan_to_num(changes.changed)
    for first, last in runs(states == State.SINGLE):
        at = int(rows.searchsorted(first))
        sides = (rows[max(at - _NEIGHBOURS, 0) : at], rows[at : at + _NEIGHBOURS])
        busy = [float(np.median(changed[side])) for side in sides if side.size]
        out[first:last] = min(busy, default=0.0) >= _ALIVE_PERCENT
    return out


def _states(measured: Measured, readings: Readings) -> NDArray[np.float64]:
    """Return what each frame is, by the codes of `State`; NaN: cannot be told."""
    black = _black(measured, readings)
    changes = _changes(readings, black)
    known = np.isfinite(changes.difference)
    is_still = still(changes)
    twice = repeated(changes, is_still, _otherwise(readings))
    lamps = _lamps(readings)
    for first, last in runs(twice & ~changes.identical):
        lamps[first:last] |= lamps[first] or lamps[last - 1]
    lamps &= ~changes.identical
    twice &= ~lamps
    out = np.where(known, float(State.LIVE), np.nan)
    if _alive(readings, known & ~is_still & ~twice):
        shortest = measured.limits["stillness.frozen_review_seconds"]
        out[twice] = State.SINGLE
        for first, last in frozen_runs(is_still, changes.times, shortest=shortest):
            out[first:last] = State.FROZEN
        out[held_under_noise(readings, changes, shortest=shortest)] = State.FROZEN
        found, inside = cadences(
            *again(out), changes.difference, changes.cell, rare_keys(changes.key)
        )
        for cadence in found:
            if cadence.period > _BLURRED_PERIOD:
                continue
            # Coding blurs what comes out of turn there: only sure repeats count.
            part = slice(cadence.first, cadence.last)
            sure = changes.identical[part] | out_of_turn(changes, cadence, inside)
            sure &= ~lamps[part]
            judged = out[part] <= State.SINGLE
            out[part][judged] = np.where(sure, State.SINGLE, State.LIVE)[judged]
        out[inside & ~lamps] = State.RHYTHM
        out[(out == State.SINGLE) & ~_lives_beside(changes, out)] = State.LIVE
    elif is_still.any():
        out[:] = np.nan
    out[black] = State.BLACK
    return out


def _derive(measured: Measured) -> Mapping[str, NDArray[np.floating]]:
    readings = measured.picture
    if readings is None or not readings.rows:
        return {}
    return {"state": _states(measured, readings)}


# ----------------------------------------------------------------------------- findings


# ------------------------------------------------------------------------------ figures


def _summarise(measured: Measured) -> Mapping[str, object]:
    readings = measured.picture
    if readings is None or not readings.rows:
        return {}
    states = readings["stillness.state"]
    difference = _column(readings, "difference_percent")
    known = difference[np.isfinite(difference)]
    frozen = [
        float(seconds_of(readings, a, b)) for a, b in runs(states == State.FROZEN)
    ]
    middle = float(np.median(known)) if known.size else math.nan
    return {
        "black_frames": int(np.sum(states == State.BLACK)),
        "frozen_s": sum(frozen),
        "longest_frozen_s": max(frozen, default=0.0),
        "repeated_frames": int(np.sum(states == State.SINGLE)),
        "repeated_in_rhythm_frames": int(np.sum(states == State.RHYTHM)),
        "identical_frames": int(np.sum(_column(readings, "identical") > 0)),
        "difference_median_percent": middle,
    }


def _notes(measured: Measured) -> Iterable[str]:
    readings = measured.picture
    if readings is None or readings.rows < 2:
        return
    # A frame that could be compared, but of which nothing can be told.
    states = readings["stillness.state"]
    compared = np.isfinite(_column(readings, "difference_percent"))
    if np.isnan(states[compared & ~_black_or_behind(states)]).any():
        yield (
            "Hardly anything changes from frame to frame, not even noise: a drawing or "
            "screen, or a codec that leaves no noise. Whether the picture is frozen "
            "cannot be told here, nor which frames come twice."
        )


def _black_or_behind(states: NDArray[np.floating]) -> Flags:
    black = np.asarray(states == State.BLACK, bool)
    return np.asarray(black | np.concatenate([[False], black[:-1]]), bool)


MEASURE = Measure(
    name="stillness",
    version=16,
    label="Stillness",
    clock="picture",
    columns=(
        Column("difference_percent", "Mean change since the frame before", "%", 3),
        Column("cell_percent", "Largest change of a small area", "%", 2),
        Column("changed_percent", "Pixels that changed", "%", 2),
        Column("identical", "Same as the frame before, bit for bit", "", 0),
        Column("level_percent", "Level that 99 % lie under, without noise", "%", 2),
        Column("key", "Frame coded on its own", "", 0),
    ),
    derived=(
        Column(
            "state",
            "0 live, 1 repeated in rhythm, 2 repeated, 3 frozen, 4 black",
            "",
            0,
        ),
    ),
    derive=_derive,
    options=(
        Option(
            "stillness.black_percent",
            3.0,
            "Black when 99 % of the picture, noise averaged away, lies at or under "
            "this level (house choice).",
            unit="%",
            low=0,
            high=50,
            measuring=True,
        ),
        Option(
            "stillness.black_reject_seconds",
            2.0,
            "Reject where the picture is black this long; shorter is for review "
            "(house choice).",
            unit="s",
            low=0,
            high=86400,
        ),
        Option(
            "stillness.frozen_review_seconds",
            0.5,
            "Frozen when the picture stands still this long although noise should "
            "move; what is shorter counts as repeated frames (house choice).",
            unit="s",
            low=0.05,
            high=86400,
            measuring=True,
        ),
        Option(
            "stillness.frozen_reject_seconds",
            2.0,
            "Reject where the picture stands still this long (house choice).",
            unit="s",
            low=0.05,
            high=86400,
        ),
        Option(
            "stillness.repeated_per_minute",
            6,
            "Review when more frames than this within a minute repeat the one before "
            "out of turn; fewer are noted (house choice).",
            kind="whole",
            low=0,
            high=10000,
        ),
    ),
    start=_Reader,
    checks=(check,),
    check_rules={
        "picture.black": "Black",
        "picture.frozen": "Frozen",
        "picture.repeated": "Repeated frames",
    },
    charts=(
        Chart(
            ("difference_percent",),
            "Change from frame to frame",
            "% of black to white",
            low=0.0,
            explain="Noise alone keeps a live picture off the ground; a picture that "
            "stands still lies on it.",
        ),
    ),
    summarise=_summarise,
    notes=_notes,
    companions=companions,
    exhibits=exhibits,
    method=(
        "Each frame is compared with the one before, line by line on full lines spread "
        "over the picture and cell by cell on the small picture; where both agree, "
        "pixel by pixel. Still is what changes less than a quarter of the quietest "
        "tenth of the take's own live frames, with no cell changing by more than 2.5 "
        "%, or what is the same bit for bit; pulses of key frames, and of up to three "
        "frames that lead up to them, are bridged. Kept "
        "under fresh noise is what stands, to within noise, in a picture that moved at "
        "full speed up to the frame before and then changes at once by more than twice "
        "what any frame beside it does; kept and refined is what changes by under a "
        "twentieth there and does not move, also where it is not the camera that moved "
        "but what is before it. Where motion dies down before a still and "
        "rises behind it, or pixels go on changing in it, and frames build on others, "
        "it may be a scene at rest. Single "
        "repeats stand out against the frames around them, which move, by the mean "
        "change or by that of the cell that changes most, or, where noise is new in "
        "every frame, by noise that stops; lesser falls that the next "
        "frame makes up for count where four repeats lie within 10 s. Steady rhythms "
        "of repeats are found by their period and noted; their step may change now and "
        "then (one change weighs as much as four frames that do not fit), and only a "
        "picture that is then shown longer than the rhythm has it is out of turn. The "
        "frames told are those that repeat, not the one they repeat; a few at the "
        "very end of a take, where coders leave frames out, are let be. Black: the "
        "level of 48 x 27 cells."
    ),
    source="Otsu, IEEE Trans. SMC 9(1), 1979 (from memory). Limits: house choice.",
)
