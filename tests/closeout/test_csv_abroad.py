"""Figures of the CSV tables in a spreadsheet that is set to a decimal comma.

Babel (CLDR) stands for the spreadsheet: it reads a number as people of a country write it.
"""

from __future__ import annotations

import csv
import io
from decimal import Decimal

import pytest

from otdravg.cable import CableReview
from otdravg.tables.csv_file import CsvStyle
from otdravg.tables.splices import cable_tables

numbers = pytest.importorskip(
    "babel.numbers", reason="the oldest set of libraries is tested without Babel"
)
COUNTRIES = ("de", "fr", "nl", "pl")


def losses(content: bytes, separator: str) -> list[str]:
    rows = csv.DictReader(io.StringIO(content.decode("utf-8"), newline=""), delimiter=separator)
    found = [row["loss_db"] for row in rows if row["loss_db"]]
    assert len(found) > 50
    return found


def test_the_danger_is_real() -> None:
    """Why the docs send people to the workbook: no check of ours, only of what is said there."""
    assert numbers.parse_decimal("0.535", locale="de") == 535


@pytest.mark.parametrize("country", COUNTRIES)
def test_with_a_decimal_comma_every_figure_is_read_as_it_is(
    good_review: CableReview, country: str
) -> None:
    plain = losses(cable_tables(good_review)["splices.csv"], ",")
    style = CsvStyle(";", decimal_comma=True)
    abroad = losses(cable_tables(good_review, style)["splices.csv"], ";")
    assert [numbers.parse_decimal(text, locale=country, strict=True) for text in abroad] == [
        Decimal(text) for text in plain
    ]


def test_tables_are_utf_8_without_a_mark_and_end_lines_as_the_standard_says(
    good_review: CableReview,
) -> None:
    """RFC 4180, 2.1: lines end in CRLF; RFC 3629, 6: no mark where the encoding is stated."""
    tables = cable_tables(good_review)
    assert tables
    for name, content in tables.items():
        assert not content.startswith(b"\xef\xbb\xbf"), name
        content.decode("utf-8")
        assert content.endswith(b"\r\n"), name
        assert content.count(b"\n") == content.count(b"\r\n"), name
