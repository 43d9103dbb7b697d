"""The demo cable run on disk."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from otdravg import sor
from otdravg.errors import BadSetting, OutputRefused, UnreadableTrace
from otdravg.simulate.cable_run import TRUNK_RUN, faulty_trunk_run
from otdravg.simulate.demo import DemoSummary, write_demo
from otdravg.simulate.papers import Fault
from otdravg.simulate.takes import Site, Take, made


def truth_of(summary: DemoSummary) -> list[dict[str, str]]:
    with open(summary.truth, encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_run_holds_both_directions_of_every_fibre_and_its_truth(tmp_path: Path) -> None:
    summary = write_demo(tmp_path / "run")
    assert len(summary.pairs) == 12
    names = {path.name for path in (tmp_path / "run").iterdir()}
    assert names == {path.name for pair in summary.pairs for path in pair} | {
        "truth.csv",
        "README.txt",
    }
    assert "SIMQB1_F001_1550_AB.sor" in names
    rows = truth_of(summary)
    assert len(rows) == 12 * len(summary.closures)
    assert {row["fibre"] for row in rows} == {str(number) for number in range(1, 13)}
    assert "SIMULATED" in summary.readme.read_text(encoding="utf-8")
    assert [path.name for path in tmp_path.iterdir()] == ["run"], "no draft is left behind"


def test_every_file_says_simulated_and_names_its_ends(tmp_path: Path) -> None:
    summary = write_demo(tmp_path / "run", fibres=2)
    assert len(summary.pairs) == 2
    for number, (from_a, from_b) in enumerate(summary.pairs, start=1):
        shot_a, shot_b = sor.read(from_a), sor.read(from_b)
        for shot in (shot_a, shot_b):
            assert shot.findings == ()
            assert shot.general.comment.text.startswith("SIMULATED")
            assert shot.general.fibre_id.text == f"{number:03d}"
        assert shot_a.general.location_a == shot_b.general.location_b
        assert shot_a.general.location_b == shot_b.general.location_a
        assert shot_a.fixed.timestamp_s < shot_b.fixed.timestamp_s


def test_planted_splices_show_a_crew_what_one_direction_hides(tmp_path: Path) -> None:
    rows = truth_of(write_demo(tmp_path / "run"))
    loss = {(r["fibre"], r["closure"][:2]): float(r["loss_db"]) for r in rows}
    step = {(r["fibre"], r["closure"][:2]): float(r["backscatter_step_db"]) for r in rows}
    # 0.20 dB is the common field limit of a rural-utilities rule (from memory).
    over = {place for place, loss_db in loss.items() if loss_db > 0.20}
    assert over == {("3", "J2"), ("9", "J4"), ("11", "J2")}
    gainer = ("5", "J1")
    assert loss[gainer] + step[gainer] < -0.1
    assert loss[gainer] - step[gainer] > 0.20
    assert loss["8", "J3"] + step["8", "J3"] == pytest.approx(0, abs=1e-9)


def test_bend_loses_more_at_longer_wavelengths_and_splices_do_not(tmp_path: Path) -> None:
    rows = truth_of(write_demo(tmp_path / "run", fibres=10, wavelengths=(1310, 1550, 1625)))
    places: dict[tuple[str, str], list[dict[str, str]]] = {}
    for row in rows:
        places.setdefault((row["fibre"], row["closure"]), []).append(row)
    bends = [shots for shots in places.values() if shots[0]["kind"] == "bend"]
    assert len(bends) == 1
    at_1310, at_1550, at_1625 = (float(row["loss_db"]) for row in bends[0])
    assert at_1310 + 0.05 < at_1550 < at_1625 - 0.05
    splices = [shots for shots in places.values() if shots[0]["kind"] == "splice"]
    assert splices
    assert all(len({row["loss_db"] for row in shots}) == 1 for shots in splices)


def test_a_fibre_is_the_same_however_many_there_are(tmp_path: Path) -> None:
    few = write_demo(tmp_path / "few", fibres=3)
    more = write_demo(tmp_path / "more", fibres=14)
    assert few.pairs[2][1].read_bytes() == more.pairs[2][1].read_bytes()
    other = write_demo(tmp_path / "other", fibres=1, seed=1)
    assert few.pairs[0][0].read_bytes() != other.pairs[0][0].read_bytes()
    assert [row["ribbon"] for row in truth_of(more)][-1] == "2"


def test_folder_with_content_is_refused_unless_told(tmp_path: Path) -> None:
    (tmp_path / "SIMQB1_F001_1550_AB.sor").write_bytes(b"mine")
    (tmp_path / "notes.txt").write_bytes(b"keep")
    with pytest.raises(OutputRefused, match="not empty"):
        write_demo(tmp_path, fibres=1)
    assert len(list(tmp_path.iterdir())) == 2
    write_demo(tmp_path, fibres=1, overwrite=True)
    assert (tmp_path / "notes.txt").read_bytes() == b"keep"
    assert (tmp_path / "SIMQB1_F001_1550_AB.sor").stat().st_size > 10_000


def test_empty_folder_is_used(tmp_path: Path) -> None:
    (tmp_path / "run").mkdir()
    assert write_demo(tmp_path / "run", fibres=1).readme.is_file()


def test_places_that_cannot_be_written_are_refused_in_one_line(tmp_path: Path) -> None:
    with pytest.raises(OutputRefused, match="parent folder"):
        write_demo(tmp_path / "no" / "run", fibres=1)
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(OutputRefused, match="is not a folder"):
        write_demo(tmp_path / "file", fibres=1)
    with pytest.raises(OutputRefused, match="File name too long"):
        write_demo(tmp_path / ("long" * 100), fibres=1)
    assert [path.name for path in tmp_path.iterdir()] == ["file"]


def test_failure_half_way_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    written: list[str] = []
    real = Path.write_bytes

    def full_disk(path: Path, content: bytes) -> int:
        written.append(path.name)
        if len(written) > 3:
            raise OSError(28, "No space left on device")
        return real(path, content)

    monkeypatch.setattr(Path, "write_bytes", full_disk)
    with pytest.raises(OutputRefused, match="No space left"):
        write_demo(tmp_path / "run")
    assert len(written) == 4
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("name", "settings"),
    [
        ("fibres", {"fibres": 0}),
        ("fibres", {"fibres": 10_000}),
        ("ribbon_size", {"ribbon_size": 0}),
        ("wavelengths", {"wavelengths": (1383,)}),
        ("wavelengths", {"wavelengths": ()}),
        ("wavelengths", {"wavelengths": (1550, 1550)}),
        ("seed", {"seed": -1}),
        ("spacing_m", {"spacing_m": 0.0}),
        ("workers", {"workers": 0}),
        ("fibres", {"fibres": 47, "faults": True}),
        ("ribbon_size", {"fibres": 48, "ribbon_size": 8, "faults": True}),
        ("wavelengths", {"fibres": 48, "wavelengths": (1550,), "faults": True}),
    ],
)
def test_unusable_settings_are_named(
    tmp_path: Path, name: str, settings: dict[str, object]
) -> None:
    with pytest.raises(BadSetting, match=name):
        write_demo(tmp_path / "run", **settings)  # type: ignore[arg-type]
    assert not (tmp_path / "run").exists()


@pytest.fixture(scope="module")
def faulty(tmp_path_factory: pytest.TempPathFactory) -> DemoSummary:
    """A whole cable with faults; a point every ten metres is enough to look at the files."""
    place = tmp_path_factory.mktemp("faulty")
    return write_demo(place / "run", fibres=48, spacing_m=10.0, answers=place / "answers")


def planted_in(summary: DemoSummary) -> dict[str, list[dict[str, str]]]:
    assert summary.planted is not None
    by_fault: dict[str, list[dict[str, str]]] = {}
    with open(summary.planted, encoding="utf-8", newline="") as stream:
        for row in csv.DictReader(stream):
            by_fault.setdefault(row["fault"], []).append(row)
    return by_fault


def test_from_48_fibres_on_it_is_a_whole_cable_and_keeps_its_answers_apart(
    faulty: DemoSummary,
) -> None:
    assert len(faulty.closures) == 10
    assert faulty.wavelengths_nm == (1310, 1550)
    folder = faulty.directory
    assert {p.name for p in folder.rglob("*") if p.suffix.lower() != ".sor" and p.is_file()} == {
        "README.txt"
    }
    note = faulty.readme.read_text(encoding="utf-8")
    assert "SIMULATED" in note
    assert "--answers" in note
    assert set(planted_in(faulty)) == {fault.value for fault in Fault}
    assert len([p for p in folder.rglob("*") if p.suffix.lower() == ".sor"]) == faulty.files


def test_the_large_run_has_24000_points() -> None:
    site = Site(TRUNK_RUN, seed=1)
    shot = made(Take(1, 1550), site)
    assert shot.waveforms[0].raw.size == 24_000


def test_faults_are_in_the_files_as_the_answers_say(faulty: DemoSummary) -> None:
    folder, planted = faulty.directory, planted_in(faulty)
    named = [row["files"] for rows in planted.values() for row in rows]
    names = {name for files in named for name in files.split("; ") if name}
    assert len(names) > 10
    assert [name for name in names if not (folder / name).is_file()] == []

    def files(fault: Fault) -> list[Path]:
        return [folder / name for name in planted[fault.value][0]["files"].split("; ")]

    one, copy = files(Fault.COPY)
    assert one.read_bytes() == copy.read_bytes()
    genuine, edited = (sor.read(path) for path in files(Fault.HEADER_EDITED))
    assert np.array_equal(genuine.waveforms[0].raw, edited.waveforms[0].raw)
    assert (genuine.general.fibre_id.text, edited.general.fibre_id.text) == ("028", "030")
    with pytest.raises(UnreadableTrace):
        sor.read(files(Fault.OVERWRITTEN)[0])
    assert files(Fault.TRUNCATED)[0].stat().st_size < 0.7 * one.stat().st_size
    assert sor.read(files(Fault.ODD_PULSE)[0]).fixed.pulse_widths_ns == (300,)
    assert sor.read(files(Fault.OTHER_INDEX)[0]).fixed.group_index_1e5 == 147_500
    assert sor.read(files(Fault.CLOCK)[0]).fixed.timestamp_s < 1.6e9  # the others are of 2024
    assert sor.read(files(Fault.HEADER_FIBRE)[0]).general.fibre_id.text == "043"
    swapped = sor.read(files(Fault.ENDS_SWAPPED)[0])
    assert swapped.general.location_a.text == faulty.end_a
    missing = planted[Fault.FIBRE_MISSING.value][0]["fibre"]
    assert not list(folder.glob(f"*_F{int(missing):03d}_*"))


def test_bytes_do_not_depend_on_the_number_of_processes(
    faulty: DemoSummary, tmp_path: Path
) -> None:
    other = write_demo(tmp_path / "run", fibres=48, spacing_m=10.0, workers=2)
    files = [path for path in faulty.directory.rglob("*") if path.is_file()]
    assert len(files) > 48
    for path in files:
        if path.name != "README.txt":
            twin = tmp_path / "run" / path.relative_to(faulty.directory)
            assert twin.read_bytes() == path.read_bytes()
    assert other.planted is None
    assert other.truth is None


def test_a_large_run_without_faults_holds_every_shot_and_its_truth(tmp_path: Path) -> None:
    summary = write_demo(
        tmp_path / "run", fibres=48, wavelengths=(1550,), spacing_m=10.0, workers=2
    )
    assert not summary.faulty
    assert summary.files == 96
    assert len(summary.pairs) == 48
    rows = truth_of(summary)
    assert len(rows) == 480
    # 0.17 dB is the most that a splice loses unless something went wrong with it (invented).
    assert sorted(float(row["loss_db"]) for row in rows)[-10] < 0.17


def test_a_larger_cable_has_more_of_the_same_faults() -> None:
    # 864 fibres: sets begin with fibre 1 and fibre 433.
    run = faulty_trunk_run(864)
    assert [splice.ribbon for splice in run.spoilt] == [3, 39]
    assert [bend.fibre for bend in run.bends] == [10, 442]
    few, many = Site(faulty_trunk_run(48), seed=5), Site(run, seed=5)
    assert few.glass(13, 1550) == many.glass(13, 1550)


@pytest.mark.parametrize(
    ("answers", "message"),
    [("run/answers", "lies in the folder of the shots"), (".", "lies in the folder of the shots")],
)
def test_answers_in_reach_of_the_review_are_refused(
    tmp_path: Path, answers: str, message: str
) -> None:
    with pytest.raises(OutputRefused, match=message):
        write_demo(tmp_path / "run", fibres=48, answers=tmp_path / answers)
    assert list(tmp_path.iterdir()) == []


def test_answers_of_a_run_without_faults_leave_the_folder_too(tmp_path: Path) -> None:
    summary = write_demo(tmp_path / "run", fibres=1, answers=tmp_path / "answers")
    assert summary.truth == tmp_path / "answers" / "truth.csv"
    assert summary.truth.is_file()
    assert not (tmp_path / "run" / "truth.csv").exists()
