"""Which shot is current: splices made again, pairs of two states, clocks, attempts.

Small simulated cables of known truth, run by the command as a reviewer does.
"""

from __future__ import annotations

import shutil
from datetime import datetime, timedelta, timezone
from pathlib import Path

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

CABLE = Cable()
BAD_DB, GOOD_DB = 0.40, 0.05
MINUTE = timedelta(minutes=1)
#: Days after the first shots on which a repair was shot.
LATER = MORNING + 4 * DAY


class Job:
    """Twelve fibres, fibre 5 bad at closure 1; ``said`` reviews what lies there."""

    def __init__(self, place: Path) -> None:
        self.crew = Crew(CABLE, place / "shots")
        self.out = place / "out"
        self.crew.all_of(range(1, 13))
        self.bad = with_loss(CABLE.fibre(5), 1, BAD_DB)
        self.good = with_loss(CABLE.fibre(5), 1, GOOD_DB)
        self.crew.both(5, self.bad)

    def said(self, *options: str) -> tuple[int, str]:
        return cable_says(self.crew.folder, out=self.out, options=options)

    def table(self, name: str) -> list[dict[str, str]]:
        return table(self.out, name)

    def verdicts(self) -> set[str]:
        return {row["verdict"] for row in self.table("splices.csv")}

    def findings(self) -> dict[str, list[dict[str, str]]]:
        """Findings of the review by code, notes left out."""
        found: dict[str, list[dict[str, str]]] = {}
        for row in self.table("findings.csv"):
            if row["severity"] != "note":
                found.setdefault(row["finding"], []).append(row)
        return found

    def not_graded(self) -> set[tuple[int, str]]:
        """Fibre and closure of the rows that are not graded."""
        return {
            (int(row["fibre"]), row["closure"])
            for row in self.table("splices.csv")
            if row["verdict"] == "not gradable"
        }

    def attempts(self, closure: str) -> set[int]:
        return {
            int(row["attempt"]) for row in self.table("splices.csv") if row["closure"] == closure
        }


@pytest.fixture
def job(tmp_path: Path) -> Job:
    return Job(tmp_path)


REST = {(fibre, "1") for fibre in range(1, 13) if fibre != 5}


def test_a_repair_shot_from_one_end_is_not_graded_and_the_other_shot_asked_for(job: Job) -> None:
    job.crew.one(5, "A", job.good, tag="again_", taken=LATER)
    assert job.said()[0] == 1
    assert orders(job.out) == []
    (finding,) = job.findings()["pair-of-two-states"]
    assert (finding["fibre"], finding["closure"], finding["direction"]) == ("5", "1", "B→A")
    assert "0.350 dB less" in finding["evidence"]
    # The ribbon was cut as a whole: what its other fibres showed is not there any more.
    assert job.not_graded() == REST | {(5, "1")}
    assert len(job.table("splices.csv")) == 24


def test_a_repair_is_no_dressed_bend_because_the_other_end_was_shot_twice_before(job: Job) -> None:
    """A bend shows at one wavelength more than at another, not from one end more than the other."""
    job.crew.one(5, "B", job.bad, tag="twice_", taken=MORNING + 2 * DAY)
    job.crew.one(5, "A", job.good, tag="again_", taken=LATER)
    assert job.said()[0] == 1
    assert orders(job.out) == []
    assert "pair-of-two-states" in job.findings()
    # The ribbon was cut as a whole, whoever was shot how often.
    assert job.not_graded() == REST | {(5, "1")}


def test_the_other_shot_settles_it_in_whatever_order_the_clocks_stand(job: Job) -> None:
    job.crew.one(5, "A", job.good, tag="again_", taken=LATER)
    job.crew.one(5, "B", job.good, tag="again_", taken=LATER - 20 * 60 * MINUTE)
    assert job.said()[0] == 1
    assert set(job.findings()) == {"shot-before-work"}
    assert job.not_graded() == REST


def test_a_repair_shot_whole_is_clear_and_its_history_stays(job: Job) -> None:
    for fibre in range(1, 13):
        span = job.good if fibre == 5 else with_loss(CABLE.fibre(fibre), 1, 0.03 + fibre / 1000)
        job.crew.both(fibre, span, tag="again_", taken=LATER)
    assert job.said()[0] == 0
    assert job.findings() == {}
    assert job.attempts("1") == {2}
    assert job.attempts("2") == {1}
    history = [row for row in job.table("attempts.csv") if row["fibre"] == "5"]
    first, second = (row for row in history if row["closure"] == "1")
    assert float(first["loss_db"]) == pytest.approx(BAD_DB, abs=0.005)
    assert float(second["loss_db"]) == pytest.approx(GOOD_DB, abs=0.005)


def test_a_dirty_connector_asks_for_nothing(tmp_path: Path) -> None:
    crew = Crew(CABLE, tmp_path / "shots", cord_m=400.0)
    crew.all_of(range(1, 13))
    crew.one(5, "A", connector_db=1.1)
    crew.one(5, "A", tag="again_", taken=LATER)
    assert cable_says(crew.folder, out=tmp_path / "out")[0] == 0
    said = {f["finding"]: f["severity"] for f in table(tmp_path / "out", "findings.csv")}
    assert said["shot-again-from-one-end"] == "note"


@pytest.mark.parametrize(
    "date",
    [datetime(1995, 1, 1, tzinfo=timezone.utc), datetime(2060, 1, 1, tzinfo=timezone.utc)],
)
@pytest.mark.parametrize("which", ["first", "second"])
def test_no_order_rests_on_a_clock_that_was_never_set(job: Job, date: datetime, which: str) -> None:
    job.crew.both(5, job.bad, taken=date if which == "first" else MORNING)
    job.crew.both(5, job.good, tag="again_", taken=LATER if which == "first" else date)
    assert job.said()[0] == 1
    assert orders(job.out) == []
    assert set(job.findings()) == {"order-unknown"}
    assert job.not_graded() == {(5, "1")}
    assert "date-unknown" in {row["finding"] for row in job.table("findings.csv")}


def test_a_whole_cable_without_a_clock_is_clean(tmp_path: Path) -> None:
    crew = Crew(CABLE, tmp_path / "shots")
    crew.all_of(range(1, 13), taken=datetime(1998, 1, 1, tzinfo=timezone.utc))
    assert cable_says(crew.folder, out=tmp_path / "out")[0] == 0


def test_a_second_folder_is_later_whatever_the_clock_says(job: Job, tmp_path: Path) -> None:
    after = Crew(CABLE, tmp_path / "after")
    for fibre in range(1, 13):
        span = job.good if fibre == 5 else CABLE.fibre(fibre)
        after.both(fibre, span, taken=datetime(1995, 1, 1, tzinfo=timezone.utc))
    assert cable_says(job.crew.folder, after.folder, out=job.out)[0] == 0


def test_folders_in_the_wrong_order_order_nothing_and_clear_nothing(
    job: Job, tmp_path: Path
) -> None:
    """The folder from after the repair is named first: its clock says so."""
    after = Crew(CABLE, tmp_path / "after")
    for fibre in range(1, 13):
        span = job.good if fibre == 5 else CABLE.fibre(fibre)
        after.both(fibre, span, taken=MORNING + timedelta(days=5))
    right = cable_says(job.crew.folder, after.folder, out=job.out)
    assert right[0] == 0
    shutil.rmtree(job.out)
    assert cable_says(after.folder, job.crew.folder, out=job.out)[0] == 1
    assert orders(job.out) == []
    assert set(job.findings()) == {"order-unknown"}
    assert job.not_graded() == {(fibre, "1") for fibre in range(1, 13)}  # spliced as a whole
    assert "the folder that was named later holds the older" in evidence(job.out)


def three_times(job: Job, gap: timedelta, losses_db: tuple[float, ...]) -> None:
    for number, loss_db in enumerate(losses_db):
        span = with_loss(CABLE.fibre(5), 1, loss_db)
        tag = f"{number}/" if number else ""
        job.crew.both(5, span, tag=tag, taken=MORNING + number * gap)


def test_three_shots_within_minutes_are_one_attempt(job: Job) -> None:
    three_times(job, 6 * MINUTE, (0.15, 0.15, 0.15))
    assert job.said("--profile", "three-attempts")[0] == 1
    assert job.verdicts() == {"within limit", "over limit"}
    assert job.attempts("1") == {1}
    assert {row["attempt"] for row in job.table("shots.csv")} == {"1"}


def test_three_shots_of_one_splice_are_no_attempts_at_it(job: Job) -> None:
    three_times(job, 4 * DAY, (0.15, 0.15, 0.15))
    assert job.said("--profile", "three-attempts")[0] == 1
    assert job.verdicts() == {"within limit", "over limit"}
    assert job.attempts("1") == {1}


def test_attempts_at_one_closure_are_none_at_another(tmp_path: Path) -> None:
    crew = Crew(CABLE, tmp_path / "shots")
    losses_db = {1: (0.30, 0.25, 0.05), 2: (0.04, 0.05, 0.04)}
    for number in range(3):
        for fibre in range(1, 13):
            span = with_loss(CABLE.fibre(fibre), 1, 0.15 if fibre == 4 else 0.05)
            worst_db = losses_db[1][number] if fibre == 7 else losses_db[2][number]
            tag = f"{number}/" if number else ""
            crew.both(
                fibre, with_loss(span, 2, worst_db), tag=tag, taken=MORNING + number * 4 * DAY
            )
    out = tmp_path / "out"
    assert cable_says(crew.folder, out=out, options=("--profile", "three-attempts"))[0] == 1
    assert orders(out) == [("1", "4")]
    rows = table(out, "splices.csv")
    assert {row["attempt"] for row in rows if row["closure"] == "1"} == {"1"}
    assert {row["attempt"] for row in rows if row["closure"] == "2"} == {"3"}


def test_a_bend_that_was_dressed_does_not_age_the_ribbon(tmp_path: Path) -> None:
    # Bend loss rises with wavelength, splice loss hardly (ITU-T G.657, handbooks).
    crew = Crew(CABLE, tmp_path / "shots")
    for nm, bent_db in ((1310, 0.06), (1550, 0.35)):
        crew.all_of(range(1, 13), nm=nm)
        crew.both(5, with_loss(CABLE.fibre(5, nm), 1, bent_db), nm=nm)
        crew.both(5, with_loss(CABLE.fibre(5, nm), 1, 0.05), tag="again_", nm=nm, taken=LATER)
    assert cable_says(crew.folder, out=tmp_path / "out")[0] == 0


def test_in_loose_tube_a_repair_ages_no_other_fibre(job: Job) -> None:
    job.crew.both(5, job.good, tag="again_", taken=LATER)
    assert job.said("--ribbon", "none")[0] == 0


def test_where_one_fibre_may_be_spliced_alone_its_neighbours_keep(job: Job, tmp_path: Path) -> None:
    job.crew.both(5, job.good, tag="again_", taken=LATER)
    profile = tmp_path / "alone.toml"
    profile.write_text(
        'format = 1\nname = "alone"\nsource = "invented for this test"\n'
        "[splice]\nlimit_db = 0.2\n[ribbon]\nsingle_fibre = true\n",
        encoding="utf-8",
    )
    assert job.said("--profile", str(profile))[0] == 0
    assert job.attempts("1") == {1, 2}
