"""How far candidates for a neutral surface can be believed.

One question is asked of a picture: which of the candidates is the neutral, or is none?
The answer is a conditional logit (McFadden 1974): each candidate has a merit, a
weighted sum of what it looks like; the answer "none" has one too; chances are the
exponentials of the merits over their sum. So a towel beside a glove makes the glove
unlikely, and a glove alone stays doubtful. What can be believed of a colour is the sum
over the candidates that have it.

The weights were fitted by maximum likelihood with a small ridge, on rendered fields
alone: "tune" cases of sample_media's theatre, variations on its sample takes, and
sheets, drapes and skin that fill the picture (skin at an eighth of its count: a white
is held before the lens oftener). What may be called right was a colour within 0.003 in
u'v' of the truth. One even surface that fills the picture and has a lamp's colour can
hardly be told from a white by anything in it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.neutral.neutral import Candidate, Features

__all__ = ["TERMS", "confidences", "terms"]

Array = NDArray[np.float64]

# Candidates so near in R/G and B/G are of one colour.
_ONE_COLOUR_STOPS = 0.08

_WEIGHTS: dict[str, float] = {
    "area": -0.52,
    "fills": 0.09,
    "spread": -1.96,
    "texture": 0.32,
    "level": 0.50,
    "dim": 0.48,
    "step": 0.71,
    "edge": 0.65,
    "far from lamps": -0.58,
    "magenta": -0.70,
    "cast": -1.18,
    "warmth": 0.27,
    "bluer things": -0.68,
    "redder things": 0.65,
    "agreeing": -1.51,
    "fill": 2.10,
    "weave": 0.10,
    "width": 0.86,
}
TERMS = tuple(_WEIGHTS)
"""Names of the terms, in the order of `terms`."""
_NONE = 0.92


def terms(features: Sequence[Features]) -> Array:
    """Return what the merit of candidates is made of, as numbers of about one.

    Parameters
    ----------
    features : sequence of Features

    Returns
    -------
    (candidates, terms) array
        In the order of `TERMS`.
    """
    table = np.array(features, np.float64).reshape(-1, len(Features._fields))
    f = dict(zip(Features._fields, table.T, strict=True))
    warmth = f["red_stops"] - f["blue_stops"]
    columns = (
        np.clip(f["area_log"], -10, -4) + 7,
        3 * np.clip(f["filled_log"] + 2, 0, 2),
        10 * np.minimum(f["spread_stops"], 0.2),
        np.minimum(f["texture_stops"], 1),
        np.clip(f["level_stops"], -4, 0) + 1,
        np.minimum(f["level_stops"] + 1.5, 0),
        np.clip(f["step_stops"], -2, 2),
        np.clip(f["edge_stops"], 0, 1),
        100 * np.maximum(np.abs(f["duv"]) - 0.02, 0),
        100 * np.maximum(-f["duv"] - 0.01, 0),
        0.5 * np.abs(warmth),
        2 * warmth,
        np.log2(1 + 200 * f["bluer_share"]),
        f["redder_share"],
        np.minimum(f["agreeing_log"], 3),
        f["fill"],
        np.clip(f["weave_log"], -7, -2) + 4.5,
        np.clip(f["width_log"], -7, -3) + 5,
    )
    return np.stack(columns, axis=1)


def confidences(candidates: Sequence[Candidate]) -> list[float]:
    """Return for each candidate the chance, 0 to 1, that its colour is neutral's.

    Parameters
    ----------
    candidates : sequence of Candidate
        All of one picture: they are weighed against each other.
    """
    if not candidates:
        return []
    features = [c.features for c in candidates]
    merit = terms(features) @ np.array(list(_WEIGHTS.values()))
    top = max(float(merit.max()), _NONE)
    share = np.exp(merit - top)
    share /= share.sum() + math.exp(_NONE - top)
    stops = np.array([(f.red_stops, f.blue_stops) for f in features])
    apart = np.hypot(*(stops[:, None] - stops).transpose(2, 0, 1))
    out: list[float] = ((apart < _ONE_COLOUR_STOPS) @ share).tolist()
    return out
