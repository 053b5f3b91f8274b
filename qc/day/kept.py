"""Whether a take's document, as an earlier run kept it, is whole.

The checks of a day read it as our own run wrote it; anything else would end the day.
"""

from __future__ import annotations

import math
import re
from typing import Any, TypeGuard

from qc.records import Grade

__all__ = ["whole"]

_RATE = re.compile(r"[0-9]{1,12}/[0-9]{1,12}")
_TEXT_OR_NONE = ("scan", "codec", "range", "start_timecode", "timecode_source")


def whole(document: object) -> TypeGuard[dict[str, Any]]:
    """Tell whether a document of a take holds what a day relies on.

    Parameters
    ----------
    document : object
        As read from ``result.json``; anything.
    """
    if not isinstance(document, dict) or not isinstance(document.get("day"), dict):
        return False
    if document.get("grade") not in [grade.value for grade in Grade]:
        return False
    if document["grade"] == Grade.UNREADABLE.value:
        return all(isinstance(document.get(k), str) for k in ("stage", "message"))
    return (
        _take(document.get("take"))
        and _all(document.get("findings"), _finding)
        and _all(document.get("usable"), _range)
        and _day(document["day"])
    )


def _take(told: object) -> bool:
    if not isinstance(told, dict) or not _number(told.get("duration_s")):
        return False
    if told["duration_s"] < 0 or not _all(told.get("audio"), _track):
        return False
    if not all(isinstance(told.get(k), str | None) for k in _TEXT_OR_NONE):
        return False
    if not all(
        told.get(k) is None or _whole(told[k])
        for k in ("width", "height", "rotation", "bit_depth", "frames")
    ):
        return False
    if told.get("frame_rate") is None:
        return told.get("width") is None
    return _rate(told["frame_rate"]) and all(
        _whole(told.get(k)) and told[k] >= 0 for k in ("frames", "width", "height")
    )


def _rate(value: object) -> bool:
    if not isinstance(value, str) or not _RATE.fullmatch(value):
        return False
    above, below = map(int, value.split("/"))
    return above > 0 and below > 0


def _track(told: object) -> bool:
    return isinstance(told, dict) and all(
        _whole(told.get(k)) and told[k] > 0 for k in ("channels", "sample_rate")
    )


def _finding(told: object) -> bool:
    if not isinstance(told, dict) or not _range(told):
        return False
    channel = told.get("channel")
    return (
        told.get("grade") in [grade.value for grade in Grade]
        and all(isinstance(told.get(k), str) for k in ("rule", "message", "advice"))
        and all(_number(told.get(k)) for k in ("start_s", "end_s"))
        and (channel is None or _whole(channel))
    )


def _range(told: object) -> bool:
    return (
        isinstance(told, dict)
        and all(_whole(told.get(k)) for k in ("start_frame", "end_frame"))
        and all(isinstance(told.get(k), str) for k in ("start_tc", "end_tc"))
    )


def _day(told: dict[str, Any]) -> bool:
    ticks, strips = told.get("mtime_ns"), told.get("strips")
    return (
        (ticks is None or _whole(ticks))
        and isinstance(told.get("metadata"), dict | None)
        and isinstance(strips, dict | None)
        and all(
            row is None or _all(row, lambda v: v is None or _number(v))
            for row in (strips or {}).values()
        )
    )


def _all(values: object, good: Any) -> bool:
    return isinstance(values, list) and all(good(value) for value in values)


def _whole(value: object) -> bool:
    if isinstance(value, bool) or not isinstance(value, int):
        return False
    return abs(value) < 2**63  # more than any file's size or time


def _number(value: object) -> bool:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    return abs(value) < 2**63 and math.isfinite(value)
