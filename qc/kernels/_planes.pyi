import numpy as np
from numpy.typing import NDArray

def luma_pass(
    plane: NDArray[np.unsignedinteger],
    counts: NDArray[np.int64],
    sums: NDArray[np.int64],
    rows: int,
    columns: int,
    interlaced: bool,
    small: NDArray[np.unsignedinteger] | None,
    /,
) -> None: ...
def area_mean(
    plane: NDArray[np.unsignedinteger], small: NDArray[np.unsignedinteger], /
) -> None: ...
def roughness(
    plane: NDArray[np.unsignedinteger], side: int, sums: NDArray[np.int64], /
) -> None: ...
