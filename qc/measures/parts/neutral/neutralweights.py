"""How far candidates for a neutral surface can be believed.

One question is asked of a picture: which of the candidates is the neutral, or is none?
The answer is a conditional logit (McFadden 1974): each candidate has a merit, a sum of
curves over what it looks like (straight between knots); the answer "none" has merit 0;
chances are the exponentials of the merits over their sum. So a towel beside a glove
makes the glove unlikely, and a glove alone stays doubtful. What can be believed of a
colour is the sum over the candidates that have it.

The curves are fitted by maximum likelihood with a ridge, on drawn pictures alone, by
`tests/bench/fit_neutral.py`: "tune" tables of sample_media's theatre under many lamps,
and rooms with floors, walls, cloth and skin. What may be called right was a colour
within 0.003 in u'v' of the truth.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.neutral.neutral import FLAT_TEXTURE, Candidate, Features
from qc.measures.parts.neutral.neutrallight import LAMP_DUV

__all__ = [
    "KNOTS",
    "REFERENCE_CHANCE",
    "TERMS",
    "basis",
    "confidences",
    "damped",
    "is_reference",
    "merits",
    "same_colour",
    "terms",
]

Array = NDArray[np.float64]

# From no flesh in sight to enough of it: shares of the picture, and the powers that
# chances are raised to (chosen on the cross-check of `fit_neutral.py`: see rooms).
_FLESH, _POWERS = (0.008, 0.02), (8.0, 1.0)
# A sheet held before the lens to set the white on (house choices): log2 of the share
# that it fills, and its deviation in stops. No confidence can be fitted for it: a drape
# filmed so close looks the same.
_FILLS, _FLAT_SPREAD = math.log2(0.93), 0.08
REFERENCE_CHANCE = 0.7
"""Confidence of a sheet that fills the picture, if nothing else bears it out."""

# Candidates so near in R/G and B/G are of one colour.
_ONE_COLOUR_STOPS = 0.08

KNOTS: dict[str, tuple[float, ...]] = {
    "area": (-10, -8, -6, -4, -2),
    "fills": (-2, -1, -0.5, 0),
    "spread": (0, 0.05, 0.1, 0.2),
    "texture": (0, 0.1, 0.3, 0.6, 1),
    "level": (-4, -2.5, -1.5, -0.7, 0),
    "step": (-2, -0.5, 0, 0.5, 1, 2),
    "edge": (0, 0.1, 0.3, 0.6, 1.2),
    "duv": (-0.03, -0.02, -0.01, 0, 0.01, 0.02, 0.03),
    "warmth": (-2, -1, -0.4, 0, 0.4, 1, 2),
    "tint": (-1, -0.4, -0.15, 0, 0.15, 0.4, 1),
    "cast": (0, 0.06, 0.15, 0.4, 1, 2),
    "bluer things": (0, 1, 2, 4, 7),
    "redder things": (0, 0.1, 0.3, 0.6, 1),
    "agreeing": (0, 0.5, 1, 2, 4),
    "fill": (0.2, 0.4, 0.6, 0.8, 1),
    "weave": (-8, -6.5, -5.5, -4.5, -3, -2),
    "width": (-7, -6, -5, -4, -2.5),
    "purple things": (0, 1, 2, 4, 7),
    "blue of reds": (-1.5, -0.8, -0.4, -0.2, 0, 0.2, 0.6),
    "more red": (-0.5, 0, 0.3, 0.6, 1, 2, 3),
    "more blue": (-0.5, 0, 0.3, 0.6, 1, 2, 3),
    "flesh": (0, 0.02, 0.08, 0.2, 0.5),
}
"""Where the curves bend."""
TERMS = tuple(KNOTS)
"""Names of the curves, in the order of `terms`."""

_CURVES: dict[str, tuple[float, ...]] = {
    "area": (-0.24, 0.64, 0.64, -0.05, -0.98),
    "fills": (-0.49, -0.40, -0.16, 1.05),
    "spread": (2.25, 0.43, -0.88, -1.79),
    "texture": (-0.79, -0.57, 0.22, 0.51, 0.63),
    "level": (-0.78, -0.53, -0.15, 0.31, 1.16),
    "step": (-1.11, -0.37, 0.43, 0.54, 0.05, 0.47),
    "edge": (0.89, -0.48, -0.41, -0.05, 0.05),
    "duv": (-0.46, 0.23, 0.78, 1.03, 0.35, -0.51, -1.41),
    "warmth": (0.13, 0.37, 0.49, -0.04, -0.50, -0.43, -0.02),
    "tint": (0.32, -0.03, -0.01, 0.29, -0.16, -0.31, -0.11),
    "cast": (2.69, 0.27, -1.13, -1.03, -0.60, -0.21),
    "bluer things": (0.00, 0.44, -0.23, -0.22, 0.02),
    "redder things": (0.11, -0.37, -0.08, 0.12, 0.23),
    "agreeing": (0.98, 1.05, 0.12, -0.72, -1.42),
    "fill": (-1.91, -0.88, 0.29, 0.62, 1.89),
    "weave": (-0.49, -0.23, 0.19, 0.03, 0.13, 0.38),
    "width": (-0.45, -0.23, 0.10, -0.01, 0.60),
    "purple things": (1.79, 0.29, -0.58, -0.67, -0.82),
    "blue of reds": (-0.08, 0.81, 1.67, 1.63, -0.28, -1.50, -2.25),
    "more red": (0.05, -0.02, -0.17, -0.40, 0.29, 0.52, -0.27),
    "more blue": (0.16, 0.50, 0.12, -0.08, 0.02, -0.17, -0.54),
    "flesh": (-1.72, -0.42, 0.08, 0.69, 1.38),
}
_CONSTANT = -4.93


def terms(features: Sequence[Features]) -> Array:
    """Return what the merit of candidates is made of.

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
    red, blue = f["red_stops"], f["blue_stops"]
    columns = (
        f["area_log"],
        f["filled_log"],
        f["spread_stops"],
        f["texture_stops"],
        f["level_stops"],
        f["step_stops"],
        f["edge_stops"],
        f["duv"],
        red - blue,
        red + blue,
        np.hypot(red, blue),
        np.log2(1 + 200 * f["bluer_share"]),
        f["redder_share"],
        f["agreeing_log"],
        f["fill"],
        f["weave_log"],
        f["width_log"],
        np.log2(1 + 200 * f["purple_share"]),
        f["reds_blue_stops"],
        f["over_red_stops"],
        f["over_blue_stops"],
        f["flesh_share"],
    )
    return np.stack(columns, axis=1)


def basis(x: Array) -> Array:
    """Return how much of each knot's value a candidate gets: straight lines between.

    Parameters
    ----------
    x : (candidates, terms) array

    Returns
    -------
    (candidates, knots) array
        Knots of all curves, one after another; those of a curve sum to 1.
    """
    parts = []
    for column, knots in zip(x.T, KNOTS.values(), strict=True):
        hats = np.eye(len(knots))
        parts.append(np.stack([np.interp(column, knots, hat) for hat in hats], axis=1))
    return np.concatenate(parts, axis=1)


def merits(x: Array) -> Array:
    """Return the merits of candidates from their `terms`."""
    curves = zip(x.T, KNOTS.values(), _CURVES.values(), strict=True)
    out: Array = sum(
        (np.interp(column, knots, values) for column, knots, values in curves),
        start=np.full(len(x), _CONSTANT),
    )
    return out


def same_colour(features: Sequence[Features]) -> NDArray[np.bool_]:
    """Return (n, n): which candidates are of one colour."""
    stops = np.array([(f.red_stops, f.blue_stops) for f in features])
    apart = np.hypot(*(stops[:, None] - stops).transpose(2, 0, 1))
    return np.asarray(apart < _ONE_COLOUR_STOPS)


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
    merit = merits(terms(features))
    top = max(float(merit.max()), 0.0)
    share = np.exp(merit - top)
    share /= share.sum() + math.exp(-top)
    flesh = np.array([f.flesh_share for f in features])
    chances = damped(same_colour(features).astype(np.float64) @ share, flesh)
    return [
        max(float(chance), REFERENCE_CHANCE) if is_reference(f) else float(chance)
        for chance, f in zip(chances, features, strict=True)
    ]


def damped(chances: Array, flesh_share: Array) -> Array:
    """Return chances, less where nothing in the picture is known to be what it seems.

    In an operating field blood and flesh, whose hue is known, bear a white out. In a
    room without them a cream floor or a pale blue wall may be all there is: nothing in
    the picture tells their paint from a lamp's colour.

    Parameters
    ----------
    chances, flesh_share : (n,) arrays
    """
    power = np.interp(flesh_share, _FLESH, _POWERS)
    return np.asarray(np.clip(chances, 0.0, 1.0) ** power)


def is_reference(features: Features) -> bool:
    """Return whether one flat, even sheet fills the picture, of a colour of lamps."""
    return (
        features.filled_log >= _FILLS
        and features.spread_stops <= _FLAT_SPREAD
        and features.texture_stops <= FLAT_TEXTURE
        and abs(features.duv) < LAMP_DUV
    )
