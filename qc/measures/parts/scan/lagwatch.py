"""The lag between fields, moment by moment, and where it began to be another one."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from qc.measures.parts.scan.fieldlag import FieldLag, field_lag
from qc.measures.parts.scan.framepairs import Bands, FramePairs, change_point
from qc.measures.parts.scan.otherframes import lags_since, other_frame
from qc.measures.parts.scan.thirds import TWO_PICTURES

__all__ = ["LagWatch"]

# Weaker changes may be the coder's own, which know nothing of fields.
_LEAST_CHANGE_PERCENT = 1.0
# To look at every frame since the last moment is dear: so often at once, and once more
# in so many moments.
_MOST_SCANS, _SCAN_EVERY = 4.0, 10.0
# Fields of other frames are looked for where so many patches change and no lag is
# found, or one that few progressive pictures have, or where one field changes by so
# many times as much as the other (house choices: few progressive pictures do so).
_FEWEST_CHANGING = 4
_ODD_LAG, _ODD_TIMES = 0.05, 1.08
_LOOKS = 2
# Of pictures declared interlaced, lags of the wrong sign so far: coders smooth them,
# and less than that is no sign (film spread over fields has frames of one moment).
_SIGN_FROM, _SIGN_TO = 0.03, 0.35


class LagWatch:
    """Reads the lag at a moment, and looks back to where it began.

    Parameters
    ----------
    step : float
        Frames; by more than that the lag must differ from the last one to be another.
    declared : float
        The lag that a file declares; 0 if it declares none. Fields of other frames are
        looked for where that is 0.
    """

    def __init__(self, *, step: float, declared: float) -> None:
        self._step, self._declared = step, declared
        self._lag = math.nan
        self._since = 0
        self._scans = _MOST_SCANS
        self._in_vain = 0

    def go_on(self) -> None:
        """Count a picture."""
        self._since += 1

    def read(
        self,
        pair: tuple[Bands, Bands],
        pairs: FramePairs,
        *,
        span: int,
        change_times: float,
    ) -> tuple[FieldLag, float]:
        """Return the lag, and for how many frames before this one it was there.

        Parameters
        ----------
        pair
            The latest of `pairs`.
        span : int
            Codes from black to white.
        change_times : float
            How many times as much the lower field changed as the upper; NaN if unknown.

        Returns
        -------
        lag : FieldLag
        ago : float
            NaN where it is as at the moment before, or not known.
        """
        least = span * _LEAST_CHANGE_PERCENT / 100.0
        lag, behind = field_lag(*pair, least_change=least), 0
        self._scans = min(_MOST_SCANS, self._scans + 1.0 / _SCAN_EVERY)
        whole = self._declared == 0.0
        expected = whole and abs(self._lag) >= TWO_PICTURES
        if expected or self._is_worth(lag, change_times):
            other = other_frame(pairs, span=span, whole=whole, expected=expected)
            self._in_vain = 0 if abs(other.lag) > 0 else self._in_vain + 1
            if _tells(other.lag, against=lag.frames, expected=expected):
                lag = replace(lag, frames=other.lag, teeth=other.teeth)
                behind = other.behind
        ago = math.nan
        if not math.isnan(lag.frames):
            if self._is_another(lag.frames) and self._scans >= 1.0:
                self._scans -= 1.0
                new = lag.frames
                ago = self._frames_ago(
                    pairs, new, behind=behind, least=least, span=span
                )
            self._lag, self._since = lag.frames, behind
        return lag, ago

    def _is_worth(self, lag: FieldLag, change_times: float) -> bool:
        """Return whether to look for fields of other frames.

        After two looks in vain at every second moment: some takes are odd throughout.
        """
        if not _is_odd(lag, change_times, declared=self._declared):
            self._in_vain = 0
        elif self._in_vain < _LOOKS:
            return True
        else:
            self._in_vain -= 1
        return False

    def _is_another(self, lag: float) -> bool:
        """Return whether it differs so much from the last one that its place matters.

        Of pictures declared progressive any lag of one way is one and the same fault:
        how far a coder has smoothed it changes from frame to frame.
        """
        if not abs(lag - self._lag) > self._step:
            return False
        both = min(abs(lag), abs(self._lag)) > self._step and lag * self._lag > 0
        return not (self._declared == 0.0 and both)

    def _frames_ago(
        self, pairs: FramePairs, new: float, *, behind: int, least: float, span: int
    ) -> float:
        """Return how many frames before this one its lag was there first.

        Seen in the frame so many before this one.
        """
        reach = min(pairs.reach, self._since)
        whole = [v for v in (new, self._lag) if abs(v) >= TWO_PICTURES and v % 1 == 0]
        if whole and self._declared == 0.0:
            lags = lags_since(pairs, reach, lag=whole[0], span=span)
            seen = max(0, reach - 1 - behind)
        else:
            lags = np.full(reach, math.nan)
            for ago in range(1, reach):
                pair = pairs.earlier(ago)
                if pair is not None:
                    lag = field_lag(*pair, least_change=least)
                    lags[reach - 1 - ago] = lag.frames
            seen = reach - 1
        lags[seen] = new
        first, last = change_point(lags, old=self._lag, new=new)
        # Unknown ones up to the beginning tell nothing of where it was.
        place = last if first == 0 else (first + last) // 2
        return float(reach - 1 - place)


def _is_odd(lag: FieldLag, change_times: float, *, declared: float) -> bool:
    """Return whether both fields do not change as those of such a lag do."""
    if declared:
        return _SIGN_FROM < math.copysign(1.0, -declared) * lag.frames < _SIGN_TO
    if math.isnan(lag.frames):
        return lag.changing >= _FEWEST_CHANGING
    unlike = max(change_times, 1.0 / change_times) if change_times > 0 else 1.0
    return abs(lag.frames) > _ODD_LAG or unlike > _ODD_TIMES


def _tells(lag: float, *, against: float, expected: bool) -> bool:
    """Return whether a lag from fields of the frames around is the one to believe."""
    if lag == 0:
        # Fields of one frame end what was told before, and else are no news: how little
        # they lie apart is not told.
        return expected
    if lag % 1 == 0 or math.isnan(against):
        return not math.isnan(lag)
    # A coder smooths some teeth more than others.
    return lag * against < 0 or abs(lag) > abs(against)
