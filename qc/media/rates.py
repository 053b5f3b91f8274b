"""How many frames a second a file declares."""

from __future__ import annotations

from collections import Counter
from fractions import Fraction
from itertools import pairwise

from av.video.stream import VideoStream

from qc.timecode import snap_rate

__all__ = ["frame_rate"]

# An index of so many pictures tells which step most of them keep; more than so many of
# them are not looked at. Most is nine in ten (as where a rate counts as steady).
_FEWEST, _MOST_STEPS, _MOST_KEEP = 12, 5000, 0.9
# A guess so far above the average is of no rate that anything was taken at, if so many
# steps are as the one before: then it was taken at two or more, one after the other
# (house choices).
_FAR_ABOVE, _ON_AND_ON = 1.5, 0.8
# Steps in coarse ticks are rounded: by no more than this (house choice).
_ROUNDED = 0.02


def frame_rate(stream: VideoStream, assumed: list[str]) -> Fraction:
    """Return the declared rate of a picture stream, or what stands for one.

    Parameters
    ----------
    stream : VideoStream
    assumed : list of str
        Gets a sentence where the file tells none.
    """
    guessed = Fraction(stream.guessed_rate or 0)
    average = Fraction(stream.average_rate or 0)
    rate = guessed or average or Fraction(stream.base_rate or 0)
    rate = _plain_rate(stream, rate)
    if not 1 <= rate <= 1000:
        if 1 <= average <= 1000:
            rate = average
        else:
            assumed.append(
                "The file gives no frame rate: 25 frames a second are assumed."
            )
            rate = Fraction(25)
    return snap_rate(rate)


def _plain_rate(stream: VideoStream, guessed: Fraction) -> Fraction:
    """Return the rate that most frames of an index keep, where a guess is manyfold.

    MOV and MP4 declare no rate. FFmpeg guesses one in whose steps all time stamps fit:
    twice the real one, or more, if a single jump is of half a frame, and 120 for what
    was taken at 24 and at 30.
    """
    index = stream.index_entries
    base = Fraction(stream.time_base or 0)
    if "mov" not in stream.container.format.name or not base or not guessed:
        return guessed
    if len(index) <= _FEWEST:
        return guessed
    count = min(len(index), _MOST_STEPS)
    times = sorted(index[i].timestamp for i in range(count))
    in_turn = [b - a for a, b in pairwise(times)]
    steps = sorted(in_turn)
    usual = steps[len(steps) // 2]
    kept = sum(abs(step - usual) <= 1 for step in steps)
    if usual <= 0 or kept < _MOST_KEEP * len(steps):
        on_and_on = sum(abs(b - a) <= 1 for a, b in pairwise(in_turn))
        average = Fraction(stream.average_rate or 0)
        if on_and_on < _ON_AND_ON * len(steps) or guessed < _FAR_ABOVE * average:
            return guessed
        # The step that most of them keep, of a phone that fell from 30 to 24.
        ((step, _),) = Counter(in_turn).most_common(1)
        return 1 / (step * base) if step > 0 else guessed
    times_too_fast = guessed * usual * base
    whole = round(times_too_fast)
    # Stamps in coarse ticks are rounded: the guess over a whole number is exact.
    if whole < 2 or abs(times_too_fast - whole) > _ROUNDED * whole:
        return guessed
    return guessed / whole
