"""The numbers of the core: where each stands, what it means, and where it comes from.

A constant in capitals, of a module or of a class in it, whose value is a number (or a tuple or
table of numbers) is explained by the ``#:`` comment above it, which neighbouring lines of
constants share, or by one at the end of its line. The comment ends with the constant's origin,
which begins with a mark::

    #: Speed of light in vacuum. Standard: SI, 9th edition 2019, exact.
    #: Share of the pulse that … Derived: section 4 of docs/method.md.
    #: … Paper: Clopper and Pearson 1934.
    #: … Benchmark: false_alarms, single shots by pulse.
    #: … Chosen, not derived.

After ``benchmark:`` stands the name of a benchmark. Of several constants that one line assigns
side by side (``A, B = 1, 2``) each counts, and of a class each that its body assigns.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
ROOMS = ("shot", "fit", "pair", "verdict")
PAGE = ROOT / "docs" / "method.md"
#: The table stands between these two lines of the page.
BEGIN = "<!-- constants: written by tests/refresh_docs.py from the comments beside them -->"
END = "<!-- end of constants -->"

CHOSEN = "chosen, not derived"
MARKS = ("standard:", "derived:", "paper:", "benchmark:", CHOSEN)
_ORIGIN = re.compile(rf"(?<!\w)(?:{'|'.join(map(re.escape, MARKS))}).*$", re.IGNORECASE)
_NAME = re.compile(r"_?[A-Z][A-Z0-9_]*")
#: What a value may be made of and still be a number.
_ARITHMETIC = (
    *(ast.Constant, ast.UnaryOp, ast.BinOp, ast.operator, ast.unaryop, ast.Tuple, ast.List),
    *(ast.Dict, ast.Call, ast.Attribute, ast.Name, ast.expr_context),
)
_CALLED = {"Decimal", "np", "math", "float", "int"}


@dataclass(frozen=True, slots=True)
class Constant:
    """One constant of the core."""

    path: Path  # of its module, relative to the project
    name: str
    line: int
    value: str  # as it stands in the source
    start: int  # of the value in the source, in characters
    stop: int
    comment: str  # without marks of a comment, on one line; empty if there is none

    @property
    def origin(self) -> str:
        """Where the number comes from; empty if the comment does not say so."""
        found = _ORIGIN.search(self.comment)
        if found is None:
            return ""
        mark, _, rest = found[0].partition(":")
        if mark.lower() in {m.rstrip(":") for m in MARKS} - {CHOSEN} and not rest.strip(" ."):
            return ""
        if mark.lower() == "benchmark" and rest.split()[0].strip(",.;") not in benchmarks():
            return ""
        return found[0]

    @property
    def meaning(self) -> str:
        """What the constant is: its comment without the origin."""
        return self.comment[: len(self.comment) - len(self.origin)].strip() or "–"


def benchmarks() -> set[str]:
    """Names of the benchmarks, by their scripts and by what they have stored."""
    folder = ROOT / "tests" / "benchmarks"
    alone = {path.parent.name for path in folder.glob("*/run.py")}
    return alone | {path.stem for path in (*folder.glob("*.py"), *folder.glob("results/*.json"))}


def constants(rooms: tuple[str, ...] = ROOMS, package: Path = ROOT / "otdravg") -> list[Constant]:
    """All constants of some rooms, in the order of the layers, files and lines."""
    return [
        constant
        for room in rooms
        for path in sorted((package / room).glob("*.py"))
        for constant in constants_in(path, package.parent)
    ]


def constants_in(path: Path, root: Path) -> Iterator[Constant]:
    """Constants of one module."""
    source = path.read_text(encoding="utf-8")
    lines = source.splitlines(keepends=True)
    starts = [0]
    for line in lines:
        starts.append(starts[-1] + len(line))

    def at(line: int, column: int) -> int:
        # ast counts columns in bytes of UTF-8.
        text = lines[line - 1].encode()[:column].decode()
        return starts[line - 1] + len(text)

    shared: tuple[int, str] = (0, "")  # last line of the constant before, and its comment
    for owner, node in _statements(ast.parse(source)):
        last = node.end_lineno
        named = [each for each in _assigned(node) if is_number(each[1])]
        if not named or last is None:
            continue
        beside = re.search(r"#:(.*)", lines[last - 1][node.end_col_offset :])
        comment = beside[1] if beside else _above(lines, node.lineno)
        if not comment and shared[0] == node.lineno - 1:
            comment = shared[1]
        shared = last, comment
        for name, value in named:
            assert value.end_lineno is not None
            assert value.end_col_offset is not None
            start = at(value.lineno, value.col_offset)
            stop = at(value.end_lineno, value.end_col_offset)
            yield Constant(
                path.relative_to(root),
                owner + name,
                node.lineno,
                " ".join(source[start:stop].split()),
                start,
                stop,
                " ".join(comment.split()),
            )


def _statements(module: ast.Module) -> Iterator[tuple[str, ast.stmt]]:
    """Statements of a module, and with its name in front those of each class that is a table."""
    for node in module.body:
        yield "", node
        if isinstance(node, ast.ClassDef):
            yield from ((f"{node.name}.", inner) for inner in node.body)


def _assigned(node: ast.stmt) -> list[tuple[str, ast.expr]]:
    """Names in capitals that a statement assigns to, one or several side by side, with values."""
    if isinstance(node, ast.Assign) and len(node.targets) == 1:
        target: ast.expr = node.targets[0]
    elif isinstance(node, ast.AnnAssign):
        target = node.target
    else:
        return []
    value = node.value
    if isinstance(target, ast.Tuple) and isinstance(value, ast.Tuple):
        pairs = list(zip(target.elts, value.elts, strict=True))
    else:
        pairs = [] if value is None else [(target, value)]
    return [
        (name.id, each)
        for name, each in pairs
        if isinstance(name, ast.Name) and _NAME.fullmatch(name.id)
    ]


def is_number(value: ast.expr) -> bool:
    """Whether an expression is a number, or a tuple or table of numbers."""
    numbers = 0
    for node in ast.walk(value):
        if not isinstance(node, _ARITHMETIC):
            return False
        if isinstance(node, ast.Name) and node.id not in _CALLED:
            return False
        if isinstance(node, ast.Constant):
            if isinstance(node.value, str) and not re.fullmatch(r"-?[\d.]+(E-?\d+)?", node.value):
                return False
            numbers += not isinstance(node.value, bool) and node.value is not None
    return numbers > 0


def _above(lines: list[str], line: int) -> str:
    """Text of the ``#:`` comment that ends on the line before."""
    found: list[str] = []
    at = line - 2
    while at >= 0 and lines[at].lstrip().startswith("#"):
        found.insert(0, lines[at].lstrip())
        at -= 1
    first = next((k for k, text in enumerate(found) if text.startswith("#:")), None)
    return "" if first is None else " ".join(text.lstrip("#:") for text in found[first:])


def table() -> str:
    """The page's section: how many have no origin, and all of them."""
    every = constants()
    without = sum(not constant.origin for constant in every)
    rows = []
    for each in every:
        module = each.path.relative_to("otdravg").with_suffix("").as_posix()
        texts = (each.value, each.meaning, each.origin or "**none given**")
        value, meaning, origin = (text.replace("|", "\\|") for text in texts)
        rows.append(f"| `{module}` | `{each.name}` | `{value}` | {meaning} | {origin} |")
    return "\n".join(
        [
            f"{len(every)} constants, {without} without an origin.",
            "",
            "| module | constant | value | what it is | origin |",
            "|---|---|---|---|---|",
            *rows,
        ]
    )


def stored_count(page: str) -> int:
    """How many constants without an origin the page admits to."""
    found = re.search(r"(\d+) without an origin\.", page)
    if found is None:
        raise SystemExit(f"{PAGE.name} does not say how many constants have no origin")
    return int(found[1])


def write_table() -> None:
    """Write the table into the page; the number without an origin may only fall."""
    page = PAGE.read_text(encoding="utf-8")
    before, begin, rest = page.partition(BEGIN)
    _, end, after = rest.partition(END)
    if not (begin and end):
        raise SystemExit(f"{PAGE.name}: the lines that enclose the constants are missing")
    new = table()
    if stored_count(new) > stored_count(page):
        raise SystemExit("more constants without an origin than before: give the new ones theirs")
    PAGE.write_text(f"{before}{begin}\n\n{new}\n\n{end}{after}", encoding="utf-8")
