"""Every key of a profile is applied: its function is there, is called, and changes an answer."""

from __future__ import annotations

import ast
import re
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from decimal import Decimal
from importlib import import_module
from types import CodeType, FrameType
from typing import Any

import key_table
import pytest
from cable_of_values import shot
from pair_example import judged_loss, judged_one_way, measurement, reading
from test_finding_reference import ROOT

from otdravg.cable.checks.beside import reel_findings
from otdravg.cable.checks.profile import numbering_asked
from otdravg.cable.checks.states import due_again
from otdravg.cable.model import CableFinding, Expected
from otdravg.cable.resplice.model import FailingFibre, RemakeRisk
from otdravg.cable.resplice.plan import advice
from otdravg.closeout.traces import trace_pattern
from otdravg.findings import Scope, note, says
from otdravg.fit.reading import Kind
from otdravg.shot.detect import Event, EventKind
from otdravg.shot.settings import Direction
from otdravg.trade import ribbon_position
from otdravg.verdict import Profile, ShotNeed, Span, judge_span, parse, shipped_text
from otdravg.verdict.connector import Where, connector_verdicts, end_verdicts
from otdravg.verdict.describe import described, holders
from otdravg.verdict.group import Whole, judge_group
from otdravg.verdict.keys import CABLE_FINDINGS, KEYS, Key
from otdravg.verdict.place import combined, judge_increase, judge_place
from otdravg.verdict.rules import Method, bears_on_acceptance, required_wavelengths
from otdravg.verdict.shots import (
    data_findings,
    missing_shots,
    setup_findings,
    stage_findings,
)
from otdravg.verdict.span import span_of
from otdravg.verdict.verdicts import PlaceReading
from otdravg.words.catalogue import Language

#: For each key a profile that has it, and the same line with another figure or without it. What
#: else the profile needs stands in front.
CASES = {
    "decision.rule": (
        "[splice]\nlimit_db = 0.1\n[decision]\n", 'rule = "guarded"', 'rule = "plain"'
    ),
    "splice.limit_db": ("[splice]\n", "limit_db = 0.1", "limit_db = 0.3"),
    "splice.nominal_db": ("[splice]\nlimit_db = 0.3\n", "nominal_db = 0.1", ""),
    "splice.wavelengths": (
        "[splice]\nlimit_db_at = { 1310 = 0.1, 1550 = 0.3 }\n",
        'wavelengths = "any"', 'wavelengths = "all"',
    ),
    "splice.method": (
        "[splice.fusion]\nlimit_db = 0.1\n[splice]\n", 'method = "fusion"', 'method = "ribbon"'
    ),
    "splice.attempts.allowed": (
        "[splice]\nlimit_db = 0.1\n[splice.attempts]\n", "allowed = 1", "allowed = 3"
    ),
    "splice.attempts.fallback_db": (
        "[splice]\nlimit_db = 0.1\n[splice.attempts]\nallowed = 1\n", "fallback_db = 0.3", ""
    ),
    "splice.*.permitted": (
        "[splice]\nlimit_db = 0.3\n[splice.ribbon]\n", 'permitted = "no"', 'permitted = "yes"'
    ),
    "splice.*.limit_db": ("[splice.ribbon]\n", "limit_db = 0.1", "limit_db = 0.3"),
    "splice.*.nominal_db": ("[splice]\nlimit_db = 0.3\n[splice.ribbon]\n", "nominal_db = 0.1", ""),
    "bend.threshold_db": ("[splice]\nlimit_db = 0.3\n[bend]\n", "threshold_db = 0.05", ""),
    "share.percent": ("[share]\nlimit_db = 0.2\n", "percent = 95", "percent = 60"),
    "share.limit_db": ("[share]\npercent = 95\n", "limit_db = 0.2", "limit_db = 0.3"),
    "ribbon.single_fibre": ("[splice]\nlimit_db = 0.1\n[ribbon]\n", "single_fibre = true", ""),
    "ribbon.mean_limit_db": ("[ribbon]\n", "mean_limit_db = 0.2", "mean_limit_db = 0.3"),
    "closure.mean_limit_db": ("[closure]\n", "mean_limit_db = 0.2", "mean_limit_db = 0.3"),
    "ribbon.size": ("[ribbon]\n", "size = 8", "size = 0"),
    "traces.name": (
        "[traces]\n", 'name = "{cable}_{fibre}_{wavelength}_{direction}.sor"', ""
    ),
    "one_way.reasons": (
        "[one_way]\nsplice_limit_db = 0.3\n", 'reasons = ["beyond-range"]', "reasons = []"
    ),
    "one_way.splice_limit_db": (
        '[one_way]\nreasons = ["beyond-range"]\n', "splice_limit_db = 0.3", ""
    ),
    "one_way.span_mean_limit_db": (
        '[one_way]\nreasons = ["beyond-range"]\n', "span_mean_limit_db = 0.3", ""
    ),
    "stages.*.directions": (
        'stage = "late"\n[splice]\nlimit_db = 0.3\n[stages.late]\n',
        'directions = "one"', 'directions = "both"',
    ),
    "stages.*.closures": ('stage = "late"\n[stages.late]\n', 'closures = "open"', ""),
    "stages.*.ribbon_limit_db": (
        'stage = "construction"\n[stages.construction]\n',
        "ribbon_limit_db = 0.1", "ribbon_limit_db = 0.2",
    ),
    "stages.*.limit_db": ('stage = "late"\n[stages.late]\n', "limit_db = 0.1", ""),
    "span.mean_limit_db": ("[span]\n", "mean_limit_db = 0.1", ""),
    "span.evidence_attempts": ("[span]\nmean_limit_db = 0.1\n", "evidence_attempts = 3", ""),
    "span.splices_per_km": ("[span]\n", "splices_per_km = 0.1", ""),
    "span.steps[].up_to_m": ("[span]\n", "steps = [{ limit_db = 9, up_to_m = 6000 }]", ""),
    "span.steps[].below_m": ("[span]\n", "steps = [{ limit_db = 9, below_m = 7000 }]", ""),
    "span.steps[].limit_db": (
        "[span]\n", "steps = [{ up_to_m = 9000, limit_db = 9 }]",
        "steps = [{ up_to_m = 9000, limit_db = 0.1 }]",
    ),
    "span.formula.fibre_db_per_km": (
        "[span.formula]\n", "fibre_db_per_km = 0.1", "fibre_db_per_km = 9"
    ),
    "span.formula.splice_db": (
        "[span.formula]\nfibre_db_per_km = 0.2\n", "splice_db = 0.2", "splice_db = 0.01"
    ),
    "span.formula.connector_db": (
        "[span.formula]\nfibre_db_per_km = 0.2\n", "connector_db = 0.9", "connector_db = 0.01"
    ),
    "span.formula.constant_db": (
        "[span.formula]\nfibre_db_per_km = 0.2\n", "constant_db = 0.9", "constant_db = 0.01"
    ),
    "span.reading": (
        "[span.formula]\nfibre_db_per_km = 0.5\n[span]\n", 'reading = "power"',
        'reading = "traces"',
    ),
    "fibre.attenuation_db_per_km": ("[fibre]\n", "attenuation_db_per_km = 0.19", ""),
    "connector.limit_db": ("[connector]\n", "limit_db = 0.1", ""),
    "connector.end_limit_db": ("[connector]\n", "end_limit_db = 0.1", ""),
    "connector.per_direction_limit_db": ("[connector]\n", "per_direction_limit_db = 0.1", ""),
    "connector.with_splice_limit_db": ("[connector]\n", "with_splice_limit_db = 0.1", ""),
    "connector.with_splice_mismatch_limit_db": (
        "[connector]\nwith_splice_limit_db = 0.1\n", "with_splice_mismatch_limit_db = 0.3", ""
    ),
    "connector.reflectance_limit_db": ("[connector]\n", "reflectance_limit_db = -60", ""),
    "wavelengths.required": ("[wavelengths]\n", "required = [1310]", ""),
    "wavelengths.cases[].longer_than_m": (
        "[[wavelengths.cases]]\nrequired = [1310]\n", "longer_than_m = 100",
        "longer_than_m = 900_000",
    ),
    "wavelengths.cases[].fibre_types": (
        "[[wavelengths.cases]]\nrequired = [1310]\n", 'fibre_types = ["G.652"]',
        'fibre_types = ["G.653"]',
    ),
    "wavelengths.cases[].required": (
        "[[wavelengths.cases]]\nlonger_than_m = 100\n", "required = [1310]", "required = [1625]"
    ),
    "wavelengths.judge_others": (
        "[splice]\nlimit_db = 0.3\n[wavelengths]\nrequired = [1310]\n", "judge_others = false", ""
    ),
    "completeness.every_fibre": ("[completeness]\n", "every_fibre = false", "every_fibre = true"),
    "completeness.retest_touched": ("[completeness]\n", "retest_touched = true", ""),
    "change.increase_limit_db": ("[change]\n", "increase_limit_db = 0.1", ""),
    "change.deviation_limit_percent": ("[change]\n", "deviation_limit_percent = 5", ""),
    "setup.pulse_ns_min": ("[setup]\n", "pulse_ns_min = 101", ""),
    "setup.pulse_ns_max": ("[setup]\n", "pulse_ns_max = 99", ""),
    "setup.averages_min": ("[setup]\n", "averages_min = 10_001", ""),
    "setup.averaging_time_s_min": ("[setup]\n", "averaging_time_s_min = 31", ""),
    "setup.ranges[].fibre_to_m": (
        "[setup]\n", "ranges = [{ range_to_m = 100, fibre_to_m = 9000 }]",
        "ranges = [{ range_to_m = 100, fibre_to_m = 10 }]",
    ),
    "setup.ranges[].range_to_m": (
        "[setup]\n", "ranges = [{ fibre_to_m = 9000, range_to_m = 100 }]",
        "ranges = [{ fibre_to_m = 9000, range_to_m = 90_000 }]",
    ),
    "setup.group_index": ("[setup]\n", "group_index = 1.46", ""),
    "setup.group_index_tolerance": (
        "[setup]\ngroup_index = 1.46\n", "group_index_tolerance = 0.05", ""
    ),
    "setup.backscatter_db": ("[setup]\n", "backscatter_db = -80", ""),
    "setup.backscatter_tolerance_db": (
        "[setup]\nbackscatter_db = -80\n", "backscatter_tolerance_db = 5", ""
    ),
    "setup.launch": ("[setup]\n", 'launch = "none"', 'launch = "any"'),
    "setup.launch_m_min": ('[setup]\nlaunch = "required"\n', "launch_m_min = 900", ""),
    "setup.receive": ("[setup]\n", 'receive = "none"', 'receive = "any"'),
    "setup.receive_m_min": ('[setup]\nreceive = "required"\n', "receive_m_min = 900", ""),
    "completeness.numbering_proved": ("[completeness]\n", "numbering_proved = true", ""),
    "data.not_gradable": (
        "[splice]\nlimit_db = 0.3\n[data]\n", 'not_gradable = ["lengths-differ"]', ""
    ),
    "data.length_difference_limit_m": ("[data]\n", "length_difference_limit_m = 10", ""),
}  # fmt: skip

GROUP = ((Decimal("0.200"), 0.001), (Decimal("0.250"), 0.001))
BEYOND = (says("signal-ends", direction="B→A", into_m=900.0),)


def answers(profile: Profile) -> list[Any]:
    """Everything that a profile decides, on one invented job."""
    pair = measurement()
    event = Event(EventKind.REFLECTION, 900.0, 0.5, 910.0, 0.2, 0.001, -50.0, None, False)
    connector = replace(reading(0.2, 0.2, kind=Kind.CONNECTOR), mode_field_ratio=1.2)
    group = replace(connector, kind=Kind.GROUP)
    readings = [reading(0.2, 0.2), reading(0.21, None, missing=BEYOND)]
    span = Span(
        1550, (0.2, 0.2), (0.001, 0.001), 6000.0, 1.8, 0.001, 1, 0.2, 0.001, fibre_type="G.652"
    )
    taken = {ShotNeed(1, end, 1550) for end in (Direction.A_TO_B, Direction.B_TO_A)}
    places = {
        nm: PlaceReading(judged_loss(profile, db, 0.001, nm), db, 0.001)
        for nm, db in {1310: 0.11, 1550: 0.2}.items()
    }
    return [
        *(
            judged_loss(
                profile, 0.2, u_db, nm, attempt=attempt, fibre_type="G.652", length_m=6000.0
            )
            for u_db in (0.001, 0.15)
            for nm in (1310, 1550)
            for attempt in (1, 4)
        ),
        judged_loss(profile, 0.2, 0.001, method=Method.MECHANICAL),
        judged_loss(profile, 0.2, 0.001, finding_codes=frozenset({"lengths-differ"})),
        judged_one_way(profile, 0.2, missing=BEYOND),
        combined(profile, judge_place(profile, places)),
        list(connector_verdicts(profile, connector)),
        list(connector_verdicts(profile, group)),
        *(list(end_verdicts(profile, where, event)) for where in Where),
        judge_span(profile, span),
        judge_span(profile, span_of(profile, readings, readings, 1550, 6000.0, (0.2, 0.001))),
        *(judge_group(profile, whole, GROUP, 1550) for whole in Whole),
        judge_group(profile, Whole.RIBBON, (), 1550, [Decimal("0.12"), Decimal("0.18")]),
        advice(*_one_failing(profile), profile),
        judge_increase(profile, 0.2, 0.001),
        reel_findings(Expected(), {}, [], [], [], profile),
        numbering_asked([], [CableFinding(note("numbering-by-labels", Scope.CABLE))], profile),
        required_wavelengths(profile, 6000.0, "G.652"),
        bears_on_acceptance(profile, 1550),
        missing_shots(profile, [1, 2], taken),
        due_again([shot(1, 1550, Direction.A_TO_B)], profile),
        setup_findings(
            profile, pair.ab.identity, pair.ab.settings,
            fibre_length_m=6000.0, launch_m=500.0, receive_m=500.0,
        ),
        data_findings(profile, 6000.0, 6100.0),
        stage_findings(profile),
        ribbon_position(9, profile.ribbon_size),
        trace_pattern(_Review(profile), None),  # type: ignore[arg-type]
    ]  # fmt: skip


def _one_failing(profile: Profile) -> tuple[tuple[FailingFibre, ...], RemakeRisk]:
    judged = judged_loss(profile, 0.5, 0.001)
    failing = FailingFibre(
        1, 1, "blue", 1550, judged, 1, Decimal("0.5"), 0.001, Decimal("0.4"), 1.0, None, None
    )
    return (failing,), RemakeRisk(12, 0.01, 12, 0.9, 0.12, None, 1, 1)


class _Review:
    """As much of a review as the names of trace files take."""

    def __init__(self, profile: Profile) -> None:
        self.profile = profile


@contextmanager
def called() -> Iterator[set[CodeType]]:
    """Functions that are called meanwhile."""
    codes: set[CodeType] = set()

    def note(frame: FrameType, event: str, argument: object) -> None:
        codes.add(frame.f_code)

    before = sys.getprofile()
    sys.setprofile(note)
    try:
        yield codes
    finally:
        sys.setprofile(before)


def with_key(key: Key, *, changed: bool) -> Profile:
    before, there, otherwise = CASES[key.path]
    head = 'name = "test"\nsource = "invented"\nformat = 1\n'
    return parse(head + before + (otherwise if changed else there), "test.toml")


def test_every_key_has_a_case_here() -> None:
    assert set(CASES) == {key.path for key in KEYS}
    assert len({key.path for key in KEYS}) == len(KEYS)


@pytest.mark.parametrize("key", KEYS, ids=lambda key: key.path)
class TestEveryKey:
    def test_its_function_is_called_and_an_answer_changes(self, key: Key) -> None:
        module, _, name = key.applied_by.partition(":")
        function = getattr(import_module(module), name)
        with called() as codes:
            one = answers(with_key(key, changed=False))
        assert function.__code__ in codes
        assert one != answers(with_key(key, changed=True))

    def test_profile_show_says_it(self, key: Key) -> None:
        there, otherwise = (with_key(key, changed=flag) for flag in (False, True))
        for language in Language:
            assert described(there, language) != described(otherwise, language)

    def test_it_stands_in_the_field_of_its_name(self, key: Key) -> None:
        found = [holder for _, _, holder in holders(with_key(key, changed=False), key.table)]
        assert found
        assert all(hasattr(holder, key.name) for holder in found)


def test_the_pattern_profile_has_every_key() -> None:
    profile = parse(shipped_text("every-rule"), "every-rule.toml")
    lacking = [
        key.path
        for key in KEYS
        if not any(getattr(own, key.name) for _, _, own in holders(profile, key.table))
        and key.path != "wavelengths.judge_others"  # false there
    ]
    assert lacking == []
    assert not profile.wavelengths.judge_others


def test_the_table_in_the_docs_is_that_of_the_code() -> None:
    page = key_table.PAGE.read_text(encoding="utf-8")
    assert page == key_table.page_with_table(page), "run tests/refresh_docs.py"


def texts_in(*rooms: str) -> set[str]:
    """All texts in the code of some rooms; tables of codes, and what is told of pairs, left out."""
    package = ROOT / "otdravg"
    left_out = [package / name for name in ("verdict/keys.py", "verdict/decision.py",
                                            "cable/pairs.py")]  # fmt: skip
    files = [path for room in rooms for path in (package / room).rglob("*.py")]
    return {
        node.value
        for path in files
        if path not in left_out
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    }


def test_findings_of_a_cable_are_those_that_no_pair_has() -> None:
    catalogue = (ROOT / "otdravg" / "words" / "en.toml").read_text(encoding="utf-8")
    worded = set(re.findall(r"^\[finding\.([a-z0-9-]+)[].]", catalogue, flags=re.MULTILINE))
    of_a_pair = worded & texts_in("sor", "shot", "fit", "pair", "verdict")
    assert of_a_pair
    assert worded & texts_in("cable") - of_a_pair == CABLE_FINDINGS
