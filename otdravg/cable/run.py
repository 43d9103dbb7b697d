"""Review a whole cable run: from files to one result object."""

from __future__ import annotations

import time
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import partial
from os import PathLike
from pathlib import Path
from typing import TypeVar

from otdravg.cable.checks.beside import (
    instrument_findings,
    power_findings,
    reel_findings,
    route_findings,
)
from otdravg.cable.checks.building import building_findings, not_due_yet
from otdravg.cable.checks.earlier import OldSplice, change_findings, changes_since
from otdravg.cable.checks.missing import (
    beyond_expected,
    in_shooting_order,
    missing_fibres,
    missing_shots,
)
from otdravg.cable.checks.planned import (
    as_planned,
    contradicted,
    counted_at_a,
    placed_plan,
    plan_findings,
    readings_at_a,
    with_places,
)
from otdravg.cable.checks.profile import not_applied, numbering_asked, profile_findings
from otdravg.cable.checks.rows import judged_together, row_findings
from otdravg.cable.checks.shots import (
    measured_findings,
    set_findings,
    unused_findings,
    usual_indices,
    wrong_labels,
)
from otdravg.cable.checks.states import NOT_ONE_STATE, States, due_again
from otdravg.cable.checks.wholes import failing_wholes, group_results, outside_stage, with_proof
from otdravg.cable.decisions.apply import (
    accepted_rows,
    acknowledged,
    apply_to_maps,
    apply_to_shots,
    decisions_here,
)
from otdravg.cable.decisions.record import Decisions
from otdravg.cable.files.attempts import (
    Stand,
    date_of,
    mark_repeats,
    number_attempts,
    order_findings,
    stands_of,
)
from otdravg.cable.files.claims import Naming
from otdravg.cable.files.folder import RawShot, find_files, read_header
from otdravg.cable.files.taking import take
from otdravg.cable.identity.copies import tell_copies
from otdravg.cable.identity.crossed import check_identities
from otdravg.cable.identity.ends import cables_with_open_ends, ends_by_shots, turned_round
from otdravg.cable.identity.said import Explained
from otdravg.cable.lists.facts import Loop
from otdravg.cable.lists.instruments import with_linearity
from otdravg.cable.lists.loops import looped, unused_loops, with_far_sides
from otdravg.cable.lists.placing import on_the_sheath, surveyed, with_marks
from otdravg.cable.log.held import hold
from otdravg.cable.log.model import LogLine
from otdravg.cable.log.outcome import log_outcome, order_of
from otdravg.cable.measure.building import far_end_open, reel_ends, without_far_end
from otdravg.cable.measure.closures import CableMap, KnownClosure
from otdravg.cable.measure.cords import with_measured_cords
from otdravg.cable.measure.jobs import spread
from otdravg.cable.measure.one_name import tell_names_apart
from otdravg.cable.measure.placing import cable_maps, measure_at_closures
from otdravg.cable.measure.remembering import Remembering
from otdravg.cable.measure.rows import fibre_results, history_of, rows_of
from otdravg.cable.measure.standing import Measured, MeasuringSetup, measure_stands, settle
from otdravg.cable.model import (
    CableFinding,
    CableReview,
    Expected,
    FibreKey,
    ShotRecord,
    ShotUse,
)
from otdravg.cable.patterns.find import find_patterns
from otdravg.cable.planned import SplicePlan
from otdravg.cable.resplice.plan import plan_resplices
from otdravg.errors import BadSetting
from otdravg.findings import Severity, says
from otdravg.sor.sizes import SizeLimits
from otdravg.trade import fibre_colour
from otdravg.verdict import Profile, default, load_named
from otdravg.verdict.rules import at_stage

T = TypeVar("T")
#: Called with the stage's name, how many of its items are done, and how many there are.
Progress = Callable[[str, int, int], None]


def silent(stage: str, done: int, total: int) -> None:
    """Report nothing."""


@dataclass(frozen=True, slots=True)
class Options:
    """What the user says about a cable beside its profile."""

    naming: Naming = field(default_factory=Naming)
    closures: tuple[KnownClosure, ...] = ()
    decisions: Decisions = field(default_factory=Decisions)
    before: tuple[OldSplice, ...] | None = None  # an earlier run to compare with
    launch_m: float | None = None
    receive_m: float | None = None
    group_index: float | None = None
    fibre_count: int | None = None
    expected: Expected = field(default_factory=Expected)
    splice_plan: SplicePlan = field(default_factory=SplicePlan)
    splice_log: tuple[LogLine, ...] = ()
    loops: tuple[Loop, ...] = ()


def read_folders(
    folders: Sequence[str | PathLike[str]],
    executor: Executor | None = None,
    progress: Progress = silent,
    size_limits: SizeLimits | None = None,
) -> tuple[RawShot, ...]:
    """Read the headers of everything below some folders; later folders count as later.

    A file beyond ``size_limits`` (default: the usual ones) counts as unreadable.

    Raises
    ------
    BadSetting
        If one of them is not a folder.
    """
    for folder in folders:
        if not isinstance(folder, (str, PathLike)):
            raise BadSetting("folder", folder, says("give-a-name"))
    files = find_files([Path(folder) for folder in folders])
    read = partial(read_header, size_limits=size_limits or SizeLimits())
    with counted("read", len(files), progress) as done:
        return tuple(spread(read, files, executor, done, batch=64))


def check_for_shots(folders: Sequence[str | PathLike[str]], shots: Sequence[RawShot]) -> None:
    """Refuse folders without any trace file: nothing looked at is not all clear.

    Raises
    ------
    BadSetting
        Naming the folders.
    """
    if not any(shot.file.is_trace_file for shot in shots):
        raise BadSetting("folder", ", ".join(map(str, folders)), says("no-trace-there"))


def list_shots(
    shots: Sequence[RawShot], options: Options | None = None
) -> tuple[tuple[ShotRecord, ...], tuple[CableFinding, ...]]:
    """Say how every file would be taken, without measuring anything."""
    records, findings = _listed(shots, options or Options())
    return records, (*findings, *order_findings(records))


def _listed(
    shots: Sequence[RawShot], options: Options
) -> tuple[tuple[ShotRecord, ...], tuple[CableFinding, ...]]:
    """Take every file for what it is said to be, and number what is of one kind."""
    findings = _Findings()
    records = findings.keep(take(shots, options.naming))
    records = counted_at_a(records, options.splice_plan)
    decisions = findings.keep(decisions_here(options.decisions, records))
    records = findings.keep(apply_to_shots(records, decisions))
    records = findings.keep(mark_repeats(records))
    return tuple(number_attempts(records)), tuple(findings)


class _Findings(list[CableFinding]):
    """What was found so far."""

    def keep(self, found: tuple[T, Iterable[CableFinding]]) -> T:
        """Take the findings of a step in, and return what it made."""
        self += found[1]
        return found[0]


def placed_shots(
    shots: Sequence[RawShot],
    options: Options,
    executor: Executor | None = None,
    progress: Progress = silent,
) -> tuple[tuple[ShotRecord, ...], tuple[CableFinding, ...]]:
    """Say how every file is taken; where nothing else tells the ends, the shots themselves do."""
    findings = _Findings()
    taken: Sequence[ShotRecord] = findings.keep(
        _listed(sorted(shots, key=lambda raw: raw.file), options)
    )
    if still_open := sum(map(len, cables_with_open_ends(taken).values())):
        with counted("tell the ends", still_open, progress) as done:
            taken = findings.keep(ends_by_shots(taken, options.naming.end_a, executor, done))
    if several := sum(record.use is ShotUse.EARLIER for record in taken):
        with counted("tell names apart", several, progress) as done:
            taken = findings.keep(tell_names_apart(taken, executor, done))
    return tuple(taken), tuple(findings)


def review(
    shots: str | PathLike[str] | Sequence[str | PathLike[str] | RawShot],
    profile: Profile | str | PathLike[str] | None = None,
    options: Options | None = None,
    *,
    executor: Executor | None = None,
    progress: Progress = silent,
) -> CableReview:
    """Review everything the crew brought home.

    Parameters
    ----------
    shots : path, sequence of paths, or sequence of RawShot
        A folder or zip archive, or several: later ones hold shots taken after a repair. Or
        what :func:`read_folders` returned, in any order.
    profile : Profile, str or path, optional
        The rules to judge by; its ribbon size is the unit of work. The name of a shipped
        example, or a TOML file, is read. By default those of :func:`otdravg.verdict.default`.
    options : Options, optional
    executor : concurrent.futures.Executor, optional
        Where pairs are measured; here, one after the other, by default. Results do not
        depend on it.
    progress : callable
        Called with stage, done and total.

    Returns
    -------
    CableReview

    Raises
    ------
    BadSetting
        If a folder is none or holds no trace file, if the profile cannot be used, or if it lacks
        the stage that a closure is said to be in.
    """
    options = options or Options()
    if not isinstance(profile, Profile):
        profile = default() if profile is None else load_named(profile)
    for place in options.closures:
        if place.stage:
            at_stage(profile, place.stage)
    _check_plan_size(options.splice_plan, profile)
    if options.splice_plan.moved and not isinstance(executor, Remembering):
        # Shots that contradict the plan are taken anew: what was measured of others stands.
        executor = Remembering(executor)
    clock = _Stages()
    raw_shots = _raw_shots(shots, executor, progress)
    findings = _Findings(options.decisions.findings)
    taken = findings.keep(placed_shots(raw_shots, options, executor, progress))
    decisions, _ = decisions_here(options.decisions, taken)
    clock.stage("take")

    is_building, ribbon_size = profile.stage.is_building, profile.ribbon_size
    measured, records, more = _measure(taken, options, executor, progress, is_building=is_building)
    findings += more
    ends = reel_ends(measured, options.closures) if is_building else ()
    measured = without_far_end(measured, ends)
    is_open = far_end_open(ends)
    clock.stage("measure")
    uncut = options.splice_plan.uncut
    maps: Mapping[str, CableMap] = cable_maps(
        measured, ribbon_size, options.closures, uncut, is_building=is_building
    )
    maps = findings.keep(apply_to_maps(maps, decisions))
    records = findings.keep(settle(measured, records, maps))
    with counted("measure at closures", len(measured), progress) as done:
        measured = measure_at_closures(measured, maps, executor, done)
    measured = with_linearity(measured, options.expected.instruments)
    clock.stage("measure at closures")

    unit = options.splice_plan.unit or ribbon_size
    identities, crossed, renumberings = check_identities(measured, maps, unit)
    if back := contradicted(options.splice_plan, renumberings):
        as_labelled = replace(options, splice_plan=options.splice_plan.without(back))
        return review(raw_shots, profile, as_labelled, executor=executor, progress=progress)
    at_a = readings_at_a(options.expected.power, options.splice_plan)
    options = replace(options, expected=replace(options.expected, power=at_a))
    crossed = numbering_asked(identities, crossed, profile)
    explained = Explained(crossed, renumberings, identities)
    told = tell_copies(explained.left_of(findings), records, measured, maps)
    findings = _Findings([*told, *crossed])
    clock.stage("identity")
    states = States(measured, maps, ribbon_size, single_fibre=profile.ribbon.single_fibre)
    findings += states.findings(whole_fibres=profile.completeness.retest_touched)
    findings += due_again(states.old_shots(), profile)
    log = hold(
        options.splice_log,
        maps,
        measured,
        cable=options.expected.cable,
        ribbon_size=ribbon_size,
        fibre_count=options.fibre_count,
        ahead=[known.name for known in options.closures],
    )
    findings += [*log.findings, *log.against_shots(measured, states.attempts)]
    findings += measured_findings(explained.left_in(measured))
    findings += unused_loops((one.stand for one in measured), options.loops, options.expected.cable)
    lengths_m = {m.key: m.outcome.axis.length_m for m in measured if m.outcome.axis}
    as_told = with_far_sides(explained.renumbered(records), options.loops, options.expected.cable)
    half, more = missing_shots(as_told, profile, lengths_m, options.expected, is_open)
    findings += explained.left_of(more)
    absent, more = missing_fibres(
        as_told, profile, options.expected, options.fibre_count, is_far_end_open=bool(is_open)
    )
    findings += explained.left_of(more)
    findings += beyond_expected(records, options.expected, options.fibre_count)
    history = history_of(measured, maps)
    findings += explained.left_of(set_findings(records, measured, maps, history, profile))
    findings += profile_findings(measured, profile)
    if is_building:
        findings += building_findings(measured, ends, options.closures, log, ribbon_size)
    paired = [(m.key, m.wavelength_nm) for m in measured if m.outcome.axis]
    doubts = _doubts(findings, paired)
    attempts = log.attempts(states.attempts)
    rows = judged_together(rows_of(measured, maps, profile, doubts, attempts), profile)
    if colours := options.expected.colours:
        rows = [replace(r, colour=fibre_colour(r.fibre, ribbon_size, colours)) for r in rows]
    rows = not_due_yet(rows, is_open)
    plan = placed_plan(options.splice_plan, maps)
    rows = with_places(rows, plan)
    findings += plan_findings(plan, maps, identities, rows)
    rows = findings.keep(accepted_rows(rows, decisions))
    closures = tuple(c for own_map in maps.values() for c in own_map.closures)
    dates = {r.path: date_of(r) for r in records}
    rows = with_proof(rows, closures, profile, dates)
    findings += outside_stage(rows, closures, profile, dates)
    findings += explained.left_of(row_findings(rows, maps))
    changes = () if options.before is None else changes_since(options.before, rows)
    findings += change_findings(changes, profile)
    findings += not_applied(
        profile,
        is_compared=options.before is not None,
        has_power=bool(options.expected.power),
    )
    # What is odd in the bytes of a file that is not used stands in the table of shots.
    findings += [f for r in records if r.use is not ShotUse.UNREADABLE for f in r.findings]
    findings += unused_findings(records, findings)
    expected = options.expected
    fibres = tuple(fibre_results(measured, rows, maps, profile, expected.power))
    splice_log = findings.keep(log_outcome(log, rows, profile))
    groups = tuple(
        replace(own, spliced=splice_log.at(own.cable, own.closure_number or 0, own.ribbon))
        for own in group_results(rows, profile)
    )
    findings += failing_wholes(rows, fibres, groups)
    surveys = {
        cable: survey
        for cable in maps
        if (survey := surveyed(expected, cable, closures, fibres)) is not None
    }
    closures = with_marks(closures, surveys)
    on_sheath = as_planned(on_the_sheath(findings, surveys), plan, maps)
    findings = _Findings([*on_sheath, *route_findings(surveys)])
    findings += instrument_findings(records, expected, profile)
    findings += reel_findings(expected, surveys, measured, closures, fibres, profile)
    findings += power_findings(expected, fibres, options.fibre_count)
    marked, more = acknowledged(findings, decisions)
    findings = _Findings([*marked, *more])
    clock.stage("judge")
    to_redo = plan_resplices(rows, closures, fibres, profile, splice_log)
    patterns = find_patterns(rows, order=order_of(log))
    clock.stage("plan")
    return CableReview(
        shots=tuple(records),
        closures=closures,
        rows=tuple(rows),
        fibres=fibres,
        identities=tuple(identities),
        findings=tuple(sorted(findings, key=_finding_order)),
        profile=profile,
        groups=groups,
        history=tuple(history),
        changes=changes,
        ribbon_size=ribbon_size,
        fibre_count=options.fibre_count,
        plan=to_redo,
        patterns=patterns,
        log=splice_log,
        reel_ends=ends,
        decisions_seal=options.decisions.last_seal,
        decisions=options.decisions.entries,
        expected=expected,
        to_take=tuple(sorted({*half, *absent}, key=in_shooting_order)),
        splice_plan=plan.splices,
        numbers_at_b=plan.moved,
        stage_seconds=clock.seconds,
    )


def _check_plan_size(plan: SplicePlan, profile: Profile) -> None:
    if plan.splices and plan.size != profile.ribbon_size:
        wanted = says("plan-size", size=str(plan.size))
        raise BadSetting("ribbon size", profile.ribbon_size, wanted)


def _raw_shots(
    shots: str | PathLike[str] | Sequence[str | PathLike[str] | RawShot],
    executor: Executor | None,
    progress: Progress,
) -> list[RawShot]:
    """Read the headers of the folders among what is to be reviewed."""
    given: Sequence[str | PathLike[str] | RawShot] = (
        shots if isinstance(shots, Sequence) and not isinstance(shots, str) else [shots]
    )
    raw = [one for one in given if isinstance(one, RawShot)]
    folders = [one for one in given if not isinstance(one, RawShot)]
    if folders:
        raw += read_folders(folders, executor, progress)
        check_for_shots(folders, raw)
    return raw


class _Stages:
    """Wall-clock time of each stage."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}
        self._last = time.perf_counter()

    def stage(self, name: str) -> None:
        """Close a stage."""
        now = time.perf_counter()
        self.seconds[name] = now - self._last
        self._last = now


@contextmanager
def counted(stage: str, total: int, progress: Progress) -> Iterator[Callable[[int], None]]:
    """Turn "so many more are done" into progress of a stage."""
    count = 0

    def done(more: int) -> None:
        nonlocal count
        count += more
        progress(stage, min(count, total), total)

    progress(stage, 0, total)
    yield done
    progress(stage, total, total)


def _measure(
    records: Sequence[ShotRecord],
    options: Options,
    executor: Executor | None,
    progress: Progress,
    *,
    is_building: bool,
) -> tuple[list[Measured], Sequence[ShotRecord], list[CableFinding]]:
    """Measure what pairs; shots with a wrong wavelength label are left out and it is redone."""
    setup = MeasuringSetup(
        options.launch_m,
        options.receive_m,
        options.group_index,
        usual_indices(records),
        is_building,
    )
    stands = looped(stands_of(records), options.loops, options.expected.cable)
    with counted("measure", sum(s.attempts for s in stands), progress) as done:
        measured = measure_stands(stands, setup, executor, done)
    findings = wrong_labels(measured)
    wrong = {finding.files[0]: finding for finding in findings}
    if wrong:
        records = [
            replace(r.used_as(ShotUse.MISMATCHED, said.evidence), attempt=0)
            if (said := wrong.get(r.path))
            else r
            for r in records
        ]
        records, measured = _measured_again(records, measured, setup, executor, options)
    turned, exchanged = turned_round(measured, records)
    if exchanged:
        records, measured = _measured_again(turned, measured, setup, executor, options)
    measured, more = with_measured_cords(measured, setup, executor)
    return measured, records, [*findings, *exchanged, *more]


def _measured_again(
    records: Sequence[ShotRecord],
    measured: Sequence[Measured],
    setup: MeasuringSetup,
    executor: Executor | None,
    options: Options,
) -> tuple[Sequence[ShotRecord], list[Measured]]:
    """Number shots that are used otherwise than before, and measure what is not yet."""
    records = number_attempts(
        [r.used_as(ShotUse.USED) if r.use is ShotUse.EARLIER else r for r in records]
    )
    stands = looped(stands_of(records), options.loops, options.expected.cable)
    known = {_shots_of(m.stand): m for m in measured}
    missing = [s for s in stands if _shots_of(s) not in known]
    again = measure_stands(missing, setup, executor, lambda count: None, measured)
    known |= {_shots_of(m.stand): m for m in again}
    return records, [known[_shots_of(s)] for s in stands]


def _shots_of(stand: Stand) -> tuple[tuple[str, ...], tuple[str, ...]]:
    return tuple(r.path for r in stand.ab), tuple(r.path for r in stand.ba)


def _doubts(
    findings: Sequence[CableFinding], places: Sequence[tuple[FibreKey, int]]
) -> dict[tuple[FibreKey, int, str], frozenset[str]]:
    """Codes of the findings about each fibre, wavelength and closure, for rules that heed them.

    What speaks against one splice only stands under its closure, all else under none.
    """
    wavelengths: dict[FibreKey, list[int]] = defaultdict(list)
    for key, nm in places:
        wavelengths[key].append(nm)
    codes: dict[tuple[FibreKey, int, str], set[str]] = defaultdict(set)
    for finding in findings:
        if finding.fibre is None or finding.severity is Severity.NOTE:
            continue
        closure = finding.closure if finding.code in _OF_ONE_CLOSURE else ""
        for fibre in (finding.fibre, *finding.other_fibres):
            key = FibreKey(finding.cable, fibre)
            for nm in wavelengths.get(key, ()):
                if finding.wavelength_nm in (None, nm):
                    codes[key, nm, closure].add(finding.code)
    return {place: frozenset(own) for place, own in codes.items()}


#: Findings that speak against a fibre's splice in one closure and against no other.
_OF_ONE_CLOSURE = NOT_ONE_STATE | {"closure-unseen"}
_BY_SEVERITY = {Severity.DEFECT: 0, Severity.CAUTION: 1, Severity.NOTE: 2}


def _finding_order(finding: CableFinding) -> tuple[object, ...]:
    return (
        _BY_SEVERITY[finding.severity],
        finding.cable,
        finding.code,
        finding.fibre or 0,
        finding.wavelength_nm or 0,
        finding.direction,
        finding.closure,
        finding.files,
        finding.said.case,
    )
