"""What names, folders, patterns and tables say of a shot."""

from __future__ import annotations

from pathlib import Path

import pytest

from otdravg.cable.files.names import (
    Claim,
    NamePattern,
    claim_of_folder,
    claim_of_name,
    read_mapping,
)
from otdravg.errors import BadSetting
from otdravg.shot.settings import Direction
from otdravg.trade import TIA_598_COLOURS, fibre_colour, ribbon_position

A, B = Direction.A_TO_B, Direction.B_TO_A


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("SIMQB1_F001_1310_AB.sor", Claim(None, 1, A, 1310)),
        ("014 b 1550nm.SOR", Claim(None, 14, B, 1550)),
        ("north-12-1550-A.sor", Claim(None, 12, A, 1550)),
        ("F12_B-A_1625.sor", Claim(None, 12, B, 1625)),
        ("fiber0041_a2b.Sor", Claim(None, 41, A, None)),
        ("fibre-7 from B.sor", Claim(None, 7, B, None)),
        ("1550_012.sor", Claim(None, 12, None, 1550)),
        ("1310_1550_3.sor", Claim(None, 3, None, None)),  # two wavelengths say nothing
        ("reel4A.sor", Claim()),  # a number inside a word is no fibre
        ("trace.sor", Claim()),
    ],
)
def test_names_as_crews_type_them(name: str, expected: Claim) -> None:
    assert claim_of_name(name) == expected


def test_the_nearest_folder_that_says_a_thing_counts() -> None:
    assert claim_of_folder(["1550", "from B", "end A 1310"]) == Claim(None, None, B, 1550)
    assert claim_of_folder(["F007", "job 12"]) == Claim(None, 7, None, None)


def test_a_pattern_reads_names_that_guessing_would_get_wrong() -> None:
    pattern = NamePattern.parse("{wavelength}x{fibre}-{direction}-{cable}")
    assert pattern.claim("day 2/1550x0014-BA-North.SOR") == Claim("North", 14, B, 1550)
    assert pattern.claim("something else.sor") is None


def test_a_pattern_can_look_at_folders() -> None:
    pattern = NamePattern.parse("{direction}/{any}/{fibre}")
    assert pattern.claim("job/A/monday/12.sor") == Claim(None, 12, A, None)


@pytest.mark.parametrize("text", ["{fiber}", "{fibre}_{fibre}", "plain.sor", "{any}"])
def test_a_pattern_with_wrong_fields_is_refused(text: str) -> None:
    with pytest.raises(BadSetting, match="fibre"):
        NamePattern.parse(text)


def test_a_direction_that_is_none_is_refused_with_the_file() -> None:
    with pytest.raises(BadSetting, match=r"'north' in 12_north\.sor"):
        NamePattern.parse("{fibre}_{direction}").claim("12_north.sor")


def test_a_mapping_goes_by_path_before_bare_name(tmp_path: Path) -> None:
    table = tmp_path / "map.csv"
    table.write_text(
        "file,fibre,direction,wavelength_nm\nx.sor,3,AB,1310\nsub/X.sor,4,BA,\n",
        encoding="utf-8",
    )
    mapping = read_mapping(table)
    assert mapping.claim("sub/x.sor") == Claim(None, 4, B, None)
    assert mapping.claim("other/x.SOR") == Claim(None, 3, A, 1310)
    assert mapping.claim("y.sor") is None
    assert mapping.unused(["a/x.sor"]) == ("sub/x.sor",)


@pytest.mark.parametrize(
    ("line", "problem"),
    [
        ("x.sor,0,AB", "above 0"),
        ("x.sor,3,sideways", "AB or BA"),
        ("x.sor,1,AB\nx.sor,2,AB", "twice"),
    ],
)
def test_a_mapping_line_that_cannot_be_used_is_named(
    tmp_path: Path, line: str, problem: str
) -> None:
    table = tmp_path / "map.csv"
    table.write_text(f"file,fibre,direction\n{line}\n", encoding="utf-8")
    with pytest.raises(BadSetting, match=f"line [23].*{problem}"):
        read_mapping(table)


def test_colours_follow_tia_598() -> None:
    # TIA-598-D, the twelve colours in order (from memory).
    assert TIA_598_COLOURS == (
        "blue", "orange", "green", "brown", "slate", "white",
        "red", "black", "yellow", "violet", "rose", "aqua",
    )  # fmt: skip
    assert fibre_colour(13, 12) == "blue"
    assert fibre_colour(24, 12) == "aqua"
    assert fibre_colour(9, 8) == "blue"  # first of the second ribbon of eight
    assert fibre_colour(14, 24) == "orange/2"
    assert fibre_colour(14, None) == "orange"


def test_ribbon_table_of_864_fibres() -> None:
    # 864 fibres are 72 ribbons of 12 (arithmetic).
    assert ribbon_position(864, 12) == (72, 12)
    assert ribbon_position(13, 12) == (2, 1)
    assert ribbon_position(17, 16) == (2, 1)
    assert ribbon_position(5, None) == (None, None)
    with pytest.raises(BadSetting, match="4, 6, 8, 12, 16, 24"):
        ribbon_position(1, 5)
