"""Levels of a sketch packed into short text, and unpacked again without loss.

Layout, also in docs/closeout.schema.json: differences between neighbours (the first from
0), written without sign as 2d for d ≥ 0 and -2d - 1 for d < 0, in four bytes each. All
lowest bytes come first, then all second, third and highest ones; then DEFLATE in a zlib
frame (RFC 1950) and base64 (RFC 4648). Neighbours differ little, so most bytes are 0.
"""

from __future__ import annotations

import base64
import binascii
import zlib

import numpy as np
import numpy.typing as npt

#: No sketch has more points; a packed text that claims more is not one.
_MOST_POINTS = 10_000_000


def packed(values: npt.NDArray[np.int32]) -> str:
    """Pack whole numbers, shape (n,), into text."""
    steps = np.diff(values.astype(np.int64), prepend=0)
    unsigned = np.where(steps < 0, -2 * steps - 1, 2 * steps).astype("<u4")
    planes = unsigned.view(np.uint8).reshape(-1, 4).T.tobytes()
    return base64.b64encode(zlib.compress(planes, 9)).decode("ascii")


def unpacked(text: str) -> npt.NDArray[np.int32]:
    """Unpack what :func:`packed` made.

    Raises
    ------
    ValueError
        If the text is damaged.
    """
    inflate = zlib.decompressobj()
    try:
        planes = inflate.decompress(base64.b64decode(text, validate=True), 4 * _MOST_POINTS)
    except (binascii.Error, zlib.error) as error:
        raise ValueError(f"packed levels are damaged: {error}") from error
    if not inflate.eof or len(planes) % 4:
        raise ValueError("packed levels are cut short")
    bytes_of = np.frombuffer(planes, np.uint8).reshape(4, -1)
    unsigned = np.ascontiguousarray(bytes_of.T).view("<u4").ravel().astype(np.int64)
    steps = np.where(unsigned & 1, -(unsigned + 1) // 2, unsigned // 2)
    return np.cumsum(steps).astype(np.int32)
