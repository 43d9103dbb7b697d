"""Attachments: copied as they are, listed with hashes, covered by the evidence and by verify."""

from __future__ import annotations

import csv
import hashlib
import os
import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from key_cables import plain
from PIL import Image
from pypdf import PdfReader

from otdravg.cable.model import Closure
from otdravg.cli import main
from otdravg.closeout.attachments import (
    Attached,
    Attachments,
    attached_of,
    attachments_below,
    carry,
)
from otdravg.system.manifest import write_evidence, write_manifest
from otdravg.tables.csv_file import CsvStyle


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(one) for one in arguments])


@pytest.fixture(scope="module")
def shots(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("cable") / "shots"
    plain(folder)
    return folder


@pytest.fixture
def photos(tmp_path: Path) -> Path:
    folder = tmp_path / "photos"
    (folder / "closure 1").mkdir(parents=True)
    (folder / "closure 1" / "tray.jpg").write_bytes(b"\xff\xd8 no picture")
    Image.new("RGB", (1600, 1200), "seagreen").save(folder / "closure 1" / "lid.jpg")
    (folder / "=certificate.pdf").write_bytes(b"%PDF")
    return folder


def made(shots: Path, photos: Path, out: Path) -> Result:
    return run("cable", shots, "--out", out, "--only", "csv,json,traces", "--attach", photos,
               "--workers", 1)  # fmt: skip


def test_they_are_there_with_their_hashes(shots: Path, photos: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    assert made(shots, photos, out).exit_code in (0, 1)
    with open(out / "attachments" / "attached.csv", encoding="utf-8", newline="") as stream:
        rows = list(csv.reader(stream))
    assert rows[0] == ["file", "closure", "bytes", "sha256"]
    names = {"=certificate.pdf": "", "closure 1/lid.jpg": "1", "closure 1/tray.jpg": "1"}
    for row, (name, closure) in zip(rows[1:], names.items(), strict=True):
        content = (photos / name).read_bytes()
        assert (out / "attachments" / name).read_bytes() == content
        assert row == [name.replace("=", "'="), closure, str(len(content)),
                       hashlib.sha256(content).hexdigest()]  # fmt: skip
    assert "attachments/attached.csv" in (out / "evidence.sha256").read_text(encoding="utf-8")
    good = run("verify", out)
    assert (good.exit_code, "attachments against" in good.output) == (0, True), good.output


def test_one_that_was_changed_is_found_even_with_a_new_manifest(
    shots: Path, photos: Path, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    made(shots, photos, out)
    picture = out / "attachments" / "closure 1" / "tray.jpg"
    before = hashlib.sha256(picture.read_bytes()).hexdigest()
    picture.write_bytes(b"another tray")
    manifest = out / "manifest.sha256"
    text = manifest.read_text(encoding="utf-8")
    after = hashlib.sha256(b"another tray").hexdigest()
    manifest.write_text(text.replace(before, after), encoding="utf-8")
    found = run("verify", out)
    assert found.exit_code == 1
    assert "file and list differ (closure 1/tray.jpg" in found.output.replace("\n", " ")


def paper_of(folder: Path) -> str:
    pages = PdfReader(folder / "closeout.pdf").pages
    return " ".join(" ".join(page.extract_text() for page in pages).split())


def test_one_that_was_removed_with_its_line_is_found(
    shots: Path, photos: Path, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    made(shots, photos, out)
    (out / "attachments" / "closure 1" / "tray.jpg").unlink()
    table = out / "attachments" / "attached.csv"
    lines = table.read_bytes().splitlines(keepends=True)
    table.write_bytes(b"".join(line for line in lines if b"tray" not in line))
    write_evidence(out)
    write_manifest(out)
    found = run("verify", out)
    assert found.exit_code == 1
    assert "closure 1/tray.jpg" in found.output.replace("\n", " ")


def test_printed_again_it_has_them_too(shots: Path, photos: Path, tmp_path: Path) -> None:
    out, again = tmp_path / "out", tmp_path / "again"
    run("cable", shots, "--out", out, "--only", "json,pdf", "--attach", photos, "--workers", 1)
    done = run("report", out / "closeout.json", "--out", again, "--only", "json,pdf")
    assert (done.exit_code, "do not lie" in done.output) == (0, False), done.output
    names = sorted(p.relative_to(out) for p in (out / "attachments").rglob("*") if p.is_file())
    assert len(names) == 4
    for name in names:
        assert (again / name).read_bytes() == (out / name).read_bytes()
    assert paper_of(again) == paper_of(out)
    assert "Attached: =certificate.pdf" in paper_of(again)
    assert run("verify", again).exit_code == 0


def test_printed_again_without_them_the_paper_says_which_are_missing(
    shots: Path, photos: Path, tmp_path: Path
) -> None:
    out, again, alone = tmp_path / "out", tmp_path / "again", tmp_path / "alone"
    run("cable", shots, "--out", out, "--only", "json,pdf", "--attach", photos, "--workers", 1)
    (out / "attachments" / "closure 1" / "lid.jpg").write_bytes(b"another lid")
    done = run("report", out / "closeout.json", "--out", again, "--only", "json,pdf")
    assert "as they were: closure 1/lid.jpg" in " ".join(done.output.split())
    assert "Attached: closure 1/lid.jpg (not here), closure 1/tray.jpg" in paper_of(again)
    checked = " ".join(run("verify", again).output.split())
    assert "1 problem" in checked
    assert "closure 1/lid.jpg" in checked
    alone.mkdir()
    shutil.copy(out / "closeout.json", alone)
    done = run("report", alone / "closeout.json", "--out", tmp_path / "bare")
    assert "=certificate.pdf, closure 1/lid.jpg, closure 1/tray.jpg" in done.output
    assert "closure 1/tray.jpg (not here)" in paper_of(tmp_path / "bare")


def test_a_list_from_elsewhere_does_not_lead_out_of_its_folder(tmp_path: Path) -> None:
    (tmp_path / "from").mkdir()
    (tmp_path / "secret.jpg").write_bytes(b"secret")
    (tmp_path / "to" / "draft").mkdir(parents=True)
    (secret,) = (a for a in attachments_below(tmp_path).listed if a.name == "secret.jpg")
    listed = (replace(secret, name="../secret.jpg"),)
    carry(Attachments(tmp_path / "from", listed), tmp_path / "to" / "draft", CsvStyle(), ())
    written = [path.name for path in (tmp_path / "to").rglob("*") if path.is_file()]
    assert written == ["attached.csv"]


def test_what_cannot_be_attached_is_one_line_and_nothing_is_written(
    shots: Path, photos: Path, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    (photos / "attached.csv").write_text("mine")
    taken = made(shots, photos, out)
    (photos / "attached.csv").unlink()
    os.symlink("/etc/hostname", photos / "link.jpg")
    linked = made(shots, photos, out)
    empty = tmp_path / "empty"
    empty.mkdir()
    for result, said in (
        (taken, "has the name of the list"),
        (linked, "could not be attached"),
        (made(shots, empty, out), "holds no file"),
        (made(shots, tmp_path / "none", out), "is not a folder"),
        (made(shots, photos, photos / "out"), "lies in the folder that is read"),
    ):
        assert result.exit_code == 2
        assert said in " ".join(result.output.split())
        assert not out.exists()


def test_pictures_stand_on_the_sheet_of_the_closure_that_their_names_state(
    shots: Path, photos: Path, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    run("cable", shots, "--out", out, "--only", "json,pdf", "--attach", photos, "--workers", 1)
    sheets = [p for p in PdfReader(out / "closeout.pdf").pages if "Attached: " in p.extract_text()]
    assert len(sheets) == 1
    assert "Attached: closure 1/lid.jpg, closure 1/tray.jpg" in sheets[0].extract_text()
    (picture,) = sheets[0].images  # tray.jpg is none
    assert picture.image is not None
    assert max(picture.image.size) == 480
    assert run("verify", out).exit_code == 0


@pytest.mark.parametrize(
    ("name", "number"),
    [
        ("J2 Otterstone/left.jpg", 2),
        ("otdr/2026-04-03 j02_otterstone-tray 4.JPG", 2),
        ("closure 2/1.jpg", 2),
        ("Muffe 3 Deckel.png", 3),
        ("MH03.jpg", 3),
        ("MH 31.jpg", None),  # another manhole
        ("3/tray 1.jpg", None),  # a number alone may be anything
        ("closure 2 MH 3.jpg", None),  # two closures
        ("closure 4.jpg", 4),
        ("closure 7.jpg", None),
        ("Otterstone.jpg", None),  # half a name
    ],
)
def test_a_file_is_of_the_closure_that_it_names_whole(name: str, number: int | None) -> None:
    closures = [
        Closure("C", n, (1,), own, 1000.0 * n, 1.0, (1,), 1)
        for n, own in enumerate(("1", "J2 Otterstone", "MH 3", "Lea"), start=1)
    ]
    of = None if number is None else ("C", number)
    assert attached_of([Attached(name, 1, "")], closures) == {of: [name]}
