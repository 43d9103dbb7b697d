"""What lists and shots say against each other, on a short cable of known truth.

Two fibres of three reels of 690, 720 and 705 m, shot on 14 May 2024 with one instrument.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from key_cables import WAVELENGTHS, glass, plain, write
from pair_example import reading
from simulated import Joint, Section

from otdravg.cable import CableReview, Options, list_shots, read_folders, review
from otdravg.cable.checks.planned import readings_at_a
from otdravg.cable.files.attempts import stands_of
from otdravg.cable.files.folder import RawShot
from otdravg.cable.lists.facts import Instrument, Mark, PowerReading, Reel, RoutePlace
from otdravg.cable.lists.instruments import with_linearity
from otdravg.cable.lists.power import rerouted
from otdravg.cable.measure.jobs import Job, Outcome
from otdravg.cable.measure.standing import Measured
from otdravg.cable.model import CableFinding, Expected
from otdravg.cable.planned import NumberAtB, SplicePlan
from otdravg.findings import Severity
from otdravg.report.cable import cable_text
from otdravg.tables.splices import review_cells
from otdravg.verdict import Profile, parse
from otdravg.words.catalogue import told as in_words

HEAD = 'format = 1\nname = "test"\nsource = "invented"\n[splice]\nlimit_db = 0.3\n'
PLAIN = parse(HEAD, "t.toml")
GUARDED = parse(f'{HEAD}[decision]\nrule = "guarded"\n', "t.toml")
Shots = Sequence[RawShot]


@pytest.fixture(scope="module")
def shots(tmp_path_factory: pytest.TempPathFactory) -> Shots:
    folder = tmp_path_factory.mktemp("plain")
    plain(folder)
    return read_folders([folder])


def told(shots: Shots, profile: Profile = PLAIN, **lists: object) -> CableReview:
    expected = Expected("SIM-KEYS", **lists)  # type: ignore[arg-type]
    return review(shots, profile, Options(fibre_count=2, expected=expected))


def of_code(result: CableReview, code: str) -> list[CableFinding]:
    return [finding for finding in result.findings if finding.code == code]


# -- instruments -----------------------------------------------------------------------


def test_linearity_enters_every_uncertainty_as_derived(shots: Shots) -> None:
    # Derived in lists/instruments.py: u² = u₀² + ((Λ·|s₁| + Λ·|s₂|)/2)²/3.
    without = told(shots)
    held = told(shots, instruments=(Instrument("simulated", None, 0.03),))
    assert len(held.rows) == len(without.rows) == 8
    for row, before in zip(held.rows, without.rows, strict=True):
        assert (row.loss_db, row.loss_ab_db) == (before.loss_db, before.loss_ab_db)
        most_db = 0.03 * (abs(row.loss_ab_db or 0) + abs(row.loss_ba_db or 0)) / 2
        assert row.u_loss_db == pytest.approx(
            math.hypot(before.u_loss_db or 0, most_db / math.sqrt(3))
        )
    spans = {(f.key, f.wavelength_nm): f for f in without.fibres}
    assert len(held.fibres) == 4
    for fibre in held.fibres:
        # An attenuation of α is wrong by up to 0.03·α: 0.34 dB/km to 0.006 at k = 1.
        added = 0.03 * (fibre.attenuation_db_per_km or 0) / math.sqrt(3)
        before_u = spans[fibre.key, fibre.wavelength_nm].u_attenuation_db_per_km
        assert fibre.u_attenuation_db_per_km == pytest.approx(math.hypot(before_u or 0, added))
    worst = max(held.rows, key=lambda row: row.loss_db or 0)
    assert (worst.expanded_uncertainty_db or 0) > 0.008  # and not ± 0.001


def test_uncertainty_with_linearity_covers_what_such_an_instrument_does(shots: Shots) -> None:
    # GUM, 4.3.7: an error between bounds, rectangular. Both readings with one error, which is the
    # worst of what may be, and with errors of their own.
    records, _ = list_shots(shots)
    stand = stands_of(records)[0]
    job = Job(stand.key, stand.wavelength_nm, 1, None, None)
    chance = np.random.default_rng(4)
    truth_db, step_db = 0.08, 0.35  # a gainer: readings of 0.43 and -0.27 dB
    hits = {True: 0, False: 0}
    for shared in hits:
        for _ in range(400):
            ab = chance.uniform(-0.05, 0.05)
            ba = ab if shared else chance.uniform(-0.05, 0.05)
            noise_db = chance.normal(0, 0.003, 2)
            one = reading(
                (truth_db + step_db) * (1 + ab) + float(noise_db[0]),
                (truth_db - step_db) * (1 + ba) + float(noise_db[1]),
            )
            one = replace(one, u_loss_db=0.003 / math.sqrt(2))
            outcome = Outcome(job, None, (one,), (), None, None, (), None, None)
            (held,) = with_linearity(
                [Measured(stand, 1, outcome, ())], [Instrument("simulated", None, 0.05)]
            )
            (seen,) = held.outcome.readings
            hits[shared] += abs((seen.loss_db or 0) - truth_db) <= 2 * (seen.u_loss_db or 0)
    assert min(hits.values()) >= 380


def test_shots_after_the_end_of_a_calibration(shots: Shots) -> None:
    def last_day(due: date) -> list[CableFinding]:
        return of_code(
            told(shots, instruments=(Instrument("simulated", due),)), "calibration-lapsed"
        )

    assert last_day(date(2024, 5, 14)) == []  # that day included
    (late,) = last_day(date(2024, 5, 13))
    assert in_words(late.evidence).startswith(
        "8 shots of simulated of 2024-05-14; its calibration ran out"
    )
    assert len(late.files) == 8


def test_the_guarded_rule_says_what_it_leaves_out(shots: Shots) -> None:
    partly = told(shots, GUARDED)
    assert "guarded, linearity not in U)" in " ".join(cable_text(partly, tables="out").split())
    (left_out,) = of_code(partly, "linearity-unstated")
    assert left_out.severity is Severity.NOTE
    assert "simulated" in in_words(left_out.evidence)
    stated = (Instrument("simulated", None, 0.03),)
    whole = told(shots, GUARDED, instruments=stated)
    assert "guarded)" in " ".join(cable_text(whole, tables="out").split())
    assert of_code(whole, "linearity-unstated") == []
    assert of_code(told(shots, PLAIN), "linearity-unstated") == []


# -- reels -----------------------------------------------------------------------------

RECORDS = tuple(
    Reel(name, "G.652", 750.0, ((1310, 0.34), (1550, 0.19))) for name in ("R-1", "R-2", "R-3")
)
FIVE_PERCENT = parse(f"{HEAD}[change]\ndeviation_limit_percent = 5\n", "t.toml")


def test_reels_as_they_were_delivered_are_within_the_rule(shots: Shots) -> None:
    result = told(shots, FIVE_PERCENT, reels=RECORDS)
    assert result.exit_status == 0
    assert len(of_code(result, "reel-beside-record")) == 6


def test_a_reel_that_is_not_its_record_is_named(shots: Shots) -> None:
    # Derived: 0.19 dB/km is 8.6 % above a record of 0.175.
    wrong = replace(RECORDS[1], attenuation_db_per_km=((1550, 0.175),))
    result = told(shots, FIVE_PERCENT, reels=(RECORDS[0], wrong, RECORDS[2]))
    (found,) = of_code(result, "reel-outside-record")
    assert "reel R-2" in in_words(found.evidence)
    assert (found.wavelength_nm, found.other_fibres) == (1550, (1, 2))
    percent = in_words(found.evidence).split("up to ")[1].split(" %")[0]
    assert float(percent) == pytest.approx(8.6, abs=1.0)
    assert result.exit_status == 1


def test_more_cable_than_was_delivered(shots: Shots) -> None:
    short = replace(RECORDS[2], length_m=600.0)
    (found,) = of_code(told(shots, reels=(*RECORDS[:2], short)), "reel-length")
    assert "of reel R-3" in in_words(found.evidence)
    assert of_code(told(shots, reels=RECORDS), "reel-length") == []


def test_a_rule_about_reels_that_nothing_places_is_said(shots: Shots) -> None:
    result = told(shots, FIVE_PERCENT, reels=RECORDS[:2])
    assert [in_words(f.evidence) for f in of_code(result, "key-not-applied")] == [
        "not applied of the profile: change.deviation_limit_percent (it needs the records of the "
        "reels, from the list of the job)"
    ]


# -- route -----------------------------------------------------------------------------

ROUTE = (
    RoutePlace("Alder hut", "end", None, Mark(100, "m"), None, "R-3"),
    RoutePlace("MH 1", "manhole", Mark(400, "m")),
    RoutePlace("1", "closure", Mark(777, "m"), Mark(2000, "m"), None, "R-1"),
    RoutePlace("MH 2", "manhole", Mark(1850, "m")),
    RoutePlace("MH 3", "manhole", Mark(1500, "m")),
    RoutePlace("2", "closure", Mark(1294, "m"), Mark(0, "m"), None, "R-2"),
    RoutePlace("Birch hut", "end", Mark(693, "m")),
)  # sheaths of 677, 706 and 693 m


def test_an_event_between_closures_is_said_on_the_sheath(tmp_path: Path) -> None:
    plain(tmp_path)
    for nm in WAVELENGTHS:
        span = glass(2, nm)
        first, middle, last = span.sections
        halves = (replace(middle, length_m=300.0), Section(420.0, *_glass_of(middle)))
        bent = replace(
            span, sections=(first, *halves, last),
            joints=(Joint(0.05), Joint(0.4), Joint(0.05)),
        )  # fmt: skip
        for end in "AB":
            write(tmp_path, 2, nm, end, bent)
    result = told(read_folders([tmp_path]), route=ROUTE)
    found = of_code(result, "event-between-closures")
    assert found
    # Derived: 300 of 720 m of glass behind closure 1, marks fall from 2000 on: 2000 - 706·300/720.
    for one in found:
        assert "; between MH 2 and MH 3, sheath mark about 1706 ± " in in_words(one.evidence)
    assert "Between MH 2 and MH 3, sheath mark about 1706 ± " in cable_text(result)
    assert of_code(result, "route-mark-odd") == []
    table = review_cells(result)["route"]
    assert [row[table.names.index("sheath_m")] for row in table.rows] == [677, 706, 693]


def _glass_of(section: Section) -> tuple[float, float]:
    return section.attenuation_db_per_km, section.backscatter_db


def test_a_visit_to_a_closure_says_the_marks_at_it(shots: Shots) -> None:
    named = (*ROUTE[:5], replace(ROUTE[5], name="Tansy Lane"), ROUTE[6])
    tight = parse(HEAD.replace("0.3", "0.2"), "t.toml")
    said = " ".join(cable_text(told(shots, tight, route=named)).split())
    table = review_cells(told(shots, tight, route=named))["resplice"]
    columns = [table.names.index(name) for name in ("closure", "mark_in", "mark_out")]
    assert {tuple(row[c] for c in columns) for row in table.rows} == {("2", "1294 m", "0 m")}
    assert (
        "Closure 2 (Tansy Lane), sheath mark 1294 m in, sheath mark 0 m out, 1.410 km from A"
        in said
    )
    plainly = " ".join(cable_text(told(shots, tight)).split())
    assert "Closure 2, 1.410 km from A" in plainly


def test_odd_marks_are_findings(shots: Shots) -> None:
    wrong = (*ROUTE[:4], replace(ROUTE[4], mark_in=Mark(1900, "m")), *ROUTE[5:])
    (odd,) = of_code(told(shots, route=wrong), "route-mark-odd")
    assert "1900 at MH 3" in in_words(odd.evidence) or "1850 at MH 2" in in_words(odd.evidence)
    assert of_code(told(shots, route=ROUTE), "route-mark-odd") == []


def test_the_route_says_which_reel_lies_where(shots: Shots) -> None:
    wrong = replace(RECORDS[0], attenuation_db_per_km=((1550, 0.15),))
    result = told(shots, FIVE_PERCENT, reels=(wrong, *RECORDS[1:]), route=ROUTE)
    (found,) = of_code(result, "reel-outside-record")
    assert "reel R-1" in in_words(found.evidence)
    lengths = told(shots, reels=(replace(RECORDS[0], length_m=650.0), *RECORDS[1:]), route=ROUTE)
    (longer,) = of_code(lengths, "reel-length")
    assert in_words(longer.evidence) == "706 m of reel R-1 lie there, and its record says 650 m"


# -- power -----------------------------------------------------------------------------


def test_power_readings_stand_beside_the_traces(shots: Shots) -> None:
    readings = tuple(PowerReading(f, "A", 1550, 1.1, f) for f in (1, 2))
    result = told(shots, power=readings)
    table = review_cells(result)["power"]
    sums = {f.key.fibre: f.loss_db for f in result.fibres if f.wavelength_nm == 1550}
    columns = [table.names.index(n) for n in ("traces_loss_db", "power_less_traces_db")]
    for row in table.rows:
        own = sums[row[0]]  # type: ignore[index]
        assert [float(row[c]) for c in columns] == pytest.approx([own, 1.1 - (own or 0)], abs=1e-3)  # type: ignore[arg-type]
    assert len(table.rows) == 2


def test_light_that_arrives_elsewhere_or_nowhere(shots: Shots) -> None:
    power = (PowerReading(1, "A", arrives=2), PowerReading(2, "B", arrives=0))
    result = told(shots, power=power)
    (elsewhere,) = of_code(result, "power-elsewhere")
    (dark,) = of_code(result, "power-dark")
    assert (elsewhere.fibre, elsewhere.other_fibres, dark.fibre) == (1, (2,), 2)
    assert result.exit_status == 1


def test_a_planned_exchange_of_fibres_is_no_fault(shots: Shots) -> None:
    # Fibres 1 and 2 change numbers on the way: light into 1 at A has to come out at 2.
    moved = (NumberAtB("SIM-KEYS", 1, 2), NumberAtB("SIM-KEYS", 2, 1))
    plan = SplicePlan("SIM-KEYS", 12, (), moved)
    crossed = (PowerReading(1, "A", arrives=2), PowerReading(2, "B", arrives=1))
    straight = (PowerReading(1, "A", arrives=1), PowerReading(2, "B", arrives=2))
    assert readings_at_a(crossed, plan) == (
        PowerReading(1, "A", arrives=1),
        PowerReading(1, "B", arrives=1),
    )
    assert rerouted(readings_at_a(crossed, plan)) == {}
    assert rerouted(readings_at_a(straight, plan)) == {(1, "A"): 2, (1, "B"): 2}
    none = SplicePlan()
    assert readings_at_a(straight, none) == straight


def test_the_rule_is_held_against_the_reading_that_it_names(shots: Shots) -> None:
    # Derived: 0.5·2.115 + 2·0.1 + two end connectors of 0.5: 2.258 dB.
    text = f'{HEAD}[span.formula]\nfibre_db_per_km = 0.5\nsplice_db = 0.1\nconnector_db = 0.5\n' \
           '[span]\nreading = "power"\n'  # fmt: skip
    profile = parse(text, "t.toml")
    for loss_db, status in ((2.25, 0), (2.27, 1)):
        power = [PowerReading(f, "A", nm, loss_db) for f in (1, 2) for nm in WAVELENGTHS]
        result = told(shots, profile, power=tuple(power))
        rules = [rule for fibre in result.fibres for rule in fibre.rules]
        assert {rule.rule for rule in rules} == {"span.formula"}
        assert {float(rule.figure or 0) for rule in rules} == {loss_db}
        assert [float(rule.limit_db or 0) for rule in rules] == pytest.approx([2.258] * 4, abs=2e-3)
        assert result.exit_status == status
    (unread,) = {r.rule for f in told(shots, profile).fibres for r in f.rules}
    assert unread == "span.reading"
