"""What goes wrong at the lens and the rig: focus, sway, knocks, spots."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.bench.faults.job import Injected, Job
from tests.bench.faults.linear import Light, Planes
from tests.bench.faults.visible import changes, seconds_seen

__all__ = [
    "blemish",
    "blurred",
    "disc",
    "dust",
    "hunting",
    "knock",
    "landing",
    "soft",
    "soft_slowly",
    "splash",
    "stuck",
    "sway",
    "swayed",
]


def disc(radius: float) -> NDArray[np.float32]:
    """Kernel of a disc, its edge shared out by area (8 by 8 points a pixel)."""
    reach = math.ceil(radius)
    fine = (np.arange(-reach * 8 - 4, reach * 8 + 4) + 0.5) / 8
    inside = (fine[:, None] ** 2 + fine[None, :] ** 2 <= radius**2).astype(np.float32)
    n = 2 * reach + 1
    kernel = inside.reshape(n, 8, n, 8).mean(axis=(1, 3))
    return np.asarray(kernel / kernel.sum(), np.float32)


def blurred(light: Light, sigma: float, *, round_: bool = False) -> Light:
    """Defocus light: a Gaussian, or a disc of the same second moment (radius 2 sd)."""
    if sigma < 0.05:
        return light
    if round_:
        if 2 * sigma < 0.5:
            return light
        out = cv2.filter2D(
            light, cv2.CV_32F, disc(2 * sigma), borderType=cv2.BORDER_REFLECT_101
        )
    else:
        out = cv2.GaussianBlur(light, (0, 0), sigma, borderType=cv2.BORDER_REFLECT_101)
    return np.asarray(out, np.float32)


def _noise(job: Job, planes: Planes, blurs: bool) -> Planes:
    """Give blurred pictures their noise back: the lens does not blur the sensor's."""
    if not blurs or job.grain <= 0:
        return planes
    s = job.piece.signal
    sd = job.grain * (s.white - s.black)
    y = planes[0] + job.rng.normal(0, sd, planes[0].shape)
    return np.clip(np.rint(y), 1, s.ceiling).astype(np.uint8), planes[1], planes[2]


def _defocus(
    job: Job, first: int, last: int, sigma_at: Callable[[int], float], round_: bool
) -> list[Planes]:
    out = job.relight(
        (first, last), lambda light, i: blurred(light, sigma_at(i), round_=round_)
    )
    for i in range(first, last):
        out[i] = _noise(job, out[i], sigma_at(i) > 0.3)
    return out


def soft(job: Job) -> Injected | None:
    """Lose the focus from one frame to the next. Strength: sd in pixels."""
    span = job.place(job.frames_of(job.between(1, 3)), job.frames_of(0.8))
    if span is None:
        return None
    round_ = bool(job.rng.random() < 0.5)
    frames = _defocus(job, *span, lambda _: job.strength, round_)
    return Injected(frames, span, job.strength, told={"disc": round_})


def soft_slowly(job: Job) -> Injected | None:
    """Lose the focus within a second, and find it again. Strength: sd in pixels."""
    ramp = job.frames_of(job.between(0.4, 1))
    hold = job.frames_of(job.between(1, 2))
    span = job.place(2 * ramp + hold, job.frames_of(0.8))
    if span is None:
        return None
    first, last = span
    round_ = bool(job.rng.random() < 0.5)

    def sigma(i: int) -> float:
        inside = min(i - first + 1, last - i, ramp + 1) / (ramp + 1)
        return job.strength * inside

    frames = _defocus(job, first, last, sigma, round_)
    return Injected(
        frames, span, job.strength, told={"disc": round_, "ramp_frames": ramp}
    )


def hunting(job: Job) -> Injected | None:
    """Swing the focus to and fro. Strength: greatest sd in pixels."""
    hz = job.between(0.5, 2.0)
    seconds = max(3.2 / hz, job.between(3, 5))
    span = job.place(job.frames_of(seconds), job.frames_of(0.3))
    if span is None:
        return None
    first, last = span

    def sigma(i: int) -> float:
        turn = 2 * math.pi * hz * (i - first) / job.fps
        return job.strength * 0.5 * (1 - math.cos(turn))

    frames = _defocus(job, first, last, sigma, True)
    return Injected(frames, span, job.strength, told={"hz": hz})


# ------------------------------------------------------------------------- shake


def _moved(
    job: Job, first: int, path: NDArray[np.float64]
) -> tuple[list[Planes], float]:
    """Cut a window out of every frame, moved along a path; say its width.

    Nothing outside the picture is needed: the window is smaller than the picture by
    the path's reach on every side.
    """
    height, width = job.piece.size
    margin = math.ceil((np.abs(path).max() + 2) / 4) * 4
    out = []
    for i, planes in enumerate(job.piece.frames):
        k = i - first
        dx, dy = path[k] if 0 <= k < len(path) else (0.0, 0.0)
        parts = []
        for plane, unit in zip(planes, (1, 2, 2), strict=True):
            h, w = height // unit, width // unit
            m = margin // unit
            moved: NDArray[Any] = plane
            if dx or dy:
                shift = np.array([[1, 0, -dx / unit], [0, 1, -dy / unit]], np.float64)
                moved = cv2.warpAffine(
                    np.ascontiguousarray(plane),
                    shift,
                    (w, h),
                    flags=cv2.INTER_CUBIC,
                    borderMode=cv2.BORDER_REFLECT_101,
                )
            parts.append(np.ascontiguousarray(moved[m : h - m, m : w - m]))
        out.append((parts[0], parts[1], parts[2]))
    return out, float(width - 2 * margin)


def _swing(
    job: Job, hz: float, settle_s: float, seconds: float, start: int
) -> tuple[list[Planes], float] | None:
    t = np.arange(job.frames_of(seconds)) / job.fps
    along = np.exp(-t / settle_s) * np.sin(2 * math.pi * hz * t)
    reach = float(np.ptp(along))
    if reach <= 0:
        return None
    lean = job.between(0.1, 0.6) * (1 if job.rng.random() < 0.5 else -1)
    # The window is up to two strengths narrower than the picture.
    width = job.piece.size[1] * (1 - 0.02 * job.strength)
    along *= job.strength / 100 * width / reach
    path = np.stack([along, lean * along], axis=1)
    frames, cut = _moved(job, start, path)
    return frames, float(np.ptp(along)) / cut * 100


def sway(job: Job) -> Injected | None:
    """Let a boom swing out. Strength: peak to peak in percent of the width."""
    hz = job.between(0.5, 3.0)
    settle = job.between(1.0, 3.0)
    seconds = min(max(3 / hz, 2.0), 5.0)
    span = job.place(job.frames_of(seconds), job.frames_of(0.4))
    made = span and _swing(job, hz, settle, seconds, span[0])
    if not span or not made:
        return None
    return Injected(made[0], span, made[1], told={"hz": hz, "settle_s": settle})


def knock(job: Job) -> Injected | None:
    """Knock against the boom: 3.5 to 6 Hz, gone within half a second."""
    hz = min(job.between(3.5, 6.0), 0.3 * job.fps)
    settle = job.between(0.12, 0.3)
    span = job.place(job.frames_of(3.5 * settle), job.frames_of(0.8))
    made = span and _swing(job, hz, settle, 3.5 * settle, span[0])
    if not span or not made:
        return None
    return Injected(made[0], span, made[1], told={"hz": hz, "settle_s": settle})


# ------------------------------------------------------------------------- spots


@dataclass(frozen=True)
class _Disc:
    """A soft-edged ellipse in a picture of so many rows and columns."""

    mask: NDArray[np.float32]
    where: tuple[int, int, int, int]

    @classmethod
    def of(cls, job: Job, shares: tuple[float, float]) -> _Disc:
        """Lay it anywhere, so many shares of the width across."""
        h, w = job.piece.size
        across = job.between(*shares) * w
        tall = across * job.between(0.7, 1.3)
        x, y = job.between(across, w - across), job.between(tall, h - tall)
        rows, columns = np.mgrid[0:h, 0:w].astype(np.float32)
        far = np.hypot((columns - x) / (across / 2), (rows - y) / (tall / 2))
        mask = np.clip((1.25 - far) / 0.5, 0, 1)[..., None].astype(np.float32)
        return cls(
            mask, (int(x - across / 2), int(y - tall / 2), int(across), int(tall))
        )

    def over(self, depth: float, blur: float) -> Callable[[Light, int], Light]:
        """Return what takes so much of the light there and blurs the rest.

        Parameters
        ----------
        blur : float
            Sd as a share of the breadth.
        """
        x, y, across, tall = self.where
        h, w = self.mask.shape[:2]
        x0, x1 = max(0, x - across // 2), min(w, x + across + across // 2 + 2)
        y0, y1 = max(0, y - tall // 2), min(h, y + tall + tall // 2 + 2)
        m, left = self.mask[y0:y1, x0:x1], np.float32(1 - depth)

        def dirty(light: Light, _: int) -> Light:
            part = light[y0:y1, x0:x1]
            under = blurred(part, across * blur) * left
            light[y0:y1, x0:x1] = part * (1 - m) + under * m
            return light

        return dirty


_DROP, _DROP_BLUR = (0.03, 0.08), 0.12
_LARGE = 0.08, 0.2
_DUST = 0.012, 0.025


def _laid_over(job: Job, disc: _Disc, first: int, blur: float) -> Injected:
    span = first, len(job.piece.frames)
    frames = job.relight(span, disc.over(job.strength / 100, blur))
    return _seen(job, Injected(frames, span, job.strength, where=disc.where))


def _seen(job: Job, made: Injected) -> Injected:
    """Add what the screen shows of it: its usual change of L*, and for how long."""
    assert made.where is not None
    piece = job.piece
    each = changes(piece.frames, made.frames, made.span, made.where, piece.signal)
    made.told["lstar"] = round(float(np.median(each)), 2)
    made.told["seen_s"] = seconds_seen(each, job.fps)
    return made


def blemish(job: Job) -> Injected | None:
    """A drop on the lens that darkens and blurs. Strength: darkening in percent."""
    disc, total = _Disc.of(job, _DROP), len(job.piece.frames)
    first = 0 if job.rng.random() < 0.3 else int(job.between(0, 0.33) * total)
    return _laid_over(job, disc, first, _DROP_BLUR)


def landing(job: Job) -> Injected | None:
    """A drop that hits the lens of a camera at rest, and stays."""
    return _landed(job, _DROP)


def splash(job: Job) -> Injected | None:
    """A large drop that hits the lens of a camera at rest, and stays."""
    return _landed(job, _LARGE)


def _landed(job: Job, shares: tuple[float, float]) -> Injected:
    first = int(job.between(0.3, 0.6) * len(job.piece.frames))
    return _laid_over(job, _Disc.of(job, shares), first, _DROP_BLUR)


def dust(job: Job) -> Injected | None:
    """A grain of dust that was there from the start: small, and it does not blur."""
    return _laid_over(job, _Disc.of(job, _DUST), 0, 0.0)


def swayed(job: Job) -> Injected | None:
    """A drop that was there from the start, under a boom that swings slowly."""
    t = np.arange(len(job.piece.frames)) / job.fps
    hz, reach = job.between(0.2, 0.4), job.between(1.5, 4.0)
    turn = 2 * math.pi * (hz * t + job.rng.random())
    along = 0.5 * reach / 100 * job.piece.size[1] * np.sin(turn)
    lean = job.between(0.1, 0.6)
    path = np.stack([along, lean * along], axis=1)
    frames, _ = _moved(job, 0, path)
    still = replace(job.piece, frames=frames)
    job = Job(still, job.strength, job.rng, job.cuts, job.avoid)
    made = _laid_over(job, _Disc.of(job, _DROP), 0, _DROP_BLUR)
    made.told.update({"hz": hz, "reach_percent": reach})
    return made


def stuck(job: Job) -> Injected | None:
    """A pixel that stays bright, its neighbours raised as a camera's colours do.

    Strength: of the way to white, in percent.
    """
    h, w = job.piece.size
    x, y = (int(job.between(12, n - 12)) for n in (w, h))
    s = job.piece.signal
    near = np.array([[0.12, 0.35, 0.12], [0.35, 1.0, 0.35], [0.12, 0.35, 0.12]])
    share = near * job.strength / 100
    out = []
    for luma, cb, cr in job.piece.frames:
        new = luma.copy()
        part = new[y - 1 : y + 2, x - 1 : x + 2].astype(np.float64)
        new[y - 1 : y + 2, x - 1 : x + 2] = np.rint(part + (s.white - part) * share)
        out.append((new, cb, cr))
    made = Injected(out, (0, len(out)), job.strength, where=(x - 1, y - 1, 3, 3))
    return _seen(job, made)
