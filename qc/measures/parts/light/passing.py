"""Whether bands of light are only slats, shelves or rows that pass as the camera tilts.

What lies in the scene goes through the picture as fast as the picture itself does; a
lamp's bands roll as lamp and frame rate have it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from qc.measures.base import Measured
from qc.measures.parts.light.lightwaves import FLICKER_BANDS, STRIPS, Wave
from qc.measures.parts.light.mains import PULSES_HZ, beat_hz

__all__ = ["passes", "ways_up"]

Array = NDArray[np.float64]

# Slower, heights of the picture a second, the camera counts as standing.
_LEAST_SPEED = 0.05
# How well the speed of the picture and the number of bands are known (house choices).
_SPEED_SHARE, _BANDS, _MOST_HZ = 0.08, 0.2, 1.0
# From so many bands on they may well be finer rows. Fewer are so where slats have hard
# edges or lie close together; so many speeds would fit that theirs must be known as
# well as that of a camera that tilts evenly is, and that bands as lamps on the mains
# would make them are taken for those (house choices).
_FOLDED, _EVEN_SHARE, _EVEN_BANDS, _EVEN_ROUND = 9.0, 0.03, 0.1, 0.1
_MAINS_HZ = 0.2
_KNOWN = 0.5


def ways_up(measured: Measured) -> Array | None:
    """Return how far the picture goes up in each frame, heights; NaN where not known.

    Returns
    -------
    (rows,) array or None
        None where motion is not read.
    """
    readings, video = measured.picture, measured.info.video
    name = "steadiness.dy_percent"
    if readings is None or video is None or name not in readings.columns:
        return None
    if not (video.width > 0 and video.height > 0):
        return None
    heights = video.width / video.height
    return np.asarray(-readings[name].astype(np.float64) / 100.0 * heights)


def passes(wave: Wave, up: Array | None, times: Array, moments: int = 1) -> bool:
    """Return whether a wave goes along with the picture in a window.

    Parameters
    ----------
    up : (n,) array or None
        From `ways_up`.
    times : (n,) array
        Seconds.
    moments : int
        In how many moments of each frame the wave was seen: 2 of fields.

    Notes
    -----
    Finer rows than strips can follow, and such that go by in less than two frames,
    show as other bands at another frequency (aliases): they are held against those.
    """
    if up is None or abs(wave.bands) < FLICKER_BANDS or len(times) < 2:
        return False
    if np.isfinite(up[1:]).mean() < _KNOWN:
        return False
    length = float(times[-1] - times[0])
    rate = (len(times) - 1) / length
    speed = float(np.nanmedian(up[1:])) * rate
    if abs(speed) < _LEAST_SPEED:
        return False
    rate *= moments
    out = STRIPS * float(np.copysign(1.0, wave.bands))
    likely = [wave.bands]
    if abs(wave.bands) >= _FOLDED:
        likely.append(wave.bands - out)
    for bands in likely:
        known = _SPEED_SHARE * abs(speed * bands) + _BANDS * abs(speed) + 0.25 / length
        if _goes(wave, speed * bands, known, rate):
            return True
    if _by_mains(wave, rate):
        return False
    for bands in (wave.bands - out, wave.bands + out):
        known = _EVEN_SHARE * abs(speed * bands) + _EVEN_BANDS * abs(speed)
        if _goes(wave, speed * bands, known + _EVEN_ROUND / length, rate):
            return True
    return False


def _goes(wave: Wave, hertz: float, known: float, rate: float) -> bool:
    """Return whether a wave is what passes so often, known to `known` Hz."""
    off = (hertz - wave.hertz + 0.5 * rate) % rate - 0.5 * rate
    return abs(off) <= min(known, _MOST_HZ, 0.1 * rate)


def _by_mains(wave: Wave, rate: float) -> bool:
    """Return whether a wave beats as lamps on the mains do at this frame rate."""
    beats = (abs(beat_hz(pulses, rate=rate)) for pulses in PULSES_HZ.values())
    return any(abs(wave.hertz - beat) <= _MAINS_HZ for beat in beats)
