"""How much each feature of a burnt-out place speaks for cloth: a fitted table.

Private to `brightparts`. A place's merit is the log odds that it is swab
or another white thing and not tissue, skin, glove or instrument: a logistic regression
over `brightfeatures`. Weights were fitted by maximum likelihood with a
small ridge on rendered takes of the "tune" split alone, by
`tests/bench/fit_highlights.py`, which also writes the table. The bounds below were
chosen by hand among a few, by what they do together with the rules of thumb to "tune"
takes left out of the fit: so that none with 1 % of relevant area burnt was missed.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.burnt.brightfeatures import FEATURES

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
    "near burnt": (0.405, 0.753, 0.266),
    "near told": (-0.693, 0.436, 0.374),
    "near rim per edge": (0.515, 0.693, 0.915),
    "near shade": (0.620, 0.033, 0.079),
    "near told red": (-0.239, 0.081, 0.143),
    "near told blue": (0.295, -0.132, 0.253),
    "near told lacks red": (-0.451, -0.494, 0.645),
    "near told lacks blue": (-0.399, 0.818, 1.229),
    "near rim red": (-0.158, 0.219, 0.349),
    "near rim blue": (0.025, -0.141, 0.279),
    "near rim off": (-0.091, 0.356, 0.393),
    "near rim grain": (-0.294, 2.327, 2.323),
    "near shade red": (0.132, 0.130, 0.389),
    "near shade blue": (0.207, -0.047, 0.200),
    "near step": (-0.066, 0.326, 0.355),
    "near fade": (-1.097, 0.920, 1.311),
    "near cloth": (0.319, 0.103, 0.410),
    "wide burnt": (0.186, 0.541, 0.240),
    "wide told": (-0.795, 0.450, 0.340),
    "wide rim per edge": (-0.233, 1.501, 0.912),
    "wide shade": (-0.250, 0.069, 0.063),
    "wide told red": (-0.253, 0.111, 0.154),
    "wide told blue": (-0.680, -0.188, 0.289),
    "wide told lacks red": (0.524, -0.694, 0.696),
    "wide told lacks blue": (-0.322, 1.156, 1.365),
    "wide rim red": (0.925, 0.368, 0.447),
    "wide rim blue": (0.735, -0.233, 0.333),
    "wide rim off": (-0.635, 0.669, 0.400),
    "wide rim grain": (-0.455, 3.860, 1.695),
    "wide shade red": (0.003, 0.496, 0.765),
    "wide shade blue": (0.082, -0.163, 0.399),
    "wide step": (0.110, 0.505, 0.291),
    "wide fade": (0.588, 1.151, 1.308),
    "wide cloth": (1.836, 0.187, 0.518),
    "area burnt": (1.365, 0.697, 0.237),
    "area told": (0.034, 0.395, 0.317),
    "area rim per edge": (-0.021, 0.897, 0.359),
    "area shade": (0.598, 0.037, 0.038),
    "area told red": (0.620, 0.095, 0.140),
    "area told blue": (-1.025, -0.181, 0.278),
    "area told lacks red": (0.876, -0.637, 0.640),
    "area told lacks blue": (-0.223, 1.139, 1.314),
    "area rim red": (-0.086, 0.342, 0.323),
    "area rim blue": (0.041, -0.215, 0.309),
    "area rim off": (-0.102, 0.612, 0.372),
    "area rim grain": (-0.842, 3.734, 1.623),
    "area shade red": (0.298, 0.464, 0.633),
    "area shade blue": (-0.332, -0.147, 0.353),
    "area step": (-0.258, 0.481, 0.253),
    "area fade": (0.576, 1.137, 1.291),
    "area cloth": (0.202, 0.137, 0.314),
    "red": (-0.029, 0.096, 0.222),
    "blue": (0.479, -0.156, 0.314),
    "under end": (-0.391, 0.412, 0.604),
    "burnt here": (-0.043, 0.855, 0.280),
    "area size": (-0.417, 10.337, 3.875),
    "area coloured": (0.730, 0.295, 0.582),
    "area white": (1.222, 0.376, 0.438),
    "area plain": (1.139, 0.148, 0.324),
    "area trace": (-1.030, 0.034, 0.128),
    "lean": (0.968, 0.427, 1.702),
    "white blue": (0.419, -0.072, 0.409),
    "white off": (-0.259, -0.007, 0.031),
    "cast": (1.083, 0.179, 0.374),
    "no white": (0.853, 0.044, 0.207),
    "burnt in all": (-0.794, -1.872, 1.255),
}
_CONSTANT = -0.250

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
