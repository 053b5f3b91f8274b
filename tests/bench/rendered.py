"""Sections of the accuracy bench on drawn takes, whose truth is exact.

Goals are the project's own. A reading that should be there and is not counts as wrong.
"""

from __future__ import annotations

import math
import multiprocessing
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from fractions import Fraction
from functools import lru_cache, partial
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from qc.judge import find
from qc.measures import exposure, framing, highlights, white
from qc.measures.base import Measure, Measured
from qc.records import Finding, Picture
from qc.signal import Signal
from tests import pictures
from tests.bench.scoring import Pool, Row, Task, binned, percentile, rate, section

sys.path.append(str(Path(__file__).resolve().parents[2] / "sample_media"))
from theatre import family  # type: ignore[import-not-found]

__all__ = ["BurntTake", "WhiteTake", "run_case"]

_FPS, _SECONDS = 5, 3.0
_LEVEL = 95.0
# Two in five are good fields: of a hundred and more goals of 97 and 98 % can be told.
_BURNT_TAKES, _WHITE_TAKES = 566, 32
# A field is good up to half of the share that is let pass, and bad above it for long
# enough that no rule about short stretches can excuse silence.
_GOOD_SHARE, _BAD_SHARE, _BAD_SECONDS = 0.005, 0.01, 1.0
_SWAB_BURNT = 0.005
_RIGHT_STOPS = -0.15
# A channel is cut off from two 8-bit codes under the camera's end on, and this much
# of the picture may be.
_END_SHARE, _MAY_BE_CUT_OFF = 2 / 219, 0.01
_NEUTRAL_SHARE = 0.005
_FOUND_FRAMES = 0.25

Classify = Callable[..., Any]


def picture_of(case: Any, planes: Sequence[NDArray[Any]], index: int) -> Picture:
    """Make the picture that a reader is given."""
    y, cb, cr = planes
    signal = Signal(bit_depth=case.bit_depth, full_range=case.full_range)
    return Picture(index=index, pts=index, duration=1, y=y, cb=cb, cr=cr, signal=signal)


def run_case(
    case: Any,
    measures: Sequence[Measure],
    watch: Callable[[Picture, Any], None],
    *,
    coded: bool = True,
) -> tuple[Measured, list[Finding]]:
    """Run real readers over a take; `watch` sees each picture and its truth."""

    def shots() -> Iterator[Picture]:
        frames = case.frames(_FPS, _SECONDS, coded=coded)
        for index, (planes, truth) in enumerate(frames):
            picture = picture_of(case, planes, index)
            watch(picture, truth)
            yield picture

    width, height = case.plan.table.size
    setup = pictures.setup_of(
        signal=Signal(bit_depth=case.bit_depth, full_range=case.full_range),
        width=width,
        height=height,
        rate=Fraction(_FPS),
    )
    measured = pictures.measure(shots(), setup, measures)
    return measured, find(measured, tuple(measures))


def _column(measured: Measured, name: str) -> NDArray[np.floating[Any]] | None:
    """Return a column; None where the measure has no such column."""
    assert measured.picture is not None
    if name not in measured.picture.columns:
        return None
    return np.asarray(measured.picture[name], np.float64)


# ------------------------------------------------------------------- burnt-out areas


@dataclass(slots=True, eq=False)
class BurntTake:
    """What one take showed and what was read of it; a list holds one entry a frame."""

    name: str
    relevant: list[float] = field(default_factory=list)
    swab: list[float] = field(default_factory=list)
    stops: list[float] = field(default_factory=list)
    pools: dict[str, Pool] = field(default_factory=dict)
    swab_taken: list[float] = field(default_factory=list)
    found: bool = False
    close: NDArray[np.floating[Any]] | None = None
    at_least: NDArray[np.floating[Any]] | None = None
    channel_stops: list[float] = field(default_factory=list)
    close_channel: NDArray[np.floating[Any]] | None = None

    @property
    def good(self) -> bool:
        """A right field, with burnt swabs."""
        swab = float(np.mean(self.swab))
        return max(self.relevant) <= _GOOD_SHARE and swab >= _SWAB_BURNT

    @property
    def bad(self) -> bool:
        """Burnt where it matters, for long enough."""
        frames = sum(share >= _BAD_SHARE for share in self.relevant)
        return frames >= _BAD_SECONDS * _FPS


def _classifier() -> tuple[Classify, Callable[[], Any]] | None:
    try:
        from qc.measures.parts.burnt.brightparts import BrightMemory, classify
    except ImportError:
        return None
    return classify, BrightMemory


def _bin(over_stops: float) -> str:
    if over_stops <= 0:
        return "right"
    return "to +1" if over_stops <= 1 else "to +2"


def _burnt_take(case: Any) -> BurntTake:
    take = BurntTake(case.name)
    parts_of = _classifier()
    memory = parts_of[1]() if parts_of else None
    code = case.first_code

    def watch(picture: Picture, truth: Any) -> None:
        relevant, swab = truth.relevant, truth.swab
        take.relevant.append(float(relevant.mean()))
        take.swab.append(float(swab.mean()))
        take.stops.append(case.truth_stops(truth))
        take.channel_stops.append(channel_truth(case, truth))
        if parts_of is None:
            return
        parts = parts_of[0](picture, code=code, memory=memory)
        told = parts.relevant | parts.undecided
        pool = take.pools.setdefault(_bin(truth.over_stops), Pool())
        pool.add(told, relevant, truth.other)
        if swab.any():
            take.swab_taken.append(float((told & swab).sum() / swab.sum()))

    measures = (framing.MEASURE, exposure.MEASURE, highlights.MEASURE)
    measured, findings = run_case(case, measures, watch)
    take.found = any(f.rule == "highlights.relevant" for f in findings)
    take.close = _column(measured, "exposure.close_stops")
    take.at_least = _column(measured, "exposure.close_at_least_stops")
    take.close_channel = _column(measured, "exposure.close_channel_stops")
    return take


def channel_truth(case: Any, truth: Any) -> float:
    """Return stops to close until at most 1 % has a channel cut off and matters.

    Exact for the noiseless picture: the brightest channel's light at that rank over
    the light that the camera's own curve brings to its end. 0 when nothing need be
    done; a knee that never lets a channel come to its end has nothing to close.
    """
    facts = case.sensor.facts
    light = np.linspace(0.3, 16.0, 100_001)
    value = case.sensor.curve(light)
    end = light[np.searchsorted(value, facts.clip_percent / 100 - _END_SHARE)]
    mine = np.isin(truth.labels, family.RELEVANT) & ~truth.edge
    top = np.sort(truth.light[mine].max(axis=-1))
    rank = int(_MAY_BE_CUT_OFF * truth.labels.size)
    if len(top) <= rank:
        return 0.0
    return max(0.0, math.log2(float(top[-1 - rank]) / float(end)))


def _takes_of(split: str, number: int) -> list[BurntTake]:
    """Run a take, and again at the right exposure where white things lie in it."""
    (case,) = family.cases(split, 1, number)
    takes = [_burnt_take(case)]
    if case.plan.kind != "good field" and case.plan.table.pieces:
        right = _burnt_take(case.exposed(_RIGHT_STOPS, _RIGHT_STOPS))
        right.name += ", closed to the right exposure"
        takes.append(right)
    return takes


@lru_cache(maxsize=2)
def _burnt_takes(split: str, count: int, jobs: int) -> tuple[BurntTake, ...]:
    """Run takes, shared out over processes; in order of their numbers."""
    of = partial(_takes_of, split)
    if jobs == 1:
        return tuple(take for number in range(count) for take in of(number))
    with ProcessPoolExecutor(jobs, multiprocessing.get_context("spawn")) as pool:
        return tuple(take for takes in pool.map(of, range(count)) for take in takes)


def pooled(takes: Iterable[BurntTake], name: str) -> Pool:
    """Add up the pools of one exposure bin."""
    total = Pool()
    for take in takes:
        if name in take.pools:
            total.merge(take.pools[name])
    return total


@section("highlights", "burnt-out areas that matter, told from swabs and glints")
def score_highlights(task: Task) -> list[Row]:
    """Score masks frame by frame, and findings take by take."""
    takes = _burnt_takes(task.split, task.count or _BURNT_TAKES, task.jobs)
    rows = []
    for name, goal in (("to +1", 0.85), ("to +2", 0.70)):
        pool = pooled(takes, name)
        middle = percentile(pool.each, 50)
        rows.append(
            Row(
                f"IoU of the relevant mask, {name} stop over",
                pool.iou,
                pool.frames,
                goal=goal,
                remark=f"frames; median of frames {middle:.3f}",
            )
        )
    good, bad = [t for t in takes if t.good], [t for t in takes if t.bad]
    missed = ", ".join(t.name for t in bad if not t.found)
    false = ", ".join(t.name for t in good if t.found)
    rows += [
        Row("burnt swab, good field: no finding", rate(not t.found for t in good),
            len(good), " %", 97.0, remark=f"false: {false}" if false else "takes"),
        Row("relevant burnt >= 1 % for 1 s: found", rate(t.found for t in bad),
            len(bad), " %", 98.0, remark=f"missed: {missed}" if missed else "takes"),
    ]  # fmt: skip
    taken = [v for t in takes for v in t.swab_taken]
    share = 100 * float(np.mean(taken)) if taken else math.nan
    rows.append(
        Row("burnt swab taken for relevant, mean", share, len(taken), " %",
            remark="frames")
    )  # fmt: skip
    return rows


@section("stops", "stops to close the iris until at most 1 % burns that matters")
def score_stops(task: Task) -> list[Row]:
    """Score the estimate frame by frame, by the true stops to close."""
    takes = _burnt_takes(task.split, task.count or _BURNT_TAKES, task.jobs)
    truth, error, bound, idle = [], [], [], []
    for take in takes:
        if take.close is None or take.at_least is None:
            continue
        for true, told, least in zip(
            take.stops, take.close, take.at_least, strict=True
        ):
            if true == 0:
                idle.append(bool(told > 0.25))
                continue
            truth.append(true)
            error.append(abs(float(told) - true))
            bound.append(not least > true + 0.1)
    rows = []
    goals = {0.0: 0.25, 1.5: None}
    for low, high, mine in binned(truth, error, (0.0, 1.5, 2.5)):
        without = sum(math.isnan(e) for e in mine)
        rows.append(
            Row(
                f"median error, true {low:g} to {high:g} stops",
                percentile(mine, 50) if mine else math.nan,
                len(mine),
                " stops",
                goals[low],
                at_least=False,
                remark=f"frames; {without} without estimate",
            )
        )
        rows.append(
            Row(
                f"90th percentile, true {low:g} to {high:g} stops",
                percentile(mine, 90),
                len(mine),
                " stops",
            )
        )
    rows += _channel_rows(takes)
    rows += [
        Row("lower bound <= truth + 0.1", rate(bound), len(bound), " %",
            remark="frames"),
        Row("nothing to close, told over 1/4", rate(idle), len(idle), " %",
            remark="frames"),
    ]  # fmt: skip
    return rows


def _channel_rows(takes: Sequence[BurntTake]) -> list[Row]:
    """Score the stops until no channel is cut off; none told counts as none."""
    truth, error = [], []
    for take in takes:
        if take.close_channel is None:
            continue
        truth += take.channel_stops
        told = np.nan_to_num(take.close_channel)
        error += [float(a) - b for a, b in zip(told, take.channel_stops, strict=True)]
    over = [(t, e) for t, e in zip(truth, error, strict=True) if t > 0]
    bins = binned([t for t, _ in over], [e for _, e in over], (0.0, 1.5, 2.5))
    rows = []
    for (low, high, mine), goal in zip(bins, (0.25, None), strict=True):
        name, size = f"true {low:g} to {high:g} stops", [abs(e) for e in mine]
        far = rate(e > 0.5 for e in mine)
        rows += [
            Row(f"channel: median error, {name}", percentile(size, 50), len(mine),
                " stops", goal, at_least=False, remark="frames"),
            Row(f"channel: 90th percentile, {name}", percentile(size, 90), len(mine),
                " stops", remark=f"{far:.0f} % told over 1/2 stop too much"),
        ]  # fmt: skip
    idle = [e > 0.25 for t, e in zip(truth, error, strict=True) if t == 0]
    return [*rows, Row("channel: nothing to close, told over 1/4", rate(idle),
                       len(idle), " %", remark="frames")]  # fmt: skip


# --------------------------------------------------------------------- white balance


@dataclass(frozen=True, slots=True, eq=False)
class WhiteTake:
    """What one take showed of a neutral and what was read of it.

    Attributes
    ----------
    share : float
        Largest share of the picture with neutral of use, over frames.
    error : float
        Distance in u', v' of the median reading from the truth; NaN: none read.
    found : bool
        A neutral was read in enough frames.
    confidence : float
        Median over the frames with a reading.
    measured : bool
        False where the measure has no such columns: then nothing can be scored.
    """

    name: str
    kind: str
    balanced: bool
    share: float
    error: float
    found: bool
    confidence: float
    cast: bool
    measured: bool = True


def _white_take(case: Any) -> WhiteTake:
    shares: list[float] = []
    measures = (framing.MEASURE, white.MEASURE)
    measured, findings = run_case(
        case, measures, lambda _, truth: shares.append(truth.neutral_share)
    )
    u = _column(measured, "white.neutral_u_prime")
    v = _column(measured, "white.neutral_v_prime")
    sure = _column(measured, "white.confidence")
    error = confidence = math.nan
    found = False
    if u is not None and v is not None:
        read = np.isfinite(u) & np.isfinite(v)
        found = bool(read.mean() >= _FOUND_FRAMES)
        if found:
            true = case.neutral_uv
            error = math.hypot(
                float(np.median(u[read])) - true[0], float(np.median(v[read])) - true[1]
            )
            if sure is not None:
                confidence = float(np.nanmedian(sure[read]))
    return WhiteTake(
        case.name,
        case.plan.kind,
        case.plan.light == case.plan.balanced_to,
        max(shares),
        error,
        found,
        confidence,
        any(f.rule == "white.cast" for f in findings),
        u is not None and v is not None,
    )


@section("white", "u', v' of a neutral that nobody pointed out")
def score_white(task: Task) -> list[Row]:
    """Score neutrals take by take."""
    count = task.count or _WHITE_TAKES
    every = [_white_take(case) for case in family.white_cases(task.split, count)]
    takes = [t for t in every if t.measured]
    present = [t for t in takes if t.share >= _NEUTRAL_SHARE]
    read = [t for t in present if t.found]
    absent = [t for t in takes if t.share < _NEUTRAL_SHARE / 5]
    even = [t for t in takes if t.balanced]
    false = ", ".join(t.name for t in even if t.cast)
    traps = ", ".join(
        f"{t.name} (off by {t.error:.3f}, confidence {t.confidence:.2f})"
        for t in absent
        if t.found
    )
    rows = [
        Row("u'v' error, 90th percentile, all with a neutral",
            percentile((t.error for t in present), 90), len(present), "", 0.002,
            at_least=False, remark="takes; none read counts as wrong"),
        Row("u'v' error, 90th percentile, where read",
            percentile((t.error for t in read), 90), len(read), remark="takes"),
        Row("u'v' error, median, where read",
            percentile((t.error for t in read), 50), len(read)),
        Row("neutral >= 0.5 % found", rate(t.found for t in present), len(present),
            " %"),
        Row("false white.cast on balanced takes", float(sum(t.cast for t in even)),
            len(even), "", 0.0, at_least=False, remark=false or "takes"),
        Row("read without a neutral", rate(t.found for t in absent), len(absent),
            " %", remark=traps),
    ]  # fmt: skip
    told = [t for t in takes if t.found and math.isfinite(t.confidence)]
    keys, errors = [t.confidence for t in told], [t.error for t in told]
    for low, high, mine in binned(keys, errors, (0.0, 0.25, 0.5, 0.75, 1.0)):
        rows.append(
            Row(f"u'v' error at confidence {low:g} to {high:g}, 90th percentile",
                percentile(mine, 90), len(mine), remark=f"median "
                f"{percentile(mine, 50):.4f}" if mine else "")
        )  # fmt: skip
    if task.plots is not None:
        _plot(told, task.plots / f"white_{task.split}.png")
    return rows


def _plot(takes: Sequence[WhiteTake], path: Path) -> None:
    """Draw error over confidence, by kind of take."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(6, 4), layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.add_subplot()
    for kind in sorted({t.kind for t in takes}):
        mine = [t for t in takes if t.kind == kind]
        axes.scatter(
            [t.confidence for t in mine], [max(t.error, 1e-5) for t in mine], label=kind
        )
    axes.axhline(0.002, color="0.5", linewidth=1)
    axes.set(yscale="log", xlim=(0, 1), xlabel="confidence told", ylabel="u'v' error")
    axes.set_title("Neutral found by itself: error over confidence")
    if takes:
        axes.legend(fontsize="small")
    figure.savefig(path, dpi=120)
