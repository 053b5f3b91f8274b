"""The vote of the patches: which shift, zoom and roll most of the picture follows.

Each patch tells by least squares on its gradients how far it moved (B. D. Lucas and
T. Kanade, 1981; from memory); the common motion is found by iteratively reweighted
least squares, so that hands and instruments are outvoted.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.motion.motionpatches import (
    FINE_SCALE,
    LEAST_PATCHES,
    LEAST_SHARE,
    Anchor,
    enough,
)

__all__ = ["STILL", "Step", "vote_step"]

_Array = NDArray[np.floating]

_ALIKE = 0.5  # share of a patch's contrast that must be the same thing seen again
_FOLLOWS = 0.2  # px; farther from the common motion a patch does not follow it
STILL = 0.06  # px; closer to rest than this a patch is still
_STILL_SOME, _TOGETHER = 0.25, 0.6  # fewer suffice if the others do not agree
_STILL_SHARE = 0.35  # so many still patches: the camera rests, whatever the others do
_SMALL = 0.3  # px; so little every patch may vouch for
_AGREED = 0.05  # px; spread of votes that need no second pass
_TELLING = 0.05  # of a patch's gradients must lie along the motion
_LEANING = np.diag([1e-9, 1e-9, 1e-3, 1e-3])


@dataclass(frozen=True, slots=True, eq=False)
class Step:
    """A correction of a pose, and who follows it."""

    x: float
    y: float
    zoom: float
    turn: float
    followers: float
    enough: bool

    @property
    def shift(self) -> float:
        """Px that the correction moves the centre."""
        return math.hypot(self.x, self.y)

    @property
    def edge(self) -> float:
        """Px that zoom and roll of the correction move the border."""
        return math.hypot(self.zoom, self.turn) * FINE_SCALE


def vote_step(
    anchor: Anchor,
    seen: NDArray[np.float32],
    rest: _Array,
    visible: NDArray[np.bool_] | None = None,
) -> Step | None:
    """Vote on the shift, zoom and roll that is left between anchor and picture.

    Parameters
    ----------
    rest : (2,) array
        The correction, in px, that would mean: the camera has not moved at all.
    """
    change = seen - anchor.values
    sums = np.matmul(anchor.basis, change[:, :, None])[:, :, 0].astype(np.float64)
    light = (change @ anchor.grid.plain.T).astype(np.float64)
    left = np.einsum("pn,pn->p", change, change).astype(np.float64)
    left -= (light**2).sum(axis=1)
    # The pieces of the other picture's energy: (a + d)^2 without means.
    other = anchor.energy + 2.0 * np.sqrt(anchor.energy) * sums[:, 2] + left
    pull = -sums[:, :2]
    own = np.einsum("pij,pj->pi", anchor.inverse, pull)
    unexplained = left - sums[:, 2] ** 2 - np.einsum("pi,pi->p", own, pull)
    # As the same thing, brighter or darker, moved; not as its negative.
    alike = 1.0 - unexplained / np.maximum(other, 1e-6)
    alike[sums[:, 2] <= -np.sqrt(anchor.energy)] = 0.0
    textured = anchor.textured if visible is None else anchor.textured & visible
    usable = textured & (alike > _ALIKE)
    if np.count_nonzero(usable) < max(LEAST_PATCHES, LEAST_SHARE * anchor.grid.count):
        return None
    usual = float(np.where(usable, anchor.trace, 0.0).mean())
    guess, spread = _starting_vote(own[usable], rest)
    theta = np.array([guess[0], guess[1], 0.0, 0.0])
    for scale in _scales(spread):
        off = _mismatch(anchor, pull, theta)
        vote = np.where(usable, np.maximum(1.0 - (off / scale) ** 2, 0.0) ** 2, 0.0)
        # Capped: one strong edge must not outvote everything else.
        vote *= 1.0 / np.maximum(anchor.trace, 1e-6 + usual)
        normal = (vote @ anchor.weighing).reshape(4, 4)
        # Where only a small part follows, zoom and roll lean towards none.
        normal += (normal[0, 0] + normal[1, 1] + 1e-9) * _LEANING
        target = (vote[:, None] * pull).ravel() @ anchor.grid.rows_of_model
        theta = np.linalg.solve(normal, target)
    off = _mismatch(anchor, pull, theta)
    length = float(np.abs(theta).max())
    asked = textured & _tells(anchor, theta[:2] - rest)
    followers = usable & asked & (off < _FOLLOWS + 0.15 * length)
    count = int(np.count_nonzero(followers))
    return Step(
        float(theta[0]),
        float(theta[1]),
        float(theta[2]) / FINE_SCALE,
        float(theta[3]) / FINE_SCALE,
        count / max(int(np.count_nonzero(asked)), 1),
        enough(followers, anchor.grid),
    )


def _scales(spread: float) -> tuple[float, ...]:
    """Return the distances, in px, at which patches lose their vote, pass by pass."""
    if spread < _AGREED:
        return (3.0 * _AGREED,)
    return max(3.0 * spread, 0.3), max(2.0 * spread, 0.15)


def _tells(anchor: Anchor, moved: _Array) -> NDArray[np.bool_]:
    """Return which patches can tell a motion in its direction.

    A patch with one straight edge fits any motion along the edge.
    """
    length = float(np.hypot(moved[0], moved[1]))
    if length < _SMALL:
        return np.ones(len(anchor.trace), np.bool_)
    way = moved / length
    along = np.einsum("pij,i,j->p", anchor.normal, way, way)
    return np.asarray(along > _TELLING * anchor.trace)


def _starting_vote(votes: _Array, rest: _Array) -> tuple[_Array, float]:
    """Return a first guess of the common shift, and how far patches spread about it."""
    guess = np.sort(votes, axis=0)[len(votes) // 2]
    off = np.hypot(votes[:, 0] - guess[0], votes[:, 1] - guess[1])
    if np.hypot(guess[0] - rest[0], guess[1] - rest[1]) > 2.0 * STILL:
        resting = np.hypot(votes[:, 0] - rest[0], votes[:, 1] - rest[1]) < STILL
        still = np.count_nonzero(resting) / len(votes)
        together = np.count_nonzero(off < _FOLLOWS) / len(votes)
        # Nothing stays still in a picture whose camera moves: if much of it does,
        # the rest is what moves in front of it.
        if still >= _STILL_SHARE or (still >= _STILL_SOME and together < _TOGETHER):
            return np.asarray(rest, np.float64), STILL
    return guess, float(np.sort(off)[len(off) // 2])


def _mismatch(anchor: Anchor, pull: _Array, theta: _Array) -> _Array:
    """Return how far each patch is from a common motion, in px it can tell."""
    shift = anchor.grid.model @ theta
    rest = pull - np.einsum("pij,pj->pi", anchor.normal, shift)
    squares = np.einsum("pi,pij,pj->p", rest, anchor.inverse, rest)
    return np.asarray(np.sqrt(2.0 * squares / np.maximum(anchor.trace, 1e-6)))
