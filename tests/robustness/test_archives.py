"""Zip archives in place of folders: the same result, every entry accounted for, nothing unpacked.

Archives are written by the standard library's zipfile; what it cannot write is set by hand in
the bytes, field offsets as in APPNOTE 6.3.10, 4.3.7 (local header) and 4.3.12 (directory).
"""

from __future__ import annotations

import os
import random
import stat
import struct
import tracemalloc
import zipfile
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import pytest
from small_run import SHOTS, content_of, review_of, run, write_shots

from otdravg.cable import CableReview, ShotUse, list_shots, read_folders, review
from otdravg.cable.files.archive import ArchiveLimits, archive_entries
from otdravg.cable.files.folder import find_files
from otdravg.closeout.closeout import write_closeout
from otdravg.errors import UnreadableTrace
from otdravg.tables.splices import cable_tables
from otdravg.verdict import default
from otdravg.words.catalogue import told


@pytest.fixture(scope="module")
def shots(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_shots(tmp_path_factory.mktemp("crew") / "shots")


@pytest.fixture(scope="module")
def from_folder(shots: Path) -> CableReview:
    return review_of(shots)


def zipped(shots: Path, target: Path, method: int = zipfile.ZIP_DEFLATED) -> Path:
    with zipfile.ZipFile(target, "w", method) as archive:
        for path in sorted(shots.iterdir()):
            archive.write(path, path.name)
    return target


def a_shot(shots: Path) -> bytes:
    return next(iter(sorted(shots.glob("*.sor")))).read_bytes()


@pytest.mark.parametrize("method", [zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED])
def test_same_result_as_from_the_folder(
    shots: Path, from_folder: CableReview, tmp_path: Path, method: int
) -> None:
    result = review_of(zipped(shots, tmp_path / "crew.zip", method))
    assert cable_tables(result) == cable_tables(from_folder)
    assert [shot.sha256 for shot in result.shots] == [shot.sha256 for shot in from_folder.shots]


def test_workers_and_outputs_read_from_the_archive(
    shots: Path, from_folder: CableReview, tmp_path: Path
) -> None:
    (tmp_path / "in").mkdir()
    archive = zipped(shots, tmp_path / "in" / "crew.zip")
    before = content_of(archive.parent), archive.stat().st_mtime_ns
    with ProcessPoolExecutor(2) as executor:
        result = review(read_folders([archive], executor), default(), executor=executor)
    parts = {"csv", "html", "json", "traces"}
    write_closeout(result, tmp_path / "zip", only=parts)
    write_closeout(from_folder, tmp_path / "folder", only=parts)
    from_zip, expected = content_of(tmp_path / "zip"), content_of(tmp_path / "folder")
    assert {name for name in expected if name.startswith("traces/")} >= {"traces/names.csv"}
    differing = {name for name in expected if from_zip[name] != expected[name]}
    # The time of making and the path of a trace inside the JSON's sketches are all that may,
    # and the hashes of what holds them.
    hashes = {"evidence.sha256", "manifest.sha256"}
    assert differing <= {"closeout.json", "closeout.html", *hashes}
    assert from_zip.keys() == expected.keys()
    assert (content_of(archive.parent), archive.stat().st_mtime_ns) == before


def test_archive_inside_a_folder_is_a_folder(shots: Path, tmp_path: Path) -> None:
    folder = tmp_path / "mail"
    folder.mkdir()
    zipped(shots, folder / "Crew.ZIP")
    result = review_of(folder)
    used = [shot.path for shot in result.shots if shot.use is ShotUse.USED]
    assert len(used) == SHOTS
    assert all(path.startswith("Crew.ZIP/") for path in used)
    (note,) = (shot for shot in result.shots if shot.path.endswith("README.txt"))
    assert note.taken_for.cable == "Crew"  # as of a folder with that name


def test_archive_as_second_folder_is_the_repair(shots: Path, tmp_path: Path) -> None:
    result = review_of(shots, zipped(shots, tmp_path / "after.zip"))
    first = [s for s in result.shots if s.path.startswith("shots/") and s.identity]
    second = [s for s in result.shots if s.path.startswith("after.zip/") and s.identity]
    assert len(first) == len(second) == SHOTS
    assert {shot.batch for shot in second} == {1}


def test_backslashes_and_folders_inside(shots: Path, tmp_path: Path) -> None:
    target = tmp_path / "crew.zip"
    with zipfile.ZipFile(target, "w") as archive:
        archive.writestr("empty/", b"")
        for path in sorted(shots.glob("*.sor")):
            archive.writestr(f"from\\{path.name}", path.read_bytes())
    found = find_files([target])
    assert [file.path for file in found] == [f"from/{p.name}" for p in sorted(shots.glob("*.sor"))]
    assert not any(file.skipped for file in found)
    assert sum(s.use is ShotUse.USED for s in review_of(target).shots) == SHOTS


@pytest.mark.parametrize(
    ("stored", "meant"),
    [
        ("Süd – 009.sor".encode(), "Süd – 009.sor"),  # UTF-8 that does not say so
        ("Süd 009.sor".encode("cp437"), "Süd 009.sor"),  # APPNOTE.TXT 6.3, appendix D
    ],
)
def test_names_of_programs_that_do_not_say_their_code(
    shots: Path, tmp_path: Path, stored: bytes, meant: str
) -> None:
    target = tmp_path / "crew.zip"
    with zipfile.ZipFile(target, "w") as archive:
        archive.writestr("x" * len(stored), a_shot(shots))
    target.write_bytes(target.read_bytes().replace(b"x" * len(stored), stored))
    (found,) = find_files([target])
    assert found.path == meant
    assert found.location.read_bytes() == a_shot(shots)


Adding = Callable[[zipfile.ZipFile, bytes], str]


def traversal(archive: zipfile.ZipFile, shot: bytes) -> str:
    archive.writestr("../../F009_1550_AB.sor", shot)
    return "../../F009_1550_AB.sor"


def absolute(archive: zipfile.ZipFile, shot: bytes) -> str:
    archive.writestr("/etc/F009_1550_AB.sor", shot)
    return "/etc/F009_1550_AB.sor"


def on_a_drive(archive: zipfile.ZipFile, shot: bytes) -> str:
    archive.writestr("C:\\shots\\F009_1550_AB.sor", shot)
    return "C:/shots/F009_1550_AB.sor"


def twice(archive: zipfile.ZipFile, shot: bytes) -> str:
    archive.writestr("F009_1550_AB.sor", shot)
    archive.writestr("./F009_1550_AB.sor", shot + b" ")
    return "F009_1550_AB.sor"


def link(archive: zipfile.ZipFile, shot: bytes) -> str:
    entry = zipfile.ZipInfo("F009_1550_AB.sor")
    entry.create_system = 3
    entry.external_attr = (stat.S_IFLNK | 0o777) << 16
    archive.writestr(entry, "/etc/passwd")
    return "F009_1550_AB.sor"


def pipe(archive: zipfile.ZipFile, shot: bytes) -> str:
    entry = zipfile.ZipInfo("F009_1550_AB.sor")
    entry.external_attr = (stat.S_IFIFO | 0o644) << 16
    archive.writestr(entry, b"")
    return "F009_1550_AB.sor"


def other_method(archive: zipfile.ZipFile, shot: bytes) -> str:
    archive.writestr("F009_1550_AB.sor", shot, zipfile.ZIP_LZMA)
    return "F009_1550_AB.sor"


def folder_called_a_trace(archive: zipfile.ZipFile, shot: bytes) -> str:
    archive.writestr("F009_1550_AB.sor/", b"")
    return "F009_1550_AB.sor"


def nested(archive: zipfile.ZipFile, shot: bytes) -> str:
    archive.writestr("more.zip", b"PK\x05\x06" + bytes(18))
    return "more.zip"


def bomb(archive: zipfile.ZipFile, shot: bytes) -> str:
    archive.writestr("F009_1550_AB.sor", bytes(12 * 2**20), zipfile.ZIP_DEFLATED)
    return "F009_1550_AB.sor"


def empty(archive: zipfile.ZipFile, shot: bytes) -> str:
    archive.writestr("F009_1550_AB.sor", b"")
    return "F009_1550_AB.sor"


@pytest.mark.parametrize(
    ("add", "reason"),
    [
        (traversal, "its name leads out of the archive"),
        (absolute, "its name leads out of the archive"),
        (on_a_drive, "its name leads out of the archive"),
        (twice, "2 entries of the archive have this name"),
        (link, "is a link"),
        (pipe, "is no ordinary file"),
        (other_method, "is packed by method 14"),
        (folder_called_a_trace, "is a folder"),
        (nested, "is an archive inside an archive"),
        (bomb, "more than 200 times"),
        (empty, "found an empty file"),
    ],
)
@pytest.mark.filterwarnings("ignore:Duplicate name")
def test_odd_entry_is_named_and_the_others_stand(
    shots: Path, from_folder: CableReview, tmp_path: Path, add: Adding, reason: str
) -> None:
    target = zipped(shots, tmp_path / "crew.zip")
    with zipfile.ZipFile(target, "a") as archive:
        name = add(archive, a_shot(shots))
    tracemalloc.start()
    result = review_of(target)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 8 * 2**20
    (record,) = (shot for shot in result.shots if shot.path == name)
    assert record.use is ShotUse.UNREADABLE
    assert reason in told(record.remark)
    (finding,) = (f for f in result.findings if name in f.files)
    assert finding.code == "file-unreadable"
    assert [row.loss_db for row in result.rows] == [row.loss_db for row in from_folder.rows]
    write_closeout(result, tmp_path / "out", only={"csv", "traces"})
    copied = [path.name for path in (tmp_path / "out" / "traces").rglob("*.sor")]
    assert len(copied) == SHOTS + (add is empty)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["crew.zip", "out"]


def patched(archive: Path, name: str, *, local: dict[int, bytes], listed: dict[int, bytes]) -> None:
    """Write over fields of an entry, given by their offsets in its two headers."""
    with zipfile.ZipFile(archive) as opened:
        at = opened.getinfo(name).header_offset
    content = bytearray(archive.read_bytes())
    entry = content.index(b"PK\x01\x02", content.rindex(name.encode()) - 46)
    for start, fields in ((at, local), (entry, listed)):
        for offset, value in fields.items():
            content[start + offset : start + offset + len(value)] = value
    archive.write_bytes(content)


def u16(value: int) -> bytes:
    return struct.pack("<H", value)


def u32(value: int) -> bytes:
    return struct.pack("<I", value)


@pytest.mark.parametrize(
    ("local", "listed", "reason"),
    [
        ({6: u16(1)}, {8: u16(1)}, "is encrypted"),
        ({}, {16: u32(0xDEADBEEF)}, "do not match the entry's checksum"),
        ({0: b"XX"}, {}, "no entry begins where"),
        ({30: b"Q"}, {}, "another name"),
        ({}, {24: u32(1000)}, "packed"),  # more packed than unpacked
        ({}, {20: u32(100)}, "found 0|more than|found"),
        ({}, {42: u32(0x7FFFFFFF)}, "outside of the archive"),
    ],
    ids=["encrypted", "CRC", "no header", "other name", "short", "cut", "nowhere"],
)
def test_damaged_entry_is_named_and_the_others_stand(
    shots: Path,
    tmp_path: Path,
    local: dict[int, bytes],
    listed: dict[int, bytes],
    reason: str,
) -> None:
    target = zipped(shots, tmp_path / "crew.zip")
    name = sorted(shots.glob("*.sor"))[-1].name
    patched(target, name, local=local, listed=listed)
    records, _ = list_shots(read_folders([target]))
    (record,) = (shot for shot in records if shot.path == name)
    assert record.use is ShotUse.UNREADABLE
    assert any(part in told(record.remark) for part in reason.split("|")), told(record.remark)
    assert sum(shot.identity is not None for shot in records) == SHOTS - 1


def test_entry_that_grows_beyond_its_announced_size_is_cut_off(tmp_path: Path) -> None:
    target = tmp_path / "crew.zip"
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("F001_1550_AB.sor", bytes(50 * 2**20))
    patched(target, "F001_1550_AB.sor", local={}, listed={24: u32(900_000)})
    (entry,) = archive_entries(str(target))
    assert not entry.skipped
    tracemalloc.start()
    with pytest.raises(UnreadableTrace, match="expected 900,000 bytes in the entry, found more"):
        entry.location.read_bytes()
    assert tracemalloc.get_traced_memory()[1] < 4 * 2**20
    tracemalloc.stop()


def test_archive_behind_three_sparse_gigabytes_is_read_without_them(
    shots: Path, tmp_path: Path
) -> None:
    packed = zipped(shots, tmp_path / "plain.zip").read_bytes()
    target = tmp_path / "crew.zip"
    with open(target, "wb") as stream:
        stream.seek(3 * 2**30)
        stream.write(packed)
    tracemalloc.start()
    result = review_of(target)
    assert tracemalloc.get_traced_memory()[1] < 8 * 2**20
    tracemalloc.stop()
    assert sum(shot.use is ShotUse.USED for shot in result.shots) == SHOTS


def test_terabyte_announced_by_the_long_form_is_refused(tmp_path: Path) -> None:
    target = tmp_path / "crew.zip"
    name = b"F001_1550_AB.sor"
    # Directory entry with the 64-bit extra field (4.5.3): size 2**40, packed 2**31.
    extra = struct.pack("<HHQQ", 1, 16, 2**40, 2**31)
    local = b"PK\x03\x04" + struct.pack("<5H3I2H", 45, 0, 8, 0, 33, 0, 0, 0, len(name), 0) + name
    listed = (
        b"PK\x01\x02"
        + struct.pack("<6H3I5H2I", 45, 45, 0, 8, 0, 33, 0, 0xFFFFFFFF, 0xFFFFFFFF,
                      len(name), len(extra), 0, 0, 0, 0, 0)
        + name + extra
    )  # fmt: skip
    end = b"PK\x05\x06" + struct.pack("<4H2IH", 0, 0, 1, 1, len(listed), len(local), 0)
    target.write_bytes(local + listed + end)
    with pytest.raises(UnreadableTrace, match=r"at most 17,179,869,184 bytes unpacked, found 1,0"):
        archive_entries(str(target))


@pytest.mark.parametrize(
    ("limits", "reason"),
    [
        (ArchiveLimits(entries=7), "at most 7 entries, found 8"),
        (ArchiveLimits(directory_bytes=300), "its directory has more than 300 bytes"),
        (ArchiveLimits(unpacked_bytes=50_000), "at most 50,000 bytes unpacked"),
    ],
)
def test_limits_refuse_the_whole_archive(
    shots: Path, tmp_path: Path, limits: ArchiveLimits, reason: str
) -> None:
    target = zipped(shots, tmp_path / "crew.zip")
    with pytest.raises(UnreadableTrace, match=reason):
        archive_entries(str(target), limits)


def test_changed_archive_is_noticed(shots: Path, tmp_path: Path) -> None:
    target = zipped(shots, tmp_path / "crew.zip")
    headers = read_folders([target])
    other = sorted(shots.glob("*.sor"))
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.write(shots / "README.txt", "README.txt")
        for path, content in zip(other, [*other[1:], other[0]], strict=True):
            archive.write(content, path.name)
    result = review(headers, default())
    assert not any(row.loss_db for row in result.rows)
    assert {f.code for f in result.findings} >= {"not-measurable"}


def a_text(path: Path) -> None:
    path.write_text("no archive", "utf-8")


def nothing(path: Path) -> None:
    path.write_bytes(b"")


def a_pipe(path: Path) -> None:
    os.mkfifo(path)


def an_archive_without_shots(path: Path) -> None:
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("notes.txt", "nothing here")


@pytest.mark.parametrize("make", [a_text, nothing, a_pipe, an_archive_without_shots])
def test_unusable_archive_is_one_line_and_status_2(
    tmp_path: Path, make: Callable[[Path], None]
) -> None:
    target = tmp_path / "crew.zip"
    make(target)
    status, said = run("cable", target, "--out", tmp_path / "out")
    assert status == 2
    assert said.count("\n") == 1
    assert "crew.zip" in said
    assert [path.name for path in tmp_path.iterdir()] == ["crew.zip"]


def test_unusable_archive_inside_a_folder_is_a_finding(shots: Path, tmp_path: Path) -> None:
    folder = tmp_path / "mail"
    write_shots(folder)
    a_text(folder / "rest.zip")
    result = review_of(folder)
    (record,) = (shot for shot in result.shots if shot.path == "rest.zip")
    assert record.use is ShotUse.UNREADABLE
    assert "expected a zip archive" in told(record.remark)
    assert str(folder) not in told(record.remark)


def test_random_damage_raises_nothing_else(shots: Path, tmp_path: Path) -> None:
    whole = zipped(shots, tmp_path / "whole.zip").read_bytes()
    directory = whole.index(b"PK\x01\x02")
    target = tmp_path / "crew.zip"
    chance = random.Random(20240514)
    refused = 0
    for _ in range(400):
        content = bytearray(whole)
        for _ in range(chance.randint(1, 5)):
            at = chance.randrange(directory if chance.random() < 0.8 else 0, len(content))
            content[at] = chance.choice((0, 1, 0x7F, 0xFF, chance.randrange(256)))
        target.write_bytes(content)
        try:
            for entry in archive_entries(str(target)):
                if not entry.skipped and entry.location.size_bytes < 2**20:
                    entry.location.read_bytes()
        except UnreadableTrace:
            refused += 1
    assert 50 < refused < 400
