"""The command, as installed and in the tests' own process."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from run_command import SAMPLES, Run, run_in
from running import run_here


@pytest.fixture(scope="session")
def command() -> str:
    """Path of the installed command."""
    beside = Path(sys.executable).with_name("otdravg")
    found = str(beside) if beside.exists() else shutil.which("otdravg")
    if found is None:
        pytest.fail("the command otdravg is not installed: pip install -e .")
    return found


@pytest.fixture
def run(command: str, tmp_path: Path) -> Run:
    """Run the command in an empty folder of this test's own; as installed in other surroundings."""

    def run_it(*arguments: object, **environment: str) -> subprocess.CompletedProcess[bytes]:
        if environment:
            return run_in(tmp_path, command, *arguments, **environment)
        return run_here(tmp_path, arguments)

    return run_it


@pytest.fixture(scope="session")
def gainers() -> tuple[Path, Path]:
    """A simulated sample pair with one splice over 0.20 dB and gains from one end."""
    return SAMPLES / "gainers_A.sor", SAMPLES / "gainers_B.sor"


@pytest.fixture(scope="session")
def hidden() -> tuple[Path, Path]:
    """A simulated sample pair, all good, with a splice that one end does not show."""
    return SAMPLES / "hidden_splice_A.sor", SAMPLES / "hidden_splice_B.sor"


@pytest.fixture(scope="session")
def gainers_printed(
    command: str, gainers: tuple[Path, Path], tmp_path_factory: pytest.TempPathFactory
) -> subprocess.CompletedProcess[bytes]:
    """What the command prints for the gainers, without options."""
    return run_in(tmp_path_factory.mktemp("printed"), command, "pair", *gainers)


@pytest.fixture(scope="session")
def gainers_splices(
    command: str, gainers: tuple[Path, Path], tmp_path_factory: pytest.TempPathFactory
) -> list[dict[str, Any]]:
    """The splices that the command gives as JSON for the gainers, without options."""
    done = run_in(tmp_path_factory.mktemp("json"), command, "pair", *gainers, "--json")
    splices: list[dict[str, Any]] = json.loads(done.stdout)["splices"]
    return splices
