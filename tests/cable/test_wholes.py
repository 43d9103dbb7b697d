"""Fibres, ribbons, closures and cables as wholes: verdicts, findings, tables, acknowledgement."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest
from click.testing import CliRunner

from otdravg.cable import CableReview, Decision, Options, What, add_decision, read_decisions, review
from otdravg.cable.files.folder import RawShot
from otdravg.cli import main
from otdravg.tables.splices import cable_tables
from otdravg.verdict import default, parse
from otdravg.words.catalogue import told

HEAD = 'format = 1\nname = "test"\nsource = "invented"\n'
#: Fibre 3 loses 0.310 dB in closure 2; the others keep 0.12 dB (simulated, see faulty_run).
RULES = (
    "[splice]\nlimit_db = 0.4\n[closure]\nmean_limit_db = 0.08\n[ribbon]\nmean_limit_db = 0.08\n"
    "[share]\npercent = 98\nlimit_db = 0.2\n[span]\nmean_limit_db = 0.12\n"
)


def table(result: CableReview, name: str) -> list[dict[str, str]]:
    text = cable_tables(result)[f"{name}.csv"].decode("utf-8")
    return list(csv.DictReader(io.StringIO(text, newline="")))


@pytest.fixture(scope="module")
def ruled(clean_shots: tuple[RawShot, ...]) -> CableReview:
    return review(clean_shots, parse(HEAD + RULES, "t.toml"), Options(fibre_count=9))


def test_what_fails_as_a_whole_is_a_finding_and_not_only_an_exit_status(
    ruled: CableReview,
) -> None:
    assert not any(row.verdict.needs_work for row in ruled.rows)
    assert ruled.exit_status == 1
    spans = [f for f in ruled.findings if f.code == "span-outside-rules"]
    assert [(f.fibre, f.wavelength_nm) for f in spans] == [(3, 1550)]
    assert "(span.mean_limit_db)" in told(spans[0].evidence)
    groups = [f for f in ruled.findings if f.code == "group-outside-rules"]
    by_rule = {told(f.evidence).rpartition("(")[2]: f for f in groups}
    assert set(by_rule) == {"share.percent)", "closure.mean_limit_db)", "ribbon.mean_limit_db)"}
    assert by_rule["ribbon.mean_limit_db)"].other_fibres == tuple(range(1, 9))


def test_every_fibre_has_a_row_with_what_it_lacks(ruled: CableReview) -> None:
    rows = table(ruled, "fibres")
    assert [int(row["fibre"]) for row in rows] == list(range(1, 10))
    *measured, missing = rows
    assert missing["lacks"] == "no shot"
    assert missing["verdict"] == ""
    for row in measured:
        ways = [float(row[f"end_to_end_{way}_db"]) for way in ("ab", "ba")]
        # Both ways show the steps of the glass with opposite signs.
        assert sum(ways) / 2 == pytest.approx(float(row["end_to_end_db"]), abs=0.0011)
        own = [float(s["loss_db"]) for s in table(ruled, "splices") if s["fibre"] == row["fibre"]]
        through = float(row["attenuation_db_per_km"]) * float(row["length_m"]) / 1000
        assert float(row["end_to_end_db"]) == pytest.approx(sum(own) + through, abs=0.01)
    assert measured[2]["span_verdict"] == measured[2]["verdict"] == "over limit"
    assert measured[2]["profile_key"] == "span.mean_limit_db"


def test_ribbons_closures_and_the_cable_have_their_verdicts(ruled: CableReview) -> None:
    closures, ribbons, cables = (table(ruled, n) for n in ("closures", "ribbons", "cables"))
    assert [row["closure"] for row in closures] == ["1", "2", "3", "4"]
    assert [row["ribbon"] for row in ribbons] == ["1"] * 4
    second = closures[1]
    assert (second["worst_db"], second["worst_fibre"]) == ("0.310", "3")
    own = [float(s["loss_db"]) for s in table(ruled, "splices") if s["closure"] == "2"]
    assert float(second["mean_db"]) == pytest.approx(sum(own) / len(own), abs=0.0006)
    (cable,) = cables
    assert (cable["splices"], cable["measured"]) == ("32", "32")
    assert (cable["profile_key"], cable["limit"]) == ("share.percent", "98")
    assert cable["verdict"] == "over limit"


def decided(path: Path, *values: str, **fields: object) -> None:
    for value in values:
        add_decision(
            path,
            Decision(
                What.ACKNOWLEDGE, "R. Vale (invented)", "2024-06-01T10:00:00+00:00", "known",
                "SIM-QB1", value=value, **fields,
            ),
        )  # fmt: skip


def test_acknowledged_findings_stay_listed_and_nothing_else_is_cleared(
    clean_shots: tuple[RawShot, ...], tmp_path: Path
) -> None:
    profile, path = parse(HEAD + "[splice]\nlimit_db = 0.4\n", "t.toml"), tmp_path / "d.csv"
    options = Options(fibre_count=10)
    open_ones = {f.code for f in review(clean_shots, profile, options).findings if f.is_open}
    assert open_ones == {"fibre-missing"}
    for value, status in (("fibre-missing 9", 1), ("fibre-missing 10-12", 0)):
        decided(path, value)
        decided_now = Options(fibre_count=10, decisions=read_decisions(path))
        result = review(clean_shots, profile, decided_now)
        assert result.exit_status == status
    (finding,) = [f for f in result.findings if f.code == "fibre-missing"]
    assert "R. Vale" in told(finding.acknowledged[0])
    more = review(clean_shots, profile, Options(fibre_count=14, decisions=read_decisions(path)))
    assert more.exit_status == 1  # 13 and 14 are missing too


def test_a_group_is_acknowledged_by_all_its_fibres(
    clean_shots: tuple[RawShot, ...], tmp_path: Path
) -> None:
    profile = parse(HEAD + "[ribbon]\nmean_limit_db = 0.08\n[splice]\nlimit_db = 0.4\n", "t.toml")
    path = tmp_path / "d.csv"
    assert review(clean_shots, profile, Options(fibre_count=8)).exit_status == 1
    for value, count in (("group-outside-rules 1-7", 1), ("group-outside-rules 8", 0)):
        decided(path, value, closure="1")
        decided_now = Options(fibre_count=8, decisions=read_decisions(path))
        result = review(clean_shots, profile, decided_now)
        left = [f for f in result.findings if f.code == "group-outside-rules" and f.is_open]
        assert len(left) == count
    assert result.exit_status == 0


def test_faults_of_the_decisions_are_never_acknowledged(
    clean_shots: tuple[RawShot, ...], tmp_path: Path
) -> None:
    path = tmp_path / "d.csv"
    decided(path, "decision-without-object", "event-between-closures")
    result = review(clean_shots, default(), Options(fibre_count=8, decisions=read_decisions(path)))
    found = [f for f in result.findings if f.code == "decision-without-object"]
    assert len(found) == 2
    assert all(f.is_open for f in found)


def test_no_all_clear_while_a_splice_is_not_judged(clean_folder: Path, tmp_path: Path) -> None:
    profile = tmp_path / "p.toml"
    profile.write_text(HEAD + "[bend]\nthreshold_db = 0.1\n", encoding="utf-8")
    for more, said in (
        ("", "32 of 32 splices are not judged"),
        ("[splice]\nlimit_db = 0.4\n", "all 32 splices within 0.4 dB"),
    ):
        profile.write_text(HEAD + more, encoding="utf-8")
        told = CliRunner().invoke(
            main,
            ["cable", str(clean_folder), "--out", str(tmp_path / "out"), "--force", "--workers",
             "1", "--fibres", "8", "--profile", str(profile)],
        )  # fmt: skip
        assert said in " ".join(told.output.split())
        assert told.output.startswith("CLEAR" if more else "LOOK")
