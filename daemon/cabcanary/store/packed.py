"""Yes or no for every row of a drive, as a short text that fits into a description."""

from __future__ import annotations

import base64
import zlib
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray


def pack(marks: NDArray[np.bool_]) -> str:
    """Eight rows a byte, first row in the highest bit; deflated; in base 64."""
    return base64.b64encode(zlib.compress(np.packbits(marks).tobytes(), 9)).decode()


def unpack(text: str, rows: int) -> NDArray[np.bool_]:
    """The marks of so many rows.

    Raises:
        ValueError: the text holds no such thing.
    """
    try:
        bits = np.frombuffer(zlib.decompress(base64.b64decode(text)), np.uint8)
    except zlib.error as error:
        raise ValueError("these are no packed marks") from error
    if len(bits) != (rows + 7) // 8:
        raise ValueError(f"these are marks of {8 * len(bits)} rows, not of {rows}")
    return np.unpackbits(bits, count=rows).astype(bool)
