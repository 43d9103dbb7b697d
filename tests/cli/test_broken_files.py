"""Whatever is wrong: one line on stderr, the file first, status 2, no traceback."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest
from run_command import Run


def assert_one_line(done: subprocess.CompletedProcess[bytes], names: str) -> None:
    assert done.returncode == 2
    assert done.stdout == b""
    message = done.stderr.decode("utf-8")
    assert message.count("\n") == 1
    assert message.endswith("\n")
    assert "Traceback" not in message
    assert "internal fault" not in message
    assert message.startswith(f"otdravg: {names}")
    assert "; " in message  # what to do comes last


@pytest.fixture(params=["empty", "text", "zeros", "header only", "folder", "missing"])
def broken(request: pytest.FixtureRequest, tmp_path: Path, gainers: tuple[Path, Path]) -> Path:
    whole = gainers[0].read_bytes()
    path = tmp_path / "broken.sor"
    contents = {
        "empty": b"",
        "text": b"Dear colleague, the traces are attached.\r\n" * 40,
        "zeros": bytes(5000),
        "header only": whole[:40],
    }
    if request.param == "folder":
        path.mkdir()
    elif request.param != "missing":
        path.write_bytes(contents[request.param])
    return path


def test_broken_file(run: Run, broken: Path, gainers: tuple[Path, Path]) -> None:
    assert_one_line(run("pair", gainers[0], broken, "--json"), str(broken))


@pytest.mark.parametrize("share", [0.02, 0.3, 0.9])
def test_truncated(run: Run, tmp_path: Path, gainers: tuple[Path, Path], share: float) -> None:
    whole = gainers[0].read_bytes()
    path = tmp_path / "cut.sor"
    path.write_bytes(whole[: int(share * len(whole))])
    done = run("pair", path, gainers[1])
    # A cut waveform may still hold usable points; then its findings must say so.
    if done.returncode == 2:
        assert_one_line(done, "")
    else:
        assert done.returncode == 1
        assert re.match(rb"CHECK +Check the files first:\s", done.stdout)
        assert b"LEAVE" not in done.stdout


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
def test_no_permission(run: Run, tmp_path: Path, gainers: tuple[Path, Path]) -> None:
    path = tmp_path / "closed.sor"
    shutil.copy(gainers[0], path)
    path.chmod(0)
    assert_one_line(run("pair", path, gainers[1]), str(path))


def test_same_file_twice(run: Run, gainers: tuple[Path, Path]) -> None:
    done = run("pair", gainers[0], gainers[0])
    assert_one_line(done, "same content twice")


def test_different_wavelengths(
    run: Run, gainers: tuple[Path, Path], hidden: tuple[Path, Path]
) -> None:
    assert_one_line(run("pair", gainers[0], hidden[1]), "different wavelengths")


@pytest.mark.parametrize(
    "arguments",
    [
        ["--limit", "0,15"],
        ["--launch", "3 miles"],
        ["--at", "900km"],
        ["--plot", "picture.jpg"],
        ["--no-such-option"],
        ["third.sor"],
    ],
)
def test_wrong_arguments(run: Run, gainers: tuple[Path, Path], arguments: list[str]) -> None:
    assert_one_line(run("pair", *gainers, *arguments), "")


def test_a_file_name_cannot_drive_the_terminal(run: Run, gainers: tuple[Path, Path]) -> None:
    done = run("pair", "evil\x1b[2J\n.sor", gainers[1])
    assert_one_line(done, r"evil\x1b[2J\n.sor")


def test_no_command_shows_help(run: Run) -> None:
    done = run()
    assert done.returncode == 2
    assert b"Exit status" in done.stdout
