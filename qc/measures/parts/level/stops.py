"""How far to turn the iris, in the operator's words: thirds of a stop."""

from __future__ import annotations

import math

import numpy as np

from qc.records import Readings

__all__ = ["BEYOND", "MOST_STOPS", "close_by", "range_words", "stops_words", "thirds"]

# Beyond this the burnt part tells nothing any more: "more than 2 stops".
MOST_STOPS = 2.0
BEYOND = "more than "
_GLYPHS = ("", "⅓", "⅔")
# A hand at the iris ring does not turn more finely than this.
_HAND_STOPS = 0.05
# A stretch is told by the stops that put right three quarters of its frames.
_SHARE = 75.0
# What was true, against what was told of colour channels: middle four fifths on
# rendered scenes.
_CHANNELS_FROM, _CHANNELS_TO = 0.75, 1.35


def thirds(stops: float) -> str:
    """Return stops as a number in thirds, at least one third.

    Examples
    --------
    >>> thirds(0.7), thirds(1.0), thirds(1.3), thirds(0.1)
    ('⅔', '1', '1⅓', '⅓')
    """
    whole, rest = divmod(max(round(3.0 * stops), 1), 3)
    return f"{whole or ''}{_GLYPHS[rest]}"


def stops_words(stops: float, *, least: float = math.nan) -> str:
    """Return an amount of stops for people.

    Parameters
    ----------
    stops : float
        The estimate; at or over `MOST_STOPS` only that much is known.
    least : float
        What could be measured of it, a lower bound; NaN or under a third is not told.

    Examples
    --------
    >>> stops_words(0.7, least=0.31), stops_words(1.4), stops_words(2.0, least=0.4)
    ('about ⅔ stop (at least ⅓)', 'about 1⅓ stops', 'more than 2 stops (at least ⅓)')
    """
    if stops >= MOST_STOPS:
        much = f"{BEYOND}{thirds(MOST_STOPS)} stops"
    else:
        much = f"about {thirds(stops)} stop{'s' * (round(3.0 * stops) > 3)}"
    # Rounded down, so that it stays a bound; what a hand cannot turn is let go.
    bound = math.floor(3.0 * (least + _HAND_STOPS)) if math.isfinite(least) else 0
    return f"{much} (at least {thirds(bound / 3.0)})" if bound >= 1 else much


def range_words(low: float, high: float) -> str:
    """Return an amount of stops that is not known well, for people.

    Examples
    --------
    >>> range_words(0.3, 0.6), range_words(0.75, 1.4), range_words(0.9, 1.1)
    ('about ⅓ to ⅔ stop', 'about ⅔ to 1⅓ stops', 'about 1 stop')
    >>> range_words(1.5, 2.7)
    'about 1⅓ stops or more'
    """
    first, last = thirds(low), thirds(high)
    if high >= MOST_STOPS:
        return f"about {first} stop{'s' * (round(3.0 * low) > 3)} or more"
    upto = f" to {last}" if first != last else ""
    return f"about {first}{upto} stop{'s' * (round(3.0 * high) > 3)}"


def _typical(
    readings: Readings, column: str, first: int, last: int, share: float = _SHARE
) -> float:
    """Return what puts right this much of a stretch, %; NaN if nothing is known."""
    if column not in readings.columns:
        return math.nan
    values = readings.columns.part(column, first, last)
    known = values[np.isfinite(values)]
    return float(np.percentile(known, share)) if known.size else math.nan


def close_by(
    readings: Readings, first: int, last: int, *, channels: bool = False
) -> str:
    """Say how far to close the iris in a stretch of a take.

    Parameters
    ----------
    readings : Readings
        The take's picture readings with the columns of `qc.measures.exposure`.
    first, last : int
        Rows, half-open.
    channels : bool
        Close until no single channel is cut off either; else until luma is under the
        highlight level.

    Returns
    -------
    str
        E.g. ``"close the iris by about ⅔ stop (at least ⅓)"``, without a full stop;
        of channels a range, never less than luma's. Empty when nothing is to close or
        nothing is known.
    """
    stops = _typical(readings, "exposure.close_stops", first, last)
    least = _typical(readings, "exposure.close_at_least_stops", first, last)
    if channels:
        # Looks differ by chance, and what the most of them say is in the range told.
        more = _typical(readings, "exposure.close_channel_stops", first, last, 50.0)
        low = max(_CHANNELS_FROM * more, stops if stops > 0 else 0.0)
        high = max(_CHANNELS_TO * more, low)
        if more > 0 and not (stops > 0 and thirds(high) == thirds(stops)):
            return f"close the iris by {range_words(low, high)}"
    if stops > 0:
        return f"close the iris by {stops_words(stops, least=least)}"
    if least > 0:
        return (
            f"close the iris by at least {thirds(least)} stop (how far, the picture no "
            "longer tells)"
        )
    return ""
