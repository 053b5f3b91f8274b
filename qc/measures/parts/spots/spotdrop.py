"""Whether what came at once is a drop on the lens."""

from __future__ import annotations

import cv2
import numpy as np

from qc.measures.parts.spots.splash import Splash
from qc.measures.parts.spots.spotlay import laid_at, way_of
from qc.measures.parts.spots.spotstep import SHARE, Step
from qc.measures.parts.spots.spotthrough import through

__all__ = ["drop_of"]

_NEAR = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (25, 25))  # px, small picture


def drop_of(step: Step) -> Splash | None:
    """Return what came at once, if the scene is seen through it."""
    height, width = step.after.level.shape
    share = step.after.share
    inside, around = (
        np.repeat(np.repeat(mask, share, axis=0), share, axis=1)
        for mask in (step.inside, step.around)
    )
    if share > SHARE:  # no farther off than of a small one: less else moves there
        around &= cv2.dilate(inside.astype(np.uint8), _NEAR) > 0
    box = (
        slice(share * step.box[0].start, share * step.box[0].stop),
        slice(share * step.box[1].start, share * step.box[1].stop),
    )
    # The scene may have come a little meanwhile.
    goal = step.after.level[step.box]
    start = np.zeros(2, np.float32)
    move = way_of(step.before.level, goal, step.box, step.around, start)
    before = laid_at(step.before.fine, box, share * move)
    # Where something moves through its edge, more than its shape must tell.
    after = step.after.fine[box]
    seen = through(before, after, inside, around, surely=not step.alone)
    if seen is None:
        return None
    rows, columns = np.nonzero(step.inside)
    return Splash(
        float(step.box[1].start + columns.min()) / width,
        float(step.box[0].start + rows.min()) / height,
        float(np.ptp(columns) + 1) / width,
        float(np.ptp(rows) + 1) / height,
        seen.level,
        step.row,
        detail=seen.detail,
        without=step.without,
    )
