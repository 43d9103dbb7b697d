"""The same files give the same bytes, whoever works on them, where, when and in what order.

Workers, executors and the order of shots in memory: ``tests/cable/measure/test_executors.py``.
Surroundings of a pair (locale, time zone, hash seed, threads): ``test_environment.py``.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path

import pytest

from otdravg.simulate.demo import write_demo

#: Runs the command with folders listed in another order than the disk has them.
_LISTED_BACKWARDS = """
import os, sys
listed, scanned = os.listdir, os.scandir
os.listdir = lambda *place: sorted(listed(*place), reverse=True)

class Scan:
    def __init__(self, *place):
        with scanned(*place) as entries:
            self.entries = sorted(entries, key=lambda entry: entry.name, reverse=True)
    def __iter__(self): return iter(self.entries)
    def __next__(self):
        if not self.entries: raise StopIteration
        return self.entries.pop(0)
    def __enter__(self): return self
    def __exit__(self, *error): return None
    def close(self): pass

os.scandir = Scan
from otdravg.cli import main
main(sys.argv[1:], prog_name="otdravg")
"""

_USUAL = {
    "LC_ALL": "C.UTF-8", "TZ": "UTC", "PYTHONHASHSEED": "0", "SOURCE_DATE_EPOCH": "1700000000",
    "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1",
}  # fmt: skip


def run(
    place: Path, *arguments: object, backwards: bool = False, **changes: str
) -> tuple[int, bytes]:
    start = ["-c", _LISTED_BACKWARDS] if backwards else ["-m", "otdravg"]
    done = subprocess.run(
        [sys.executable, *start, *map(str, arguments)], cwd=place, capture_output=True,
        env={**os.environ, **_USUAL, **changes}, check=False, stdin=subprocess.DEVNULL,
    )  # fmt: skip
    assert done.stderr == b"", done.stderr
    return done.returncode, done.stdout


def content(folder: Path) -> Mapping[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file()
    }


@pytest.fixture(scope="module")
def first(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with shots, and their closeout."""
    place = tmp_path_factory.mktemp("first")
    write_demo(place / "shots", fibres=4, wavelengths=(1550,))
    status, printed = run(place, "cable", "shots", "--all", "--out", "out", "--workers", 1)
    assert status in (0, 1)
    (place / "printed").write_bytes(printed)
    return place


def test_closeout_of_another_machine(first: Path, tmp_path: Path) -> None:
    """Copied in another order to another place; other workers, order, zone, language, seed."""
    place = tmp_path / "another place"
    for path in sorted((first / "shots").rglob("*"), reverse=True):
        target = place / "shots" / path.relative_to(first / "shots")
        if path.is_file():
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(path, target)
    status, printed = run(
        place, "cable", "shots", "--all", "--out", "out", "--workers", 2, backwards=True,
        LC_ALL="C", TZ="Pacific/Chatham", PYTHONHASHSEED="4711", PYTHONOPTIMIZE="1",
    )  # fmt: skip
    assert status in (0, 1)
    assert printed.decode() == (first / "printed").read_text(encoding="utf-8")
    mine, theirs = content(place / "out"), content(first / "out")
    assert mine.keys() == theirs.keys()
    assert [name for name in mine if mine[name] != theirs[name]] == []
    for text in mine.values():
        assert os.fsencode(tmp_path) not in text


def test_threads_change_no_reported_digit(first: Path) -> None:
    run(
        first, "cable", "shots", "--only", "csv", "--out", "threads", "--workers", 1,
        OMP_NUM_THREADS="4", OPENBLAS_NUM_THREADS="4",
    )  # fmt: skip
    tables, before = content(first / "threads"), content(first / "out")
    names = [name for name in tables if name.endswith(".csv")]
    assert "splices.csv" in names
    assert {name: tables[name] for name in names} == {name: before[name] for name in names}


def test_pair_in_every_format(first: Path, tmp_path: Path) -> None:
    shots = [sorted((first / "shots").rglob(f"*_{way}.sor"))[0] for way in ("AB", "BA")]
    made = []
    for number, changes in enumerate(
        ({}, {"TZ": "Pacific/Chatham", "PYTHONHASHSEED": "4711", "LC_ALL": "C"})
    ):
        place = tmp_path / str(number)
        place.mkdir()
        outputs = ("--csv", "x.csv", "--report", "x.pdf", "--plot", "x.png")
        printed = run(place, "pair", *shots, "--json", **changes)
        run(place, "pair", *shots, *outputs, **changes)
        run(place, "pair", *shots, "--report", "x.html", "--plot", "picture.pdf", **changes)
        made.append((printed, content(place)))
    assert made[0] == made[1]
    assert len(made[0][1]) == 5


def test_plan_and_demo(tmp_path: Path) -> None:
    """Planning and simulating are computations like any other."""
    made = []
    for number, changes in enumerate(({}, {"TZ": "Pacific/Chatham", "PYTHONHASHSEED": "99"})):
        place = tmp_path / str(number)
        place.mkdir()
        demo = run(place, "demo", "d", "--fibres", 1, **changes)
        plan = run(
            place, "plan", "--length", "9km", "--splices-every", "3km", "--json", **changes
        )  # fmt: skip
        made.append((demo, plan, content(place)))
    assert made[0] == made[1]
    assert made[0][0][0] == 0
    assert made[0][1][0] in (0, 1)
