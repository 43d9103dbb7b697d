"""Find assertions that may be made of nothing: in loops, or under ``all``, over no items."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator

__all__ = ["vacuous"]

#: Calls that give as many items as their first argument.
_KEEP = ("enumerate", "reversed", "sorted", "list", "tuple", "set", "dict", "iter", "pairwise",
         "filter", "islice", "product", "chain")  # fmt: skip
#: Functions that claim something; elsewhere an assertion only narrows a type.
_CLAIMS = ("test", "check", "assert")
_VIEWS = ("items", "keys", "values", "tolist", "ravel", "splitlines")


def vacuous(tree: ast.Module) -> Iterator[tuple[int, str]]:
    """Yield line and expression of everything that is asserted item by item and may be empty.

    It may not be empty if it is written out, if it is a constant or enumeration, or if an
    assertion of the same function that is not in the loop speaks of it: ``assert rows`` will do. Or
    the loop counts or collects something of which an assertion behind it speaks.
    """
    for function in ast.walk(tree):
        if isinstance(function, ast.FunctionDef) and function.name.startswith(_CLAIMS):
            yield from _in_function(function)


def _in_function(function: ast.FunctionDef) -> Iterator[tuple[int, str]]:
    own = list(_own_nodes(function))
    written_out = {
        target.id
        for node in own
        if isinstance(node, ast.Assign) and _is_filled(node.value, set())
        for target in node.targets
        if isinstance(target, ast.Name)
    }
    told = [
        (a.lineno, text)
        for a in own
        if isinstance(a, ast.Assert)
        and not (text := ast.unparse(a.test)).startswith(("all(", "not "))
    ]
    loops = [found for node in own for found in _iterations(node)]
    for loop, iterated in sorted(loops, key=lambda found: found[0].lineno):
        if _is_filled(iterated, written_out):
            continue
        first, last = loop.lineno, loop.end_lineno or loop.lineno
        outside = [text for line, text in told if not first <= line <= last]
        behind = [text for line, text in told if line > last]
        names = [ast.unparse(base) for base in _bases(iterated)]
        if not (_any_mentions(outside, names) or _any_mentions(behind, _kept(loop))):
            yield first, ast.unparse(iterated)


def _own_nodes(function: ast.FunctionDef) -> Iterator[ast.AST]:
    """All nodes of a function but those of functions within it."""
    waiting: list[ast.AST] = list(ast.iter_child_nodes(function))
    while waiting:
        node = waiting.pop()
        yield node
        if not isinstance(node, ast.FunctionDef | ast.Lambda):
            waiting += ast.iter_child_nodes(node)


def _iterations(node: ast.AST) -> Iterator[tuple[ast.stmt, ast.expr]]:
    """Loops with an assertion in them, and ``all(… for … in …)`` within an assertion."""
    if isinstance(node, ast.For) and any(isinstance(n, ast.Assert) for n in ast.walk(node)):
        yield node, node.iter
    if isinstance(node, ast.Assert):
        for call in ast.walk(node.test):
            if (
                isinstance(call, ast.Call)
                and isinstance(call.func, ast.Name)
                and call.func.id == "all"
                and isinstance(call.args[0], ast.GeneratorExp | ast.ListComp)
            ):
                yield node, call.args[0].generators[0].iter


def _is_filled(node: ast.expr, names: set[str]) -> bool:
    """Whether an expression is seen to have items."""
    if isinstance(node, ast.Tuple | ast.List | ast.Set):
        return bool(node.elts)
    if isinstance(node, ast.Dict):
        return bool(node.keys)
    if isinstance(node, ast.Constant):
        return bool(node.value)
    if isinstance(node, ast.Name):
        return node.id[0].isupper() or node.id in names  # a constant, or an enumeration
    if isinstance(node, ast.Attribute):
        return node.attr[0].isupper() or _is_filled(node.value, set())
    if isinstance(node, ast.Subscript):
        return _is_filled(node.value, set())
    if isinstance(node, ast.BinOp):
        return _is_filled(node.left, names) and not isinstance(node.op, ast.Sub)
    if isinstance(node, ast.ListComp) and not any(g.ifs for g in node.generators):
        return all(_is_filled(g.iter, names) for g in node.generators)
    if not isinstance(node, ast.Call):
        return False
    name = ast.unparse(node.func).split(".")[-1]
    if name == "range":
        return all(_is_filled(a, set()) or isinstance(a, ast.Constant) for a in node.args)
    if name == "zip":
        return any(_is_filled(a, names) for a in node.args)
    if name in _KEEP:
        return bool(node.args) and _is_filled(node.args[-1 if name == "filter" else 0], names)
    is_view = isinstance(node.func, ast.Attribute) and name in _VIEWS
    return is_view and _is_filled(node.func.value, names)  # type: ignore[attr-defined]


def _bases(node: ast.expr) -> list[ast.expr]:
    """What has to have items for an expression to have some."""
    if isinstance(node, ast.Call):
        name = ast.unparse(node.func).split(".")[-1]
        if name == "zip" or name in _KEEP:
            return [base for a in node.args for base in _bases(a)]
        if isinstance(node.func, ast.Attribute) and name in _VIEWS:
            return _bases(node.func.value)
        if name == "range":
            return [node, *node.args]
    return [node]


def _kept(loop: ast.stmt) -> list[str]:
    """Names that a loop counts up or collects in."""
    names = []
    for node in ast.walk(loop):
        if isinstance(node, ast.AugAssign):
            names.append(ast.unparse(node.target))
        elif (
            isinstance(node, ast.Call)
            and isinstance(node.func, ast.Attribute)
            and node.func.attr in ("append", "add", "extend", "update")
        ):
            names.append(ast.unparse(node.func.value))
    return names


def _any_mentions(texts: list[str], names: list[str]) -> bool:
    """Whether one of some expressions speaks of one of some names, as a whole word."""
    words = "|".join(map(re.escape, names))
    return any(re.search(rf"(?<!\w)({words})(?!\w)", text) for text in texts) if names else False
