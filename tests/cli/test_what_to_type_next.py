"""A command that was typed wrongly: one line on stderr that says what to type, status 2."""

from __future__ import annotations

import os
import re
import subprocess
import sys
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


@pytest.mark.parametrize(
    ("shell", "words", "offered"),
    [("bash", "otdravg wa", "watch"), ("zsh", "otdravg pa", "pair")],
)
def test_a_shell_completes_the_names_of_commands(shell: str, words: str, offered: str) -> None:
    """As docs/page.md says; the shell itself is stood in for by what it asks."""
    asked = {"_OTDRAVG_COMPLETE": f"{shell}_complete", "COMP_WORDS": words, "COMP_CWORD": "1"}
    program = [sys.executable, "-c", "import sys; sys.argv[0] = 'otdravg'\n"
               "from otdravg.__main__ import start; start()"]  # fmt: skip
    done = subprocess.run(program, env=os.environ | asked, capture_output=True, text=True)
    assert offered in re.split(r"[,\s]", done.stdout)
    source = asked | {"_OTDRAVG_COMPLETE": f"{shell}_source"}
    done = subprocess.run(program, env=os.environ | source, capture_output=True, text=True)
    assert "_OTDRAVG_COMPLETE" in done.stdout


def test_every_file_that_is_written_is_named(run: Run, tmp_path: Path) -> None:
    done = run("show", SAMPLES / "easy_A.sor", "--plot", "one.png")
    assert done.stdout.endswith(b"\nwrote one.png\n")
    assert (tmp_path / "one.png").exists()
