"""Shots that do not meet the profile: settings, lengths, age; each with its finding."""

from __future__ import annotations

import shutil
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import pytest
from faulty_run import Take, name_of, write

from otdravg import sor
from otdravg.cable import CableReview, read_folders, review
from otdravg.cable.files.folder import RawShot
from otdravg.findings import Severity
from otdravg.verdict import default, parse
from otdravg.verdict.decision import Verdict
from otdravg.verdict.rules import (
    ChangeRule,
    CompletenessRule,
    ConnectorRule,
    DataRule,
    OneWayCause,
    OneWayRule,
    RibbonRule,
)
from otdravg.verdict.shots import receive_cord_m
from otdravg.words.catalogue import told


def findings_of(result: CableReview, code: str) -> list[tuple[int | None, tuple[str, ...]]]:
    return [(f.fibre, f.files) for f in result.findings if f.code == code]


def changed(path: Path, **fixed: object) -> None:
    """Write a shot again with other settings in its header."""
    file = sor.read(path)
    path.write_bytes(sor.encode(sor.replace(file, fixed=replace(file.fixed, **fixed))))


def test_a_shot_with_settings_of_its_own_is_named(clean_folder: Path, tmp_path: Path) -> None:
    folder = tmp_path / "shots"
    folder.mkdir()
    for fibre in (1, 2, 3, 4):
        for direction in ("AB", "BA"):
            shutil.copy(clean_folder / name_of(Take(fibre, 1550, direction)), folder)
    usual = sor.read(folder / name_of(Take(1, 1550, "AB"))).fixed
    (pulse_ns,) = usual.pulse_widths_ns
    odd_pulse, few = name_of(Take(2, 1550, "BA")), name_of(Take(3, 1550, "AB"))
    write(folder, Take(2, 1550, "BA", pulse_ns=5.0 * pulse_ns))
    changed(folder / few, averages=usual.averages // 2)
    profile = parse(
        f"""
        format = 1
        name = "settings"
        source = "invented for this test"
        [setup]
        pulse_ns_max = {pulse_ns}
        averages_min = {usual.averages}
        receive = "none"
        [ribbon]
        size = 0
        """,
        "settings.toml",
    )
    result = review(read_folders([folder]), profile)
    assert findings_of(result, "pulse-outside-profile") == [(2, (odd_pulse,))]
    assert findings_of(result, "averages-outside-profile") == [(3, (few,))]
    (pulse,) = (f for f in result.findings if f.code == "pulse-outside-profile")
    assert told(pulse.evidence).startswith(
        f"pulse {5 * pulse_ns}.0 ns, at most {pulse_ns} ns asked"
    )
    # The launch cord of either end stayed on while the other end was shot.
    with_cord = {
        f for _, files in findings_of(result, "receive-cord-outside-profile") for f in files
    }
    assert len(with_cord) == 8
    assert result.exit_status == 1


def test_lengths_that_differ_more_than_the_profile_allows(
    clean_shots: tuple[RawShot, ...], clean: CableReview
) -> None:
    """Both ends are placed to decimetres: a limit of a millimetre finds some pairs."""
    assert findings_of(clean, "lengths-differ") == []
    profile = replace(default(), data=DataRule(frozenset({"lengths-differ"}), 0.001))
    result = review(clean_shots, profile)
    named = {fibre for fibre, _ in findings_of(result, "lengths-differ")}
    assert 0 < len(named) < 8
    assert result.rows
    for row in result.rows:
        assert (row.verdict.verdict is Verdict.NOT_GRADABLE) == (row.fibre in named)
    wide = review(clean_shots, replace(default(), data=DataRule(frozenset(), 20.0)))
    assert findings_of(wide, "lengths-differ") == []


def test_a_ribbon_that_was_cut_has_to_be_shot_again(
    clean_folder: Path, repair_folder: Path
) -> None:
    """Fibre 3 was spliced again; its neighbours in the ribbon were cut with it.

    City of Everett WA, document 31546: existing fibres spliced to are tested again.
    """
    shots = read_folders([clean_folder, repair_folder])
    asks = CompletenessRule(every_fibre=False, retest_touched=True)
    result = review(shots, replace(default(), completeness=asks))
    (finding,) = (f for f in result.findings if f.code == "shot-before-work")
    assert {finding.fibre, *finding.other_fibres} == {1, 2, 4, 5, 6, 7, 8}
    assert len(finding.files) == 14
    assert finding.wavelength_nm == 1550
    loose_tube = replace(default(), completeness=asks, ribbon=RibbonRule(0))
    assert findings_of(review(shots, loose_tube), "shot-before-work") == []
    # Unless the profile asks for it, their other splices are as good as before.
    (only_there,) = (f for f in review(shots, default()).findings if f.code == "shot-before-work")
    assert (finding.closure, only_there.closure) == ("", "2")
    assert {only_there.fibre, *only_there.other_fibres} == {1, 2, 4, 5, 6, 7, 8}


@pytest.mark.parametrize(
    ("end_m", "expected_m"), [(6000.0, 0.0), (6009.0, 0.0), (6500.0, 500.0), (None, None)]
)
def test_a_receive_cord_is_what_shows_behind_the_span(
    end_m: float | None, expected_m: float | None
) -> None:
    assert receive_cord_m(end_m, 1000.0, 5000.0) == expected_m


def test_what_a_review_cannot_answer_of_a_profile_is_said(
    clean_shots: tuple[RawShot, ...], clean: CableReview
) -> None:
    assert findings_of(clean, "key-not-applied") == []
    profile = replace(
        default(),
        change=ChangeRule(Decimal("0.1")),
        one_way=OneWayRule((OneWayCause.NOT_TERMINATED,)),
        connector=ConnectorRule(end_limit_db=Decimal("0.5")),
    )
    result = review(clean_shots, profile)
    not_applied_ones = [f for f in result.findings if f.code == "key-not-applied"]
    assert [f.severity for f in not_applied_ones] == [Severity.CAUTION, Severity.NOTE]
    assert "change.increase_limit_db" in told(not_applied_ones[0].evidence)
    assert "one_way.reasons" in told(not_applied_ones[1].evidence)
    assert result.exit_status == 1


def test_end_connectors_are_judged_where_a_launch_cord_shows_them(
    clean_shots: tuple[RawShot, ...],
) -> None:
    strict = replace(default(), connector=ConnectorRule(end_limit_db=Decimal("0.001")))
    result = review(clean_shots, strict)
    shown = [f.verdict for f in result.fibres if f.verdict is not None]
    hidden = [f for f in result.findings if f.code == "ends-not-judged"]
    assert shown or hidden
    assert all(v.rule == "connector.end_limit_db" for v in shown)
    assert {v.verdict for v in shown} <= {Verdict.OVER, Verdict.WITHIN}
    assert result.exit_status == 1
