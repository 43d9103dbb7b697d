"""Five days of construction: ends that move reel by reel, and what may be said on each evening.

Simulated: twenty-four fibres, five closures that are spliced one after the other. On the third day
the second ribbon is left for the next morning. Splice 5 at closure 3 is bad.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from construction import LIMIT_DB, RUN, Clock, Site5, look, watching

from otdravg import sor
from otdravg.cable import Options, review
from otdravg.cable.checks.wholes import with_proof
from otdravg.cable.log.model import LogLine
from otdravg.cable.measure.closures import KnownClosure
from otdravg.cable.model import CableReview, Proof
from otdravg.findings import Severity
from otdravg.simulate.takes import FIRST_SHOT, Take, made
from otdravg.verdict import Profile, default
from otdravg.verdict.rules import DbByWavelength, Directions, at_stage
from otdravg.watch import Expected, Kind
from otdravg.watch.status import Stage
from otdravg.words.catalogue import told

FIBRES = range(1, 25)
BUILDING = at_stage(default(), "construction")
NM = 1550


class Route:
    """The site with its closures as somebody measured them off the map, some metres wrong."""

    def __init__(self, folder: Path) -> None:
        self.site = Site5(folder, fibres=24, seed=4, bad_share=0.0)
        self.site.losses_db[3, 5] = 0.31
        marks = self.site.glass(1, NM).boundaries_m
        self.closures = tuple(KnownClosure(f"C{n}", marks[n] - 9.0 + 4 * n) for n in range(1, 6))

    def shoot(
        self, fibre: int, day: int, spliced: int, end: str = "A", at_m: float | None = None
    ) -> None:
        """Shoot with so many closures spliced; ``at_m`` cuts the fibre there."""
        site, span = self.site, self.site.glass(fibre, NM)
        site.shots += 1
        marks = span.boundaries_m
        broken = at_m
        if at_m is None and spliced < 5:
            broken = marks[spliced + 1] if end == "A" else marks[-2] + 0.5
        take = Take(
            fibre, NM, "AB" if end == "A" else "BA", span=span, again=site.shots,
            broken_at_m=broken, taken=FIRST_SHOT + timedelta(days=day, minutes=fibre),
        )  # fmt: skip
        name = f"{RUN.cable}_F{fibre:03d}_{NM}_{take.direction}_day{day}.sor"
        (site.folder / name).write_bytes(sor.encode(made(take, site.site)))

    def day(self, day: int) -> None:
        for fibre in FIBRES:
            self.shoot(fibre, day, 2 if day == 3 and fibre > 12 else day)

    def said(self, profile: Profile = BUILDING, **more: object) -> CableReview:
        options = Options(fibre_count=24, closures=self.closures)
        return review([self.site.folder], profile, replace(options, **more))


@pytest.fixture(scope="module")
def week(tmp_path_factory: pytest.TempPathFactory) -> Mapping[str, CableReview]:
    """What a review says every evening, and when the far end was shot at last."""
    route = Route(tmp_path_factory.mktemp("building") / "shots")
    found = {}
    for day in range(1, 6):
        route.day(day)
        found[str(day)] = route.said()
    for fibre in FIBRES:
        route.shoot(fibre, 6, 5, "B")
    found["both ends"] = route.said()
    found["final, no closures stated"] = route.said(default(), closures=())
    return found


EVENINGS = ("1", "2", "3", "4")


@pytest.mark.parametrize("evening", EVENINGS)
def test_an_end_at_the_next_closure_is_no_break(
    week: Mapping[str, CableReview], evening: str
) -> None:
    found = week[evening]
    assert {f.code for f in found.findings if f.severity is not Severity.NOTE} == set()
    (built,) = (f for f in found.findings if f.code == "built-so-far")
    assert f"up to closure C{int(evening) + 1}" in told(built.evidence)
    assert found.to_take == ()  # the far end is not asked for what it cannot see
    assert found.exit_status == 0


@pytest.mark.parametrize("evening", EVENINGS)
def test_nothing_is_proved_before_the_far_end_sees_it(
    week: Mapping[str, CableReview], evening: str
) -> None:
    rows = week[evening].rows
    spliced = {(row.closure, row.ribbon) for row in rows}
    reached = {1: int(evening), 2: 2 if evening == "3" else int(evening)}
    assert spliced == {(f"C{n}", r) for r, last in reached.items() for n in range(1, last + 1)}
    assert {row.proof for row in rows} <= {Proof.ONE_END, Proof.OPEN}
    assert sum(row.proof is Proof.ONE_END for row in rows) >= 0.8 * len(rows)
    assert all(row.proved is None and row.loss_db is None for row in rows)
    assert {g.proof for g in week[evening].groups} <= {Proof.ONE_END, Proof.OPEN}
    plan = week[evening].plan
    assert plan is not None
    assert plan.units == ()


def test_the_far_end_is_due_when_the_last_closure_is_spliced(
    week: Mapping[str, CableReview],
) -> None:
    due = {(shot.fibre, shot.direction.value) for shot in week["5"].to_take}
    assert due == {(fibre, "B→A") for fibre in FIBRES}
    assert {row.proof for row in week["5"].rows} <= {Proof.ONE_END, Proof.OPEN}


@pytest.mark.parametrize("when", ["both ends", "final, no closures stated"])
def test_every_bad_splice_is_called_and_no_other(
    week: Mapping[str, CableReview], when: str
) -> None:
    """Shots of the days before lie in the same folder, whatever the stage is called by then."""
    found = week[when]
    assert {f.code for f in found.findings if f.severity is not Severity.NOTE} == set()
    assert found.plan is not None
    (unit,) = found.plan.to_redo
    assert (unit.closure_number, unit.ribbon, [f.fibre for f in unit.failing]) == (3, 1, [5])
    rows = [row for row in found.rows if row.closure]
    assert len(rows) == 5 * 24
    proved = [row for row in rows if row is not unit and row.proof is not Proof.OPEN]
    assert {(row.fibre, row.closure_number) for row in rows if row not in proved} == {(5, 3)}
    expected = Proof.BEND_DUE if when == "both ends" else Proof.BOTH
    assert {row.proof for row in proved} == {expected}
    assert all(row.proved is not None and row.bend_checked is None for row in proved)


@pytest.fixture
def route(tmp_path: Path) -> Route:
    return Route(tmp_path / "shots")


def codes(found: CableReview) -> dict[tuple[str, int | None], str]:
    return {
        (f.code, f.fibre): told(f.evidence)
        for f in found.findings
        if f.severity is not Severity.NOTE
    }


def test_a_fibre_that_ends_elsewhere_is_told(route: Route) -> None:
    marks = route.site.glass(4, NM).boundaries_m
    for fibre in FIBRES:
        cut = {4: (marks[2] + marks[3]) / 2, 6: marks[2], 7: marks[3] - 40.0}.get(fibre)
        route.shoot(fibre, 2, 2, at_m=cut)
    said = codes(route.said())
    assert set(said) == {
        ("end-between-closures", 4), ("end-behind-ribbon", 6), ("end-between-closures", 7)
    }  # fmt: skip
    assert (
        "at closure C2; most of its ribbon reaches up to closure C3" in said["end-behind-ribbon", 6]
    )
    assert "m short of most of its ribbon" in said["end-between-closures", 7]


def test_an_end_that_moves_back_is_told(route: Route) -> None:
    for fibre in range(1, 13):
        route.shoot(fibre, 2, 2)
    for fibre in range(1, 13):
        route.shoot(fibre, 3, 1)
    said = codes(route.said(fibre_count=12))
    assert {code for code, _ in said} == {"end-moved-back"}
    assert {fibre for _, fibre in said} == set(range(1, 13))


def test_pieces_seen_from_both_ends_are_no_broken_fibre(route: Route) -> None:
    """Of the last closure one ribbon is spliced; both are shot from both ends."""
    for fibre in FIBRES:
        spliced = 5 if fibre < 13 else 4
        route.shoot(fibre, 5, spliced)
        route.shoot(fibre, 6, spliced, "B")
    found = route.said()
    assert codes(found) == {}
    assert {row.ribbon for row in found.rows if row.proof is Proof.BEND_DUE} == {1}
    assert {row.closure for row in found.rows if row.ribbon == 2} == {"C1", "C2", "C3", "C4"}
    assert found.to_take == ()
    finished = codes(route.said(default()))
    assert {code for code, _ in finished} & {"fibre-broken", "length-differs", "pattern-differs"}


def test_a_ribbon_that_the_log_has_spliced_where_it_ends_is_named(route: Route) -> None:
    for fibre in FIBRES:
        route.shoot(fibre, 2, 2)
    for day, code in ((20, "spliced-since-shot"), (15, "open-by-shots")):
        log = (LogLine(2, datetime(2024, 5, day, 10, 0), "C3", 2),)
        (said,) = (f for f in route.said(splice_log=log).findings if f.code == code)
        assert "ribbon 2 spliced at closure C3" in told(said.evidence)
        assert "line 2" in told(said.evidence)
        assert (said.fibre, len(said.other_fibres)) == (13, 11)


def of_one_end(limit_db: float | None = None, ribbon_db: float | None = None) -> Profile:
    from decimal import Decimal

    def figure(db: float | None) -> DbByWavelength:
        return DbByWavelength(None if db is None else Decimal(str(db)))

    stage = replace(
        BUILDING.stage, directions=Directions.ONE, limit_db=figure(limit_db),
        ribbon_limit_db=figure(ribbon_db),
    )  # fmt: skip
    return replace(BUILDING, stage=stage)


def test_a_contract_may_judge_from_one_end_or_by_ribbon(route: Route) -> None:
    """Both shapes of rule: a limit of each reading, and one of a ribbon's mean."""
    for fibre in range(13, 25):
        route.site.losses_db[1, fibre] = 0.30
    for fibre in FIBRES:
        route.shoot(fibre, 2, 2)
    single = route.said(of_one_end(limit_db=0.25))
    high = {(row.closure, row.ribbon) for row in single.rows if "over" in row.verdict.verdict.value}
    assert ("C1", 2) in high
    assert single.plan is not None
    assert single.plan.to_redo == ()  # from one end nothing is cut
    by_ribbon = route.said(of_one_end(limit_db=2.0, ribbon_db=0.20))
    said = [f for f in by_ribbon.findings if f.code == "group-outside-rules"]
    assert [(f.closure, min(f.other_fibres)) for f in said] == [("C1", 13)]
    assert "readings from one end" in told(said[0].evidence)


def test_bends_are_checked_after_closing(week: Mapping[str, CableReview]) -> None:
    """Two dates: the shots that prove a splice, and those at two wavelengths after closing."""
    found = week["both ends"]
    taken = max(row.taken for row in found.rows if row.taken is not None)

    dates = {shot.path: shot.taken for shot in found.shots}

    def proofs(closed: datetime | None, bend_db: float | None) -> set[Proof]:
        closures = [replace(one, closed=closed) for one in found.closures]
        rows = [replace(row, bend_db=bend_db) for row in found.rows if row.proof is not Proof.OPEN]
        assert rows
        return {row.proof for row in with_proof(rows, closures, default(), dates)}

    before = (taken - timedelta(days=9)).replace(tzinfo=None)
    after = (taken + timedelta(days=1)).replace(tzinfo=None)
    assert proofs(before, 0.01) == {Proof.CHECKED}
    assert proofs(before, None) == {Proof.BEND_DUE}  # one wavelength shows no bend
    assert proofs(after, 0.01) == {Proof.BEND_DUE}
    assert proofs(None, 0.01) == {Proof.BOTH}
    # Of a shot from before the closing half the sum shows half of what was bent then.
    dates |= {row.file_ab: row.taken - timedelta(days=10) for row in found.rows if row.taken}
    assert proofs(before, 0.01) == {Proof.BEND_DUE}


def test_a_watch_says_the_same_on_every_evening(route: Route) -> None:
    clock = Clock()
    expected = Expected(24, 5, (NM,))
    watch = watching(route.site, clock, expected=expected)
    watch._profile = BUILDING
    watch._options = Options(fibre_count=24, closures=route.closures)
    route.day(3)
    answer = look(watch, clock)
    assert answer is not None
    (cable,) = answer.status
    assert cable.to_shoot == ()
    assert not {e.kind for e in answer.events} & {Kind.CUT, Kind.SHUT, Kind.OPEN}
    third = {r.ribbon: {s.stage for s in r.splices} for r in cable.closures[2].ribbons}
    assert third[1] <= {Stage.ONE_END}
    assert third[2] == {Stage.AHEAD}
    assert cable.is_proved is False
    assert route.site.losses_db[3, 5] > LIMIT_DB  # and nobody has cleared it
