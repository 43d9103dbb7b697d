"""The finding reference names every finding that the package can give."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parents[1]
_CODE = re.compile(r"[a-z]+(-[a-z0-9]+)+")


def codes_in(path: Path) -> Iterator[str]:
    """Texts shaped like a finding's name in modules that make findings."""
    source = path.read_text(encoding="utf-8")
    if "Finding" not in source and "about_" not in source:
        return
    for node in ast.walk(ast.parse(source)):
        text = node.value if isinstance(node, ast.Constant) else None
        if isinstance(text, str) and _CODE.fullmatch(text):
            yield text


#: Texts of that shape that are something else.
NOT_FINDINGS = {
    *("exclude-shot", "move-position", "name-closure", "confirm-crossing"),
    *("utf-8", "utf-8-sig", "latin-1"),
}
#: Names of one word, and names that are put together.
OTHERS = {"ghost", "launch-cord-outside-profile", "receive-cord-outside-profile"}


def test_every_finding_is_explained() -> None:
    reference = (ROOT / "docs" / "findings.md").read_text(encoding="utf-8")
    explained = set(re.findall(r"^\| `([a-z0-9-]+)`", reference, flags=re.MULTILINE))
    given = {
        code
        for path in (ROOT / "otdravg").rglob("*.py")
        if "simulate" not in path.parts
        for code in codes_in(path)
    } - NOT_FINDINGS
    assert given
    assert not (given | OTHERS) - explained
    assert not explained - given - OTHERS
