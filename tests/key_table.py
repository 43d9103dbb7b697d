"""The table of profile keys in docs/profiles.md, made from the one table in the code."""

from __future__ import annotations

from enum import Enum
from pathlib import Path

from otdravg.findings import says
from otdravg.verdict.keys import KEYS, Key
from otdravg.words.catalogue import told, wording

PAGE = Path(__file__).parents[1] / "docs" / "profiles.md"
BEGIN = "<!-- keys: written by tests/refresh_docs.py from otdravg/verdict/keys.py -->"
END = "<!-- end of keys -->"

_WRITTEN = {
    "choice": "one of {}",
    "choices": "list of {}",
    "flag": "true or false",
    "metres": "metres",
    "text": "text",
    "texts": "list of texts",
    "wavelengths": "list of nm",
}


def written_as(key: Key) -> str:
    """How the value of a key is written, with its range."""
    if key.kind in ("number", "by_wavelength"):
        (low, high), unit = key.allowed
        text = f"{low} to {high} {unit}".rstrip()
        return f"{text}; by wavelength" if key.kind == "by_wavelength" else text
    if key.kind == "whole":
        return "whole, {} to {}".format(*key.allowed)
    members = key.allowed[0] if key.allowed else ()
    names = [f"`{one.value if isinstance(one, Enum) else one}`" for one in members]
    if key.kind == "texts" and names:
        return f"list of {names[0]} to {names[-2]}, {names[-1]}"
    return _WRITTEN[key.kind].format(", ".join(names))


def meaning(key: Key) -> str:
    """What the key asks for: the sentences of ``profile show``."""
    message = wording("key", key.path)
    texts = [message] if isinstance(message, str) else list(message.values())
    return "; ".join(texts).replace("{value}", "…")


def of_a_pair(key: Key) -> str:
    """What one pair does about the key."""
    if not key.pair:
        return "applied"
    return f"{'**open**' if key.is_open else 'left out'}: {told(says(key.pair))}"


def table() -> str:
    """The whole table."""
    lines = ["| key | written as | meaning | applied by | one pair |", "|---|---|---|---|---|"]
    for key in KEYS:
        by = key.applied_by.removeprefix("otdravg.").replace(":", ".")
        lines.append(
            f"| `{key.path}` | {written_as(key)} | {meaning(key)} | `{by}` | {of_a_pair(key)} |"
        )
    return "\n".join(lines) + "\n"


def page_with_table(text: str) -> str:
    """The page with the table as it is now."""
    before, _, rest = text.partition(BEGIN)
    _, _, after = rest.partition(END)
    return f"{before}{BEGIN}\n\n{table()}\n{END}{after}"


def write_table() -> None:
    """Write the table into the page."""
    PAGE.write_text(page_with_table(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
