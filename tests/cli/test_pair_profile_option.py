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
