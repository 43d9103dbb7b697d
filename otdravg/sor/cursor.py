"""A reading position in a block's bytes that cannot leave the block."""

from __future__ import annotations

from struct import Struct, unpack_from
from struct import error as StructError
from typing import Any


class Shortage(Exception):
    """The bytes ended before the value did; ``rest`` is what was left of them."""

    def __init__(self, offset: int, rest: bytes) -> None:
        self.offset = offset
        self.rest = rest
        super().__init__(f"ended after {len(rest)} bytes at {offset}")


class Cursor:
    """Take values one after another out of ``data``.

    Parameters
    ----------
    data : bytes
        The bytes to read; nothing beyond them is ever touched.
    base : int
        Offset of ``data`` in the file, so that messages can name file offsets.
    position : int
        Where in ``data`` to start.
    """

    __slots__ = ("base", "data", "position")

    def __init__(self, data: bytes, base: int = 0, position: int = 0) -> None:
        self.data = data
        self.base = base
        self.position = position

    @property
    def offset(self) -> int:
        """Offset of the next byte in the file."""
        return self.base + self.position

    @property
    def left(self) -> int:
        """Number of bytes not yet taken."""
        return len(self.data) - self.position

    def value(self, form: Struct) -> Any:
        """Take one value of fixed size; raises :class:`Shortage`."""
        try:
            (value,) = form.unpack_from(self.data, self.position)
        except StructError:  # fewer bytes left than the value has
            raise Shortage(self.offset, self.data[self.position :]) from None
        self.position += form.size
        return value

    def values(self, form: Struct, times: int) -> tuple[Any, ...]:
        """Take ``times`` values of the same form, or as many as there are in full."""
        there = min(times, self.left // form.size)
        row = f"{form.format[0]}{there}{form.format[1]}"
        values = unpack_from(row, self.data, self.position)
        self.position += there * form.size
        return values

    def text(self) -> bytes:
        """Take a text and the zero byte that ends it; raises :class:`Shortage`."""
        end = self.data.find(b"\0", self.position)
        if end < 0:
            raise Shortage(self.offset, self.data[self.position :])
        raw = self.data[self.position : end]
        self.position = end + 1
        return raw
