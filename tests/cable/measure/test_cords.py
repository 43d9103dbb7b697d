"""Launch and receive fibres of a cable: measured where nobody stated them, refused where wrong.

Small simulated cables of known truth, run by the command as a reviewer does.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from simulated import Joint, JointKind
from small_cable import CONNECTOR, Cable, Crew, cable_says, evidence, orders, table, with_loss

FIBRES = range(1, 13)
ONE = Cable()
#: An angled connector sends nothing back (common practice, no source).
ANGLED = Joint(0.3, None, JointKind.CONNECTOR)


def places(out: Path) -> set[int]:
    """Places of all rows, to 20 m."""
    return {round(float(row["distance_m"]) / 20) * 20 for row in table(out, "splices.csv")}


def true_places() -> set[int]:
    found = {x for n in FIBRES for x in ONE.fibre(n).joint_positions_m}
    return {round(x / 20) * 20 for x in found}


def test_a_launch_fibre_that_reflects_nothing_is_no_closure(tmp_path: Path) -> None:
    crew = Crew(ONE, tmp_path / "shots", cord_m=1000.0, connector=ANGLED)
    crew.all_of(FIBRES)
    # It might be closures all the same: to be stated.
    assert cable_says(crew.folder, out=tmp_path / "out")[0] == 1
    assert orders(tmp_path / "out") == []
    assert "taken for the ends of a launch and a receive fibre" in evidence(tmp_path / "out")
    assert places(tmp_path / "out") == true_places()


def test_stated_it_is_clear(tmp_path: Path) -> None:
    crew = Crew(ONE, tmp_path / "shots", cord_m=1000.0, connector=ANGLED)
    crew.all_of(FIBRES)
    options = ("--launch", "1km", "--receive", "1km")
    assert cable_says(crew.folder, out=tmp_path / "out", options=options)[0] == 0


def test_stated_as_none_it_is_judged_as_closures(tmp_path: Path) -> None:
    crew = Crew(ONE, tmp_path / "shots", cord_m=1000.0, connector=ANGLED)
    crew.all_of(FIBRES)
    options = ("--launch", "0", "--receive", "0")
    assert cable_says(crew.folder, out=tmp_path / "out", options=options)[0] == 1
    assert len(orders(tmp_path / "out")) == 2


def test_what_most_shots_show_tells_the_others(tmp_path: Path) -> None:
    crew = Crew(ONE, tmp_path / "shots", cord_m=1000.0)
    crew.all_of(FIBRES)
    replace(crew, connector=ANGLED).all_of(range(1, 4))
    assert cable_says(crew.folder, out=tmp_path / "out")[0] == 0
    assert places(tmp_path / "out") == true_places()


def test_a_bad_splice_is_found_where_it_is(tmp_path: Path) -> None:
    crew = Crew(ONE, tmp_path / "shots", cord_m=1000.0, connector=ANGLED)
    crew.all_of(FIBRES)
    crew.both(5, with_loss(ONE.fibre(5), 2, 0.4))
    cable_says(crew.folder, out=tmp_path / "out")
    assert orders(tmp_path / "out") == [("2", "5")]


@pytest.mark.parametrize(
    ("cord_m", "stated", "said"),
    [(1000.0, "500m", "their first connector at 1"), (0.0, "2km", "a splice at 13")],
)
def test_a_wrong_length_is_refused(tmp_path: Path, cord_m: float, stated: str, said: str) -> None:
    crew = Crew(ONE, tmp_path / "shots", cord_m=cord_m, connector=CONNECTOR)
    crew.all_of(FIBRES)
    code, text = cable_says(crew.folder, out=tmp_path / "out", options=("--launch", stated))
    assert (code, said in text) == (2, True), text
    assert not (tmp_path / "out").exists()
