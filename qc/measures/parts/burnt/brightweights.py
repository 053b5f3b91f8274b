"""How much the features of a burnt-out place speak for cloth: fitted tables.

Private to `brightparts`. A place's merit is the log odds that it is swab
or another white thing and not tissue, skin, glove or instrument. A small network of one
hidden layer weighs `brightfeatures`; a second one weighs them once more together with
what the first said of the place's neighbourhood and of the object that it belongs to
(`brightagain`). They were fitted by maximum likelihood with a ridge on rendered takes
of the "tune" split alone, by `tests/bench/fit_highlights.py`, which also writes the
tables; the second learned from what the first says of takes that it was not fitted on.
The bounds below were chosen by hand: on "tune" takes left out of the fit the overlap of
what matters is nearly the same from -0.5 to 0.5.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.burnt import brightfirst, brightsecond
from qc.measures.parts.burnt.brightagain import AGAIN, again_of
from qc.measures.parts.burnt.brightfeatures import FEATURES, Places

__all__ = ["RELEVANT_TO", "SWAB_FROM", "Network", "merits"]

SWAB_FROM = 0.0
"""Merit from which a place is let pass."""
RELEVANT_TO = -0.1
"""Merit below which it is said to matter; between the two it cannot be told."""

Rows = NDArray[np.float32]

# Features count up to so many spreads from their mean.
_FAR = 5.0
# Places at a time: a product of up to 2**18 multiplications.
_PIECE = 32


def _numbers(text: str) -> list[float]:
    return [int(n) / 100 for n in text.split()]


@dataclass(frozen=True, slots=True, eq=False)
class Network:
    """One hidden layer over standardised features.

    Attributes
    ----------
    mean, spread : (features, 1) arrays
    weight, bias : (hidden, features) and (hidden, 1) arrays
    out : (hidden,) array
    constant : float
    """

    mean: Rows
    spread: Rows
    weight: Rows
    bias: Rows
    out: Rows
    constant: np.float32

    @classmethod
    def of(
        cls, names: tuple[str, ...], table: str, hidden: str, out: str, constant: float
    ) -> Network:
        """Read a table: of each feature its name, mean and spread, then its weights."""
        rows: dict[str, tuple[float, float, list[float]]] = {}
        name = ""
        for line in table.split("\n"):
            if ":" in line:
                name, figures = line.split(":")
                mean, spread = map(float, figures.split())
                rows[name] = mean, spread, []
            elif line:
                rows[name][2].extend(_numbers(line))
        bias = np.array(_numbers(hidden), np.float32)
        # A feature that is not in the table yet counts for nothing.
        taken = [rows.get(n, (0.0, 1.0, [0.0] * len(bias))) for n in names]
        means, spreads = (
            np.array([[row[i]] for row in taken], np.float32) for i in (0, 1)
        )
        weights = np.array([row[2] for row in taken], np.float32).T
        return cls(
            means, spreads, np.ascontiguousarray(weights), bias[:, None],
            np.array(_numbers(out), np.float32), np.float32(constant),
        )  # fmt: skip

    def weighed(self, rows: Rows) -> Rows:
        """Return what each hidden unit is given of each row: (hidden, n)."""
        z = rows.T - self.mean
        z /= self.spread
        np.clip(z, -_FAR, _FAR, out=z)
        out = np.empty((len(self.weight), len(rows)), np.float32)
        # In pieces so small that numpy's library does not wake other threads for them,
        # and several times as fast as OpenCV's product.
        for first in range(0, len(rows), _PIECE):
            piece = slice(first, first + _PIECE)
            out[:, piece] = self.weight @ z[:, piece]
        return out

    def merits(self, weighed: Rows) -> Rows:
        """Return the merit of each row from what its hidden units are given."""
        hidden = np.maximum(weighed + self.bias, 0)
        return np.asarray(self.out @ hidden + self.constant, np.float32)

    def part(self, features: slice, hidden_of: Network | None = None) -> Network:
        """Return the network over some of its features, after another's hidden units.

        Both are fitted to the same places, and so standardise features alike.
        """
        weight = self.weight[:, features]
        if hidden_of is not None:
            weight = np.concatenate([hidden_of.weight, weight])
        return replace(
            self, mean=self.mean[features], spread=self.spread[features],
            weight=np.ascontiguousarray(weight),
        )  # fmt: skip


_FIRST, _SECOND = (
    Network.of(names, m.TABLE, m.HIDDEN, m.OUT, m.CONSTANT)
    for names, m in ((FEATURES, brightfirst), (FEATURES + AGAIN, brightsecond))
)
# What both make of the features is one product.
_BOTH = _SECOND.part(slice(len(FEATURES)), _FIRST)
_AGAIN = _SECOND.part(slice(len(FEATURES), None))
_UNITS = len(_FIRST.weight)


def merits(places: Places) -> Rows:
    """Return the log odds that places are of cloth.

    Returns
    -------
    (n,) array
        0 where it is even; the more, the surer.
    """
    of_features = _BOTH.weighed(places.rows)
    first = _FIRST.merits(of_features[:_UNITS])
    again = again_of(places, first)
    return _SECOND.merits(of_features[_UNITS:] + _AGAIN.weighed(again))
