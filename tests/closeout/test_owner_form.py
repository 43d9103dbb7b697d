"""The owner's own workbook, made with XlsxWriter and read back with openpyxl and LibreOffice."""

from __future__ import annotations

import csv
import io
import random
import shutil
import subprocess
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any
from zipfile import ZipFile

import openpyxl
import pytest
import xlsxwriter
from click.testing import CliRunner
from test_closeout_template import png

from otdravg.cable import CableReview
from otdravg.cli import main
from otdravg.closeout.closeout import write_closeout
from otdravg.closeout.form import ABOUT
from otdravg.closeout.sketches import Sketches
from otdravg.closeout.template import Template, load_template
from otdravg.closeout.xlsx.form import filled_form
from otdravg.errors import BadSetting
from otdravg.system.manifest import write_evidence, write_manifest
from otdravg.tables.figures import FIGURES, OF_SPLICES
from otdravg.tables.marks import State, state_of

#: openpyxl says so of what the form holds and it does not read.
pytestmark = pytest.mark.filterwarnings("ignore:.*extension is not supported:UserWarning")
GUIDE = Path(__file__).parents[2] / "docs" / "template.md"
SETTINGS = """
project = "=1+1"
[form]
workbook = "owner.xlsx"
[form.cells]
Cable_no = "cables"
Over = "splices_over"
largest_1550 = "largest_db.1550"
Largest_1625 = "largest_db.1625"
Limit = "limit_db"
Project = "project"
Shot_on = "last_shot"
Says = "standing_says"
[form.rows.Splices]
columns = ["fibre", "closure", "wavelength_nm", "loss_db", "verdict"]
[form.rows.Fibres]
table = "fibres"
columns = ["fibre", "wavelength_nm", "end_to_end_db"]
"""


def owners_workbook(path: Path, more: Callable[[Any, Any], None] | None = None) -> None:
    """A form with formulas on the filled cells, and what a spreadsheet can hold besides."""
    book = xlsxwriter.Workbook(str(path))
    page, data = book.add_worksheet("Sheet of the owner"), book.add_worksheet("Data")
    three, date = (book.add_format({"num_format": form}) for form in ("0.000", "dd.mm.yyyy"))
    names = ("Cable_no", "Over", "Largest_1550", "Largest_1625", "Limit", "Project", "Shot_on")
    for row, name in enumerate(names):
        page.write(row, 0, f"Owner's word for {name}")
        page.write(row, 1, "to be filled", date if name == "Shot_on" else three)
        book.define_name(name, f"='Sheet of the owner'!$B${row + 1}")
    page.merge_range("B9:D9", "")
    book.define_name("Says", "='Sheet of the owner'!$B$9:$D$9")
    page.write_formula("B10", '=IF(Largest_1550<=Limit,"OK","REFUSED")', None, "OK")
    page.write_formula("B11", "=MAX(Data!$D$2:$D$500)", three, 99)
    page.write_formula("B12", '=COUNTIF(Data!$E$2:$E$500,"over limit")', None, 99)
    page.write_formula("B13", '=IF(Largest_1625<=Limit,"OK","REFUSED")', None, "OK")
    page.conditional_format(
        "B1:B4", {"type": "cell", "criteria": ">", "value": 0.2, "format": three}
    )
    page.conditional_format("D1:D4", {"type": "data_bar", "data_bar_2010": True})
    page.data_validation("B20", {"validate": "list", "source": ["yes", "no"]})
    page.insert_textbox("F6", "Words of the owner")
    page.insert_image("F1", "logo.png", {"image_data": io.BytesIO(png(20, 10))})
    chart = book.add_chart({"type": "column"})
    chart.add_series({"values": "=Data!$D$2:$D$97"})
    page.insert_chart("F10", chart)
    page.protect("simulated")
    for row in range(1, 97):
        data.write_formula(row, 5, f"=Limit-D{row + 1}", three, 0)
    data.write_blank("D2", None, three)
    book.define_name("Splices", "=Data!$A$2")
    data.add_table(2, 7, 60, 9, {"name": "Fibres", "columns": [{"header": c} for c in "ABC"]})
    book.define_name("Sum", "='Sheet of the owner'!$B$11")
    book.define_name("Whole_column", "=Data!$A:$A")
    book.define_name("Two_cells", "=Data!$A$1:$B$1")
    book.define_name("Hidden", "='Sheet of the owner'!$C$9")
    book.define_name("Short", "=Data!$A$2:$E$20")
    book.define_name("In_the_way", "='Sheet of the owner'!$H$30")
    page.write("H33", "words of the owner")
    if more is not None:
        more(book, data)
    book.close()


@pytest.fixture(scope="module")
def form(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("form")
    owners_workbook(folder / "owner.xlsx")
    (folder / "form.toml").write_text(SETTINGS, "utf-8")
    return folder


@pytest.fixture(scope="module")
def package(form: Path, good_review: CableReview, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("package") / "closeout"
    template = load_template(form / "form.toml")
    before = (form / "owner.xlsx").read_bytes()
    parts = {"csv", "xlsx", "json"}
    write_closeout(good_review, out, only=parts, template=template, sketches=Sketches())
    assert (form / "owner.xlsx").read_bytes() == before
    return out


def values(path: Path) -> dict[str, Any]:
    """Words and figures of the owner's first sheet by the text before them."""
    sheet = openpyxl.load_workbook(path)["Sheet of the owner"]
    return {
        str(row[0]).removeprefix("Owner's word for "): row[1]
        for row in sheet.iter_rows(max_row=7, values_only=True)
    }


def test_named_cells_hold_the_figures_of_the_results(
    package: Path, good_review: CableReview
) -> None:
    found = values(package / "form.xlsx")
    assert found["Cable_no"] == "SIMQB1"
    assert found["Over"] == sum(state_of(row) is State.OVER for row in good_review.rows)
    losses = [r.loss_db for r in good_review.rows if r.wavelength_nm == 1550 and r.loss_db]
    assert found["Largest_1550"] == pytest.approx(max(losses), abs=0.00051)
    assert found["Limit"] == 0.2
    assert found["Shot_on"].date() == max(s.taken for s in good_review.shots if s.taken).date()


def test_what_was_not_measured_is_no_empty_cell_that_a_formula_takes_for_0(package: Path) -> None:
    assert values(package / "form.xlsx")["Largest_1625"] == State.NOT_MEASURED.sign


def test_a_text_that_looks_like_a_formula_stays_a_text(package: Path) -> None:
    cell = openpyxl.load_workbook(package / "form.xlsx")["Sheet of the owner"]["B6"]
    assert (cell.value, cell.data_type) == ("=1+1", "s")


def test_lists_are_those_of_the_tables(package: Path, good_review: CableReview) -> None:
    sheet = openpyxl.load_workbook(package / "form.xlsx")["Data"]
    with open(package / "splices.csv", encoding="utf-8", newline="") as stream:
        wanted = list(csv.DictReader(stream))
    rows = list(sheet.iter_rows(min_row=2, max_col=5, max_row=len(wanted) + 1, values_only=True))
    assert len(rows) == len(good_review.rows)
    for row, line in zip(rows, wanted, strict=True):
        assert [str(row[0]), row[1]] == [line["fibre"], line["closure"]]
        assert row[3] == float(line["loss_db"])
        assert row[4] == line["verdict"]
    assert {sheet.cell(row, 4).number_format for row in range(2, len(wanted) + 2)} == {"0.000"}
    assert [sheet.cell(row, 8).value for row in (3, 4, 5)] == ["A", 1, 1]


def test_everything_else_in_the_workbook_stays_byte_for_byte(form: Path, package: Path) -> None:
    with ZipFile(form / "owner.xlsx") as one, ZipFile(package / "form.xlsx") as other:
        assert one.namelist() == other.namelist()
        changed = [name for name in one.namelist() if one.read(name) != other.read(name)]
    assert changed == ["xl/worksheets/sheet1.xml", "xl/worksheets/sheet2.xml"]
    books = [openpyxl.load_workbook(p) for p in (form / "owner.xlsx", package / "form.xlsx")]
    formulas = [
        {(s.title, c.coordinate): c.value for s in b for r in s for c in r if c.data_type == "f"}
        for b in books
    ]
    assert len(formulas[0]) == 100
    assert formulas[0] == formulas[1]
    for name in ("Sheet of the owner", "Data"):
        sheets = [book[name] for book in books]
        rules = [[r.sqref for r in s.conditional_formatting] for s in sheets]
        assert rules[0] == rules[1]
        inputs = [[str(v.sqref) for v in s.data_validations.dataValidation] for s in sheets]
        assert inputs[0] == inputs[1]


def test_no_formula_shows_what_it_came_to_before(package: Path) -> None:
    book = openpyxl.load_workbook(package / "form.xlsx", data_only=True)
    assert [book["Sheet of the owner"][cell].value for cell in ("B10", "B11", "B12")] == [None] * 3
    assert book.calculation.fullCalcOnLoad


@pytest.mark.skipif(shutil.which("soffice") is None, reason="LibreOffice is not there")
def test_libreoffice_works_the_formulas_out_from_the_filled_cells(
    package: Path, tmp_path: Path, good_review: CableReview
) -> None:
    home = f"-env:UserInstallation={(tmp_path / 'home').as_uri()}"
    command = ["soffice", home, "--headless", "--convert-to", "xlsx", "--outdir", str(tmp_path)]
    subprocess.run([*command, str(package / "form.xlsx")], check=True, timeout=120)
    sheet = openpyxl.load_workbook(tmp_path / "form.xlsx", data_only=True)["Sheet of the owner"]
    losses = [round(row.loss_db, 3) for row in good_review.rows if row.loss_db is not None]
    over = sum(row.verdict.verdict.value == "over limit" for row in good_review.rows)
    assert over
    assert [sheet[cell].value for cell in ("B10", "B11", "B12")] == ["REFUSED", max(losses), over]
    assert sheet["B13"].value == "REFUSED"


def changed(settings: str, old: str, new: str) -> str:
    assert old in settings
    return settings.replace(old, new)


@pytest.mark.parametrize(
    ("old", "new", "problem"),
    [
        ('"splices_over"', '"splice_over"', r"form\.cells\.Over: .* did you mean splices_over\?"),
        ('"cables"', '"cables.1550"', r"did you mean cables\?"),
        ("Cable_no =", "Cabel_no =", r"has no such name; did you mean cable_no\?"),
        ("Over =", "Sum =", "B11 holds a formula"),
        ("Over =", "Whole_column =", "one place of one sheet"),
        ("Over =", "Two_cells =", "more than one cell"),
        ("Over =", "Hidden =", "inside merged cells"),
        ("Over =", "CABLE_NO =", "lies where Cable_no does"),
        ('"fibre", "closure"', '"fiber", "closure"', r"did you mean fibre\?"),
        ('"fibres"', '"fibers"', r"did you mean fibres\?"),
        ("rows.Splices]", "rows.Splise]", "has no such name"),
        ('"wavelength_nm", "end', '"ribbon", "colour", "end', "has 3 columns, 4 are to be"),
        ('"owner.xlsx"', '"other.xlsx"', "No such file"),
        ('"owner.xlsx"', '"form.toml"', "cannot be read as an .xlsx workbook"),
        ("[form.cells]", "[form.celss]", "no such key"),
        ("[form.rows.Splices]\n", "[form.rows.Splices]\nheads = 1\n", "no such key"),
    ],
)
def test_what_cannot_be_filled_is_refused_before_anything_is_measured(
    form: Path, tmp_path: Path, old: str, new: str, problem: str
) -> None:
    shutil.copy(form / "owner.xlsx", tmp_path)
    (tmp_path / "form.toml").write_text(changed(SETTINGS, old, new), "utf-8")
    with pytest.raises(BadSetting, match=problem) as told:
        load_template(tmp_path / "form.toml")
    assert "\n" not in str(told.value)


@pytest.mark.parametrize(
    ("part", "problem"),
    [("xl/vbaProject.bin", "macros"), ("_xmlsignatures/sig1.xml", "it is signed")],
)
def test_a_workbook_with_macros_or_a_signature_is_refused(
    form: Path, tmp_path: Path, part: str, problem: str
) -> None:
    shutil.copy(form / "owner.xlsx", tmp_path)
    (tmp_path / "form.toml").write_text(SETTINGS, "utf-8")
    with ZipFile(tmp_path / "owner.xlsx", "a") as archive:
        archive.writestr(part, b"simulated")
    with pytest.raises(BadSetting, match=problem):
        load_template(tmp_path / "form.toml")


@pytest.mark.parametrize(
    ("name", "problem"),
    [("Short", "has 19 rows, 96 are to be filled"), ("In_the_way", "H33 holds something")],
)
def test_a_list_that_does_not_fit_leaves_nothing_behind(
    form: Path, tmp_path: Path, good_review: CableReview, name: str, problem: str
) -> None:
    shutil.copy(form / "owner.xlsx", tmp_path)
    settings = changed(SETTINGS, "rows.Splices]", f"rows.{name}]")
    (tmp_path / "form.toml").write_text(settings, "utf-8")
    template, out = load_template(tmp_path / "form.toml"), tmp_path / "out"
    with pytest.raises(BadSetting, match=problem):
        write_closeout(good_review, out, only={"xlsx"}, template=template)
    assert not out.exists()


def test_a_form_is_not_left_out_silently(form: Path, shots_folder: Path) -> None:
    command = ["cable", str(shots_folder), "--out", str(form / "out")]
    done = CliRunner().invoke(main, [*command, "--template", str(form / "form.toml")])
    assert done.exit_code == 2
    assert "add --all" in done.output
    assert not (form / "out").exists()


def damaged(form: Path, chance: random.Random) -> bytes:
    """A workbook of which one part is cut, turned in a sign, or gone; or its bytes are."""
    content = (form / "owner.xlsx").read_bytes()
    how = chance.randrange(4)
    if how == 0:
        return content[: chance.randrange(len(content))]
    made = io.BytesIO()
    with ZipFile(io.BytesIO(content)) as source, ZipFile(made, "w") as target:
        hurt = chance.choice(source.namelist())
        for name in source.namelist():
            part = bytearray(source.read(name))
            at = chance.randrange(len(part))
            if name == hurt and how == 1:
                part[at : at + chance.randrange(1, 40)] = b""
            elif name == hurt and how == 2:
                part[at : at + 1] = chance.choice([b"<", b"&", b"-1", b"999999999", b"\0", b'"'])
            if name != hurt or how != 3:
                target.writestr(name, bytes(part))
    return made.getvalue()


def test_a_damaged_workbook_is_one_line_or_is_filled(
    form: Path, tmp_path: Path, good_review: CableReview
) -> None:
    chance, outcomes = random.Random(7), Counter[str]()
    (tmp_path / "form.toml").write_text(SETTINGS, "utf-8")
    for _ in range(150):
        (tmp_path / "owner.xlsx").write_bytes(damaged(form, chance))
        try:
            filled_form(good_review, load_template(tmp_path / "form.toml"), "")
        except BadSetting as error:
            outcomes[f"{len(str(error).splitlines())} line"] += 1
        else:
            outcomes["filled"] += 1
    assert set(outcomes) == {"1 line", "filled"}
    assert min(outcomes.values()) > 20


def test_it_comes_out_the_same_from_the_json(package: Path, tmp_path: Path) -> None:
    command = ["report", str(package / "closeout.json"), "--out", str(tmp_path / "again")]
    done = CliRunner().invoke(main, [*command, "--only", "csv,xlsx,json"])
    assert done.exit_code == 0, done.output
    assert (tmp_path / "again" / "form.xlsx").read_bytes() == (package / "form.xlsx").read_bytes()


def sheet_changed(path: Path, cell: str) -> None:
    book = openpyxl.load_workbook(path)
    book["Sheet of the owner"][cell].value = "accepted"
    book.save(path)


@pytest.mark.parametrize("cell", ["B2", "B10", "H33"])
def test_verify_finds_a_changed_figure_formula_or_word(
    package: Path, tmp_path: Path, cell: str
) -> None:
    copy = tmp_path / "copy"
    shutil.copytree(package, copy)
    done = CliRunner().invoke(main, ["verify", str(copy)])
    assert done.exit_code == 0, done.output
    sheet_changed(copy / "form.xlsx", cell)
    write_evidence(copy)
    write_manifest(copy)
    done = CliRunner().invoke(main, ["verify", str(copy)])
    assert done.exit_code == 1
    assert f"form.xlsx, sheet Sheet of the owner, {cell}" in " ".join(done.output.split())


def test_a_form_that_the_results_do_not_name_is_found(
    package: Path, tmp_path: Path, good_review: CableReview
) -> None:
    out = tmp_path / "out"
    write_closeout(good_review, out, only={"csv", "xlsx", "json"}, sketches=Sketches())
    shutil.copy(package / "form.xlsx", out)
    write_manifest(out)
    done = CliRunner().invoke(main, ["verify", str(out)])
    assert done.exit_code == 1
    assert "form.xlsx: closeout.json names no form" in " ".join(done.output.split())


def test_a_workbook_of_another_writer_is_filled_too(
    package: Path, tmp_path: Path, good_review: CableReview
) -> None:
    """openpyxl leaves out what XlsxWriter writes, and LibreOffice and others name as they like."""
    book = openpyxl.load_workbook(package / "form.xlsx")
    book.calculation = None
    book.save(tmp_path / "owner.xlsx")
    assert openpyxl.load_workbook(tmp_path / "owner.xlsx").calculation is None
    content = SETTINGS.partition("[form.rows.Splices]")[0]
    (tmp_path / "form.toml").write_text(content, "utf-8")
    template = replace(load_template(tmp_path / "form.toml"), project="again")
    write_closeout(good_review, tmp_path / "out", only={"xlsx"}, template=template)
    assert values(tmp_path / "out" / "form.xlsx")["Project"] == "again"
    assert openpyxl.load_workbook(tmp_path / "out" / "form.xlsx").calculation.fullCalcOnLoad


def test_the_guide_names_every_figure() -> None:
    text = GUIDE.read_text("utf-8")
    named = {name for name, _ in FIGURES} | {*ABOUT}
    assert {*dict(OF_SPLICES)} <= named
    assert [name for name in sorted(named) if f"`{name}`" not in text] == []


def test_a_template_without_a_form_has_none() -> None:
    assert Template().form is None
