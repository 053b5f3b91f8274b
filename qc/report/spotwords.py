"""What a spot check says of itself: what was looked at, and what follows from it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from fractions import Fraction

from qc.measures import rule_labels
from qc.records import Grade, SpotBound, SpotCoverage, TakeResult
from qc.report.axis import Axis, axis_of
from qc.report.strips import Band
from qc.report.unjudged import is_too_short
from qc.report.words import byte_size, counted, length

__all__ = [
    "SpotBlock",
    "left_out",
    "sees_too_little",
    "spot_block",
    "summary_sentences",
    "too_short_word",
    "verdict_word",
]

_CONFIDENCE = "95 of 100 such checks"
# From here on it is told what was not seen instead of what was.
_NEARLY_ALL_PERCENT = 99.0
# So near its end a take counts as seen to the end: a frame is longer at times.
_END_S = 0.1
# If most kinds could be there unseen in more than this, "clean" says little; over the
# other, nothing can be said of them.
_LITTLE_PERCENT, _HOPELESS_PERCENT = 50.0, 90.0
# Over this a bound says nothing that anybody could use (house choice).
_USELESS_PERCENT = 80.0
# Sound and pictures are told apart if their shares are.
_APART_PERCENT = 3.0
_FEW, _NAMED = 3, 5
# So much longer than it was given a spot check may take: what is promised.
_LATE = 1.1
# What an operator asks for first, of what cannot be judged in pieces.
_FIRST = ("focus.soft", "exposure.drift", "white.drift", "sound.quiet", "sound.loud")


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
    unknown : str
        Names faults of which next to nothing is known; empty if there are none.
    not_judged : tuple of (why, faults)
        Each reason once, with what it keeps from being judged.
    seen, unseen : tuple of Band
        Stretches of the time strip that were looked at, and all others.
    """

    sentences: tuple[str, ...]
    bounds: tuple[tuple[str, str, str, str], ...]
    edges: tuple[tuple[str, str, str, str], ...]
    not_judged: tuple[tuple[str, tuple[str, ...]], ...]
    unknown: str = ""
    seen: tuple[Band, ...] = ()
    unseen: tuple[Band, ...] = ()


def summary_sentences(result: TakeResult) -> tuple[str, ...]:
    """Return what was seen and what could be missed, in a few sentences."""
    spot = result.coverage.spot
    if spot is None:
        return ()
    return (*_told(result, spot), *_late(result, spot))


def _told(result: TakeResult, spot: SpotCoverage) -> tuple[str, ...]:
    if spot.reading == "everything" and result.info.picture_lost:
        return ("All of the sound was judged, and no picture can be decoded.",)
    if spot.reading == "everything":
        return (
            "There was time to see everything: every frame and sample was judged, as a "
            "full check does.",
        )
    if math.isnan(spot.longest_unseen_s):
        return (
            f"Only the first {length(spot.windows[-1][1])} were seen. The file does "
            "not say how long it is, so nothing is said of the rest.",
        )
    seen = " ".join((_seen(result, spot), *_missable(spot, float(result.duration))))
    return (*_too_little(result, spot), seen)


def _late(result: TakeResult, spot: SpotCoverage) -> tuple[str, ...]:
    """Say how long it took, and why, where that is more than was asked for."""
    took = result.coverage.elapsed_s
    if took <= _LATE * spot.within_s:
        return ()
    least = not spot.by_chance and len(spot.windows) < 2
    why = (
        "to start, open the file and look at its first moments takes so long here now; "
        "less is not possible"
        if least
        else "a piece took longer than those before it"
    )
    asked, needed = length(spot.within_s), length(took)
    return (f"It took {needed} without the report, and {asked} were asked for: {why}.",)


def verdict_word(result: TakeResult, word: str) -> str:
    """Return the verdict in a few words: the grade, and how much of the take it is of.

    Parameters
    ----------
    word : str
        The word for the take's grade.
    """
    if sees_too_little(result):
        notes = len(result.findings)
        if is_too_short(result):
            return too_short_word(notes)
        return f"{_found(notes)}, but too little was seen"
    spot = result.coverage.spot
    partly = spot is not None and spot.reading != "everything"
    return f"{word}, as far as seen" if partly else word


def too_short_word(notes: int) -> str:
    """Return the verdict on a take that is too short to be called good.

    Examples
    --------
    >>> [too_short_word(n).partition(",")[0] for n in (0, 1, 2)]
    ['Nothing found', 'Only a note', 'Only notes']
    """
    return f"{_found(notes)}, but too short to judge all"


def _found(notes: int) -> str:
    if not notes:
        return "Nothing found"
    return "Only a note" if notes == 1 else "Only notes"


def sees_too_little(result: TakeResult) -> bool:
    """Tell whether a take must not be called good: hardly anything of it was seen.

    It may also be too short to show much: see `qc.report.unjudged`.
    """
    if is_too_short(result):
        return True
    spot = result.coverage.spot
    if spot is None or spot.reading == "everything":
        return False
    return _is_too_little(result, spot)


def _is_too_little(result: TakeResult, spot: SpotCoverage) -> bool:
    """Tell whether nothing was found because hardly anything was looked at."""
    shares = _shares(spot)
    if result.grade.rank > Grade.NOTE.rank:
        return False
    return not shares or shares[len(shares) // 2] > _LITTLE_PERCENT


def _too_little(result: TakeResult, spot: SpotCoverage) -> tuple[str, ...]:
    if not _is_too_little(result, spot):
        return ()
    return (
        "Too little was seen to call the take good: give it more time (--within) or "
        "run qc take.",
    )


def _seen(result: TakeResult, spot: SpotCoverage) -> str:
    long = float(result.duration)
    share = _share_seen(sum(b - a for a, b in spot.windows), long)
    sound = ""
    heard = spot.sound_share_percent
    pictured = spot.frames_share_percent
    if heard is not None and pictured is not None and heard < pictured - _APART_PERCENT:
        sound = f" ({_percent(heard)} of its sound)"
    pieces = len(spot.windows)
    if pieces > 1:
        where = f"in {pieces} pieces spread over it"
    else:
        where = "from its start on" if spot.windows[0][0] <= 0 else "in one piece"
    gap = length(spot.longest_unseen_s)
    return (
        f"{share} of the take{sound} was seen, {where}; the longest stretch not seen "
        f"is {gap}."
    )


def _share_seen(seen: float, long: float) -> str:
    """Return how much was seen; never all where something was not."""
    percent = 100 * seen / long if long else 0.0
    if percent < _NEARLY_ALL_PERCENT:
        return _percent(percent)
    return f"All but {length(max(long - seen, 0.01))}"


def _shares(spot: SpotCoverage) -> list[float]:
    return sorted(b.share_percent for b in spot.bounds if b.share_percent is not None)


def _missable(spot: SpotCoverage, long: float) -> tuple[str, ...]:
    """Say what could be there unseen: how long, and in how much of the take."""
    shares = _shares(spot)
    if not shares:
        return ("How much of the take has faults unseen cannot be told.",)
    if shares[-1] <= 0:
        return ("No fault that shows within a moment can have been missed.",)
    usual = shares[len(shares) // 2]
    if usual > _HOPELESS_PERCENT:
        return ()
    # Of all kinds but those of which too little was seen, which are told apart.
    judged = [b for b in spot.bounds if (b.share_percent or 0) <= _HOPELESS_PERCENT]
    certain = max(b.sure_s for b in judged)
    told = (
        f"A fault that goes on for more than {length(certain)} would have been seen"
        if usual > 0
        else "What shows within a moment was judged on all of it"
    )
    least = odds = ""
    if usual > 0:
        least = (
            ". Shorter ones could be there unseen, in at most "
            f"{_percent(usual, up=True)} of the take"
        )
        # More than was not seen: it must be told why.
        if usual > 100.0 * (1.0 - sum(b - a for a, b in spot.windows) / long):
            least += ", those seen too briefly to be judged included"
        odds = f" (this holds in {_CONFIDENCE})" if spot.by_chance else ""
    return (f"{told}{least}{odds}.", *_slower(spot, usual))


def _slower(spot: SpotCoverage, usual: float) -> tuple[str, ...]:
    """Say of which faults more could be there unseen than of most."""
    more = [b for b in spot.bounds if (b.share_percent or 0) > usual * 1.1 + 1.0]
    hopeless = [b for b in more if (b.share_percent or 0) > _HOPELESS_PERCENT]
    told = sorted(hopeless or more, key=lambda b: -(b.share_percent or 0))
    if not told:
        return ()
    labels = rule_labels()
    names = [f"“{labels.get(b.rule, b.rule)}”" for b in told]
    which = (
        " and ".join(names)
        if len(names) < _FEW
        else f"{len(names)} kinds that take seconds to show ({names[0]} and others)"
    )
    if hopeless:
        return (f"Too little was seen to judge {which}.",)
    most = _percent(told[0].share_percent or 0, up=True)
    return (f"Of {which}, it could be up to {most}.",)


def left_out(result: TakeResult) -> str:
    """Name what a spot check cannot judge; nothing if all was seen."""
    spot = result.coverage.spot
    if spot is None or spot.reading == "everything":
        return ""
    found = {f.rule for f in result.findings}
    rules = [r for r, _ in spot.not_judged if r not in found]
    rules.sort(key=lambda r: (_FIRST.index(r) if r in _FIRST else len(_FIRST), r))
    if not rules:
        return "To see all of the take, run qc take."
    labels = rule_labels()
    names = [f"“{labels.get(r, r)}”" for r in rules[:_NAMED]]
    more = len(rules) - len(names)
    what = ", ".join(names) + (f" and {more} more" if more else "")
    return (
        f"Not judged, as short pieces do not show it: {what}. To see all of the take, "
        "run qc take."
    )


def _where_looked(result: TakeResult, spot: SpotCoverage) -> str:
    ends = []
    if spot.windows and spot.windows[0][0] <= 0:
        ends.append("beginning")
    if spot.windows and spot.windows[-1][1] >= float(result.duration) - _END_S:
        ends.append("end")
    out = "Single places were looked at"
    if ends:
        were = "were" if len(ends) > 1 else "was"
        out = f"The take's {' and '.join(ends)} {were} looked at"
    if not spot.by_chance:
        return f"{out}; for more there was no time."
    around = ", and places around what was found" if result.findings else ""
    return (
        f"{out}, then {counted(spot.by_chance, 'piece')} of {length(spot.window_s)} at "
        f"places chosen by chance, evenly over the take{around}."
    )


def _percent(value: float, *, up: bool = False) -> str:
    """Return a share: of what was seen rounded down, of what could be missed up."""
    digits = 2 if value < 1 else 1 if value < 10 else 0
    step = 10.0**digits
    round_it, trifle = (math.ceil, -1e-9) if up else (math.floor, 1e-9)
    return f"{round_it(value * step + trifle) / step:g}\N{NO-BREAK SPACE}%"


def spot_block(result: TakeResult) -> SpotBlock | None:
    """Return what stands in the spot check's part of a page; None for a full check."""
    spot = result.coverage.spot
    if spot is None or spot.reading == "everything":
        return None
    labels = rule_labels()
    found = {f.rule for f in result.findings}
    sentences: tuple[str, ...] = ()  # the verdict has said the rest
    if spot.reading == "windows":
        sentences += (_where_looked(result, spot),)
    if 0 < spot.bytes_read < result.info.bytes:
        sentences += (
            f"{byte_size(spot.bytes_read)} of the file's "
            f"{byte_size(result.info.bytes)} were read.",
        )
    sentences += (
        "The verdict holds for what was seen. Stretches that can be used are not "
        "named: what was not seen may be good or bad.",
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
                _unseen_share(b.share_percent),
                length(b.stretch_s),
                length(b.sure_s),
            )
            for b in sorted(
                (b for b in spot.bounds if not _says_nothing(b)),
                key=lambda b: (not b.found, -(b.share_percent or 0.0), labels[b.rule]),
            )
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
        not_judged=_by_reason(
            (labels.get(r, r), why) for r, why in spot.not_judged if r not in found
        ),
        unknown=_unknown(spot, labels),
    )


def _says_nothing(bound: SpotBound) -> bool:
    share = bound.share_percent
    return not bound.found and share is not None and share > _USELESS_PERCENT


def _unknown(spot: SpotCoverage, labels: Mapping[str, str]) -> str:
    """Name in one line what most of the take could have without being noticed."""
    names = sorted(labels.get(b.rule, b.rule) for b in spot.bounds if _says_nothing(b))
    return f"Next to nothing is known of: {', '.join(names)}." if names else ""


def _by_reason(
    told: Iterable[tuple[str, str]],
) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """Return (why, faults), what most faults share first."""
    reasons: dict[str, list[str]] = {}
    for fault, why in told:
        reasons.setdefault(f"{why[:1].upper()}{why[1:]}", []).append(fault)
    ordered = sorted(reasons.items(), key=lambda reason: -len(reason[1]))
    return tuple((why, tuple(faults)) for why, faults in ordered)


def _unseen_share(percent: float | None) -> str:
    if percent is None:
        return "found: see below"
    if percent <= 0:
        return "none: all of it was judged"
    return f"at most {_percent(percent, up=True)}"


def _band(axis: Axis, start: float, end: float, title: str) -> Band:
    left, right = axis.share(start), axis.share(end)
    return Band(f"{100 * left:.3f}%", f"{100 * (right - left):.3f}%", title)


def _at(result: TakeResult, seconds: float) -> str:
    return result.label(Fraction(seconds).limit_denominator(100_000))


def _edge(result: TakeResult, first: float, last: float) -> str:
    """Return between which moments an edge lies; one moment if it was seen."""
    one, other = _at(result, first), _at(result, last)
    return one if one == other else f"between {one} and {other}"
