"""One trace under edited headers: its glass tells which claim is true."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from faulty_run import name_of, write, write_all

from otdravg.cable import CableReview, read_folders, review
from otdravg.cable.model import CableFinding
from otdravg.simulate.takes import Take
from otdravg.verdict import default
from otdravg.verdict.decision import Verdict
from otdravg.words.catalogue import told


def reviewed(folder: Path) -> tuple[CableReview, CableFinding]:
    result = review(read_folders([folder]), default())
    (edited,) = [f for f in result.findings if f.code == "header-edited"]
    return result, edited


def copy_as(folder: Path, genuine: Take, claimed: Take) -> None:
    """Somebody renames a shot and its header to fill a gap."""
    edited = replace(
        genuine,
        nm=claimed.nm,
        shot_nm=genuine.nm,
        header_fibre=claimed.fibre,
        header_direction=claimed.direction,
    )
    write(folder, edited, name_of(claimed))


def test_the_true_claim_is_told_where_the_genuine_file_was_kept(tmp_path: Path) -> None:
    write_all(tmp_path, 12, (1550,))
    copy_as(tmp_path, Take(5, 1550, "BA"), Take(7, 1550, "BA"))
    _, edited = reviewed(tmp_path)
    assert "as fibre 5 B→A 1550 nm, -" in told(edited.evidence)
    assert told(edited.what_to_do) == (
        f"{name_of(Take(5, 1550, 'BA'))} was used, and its glass fits; "
        "find or take fibre 7 B→A 1550 nm"
    )


def test_the_true_claim_is_told_where_the_copy_was_kept(tmp_path: Path) -> None:
    write_all(tmp_path, 12, (1550,))
    copy_as(tmp_path, Take(7, 1550, "BA"), Take(5, 1550, "BA"))
    result, edited = reviewed(tmp_path)
    assert "as fibre 7 B→A 1550 nm, -" in told(edited.evidence)
    assert told(edited.what_to_do) == (
        f"{name_of(Take(5, 1550, 'BA'))} was used as fibre 5 B→A 1550 nm, but its glass is that "
        "of fibre 7 B→A 1550 nm: say so in a mapping table, and find or take fibre 5 B→A 1550 nm"
    )
    assert {r.verdict.verdict for r in result.rows if r.fibre == 5} == {Verdict.NOT_GRADABLE}


def test_all_shots_that_the_trace_is_not_are_named(tmp_path: Path) -> None:
    write_all(tmp_path, 12, (1550,))
    for claimed in (Take(10, 1550, "BA"), Take(7, 1550, "BA"), Take(7, 1550, "AB")):
        copy_as(tmp_path, Take(5, 1550, "BA"), claimed)
    _, edited = reviewed(tmp_path)
    assert told(edited.what_to_do).endswith(
        "find or take fibre 7 A→B 1550 nm, fibre 7 B→A 1550 nm, fibre 10 B→A 1550 nm"
    )


def test_too_few_fibres_or_no_shot_from_the_other_end_tell_nothing(tmp_path: Path) -> None:
    few, lone = tmp_path / "few", tmp_path / "lone"
    write_all(few, 5, (1550,))
    write_all(lone, 12, (1550,))
    for folder in (few, lone):
        copy_as(folder, Take(2, 1550, "BA"), Take(4, 1550, "BA"))
    for fibre in (2, 4):
        (lone / name_of(Take(fibre, 1550, "AB"))).unlink()
    for folder in (few, lone):
        _, edited = reviewed(folder)
        assert "log-likelihood" not in told(edited.evidence)
        assert "nothing in the files proves which claim is true" in told(edited.what_to_do)


def test_a_claim_to_have_been_shot_from_the_other_end_is_told(tmp_path: Path) -> None:
    write_all(tmp_path, 12, (1550,))
    copy_as(tmp_path, Take(5, 1550, "BA"), Take(3, 1550, "AB"))
    _, edited = reviewed(tmp_path)
    assert "as fibre 5 B→A 1550 nm, -" in told(edited.evidence)
    assert "used as fibre 3 A→B 1550 nm, but its glass is that of fibre 5" in told(
        edited.what_to_do
    )


def test_a_claim_of_another_wavelength_is_told_by_the_attenuation(tmp_path: Path) -> None:
    write_all(tmp_path, 12)
    copy_as(tmp_path, Take(5, 1550, "BA"), Take(5, 1310, "BA"))
    result, edited = reviewed(tmp_path)
    (label,) = [f for f in result.findings if f.code == "wavelength-label"]
    assert label.files[0] == edited.files[0] == name_of(Take(5, 1310, "BA"))
