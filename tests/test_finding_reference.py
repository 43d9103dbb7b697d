"""The finding reference names every finding that the package can give."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).parents[1]


def test_every_finding_is_explained() -> None:
    """That every finding has words, and all words a finding, is tested in ``tests/words``."""
    reference = (ROOT / "docs" / "findings.md").read_text(encoding="utf-8")
    explained = set(re.findall(r"^\| `([a-z0-9-]+)`", reference, flags=re.MULTILINE))
    catalogue = (ROOT / "otdravg" / "words" / "en.toml").read_text(encoding="utf-8")
    worded = set(re.findall(r"^\[finding\.([a-z0-9-]+)[].]", catalogue, flags=re.MULTILINE))
    assert worded
    assert worded == explained
