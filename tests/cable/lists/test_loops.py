"""Fibres looped at the far end: two shots from one end tell the splices of both, and nothing else.

Truth is the simulated glass: of a loop the path out in one fibre and back in the other.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner
from simulated import Fibre, Section, true_joints
from small_cable import (
    ATTENUATION_DB_PER_KM,
    CONNECTOR,
    Cable,
    Crew,
    cable_says,
    orders,
    table,
    with_loss,
)

from otdravg.cli import main
from otdravg.job import load

CABLE = Cable(seed=8, step_db=0.25)
LOOP_M = 30.0
CLOSURES = "name,distance\nK1,1314m\nK2,3039m\n"


def glass(fibre: int) -> Fibre:
    """Fibre 4 is bad at K1, fibre 7 at K2."""
    bad = {4: 1, 7: 2}
    span = CABLE.fibre(fibre)
    return with_loss(span, bad[fibre], 0.35) if fibre in bad else span


def path(fibre: int, other: int) -> Fibre:
    """Out in one fibre, through the cord, and back in the other."""
    out, back = glass(fibre), glass(other).reversed()
    cord = Section(LOOP_M, ATTENUATION_DB_PER_KM[1550], 0.0)
    joints = (*out.joints, CONNECTOR, CONNECTOR, *back.joints)
    return replace(out, sections=(*out.sections, cord, *back.sections), joints=joints)


@pytest.fixture(scope="module")
def looped(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Fibres 1 to 12 from A alone: 1 and 2 are looped, 3 and 4, and so on."""
    place = tmp_path_factory.mktemp("looped")
    crew = Crew(CABLE, place / "shots", cord_m=500.0, states_cord=True)
    for fibre in range(1, 13):
        crew.one(fibre, "A", path(fibre, fibre + 1 if fibre % 2 else fibre - 1))
    (place / "closures.csv").write_text(CLOSURES)
    (place / "job.toml").write_text(
        'format = 1\ncable = "SIM-1"\nfibres = 12\nwavelengths = [1550]\nshots = ["shots"]\n'
    )
    return place


def told(place: Path, loops: str) -> tuple[int, str]:
    (place / "loops.csv").write_text(loops)
    return cable_says(out=place / "out", options=("--job", str(place / "job.toml"), "--force"))


LOOPS = "fibre,other,length\n" + "".join(f"{n},{n + 1},{LOOP_M:.0f}m\n" for n in range(1, 13, 2))


def test_every_splice_is_averaged_from_both_directions(looped: Path) -> None:
    status, _ = told(looped, LOOPS)
    assert status == 1
    rows = table(looped / "out", "splices.csv")
    assert {(row["fibre"], row["closure"]) for row in rows} == {
        (str(n), closure) for n in range(1, 13) for closure in ("K1", "K2")
    }
    true = {
        (str(n), f"K{k}"): joint.loss_db
        for n in range(1, 13)
        for k, joint in enumerate(true_joints(glass(n)), start=1)
    }
    apart = {
        key: (float(row["loss_db"]) - true[key]) / float(row["expanded_uncertainty_db"])
        for row in rows
        if (key := (row["fibre"], row["closure"]))
    }
    assert max(map(abs, apart.values())) < 2  # and most within U
    assert sum(abs(one) <= 1 for one in apart.values()) >= 0.9 * len(apart)
    assert sorted(orders(looped / "out")) == [("K1", "4"), ("K2", "7")]
    found = table(looped / "out", "findings.csv")
    assert [f["finding"] for f in found if f["severity"] != "note"] == []
    lengths = [float(f["length_m"]) for f in table(looped / "out", "fibres.csv")]
    assert lengths == pytest.approx([CABLE.fibre(n).length_m for n in range(1, 13)], rel=0.002)


def test_a_cord_as_long_as_the_path_is_refused_and_clears_nothing(looped: Path) -> None:
    told(looped, LOOPS.replace(f"{LOOP_M:.0f}m", "30km"))
    found = table(looped / "out", "findings.csv")
    assert "length of a loop" in " ".join(f["evidence"] for f in found)
    assert table(looped / "out", "splices.csv") == []


def test_nothing_is_asked_from_b_of_a_looped_fibre(looped: Path) -> None:
    (looped / "loops.csv").write_text(LOOPS)
    job = load(looped / "job.toml")
    assert len(job.missing(())) == 24
    told(looped, LOOPS)
    screen = told(looped, LOOPS)[1]
    assert "to take" not in screen


def test_a_watch_proves_looped_fibres_without_anybody_at_b(looped: Path) -> None:
    (looped / "loops.csv").write_text(LOOPS)
    arguments = ["watch", "--job", str(looped / "job.toml"), "--once", "--settle", "0"]
    told = CliRunner().invoke(main, arguments)
    screen = " ".join(told.output.split())
    assert "from B" not in screen.replace("km from B", "")
    assert "ribbon 1" in screen


def test_a_loop_that_joins_other_fibres_clears_nothing(looped: Path) -> None:
    """The list says 1 to 3 and 2 to 4; the glass says otherwise."""
    wrong = LOOPS.replace("1,2,", "1,3,", 1).replace("3,4,", "2,4,")
    status, _ = told(looped, wrong)
    assert status == 1
    rows = table(looped / "out", "splices.csv")
    cleared = {row["fibre"] for row in rows if row["verdict"] == "within limit"}
    assert not cleared & {"1", "2", "3", "4"}
    assert not {fibres for _, fibres in orders(looped / "out")} & {"1", "2", "3", "4"}


def test_a_loop_whose_fibres_were_shot_from_b_is_said_to_be_unused(tmp_path: Path) -> None:
    crew = Crew(CABLE, tmp_path / "shots")
    crew.all_of(range(1, 3))
    (tmp_path / "job.toml").write_text(
        'format = 1\ncable = "SIM-1"\nfibres = 2\nwavelengths = [1550]\nshots = ["shots"]\n'
    )
    told(tmp_path, "fibre,other,length\n1,2,\n")
    (unused,) = (f for f in table(tmp_path / "out", "findings.csv") if "loop" in f["finding"])
    assert unused["finding"] == "loop-unused"
    assert "fibres 1, 2 are looped" in unused["evidence"].replace("1–2", "1, 2")
    assert {r["verdict"] for r in table(tmp_path / "out", "splices.csv")} == {"within limit"}


def test_without_the_list_the_shots_are_no_pairs(looped: Path) -> None:
    told(looped, "fibre,other,length\n")
    assert {row["verdict"] for row in table(looped / "out", "splices.csv")} <= {
        "one direction only", "not measured",
    }  # fmt: skip
