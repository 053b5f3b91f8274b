"""Small pictures cut into patches, ready to be registered against one another.

An *anchor* is an earlier picture whose gradients are prepared once; later pictures are
looked at as they would be were they not moved, by least-squares interpolation.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.kernels.motion import between, patch_sums, smooth_small

__all__ = [
    "FINE_SCALE",
    "LEAST_PATCHES",
    "LEAST_SHARE",
    "MARGIN",
    "WARPED",
    "Anchor",
    "Grid",
    "Motion",
    "Pose",
    "enough",
    "smoothed",
    "sums_at",
]

_SIGMA = 1.6  # px; smooths noise and leaves nothing that interpolation could alias
_FARTHEST = 0.3  # of the width; a picture moved more shares too little
MARGIN = 10  # px at the border that are not compared, so that they may move out
_PATCH = (12, 28)  # px; least and greatest side of a patch
LEAST_PATCHES = 4
LEAST_SHARE = 0.1  # of the patches must follow, else nothing is known
_TEXTURE = 0.1  # percent per px; a patch with less gradient tells nothing
_FAINT = 0.02  # but with this much it tells whether it rests
WARPED = 0.15  # px; zoom and roll that move the border less need no warping
FINE_SCALE = 100.0  # zoom and roll are solved for in px at this distance
_BELL: list[float] = np.exp(-0.5 * (np.arange(-4, 5) / _SIGMA) ** 2).tolist()
_SMOOTHING = (
    _BELL[4] / sum(_BELL),
    _BELL[5] / sum(_BELL),
    _BELL[6] / sum(_BELL),
    _BELL[7] / sum(_BELL),
    _BELL[8] / sum(_BELL),
)
_NO_SHIFT = (0.0, 1.0, 0.0, 0.0)
_TAP = np.arange(-1.0, 3.0)
_PREDICTION = np.linalg.inv(
    np.exp(-0.25 * ((_TAP[:, None] - _TAP[None, :]) / _SIGMA) ** 2)
)


class Motion(NamedTuple):
    """How the picture moved since the picture before.

    Attributes
    ----------
    x, y : float
        Shift of the picture's centre in px of the small picture, + right and down.
    zoom : float
        Change of scale, 0.01 for a picture one percent larger.
    roll : float
        Turn in radians, + clockwise.
    trust : float
        Share of the textured patches that follow, 0 to 1.
    """

    x: float
    y: float
    zoom: float
    roll: float
    trust: float


class Pose(NamedTuple):
    """Where a picture lies against its anchor: centre, and similarity about it."""

    x: float = 0.0
    y: float = 0.0
    # Real and imaginary part of the factor that zooms and turns.
    scale: float = 1.0
    turn: float = 0.0

    @property
    def apart(self) -> float:
        """Share by which zoom and roll move what is away from the centre."""
        return max(abs(self.scale - 1.0), abs(self.turn))

    def moved(self, x: float, y: float, scale: float, turn: float) -> Pose:
        """Return this pose with a small correction added."""
        return Pose(self.x + x, self.y + y, self.scale + scale, self.turn + turn)

    def since(self, before: Pose, trust: float) -> Motion:
        """Return the motion from another pose against the same anchor to this one."""
        ratio = complex(self.scale, self.turn) / complex(before.scale, before.turn)
        shift = complex(self.x, self.y) - ratio * complex(before.x, before.y)
        roll = math.atan2(ratio.imag, ratio.real)
        return Motion(shift.real, shift.imag, abs(ratio) - 1.0, roll, trust)


class Grid:
    """Patches on the inner part of pictures of one shape."""

    def __init__(self, height: int, width: int) -> None:
        self.height, self.width = height, width
        inner_h, inner_w = height - 2 * MARGIN, width - 2 * MARGIN
        longer = max(inner_h, inner_w)
        self.side = min(max(longer // 8, _PATCH[0]), _PATCH[1])
        self.rows, self.columns = inner_h // self.side, inner_w // self.side
        self.rows, self.columns = max(self.rows, 0), max(self.columns, 0)
        self.count = self.rows * self.columns
        self.top = (height - self.rows * self.side) // 2
        self.left = (width - self.columns * self.side) // 2
        middle = 0.5 * (self.side - 1)
        y = self.top + middle + self.side * np.arange(self.rows)
        x = self.left + middle + self.side * np.arange(self.columns)
        ys, xs = np.meshgrid(y - (height - 1) / 2, x - (width - 1) / 2, indexing="ij")
        self.x_of_patch, self.y_of_patch = xs.ravel(), ys.ravel()
        one, nil = np.ones(self.count), np.zeros(self.count)
        x_, y_ = xs.ravel() / FINE_SCALE, ys.ravel() / FINE_SCALE
        # Rows: shift across and down; columns: centre x, y, zoom, turn.
        self.model = np.stack(
            [np.stack([one, nil, x_, -y_], -1), np.stack([nil, one, y_, x_], -1)], 1
        )
        # An even light and its slopes across and down, orthogonal and of length one.
        slope = np.linspace(-1.0, 1.0, self.side)
        flat = np.ones(self.side)
        plain = np.stack(
            [
                np.outer(v, u).ravel()
                for v, u in ((flat, flat), (flat, slope), (slope, flat))
            ]
        )
        plain /= np.linalg.norm(plain, axis=1, keepdims=True)
        self.plain = plain.astype(np.float32)
        # The light that slopes, as long as its picture is when it is of length one.
        self.slope = slope / (math.sqrt(self.side) * float(np.linalg.norm(slope)))
        self.rows_of_model = self.model.reshape(-1, 4)
        self.reach = max(height, width) / 2

    def patches(self, image: NDArray[np.float32]) -> NDArray[np.float32]:
        """Cut an inner part, (rows, columns) patches large, into (patches, pixels)."""
        s = self.side
        cut = image.reshape(self.rows, s, self.columns, s).swapaxes(1, 2)
        return np.ascontiguousarray(cut).reshape(self.count, s * s)

    def joined(self, patches: NDArray[np.float32]) -> NDArray[np.float32]:
        """Put (patches, pixels) together again as the inner part of a picture."""
        s = self.side
        cut = patches.reshape(self.rows, self.columns, s, s).swapaxes(1, 2)
        return cut.reshape(self.rows * s, self.columns * s)

    def visible(self, pose: Pose) -> NDArray[np.bool_]:
        """Return which patches of the anchor are still in a picture of that pose."""
        half = self.side / 2
        x = np.abs(self.x_of_patch + pose.x) <= self.width / 2 - half
        y = np.abs(self.y_of_patch + pose.y) <= self.height / 2 - half
        return np.asarray(x & y)

    def inner(self, image: NDArray[np.float32]) -> NDArray[np.float32]:
        """Return the part under the patches."""
        bottom = self.top + self.rows * self.side
        right = self.left + self.columns * self.side
        return image[self.top : bottom, self.left : right]


def enough(patches: NDArray[np.bool_], grid: Grid) -> bool:
    """Return whether patches are many, and span over half the picture both ways.

    What does not is one thing in the picture, not the picture.
    """
    # A byte each: of so few, numpy's own ways cost more than this.
    seen, columns = patches.tobytes(), grid.columns
    if seen.count(1) < max(LEAST_PATCHES, LEAST_SHARE * grid.count):
        return False
    high = seen.rfind(1) // columns - seen.find(1) // columns + 1
    if 2 * high <= grid.rows:
        return False
    left, right = 0, columns - 1
    while 1 not in seen[left::columns]:
        left += 1
    while 1 not in seen[right::columns]:
        right -= 1
    return 2 * (right - left + 1) > columns


class Anchor:
    """An earlier picture, prepared for others to be registered against it."""

    def __init__(self, smooth: NDArray[np.float32], grid: Grid) -> None:
        self.grid = grid
        self.age = 0
        slope = np.array([[-0.5, 0.0, 0.5]], np.float32)
        across, down = (cv2.filter2D(smooth, -1, k) for k in (slope, slope.T))
        a, gx, gy = (
            grid.patches(grid.inner(np.asarray(i, np.float32)))
            for i in (smooth, across, down)
        )
        values = a
        a = _without_light(a, grid)
        length = np.sqrt(np.einsum("pn,pn->p", a, a))
        unit = a / np.maximum(length, 1e-6)[:, None]
        # Gradients that a change of light, even, sloping or by a factor, cannot be
        # taken for: orthogonal to all of that in each patch.
        gx, gy = (_without(_without_light(g, grid), unit) for g in (gx, gy))
        # The picture, each patch's gradients and its own contrast.
        self.parts = np.stack([grid.joined(part) for part in (values, gx, gy, unit)])
        xx, xy, yy = (
            np.einsum("pn,pn->p", g, h).astype(np.float64)
            for g, h in ((gx, gx), (gx, gy), (gy, gy))
        )
        self.normal = np.stack([np.stack([xx, xy], -1), np.stack([xy, yy], -1)], 1)
        self.trace = xx + yy
        self.textured = self.trace > _TEXTURE**2 * a.shape[1]
        self.seen = float(np.mean(self.textured))  # share of the patches
        self.tells = enough(self.textured, grid)
        ridge = (0.01 * self.trace + 1e-6)[:, None, None] * np.eye(2)
        inverse = np.linalg.inv(self.normal + ridge)
        model = grid.model
        pulled = self.normal @ model
        self.weighing = (model.swapaxes(1, 2) @ pulled).reshape(grid.count, 16)
        # A pull on a patch, through this, is px that the patch can tell: the square of
        # its length is twice that of the inverse about the pull, over the trace.
        scale = np.sqrt(2.0 / np.maximum(self.trace, 1e-6))[:, None, None]
        root = scale * np.linalg.cholesky(inverse).swapaxes(1, 2)
        self.model_felt = (root @ pulled).reshape(-1, 4)
        size = length.astype(np.float64)
        single = np.stack([size**2, size, self.trace, self.textured], axis=1)
        matrices = [part.reshape(grid.count, 4) for part in (inverse, root)]
        # What `weigh_patches` has to know of each patch; and with those called textured
        # that tell no more than whether they rest.
        self.facts = np.concatenate([single, *matrices], axis=1)
        faint = self.trace > _FAINT**2 * a.shape[1]
        self.faint_facts = self.facts_of(faint)
        self.faint = faint & ~self.textured

    def facts_of(self, textured: NDArray[np.bool_]) -> NDArray[np.float64]:
        """Return the facts with other patches called textured."""
        facts = self.facts.copy()
        facts[:, 3] = textured
        return facts


def _without_light(values: NDArray[np.float32], grid: Grid) -> NDArray[np.float32]:
    """Take what an even or sloping light is out of each patch."""
    return np.asarray(values - (values @ grid.plain.T) @ grid.plain, np.float32)


def _without(
    values: NDArray[np.float32], unit: NDArray[np.float32]
) -> NDArray[np.float32]:
    """Take the share along a unit vector out of each patch."""
    share = (values * unit).sum(axis=1)
    return np.asarray(values - share[:, None] * unit, np.float32)


def smoothed(luma: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return a picture without what is finer than interpolation can tell."""
    return smooth_small(luma, _SMOOTHING)


def sums_at(
    smooth: NDArray[np.float32], anchor: Anchor, pose: Pose
) -> NDArray[np.float64] | None:
    """Hold a picture, as it would look were it not moved, against its anchor.

    Returns
    -------
    (7, patches) array of float64, or None
        Sums over each patch of the change since the anchor, times the gradients across
        and down and the patch's own contrast; times light of length one, even, sloping
        across and down; and squared. None if the picture has moved too far.
    """
    grid = anchor.grid
    far = max(abs(pose.x), abs(pose.y))
    if far > _FARTHEST * grid.width:
        return None
    if pose.apart or far > MARGIN - 3:
        moved, top, left = _warped(smooth, grid, pose), 1, 1
        across = down = _NO_SHIFT
    else:
        whole_x, whole_y = math.floor(pose.x), math.floor(pose.y)
        moved, top, left = smooth, grid.top + whole_y, grid.left + whole_x
        across = between(pose.x - whole_x, _SIGMA, _PREDICTION)
        down = between(pose.y - whole_y, _SIGMA, _PREDICTION)
    sums = patch_sums(
        moved, anchor.parts, grid.slope, top=top, left=left, across=across, down=down
    )
    sums[3] /= grid.side
    return sums


def _warped(smooth: NDArray[np.float32], grid: Grid, pose: Pose) -> NDArray[np.float32]:
    """Return the inner part moved back by shift, zoom and roll, bilinearly.

    There is a pixel more before it and two after.
    """
    # The inner part begins here, from the picture's centre.
    cx, cy = (grid.width - 1) / 2, (grid.height - 1) / 2
    u, v = grid.left - 1 - cx, grid.top - 1 - cy
    s, r = pose.scale, pose.turn
    matrix = np.array(
        [
            [s, -r, cx + pose.x + s * u - r * v],
            [r, s, cy + pose.y + r * u + s * v],
        ]
    )
    size = grid.columns * grid.side + 3, grid.rows * grid.side + 3
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    border = cv2.BORDER_REFLECT_101
    moved = cv2.warpAffine(smooth, matrix, size, flags=flags, borderMode=border)
    return np.asarray(moved, np.float32)
