"""Drop-outs: gaps, stuck samples, repeated blocks, jumps and clicks in the sound."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from qc.limits import Option
from qc.measures.base import Measure, Measured, Setup, Values, finding_of
from qc.measures.parts.sound.breakevents import (
    CLICKS,
    Event,
    Found,
    advice,
    clusters,
    events_of,
    named,
    one_said,
)
from qc.measures.parts.sound.breakfinder import (
    LOWEST_CLICK_RATE,
    BreakFinder,
    without_edges,
)
from qc.measures.parts.sound.cutoffs import Heard, cut_offs, nothing, told_gaps
from qc.measures.parts.sound.mutes import Dip, mutes, told_mutes, under_room
from qc.measures.parts.sound.soundbreaks import Break
from qc.measures.parts.sound.soundlines import (
    ROWS_PER_SECOND,
    Line,
    first_row,
    grouped,
    length_of,
    totals_of,
    tracks_of,
)
from qc.measures.parts.sound.truepeak import keeps_samples
from qc.records import AudioTrack, Finding, Grade, Readings, SoundBlock
from qc.spans import runs, union

__all__ = ["MEASURE"]

# A take with more than this is beyond repair; memory stays bounded.
_MOST_KEPT = 5_000
# What is clipped was too loud just before and after it as well.
_LOUD_ROWS = 50


class _Reader:
    def __init__(self, setup: Setup, track: AudioTrack) -> None:
        limits = setup.limits
        self._finder = BreakFinder(
            track.channels,
            track.sample_rate,
            shortest=limits["dropout.shortest_seconds"],
            longest=limits["dropout.longest_seconds"],
            edge_level=10.0 ** (limits["dropout.edge_dbfs"] / 20.0),
            click_level=10.0 ** (limits["dropout.click_dbfs"] / 20.0),
            lossy=not keeps_samples(track.codec),
        )
        self._rate = track.sample_rate
        self._kept: list[list[Break]] = [[] for _ in range(track.channels)]
        self._more = [0] * track.channels
        self._gaps: list[int] = []

    def read(self, block: SoundBlock) -> Values:
        if block.gap_before:
            self._take(self._finder.end())
            if len(self._gaps) < _MOST_KEPT:
                self._gaps.append(block.first_row)
        self._take(self._finder.feed(block))
        # What is found behind a block's end belongs to rows that are given away.
        return {}

    def _take(self, found: Iterable[tuple[int, Break]]) -> None:
        for channel, one in found:
            if len(self._kept[channel]) < _MOST_KEPT:
                self._kept[channel].append(one)
            else:
                self._more[channel] += 1

    def finish(self) -> Mapping[str, object]:
        self._take(self._finder.end())
        breaks = [
            (channel, b.kind, b.first, b.last, b.step or b.height)
            for channel, kept in enumerate(self._kept)
            for b in without_edges(kept, self._rate)
        ]
        return {
            "breaks": breaks,
            "more": self._more,
            "gap_rows": self._gaps,
            "dips": self._finder.dips,
        }


def _check(measured: Measured) -> Iterator[Finding]:
    gap = measured.limits["dropout.bridge_seconds"]
    for number, readings, track in tracks_of(measured):
        totals = totals_of(measured, "dropout")[number]
        clipped = _clipped(measured, number, readings)
        lost = _lost(measured, readings, track, totals["dips"])
        edges = _edges(measured, readings, track, lost)
        found: list[Found] = [*totals["breaks"], *lost]
        kept = [
            e
            for e in events_of(found, track)
            if not _touches(e, clipped, track) and not _touches(e, edges, track)
        ]
        loud = _around(measured, clipped)
        for events in clusters(
            kept,
            round(gap * track.sample_rate),
            many=measured.limits["dropout.clicks_for_review"],
        ):
            # A few clicks where the sound is cut off are part of that.
            if _few(measured, events) and all(_touches(e, loud, track) for e in events):
                continue
            yield _finding(measured, readings, track, events)
        rows = np.array(totals["gap_rows"], np.int64) - first_row(readings)
        rows = rows[(rows >= 0) & (rows < readings.rows)]
        rows = rows[~_empty_before(readings, rows)]
        breaks = np.flatnonzero(np.diff(rows) > gap * ROWS_PER_SECOND) + 1
        for part in np.split(rows, breaks) if rows.size else []:
            yield _gap(measured, readings, part.tolist())


def _clipped(
    measured: Measured, number: int, readings: Readings
) -> Mapping[int, frozenset[int]]:
    """Return the rows of the take with clipped samples, for each channel.

    Where sound is cut off it has corners, and two of them look like a jump. That it is
    clipped is said elsewhere, with what to do.
    """
    if "peaks.clipped_samples" not in readings.columns:
        return {}
    counts = np.nan_to_num(readings["peaks.clipped_samples"])
    base = first_row(readings)
    flats = totals_of(measured)[number].get("flats", ())
    out = {}
    for channel in range(counts.shape[1]):
        whole = counts[:, channel] > 0
        if channel < len(flats):
            whole |= flats[channel].over(base, readings.rows) > 0
        out[channel] = frozenset((base + np.flatnonzero(whole)).tolist())
    return out


def _empty_before(readings: Readings, rows: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Return behind which gaps whole rows are empty: that is told as damage."""
    if "peaks.sample_peak_dbfs" not in readings.columns:
        return np.zeros(len(rows), bool)
    empty = np.asarray(np.isnan(readings["peaks.sample_peak_dbfs"]).all(axis=1), bool)
    return np.asarray(empty[np.maximum(rows - 1, 0)] | empty[rows])


def _around(
    measured: Measured, clipped: Mapping[int, frozenset[int]]
) -> Mapping[int, frozenset[int]]:
    """Return the rows of clipped stretches, as told, and half a second around."""
    gap = float(measured.limits.get("peaks.bridge_seconds", 0.0)) * ROWS_PER_SECOND
    out = {}
    for channel, own in clipped.items():
        rows = np.array(sorted(own), np.int64)
        parts = np.split(rows, np.flatnonzero(np.diff(rows) >= gap) + 1)
        spans = union(
            (int(p[0]) - _LOUD_ROWS, int(p[-1]) + 1 + _LOUD_ROWS)
            for p in parts
            if p.size
        )
        out[channel] = frozenset(row for a, b in spans for row in range(a, b))
    return out


def _few(measured: Measured, events: list[Event]) -> bool:
    """Tell whether events are clicks alone, too few and low for more than a note."""
    if len(events) >= measured.limits["dropout.clicks_for_review"]:
        return False
    far = measured.limits["dropout.click_review_percent"] / 100.0
    return all(e.kind in CLICKS and e.height < far for e in events)


def _lost(
    measured: Measured, readings: Readings, track: AudioTrack, dips: Iterable[Dip]
) -> list[Found]:
    """Return moments in which even the noise of the room is gone, as holes.

    Longer ones are told as silence or as a dead channel.
    """
    if "peaks.rms_dbfs" not in readings.columns:
        return []
    heard = Heard.of(measured)
    rate, base = track.sample_rate, first_row(readings)
    out: list[Found] = []
    for index in range(track.channels):
        line = Line(measured, readings, track, index)
        told = told_gaps(line) + [one.span for one in cut_offs(line, heard)]
        spans = [
            (first, last)
            for first, last in told_mutes(line, heard)
            if not any(a < last and first < b for a, b in told)
        ]
        told += spans
        for first, last in spans:
            level = np.nanmax(line.column("rms_dbfs")[max(first - 5, 0) : first])
            out.append(
                (
                    index,
                    "hole",
                    (base + first) * rate // ROWS_PER_SECOND,
                    (base + last) * rate // ROWS_PER_SECOND,
                    10.0 ** (float(level) / 20.0),
                )
            )
        for dip in under_room(line, dips):
            first, last = (_row(at, rate, base) for at in dip[1:3])
            if not any(a <= last and first < b for a, b in told):
                out.append((index, "hole", *dip[1:4]))
    return out


def _edges(
    measured: Measured,
    readings: Readings,
    track: AudioTrack,
    lost: Iterable[Found],
) -> Mapping[int, frozenset[int]]:
    """Return the rows beside which a channel falls silent at once, or comes back.

    That is told as a drop-out, a dead channel or silence, or is the take's beginning
    or end; its edges are jumps as well.
    """
    if "peaks.rms_dbfs" not in readings.columns:
        return {}
    heard = Heard.of(measured)
    base = first_row(readings)
    out = {}
    for index in range(track.channels):
        line = Line(measured, readings, track, index)
        silent = runs(nothing(line.column("rms_dbfs")))
        least = line.limit("cut_min_seconds") * ROWS_PER_SECOND
        # Where a take begins or ends there is nothing to join.
        spans = [
            (a, b)
            for a, b in silent
            if b - a >= least or (base == 0 and (a == 0 or b == readings.rows))
        ]
        spans += [one.span for one in cut_offs(line, heard)]
        spans += mutes(line)
        spans += [
            (_row(b[2], track.sample_rate, base), _row(b[3], track.sample_rate, base))
            for b in lost
            if b[0] == index
        ]
        out[index] = frozenset(base + row for span in spans for row in span)
    return out


def _touches(
    event: Event, places: Mapping[int, frozenset[int]], track: AudioTrack
) -> bool:
    """Tell whether a click or jump lies in such rows of its channels, or beside one."""
    if event.kind not in CLICKS:
        return False
    first = _row(event.first, track.sample_rate, 0) - 1
    rows = range(first, _row(event.last, track.sample_rate, 0) + 2)
    return any(not places.get(c, frozenset()).isdisjoint(rows) for c in event.channels)


def _finding(
    measured: Measured, readings: Readings, track: AudioTrack, events: list[Event]
) -> Finding:
    rate, base = track.sample_rate, first_row(readings)
    rows = [
        (_row(e.first, rate, base), _row(e.last - 1, rate, base) + 1) for e in events
    ]
    span = (
        min(max(rows[0][0], 0), readings.rows - 1),
        min(max(r[1] for r in rows), readings.rows),
    )
    channels = sorted(events[0].channels)
    kinds = Counter(e.kind for e in events)
    longest = max(events, key=lambda e: e.last - e.first)
    highest = max(events, key=lambda e: e.height)
    clicks = set(kinds) <= set(CLICKS)
    worst = highest if clicks else longest
    few = _few(measured, events)
    if len(events) == 1:
        text = one_said(events[0], rate)
    else:
        text = ", ".join(named(kind, count) for kind, count in kinds.most_common())
        text += (
            f" within {length_of(readings, span)}; the worst: {one_said(worst, rate)}"
        )
    ms = 1000.0 * (longest.last - longest.first) / rate
    who = _who(Line(measured, readings, track, channels[0]), channels)
    return finding_of(
        measured,
        readings,
        rule="sound.dropout",
        grade=Grade.NOTE if few else Grade.REVIEW,
        first=span[0],
        last=max(span[1], span[0] + 1),
        worst_row=min(max(_row(worst.first, rate, base), span[0]), readings.rows - 1),
        worst=100.0 * highest.height if clicks else ms,
        unit="%" if clicks else "ms",
        message=f"{who}: {text}.",
        advice=f"{who}: {advice(set(kinds))}",
        channel=track.channel_numbers[channels[0]] if len(channels) == 1 else None,
    )


def _who(line: Line, channels: list[int]) -> str:
    if len(channels) == 1:
        return str(line)
    names = [str(line.of(c)).removeprefix("Channel ") for c in channels]
    return f"Channels {', '.join(names[:-1])} and {names[-1]}"


def _row(sample: int, rate: int, base: int) -> int:
    return sample * ROWS_PER_SECOND // rate - base


def _gap(measured: Measured, readings: Readings, rows: list[int]) -> Finding:
    track = readings.track
    number = track.number + 1 if track is not None else 1
    times = f", {grouped(len(rows))} times" if len(rows) > 1 else ""
    return finding_of(
        measured,
        readings,
        rule="sound.dropout",
        grade=Grade.REVIEW,
        first=max(rows[0] - 1, 0),
        last=rows[-1] + 1,
        worst_row=rows[0],
        message=(
            f"Sound track {number}: samples are missing here by the file's own "
            f"clock{times}."
        ),
        advice=(
            "Copy the file from the card again. If it is the same there, leave that "
            "card as it is and record on another one; format a card only when its "
            "takes are safe in two places."
        ),
    )


def _summarise(measured: Measured) -> Mapping[str, object]:
    channels = []
    for k, _, track in tracks_of(measured):
        totals = totals_of(measured, "dropout")[k]
        for index in range(track.channels):
            kinds = Counter(b[1] for b in totals["breaks"] if b[0] == index)
            channels.append(
                {
                    "channel": track.channel_numbers[index],
                    "breaks": kinds.total() + totals["more"][index],
                    "clicks": kinds["click"] + kinds["jump"],
                    "gaps": kinds["zeros"] + kinds["held"] + kinds["hole"],
                    "repeats": kinds["repeat"],
                }
            )
    if not channels:
        return {}
    return {
        "breaks": sum(int(c["breaks"]) for c in channels),
        "missing_samples_places": sum(
            len(totals_of(measured, "dropout")[k]["gap_rows"])
            for k, _, _ in tracks_of(measured)
        ),
        "channels": channels,
    }


def _notes(measured: Measured) -> Iterator[str]:
    for k, _, track in tracks_of(measured):
        if track.sample_rate < LOWEST_CLICK_RATE:
            yield (
                f"Sound track {track.number + 1} has {track.sample_rate} samples a "
                "second: clicks cannot be told from a voice there."
            )
        if any(totals_of(measured, "dropout")[k]["more"]):
            yield (
                f"Sound track {track.number + 1}: more than {grouped(_MOST_KEPT)} "
                "breaks; only the first are listed."
            )


def _option(
    name: str, default: Any, unit: str, low: float, high: float, text: str, **more: Any
) -> Option:
    return Option(
        f"dropout.{name}", default, text, unit=unit, low=low, high=high, **more
    )


MEASURE = Measure(
    name="dropout",
    version=10,
    label="Drop-outs and clicks",
    clock="sound",
    columns=(),
    options=(
        _option("shortest_seconds", 0.001, "s", 0.0002, 1,
                "Samples that stand still this long in the middle of sound are a "
                "drop-out (house choice).", measuring=True),
        _option("longest_seconds", 3.0, "s", 0.01, 60,
                "Longer than this it is somebody's mute switch, or silence, and no "
                "drop-out (house choice).", measuring=True),
        _option("edge_dbfs", -50.0, "dBFS", -100, 0,
                "Sound of this RMS level must go right up to both edges "
                "(house choice).", measuring=True),
        _option("click_dbfs", -45.0, "dBFS", -100, 0,
                "Clicks and jumps are told from this height on (house choice).",
                measuring=True),
        _option("clicks_for_review", 3, "", 1, 1000,
                "Fewer clicks than this close together are only a note "
                "(house choice).", kind="whole"),
        _option("click_review_percent", 50.0, "%", 0.1, 200,
                "One click or jump is for review if it goes so far from a sample to "
                "the next, in percent of the whole scale (house choice)."),
        _option("bridge_seconds", 2.0, "s", 0, 600,
                "Breaks closer together than this are one finding (house choice)."),
    ),
    start=_Reader,
    checks=(_check,),
    check_rules={"sound.dropout": "Drop-out or click"},
    summarise=_summarise,
    notes=_notes,
    method=(
        "Every sample of every channel. Gaps: samples that do not change for a "
        "millisecond or more while sound goes up to both edges, other than level tops, "
        "which are told as clipping, and holes of 3 to "
        "100 ms in which the third difference falls by 26 dB within 2 ms and comes "
        "back as fast; also where the level falls to a tenth within 2 ms, under the "
        "quietest twentieth of the channel by 8 dB (but not between the swings of "
        "mains hum as loud as that), and for longer where whole "
        "hundredths of a second lie 15 dB under it and fall and rise by 10 dB within "
        "two of them: a pause leaves the noise of the room. Repeats: blocks of 5 to "
        "100 ms that come again sample by sample right behind themselves. Clicks and "
        "jumps, but for those with which a steady tone is switched on or off, and "
        "where zeros at a take's beginning or end meet sound: the third difference "
        "rises 10 "
        "times over its mean on either side for less than a sixth of a millisecond "
        "(half a millisecond from -20 dBFS on) and does not ring on, as claps, "
        "plosives and instruments do: what is around it for 6 ms stays under 28 %, or "
        "34 % beside a single step or sample; the furthest step between two samples is "
        "told, in percent of the scale. In sound coded with losses gaps are told by "
        "the level and the first difference together, which fall 9 times or more "
        "within 2 ms and are back as fast; repeated blocks and gaps of less than 3 ms "
        "cannot be told there, gaps of less than 5 ms often not, and clicks only where "
        "they are strong."
    ),
    source="Own method. Limits: house choice.",
)  # fmt: skip
