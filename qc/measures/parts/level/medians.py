"""The median of few numbers, many times a second."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["median"]


def median(values: NDArray[np.float32]) -> float:
    """Return the median of known numbers; numpy's own takes several times as long.

    Parameters
    ----------
    values : (n,) array
        At least one, none NaN.

    Examples
    --------
    >>> median(np.array([4, 1, 3], np.float32)), median(np.array([4, 1], np.float32))
    (3.0, 2.5)
    """
    middle = values.size // 2
    if values.size % 2:
        return float(np.partition(values, middle)[middle])
    low, high = np.partition(values, (middle - 1, middle))[middle - 1 : middle + 1]
    return float((low + high) / 2)
