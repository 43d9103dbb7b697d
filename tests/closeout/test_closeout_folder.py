"""The folder of a closeout: complete or not there, hashed, and of one mind."""

from __future__ import annotations

import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from otdravg.cable import CableReview
from otdravg.cable.location import Location
from otdravg.closeout import closeout as driver
from otdravg.closeout.checks.run import checks_of
from otdravg.closeout.closeout import write_closeout
from otdravg.closeout.json_file import read_closeout
from otdravg.closeout.sketches import Sketches
from otdravg.closeout.template import Template
from otdravg.errors import BadCloseout, OutputRefused
from otdravg.system.manifest import MANIFEST, check_manifest
from otdravg.system.whole_folder import whole_folder
from otdravg.tables.csv_file import CsvStyle
from otdravg.words.catalogue import told
from otdravg.words.headings import Language

PARTS = frozenset({"csv", "xlsx", "json", "traces"})

Write = Callable[..., Path]


@pytest.fixture
def write(bad_review: CableReview, sketches: Sketches, template: Template, tmp_path: Path) -> Write:
    def write_it(name: str = "out", **options: object) -> Path:
        folder = tmp_path / name
        chosen = {"only": PARTS, "template": template, "sketches": sketches} | options
        write_closeout(bad_review, folder, **chosen)  # type: ignore[arg-type]
        return folder

    return write_it


def content_of(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file()
    }


def test_manifest_is_good_for_the_system_tool(write: Write) -> None:
    tool = shutil.which("sha256sum")
    if tool is None:
        pytest.skip("sha256sum is not installed")
    folder = write()
    done = subprocess.run([tool, "-c", MANIFEST], cwd=folder, capture_output=True, check=False)
    assert done.returncode == 0, done.stdout
    assert done.stdout.count(b": OK") == len(content_of(folder)) - 1


def test_same_input_gives_the_same_bytes_of_every_file(write: Write) -> None:
    assert content_of(write("one")) == content_of(write("two"))


def test_everything_is_made_again_from_the_json_alone(write: Write, tmp_path: Path) -> None:
    first = content_of(write(only=PARTS - {"traces"}))
    closeout = read_closeout(tmp_path / "out" / "closeout.json")
    write_closeout(
        closeout.review,
        tmp_path / "again",
        only=PARTS - {"traces"},
        template=closeout.template,
        sketches=closeout.sketches,
    )
    again = content_of(tmp_path / "again")
    made_again = again.keys() - {MANIFEST}
    assert len(made_again) > 6
    for name in made_again:
        assert again[name] == first[name], name


def test_date_is_source_date_epoch(
    write: Write, template: Template, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1700000000")
    folder = write(template=replace(template, made_at=None))
    made_at = read_closeout(folder / "closeout.json").template.made_at
    assert made_at is not None
    assert made_at.isoformat() == "2023-11-14T22:13:20+00:00"


def test_changes_are_noticed_file_by_file(write: Write) -> None:
    folder = write()
    assert check_manifest(folder).is_good
    (folder / "findings.csv").write_bytes(b"")
    (folder / "shots.csv").unlink()
    (folder / "notes.txt").write_text("mine", "utf-8")
    found = check_manifest(folder)
    assert (found.changed, found.missing, found.extra) == (
        ("findings.csv",),
        ("shots.csv",),
        ("notes.txt",),
    )


@pytest.mark.parametrize("line", ["nonsense", "../x", "00  a\n00  a"])
def test_damaged_manifest_is_an_error(write: Write, line: str) -> None:
    folder = write(only={"csv"})
    (folder / MANIFEST).write_text(line, "utf-8")
    with pytest.raises(BadCloseout):
        check_manifest(folder)


def problems_of(folder: Path) -> list[str]:
    return [told(text) for check in checks_of(folder) for text in check.problems]


@pytest.mark.parametrize(
    "style",
    [CsvStyle(), CsvStyle(";", decimal_comma=True), CsvStyle("\t")],
    ids=["comma", "decimal comma", "tab"],
)
@pytest.mark.parametrize("language", list(Language))
def test_outputs_agree(
    good_review: CableReview,
    sketches: Sketches,
    template: Template,
    tmp_path: Path,
    style: CsvStyle,
    language: Language,
) -> None:
    template = replace(template, csv=style, language=language)
    folder = tmp_path / "out"
    write_closeout(good_review, folder, only=PARTS, template=template, sketches=sketches)
    assert problems_of(folder) == []
    assert sum(check.count for check in checks_of(folder)) > 10_000


def test_damaged_output_is_an_error_that_names_it(write: Write) -> None:
    folder = write()
    (folder / "closeout.xlsx").write_bytes(b"PK no workbook")
    with pytest.raises(BadCloseout, match=r"closeout\.xlsx"):
        list(checks_of(folder))


def test_failure_leaves_the_old_closeout_whole(
    write: Write, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    folder = write()
    before = content_of(folder)

    def disk_full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setitem(driver._EVIDENCE, "json", disk_full)
    with pytest.raises(OutputRefused, match="No space left on device"):
        write(force=True)
    assert content_of(folder) == before
    assert sorted(path.name for path in tmp_path.iterdir()) == ["out"]


def test_interrupt_leaves_nothing_behind(tmp_path: Path) -> None:
    def write_half() -> None:
        with whole_folder(tmp_path / "out", overwrite=False) as draft:
            (draft / "half").write_bytes(b"x")
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_half()
    assert list(tmp_path.iterdir()) == []


def test_replacing_takes_away_what_the_new_one_does_not_have(write: Write) -> None:
    write()
    folder = write(only={"csv"}, force=True)
    assert not (folder / "closeout.xlsx").exists()
    assert check_manifest(folder).is_good


def test_nobodys_own_files_are_replaced(write: Write) -> None:
    folder = write()
    with pytest.raises(OutputRefused, match="is not empty"):
        write()
    (folder / "notes.txt").write_text("mine", "utf-8")
    with pytest.raises(OutputRefused, match=r"notes\.txt, which no closeout wrote"):
        write(force=True)
    assert (folder / "notes.txt").read_text("utf-8") == "mine"


def test_folder_without_manifest_is_never_replaced(write: Write, tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "thesis.txt").write_text("years of work", "utf-8")
    with pytest.raises(OutputRefused, match="is no closeout"):
        write(force=True)
    assert (tmp_path / "out" / "thesis.txt").exists()


def test_folder_that_holds_the_traces_is_never_replaced(
    write: Write, bad_review: CableReview, tmp_path: Path
) -> None:
    folder = write()
    inside = folder / "traces" / "names.csv"
    shots = (replace(bad_review.shots[0], location=Location(str(inside), 0)), *bad_review.shots[1:])
    with pytest.raises(OutputRefused, match="holds files that are read"):
        write_closeout(replace(bad_review, shots=shots), folder, only={"csv"}, force=True)


def test_second_run_into_the_same_folder_refuses(tmp_path: Path) -> None:
    with whole_folder(tmp_path / "out", overwrite=False) as draft:
        (draft / "a").write_bytes(b"1")
        other = whole_folder(tmp_path / "out", overwrite=False)
        with pytest.raises(OutputRefused, match="another run is writing there"), other:
            pytest.fail("both runs write")
    assert (tmp_path / "out" / "a").read_bytes() == b"1"


_WRITER = """
import sys
from pathlib import Path
from otdravg.system.manifest import write_manifest
from otdravg.system.whole_folder import whole_folder
number = 0
print("ready", flush=True)
while True:
    number += 1
    with whole_folder(Path(sys.argv[1]), overwrite=True) as draft:
        for name in "abcdefgh":
            (draft / name).write_text(f"{number} " * 2000)
        write_manifest(draft)
"""


@pytest.mark.parametrize("moment", range(12))
def test_killed_at_any_moment_the_folder_is_whole_or_absent(tmp_path: Path, moment: int) -> None:
    target = tmp_path / "out"
    with subprocess.Popen(
        [sys.executable, "-c", _WRITER, str(target)], stdout=subprocess.PIPE
    ) as process:
        assert process.stdout is not None
        process.stdout.readline()
        time.sleep(0.01 + 0.0037 * moment)
        process.kill()
    if target.exists():
        check = check_manifest(target)
        assert check.is_good, check
        assert len({path.read_text()[:9] for path in target.glob("?")}) == 1
    with whole_folder(target, overwrite=True) as draft:
        (draft / "next").write_bytes(b"")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["out"]
