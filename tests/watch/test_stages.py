"""Stages of splices, what is called, and what is still to be shot, on folders of known truth."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import timedelta

import pytest
from construction import RUN, WAVELENGTHS, Clock, Site5, look, watching

from otdravg.shot.settings import Direction
from otdravg.verdict.decision import Verdict
from otdravg.verdict.limits import Limits
from otdravg.verdict.rules import profile_of
from otdravg.watch import Answer, Event, Expected, Kind, Stage, Watch
from otdravg.words.headings import Language, Words


class Job:
    """A site, a clock and a watch; what is shot is seen after it has settled."""

    def __init__(self, site: Site5, expected: Expected | None = None) -> None:
        self.site, self.clock = site, Clock()
        self.watch: Watch = watching(site, self.clock, expected=expected)
        self.answer: Answer | None = None

    def shoot(
        self, fibres: Iterable[int], ends: str = "AB", nms: Iterable[int] = WAVELENGTHS
    ) -> Answer:
        for end in ends:
            for fibre in fibres:
                for nm in nms:
                    self.site.shoot(fibre, nm, end)
        return self.look()

    def look(self) -> Answer:
        self.answer = look(self.watch, self.clock) or self.answer
        assert self.answer is not None
        return self.answer


@pytest.fixture
def job(site: Site5) -> Job:
    return Job(site)


def stages(answer: Answer, closure: int) -> dict[int, Stage]:
    (cable,) = answer.status
    own = cable.closures[closure - 1]
    return {s.fibre: s.stage for ribbon in own.ribbons for s in ribbon.splices}


def said(answer: Answer, *kinds: Kind) -> list[str]:
    return [e.text for e in answer.events if e.kind in kinds]


def news(answer: Answer, kind: Kind) -> list[Event]:
    return [e for e in answer.news if e.kind is kind]


def test_half_a_job_reads_as_half_a_job(job: Job) -> None:
    answer = job.shoot(range(1, 13), "A")
    assert set(stages(answer, 1).values()) == {Stage.ONE_END}
    answer = job.shoot(range(1, 6), "B")
    (progress,) = said(answer, Kind.PROGRESS)
    assert progress.startswith("A end complete; B end 5 of 12 fibres. Next: ribbon 1 from B ")
    assert "(fibres 6 to 12)" in progress
    assert "14 shots left" in progress
    # What is only still to come is no finding.
    assert said(answer, Kind.LOOK) == []
    assert said(answer, Kind.SHUT) == []


def test_what_the_profile_asks_for_is_due_beside_what_the_job_names(site: Site5) -> None:
    rules = profile_of(Limits.parse(("0.2",)))
    rules = replace(rules, wavelengths=replace(rules.wavelengths, required=(1550,)))
    expected = Expected(site.fibres, 5, (1310,))
    job = Job(site)
    job.watch = watching(site, job.clock, expected=expected, profile=rules)
    answer = job.shoot(range(1, 13), nms=[1310])
    assert set(stages(answer, 1).values()) == {Stage.WAVELENGTH_DUE}
    assert said(answer, Kind.SHUT) == []
    assert said(answer, Kind.CUT) == []
    (cable,) = answer.status
    assert {nm for _, nm, _ in cable.to_shoot} == {1550}


def test_what_is_left_is_in_shooting_order_from_where_the_crew_stands(job: Job) -> None:
    answer = job.shoot(range(1, 4), "A")
    (cable,) = answer.status
    assert [(k.fibre, nm) for k, nm, _ in cable.to_shoot[:3]] == [(4, 1310), (4, 1550), (5, 1310)]
    assert cable.to_shoot[0][2] is Direction.A_TO_B
    answer = job.shoot([1], "B")
    (cable,) = answer.status
    assert [(k.fibre, end) for k, _, end in cable.to_shoot[:1]] == [(2, Direction.B_TO_A)]
    assert len(cable.to_shoot) == 12 * 4 - 8


def test_stages_of_one_splice(job: Job) -> None:
    assert stages(job.shoot([1, 2, 3, 4], "A", [1550]), 1)[1] is Stage.ONE_END
    assert stages(job.shoot([1, 2, 3, 4], "B", [1550]), 1)[1] is Stage.WAVELENGTH_DUE
    assert stages(job.shoot([1], "A", [1310]), 1)[1] is Stage.ONE_END
    answer = job.shoot([1], "B", [1310])
    assert stages(answer, 1)[1] is Stage.PROVED
    assert stages(answer, 1)[9] is Stage.MISSING


def test_no_order_to_cut_before_the_ribbon_is_complete(job: Job) -> None:
    answer = job.shoot(range(1, 10))
    assert said(answer, Kind.CUT) == []
    (waits,) = said(answer, Kind.OPEN)
    assert waits == (
        "closure 3, ribbon 1 (fibres 1 to 12): 5 slate 0.31 dB, over the limit from both ends; "
        "keep it open, cut nothing before fibres 10 to 12 are shot too"
    )
    answer = job.shoot(range(10, 13))
    assert said(answer, Kind.CUT) == [
        "closure 3, ribbon 1 (fibres 1 to 12): 5 slate 0.31 dB, re-splice; keep it open"
    ]
    assert said(answer, Kind.OPEN) == []


def test_crossed_fibres_are_not_cut_for(site: Site5) -> None:
    """Fibres 7 and 8 change places on their way to B: half of each reading is of the other."""
    site.losses_db[2, 7], site.losses_db[2, 8] = 0.34, 0.10
    del site.losses_db[3, 5]
    site.losses_db[3, 5] = 0.05
    job = Job(site)
    for fibre in range(1, 13):
        for nm in WAVELENGTHS:
            site.shoot(fibre, nm, "A")
    turned = {7: 8, 8: 7}
    for fibre in range(1, 13):
        for nm in WAVELENGTHS:
            path = site.shoot(turned.get(fibre, fibre), nm, "B")
            path.rename(path.with_name(f"draft-{fibre}-{nm}"))
    for fibre in range(1, 13):
        for nm in WAVELENGTHS:
            draft = site.folder / f"draft-{fibre}-{nm}"
            draft.rename(site.folder / f"{RUN.cable}_F{fibre:03d}_{nm}_BA.sor")
    answer = job.look()
    assert said(answer, Kind.CUT) == []
    assert stages(answer, 2)[7] is Stage.CHECK
    assert stages(answer, 2)[8] is Stage.CHECK
    assert said(answer, Kind.SHUT) == []


def test_a_closure_is_shut_when_all_of_it_is_proved(job: Job) -> None:
    answer = job.shoot(range(1, 13))
    assert [e.values["closure"] for e in news(answer, Kind.SHUT)] == [1, 2, 4, 5]
    ends = {text.rpartition("; ")[2] for text in said(answer, Kind.SHUT)}
    assert ends == {"bend check after closing still due"}


@pytest.mark.parametrize(
    "expected",
    [
        Expected(),
        Expected(12, None, WAVELENGTHS),
        Expected(None, 5, WAVELENGTHS),
        Expected(12, 5),
        Expected(12, 6, WAVELENGTHS),
        Expected(13, 5, WAVELENGTHS),
        Expected(12, 5, (1310, 1550, 1625)),
    ],
    ids=[
        "nothing",
        "no closures",
        "no fibres",
        "no wavelengths",
        "a closure more",
        "a fibre more",
        "a wavelength more",
    ],
)
def test_nobody_is_told_to_shut_what_may_lack_something(site: Site5, expected: Expected) -> None:
    answer = Job(site, expected).shoot(range(1, 13))
    assert said(answer, Kind.SHUT) == []
    assert not answer.is_proved


def test_nothing_is_cut_while_the_number_of_the_closure_is_in_doubt(site: Site5) -> None:
    answer = Job(site, Expected(12, 6, WAVELENGTHS)).shoot(range(1, 13))
    assert said(answer, Kind.CUT) == []
    (text,) = said(answer, Kind.OPEN)
    assert "cut nothing: more or fewer closures show than there are" in text


def test_a_bend_is_dressed_and_not_cut(site: Site5) -> None:
    site.losses_db[3, 5] = 0.05
    site.bent.add((2, 6))
    site.losses_db[2, 6] = 0.11
    answer = Job(site).shoot(range(1, 13))
    assert said(answer, Kind.CUT) == []
    (text,) = said(answer, Kind.OPEN)
    assert text.startswith("closure 2, ribbon 1 (fibres 1 to 12): 6 white ")
    assert "do not cut" in text


def test_after_a_re_splice_the_whole_ribbon_is_due_again(job: Job) -> None:
    job.shoot(range(1, 13))
    job.site.splice(3, 1, 0.0)
    answer = job.shoot([5], "A")
    # Half of what is measured of fibre 5 is of a splice that is gone, and so are the others.
    assert set(stages(answer, 3).values()) == {Stage.AGAIN}
    assert set(stages(answer, 2).values()) == {Stage.PROVED}
    (back,) = news(answer, Kind.BACK)
    assert "re-splice" in back.text
    assert "12 to be shot again" in back.text
    (cable,) = answer.status
    assert len(cable.to_shoot) == 12 * 4 - 2
    job.shoot([5], "B")
    assert stages(job.look(), 3)[5] is Stage.PROVED
    answer = job.shoot([f for f in range(1, 13) if f != 5])
    assert [e.values["closure"] for e in news(answer, Kind.SHUT)] == [3]
    assert answer.is_proved


@pytest.mark.parametrize("days", [-900, 900])
def test_a_re_splice_shot_by_a_wrong_clock_is_held(job: Job, days: int) -> None:
    """By its clock the newest shot is the oldest: nothing is cut or cleared by such an order."""
    if days > 0:  # the first shots are dated ahead
        job.site.clock_off = timedelta(days=days)
    job.shoot(range(1, 13))
    job.site.clock_off = timedelta(days=min(days, 0))
    job.site.splice(3, 1, 0.0)
    answer = job.shoot(range(1, 13))
    assert said(answer, Kind.CUT) == []
    assert set(stages(answer, 3).values()) == {Stage.CHECK}
    assert said(answer, Kind.SHUT) == []
    # It is said once, not once for each closure.
    assert said(answer, Kind.OPEN) == []
    (text,) = [t for t in said(answer, Kind.LOOK) if t.startswith("fibres 1 to 12: a shot that")]
    assert "folder of their own" in text


def test_a_shot_repeated_before_the_other_end_is_no_re_splice(job: Job) -> None:
    job.shoot([1], "A")
    job.shoot([1], "A")
    answer = job.shoot(range(1, 13))
    assert stages(answer, 1)[1] is Stage.PROVED


def test_a_copy_is_one_shot(job: Job) -> None:
    answer = job.shoot(range(1, 13))
    before = [e.text for e in answer.events]
    for path in list(job.site.folder.glob("*F00[12]*")):
        path.with_name(f"copy of {path.name}").write_bytes(path.read_bytes())
    answer = job.look()
    assert [e.text for e in answer.events] == before
    assert answer.news == ()


def test_what_is_deleted_takes_back_what_it_proved(job: Job) -> None:
    job.shoot(range(1, 13))
    for path in job.site.folder.glob("*F009_1550_BA*"):
        path.unlink()
    answer = job.look()
    assert stages(answer, 1)[9] is Stage.ONE_END
    assert sorted(e.text.partition(" may be shut")[0] for e in news(answer, Kind.BACK))[:4] == [
        f'no longer so: "closure {n}' for n in (1, 2, 4, 5)
    ]
    assert said(answer, Kind.SHUT) == []


def test_an_unreadable_file_is_said_once(job: Job) -> None:
    job.shoot(range(1, 4))
    (job.site.folder / f"{RUN.cable}_F004_1550_AB.sor").write_bytes(b"\0" * 500)
    (first,) = news(job.look(), Kind.LOOK)
    assert first.values["code"] == "file-unreadable"
    # It is still to come, and keeps nobody from anything.
    assert stages(job.look(), 1)[4] is Stage.MISSING
    assert said(job.look(), Kind.OPEN) == []
    assert news(job.shoot([5], "A"), Kind.LOOK) == []


def test_an_unreadable_shot_may_be_a_newer_one(job: Job) -> None:
    job.shoot(range(1, 13))
    (job.site.folder / f"{RUN.cable}_F004_1550_AB (2).sor").write_bytes(b"\0" * 500)
    answer = job.look()
    assert stages(answer, 1)[4] is Stage.CHECK
    assert said(answer, Kind.SHUT) == []


def test_more_fibres_than_stated_hold_everything(site: Site5) -> None:
    answer = Job(site, Expected(11, 5, WAVELENGTHS)).shoot(range(1, 13))
    assert said(answer, Kind.SHUT) == []
    assert not answer.is_proved


def test_a_high_reading_from_one_end_asks_for_the_other(site: Site5) -> None:
    site.losses_db[3, 11] = 0.45
    job = Job(site)
    job.shoot(range(1, 9), "A")
    job.shoot(range(1, 9), "B")
    answer = job.shoot([11], "A")
    assert stages(answer, 3)[11] is Stage.HIGH
    (text,) = [t for t in said(answer, Kind.OPEN) if "11 rose about" in t] or [""]
    assert said(answer, Kind.CUT) == []
    assert stages(job.shoot([11], "B"), 3)[11] is Stage.OVER
    assert text == "" or "provisional; shoot it from B; keep it open" in text


def test_every_state_is_said_in_german() -> None:
    words = Words(Language.GERMAN)
    states = [state.value for kind in (Stage, Verdict) for state in kind]
    assert [state for state in states if words.value(state) == state] == []
