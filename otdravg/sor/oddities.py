"""What keeps the findings of a strange file readable: few of a kind, names that can be printed."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

from otdravg.findings import Finding, Scope, values

#: How many findings of one code are listed before the rest is only counted.
LISTED = 8

#: Longest block name that is shown in full; those of the standard have 5 to 9 letters.
_LONGEST_NAME = 40


def capped(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Keep the first few findings of each code and count the others in one line."""
    seen: Counter[str] = Counter()
    kept: list[Finding] = []
    last: dict[str, Finding] = {}
    for finding in findings:
        seen[finding.code] += 1
        last[finding.code] = finding
        if seen[finding.code] <= LISTED:
            kept.append(finding)
    kept += [
        Finding(code, last[code].severity, Scope.FILE, values(more=count - LISTED), "more")
        for code, count in seen.items()
        if count > LISTED
    ]
    return tuple(kept)


def shown(name: str) -> str:
    """Return a block's name as it can be printed: cut short, control characters made visible."""
    if not name:
        return "(no name)"
    if len(name) > _LONGEST_NAME:
        name = f"{name[:_LONGEST_NAME]}…"
    return name if name.isprintable() else ascii(name)
