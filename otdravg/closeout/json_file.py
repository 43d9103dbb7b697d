"""A closeout as one JSON file, from which every other output can be made again.

``tables`` holds what people read: the same rounded figures as the CSV files. ``review``
holds the same results with all digits, ``sketches`` the pictures of the shots. The schema
is docs/closeout.schema.json; its version changes when a reader of the old one would fail.
"""

from __future__ import annotations

import importlib.metadata
import json
import platform
import zlib
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from decimal import Decimal
from enum import Enum
from pathlib import Path
from typing import Any

import otdravg.cable.decisions.model
import otdravg.cable.log.model
import otdravg.cable.patterns.model
import otdravg.cable.resplice.model
import otdravg.verdict
from otdravg import __version__
from otdravg.cable.files.names import NamePattern
from otdravg.cable.location import NOWHERE, Location
from otdravg.cable.model import CableReview, SpliceRow
from otdravg.cable.run import Options
from otdravg.closeout.attachments import Attached
from otdravg.closeout.codec import Codec, closed_object
from otdravg.closeout.packing import packed, unpacked
from otdravg.closeout.sketches import Sketches, TraceSketch
from otdravg.closeout.template import Template
from otdravg.errors import BadCloseout
from otdravg.findings import Finding, Scope, Severity, Statement, Value, Values, says
from otdravg.shot.settings import Direction
from otdravg.tables.csv_file import CLOCK_FORMAT, Cell
from otdravg.tables.splices import review_cells
from otdravg.words.catalogue import Language

#: Version of the schema.
VERSION = 2
_FORMAT = "otdravg closeout"
_LARGEST_BYTES = 2_000_000_000
_ATTACHMENTS = tuple[Attached, ...]


@dataclass(frozen=True, slots=True)
class Closeout:
    """Everything that the outputs of a closeout are made from."""

    review: CableReview
    sketches: Sketches
    template: Template
    options: Options = field(default_factory=Options)  # what the user said beside the profile
    attachments: tuple[Attached, ...] = ()
    folder: Path | None = field(default=None, compare=False)  # that they lie in


def made_here() -> dict[str, str]:
    """Name what the outputs are made with, here and now: the same makes the same bytes."""
    libraries = ("numpy", "scipy", "reportlab", "pillow", "XlsxWriter", "jinja2")
    return {
        "otdravg": __version__,
        "machine": f"{platform.system()} {platform.machine()}",
        "Python": platform.python_version(),
        "zlib": zlib.ZLIB_RUNTIME_VERSION,
        **{name: importlib.metadata.version(name) for name in libraries},
    }


def closeout_json(closeout: Closeout) -> bytes:
    """Write a closeout as JSON, one row a line.

    Where files lay on the machine that read them is left out: it is nobody's business and
    differs from one machine to the next.
    """
    codec = _codec()
    document = {
        "format": _FORMAT,
        "version": VERSION,
        "made_with": made_here(),
        "template": codec.write(closeout.template, Template),
        "options": codec.write(closeout.options, Options),
        "attachments": codec.write(closeout.attachments, _ATTACHMENTS),
        "tables": json_tables(closeout.review, closeout.template.language),
        "review": codec.write(_portable(closeout.review), CableReview),
        "sketches": codec.write(closeout.sketches, Sketches),
    }
    return ("".join(_written(document, 0)) + "\n").encode("utf-8")


def json_tables(review: CableReview, language: Language) -> dict[str, Any]:
    """Return the tables of a review as they stand in the JSON."""
    return {
        name: {"names": list(table.names), "rows": [[_plain(c) for c in r] for r in table.rows]}
        for name, table in review_cells(review, language).items()
    }


def read_closeout(path: Path) -> Closeout:
    """Read a closeout back.

    Raises
    ------
    BadCloseout
        If the file is not a closeout of a version that this program knows, or is damaged.
    """
    return closeout_from(json_document(path), path)


def json_document(path: Path) -> Mapping[str, Any]:
    """Read the JSON of a closeout, its version checked, nothing else."""
    try:
        if path.stat().st_size > _LARGEST_BYTES:
            raise BadCloseout(path, says("closeout-too-large"))
        document = json.loads(path.read_bytes(), parse_constant=_no_number, object_pairs_hook=_once)
    except OSError as error:
        raise BadCloseout(path, says("not-readable", why=error.strerror or str(error))) from error
    except (ValueError, RecursionError) as error:
        raise BadCloseout(path, says("no-json", why=str(error))) from error
    if not isinstance(document, dict) or document.get("format") != _FORMAT:
        raise BadCloseout(path, says("no-closeout"))
    if document.get("version") != VERSION:
        found = document.get("version")
        raise BadCloseout(path, says("closeout-version", found=repr(found), known=VERSION))
    return document


def closeout_from(document: Mapping[str, Any], path: Path) -> Closeout:
    """Make a closeout of its JSON document; ``path`` is that of its file."""
    codec = _codec()
    try:
        return Closeout(
            codec.read(document["review"], CableReview),
            codec.read(document["sketches"], Sketches),
            codec.read(document["template"], Template),
            codec.read(document["options"], Options),
            codec.read(document["attachments"], _ATTACHMENTS),
            path.parent,
        )
    except (KeyError, TypeError, ValueError, ArithmeticError) as error:
        raise BadCloseout(
            path, says("damaged-by", why=f"{type(error).__name__}: {error}")
        ) from error


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """Refuse a name that stands twice: readers differ in which of both they take."""
    own = dict(pairs)
    if len(own) < len(pairs):
        name = next(name for name, count in Counter(n for n, _ in pairs).items() if count > 1)
        raise ValueError(f"{name} stands twice in it")
    return own


def _no_number(name: str) -> float:
    raise ValueError(f"{name} is no figure")


def _plain(cell: Cell) -> str | int | float | bool | None:
    """Turn a table's cell into JSON; a figure keeps the value of its decimals."""
    if isinstance(cell, Decimal):
        return float(cell)
    if isinstance(cell, datetime):
        return cell.strftime(CLOCK_FORMAT)
    return cell


def _portable(review: CableReview) -> CableReview:
    """Leave out where files lay."""
    shots = (
        replace(
            shot,
            location=NOWHERE,
            identity=shot.identity and replace(shot.identity, path=shot.path),
        )
        for shot in review.shots
    )
    return replace(review, shots=tuple(shots))


#: How deep rows stand: lists deeper than this stay on one line.
_LINES_TO_DEPTH = 4


def _written(value: Any, depth: int) -> Iterator[str]:
    """Write JSON with one table row or one key a line near the top."""
    inside = ",\n" + " " * (depth + 1)
    if isinstance(value, dict) and value and depth < _LINES_TO_DEPTH:
        yield "{\n" + " " * (depth + 1)
        for number, (key, item) in enumerate(value.items()):
            yield (inside if number else "") + _dumped(key) + ": "
            yield from _written(item, depth + 1)
        yield "\n" + " " * depth + "}"
    elif isinstance(value, list) and value and isinstance(value[0], list | dict):
        yield "[\n" + " " * (depth + 1)
        yield inside.join(_dumped(item) for item in value)
        yield "\n" + " " * depth + "]"
    else:
        yield _dumped(value)


def _dumped(value: Any) -> str:
    return json.dumps(value, ensure_ascii=True, allow_nan=False, separators=(",", ":"))


def _codec() -> Codec:
    names = vars(otdravg.verdict) | vars(otdravg.cable.resplice.model)
    names |= vars(otdravg.cable.patterns.model) | vars(otdravg.cable.decisions.model)
    names |= vars(otdravg.cable.log.model)
    return Codec(
        names,
        {
            TraceSketch: (_sketch_object, _sketch_of, _SKETCH_SCHEMA),
            Statement: (_plain_said, _one(Statement), _STATEMENT_SCHEMA),
            Finding: (_plain_said, _one(Finding), _FINDING_SCHEMA),
            Location: (lambda place: "", lambda text: NOWHERE, _TEXT),
            NamePattern: (lambda pattern: pattern.text, NamePattern.parse, _TEXT),
        },
        # Decisions stand in the review already; of an earlier run the changes do.
        frozenset(
            {
                (CableReview, "stage_seconds"),
                (SpliceRow, "reading"),
                (Options, "decisions"),
                (Options, "before"),
            }
        ),
    )


def _plain_said(value: Value) -> Any:
    """Write what is said or found as code and values; a decimal keeps the digits that it has."""
    match value:
        case Decimal():
            return {"decimal": str(value)}
        case Statement():
            more = [_plain_said(one) for one in value.more]
            return {"code": value.code, "values": _plain_values(value.values), "more": more}
        case Finding():
            where = value.where.value if isinstance(value.where, Enum) else value.where
            return {
                "severity": value.severity.value, "code": value.code, "case": value.case,
                "where": where, "values": _plain_values(value.values),
            }  # fmt: skip
        case tuple():
            return [
                _plain_said(one) if isinstance(one, Statement) else {"values": _plain_values(one)}
                for one in value
            ]
        case None | str() | int() | float():
            return value
    raise TypeError(f"a reason holds {value!r:.60}")


def _plain_values(named: Values) -> dict[str, Any]:
    return {name: _plain_said(value) for name, value in named}


def _said(data: Any) -> Any:
    """Read what :func:`_plain_said` wrote."""
    match data:
        case {"decimal": text}:
            return Decimal(text)
        case {"severity": severity, "code": code, "case": case, "where": where, "values": own}:
            place = _PLACES.get(where, where)
            return Finding(code, Severity(severity), place, _values(own), case)
        case {"code": code, "values": own, "more": more}:
            return Statement(code, _values(own), tuple(map(_said, more)))
        case {"values": own}:
            return _values(own)
        case list():
            return tuple(map(_said, data))
        case None | str() | int() | float():
            return data
    raise TypeError(f"{data!r:.60} is no value of a reason")


def _values(data: Mapping[str, Any]) -> Values:
    return tuple((name, _said(value)) for name, value in data.items())


def _one(kind: type) -> Callable[[Any], Any]:
    """Read something said of one kind."""

    def read(data: Any) -> Any:
        if not isinstance(value := _said(data), kind):
            raise TypeError(f"{data!r:.60} is no {kind.__name__}")
        return value

    return read


#: What a finding can concern, by its name; any other name is a block's.
_PLACES: dict[str, Enum] = {place.value: place for kind in (Scope, Direction) for place in kind}
_TEXT = {"type": "string"}
_VALUES_SCHEMA: dict[str, Any] = {
    "type": "object",
    "additionalProperties": {
        "type": ["string", "number", "null", "array", "object"],
        "description": "a decimal is an object of its text",
    },
}
_FINDING_SCHEMA = closed_object(
    {
        "severity": {"enum": [severity.value for severity in Severity]},
        "code": _TEXT,
        "case": _TEXT,
        "where": _TEXT,
        "values": _VALUES_SCHEMA,
    },
    description="what was found, as a code and values by name; docs/findings.md says more",
)
_STATEMENT_SCHEMA = closed_object(
    {
        "code": _TEXT,
        "values": _VALUES_SCHEMA,
        "more": {"type": "array", "items": {"type": "object"}},
    },
    description="why, as a code and values by name; what is said right behind it in more",
)


def _sketch_object(sketch: TraceSketch) -> dict[str, Any]:
    own = {
        "direction": sketch.direction.value,
        "file": sketch.file,
        "first_m": float(sketch.first_m),
        "step_m": float(sketch.step_m),
        "points": int(sketch.low_mdb.size),
        "low": packed(sketch.low_mdb),
    }
    if not sketch.is_full:
        own["above_low"] = packed(sketch.high_mdb - sketch.low_mdb)
        own["mean_above_low"] = packed(sketch.mean_mdb - sketch.low_mdb)
    return own


def _sketch_of(data: Any) -> TraceSketch:
    low = high = mean = unpacked(data["low"])
    if "above_low" in data:
        high = low + unpacked(data["above_low"])
        mean = low + unpacked(data["mean_above_low"])
    if not low.size == high.size == mean.size == data["points"] or not low.size:
        raise ValueError(f"{data['file']}: number of points does not agree")
    return TraceSketch(
        Direction(data["direction"]),
        data["file"],
        float(data["first_m"]),
        float(data["step_m"]),
        low,
        high,
        mean,
    )


_PACKED: dict[str, Any] = {
    "type": "string",
    "contentEncoding": "base64",
    "description": "whole thousandths of a dB: differences between neighbours (the first from 0), "
    "2d for d >= 0 and -2d - 1 for d < 0, four bytes each; all lowest bytes first, then all "
    "second, third and highest; zlib (RFC 1950), base64 (RFC 4648)",
}
_SKETCH_SCHEMA = closed_object(
    {
        "direction": {"enum": [direction.value for direction in Direction]},
        "file": _TEXT,
        "first_m": {"type": "number", "description": "start of the first bin, metres from end A"},
        "step_m": {"type": "number", "exclusiveMinimum": 0},
        "points": {"type": "integer", "minimum": 1},
        "low": _PACKED,
        "above_low": _PACKED,
        "mean_above_low": _PACKED,
    },
    optional=("above_low", "mean_above_low"),
    description="one shot on the axis of the span, in equal bins",
)


def closeout_schema() -> dict[str, Any]:
    """Return the JSON schema (draft 2020-12) of a closeout."""
    codec = _codec()
    parts = {
        "template": codec.schema(Template),
        "options": codec.schema(Options),
        "attachments": codec.schema(_ATTACHMENTS),
        "tables": {
            "type": "object",
            "description": "the CSV tables: figures rounded as reported, numbers as numbers",
            "required": ["splices", "findings", "shots", "resplice", "identity"],
            "additionalProperties": closed_object(
                {
                    "names": {"type": "array", "items": _TEXT},
                    "rows": {"type": "array", "items": {"type": "array"}},
                }
            ),
        },
        "review": codec.schema(CableReview),
        "sketches": codec.schema(Sketches),
    }
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Closeout of a cable review",
        "description": "Losses in dB, positive for a loss; positions in metres from the span's "
        "A end; u_ standard uncertainties (k = 1); null is 'not measured'.",
        **closed_object(
            {
                "format": {"const": _FORMAT},
                "version": {"const": VERSION},
                "made_with": {"type": "object", "additionalProperties": _TEXT},
                **parts,
            }
        ),
        "$defs": codec.definitions,
    }
