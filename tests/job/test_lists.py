"""Lists of a job: what a spreadsheet makes of them is read, what a crew mistypes is named."""

from __future__ import annotations

import csv
import io
import random
from datetime import date, datetime
from pathlib import Path
from typing import Any

import pytest

from otdravg.errors import BadJob, BadSetting, OtdravgError
from otdravg.findings import says
from otdravg.job import load
from otdravg.job.lists import LISTS, Column, JobList
from otdravg.job.rows import ListRow, facts_of, form_of, rows_beside, rows_in
from otdravg.words.catalogue import told

LEAST = 'format = 1\ncable = "RIDGE-7"\nfibres = 24\nwavelengths = [1310, 1550]\n'


def row(**cells: Any) -> dict[str, Any]:
    return cells


#: A list with a column of every kind, for the kinds alone.
EVERY = JobList(
    "every_kind",
    (
        Column("name", "text", is_required=True),
        Column("closure", "text", refers_to="closures"),
        Column("tray", "whole", (1, 99)),
        Column("loss_db", "figure", (-1, 60)),
        Column("count", "figure", (0, 100_000)),
        Column("mark", "length"),
        Column("turned", "yes_no"),
        Column("due", "day"),
        Column("at", "moment"),
        Column("way", "one_of", (("A to B", "B to A"),)),
        Column("fibres", "numbers", (1, 1000), refers_to="fibres"),
    ),
    "",
    ("x", "", "", "", "", "", "", "", "", "", ""),
    row,
    unique=("name",),
)


def read(text: str | bytes, tmp_path: Path, count: int = 24) -> tuple[list[Any], list[str]]:
    path = tmp_path / "every-kind.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode("utf-8"))
    problems: list[BadSetting] = []
    rows = rows_beside(EVERY, path, path.name, problems)
    found = facts_of({"every_kind": rows}, [EVERY], count, problems)
    return found["every_kind"], [str(one) for one in problems]


HEAD = "name;closure;tray;loss_db;count;mark;turned;due;at;way;fibres"
MEANT = row(
    name="Müller, =1+1", tray=2, loss_db=0.035, count=7.0, mark=4290.0, turned=True,
    due=date(2026, 4, 3), at=datetime(2026, 4, 3, 14, 5), way="A to B", fibres=(1, 2, 3, 14),
)  # fmt: skip
GERMAN = "Müller, =1+1;;2;0,035;7;4,29km;ja;03.04.2026;03.04.2026 14:05;a TO b;1-3, 14"
BRITISH = '"Müller, =1+1",,2,0.035,7,4290,yes,2026-04-03,2026-04-03T14:05:00,A to B,"14, 1 to 3"'


@pytest.mark.parametrize(
    "raw",
    [
        f"\ufeff{HEAD}\r\n{GERMAN}\r\n;;;;;;;;;;\r\n\r\n".encode(),
        f"{HEAD}\r\n{GERMAN}\r\n".encode("cp1252"),
        f"sep=;\r\n{HEAD}\r\n{GERMAN}".encode(),
        (HEAD.replace(";", "\t") + "\r\n" + GERMAN.replace(";", "\t")).encode("utf-16"),
        f"{HEAD.replace(';', ',')}\n{BRITISH}\n\n\n".encode(),
        f"{HEAD.replace(';', ' ,').replace('_', ' ').upper()},,\n{BRITISH},,\n".encode(),
    ],
    ids=["german", "windows", "announced", "utf-16", "plain", "header by hand"],
)
def test_what_spreadsheets_save_reads_as_the_same(raw: bytes, tmp_path: Path) -> None:
    assert read(raw, tmp_path) == ([MEANT], [])


@pytest.mark.parametrize(
    ("column", "cell", "wanted"),
    [
        ("tray", "2x", "whole number from 1 to 99"),
        ("tray", "0", "whole number from 1 to 99"),
        ("tray", "2.5", "whole number from 1 to 99"),
        ("loss_db", "0,o35", "number from -1 to 60"),
        ("loss_db", "nan", "number from -1 to 60"),
        ("count", "1,234", "1.234 or 1234?"),
        ("mark", "3,310 m", "write 3310m or 3.310km"),
        ("mark", "3.310", "write 3310m or 3.310km"),
        ("mark", "4.2", "metres or kilometres"),
        ("mark", "yes", "write a length"),
        ("turned", "maybe", "yes or no"),
        ("due", "03/04/2026", "year first"),
        ("due", "2026-02-30", "year first"),
        ("due", "2206-02-03", "year first"),
        ("at", "2026-04-03", "date and time"),
        ("at", "2026-04-03 24:05", "date and time"),
        ("way", "A-B", "write one of A to B, B to A"),
        ("fibres", "1-x", "as in 1-12, 14"),
        ("fibres", "12-1", "as in 1-12, 14"),
        ("fibres", "1-25", "the job has 24 fibres"),
    ],
)
def test_a_faulty_cell_is_named_with_its_line_and_column(
    column: str, cell: str, wanted: str, tmp_path: Path
) -> None:
    found, problems = read(f'name;{column}\na;\n\n"b";{cell}\n', tmp_path)
    assert not found
    (said,) = problems
    assert said.startswith(f"every-kind.csv line 4, column {column}: {cell!r}")
    assert wanted in said
    assert "\n" not in said


def test_a_comma_of_decimals_is_read_where_nothing_else_is_possible(tmp_path: Path) -> None:
    found, problems = read("name;loss_db;count;mark\na;1,234;0,125;12,424km\n", tmp_path)
    assert not problems
    assert (found[0]["loss_db"], found[0]["count"], found[0]["mark"]) == (1.234, 0.125, 12424.0)


def test_every_fault_is_said_and_the_header_once(tmp_path: Path) -> None:
    _, problems = read("name,tray,trey\na,1,2\na,x,,9\n,4\n", tmp_path)
    assert [one.partition(":")[0] for one in problems] == [
        "every-kind.csv line 3",
        "every-kind.csv line 2, column trey",
        "every-kind.csv line 3, column tray",
        "every-kind.csv line 4, column name",
        "every-kind.csv line 3, column name",
    ]
    _, problems = read("name,tray,tray\na,1,2\nb,2,2\n", tmp_path)
    assert len(problems) == 1
    assert "stands there twice" in problems[0]
    _, problems = read("nane,tray\na,1\nb,2\n", tmp_path)
    assert len(problems) == 1
    assert "column name" in problems[0]
    assert "is that nane?" in problems[0]
    _, problems = read('name,tray\na,1\n"b,2\n', tmp_path)
    assert len(problems) == 1
    assert "line 3" in problems[0]
    _, problems = read("\n\n", tmp_path)
    assert "name the columns" in problems[0]


def test_a_cell_over_two_lines_does_not_shift_the_lines_behind_it(tmp_path: Path) -> None:
    _, problems = read('name,tray\r\n"a\r\nb",1\r\nc,x\r\n', tmp_path)
    assert problems[0].startswith("every-kind.csv line 4, column tray")


def test_a_closure_that_the_job_does_not_have_is_named(tmp_path: Path) -> None:
    problems: list[BadSetting] = []
    closures = next(own for own in LISTS if own.name == "closures")
    rows = {
        "closures": rows_in(closures, [{"name": "Otterstone", "distance": "1km"}], problems),
        "every_kind": [
            ListRow(
                {"name": "a", "closure": "Oterstone"}, says("at-line", file="f", line=2), problems
            )
        ],
    }
    facts_of(rows, [closures, EVERY], None, problems)
    assert [str(one) for one in problems] == [
        "f line 2, column closure: 'Oterstone' is not usable; no closure of the job has that "
        "name; did you mean Otterstone?"
    ]


@pytest.mark.parametrize("own", LISTS, ids=[own.name for own in LISTS])
@pytest.mark.parametrize("separator", [",", ";"])
def test_a_form_that_is_filled_in_is_read(own: JobList, separator: str, tmp_path: Path) -> None:
    raw = form_of(own, separator)
    path = tmp_path / own.file
    problems: list[BadSetting] = []
    path.write_bytes(raw)
    assert rows_beside(own, path, own.file, problems) == []  # nothing invented in it
    stream = io.StringIO()
    csv.writer(stream, delimiter=separator).writerow(own.example)
    path.write_bytes(raw + stream.getvalue().encode())
    rows = rows_beside(own, path, own.file, problems)
    (fact,) = facts_of({own.name: rows}, [own], None, problems)[own.name]
    assert not problems
    assert fact is not None
    assert not own.example_row().keys() ^ {n for n in own.example_row() if n in rows[0]}


def test_a_list_beside_the_job_is_read_unasked_and_its_faults_are_all_told(tmp_path: Path) -> None:
    (tmp_path / "job.toml").write_text(LEAST)
    (tmp_path / "reels.csv").write_text("reel,fibre_type\n=R-1,g.652\n")
    assert load(tmp_path / "job.toml").reels[0].name == "=R-1"
    (tmp_path / "reels.csv").write_text("reel,fibre_type\nR-1,652\nR-2,G652\n")
    with pytest.raises(BadJob) as caught:
        load(tmp_path / "job.toml")
    assert len(caught.value.lines) == 2
    assert "reels.csv line 3, column fibre_type" in told(caught.value.lines[1])


#: What hands and spreadsheets leave in cells.
CELLS = (
    "", "0", "-1", "9" * 5000, "1-12", "12-1", "1,234", "3.310", "4,29km", "yes", "=1+1", "'", '"',
    '""', "2026-04-03", "2026-04-03 25:00", "A", "end", "\x00", "\u202e", "1e9", "nan", "–", "\n",
    "1-999999999", "0001", "1;2", "\t", "x" * 200,
)  # fmt: skip


@pytest.mark.parametrize("own", LISTS, ids=[own.name for own in LISTS])
def test_whatever_stands_in_cells_is_read_or_named_in_a_line(own: JobList, tmp_path: Path) -> None:
    draw = random.Random(f"cells of {own.name}")
    (tmp_path / "job.toml").write_text(LEAST)
    read, found = 0, []
    for _ in range(150):
        sign = draw.choice(",;\t")
        filled = [
            [draw.choice(CELLS) if draw.random() < 0.4 else cell for cell in own.example]
            for _ in range(draw.randint(0, 2))
        ]
        rows = [[c.name for c in own.columns], *filled]
        text = draw.choice(["", "\ufeff", "sep=;\r\n"]) + "\r\n".join(map(sign.join, rows))
        raw = text.encode(draw.choice(["utf-8", "utf-16", "cp1252"]), "replace")
        (tmp_path / own.file).write_bytes(raw)
        try:
            load(tmp_path / "job.toml").options()
            read += 1
        except OtdravgError as error:
            found.append(tuple(map(told, error.lines)))
    assert read
    assert found
    assert all(lines and not any("\n" in line for line in lines) for lines in found)
