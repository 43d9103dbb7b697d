"""The command in surroundings that lack something: it does its job, or says what is missing.

Every run is a process of its own, in a folder and on files whose names hold blanks and
letters beyond ASCII. Whatever the surroundings, its files are the same byte for byte.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import pytest

SAMPLES = Path(__file__).parents[2] / "sample_traces"
COMMAND = Path(sys.executable).with_name("otdravg")
PACKAGE = Path(__file__).parents[2] / "otdravg"

#: Variables of whoever runs the tests that must not decide what they see.
UNSET = (
    "COLUMNS", "DISPLAY", "LANG", "LC_ALL", "LC_CTYPE", "MPLBACKEND", "MPLCONFIGDIR", "NO_COLOR",
    "OTDRAVG_TRACEBACK", "PYTHONIOENCODING", "PYTHONUTF8", "PYTHONWARNINGS", "TZ",
)  # fmt: skip

#: What differs from a usual terminal; an empty value takes the variable away. What has nothing
#: to do with one another shares a run.
SURROUNDINGS: dict[str, dict[str, str]] = {
    "no display, no home, time zone ahead": {"HOME": "", "TZ": "Asia/Kathmandu"},
    "display that is not there, time zone behind, another hash seed": {
        "DISPLAY": ":77", "MPLBACKEND": "TkAgg", "TZ": "America/St_Johns", "PYTHONHASHSEED": "1",
    },
    "backend, home and folder for drafts that are not there": {
        "MPLBACKEND": "module://nowhere", "HOME": "/nonexistent/home",
        "TMPDIR": "/nonexistent/drafts",
    },
    "old plain locale, four threads": {
        "LC_ALL": "C", "PYTHONCOERCECLOCALE": "0", "PYTHONUTF8": "0",
        "OMP_NUM_THREADS": "4", "OPENBLAS_NUM_THREADS": "4",
    },
    "ASCII terminal, time zone that is not known": {
        "LC_ALL": "C", "PYTHONIOENCODING": "ascii", "TZ": "Nowhere/At_All",
    },
    "western terminal, one thread": {
        "PYTHONIOENCODING": "cp1252", "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1",
    },
    "no docstrings and assertions, home that is no folder": {
        "PYTHONOPTIMIZE": "2", "HOME": os.devnull,
    },
    "warnings are errors, no place for caches": {
        "PYTHONWARNINGS": "error", "PYTHONDEVMODE": "1", "MPLCONFIGDIR": f"{os.devnull}/x",
    },
}  # fmt: skip

OUTPUTS = ("tafel.csv", "bericht.html", "bild.svg")


@dataclass(frozen=True, slots=True)
class Done:
    """What a run printed and wrote."""

    status: int
    stdout: bytes
    stderr: bytes
    files: Mapping[str, bytes]


def environment(changes: Mapping[str, str]) -> dict[str, str]:
    plain = {name: value for name, value in os.environ.items() if name not in UNSET}
    changed = {**plain, "LANG": "C.UTF-8", "SOURCE_DATE_EPOCH": "1700000000", **changes}
    return {name: value for name, value in changed.items() if value}


def run_pair(
    place: Path,
    changes: Mapping[str, str],
    *,
    before: Sequence[str] = (),
    beside: Mapping[str, bytes] | None = None,
) -> Done:
    """Run ``otdravg pair`` on a sample pair, with every output that draws or writes."""
    folder = place / "Prüf ordner 光"
    folder.mkdir()
    for end in "AB":
        shutil.copyfile(SAMPLES / f"gainers_{end}.sor", folder / f"Faser 17 {end}→ü.sor")
    for name, content in (beside or {}).items():
        (folder / name).write_bytes(content)
    csv, html, svg = OUTPUTS
    done = subprocess.run(
        [*before, COMMAND, "pair", "Faser 17 A→ü.sor", "Faser 17 B→ü.sor", "--csv", csv,
         "--report", html, "--plot", svg],
        cwd=folder, env=environment(changes), capture_output=True, check=False,
        stdin=subprocess.DEVNULL,
    )  # fmt: skip
    files = {name: (folder / name).read_bytes() for name in OUTPUTS if (folder / name).exists()}
    return Done(done.returncode, done.stdout, done.stderr, files)


@pytest.fixture(scope="module")
def usual(tmp_path_factory: pytest.TempPathFactory) -> Done:
    """What comes out in a usual terminal."""
    done = run_pair(tmp_path_factory.mktemp("usual"), {})
    assert done.status == 1, done.stderr
    assert done.stderr == b""
    assert set(done.files) == set(OUTPUTS)
    assert "Faser 17 A→ü.sor" in done.stdout.decode("utf-8")
    return done


def check_same(done: Done, usual: Done) -> None:
    assert done.status == usual.status, done.stderr
    assert b"Traceback" not in done.stderr
    assert done.files == usual.files


@pytest.mark.parametrize(
    "changes", [pytest.param(changes, id=what) for what, changes in SURROUNDINGS.items()]
)
def test_files_are_the_same_bytes(changes: dict[str, str], usual: Done, tmp_path: Path) -> None:
    done = run_pair(tmp_path, changes)
    check_same(done, usual)
    encoding = changes.get("PYTHONIOENCODING", "ascii" if "LC_ALL" in changes else "utf-8")
    shown, wanted = done.stdout.decode(encoding), usual.stdout.decode("utf-8")
    if encoding == "utf-8":
        assert shown == wanted
    else:  # every figure is there, whatever became of the signs
        assert re.findall(r"[\d.]+", shown) == re.findall(r"[\d.]+", wanted)


def test_german_locale_on_one_processor(usual: Done, tmp_path: Path) -> None:
    """A decimal comma in the system's settings is none in a result."""
    localedef = shutil.which("localedef")
    if localedef is None or not Path("/usr/share/i18n/locales/de_DE").exists():
        pytest.skip("the sources of the German locale are not on this machine")
    made = [localedef, "-i", "de_DE", "-f", "UTF-8", str(tmp_path / "de_DE.UTF-8")]
    subprocess.run(made, check=True, capture_output=True)
    taskset = shutil.which("taskset")
    done = run_pair(
        tmp_path,
        {"LC_ALL": "de_DE.UTF-8", "LOCPATH": str(tmp_path)},
        before=(taskset, "-c", "0") if taskset else (),
    )
    check_same(done, usual)
    assert done.stdout == usual.stdout


def test_files_beside_the_shots_change_nothing(usual: Done, tmp_path: Path) -> None:
    """A stranger's folder may hold settings and modules under the names that Python looks for.

    matplotlib reads ``matplotlibrc`` from whatever folder it is started in.
    """
    settings = (
        b"text.usetex: True\nfont.size: 30\nsvg.fonttype: none\nsvg.hashsalt: x\n"
        b"axes.grid: True\nbackend: nowhere\n"
    )
    names = ("numpy.py", "json.py", "sitecustomize.py", "reportlab_mods.py", "conftest.py")
    spoilt = dict.fromkeys(names, b"raise SystemExit('run')\n")
    check_same(run_pair(tmp_path, {}, beside={"matplotlibrc": settings, **spoilt}), usual)


class TestStreams:
    """Closed, full, or gone: status 2 for what could not be said, never 1 or a traceback."""

    GOOD = (SAMPLES / "easy_A.sor", SAMPLES / "easy_B.sor")

    def run(self, redirection: str, *arguments: object) -> subprocess.CompletedProcess[bytes]:
        shell = shutil.which("sh")
        if shell is None:
            pytest.skip("no POSIX shell on this machine")
        line = f'"$@" {redirection}'
        return subprocess.run(
            [shell, "-c", line, "sh", COMMAND, *arguments],
            env=environment({}), capture_output=True, check=False,
        )  # fmt: skip

    @pytest.mark.parametrize("redirection", [">&-", "2>&- >&-", "<&- 2>&-", "<&- >&- 2>&-"])
    def test_closed_streams_leave_the_verdict(self, redirection: str, tmp_path: Path) -> None:
        table = tmp_path / "x.csv"
        done = self.run(redirection, "pair", *self.GOOD, "--csv", table)
        assert done.returncode == 0, done.stderr
        assert done.stderr == b""
        assert table.read_bytes().startswith(b"cable,fibre,")

    @pytest.mark.parametrize("redirection", ["2>&-", "2>/dev/full", "<&- >&- 2>&-"])
    def test_error_that_cannot_be_said_is_still_an_error(self, redirection: str) -> None:
        assert self.run(redirection, "pair", "none.sor", "none2.sor").returncode == 2

    @pytest.mark.parametrize(
        "arguments", [("pair", *GOOD), ("show", GOOD[0]), ("--help",), ("cable", "--help")]
    )
    def test_full_disk_behind_stdout(self, arguments: tuple[object, ...]) -> None:
        if not Path("/dev/full").exists():
            pytest.skip("no /dev/full on this machine")
        done = self.run(">/dev/full", *arguments)
        assert done.returncode == 2
        assert done.stderr.startswith(b"otdravg: ")
        assert done.stderr.count(b"\n") == 1

    @pytest.mark.parametrize(
        "arguments", [("cable", SAMPLES, "--list"), ("--help",), ("pair", "--help")]
    )
    def test_reader_that_has_gone_away(self, arguments: tuple[object, ...]) -> None:
        reading_end, writing_end = os.pipe()
        os.close(reading_end)
        with os.fdopen(writing_end, "wb") as stream:
            done = subprocess.run(
                [COMMAND, *arguments], stdout=stream, stderr=subprocess.PIPE, check=False,
                env=environment({}),
            )  # fmt: skip
        assert done.returncode == 2
        assert done.stderr == b""


def test_paths_are_never_put_together_by_hand() -> None:
    """Windows has another separator: ``pathlib`` knows it, a text does not."""
    sources = sorted(PACKAGE.rglob("*.py"))
    assert sources
    for path in sources:
        text = path.read_text(encoding="utf-8")
        for forbidden in (r"\bos\.path\.join\b", r"\bos\.altsep\b", r"\bos\.pathsep\b"):
            assert not re.search(forbidden, text), path.name
        # os.sep alone is the root folder in cli/terminal.py
        uses = len(re.findall(r"\bos\.sep\b", text))
        assert uses == (1 if path.name == "terminal.py" else 0), path.name


def test_package_imports_where_posix_modules_are_missing() -> None:
    """Windows has none of these: no import on the way to a result may need one."""
    script = (
        "import sys, pkgutil, importlib\n"
        "sys.modules.update(dict.fromkeys(['resource', 'fcntl', 'termios', 'pwd', 'grp']))\n"
        "import otdravg\n"
        "for found in pkgutil.walk_packages(otdravg.__path__, 'otdravg.'):\n"
        "    importlib.import_module(found.name)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], env=environment({}), capture_output=True, check=False
    )
    assert done.returncode == 0, done.stderr
