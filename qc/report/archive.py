"""Every reading of a take in one file that numpy opens: ``readings.npz``.

Written a stretch of rows at a time, so that a long take needs no more memory than a
short one, and with fixed times inside, so that the same readings give the same bytes.
"""

from __future__ import annotations

import zipfile
from collections.abc import Iterable, Iterator
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from qc.records import Readings, TakeResult

__all__ = ["write_readings"]

_PART_ROWS = 1 << 14
_FIRST_ZIP_DAY = (1980, 1, 1, 0, 0, 0)
# Beyond this a zip member needs the 64-bit form; deflate may add a little to noise.
_LARGE_BYTES = 2_000_000_000


def write_readings(result: TakeResult, file: BinaryIO) -> None:
    """Write the readings of a take as an ``.npz`` archive.

    Parameters
    ----------
    result : TakeResult
    file : binary file, open for writing

    Notes
    -----
    Load it with ``numpy.load(path, allow_pickle=False)``. Keys, for the pictures and
    for ``sound1``, ``sound2`` ... in the order of the take's sound tracks:

    ``picture.edges``
        (rows + 1,) int64; row i covers ticks ``edges[i]`` to ``edges[i + 1]``.
    ``picture.time_base``
        Seconds a tick, as numerator and denominator.
    ``picture/<column>``
        (rows,) or (rows, width) float32, NaN where nothing could be measured.

    References
    ----------
    ``numpy.lib.format``, version 1.0 of the ``.npy`` format, inside a zip archive.
    """
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
        for clock, readings in _clocks(result):
            base = readings.time_base
            edges = readings.edges.astype("<i8")
            ticks = np.array([base.numerator, base.denominator], "<i8")
            _add(archive, f"{clock}.edges", edges.shape, "<i8", [edges])
            _add(archive, f"{clock}.time_base", ticks.shape, "<i8", [ticks])
            for column in readings.columns:
                shape = (
                    readings.rows,
                    *readings.columns.part(column, 0, 1).shape[1:],
                )
                key = f"{clock}/{column}"
                _add(archive, key, shape, "<f4", _parts(readings, column))


def _clocks(result: TakeResult) -> Iterator[tuple[str, Readings]]:
    if result.picture is not None:
        yield "picture", result.picture
    for number, readings in enumerate(result.sound, start=1):
        yield f"sound{number}", readings


def _parts(readings: Readings, column: str) -> Iterator[NDArray[np.float32]]:
    for first in range(0, readings.rows, _PART_ROWS):
        last = min(first + _PART_ROWS, readings.rows)
        part = readings.columns.part(column, first, last)
        if len(part) != last - first:
            # The header has already promised them.
            raise ValueError(
                f"{column} has {first + len(part)} rows, not {readings.rows}"
            )
        yield part


def _add(
    archive: zipfile.ZipFile,
    key: str,
    shape: tuple[int, ...],
    dtype: str,
    parts: Iterable[NDArray[Any]],
) -> None:
    member = zipfile.ZipInfo(f"{key}.npy", _FIRST_ZIP_DAY)
    member.compress_type = zipfile.ZIP_DEFLATED
    member.create_system = 3  # the same on every system
    member.external_attr = 0o644 << 16
    size = int(np.prod(shape, dtype=object)) * np.dtype(dtype).itemsize
    with archive.open(member, "w", force_zip64=size > _LARGE_BYTES) as target:
        np.lib.format.write_array_header_1_0(
            target, {"descr": dtype, "fortran_order": False, "shape": shape}
        )
        for part in parts:
            target.write(np.ascontiguousarray(part, dtype).tobytes())
