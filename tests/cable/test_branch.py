"""A branch and a change of ribbons, reviewed whole: what is planned is no fault, all else is named.

Truth is the simulated glass. Twenty-four fibres come in at Alder hut; in closure K1 twelve go on
to Birch hut, twelve into the cable SIM-BR, whose crew at Cedar hut counts them from 1.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from datetime import timedelta
from pathlib import Path

import pytest
from small_cable import DAY, ENDS, MORNING, Cable, Crew, cable_says, orders, table, with_loss

#: Glass that differs from reel to reel, so that fibres are told apart (invented).
MAIN = Cable(seed=3, step_db=0.25, lengths_m=(1310.0, 1720.0, 1150.0, 905.0, 1240.0))
BRANCH = Cable(seed=4, step_db=0.25, lengths_m=(1310.0, 900.0, 1400.0, 1055.0, 810.0))
BAD_DB = 0.35
#: Metres of fibre from A; K1, K2, K3, K4 to Birch hut, K1, K9, K10, K11 on the branch.
CLOSURES = {"K1": 1314, "K9": 2217, "K2": 3039, "K10": 3621, "K3": 4193, "K11": 4679, "K4": 5100}
PLAN = """closure,cable_in,ribbon_in,cable_out,ribbon_out,reversed,tray
K1,,1,,1,no,1
K1,,2,SIM-BR,1,{rolled},2
K2,,1,,1,no,1
K9,SIM-BR,1,,1,no,4
K10,SIM-BR,1,,1,no,5
K11,SIM-BR,1,,1,no,5
"""


def glass(fibre: int) -> object:
    """Fibre 4 is bad at K2 on the way to Birch hut, fibre 16 at K9 on the branch."""
    span = (MAIN if fibre <= 12 else BRANCH).fibre(fibre)
    return with_loss(span, 2, BAD_DB) if fibre in (4, 16) else span


def shot(
    place: Path, at_b: Mapping[int, tuple[str, int]], *, without: tuple[int, ...] = ()
) -> Path:
    """Shoot all fibres; ``at_b`` is cable and number under which a fibre lies at its far end."""
    crew = Crew(MAIN, place / "shots", cord_m=500.0, states_cord=True)
    for fibre in range(1, 25):
        crew.one(fibre, "A", glass(fibre))  # type: ignore[arg-type]
        cable, number = at_b[fibre]
        hut = ENDS[1] if cable == "SIM-1" else "Cedar hut"
        if fibre not in without:
            crew.shot(
                glass(fibre),  # type: ignore[arg-type]
                "B",
                f"{cable}_{number:03d}.sor",
                taken=MORNING + DAY + timedelta(minutes=fibre),
                cable=cable,
                fibre=str(number),
                location_a=hut,
                location_b=ENDS[0],
            )
    return place


def told(
    place: Path, plan: str, *, ribbon: int = 12, closures: Iterable[str] = CLOSURES
) -> tuple[str, list[dict[str, str]]]:
    """The screen, and what of the findings asks for something."""
    (place / "job.toml").write_text(
        f'format = 1\ncable = "SIM-1"\nfibres = 24\nwavelengths = [1550]\nribbon = {ribbon}\n'
        f'shots = ["shots"]\n[ends]\na = "{ENDS[0]}"\nb = "{ENDS[1]}"\n'
    )
    (place / "closures.csv").write_text(
        "name,distance\n" + "".join(f"{name},{CLOSURES[name]}m\n" for name in closures)
    )
    (place / "splice-plan.csv").write_text(plan)
    _, screen = cable_says(out=place / "out", options=("--job", str(place / "job.toml"), "--force"))
    found = [f for f in table(place / "out", "findings.csv") if f["severity"] != "note"]
    return screen, found


STRAIGHT = {n: ("SIM-1", n) if n <= 12 else ("SIM-BR", n - 12) for n in range(1, 25)}
ROLLED = {n: STRAIGHT[n] if n <= 12 else ("SIM-BR", 25 - n) for n in range(1, 25)}
OTHER_WAY = {n: ("SIM-BR", n) if n <= 12 else ("SIM-1", n - 12) for n in range(1, 25)}


@pytest.mark.parametrize(("at_b", "rolled"), [(STRAIGHT, "no"), (ROLLED, "yes")])
def test_a_planned_branch_is_no_fault_and_is_judged_whole(
    at_b: Mapping[int, tuple[str, int]], rolled: str, tmp_path: Path
) -> None:
    screen, found = told(shot(tmp_path, at_b), PLAN.format(rolled=rolled))
    assert found == []
    assert sorted(orders(tmp_path / "out")) == [("K2", "4"), ("K9", "16")]
    rows = table(tmp_path / "out", "splices.csv")
    assert len(rows) == 4 * 24  # four closures each
    assert {(r["fibre"], r["verdict"]) for r in rows if r["verdict"] != "within limit"} == {
        ("4", "over limit"), ("16", "over limit"),
    }  # fmt: skip
    trays = {(r["closure"], r["fibre"]): r["tray"] for r in rows}
    assert (trays["K1", "16"], trays["K9", "16"], trays["K2", "4"]) == ("2", "4", "1")
    # From K9 to the branch's own end it is as far as its reels are long, 1400 + 1055 + 810 m.
    assert re.search(r"K9\), 2\.21\d km from A, 3\.27\d km from B", screen)


@pytest.mark.parametrize(("at_b", "rolled"), [(STRAIGHT, "yes"), (ROLLED, "no")])
def test_a_branch_that_lies_otherwise_than_planned_is_named(
    at_b: Mapping[int, tuple[str, int]], rolled: str, tmp_path: Path
) -> None:
    _, found = told(shot(tmp_path, at_b), PLAN.format(rolled=rolled))
    codes = {f["finding"] for f in found}
    assert codes & {"numbering-differs", "plan-contradicted"}
    assert [f for f in found if "SIM-BR" not in f["evidence"]] == []
    # Fibre 4 is none of them; what is bad on the branch is of a fibre that nobody knows.
    graded = {int(r["fibre"]) for r in table(tmp_path / "out", "splices.csv")
              if r["verdict"] != "not gradable"}  # fmt: skip
    assert graded >= set(range(1, 13))
    assert ("K2", "4") in orders(tmp_path / "out")


def test_the_wrong_ribbon_on_the_branch_is_named_beside_the_plan(tmp_path: Path) -> None:
    """No length fits: nothing is measured, nothing is ordered, and the plan stands beside it."""
    _, found = told(shot(tmp_path, OTHER_WAY), PLAN.format(rolled="no"))
    lengths = [f for f in found if f["finding"] == "length-differs"]
    assert {int(f["fibre"]) for f in lengths} == set(range(1, 25))
    beside = [f for f in lengths if int(f["fibre"]) > 12]
    assert [f for f in beside if "goes into cable SIM-BR" not in f["evidence"]] == []
    assert orders(tmp_path / "out") == []


def test_a_branch_that_is_not_shot_yet_is_asked_for_at_its_own_end(tmp_path: Path) -> None:
    place = shot(tmp_path, STRAIGHT, without=tuple(range(13, 25)))
    screen, found = told(place, PLAN.format(rolled="no"))
    assert {f["finding"] for f in found} == {"direction-missing"}
    assert "shoot from SIM-BR, B: fibres 1–12 at 1550 nm" in screen
    assert orders(tmp_path / "out") == [("K2", "4")]


#: One ribbon of 24 at A becomes two of twelve in K1.
PARTED = """closure,ribbon_in,fibres_in,ribbon_out,fibres_out,reversed,tray
K1,1,1-12,1,1-12,no,1
K1,1,13-24,2,13-24,{rolled},2
"""


@pytest.mark.parametrize(("rolled", "at_b"), [("no", range(13, 25)), ("yes", range(24, 12, -1))])
def test_a_planned_change_from_24_to_12_is_no_fault(
    rolled: str, at_b: range, tmp_path: Path
) -> None:
    numbers = dict(zip(range(13, 25), at_b, strict=True))
    place = parted(tmp_path, numbers)
    _, found = told(
        place, PARTED.format(rolled=rolled), ribbon=24, closures=("K1", "K2", "K3", "K4")
    )
    assert found == []
    rows = table(tmp_path / "out", "splices.csv")
    trays = {(r["fibre"], r["tray"]) for r in rows if r["closure"] == "K1"}
    assert trays == {(str(n), "1" if n <= 12 else "2") for n in range(1, 25)}


@pytest.mark.parametrize(
    ("rolled", "at_b", "code"),
    [("yes", range(13, 25), "plan-contradicted"), ("no", range(24, 12, -1), "numbering-differs")],
)
def test_a_half_that_is_turned_over_otherwise_than_planned_is_named(
    rolled: str, at_b: range, code: str, tmp_path: Path
) -> None:
    place = parted(tmp_path, dict(zip(range(13, 25), at_b, strict=True)))
    plan = PARTED.format(rolled=rolled)
    _, found = told(place, plan, ribbon=24, closures=("K1", "K2", "K3", "K4"))
    assert [f["finding"] for f in found] == [code]
    assert "turned over" in found[0]["evidence"]
    assert "(fibres 13–24) in tray 2 becomes ribbon 2" in found[0]["evidence"]


def parted(place: Path, at_b: Mapping[int, int]) -> Path:
    crew = Crew(MAIN, place / "shots")
    for fibre in range(1, 25):
        crew.one(fibre, "A")
        crew.one(at_b.get(fibre, fibre), "B", MAIN.fibre(fibre), taken=MORNING + DAY)
    return place


def test_fibres_of_a_branch_that_are_shot_from_a_alone_put_no_other_in_doubt(
    tmp_path: Path,
) -> None:
    """Where the main cable has its closure they show nothing: all alike, and of no fibre there."""
    main = Cable(seed=3)
    branch = Cable(seed=4, lengths_m=(1310.0, 900.0, 1400.0))
    crew = Crew(main, tmp_path / "shots", cord_m=500.0, states_cord=True)
    for fibre in range(1, 13):
        crew.both(fibre)
        crew.one(fibre + 12, "A", branch.fibre(fibre + 12))
    cable_says(crew.folder, out=tmp_path / "out")
    codes = {f["finding"] for f in table(tmp_path / "out", "findings.csv")}
    assert codes == {"direction-missing", "numbering-by-labels"}
