"""One fault to be put into one piece: where it may lie, and what came of it."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np

from tests.bench.faults.linear import Curve, Light, Planes
from tests.bench.faults.pieces import Piece

__all__ = ["Injected", "Job", "Span"]

Span = tuple[int, int]


@dataclass(frozen=True, eq=False)
class Injected:
    """A piece with a fault in it.

    Attributes
    ----------
    span : (first, last)
        Half-open frames on the take's grid that show the fault.
    strength : float
        As it really was: some strengths follow from what the picture holds.
    ticks : sequence of int or None
        When frames are shown, in frame periods; None: one after the other.
    where : (x, y, w, h) or None
        Place in the picture, in pixels.
    told : mapping
        What else was put in.
    """

    frames: Sequence[Planes]
    span: Span
    strength: float
    ticks: Sequence[int] | None = None
    where: tuple[int, int, int, int] | None = None
    told: dict[str, Any] = field(default_factory=dict)


@dataclass(eq=False)
class Job:
    """What a fault is made from.

    Attributes
    ----------
    strength : float
        In the fault's own unit.
    cuts : sequence of int
        First frames of new shots.
    avoid : sequence of spans
        Where the piece has this fault by itself.
    """

    piece: Piece
    strength: float
    rng: np.random.Generator
    cuts: Sequence[int] = ()
    avoid: Sequence[Span] = ()

    @cached_property
    def curve(self) -> Curve:
        return Curve(self.piece.signal)

    @property
    def fps(self) -> float:
        return float(self.piece.rate)

    def between(self, low: float, high: float) -> float:
        return float(self.rng.uniform(low, high))

    def frames_of(self, seconds: float) -> int:
        return max(1, round(seconds * self.fps))

    def place(self, frames: int, margin: int = 0, *, shot: bool = True) -> Span | None:
        """Choose a span at random; None if there is no room for it.

        Parameters
        ----------
        margin : int
            Frames left as they are on both sides.
        shot : bool
            Span and margins lie within one shot.
        """
        total = len(self.piece.frames)
        ends = sorted({0, total, *(self.cuts if shot else ())})
        starts = [
            first
            for a, b in itertools.pairwise(ends)
            for first in range(a + margin, b - margin - frames + 1)
        ]
        free = [
            s
            for s in starts
            if not any(s < b and a < s + frames for a, b in self.avoid)
        ]
        if not (free or starts):
            return None
        first = int(self.rng.choice(free or starts))
        return first, first + frames

    def relight(
        self,
        span: Span,
        change: Callable[[Light, int], Light],
        clip: float | None = None,
    ) -> list[Planes]:
        """Return the frames with the light of a span changed.

        Parameters
        ----------
        change : function of (light, frame)
        clip : float or None
            Signal at which channels clip.
        """
        out = list(self.piece.frames)
        for i in range(*span):
            out[i] = self.curve.codes(change(self.curve.light(out[i]), i), clip=clip)
        return out

    @cached_property
    def grain(self) -> float:
        """Noise of the piece as a share of the signal, at most 0.6 %.

        From the flattest fifth of the picture: a Laplacian of white noise of sd s has
        sd s times the root of 20.
        """
        import cv2

        y = self.piece.frames[len(self.piece.frames) // 2][0]
        rough = np.abs(cv2.Laplacian(y, cv2.CV_32F))
        h, w = (n // 8 * 8 for n in rough.shape)
        blocks = rough[:h, :w].reshape(h // 8, 8, w // 8, 8).mean(axis=(1, 3))
        # The mean of |x| of a Gaussian is sd times the root of 2 / pi.
        sd = float(np.quantile(blocks, 0.2)) / np.sqrt(20) * np.sqrt(np.pi / 2)
        s = self.piece.signal
        return min(float(sd / (s.white - s.black)), 0.006)
