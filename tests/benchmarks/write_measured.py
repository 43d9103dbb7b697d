"""Make ``docs/measured.md`` from what the benchmarks have stored, and from nothing else.

    python tests/benchmarks/write_measured.py

Every ``results/NAME.json`` becomes a section. What misses its goal comes first: in a table of its
own over all benchmarks, among the sections, and among the figures of each. What else a file holds
is shown as it is: lists of rows as tables, lists of texts as lists.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

RESULTS = Path(__file__).with_name("results")
PAGE = Path(__file__).resolve().parents[2] / "docs" / "measured.md"

_HEAD = """\
# Measured figures

Written by `tests/benchmarks/write_measured.py` from `tests/benchmarks/results/`, where each
benchmark stores what it measured; [how to run them](../tests/benchmarks/README.md). Do not edit
this page. All shots are simulated, so the truth is known; a simulator is not a field, and these
figures say how good the computation is, not how good an instrument is.

Intervals are exact 95 % confidence intervals (of shares: Clopper and Pearson 1934; of numbers a
pair: Garwood 1936), unless a figure says that they are least and largest. 1 mdB is 0.001 dB. Times
are those of one machine on one day: compare ratios. A load above the number of cores says that it
was busy with other work, and times are longer than they need be.
"""

#: What every stored file may hold and the section shows in its own way.
_KNOWN = ("name", "what", "date", "machine", "figures")


def cell(value: object) -> str:
    """One value as text for a table: numbers to four digits, nothing as a dash."""
    if value is None:
        return "–"
    if isinstance(value, bool):
        return "yes" if value else "**no**"
    if isinstance(value, int):
        return f"{value:,}"
    if isinstance(value, float):
        plain = f"{value:.4g}"
        return plain if "e" not in plain else f"{value:,.0f}" if abs(value) >= 1e4 else plain
    if isinstance(value, Mapping):
        return ", ".join(f"{key} {cell(each)}" for key, each in value.items())
    if isinstance(value, Sequence) and not isinstance(value, str):
        return " to ".join(map(cell, value)) if len(value) == 2 else ", ".join(map(cell, value))
    return " ".join(str(value).split()).replace("|", "\\|")


def table(columns: Sequence[str], rows: Sequence[Sequence[object]]) -> Iterator[str]:
    """Lines of a table."""
    yield f"| {' | '.join(columns)} |"
    yield f"|{'---|' * len(columns)}"
    for row in rows:
        yield f"| {' | '.join(map(cell, row))} |"


def figure_row(figure: Mapping[str, Any]) -> list[object]:
    """A figure as cells: what, measured, interval, goal, holds, note."""
    measured = f"{cell(figure.get('value'))} {figure.get('unit', '')}".rstrip()
    interval = cell(figure["interval"]) if figure.get("interval") else ""
    return [
        figure.get("what", ""),
        measured,
        interval,
        figure.get("goal", ""),
        figure.get("holds", ""),
        figure.get("note", ""),
    ]


def worst_first(figures: Sequence[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """What misses its goal, then what has one, then the rest; each by how near it is to missing."""

    def order(figure: Mapping[str, Any]) -> tuple[int, float]:
        rank = {False: 0, True: 1}.get(figure.get("holds"), 2)  # type: ignore[arg-type]
        return rank, -float(figure.get("badness") or 0.0)

    return sorted(figures, key=order)


_COLUMNS = ("figure", "measured", "interval", "goal", "holds", "")


def anything(title: str, value: object) -> Iterator[str]:
    """What else a file holds."""
    name = title.replace("_", " ")
    if isinstance(value, Mapping):
        for key, inner in value.items():
            yield from anything(f"{name}: {key}", inner)
    elif isinstance(value, list) and value and all(isinstance(row, Mapping) for row in value):
        columns = list(dict.fromkeys(key for row in value for key in row))
        yield from ("", f"**{name}**", "")
        titles = [column.replace("_", " ") for column in columns]
        yield from table(titles, [[row.get(column) for column in columns] for row in value])
    elif isinstance(value, list):
        yield from ("", f"**{name}**" + ("" if value else ": none"), "")
        yield from (f"- {cell(each)}" for each in value)
    else:
        yield from ("", f"{name}: {cell(value)}")


def section(stored: Mapping[str, Any]) -> Iterator[str]:
    """The section of one benchmark."""
    yield from ("", f"## {stored['name'].replace('_', ' ')}", "")
    yield stored.get("what", "")
    when = [str(stored[key]) for key in ("date", "machine") if stored.get(key)]
    yield from ("", f"*{'; '.join(when)}.*", "")
    figures = worst_first(stored.get("figures", []))
    if figures:
        yield from table(_COLUMNS, [figure_row(figure) for figure in figures])
    for key, value in stored.items():
        if key not in _KNOWN:
            yield from anything(key, value)


def page(stored: Sequence[Mapping[str, Any]]) -> str:
    """The whole page."""
    lines = [_HEAD, "## What misses its goal", ""]
    missed = [
        [each["name"].replace("_", " "), *figure_row(figure)[:4], figure.get("note", "")]
        for each in stored
        for figure in worst_first(each.get("figures", []))
        if figure.get("holds") is False
    ]
    if missed:
        lines += table(("benchmark", "figure", "measured", "interval", "goal", ""), missed)
    else:
        lines.append("Nothing.")

    def misses(each: Mapping[str, Any]) -> tuple[int, str]:
        return -sum(f.get("holds") is False for f in each.get("figures", [])), each["name"]

    for each in sorted(stored, key=misses):
        lines += section(each)
    return "\n".join(lines) + "\n"


def read(folder: Path = RESULTS) -> list[dict[str, Any]]:
    """Everything that is stored; a file that is only a list counts as its rows."""
    found = []
    for path in sorted(folder.glob("*.json")):
        content = json.loads(path.read_text(encoding="utf-8"))
        content = content if isinstance(content, dict) else {"rows": content}
        found.append({"name": path.stem, **content})
    return found


def main() -> None:
    """Write the page."""
    PAGE.write_text(page(read()), encoding="utf-8")


if __name__ == "__main__":
    main()
