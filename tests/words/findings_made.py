"""Every finding that the code of the package can make, read from the source: code, case, values."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
MAKERS = ("note", "caution", "defect")


@dataclass(frozen=True)
class Made:
    """One call that makes a finding; names that are handed on stand for all they can be."""

    place: str
    codes: frozenset[str]
    cases: frozenset[str]
    values: frozenset[str]


def all_made() -> list[Made]:
    """Return the findings of every module that imports the makers from ``otdravg.findings``."""
    return [
        made
        for path in sorted((ROOT / "otdravg").rglob("*.py"))
        if "from otdravg.findings import" in (source := path.read_text(encoding="utf-8"))
        for made in _made_in(ast.parse(source), path.relative_to(ROOT).as_posix())
    ]


def all_said() -> list[Made]:
    """Return the statements of every module that imports ``says``; they have no cases.

    What a closeout's JSON holds is read back there, not said anew.
    """
    return [
        Made(f"{path.name}:{call.lineno}", frozenset(codes), frozenset({""}), frozenset(named))
        for path in sorted((ROOT / "otdravg").rglob("*.py"))
        if "from otdravg.findings import" in (source := path.read_text(encoding="utf-8"))
        for call, codes, named in _said_in(ast.parse(source))
        if path.name != "json_file.py" or call.func.id == "says"  # type: ignore[attr-defined]
    ]


def _said_in(tree: ast.Module) -> Iterator[tuple[ast.Call, set[str], set[str]]]:
    functions = [n for n in ast.walk(tree) if isinstance(n, ast.FunctionDef)]
    for call in (n for n in ast.walk(tree) if isinstance(n, ast.Call)):
        if isinstance(call.func, ast.Name) and call.func.id in ("says", "Statement"):
            around = [f for f in functions if f.lineno <= call.lineno <= (f.end_lineno or 0)]
            # A Statement's are put together before: by its function, and by those that it calls.
            within = {c.func.id for f in around for c in _plain_calls(f)}
            makers = [*around, *(f for f in functions if f.name in within)]
            parts = makers if call.func.id == "Statement" else [call]
            calls = [c for part in parts for c in ast.walk(part) if isinstance(c, ast.Call)]
            named = {k.arg for c in calls for k in c.keywords if k.arg is not None}
            yield call, _texts(call.args[0], [*around, *_tables_of(tree, around)]), named


def _plain_calls(node: ast.AST) -> Iterator[ast.Call]:
    for call in ast.walk(node):
        if isinstance(call, ast.Call) and isinstance(call.func, ast.Name):
            yield call


def _made_in(tree: ast.Module, path: str) -> Iterator[Made]:
    functions = [n for n in ast.walk(tree) if isinstance(n, ast.FunctionDef)]
    for call in _plain_calls(tree):
        if call.func.id not in (*MAKERS, "grave"):  # type: ignore[attr-defined]
            continue
        around = [f for f in functions if f.lineno <= call.lineno <= (f.end_lineno or 0)]
        scope = [*around, *(c for f in around for c in _calls_of(tree, f.name))]
        scope += _tables_of(tree, around)
        code = _texts(call.args[0], scope)
        case = _texts(call.args[2], scope) if len(call.args) > 2 else {""}
        # Values that are not spelled out (**values) would be None here, which no message asks for.
        named = frozenset(str(k.arg) for k in call.keywords)
        yield Made(f"{path}:{call.lineno}", frozenset(code), frozenset(case), named)


def _tables_of(tree: ast.Module, functions: list[ast.FunctionDef]) -> list[ast.stmt]:
    """Constants of the module that some functions use."""
    used = {n.id for f in functions for n in ast.walk(f) if isinstance(n, ast.Name)}
    return [
        node
        for node in tree.body
        if isinstance(node, ast.Assign | ast.AnnAssign)
        for target in (node.targets if isinstance(node, ast.Assign) else [node.target])
        if isinstance(target, ast.Name) and target.id in used
    ]


def _texts(node: ast.expr, scope: list[ast.AST]) -> set[str]:
    """What an argument can be: itself, or any text of the function and of the calls to it."""
    parts = scope if any(isinstance(n, ast.Name) for n in ast.walk(node)) else [node]
    found = (n for part in parts for n in ast.walk(part) if isinstance(n, ast.Constant))
    return {n.value for n in found if isinstance(n.value, str)}


def _calls_of(tree: ast.Module, name: str) -> Iterator[ast.Call]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == name:
            yield node
