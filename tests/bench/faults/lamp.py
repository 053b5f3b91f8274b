"""What goes wrong with the lamps: pulsing under mains, bands, flashes."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from tests.bench.faults.job import Injected, Job
from tests.bench.faults.linear import Light

__all__ = ["banding", "beat_hz", "flashes", "flicker", "gain_of_rows", "pulse_for"]


def beat_hz(pulse_hz: float, fps: float) -> float:
    """Return what a pulse looks like at a frame rate: the nearest alias, in hertz."""
    return abs(pulse_hz - fps * round(pulse_hz / fps))


def pulse_for(fps: float) -> float | None:
    """Return the lamp's pulses a second, of 100 and 120, that beat with this rate."""
    best = max((100.0, 120.0), key=lambda f: beat_hz(f, fps))
    return best if beat_hz(best, fps) >= 0.3 else None


def gain_of_rows(
    frame: int,
    *,
    fps: float,
    rows: int,
    pulse_hz: float,
    depth: float,
    exposure_s: float,
    readout_s: float,
    phase: float,
) -> NDArray[np.float64]:
    """Return the mean light of each row: 1 + depth cos(2 pi f t) over its exposure.

    The integral in closed form: depth sinc(f T) cos(2 pi f t_middle).
    """
    middle = frame / fps + np.arange(rows) / rows * readout_s
    ripple = depth * np.sinc(pulse_hz * exposure_s)
    return np.asarray(1 + ripple * np.cos(2 * math.pi * pulse_hz * middle + phase))


def _lamp(job: Job, readout_s: float) -> Injected | None:
    pulse = pulse_for(job.fps)
    if pulse is None:
        return None
    # An exposure that lets a ripple through, and a lamp that pulses enough for it.
    for _ in range(50):
        exposure = job.between(1 / 500, min(1 / job.fps, 1 / 40))
        left = abs(float(np.sinc(pulse * exposure)))
        if left > 0.02 and job.strength / 100 <= left:
            break
    else:
        exposure, left = 1 / 500, abs(float(np.sinc(pulse / 500)))
    depth = min(job.strength / 100 / left, 1.0)
    span = job.place(job.frames_of(job.between(4, 6)), shot=False) or job.place(
        len(job.piece.frames), shot=False
    )
    if span is None:
        return None
    phase = job.between(0, 2 * math.pi)

    def lit(light: Light, i: int) -> Light:
        gain = gain_of_rows(
            i,
            fps=job.fps,
            rows=light.shape[0],
            pulse_hz=pulse,
            depth=depth,
            exposure_s=exposure,
            readout_s=readout_s,
            phase=phase,
        )
        return light * gain[:, None, None].astype(np.float32)

    told = {
        "pulse_hz": pulse,
        "beat_hz": beat_hz(pulse, job.fps),
        "exposure_s": exposure,
        "readout_s": readout_s,
        "bands": pulse * readout_s,
    }
    return Injected(job.relight(span, lit), span, 100 * depth * left, told=told)


def flicker(job: Job) -> Injected | None:
    """Pulse the whole picture. Strength: ripple in percent of the mean light."""
    return _lamp(job, job.between(0, 0.0015))


def banding(job: Job) -> Injected | None:
    """Let bands roll: rows are read over 8 to 30 ms. Strength: as of flicker."""
    return _lamp(job, min(job.between(0.008, 0.030), 0.95 / job.fps))


def flashes(job: Job) -> Injected | None:
    """Flash four to eight times a second. Strength: percent of the picture.

    What counts is measured on the picture: pixels that go up by 20 cd/m2 or more from
    under 160 cd/m2 on a display after BT.1886 with white at 200 cd/m2 (ITU-R BT.1702).
    """
    # Whole frames a flash: the rates that this frame rate can show, 4 to 8 a second.
    periods = [p for p in range(2, 16) if 4 <= job.fps / p <= 8]
    span = job.place(job.frames_of(job.between(1.6, 3)), job.frames_of(0.3))
    if not periods or span is None:
        return None
    period = int(job.rng.choice(periods))
    h, w = job.piece.size
    share = math.sqrt(job.strength / 100)
    tall, wide = round(h * share), round(w * share)
    y, x = (int(job.rng.integers(0, n + 1)) for n in (h - tall, w - wide))
    add = np.float32(job.between(0.35, 0.7))

    def flash(light: Light, i: int) -> Light:
        if (i - span[0]) % period < max(1, period // 2):
            light[y : y + tall, x : x + wide] += add
        return light

    frames = job.relight(span, flash)
    before, after = (
        200 * np.clip(job.curve.luma(light), 0, 1) ** 2.4
        for light in (
            job.curve.light(job.piece.frames[span[0]]),
            job.curve.light(frames[span[0]]),
        )
    )
    counts = (after - before >= 20) & (before < 160)
    told = {"rate_hz": job.fps / period, "add": float(add)}
    return Injected(frames, span, 100 * float(counts.mean()), told=told)
