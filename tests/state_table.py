"""The table of states in docs/how-to-packager.md, made from their declaration in the code."""

from __future__ import annotations

import inspect
import re
from pathlib import Path

from otdravg.tables.marks import CLOSE, State
from otdravg.words.headings import Language, Words

PAGE = Path(__file__).parents[1] / "docs" / "how-to-packager.md"
BEGIN = "<!-- states: written by tests/refresh_docs.py from otdravg/tables/marks.py -->"
END = "<!-- end of states -->"
_MEMBER = re.compile(r"#: (.+)\n\s+(\w+) = ")


def table() -> str:
    """The whole table: sign, word in every language, meaning."""
    meanings = {name: text for text, name in _MEMBER.findall(inspect.getsource(State))}
    lines = [
        f"| sign | {' | '.join(language.value for language in Language)} | what it means |",
        "|---|" + "---|" * len(Language) + "---|",
    ]
    entries = [(s.sign, s.value, meanings[s.name]) for s in State]
    entries.append((CLOSE[1], CLOSE[0], "In place of the sign, unless it is over; no state."))
    for sign, word, meaning in entries:
        words = [Words(language).value(word) for language in Language]
        lines.append(f"| {f'`{sign}`' if sign else ''} | {' | '.join(words)} | {meaning} |")
    return "\n".join(lines) + "\n"


def in_page() -> str:
    """What stands in the page."""
    return PAGE.read_text(encoding="utf-8").partition(BEGIN)[2].partition(END)[0].strip() + "\n"


def write_table() -> None:
    """Put the table into the page."""
    before, begin, rest = PAGE.read_text(encoding="utf-8").partition(BEGIN)
    after = rest.partition(END)[2]
    if not (begin and after):
        raise SystemExit(f"{PAGE.name}: the lines that enclose the states are missing")
    PAGE.write_text(f"{before}{BEGIN}\n\n{table()}\n{END}{after}", encoding="utf-8")
