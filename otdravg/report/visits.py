"""What somebody has to go and do on a cable, place by place in the order of the route."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence, Set
from dataclasses import dataclass, replace
from typing import NamedTuple

from otdravg.cable.lists.placing import U_PLACE_M, surveyed
from otdravg.cable.lists.route import Survey
from otdravg.cable.model import CableFinding, CableReview, Closure, ShotToTake, SpliceRow
from otdravg.cable.resplice.model import Choice, FailingFibre, Unit
from otdravg.quantities import Quantity, distance_text, reported
from otdravg.report.causes import (
    Cause,
    cause_of,
    fibres_of,
    gathered,
    span_text,
    wavelengths_text,
)
from otdravg.verdict.decision import Action, Verdict
from otdravg.words.catalogue import told

__all__ = ["Doing", "Visit", "aside_of", "is_visit", "visits_of"]

#: Failing fibres that are shown one by one; of more only the worst (chosen).
_FIBRES_SHOWN = 4
#: Of many ribbons at one place so many are named (chosen).
_NAMED = 8
#: What lies closer together on the way is one place to look at (chosen).
_ONE_PLACE_M = 50.0


@dataclass(frozen=True, slots=True)
class Doing:
    """One thing to do at a place."""

    text: str
    kind: str  # in a word or two
    short: str  # ribbon and fibres
    is_opened: bool = False
    is_cut: bool = False


@dataclass(frozen=True, slots=True)
class Visit:
    """A closure, or a place on the way, to go to, and what is to be done there."""

    cable: str  # "cable NAME" where there are several
    where: str
    doings: tuple[Doing, ...]

    @property
    def is_opened(self) -> bool:
        """Whether something in it is cut or re-dressed, and not only looked at."""
        return any(doing.is_opened for doing in self.doings)

    @property
    def orders(self) -> str:
        """Where it is, what is to be cut in full, and the rest in a few words each."""
        cuts = [doing.text for doing in self.doings if doing.is_cut]
        rest = [doing for doing in self.doings if not doing.is_cut]
        return f"{self.where}: {'; '.join([*cuts, *_in_few_words(rest)])}"

    @property
    def short(self) -> str:
        """Where it is, and what is to be done in a few words each."""
        return f"{self.where}: {'; '.join(_in_few_words(self.doings))}"


def _in_few_words(doings: Sequence[Doing]) -> list[str]:
    kinds: dict[str, list[str]] = {}
    for doing in doings:
        kinds.setdefault(doing.kind, []).append(doing.short)
    return [f"{kind} {_first(own)}" for kind, own in kinds.items()]


def _first(names: Sequence[str]) -> str:
    more = [f"{len(names) - _NAMED} more"] if len(names) > _NAMED else []
    return ", ".join([*names[:_NAMED], *more])


class _Stop(NamedTuple):
    """Where a visit goes to."""

    at_m: float  # from A
    number: int  # of the closure; 0 on the way


def visits_of(review: CableReview, due: Iterable[ShotToTake]) -> list[Visit]:
    """Gather what is to be done by closure, and by place on the way, in order from A.

    Nothing of a ribbon is cut before the shots of it that are ``due`` are in.
    """
    shots = tuple(due)
    visits = []
    for cable in review.cables:
        route = _Route.of(review, cable)
        unseen = {shot.fibre for shot in shots if shot.cable == cable}
        stops: dict[_Stop, list[Doing]] = defaultdict(list)
        for stop, doing in _doings(review, route, unseen):
            stops[stop].append(doing)
        label = f"cable {cable or 'without a name'}" if len(review.cables) > 1 else ""
        visits += [
            Visit(label, route.name(stop), tuple(own)) for stop, own in sorted(stops.items())
        ]
    return visits


def aside_of(review: CableReview) -> Iterator[str]:
    """Say what failing ribbons ask for that opens no closure."""
    for unit in _units(review):
        cable = f"cable {unit.cable}, " if len(review.cables) > 1 else ""
        if unit.advised is Choice.MEASURE:
            yield f"{cable}{_place(unit)}: {_failing(unit.failing)}; shoot again, averaging longer"
        elif unit.advised is Choice.CONCESSION:
            yield f"{cable}{_place(unit)}: {_failing(unit.failing)}; ask for a concession"


def _units(review: CableReview) -> tuple[Unit, ...]:
    return review.plan.units if review.plan is not None else ()


def _place(unit: Unit) -> str:
    ribbon = "" if unit.ribbon is None else f", ribbon {unit.ribbon}"
    return f"{_closure(unit.closure_number, unit.closure)}{ribbon}"


@dataclass(frozen=True, slots=True)
class _Route:
    """Closures of one cable, in order from A, its length and its sheath."""

    cable: str
    closures: tuple[Closure, ...]
    length_m: float
    survey: Survey | None  # sheath marks, where the job has a route

    @classmethod
    def of(cls, review: CableReview, cable: str) -> _Route:
        lengths = sorted(f.length_m for f in review.fibres if f.key.cable == cable)
        closures = tuple(c for c in review.closures if c.cable == cable)
        length_m = lengths[len(lengths) // 2] if lengths else 0.0
        survey = surveyed(review.expected, cable, closures, review.fibres)
        return cls(cable, closures, length_m, survey)

    def at(self, number: int) -> _Stop:
        """Return the stop at a closure."""
        return next(_Stop(c.distance_m, number) for c in self.closures if c.number == number)

    def gathered(self, findings: Sequence[CableFinding]) -> dict[_Stop, list[CableFinding]]:
        """Put findings to the closures that they name, and others to places on the way."""
        numbers = {closure.name: closure.number for closure in self.closures}
        stops: dict[_Stop, list[CableFinding]] = defaultdict(list)
        last = _Stop(-math.inf, 0)
        for finding in sorted(findings, key=lambda finding: finding.distance_m or 0.0):
            if finding.closure in numbers:
                stops[self.at(numbers[finding.closure])].append(finding)
                continue
            at_m = finding.distance_m or 0.0
            if at_m - last.at_m > _ONE_PLACE_M or self.before(at_m) != self.before(last.at_m):
                last = _Stop(at_m, 0)
            stops[last].append(finding)
        return stops

    def before(self, at_m: float) -> int:
        """Count the closures that lie before a place."""
        return sum(closure.distance_m < at_m for closure in self.closures)

    def name(self, stop: _Stop) -> str:
        """Name a stop, with its distance from both ends."""
        names = ["A", *(_closure(c.number, c.name) for c in self.closures), "B"]
        if stop.number:
            own = [c.number for c in self.closures].index(stop.number)
            where = names[own + 1].replace("c", "C", 1)
            closure = self.closures[own]
            place = dict(self.survey.closures).get(closure.name) if self.survey else None
            if place is not None:
                is_named = closure.name not in (str(closure.number), place.name)
                where += "" if is_named or place.name == closure.name else f" ({place.name})"
                where += f", {place.marks}" if place.marks else ""
        else:
            before = self.before(stop.at_m)
            spot = self.survey and self.survey.at(stop.at_m, U_PLACE_M)
            if spot:
                return f"{spot.text[0].upper()}{spot.text[1:]}, {self.both_ways(stop.at_m)}"
            where = f"Between {names[before]} and {names[before + 1]}"
        return f"{where}, {self.both_ways(stop.at_m)}"

    def both_ways(self, at_m: float) -> str:
        """Say a distance from both ends."""
        from_a = f"{distance_text(at_m, km=True)} from A"
        if not self.length_m:
            return from_a
        return f"{from_a}, {distance_text(self.length_m - at_m, km=True)} from B"


def _closure(number: int, name: str) -> str:
    return f"closure {number}" if name == str(number) else f"closure {number} ({name})"


def _doings(review: CableReview, route: _Route, unseen: Set[int]) -> Iterator[tuple[_Stop, Doing]]:
    """Give what there is to do, and where."""
    listed: set[tuple[int, str]] = set()
    for unit in _units(review):
        if unit.cable != route.cable:
            continue
        listed |= {(failing.fibre, unit.closure) for failing in unit.failing}
        if unit.advised not in (Choice.MEASURE, Choice.CONCESSION):
            ribbon = None if unit.advised is Choice.SINGLE else unit.ribbon
            lacking = _lacking(ribbon, unit.fibres, review, unseen)
            for doing in _unit(unit, lacking):
                yield route.at(unit.closure_number), doing
    yield from _for_spans(review, route, unseen)
    due = [
        finding
        for finding in review.findings
        if finding.is_open
        and finding.cable == route.cable
        and is_visit(finding)
        and not set(fibres_of(finding))
        <= {fibre for fibre, closure in listed if closure and closure == finding.closure}
    ]
    for stop, findings in route.gathered(due).items():
        for code in dict.fromkeys(finding.code for finding in findings):
            own = [_without_closure(f) for f in findings if f.code == code]
            if code == "event-between-closures":
                yield stop, _between(own, review.rows, route)
                continue
            (said,) = gathered(own)
            yield stop, Doing(said.words, code, said.place, is_opened=code == "bend-suspected")
    yield from _over_and_to_look_at(review, route, listed)


def is_visit(finding: CableFinding) -> bool:
    """Whether somebody has to go to a place for it, and the place is known."""
    is_placed = finding.closure or finding.distance_m is not None
    return bool(is_placed) and cause_of(finding.code) is Cause.VISIT


def _without_closure(finding: CableFinding) -> CableFinding:
    """Return a finding as it is said below the heading of its own place."""
    return replace(finding, closure="", cable="", files=())


def _lacking(
    ribbon: int | None, fibres: Iterable[int], review: CableReview, unseen: Set[int]
) -> str:
    """Numbers of the fibres that are to be shot before a ribbon is cut; empty if all are in."""
    size = review.ribbon_size if ribbon is not None else None
    whole = range((ribbon or 0) * size - size + 1, (ribbon or 0) * size + 1) if size else ()
    return span_text([*unseen & {*fibres, *whole}])


def _unit(unit: Unit, lacking: str) -> Iterator[Doing]:
    """Say what is done with a ribbon, and for the sake of which fibres."""
    bent = [f for f in unit.failing if f.verdict.verdict is Verdict.BEND]
    cut = [f for f in unit.failing if f not in bent]
    if cut:
        numbers = span_text([f.fibre for f in cut])
        place = f" ({unit.place.said})" if unit.place.said else ""
        ribbon = f"{place}:" if place else ""
        ribbon = ribbon if unit.ribbon is None else f" ribbon {unit.ribbon}{place}:"
        verb = "re-splice" if unit.advised is Choice.REDO else unit.advised.value
        if unit.advised is Choice.SINGLE:
            verb = "re-splice alone, out of"
        first = f" (first shoot {lacking})" if lacking else ""
        where = ", ".join(filter(None, (unit.place.said, numbers)))
        short = numbers if unit.ribbon is None else f"{unit.ribbon} ({where})"
        yield Doing(
            f"{verb}{ribbon} {_failing(cut)}{first}",
            ("first shoot, then " if lacking else "")
            + verb
            + ("" if unit.ribbon is None else " ribbon"),
            short,
            is_opened=True,
            is_cut=True,
        )
    if bent:
        noun, pronoun = ("fibre", "its") if len(bent) == 1 else ("fibres", "their")
        fibres = ", ".join(f"{f.fibre} {f.colour}" for f in bent)
        tray = unit.place.said or f"{pronoun} tray"
        text = f"re-dress {noun} {fibres} in {tray} and shoot again, do not cut"
        yield Doing(text, "re-dress fibre", span_text([f.fibre for f in bent]), is_opened=True)


def _failing(failing: Sequence[FailingFibre]) -> str:
    """Name failing fibres: each with its colour and loss, of many the worst."""
    if len(failing) > _FIBRES_SHOWN:
        worst = max(failing, key=lambda f: f.loss_db or 0)
        fibres = span_text([f.fibre for f in failing])
        return f"fibres {fibres}; worst {_losses([worst])} at {worst.wavelength_nm} nm"
    by_nm: dict[int, list[FailingFibre]] = defaultdict(list)
    for one in failing:
        by_nm[one.wavelength_nm].append(one)
    noun = "fibre" if len(failing) == 1 else "fibres"
    return f"{noun} " + "; ".join(f"{_losses(own)} at {nm} nm" for nm, own in by_nm.items())


def _losses(failing: Sequence[FailingFibre]) -> str:
    known = [f"{f.fibre} {f.colour} {f.loss_db}" for f in failing if f.loss_db is not None]
    unknown = [f"{f.fibre} {f.colour} not measured" for f in failing if f.loss_db is None]
    return ", ".join([*([f"{', '.join(known)} dB"] if known else []), *unknown])


def _for_spans(
    review: CableReview, route: _Route, unseen: Set[int]
) -> Iterator[tuple[_Stop, Doing]]:
    """Ribbons that are remade for the sake of span rules alone."""
    redone = {(u.closure_number, u.ribbon) for u in _units(review) if u.advised is Choice.REDO}
    noun = "fibre" if review.ribbon_size is None else "ribbon"
    for own in review.plan.openings if review.plan is not None else ():
        if own.cable != route.cable:
            continue
        for number, ribbon in own.openings.remakes:
            if (number, ribbon) in redone:
                continue
            rows = [
                row
                for row in review.rows
                if (row.cable, row.closure_number) == (route.cable, number)
                and (row.fibre if review.ribbon_size is None else row.ribbon) == ribbon
                and row.loss_db is not None
            ]
            text = f"re-splice {noun} {ribbon}, for the rules of the whole fibre"
            if rows:
                worst = max(rows, key=lambda row: row.loss_db or 0.0)
                loss_db = reported(worst.loss_db or 0.0, Quantity.LOSS_DB)
                text += f"; worst {worst.fibre} {worst.colour} {loss_db} dB"
                text += f" at {worst.wavelength_nm} nm"
            if lacking := _lacking(ribbon, [row.fibre for row in rows], review, unseen):
                text += f" (first shoot {lacking})"
            short = f"{noun} {ribbon}"
            yield (
                route.at(number),
                Doing(text, "re-splice for spans", short, is_opened=True, is_cut=True),
            )


def _between(findings: Sequence[CableFinding], rows: Sequence[SpliceRow], route: _Route) -> Doing:
    """Say what lies between closures: fibres, loss, what it may be."""
    fibres = sorted({fibre for finding in findings for fibre in fibres_of(finding)})
    at_m = findings[0].distance_m or 0.0
    own = [
        row
        for row in rows
        if row.cable == route.cable
        and row.closure_number is None
        and row.fibre in fibres
        and abs(row.distance_m - at_m) <= _ONE_PLACE_M
    ]
    losses: dict[int, float] = {}
    for row in own:
        if row.loss_db is not None:
            losses[row.wavelength_nm] = max(row.loss_db, losses.get(row.wavelength_nm, -math.inf))
    figures = {str(reported(loss, Quantity.LOSS_DB)) for loss in losses.values()}
    shown = ", ".join(
        f"{reported(loss, Quantity.LOSS_DB)} dB at {nm} nm" for nm, loss in sorted(losses.items())
    )
    if len(figures) == 1:
        shown = f"{figures.pop()} dB at {wavelengths_text(sorted(losses))}"
    bent = any(row.bend_suspected for row in own)
    who = f"fibre {span_text(fibres)} {own[0].colour}" if own else f"fibre {span_text(fibres)}"
    if len(fibres) > 1:
        who, shown = f"fibres {span_text(fibres)}", f"up to {shown}"
    what = "bent or squeezed" if bent else "bend, damage or factory splice"
    return Doing(
        f"{who}, {shown or 'loss not measured'}: {what}?", "look at fibre", span_text(fibres)
    )


def _over_and_to_look_at(
    review: CableReview, route: _Route, listed: set[tuple[int, str]]
) -> Iterator[tuple[_Stop, Doing]]:
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
            doing = Doing(text, "look, do not cut, fibre", str(row.fibre))
            yield route.at(row.closure_number), doing
