"""What a command loads before it answers: asked of the interpreter, no clock."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path

import click
import pytest

import otdravg.cable
import otdravg.sor
import otdravg.verdict
from otdravg.cli import main

#: The libraries that take long to load.
HEAVY = {"numpy", "scipy", "matplotlib", "reportlab", "openpyxl", "xlsxwriter", "jinja2"}

_LOADED = """
import json, sys
from otdravg.__main__ import start
sys.argv[0] = "otdravg"
try:
    start()
except SystemExit as end:
    print(json.dumps([end.code, sorted(sys.modules)]), file=sys.stderr)
"""


def loaded_by(*arguments: object, status: int = 0) -> set[str]:
    done = subprocess.run(
        [sys.executable, "-c", _LOADED, *map(str, arguments)],
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=True,
    )
    code, modules = json.loads(done.stderr)
    assert code == status, done
    return HEAVY & set(modules)


@pytest.mark.parametrize(
    "arguments",
    [
        ["--version"],
        ["--help"],
        ["profile", "--help"],
        ["profile", "show", "two-wavelengths"],
        ["decide", "--help"],
        ["demo", "--help"],
        ["cable", "--help"],
        ["report", "--help"],
    ],
    ids=" ".join,
)
def test_loads_no_library_of_numbers(arguments: list[str]) -> None:
    assert loaded_by(*arguments) == set()


def test_checking_a_profile_loads_none_either(tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_text("format = 1\nname = 'own'\nsource = 'contract'\n")
    assert loaded_by("profile", "check", own) == set()


def test_a_pair_is_measured_and_judged_with_numpy_alone(gainers: tuple[Path, Path]) -> None:
    assert loaded_by("pair", *gainers, status=1) == {"numpy"}
    assert loaded_by("show", *gainers) == {"numpy"}
    assert loaded_by("plan", "--length", "24km", "--splices-every", "2km") == {"numpy"}


def test_a_cable_is_listed_without_what_measures_and_draws(
    gainers: tuple[Path, Path],
) -> None:
    assert loaded_by("cable", gainers[0].parent, "--list") == {"numpy"}


def test_every_command_of_the_list_is_there() -> None:
    context = click.Context(main)
    names = main.list_commands(context)
    assert {"pair", "cable", "profile"} < set(names)
    for name in names:
        command = main.get_command(context, name)
        assert command is not None
        assert command.name == name
    assert main.get_command(context, "measure") is None


def test_the_list_of_commands_fits_a_terminal_of_80_columns() -> None:
    lines = main.get_help(click.Context(main, info_name="otdravg", terminal_width=80)).splitlines()
    listed = lines[lines.index("Commands:") + 1 :]
    assert len(listed) == len(main.list_commands(click.Context(main)))


def names_of_doors() -> Iterator[tuple[str, str]]:
    for room in (otdravg.sor, otdravg.verdict, otdravg.cable):
        yield from ((room.__name__, name) for name in room.__all__)


@pytest.mark.parametrize(("room", "name"), list(names_of_doors()))
def test_what_a_door_names_is_behind_it(room: str, name: str) -> None:
    found = getattr(import_module(room), name)
    assert found.__name__ == name if hasattr(found, "__name__") else found is not None
    assert name in dir(import_module(room))


def test_a_door_has_nothing_else() -> None:
    with pytest.raises(AttributeError, match=r"module 'otdravg\.sor' has no attribute 'splice'"):
        otdravg.sor.splice  # noqa: B018
