"""``otdravg cable`` and ``otdravg decide`` as a user runs them."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from faulty_run import Take, name_of

from otdravg.cable import read_decisions, read_folders
from otdravg.cli import main
from otdravg.simulate.demo import DemoSummary


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(a) for a in arguments])


def rows_of(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8"))))


def cable_in(folder: Path) -> str:
    (name,) = {s.identity.cable for s in read_folders([folder]) if s.identity is not None}
    return name


@pytest.fixture(scope="module")
def out(clean_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("out") / "result"
    result = run("cable", clean_folder, "--out", folder, "--workers", 1)
    # Fibre 3 is planted with 0.310 dB at closure 2, over the default limit.
    assert result.exit_code == 1, result.output
    return folder


def test_every_table_is_written_with_the_promised_columns(out: Path) -> None:
    splices = rows_of(out / "splices.csv")
    promised = [
        *("cable", "fibre", "ribbon", "position", "colour", "wavelength_nm", "closure"),
        *("distance_m", "loss_ab_db", "loss_ba_db", "loss_db", "expanded_uncertainty_db"),
        *("backscatter_step_db", "kind", "verdict", "reason", "attempt", "file_ab", "file_ba"),
    ]
    assert list(splices[0])[: len(promised)] == promised
    assert len(splices) == 8 * 4
    findings = [
        *("severity", "finding", "fibre", "wavelength_nm", "direction", "closure", "files"),
        *("evidence", "what_to_do"),
    ]
    header = (out / "findings.csv").read_text(encoding="utf-8").splitlines()[0].split(",")
    assert [name for name in header if name in findings] == findings
    assert len(rows_of(out / "shots.csv")) == 16
    assert [row["failing_fibres"] for row in rows_of(out / "resplice.csv")] == ["3"]


def test_the_true_loss_is_half_the_sum_of_the_columns_beside_it(out: Path) -> None:
    rows = rows_of(out / "splices.csv")
    assert len(rows) > 25
    for row in rows:
        half = (float(row["loss_ab_db"]) + float(row["loss_ba_db"])) / 2
        assert float(row["loss_db"]) == pytest.approx(half, abs=0.0011)


def test_nothing_is_written_over_unasked(clean_folder: Path, out: Path) -> None:
    before = {path.name: path.read_bytes() for path in out.iterdir()}
    result = run("cable", clean_folder, "--out", out, "--workers", 1)
    assert result.exit_code == 2
    assert "--force" in result.output
    assert {path.name: path.read_bytes() for path in out.iterdir()} == before
    again = run("cable", clean_folder, "--out", out, "--workers", 1, "--force")
    assert again.exit_code == 1
    assert {path.name: path.read_bytes() for path in out.iterdir()} == before


def test_output_inside_the_input_is_refused(clean_folder: Path) -> None:
    result = run("cable", clean_folder, "--out", clean_folder / "result")
    assert result.exit_code == 2
    assert "lies in the folder that is read" in result.output


def test_a_listing_measures_nothing_and_shows_every_file(planted_run: DemoSummary) -> None:
    result = run("cable", planted_run.directory, "--list", "--workers", 1)
    assert result.exit_code == 0
    files = [path for path in planted_run.directory.rglob("*") if path.is_file()]
    assert files
    for path in files:
        assert path.name in result.output.replace("\n", "")
    assert max(len(line) for line in result.output.splitlines()) <= 80


def test_without_output_it_says_what_to_give(clean_folder: Path) -> None:
    result = run("cable", clean_folder)
    assert result.exit_code == 2
    assert "--out DIR" in result.output


def test_a_folder_that_is_not_there_is_one_line(tmp_path: Path) -> None:
    result = run("cable", tmp_path / "nowhere", "--out", tmp_path / "out")
    assert result.exit_code == 2
    assert not (tmp_path / "out").exists()


def test_an_empty_folder_is_no_crash(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    result = run("cable", tmp_path / "empty", "--out", tmp_path / "out", "--workers", 1)
    assert result.exit_code == 2
    assert "no trace file" in result.output


def test_a_decision_is_written_applied_and_checked(clean_folder: Path, tmp_path: Path) -> None:
    decisions = tmp_path / "d.csv"
    accept = ("accept", "--fibre", 3, "--closure", 2, "--who", "R. Vale", "--why", "letter")
    unnamed = run("decide", decisions, *accept)
    assert (unnamed.exit_code, "--cable" in unnamed.output) == (2, True)
    assert not decisions.exists()
    assert run("decide", decisions, *accept, "--cable", cable_in(clean_folder)).exit_code == 0
    checked = run("decide", decisions)
    assert (checked.exit_code, checked.output.startswith("1 decision, last seal ")) == (0, True)
    out = tmp_path / "out"
    result = run(
        "cable", clean_folder, "--out", out, "--fibres", 8, "--workers", 1, "--decisions", decisions
    )
    assert result.exit_code == 0, result.output
    row = next(r for r in rows_of(out / "splices.csv") if (r["fibre"], r["closure"]) == ("3", "2"))
    assert row["verdict"] == "accepted out of specification"
    assert float(row["loss_db"]) == pytest.approx(0.310, abs=0.005)
    seal = read_decisions(decisions).last_seal
    assert f"Decisions 1, last seal {seal}" in " ".join(result.output.split())
    (made_with,) = rows_of(out / "decisions.csv")
    assert (made_with["why"], made_with["seal"]) == ("letter", seal)
    decisions.write_text(decisions.read_text().replace("letter", "phone call"))
    assert run("decide", decisions).exit_code == 2


def test_verify_holds_the_decisions_against_the_outputs(clean_folder: Path, tmp_path: Path) -> None:
    decisions, out = tmp_path / "d.toml", tmp_path / "out"
    accept = ("accept", "--closure", 2, "--who", "R. Vale", "--why", "letter")
    cable = cable_in(clean_folder)
    assert run("decide", decisions, *accept, "--fibre", 3, "--cable", cable).exit_code == 0
    short = decisions.read_bytes()
    assert run("decide", decisions, *accept, "--fibre", 4).exit_code == 0  # the same cable
    assert read_decisions(decisions).items[1].cable == cable
    result = run("cable", clean_folder, "--out", out, "--workers", 1, "--decisions", decisions)
    assert result.exit_code in (0, 1), result.output
    good = run("verify", out, "--decisions", decisions)
    assert (good.exit_code, "0 problems" in good.output) == (0, True)
    whole = decisions.read_bytes()
    entries = read_decisions(decisions).entries
    decisions.write_bytes(short)
    cut = run("verify", out, "--decisions", decisions)
    assert (cut.exit_code, "cut short by 1 decision" in cut.output) == (1, True)
    assert "1 problem\n" in cut.output
    decisions.write_bytes(whole.replace(b"letter", b"lettre", 1))
    changed = run("verify", out, "--decisions", decisions)
    assert changed.exit_code == 1
    assert "decision 1 (accept by R. Vale" in changed.output
    assert "edited after it was sealed" in changed.output
    # The outputs' own table is a file of decisions too: what was lost can be taken from there.
    assert read_decisions(out / "decisions.csv").entries == entries


def test_a_decision_needs_who_and_why(tmp_path: Path) -> None:
    result = run("decide", tmp_path / "d.csv", "exclude-shot", "--file", name_of(Take(1, 1550)))
    assert result.exit_code == 2
    assert not (tmp_path / "d.csv").exists()
