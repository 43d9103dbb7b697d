"""Two cables under one name, several fibres under one number: told apart by their glass.

Small simulated cables of known truth, run by the command as a reviewer does.
"""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from small_cable import (
    DAY,
    MORNING,
    Cable,
    Crew,
    cable_says,
    evidence,
    orders,
    table,
    with_loss,
)

FIBRES = range(1, 13)
ONE = Cable()
BAD_DB = 0.35


def uses(out: Path) -> set[str]:
    return {row["use"] for row in table(out, "shots.csv")}


@pytest.mark.parametrize(
    ("other", "numbers"),
    [
        (Cable(lengths_m=(900.0, 1300.0, 1400.0), seed=7), range(1, 7)),  # shorter
        (Cable(seed=7), FIBRES),  # the same route and closures, other glass
    ],
)
def test_two_cables_of_one_name_are_two(tmp_path: Path, other: Cable, numbers: range) -> None:
    shots = tmp_path / "shots"
    first, second = Crew(ONE, shots), Crew(other, shots)
    first.all_of(FIBRES, tag="x/")
    first.both(3, with_loss(ONE.fibre(3), 1, BAD_DB), tag="x/")
    second.all_of(numbers, tag="y/", taken=MORNING + 3 * DAY)
    assert cable_says(shots, out=tmp_path / "out")[0] == 1
    assert "more than one cable is named SIM-1" in evidence(tmp_path / "out")
    assert orders(tmp_path / "out") == [("1", "3")]  # it vanished behind the other cable's fibre 3
    assert uses(tmp_path / "out") == {"used"}
    cables = {row["cable"]: row["file"][0] for row in table(tmp_path / "out", "shots.csv")}
    assert cables == {"SIM-1": "x", "SIM-1 (2)": "y"}


def test_two_cables_are_told_by_the_ends_that_were_typed(tmp_path: Path) -> None:
    shots = tmp_path / "shots"
    other = Crew(Cable(lengths_m=(1500.0, 1000.0, 1680.0), seed=7), shots)
    Crew(ONE, shots).all_of(FIBRES)
    for fibre in FIBRES:
        for end, ends in (("A", ("Cedar hut", "Dogwood hut")), ("B", ("Dogwood hut", "Cedar hut"))):
            near, far = ends
            other.one(fibre, end, tag="z", taken=MORNING + 3 * DAY, location_a=near, location_b=far)
    assert cable_says(shots, out=tmp_path / "out")[0] == 1
    assert "more than one cable is named SIM-1" in evidence(tmp_path / "out")
    assert uses(tmp_path / "out") == {"used"}


def test_twelve_fibres_under_one_number_are_no_attempts(tmp_path: Path) -> None:
    crew = Crew(ONE, tmp_path / "shots")
    for end, first in (("A", 0), ("B", 12)):
        for fibre in FIBRES:
            taken = MORNING + timedelta(minutes=fibre + 60 * first)
            name = f"TRACE{first + fibre:04d}.sor"
            crew.shot(ONE.fibre(fibre), end, name, taken=taken)
    assert cable_says(crew.folder, out=tmp_path / "out")[0] == 1
    assert "12 shots A→B at 1550 nm are named fibre 1" in evidence(tmp_path / "out")
    assert uses(tmp_path / "out") == {"not placed"}
    assert table(tmp_path / "out", "splices.csv") == []


def test_one_shot_under_a_wrong_number_replaces_nobody(tmp_path: Path) -> None:
    crew = Crew(ONE, tmp_path / "shots")
    crew.all_of(FIBRES)
    (crew.folder / "F007_1550_A.sor").unlink()
    crew.shot(ONE.fibre(7), "A", "F006b_1550_A.sor", fibre="6", taken=MORNING + 7 * DAY)
    assert cable_says(crew.folder, out=tmp_path / "out")[0] == 1
    assert "2 shots A→B at 1550 nm are named fibre 6" in evidence(tmp_path / "out")
    assert "earlier attempt" not in uses(tmp_path / "out")


def test_a_ribbon_spliced_anew_in_every_closure_is_the_same_glass(tmp_path: Path) -> None:
    crew = Crew(ONE, tmp_path / "shots")
    rng = np.random.default_rng(5)
    for fibre in FIBRES:
        crew.both(fibre)
        span = ONE.fibre(fibre)
        for closure in (1, 2):
            span = with_loss(span, closure, round(float(rng.uniform(0.02, 0.15)), 3))
        crew.both(fibre, span, tag="again/", taken=MORNING + 4 * DAY)
    assert cable_says(crew.folder, out=tmp_path / "out")[0] == 0
    assert uses(tmp_path / "out") == {"used", "earlier attempt"}


def test_a_fibre_that_was_broken_and_mended_is_one(tmp_path: Path) -> None:
    crew = Crew(ONE, tmp_path / "shots")
    crew.all_of(FIBRES)
    for end in "AB":
        at_m = 3700.0 if end == "A" else 500.0
        whole = ONE.fibre(4) if end == "A" else ONE.fibre(4).reversed()
        broken = whole.broken_at(at_m, -14.0)
        crew.one(
            4, end, broken if end == "A" else broken.reversed(), tag="first/", taken=MORNING - DAY
        )
    assert cable_says(crew.folder, out=tmp_path / "out")[0] == 0
    assert uses(tmp_path / "out") == {"used", "earlier attempt"}
