"""Lamps on the mains, in closed forms: what a camera makes of light that pulses.

A lamp gives a pulse of light with every half wave, twice in a period of the mains.
Exposures of whole pulses all gather the same light; others beat with the frame rate.
"""

from __future__ import annotations

import math
from fractions import Fraction

__all__ = [
    "MAINS_HZ",
    "PULSES_HZ",
    "angle_of",
    "bands_of",
    "beat_hz",
    "clean_times",
    "degrees_text",
    "percent_of_stops",
    "pointed_to",
    "residual",
    "times_text",
]

MAINS_HZ = (50, 60)
PULSES_HZ = {mains: 2 * mains for mains in MAINS_HZ}

# A grid may run off its nominal frequency by 0.2 Hz in normal operation (European
# grid code, from memory); light doubles it.
_LIGHT_OFF_HZ = 0.4


def residual(exposure_s: float, *, pulses_hz: float) -> float:
    """Return the share of a lamp's ripple that an exposure leaves in the picture.

    Parameters
    ----------
    exposure_s : float
        Seconds; all rows at once, or one row of a rolling shutter.
    pulses_hz : float
        Pulses of light a second.

    References
    ----------
    The mean of a sine over a window of length t: ``|sin(pi f t) / (pi f t)|``.

    Examples
    --------
    >>> round(residual(1 / 60, pulses_hz=100), 3)
    0.165
    """
    x = math.pi * pulses_hz * exposure_s
    return abs(math.sin(x) / x) if x else 1.0


def beat_hz(pulses_hz: float, *, rate: Fraction | float) -> float:
    """Return how fast brightness beats at a frame rate, with its sign.

    The distance to the nearest multiple of the frame rate. Positive: each frame meets
    the lamp a little later in its pulse than the frame before did.

    Examples
    --------
    >>> beat_hz(100, rate=24), beat_hz(120, rate=50), beat_hz(100, rate=50)
    (4.0, 20.0, 0.0)
    """
    rate = float(rate)
    return pulses_hz - rate * round(pulses_hz / rate)


def bands_of(pulses_hz: float, *, readout_s: float) -> float:
    """Return how many bands a rolling shutter shows from top to bottom.

    Parameters
    ----------
    readout_s : float
        Seconds from the first row's exposure to the last row's.

    Examples
    --------
    >>> round(bands_of(120, readout_s=1 / 60), 6)
    2.0
    """
    return pulses_hz * readout_s


def clean_times(mains_hz: int, *, rate: Fraction | float) -> tuple[Fraction, ...]:
    """Return the exposure times of whole pulses that fit into a frame, longest first.

    Examples
    --------
    >>> [str(t) for t in clean_times(50, rate=25)]
    ['1/25', '3/100', '1/50', '1/100']
    """
    pulses = 2 * mains_hz
    most = int(Fraction(pulses) / Fraction(rate))
    return tuple(Fraction(k, pulses) for k in range(most, 0, -1))


def angle_of(exposure_s: Fraction, *, rate: Fraction | float) -> float:
    """Return the shutter angle in degrees that an exposure time is at a frame rate.

    Examples
    --------
    >>> angle_of(Fraction(1, 50), rate=Fraction(24))
    172.8
    """
    return float(360 * exposure_s * Fraction(rate))


def pointed_to(
    hertz: float, *, rate: Fraction | float, resolution_hz: float
) -> tuple[int, ...]:
    """Return the mains frequencies whose lamps beat at `hertz` at this frame rate.

    Parameters
    ----------
    hertz : float
        Measured frequency, 0 to half the frame rate.
    resolution_hz : float
        How well it was measured; what a grid may drift by is added.
    """
    near = resolution_hz + _LIGHT_OFF_HZ
    return tuple(
        mains
        for mains, pulses in PULSES_HZ.items()
        if abs(abs(beat_hz(pulses, rate=rate)) - hertz) <= near
    )


def percent_of_stops(amplitude_stops: float) -> float:
    """Return percent flicker: 100 (high - low) / (high + low) of the light.

    Parameters
    ----------
    amplitude_stops : float
        Half of what lies between the highest and the lowest level, in stops.

    References
    ----------
    "Percent flicker" of the lighting trade (IES, from memory), the Michelson contrast.

    Examples
    --------
    >>> round(percent_of_stops(0.5), 2)  # one stop between high and low: (2 - 1) / 3
    33.33
    """
    return 100.0 * math.tanh(amplitude_stops * math.log(2.0))


def times_text(mains_hz: int, *, rate: Fraction | float) -> str:
    """Return the clean exposure times for people, with shutter angles.

    Examples
    --------
    >>> times_text(50, rate=24)
    '1/100 s (86.4°), 1/50 s (172.8°), 1/33.3 s (259.2°) or 1/25 s (345.6°)'
    """
    times = sorted(clean_times(mains_hz, rate=rate))
    # Four are enough; with slow frames there would be a dozen.
    parts = [f"{_seconds_text(t)} ({degrees_text(t, rate=rate)})" for t in times[:4]]
    return " or ".join([", ".join(parts[:-1]), parts[-1]] if parts[1:] else parts)


def _seconds_text(time_s: Fraction) -> str:
    return f"1/{round(float(1 / time_s), 1):g} s"


def degrees_text(time_s: Fraction, *, rate: Fraction | float) -> str:
    """Return the shutter angle of an exposure time for people."""
    return f"{round(angle_of(time_s, rate=rate), 1):g}°"
