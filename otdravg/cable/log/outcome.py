"""What came of the splices in a log: wear, bad ribbons in succession, machines that estimate."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from statistics import median

from otdravg.cable.log.held import HeldLog, Place, unit_of, units_named
from otdravg.cable.log.machines import far_below, machines
from otdravg.cable.log.model import LoggedSplice, SpliceLog, Succession, Tool, Wear
from otdravg.cable.log.succession import successions
from otdravg.cable.log.wear import wear_of
from otdravg.cable.model import CableFinding, SpliceRow
from otdravg.cable.patterns.find import is_sample
from otdravg.cable.resplice.crew import by_fibre, combined_verdict, misses
from otdravg.findings import Scope, Statement, caution, note, says
from otdravg.trade import numbers_text
from otdravg.verdict import Profile
from otdravg.verdict.splice import splice_limit
from otdravg.verdict.verdicts import Circumstances

#: Chance of luck below which a rise is called wear. Chosen, not derived: of the blades and machines
#: of fifty logs one is named in vain.
_LEVEL = 0.02
#: A rise is worth a turn of the blade from this, dB. Chosen, not derived: as for patterns.
_LEAST_DB = 0.01
#: A ribbon's level is that of at least this share of its fibres.
_SHARE = 0.5


def order_of(held: HeldLog) -> dict[Place, float]:
    """Place in time of each splice that the log has, for those who look for drifts."""
    return {place: own.last.when.timestamp() for place, own in held.splices.items()}


def log_outcome(
    held: HeldLog, rows: Sequence[SpliceRow], profile: Profile
) -> tuple[SpliceLog, list[CableFinding]]:
    """Hold a log against the judged splices.

    Losses are those of one wavelength, the one with most splices and of those the shortest, where
    bends add least; what is doubtful or bent is left out.
    """
    size = held.ribbon_size
    at: dict[Place, list[SpliceRow]] = defaultdict(list)
    for row in rows:
        if row.closure_number is not None:
            at[row.cable, row.closure_number, unit_of(row.fibre, size)].append(row)
    counts = Counter(row.wavelength_nm for own in at.values() for row in own)
    if not counts or not held.splices:
        return SpliceLog(()), []
    nm = min(counts, key=lambda w: (-counts[w], w))
    losses = {
        place: [
            row.loss_db
            for row in own
            if row.wavelength_nm == nm and row.loss_db is not None and is_sample(row)
        ]
        for place, own in at.items()
    }
    splices = tuple(
        replace(own, measured_db=max(losses.get(place, ()), default=None))
        for place, own in held.splices.items()
    )
    levels = {
        own.last.line: median(known)
        for place, own in held.splices.items()
        if (known := losses.get(place)) and len(known) >= _SHARE * (size or 1)
    }
    numbers = {x.line: own.closure_number for own in splices for x in own.lines}
    measured_db = {x.last.line: x.measured_db for x in splices if x.measured_db is not None}
    own_machines = machines(held.lines, measured_db)
    log = SpliceLog(
        splices,
        wear_of(held.lines, levels, size or 1, numbers),
        successions(held.lines, _bad(held, at, profile, nm)),
        own_machines,
    )
    return log, [*_findings(log, held), *_missing(held, at)]


def _bad(
    held: HeldLog, at: Mapping[Place, Sequence[SpliceRow]], profile: Profile, nm: int
) -> dict[int, bool]:
    """Which ribbons are over their limit: by the shots; where those say nothing, by the machine."""
    limit_db, _ = splice_limit(profile, Circumstances(nm))
    bad = {}
    for place, own in held.splices.items():
        for line in own.lines:
            fibres = by_fibre(at.get(place, ())).values() if line is own.last else ()
            known = [misses(combined_verdict(rows, profile), rows) for rows in fibres]
            if any(known) or (known and None not in known):
                bad[line.line] = any(known)
            elif line.estimated_db is not None and limit_db is not None:
                bad[line.line] = line.estimated_db > float(limit_db)
    return bad


def _missing(held: HeldLog, at: Mapping[Place, object]) -> Iterator[CableFinding]:
    """Splices that shots show, at closures that the log has, and that it has not."""
    logged = {place[:2] for place in held.splices}
    names = {(s.cable, s.closure_number): s.last.closure for s in held.splices.values()}
    lacks: dict[tuple[str, int], list[int]] = defaultdict(list)
    for place in at:
        if place[:2] in logged and place not in held.splices:
            lacks[place[:2]].append(place[2])
    for where, units in sorted(lacks.items()):
        said = note(
            "splice-not-in-log", Scope.CABLE, "" if held.ribbon_size else "fibre",
            units=numbers_text(units), closure=names[where],
        )  # fmt: skip
        yield CableFinding(said, where[0], closure=names[where])


def _findings(log: SpliceLog, held: HeldLog) -> Iterator[CableFinding]:
    cable, size = log.splices[0].cable, held.ribbon_size
    yield from (_turn(own, cable, size) for own in log.successions)
    for wear in log.wear:
        if wear.chance < _LEVEL and wear.now_db >= _LEAST_DB:
            yield _worn(wear, cable)
    for splice in log.splices:
        below_db = far_below(splice.last, splice.measured_db, log.machines)
        if below_db is not None:
            yield _far_below(splice, below_db, size)


def _turn(own: Succession, cable: str, size: int | None) -> CableFinding:
    count, rest = own.elsewhere
    grave = caution if own.is_in else note
    said = grave(
        "bad-in-succession", Scope.CABLE, "" if own.is_in else "turned", bad=len(own.bad),
        splices=len(own.splices), blade=_blade(own.cleaver, own.blade),
        units=units_named([line.ribbon for line in own.bad], size), count=count, rest=rest,
    )  # fmt: skip
    return CableFinding(said, cable, closure=own.bad[-1].closure)


def _worn(wear: Wear, cable: str) -> CableFinding:
    if wear.tool is Tool.ELECTRODES:
        tool = says("electrodes-of", name=wear.name) if wear.name else says("electrodes")
    else:
        tool = _blade(wear.name, wear.blade)
    case = {Tool.BLADE: "blade", Tool.ELECTRODES: "electrodes", Tool.EITHER: "either"}[wear.tool]
    said = caution(
        "loss-rises-with-use", Scope.CABLE, case, rise_db=wear.rise_db,
        expanded_db=2 * wear.u_rise_db, tool=tool, fibres=wear.fibres_now, now_db=wear.now_db,
    )  # fmt: skip
    return CableFinding(said, cable)


def _blade(cleaver: str, blade: str) -> Statement:
    own = says("blade-of", name=cleaver) if cleaver else says("blade")
    return says("blade-at", blade=own, position=blade) if blade else own


def _far_below(splice: LoggedSplice, below_db: float, size: int | None) -> CableFinding:
    line = splice.last
    said = note(
        "estimate-far-below", Scope.CABLE, what=units_named([splice.unit], size),
        estimated_db=line.estimated_db, measured_db=splice.measured_db, more_db=below_db,
    )  # fmt: skip
    return CableFinding(said, splice.cable, closure=line.closure)
