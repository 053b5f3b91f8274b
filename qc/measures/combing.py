"""Combing: whether a frame's two fields show the moments that the file declares.

Progressive pictures have fields of one moment, interlaced ones of two. Where they
differ from what is declared, moving edges get teeth, or motion jumps back and forth.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from itertools import pairwise

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
    signed,
)
from qc.measures.parts.scan.deadfields import FieldWatch, check_fields
from qc.measures.parts.scan.filmspeed import spread_over_fields
from qc.measures.parts.scan.framepairs import FramePairs
from qc.measures.parts.scan.lagwatch import LagWatch
from qc.measures.parts.scan.partcombing import (
    BAND_ROWS,
    BANDS,
    check_parts,
    filled,
)
from qc.measures.parts.scan.pulldown import PulldownWatch
from qc.measures.parts.scan.scanwords import Kind, thirds_words, words
from qc.measures.parts.scan.smoothteeth import WHOLE_TEETH, lasts
from qc.measures.parts.scan.teeth import teeth
from qc.measures.parts.scan.thirds import ONE_PICTURE, TWO_PICTURES, by_thirds
from qc.records import Finding, Marks, Picture, Readings, Scan, TakeInfo, TakeResult
from qc.signal import Signal

__all__ = ["MEASURE"]

# Not a whole number: film pulled down to 30 frames repeats every five, and a cadence
# in step with that would see one frame of five only.
_PER_SECOND = 2.9
# Where a moment shows another lag than the last one, every frame since is looked at.
_KEEP_S = 1.6
# Progressive pictures lie closer than this, three moments on end (700 recordings, up to
# 0.05; one moment up to 0.11).
_SMOOTHED, _NEARLY = 0.14, 0.11
_WOVEN = ("combed", "undeclared")
# Nor are fields of two moments nearer than this, most of the time, percent.
_SAME, _MOSTLY = 0.08, 50.0
# So many moving moments of the other kind end a stretch; fewer are exceptions.
_OTHERS_END = 5
_FEWEST_KNOWN = 3
# By how many frames the lower field is later.
_DECLARED: dict[Scan, float] = {"top field first": 0.5, "bottom field first": -0.5}


# ------------------------------------------------------------------------ the reader


def _range(signal: Signal) -> int:
    return signal.white - signal.black


class _Reader:
    def __init__(self, setup: Setup) -> None:
        self._pairs = FramePairs(
            setup, per_second=_PER_SECOND, count=BANDS, rows=BAND_ROWS, keep_s=_KEEP_S
        )
        self._moment = 0
        progressive = _is_progressive(setup.info)
        self._lags = LagWatch(
            step=_SMOOTHED if progressive else ONE_PICTURE,
            declared=_DECLARED.get(_scan(setup.info), 0.0),
        )
        self._fields = FieldWatch(
            apart_percent=setup.limits["combing.field_apart_percent"],
            times=setup.limits["combing.field_change_times"],
        )
        video = setup.info.video
        self._pulldown = PulldownWatch(None if video is None else video.frame_rate)

    def read(self, picture: Picture) -> Values:
        self._moment += 1
        self._lags.go_on()
        pair = self._pairs.take(picture)
        if pair is None:
            return {}
        span = _range(picture.signal)
        fields, since = self._fields.read(
            pair, self._pairs, since=self._moment, span=span
        )
        self._moment = 0
        lag, ago = self._lags.read(
            pair, self._pairs, span=span, change_times=fields.change_times
        )
        # Mixed frames pair fields of two frames, or one of their fields stands.
        unsure = math.isnan(lag.frames) and not math.isnan(fields.change_times)
        pulldown = self._pulldown.read(
            self._pairs, likely=unsure or abs(lag.frames) >= TWO_PICTURES, span=span
        )
        return {
            "field_lag_frames": lag.frames,
            "moving_percent": 100.0 * lag.moving,
            "teeth_percent": 100.0 * lag.teeth / span,
            "changed_ago_frames": ago,
            "fields_apart_percent": fields.apart_percent,
            "field_change_times": fields.change_times,
            "fields_ago_frames": since,
            "pulldown": pulldown,
            "bands_lag_frames": filled(lag.bands),
        }

    def finish(self) -> Mapping[str, object]:
        return {}


# ----------------------------------------------------------------------- the verdict


def _kind(lag: float, info: TakeInfo) -> Kind | None:
    """Return what is wrong with fields so far apart; None when it is as declared."""
    scan = _scan(info)
    if _is_progressive(info):
        if abs(lag) <= _SMOOTHED:
            return None
        return "combed" if scan == "progressive" else "undeclared"
    sign = -1.0 if scan == "bottom field first" else 1.0
    if abs(lag) >= TWO_PICTURES:
        return "paired"
    if sign * lag > -_SMOOTHED:
        return "same" if abs(lag) <= _SAME else None
    # What the file left open and opening it filled in is no fault of the recording.
    guessed = any("without a field order" in said for said in info.assumed)
    return "guessed" if guessed else "order"


def _scan(info: TakeInfo) -> Scan:
    return "unknown" if info.video is None else info.video.scan


def _is_progressive(info: TakeInfo) -> bool:
    return _scan(info) in ("progressive", "unknown")


def _check(measured: Measured) -> Iterator[Finding]:
    readings = measured.picture
    if readings is None or not readings.rows:
        return
    lag = readings["combing.field_lag_frames"]
    known = np.flatnonzero(~np.isnan(lag))
    spread = spread_over_fields(measured)
    yield from spread
    told = np.zeros(readings.rows, np.bool_)
    for found in spread:
        told[_rows_of(readings, found)] = True
        known = known[(known < found.start_frame) | (known >= found.end_frame)]
    kinds = [_kind(float(lag[row]), measured.info) for row in known]
    for place in np.flatnonzero(by_thirds(lag[known])).tolist():
        kinds[place] = "thirds"
    for kind in dict.fromkeys(k for k in kinds if k is not None):
        wrong = np.array([k == kind for k in kinds])
        if kind in _WOVEN:
            wrong = _grown(wrong, lag[known])
        for first, last in _stretches(wrong):
            count = int(wrong[first:last].sum())
            if kind in _WOVEN:
                later = lag[known[first:last][wrong[first:last]]] > 0
                count = max(int(later.sum()), int((~later).sum()))
            least = measured.limits["combing.least_moments"]
            share = 100.0 * count / (last - first)
            usual = float(measured.limits["combing.least_share_percent"])
            if count < least or share < (_MOSTLY if kind == "same" else usual):
                continue
            if kind in _WOVEN and not lasts(lag[known[first:last]]):
                continue
            found = _finding(measured, readings, kind, known, wrong, (first, last))
            told[_rows_of(readings, found)] = True
            yield found
    if _is_progressive(measured.info):
        yield from check_parts(measured, told)
    yield from check_fields(measured, least=measured.limits["combing.least_moments"])


def _grown(wrong: NDArray[np.bool_], lag: NDArray[np.floating]) -> NDArray[np.bool_]:
    """Return wrong moments with those next to them that are nearly so, the same way."""
    out = wrong.copy()
    for step in (1, -1):
        at = range(len(out))[::step]
        for before, now in pairwise(at):
            alike = lag[now] * np.sign(lag[before]) > _NEARLY
            out[now] |= out[before] and alike
    return out


def _rows_of(readings: Readings, found: Finding) -> slice:
    begins = readings.times()[:-1] + 1e-6
    first, last = np.searchsorted(begins, (float(found.start), float(found.end)))
    return slice(int(first), int(last))


def _stretches(wrong: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return runs of wrong moments, joined over a few right ones."""
    out: list[tuple[int, int]] = []
    for i in np.flatnonzero(wrong).tolist():
        if out and i - out[-1][1] < _OTHERS_END:
            out[-1] = (out[-1][0], i + 1)
        else:
            out.append((i, i + 1))
    return out


def _finding(
    measured: Measured,
    readings: Readings,
    kind: Kind,
    known: NDArray[np.intp],
    wrong: NDArray[np.bool_],
    stretch: tuple[int, int],
) -> Finding:
    first, last = stretch
    here = known[first:last][wrong[first:last]]
    teeth, lags = (
        readings[f"combing.{c}"] for c in ("teeth_percent", "field_lag_frames")
    )
    shown = here
    if kind == "thirds":
        shown = here[np.abs(lags[here]) >= TWO_PICTURES]
    lag = float(np.median(lags[shown]))
    worst_row = int(shown[np.nanargmax(teeth[shown])])
    share = 100.0 * len(here) / (last - first)
    # Scan is a way of recording: until something that moves tells otherwise, what
    # stands still around it was recorded in the same way.
    began = _changes(readings, known)
    begin = 0 if first == 0 else int(began[first])
    end = readings.rows if last == len(known) else int(began[last])
    scan = _scan(measured.info)
    if kind == "thirds":
        message, advice, grade = thirds_words(
            rate=measured.info.grid.rate,
            scan=scan,
            mixed_percent=100.0 * len(shown) / len(here),
        )
    else:
        message, advice, grade = words(kind, lag, scan)
        if kind in _WOVEN and abs(lag) <= WHOLE_TEETH:
            message += (
                " That is less than the half frame of interlace: coding or a "
                "conversion has smoothed part of the teeth, or a part of the picture "
                "alone has them."
            )
        message += (
            f" Seen in {share:.0f} % of the moments looked at in which something moves."
        )
    return finding_of(
        measured,
        readings,
        rule="picture.combing",
        grade=grade,
        first=begin,
        last=end,
        worst_row=worst_row,
        worst=lag,
        limit=math.copysign(_SMOOTHED, lag) if kind != "same" else None,
        unit="frames",
        message=message,
        advice=advice,
    )


def _changes(readings: Readings, rows: NDArray[np.intp]) -> NDArray[np.intp]:
    """Return from which row on there is what these rows show."""
    ago = np.nan_to_num(readings["combing.changed_ago_frames"][rows])
    return np.asarray(rows - ago.astype(np.intp), np.intp)


def _derive(measured: Measured) -> Mapping[str, NDArray[np.floating]]:
    """Let each reading stand until the next one: for the strip."""
    readings = measured.picture
    if readings is None or not readings.rows:
        return {}
    lag = readings["combing.field_lag_frames"]
    rows = np.arange(readings.rows)
    read = ~np.isnan(readings["combing.moving_percent"])
    latest = np.maximum.accumulate(np.where(read, rows, -1))
    fresh = np.asarray(readings.edges[:-1] - readings.edges[np.maximum(latest, 0)])
    held = fresh * float(readings.time_base) < 2.0 / _PER_SECOND
    out = np.where((latest >= 0) & held, lag[np.maximum(latest, 0)], np.nan)
    known = np.flatnonzero(~np.isnan(lag))
    for row, began in zip(known, _changes(readings, known), strict=True):
        out[began:row] = lag[row]
    return {"lag_held_frames": out}


def _known(measured: Measured) -> NDArray[np.float32]:
    if measured.picture is None or not measured.picture.rows:
        return np.empty(0, np.float32)
    lag = measured.picture["combing.field_lag_frames"]
    return lag[~np.isnan(lag)]


def _summarise(measured: Measured) -> Mapping[str, object]:
    known = _known(measured)
    right = [_kind(float(v), measured.info) is None for v in known]
    return {
        "moments_known": len(known),
        "field_lag_median_frames": float(np.median(known)) if len(known) else math.nan,
        "as_declared_percent": 100.0 * float(np.mean(right)) if right else math.nan,
    }


def _notes(measured: Measured) -> Iterable[str]:
    if measured.picture is None or not measured.picture.rows:
        return
    if len(_known(measured)) < _FEWEST_KNOWN:
        scan = _scan(measured.info).replace("unknown", "scan not known")
        yield (
            f"Whether the fields show the moments that the file declares ({scan}) "
            "cannot be told: too little moves in the pictures."
        )


# ------------------------------------------------------------------------- the report


def _mark(picture: Picture, setup: Setup, finding: Finding) -> Marks:
    return Marks(
        areas=(("combing", teeth(picture)),),
        caption="Marked: lines that stand out in turn. Fine weave can do so too.",
    )


def _exhibits(result: TakeResult, finding: Finding) -> Iterable[Exhibit]:
    readings = result.picture
    if readings is None or finding.unit != "frames":
        return ()
    lag = readings["combing.field_lag_frames"].astype(np.float64)
    known = np.flatnonzero(~np.isnan(lag))
    return (
        Exhibit(
            kind="lines",
            title="Lower field against upper field",
            caption=(
                "How much later the lower field was taken, wherever something moves: "
                f"{signed(0.5)} is top field first, {signed(-0.5)} bottom field first, "
                "0 progressive."
            ),
            lines=(Line("Lag", readings.times()[known], lag[known]),),
            x_label="seconds of the take",
            y_label="frames",
            levels=(
                ("Top field first", 0.5),
                ("Progressive", 0.0),
                ("Bottom field first", -0.5),
            ),
        ),
    )


MEASURE = Measure(
    name="combing",
    version=10,
    label="Interlace",
    clock="picture",
    columns=(
        Column("field_lag_frames", "Lower field after upper field", "frames", 2),
        Column("moving_percent", "Patches that move", "%", 0),
        Column("teeth_percent", "Teeth at moving edges", "% of range", 1),
        Column("changed_ago_frames", "Frames since the lag changed", "frames", 0),
        Column("fields_apart_percent", "Lower field less upper field", "%", 1),
        Column("field_change_times", "Change of the lower field by the upper's", "", 2),
        Column("fields_ago_frames", "Frames since fields differ so", "frames", 0),
        Column("pulldown", "Film spread over fields: 0 none, 1 2:3, 2 2:3:3:2", "", 0),
        Column(
            "bands_lag_frames",
            "Lag of each band, if it has one",
            "frames",
            2,
            width=BANDS,
        ),
    ),
    derived=(
        Column("lag_held_frames", "Lower field after upper field, held", "frames", 2),
    ),
    options=(
        Option(
            "combing.least_moments",
            3,
            "Moving moments (about three a second are looked at) that must show the "
            "wrong scan or field order before it is reported (house choice).",
            kind="whole",
            low=1,
            high=1000,
        ),
        Option(
            "combing.least_share_percent",
            20.0,
            "Share of a stretch's moving moments that must show it. Film speeds "
            "spread over fields comb two frames in five (house choice).",
            unit="%",
            low=0,
            high=100,
        ),
        Option(
            "combing.field_apart_percent",
            4.0,
            "Difference between the mean levels of the two fields from which on one "
            "is lost (house choice).",
            unit="%",
            low=1,
            high=100,
        ),
        Option(
            "combing.field_change_times",
            1.7,
            "How many times as much one field must change from frame to frame as "
            "the other, for that one to count as standing (house choice).",
            low=1.2,
            high=100,
        ),
    ),
    start=_Reader,
    derive=_derive,
    checks=(_check,),
    check_rules={"picture.combing": "Interlace or field order"},
    charts=(
        Chart(
            ("lag_held_frames",),
            "Interlace",
            "frames",
            low=-1.0,
            high=1.0,
            explain=(
                "How much later the lower field was taken than the upper: 0 is "
                "progressive, +0.5 top field first, −0.5 bottom field first. Empty: "
                "nothing moves enough to tell."
            ),
        ),
    ),
    summarise=_summarise,
    notes=_notes,
    mark=_mark,
    exhibits=_exhibits,
    method=(
        "About three times a second, two neighbouring frames are compared in patches "
        "of five bands of 32 lines. Where a patch moves, the difference between its "
        "two fields is regressed on its change from frame to frame; the slope is the "
        "time between the fields in frame periods: 0 for progressive, +½ for top field "
        "first, −½ for bottom field first. Still detail, weave and noise do not change "
        "in step and cancel. The median over moving patches counts; where too few move "
        "or they disagree, each field is held against the other one of the frames "
        "around: it is of the frame that it is like, up to two away, if it is less "
        "like the one as far the other way (progressive pictures are like both). Else "
        "nothing is said. Where the lag differs from that of the "
        "moment before, every frame between is looked at for the change. A field whose "
        "mean level lies off the other's, or that stands while the other goes on, is "
        "lost. Where a moment of 30 frames a second looks like it, twenty frames are "
        "looked at for film speeds spread over fields: in every five frames each field "
        "stands once while the other goes on, two frames apart (2:3) or one (2:3:3:2). "
        "Moments of one picture and of two in turn are told as one thing. A band that "
        "shows it four times on end, while the whole does not, is told as a part."
    ),
    source=(
        "Field order: ITU-R BT.709-6 and BT.601 (interlaced systems); the regression "
        "is least squares, a textbook method. Limits: house choice."
    ),
)
