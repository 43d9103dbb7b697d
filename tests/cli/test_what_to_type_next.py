"""A command that was typed wrongly: one line on stderr that says what to type, status 2."""

from __future__ import annotations

from pathlib import Path

import pytest
from run_command import SAMPLES, Run


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("profile",), "type 'otdravg profile COMMAND', one of check, show"),
        (("pear",), "type 'otdravg COMMAND', one of cable, "),
        (("pair", "--limits", "0.1"), "; type 'otdravg pair [OPTIONS] "),
        (("pair",), "or 'otdravg pair --help'"),
        (("pair", "missing_A.sor", "missing_B.sor"), "missing_A.sor: file: cannot be read"),
        (("show", SAMPLES), "sample_traces/*.sor"),
        (("cable", SAMPLES), "add --out DIR, or --list; type 'otdravg cable [OPTIONS] [FOLDER]..."),
    ],
)
def test_one_line_says_what_to_type(run: Run, arguments: tuple[object, ...], says: str) -> None:
    done = run(*arguments)
    assert done.returncode == 2
    assert done.stdout == b""
    assert done.stderr.count(b"\n") == 1
    assert says in done.stderr.decode()


def test_the_bare_command_shows_a_short_help_that_says_how_to_begin(run: Run) -> None:
    done = run()
    assert done.returncode == 2
    assert done.stderr == b""
    for line in (
        b"Two files of one fibre   otdravg pair A.sor B.sor\n",
        b"A whole cable            otdravg cable FOLDER --out RESULT\n",
        b"A page in the browser    otdravg page\n",
        b"Something to try it on   otdravg demo FOLDER\n",
    ):
        assert line in done.stdout
    assert len(done.stdout.splitlines()) <= 36


def test_every_file_that_is_written_is_named(run: Run, tmp_path: Path) -> None:
    done = run("show", SAMPLES / "easy_A.sor", "--plot", "one.png")
    assert done.stdout.endswith(b"\nwrote one.png\n")
    assert (tmp_path / "one.png").exists()
