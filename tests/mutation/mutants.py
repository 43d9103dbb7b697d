"""Small faults for a module: cosmic-ray's mutations, one at a time, as source text.

What cosmic-ray would change to no purpose is left out: annotations, which nobody evaluates, and
operators that only crash on floats (shifts, bits). Statements are deleted by an operator of our
own (Deng, Offutt and Li, "Empirical evaluation of the statement deletion mutation operator",
ICST 2013: few mutants, and those that other operators do not stand for).
"""

from __future__ import annotations

import ast
import difflib
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import parso
from cosmic_ray import plugins
from cosmic_ray.ast import ast_nodes, get_ast
from cosmic_ray.mutating import mutate_code
from cosmic_ray.operators.operator import Example, Operator

__all__ = ["Mutant", "mutants_of"]

#: Arithmetic by each other, comparisons by each other, and the rest of the classic set.
_USED = re.compile(
    r"core/(ReplaceBinaryOperator_((Add|Sub|Mul|Div)_(Add|Sub|Mul|Div)|Pow_Mul|FloorDiv_Mul|Mod_Mul"
    r"|BitOr_BitAnd|BitAnd_BitOr)"
    r"|ReplaceComparisonOperator_((Eq|NotEq|Lt|LtE|Gt|GtE)_(Eq|NotEq|Lt|LtE|Gt|GtE)|Is_IsNot"
    r"|IsNot_Is)"
    r"|ReplaceUnaryOperator_Delete_\w+|AddNot|ReplaceTrueWithFalse|ReplaceFalseWithTrue"
    r"|ReplaceAndWithOr|ReplaceOrWithAnd|ReplaceBreakWithContinue|ReplaceContinueWithBreak"
    r"|NumberReplacer|RemoveDecorator|ZeroIterationForLoop)"
)


class DeleteStatement(Operator):  # type: ignore[misc]  # cosmic-ray has no type hints
    """Put ``pass`` in place of a statement whose lack does not just leave a name undefined."""

    def mutation_positions(self, node: parso.tree.NodeOrLeaf) -> Iterator[tuple[object, object]]:
        """Give the statement if it is a call, a raise, or changes what has a value already."""
        if node.type == "simple_stmt" and _changes_something(ast.parse(_dedented(node))):
            yield (node.start_pos, node.end_pos)

    def mutate(self, node: parso.tree.NodeOrLeaf, index: int) -> parso.tree.NodeOrLeaf:
        """Delete it."""
        node.children[0] = parso.parse(node.get_first_leaf().prefix + "pass")
        return node

    @classmethod
    def examples(cls) -> Sequence[Example]:
        """Give an example, as cosmic-ray wants it."""
        return (Example("x += 1\n", "pass\n"),)


def _dedented(node: parso.tree.NodeOrLeaf) -> str:
    return str(node.get_code(include_prefix=False))


def _changes_something(tree: ast.Module) -> bool:
    statement = tree.body[0]
    if isinstance(statement, ast.Assign):
        reads = {n.id for n in ast.walk(statement.value) if isinstance(n, ast.Name)}
        written = [t for target in statement.targets for t in _parts(target)]
        return all(not isinstance(t, ast.Name) or t.id in reads for t in written)
    is_call = isinstance(statement, ast.Expr) and isinstance(statement.value, ast.Call)
    return is_call or isinstance(statement, ast.AugAssign | ast.Raise)


def _parts(target: ast.expr) -> list[ast.expr]:
    return list(target.elts) if isinstance(target, ast.Tuple) else [target]


@dataclass(frozen=True, slots=True)
class Mutant:
    """One small fault in one module."""

    module: str  # path from the root of the project
    operator: str
    occurrence: int
    line: int

    def code(self, root: Path) -> str:
        """Return the whole module with the fault in it."""
        source = (root / self.module).read_text("utf-8")
        return str(mutate_code(source, _operators()[self.operator], self.occurrence))

    def difference(self, root: Path) -> tuple[str, str]:
        """Return the lines that the fault changes, before and after, with single spaces."""
        before = (root / self.module).read_text("utf-8").splitlines()
        after = self.code(root).splitlines()
        removed, added = [], []
        for line in difflib.unified_diff(before, after, n=0, lineterm=""):
            if line[:1] == "-" and line[:3] != "---":
                removed.append(line[1:])
            elif line[:1] == "+" and line[:3] != "+++":
                added.append(line[1:])
        return " ".join(" ".join(removed).split()), " ".join(" ".join(added).split())


def _operators() -> dict[str, Operator]:
    used = {name: plugins.get_operator(name)() for name in plugins.operator_names()
            if _USED.fullmatch(name)}  # fmt: skip
    return used | {"own/DeleteStatement": DeleteStatement()}


def mutants_of(root: Path, module: str, only: Sequence[str] = ()) -> list[Mutant]:
    """Return all mutants of a module, or those in the definitions named in ``only``."""
    source = (root / module).read_text("utf-8")
    tree = ast.parse(source)
    wanted = _wanted(tree, only)
    ignored = _annotations(tree)
    nodes = list(ast_nodes(get_ast(source)))
    # The bare * of a signature is an operator to cosmic-ray.
    ignored += [(n.start_pos, n.end_pos) for n in nodes
                if n.type == "operator" and n.parent.type in ("parameters", "lambdef")]  # fmt: skip
    found = []
    for name, operator in _operators().items():
        places = [start for node in nodes for start, _ in operator.mutation_positions(node)]
        found += [
            Mutant(module, name, occurrence, start[0])
            for occurrence, start in enumerate(places)
            if start[0] in wanted and not any(a <= start < b for a, b in ignored)
        ]
    return found


def _wanted(tree: ast.Module, only: Sequence[str]) -> set[int]:
    """Lines of the named top-level definitions and constants; all lines where none is named."""
    lines: set[int] = set()
    missing = set(only)
    for statement in tree.body:
        names = {
            n.id for n in ast.walk(statement)
            if isinstance(n, ast.Name) and isinstance(n.ctx, ast.Store)
        } if isinstance(statement, ast.Assign) else {getattr(statement, "name", "")}  # fmt: skip
        if not only or names & set(only):
            first = min(
                [statement.lineno, *(d.lineno for d in getattr(statement, "decorator_list", []))]
            )
            lines |= set(range(first, (statement.end_lineno or first) + 1))
            missing -= names
    if missing:
        raise SystemExit(f"no such definitions: {', '.join(sorted(missing))}")
    return lines


def _annotations(tree: ast.Module) -> list[tuple[tuple[int, int], tuple[int, int]]]:
    found = []
    for node in ast.walk(tree):
        for field in ("annotation", "returns"):
            note = getattr(node, field, None)
            if isinstance(note, ast.expr):
                end = (note.end_lineno or note.lineno, note.end_col_offset or 0)
                found.append(((note.lineno, note.col_offset), end))
    return found
