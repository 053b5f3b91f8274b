"""How the whole picture moves from frame to frame, to a small part of a pixel.

Every small picture is registered against an *anchor*, an earlier one of the same
framing, so that errors do not add up while the camera rests or sways. The picture is
cut into patches; each tells by least squares how far it moved, and a robust vote finds
the shift, zoom and roll that most of them share. Hands and instruments are outvoted.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.motion.motionpatches import (
    LEAST_PATCHES,
    MARGIN,
    WARPED,
    Anchor,
    Grid,
    Motion,
    Pose,
    smoothed,
    sums_at,
)
from qc.measures.parts.motion.motionvote import (
    STILL,
    STILL_SHARE,
    Step,
    ground_behind,
    vote_step,
)

__all__ = ["Motion", "MotionTracker"]

_LEAST_TRUST = 0.3
_CONVERGED = 0.08  # px; a step this small leaves an error of a few hundredths of it
_STEPS = 5
_LOST_STEP = 1.5  # px; a first step this long is looked at again coarsely
_MOST = 0.7  # of all patches; if fewer follow, the ground is asked whether it rests
_GROUND_TRUST = 0.4  # enough to rest, not to say that nothing is before the lens
# Faint patches of a ground that rests, and px that others have moved, for it to count.
_FAINT_PATCHES, _CLEARLY = 2, 0.4
_MANY = 0.5  # followers; with fewer another place is tried too
_COARSE = 4  # px a cell of the coarse search
_SEARCH = 10, 6  # cells
_COARSE_FIT = 0.5
_ANCHOR_SHIFT, _ANCHOR_SCALE, _ANCHOR_FRAMES = 6.0, 0.03, 250
_ANCHOR_TRUST, _ANCHOR_LEAST_FRAMES = 0.6, 3
_FLAT = 0.1  # percent; a coarse picture with less contrast is not searched


class MotionTracker:
    """Follows the motion of a take's small pictures, one after the other.

    Attributes
    ----------
    behind : float
        Whether the faint ground lies where it lay behind what clearly moved to the last
        picture: 1 or 0, NaN if that is no question or there is no such ground. Of one
        picture it says little, of many a lot.
    """

    def __init__(self) -> None:
        self._grid: Grid | None = None
        self._anchor: Anchor | None = None
        self._before: NDArray[np.float32] | None = None
        self._smooth: NDArray[np.float32] | None = None
        self._pose = Pose()
        self._last = Motion(0.0, 0.0, 0.0, 0.0, 0.0)
        self.behind = math.nan

    def read(self, luma: NDArray[np.float32]) -> Motion | None:
        """Return the motion since the picture before, None where it is unknown.

        Parameters
        ----------
        luma : (h, w) array of float32
            Small picture in percent of black-to-white. It is kept, not copied.
        """
        self.behind = math.nan
        height, width = luma.shape
        grid = self._grid
        if grid is None or (grid.height, grid.width) != (height, width):
            self._grid = grid = Grid(height, width)
            self._anchor = self._before = None
        if grid.count < LEAST_PATCHES:
            return None
        before, self._before = self._before, luma
        smooth_before, self._smooth = self._smooth, smoothed(luma)
        if self._anchor is None or before is None or smooth_before is None:
            self._begin(self._smooth, grid)
            return None
        if _repeats(before, luma):
            if not self._anchor.tells:
                return None
            self._last = Motion(0.0, 0.0, 0.0, 0.0, self._last.trust or 1.0)
            return self._last
        found = self._follow(self._anchor, self._smooth, smooth_before)
        if found is None and self._anchor.age > 0:
            self._begin(smooth_before, grid)
            found = self._follow(self._anchor, self._smooth, smooth_before)
        if found is None:
            self._begin(self._smooth, grid)
            return None
        pose, trust = found
        if self._ground_rests(self._anchor, pose, trust):
            # What was told of motion before was that of a thing: it is not taken back.
            self._pose, pose, trust = Pose(), Pose(), _GROUND_TRUST
        self._last = pose.since(self._pose, trust)
        self._pose = pose
        self._anchor.age += 1
        if self._worn(self._anchor, pose, trust):
            last = self._last
            self._begin(self._smooth, grid)
            self._last = last
        return self._last

    def _begin(self, smooth: NDArray[np.float32], grid: Grid) -> None:
        self._anchor = Anchor(smooth, grid)
        self._pose = Pose()
        self._last = Motion(0.0, 0.0, 0.0, 0.0, 0.0)

    def _worn(self, anchor: Anchor, pose: Pose, trust: float) -> bool:
        """Return whether later pictures need a nearer anchor."""
        return (
            max(abs(pose.x), abs(pose.y)) > _ANCHOR_SHIFT
            or pose.apart > _ANCHOR_SCALE
            or anchor.age >= _ANCHOR_FRAMES
            or (trust < _ANCHOR_TRUST and anchor.age >= _ANCHOR_LEAST_FRAMES)
        )

    def _follow(
        self, anchor: Anchor, smooth: NDArray[np.float32], before: NDArray[np.float32]
    ) -> tuple[Pose, float] | None:
        """Register a picture; None if it cannot be told."""
        last = self._last
        pose = self._pose.moved(last.x, last.y, last.zoom, last.roll)
        found = self._refine(anchor, smooth, pose, patient=False)
        if found is not None and (found[1] >= _MANY or self._rests(found[0])):
            return found
        guess = _coarse_shift(before, smooth)
        if guess is None:
            return found
        pose = self._pose.moved(guess[0], guess[1], 0.0, 0.0)
        other = self._refine(anchor, smooth, pose, patient=True)
        both = [f for f in (found, other) if f is not None]
        return max(both, key=lambda f: f[1], default=None)

    def _ground_rests(self, anchor: Anchor, pose: Pose, trust: float) -> bool:
        """Return whether much of the picture is where the anchor had it.

        What fills a good part of a picture, and moves, may be all that has texture.
        """
        moved = math.hypot(pose.x, pose.y)
        most = trust * anchor.seen >= _MOST
        if most or self._smooth is None or not 2.0 * STILL < moved < MARGIN:
            return False
        sums = sums_at(self._smooth, anchor, Pose())
        if sums is None:
            return False
        ground = ground_behind(anchor, sums, (pose.x, pose.y), trust)
        if moved >= _CLEARLY and ground.asked >= _FAINT_PATCHES:
            self.behind = float(ground.faint >= _FAINT_PATCHES)
        return ground.share >= STILL_SHARE

    def _rests(self, pose: Pose) -> bool:
        """Return whether a pose is the one before."""
        apart = math.hypot(pose.x - self._pose.x, pose.y - self._pose.y)
        return apart < 2.0 * STILL

    def _refine(
        self, anchor: Anchor, smooth: NDArray[np.float32], pose: Pose, *, patient: bool
    ) -> tuple[Pose, float] | None:
        """Correct a pose until it fits; None if it does not, or is a long way off."""
        step: Step | None = None
        for number in range(_STEPS):
            if pose.apart * anchor.grid.reach <= WARPED:
                # Warping costs more; the step finds so little anew.
                pose = Pose(pose.x, pose.y)
            sums = sums_at(smooth, anchor, pose)
            if sums is None:
                return None
            rest = self._pose.x - pose.x, self._pose.y - pose.y
            far = max(abs(pose.x), abs(pose.y)) > MARGIN
            visible = anchor.grid.visible(pose) if far else None
            step = vote_step(anchor, sums, rest, visible)
            if step is None:
                return None
            if number == 0 and step.shift > _LOST_STEP and not patient:
                return None
            pose = pose.moved(step.x, step.y, step.zoom, step.turn)
            if step.shift < _CONVERGED and step.edge < 2 * WARPED:
                break
        if step is None or step.shift >= 1.0:
            return None
        if step.followers < _LEAST_TRUST or not step.enough:
            return None
        return pose, min(step.followers, 1.0)


def _repeats(before: NDArray[np.float32], luma: NDArray[np.float32]) -> bool:
    """Return whether two pictures are the same; most that are not differ in a line."""
    middle = len(luma) // 2
    if before[middle].tobytes() != luma[middle].tobytes():
        return False
    return np.array_equal(before, luma)


def _coarse_shift(
    before: NDArray[np.float32], after: NDArray[np.float32]
) -> tuple[float, float] | None:
    """Return roughly how far a picture moved, in px; None if it is another picture."""
    height, width = before.shape
    size = max(width // _COARSE, 1), max(height // _COARSE, 1)
    mx, my = min(_SEARCH[0], size[0] // 4), min(_SEARCH[1], size[1] // 4)
    one, two = (
        cv2.resize(i, size, None, 0, 0, cv2.INTER_AREA) for i in (before, after)
    )
    middle = two[my : size[1] - my, mx : size[0] - mx]
    if float(np.std(middle)) < _FLAT or float(np.std(one)) < _FLAT:
        return None
    scores = np.asarray(
        cv2.matchTemplate(one, middle, cv2.TM_CCOEFF_NORMED), np.float32
    )
    _, fit, _, (column, row) = cv2.minMaxLoc(scores)
    if fit < _COARSE_FIT:
        return None
    x = mx - column - _vertex(scores[row, :], column)
    y = my - row - _vertex(scores[:, column], row)
    return x * width / size[0], y * height / size[1]


def _vertex(scores: NDArray[np.floating], peak: int) -> float:
    """Return where the parabola through a peak and its neighbours tops."""
    if not 0 < peak < len(scores) - 1:
        return 0.0
    before, top, after = (float(s) for s in scores[peak - 1 : peak + 2])
    bend = before - 2.0 * top + after
    return 0.5 * (before - after) / bend if bend < 0 else 0.0
