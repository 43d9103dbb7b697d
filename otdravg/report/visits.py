"""What somebody has to go and do on a cable, place by place in the order of the route."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence, Set
from dataclasses import dataclass, field, replace
from statistics import median
from typing import NamedTuple

from otdravg.cable.lists.placing import U_PLACE_M, surveyed
from otdravg.cable.lists.route import Survey
from otdravg.cable.model import CableFinding, CableReview, Closure, ShotToTake, SpliceRow
from otdravg.cable.planned import TrayPlace
from otdravg.cable.resplice.model import Choice, FailingFibre, Unit
from otdravg.findings import says
from otdravg.quantities import Quantity, distance, reported
from otdravg.report.causes import (
    Cause,
    cause_of,
    fibres_of,
    gathered,
    wavelengths_text,
)
from otdravg.trade import numbers_text
from otdravg.verdict.decision import Action, Verdict
from otdravg.words.headings import Words

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
    words: Words = field(compare=False)
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
    kinds: dict[str, list[Doing]] = {}
    for doing in doings:
        kinds.setdefault(doing.kind, []).append(doing)
    return [f"{kind} {_first(own)}" for kind, own in kinds.items()]


def _first(doings: Sequence[Doing]) -> str:
    names = [doing.short for doing in doings]
    left = len(names) - _NAMED
    more = [doings[0].words.say("cable", "more", more=left)] if left > 0 else []
    return ", ".join([*names[:_NAMED], *more])


class _Stop(NamedTuple):
    """Where a visit goes to."""

    at_m: float  # from A
    number: int  # of the closure; 0 on the way


def visits_of(review: CableReview, due: Iterable[ShotToTake], words: Words) -> list[Visit]:
    """Gather what is to be done by closure, and by place on the way, in order from A.

    Nothing of a ribbon is cut before the shots of it that are ``due`` are in.
    """
    shots = tuple(due)
    visits = []
    for cable in review.cables:
        route = _Route.of(review, cable, words)
        unseen = {shot.fibre for shot in shots if shot.cable == cable}
        stops: dict[_Stop, list[Doing]] = defaultdict(list)
        for stop, doing in _doings(review, route, unseen):
            stops[stop].append(doing)
        named = cable or words.say("cable", "nameless")
        label = words.say("cable", "cable", name=named) if len(review.cables) > 1 else ""
        visits += [
            Visit(label, route.name(stop), tuple(own)) for stop, own in sorted(stops.items())
        ]
    return visits


def aside_of(review: CableReview, words: Words) -> Iterator[str]:
    """Say what failing ribbons ask for that opens no closure."""
    for unit in _units(review):
        if unit.advised not in (Choice.MEASURE, Choice.CONCESSION):
            continue
        parts = [_closure(unit.closure_number, unit.closure, words)]
        if len(review.cables) > 1:
            parts.insert(0, words.say("cable", "cable", name=unit.cable))
        if unit.ribbon is not None:
            parts.append(words.say("say", "at-ribbon", ribbon=unit.ribbon))
        key = "ask-concession" if unit.advised is Choice.CONCESSION else "average-longer"
        what = words.say("cable", key)
        yield f"{', '.join(parts)}: {_failing(unit.failing, words)}; {what}"


def _units(review: CableReview) -> tuple[Unit, ...]:
    return review.plan.units if review.plan is not None else ()


@dataclass(frozen=True, slots=True)
class _Route:
    """Closures of one cable, in order from A, its length and its sheath."""

    cable: str
    closures: tuple[Closure, ...]
    length_m: float
    to_b: Mapping[int, float]  # by closure: length of the fibres that pass it, branch or not
    survey: Survey | None  # sheath marks, where the job has a route
    words: Words

    @classmethod
    def of(cls, review: CableReview, cable: str, words: Words) -> _Route:
        closures = tuple(c for c in review.closures if c.cable == cable)
        lengths = {f.key.fibre: f.length_m for f in review.fibres if f.key.cable == cable}
        length_m = median(lengths.values() or [0.0])
        to_b = {
            c.number: median([lengths[f] for f in c.fibres if f in lengths] or [0.0])
            for c in closures
        }
        survey = surveyed(review.expected, cable, closures, review.fibres)
        return cls(cable, closures, length_m, to_b, survey, words)

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
        names = ["A", *(_closure(c.number, c.name, self.words) for c in self.closures), "B"]
        if stop.number:
            own = [c.number for c in self.closures].index(stop.number)
            closure = self.closures[own]
            place = dict(self.survey.closures).get(closure.name) if self.survey else None
            where = names[own + 1]
            if place is not None and closure.name == str(closure.number):
                where = _closure(closure.number, place.name, self.words)
            marks = []
            if closure.mark_in is not None:
                marks.append(says("mark-in", mark=closure.mark_in.text))
            if closure.mark_out is not None:
                marks.append(says("mark-out", mark=closure.mark_out.text))
            where = ", ".join([where, *map(self.words.told, marks)])
        else:
            before = self.before(stop.at_m)
            spot = self.survey and self.survey.at(stop.at_m, U_PLACE_M)
            where = (
                self.words.told(spot.said)
                if spot
                else self.words.say("cable", "between", a=names[before], b=names[before + 1])
            )
        length_m = self.to_b.get(stop.number, self.length_m)
        return f"{where[:1].upper()}{where[1:]}, {self.both_ways(stop.at_m, length_m)}"

    def both_ways(self, at_m: float, length_m: float) -> str:
        """Say a distance from both ends."""
        ends = [("A", at_m), *([("B", length_m - at_m)] if length_m else [])]
        return ", ".join(
            self.words.say("cable", "from", end=end, distance=distance(far_m, km=True))
            for end, far_m in ends
        )


def _closure(number: int, name: str, words: Words) -> str:
    shown = str(number) if name == str(number) else f"{number} ({name})"
    return words.say("say", "closure-named", name=shown)


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
            for doing in _unit(unit, lacking, route.words):
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
            # As they are said below the heading of their own place.
            own = [replace(f, closure="", cable="", files=()) for f in findings if f.code == code]
            if code == "event-between-closures":
                yield stop, _between(own, review.rows, route)
                continue
            (said,) = gathered(own, route.words)
            is_opened = code == "bend-suspected"
            yield stop, Doing(said.words, code, said.place, route.words, is_opened=is_opened)
    yield from _over_and_to_look_at(review, route, listed)


def is_visit(finding: CableFinding) -> bool:
    """Whether somebody has to go to a place for it, and the place is known."""
    is_placed = finding.closure or finding.distance_m is not None
    return bool(is_placed) and cause_of(finding.code) is Cause.VISIT


def _lacking(
    ribbon: int | None, fibres: Iterable[int], review: CableReview, unseen: Set[int]
) -> str:
    """Numbers of the fibres that are to be shot before a ribbon is cut; empty if all are in."""
    size = review.ribbon_size if ribbon is not None else None
    whole = range((ribbon or 0) * size - size + 1, (ribbon or 0) * size + 1) if size else ()
    return numbers_text(unseen & {*fibres, *whole})


def _unit(unit: Unit, lacking: str, words: Words) -> Iterator[Doing]:
    """Say what is done with a ribbon, and for the sake of which fibres."""
    bent = [f for f in unit.failing if f.verdict.verdict is Verdict.BEND]
    cut = [f for f in unit.failing if f not in bent]
    if cut:
        numbers = numbers_text(f.fibre for f in cut)
        is_alone = unit.advised is Choice.SINGLE
        key = "re-splice" if unit.ribbon is None else "re-splice-ribbon"
        place = f" ({tray})" if (tray := tray_text(unit.place, words)) else ""
        text = words.say(
            "cable", "re-splice-alone" if is_alone else key, ribbon=unit.ribbon, place=place,
            failing=_failing(cut, words),
        )  # fmt: skip
        kind = words.say("cable", "kind-alone" if is_alone else f"kind-{key}")
        if lacking:
            text += words.say("cable", "first-shoot", fibres=lacking)
            kind = words.say("cable", "kind-shoot-first", kind=kind)
        where = ", ".join(filter(None, (tray, numbers)))
        short = numbers if unit.ribbon is None else f"{unit.ribbon} ({where})"
        yield Doing(text, kind, short, words, is_opened=True, is_cut=True)
    if bent:
        fibres = ", ".join(f"{f.fibre} {words.cell('colour', f.colour)}" for f in bent)
        tray = tray_text(unit.place, words) or words.say(
            "cable", "its-tray" if len(bent) == 1 else "their-tray"
        )
        key = "re-dress" if len(bent) == 1 else "re-dress-all"
        text = words.say("cable", key, fibres=fibres, tray=tray)
        numbers = numbers_text(f.fibre for f in bent)
        yield Doing(text, words.say("cable", "kind-re-dress"), numbers, words, is_opened=True)


def tray_text(place: TrayPlace, words: Words) -> str:
    """Say where a splice lies in its closure: ``tube 1, tray 2``; empty without a splice plan."""
    return ", ".join(words.told(part) for part in place.said)


def _failing(failing: Sequence[FailingFibre], words: Words) -> str:
    """Name failing fibres: each with its colour and loss, of many the worst."""
    if len(failing) > _FIBRES_SHOWN:
        worst = max(failing, key=lambda f: f.loss_db or 0)
        return words.say(
            "cable", "failing-many", fibres=numbers_text(f.fibre for f in failing),
            worst=_losses([worst], words), at_nm=worst.wavelength_nm,
        )  # fmt: skip
    by_nm: dict[int, list[FailingFibre]] = defaultdict(list)
    for one in failing:
        by_nm[one.wavelength_nm].append(one)
    noun = words.say("cable", "fibre" if len(failing) == 1 else "fibres")
    parts = (
        words.say("cable", "losses-at", losses=_losses(own, words), at_nm=nm)
        for nm, own in by_nm.items()
    )
    return f"{noun} {'; '.join(parts)}"


def _losses(failing: Sequence[FailingFibre], words: Words) -> str:
    named = [(f"{f.fibre} {words.cell('colour', f.colour)}", f.loss_db) for f in failing]
    known = [f"{name} {words.decimal(loss_db)}" for name, loss_db in named if loss_db is not None]
    unknown = [
        words.say("cable", "unmeasured", name=name) for name, loss_db in named if loss_db is None
    ]
    return ", ".join([*([f"{', '.join(known)} dB"] if known else []), *unknown])


def _for_spans(
    review: CableReview, route: _Route, unseen: Set[int]
) -> Iterator[tuple[_Stop, Doing]]:
    """Ribbons that are remade for the sake of span rules alone."""
    words = route.words
    redone = {(u.closure_number, u.ribbon) for u in _units(review) if u.advised is Choice.REDO}
    noun = words.say("cable", "fibre" if review.ribbon_size is None else "ribbon")
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
            short = f"{noun} {ribbon}"
            text = words.say("cable", "for-spans", what=short)
            if rows:
                worst = max(rows, key=lambda row: row.loss_db or 0.0)
                text += words.say(
                    "cable", "worst", fibre=worst.fibre, at_nm=worst.wavelength_nm,
                    colour=words.cell("colour", worst.colour), loss_db=worst.loss_db,
                )  # fmt: skip
            if lacking := _lacking(ribbon, [row.fibre for row in rows], review, unseen):
                text += words.say("cable", "first-shoot", fibres=lacking)
            kind = words.say("cable", "kind-for-spans")
            yield route.at(number), Doing(text, kind, short, words, is_opened=True, is_cut=True)


def _between(findings: Sequence[CableFinding], rows: Sequence[SpliceRow], route: _Route) -> Doing:
    """Say what lies between closures: fibres, loss, what it may be."""
    words = route.words
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
    shown = {nm: f"{words.decimal(reported(db, Quantity.LOSS_DB))} dB" for nm, db in losses.items()}
    by_loss: dict[str, list[int]] = defaultdict(list)
    for nm, figure in sorted(shown.items()):
        by_loss[figure].append(nm)
    loss = ", ".join(
        figure + words.say("cable", "at", wavelengths=wavelengths_text(nm, words))
        for figure, nm in by_loss.items()
    ) or words.say("cable", "loss-unknown")
    numbers = numbers_text(fibres)
    who = f"{words.say('cable', 'fibre' if len(fibres) == 1 else 'fibres')} {numbers}"
    if len(fibres) > 1:
        loss = words.say("cable", "up-to", loss=loss)
    elif own:
        who += f" {words.cell('colour', own[0].colour)}"
    bent = any(row.bend_suspected for row in own)
    what = words.say("cable", "maybe-bent" if bent else "maybe-damage")
    return Doing(f"{who}, {loss}: {what}", words.say("cable", "kind-look"), numbers, words)


def _over_and_to_look_at(
    review: CableReview, route: _Route, listed: set[tuple[int, str]]
) -> Iterator[tuple[_Stop, Doing]]:
    """Name what is over its limit at a closure and yet nothing to remake: no work list has it."""
    words = route.words
    for row in review.rows:
        if (
            row.cable == route.cable
            and row.closure_number is not None
            and row.verdict.verdict is Verdict.OVER
            and row.verdict.action is Action.LOOK
            and (row.fibre, row.closure) not in listed
        ):
            listed.add((row.fibre, row.closure))
            text = words.say(
                "cable", "look-not-cut", fibre=row.fibre, at_nm=row.wavelength_nm,
                colour=words.cell("colour", row.colour), reason=row.verdict.reason,
            )  # fmt: skip
            kind = words.say("cable", "kind-look-not-cut")
            yield route.at(row.closure_number), Doing(text, kind, str(row.fibre), words)
