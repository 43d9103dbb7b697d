"""closeout.json: schema, round trip, and what it must not say."""

from __future__ import annotations

import base64
import json
import struct
import zlib
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
from closeout_example import NASTY
from hypothesis import given
from hypothesis import strategies as st

from otdravg.cable import CableReview
from otdravg.closeout.json_file import Closeout, closeout_json, closeout_schema, read_closeout
from otdravg.closeout.packing import packed, unpacked
from otdravg.closeout.sketches import Sketches
from otdravg.closeout.template import Logo, Template
from otdravg.errors import BadCloseout

SCHEMA_FILE = Path(__file__).parents[2] / "docs" / "closeout.schema.json"


@pytest.fixture
def closeout(bad_review: CableReview, sketches: Sketches, template: Template) -> Closeout:
    return Closeout(bad_review, sketches, replace(template, logo=Logo("l.png", b"\x00\xff", 1, 2)))


def test_document_meets_the_published_schema(closeout: Closeout) -> None:
    schema = json.loads(SCHEMA_FILE.read_text("utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.Draft202012Validator(schema).validate(json.loads(closeout_json(closeout)))


def test_published_schema_is_the_one_of_the_code() -> None:
    published = json.loads(SCHEMA_FILE.read_text("utf-8"))
    assert published == closeout_schema()


def test_reading_back_gives_the_same_results(closeout: Closeout, tmp_path: Path) -> None:
    path = tmp_path / "closeout.json"
    path.write_bytes(closeout_json(closeout))
    back = read_closeout(path)
    assert back.review.rows == closeout.review.rows
    assert back.review.findings == closeout.review.findings
    assert back.review.plan == closeout.review.plan
    assert back.review.profile == closeout.review.profile
    assert back.review.patterns == closeout.review.patterns
    assert back.template == closeout.template
    assert back.sketches.pairs
    for one, other in zip(back.sketches.pairs, closeout.sketches.pairs, strict=True):
        assert np.array_equal(one.ab.high_mdb, other.ab.high_mdb)
        assert (one.full_ab is None) == (other.full_ab is None)
    assert closeout_json(back) == path.read_bytes()


def test_tables_hold_the_figures_as_they_are_reported(closeout: Closeout) -> None:
    table = json.loads(closeout_json(closeout))["tables"]["splices"]
    place = table["names"].index("loss_db")
    assert closeout.review.rows
    for cells, row in zip(table["rows"], closeout.review.rows, strict=True):
        if row.loss_db is None:
            assert cells[place] is None
        else:
            assert cells[place] == pytest.approx(row.loss_db, abs=0.00051)
            assert round(cells[place], 3) == cells[place]


def test_place_on_the_disk_and_working_time_are_left_out(
    closeout: Closeout, shots_folder: Path
) -> None:
    text = closeout_json(closeout).decode("utf-8")
    assert str(shots_folder.parent) not in text
    assert "stage_seconds" not in text


def test_nasty_text_is_plain_ascii_in_the_file(closeout: Closeout) -> None:
    content = closeout_json(closeout)
    assert content.isascii()
    assert b"\x1b" not in content
    back = json.loads(content)["review"]["findings"]
    said = [row[back["fields"].index("said")]["values"] for row in back["rows"]]
    assert {text for own in said for text in own.values() if text in NASTY} == set(NASTY)


@pytest.mark.parametrize(
    ("change", "problem"),
    [
        (lambda d: d.update(format="something else"), "is not a closeout"),
        (lambda d: d.update(version=1), "version 1"),
        (lambda d: d["review"].pop("rows"), "rows"),
        (lambda d: d["review"]["rows"]["rows"][0].pop(), "damaged"),
        (lambda d: d["review"].update(ribbon_size="twelve"), "whole number"),
        (lambda d: d["sketches"]["pairs"]["rows"][0][3].update(low="AAAA"), "damaged"),
    ],
)
def test_damaged_file_is_refused_in_one_line(
    closeout: Closeout, tmp_path: Path, change: Any, problem: str
) -> None:
    document = json.loads(closeout_json(closeout))
    change(document)
    path = tmp_path / "c.json"
    path.write_text(json.dumps(document), "utf-8")
    with pytest.raises(BadCloseout, match=problem) as caught:
        read_closeout(path)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("content", [b"", b"{", b"[" * 100_000, b'{"a": NaN}', b"\xff\xfe"])
def test_what_is_no_json_is_refused(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "c.json"
    path.write_bytes(content)
    with pytest.raises(BadCloseout):
        read_closeout(path)


@given(st.lists(st.integers(-(2**29), 2**29), min_size=1, max_size=300))
def test_packing_loses_nothing(values: list[int]) -> None:
    levels = np.array(values, dtype=np.int32)
    assert np.array_equal(unpacked(packed(levels)), levels)


def test_packing_can_be_undone_from_its_description_alone() -> None:
    """As the schema describes it, written out without numpy."""
    levels = [-12_345, -12_346, -12_346, 7, 65_000]
    planes = zlib.decompress(base64.b64decode(packed(np.array(levels, dtype=np.int32))))
    count = len(planes) // 4
    level, found = 0, []
    for n in range(count):
        (code,) = struct.unpack("<I", bytes(planes[n + plane * count] for plane in range(4)))
        level += code // 2 if code % 2 == 0 else -(code + 1) // 2
        found.append(level)
    assert found == levels
