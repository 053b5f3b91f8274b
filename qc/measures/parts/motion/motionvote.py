"""The vote of the patches: which shift, zoom and roll most of the picture follows.

Each patch tells by least squares on its gradients how far it moved (B. D. Lucas and
T. Kanade, 1981; from memory); the common motion is found by iteratively reweighted
least squares, so that hands and instruments are outvoted.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from qc.kernels.motion import FirstVote, common_motion, first_vote, weigh_patches
from qc.measures.parts.motion.motionpatches import (
    FINE_SCALE,
    LEAST_PATCHES,
    LEAST_SHARE,
    Anchor,
    enough,
)

__all__ = ["STILL", "STILL_SHARE", "Ground", "Step", "ground_behind", "vote_step"]

_ALIKE = 0.5  # share of a patch's contrast that must be the same thing seen again
_FOLLOWS = 0.2  # px; farther from the common motion a patch does not follow it
STILL = 0.06  # px; closer to rest than this a patch is still
_STILL_SOME, _TOGETHER = 0.25, 0.6  # fewer suffice if the others do not agree
STILL_SHARE = 0.35  # so many still patches: the camera rests, whatever the others do
_SMALL = 0.3  # px; so little every patch may vouch for
_AGREED = 0.05  # px; spread of votes that need no second pass
_TELLING = 0.05  # of a patch's gradients must lie along the motion
_LEANING = (1e-9, 1e-9, 1e-3, 1e-3)


class Step(NamedTuple):
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


class Ground(NamedTuple):
    """What lies where it lay, although others say that the picture moved.

    Attributes
    ----------
    share : float
        Of all patches that say the one or the other, faint ones with them, those that
        rest; 0 if too few do.
    faint : int
        Faint patches that rest.
    asked : int
        Faint patches that could have said so.
    """

    share: float
    faint: int
    asked: int


def vote_step(
    anchor: Anchor,
    sums: NDArray[np.float64],
    rest: tuple[float, float],
    visible: NDArray[np.bool_] | None = None,
) -> Step | None:
    """Vote on the shift, zoom and roll that is left between anchor and picture.

    Parameters
    ----------
    sums : (7, patches) array
        Of `sums_at`.
    rest : (float, float)
        The correction, in px, that would mean: the camera has not moved at all.
    """
    grid = anchor.grid
    textured, facts = anchor.textured, anchor.facts
    if visible is not None:
        textured = textured & visible
        facts = anchor.facts_of(textured)
    # As the same thing, brighter or darker, moved; not as its negative.
    pull, felt, own, worth = weigh_patches(sums, facts, 1.0 - _ALIKE)
    vote = first_vote(own, worth, rest=rest, still=STILL, follows=_FOLLOWS)
    if vote.voters < max(LEAST_PATCHES, LEAST_SHARE * grid.count):
        return None
    (guess_x, guess_y), spread = _starting_vote(vote, rest)
    theta, off = common_motion(
        (guess_x, guess_y, 0.0, 0.0),
        felt=felt,
        pull=pull,
        worth=worth,
        model_felt=anchor.model_felt,
        weighing=anchor.weighing,
        model=grid.rows_of_model,
        scales=_scales(spread),
        # Where only a small part follows, zoom and roll lean towards none.
        lean=_LEANING,
    )
    x, y, zoom, turn = theta.tolist()
    length = max(abs(x), abs(y), abs(zoom), abs(turn))
    followers = off < _FOLLOWS + 0.15 * length
    followers &= worth > 0
    asked = textured
    moved = x - rest[0], y - rest[1]
    if math.hypot(*moved) >= _SMALL:
        asked = textured & _tells(anchor, moved)
        followers &= asked
    return Step(
        x,
        y,
        zoom / FINE_SCALE,
        turn / FINE_SCALE,
        int(np.count_nonzero(followers)) / max(int(np.count_nonzero(asked)), 1),
        enough(followers, grid),
    )


def ground_behind(
    anchor: Anchor,
    sums: NDArray[np.float64],
    moved: tuple[float, float],
    followers: float,
) -> Ground:
    """Return which patches lie where they lay, faint ones with them.

    A ground with little texture tells nothing by itself beside a face or a hand in
    front of it; that it rests it can tell.

    Parameters
    ----------
    sums : (7, patches) array
        Of `sums_at`, for a picture that has not moved.
    moved : (float, float)
        What others say, px.
    followers : float
        Share of the textured patches that say so.
    """
    own, worth = weigh_patches(sums, anchor.faint_facts, 1.0 - _ALIKE)[2:]
    # An edge along the motion rests in any case.
    tells = _tells(anchor, moved)
    rests = (worth > 0) & (np.hypot(own[:, 0], own[:, 1]) < 2.0 * STILL) & tells
    count = int(np.count_nonzero(rests))
    share = 0.0
    if count >= max(LEAST_PATCHES, LEAST_SHARE * anchor.grid.count):
        share = count / (count + followers * int(np.count_nonzero(anchor.textured)))
    faint = tells & anchor.faint
    return Ground(
        share, int(np.count_nonzero(rests & faint)), int(np.count_nonzero(faint))
    )


def _scales(spread: float) -> tuple[float, ...]:
    """Return the distances, in px, at which patches lose their vote, pass by pass."""
    if spread < _AGREED:
        return (3.0 * _AGREED,)
    return max(3.0 * spread, 0.3), max(2.0 * spread, 0.15)


def _tells(anchor: Anchor, moved: tuple[float, float]) -> NDArray[np.bool_]:
    """Return which patches can tell a motion in its direction.

    A patch with one straight edge fits any motion along the edge.
    """
    length = math.hypot(*moved)
    x, y = moved[0] / length, moved[1] / length
    normal = anchor.normal
    along = (x * x) * normal[:, 0, 0] + (2.0 * x * y) * normal[:, 0, 1]
    along += (y * y) * normal[:, 1, 1]
    return np.asarray(along > _TELLING * anchor.trace)


def _starting_vote(
    vote: FirstVote, rest: tuple[float, float]
) -> tuple[tuple[float, float], float]:
    """Return a first guess of the common shift, and how far patches spread about it."""
    if math.hypot(vote.x - rest[0], vote.y - rest[1]) > 2.0 * STILL:
        still, together = vote.resting / vote.voters, vote.together / vote.voters
        # Nothing stays still in a picture whose camera moves: if much of it does,
        # the rest is what moves in front of it.
        if still >= STILL_SHARE or (still >= _STILL_SOME and together < _TOGETHER):
            return rest, STILL
    return (vote.x, vote.y), vote.spread
