"""Text from outside never drives a terminal."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from otdravg.system.printable import printable, spelled_in_ascii, survives


@pytest.mark.parametrize(
    ("raw", "shown"),
    [
        ("\x1b[31mred", r"\x1b[31mred"),  # ECMA-48 control sequence introducer
        ("a\r\nb", r"a\r\nb"),
        ("\x9b2J", r"\x9b2J"),  # the one-byte form of the same
        ("a\u202eb", r"a\u202eb"),  # Unicode right-to-left override
        ("\ud800", r"\ud800"),
        ("Zürich 光 → ±", "Zürich 光 → ±"),
    ],
)
def test_what_a_terminal_would_obey_is_written_out(raw: str, shown: str) -> None:
    assert printable(raw) == shown


@given(st.text(st.characters(codec=None)))
def test_nothing_obeyed_is_left(text: str) -> None:
    shown = printable(text)
    assert not {"Cc", "Cf", "Cs", "Zl", "Zp"} & {unicodedata.category(c) for c in shown}
    assert printable(shown) == shown


def test_signs_have_an_ascii_spelling() -> None:
    assert spelled_in_ascii("A→B 0.1 ± 0.2 … é") == "A->B 0.1 +- 0.2 ... ?"
    assert spelled_in_ascii("Spleißdämpfung, PRÜFEN") == "Spleissdaempfung, PRUEFEN"


@pytest.mark.parametrize(
    ("text", "encoding", "expected"),
    [("→", "utf-8", True), ("→", "ascii", False), ("±", "latin-1", True), ("a", "no-such", False)],
)
def test_survives(text: str, encoding: str, expected: bool) -> None:
    assert survives(text, encoding) is expected
