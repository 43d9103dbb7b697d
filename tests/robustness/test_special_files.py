"""Things in a folder that are no plain file, and files that change while the work goes on.

Each is named in the table of shots, none is waited for, followed or read into memory whole.
"""

from __future__ import annotations

import importlib
import os
import shutil
import socket
import stat
import tracemalloc
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from small_run import SHOTS, content_of, review_of, run, write_shots

from otdravg.cable import (
    CableReview,
    KnownClosure,
    Options,
    ShotRecord,
    ShotUse,
    list_shots,
    read_folders,
    review,
)
from otdravg.closeout.closeout import write_closeout
from otdravg.closeout.sketches import pair_sketches
from otdravg.errors import OutputRefused
from otdravg.system import ordinary
from otdravg.verdict import default
from otdravg.words.catalogue import told

NAME = "F009_1550_AB.sor"


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> CableReview:
    return review_of(write_shots(tmp_path_factory.mktemp("crew") / "shots"))


@pytest.fixture
def shots(tmp_path: Path) -> Path:
    return write_shots(tmp_path / "shots")


def link_inside(folder: Path) -> None:
    (folder / NAME).symlink_to(sorted(folder.glob("*.sor"))[0].name)


def link_outside(folder: Path) -> None:
    secret = folder.parent / "secret.sor"
    shutil.copy(sorted(folder.glob("*.sor"))[0], secret)
    (folder / NAME).symlink_to(secret)


def link_to_itself(folder: Path) -> None:
    (folder / NAME).symlink_to(NAME)


def link_to_nothing(folder: Path) -> None:
    (folder / NAME).symlink_to("not there")


def link_to_a_device(folder: Path) -> None:
    (folder / NAME).symlink_to("/dev/zero")


def pipe(folder: Path) -> None:
    os.mkfifo(folder / NAME)


def socket_file(folder: Path) -> None:
    before = os.getcwd()
    os.chdir(folder)  # the path of a socket is short
    try:
        with socket.socket(socket.AF_UNIX) as own:
            own.bind(NAME)
    finally:
        os.chdir(before)


def device(folder: Path) -> None:
    try:
        os.mknod(folder / NAME, 0o644 | stat.S_IFCHR, os.makedev(1, 5))  # zeros without end
    except PermissionError:
        pytest.skip("only root makes devices")


def directory(folder: Path) -> None:
    (folder / NAME).mkdir()


def empty(folder: Path) -> None:
    (folder / NAME).touch()


def sparse(folder: Path) -> None:
    with open(folder / NAME, "wb") as stream:
        stream.truncate(2 * 2**30)


@pytest.fixture
def opened(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Names of all files that are opened for reading shots."""
    names: list[str] = []
    real = os.open

    def noting(path: Any, *arguments: Any, **named: Any) -> int:
        names.append(os.path.basename(os.fspath(path)))
        return real(path, *arguments, **named)

    monkeypatch.setattr(ordinary.os, "open", noting)
    return names


@pytest.mark.parametrize(
    ("make", "reason", "may_be_opened"),
    [
        (link_inside, "is a link", False),
        (link_outside, "is a link", False),
        (link_to_itself, "is a link", False),
        (link_to_nothing, "is a link", False),
        (link_to_a_device, "is a link", False),
        (pipe, "pipe, socket or device", False),
        (socket_file, "pipe, socket or device", False),
        (device, "pipe, socket or device", False),
        (directory, "is a folder", False),
        (empty, "found an empty file", True),
        (sparse, "expected at most 16,777,216 bytes, found 2,147,483,648", False),
    ],
)
def test_is_named_and_never_opened(
    shots: Path,
    plain: CableReview,
    tmp_path: Path,
    opened: list[str],
    make: Callable[[Path], None],
    reason: str,
    may_be_opened: bool,
) -> None:
    make(shots)
    tracemalloc.start()
    result = review_of(shots)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 8 * 2**20
    assert (NAME in opened) == may_be_opened
    assert len(opened) > SHOTS
    (record,) = (shot for shot in result.shots if shot.path == NAME)
    assert record.use is ShotUse.UNREADABLE
    assert reason in told(record.remark)
    (finding,) = (f for f in result.findings if NAME in f.files)
    assert finding.code == "file-unreadable"
    assert [row.loss_db for row in result.rows] == [row.loss_db for row in plain.rows]
    write_closeout(result, tmp_path / "out", only={"csv", "traces"})
    copied = list((tmp_path / "out" / "traces").rglob("*.sor"))
    assert len(copied) == SHOTS + may_be_opened
    assert NAME in (tmp_path / "out" / "shots.csv").read_text("utf-8")


def test_strays_of_any_kind_are_listed_and_left_alone(shots: Path, opened: list[str]) -> None:
    os.mkfifo(shots / "pipe")
    (shots / "link.txt").symlink_to("README.txt")
    with open(shots / "film.mp4", "wb") as stream:
        stream.truncate(2 * 2**30)
    records, _ = list_shots(read_folders([shots]))
    kinds = {record.path: (record.use, record.sha256) for record in records}
    for name in ("pipe", "link.txt", "film.mp4"):
        assert kinds[name] == (ShotUse.NOT_A_SHOT, "")
        assert name not in opened


def test_link_to_a_folder_is_a_defect_and_not_followed(shots: Path, tmp_path: Path) -> None:
    write_shots(tmp_path / "others")
    (shots / "more").symlink_to(tmp_path / "others")
    (shots / "round").symlink_to(shots)
    records = {r.path: r for r in list_shots(read_folders([shots]))[0]}
    assert records["more"].use is records["round"].use is ShotUse.UNREADABLE
    assert not any(path.startswith(("more/", "round/")) for path in records)


def test_link_named_by_the_user_is_followed(shots: Path, tmp_path: Path) -> None:
    (tmp_path / "link").symlink_to(shots)
    assert len(read_folders([tmp_path / "link"])) == len(read_folders([shots]))


def test_folder_that_may_not_be_listed_is_a_defect(
    shots: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (shots / "closed").mkdir()
    real = os.scandir

    def refusing(path: Any) -> Any:
        if os.fspath(path).endswith("closed"):
            raise PermissionError(13, "Permission denied")
        return real(path)

    monkeypatch.setattr(os, "scandir", refusing)
    (record,) = (r for r in list_shots(read_folders([shots]))[0] if r.path == "closed")
    assert record.use is ShotUse.UNREADABLE
    assert "cannot be listed (Permission denied)" in told(record.remark)
    assert run("cable", shots / "closed", "--list")[0] == 2


def test_file_that_may_not_be_read_is_a_defect(
    shots: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    name = sorted(shots.glob("*.sor"))[0].name
    real = os.open

    def refusing(path: Any, *arguments: Any, **named: Any) -> int:
        if os.fspath(path).endswith(name):
            raise PermissionError(13, "Permission denied")
        return real(path, *arguments, **named)

    monkeypatch.setattr(ordinary.os, "open", refusing)
    (record,) = (r for r in list_shots(read_folders([shots]))[0] if r.path == name)
    assert record.use is ShotUse.UNREADABLE
    assert "cannot be read (Permission denied)" in told(record.remark)


def test_folders_nested_beyond_all_reason(tmp_path: Path) -> None:
    before = os.getcwd()
    depth = 1200
    os.chdir(tmp_path)
    try:
        for _ in range(depth):
            os.mkdir("d")
            os.chdir("d")
        assert len(read_folders([tmp_path])) == 0
        for _ in range(depth):
            os.chdir("..")
            os.rmdir("d")
    finally:
        os.chdir(before)


def gone(path: Path) -> None:
    path.unlink()


def changed(path: Path) -> None:
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.write_bytes(content)


def longer(path: Path) -> None:
    with open(path, "ab") as stream:
        stream.write(b"more")


def turned_into_a_pipe(path: Path) -> None:
    path.unlink()
    os.mkfifo(path)


def turned_into_a_link(path: Path) -> None:
    content = path.read_bytes()
    path.with_suffix(".away").write_bytes(content)
    path.unlink()
    path.symlink_to(path.with_suffix(".away"))


MEANWHILE = [gone, changed, longer, turned_into_a_pipe, turned_into_a_link]


@pytest.mark.parametrize("happens", [gone, turned_into_a_pipe, turned_into_a_link])
def test_between_listing_and_reading(
    shots: Path, monkeypatch: pytest.MonkeyPatch, happens: Callable[[Path], None]
) -> None:
    reviewing = importlib.import_module("otdravg.cable.run")

    victim = sorted(shots.glob("*.sor"))[0]
    real = reviewing.find_files

    def then(folders: Any) -> Any:
        found = real(folders)
        happens(victim)
        return found

    monkeypatch.setattr(reviewing, "find_files", then)
    (record,) = (r for r in list_shots(read_folders([shots]))[0] if r.path == victim.name)
    assert record.use is ShotUse.UNREADABLE
    assert "cannot be read" in told(record.remark)


@pytest.mark.parametrize("happens", MEANWHILE)
def test_between_reading_and_measuring(
    shots: Path, plain: CableReview, happens: Callable[[Path], None]
) -> None:
    headers = read_folders([shots])
    victim = sorted(shots.glob("*.sor"))[0]
    happens(victim)
    result = review(headers, default())
    findings = [f for f in result.findings if victim.name in f.files and "-meas" in f.code]
    assert [f.code for f in findings] == ["not-measurable"]
    assert any(
        text in told(findings[0].evidence) for text in ("cannot be read", "has changed since")
    ), findings
    measured = {(row.fibre, row.distance_m): row.loss_db for row in result.rows if row.loss_db}
    expected = {(row.fibre, row.distance_m): row.loss_db for row in plain.rows}
    assert {fibre for fibre, _ in measured} == {2, 3}
    assert all(expected[place] == loss for place, loss in measured.items())


def test_between_measuring_and_measuring_again_at_the_closures(
    shots: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    reviewing = importlib.import_module("otdravg.cable.run")

    headers = read_folders([shots])
    real = reviewing.measure_at_closures

    def after(*arguments: Any) -> Any:
        for path in shots.glob("*.sor"):
            gone(path)
        return real(*arguments)

    monkeypatch.setattr(reviewing, "measure_at_closures", after)
    nothing_there = Options(closures=(KnownClosure("spare", 1000.0),))
    result = review(headers, default(), nothing_there)
    said = [f for f in result.findings if f.code == "not-measurable"]
    at_spare = [row for row in result.rows if row.closure == "spare"]
    assert len(at_spare) == 3
    assert all(row.loss_db is None for row in at_spare)
    assert "has gone or changed since it was measured" in told(said[0].evidence)


@pytest.mark.parametrize("happens", MEANWHILE)
def test_before_the_copy_to_the_closeout(
    shots: Path, tmp_path: Path, happens: Callable[[Path], None]
) -> None:
    result = review_of(shots)
    victim: ShotRecord = next(s for s in result.shots if s.use is ShotUse.USED)
    happens(Path(victim.location.path))
    with pytest.raises(OutputRefused, match=r"cannot be read|has changed since") as refused:
        write_closeout(result, tmp_path / "out", only={"csv", "traces"})
    assert refused.value.path == victim.path
    assert [p.name for p in tmp_path.iterdir()] == ["shots"]
    # A picture of other points than those that were measured would lie: there is none.
    assert len(pair_sketches(result).pairs) == 2


def test_input_folder_is_only_read(shots: Path, tmp_path: Path) -> None:
    for path in shots.iterdir():
        path.chmod(0o444)
    shots.chmod(0o555)
    before = content_of(shots)
    try:
        status, said = run("cable", shots, "--out", tmp_path / "out", "--all", "--workers", 1)
        assert status in (0, 1), said
        assert content_of(shots) == before
    finally:
        shots.chmod(0o755)
