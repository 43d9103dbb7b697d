"""Bring the docs up to date: pictures, shown outputs, the map of the code, its constants, its keys.

Run from anywhere: ``python tests/refresh_docs.py``. Read the difference before keeping it.
"""

from __future__ import annotations

import ast
import sys
from pathlib import Path

import core_constants
import docs_examples
import job_table
import key_table
import make_pictures
import state_table

ROOT = Path(__file__).resolve().parents[1]
DEVELOPERS = ROOT / "DEVELOPERS.md"
#: The map stands between these two lines of DEVELOPERS.md.
MAP_BEGIN = "<!-- map: written by tests/refresh_docs.py from the first line of each module -->"
MAP_END = "<!-- end of map -->"


def modules() -> list[Path]:
    """Modules that hold code of their own, relative to the package, folder by folder."""
    package = ROOT / "otdravg"
    found = [path.relative_to(package) for path in package.rglob("*.py")]
    plain = [path for path in found if path.name not in ("__init__.py", "__main__.py")]
    return sorted(plain, key=lambda path: (path.parent.as_posix(), path.name))


def first_line(path: Path) -> str:
    """First line of a module's docstring."""
    text = ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or ""
    return text.partition("\n")[0].replace("``", "`")


def code_map() -> str:
    """One line per module, one table per folder."""
    lines: list[str] = []
    folder: Path | None = None
    for module in modules():
        if module.parent != folder:
            folder = module.parent
            package = ROOT / "otdravg" / folder
            lines += ["", f"### `{package.relative_to(ROOT).as_posix()}/`", ""]
            about = first_line(package / "__init__.py")
            if about:
                lines += [about, ""]
            lines += ["| module | what it does |", "|---|---|"]
        lines.append(f"| `{module.as_posix()}` | {first_line(ROOT / 'otdravg' / module)} |")
    return "\n".join(lines[1:]) + "\n"


def write_map() -> None:
    """Write the map into DEVELOPERS.md."""
    text = DEVELOPERS.read_text(encoding="utf-8")
    before, begin, rest = text.partition(MAP_BEGIN)
    _, end, after = rest.partition(MAP_END)
    if not (begin and end):
        raise SystemExit(f"{DEVELOPERS.name}: the lines that enclose the map are missing")
    DEVELOPERS.write_text(f"{before}{begin}\n\n{code_map()}\n{end}{after}", encoding="utf-8")


def main() -> None:
    """Refresh everything; status 1 if something is left for a person."""
    make_pictures.main()
    write_map()
    core_constants.write_table()
    key_table.write_table()
    state_table.write_table()
    job_table.write_table()
    left = [place for page in docs_examples.PAGES for place in docs_examples.refresh(page)]
    print("\n".join(left) or "the docs show what the program prints")
    sys.exit(1 if left else 0)


if __name__ == "__main__":
    main()
