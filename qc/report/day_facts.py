"""What a day's checks and files read out of the takes as they are kept.

Takes of an earlier run are there as their ``result.json`` alone; times become whole
frames and fractions again here.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from qc.daybook import DayResult, DayTake
from qc.measures import rule_labels
from qc.timecode import TimecodeError, TimecodeFormat

__all__ = ["DAY_RULES", "TakeFacts", "day_order", "fault_label", "name_order"]

# Short names for people, as measures give them for theirs.
DAY_RULES: Mapping[str, str] = {
    "day.gap": "Recording stopped",
    "day.overlap": "Takes overlap",
    "day.duplicate": "Same recording again",
    "day.odd_format": "Odd format",
    "day.blemish": "Same spot in several takes",
}

# Takes without a picture are labelled at this rate, see `qc.media.probe`.
_SOUND_ONLY_RATE = Fraction(25)


@dataclass(frozen=True, slots=True)
class TakeFacts:
    """Length and labels of a readable take.

    Attributes
    ----------
    timecode : TimecodeFormat
    first : int
        Count of frames that the first frame's label stands for, within its day.
    frames : int
        Length on the take's frame grid.
    duration : Fraction
        Seconds; of the pictures, if there are any.
    has_timecode : bool
        Whether the label comes from the file.
    picture, sound : bool
        What there is in the take.
    """

    timecode: TimecodeFormat
    first: int
    frames: int
    duration: Fraction
    has_timecode: bool
    picture: bool
    sound: bool

    @classmethod
    def of(cls, take: DayTake) -> TakeFacts:
        """Read the facts of a readable take from its document.

        Raises
        ------
        ValueError
            The take is unreadable.
        """
        if not take.readable:
            raise ValueError(f"{take.name} is unreadable: nothing is known of it")
        told: Mapping[str, Any] = take.document["take"]
        picture = told.get("frame_rate") is not None
        rate = Fraction(told["frame_rate"]) if picture else _SOUND_ONLY_RATE
        duration = Fraction(str(told["duration_s"]))
        if picture:
            frames = int(told["frames"])
            duration = frames / rate
        else:
            frames = round(duration * rate)
        first, timecode, known = _label(told, rate)
        return cls(
            timecode=timecode,
            first=first,
            frames=frames,
            duration=duration,
            has_timecode=known,
            picture=picture,
            sound=bool(told.get("audio")),
        )

    @property
    def start_label(self) -> str:
        """Label of the first frame."""
        return self.timecode.label(self.first)

    @property
    def end_label(self) -> str:
        """Label of the frame that would come next."""
        return self.timecode.label(self.first + self.frames)

    def usable(self, document: Mapping[str, Any]) -> Fraction:
        """Return how many seconds of the take are usable."""
        lengths = (u["end_frame"] - u["start_frame"] for u in document["usable"])
        return Fraction(sum(lengths)) / self.timecode.rate


def _label(told: Mapping[str, Any], rate: Fraction) -> tuple[int, TimecodeFormat, bool]:
    known = told.get("timecode_source", "none") != "none"
    try:
        timecode = TimecodeFormat(rate, drop_frame=bool(told.get("drop_frame")))
        return timecode.frame(str(told["start_timecode"])), timecode, known
    except (TimecodeError, KeyError):
        # Written by other hands than ours: count from zero rather than fail.
        return 0, TimecodeFormat(rate), False


def name_order(name: str) -> tuple[str, str]:
    """Return a key by which names come as people expect, in any script."""
    return unicodedata.normalize("NFC", name).casefold(), name


def day_order(result: DayResult) -> list[DayTake]:
    """Return the takes in order of time, those whose time is not known last."""
    late = float("inf")

    def key(take: DayTake) -> tuple[float, tuple[str, str]]:
        start, _, _ = result.times.get(take.name, (late, late, ""))
        return start, name_order(take.name)

    return sorted(result.takes, key=key)


def fault_label(rule: str) -> str:
    """Return the short name for people of a rule, of a take or of the day."""
    return DAY_RULES.get(rule) or rule_labels().get(rule, rule)
