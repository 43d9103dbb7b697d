"""Dataclasses as plain data and back, by their type annotations; and the schema of it.

One rule for each kind of type, so that a field added to a result is in the file, in the
schema and back again without another line of code:

========================  =======================================================
type                      plain data
========================  =======================================================
``str int float bool``    the same; ``None`` is ``null``
``Decimal``               text, with the decimals that it has
``date datetime``         text after ISO 8601
``bytes``                 text, base64
enum                      its value
dataclass                 object of its fields
tuple of dataclasses      ``{"fields": […], "rows": [[…], …]}``: names only once
other tuples, sets        array
mapping                   object; keys as text
========================  =======================================================
"""

from __future__ import annotations

import base64
import sys
import types
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, fields, is_dataclass
from datetime import date, datetime
from decimal import Decimal
from enum import Enum
from functools import lru_cache
from typing import Any, Union, get_args, get_origin, get_type_hints

Plain = Any  # what json.dumps takes
Schema = dict[str, Any]


@dataclass(frozen=True, slots=True)
class _Rule:
    """How one type is written, read, and described."""

    write: Callable[[Any], Plain]
    read: Callable[[Plain], Any]
    schema: Schema


def _is(what: str, *kinds: type) -> Callable[[Plain], Any]:
    """Take plain data of some kinds as they are; a truth is no number."""

    def read(value: Plain) -> Any:
        if not isinstance(value, kinds) or (isinstance(value, bool) and bool not in kinds):
            raise TypeError(f"{value!r:.60} is {what}")
        return value

    return read


_text = _is("not a text", str)
_array = _is("not an array", list)
_number = _is("not a number", int, float)


def _moment(kind: type[date], name: str) -> _Rule:
    return _Rule(
        kind.isoformat,
        lambda value: kind.fromisoformat(_text(value)),
        {"type": "string", "format": name},
    )


_SIMPLE: dict[object, _Rule] = {
    str: _Rule(str, _text, {"type": "string"}),
    bool: _Rule(bool, _is("neither true nor false", bool), {"type": "boolean"}),
    int: _Rule(int, _is("not a whole number", int), {"type": "integer"}),
    float: _Rule(float, lambda value: float(_number(value)), {"type": "number"}),
    Decimal: _Rule(
        str,
        lambda value: Decimal(_text(value)),
        {"type": "string", "pattern": r"^-?[0-9]+(\.[0-9]+)?(E[+-][0-9]+)?$"},
    ),
    datetime: _moment(datetime, "date-time"),
    date: _moment(date, "date"),
    bytes: _Rule(
        lambda value: base64.b64encode(value).decode("ascii"),
        lambda value: base64.b64decode(_text(value), validate=True),
        {"type": "string", "contentEncoding": "base64"},
    ),
}


def closed_object(
    properties: Mapping[str, Schema], *, optional: Collection[str] = (), description: str = ""
) -> Schema:
    """Return the schema of an object that has these properties and no others."""
    about = {"description": description} if description else {}
    return {
        "type": "object",
        **about,
        "properties": dict(properties),
        "required": [name for name in properties if name not in optional],
        "additionalProperties": False,
    }


class Codec:
    """Writes and reads values of annotated types.

    Parameters
    ----------
    names : mapping
        Types that annotations name but their modules import for checking only.
    special : mapping
        Own (write, read, schema) for some types, in place of the general rule.
    omitted : set of (type, str)
        Fields that are not kept; they need a default.
    """

    def __init__(
        self,
        names: Mapping[str, object],
        special: Mapping[type, tuple[Callable[[Any], Plain], Callable[[Plain], Any], Schema]],
        omitted: frozenset[tuple[type, str]] = frozenset(),
    ) -> None:
        self._names = dict(names)
        self._special = {kind: _Rule(*rule) for kind, rule in special.items()}
        self._omitted = omitted
        self._definitions: dict[str, Schema] = {}
        self._rule = lru_cache(maxsize=None)(self._rule_for)

    def write(self, value: Any, kind: Any) -> Plain:
        """Turn a value into plain data."""
        return self._rule(kind).write(value)

    def read(self, data: Plain, kind: Any) -> Any:
        """Turn plain data into a value.

        Raises
        ------
        ValueError, TypeError, KeyError
            If the data are not what the type asks for.
        """
        return self._rule(kind).read(data)

    def schema(self, kind: Any) -> Schema:
        """Describe the plain data of a type; see :attr:`definitions`."""
        return self._rule(kind).schema

    @property
    def definitions(self) -> dict[str, Schema]:
        """Schemas of all dataclasses met so far, by name, for ``$defs``."""
        return dict(sorted(self._definitions.items()))

    def _rule_for(self, kind: Any) -> _Rule:
        if kind in self._special:
            return self._special[kind]
        if kind in _SIMPLE:
            return _SIMPLE[kind]
        origin, arguments = get_origin(kind), get_args(kind)
        if origin in (Union, types.UnionType):
            return self._optional(arguments)
        if origin is tuple:
            return self._tuple(arguments)
        if origin in (frozenset, set):
            return self._set(arguments[0])
        if isinstance(origin, type) and issubclass(origin, Mapping):
            return self._mapping(*arguments)
        if isinstance(kind, type) and issubclass(kind, Enum):
            values = [member.value for member in kind]
            return _Rule(lambda member: member.value, kind, {"enum": values})
        if is_dataclass(kind):
            return self._dataclass(kind)
        raise TypeError(f"no rule for {kind!r}")

    def _optional(self, arguments: tuple[Any, ...]) -> _Rule:
        (inner_kind,) = (kind for kind in arguments if kind is not type(None))
        inner = self._rule(inner_kind)
        return _Rule(
            lambda value: None if value is None else inner.write(value),
            lambda data: None if data is None else inner.read(data),
            {"anyOf": [inner.schema, {"type": "null"}]},
        )

    def _tuple(self, arguments: tuple[Any, ...]) -> _Rule:
        if len(arguments) != 2 or arguments[1] is not Ellipsis:
            parts = [self._rule(kind) for kind in arguments]
            return _Rule(
                lambda value: [p.write(v) for p, v in zip(parts, value, strict=True)],
                lambda data: tuple(p.read(d) for p, d in zip(parts, data, strict=True)),
                {"type": "array", "prefixItems": [p.schema for p in parts], "items": False},
            )
        if is_dataclass(arguments[0]) and arguments[0] not in self._special:
            return self._table(arguments[0])
        inner = self._rule(arguments[0])
        return _Rule(
            lambda value: [inner.write(item) for item in value],
            lambda data: tuple(inner.read(item) for item in _array(data)),
            {"type": "array", "items": inner.schema},
        )

    def _set(self, member: Any) -> _Rule:
        inner = self._rule(member)
        return _Rule(
            lambda value: sorted(inner.write(item) for item in value),
            lambda data: frozenset(inner.read(item) for item in _array(data)),
            {"type": "array", "items": inner.schema, "uniqueItems": True},
        )

    def _mapping(self, key: Any, value: Any) -> _Rule:
        inner, of_key = self._rule(value), self._rule(key)
        read_key = (lambda text: int(text)) if key is int else of_key.read
        return _Rule(
            lambda mapping: {str(of_key.write(k)): inner.write(v) for k, v in mapping.items()},
            lambda data: {read_key(k): inner.read(v) for k, v in data.items()},
            {"type": "object", "additionalProperties": inner.schema},
        )

    def _fields(self, kind: Any) -> dict[str, _Rule]:
        own_names = vars(sys.modules[kind.__module__])
        hints = get_type_hints(kind, localns=self._names | own_names)
        kept = [f.name for f in fields(kind) if (kind, f.name) not in self._omitted]
        return {name: self._rule(hints[name]) for name in kept}

    def _dataclass(self, kind: Any) -> _Rule:
        own = self._fields(kind)

        def write(value: Any) -> Plain:
            return {name: rule.write(getattr(value, name)) for name, rule in own.items()}

        def read(data: Plain) -> Any:
            if set(data) != set(own):
                raise _unlike(kind, set(data), set(own))
            return kind(**{name: rule.read(data[name]) for name, rule in own.items()})

        self._definitions[kind.__name__] = closed_object(
            {name: rule.schema for name, rule in own.items()}
        )
        return _Rule(write, read, {"$ref": f"#/$defs/{kind.__name__}"})

    def _table(self, kind: Any) -> _Rule:
        own = self._fields(kind)
        names = list(own)
        rules = list(own.items())

        def write(values: Any) -> Plain:
            rows = [[rule.write(getattr(v, name)) for name, rule in rules] for v in values]
            return {"fields": names, "rows": rows}

        def read(data: Plain) -> Any:
            if data["fields"] != names:
                raise _unlike(kind, set(data["fields"]), set(names))
            return tuple(
                kind(**{n: r.read(cell) for (n, r), cell in zip(rules, row, strict=True)})
                for row in _array(data["rows"])
            )

        name = f"{kind.__name__}Table"
        rows = {
            "type": "array",
            "prefixItems": [rule.schema for _, rule in rules],
            "minItems": len(rules),
            "items": False,
        }
        self._definitions[name] = closed_object(
            {"fields": {"const": names}, "rows": {"type": "array", "items": rows}}
        )
        return _Rule(write, read, {"$ref": f"#/$defs/{name}"})


def _unlike(kind: type, found: set[str], wanted: set[str]) -> KeyError:
    extra, missing = sorted(found - wanted), sorted(wanted - found)
    return KeyError(f"{kind.__name__}: {extra} not known, {missing} missing")
