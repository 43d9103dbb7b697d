"""The committed sample traces: reproducible, small, and true to their table."""

from __future__ import annotations

import csv
import runpy
from pathlib import Path

import numpy as np
import pytest
from simulate_lines import one_way_loss_db

from otdravg import sor

PROJECT = Path(__file__).resolve().parents[2]
SAMPLES = PROJECT / "sample_traces"
SPEED_OF_LIGHT_M_PER_S = 299_792_458  # exact, SI
TRUE_GROUP_INDEX = 1.4682

#: Span length, launch cord from A, launch cord from B: metres, as the samples' README says.
LINKS = {
    "easy": (6115, 0, 0),
    "gainers": (9005, 0, 0),
    "hidden_splice": (10_170, 1012, 987),
}


def truth_rows() -> list[dict[str, str]]:
    with open(SAMPLES / "truth.csv", encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_script_makes_the_committed_files_byte_for_byte() -> None:
    made = runpy.run_path(str(PROJECT / "tests" / "make_samples.py"))["sample_files"]()
    assert {path.name for path in SAMPLES.iterdir()} == set(made)
    different = [name for name, data in made.items() if (SAMPLES / name).read_bytes() != data]
    assert different == []


def test_folder_stays_small() -> None:
    assert sum(path.stat().st_size for path in SAMPLES.iterdir()) < 1_000_000


def test_every_sample_says_simulated_and_reads_clean() -> None:
    files = sorted(SAMPLES.glob("*.sor"))
    assert len(files) == 6
    for path in files:
        read = sor.read(path)
        # One of the pairs comes without an event table from its B end, on purpose.
        expected = {"block-missing"} if path.name == "gainers_B.sor" else set()
        assert {finding.code for finding in read.findings} == expected
        assert read.general.comment.text.startswith("SIMULATED")


@pytest.mark.parametrize("row", truth_rows(), ids=lambda row: f"{row['pair']}-{row['number']}")
def test_lines_through_the_points_give_the_truth(row: dict[str, str]) -> None:
    span_m, *launch_m = LINKS[row["pair"]]
    reading_db = []
    for end, launch, position_m in zip(
        "AB", launch_m, (float(row["distance_m"]), span_m - float(row["distance_m"])), strict=True
    ):
        wave = sor.read(SAMPLES / f"{row['pair']}_{end}.sor").waveforms[0]
        level_db = wave.level_db
        speed = SPEED_OF_LIGHT_M_PER_S / TRUE_GROUP_INDEX
        z_m = np.arange(level_db.size) * (wave.spacing_s * speed) - launch
        reading_db.append(
            one_way_loss_db(
                z_m,
                level_db,
                position_m,
                (position_m - 1100, position_m - 2),
                (position_m + 60, position_m + 1100),
            )
        )
    # Far-end noise 0.008 dB over some 900 points, ripple 0.0015 dB over some 50 pulses.
    assert reading_db[0] == pytest.approx(float(row["loss_ab_db"]), abs=0.006)
    assert reading_db[1] == pytest.approx(float(row["loss_ba_db"]), abs=0.006)
    assert sum(reading_db) / 2 == pytest.approx(float(row["loss_db"]), abs=0.004)


def test_readme_gives_every_true_loss() -> None:
    text = (SAMPLES / "README.md").read_text(encoding="utf-8")
    rows = truth_rows()
    assert rows
    for row in rows:
        assert f"| {row['number']} | {row['distance_m']} |" in text
        assert f"**{row['loss_db']}**" in text
