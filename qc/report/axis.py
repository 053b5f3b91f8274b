"""The time axis of a take: from seconds to places on the page, and timecode ticks."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from qc.records import TakeInfo, TakeResult
from qc.timecode import TimecodeFormat, clock

__all__ = ["Axis", "Tick", "axis_of", "spoken_label", "ticks"]

_MINUTE, _HOUR = 60, 3600
_STEPS_S = (
    *(1, 2, 5, 10, 15, 30),
    *(m * _MINUTE for m in (1, 2, 5, 10, 15, 30)),
    *(h * _HOUR for h in (1, 2, 4, 8)),
)
_MOST = 8


@dataclass(frozen=True, slots=True)
class Axis:
    """The stretch of time that is drawn, in seconds since the take's start."""

    start: float
    end: float

    def share(self, seconds: float | Fraction) -> float:
        """Return where a moment lies: 0 at the left end, 1 at the right, no further."""
        if self.end <= self.start:
            return 0.0
        share = (float(seconds) - self.start) / (self.end - self.start)
        return min(max(share, 0.0), 1.0)


@dataclass(frozen=True, slots=True)
class Tick:
    """A labelled moment of the axis.

    Attributes
    ----------
    share : float
        0 to 1 from the left.
    minor : bool
        May be left out where there is little room.
    """

    share: float
    label: str
    minor: bool


def spoken_label(info: TakeInfo, frame: int, at: Fraction | None = None) -> str:
    """Return the label of a place on the frame grid, as people are shown it.

    Sound alone has no frames: it is told in hours, minutes and seconds, not in frames
    of a rate that nobody chose. `at` is the same moment in seconds since the take's
    start, where it is known: frames of such a rate would round it.
    """
    if info.video is not None:
        return info.grid.label(frame)
    since = info.grid.seconds(frame) if at is None else at
    return clock(Fraction(info.start_frame) / info.grid.rate + since)


def axis_of(result: TakeResult) -> Axis:
    """Return the axis that holds everything that was measured."""
    clocks = [r for r in (result.picture, *result.sound) if r is not None and r.rows]
    start = min((float(r.start(0)) for r in clocks), default=0.0)
    end = max((float(r.start(r.rows)) for r in clocks), default=0.0)
    return Axis(min(start, 0.0), max(end, float(result.duration)))


def ticks(info: TakeInfo, axis: Axis) -> tuple[Tick, ...]:
    """Return at most about eight ticks at round timecodes."""
    grid = info.grid
    first = grid.at_or_after(Fraction(axis.start).limit_denominator(100_000))
    last = grid.at_or_before(Fraction(axis.end).limit_denominator(100_000))
    span = axis.end - axis.start
    if span <= 0:
        return ()
    step = next((s for s in _STEPS_S if span / s <= _MOST), _STEPS_S[-1])
    frames = _at_seconds(info.timecode, info.start_frame, first, last, step)
    if len(frames) < 2:
        frames = _at_frames(info.timecode, info.start_frame, first, last)
    # Which of them stay on a narrow page.
    stride = 3 if len(frames) > 4 else 2
    return tuple(
        Tick(
            share=axis.share(grid.seconds(frame)),
            label=spoken_label(info, frame),
            minor=bool(place % stride),
        )
        for place, frame in enumerate(frames)
    )


def _at_seconds(
    timecode: TimecodeFormat, start_frame: int, first: int, last: int, step: int
) -> list[int]:
    """Return frames whose labels are whole multiples of `step` seconds."""
    day = timecode.frames_per_day
    begin, end = start_frame + first, start_frame + last
    hours, minutes, rest = timecode.label(begin).split(":", 2)
    seconds = int(hours) * 3600 + int(minutes) * 60 + int(rest[:2])
    out: list[int] = []
    for at in range(seconds - seconds % step, seconds + step * 4 * _MOST, step):
        # Labels start again at midnight; frames go on.
        days = begin // day + at // 86_400
        frame = _frame_of(timecode, at % 86_400) + days * day
        if frame > end:
            break
        if frame >= begin:
            out.append(frame - start_frame)
    return out


def _frame_of(timecode: TimecodeFormat, seconds: int) -> int:
    """Return the first frame labelled with a second; drop-frame skips some labels."""
    minutes, ss = divmod(seconds, 60)
    skipped = ss == 0 and minutes % 10 != 0
    ff = timecode.dropped_per_minute if skipped else 0
    mark = ";" if timecode.drop_frame else ":"
    hh, mm = divmod(minutes, 60)
    return timecode.frame(f"{hh:02d}:{mm:02d}:{ss:02d}{mark}{ff:02d}")


def _at_frames(
    timecode: TimecodeFormat, start_frame: int, first: int, last: int
) -> list[int]:
    """Return frames for a take of few frames: every one, every fifth ..."""
    count = max(last - first, 1)
    step = next((s for s in (1, 2, 5, 10, 25, 50, 100) if count / s <= _MOST), count)
    labels = {f: timecode.label(start_frame + f) for f in range(first, last + 1)}
    return [f for f, label in labels.items() if int(label[9:]) % step == 0]
