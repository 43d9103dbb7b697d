"""Turn a block's bytes into its class and back, by the field lists of ``layout``.

Reading never fails: what the bytes do not hold is left blank and reported. Writing
never bends a value: what the format cannot hold is refused by name.
"""

from __future__ import annotations

import operator
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from otdravg.errors import UnwritableTrace
from otdravg.sor.cursor import Cursor, Shortage
from otdravg.sor.layout import Field, Kind, Record
from otdravg.sor.model import Text

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Reading(Generic[T]):
    """A block as read, and what was odd about it.

    ``end`` is the file offset behind the last byte used and ``left`` the bytes of the
    block after it. ``missing`` names the first field that was not there in full.
    Fields are named with the file offset at which they start.
    """

    value: T
    long_form: bool
    end: int
    left: int
    missing: str | None
    not_utf8: tuple[tuple[str, int], ...]
    unknown_codes: tuple[tuple[str, bytes, int], ...]

    @property
    def fits(self) -> bool:
        """Whether the field list used up the block exactly."""
        return self.missing is None and self.left == 0


def decode_record(record: Record[T], body: bytes, offset: int, long_form: bool) -> Reading[T]:
    """Read a block by the field list of revision 2 (``long_form``) or 1.

    Where that list does not fit the bytes but the other revision's fits them exactly,
    the other is used: some writers state one revision and follow the other.
    """
    reading = _Decoder(Cursor(body, offset), long_form).reading(record)
    if reading.fits or not record.differs_by_revision:
        return reading
    other = _Decoder(Cursor(body, offset), not long_form).reading(record)
    return other if other.fits else reading


def encode_record(record: Record[Any], value: Any, long_form: bool) -> bytes:
    """Encode a block by the field list of revision 2 (``long_form``) or 1.

    Raises
    ------
    UnwritableTrace
        If the format cannot hold a value; names the block and the field.
    """
    parts: list[bytes] = []
    for field in record.fields:
        if field.since_2 and not long_form:
            continue
        content = getattr(value, field.name)
        if field.times is None:
            parts.append(_encode_one(record.block, field, field.name, content, long_form))
            continue
        times = field.times if isinstance(field.times, int) else getattr(value, field.times)
        if len(content) != times:
            problem = f"holds {len(content)} values, expected {times}"
            raise UnwritableTrace(record.block, field.name, problem)
        for index, item in enumerate(content):
            name = f"{field.name}[{index}]"
            parts.append(_encode_one(record.block, field, name, item, long_form))
    return b"".join(parts)


def encode_number(block: str, name: str, kind: Kind, value: int) -> bytes:
    """Encode one number, or refuse it by name."""
    low, high = kind.limits
    try:
        number = operator.index(value)
    except TypeError:
        raise UnwritableTrace(block, name, f"{value!r} is not a whole number") from None
    if not low <= number <= high:
        raise UnwritableTrace(block, name, f"{number} is outside {low} to {high}")
    return kind.form.pack(number)


def encode_text(block: str, name: str, raw: bytes) -> bytes:
    """Encode a text with the zero byte that ends it, or refuse it by name."""
    if b"\0" in raw:
        raise UnwritableTrace(block, name, "text holds a zero byte, which would end it early")
    return raw + b"\0"


def _encode_one(block: str, field: Field, name: str, value: Any, long_form: bool) -> bytes:
    kind = field.kind
    if isinstance(kind, Record):
        try:
            return encode_record(kind, value, long_form)
        except UnwritableTrace as error:
            raise UnwritableTrace(block, f"{name}.{error.field}", error.problem) from None
    if kind is Kind.CSTR:
        return encode_text(block, name, value.raw)
    if kind.is_text:
        raw: bytes = value.raw
        if len(raw) != kind.form.size:
            raise UnwritableTrace(block, name, f"{raw!r} is not {kind.form.size} bytes long")
        return raw
    return encode_number(block, name, kind, value)


class _Decoder:
    """Reads one block's fields in order; once the bytes run out, all the rest is blank."""

    def __init__(self, cursor: Cursor, long_form: bool) -> None:
        self.cursor = cursor
        self.long_form = long_form
        self.missing: str | None = None
        self.not_utf8: list[tuple[str, int]] = []
        self.unknown_codes: list[tuple[str, bytes, int]] = []

    def reading(self, record: Record[T]) -> Reading[T]:
        value = self.record(record)
        return Reading(
            value=value,
            long_form=self.long_form,
            end=self.cursor.offset,
            left=self.cursor.left,
            missing=self.missing,
            not_utf8=tuple(self.not_utf8),
            unknown_codes=tuple(self.unknown_codes),
        )

    def record(self, record: Record[T]) -> T:
        values: dict[str, Any] = {}
        for field in record.fields:
            if field.since_2 and not self.long_form:
                values[field.name] = _blank(field)
            elif field.times is None:
                values[field.name] = self.one(field)
            else:
                values[field.name] = self.many(field, values)
        for name in record.counts:
            del values[name]
        return record.make(**values)

    def many(self, field: Field, values: dict[str, Any]) -> tuple[Any, ...]:
        """Read a repeated field; only what is there in full is kept."""
        times = field.times if isinstance(field.times, int) else values[str(field.times)]
        items = self.records(field, times) if isinstance(field.kind, Record) else ()
        if isinstance(field.kind, Kind) and self.missing is None:
            items = self.cursor.values(field.kind.form, times)
            if len(items) < times:
                self.missing = field.name
        padding = times - len(items) if isinstance(field.times, int) else 0
        return items + (0,) * padding

    def records(self, field: Field, times: int) -> tuple[Any, ...]:
        """Read a list of records up to the first that is not there in full."""
        items: list[Any] = []
        for _ in range(times):
            item = self.one(field)
            if self.missing is not None:
                break
            items.append(item)
        return tuple(items)

    def one(self, field: Field) -> Any:
        """Read one value of a field."""
        kind = field.kind
        if isinstance(kind, Record):
            return self.record(kind)
        if self.missing is not None:
            return _blank_one(kind)
        try:
            return self.text(field, kind) if kind.is_text else self.cursor.value(kind.form)
        except Shortage as shortage:
            self.missing = field.name
            return Text(shortage.rest) if kind is Kind.CSTR else _blank_one(kind)

    def text(self, field: Field, kind: Kind) -> Text:
        """Read a text of fixed length, or up to its zero byte."""
        start = self.cursor.offset
        raw = self.cursor.text() if kind is Kind.CSTR else self.cursor.value(kind.form)
        text = Text(raw)
        if not raw.isascii() and not text.is_utf8:
            self.not_utf8.append((field.name, start))
        if field.codes and raw not in field.codes:
            self.unknown_codes.append((field.name, raw, start))
        return text


def _blank(field: Field) -> Any:
    if field.times is None:
        assert isinstance(field.kind, Kind)
        return _blank_one(field.kind)
    return (0,) * field.times if isinstance(field.times, int) else ()


def _blank_one(kind: Kind) -> Any:
    return Text() if kind.is_text else 0
