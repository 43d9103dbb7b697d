"""The tables of docs/job.md, made from the one table of a job's keys in the code."""

from __future__ import annotations

from pathlib import Path

from otdravg.job.keys import KEYS, JobKey
from otdravg.job.lists import LISTS, JobList

VAN = Path(__file__).parents[1] / "docs" / "van.md"
PAGE = Path(__file__).parents[1] / "docs" / "job.md"
BEGIN = "<!-- keys: written by tests/refresh_docs.py from otdravg/job/keys.py -->"
END = "<!-- end of keys -->"
LISTS_BEGIN = "<!-- lists: written by tests/refresh_docs.py from otdravg/job/lists.py -->"
LISTS_END = "<!-- end of lists -->"

_WRITTEN = {
    "colours": '`"TIA-598"` or list of texts',
    "day": "date, `2026-04-03`",
    "length": "metres, or a text such as `1.2km`",
    "mark": "mark as it is printed, `3310`, `3310 m` or `10860 ft`",
    "moment": "date and time, `2026-04-03 14:05`",
    "text": "text",
    "texts": "list of texts",
    "wavelengths": "list of nm",
    "yes_no": "`yes` or `no`",
}
#: Kinds with a range, by what stands in front of it.
_RANGED = {"whole": "whole", "figure": "number", "numbers": "numbers such as `1-12, 14`"}


def written_as(kind: str, allowed: tuple[object, ...]) -> str:
    """How a value is written, with its range."""
    if kind in _RANGED:
        return "{}, {} to {}".format(_RANGED[kind], *allowed)
    if kind == "one_of":
        (members,) = allowed
        assert isinstance(members, tuple)
        names = [f"`{member}`" for member in members]
        return f"one of {', '.join(names)}" if len(names) < 8 else f"{names[0]} to {names[-1]}"
    return _WRITTEN[kind]


def _option(key: JobKey) -> str:
    return f"`cable {key.option}`" if key.option else ""


def table() -> str:
    """Keys, then lists."""
    lines = ["| key | written as | what it is | applied by | same as |", "|---|---|---|---|---|"]
    for key in KEYS:
        needed = "**needed**: " if key.is_required else ""
        by = key.applied_by.removeprefix("otdravg.").replace(":", ".")
        lines.append(
            f"| `{key.path}` | {written_as(key.kind, key.allowed)} | {needed}{key.sentence()} | "
            f"`{by}` | {_option(key)} |"
        )
    lines += ["", "| list | file beside the job | what it is | applied by |", "|---|---|---|---|"]
    for own in LISTS:
        by = own.applied_by.removeprefix("otdravg.").replace(":", ".")
        lines.append(f"| `{own.name}` | `{own.file}` | {own.sentence()} | `{by}` |")
    return "\n".join(lines) + "\n"


def _columns_of(own: JobList) -> str:
    lines = [f"### {own.file}", "", f"{own.sentence()}.", ""]
    lines += ["| column | written as | what it is | as in |", "|---|---|---|---|"]
    for column, cell in zip(own.columns, own.example, strict=True):
        needed = "**needed**: " if column.is_required else ""
        written = written_as(column.kind, column.allowed)
        example = f"`{cell}`" if cell else ""
        what = f"{needed}{own.column_sentence(column)}"
        lines.append(f"| `{column.name}` | {written} | {what} | {example} |")
    return "\n".join(lines)


def lists_table() -> str:
    """The columns of every list, a table each."""
    return "\n\n".join(map(_columns_of, LISTS)) + "\n"


def page_with_table(text: str, begin: str = BEGIN, end: str = END) -> str:
    """A page with the tables as they are now."""
    before, _, rest = text.partition(begin)
    _, _, after = rest.partition(end)
    made = table() if begin == BEGIN else lists_table()
    return f"{before}{begin}\n\n{made}\n{end}{after}"


def write_table() -> None:
    """Write the tables into the pages."""
    for page, marks in ((PAGE, (BEGIN, END)), (VAN, (LISTS_BEGIN, LISTS_END))):
        page.write_text(page_with_table(page.read_text("utf-8"), *marks), encoding="utf-8")
