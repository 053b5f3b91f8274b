"""What flicker and bands are called, where they come from and what helps: sentences."""

from __future__ import annotations

from qc.measures.base import Hit
from qc.measures.parts.light.lightbeats import RESOLUTION_HZ, rate_of
from qc.measures.parts.light.lightfields import fields_rate
from qc.measures.parts.light.mains import (
    MAINS_HZ,
    PULSES_HZ,
    beat_hz,
    pointed_to,
    times_text,
)

__all__ = ["banding_advice", "banding_message", "flicker_advice", "flicker_message"]

# So slowly automatic exposure may pulse as well.
_SLOW_HZ = 3.0


def _beat_of(hit: Hit, kind: str) -> float:
    """Return the frequency of a finding: that of its strongest row."""
    return float(hit.readings[f"light.{kind}_hz"][hit.worst_row])


def _rate_of(hit: Hit, hertz: float) -> tuple[float, str]:
    """Return pictures a second where the finding lies, and that in words.

    Each field of an interlaced take meets the lamps at its own moment, unless the beat
    is one that only frames have: then both fields of a frame are of one moment.
    """
    frames = rate_of(hit.measured, hit.readings.times()[hit.first : hit.last])
    fields = fields_rate(hit.measured, frames)
    if fields is None or (
        not pointed_to(hertz, rate=fields, resolution_hz=RESOLUTION_HZ)
        and pointed_to(hertz, rate=frames, resolution_hz=RESOLUTION_HZ)
    ):
        return frames, f"{round(frames, 2):g} frames a second"
    return fields, f"{round(fields, 2):g} fields a second"


def _source_text(hit: Hit, hertz: float) -> str:
    """Return which mains a beat points to, as a sentence."""
    rate, rate_text = _rate_of(hit, hertz)
    pointed = pointed_to(hertz, rate=rate, resolution_hz=RESOLUTION_HZ)
    if len(pointed) == 1:
        beat = abs(beat_hz(PULSES_HZ[pointed[0]], rate=rate))
        return (
            f"This points to lamps on {pointed[0]} Hz mains, which beat at "
            f"{beat:.2f} Hz at {rate_text}."
        )
    expected = " and ".join(
        f"{abs(beat_hz(PULSES_HZ[m], rate=rate)):.2f} Hz ({m} Hz mains)"
        for m in MAINS_HZ
    )
    if pointed:
        return (
            "Which mains it is cannot be told: lamps on both would beat like this at "
            f"{rate_text}."
        )
    own = (
        "More likely a lamp that pulses at a frequency of its own, such as a dimmed "
        "LED lamp or a screen"
    )
    if hertz < _SLOW_HZ:
        own += ", or a camera whose automatic exposure never comes to rest"
    return (
        f"The mains cannot be told from it: at {rate_text} lamps would beat at "
        f"{expected}. {own}."
    )


def flicker_message(hit: Hit) -> str:
    """Say how fast and how much the picture flickers, and what mains it points to."""
    hertz = _beat_of(hit, "flicker")
    return (
        f"The whole picture goes brighter and darker {hertz:.2f} times a second by up "
        f"to {hit.worst:.1f} % of its light. {_source_text(hit, hertz)}"
    )


def banding_message(hit: Hit) -> str:
    """Say how many bands roll how fast, and what mains they point to."""
    hertz = _beat_of(hit, "banding")
    bands = float(hit.readings["light.bands_count"][hit.worst_row])
    return (
        f"Dark and bright bands roll through the picture, {bands:.1f} from top to "
        f"bottom, each place {hertz:.2f} times a second, by up to {hit.worst:.1f} % of "
        f"the light. {_source_text(hit, hertz)}"
    )


def _advice_for(hit: Hit, hertz: float) -> str:
    rate, _ = _rate_of(hit, hertz)
    pointed = pointed_to(hertz, rate=rate, resolution_hz=RESOLUTION_HZ)
    dimmed = (
        "If that does not help, a lamp pulses by itself: ask for dimmed LED lamps to "
        "be turned up to 100 %, and take light away with the iris or a filter."
    )
    if hertz < _SLOW_HZ:
        dimmed = "Set iris, gain and exposure time by hand. " + dimmed
    clean = {
        mains: times
        for mains in pointed or MAINS_HZ
        if (times := times_text(mains, rate=rate))
    }
    if not clean:
        return (
            "Record at a lower frame rate: at this one no exposure is long enough for "
            "a whole pulse of the lamps. " + dimmed
        )
    each = [f"{times} under {mains} Hz mains" for mains, times in clean.items()]
    return f"Set the exposure time to {'; '.join(each)}. {dimmed}"


def flicker_advice(hit: Hit) -> str:
    """Say which exposure times are clean at this frame rate."""
    return _advice_for(hit, _beat_of(hit, "flicker"))


def banding_advice(hit: Hit) -> str:
    """Say which exposure times are clean at this frame rate."""
    return _advice_for(hit, _beat_of(hit, "banding"))
