"""``otdravg pair --profile``: by name or file, in place of limits."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from otdravg.cli import main


def run(pair: tuple[Path, Path], *args: str) -> tuple[int, str]:
    result = CliRunner().invoke(main, ["pair", *map(str, pair), *args])
    return result.exit_code, result.output


def test_profile_by_name(gainers: tuple[Path, Path]) -> None:
    status, output = run(gainers, "--profile", "three-attempts")
    assert status == 1
    assert "profile three-attempts" in output
    assert "Not applied of the profile" in output


@pytest.mark.parametrize("also", [["--limit", "0.2"], ["--guarded"]])
def test_not_beside_limits(gainers: tuple[Path, Path], also: list[str]) -> None:
    status, output = run(gainers, "--profile", "three-attempts", *also)
    assert status == 2
    assert "--profile" in output


def test_an_unknown_name_is_one_line(gainers: tuple[Path, Path]) -> None:
    status, output = run(gainers, "--profile", "nope")
    assert status == 2
    assert len(output.splitlines()) == 1


RULES = """format = 1
name = "test"
source = "invented"
stage = "final"
[splice]
limit_db = 0.02
[splice.attempts]
allowed = 3
fallback_db = 0.30
[splice.mechanical]
permitted = "no"
[stages.final]
[stages.build]
limit_db = 0.30
"""


def test_stage_attempt_and_method_can_be_stated(gainers: tuple[Path, Path], tmp_path: Path) -> None:
    profile = tmp_path / "test.toml"
    profile.write_text(RULES, encoding="utf-8")
    said = {}
    for args in ((), ("--stage", "build"), ("--attempt", "3"), ("--method", "mechanical")):
        status, output = run(gainers, "--profile", str(profile), *args)
        said[args[:1]] = status, " ".join(output.split())
    assert "over limit" in said[()][1]
    assert "taken as the first attempt" in said[()][1]
    assert said["--stage",][0] == 0
    assert "accepted out of specification" in said["--attempt",][1]
    assert "taken as the first attempt" not in said["--attempt",][1]
    assert "method not allowed" in said["--method",][1]


@pytest.mark.parametrize(
    ("args", "told"),
    [
        (("--attempt", "2"), "--profile"),
        (("--profile", "three-attempts", "--stage", "nope"), "stage"),
    ],
)
def test_what_cannot_be_applied_is_refused(
    gainers: tuple[Path, Path], args: tuple[str, ...], told: str
) -> None:
    status, output = run(gainers, *args)
    assert status == 2
    assert told in output
