"""What the crew wrote down in the van stands in every output that sends somebody to a closure."""

from __future__ import annotations

import csv
from pathlib import Path

import openpyxl
import pytest
from click.testing import CliRunner, Result
from construction import WAVELENGTHS, Site5
from pypdf import PdfReader

from otdravg.cli import main
from otdravg.watch.status import ENDS

#: As a spreadsheet set to German saves it; the third closure from A has the bad splice.
PLAN = (
    "closure;tube_in;ribbon_in;reversed;express;tray;slot\r\n"
    "3;B7;1;nein;;T2;4\r\n"
    ";;;;;;\r\n"
    "5;B7;1;;;=T5;1\r\n"
)


def run(*arguments: object) -> Result:
    return CliRunner(env={"COLUMNS": "200"}).invoke(main, [str(a) for a in arguments])


def joined(result: Result) -> str:
    return " ".join(result.output.split())


@pytest.fixture(scope="module")
def van(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Twelve fibres, five closures, fibre 5 over the limit at the third; job and plan beside."""
    folder = tmp_path_factory.mktemp("van")
    site = Site5(folder / "shots", fibres=12, seed=4, bad_share=0.0)
    site.losses_db[3, 5] = 0.31
    for end in ENDS.values():
        for fibre in range(1, 13):
            for nm in WAVELENGTHS:
                site.shoot(fibre, nm, end)
    cable = site.site.run.cable
    (folder / "job.toml").write_text(
        f'format = 1\ncable = "{cable}"\nfibres = 12\nwavelengths = [1310, 1550]\nribbon = 12\n'
        'shots = ["shots"]\n'
    )
    (folder / "splice-plan.csv").write_bytes(PLAN.encode("cp1252"))
    return folder


@pytest.fixture(scope="module")
def done(van: Path) -> Result:
    return run("cable", "--job", van / "job.toml", "--out", van / "out", "--all", "--workers", 1)


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as lines:
        return list(csv.DictReader(lines))


def test_the_tray_stands_on_the_screen(done: Result) -> None:
    assert done.exit_code == 1, done.output
    assert "re-splice ribbon 1 (tube B7, tray T2, slot 4): fibre 5" in joined(done)


def test_the_tray_stands_in_the_tables(done: Result, van: Path) -> None:
    (unit,) = rows_of(van / "out" / "resplice.csv")
    assert (unit["tube"], unit["tray"], unit["slot"]) == ("B7", "T2", "4")
    splices = rows_of(van / "out" / "splices.csv")
    trays = {row["closure_number"]: row["tray"] for row in splices}
    # What begins like a formula is text in every spreadsheet.
    assert trays == {"1": "", "2": "", "3": "T2", "4": "", "5": "'=T5"}
    assert {row["tray"] for row in rows_of(van / "out" / "ribbons.csv")} == {"", "T2", "'=T5"}
    book = openpyxl.load_workbook(van / "out" / "closeout.xlsx")
    cells = {str(c.value) for sheet in book for line in sheet.iter_rows() for c in line if c.value}
    assert {"Tray", "T2", "=T5"} <= cells


def test_the_tray_stands_on_the_work_sheet_and_the_page(done: Result, van: Path) -> None:
    pages = [page.extract_text() for page in PdfReader(van / "out" / "closeout.pdf").pages]
    (sheet,) = [text for text in pages if text.startswith("Work sheet")]
    assert "Tube B7, Tray T2, Slot 4" in sheet
    assert "1, Tube B7, Tray T2, Slot 4" in (van / "out" / "closeout.html").read_text("utf-8")


def test_every_closure_has_its_sheet_planned_beside_found(done: Result, van: Path) -> None:
    pages = [page.extract_text() for page in PdfReader(van / "out" / "closeout.pdf").pages]
    (text,) = [text for text in pages if text.startswith("Closure by closure")]
    sections = text.split("Closure ")[2:]
    assert [section[0] for section in sections] == ["1", "2", "3", "4", "5"]  # bad or not
    third = " ".join(sections[2].split())
    assert "planned" in third
    assert "1 (1–12) Tube B7, Tray T2, Slot 4 straight 12 / 12" in third
    assert "!" in third  # the sign of what is over
    assert "planned" not in sections[0]  # of closure 1 the plan says nothing
    checked = run("verify", van / "out")
    assert checked.exit_code == 0, checked.output


def test_the_tray_is_said_over_the_phone(van: Path) -> None:
    said = run("watch", "--job", van / "job.toml", van / "shots", "--once", "--workers", 1,
               "--settle", 0, "--state", van / "said.json")  # fmt: skip
    assert "closure 3, ribbon 1, tube B7, tray T2, slot 4 (fibres 1 to 12): 5 slate" in joined(said)


def test_without_a_plan_there_are_no_such_columns(van: Path, tmp_path: Path) -> None:
    (tmp_path / "job.toml").write_text((van / "job.toml").read_text())
    result = run("cable", "--job", tmp_path / "job.toml", van / "shots", "--out", tmp_path / "out",
                 "--workers", 1)  # fmt: skip
    assert result.exit_code == 1
    assert "tray" not in rows_of(tmp_path / "out" / "splices.csv")[0]


def test_the_next_shots_from_b_are_named_as_they_are_numbered_there(tmp_path: Path) -> None:
    site = Site5(tmp_path / "shots", fibres=24, seed=4, bad_share=0.0)
    for fibre in range(1, 25):
        for nm in WAVELENGTHS:
            site.shoot(fibre, nm, "A")
            if fibre <= 12:
                site.shoot(fibre, nm, "B")  # the shots called 1 to 12 at B, of 13 to 24 by the plan
    (tmp_path / "job.toml").write_text(
        f'format = 1\ncable = "{site.site.run.cable}"\nfibres = 24\nwavelengths = [1310, 1550]\n'
        "ribbon = 12\n"
    )
    plan = "closure,ribbon_in,ribbon_out\n1,1,2\n1,2,1\n"
    (tmp_path / "splice-plan.csv").write_text(plan)
    said = run("job", "show", tmp_path / "job.toml", tmp_path / "shots")
    assert "fibres 13–24 at 1310 and 1550 nm, as numbered at B" in joined(said)
