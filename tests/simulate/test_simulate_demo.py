"""The demo cable run on disk."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from otdravg import sor
from otdravg.errors import BadSetting, OutputRefused
from otdravg.simulate.demo import DemoSummary, write_demo


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
    ],
)
def test_unusable_settings_are_named(
    tmp_path: Path, name: str, settings: dict[str, object]
) -> None:
    with pytest.raises(BadSetting, match=name):
        write_demo(tmp_path / "run", **settings)  # type: ignore[arg-type]
    assert not (tmp_path / "run").exists()
