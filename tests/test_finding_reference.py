"""The finding reference names every finding that the package can give."""

from __future__ import annotations

import ast
import re
import sys
from collections.abc import Iterator
from pathlib import Path

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib

ROOT = Path(__file__).parents[1]
_CODE = re.compile(r"[a-z]+(-[a-z0-9]+)+")


def codes_in(path: Path) -> Iterator[str]:
    """Texts shaped like a finding's name in modules that make findings of a cable."""
    source = path.read_text(encoding="utf-8")
    if "CableFinding" not in source and "about_" not in source:
        return
    for node in ast.walk(ast.parse(source)):
        text = node.value if isinstance(node, ast.Constant) else None
        if isinstance(text, str) and _CODE.fullmatch(text):
            yield text


#: Texts of that shape that are something else.
NOT_FINDINGS = {
    *("exclude-shot", "move-position", "name-closure", "confirm-crossing"),
    "ribbons-backwards",
    *("utf-8", "utf-8-sig", "latin-1"),
}


def test_every_finding_is_explained() -> None:
    reference = (ROOT / "docs" / "findings.md").read_text(encoding="utf-8")
    explained = set(re.findall(r"^\| `([a-z0-9-]+)`", reference, flags=re.MULTILINE))
    catalogue = (ROOT / "otdravg" / "words" / "en.toml").read_text(encoding="utf-8")
    worded = set(re.findall(r"^\[finding\.([a-z0-9-]+)\]$", catalogue, flags=re.MULTILINE))
    said = set(tomllib.loads(catalogue)["say"])
    of_a_cable = {
        code for path in (ROOT / "otdravg" / "cable").rglob("*.py") for code in codes_in(path)
    } - (NOT_FINDINGS | said)
    assert worded
    assert of_a_cable
    assert worded | of_a_cable == explained
