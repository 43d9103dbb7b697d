"""``otdravg report`` and ``otdravg verify`` as a packager runs them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from otdravg.cable import CableReview
from otdravg.cli import main
from otdravg.closeout.closeout import write_closeout
from otdravg.closeout.sketches import Sketches
from otdravg.closeout.template import Template


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


def joined(result: Result) -> str:
    """What was printed, however it was broken into lines."""
    return " ".join(result.output.split())


@pytest.fixture
def folder(
    good_review: CableReview, sketches: Sketches, template: Template, tmp_path: Path
) -> Path:
    path = tmp_path / "closeout"
    write_closeout(
        good_review, path, only={"csv", "xlsx", "json"}, template=template, sketches=sketches
    )
    return path


def test_verify_is_content_with_what_was_written(folder: Path) -> None:
    done = run("verify", folder)
    assert done.exit_code == 0, done.output
    assert "0 problems" in done.output
    assert "agree closeout.xlsx: cells against closeout.json" in joined(done)
    assert "not done traces against rows: the traces are not in this closeout" in joined(done)


def test_verify_is_content_with_a_cable_without_a_name(
    good_review: CableReview, sketches: Sketches, tmp_path: Path
) -> None:
    nameless = replace(
        good_review,
        rows=tuple(replace(row, cable="") for row in good_review.rows),
        closures=tuple(replace(closure, cable="") for closure in good_review.closures),
    )
    parts = {"csv", "xlsx", "json"}
    write_closeout(nameless, tmp_path / "closeout", only=parts, sketches=sketches)
    done = run("verify", tmp_path / "closeout")
    assert "agree closeout.xlsx: cells against closeout.json" in joined(done)


def test_verify_names_what_was_changed(folder: Path) -> None:
    table = folder / "findings.csv"
    table.write_bytes(table.read_bytes().replace(b"caution", b"note", 1))
    done = run("verify", folder)
    assert done.exit_code == 1
    assert "findings.csv: has changed since the closeout was made" in done.output
    assert "severity is note, closeout.json has caution" in done.output


def test_verify_of_any_folder_is_an_error(tmp_path: Path) -> None:
    done = run("verify", tmp_path)
    assert done.exit_code == 2


def test_report_makes_the_same_tables_again(folder: Path, tmp_path: Path) -> None:
    again = tmp_path / "again"
    done = run("report", folder / "closeout.json", "--out", again, "--only", "csv,xlsx,json")
    assert done.exit_code == 0, done.output
    tables = list(folder.iterdir())
    assert tables
    for path in tables:
        assert (again / path.name).read_bytes() == path.read_bytes(), path.name


def test_report_with_another_template_says_the_same_in_german(folder: Path, tmp_path: Path) -> None:
    template = tmp_path / "german.toml"
    template.write_text('language = "de"\n[csv]\nseparator = ";"\ndecimal_comma = true\n', "utf-8")
    out = tmp_path / "german"
    done = run(
        "report", folder / "closeout.json", "--out", out, "--only", "csv,xlsx,json",
        "--template", template,
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    assert run("verify", out).exit_code == 0


def test_report_never_writes_over_a_closeout_unasked(folder: Path) -> None:
    before = (folder / "splices.csv").read_bytes()
    done = run("report", folder / "closeout.json", "--out", folder, "--only", "csv")
    assert done.exit_code == 2
    assert (folder / "splices.csv").read_bytes() == before


def test_report_knows_no_traces(folder: Path, tmp_path: Path) -> None:
    done = run("report", folder / "closeout.json", "--out", tmp_path / "x", "--only", "traces")
    assert done.exit_code == 2
