"""What a spot check says of itself: what was looked at, and what follows from it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

from qc.measures import rule_labels
from qc.records import SpotCoverage, TakeResult
from qc.report.axis import Axis, axis_of
from qc.report.strips import Band
from qc.report.words import byte_size, counted, length

__all__ = ["AS_FAR_AS_SEEN", "SpotBlock", "spot_block", "summary_sentences"]

AS_FAR_AS_SEEN = ", as far as seen"
_CONFIDENCE = "95 in 100 spot checks"


@dataclass(frozen=True, slots=True)
class SpotBlock:
    """The part of the page that only a spot check has.

    Attributes
    ----------
    sentences : tuple of str
        What was looked at, in plain words.
    bounds : tuple of (fault, share, stretches, sure)
        What follows for each fault.
    edges : tuple of (fault, seen, begins, ends)
        Where what was found begins and ends.
    not_judged : tuple of (fault, why)
    seen, unseen : tuple of Band
        Stretches of the time strip that were looked at, and all others.
    """

    sentences: tuple[str, ...]
    bounds: tuple[tuple[str, str, str, str], ...]
    edges: tuple[tuple[str, str, str, str], ...]
    not_judged: tuple[tuple[str, str], ...]
    seen: tuple[Band, ...] = ()
    unseen: tuple[Band, ...] = ()


def summary_sentences(result: TakeResult) -> tuple[str, ...]:
    """Return what was looked at and what follows, in a few sentences."""
    spot = result.coverage.spot
    if spot is None:
        return ()
    if spot.reading == "everything":
        return ("There was time to look at everything: every frame and sample.",)
    return (_looked_at(result, spot), _follows(spot))


def _looked_at(result: TakeResult, spot: SpotCoverage) -> str:
    shares = []
    if spot.frames_share_percent is not None:
        shares.append(f"{_percent(spot.frames_share_percent)} of the frames")
    if spot.sound_share_percent is not None:
        shares.append(f"{_percent(spot.sound_share_percent)} of the sound")
    if math.isnan(spot.longest_unseen_s):
        return (
            f"Only the first {length(spot.windows[-1][1])} were looked at; the file "
            "does not say how long it is."
        )
    what = " and ".join(shares) or "nothing"
    where = (
        f"in {counted(len(spot.windows), 'stretch', 'stretches')} over the whole take"
        if spot.reading == "windows"
        else "from the take's start on"
    )
    return (
        f"Only {what} were looked at, {where}; the longest stretch not seen is "
        f"{length(spot.longest_unseen_s)}."
    )


def _follows(spot: SpotCoverage) -> str:
    shares = sorted(b.share_percent for b in spot.bounds if b.share_percent is not None)
    if not shares:
        return "How much of the take has faults unseen cannot be told."
    low, high = _percent(shares[0], up=True), _percent(shares[-1], up=True)
    most = low if low == high else f"{low} ({high} for some kinds)"
    sure = f" (right in at least {_CONFIDENCE})" if spot.reading == "windows" else ""
    return (
        f"Of the take, up to {most} could still be affected by a fault that was not "
        f"found{sure}. To see all of it, run qc take."
    )


def _percent(value: float, *, up: bool = False) -> str:
    """Return a share; bounds are rounded up, so that they still hold."""
    digits = 2 if value < 1 else 1 if value < 10 else 0
    step = 10.0**digits
    number = math.ceil(value * step - 1e-9) / step if up else round(value, digits)
    return f"{number:g}\N{NO-BREAK SPACE}%"


def spot_block(result: TakeResult) -> SpotBlock | None:
    """Return what stands in the spot check's part of a page; None for a full check."""
    spot = result.coverage.spot
    if spot is None:
        return None
    labels = rule_labels()
    if spot.reading == "everything":
        return SpotBlock(summary_sentences(result), (), (), ())
    sentences: tuple[str, ...] = ()  # the verdict has said the rest
    if spot.reading == "windows":
        sentences += (
            f"{counted(spot.by_chance, 'window')} of {length(spot.window_s)} were "
            "placed at random, one in each of as many parts of the take; the take's "
            "beginning and end, and places around what was found, were looked at "
            "besides.",
        )
    sentences += (
        f"{byte_size(spot.bytes_read)} of the file's {byte_size(result.info.bytes)} "
        "were read."
        if spot.bytes_read
        else f"The file has {byte_size(result.info.bytes)}.",
        "The grade holds as far as seen. Stretches that can be used are not named: "
        "what was not seen may be good or bad.",
    )
    axis = axis_of(result)
    ends = (axis.start, *(s for pair in spot.windows for s in pair), axis.end)
    gaps = list(zip(ends[::2], ends[1::2], strict=True))
    return SpotBlock(
        sentences=sentences,
        seen=tuple(
            _band(axis, a, b, f"Looked at from {_at(result, a)}")
            for a, b in spot.windows
        ),
        unseen=tuple(_band(axis, a, b, "") for a, b in gaps if b > a),
        bounds=tuple(
            (
                labels.get(b.rule, b.rule),
                "found: see below"
                if b.share_percent is None
                else f"at most {_percent(b.share_percent, up=True)}",
                length(b.stretch_s),
                length(b.sure_s),
            )
            for b in sorted(spot.bounds, key=lambda b: (not b.found, b.rule))
        ),
        edges=tuple(
            (
                labels.get(e.rule, e.rule)
                + (f", channel {e.channel}" if e.channel is not None else ""),
                f"{_at(result, e.seen_from_s)} to {_at(result, e.seen_to_s)}",
                _edge(result, e.begins_after_s, e.seen_from_s),
                _edge(result, e.seen_to_s, e.ends_before_s),
            )
            for e in spot.edges
        ),
        not_judged=tuple((labels.get(r, r), why) for r, why in spot.not_judged),
    )


def _band(axis: Axis, start: float, end: float, title: str) -> Band:
    left, right = axis.share(start), axis.share(end)
    return Band(f"{100 * left:.3f}%", f"{100 * (right - left):.3f}%", title)


def _at(result: TakeResult, seconds: float) -> str:
    return result.label(Fraction(seconds).limit_denominator(100_000))


def _edge(result: TakeResult, first: float, last: float) -> str:
    """Return between which moments an edge lies; one moment if it was seen."""
    one, other = _at(result, first), _at(result, last)
    return one if one == other else f"between {one} and {other}"
