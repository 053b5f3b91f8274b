"""Noise: how much the picture trembles where nothing is, from gain set too high.

What changes from frame to frame in flat areas is noise; weave and detail stay as they
are, and what the coder has smoothed does not change at all.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Mapping

import numpy as np
from numpy.typing import NDArray

from qc.limits import Option
from qc.measures.base import (
    Chart,
    Column,
    Exhibit,
    Hit,
    Line,
    Measure,
    Measured,
    Rule,
    Setup,
    Values,
)
from qc.measures.parts.scan.flatnoise import (
    BLOCK,
    LEVELS_PERCENT,
    MID_PERCENT,
    REPEATED_SHARE,
    FlatNoise,
    flat_blocks,
    flat_noise,
)
from qc.measures.parts.scan.framepairs import Bands, FramePairs, band_starts
from qc.measures.parts.scan.gainsteps import added, jump_of, place_of_jump
from qc.measures.parts.scan.noisetold import FINE_GRAIN, LIKE, mid_percent
from qc.records import Finding, Marks, Picture, Readings, TakeResult
from qc.signal import Signal

__all__ = ["MEASURE"]

# Not a whole number, so that it does not keep step with the coder's groups of pictures.
_PER_SECOND = 1.9
_BANDS = 8
# Gain is switched, so that noise jumps: where a reading is not like the one before,
# and not next to nothing, the frame is looked for.
_LEAST_JUMP_PERCENT = 0.6
_KEEP_S = 0.7
# A coder smooths noise away between key frames, not so much in them: they are looked
# at as well, not more often than this. Not where every frame is one.
_KEYS_S = 0.9
# What is left between key frames, as a share, if compression is to be blamed.
_SMOOTHED = 0.6
_LEVELS = tuple(itertools.pairwise(LEVELS_PERCENT))


# ------------------------------------------------------------------------ the reader


class _Reader:
    def __init__(self, setup: Setup) -> None:
        self._pairs = FramePairs(
            setup,
            per_second=_PER_SECOND,
            count=_BANDS,
            rows=BLOCK,
            keep_s=_KEEP_S,
            thin=True,
        )
        self._last = math.nan
        self._floor = math.nan
        self._since = 0
        video = setup.info.video
        self._tick_s = float(video.time_base) if video is not None else math.nan
        self._limit = float(setup.limits["noise.mid_review_percent"])
        self._after_key = True
        self._key: Bands | None = None
        self._key_s = -math.inf

    def read(self, picture: Picture) -> Values:
        self._since += 1
        pair = self._pairs.take(picture)
        out: dict[str, float | NDArray[np.floating]] = {}
        if picture.key and not self._after_key:
            out |= self._at_key(picture)
        self._after_key = picture.key
        if pair is not None:
            out |= self._look(*pair, picture.signal)
        return out

    def _look(
        self, before: Bands, now: Bands, signal: Signal
    ) -> dict[str, float | NDArray[np.floating]]:
        noise = flat_noise(before, now, signal=signal)
        percent = 100.0 / (signal.white - signal.black)
        ago = self._frames_ago(noise, signal, percent)
        floor = float(noise.shares[0])
        gained, gained_ago = self._gained(floor, signal)
        self._last, self._floor, self._since = _seen(noise), floor, 0
        return {
            "floor_percent": math.sqrt(max(floor, 0.0)) * percent,
            "gained_percent": gained * percent,
            "gained_ago_frames": gained_ago,
            "raw_percent": noise.mid * percent,
            "grain": noise.grain,
            "repeated_percent": 100.0 * noise.repeated,
            "uneven": noise.uneven,
            "level_percent": noise.levels * percent,
            "changed_ago_frames": ago,
        }

    def _at_key(self, picture: Picture) -> dict[str, float]:
        """Look at a key frame: against the frame before, and the key frame before."""
        at = picture.pts * self._tick_s
        pair = self._pairs.earlier(0)
        if pair is None or 0 <= at - self._key_s < _KEYS_S:
            return {}
        last, signal = self._key, picture.signal
        self._key, self._key_s = pair[1].copy(), at
        noise = flat_noise(*pair, signal=signal)
        percent = 100.0 / (signal.white - signal.black)
        mid = noise.mid
        if mid * percent > self._limit:
            # Detail that coding had worn off comes back with a key frame; it is the
            # same in the one before, which noise is not.
            if last is None or last.shape != pair[1].shape:
                return {}
            other = flat_noise(last, pair[1], signal=signal).mid
            # Not more than both say; NaN where one says nothing.
            mid = float(np.minimum(mid, other))
        return {
            "key_percent": mid * percent,
            "key_grain": noise.grain,
            "key_uneven": noise.uneven,
        }

    def _gained(self, floor: float, signal: Signal) -> tuple[float, float]:
        """Return what was added to all blocks at once, and how many frames ago."""
        if not jump_of(self._floor, floor):
            return math.nan, math.nan

        def shares(ago: int) -> NDArray[np.float64]:
            pair = self._pairs.earlier(ago)
            if pair is None:
                return np.full(4, np.nan)
            return flat_noise(*pair, signal=signal).shares

        reach = min(self._since, self._pairs.reach)
        ago = place_of_jump(lambda a: float(shares(a)[0]), reach, self._floor, floor)
        if ago is None:
            return math.nan, math.nan
        # The pair on the step is of both kinds.
        return added(shares(ago + 2), shares(max(ago - 1, 0))), float(ago)

    def _frames_ago(self, noise: FlatNoise, signal: Signal, percent: float) -> float:
        """Return how many frames ago the noise jumped to what it is; NaN if not."""
        old, new = self._last, _seen(noise)
        low, high = min(old, new), max(old, new)
        # NaN in either makes this false.
        if not (high > LIKE * low and high * percent >= _LEAST_JUMP_PERCENT):
            return math.nan
        middle = math.sqrt(high * max(low, high / 4.0))
        # Halving the stretch: these many frames ago it was as now, and as before.
        as_now, as_before = 0, min(self._since, self._pairs.reach)
        while as_before - as_now > 1:
            ago = (as_now + as_before) // 2
            pair = self._pairs.earlier(ago)
            then = math.nan if pair is None else _seen(flat_noise(*pair, signal=signal))
            if math.isnan(then):
                return math.nan
            if (then > middle) == (new > middle):
                as_now = ago
            else:
                as_before = ago
        return float(as_now)

    def finish(self) -> Mapping[str, object]:
        return {}


def _seen(noise: FlatNoise) -> float:
    """Return the noise that is seen, 0 where the coder repeats; NaN if unknown."""
    return 0.0 if noise.repeated >= REPEATED_SHARE else noise.mid


def _derive(measured: Measured) -> Mapping[str, NDArray[np.floating]]:
    readings = measured.picture
    if readings is None or not readings.rows:
        return {}
    limit = float(measured.limits["noise.mid_review_percent"])
    return {"mid_percent": mid_percent(readings, limit)}


# ----------------------------------------------------------------------- the verdict


def _message(hit: Hit) -> str:
    worst = hit.worst
    middle = float(np.nanmedian(hit.values("noise.mid_percent")))
    grain = hit.values("noise.grain")
    known = grain[~np.isnan(grain)]
    coarse = known.size > 0 and float(np.median(known)) > FINE_GRAIN
    at_worst = f" (at worst {worst:.1f} %)" if worst - middle >= 0.1 else ""
    return (
        f"Noisy picture: at mid level, flat areas tremble by {middle:.1f} % of "
        f"range{at_worst}, {_ratio_db(middle):.0f} dB under white"
        + (", in grain coarser than a pixel." if coarse else ".")
        + _how(hit)
    )


def _how(hit: Hit) -> str:
    """Say where it was read, if not at mid level and in any frame."""
    out = ""
    levels = hit.values("noise.level_percent")
    at_mid = [MID_PERCENT[0] <= (a + b) / 2 < MID_PERCENT[1] for a, b in _LEVELS]
    if np.isnan(levels[:, at_mid]).all() and not np.isnan(levels).all():
        out += " Nothing is at mid level here: read where it is darker or lighter."
    raw, keys = hit.values("noise.raw_percent"), hit.values("noise.key_percent")
    known = raw[~np.isnan(raw)]
    sure = keys[keys > hit.limit]
    if sure.size and known.size and float(np.median(known)) < _SMOOTHED * sure.max():
        out += " Compression smooths it away between key frames, and detail with it."
    return out


def _ratio_db(percent: float) -> float:
    return 20.0 * math.log10(100.0 / percent)


def _advice(hit: Hit) -> str:
    # Amplifier noise doubles with 6 dB; photon noise only with 12.
    limit = float(hit.measured.limits["noise.mid_review_percent"])
    down = max(1, math.ceil(20.0 * math.log10(hit.worst / limit)))
    return (
        f"Turn the gain down by at least {down} dB and make up for it with light: open "
        "the iris or ask for the lamp to be brought closer, one stop for each 6 dB. If "
        "the gain is at 0 dB already, look whether the exposure has been lifted "
        "elsewhere."
    )


def _medians(
    readings: Readings, first: int, last: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return middles of levels and the median noise of rows at each, NaN if unknown."""
    edges = np.array(LEVELS_PERCENT)
    middles = 0.5 * (edges[:-1] + edges[1:])
    values = readings["noise.level_percent"][first:last].astype(np.float64)
    out = np.full(len(middles), np.nan)
    for i in np.flatnonzero(~np.isnan(values).all(axis=0)):
        out[i] = np.nanmedian(values[:, i])
    return middles, out


def _summarise(measured: Measured) -> Mapping[str, object]:
    readings = measured.picture
    if readings is None or not readings.rows:
        return {}
    mid = readings["noise.mid_percent"].astype(np.float64)
    known = mid[~np.isnan(mid)]
    grain = readings["noise.grain"]
    repeated = readings["noise.repeated_percent"]
    middles, levels = _medians(readings, 0, readings.rows)

    def median(values: NDArray[np.floating]) -> float:
        kept = values[~np.isnan(values)]
        return float(np.median(kept)) if kept.size else math.nan

    return {
        "mid_median_percent": median(mid),
        "mid_max_percent": float(known.max()) if known.size else math.nan,
        "grain_median": median(grain),
        "repeated_median_percent": median(repeated),
        "by_level": [
            {"level_percent": float(m), "noise_percent": float(v)}
            for m, v in zip(middles, levels, strict=True)
        ],
    }


def _notes(measured: Measured) -> Iterable[str]:
    readings = measured.picture
    if readings is None or not readings.rows:
        return
    if not np.isnan(readings["noise.mid_percent"]).all():
        return
    repeated = readings["noise.repeated_percent"]
    known = repeated[~np.isnan(repeated)]
    raw = readings["noise.raw_percent"]
    raw = raw[~np.isnan(raw)]
    if not known.size:
        why = "no flat area of middle brightness was found"
    elif not raw.size or float(np.median(raw)) == 0.0:
        why = (
            "most flat areas do not change at all from frame to frame, so the "
            "recording's compression has smoothed the noise, or the picture is drawn"
        )
    else:
        why = (
            "what changes in flat areas may be motion or the work of compression as "
            "well as noise"
        )
    yield f"Noise could not be measured: {why}."


# ------------------------------------------------------------------------- the report


def _mark(picture: Picture, setup: Setup, finding: Finding) -> Marks:
    """Outline the flat blocks at mid level, read on one frame alone."""
    starts = band_starts(picture.height, count=_BANDS, rows=BLOCK)
    across = picture.width // BLOCK
    mask = np.zeros(picture.y.shape, bool)
    if starts and across:
        bands = np.stack([picture.y[a : a + BLOCK] for a in starts])
        for place in flat_blocks(bands, signal=picture.signal):
            band, column = divmod(int(place), across)
            top, left = starts[band], column * BLOCK
            mask[top : top + BLOCK, left : left + BLOCK] = True
    return Marks(
        areas=(("flat-area", mask),),
        caption=(
            "Marked: flat areas of middle brightness, where noise is easiest to see."
        ),
    )


def _exhibits(result: TakeResult, finding: Finding) -> Iterable[Exhibit]:
    readings = result.picture
    if readings is None or not readings.rows:
        return ()
    first, last = np.searchsorted(
        readings.times(), [float(finding.start), float(finding.end)]
    )
    # A reading may lie a moment before the stretch that it stands for.
    middles, levels = _medians(readings, int(first), max(int(last), int(first) + 1))
    limits = result.limits
    return (
        Exhibit(
            kind="lines",
            title="Noise against level",
            caption=(
                "How much flat areas tremble, by how bright they are; judged between "
                f"{MID_PERCENT[0]:g} and {MID_PERCENT[1]:g} %."
            ),
            lines=(Line("Noise", middles, levels),),
            x_label="% of range, level",
            y_label="% of range, noise",
            levels=_limit_lines(limits),
        ),
    )


def _limit_lines(limits: Mapping[str, object]) -> tuple[tuple[str, float], ...]:
    out = []
    for name, label in (("mid_review", "Review"), ("mid_reject", "Reject")):
        value = limits.get(f"noise.{name}_percent")
        if isinstance(value, int | float):
            out.append((label, float(value)))
    return tuple(out)


MEASURE = Measure(
    name="noise",
    version=12,
    label="Noise",
    clock="picture",
    room="noise",
    columns=(
        Column("raw_percent", "Noise at mid level, as read", "% of range", 2),
        Column("grain", "Grain: 1 pixel-fine, 2 coarse", "", 2),
        Column("repeated_percent", "Flat areas that do not change at all", "%", 0),
        Column("uneven", "Unevenness of the noise", "", 2),
        Column(
            "level_percent",
            "Noise by level",
            "% of range",
            2,
            width=len(LEVELS_PERCENT) - 1,
        ),
        Column("floor_percent", "Noise of the least changing blocks", "% of range", 2),
        Column("gained_percent", "Noise added to all blocks at once", "% of range", 2),
        Column("gained_ago_frames", "Frames since it was added", "frames", 0),
        Column("changed_ago_frames", "Frames since the noise jumped", "frames", 0),
        Column("key_percent", "Noise in key frames, as read", "% of range", 2),
        Column("key_grain", "Grain of key frames", "", 2),
        Column("key_uneven", "Unevenness of the noise in key frames", "", 2),
    ),
    derived=(Column("mid_percent", "Noise at mid level", "% of range", 2),),
    derive=_derive,
    options=(
        Option(
            "noise.mid_review_percent",
            1.2,
            "Noise in flat areas at mid level, standard deviation in percent of range, "
            "from which a take is up for review (house choice; 1 % is 40 dB under "
            "white).",
            unit="%",
            low=0.1,
            high=50,
        ),
        Option(
            "noise.mid_reject_percent",
            2.5,
            "Noise at mid level from which a take is rejected (house choice; 32 dB "
            "under white).",
            unit="%",
            low=0.1,
            high=50,
        ),
        Option(
            "noise.min_seconds",
            1.0,
            "Noise must last this long to be reported (house choice).",
            unit="s",
            low=0,
            high=60,
        ),
    ),
    start=_Reader,
    rules=(
        Rule(
            "picture.noise",
            "noise.mid_percent",
            "Noise",
            _message,
            _advice,
            review="noise.mid_review_percent",
            reject="noise.mid_reject_percent",
            # What lies just under the limit beside a jump of gain is not part of it;
            # readings that waver about the limit are bridged.
            release=1.0,
            min_seconds="noise.min_seconds",
            bridge_seconds=3.0,
            unit="% of range",
        ),
    ),
    charts=(
        Chart(
            ("mid_percent",),
            "Noise",
            "% of range",
            low=0.0,
            limits=("noise.mid_review_percent", "noise.mid_reject_percent"),
            explain=(
                "How much flat areas between 30 and 60 % tremble. Empty: nothing flat "
                "there, smoothed by compression, or in motion."
            ),
        ),
    ),
    summarise=_summarise,
    notes=_notes,
    mark=_mark,
    exhibits=_exhibits,
    method=(
        "About twice a second, two neighbouring frames are compared in blocks of 16 x "
        "16 pixels on eight bands of lines. Of the blocks between 30 and 60 % of range "
        "that change at all, the variance that 35 % stay under counts, corrected for "
        "that choice (15 %, if only the least changing agree); without such blocks "
        "those between 15 and 80 %, carried to mid level by the slope of the BT.709 "
        "curve, half photon and half reading noise. The standard deviation of their "
        "difference over the square root of two, less rounding, is the noise of one "
        "frame: weave and detail stand still and cancel, and what whole rows do alike, "
        "as under bands of light, is taken out by least squares. Motion raises the "
        "reading, so "
        "one over the limit counts only where the blocks agree and no texture passes "
        "under a moving camera or in a picture that cannot be followed (coarse grain "
        "in a zoom counts where it is as even as at rest), nor where a slight shift of "
        "the texture explains 60 % of what changes in half of the blocks. Compression "
        "lowers it, by about a tenth at a camera's "
        "bit rates, more at lower ones, least in key frames: these are read about once "
        "a second too, against the frame before and the key frame before (what comes "
        "back with a key frame is the same in both, noise is not); the smaller of both "
        "counts. Where most flat blocks are repeated unchanged, nothing is said. Where "
        "the reading jumps, the frame is looked for; doubtful readings count beside "
        "sure ones like them. Under a moving camera noise is told where one and the "
        "same variance is added to all blocks from one frame to the next (motion "
        "multiplies) and stays or is taken away again, while speed and shot stay. "
        "Coarse trembling at mid level is none where most of the picture has less "
        "than an eighth of it."
    ),
    source=(
        "Difference of two frames of a still scene: textbook statistics (variance of "
        "a difference is the sum of the variances). Limits: house choice."
    ),
)
