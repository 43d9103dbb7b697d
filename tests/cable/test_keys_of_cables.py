"""Every key of a profile decides something about some cable: mostly its exit status.

The cables and what is true of them stand in key_cables; all are invented.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from key_cables import CORD_M, MAKERS, WAVELENGTHS

from otdravg.cable import CableReview, Options, read_closure_table, read_folders, review
from otdravg.cable.checks.earlier import OldSplice, change_findings
from otdravg.cable.files.folder import RawShot
from otdravg.cable.lists.facts import PowerReading, Reel
from otdravg.cable.model import Change, ChangeKind, Expected, Judged
from otdravg.closeout.traces import trace_pattern
from otdravg.errors import BadSetting
from otdravg.findings import Severity
from otdravg.quantities import Quantity, reported
from otdravg.verdict import Profile, Span, judge_span, parse
from otdravg.verdict.decision import Verdict
from otdravg.verdict.keys import KEYS
from otdravg.words.catalogue import told

HEAD = 'format = 1\nname = "test"\nsource = "invented"\n'
SPLICE = "[splice]\nlimit_db = 0.3\n"
TWICE = "[splice]\nlimit_db = 0.2\n[splice.attempts]\n"
FORMULA = SPLICE + "[span.formula]\n"
PLUGS = SPLICE + "[connector]\n"
SETUP = SPLICE + "[setup]\n"

#: Key, cable, what the profile has besides, and two ways to write the key: the first leaves the
#: cable with exit status 1, the second with 0.
BY_STATUS = {
    # {figure} is what the worst splice reads: at the limit, and inside ± U.
    "decision.rule": (
        "plain", "[splice]\nlimit_db = {figure}\n[decision]\n", 'rule = "guarded"',
        'rule = "plain"',
    ),
    "splice.limit_db": ("plain", "[splice]\n", "limit_db = 0.2", "limit_db = 0.3"),
    "splice.wavelengths": (
        "plain", "[splice]\nlimit_db_at = { 1310 = 0.2, 1550 = 0.3 }\n", 'wavelengths = "all"',
        'wavelengths = "any"',
    ),
    "splice.method": (
        "plain", "[splice.fusion]\nlimit_db = 0.2\n" + SPLICE, 'method = "fusion"',
        'method = "ribbon"',
    ),
    "splice.*.permitted": (
        "plain", SPLICE + "[splice.ribbon]\n", 'permitted = "no"', 'permitted = "yes"',
    ),
    "splice.*.limit_db": ("plain", "[splice.ribbon]\n", "limit_db = 0.2", "limit_db = 0.3"),
    "bend.threshold_db": ("bent", SPLICE + "[bend]\n", "threshold_db = 0.05", "threshold_db = 0.2"),
    # Derived: 3 of 4 splices keep 0.2 dB.
    "share.percent": (
        "plain", SPLICE + "[share]\nlimit_db = 0.2\n", "percent = 76", "percent = 75",
    ),
    "share.limit_db": (
        "plain", SPLICE + "[share]\npercent = 95\n", "limit_db = 0.2", "limit_db = 0.3",
    ),
    "ribbon.size": ("plain", SPLICE + "[ribbon]\n", "size = 4", "size = 0"),
    # Derived: (0.25 + 0.05)/2 = 0.15.
    "ribbon.mean_limit_db": (
        "plain", SPLICE + "[ribbon]\n", "mean_limit_db = 0.14", "mean_limit_db = 0.16",
    ),
    "closure.mean_limit_db": (
        "plain", SPLICE + "[closure]\n", "mean_limit_db = 0.14", "mean_limit_db = 0.16",
    ),
    "stages.*.directions": (
        "single", 'stage = "s"\n' + SPLICE + "[stages.s]\n", 'directions = "both"',
        'directions = "one"',
    ),
    "stages.*.ribbon_limit_db": (
        "single",
        'stage = "construction"\n' + SPLICE + '[stages.construction]\ndirections = "one"\n',
        "ribbon_limit_db = 0.001", "",
    ),
    "stages.*.limit_db": ("plain", 'stage = "s"\n' + SPLICE + "[stages.s]\n", "limit_db = 0.2", ""),
    "span.mean_limit_db": (
        "plain", SPLICE + "[span]\n", "mean_limit_db = 0.14", "mean_limit_db = 0.16",
    ),
    # Derived: 2 splices in 2.115 km.
    "span.splices_per_km": (
        "plain", SPLICE + "[span]\n", "splices_per_km = 0.9", "splices_per_km = 1",
    ),
    "span.steps[].up_to_m": (
        "plain", SPLICE + "[span]\n", "steps = [{ limit_db = 9, up_to_m = 2000 }]",
        "steps = [{ limit_db = 9, up_to_m = 3000 }]",
    ),
    "span.steps[].below_m": (
        "plain", SPLICE + "[span]\n", "steps = [{ limit_db = 9, below_m = 2000 }]",
        "steps = [{ limit_db = 9, below_m = 3000 }]",
    ),
    "span.steps[].limit_db": (
        "plain", SPLICE + "[span]\n", "steps = [{ up_to_m = 3000, limit_db = 1 }]",
        "steps = [{ up_to_m = 3000, limit_db = 2 }]",
    ),
    # Derived: at most 0.34·2.115 + 0.30 = 1.02 dB end to end, with 0.3 dB of a connector 1.07.
    "span.formula.fibre_db_per_km": (
        "plain", FORMULA, "fibre_db_per_km = 0.4", "fibre_db_per_km = 0.5",
    ),
    "span.formula.splice_db": (
        "plain", FORMULA + "fibre_db_per_km = 0.35\n", "splice_db = 0.1", "splice_db = 0.2",
    ),
    "span.formula.connector_db": (
        "plugged", PLUGS + "limit_db = 0.5\n[span.formula]\nfibre_db_per_km = 0.35\n",
        "connector_db = 0.1", "connector_db = 0.5",
    ),
    "span.formula.constant_db": (
        "plain", FORMULA + "fibre_db_per_km = 0.35\n", "constant_db = 0.2", "constant_db = 0.4",
    ),
    # 3 dB by source and meter, whose limit has room for two end connectors.
    "span.reading": (
        "plain", FORMULA + "fibre_db_per_km = 0.5\nconnector_db = 0.5\n[span]\n",
        'reading = "power"', 'reading = "traces"',
    ),
    "fibre.attenuation_db_per_km": (
        "plain", SPLICE + "[fibre]\n", "attenuation_db_per_km = 0.3",
        "attenuation_db_per_km = 0.4",
    ),
    "connector.limit_db": ("plugged", PLUGS, "limit_db = 0.2", "limit_db = 0.4"),
    "connector.end_limit_db": ("cords", PLUGS, "end_limit_db = 0.2", "end_limit_db = 0.4"),
    # One glass adds 0.13 dB to one direction of its connector (derived from the levels).
    "connector.per_direction_limit_db": (
        "plugged", SPLICE + '[setup]\nlaunch = "none"\n[connector]\n',
        "per_direction_limit_db = 0.33", "per_direction_limit_db = 0.5",
    ),
    "connector.reflectance_limit_db": (
        "plugged", PLUGS + "limit_db = 0.4\n", "reflectance_limit_db = -55",
        "reflectance_limit_db = -45",
    ),
    "wavelengths.required": (
        "plain", SPLICE + "[wavelengths]\n", "required = [1310, 1550, 1625]",
        "required = [1310, 1550]",
    ),
    "wavelengths.cases[].longer_than_m": (
        "plain", SPLICE + "[wavelengths]\n",
        "cases = [{ required = [1625], longer_than_m = 2000 }]",
        "cases = [{ required = [1625], longer_than_m = 3000 }]",
    ),
    "wavelengths.cases[].fibre_types": (
        "plain", SPLICE + "[wavelengths]\n",
        'cases = [{ required = [1625], fibre_types = ["G.652"] }]',
        'cases = [{ required = [1625], fibre_types = ["G.653"] }]',
    ),
    "wavelengths.cases[].required": (
        "plain", SPLICE + "[wavelengths]\n",
        "cases = [{ longer_than_m = 2000, required = [1625] }]",
        "cases = [{ longer_than_m = 2000, required = [1550] }]",
    ),
    "wavelengths.judge_others": (
        "plain",
        "[splice]\nlimit_db_at = { 1310 = 0.2, 1550 = 0.3 }\n[wavelengths]\nrequired = [1550]\n",
        "judge_others = true", "judge_others = false",
    ),
    "completeness.every_fibre": (
        "plain", SPLICE + "[completeness]\n", "every_fibre = true", "every_fibre = false",
    ),
    # Two fibres are too few to tell fibres apart by their glass.
    "completeness.numbering_proved": (
        "plain", SPLICE + "[completeness]\n", "numbering_proved = true", "",
    ),
    "change.increase_limit_db": (
        "plain", SPLICE + "[change]\n", "increase_limit_db = 0.1", "increase_limit_db = 0.2",
    ),
    # Derived: 0.34 dB/km is 13 % above the 0.30 of the record.
    "change.deviation_limit_percent": (
        "plain", SPLICE + "[change]\n", "deviation_limit_percent = 12",
        "deviation_limit_percent = 14",
    ),
    "setup.pulse_ns_min": ("plain", SETUP, "pulse_ns_min = 51", "pulse_ns_min = 50"),
    "setup.pulse_ns_max": ("plain", SETUP, "pulse_ns_max = 49", "pulse_ns_max = 50"),
    "setup.averages_min": ("plain", SETUP, "averages_min = 2_000_000_000", "averages_min = 1"),
    "setup.averaging_time_s_min": (
        "plain", SETUP, "averaging_time_s_min = 31", "averaging_time_s_min = 30",
    ),
    "setup.ranges[].fibre_to_m": (
        "plain", SETUP, "ranges = [{ range_to_m = 100, fibre_to_m = 3000 }]",
        "ranges = [{ range_to_m = 100, fibre_to_m = 10 }]",
    ),
    "setup.ranges[].range_to_m": (
        "plain", SETUP, "ranges = [{ fibre_to_m = 3000, range_to_m = 100 }]",
        "ranges = [{ fibre_to_m = 3000, range_to_m = 90_000 }]",
    ),
    "setup.group_index": ("plain", SETUP, "group_index = 1.46", ""),
    "setup.group_index_tolerance": (
        "plain", SETUP + "group_index = 1.46\n", "", "group_index_tolerance = 0.05",
    ),
    "setup.backscatter_db": ("plain", SETUP, "backscatter_db = -90", ""),
    "setup.backscatter_tolerance_db": (
        "plain", SETUP + "backscatter_db = -85\n", "", "backscatter_tolerance_db = 10",
    ),
    "setup.launch": ("plain", SETUP, 'launch = "required"', 'launch = "none"'),
    "setup.launch_m_min": (
        "cords", SETUP + 'launch = "required"\n', f"launch_m_min = {CORD_M + 100}",
        f"launch_m_min = {CORD_M - 100}",
    ),
    "setup.receive": ("plain", SETUP, 'receive = "required"', 'receive = "none"'),
    "setup.receive_m_min": (
        "cords", SETUP + 'receive = "required"\n', f"receive_m_min = {CORD_M + 100}",
        f"receive_m_min = {CORD_M - 100}",
    ),
    "data.length_difference_limit_m": (
        "unequal", SPLICE + "[data]\n", "length_difference_limit_m = 2",
        "length_difference_limit_m = 10",
    ),
}  # fmt: skip

#: The same where the status is 1 either way, or 0, and another answer changes.
BY_ANSWER = {
    "splice.nominal_db": ("plain", SPLICE + "", "nominal_db = 0.1", ""),
    "splice.*.nominal_db": ("plain", SPLICE + "[splice.ribbon]\n", "nominal_db = 0.1", ""),
    "splice.attempts.allowed": (
        "repaired", TWICE + "fallback_db = 0.3\n", "allowed = 2", "allowed = 3",
    ),
    "splice.attempts.fallback_db": (
        "repaired", TWICE + "allowed = 2\n", "fallback_db = 0.3", "fallback_db = 0.21",
    ),
    "ribbon.single_fibre": (
        "plain", "[splice]\nlimit_db = 0.2\n[ribbon]\n", "single_fibre = true", "",
    ),
    "traces.name": (
        "plain", SPLICE + "[traces]\n", 'name = "{cable}_{fibre}_{wavelength}_{direction}.sor"',
        "",
    ),
    "one_way.reasons": (
        "beyond", SPLICE + "[one_way]\nsplice_limit_db = 0.3\n", 'reasons = ["beyond-range"]',
        "reasons = []",
    ),
    "one_way.splice_limit_db": (
        "beyond", SPLICE + '[one_way]\nreasons = ["beyond-range"]\n', "splice_limit_db = 0.3",
        "splice_limit_db = 0.01",
    ),
    "one_way.span_mean_limit_db": (
        "beyond", SPLICE + '[one_way]\nreasons = ["beyond-range"]\n', "span_mean_limit_db = 0.3",
        "span_mean_limit_db = 0.01",
    ),
    "stages.*.closures": (
        "plain", 'stage = "s"\n' + SPLICE + "[stages.s]\n", 'closures = "closed"',
        'closures = "any"',
    ),
    "span.evidence_attempts": (
        "plain", SPLICE + "[span]\nmean_limit_db = 0.14\n", "evidence_attempts = 3", "",
    ),
    "connector.with_splice_limit_db": (
        "pigtails", PLUGS, "with_splice_limit_db = 0.5", "with_splice_limit_db = 0.2",
    ),
    "connector.with_splice_mismatch_limit_db": (
        "pigtails", PLUGS + "with_splice_limit_db = 0.2\n", "with_splice_mismatch_limit_db = 0.6",
        "with_splice_mismatch_limit_db = 0.3",
    ),
    "completeness.retest_touched": (
        "repaired", SPLICE + "[completeness]\n", "retest_touched = true", "",
    ),
    "data.not_gradable": (
        "unequal", SPLICE + "[data]\nlength_difference_limit_m = 2\n",
        'not_gradable = ["lengths-differ"]', "",
    ),
}  # fmt: skip


@pytest.fixture(scope="module")
def shots(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], tuple[RawShot, ...]]:
    """Give the shots of a cable by its name, made once."""

    @cache
    def made(name: str) -> tuple[RawShot, ...]:
        folder: Path = tmp_path_factory.mktemp(name)
        MAKERS[name](folder)
        return read_folders([folder])

    return made


@pytest.fixture(scope="module")
def usual(shots: Callable[[str], tuple[RawShot, ...]]) -> CableReview:
    return review(shots("plain"), parse(HEAD + SPLICE, "t.toml"), Options(fibre_count=2))


def profile_of(text: str, usual: CableReview) -> Profile:
    worst = max(row.loss_db or 0.0 for row in usual.rows)
    # A stage's name stands before the first table.
    return parse(HEAD + text.replace("{figure}", str(reported(worst, Quantity.LOSS_DB))), "t.toml")


def options_for(key: str, usual: CableReview) -> Options:
    """The fibre count is stated, except where whole ribbons or fibres are asked of it."""
    if key == "ribbon.size":
        return Options()
    if key == "completeness.every_fibre":
        return Options(fibre_count=3)
    if key == "span.reading":
        read = tuple(PowerReading(f, "A", nm, 3.0) for f in (1, 2) for nm in WAVELENGTHS)
        return Options(fibre_count=2, expected=Expected(power=read))
    if key == "change.deviation_limit_percent":
        reels = tuple(Reel(name, "G.652", None, ((1310, 0.3),)) for name in "abc")
        return Options(fibre_count=2, expected=Expected(reels=reels))
    if key != "change.increase_limit_db":
        return Options(fibre_count=2)
    before = tuple(
        OldSplice(
            row.key, row.wavelength_nm, row.closure, row.closure_number or 0, row.distance_m,
            min(row.loss_db or 0.0, 0.1), row.expanded_uncertainty_db, Judged.by(row.verdict),
        )
        for row in usual.rows
    )  # fmt: skip
    return Options(fibre_count=2, before=before)


def answers(result: CableReview) -> list[Any]:
    """All that a review says of splices, fibres, groups, shots and names."""
    return [
        [(row.verdict, row.decided) for row in result.rows],
        [fibre.rules for fibre in result.fibres],
        [group.rules for group in result.groups],
        [replace(finding, files=()) for finding in result.findings],
        [(unit.advised, unit.because) for unit in result.plan.units] if result.plan else [],
        trace_pattern(result, None),
    ]


def test_every_key_has_a_cable_here() -> None:
    assert BY_STATUS.keys() | BY_ANSWER.keys() == {key.path for key in KEYS}
    assert not BY_STATUS.keys() & BY_ANSWER.keys()


@pytest.mark.parametrize("key", BY_STATUS)
def test_it_changes_the_exit_status(
    key: str, shots: Callable[[str], tuple[RawShot, ...]], usual: CableReview
) -> None:
    cable, head, *ways = BY_STATUS[key]
    statuses = []
    for way in ways:
        profile = profile_of(head + way, usual)
        statuses.append(review(shots(cable), profile, options_for(key, usual)).exit_status)
    assert statuses == [1, 0]


@pytest.mark.parametrize("key", BY_ANSWER)
def test_it_changes_an_answer(
    key: str, shots: Callable[[str], tuple[RawShot, ...]], usual: CableReview
) -> None:
    cable, head, *ways = BY_ANSWER[key]
    one, other = (
        answers(review(shots(cable), profile_of(head + way, usual), options_for(key, usual)))
        for way in ways
    )
    assert one != other


def test_a_reflectance_limit_is_held_plainly_and_that_is_said_once(
    shots: Callable[[str], tuple[RawShot, ...]], usual: CableReview
) -> None:
    text = PLUGS + 'limit_db = 0.5\nreflectance_limit_db = -45\n[decision]\nrule = "guarded"\n'
    result = review(shots("plugged"), profile_of(text, usual), options_for("", usual))
    assert result.exit_status == 0
    (only,) = [f for f in result.findings if f.code == "key-not-applied"]
    assert "reflectance" in told(only.evidence)


def test_method_and_stage_of_a_closure_are_those_of_the_users_table(
    shots: Callable[[str], tuple[RawShot, ...]], usual: CableReview, tmp_path: Path
) -> None:
    text = (
        'stage = "final"\n[splice]\nlimit_db = 0.2\n[splice.mechanical]\nlimit_db = 0.3\n'
        "[stages.final]\n[stages.build]\nlimit_db = 0.3\n"
    )
    table, statuses = tmp_path / "closures.csv", {}
    for cells in (",", "mechanical,", ",build"):
        table.write_text(f"name,distance,method,stage\nEast,1410,{cells}\n", encoding="utf-8")
        options = replace(options_for("", usual), closures=read_closure_table(table))
        result = review(shots("plain"), profile_of(text, usual), options)
        (worst,) = [r for r in result.rows if (r.loss_db or 0) > 0.2 and r.wavelength_nm == 1550]
        statuses[cells] = result.exit_status, worst.verdict.rule
    assert statuses == {
        ",": (1, "splice.limit_db"),
        "mechanical,": (0, "splice.mechanical.limit_db"),
        ",build": (0, "stages.build.limit_db"),
    }
    for cells, only in (("glued,", "method"), (",later", "stage")):
        table.write_text(f"name,distance,method,stage\nEast,1410,{cells}\n", encoding="utf-8")
        with pytest.raises(BadSetting, match=only):
            review(
                shots("plain"), profile_of(text, usual),
                replace(options_for("", usual), closures=read_closure_table(table)),
            )  # fmt: skip


def test_an_unknown_uncertainty_of_a_change_is_not_nought(usual: CableReview) -> None:
    text = SPLICE + '[change]\nincrease_limit_db = 0.1\n[decision]\nrule = "guarded"\n'
    row = usual.rows[0]
    for u_db, severities in ((0.001, []), (None, [Severity.CAUTION])):
        judged = Judged.by(row.verdict)
        change = Change(
            ChangeKind.SAME, row.key, row.wavelength_nm, row.closure, 0.05, 0.06, u_db, judged,
            judged,
        )  # fmt: skip
        found = change_findings([change], profile_of(text, usual))
        assert [finding.severity for finding in found] == severities


def test_an_unknown_uncertainty_end_to_end_is_too_close_to_tell(usual: CableReview) -> None:
    text = '[decision]\nrule = "guarded"\n' + FORMULA + "fibre_db_per_km = 1\n"
    for u_db, verdict in ((0.001, Verdict.WITHIN), (None, Verdict.TOO_CLOSE)):
        span = Span(1550, (0.1,), (0.001,), 2000.0, 0.5, u_db)
        assert [r.verdict for r in judge_span(profile_of(text, usual), span)] == [verdict]
