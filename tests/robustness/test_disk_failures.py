"""Whatever the disk refuses, a result is the old one, the new one or absent; one line says so."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timezone
from pathlib import Path

import pytest
from faulty_disk import faulty_disk
from small_run import content_of, review_of, run, write_shots

from otdravg.cable import CableReview
from otdravg.closeout.closeout import write_closeout
from otdravg.closeout.sketches import Sketches, pair_sketches
from otdravg.closeout.template import Template
from otdravg.errors import OutputRefused
from otdravg.system.manifest import check_manifest
from otdravg.system.whole_folder import check_folder, whole_folder

PARTS = {"csv", "html", "json", "traces"}
#: More changes than any of these outputs makes.
_MANY = 400


@pytest.fixture(scope="module")
def crew(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_shots(tmp_path_factory.mktemp("crew") / "shots")


@pytest.fixture(scope="module")
def result(crew: Path) -> CableReview:
    return review_of(crew)


@pytest.fixture(scope="module")
def sketches(result: CableReview) -> Sketches:
    return pair_sketches(result)


def at(year: int) -> Template:
    return replace(Template(), made_at=datetime(year, 1, 1, tzinfo=timezone.utc))


@pytest.mark.parametrize("had_one", [False, True], ids=["fresh", "over an old one"])
def test_every_single_refusal(
    result: CableReview, sketches: Sketches, tmp_path: Path, had_one: bool
) -> None:
    parent = tmp_path / "place"
    parent.mkdir()
    target = parent / "out"

    def write(year: int) -> None:
        write_closeout(result, target, only=PARTS, template=at(year), sketches=sketches, force=True)

    old: dict[str, str] = {}
    if had_one:
        write(2001)
        old = content_of(target)
    outcomes = {"old": 0, "new": 0}
    for failing in range(1, _MANY):
        said = ""
        try:
            with faulty_disk(parent, failing) as disk:
                write(2002)
        except OutputRefused as error:
            said = str(error)
        if said:
            assert "No space left on device" in said, disk.seen
            assert said.startswith(f"{target}: ")
        left = content_of(target) if target.exists() else {}
        if left == old:
            outcomes["old"] += 1
        else:
            assert check_manifest(target).is_good, disk.seen
            outcomes["new"] += 1
            # A refusal while the old one is cleared away costs nothing.
            write(2001)
        if len(disk.seen) < failing:
            break
        if not had_one and target.exists():
            for path in sorted(target.rglob("*"), reverse=True):
                path.rmdir() if path.is_dir() else path.unlink()
            target.rmdir()
    assert failing < _MANY - 1
    assert outcomes["old"] >= 15
    assert outcomes["new"] >= 1
    write(2003)
    assert [path.name for path in parent.iterdir()] == ["out"]


_WORKBOOKS = """
import json, sys
from pathlib import Path
sys.path.insert(0, sys.argv[1])
from faulty_disk import faulty_disk
from small_run import review_of
from otdravg.closeout.closeout import write_closeout
from otdravg.errors import OtdravgError
review, place = review_of(Path(sys.argv[2])), Path(sys.argv[3])
said = []
for failing in range(1, 400):
    text = ""
    try:
        with faulty_disk(place, failing) as disk:
            write_closeout(review, place / "out", only={"xlsx"})
    except OtdravgError as error:
        text = str(error)
    said.append((text, sorted(path.name for path in place.iterdir() if path.name[0] != ".")))
    if not text:
        break
print(json.dumps(said))
"""


def test_every_single_refusal_of_a_workbook(crew: Path, tmp_path: Path) -> None:
    # Its library makes a temporary file for every sheet and part, and leaves them to the
    # collector when it is stopped: hence in a process of its own.
    done = subprocess.run(
        [sys.executable, "-c", _WORKBOOKS, Path(__file__).parent, crew, tmp_path],
        capture_output=True,
        text=True,
        check=True,
    )
    *refused, (last, left) = json.loads(done.stdout)
    assert (last, left) == ("", ["out"])
    assert len(refused) >= 15
    for text, names in refused:
        assert text.startswith(f"{tmp_path / 'out'}: could not be written (No space left")
        assert names == []
    assert done.stderr == ""


@pytest.fixture(scope="module")
def closeout_file(
    result: CableReview, sketches: Sketches, tmp_path_factory: pytest.TempPathFactory
) -> Path:
    folder = tmp_path_factory.mktemp("done") / "out"
    write_closeout(result, folder, only={"json"}, template=at(2001), sketches=sketches)
    return folder / "closeout.json"


Command = Callable[[Path, Path, Path], list[object]]


def pair_command(crew: Path, closeout: Path, place: Path) -> list[object]:
    a, b = sorted(crew.glob("*.sor"))[:2]
    files = ["--csv", place / "t.csv", "--plot", place / "p.svg"]
    return ["pair", a, b, *files, "--force"]


def report_command(crew: Path, closeout: Path, place: Path) -> list[object]:
    return ["report", closeout, "--out", place / "out", "--only", "csv,html", "--force"]


def cable_command(crew: Path, closeout: Path, place: Path) -> list[object]:
    return ["cable", crew, "--out", place / "out", "--workers", 1, "--force"]


def demo_command(crew: Path, closeout: Path, place: Path) -> list[object]:
    return ["demo", place / "run", "--fibres", 2, "--force"]


def decide_command(crew: Path, closeout: Path, place: Path) -> list[object]:
    words = ["--cable", "RIDGE-7", "--file", "x.sor", "--who", "R. Vale", "--why", "no cord"]
    return ["decide", place / "d.csv", "exclude-shot", *words]


def visible(folder: Path) -> dict[str, bytes]:
    """What a person sees in a folder."""
    return {
        name: (folder / name).read_bytes()
        for name in content_of(folder)
        if not name.startswith(".")
    }


@pytest.mark.parametrize(
    "command", [pair_command, report_command, cable_command, demo_command, decide_command]
)
def test_commands_end_with_one_line_and_status_2(
    crew: Path,
    closeout_file: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    command: Command,
) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1700000000")  # the same bytes every time
    parent = tmp_path / "place"
    parent.mkdir()
    arguments = command(crew, closeout_file, parent)
    assert run(*arguments)[0] in (0, 1)
    refused = 0
    for failing in range(1, _MANY):
        before = visible(parent)
        with faulty_disk(parent, failing) as disk:
            status, said = run(*arguments)
        after = visible(parent)
        if len(disk.seen) < failing:
            break
        if status == 2:
            refused += 1
            assert said.count("\n") == 1, said
            assert "No space left on device" in said, said
        else:  # it was only a draft that could not be cleared away
            assert status in (0, 1), (said, disk.seen)
        if command is decide_command:
            assert after["d.csv"].startswith(before["d.csv"])
            assert after["d.csv"].count(b"\n") == before["d.csv"].count(b"\n") + (status != 2)
        else:
            assert after == before, disk.seen
    assert failing < _MANY - 1
    assert refused >= 3


_LIMITED = """
import json, resource, sys
from pathlib import Path
sys.path.insert(0, sys.argv[1])
from small_run import content_of, review_of
from otdravg.closeout.closeout import write_closeout
from otdravg.errors import OtdravgError
review, target = review_of(Path(sys.argv[2])), Path(sys.argv[3])
said = []
for most in (0, 10, 1000, 9000, 40000, 10**9):
    resource.setrlimit(resource.RLIMIT_FSIZE, (most, resource.RLIM_INFINITY))
    try:
        write_closeout(review, target)
        text = "written"
    except OtdravgError as error:
        text = str(error)
    said.append((text, sorted(path.name for path in target.parent.iterdir())))
resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY,) * 2)
print(json.dumps(said))
"""


@pytest.mark.skipif(sys.platform == "win32", reason="limits of this kind are POSIX")
def test_real_writes_that_are_cut_short(crew: Path, tmp_path: Path) -> None:
    # Each write beyond the limit fails with EFBIG (setrlimit, POSIX.1-2017), in any library.
    here = Path(__file__).parent
    target = tmp_path / "place" / "out"
    target.parent.mkdir()
    done = subprocess.run(
        [sys.executable, "-c", _LIMITED, str(here), str(crew), str(target)],
        capture_output=True,
        text=True,
        check=True,
    )
    *short, (last, left) = json.loads(done.stdout)
    assert last == "written"
    assert left == ["out"]
    assert short
    for text, names in short:
        assert text == f"{target}: could not be written (File too large); " + (
            "free space or choose another place"
        )
        assert names == []
    assert done.stderr == ""
    assert check_manifest(target).is_good


_SMALL_DISK = """
import json, sys
from pathlib import Path
sys.path.insert(0, sys.argv[1])
from small_run import review_of
from otdravg.closeout.closeout import write_closeout
from otdravg.errors import OtdravgError
review, place = review_of(Path(sys.argv[2])), Path(sys.argv[3])
try:
    write_closeout(review, place / "out")
    text = "written"
except OtdravgError as error:
    text = str(error)
print(json.dumps([text, sorted(path.name for path in place.iterdir())]))
"""


@pytest.mark.parametrize(("kib", "fits"), [(4, False), (100, False), (8000, True)])
def test_disk_that_is_really_full(crew: Path, tmp_path: Path, kib: int, fits: bool) -> None:
    # A disk in memory that only this process sees, and that ends with it.
    alone = ["unshare", "--map-root-user", "--mount"]
    mounting = f'mount -t tmpfs -o size={kib}k none "$1" && shift && exec "$@"'
    if shutil.which("unshare") is None or subprocess.run([*alone, "true"], check=False).returncode:
        pytest.skip("this system gives no mount namespace")
    place = tmp_path / "stick"
    place.mkdir()
    writing = [sys.executable, "-c", _SMALL_DISK, Path(__file__).parent, crew, place]
    done = subprocess.run(
        [*alone, "sh", "-c", mounting, "sh", place, *writing],
        capture_output=True,
        text=True,
        check=True,
    )
    said, left = json.loads(done.stdout)
    if fits:
        assert (said, left) == ("written", ["out"])
    else:
        assert "could not be written (No space left on device)" in said
        assert left == []
    assert done.stderr == ""


def test_what_is_in_the_way_is_said_before_the_work(
    crew: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "file").write_text("mine", "utf-8")
    (tmp_path / "own").mkdir()
    (tmp_path / "own" / "notes.txt").write_text("mine", "utf-8")
    (tmp_path / "loop").symlink_to("loop")
    before = content_of(tmp_path)
    for name, problem in (
        ("file", "is a file"),
        ("own", "is no closeout"),
        ("no/such", "its parent folder does not exist"),
        ("file/below", "its parent folder does not exist"),
    ):
        status, said = run("cable", crew, "--out", tmp_path / name, "--force")
        assert (status, said.count("\n")) == (2, 1), said
        assert problem in said
    status, said = run("cable", crew, "--out", crew / "out", "--force")
    assert status == 2
    assert "lies in the folder that is read" in said
    status, said = run("cable", crew, "--out", tmp_path / "loop", "--workers", 1)
    assert (status, said.count("\n")) == (2, 1), said
    real = os.access
    monkeypatch.setattr(os, "access", lambda path, mode: not mode & os.W_OK and real(path, mode))
    status, said = run("cable", crew, "--out", tmp_path / "new")
    assert status == 2
    assert "cannot be written to" in said
    assert content_of(tmp_path) == before
    assert {p.name for p in tmp_path.iterdir()} == {"file", "own", "loop"}


def test_file_put_into_the_folder_meanwhile_is_not_thrown_away(tmp_path: Path) -> None:
    target = tmp_path / "out"
    target.mkdir()

    def meanwhile() -> None:
        with whole_folder(target, overwrite=True):
            (target / "thesis.txt").write_text("years of work", "utf-8")

    with pytest.raises(OutputRefused, match="is no closeout"):
        meanwhile()
    assert (target / "thesis.txt").read_text("utf-8") == "years of work"
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_failing_to_put_the_new_one_in_place_brings_the_old_one_back(
    result: CableReview, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "out"
    write_closeout(result, target, only={"csv"})
    old = content_of(target)
    real = os.rename

    def refusing(source: object, destination: object) -> None:
        if str(source).endswith(".part") and str(destination) == str(target):
            raise OSError(5, "Input/output error")
        real(source, destination)  # type: ignore[arg-type]

    monkeypatch.setattr(os, "rename", refusing)
    with pytest.raises(OutputRefused, match="Input/output error"):
        write_closeout(result, target, only={"csv", "json"}, force=True)
    assert content_of(target) == old
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_result_caught_between_the_renames_comes_back(result: CableReview, tmp_path: Path) -> None:
    target = tmp_path / "out"
    write_closeout(result, target, only={"csv"})
    old = content_of(target)
    # As a run leaves it that is killed after the first of its renames.
    target.rename(tmp_path / ".out.0123abcd.old")
    (tmp_path / ".out.0123abcd.part").mkdir()
    (tmp_path / ".out.lock").touch()
    (tmp_path / ".out.notes.part").touch()  # anybody's own
    with pytest.raises(OutputRefused, match="is not empty"):
        write_closeout(result, target, only={"csv"})
    assert content_of(target) == old
    assert sorted(p.name for p in tmp_path.iterdir()) == [".out.notes.part", "out"]


_HOLDER = """
import sys
from pathlib import Path
from otdravg.system.whole_folder import whole_folder
with whole_folder(Path(sys.argv[1]), overwrite=False) as draft:
    (draft / "half").touch()
    print("held", flush=True)
    sys.stdin.read()
"""


def test_second_run_refuses_at_once_and_a_dead_one_holds_nothing(
    crew: Path, tmp_path: Path
) -> None:
    target = tmp_path / "out"
    with subprocess.Popen(
        [sys.executable, "-c", _HOLDER, str(target)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    ) as first:
        assert first.stdout is not None
        first.stdout.readline()
        status, said = run("cable", crew, "--out", target, "--workers", 1)
        assert status == 2
        assert said == f"otdravg: {target}: another run is writing there; wait until it has ended\n"
        first.send_signal(signal.SIGKILL)
    assert (tmp_path / ".out.lock").exists()
    assert run("cable", crew, "--out", target, "--workers", 1)[0] in (0, 1)
    assert [path.name for path in tmp_path.iterdir()] == ["out"]
    assert check_manifest(target).is_good


_AUDITED = """
import json, os, sys
below, out = os.path.realpath(sys.argv[1]), sys.argv[2]
writing = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_APPEND
changes = {"os.mkdir", "os.rename", "os.link", "os.symlink", "os.truncate", "os.chmod",
           "os.utime", "os.remove", "os.rmdir", "os.chown", "os.setxattr"}
reads, writes = [], []
def watch(event, arguments):
    if event != "open" and event not in changes:
        return
    for path in arguments[:2]:
        if isinstance(path, (str, bytes, os.PathLike)):
            name = os.path.realpath(os.fsdecode(path))
            if name.startswith(below):
                harmless = event == "open" and not arguments[2] & writing
                (reads if harmless else writes).append((event, name))
sys.addaudithook(watch)
from otdravg.cli import main
try:
    main(["cable", sys.argv[1], "--out", out, "--all", "--workers", "1"])
except SystemExit:
    pass
print("\\n" + json.dumps([len(reads), writes]))
"""


@pytest.mark.parametrize("as_archive", [False, True])
def test_input_is_never_opened_for_writing(crew: Path, tmp_path: Path, as_archive: bool) -> None:
    source = tmp_path / "source"
    source.mkdir()
    given = source
    if as_archive:
        given = source / "crew.zip"
        import zipfile

        with zipfile.ZipFile(given, "w") as archive:
            for path in sorted(crew.iterdir()):
                archive.write(path, path.name)
    else:
        write_shots(source)
    before = content_of(source), [p.stat().st_mtime_ns for p in sorted(source.iterdir())]
    done = subprocess.run(
        [sys.executable, "-c", _AUDITED, str(given), str(tmp_path / "out")],
        capture_output=True,
        text=True,
        check=True,
    )
    reads, writes = json.loads(done.stdout.splitlines()[-1])
    assert reads > 20
    assert writes == []
    assert (tmp_path / "out" / "closeout.pdf").exists()
    assert (content_of(source), [p.stat().st_mtime_ns for p in sorted(source.iterdir())]) == before


def test_check_alone_changes_nothing(tmp_path: Path) -> None:
    check_folder(tmp_path / "out", inputs=(), overwrite=False)
    assert not list(tmp_path.iterdir())
