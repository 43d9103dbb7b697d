"""What is shipped, what it stands on, and that it asks nothing of any network."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
import tarfile
import zipfile
from email.parser import Parser
from pathlib import Path

import pytest

from otdravg.simulate.demo import write_demo

ROOT = Path(__file__).parents[2]
CONSTRAINTS = ROOT / "tests" / "constraints-oldest.txt"

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib

PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]


class TestRequirements:
    def test_few_of_them(self) -> None:
        names = {re.split(r"[><=;\s]", line)[0].lower() for line in PROJECT["dependencies"]}
        assert names == {
            "numpy", "scipy", "matplotlib", "click", "tomli", "xlsxwriter", "openpyxl", "jinja2",
            "reportlab", "starlette", "uvicorn",
            "pillow",  # which matplotlib and reportlab bring along
        }  # fmt: skip

    def test_lower_bounds_are_those_that_are_tested(self) -> None:
        """The run with the oldest set pins exactly what pyproject.toml promises."""
        lines = CONSTRAINTS.read_text(encoding="utf-8").splitlines()
        pinned = dict(line.split("==") for line in lines if line and not line.startswith("#"))
        for line in PROJECT["dependencies"]:
            found = re.match(r"([A-Za-z0-9-]+)>=([\d.]+)", line)
            assert found is not None, f"{line}: no lower bound"
            name, bound = found.groups()
            assert re.fullmatch(re.escape(bound) + r"(\.0)*", pinned[name]), line


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """The source archive, and the wheel that is built from it and nothing else."""
    place = tmp_path_factory.mktemp("built")
    shutil.copytree(ROOT, place / "tree", ignore=_left_behind)
    sdist = _build(place / "tree", "build_sdist", place)
    with tarfile.open(sdist) as archive:
        if sys.version_info >= (3, 12):
            archive.extractall(place / "unpacked", filter="data")
        else:
            archive.extractall(place / "unpacked")
    (unpacked,) = (place / "unpacked").iterdir()
    return sdist, _build(unpacked, "build_wheel", place)


def _left_behind(folder: str, names: list[str]) -> set[str]:
    """What earlier runs and editors leave in a work tree."""
    is_root = Path(folder) == ROOT
    return {
        name
        for name in names
        if name.startswith(".")
        or name == "__pycache__"
        or name.endswith(".egg-info")
        or (is_root and name in ("build", "dist"))
    }


_BUILD = """
import sys
from setuptools import build_meta
print(getattr(build_meta, sys.argv[1])(sys.argv[2]))
"""


def _build(tree: Path, what: str, place: Path) -> Path:
    """Call the build backend as pip does, without asking any network for it."""
    pytest.importorskip("setuptools", "77", reason="the build backend is not installed")
    done = subprocess.run(
        [sys.executable, "-c", _BUILD, what, place],
        cwd=tree, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return place / done.stdout.splitlines()[-1]


def _source_files() -> set[str]:
    return {
        path.relative_to(ROOT).as_posix()
        for path in (ROOT / "otdravg").rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }


class TestArchives:
    def test_wheel_is_the_package_and_nothing_else(self, built: tuple[Path, Path]) -> None:
        with zipfile.ZipFile(built[1]) as wheel:
            names = set(wheel.namelist())
        package = {name for name in names if name.startswith("otdravg/")}
        assert package == _source_files()
        info = f"otdravg-{PROJECT['version']}.dist-info"
        assert names - package == {
            f"{info}/{name}"
            for name in (
                "METADATA", "RECORD", "WHEEL", "entry_points.txt", "top_level.txt",
                "licenses/LICENSE",
            )
        }  # fmt: skip
        assert {"otdravg/py.typed", "otdravg/closeout/html/index.html.j2"} <= package
        assert any(name.startswith("otdravg/verdict/examples/") for name in package)

    def test_source_archive_holds_what_builds_the_package(self, built: tuple[Path, Path]) -> None:
        with tarfile.open(built[0]) as archive:
            members = archive.getmembers()
        assert members
        assert all(member.isfile() or member.isdir() for member in members)
        names = {member.name.split("/", 1)[-1] for member in members if member.isfile()}
        assert _source_files() <= names
        assert {"README.md", "LICENSE", "pyproject.toml"} <= names
        allowed = r"(otdravg|tests|docs|sample_traces|otdravg\.egg-info)/.*|[A-Za-z.-]+"
        assert not [name for name in names if not re.fullmatch(allowed, name)]
        assert not [name for name in names if "__pycache__" in name or "/." in f"/{name}"]

    def test_metadata(self, built: tuple[Path, Path]) -> None:
        with zipfile.ZipFile(built[1]) as wheel:
            (place,) = (name for name in wheel.namelist() if name.endswith("/METADATA"))
            fields = Parser().parsestr(wheel.read(place).decode("utf-8"))
        assert fields["Requires-Python"] == ">=3.10"
        # PEP 639: an SPDX expression, and the licence's text beside it.
        assert fields["License-Expression"] == "MIT"
        assert fields.get_all("License-File") == ["LICENSE"]
        wanted = [line for line in fields.get_all("Requires-Dist", []) if "extra ==" not in line]
        assert sorted(map(_plain, wanted)) == sorted(map(_plain, PROJECT["dependencies"]))


def _plain(requirement: str) -> str:
    return re.sub(r"[\s'\"]", "", requirement).lower()


#: Runs commands under an audit hook (PEP 578) that ends the process at every way out, and at
#: every file outside some folders that is opened for writing.
_GUARDED = """
import json, os, sys
allowed = [os.path.realpath(place) for place in sys.argv[1].split(os.pathsep)]
NETWORK = ("socket.connect", "socket.getaddrinfo", "socket.gethostbyname", "socket.sendto",
           "socket.sendmsg", "socket.bind", "urllib.Request", "ftplib.connect",
           "http.client.connect", "smtplib.connect", "webbrowser.open")

def watch(event, args):
    if event in NETWORK:
        sys.__stderr__.write(f"NETWORK {event} {args}\\n")
        os._exit(99)
    if event == "open" and isinstance(args[0], (str, bytes)):
        if args[2] & (os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC):
            path = os.path.realpath(os.fsdecode(args[0]))
            if path != os.devnull and not any(path.startswith(place + os.sep) for place in allowed):
                sys.__stderr__.write(f"WRITES {path}\\n")
                os._exit(98)

sys.addaudithook(watch)
for arguments in json.loads(sys.argv[2]):
    from otdravg.cli import main
    try:
        main(arguments, prog_name="otdravg")
    except SystemExit as end:
        if end.code not in (0, 1):
            sys.exit(f"{arguments}: status {end.code}")
"""


def test_no_command_asks_a_network_or_writes_elsewhere(tmp_path: Path) -> None:
    """Every command, in a process that a socket ends, and so does a file outside its folder."""
    shots, work, caches = tmp_path / "shots", tmp_path / "work", tmp_path / "caches"
    work.mkdir()
    caches.mkdir()
    write_demo(shots, fibres=2, wavelengths=(1550,))
    ab, ba = (sorted(shots.rglob(f"*_{way}.sor"))[0] for way in ("AB", "BA"))
    before = {path: path.read_bytes() for path in shots.rglob("*") if path.is_file()}
    plan = ("plan", "--length", "9km", "--splices-every", "3km", "--like", ab)
    commands = (
        ("demo", work / "demo", "--fibres", 1),
        ("show", ab, "--plot", work / "shot.png"),
        ("pair", ab, ba, "--csv", work / "x.csv", "--plot", work / "x.svg", "--report",
         work / "x.html"),
        ("pair", ab, ba, "--details", "--report", work / "x.pdf"),
        (*plan, "--plot", work / "plan.png"),
        ("profile", "show"),
        ("cable", shots, "--list"),
        ("cable", shots, "--all", "--out", work / "out", "--workers", 1),
        ("report", work / "out" / "closeout.json", "--out", work / "again"),
        ("verify", work / "out"),
        ("decide", work / "d.csv", "accept", "--cable", "C", "--fibre", 1, "--closure", 1,
         "--who", "a", "--why", "b"),
    )  # fmt: skip
    done = subprocess.run(
        [sys.executable, "-c", _GUARDED, os.pathsep.join((str(work), str(caches))),
         json.dumps([list(map(str, arguments)) for arguments in commands])],
        cwd=work, capture_output=True, text=True, check=False, stdin=subprocess.DEVNULL,
        env={**os.environ, "MPLCONFIGDIR": str(caches), "TMPDIR": str(caches),
             "PYTHONDONTWRITEBYTECODE": "1"},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert (work / "d.csv").exists()
    # What was read is what it was: nothing outside the work folder was opened for writing.
    assert before == {path: path.read_bytes() for path in shots.rglob("*") if path.is_file()}


def test_guard_would_notice(tmp_path: Path) -> None:
    """A guard that never speaks proves nothing."""
    for code, status in (
        ("import socket; socket.create_connection(('127.0.0.1', 9))", 99),
        ("import socket; socket.getaddrinfo('localhost', 9)", 99),
        (f"open({str(tmp_path / 'elsewhere')!r}, 'w')", 98),
    ):
        guard = _GUARDED.split("for arguments in")[0]
        done = subprocess.run(
            [sys.executable, "-c", guard + code, str(tmp_path / "allowed")],
            capture_output=True, check=False,
        )  # fmt: skip
        assert done.returncode == status
