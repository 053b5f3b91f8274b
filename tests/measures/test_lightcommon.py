"""Sums of strips over waves down the picture, against the sums as they are defined."""

from __future__ import annotations

import numpy as np

from qc.measures.parts.light.lightcommon import waves_down
from qc.measures.parts.light.lightwaves import STRIPS


def test_waves_down_the_picture_are_fourier_sums_over_the_strips_middles() -> None:
    rng = np.random.default_rng(7)
    rows = rng.normal(size=(50, STRIPS)) + 1j * rng.normal(size=(50, STRIPS))
    bands = np.arange(-10.0, 10.1, 0.25)
    middles = (np.arange(STRIPS) + 0.5) / STRIPS
    plain = rows @ np.exp(-2j * np.pi * np.outer(middles, bands))
    np.testing.assert_allclose(waves_down(rows, bands), plain, atol=1e-12)
