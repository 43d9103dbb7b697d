"""Ends typed alike in every header, and names that say nothing: the shots themselves tell.

The runs are simulated; what was really shot, and from where, is known.
"""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from faulty_run import FIRST, write

from otdravg.cable import CableReview, Options, list_shots, read_folders, review
from otdravg.cable.files.claims import Naming
from otdravg.cable.identity.ends import _Seen, _told
from otdravg.cable.model import FibreKey, ShotUse, Source
from otdravg.report.cable_details import listing_text
from otdravg.shot.settings import Direction
from otdravg.simulate.takes import Take
from otdravg.verdict import default
from otdravg.words.catalogue import told

FIBRES = range(1, 7)
NM = 1550


def write_silent(folder: Path, ends: str = "AB") -> dict[str, str]:
    """Shots whose headers all claim A and whose names only count; path by true direction."""
    truth = {}
    for number, (direction, fibre) in enumerate((d, f) for d in ends for f in FIBRES):
        name = f"{number:04d}.sor"
        way = f"{direction}{'B' if direction == 'A' else 'A'}"
        write(folder, Take(fibre, NM, way, header_direction="AB"), name)
        truth[name] = way
    return truth


@pytest.fixture(scope="module")
def silent(tmp_path_factory: pytest.TempPathFactory) -> tuple[CableReview, dict[str, str], Path]:
    folder = tmp_path_factory.mktemp("silent") / "shots"
    truth = write_silent(folder)
    return review(read_folders([folder]), default()), truth, folder


def ways_of(result: CableReview) -> dict[str, str]:
    ways = {Direction.A_TO_B: "AB", Direction.B_TO_A: "BA", Direction.UNKNOWN: "?"}
    return {shot.path: ways[shot.taken_for.direction] for shot in result.shots}


def test_the_shots_tell_both_ends_apart(
    silent: tuple[CableReview, dict[str, str], Path],
) -> None:
    result, truth, _ = silent
    assert ways_of(result) == truth
    assert {shot.use for shot in result.shots} == {ShotUse.USED}
    assert {shot.taken_for.direction_by for shot in result.shots} == {Source.SHOTS}
    assert {shot.attempt for shot in result.shots} == {1}


def test_what_is_measured_so_is_what_full_headers_give(
    silent: tuple[CableReview, dict[str, str], Path], tmp_path: Path
) -> None:
    for fibre in FIBRES:
        for way in ("AB", "BA"):
            write(tmp_path, Take(fibre, NM, way))
    full = review(read_folders([tmp_path]), default())
    rows = [(r.fibre, r.closure, r.loss_db) for r in silent[0].rows]
    assert rows == [(r.fibre, r.closure, r.loss_db) for r in full.rows]
    assert len(rows) >= 4 * len(FIBRES)


def test_the_finding_says_how_it_was_decided(
    silent: tuple[CableReview, dict[str, str], Path],
) -> None:
    (finding,) = [f for f in silent[0].findings if f.code == "ends-told-by-shots"]
    assert "6 shots are from A and 6 from B" in told(finding.evidence)
    assert "0000.sor, was taken to be from A" in told(finding.what_to_do)
    assert finding.files == tuple(sorted(silent[1]))
    assert "shot-not-placed" not in {f.code for f in silent[0].findings}


def test_before_measuring_the_direction_is_open(
    silent: tuple[CableReview, dict[str, str], Path],
) -> None:
    records, _ = list_shots(read_folders([silent[2]]))
    assert {r.use for r in records} == {ShotUse.UNPLACED}


def test_the_listing_says_that_a_full_run_will_tell(
    silent: tuple[CableReview, dict[str, str], Path],
) -> None:
    records, findings = list_shots(read_folders([silent[2]]))
    text = listing_text(records, findings)
    assert f"leave open from which end {len(records)} shots were" in text
    assert "not placed" not in text
    assert sum(" ? " in line for line in text.splitlines()) == len(records)


def test_numbers_of_files_that_count_on_fibre_by_fibre_are_no_fibres(tmp_path: Path) -> None:
    """From 1 on, the numbers of the second end stand a whole ribbon apart from the fibres."""
    for number, (way, fibre) in enumerate(((w, f) for w in ("AB", "BA") for f in FIBRES), start=1):
        write(tmp_path, Take(fibre, NM, way, header_direction="AB"), f"{number:03d}.sor")
    result = review(read_folders([tmp_path]), default())
    assert [s.taken_for.fibre for s in result.shots] == [*FIBRES, *FIBRES]
    assert list(ways_of(result).values()) == ["AB"] * len(FIBRES) + ["BA"] * len(FIBRES)


def test_the_a_end_may_be_where_the_crew_went_second(
    silent: tuple[CableReview, dict[str, str], Path],
) -> None:
    _, truth, folder = silent
    shots = read_folders([folder])
    far = next(s.identity.location_b for s in shots if s.identity is not None)
    result = review(shots, default(), Options(naming=Naming(end_a=far)))
    assert ways_of(result) == {path: way[::-1] for path, way in truth.items()}
    (finding,) = [f for f in result.findings if f.code == "ends-told-by-shots"]
    assert "0000.sor, was taken to be from B" in told(finding.what_to_do)


def test_shots_again_from_one_end_are_attempts_not_the_other_end(tmp_path: Path) -> None:
    for fibre in FIBRES:
        for again in range(2):
            taken = FIRST + timedelta(minutes=fibre, hours=again)
            take = Take(fibre, NM, "AB", again=again, taken=taken)
            write(tmp_path, take, f"{again}{fibre:03d}.sor")
    near = next(s.identity.location_a for s in read_folders([tmp_path]) if s.identity)
    result = review(read_folders([tmp_path]), default(), Options(naming=Naming(end_a=near)))
    assert {s.taken_for.direction for s in result.shots} == {Direction.A_TO_B}
    assert [f.code for f in result.findings if f.code == "ends-told-by-shots"] == []


def test_a_missing_shot_and_one_taken_again_are_told_too(tmp_path: Path) -> None:
    truth = write_silent(tmp_path)
    missing = next(p for p, way in truth.items() if way == "BA")
    (tmp_path / missing).unlink()
    del truth[missing]
    again = Take(2, NM, "AB", header_direction="AB", again=1, taken=FIRST + timedelta(days=3))
    write(tmp_path, again, "0099.sor")
    truth["0099.sor"] = "AB"
    result = review(read_folders([tmp_path]), default())
    assert ways_of(result) == truth
    by_path = {s.path: s for s in result.shots}
    assert by_path["0099.sor"].attempt == 2
    assert [(f.fibre, f.direction) for f in result.findings if f.code == "direction-missing"] == [
        (1, "B→A")
    ]


def test_results_do_not_depend_on_the_order_of_the_files(
    silent: tuple[CableReview, dict[str, str], Path],
) -> None:
    shots = read_folders([silent[2]])
    assert ways_of(review(shots[::-1], default())) == silent[1]


def test_a_fibre_spliced_anew_is_still_seen_from_the_same_end(
    silent: tuple[CableReview, dict[str, str], Path],
) -> None:
    """Other losses at the places of one end are an attempt, not the other end."""
    records, _ = list_shots(read_folders([silent[2]]))
    by_path = {r.path: r for r in records}
    from_a, from_b = np.array([500.0, 1200.0, 3100.0]), np.array([900.0, 2800.0, 3500.0])
    loss_db, u_db = np.array([0.15, 0.02, 0.08]), np.full(3, 0.002)
    seen = {
        (FibreKey("X", 1), NM): [
            _Seen(by_path["0000.sor"], from_a, loss_db, u_db, 5.0),
            _Seen(by_path["0006.sor"], from_b, loss_db[::-1], u_db, 5.0),
        ],
        (FibreKey("X", 2), NM): [
            _Seen(by_path["0001.sor"], from_a, loss_db, u_db, 5.0),
            _Seen(by_path["0007.sor"], from_a, loss_db + 0.1, u_db, 5.0),
        ],
    }
    ways, by_time = _told(seen)
    assert ways["0001.sor"] is ways["0007.sor"] is ways["0000.sor"] is not ways["0006.sor"]
    assert by_time == 0


def test_on_an_even_route_the_order_of_time_tells(
    silent: tuple[CableReview, dict[str, str], Path],
) -> None:
    """Closures every kilometre stand at the same places from both ends; losses still differ."""
    records, _ = list_shots(read_folders([silent[2]]))
    seen: dict[tuple[FibreKey, int], list[_Seen]] = {}
    for record in sorted(records, key=lambda r: r.path):
        from_a = silent[1][record.path] == "AB"
        at_m = np.array([1000.0, 2000.0, 3000.0])
        loss_db = np.array([0.15, 0.02, 0.08]) if from_a else np.array([0.01, 0.11, 0.02])
        key = record.taken_for.key
        assert key is not None
        shot = _Seen(record, at_m, loss_db, np.full(3, 0.002), 5.0)
        seen.setdefault((key, NM), []).append(shot)
    ways, by_time = _told(seen)
    assert {path: way.value.replace("→", "") for path, way in ways.items()} == silent[1]
    assert by_time == len(records)
