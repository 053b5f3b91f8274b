"""What goes wrong in the recorder: black, stopped, repeated, lost, woven pictures."""

from __future__ import annotations

import numpy as np

from tests.bench.faults.job import Injected, Job
from tests.bench.faults.linear import Planes

__all__ = ["black", "cadence", "frozen", "gap", "repeated", "woven"]


def _apart(a: Planes, b: Planes) -> float:
    """Mean absolute luma difference, codes."""
    return float(np.mean(np.abs(a[0].astype(np.int16) - b[0].astype(np.int16))))


def black(job: Job) -> Injected | None:
    """Put the lens cap on: black with noise. Strength: frames."""
    length = max(1, round(job.strength))
    span = job.place(length, job.frames_of(0.4), shot=False)
    if span is None:
        return None
    s = job.piece.signal
    level, sd = job.between(0, 0.01), job.between(0.002, 0.006)
    out = list(job.piece.frames)
    for i in range(*span):
        y, cb, cr = out[i]
        dark = s.black + (s.white - s.black) * (
            level + sd * job.rng.standard_normal(y.shape)
        )
        out[i] = (
            np.clip(np.rint(dark), 0 if s.full_range else 1, 255).astype(np.uint8),
            np.full_like(cb, s.chroma_zero),
            np.full_like(cr, s.chroma_zero),
        )
    return Injected(out, span, length, told={"noise_percent": 100 * sd})


def frozen(job: Job) -> Injected | None:
    """Stop the picture. Strength: seconds. The span begins with the first repeat."""
    length = max(2, job.frames_of(job.strength))
    span = job.place(length, job.frames_of(0.6), shot=False)
    if span is None:
        return None
    out = list(job.piece.frames)
    for i in range(*span):
        out[i] = out[span[0]]
    return Injected(out, (span[0] + 1, span[1]), length / job.fps)


def repeated(job: Job) -> Injected | None:
    """Repeat single frames in place of the next, out of turn. Strength: how many."""
    frames = job.piece.frames
    many = max(1, round(job.strength))
    shows = [
        i
        for i in range(8, len(frames) - 8)
        if _apart(frames[i], frames[i - 1]) > 0.5 and _clear(job, i)
    ]
    chosen: list[int] = []
    for i in job.rng.permutation(shows) if shows else ():
        if all(abs(int(i) - c) > 4 for c in chosen):
            chosen.append(int(i))
        if len(chosen) == many:
            break
    if len(chosen) < many:
        return None
    out = list(frames)
    for i in chosen:
        out[i] = frames[i - 1]
    span = (min(chosen), max(chosen) + 1)
    return Injected(out, span, many, told={"frames": sorted(chosen)})


def _clear(job: Job, i: int) -> bool:
    return all(abs(i - c) > 3 for c in job.cuts)


def cadence(job: Job) -> Injected:
    """Show every frame twice, as 25p in 50p."""
    frames = job.piece.frames
    out = [frames[i // 2 * 2] for i in range(len(frames))]
    return Injected(out, (0, len(out)), 1.0)


def gap(job: Job) -> Injected | None:
    """Lose frames; the stamps of the others stay. Strength: frames lost.

    The span begins with the frame that is held.
    """
    lost = max(1, round(job.strength))
    span = job.place(lost, job.frames_of(0.6), shot=False)
    if span is None:
        return None
    first, last = span
    kept = [i for i in range(len(job.piece.frames)) if not first <= i < last]
    return Injected(
        [job.piece.frames[i] for i in kept], (first - 1, last), lost, ticks=kept
    )


def woven(job: Job) -> Injected | None:
    """Weave two moments into the fields of frames that say they are progressive.

    Strength: difference of the two moments in the tenth of the picture that moves most,
    root mean square in percent of the range; it is what the piece's motion gives.
    """
    length = job.frames_of(job.between(3, 5))
    span = job.place(length, job.frames_of(0.3), shot=False)
    if span is None:
        return None
    frames = job.piece.frames
    s = job.piece.signal
    out = list(frames)
    seen = []
    for i in range(*span):
        later = frames[min(i + 1, len(frames) - 1)]
        made = [p.copy() for p in frames[i]]
        for plane, other in zip(made, later, strict=True):
            plane[1::2] = other[1::2]
        out[i] = (made[0], made[1], made[2])
        apart = (frames[i][0].astype(np.float32) - later[0].astype(np.float32)) ** 2
        h, w = (n // 16 * 16 for n in apart.shape)
        tiles = apart[:h, :w].reshape(h // 16, 16, w // 16, 16).mean(axis=(1, 3))
        busy = np.sort(tiles.ravel())[-max(1, tiles.size // 10) :]
        seen.append(float(np.sqrt(busy.mean())))
    strength = 100 * float(np.median(seen)) / (s.white - s.black)
    return Injected(out, span, strength)
