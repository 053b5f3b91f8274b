"""What goes wrong with exposure, gain and white balance, in linear light."""

from __future__ import annotations

import math

import cv2
import numpy as np

from tests.bench.faults.job import Injected, Job
from tests.bench.faults.linear import Light, daylight_gains

__all__ = [
    "MID",
    "burnt",
    "cast",
    "dark",
    "drift",
    "gain_noise",
    "pumping",
    "white_walk",
]

# Light of a signal of 45 %, and the camera curve's slope there (BT.709-6 item 1.2).
MID = float(((0.45 + 0.099) / 1.099) ** (1 / 0.45))
_SLOPE = 1.099 * 0.45 * MID ** (0.45 - 1)


def _sensor_noise(
    job: Job, light: Light, luma_sd: float, *, shot_share: float, fine: bool
) -> Light:
    """Add shot and read noise: so much of luma, as a share of its range, at 45 %.

    Channels are independent; without `fine` each is smoothed as by a colour filter's
    interpolation, then brought back to the same power.
    """
    noise = job.rng.standard_normal(light.shape).astype(np.float32)
    if not fine:
        tap = np.array([1, 2, 1], np.float32) / 4
        noise = np.asarray(
            cv2.sepFilter2D(noise, cv2.CV_32F, tap, tap), np.float32
        ) / np.float32(tap @ tap)
    # Luma is a weighted mean of three independent channels.
    weights = math.sqrt(0.2126**2 + 0.7152**2 + 0.0722**2)
    sd = luma_sd / weights / _SLOPE
    power = sd**2 * (shot_share * np.clip(light, 0, None) / MID + 1 - shot_share)
    return np.asarray(light + noise * np.sqrt(power), np.float32)


def gain_noise(job: Job) -> Injected | None:
    """Turn the gain up. Strength: luma noise at 45 % level, percent of the range."""
    span = job.place(job.frames_of(job.between(2.5, 5)), job.frames_of(0.3), shot=False)
    if span is None:
        return None
    fine = bool(job.rng.random() < 0.5)

    def grainy(light: Light, _: int) -> Light:
        return _sensor_noise(job, light, job.strength / 100, shot_share=0.8, fine=fine)

    return Injected(job.relight(span, grainy), span, job.strength, told={"white": fine})


def dark(job: Job) -> Injected | None:
    """Close the iris. Strength: stops."""
    span = job.place(job.frames_of(job.between(2, 4)), job.frames_of(0.5), shot=False)
    if span is None:
        return None
    gain = np.float32(2.0**-job.strength)

    def dim(light: Light, _: int) -> Light:
        # The sensor's noise does not get darker with the scene: read noise of a
        # quarter percent of the signal at mid level.
        return _sensor_noise(job, light * gain, 0.0025, shot_share=0.7, fine=True)

    return Injected(job.relight(span, dim), span, job.strength)


def burnt(job: Job) -> Injected | None:
    """Open the iris. Strength: picture at 95 % luma or more, in percent, newly."""
    span = job.place(job.frames_of(job.between(1.5, 4)), job.frames_of(0.4), shot=False)
    if span is None:
        return None
    s = job.piece.signal
    middle = job.piece.frames[sum(span) // 2]
    luma = job.curve.luma(job.curve.light(middle))
    here = float(np.mean(luma >= 0.95))
    light = job.curve.light(middle)
    low, high = 0.0, 4.0
    for _ in range(10):  # the stops that burn so much
        stops = (low + high) / 2
        share = float(np.mean(job.curve.luma(light * np.float32(2**stops)) >= 0.95))
        low, high = (stops, high) if share - here < job.strength / 100 else (low, stops)
    gain = np.float32(2.0**high)
    clip = 1.0 if s.full_range else job.between(1.0, 1.09)
    frames = job.relight(span, lambda light, _: light * gain, clip)
    first_code = math.ceil(s.black + 0.95 * (s.white - s.black))
    share = float(np.mean(frames[sum(span) // 2][0] >= first_code)) - here
    return Injected(
        frames, span, 100 * share, told={"stops": float(high), "clip": clip}
    )


def drift(job: Job) -> Injected | None:
    """Let the level walk away over seconds, and stay there. Strength: stops."""
    walk = job.frames_of(job.between(2, 4))
    stay = job.frames_of(1.0)
    span = job.place(walk + stay, job.frames_of(0.5))
    if span is None:
        return None
    first, total = span[0], len(job.piece.frames)
    end = next((c for c in sorted(job.cuts) if c > first), total)
    down = bool(job.rng.random() < 0.5)

    def walked(light: Light, i: int) -> Light:
        part = min((i - first + 1) / walk, 1.0) * (-1 if down else 1)
        return light * np.float32(2.0 ** (part * job.strength))

    frames = job.relight((first, end), walked)
    return Injected(frames, (first, first + walk), job.strength, told={"down": down})


def pumping(job: Job) -> Injected | None:
    """Let an automatic iris pump. Strength: stops peak to peak."""
    hz = job.between(0.25, 0.6)
    span = job.place(job.frames_of(max(2.1 / hz, 3)), job.frames_of(0.3))
    if span is None:
        return None

    def pumped(light: Light, i: int) -> Light:
        turn = 2 * math.pi * hz * (i - span[0]) / job.fps
        return light * np.float32(2.0 ** (-job.strength * 0.5 * (1 - math.cos(turn))))

    return Injected(job.relight(span, pumped), span, job.strength, told={"hz": hz})


def _shift(job: Job) -> float:
    """Warm or cold; the daylight locus goes no farther than 90 mired to the cold."""
    warm = job.strength > 90 or job.rng.random() < 0.5
    return job.strength if warm else -job.strength


def white_walk(job: Job) -> Injected | None:
    """Let the white balance walk. Strength: mired."""
    walk = job.frames_of(job.between(2, 4))
    span = job.place(walk + job.frames_of(1.0), job.frames_of(0.5))
    if span is None:
        return None
    first, total = span[0], len(job.piece.frames)
    end = next((c for c in sorted(job.cuts) if c > first), total)
    shift = _shift(job)

    def walked(light: Light, i: int) -> Light:
        return light * daylight_gains(shift * min((i - first + 1) / walk, 1.0))

    return Injected(
        job.relight((first, end), walked), (first, end), job.strength,
        told={"mired": shift},
    )  # fmt: skip


def cast(job: Job) -> Injected | None:
    """Change the white balance from one frame to the next. Strength: mired."""
    span = job.place(job.frames_of(job.between(2, 4)), job.frames_of(0.4), shot=False)
    if span is None:
        return None
    shift = _shift(job)
    gains = daylight_gains(shift)
    return Injected(
        job.relight(span, lambda light, _: light * gains), span, job.strength,
        told={"mired": shift},
    )  # fmt: skip
