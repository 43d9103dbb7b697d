"""Habits of this code and of its tests that a reader relies on, held by a look at the source."""

from __future__ import annotations

import ast
import dataclasses
import importlib
import pkgutil
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path

from loops import vacuous

import otdravg

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib

TESTS = Path(__file__).parent

#: Gathers points one by one and is handed to nobody.
GROWING = {"_Cluster"}


def dataclasses_of_the_package() -> Iterator[type]:
    for module in pkgutil.walk_packages(otdravg.__path__, "otdravg."):
        if module.name.endswith("__main__"):
            continue  # it would run the command
        for kind in vars(importlib.import_module(module.name)).values():
            if isinstance(kind, type) and kind.__module__ == module.name:
                yield kind


def test_facts_cannot_be_changed_and_take_no_further_attributes() -> None:
    facts = [
        kind for kind in dataclasses_of_the_package()
        if dataclasses.is_dataclass(kind) and kind.__name__ not in GROWING
    ]  # fmt: skip
    assert len(facts) > 100
    for kind in facts:
        assert kind.__dataclass_params__.frozen, kind  # type: ignore[attr-defined]
        assert "__slots__" in vars(kind), kind
        # Equality of arrays is an array: what holds one is compared by identity.
        holds_array = any("Array" in str(f.type) for f in dataclasses.fields(kind))
        assert not (holds_array and kind.__dataclass_params__.eq), kind  # type: ignore[attr-defined]


@cache
def sources() -> tuple[tuple[str, ast.Module], ...]:
    return tuple(
        (path.relative_to(TESTS).as_posix(), ast.parse(path.read_text("utf-8")))
        for path in sorted(TESTS.rglob("*.py"))
    )


def calls(tree: ast.Module) -> Iterator[tuple[str, ast.Call]]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            yield ast.unparse(node.func), node


def test_examples_are_drawn_as_conftest_says_and_nowhere_else() -> None:
    own = [
        f"{name}:{call.lineno}"
        for name, tree in sources()
        for function, call in calls(tree)
        if function.split(".")[-1] in ("settings", "register_profile", "load_profile")
        and name != "conftest.py"
        and any(k.arg in ("deadline", "derandomize", "database") for k in call.keywords)
    ]
    assert own == []


#: Generators that draw anew in every run unless they are given a seed.
NEEDS_A_SEED = ("default_rng", "Random", "RandomState", "SeedSequence")
#: What draws from one generator that all the process shares, or from the machine's own.
SHARED = ("random", "randint", "choice", "choices", "shuffle", "sample", "uniform", "gauss")


def test_chance_has_a_seed() -> None:
    unseeded = [
        f"{name}:{call.lineno} {function}"
        for name, tree in sources()
        for function, call in calls(tree)
        if (function.split(".")[-1] in NEEDS_A_SEED and not call.args and not call.keywords)
        or function in [f"random.{name}" for name in SHARED]
        or function in ("os.urandom", "uuid.uuid4")
        or function.startswith(("np.random.rand", "np.random.normal", "secrets."))
    ]
    assert unseeded == []


def test_nothing_is_asserted_of_what_may_be_no_items() -> None:
    # A loop over an empty list holds whatever is asserted in it.
    scripts = ("benchmarks/", "fuzz/", "mutation/")
    found = [
        f"{name}:{line}: {expression}"
        for name, tree in sources()
        if not name.startswith(scripts)
        for line, expression in vacuous(tree)
    ]
    assert found == []


def test_explained_mutants_are_of_lines_that_there_are() -> None:
    text = (TESTS / "mutation" / "survivors.toml").read_text("utf-8")
    explained = tomllib.loads(text)["survivor"]
    assert explained
    for entry in explained:
        source = (TESTS.parent / entry["module"]).read_text("utf-8")
        assert entry["line"] in " ".join(source.split()), entry
        assert entry["reason"]
        assert entry["line"] not in entry["mutants"]


def test_a_loop_over_what_may_be_empty_is_found() -> None:
    bare = "def test(rows):\n    for row in rows:\n        assert row\n"
    filled = bare.replace("for", "assert rows\n    for", 1)
    counted = bare.replace("assert row", "n += 1; assert row") + "    assert n > 3\n"
    under_all = "def test(rows):\n    assert all(r for r in rows)\n"
    written_out = "def test():\n    for row in (1, 2):\n        assert row\n"
    found = [
        [line for line, _ in vacuous(ast.parse(text))]
        for text in (bare, filled, counted, under_all, written_out)
    ]
    assert found == [[2], [], [], [2], []]
