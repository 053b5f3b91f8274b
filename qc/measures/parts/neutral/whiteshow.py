"""What is shown beside a finding of the white balance."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping

import numpy as np

from qc.measures.base import Exhibit, signed
from qc.measures.parts.neutral.castfigures import told_row
from qc.measures.parts.neutral.presetsteps import is_jump, preset_exhibit
from qc.measures.parts.neutral.whitedrift import drift_exhibit
from qc.measures.parts.neutral.wholedrift import whole_exhibit
from qc.records import Finding, TakeResult
from qc.signal import to_linear, ycbcr_to_rgb

__all__ = ["cast_exhibit", "gains_words", "of_the_whole", "white_exhibits"]


def gains_words(figures: Mapping[str, float]) -> str:
    """Say the gains that make a white neutral."""
    red, blue = figures["red_stops"], figures["blue_stops"]
    return f"red {signed(red, 2)} stop, blue {signed(blue, 2)} stop"


def of_the_whole(result: TakeResult, finding: Finding) -> bool:
    """Return whether a finding tells of the whole picture, without a white."""
    if result.picture is None or finding.where is not None:
        return False
    if finding.rule == "white.drift" or is_jump(result.picture, finding.worst_pts_row):
        return True
    return not bool((result.picture["white.source"] > 0).any())


def white_exhibits(result: TakeResult, finding: Finding) -> Iterable[Exhibit]:
    """Yield the figures beside a finding of the white balance."""
    if of_the_whole(result, finding):
        # While the camera shakes no framing lasts.
        return list(whole_exhibit(result, finding)) or preset_exhibit(result, finding)
    if finding.rule == "white.drift":
        return drift_exhibit(result, finding)
    return cast_exhibit(result, finding)


def cast_exhibit(result: TakeResult, finding: Finding) -> Iterable[Exhibit]:
    """Yield the white as it was recorded, and as gains make it."""
    readings, video = result.picture, result.info.video
    if readings is None or video is None:
        return
    row = finding.worst_pts_row
    codes = readings["white.patch_codes"]
    if finding.worst is not None:
        # The reading that the sentence is of.
        row = told_row(readings, row or 0, finding.worst, signal=video.signal)
    known = np.flatnonzero(readings["white.source"] > 0)
    if row is None or not known.size:
        return
    nearest = int(known[np.argmin(np.abs(known - row))])
    rgb = ycbcr_to_rgb(*codes[nearest].astype(np.float64), signal=video.signal)
    red, green, blue = rgb.tolist()
    light = to_linear(rgb, transfer=video.signal.transfer)
    figures = {
        "red_stops": math.log2(light[1] / light[0]),
        "blue_stops": math.log2(light[1] / light[2]),
    }
    yield Exhibit(
        kind="swatches",
        title="The white as recorded and corrected",
        caption=f"Gains in linear light: {gains_words(figures)}; green is left as it "
        "is.",
        swatches=(
            ("as recorded", (red, green, blue)),
            # Gains make R and B of the light those of G, and so the signals.
            ("after the gains", (green, green, green)),
        ),
    )
