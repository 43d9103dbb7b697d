"""The tables of docs/job.md, made from the one table of a job's keys in the code."""

from __future__ import annotations

from pathlib import Path

from otdravg.job.keys import KEYS, LISTS, REFUSED, JobKey

PAGE = Path(__file__).parents[1] / "docs" / "job.md"
BEGIN = "<!-- keys: written by tests/refresh_docs.py from otdravg/job/keys.py -->"
END = "<!-- end of keys -->"

_WRITTEN = {
    "colours": '`"TIA-598"` or list of texts',
    "length": 'metres, or a text such as `"1.2km"`',
    "text": "text",
    "texts": "list of texts",
    "wavelengths": "list of nm",
}


def written_as(kind: str, allowed: tuple[object, ...]) -> str:
    """How a value is written, with its range."""
    if kind == "whole":
        return "whole, {} to {}".format(*allowed)
    if kind == "one_of":
        (members,) = allowed
        assert isinstance(members, tuple)
        names = [f"`{member}`" for member in members]
        return f"one of {', '.join(names)}" if len(names) < 8 else f"{names[0]} to {names[-1]}"
    return _WRITTEN[kind]


def _option(key: JobKey) -> str:
    return f"`cable {key.option}`" if key.option else ""


def table() -> str:
    """Keys, then lists with their columns, then what is refused."""
    lines = ["| key | written as | what it is | applied by | same as |", "|---|---|---|---|---|"]
    for key in KEYS:
        needed = "**needed**: " if key.is_required else ""
        by = key.applied_by.removeprefix("otdravg.").replace(":", ".")
        lines.append(
            f"| `{key.path}` | {written_as(key.kind, key.allowed)} | {needed}{key.sentence} | "
            f"`{by}` | {_option(key)} |"
        )
    lines += ["", "| list | columns | what it is | applied by |", "|---|---|---|---|"]
    for own in LISTS:
        columns = "; ".join(f"`{c.name}`: {written_as(c.kind, c.allowed)}" for c in own.columns)
        by = own.applied_by.removeprefix("otdravg.").replace(":", ".")
        lines.append(f"| `{own.name}` | {columns} | {own.sentence} | `{by}` |")
    lines += ["", "| refused | why |", "|---|---|"]
    lines += [f"| `{name}` | {why} |" for name, why in REFUSED.items()]
    return "\n".join(lines) + "\n"


def page_with_table(text: str) -> str:
    """The page with the tables as they are now."""
    before, _, rest = text.partition(BEGIN)
    _, _, after = rest.partition(END)
    return f"{before}{BEGIN}\n\n{table()}\n{END}{after}"


def write_table() -> None:
    """Write the tables into the page."""
    PAGE.write_text(page_with_table(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
