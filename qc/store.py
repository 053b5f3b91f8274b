"""Columns of readings that grow row by row in bounded memory.

A take of any length is measured into blocks of rows. The newest block is in memory;
full blocks go to an anonymous temporary file once they would take up too much, and a
column is brought back only when somebody asks for it.
"""

from __future__ import annotations

import tempfile
import weakref
from collections.abc import Iterator, Mapping
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

__all__ = ["MOST_NEW_ROWS", "ColumnStore"]

_BLOCK_ROWS = 4096
# Rows wait for each other: a number at a time, every column would be another page of
# memory. A part of a block.
MOST_NEW_ROWS = 64
_IN_MEMORY_BYTES = 64 << 20


class ColumnStore:
    """Append-only table of float32 columns; also the `Columns` that rules read.

    Parameters
    ----------
    shapes : mapping of str to int
        Column names and how many numbers a row of each holds; 0 for one plain number,
        which makes the column one-dimensional.
    in_memory_bytes : int
        Beyond this, full blocks are kept in a temporary file.

    Attributes
    ----------
    places : dict of str to int or slice
        Where in a row each column is.
    """

    def __init__(
        self, shapes: Mapping[str, int], *, in_memory_bytes: int = _IN_MEMORY_BYTES
    ) -> None:
        self._plain = {name for name, width in shapes.items() if width == 0}
        self._widths = {name: max(width, 1) for name, width in shapes.items()}
        self._offsets: dict[str, int] = {}
        total = 0
        for name, width in self._widths.items():
            self._offsets[name] = total
            total += width
        self.places: dict[str, int | slice] = {
            name: at if name in self._plain else slice(at, at + self._widths[name])
            for name, at in self._offsets.items()
        }
        self._total = total
        self._block = self._new_block()
        self._filled = 0
        self._waiting = np.full((MOST_NEW_ROWS, total), np.nan, np.float32)
        self._wait = 0
        self._full: list[NDArray[np.float32]] = []
        self._spilled = 0
        self._added: dict[str, NDArray[np.float32]] = {}
        self._file: BinaryIO | None = None
        self._keep = max(1, in_memory_bytes // max(1, self._block.nbytes))

    def _new_block(self) -> NDArray[np.float32]:
        # Column after column, so that a column of a block is one stretch of the file.
        return np.full((self._total, _BLOCK_ROWS), np.nan, np.float32)

    @property
    def rows(self) -> int:
        """Rows appended so far."""
        whole = (self._spilled + len(self._full)) * _BLOCK_ROWS
        return whole + self._filled + self._wait

    def append(self, values: Mapping[str, float | NDArray[np.floating]]) -> None:
        """Append one row; columns that are not given are NaN.

        Raises
        ------
        KeyError
            A name that is not a column.
        """
        (row,) = self.new_rows(1)
        for name, value in values.items():
            row[self.places[name]] = value
        self.keep_rows(1)

    def new_rows(self, count: int) -> NDArray[np.float32]:
        """Return the next rows to write to, all NaN; `places` says what goes where.

        Parameters
        ----------
        count : int
            At most `MOST_NEW_ROWS`.
        """
        if self._wait + count > MOST_NEW_ROWS:
            self._settle()
        rows: NDArray[np.float32] = self._waiting[self._wait : self._wait + count]
        return rows

    def keep_rows(self, count: int) -> None:
        """Append the rows that `new_rows` has given."""
        self._wait += count
        if self._wait == MOST_NEW_ROWS:
            self._settle()

    def _settle(self) -> None:
        """Put the rows that wait into the newest block."""
        done, rows = 0, self._wait
        while done < rows:
            take = min(rows - done, _BLOCK_ROWS - self._filled)
            span = slice(self._filled, self._filled + take)
            self._block[:, span] = self._waiting[done : done + take].T
            done += take
            self._wait -= take
            self._advance(take)
        self._waiting[:rows] = np.nan

    def extend(self, values: Mapping[str, NDArray[np.floating]], rows: int) -> None:
        """Append `rows` rows at once from (rows,) or (rows, width) arrays."""
        self._settle()
        done = 0
        while done < rows:
            take = min(rows - done, _BLOCK_ROWS - self._filled)
            span = slice(self._filled, self._filled + take)
            for name, array in values.items():
                at, width = self._offsets[name], self._widths[name]
                part = np.asarray(array[done : done + take], np.float32)
                self._block[at : at + width, span] = part.reshape(take, width).T
            done += take
            self._advance(take)

    def _advance(self, rows: int) -> None:
        self._filled += rows
        if self._filled == _BLOCK_ROWS:
            self._full.append(self._block)
            self._block = self._new_block()
            self._filled = 0
            while len(self._full) > self._keep:
                self._spill(self._full.pop(0))

    def _spill(self, block: NDArray[np.float32]) -> None:
        if self._file is None:
            self._file = tempfile.TemporaryFile(prefix="qc-readings-")  # noqa: SIM115
            # The store lives as long as somebody may ask for a column.
            weakref.finalize(self, self._file.close)
        self._file.seek(0, 2)
        self._file.write(block.tobytes())
        self._spilled += 1

    def add(self, name: str, values: NDArray[np.floating]) -> None:
        """Add a finished column of one number a row, e.g. one derived from others."""
        if len(values) != self.rows:
            raise ValueError(f"{name} has {len(values)} rows, not {self.rows}")
        column = np.array(values, np.float32)
        column.flags.writeable = False
        self._added[name] = column

    def __getitem__(self, name: str) -> NDArray[np.float32]:
        return self.part(name, 0, self.rows)

    def part(self, name: str, first: int, last: int) -> NDArray[np.float32]:
        """Return rows ``[first, last)`` of a column, read-only."""
        if name in self._added:
            return self._added[name][first:last]
        self._settle()
        at, width = self._offsets[name], self._widths[name]
        first, last = max(first, 0), min(last, self.rows)
        out = np.empty((width, max(last - first, 0)), np.float32)
        for block in range(first // _BLOCK_ROWS, -(-last // _BLOCK_ROWS)):
            begins = block * _BLOCK_ROWS
            lo, hi = max(first, begins), min(last, begins + _BLOCK_ROWS)
            values = self._values(block, at, width)
            out[:, lo - first : hi - first] = values[:, lo - begins : hi - begins]
        column: NDArray[np.float32] = out[0] if name in self._plain else out.T
        column.flags.writeable = False
        return column

    def _values(self, block: int, at: int, width: int) -> NDArray[np.float32]:
        if block < self._spilled and self._file is not None:
            self._file.seek((block * self._total + at) * _BLOCK_ROWS * 4)
            data = self._file.read(width * _BLOCK_ROWS * 4)
            return np.frombuffer(data, np.float32).reshape(width, _BLOCK_ROWS)
        block -= self._spilled
        held = self._full[block] if block < len(self._full) else self._block
        return held[at : at + width]

    def __contains__(self, name: object) -> bool:
        return name in self._widths or name in self._added

    def __iter__(self) -> Iterator[str]:
        return iter([*self._widths, *self._added])

    def __len__(self) -> int:
        return len(self._widths) + len(self._added)

    def close(self) -> None:
        """Let go of the temporary file."""
        if self._file is not None:
            self._file.close()
            self._file = None
