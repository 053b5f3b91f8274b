"""Takes that are recorded otherwise than the rest of the day."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Hashable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from qc.day.cameras import camera_of
from qc.day.clock import Placed
from qc.day.wording import joined, names
from qc.daybook import DayFinding
from qc.records import Grade
from qc.report.words import counted, grouped, rate

__all__ = ["odd_formats"]

_RULE = "day.odd_format"
# From fewer takes than this nobody can tell which is the odd one.
_FEWEST = 3
# A majority is clear from this share on (house choice).
_CLEAR = Fraction(2, 3)

# Decoders' names of what is one format.
_FAMILIES = {
    "libdav1d": "av1",
    "libaom-av1": "av1",
    "libvpx": "vp8",
    "libvpx-vp9": "vp9",
    "prores_ks": "prores",
    "prores_aw": "prores",
}
_CODECS = {
    "h264": "H.264",
    "hevc": "H.265 (HEVC)",
    "prores": "ProRes",
    "dnxhd": "DNxHD",
    "mpeg2video": "MPEG-2",
    "av1": "AV1",
    "vp8": "VP8",
    "vp9": "VP9",
}
Told = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class _Property:
    """Something that all takes of a day ought to have in common.

    Attributes
    ----------
    value : function of a result's ``"take"``
        None where the file does not tell.
    words : function of a value
        What is recorded, in the operator's words.
    matters : bool
        Whether pictures of two cameras that differ in it cannot be cut together
        without converting.
    """

    value: Callable[[Told], Hashable | None]
    words: Callable[[Any], str]
    matters: bool = False


def _size(told: Told) -> tuple[int, int] | None:
    if told.get("width") is None:
        return None
    size = int(told["width"]), int(told["height"])
    turned = (told.get("rotation") or 0) % 180 == 90
    return size[::-1] if turned else size


def _rate(told: Told) -> Fraction | None:
    value = told.get("frame_rate")
    return None if value is None else Fraction(value)


def _scan(told: Told) -> str | None:
    value = told.get("scan")
    return None if value in (None, "unknown") else str(value)


def _codec(told: Told) -> str | None:
    value = told.get("codec")
    return None if value is None else _FAMILIES.get(value, str(value))


def _tracks(told: Told) -> tuple[int, ...]:
    return tuple(int(track["channels"]) for track in told.get("audio") or ())


def _samples(told: Told) -> tuple[int, ...] | None:
    tracks = told.get("audio") or ()
    return tuple(sorted({int(t["sample_rate"]) for t in tracks})) or None


def _sound_words(channels: tuple[int, ...]) -> str:
    if not channels:
        return "no sound"
    if len(channels) == 1:
        return f"one sound track with {counted(channels[0], 'channel')}"
    tracks = counted(len(channels), "sound track")
    if len(set(channels)) == 1:
        return f"{tracks} with {counted(channels[0], 'channel')} each"
    return f"{tracks} with {joined([str(n) for n in channels])} channels"


_PROPERTIES = (
    _Property(_size, lambda v: f"{v[0]} × {v[1]} pixels"),
    _Property(_rate, lambda v: f"{rate(v)} frames a second", matters=True),
    _Property(
        _scan,
        lambda v: (
            "whole frames (progressive)"
            if v == "progressive"
            else f"fields (interlaced, {v})"
        ),
        matters=True,
    ),
    _Property(
        lambda told: told.get("range"),
        lambda v: f"{v} range",
        matters=True,
    ),
    _Property(_codec, lambda v: _CODECS.get(v, v)),
    _Property(lambda told: told.get("bit_depth"), lambda v: counted(v, "bit")),
    _Property(_tracks, _sound_words),
    _Property(
        _samples,
        lambda v: f"{joined([grouped(n) for n in v])} samples of sound a second",
    ),
)


def odd_formats(placed: Sequence[Placed]) -> Iterator[DayFinding]:
    """Yield takes whose format differs from most, and days that have no such most.

    Takes are held against those of the same camera; then cameras against each other.

    Parameters
    ----------
    placed : sequence of Placed
        Without copies, in order of time.
    """
    cameras: dict[int, list[Placed]] = defaultdict(list)
    for one in placed:
        cameras[one.camera].append(one)
    for group in cameras.values():
        whose, others = "The day's takes", "the day's others record"
        if len(cameras) > 1:
            label = camera_of(group[0].take) or "one camera"
            whose, others = f"The takes of {label}", f"the others of {label} record"
        yield from _within(group, whose, others)
    pictures = [g for g in cameras.values() if g[0].facts.picture]
    if len(pictures) > 1:
        yield from _between(pictures)


# ------------------------------------------------------------------- one camera's takes


def _within(group: list[Placed], whose: str, others: str) -> Iterator[DayFinding]:
    odd: dict[str, list[tuple[_Property, Hashable, Hashable]]] = defaultdict(list)
    divided: list[tuple[_Property, dict[str, Hashable]]] = []
    for prop in _PROPERTIES:
        values = _values(prop, group)
        usual = _usual(values)
        if len(values) < _FEWEST or len(set(values.values())) < 2:
            continue
        if usual is None:
            divided.append((prop, values))
            continue
        for name, value in values.items():
            if value != usual:
                odd[name].append((prop, value, usual))
    if divided:
        yield _divided(divided, group, whose)
    alike: dict[Hashable, list[Placed]] = defaultdict(list)
    for one in group:
        if one.name in odd:
            alike[tuple(odd[one.name])].append(one)
    for members in alike.values():
        yield _odd(members, odd[members[0].name], others, Grade.REVIEW)


def _values(prop: _Property, group: Sequence[Placed]) -> dict[str, Hashable]:
    told = {one.name: prop.value(one.take.document["take"]) for one in group}
    return {name: value for name, value in told.items() if value is not None}


def _usual(values: Mapping[str, Hashable]) -> Hashable | None:
    """Return the value of a clear majority, None if there is none."""
    if not values:
        return None
    value, count = Counter(values.values()).most_common(1)[0]
    return value if count >= _CLEAR * len(values) else None


def _odd(
    members: list[Placed],
    differences: list[tuple[_Property, Hashable, Hashable]],
    others: str,
    grade: Grade,
    who: str = "",
) -> DayFinding:
    texts = [(p.words(value), p.words(usual)) for p, value, usual in differences]
    subject = who or names([m.name for m in members])
    verb = "records" if len(members) == 1 and not who else "record"
    said = [f"{texts[0][0]} where {others} {texts[0][1]}"]
    said += [f"{value} where they record {usual}" for value, usual in texts[1:]]
    return DayFinding(
        rule=_RULE,
        grade=grade,
        takes=tuple(m.name for m in members),
        message=f"{subject} {verb} {joined(said)}.",
        advice=(
            "Use one setting for the whole day (the others have "
            f"{joined([usual for _, usual in texts])}); decide which, and look at it "
            "before every case."
        ),
        **_place(members),
    )


def _divided(
    divided: Sequence[tuple[_Property, Mapping[str, Hashable]]],
    group: list[Placed],
    whose: str,
) -> DayFinding:
    """Return all that has no usual value among a camera's takes, in one."""
    said = [
        joined(
            [
                f"{count} {'record' if count > 1 else 'records'} {prop.words(value)} "
                f"({names([n for n, v in values.items() if v == value])})"
                for value, count in Counter(values.values()).most_common()
            ]
        )
        for prop, values in divided
    ]
    known = {name for _, values in divided for name in values}
    members = [one for one in group if one.name in known]
    return DayFinding(
        rule=_RULE,
        grade=Grade.REVIEW,
        takes=tuple(m.name for m in members),
        message=f"{whose} are not alike: {'; '.join(said)}.",
        advice=(
            "Agree on one setting of the recorder, and look at it before every case."
        ),
        **_place(members),
    )


def _place(members: Sequence[Placed]) -> dict[str, Any]:
    if len(members) != 1 or not members[0].basis.known:
        return {}
    return {"start": float(members[0].start), "end": float(members[0].end)}


# --------------------------------------------------------------------- camera by camera


def _between(cameras: list[list[Placed]]) -> Iterator[DayFinding]:
    """Hold cameras against the day's majority: cameras, not single takes of them."""
    all_takes = [one for group in cameras for one in group]
    for group in cameras:
        differences = []
        for prop in _PROPERTIES:
            values = _values(prop, all_takes)
            own, usual = _usual(_values(prop, group)), _usual(values)
            if len(values) < _FEWEST or own is None or usual is None or own == usual:
                continue
            differences.append((prop, own, usual))
        if not differences:
            continue
        label = camera_of(group[0].take)
        who = f"All takes of {label}" if label and len(group) > 1 else ""
        serious = any(prop.matters for prop, _, _ in differences)
        yield _odd(
            group,
            differences,
            "most takes of the day record",
            Grade.REVIEW if serious else Grade.NOTE,
            who,
        )
