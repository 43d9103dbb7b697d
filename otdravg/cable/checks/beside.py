"""What the crew's lists and the shots say against each other."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from statistics import median

from otdravg.cable.checks.notes import about_fibres, files_of
from otdravg.cable.lists.instruments import lapsed, without_linearity
from otdravg.cable.lists.power import Compared, compared, rerouted
from otdravg.cable.lists.reels import ReelCheck, checked, laid, longer_than_record
from otdravg.cable.lists.route import Odd, Survey
from otdravg.cable.measure.standing import Measured
from otdravg.cable.model import CableFinding, Closure, Expected, FibreResult, ShotRecord, ShotUse
from otdravg.findings import Finding, Scope, caution, defect, note, says
from otdravg.trade import numbers_text
from otdravg.verdict.decision import Verdict, held_against
from otdravg.verdict.limits import Rule
from otdravg.verdict.rules import Profile

#: What is odd about a route → the finding's code, and its case.
_ROUTE = {
    Odd.BACKWARDS: ("route-mark-odd", "backwards"),
    Odd.LENGTH: ("route-mark-odd", "length"),
    Odd.NOT_LISTED: ("route-closure-unlisted", ""),
    Odd.WRAPPED: ("route-mark-read", "right"),
    Odd.FEET: ("route-mark-read", "right"),
    Odd.UNMARKED: ("route-mark-read", "unmarked"),
    Odd.NOT_SEEN: ("route-mark-read", "unseen"),
}


def route_findings(surveys: Mapping[str, Survey]) -> list[CableFinding]:
    """Say what is odd about the sheath marks of the route, by cable."""
    findings = []
    for cable, survey in surveys.items():
        for odd, where in survey.odd:
            code, case = _ROUTE[odd]
            grave = note if code == "route-mark-read" else caution
            said = grave(code, Scope.CABLE, case, what=odd.value, where=where)
            findings.append(CableFinding(said, cable))
    return findings


def instrument_findings(
    records: Sequence[ShotRecord], expected: Expected, profile: Profile
) -> list[CableFinding]:
    """Name shots after the end of a calibration, and what the guarded rule leaves out."""
    used = [record for record in records if record.use is ShotUse.USED]
    findings = []
    for own, late in lapsed(used, expected.instruments).items():
        first, last = min(r.taken for r in late if r.taken), max(r.taken for r in late if r.taken)
        said = caution(
            "calibration-lapsed", Scope.CABLE, "" if first.date() == last.date() else "days",
            shots=len(late), name=own.name, first=f"{first:%Y-%m-%d}", last=f"{last:%Y-%m-%d}",
            due=str(own.due),
        )  # fmt: skip
        findings.append(CableFinding(said, late[0].taken_for.cable, files=files_of(late)))
    unstated = without_linearity(used, expected.instruments)
    if unstated and profile.rule is Rule.GUARDED:
        names = ", ".join(name or "?" for name in unstated)
        findings.append(CableFinding(note("linearity-unstated", Scope.CABLE, names=names)))
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
        about_fibres(cable, own, said, wavelength_nm=one.wavelength_nm)
        for one in compared(readings, traces, range(1, highest + 1))
        for said, own in _of_group(one)
    ]
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
            said = caution(
                "reel-length", Scope.CABLE, laid_m=float(least_m), name=reel.reel.name,
                record_m=reel.reel.length_m,
            )  # fmt: skip
            findings.append(CableFinding(said, cable))
        for check in checked(reels, measured, cable):
            is_held = True
            findings += _beside_record(check, cable, limit, profile)
    if limit is not None and not is_held:
        key, why = "change.deviation_limit_percent", says("no-reel-record")
        findings.append(CableFinding(caution("key-not-applied", Scope.CABLE, key=key, why=why)))
    return findings


def _beside_record(
    check: ReelCheck, cable: str, limit: Decimal | None, profile: Profile
) -> Iterator[CableFinding]:
    """Say how far a reel is from its record, and which of its fibres are farther than allowed."""
    nm = check.wavelength_nm
    over: dict[Verdict, list[tuple[float, int]]] = {Verdict.OVER: [], Verdict.TOO_CLOSE: []}
    for fibre, per_km, u in check.fibres if limit is not None else ():
        off = round(abs(check.percent(per_km)), 1)
        sure = None if u is None else Decimal(f"{200 * u / check.record_db_per_km:.1f}")
        said = held_against(Decimal(str(off)), sure, limit or Decimal(0), profile.rule).verdict
        if said in over:
            over[said].append((off, fibre))
    for verdict, fibres in over.items():
        if fibres:
            outside = defect(
                "reel-outside-record", Scope.CABLE, verdict=verdict.value,
                percent=Decimal(str(max(fibres)[0])), name=check.reel.name,
                record_db_per_km=float(check.record_db_per_km), allowed=limit,
            )  # fmt: skip
            numbers = sorted(fibre for _, fibre in fibres)
            yield about_fibres(cable, numbers, outside, wavelength_nm=nm)
    beside = note(
        "reel-beside-record", Scope.CABLE, name=check.reel.name,
        median_db_per_km=float(check.median_db_per_km),
        record_db_per_km=float(check.record_db_per_km),
        percent=Decimal(f"{check.percent(check.median_db_per_km):+.1f}"),
    )  # fmt: skip
    yield CableFinding(beside, cable, wavelength_nm=nm)


_Said = tuple[Finding, tuple[int, ...]]


def _of_group(one: Compared) -> Iterator[_Said]:
    """What readings of one end and wavelength say, and the fibres that it concerns."""
    nm, end = one.wavelength_nm, one.end
    tester = says("of-tester", name=one.tester) if one.tester else says("readings")
    if one.missing:
        fibres = numbers_text(one.missing)
        yield caution("power-missing", Scope.CABLE, end=end, at_nm=nm, fibres=fibres), one.missing
    if one.negative:
        count = len(one.negative)
        yield (
            caution("power-sign", Scope.CABLE, count=count, tester=tester, end=end, at_nm=nm),
            one.negative,
        )
    if one.offset_db is None:
        return
    if not one.is_plausible:
        yield caution(
            "power-offset", Scope.CABLE, count=one.count, tester=tester, end=end, at_nm=nm,
            offset_db=float(one.offset_db),
        ), ()  # fmt: skip
    else:
        yield note(
            "power-beside-traces", Scope.CABLE, count=one.count, tester=tester, end=end, at_nm=nm,
            offset_db=float(one.offset_db), spread_db=float(one.spread_db or 0),
        ), ()  # fmt: skip
    for swap in one.exchanged:
        a, b = swap.fibres
        yield caution(
            "power-exchanged", Scope.CABLE, tester=tester, end=end, at_nm=nm, fibre=a, other=b,
            odds=round(swap.odds),
        ), swap.fibres  # fmt: skip
    for fibre, off_db in one.apart:
        yield caution(
            "power-apart", Scope.CABLE, "above" if off_db > 0 else "below", tester=tester, end=end,
            at_nm=nm, off_db=float(abs(off_db)),
        ), (fibre,)  # fmt: skip


def _continuity(seen: Mapping[tuple[int, str], int], cable: str) -> Iterator[CableFinding]:
    for (fibre, end), arrives in sorted(seen.items()):
        far = "B" if end == "A" else "A"
        if arrives == 0:
            yield CableFinding(defect("power-dark", Scope.CABLE, end=end, far=far), cable, fibre)
        else:
            back = seen.get((arrives, end)) == fibre
            said = defect(
                "power-elsewhere", Scope.CABLE, "exchanged" if back else "", end=end, far=far,
                arrives=arrives,
            )  # fmt: skip
            yield CableFinding(said, cable, fibre, other_fibres=(arrives,))
