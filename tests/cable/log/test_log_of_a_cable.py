"""A splice log beside the shots of a small simulated cable: what counts, what is said of it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from small_cable import DAY, MORNING, Cable, Crew, cable_says, orders, table, with_loss

CABLE = Cable()
LIMIT_DB = 0.20
HEAD = (
    "date_time,closure,ribbon,splicer,cleaver,blade_position,estimated_highest_db,tries,person,"
    "remark"
)
#: Spliced the day before the first shots, ribbon after ribbon, closure after closure.
BEFORE = (MORNING - DAY).replace(tzinfo=None)


def line(closure: str, ribbon: int, when: datetime, **cells: object) -> str:
    own = {"splicer": "SM-2", "cleaver": "CL-1", "blade": "", "estimated": "", "tries": "",
           "person": "KL", "remark": "", **cells}  # fmt: skip
    return ",".join(map(str, (f"{when:%Y-%m-%d %H:%M}", closure, ribbon, *own.values())))


def usual(since: datetime = BEFORE, **of_first: object) -> list[str]:
    """Both ribbons at both closures, ten minutes apart; ``of_first`` is of the first line."""
    places = [(closure, ribbon) for closure in ("K1", "K2") for ribbon in (1, 2)]
    return [
        line(closure, ribbon, since + timedelta(minutes=10 * n), **(of_first if not n else {}))
        for n, (closure, ribbon) in enumerate(places)
    ]


@pytest.fixture(scope="module")
def shots(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Twenty-four fibres; fibre 5 is bad at closure 1."""
    crew = Crew(CABLE, tmp_path_factory.mktemp("log") / "shots")
    crew.all_of(range(1, 25))
    crew.both(5, with_loss(CABLE.fibre(5), 1, 0.31))
    return crew.folder


class Told:
    """What a review says with a log beside it."""

    def __init__(self, place: Path, shots: Path, lines: Iterable[str], more: str = "") -> None:
        (place / "splice-log.csv").write_text("\n".join((HEAD, *lines)) + "\n")
        (place / "closures.csv").write_text("name,distance\nK1,1314m\nK2,3039m\n")
        (place / "job.toml").write_text(
            f'format = 1\ncable = "SIM-1"\nfibres = 24\nwavelengths = [1550]\n{more}'
        )
        self.out = place / "out"
        self.status, self.screen = cable_says(
            shots, out=self.out, options=("--job", str(place / "job.toml"), "--force", "--details")
        )

    def findings(self) -> Mapping[str, list[dict[str, str]]]:
        found: dict[str, list[dict[str, str]]] = {}
        for row in table(self.out, "findings.csv"):
            found.setdefault(row["finding"], []).append(row)
        return found

    def splices(self, closure: str, fibres: Iterable[int]) -> list[dict[str, str]]:
        wanted = set(map(str, fibres))
        return [
            row
            for row in table(self.out, "splices.csv")
            if row["closure"] == closure and row["fibre"] in wanted
        ]


def test_a_log_in_order_is_shown_beside_what_was_measured(tmp_path: Path, shots: Path) -> None:
    told = Told(tmp_path, shots, usual(estimated="0.05", tries="2", blade="4", remark="=rain"))
    assert not {code for code in told.findings() if code.startswith("log-")}
    first, *rest = table(told.out, "splice_log.csv")
    assert (first["closure"], first["ribbon"], first["tries"]) == ("K1", "1", "2")
    assert float(first["measured_highest_db"]) == pytest.approx(0.31, abs=0.01)
    assert first["remark"].startswith("'")  # no formula for a spreadsheet
    assert len(rest) == 3
    assert {row["attempt"] for row in told.splices("K1", range(1, 13))} == {"2"}
    assert {row["attempt"] for row in told.splices("K1", range(13, 25))} == {"1"}
    (work,) = table(told.out, "resplice.csv")
    assert (work["splicer"], work["person"], work["tries"]) == ("SM-2", "KL", "2")
    assert work["spliced"].startswith(f"{BEFORE:%Y-%m-%d}")
    closures = {row["closure"]: row for row in table(told.out, "closures.csv")}
    assert closures["K1"]["tries"] == "3"
    (below,) = told.findings()["estimate-far-below"]
    assert "0.050 dB" in below["evidence"]
    assert "estimates" in told.screen


THREE = 'profile = "three-attempts"\n'


def test_tries_are_the_attempts_that_a_contract_asks_for(tmp_path: Path, shots: Path) -> None:
    """The shipped example with an objective, and a higher limit after three attempts."""
    once = Told(tmp_path, shots, usual(), THREE)
    assert orders(once.out)
    assert {row["verdict"] for row in once.splices("K1", [5])} == {"over limit"}
    thrice = Told(tmp_path, shots, usual(tries="3"), THREE)
    (five,) = thrice.splices("K1", [5])
    assert (five["attempt"], five["verdict"]) == ("3", "over limit after the last attempt")


def test_shots_older_than_the_work_by_the_log_are_not_graded(tmp_path: Path, shots: Path) -> None:
    """Nobody has shot ribbon 1 since it was made again: neither clear nor to be cut."""
    again = line("K1", 1, BEFORE + 5 * DAY, remark="made again")
    told = Told(tmp_path, shots, [*usual(), again])
    (finding,) = told.findings()["shot-before-work"]
    assert "line 6" in finding["evidence"]
    assert {row["verdict"] for row in told.splices("K1", range(1, 13))} == {"not gradable"}
    assert {row["verdict"] for row in told.splices("K2", range(1, 13))} == {"within limit"}
    assert orders(told.out) == []


def test_clocks_that_differ_settle_no_order(tmp_path: Path, shots: Path) -> None:
    """The log is dated after shots whose light has passed the splices."""
    late = [row.replace(f"{BEFORE:%Y-%m-%d}", f"{BEFORE + 3 * DAY:%Y-%m-%d}") for row in usual()]
    told = Told(tmp_path, shots, late)
    assert "log-clock-differs" in told.findings()
    assert "shot-before-work" not in told.findings()
    assert orders(told.out) == [("K1", "5")]


@pytest.mark.parametrize(("days", "is_doubted"), [(363, False), (367, True), (25 * 365, True)])
def test_a_log_of_another_year_is_doubted(
    days: int, is_doubted: bool, tmp_path: Path, shots: Path
) -> None:
    """A cable is shot within a year of being spliced (common practice, no source)."""
    told = Told(tmp_path, shots, usual(BEFORE - days * DAY))
    found = told.findings().get("log-clock-differs", [])
    assert [row["severity"] for row in found] == ["caution"] * is_doubted
    assert not found or "splice log, lines 2–5: dated" in found[0]["evidence"]


def test_one_line_of_another_year_is_named_and_the_others_still_tell_old_shots(
    tmp_path: Path, shots: Path
) -> None:
    wrong, *others = usual()
    wrong = wrong.replace(f"{BEFORE:%Y}", "1999")
    again = line("K2", 2, BEFORE + 5 * DAY)
    told = Told(tmp_path, shots, [wrong, *others, again])
    (found,) = told.findings()["log-clock-differs"]
    assert "splice log, line 2: dated 1999-" in found["evidence"]
    assert len(told.findings()["shot-before-work"]) == 1


def test_lines_that_do_not_fit_are_named(tmp_path: Path, shots: Path) -> None:
    lines = usual()
    odd = [lines[0], line("K2", 3, BEFORE + timedelta(minutes=50)),
           line("K2", 2, BEFORE - 30 * DAY)]  # fmt: skip
    told = Told(tmp_path, shots, [*lines, *odd])
    said = {code: rows[0]["evidence"] for code, rows in told.findings().items() if "log-" in code}
    assert "line 6" in said["log-line-twice"]
    assert "line 7" in said["log-line-unplaced"]
    assert "the cable has 2" in said["log-line-unplaced"]
    assert "line 8" in said["log-time-backwards"]


def test_a_closure_that_is_misspelt_stops_the_job_with_its_line(
    tmp_path: Path, shots: Path
) -> None:
    told = Told(tmp_path, shots, [*usual(), line("K12", 1, BEFORE)])
    assert told.status == 2
    assert "line 6, column closure" in told.screen


def test_fewer_attempts_than_the_shots_prove_are_a_finding(tmp_path: Path) -> None:
    crew = Crew(CABLE, tmp_path / "shots")
    crew.all_of(range(1, 25))
    crew.both(5, with_loss(CABLE.fibre(5), 1, 0.31))
    for fibre in range(1, 13):
        span = with_loss(CABLE.fibre(fibre), 1, 0.03 + fibre / 1000)
        crew.both(fibre, span, tag="again_", taken=MORNING + 5 * DAY)
    told = Told(tmp_path, crew.folder, usual())
    (finding,) = told.findings()["attempts-differ"]
    assert "the splice log has 1 attempt" in finding["evidence"]
    assert "prove 2" in finding["evidence"]
    assert {row["attempt"] for row in told.splices("K1", range(1, 13))} == {"1"}
    # With the line that was missing nothing is odd any more: the shots show the work.
    again = line("K1", 1, BEFORE + 4 * DAY)
    told = Told(tmp_path, crew.folder, [*usual(), again])
    assert not {"attempts-differ", "shot-before-work"} & set(told.findings())
    assert told.status == 0
