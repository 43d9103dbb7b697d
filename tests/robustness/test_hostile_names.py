"""Trace files of strangers under new names: legal everywhere, inside the folder, told apart."""

from __future__ import annotations

import pytest
from hostile_text import FILE_NAMES, HOSTILE, WINDOWS_DEVICES, check_name
from hypothesis import given
from hypothesis import strategies as st

from otdravg.cable import ShotRecord, ShotUse
from otdravg.cable.location import Location
from otdravg.cable.model import TakenFor
from otdravg.closeout.traces import DEFAULT_TRACE_NAME, check_pattern, renamed, safe_name
from otdravg.errors import BadSetting
from otdravg.shot.settings import Direction


def shot(path: str, cable: str, fibre: int, use: ShotUse = ShotUse.USED) -> ShotRecord:
    place = TakenFor(cable, fibre, Direction.A_TO_B, 1550)
    return ShotRecord(
        path, Location(path, 0), "00", "00", 1, 0, place, use, 1, None, None, 0
    )  # fmt: skip


def new_names(shots: list[ShotRecord]) -> list[str]:
    names = [file.new_name for file in renamed(shots, DEFAULT_TRACE_NAME)]
    assert len({name.casefold() for name in names}) == len(shots)  # no two become one
    return names


@pytest.mark.parametrize(
    "text",
    [
        *(pytest.param(text, id=what) for what, text in HOSTILE.items()),
        pytest.param("caf\udce9", id="not UTF-8"),
        *(pytest.param(f"{name}", id=f"device {name}") for name in sorted(WINDOWS_DEVICES)),
    ],
)
def test_cable_and_path_of_a_stranger(text: str) -> None:
    cable, stray, bare = new_names(
        [
            shot("a.sor", text, 7),
            shot(f"{text}/{text}.SOR", text, 7, ShotUse.UNPLACED),
            shot(f"{text}.sor", text, 7, ShotUse.UNPLACED),
        ]
    )
    for name in (cable, stray, bare):
        check_name(name)
    assert cable.endswith("0007_1550_AB.sor")  # however long the cable's name is
    assert stray.startswith("unused/")
    assert bare.startswith("unused/")


def test_names_that_become_one_are_numbered() -> None:
    cables = ("a/b", "a_b", "A\\B", "a\u202eb", "a:b", "a*b")
    names = new_names([shot(f"{n}.sor", cable, 7) for n, cable in enumerate(cables)])
    for name in names:
        check_name(name)


@given(st.lists(st.tuples(st.text(max_size=30), st.text(max_size=200)), max_size=8, unique=True))
def test_any_names(texts: list[tuple[str, str]]) -> None:
    shots = [shot(f"{n}{path}.sor", cable, 1) for n, (path, cable) in enumerate(texts)]
    strays = [
        shot(f"s{n}{path}.sor", cable, 1, ShotUse.UNPLACED) for n, (path, cable) in enumerate(texts)
    ]
    for name in new_names(shots + strays):
        check_name(name)


@given(st.text(st.characters(codec=None)))
def test_safe_name_of_any_text(text: str) -> None:
    name = safe_name(text)
    check_name(f"{name}.sor")
    assert safe_name(name) == name


@pytest.mark.parametrize("pattern", [
    "{cable}_{fibre:0>999999999}_{wavelength}_{direction}.sor",
    "{cable.__class__}_{fibre}_{wavelength}_{direction}.sor",
    "{cable[0]}_{fibre}_{wavelength}_{direction}.sor",
    "{fibre:{cable}}_{wavelength}_{direction}.sor",
    "{}_{fibre}_{wavelength}_{direction}.sor",
    "{fibre!r:>99999}_{wavelength}_{direction}.sor",
])  # fmt: skip
def test_patterns_that_reach_further_are_refused(pattern: str) -> None:
    with pytest.raises(BadSetting):
        check_pattern(pattern)


@pytest.mark.parametrize(
    "pattern",
    [
        "../../{fibre}_{wavelength}_{direction}.sor",
        "C:\\{fibre}_{wavelength}_{direction}.sor",
        "/{fibre}\x1b_{wavelength}_{direction}.sor",
        "{fibre}_{wavelength}_{direction}. .sor",
    ],
)
def test_pattern_never_leaves_the_folder(pattern: str) -> None:
    check_pattern(pattern)
    check_name(renamed([shot("a.sor", "C", 7)], pattern)[0].new_name)


def test_file_names_are_distinct() -> None:
    """Guard of the list itself."""
    assert len(set(FILE_NAMES.values())) == len(FILE_NAMES)
