"""No text from outside is obeyed once it has gone through ``printable``."""

from __future__ import annotations

import csv
from xml.etree import ElementTree
from xml.sax.saxutils import escape

import pytest
from hostile_text import FILE_NAMES, HOSTILE, is_obeyed, longest_mark_run
from hypothesis import given
from hypothesis import strategies as st

from otdravg.system.printable import printable, spelled_in_ascii
from otdravg.tables.csv_file import CsvStyle, cell_table, csv_bytes

#: Any text at all, and texts in which the characters that matter are frequent.
ANY_TEXT = st.text(st.characters(codec=None)) | st.text(
    st.sampled_from("".join(HOSTILE.values()) + "\udce9\udcff\0")
)

TEXTS = [
    *(pytest.param(text, id=what) for what, text in HOSTILE.items()),
    *(
        pytest.param(name.decode("utf-8", "surrogateescape"), id=f"file name, {what}")
        for what, name in FILE_NAMES.items()
    ),
]


def check_neutral(shown: str) -> None:
    assert not any(map(is_obeyed, shown))
    assert longest_mark_run(shown) <= 4
    shown.encode("utf-8")  # no lone surrogate is left
    ElementTree.fromstring(f"<t>{escape(shown)}</t>")  # all of it is allowed in XML 1.0


@given(ANY_TEXT)
def test_any_text_becomes_neutral_and_stays_as_it_then_is(text: str) -> None:
    shown = printable(text)
    check_neutral(shown)
    assert printable(shown) == shown
    assert spelled_in_ascii(shown).isascii()


@given(st.text(st.characters(min_codepoint=0x20, max_codepoint=0x7E)))
def test_plain_text_stays_as_it_is(text: str) -> None:
    assert printable(text) == text


@pytest.mark.parametrize("text", TEXTS)
def test_hostile_text_becomes_neutral(text: str) -> None:
    check_neutral(printable(text))


def test_written_languages_stay_readable() -> None:
    # Vietnamese decomposed, Hebrew with points and accent, Thai, Devanagari.
    for text in ("Vie\u0323\u0302t", "בְּרֵאשִׁ֖ית", "ที่นี่", "हिन्दी", "漢字", "Zürich"):
        assert printable(text) == text


@pytest.mark.parametrize("text", TEXTS)
def test_cell_of_a_table_is_one_cell_and_no_formula(text: str) -> None:
    table = cell_table((("a", lambda row: row), ("b", lambda row: 1)), [text])
    for separator in ",;\t":
        content = csv_bytes(table, CsvStyle(separator)).decode("utf-8")
        assert content.count("\r") == content.count("\n") == 2
        cell, one = list(csv.reader(content.split("\r\n"), delimiter=separator))[1]
        assert one == "1"
        check_neutral(cell)
        # OWASP, CSV Injection: the signs that begin a formula, full-width ones included.
        assert not cell.lstrip().startswith(tuple("=+-@\t\r＝＋－＠"))
