"""Which camera recorded a take, as far as the files tell."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Mapping
from fractions import Fraction
from pathlib import PurePosixPath
from typing import Any

from qc.day.labels import unwrapped
from qc.day.moments import Seen, overlapping, told
from qc.daybook import DayTake
from qc.report.words import printable

__all__ = ["camera_of", "cameras_of"]

# Names that containers give to what cameras write of themselves, the surest first.
_MAKE = (
    "com.apple.quicktime.make",
    "make",
    "device_manufacturer",
    "com.android.manufacturer",
)
_MODEL = (
    "com.apple.quicktime.model",
    "model",
    "device_model",
    "com.android.model",
)
_SERIAL = ("device_serial_no",)
_NUMBER = ("camera_id", "camera_index")
_REEL = ("reel_name", "reel")
# Reels are called by the camera's letter and the card's number, A001 (common practice,
# no source). Other reel names belong to a card, and a camera has many.
_CAMERA_REEL = re.compile(r"([A-Z])\d{2,4}(?:[^0-9A-Za-z].*)?")
# MXF and sound files name the program that wrote them where cameras name themselves.
_NO_CAMERA = re.compile(r"ffmpeg|lavf|libav", re.IGNORECASE)
_SOUND_ONLY = "sound recorder"


def camera_of(take: DayTake) -> str:
    """Return a label for the camera that recorded a take; empty if nothing tells it.

    Maker, model, serial and camera number count where the file has them; else the
    maker and product that MXF names, else the camera's letter in the reel name. The
    program that encoded a file does not count: one camera's files are often wrapped
    anew. A take without a picture comes from a sound recorder, unless its picture is
    only lost.
    """
    if not take.readable:
        return ""
    day: Mapping[str, Any] = take.document.get("day") or {}
    told: Mapping[str, Any] = day.get("metadata") or {}
    make, model = _first(told, _MAKE), _first(told, _MODEL)
    if not (make or model):
        make, model = (_first(told, (k,)) for k in ("company_name", "product_name"))
        if _NO_CAMERA.search(f"{make} {model}"):
            make = model = ""
    # Many models begin with their maker's name.
    if model.casefold().startswith(make.casefold()):
        make = ""
    label = " ".join(part for part in (make, model) if part)
    for word, names in (("serial", _SERIAL), ("camera", _NUMBER)):
        if value := _first(told, names):
            label = f"{label}, {word} {value}" if label else f"{word} {value}"
    if not label:
        match = _CAMERA_REEL.fullmatch(_first(told, _REEL).upper())
        label = f"camera {match[1]}" if match else ""
    if label:
        return label
    facts = take.document["take"]
    if facts.get("frame_rate") is None and not facts.get("picture_lost"):
        return _first(told, ("originator",)) or _SOUND_ONLY
    return ""


def _first(told: Mapping[str, Any], names: tuple[str, ...]) -> str:
    for name in names:
        value = " ".join(printable(str(told.get(name) or "")).split())
        if value:
            return value[:60]
    return ""


# -------------------------------------------------------- several that look like one


def cameras_of(seen: Iterable[Seen]) -> list[list[Seen]]:
    """Return the takes of each camera, in name order.

    Cameras have different labels, or are told apart by their folders.
    """
    groups: dict[tuple[str, bool], list[Seen]] = defaultdict(list)
    for one in sorted(seen, key=lambda s: s.order):
        groups[camera_of(one.take), one.facts.picture].append(one)
    return [part for key in sorted(groups) for part in _by_folder(groups[key])]


def _by_folder(group: list[Seen]) -> list[list[Seen]]:
    """Part the takes of cameras that only their folders tell apart.

    That they are several shows in takes that overlap although none do in any one
    folder. A single take in a folder is no evidence: it may be a converted copy.
    """
    paths = [PurePosixPath(s.name).parent.parts for s in group]
    level = 0
    while len({path[level : level + 1] for path in paths}) == 1 and paths[0][level:]:
        level += 1
    parts: dict[tuple[str, ...], list[int]] = defaultdict(list)
    for i, path in enumerate(paths):
        parts[path[level : level + 1]].append(i)
    starts = _rough_starts(group)
    if len(parts) < 2 or starts is None:
        return [group]
    both = overlapping(group, starts, Fraction(0))
    if not both:
        return [group]
    for part in parts.values():
        members = [group[i] for i in part]
        if len(part) < 2 and both & set(part):
            return [group]
        if overlapping(members, [starts[i] for i in part], Fraction(0)):
            return [group]
    return [[group[i] for i in part] for part in parts.values()]


def _rough_starts(group: list[Seen]) -> list[Fraction] | None:
    if all(s.facts.has_timecode for s in group):
        return unwrapped(group)
    return told(group, lambda s: s.created) or told(group, lambda s: s.filed_start)
