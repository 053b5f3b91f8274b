"""Counts as a small picture of ink: the more, the darker, on a logarithmic scale."""

from __future__ import annotations

import base64
import struct
import zlib

import numpy as np
from numpy.typing import NDArray

__all__ = ["ink_png"]

_SHADES = 15
# From the palest to the darkest ink.
_PALE, _INK = (122, 150, 170), (16, 24, 32)


def ink_png(density: NDArray[np.floating]) -> str:
    """Return counts as a small picture of ink, clear where there is none.

    Parameters
    ----------
    density : (H, W) array
        Counts or shares, row 0 on top; what is not above 0 stays clear.

    Returns
    -------
    str
        Data URI of a palette PNG.

    References
    ----------
    Portable Network Graphics (ISO/IEC 15948): indexed colour with transparency.
    """
    known = density > 0
    index = np.zeros_like(density, np.uint8)
    if known.any():
        values = np.log(density[known])
        low, reach = values.min(), max(float(np.ptp(values)), 1e-9)
        steps = (values - low) / reach * (_SHADES - 1e-6)
        index[known] = 1 + steps.astype(np.uint8)
    height, width = int(index.shape[0]), int(index.shape[1])
    # Two pixels a byte: sixteen entries are enough.
    padded = np.zeros((height, width + width % 2), np.uint8)
    padded[:, :width] = index
    packed = (padded[:, 0::2] << 4) | padded[:, 1::2]
    rows = np.hstack([np.zeros((height, 1), np.uint8), packed])
    share = np.linspace(0.0, 1.0, _SHADES)[:, np.newaxis]
    tones = np.rint((1.0 - share) * np.array(_PALE) + share * np.array(_INK))
    palette = b"\0\0\0" + tones.astype(np.uint8).tobytes()
    clear = b"\0" + np.linspace(120, 255, _SHADES).astype(np.uint8).tobytes()
    head = struct.pack(">IIBBBBB", width, height, 4, 3, 0, 0, 0)
    data = b"".join(
        (
            b"\x89PNG\r\n\x1a\n",
            _chunk(b"IHDR", head),
            _chunk(b"PLTE", palette),
            _chunk(b"tRNS", clear),
            _chunk(b"IDAT", zlib.compress(rows.tobytes(), 9)),
            _chunk(b"IEND", b""),
        )
    )
    return f"data:image/png;base64,{base64.b64encode(data).decode('ascii')}"


def _chunk(kind: bytes, data: bytes) -> bytes:
    check = zlib.crc32(kind + data)
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", check)
