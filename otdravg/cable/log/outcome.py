"""What came of the splices in a log: wear, bad ribbons in succession, machines that estimate."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from statistics import median

from otdravg.cable.checks.notes import numbers_text
from otdravg.cable.log.held import HeldLog, Place, unit_of
from otdravg.cable.log.machines import far_below, machines
from otdravg.cable.log.model import LoggedSplice, SpliceLog, Succession, Tool, Wear
from otdravg.cable.log.succession import successions
from otdravg.cable.log.wear import wear_of
from otdravg.cable.model import CableFinding, SpliceRow
from otdravg.cable.patterns.find import is_sample
from otdravg.cable.resplice.crew import by_fibre, combined_verdict, misses
from otdravg.findings import Severity
from otdravg.quantities import Quantity, loss_text, reported
from otdravg.verdict import Profile
from otdravg.verdict.splice import splice_limit
from otdravg.verdict.verdicts import Circumstances

__all__ = ["log_outcome", "order_of"]

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
        noun = "ribbon" if held.ribbon_size else "fibre"
        yield CableFinding(
            Severity.NOTE,
            "splice-not-in-log",
            f"{noun} {numbers_text(units)} at closure {names[where]} shows a splice, and the "
            "splice log has none there",
            "add it; its attempts are those that the shots prove",
            cable=where[0],
            closure=names[where],
        )


def _findings(log: SpliceLog, held: HeldLog) -> Iterator[CableFinding]:
    cable = log.splices[0].cable
    unit = "ribbon" if held.ribbon_size else "fibre"
    yield from (_turn(own, cable, unit) for own in log.successions)
    for wear in log.wear:
        if wear.chance < _LEVEL and wear.now_db >= _LEAST_DB:
            yield _worn(wear, cable)
    below = [
        (splice, db)
        for splice in log.splices
        if (db := far_below(splice.last, splice.measured_db, log.machines)) is not None
    ]
    yield from (_far_below(splice, db, unit) for splice, db in below)


def _turn(own: Succession, cable: str, unit: str) -> CableFinding:
    count, rest = own.elsewhere
    evidence = (
        f"{len(own.bad)} of {len(own.splices)} splices in a row with "
        f"{_blade(own.cleaver, own.blade)} are over the limit "
        f"({unit} {numbers_text(line.ribbon for line in own.bad)}); {count} of {rest} elsewhere in "
        "the log"
    )
    if own.is_in:
        advice = "turn the blade before the next one; clean grooves and look at the electrodes too"
    else:
        advice = "the blade was turned since; nothing is to be done about it"
    return CableFinding(
        Severity.CAUTION if own.is_in else Severity.NOTE,
        "bad-in-succession",
        evidence,
        advice,
        cable=cable,
        closure=own.bad[-1].closure,
    )


def _worn(wear: Wear, cable: str) -> CableFinding:
    rise = loss_text(wear.rise_db, 2 * wear.u_rise_db)
    tool = {
        Tool.BLADE: _blade(wear.name, wear.blade),
        Tool.ELECTRODES: f"the electrodes of splicer {wear.name or '(not named)'}",
        Tool.EITHER: f"{_blade(wear.name, wear.blade)}, or the electrodes",
    }[wear.tool]
    advice = {
        Tool.BLADE: "turn the blade before the next one",
        Tool.ELECTRODES: "change the electrodes, or clean and condition them, before the next one",
        Tool.EITHER: "turn the blade before the next one, and look at the electrodes",
    }[wear.tool]
    return CableFinding(
        Severity.CAUTION,
        "loss-rises-with-use",
        f"the loss of ribbons rises by {rise} for 1,000 fibres since {tool} was new; "
        f"{wear.fibres_now:,} by now, so about {reported(wear.now_db, Quantity.LOSS_DB)} dB",
        advice,
        cable=cable,
    )


def _blade(cleaver: str, blade: str) -> str:
    at = f" at position {blade}" if blade else ""
    return f"the blade of cleaver {cleaver or '(not named)'}{at}"


def _far_below(splice: LoggedSplice, below_db: float, unit: str) -> CableFinding:
    line = splice.last
    estimated, measured, more = (
        reported(db, Quantity.LOSS_DB) for db in (line.estimated_db, splice.measured_db, below_db)
    )
    return CableFinding(
        Severity.NOTE,
        "estimate-far-below",
        f"{unit} {splice.unit}: the machine estimated {estimated} dB at most, measured from both "
        f"ends is {measured} dB, {more} dB more",
        "look how it lies in the tray before it is cut; or the line is of another ribbon",
        cable=splice.cable,
        closure=line.closure,
    )  # fmt: skip
