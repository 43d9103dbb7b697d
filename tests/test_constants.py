"""Every number in the core has its origin beside it."""

from __future__ import annotations

from importlib import import_module
from operator import attrgetter
from pathlib import Path

import pytest
from core_constants import PAGE, constants, stored_count, table

MODULE = """\
import numpy as np

#: Speed of light. Standard: SI 2019, exact.
SPEED = 299_792_458.0
#: Share of a pulse, wrapped
#: over lines. Chosen, not derived.
SHARE = 0.5
AND_ITS_NEIGHBOUR = 2

ALONE = 7
µ = "µ"; TWO = (1, -2.5)  #: Both ends. Derived: from é.
#: Not a number. Derived: of words.
WORDS = ("a", "b")
# Plain comment. Derived: not with a colon.
PLAIN = 5.0 / np.log(10)
#: Says nothing. Paper:
EMPTY: float = 1e-3
#: Unknown. Benchmark: no_such_thing.
UNKNOWN = Decimal("0.05")
#: Known. Benchmark: accuracy, wide corpus.
KNOWN = {1310: (0.2, 0.5)}
#: Side by side. Chosen, not derived: a pair.
NEAR, FAR = 1.5, -0.6
class Points:
    "A table."

    #: Points. Chosen, not derived.
    FOR = 2.0  # alone
    AGAINST = 1.0
    lower = 0.5
lower = 3
"""


def test_the_comment_beside_a_number_is_read_with_its_origin(tmp_path: Path) -> None:
    room = tmp_path / "otdravg" / "shot"
    room.mkdir(parents=True)
    (room / "module.py").write_text(MODULE, encoding="utf-8")
    found = {c.name: c for c in constants(("shot",), tmp_path / "otdravg")}
    assert {name: c.origin for name, c in found.items()} == {
        "SPEED": "Standard: SI 2019, exact.",
        "SHARE": "Chosen, not derived.",
        "AND_ITS_NEIGHBOUR": "Chosen, not derived.",
        "ALONE": "",
        "TWO": "Derived: from é.",
        "PLAIN": "",
        "EMPTY": "",
        "UNKNOWN": "",
        "KNOWN": "Benchmark: accuracy, wide corpus.",
        "NEAR": "Chosen, not derived: a pair.",
        "FAR": "Chosen, not derived: a pair.",
        "Points.FOR": "Chosen, not derived.",
        "Points.AGAINST": "Chosen, not derived.",
    }
    assert found["SHARE"].meaning == "Share of a pulse, wrapped over lines."
    assert found["FAR"].value == "-0.6"
    for constant in found.values():
        assert MODULE[constant.start : constant.stop] == constant.value


def test_no_number_without_an_origin_is_added() -> None:
    without = [f"{c.path}:{c.line} {c.name}" for c in constants() if not c.origin]
    admitted = stored_count(PAGE.read_text(encoding="utf-8"))
    if len(without) > admitted:
        listed = "\n".join(without)
        pytest.fail(f"{len(without)} constants without an origin, {admitted} admitted:\n{listed}")


def test_the_numbers_on_the_page_are_those_in_force() -> None:
    # The page is made of the source; a module could give a name another value further down.
    every = constants()
    assert len(every) > 300
    for each in every:
        module = import_module(".".join(each.path.with_suffix("").parts))
        value = eval(each.value, vars(module))
        assert repr(attrgetter(each.name)(module)) == repr(value), f"{each.path}: {each.name}"


def test_the_page_lists_the_constants_as_they_are() -> None:
    # Fails after a change until tests/refresh_docs.py has run, which lets the count only fall.
    assert len(constants()) > 50
    assert table() in PAGE.read_text(encoding="utf-8")
