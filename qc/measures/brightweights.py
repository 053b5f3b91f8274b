"""How much each feature of a burnt-out place speaks for cloth: a fitted table.

Private to `qc.measures.brightparts`. A place's merit is the log odds that it is swab
or another white thing and not tissue, skin, glove or instrument: a logistic regression
over `qc.measures.brightfeatures`. Weights were fitted by maximum likelihood with a
small ridge on rendered takes of the "tune" split alone, by
`tests/bench/fit_highlights.py`, which also writes the table. The bounds below were
chosen there, on takes left out of the fit.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from qc.measures.brightfeatures import FEATURES

__all__ = ["RELEVANT_TO", "SWAB_FROM", "SWAB_TO", "merits"]

SWAB_FROM = 0.5
"""Merit from which a place is let pass where the rules of thumb say nothing."""
SWAB_TO = -2.0
"""Merit below which what they call cloth cannot be told."""
RELEVANT_TO = 1.0
"""Merit above which what they call tissue is cloth."""

# Features count up to so many spreads from their mean.
_FAR = 5.0

# Weight of the standardised feature, its mean, its spread.
_TABLE: dict[str, tuple[float, float, float]] = {
    "near burnt": (0.398, 0.745, 0.272),
    "near told": (-0.644, 0.430, 0.375),
    "near rim per edge": (0.361, 0.725, 0.952),
    "near shade": (0.595, 0.035, 0.083),
    "near told red": (-0.111, 0.081, 0.137),
    "near told blue": (0.150, -0.103, 0.217),
    "near told lacks red": (-0.230, -0.491, 0.632),
    "near told lacks blue": (-0.444, 0.724, 1.149),
    "near rim red": (0.010, 0.225, 0.349),
    "near rim blue": (-0.066, -0.117, 0.253),
    "near rim off": (-0.207, 0.350, 0.376),
    "near rim grain": (-0.236, 2.315, 2.319),
    "near shade red": (0.047, 0.143, 0.399),
    "near shade blue": (0.249, -0.040, 0.190),
    "near step": (-0.088, 0.333, 0.356),
    "near fade": (-0.854, 0.785, 1.214),
    "near cloth": (1.050, 0.098, 0.407),
    "wide burnt": (0.244, 0.528, 0.246),
    "wide told": (-0.771, 0.444, 0.348),
    "wide rim per edge": (-0.124, 1.565, 0.944),
    "wide shade": (-0.301, 0.072, 0.063),
    "wide told red": (-0.573, 0.111, 0.146),
    "wide told blue": (-0.759, -0.150, 0.246),
    "wide told lacks red": (0.291, -0.698, 0.681),
    "wide told lacks blue": (-0.287, 1.047, 1.296),
    "wide rim red": (0.813, 0.378, 0.440),
    "wide rim blue": (0.764, -0.195, 0.300),
    "wide rim off": (-0.526, 0.655, 0.372),
    "wide rim grain": (-0.737, 3.820, 1.658),
    "wide shade red": (0.141, 0.522, 0.766),
    "wide shade blue": (0.156, -0.125, 0.367),
    "wide step": (0.518, 0.516, 0.292),
    "wide fade": (0.416, 0.972, 1.198),
    "wide cloth": (1.428, 0.184, 0.524),
    "area burnt": (1.232, 0.688, 0.245),
    "area told": (-0.049, 0.385, 0.330),
    "area rim per edge": (0.165, 0.899, 0.371),
    "area shade": (0.563, 0.037, 0.039),
    "area told red": (0.625, 0.095, 0.125),
    "area told blue": (-0.555, -0.139, 0.231),
    "area told lacks red": (0.723, -0.642, 0.629),
    "area told lacks blue": (-0.015, 1.019, 1.252),
    "area rim red": (-0.077, 0.341, 0.311),
    "area rim blue": (-0.188, -0.171, 0.267),
    "area rim off": (-0.229, 0.578, 0.339),
    "area rim grain": (-1.029, 3.628, 1.616),
    "area shade red": (0.474, 0.469, 0.622),
    "area shade blue": (-0.143, -0.098, 0.307),
    "area step": (-0.325, 0.480, 0.259),
    "area fade": (0.318, 0.905, 1.098),
    "area cloth": (0.672, 0.133, 0.308),
    "red": (-0.046, 0.097, 0.218),
    "blue": (0.298, -0.124, 0.277),
    "under end": (-0.071, 0.415, 0.601),
    "burnt here": (0.097, 0.848, 0.284),
    "area size": (-0.269, 10.065, 3.920),
    "area coloured": (0.169, 0.335, 0.644),
    "area white": (1.092, 0.403, 0.438),
    "area plain": (1.494, 0.147, 0.319),
    "area trace": (-0.475, 0.044, 0.145),
    "lean": (1.019, 0.464, 1.727),
    "white blue": (0.459, -0.063, 0.404),
    "white off": (-0.373, -0.009, 0.033),
    "cast": (1.309, 0.180, 0.367),
    "no white": (1.504, 0.028, 0.167),
    "burnt in all": (-0.744, -1.990, 1.289),
}
_CONSTANT = 0.210

_WEIGHTS, _MEANS, _SPREADS = (
    np.array([_TABLE.get(name, (0.0, 0.0, 1.0))[i] for name in FEATURES], np.float32)
    for i in range(3)
)


def merits(features: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the log odds that places are of cloth.

    Parameters
    ----------
    features : (n, len(FEATURES)) array

    Returns
    -------
    (n,) array
        0 where it is even; the more, the surer.
    """
    z = np.clip((features - _MEANS) / _SPREADS, -_FAR, _FAR)
    return np.asarray(z @ _WEIGHTS + np.float32(_CONSTANT), np.float32)
