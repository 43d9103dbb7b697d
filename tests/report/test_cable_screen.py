"""The first screen of a cable review: a made-up cable of 864 fibres, and what it has to say.

No shots are measured: the review is put together from values. What is planted is what has to be
read; 40 lines of 80 columns are what the screen may take.
"""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from cable_of_values import CABLE, A, B, row, whole
from wordy import wordy

from otdravg.cable import review
from otdravg.cable.model import (
    CableFinding,
    CableReview,
    ShotToTake,
)
from otdravg.cable.resplice.model import CableOpenings, Openings
from otdravg.cable.resplice.plan import plan_resplices
from otdravg.findings import Severity, says
from otdravg.report.cable import cable_text
from otdravg.report.causes import CAUSES
from otdravg.report.job import remaining
from otdravg.verdict import default
from otdravg.verdict.decision import Action, Verdict

LEARNED = (
    "the shots fit each other: log-likelihood margin 119.3 (about 10^52 to 1); of 24000 points "
    "no other explanation is left"
)


def finding(
    code: str, fibre: int | None, severity: Severity = Severity.DEFECT, **more: Any
) -> CableFinding:
    """A finding whose evidence is as long and as learned as they are."""
    made = CableFinding(wordy(code, LEARNED, severity), CABLE, fibre)
    return replace(made, **more)


#: Splices over the limit: fibre, closure, loss.
OVER = [(3, 2, 0.31), (11, 2, 0.26), (40, 4, 0.245), (301, 7, 0.3), (302, 7, 0.28), (860, 11, 0.4)]
BETWEEN = [(13, 4957.0), (500, 14_613.0)]
FINDINGS = [
    finding("fibres-crossed", 14, other_fibres=(15,)),
    finding("fibres-crossed", 426, other_fibres=(427,), wavelength_nm=1550),
    finding("header-edited", 28, wavelength_nm=1550),
    finding("wavelength-label", 119, wavelength_nm=1550),
    finding("fibre-claims-differ", 134),
    finding("direction-claims-differ", 232),
    finding("file-unreadable", 217, wavelength_nm=1310),
    finding("bend-suspected", 110, closure="3", distance_m=6000.0, wavelength_nm=1550),
    finding("fibre-broken", 635, distance_m=12_424.0),
    *(finding("event-between-closures", f, distance_m=at_m) for f, at_m in BETWEEN),
    finding("clock-odd", 723, Severity.CAUTION),
    finding("cord-missing", 524, Severity.CAUTION),
    finding("pulse-differs", 621, Severity.CAUTION),
    finding("direction-missing", 222, wavelength_nm=1550, direction=B.value),
    finding("ribbon-missing", None, other_fibres=tuple(range(769, 781))),
]
TO_TAKE = [
    ShotToTake(CABLE, 222, B, 1550),
    *(ShotToTake(CABLE, f, d, nm) for d in (A, B) for f in range(769, 781) for nm in (1310, 1550)),
]


@pytest.fixture(scope="module")
def good() -> CableReview:
    return whole()


@pytest.fixture(scope="module")
def faulty(good: CableReview) -> CableReview:
    """864 fibres with 20 faults of twenty kinds of place."""
    bad = {(f, n): loss_db for f, n, loss_db in OVER}
    rows = [
        row(r.fibre, r.wavelength_nm, r.closure_number, r.distance_m, loss_db)
        if r.wavelength_nm == 1550 and (loss_db := bad.get((r.fibre, r.closure_number or 0)))
        else r
        for r in good.rows
        if not 769 <= r.fibre <= 780
    ]
    rows += [row(f, nm, None, at_m, 0.15) for f, at_m in BETWEEN for nm in (1310, 1550)]
    shots = [s for s in good.shots if not 769 <= (s.taken_for.fibre or 0) <= 780]
    fibres = tuple(f for f in good.fibres if not 769 <= f.key.fibre <= 780)
    closures = tuple(
        replace(c, fibres=tuple(f for f in c.fibres if not 769 <= f <= 780)) for c in good.closures
    )
    return replace(
        good,
        shots=tuple(shots),
        rows=tuple(rows),
        fibres=fibres,
        closures=closures,
        findings=tuple(FINDINGS),
        to_take=tuple(TO_TAKE),
        plan=plan_resplices(rows, closures, fibres, good.profile),
    )


def joined(text: str) -> str:
    return " ".join(text.split())


def test_a_good_cable_is_one_line_and_where_the_tables_lie(good: CableReview) -> None:
    lines = cable_text(good, tables="result: splices.csv").splitlines()
    assert lines == [  # 864 fibres × 11 closures × 2 wavelengths
        "CLEAR       TANSY-864: 864 fibres, all 19008 splices within 0.20 dB (contract)",
        "Tables      result: splices.csv; --details",
    ]


def test_a_default_limit_is_named_as_one(good: CableReview) -> None:
    text = joined(cable_text(replace(good, profile=default())))
    assert "Limit 0.20 dB (a default: the contract's figures decide)" in text


def test_twenty_faults_of_864_fibres_fit_one_screen(faulty: CableReview) -> None:
    text = cable_text(faulty, tables="result: splices.csv")
    lines = text.splitlines()
    assert len(lines) <= 40, text
    assert max(map(len, lines)) <= 80
    shown = joined(text)
    assert shown.startswith("CHECK")
    named = [3, 11, 40, 860, 13, 500, 14, 15, 426, 427, 28, 119, 134, 232, 217]
    named += [110, 635, 723, 524, 621, 222]
    for fibre in named:
        assert f" {fibre}" in shown or f"({fibre}" in shown, (fibre, text)
    assert "ribbon 26: fibres 301 blue 0.300, 302 orange 0.280 dB" in shown  # 25 × 12 + 1
    assert "769–780 at 1310 and 1550 nm" in shown
    for at in ("4.957 km", "14.613 km", "12.424 km"):  # what lies between closures
        assert at in shown
    assert "852 of 864 in" in shown


def test_doubts_stand_first_and_odds_behind_details(faulty: CableReview) -> None:
    text = cable_text(faulty)
    headings = ["Settle first", "Missing", "Go to, in order from A", "Look at", "Tables"]
    places = [text.index(f"\n{heading}") for heading in headings]
    assert places == sorted(places)
    assert "log-likelihood" not in text
    details = cable_text(faulty, details=True)
    assert "log-likelihood margin 119.3" in joined(details)
    assert "spliced again:" in joined(details)  # the odds of a remake
    assert details.startswith(text.splitlines()[0])


def visits(text: str) -> list[str]:
    """What there is to go to, one visit each."""
    lines = text.splitlines()
    first = next(n for n, line in enumerate(lines) if line.startswith("Go to,"))
    found: list[str] = []
    for line in lines[first + 1 :]:
        if not line.startswith(("- ", "  ")):
            break
        if line.startswith("- "):
            found.append(line[2:])
        else:
            found[-1] += f" {line.strip()}"
    return found


def test_a_place_on_the_way_is_a_visit_of_its_own_between_its_neighbours(
    faulty: CableReview,
) -> None:
    few = [f for f in FINDINGS if f.distance_m is not None and not f.closure]
    few += [finding("event-between-closures", 7, distance_m=660.0)]
    few += [finding("fibre-broken", 9, distance_m=23_000.0)]
    named = tuple(replace(c, name="Mill Lane") if c.number == 2 else c for c in faulty.closures)
    review = replace(faulty, findings=tuple(few), closures=named, to_take=())
    found = visits(cable_text(review, columns=200))
    assert found[:3] == [
        "Between A and closure 1, 0.660 km from A, 23.340 km from B: fibre 7, loss not measured: "
        "bend, damage or factory splice?",
        "Closure 2 (Mill Lane), 4.000 km from A, 20.000 km from B: re-splice ribbon 1: fibres "
        "3 green 0.310, 11 rose 0.260 dB at 1550 nm",
        "Between closure 2 (Mill Lane) and closure 3, 4.957 km from A, 19.043 km from B: fibre 13 "
        "blue, 0.150 dB at 1310 and 1550 nm: bend, damage or factory splice?",
    ]
    assert "Between closure 6 and closure 7, 12.424 km from A, 11.576 km from B" in found[4]
    assert found[-1] == (
        "Between closure 11 and B, 23.000 km from A, 1.000 km from B: "
        "fibre 9: broken; look, then shoot again"
    )
    for visit in found:
        if visit.startswith("Closure"):
            assert "13 blue" not in visit
            assert "broken" not in visit


def test_fibres_of_one_place_on_the_way_stand_together(good: CableReview) -> None:
    places = [(13, 4957.0, 0.15), (14, 4981.0, 0.4), (15, 5051.0, 0.15)]
    rows = [row(f, nm, None, at_m, loss) for f, at_m, loss in places for nm in (1310, 1550)]
    found = [finding("event-between-closures", f, distance_m=at_m) for f, at_m, _ in places]
    review = replace(good, rows=(*good.rows, *rows), findings=tuple(found))
    together, alone = visits(cable_text(review, columns=200))
    assert ": fibres 13–14, up to 0.400 dB at 1310 and 1550 nm: bend" in together
    assert "5.051 km from A, 18.949 km from B: fibre 15 green, 0.150 dB" in alone


def test_a_long_screen_says_what_a_cut_needs_to_the_last(faulty: CableReview) -> None:
    """Doubts and looks are shortened before colour, loss and wavelength of what is cut."""
    found = visits(cable_text(faulty))
    colours = {3: "green", 11: "rose", 40: "brown", 860: "black"}
    for fibre, number, loss_db in OVER:
        (visit,) = [v for v in found if v.startswith(f"Closure {number},")]
        assert f"{fibre} {colours.get(fibre, '')}" in visit, visit
        assert f"{loss_db:.3f}" in visit
        assert "dB at 1550 nm" in visit
        assert "km from A" in visit
        assert "km from B" in visit


def test_a_remake_for_the_whole_fibre_says_which_splice_loses_most(faulty: CableReview) -> None:
    assert faulty.plan is not None
    openings = Openings((4, 5), (5,), ((4, 4), (5, 9)), ())
    plan = replace(faulty.plan, openings=(CableOpenings(CABLE, openings),))
    rows = tuple(
        row(r.fibre, 1310, 5, r.distance_m, 0.19)
        if (r.fibre, r.closure_number, r.wavelength_nm) == (100, 5, 1310)
        else r
        for r in faulty.rows
    )
    due = (ShotToTake(CABLE, 108, B, 1550), ShotToTake(CABLE, 109, B, 1550))
    review = replace(faulty, plan=plan, rows=rows, findings=(), to_take=due)
    (visit,) = [v for v in visits(cable_text(review, columns=200)) if v.startswith("Closure 5,")]
    assert visit.endswith(  # 100 = 8 × 12 + 4, the fourth of ribbon 9
        "re-splice ribbon 9, for the rules of the whole fibre; worst 100 brown 0.190 dB at "
        "1310 nm (first shoot 108)"
    )


def test_nothing_is_cut_before_the_rest_of_its_ribbon_is_shot(faulty: CableReview) -> None:
    """The watch says the same: a ribbon is cut once, for all that is wrong with it."""
    due = (ShotToTake(CABLE, 8, B, 1550), ShotToTake(CABLE, 9, B, 1550))
    review = replace(faulty, findings=(), to_take=due)
    found = visits(cable_text(review, columns=200))
    assert found[0].endswith("11 rose 0.260 dB at 1550 nm (first shoot 8–9)")
    assert not any("first shoot" in visit for visit in found[1:])
    rows = tuple(r for r in faulty.rows if r.fibre != 9)  # never shot: no row of it
    plan = plan_resplices(rows, faulty.closures, faulty.fibres, faulty.profile)
    found = visits(cable_text(replace(review, rows=rows, plan=plan), columns=200))
    assert found[0].endswith("(first shoot 8–9)")


def test_what_was_not_measured_has_no_loss(faulty: CableReview) -> None:
    assert faulty.plan is not None
    unit = faulty.plan.units[0]
    blind = replace(unit, failing=tuple(replace(f, loss_db=None) for f in unit.failing[:1]))
    review = replace(faulty, plan=replace(faulty.plan, units=(blind,)), findings=(), to_take=())
    (visit,) = [v for v in visits(cable_text(review, columns=200)) if v.startswith("Closure 2,")]
    assert visit.endswith("re-splice ribbon 1: fibre 3 green not measured at 1550 nm")


def test_of_two_cables_every_line_says_which(faulty: CableReview) -> None:
    """One who stands at a hut with two cables has to know which to shoot and to cut."""
    other = replace(faulty.rows[0], cable="MOSS-1")
    findings = tuple(f for f in FINDINGS if f.code == "clock-odd")
    review = replace(faulty, rows=(*faulty.rows, other), findings=findings)
    text = joined(cable_text(review, columns=200))
    assert review.cables == ("MOSS-1", CABLE)
    assert f"shoot from {CABLE}, A (North hut): fibres 769–780" in text
    assert f"Cable {CABLE} - Closure 2, 4.000 km from A, 20.000 km from B: re-splice" in text
    assert f"clock-odd, cable {CABLE}, fibre 723:" in text


def test_shots_alone_are_no_fault(faulty: CableReview, good: CableReview) -> None:
    review = replace(
        faulty, rows=good.rows, plan=None, to_take=tuple(TO_TAKE), findings=tuple(FINDINGS[-2:])
    )
    text = joined(cable_text(review))
    assert text.startswith(f"SHOOT cable {CABLE}: 49 shots to take; nothing is wrong so far")
    assert "- shoot from A (North hut): fibres 769–780 at 1310 and 1550 nm" in text
    assert "- shoot from B (South hut): fibres 222 at 1550 nm; 769–780 at 1310 and 1550 nm" in text


@pytest.mark.parametrize("verdict", [Verdict.NOT_MEASURED, Verdict.TOO_CLOSE, Verdict.NOT_GRADABLE])
def test_what_needs_work_is_never_clear(good: CableReview, verdict: Verdict) -> None:
    """A splice that nothing else explains is named all the same."""
    open_one = replace(
        good.rows[0],
        verdict=replace(good.rows[0].verdict, verdict=verdict, action=Action.SHOOT_AGAIN),
    )
    text = joined(cable_text(replace(good, rows=(open_one, *good.rows[1:]))))
    assert text.startswith("CHECK")
    assert f"fibre 1: {verdict.value} at 1 splice; shoot again" in text
    assert "1 not judged" in text


def test_a_finding_without_words_of_its_own_shows_its_evidence(good: CableReview) -> None:
    odd = CableFinding(wordy("key-not-applied", "it hums: 40 dB of it"), CABLE, 7)
    text = joined(cable_text(replace(good, findings=(odd,))))
    assert "key-not-applied, fibre 7: not applied of the profile; nothing was judged by it" in text


def test_findings_with_words_of_their_own_exist() -> None:
    reference = (Path(__file__).parents[2] / "docs" / "findings.md").read_text(encoding="utf-8")
    explained = set(re.findall(r"^\| `([a-z0-9-]+)`", reference, flags=re.MULTILINE))
    assert len(CAUSES) > 30
    assert set(CAUSES) <= explained


def test_what_a_reviewer_settled_stays_on_the_screen(good: CableReview) -> None:
    known = finding(
        "clock-odd", 7, acknowledged=(says("as-found", text="R. Vale, 2024-05-14: known"),)
    )
    text = joined(cable_text(replace(good, findings=(known,))))
    assert text.startswith("CLEAR")
    assert "Settled by decisions: clock-odd (7)" in text


def test_splices_without_a_limit_are_not_clear(good: CableReview) -> None:
    unjudged = tuple(
        replace(r, verdict=replace(r.verdict, verdict=Verdict.NOT_JUDGED)) for r in good.rows
    )
    text = joined(cable_text(replace(good, rows=unjudged)))
    assert text.startswith(f"LOOK cable {CABLE}: 19008 of 19008 splices are not judged")


def test_many_faults_are_counted_where_they_do_not_fit(faulty: CableReview) -> None:
    """Five hundred faults: still one screen, and it says that there is more."""
    many = [finding("pair-doubtful", n, cable=f"{CABLE}-{n}") for n in range(1, 200)]
    rows = [
        row(r.fibre, r.wavelength_nm, r.closure_number, r.distance_m, 0.3)
        if r.fibre % 5 == 0 and r.wavelength_nm == 1550
        else r
        for r in faulty.rows
    ]
    plan = plan_resplices(rows, faulty.closures, faulty.fibres, faulty.profile)
    review = replace(faulty, rows=tuple(rows), findings=tuple(many), plan=plan)
    text = cable_text(review)
    assert len(text.splitlines()) <= 40, text
    assert "more: see" in text


def test_colour_only_tints_and_ascii_spells(faulty: CableReview) -> None:
    plain = cable_text(faulty)
    assert "\033" not in plain
    tinted = cable_text(faulty, colour=True)
    assert tinted.startswith("\033[")
    assert tinted.replace("\033[33m", "").replace("\033[0m", "") == plain
    assert cable_text(faulty, ascii_only=True).isascii()
    assert max(map(len, cable_text(faulty, columns=120).splitlines())) > 80


def test_what_remains_is_grouped_by_end_and_wavelengths() -> None:
    shots = [ShotToTake(CABLE, f, A, nm) for f in range(13, 25) for nm in (1310, 1550)]
    shots += [ShotToTake(CABLE, 30, A, 1550), ShotToTake(CABLE, 31, B, 1550)]
    assert remaining(shots) == [
        ("A", "fibres 13–24 at 1310 and 1550 nm; 30 at 1550 nm"),
        ("B", "fibre 31 at 1550 nm"),
    ]


def test_where_no_file_can_be_read_nothing_is_claimed(tmp_path: Path) -> None:
    # An empty sum is no all-clear: "all 0 splices within the limit" says too much.
    (tmp_path / "7_A.sor").write_bytes(b"Map\0 and then nothing")
    text = cable_text(review([tmp_path]))
    assert "CHECK       cable not known" in text
    assert not re.search(r"\ball 0\b|within", text)
