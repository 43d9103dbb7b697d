"""What somebody has to go and do on a cable, place by place in the order of the route."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from otdravg.cable.model import CableFinding, CableReview, Closure, SpliceRow
from otdravg.cable.resplice.model import Choice, FailingFibre, Unit
from otdravg.quantities import Quantity, distance_text, reported
from otdravg.report.causes import Cause, cause_of, fibres_of, gathered, span_text
from otdravg.report.job import wavelengths_text
from otdravg.verdict.decision import Action, Verdict
from otdravg.words.catalogue import told

__all__ = ["Doing", "Visit", "aside_of", "visits_of"]

#: Failing fibres that are shown one by one; of more only the worst (chosen).
_FIBRES_SHOWN = 4
#: Of many ribbons at one place so many are named (chosen).
_NAMED = 8


@dataclass(frozen=True, slots=True)
class Doing:
    """One thing to do at a place."""

    at_m: float  # from A
    text: str
    kind: str  # in a word or two
    short: str  # ribbon and fibres
    is_opened: bool = False


@dataclass(frozen=True, slots=True)
class Visit:
    """One closure or end to go to, and what is to be done there and on the way to it."""

    cable: str
    distance_m: float  # from A
    where: str
    doings: tuple[Doing, ...]

    @property
    def is_opened(self) -> bool:
        """Whether something in it is cut or re-dressed, and not only looked at."""
        return any(doing.is_opened for doing in self.doings)

    @property
    def short(self) -> str:
        """Where it is, and what is to be done in a few words each."""
        kinds: dict[str, list[str]] = {}
        for doing in self.doings:
            kinds.setdefault(doing.kind, []).append(doing.short)
        parts = [f"{kind} {_first(own)}" for kind, own in kinds.items()]
        return f"{self.where}: {'; '.join(parts)}"


def _first(names: Sequence[str]) -> str:
    more = [f"{len(names) - _NAMED} more"] if len(names) > _NAMED else []
    return ", ".join([*names[:_NAMED], *more])


def visits_of(review: CableReview) -> list[Visit]:
    """Gather what is to be done by closure; a place between closures goes to the nearest one."""
    visits = []
    for cable in review.cables:
        route = _Route.of(review, cable)
        stops: dict[float, list[Doing]] = defaultdict(list)
        for doing in _doings(review, route):
            stops[route.stop_at(doing.at_m)].append(doing)
        visits += [
            Visit(cable, at_m, route.name(at_m), tuple(own)) for at_m, own in sorted(stops.items())
        ]
    return visits


def aside_of(review: CableReview) -> Iterator[str]:
    """Say what failing ribbons ask for that opens no closure."""
    for unit in _units(review):
        if unit.advised is Choice.MEASURE:
            yield f"{_place(unit)}: {_failing(unit.failing)}; shoot again, averaging longer"
        elif unit.advised is Choice.CONCESSION:
            yield f"{_place(unit)}: {_failing(unit.failing)}; ask for a concession"


def _units(review: CableReview) -> tuple[Unit, ...]:
    return review.plan.units if review.plan is not None else ()


def _place(unit: Unit) -> str:
    ribbon = "" if unit.ribbon is None else f", ribbon {unit.ribbon}"
    return f"closure {unit.closure}{ribbon}"


@dataclass(frozen=True, slots=True)
class _Route:
    """Closures of one cable and its ends, by their distance from A."""

    cable: str
    closures: tuple[Closure, ...]
    length_m: float

    @classmethod
    def of(cls, review: CableReview, cable: str) -> _Route:
        lengths = sorted(f.length_m for f in review.fibres if f.key.cable == cable)
        closures = tuple(c for c in review.closures if c.cable == cable)
        length_m = lengths[len(lengths) // 2] if lengths else 0.0
        return cls(cable, closures, length_m)

    def stop_at(self, at_m: float) -> float:
        """Return the closure or end that is nearest to a place."""
        stops = [c.distance_m for c in self.closures]
        stops += [0.0, self.length_m] if self.length_m else [0.0]
        return min(stops, key=lambda stop: abs(stop - at_m))

    def name(self, stop_m: float) -> str:
        """Name a stop, with its distance from both ends."""
        own = next((c for c in self.closures if c.distance_m == stop_m), None)
        if own is None:
            return "End B" if stop_m else "End A"
        return f"{_closure(own)}, {self.both_ways(stop_m)}"

    def both_ways(self, at_m: float) -> str:
        """Say a distance from both ends."""
        from_a = f"{distance_text(at_m, km=True)} from A"
        if not self.length_m:
            return from_a
        return f"{from_a}, {distance_text(self.length_m - at_m, km=True)} from B"


def _closure(closure: Closure) -> str:
    name, number = closure.name, str(closure.number)
    return f"Closure {number}" if name == number else f"Closure {number} {name}"


def _doings(review: CableReview, route: _Route) -> Iterator[Doing]:
    """Give place, what to do, and whether something is opened for it."""
    rows = {(r.fibre, r.closure_number): r for r in review.rows if r.cable == route.cable}
    listed: set[tuple[int, str]] = set()
    for unit in _units(review):
        if unit.cable != route.cable:
            continue
        listed |= {(failing.fibre, unit.closure) for failing in unit.failing}
        if unit.advised in (Choice.MEASURE, Choice.CONCESSION):
            continue
        yield _unit(unit)
    yield from _for_spans(review, route)
    places: dict[tuple[str, str, float], list[CableFinding]] = defaultdict(list)
    for finding in review.findings:
        if not finding.is_open or cause_of(finding.code) is not Cause.VISIT:
            continue
        if finding.cable != route.cable or set(fibres_of(finding)) <= {
            fibre for fibre, closure in listed if closure and closure == finding.closure
        }:
            continue
        row = rows.get((finding.fibre or 0, None))
        at_m = finding.distance_m if finding.distance_m is not None else _at(finding, route, row)
        places[finding.code, finding.closure, round(at_m, -1)].append(finding)
    for (code, closure, at_m), own in places.items():
        if code == "event-between-closures":
            yield _between(own, review.rows, route)
            continue
        where = "" if closure else f", {route.both_ways(own[0].distance_m or at_m)}"
        (said,) = gathered([_without_closure(f) for f in own])
        fibres = said.where.removeprefix("fibre ")
        if not closure:
            fibres += f" at {distance_text(own[0].distance_m or at_m, km=True)}"
        text = f"{said.where}{where}: {said.what}"
        yield Doing(at_m, text, code, fibres, is_opened=code == "bend-suspected")
    yield from _over_and_to_look_at(review, route, listed)


def _without_closure(finding: CableFinding) -> CableFinding:
    """Return a finding as it is said below the closure's own heading."""
    return CableFinding(
        finding.severity, finding.code, finding.evidence, finding.what_to_do,
        fibre=finding.fibre, other_fibres=finding.other_fibres,
    )  # fmt: skip


def _at(finding: CableFinding, route: _Route, row: SpliceRow | None) -> float:
    own = next((c for c in route.closures if c.name == finding.closure), None)
    if own is not None:
        return own.distance_m
    return row.distance_m if row is not None else 0.0


def _unit(unit: Unit) -> Doing:
    """Say what is done with a ribbon, and for the sake of which fibres."""
    bent = [f for f in unit.failing if f.verdict.verdict is Verdict.BEND]
    cut = [f for f in unit.failing if f not in bent]
    whole = "" if unit.ribbon is None else f" ribbon {unit.ribbon}"
    verb = "re-splice" if unit.advised is Choice.REDO else unit.advised.value
    parts = [f"{verb}{whole}: {_failing(cut)}"] if cut else []
    if bent:
        fibres = ", ".join(f"{f.fibre} {f.colour}" for f in bent)
        parts.append(f"re-dress fibre {fibres} in its tray and shoot again, do not cut")
    numbers = span_text([f.fibre for f in unit.failing])
    kind = verb + ("" if unit.ribbon is None else " ribbon") if cut else "re-dress fibre"
    short = numbers if unit.ribbon is None or not cut else f"{unit.ribbon} ({numbers})"
    return Doing(unit.distance_m, "; ".join(parts), kind, short, is_opened=True)


def _failing(failing: Sequence[FailingFibre]) -> str:
    """Name failing fibres: each with its colour and loss, of many the worst."""
    if len(failing) > _FIBRES_SHOWN:
        worst = max(failing, key=lambda f: f.loss_db or 0)
        fibres = span_text([f.fibre for f in failing])
        return f"fibres {fibres}; worst {_one(worst)} dB at {worst.wavelength_nm} nm"
    by_nm: dict[int, list[FailingFibre]] = defaultdict(list)
    for one in failing:
        by_nm[one.wavelength_nm].append(one)
    return "fibre " + "; ".join(
        f"{', '.join(map(_one, own))} dB at {nm} nm" for nm, own in by_nm.items()
    )


def _one(failing: FailingFibre) -> str:
    return f"{failing.fibre} {failing.colour} {failing.loss_db or 'not measured,'}"


def _for_spans(review: CableReview, route: _Route) -> Iterator[Doing]:
    """Ribbons that are remade for the sake of span rules alone."""
    redone = {(u.closure_number, u.ribbon) for u in _units(review) if u.advised is Choice.REDO}
    for own in review.plan.openings if review.plan is not None else ():
        if own.cable != route.cable:
            continue
        for number, ribbon in own.openings.remakes:
            if (number, ribbon) not in redone:
                at_m = next(c.distance_m for c in route.closures if c.number == number)
                what = f"fibre {ribbon}" if review.ribbon_size is None else f"ribbon {ribbon}"
                text = f"re-splice {what}, for the rules of the whole fibre"
                yield Doing(at_m, text, "re-splice for spans", what, is_opened=True)


def _between(findings: Sequence[CableFinding], rows: Sequence[SpliceRow], route: _Route) -> Doing:
    """Say what lies between closures: fibres, distance from both ends, loss."""
    fibres = sorted({fibre for finding in findings for fibre in fibres_of(finding)})
    at_m = findings[0].distance_m or 0.0
    own = [
        row
        for row in rows
        if row.cable == route.cable
        and row.closure_number is None
        and row.fibre in fibres
        and abs(row.distance_m - at_m) < 50.0
    ]
    losses = {row.wavelength_nm: row.loss_db for row in own if row.loss_db is not None}
    figures = {str(reported(loss, Quantity.LOSS_DB)) for loss in losses.values()}
    shown = ", ".join(
        f"{reported(loss, Quantity.LOSS_DB)} dB at {nm} nm" for nm, loss in sorted(losses.items())
    )
    if len(figures) == 1:
        shown = f"{figures.pop()} dB at {wavelengths_text(sorted(losses))}"
    bent = any(row.bend_suspected for row in own)
    noun = "fibre" if len(fibres) == 1 else "fibres"
    what = "bent or squeezed" if bent else "bend, damage or factory splice"
    text = f"on the way, {noun} {span_text(fibres)}, {route.both_ways(at_m)}: {shown}; {what}?"
    short = f"{span_text(fibres)} at {distance_text(at_m, km=True)}"
    return Doing(at_m, text, "on the way fibre", short)


def _over_and_to_look_at(
    review: CableReview, route: _Route, listed: set[tuple[int, str]]
) -> Iterator[Doing]:
    """Name what is over its limit at a closure and yet nothing to remake: no work list has it."""
    for row in review.rows:
        if (
            row.cable == route.cable
            and row.closure_number is not None
            and row.verdict.verdict is Verdict.OVER
            and row.verdict.action is Action.LOOK
            and (row.fibre, row.closure) not in listed
        ):
            listed.add((row.fibre, row.closure))
            where = f"fibre {row.fibre} {row.colour} at {row.wavelength_nm} nm"
            text = f"{where}, look, do not cut: {told(row.verdict.reason)}"
            yield Doing(row.distance_m, text, "look, do not cut, fibre", str(row.fibre))
