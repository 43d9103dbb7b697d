"""What the crew's lists and the shots say against each other."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from statistics import median

from otdravg.cable.checks.notes import numbers_text
from otdravg.cable.lists.instruments import lapsed, without_linearity
from otdravg.cable.lists.power import Compared, compared, rerouted
from otdravg.cable.lists.reels import ReelCheck, checked, laid, longer_than_record
from otdravg.cable.lists.route import Odd, Survey
from otdravg.cable.measure.standing import Measured
from otdravg.cable.model import (
    CableFinding,
    Closure,
    Expected,
    FibreResult,
    ShotRecord,
    ShotUse,
)
from otdravg.findings import Severity, says
from otdravg.quantities import Quantity, reported
from otdravg.verdict.decision import Verdict, held_against
from otdravg.verdict.limits import Rule
from otdravg.verdict.rules import Profile
from otdravg.words.catalogue import told

__all__ = ["instrument_findings", "power_findings", "reel_findings", "route_findings"]

#: What is odd about a route → how grave it is, the finding's code, and what to do.
_ROUTE = {
    Odd.BACKWARDS: (Severity.CAUTION, "route-mark-odd", "read the mark again, mend the list"),
    Odd.LENGTH: (Severity.CAUTION, "route-mark-odd", "read both marks again; places between "
                 "them are not given on the sheath"),
    Odd.NOT_LISTED: (Severity.CAUTION, "route-closure-unlisted", "write it into the list of the "
                     "route, with its marks"),
    Odd.WRAPPED: (Severity.NOTE, "route-mark-read", "nothing, if that is right"),
    Odd.FEET: (Severity.NOTE, "route-mark-read", "nothing, if that is right"),
    Odd.UNMARKED: (Severity.NOTE, "route-mark-read", "read them, to have places on the sheath"),
    Odd.NOT_SEEN: (Severity.NOTE, "route-mark-read", "nothing, if it is not spliced (yet)"),
}  # fmt: skip


def route_findings(surveys: Mapping[str, Survey]) -> list[CableFinding]:
    """Say what is odd about the sheath marks of the route, by cable."""
    return [
        CableFinding(severity, code, f"{odd.value}: {where}", to_do, cable)
        for cable, survey in surveys.items()
        for odd, where in survey.odd
        for severity, code, to_do in (_ROUTE[odd],)
    ]


def instrument_findings(
    records: Sequence[ShotRecord], expected: Expected, profile: Profile
) -> list[CableFinding]:
    """Name shots after the end of a calibration, and what the guarded rule leaves out."""
    used = [record for record in records if record.use is ShotUse.USED]
    findings = []
    for own, late in lapsed(used, expected.instruments).items():
        first, last = min(r.taken for r in late if r.taken), max(r.taken for r in late if r.taken)
        days = f"{first:%Y-%m-%d}" + ("" if first.date() == last.date() else f" to {last:%Y-%m-%d}")
        shots = f"{len(late)} shot{'s' * (len(late) > 1)}"
        findings.append(
            CableFinding(
                Severity.CAUTION,
                "calibration-lapsed",
                f"{shots} of {own.name} of {days}; its calibration ran out on {own.due}",
                "have it calibrated and say whether it was found in order, or shoot again",
                cable=late[0].taken_for.cable,
                files=tuple(record.path for record in late),
            )
        )
    unstated = without_linearity(used, expected.instruments)
    if unstated and profile.rule is Rule.GUARDED:
        names = ", ".join(name or "one without a name" for name in unstated)
        findings.append(
            CableFinding(
                Severity.NOTE,
                "linearity-unstated",
                f"U holds no linearity of {names}: the guarded rule leaves it out",
                "write dB/dB from the certificate into the list of instruments",
            )
        )
    return findings


def power_findings(
    expected: Expected, fibres: Sequence[FibreResult], fibre_count: int | None
) -> list[CableFinding]:
    """Hold the power readings against the sums of the traces."""
    readings, cable = expected.power, expected.cable
    if not readings:
        return []
    traces: dict[tuple[int, int], tuple[float, float]] = {
        (f.key.fibre, f.wavelength_nm): (f.loss_db, f.u_loss_db or 0.0)
        for f in fibres
        if f.loss_db is not None
    }
    cable = next((f.key.cable for f in fibres), cable)
    highest = fibre_count or max(one.fibre for one in readings)
    findings = [
        CableFinding(severity, code, text, to_do, cable, None if len(own) != 1 else own[0], nm,
                     other_fibres=own if len(own) > 1 else ())
        for one in compared(readings, traces, range(1, highest + 1))
        for severity, code, text, to_do, own, nm in _of_group(one)
    ]  # fmt: skip
    return findings + list(_continuity(rerouted(readings), cable))


def reel_findings(
    expected: Expected,
    surveys: Mapping[str, Survey],
    measured: Sequence[Measured],
    closures: Sequence[Closure],
    fibres: Sequence[FibreResult],
    profile: Profile,
) -> list[CableFinding]:
    """Hold reels as they lie in the ground against the records that they came with."""
    limit = profile.change.deviation_limit_percent
    findings: list[CableFinding] = []
    is_held = False
    cables = sorted({fibre.key.cable for fibre in fibres}) if expected.reels else []
    for cable in cables:
        own = [closure for closure in closures if closure.cable == cable]
        length_m = median(fibre.length_m for fibre in fibres if fibre.key.cable == cable)
        reels = laid(expected.reels, surveys.get(cable), own, length_m)
        for reel, least_m in longer_than_record(reels):
            text = (
                f"{least_m:.0f} m of reel {reel.reel.name} lie there, and its record says "
                f"{reel.reel.length_m:.0f} m"
            )
            to_do = "which reel is it? mend the list of reels, or of the route"
            findings.append(CableFinding(Severity.CAUTION, "reel-length", text, to_do, cable))
        for check in checked(reels, measured, cable):
            is_held = True
            findings += _beside_record(check, cable, limit, profile)
    if limit is not None and not is_held:
        why = says("not-applied", key="change.deviation_limit_percent", why=says("no-reel-record"))
        findings.append(
            CableFinding(Severity.CAUTION, "key-not-applied", told(why), "nothing was judged by it")
        )
    return findings


def _beside_record(
    check: ReelCheck, cable: str, limit: Decimal | None, profile: Profile
) -> Iterator[CableFinding]:
    """Say how far a reel is from its record, and which of its fibres are farther than allowed."""
    nm, record = check.wavelength_nm, _per_km(check.record_db_per_km)
    over: dict[Verdict, list[tuple[float, int]]] = {Verdict.OVER: [], Verdict.TOO_CLOSE: []}
    for fibre, per_km, u in check.fibres if limit is not None else ():
        off = round(abs(check.percent(per_km)), 1)
        sure = None if u is None else Decimal(f"{200 * u / check.record_db_per_km:.1f}")
        said = held_against(Decimal(str(off)), sure, limit or Decimal(0), profile.rule).verdict
        if said in over:
            over[said].append((off, fibre))
    for verdict, fibres in over.items():
        if fibres:
            numbers = tuple(sorted(fibre for _, fibre in fibres))
            yield CableFinding(
                Severity.DEFECT,
                "reel-outside-record",
                f"{verdict.value}: up to {max(fibres)[0]} % from the {record} that the record of "
                f"reel {check.reel.name} says; {limit} % are allowed",
                "is it the right reel? look for bends along it; shoot again, averaging longer",
                cable,
                numbers[0] if len(numbers) == 1 else None,
                nm,
                other_fibres=numbers if len(numbers) > 1 else (),
            )
    yield CableFinding(
        Severity.NOTE,
        "reel-beside-record",
        f"reel {check.reel.name}: {_per_km(check.median_db_per_km)} in the median of its fibres, "
        f"{record} by its record ({check.percent(check.median_db_per_km):+.1f} %)",
        "nothing",
        cable,
        wavelength_nm=nm,
    )


def _per_km(value: float) -> str:
    return f"{reported(value, Quantity.ATTENUATION_DB_PER_KM)} dB/km"


_Said = tuple[Severity, str, str, str, tuple[int, ...], int]


def _of_group(one: Compared) -> Iterator[_Said]:
    nm, tester = one.wavelength_nm, f" of {one.tester}" if one.tester else ""
    where = f"from {one.end} at {nm} nm"
    set_of = f"readings{tester} {where}"
    if one.missing:
        text = f"no reading {where} of fibre {numbers_text(one.missing)}"
        yield Severity.CAUTION, "power-missing", text, "read it", one.missing, nm
    if one.negative:
        text = f"below 0 dB and taken without the sign: {len(one.negative)} of the {set_of}"
        to_do = "a loss is positive: mend the list; if these are levels in dBm, take a reference"
        yield Severity.CAUTION, "power-sign", text, to_do, one.negative, nm
    if one.offset_db is None:
        return
    offset = f"{_db(one.offset_db)} above the sums of the traces"
    if not one.is_plausible:
        text = f"{one.count} {set_of} lie {offset}; end connectors take 0 to 1.5 dB"
        to_do = "take the reference anew and read again; levels in dBm are no losses"
        yield Severity.CAUTION, "power-offset", text, to_do, (), nm
    else:
        text = f"{one.count} {set_of} lie {offset}, with a scatter of {_db(one.spread_db or 0)}"
        to_do = "nothing: two end connectors, and the error of both"
        yield Severity.NOTE, "power-beside-traces", text, to_do, (), nm
    for swap in one.exchanged:
        a, b = swap.fibres
        text = (
            f"readings{tester} {where} of fibres {a} and {b} fit the traces the other way round, "
            f"{swap.odds:.0f} to 1"
        )
        yield Severity.CAUTION, "power-exchanged", text, "read both again", swap.fibres, nm
    for fibre, off_db in one.apart:
        text = (
            f"the reading{tester} {where} lies {_db(abs(off_db))} "
            f"{'above' if off_db > 0 else 'below'} what the others let expect"
        )
        to_do = "clean both end connectors, look at them, read again"
        yield Severity.CAUTION, "power-apart", text, to_do, (fibre,), nm


def _db(value: float) -> str:
    return f"{reported(value, Quantity.LOSS_DB)} dB"


def _continuity(seen: Mapping[tuple[int, str], int], cable: str) -> Iterator[CableFinding]:
    for (fibre, end), arrives in sorted(seen.items()):
        far = "B" if end == "A" else "A"
        if arrives == 0:
            text, to_do = f"light into it at {end} arrives at no fibre of {far}", "find the break"
            yield CableFinding(Severity.DEFECT, "power-dark", text, to_do, cable, fibre)
        else:
            back = seen.get((arrives, end)) == fibre
            text = f"light into it at {end} arrives at fibre {arrives} of {far}"
            yield CableFinding(
                Severity.DEFECT,
                "power-elsewhere",
                text + (", and the other way round" if back else ""),
                "trace both; correct the labels or the splices, or the plan",
                cable,
                fibre,
                other_fibres=(arrives,),
            )
