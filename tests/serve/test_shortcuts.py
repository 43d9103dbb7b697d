"""The double-click ways into the page, as docs/page.md writes them, acted out without a desktop."""

from __future__ import annotations

import configparser
import re
import shlex
import subprocess
from pathlib import Path

TEXT = (Path(__file__).parents[2] / "docs" / "page.md").read_text(encoding="utf-8")


def stand_in(place: Path) -> None:
    """Put a program there that says where it was started and with what."""
    place.parent.mkdir(parents=True)
    place.write_text('#!/bin/sh\npwd\nprintf "%s\\n" "$@"\n', encoding="utf-8")
    place.chmod(0o755)


def test_the_three_lines_for_macos_start_the_page_in_the_documents(tmp_path: Path) -> None:
    home = tmp_path / "Größe & Söhne, 100 %"
    (home / "Documents").mkdir(parents=True)
    stand_in(home / "otdravg/.venv/bin/otdravg")
    told = re.search(r"three lines (`#!.+?`), (`cd .+?`) and\s+(`exec .+?`),", TEXT)
    assert told is not None
    script = tmp_path / "Splices.command"
    script.write_text("".join(f"{line.strip('`')}\n" for line in told.groups()))
    script.chmod(0o755)
    # As a double-click does: from anywhere, by the script's own first line.
    done = subprocess.run(
        [script], cwd="/", env={"HOME": str(home), "PATH": "/usr/bin:/bin"},
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert done.stdout.splitlines() == [str(home / "Documents"), "page"]


def test_the_entry_for_linux_is_a_desktop_entry(tmp_path: Path) -> None:
    # Desktop Entry Specification 1.5: Type and Name are required, Exec for an application; its
    # arguments are parted by blanks and quoted by double quotes.
    block = re.search(r"```\n(\[Desktop Entry\]\n.+?)```", TEXT, re.DOTALL)
    assert block is not None
    entry = configparser.ConfigParser(interpolation=None)
    entry.optionxform = str  # type: ignore[assignment,method-assign]
    entry.read_string(block[1])
    own = entry["Desktop Entry"]
    assert (own["Type"], bool(own["Name"]), own["Terminal"]) == ("Application", True, "true")
    program, *arguments = shlex.split(own["Exec"])
    assert arguments == ["page"]
    assert not set(own["Exec"]) & set("%$`\\")  # signs that the specification gives a meaning
    moved = tmp_path / "my tools" / "otdravg"
    stand_in(moved)
    started = shlex.split(own["Exec"].replace(program, f'"{moved}"'))
    done = subprocess.run(started, cwd=tmp_path, capture_output=True, text=True, check=True)
    assert done.stdout.splitlines() == [str(tmp_path), "page"]


def test_the_target_for_windows_is_one_program_and_one_word() -> None:
    told = re.search(r"`(C:\\[^`]+)`", TEXT)
    assert told is not None
    program, argument = told[1].rsplit(" ", 1)
    assert argument == "page"
    assert program.endswith(r"\.venv\Scripts\otdravg.exe")
    assert not set(program) & set(' "&%^')  # nothing that would have to be quoted
