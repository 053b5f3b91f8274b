"""SMPTE ST 12-1 timecode: labels for frame counts, and frame counts for labels.

Integers and Fractions only, so nothing drifts. Labels count every frame, also above 30
a second, as files write them; ST 12-1 halves that count in its binary word alone.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from fractions import Fraction

__all__ = [
    "TimecodeError",
    "TimecodeFormat",
    "clock",
    "frames_at",
    "is_drop_label",
    "seconds_at",
    "snap_rate",
]

_LABEL = re.compile(
    r"(?P<h>\d{1,2}):(?P<m>\d\d):(?P<s>\d\d)(?P<mark>[:;.])(?P<f>\d{2,3})", re.ASCII
)

_HALF = Fraction(1, 2)
# Each of these rates also runs at 1000/1001 of itself, the heritage of NTSC colour.
_NTSC_NOMINAL = (15, 24, 30, 48, 60, 120, 240)
_STANDARD_RATES = (
    *(Fraction(r) for r in (5, 6, 8, 10, 12, 20, 25, 50, 100, 200)),
    Fraction(25, 2),
    *(Fraction(r) for r in _NTSC_NOMINAL),
    *(Fraction(1000 * r, 1001) for r in _NTSC_NOMINAL),
)
_SNAP_SHARE = Fraction(5, 10_000)
# Costs less than 1e-6 frames per second: under a tenth of a frame in a whole day.
_LARGEST_DENOMINATOR = 1_000_000


class TimecodeError(ValueError):
    """A label that does not exist, or a rate that cannot be counted in labels."""


@dataclass(frozen=True, slots=True)
class TimecodeFormat:
    """How frames are labelled: the real rate, and drop-frame or not.

    Drop-frame skips labels, never frames: every minute but each tenth leaves out its
    first `dropped_per_minute` frame numbers, so that labels keep up with the clock.

    Parameters
    ----------
    rate : Fraction
        Real frames per second, for example ``Fraction(30000, 1001)``.
    drop_frame : bool
        Whether labels are skipped.

    Raises
    ------
    TimecodeError
        If `rate` is not above zero, or `drop_frame` is asked for a rate that is not
        1000/1001 of 30 or of a multiple of 30.

    References
    ----------
    SMPTE ST 12-1:2014. The count by rate is that of FFmpeg's libavutil/timecode.c,
    2 at 29.97 and 4 at 59.94, carried on in proportion above.

    Examples
    --------
    >>> drop = TimecodeFormat(Fraction(30000, 1001), drop_frame=True)
    >>> drop.label(1799), drop.label(1800)
    ('00:00:59;29', '00:01:00;02')
    >>> drop.frame("00:10:00;00")
    17982
    """

    rate: Fraction
    drop_frame: bool = False

    def __post_init__(self) -> None:
        _require_positive(self.rate)
        if self.drop_frame and (
            self.nominal % 30 or self.rate != Fraction(1000 * self.nominal, 1001)
        ):
            raise TimecodeError(
                f"drop-frame labels need 30000/1001 frames per second or a multiple "
                f"of it, not {self.rate}: use non-drop labels"
            )

    @property
    def nominal(self) -> int:
        """Frames in a labelled second: the whole number next to the rate, at least 1.

        A rate halfway between two goes to the even one: 12 for 12.5.
        """
        return max(1, round(self.rate))

    @property
    def dropped_per_minute(self) -> int:
        """Labels skipped in a minute that skips; 0 for non-drop."""
        return self.nominal // 15 if self.drop_frame else 0

    @property
    def frames_per_day(self) -> int:
        """Frames after which the labels start again, and how many labels exist."""
        minutes_that_skip = 24 * (60 - 6)
        return 86_400 * self.nominal - minutes_that_skip * self.dropped_per_minute

    def label(self, frame: int) -> str:
        """Return the label of a frame, counted from 00:00:00:00.

        Labels start again after 24 hours, and before zero they run back from there.
        They read ``HH:MM:SS:FF``, or ``HH:MM:SS;FF`` for drop-frame; FF has three
        digits at more than 100 frames per second.

        Examples
        --------
        >>> TimecodeFormat(Fraction(25)).label(-1)
        '23:59:59:24'
        >>> TimecodeFormat(Fraction(120)).label(119)
        '00:00:00:119'
        """
        number = int(frame) % self.frames_per_day
        drop = self.dropped_per_minute
        if drop:
            minute = 60 * self.nominal - drop
            tens, rest = divmod(number, 10 * minute + drop)
            # The first minute of ten is longer by `drop`: it skips nothing.
            number += drop * (9 * tens + max(0, (rest - drop) // minute))
        seconds, ff = divmod(number, self.nominal)
        minutes, ss = divmod(seconds, 60)
        hh, mm = divmod(minutes, 60)
        mark = ";" if self.drop_frame else ":"
        return f"{hh:02d}:{mm:02d}:{ss:02d}{mark}{ff:0{self._digits}d}"

    def frame(self, label: str) -> int:
        """Return the frame that a label stands for, counted from 00:00:00:00.

        ``;`` or ``.`` before the frames marks a drop-frame label; ``:`` is taken in a
        drop-frame format too, since many files write it there.

        Raises
        ------
        TimecodeError
            If the text is not a label, contradicts the format, or no frame has it.

        Examples
        --------
        >>> TimecodeFormat(Fraction(25)).frame("00:01:00:00")
        1500
        >>> TimecodeFormat(Fraction(30000, 1001), True).frame("00:01:00;00")
        Traceback (most recent call last):
        ...
        qc.timecode.TimecodeError: timecode '00:01:00;00' does not exist: drop-frame \
skips frames 00 to 01 of this minute, whose first label is 00:01:00;02
        """
        match = _LABEL.fullmatch(label.strip())
        if match is None:
            raise TimecodeError(
                f"timecode {label!r} cannot be read: write hours, minutes, seconds and "
                f"frames, as in {self.label(self.frames_per_day // 2)}"
            )
        if match["mark"] != ":" and not self.drop_frame:
            raise TimecodeError(
                f"timecode {label!r} is a drop-frame label ({match['mark']!r} before "
                f"the frames), but frames are counted non-drop here: write ':' there"
            )
        if len(match["f"]) > self._digits:
            raise TimecodeError(
                f"timecode {label!r} has three digits for the frames, but at "
                f"{self.nominal} frames per second there are two: write frames, not "
                f"thousandths of a second"
            )
        hh, mm, ss, ff = (int(match[part]) for part in ("h", "m", "s", "f"))
        for name, value, top in (
            ("hours", hh, 23),
            ("minutes", mm, 59),
            ("seconds", ss, 59),
            ("frames", ff, self.nominal - 1),
        ):
            if value > top:
                raise TimecodeError(
                    f"timecode {label!r} does not exist: {name} go from 0 to {top}, "
                    f"not {value}"
                )
        drop = self.dropped_per_minute
        if mm % 10 and not ss and ff < drop:
            raise TimecodeError(
                f"timecode {label!r} does not exist: drop-frame skips frames 00 to "
                f"{drop - 1:02d} of this minute, whose first label is "
                f"{hh:02d}:{mm:02d}:00;{drop:0{self._digits}d}"
            )
        minutes = 60 * hh + mm
        skipped = drop * (minutes - minutes // 10)
        return (60 * minutes + ss) * self.nominal + ff - skipped

    @property
    def _digits(self) -> int:
        return 3 if self.nominal > 100 else 2


def is_drop_label(label: str) -> bool:
    """Return whether a label is marked as drop-frame: ``;`` or ``.`` before its frames.

    Text that is no label is not marked; `TimecodeFormat.frame` says what is wrong.

    Examples
    --------
    >>> is_drop_label("10:00:00;00"), is_drop_label("10:00:00:00")
    (True, False)
    """
    match = _LABEL.fullmatch(label.strip())
    return match is not None and match["mark"] != ":"


def snap_rate(rate: Fraction) -> Fraction:
    """Return the standard frame rate that a file's figure stands for.

    Containers round a frame's duration to their ticks and write 90000/2999 for 30.

    Returns
    -------
    Fraction
        The nearest standard rate if it is within 0.05 %, half the distance between
        29.97 and 30; else `rate` itself, its denominator at most a million.

    Raises
    ------
    TimecodeError
        If `rate` is not above zero.

    Examples
    --------
    >>> [str(snap_rate(Fraction(r))) for r in ("90000/2999", "29.97", "29.41")]
    ['30', '30000/1001', '2941/100']
    """
    _require_positive(rate)
    # A rate too slow for that denominator is kept, lest it become zero.
    limited = Fraction(rate).limit_denominator(_LARGEST_DENOMINATOR) or Fraction(rate)
    nearest = min(_STANDARD_RATES, key=lambda r: abs(limited / r - 1))
    return nearest if abs(limited / nearest - 1) <= _SNAP_SHARE else limited


def frames_at(seconds: Fraction, rate: Fraction) -> int:
    """Return the index of the frame that begins nearest to a moment.

    Halfway between two frames counts as the later one.

    Examples
    --------
    >>> frames_at(Fraction(1), Fraction(30000, 1001))
    30
    """
    _require_positive(rate)
    return math.floor(seconds * rate + _HALF)


def seconds_at(frame: int, rate: Fraction) -> Fraction:
    """Return the moment in seconds at which a frame begins.

    Examples
    --------
    >>> seconds_at(30, Fraction(30000, 1001))
    Fraction(1001, 1000)
    """
    _require_positive(rate)
    return Fraction(int(frame)) / rate


def clock(seconds: Fraction | float) -> str:
    """Return a moment as ``H:MM:SS.mmm``, for takes without frames.

    Rounded to the nearest thousandth, halves up; a float counts as its exact value.

    Raises
    ------
    TimecodeError
        If `seconds` is not a finite number.

    Examples
    --------
    >>> clock(3753.5), clock(Fraction(119_999, 2000)), clock(-0.25)
    ('1:02:33.500', '0:01:00.000', '-0:00:00.250')
    """
    if not math.isfinite(seconds):
        raise TimecodeError(f"a moment must be a finite number of seconds: {seconds}")
    thousandths = math.floor(Fraction(seconds) * 1000 + _HALF)
    sign = "-" if thousandths < 0 else ""
    whole, mmm = divmod(abs(thousandths), 1000)
    minutes, ss = divmod(whole, 60)
    hours, mm = divmod(minutes, 60)
    return f"{sign}{hours}:{mm:02d}:{ss:02d}.{mmm:03d}"


def _require_positive(rate: Fraction) -> None:
    if not rate > 0:
        raise TimecodeError(f"a frame rate must be above zero, got {rate}")
