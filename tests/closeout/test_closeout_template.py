"""Template files, and words in every language."""

from __future__ import annotations

import csv
import io
import json
import re
import struct
import zlib
from dataclasses import replace
from decimal import Decimal
from enum import Enum
from pathlib import Path

import openpyxl
import pypdf
import pytest
from click.testing import CliRunner
from PIL import Image

from otdravg.cable import CableReview, ShotUse
from otdravg.cable.model import ChangeKind, Confidence
from otdravg.cable.patterns.model import PatternKind
from otdravg.cable.planned import NOWHERE_PLANNED, PlannedSplice, PlanRow
from otdravg.cable.resplice.model import Choice
from otdravg.cli import main
from otdravg.closeout.checks.again import PAGE_DATA_ID
from otdravg.closeout.closeout import write_closeout
from otdravg.closeout.sketches import Sketches
from otdravg.closeout.template import SPLICE_COLUMNS, Template, load_template, parse_template
from otdravg.errors import BadSetting
from otdravg.findings import Severity
from otdravg.fit.reading import Coverage, Kind
from otdravg.tables import splices
from otdravg.tables.csv_file import CsvStyle
from otdravg.tables.splices import cable_tables, review_cells
from otdravg.trade import TIA_598_COLOURS
from otdravg.verdict.decision import Action, Verdict
from otdravg.words.catalogue import group
from otdravg.words.headings import Language, Words

GUIDE = Path(__file__).parents[2] / "docs" / "template.md"


def png(width: int, height: int) -> bytes:
    """A white picture after the PNG specification, made without any library of ours."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return (
            struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
        )

    header = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    rows = zlib.compress((b"\x00" + b"\xff" * width) * height)
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        chunk(*part) for part in ((b"IHDR", header), (b"IDAT", rows), (b"IEND", b""))
    )


def test_empty_template_is_the_default(tmp_path: Path) -> None:
    assert parse_template("", tmp_path) == Template()


def test_every_key_of_the_guide_is_understood(tmp_path: Path) -> None:
    """The example in docs/template.md is a complete file."""
    text = GUIDE.read_text("utf-8").split("```toml\n")[1].split("```")[0]
    (tmp_path / "logo.png").write_bytes(png(30, 20))
    (tmp_path / "template.toml").write_text(text, "utf-8")
    template = load_template(tmp_path / "template.toml")
    assert template.logo is not None
    assert (template.logo.width, template.logo.height) == (30, 20)
    assert template.language is Language.GERMAN
    assert template.csv == CsvStyle(";", decimal_comma=True)
    assert template.columns != SPLICE_COLUMNS


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("format = 2", "format 1"),
        ("companny = 'x'", "no such key"),
        ("language = 'xx'", '"en", "de"'),
        ("company = 3", "text in quotes"),
        ("columns = ['fibre']", "has to be among them"),
        ("columns = ['losss_db']", "did you mean loss_db"),
        ("columns = ['fibre', 'fibre']", "once"),
        ("[headings]\nlos_db = 'x'", "did you mean loss_db"),
        ("[headings]\nloss_db = 'Fibre'", "one of its own"),
        ("[headings]\nloss_db = 3", "headings.loss_db.*text in quotes"),
        ("[constants]\nfibre = 'x'", "a column has this name"),
        (
            "columns = ['fibre', 'wavelength_nm', 'distance_m', 'loss_db', 'verdict']\n"
            "[constants]\nContract = 'C'",
            "Contract has to be among them",
        ),
        ("[csv]\nseparator = '|'", "separator"),
        ("[csv]\ndecimal_comma = true", "needs ; or a tab"),
        ("[csv]\nmore = 1", "csv.more"),
        ("[traces]\nname = 'x.sor'", "traces.name"),
        ("logo = 'missing.png'", "logo"),
        ("company = '" + "x" * 300 + "'", "at most"),
        ("nonsense", "TOML|template"),
    ],
)
def test_what_cannot_be_used_is_said_with_key_and_remedy(
    tmp_path: Path, text: str, problem: str
) -> None:
    with pytest.raises(BadSetting, match=problem):
        parse_template(text, tmp_path)


def test_logo_has_to_be_a_picture(tmp_path: Path) -> None:
    (tmp_path / "logo.png").write_bytes(b"<svg/>")
    with pytest.raises(BadSetting, match="PNG or JPEG"):
        parse_template("logo = 'logo.png'", tmp_path)


def test_a_jpeg_is_a_logo_of_its_own_size(tmp_path: Path) -> None:
    Image.new("L", (64, 48)).save(tmp_path / "l.jpg")
    logo = parse_template("logo = 'l.jpg'", tmp_path).logo
    assert logo is not None
    assert (logo.width, logo.height, logo.media_type) == (64, 48, "image/jpeg")


def test_headings_of_a_table_are_all_different() -> None:
    for language in Language:
        headings = [Words(language).heading(name) for name in SPLICE_COLUMNS]
        assert len(set(headings)) == len(headings)


@pytest.mark.parametrize("language", list(Language))
def test_every_column_of_every_table_has_a_heading(
    bad_review: CableReview, language: Language
) -> None:
    words = group("heading", language)
    planned = PlannedSplice("C", "1", (1,), PlanRow("1"), NOWHERE_PLANNED)
    tables = review_cells(replace(bad_review, splice_plan=(planned,)))
    assert tables
    for name, table in tables.items():
        assert f"sheet_{name}" in words
        assert set(table.names) <= set(words), name


def test_columns_to_choose_from_are_columns_of_the_table(bad_review: CableReview) -> None:
    planned = PlannedSplice("C", "1", (1,), PlanRow("1"), NOWHERE_PLANNED)
    with_plan = replace(bad_review, splice_plan=(planned,))
    assert set(SPLICE_COLUMNS) <= set(review_cells(with_plan)["splices"].names)


@pytest.mark.parametrize(
    "kind",
    [
        Verdict,
        Action,
        Kind,
        Coverage,
        Severity,
        ShotUse,
        Confidence,
        ChangeKind,
        Choice,
        PatternKind,
    ],
)
def test_every_fixed_word_has_a_german_one(kind: type[Enum]) -> None:
    assert kind
    for member in kind:
        assert member.value in group("word", Language.GERMAN), member


def test_colours_of_a_second_dozen_are_translated_too() -> None:
    words = Words(Language.GERMAN)
    assert set(TIA_598_COLOURS) <= set(group("word", Language.GERMAN))
    assert words.cell("colour", "slate/2") == "grau/2"


def test_texts_of_people_are_not_translated() -> None:
    assert Words(Language.GERMAN).cell("remark", "used") == "used"


def test_decimal_comma_changes_figures_and_nothing_else(bad_review: CableReview) -> None:
    plain = cable_tables(bad_review)["splices.csv"].decode("utf-8")
    comma = cable_tables(bad_review, CsvStyle(";", decimal_comma=True))["splices.csv"]
    here = list(csv.reader(io.StringIO(plain, newline="")))
    there = list(csv.reader(io.StringIO(comma.decode("utf-8"), newline=""), delimiter=";"))
    figures = {n for n, name in enumerate(here[0]) if name.endswith(("_db", "distance_m"))}
    assert len(here) > 1
    for one, other in zip(here, there, strict=True):
        assert one
        for n, (cell, same) in enumerate(zip(one, other, strict=True)):
            assert same == (cell.replace(".", ",") if n in figures else cell)


OWNERS = """
columns = ["verdict", "loss_db", "Contract", "fibre", "closure", "wavelength_nm", "distance_m",
           "closure_number"]
[headings]
loss_db = "Mean loss of the owner"
closure = "Joint"
[constants]
Contract = "C-2024-7 (simulated)"
"""
HEADINGS = [
    "Verdict", "Mean loss of the owner", "Contract", "Fibre", "Joint", "Wavelength, nm",
    "Distance from A, m", "Closure No",
]  # fmt: skip


@pytest.fixture(scope="module")
def owners(
    good_review: CableReview, sketches: Sketches, tmp_path_factory: pytest.TempPathFactory
) -> Path:
    """A closeout with the owner's headings, order, a column of another key and a constant one."""
    folder = tmp_path_factory.mktemp("owners")
    (folder / "owner.toml").write_text(OWNERS, "utf-8")
    template = load_template(folder / "owner.toml")
    write_closeout(good_review, folder / "out", template=template, sketches=sketches)
    done = CliRunner().invoke(main, ["verify", str(folder / "out")])
    assert done.exit_code == 0, done.output
    return folder / "out"


def test_the_owners_columns_are_those_of_a_table_of_his_own(
    owners: Path, good_review: CableReview
) -> None:
    with open(owners / "owner.csv", encoding="utf-8", newline="") as stream:
        heads, *rows = csv.reader(stream)
    assert heads == HEADINGS
    with open(owners / "splices.csv", encoding="utf-8", newline="") as stream:
        splices = list(csv.DictReader(stream))
    assert [(row[0], row[1], row[3], row[4]) for row in rows] == [
        (line["verdict"], line["loss_db"], line["fibre"], line["closure"]) for line in splices
    ]
    assert {row[2] for row in rows} == {"C-2024-7 (simulated)"}


def test_the_owners_columns_are_those_of_both_lists_of_the_workbook(owners: Path) -> None:
    book = openpyxl.load_workbook(owners / "closeout.xlsx")
    for name in ("All values", "Exceptions"):
        heads, *rows = book[name].iter_rows(values_only=True)
        assert list(heads) == HEADINGS
        assert {row[2] for row in rows} == {"C-2024-7 (simulated)"}
    cover = {row[0]: row[1] for row in book["Cover"].iter_rows(values_only=True)}
    assert cover["Contract"] == "C-2024-7 (simulated)"


def test_the_owners_headings_and_constants_stand_on_paper_and_page(owners: Path) -> None:
    pages = [page.extract_text() for page in pypdf.PdfReader(owners / "closeout.pdf").pages]
    assert "C-2024-7 (simulated)" in pages[0]
    assert any("Mean loss of the owner" in " ".join(text.split()) for text in pages)
    page = (owners / "closeout.html").read_text("utf-8")
    assert "C-2024-7 (simulated)" in page
    assert '"loss_db":"Mean loss of the owner"' in page
    assert Words()["loss_db"] not in page


def test_a_column_that_is_declared_once_is_in_every_output(
    good_review: CableReview, sketches: Sketches, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of all outputs that list splices; the paper prints the owner's headings alone."""
    added = ("simulated_db", lambda row: Decimal(row.fibre) / 8)
    monkeypatch.setattr(splices, "SPLICES", (*splices.SPLICES, added))
    template = Template(columns=(*SPLICE_COLUMNS, "simulated_db"))
    out = tmp_path / "out"
    write_closeout(good_review, out, template=template, sketches=sketches)
    wanted = [row.fibre / 8 for row in good_review.rows]
    for name in ("splices.csv", "owner.csv"):
        with open(out / name, encoding="utf-8", newline="") as stream:
            assert [float(line["simulated_db"]) for line in csv.DictReader(stream)] == wanted
    document = json.loads((out / "closeout.json").read_bytes())
    table = document["tables"]["splices"]
    assert [row[table["names"].index("simulated_db")] for row in table["rows"]] == wanted
    heads, *rows = openpyxl.load_workbook(out / "closeout.xlsx")["All values"].values
    assert [row[heads.index("simulated_db")] for row in rows] == wanted
    page = (out / "closeout.html").read_text("utf-8")
    (text,) = re.findall(rf'id="{PAGE_DATA_ID}"[^>]*>(.*?)</script>', page, re.DOTALL)
    data = json.loads(text)
    at = data["names"].index("simulated_db")
    assert [float(row[at]) for row in data["rows"]] == wanted
    assert '"simulated_db":"simulated_db"' in page
    assert CliRunner().invoke(main, ["verify", str(out)]).exit_code == 0


def test_without_a_choice_no_table_is_made_of_it(good_review: CableReview, tmp_path: Path) -> None:
    write_closeout(good_review, tmp_path / "out", only={"csv"}, template=Template(company="x"))
    assert (tmp_path / "out" / "splices.csv").is_file()
    assert not (tmp_path / "out" / "owner.csv").exists()
