"""What is said of a status: one sentence for each thing, with a key by which it is known again.

A thing whose sentence has changed is news; one whose sentence is as it was is not said twice,
not even after a restart.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import Enum
from typing import Any

from otdravg.cable.checks.notes import numbers_text
from otdravg.cable.files.attempts import Slot
from otdravg.cable.model import CableReview, Closure
from otdravg.cable.resplice.model import Choice
from otdravg.findings import Severity
from otdravg.quantities import Quantity, distance_text, reported
from otdravg.report.cable_details import finding_sentence
from otdravg.report.page import counted
from otdravg.shot.settings import Direction
from otdravg.trade import ribbon_position
from otdravg.verdict.limits import Rule
from otdravg.watch.status import (
    AGAIN,
    DUE,
    ENDS,
    INCOMPLETE,
    CableStatus,
    ClosureStatus,
    Hold,
    RibbonStatus,
    Splice,
    Stage,
)

__all__ = ["Event", "Kind", "events_of", "news_of", "progress_text", "ribbon_lines", "shoot_text"]


class Kind(Enum):
    """What an event is about, as ``--json`` names it."""

    RIBBON = "ribbon"  # how far a ribbon is at a closure
    CUT = "re-splice"  # an order to cut, proved from both ends
    OPEN = "keep-open"  # something asks for a shot or a hand before the closure is shut
    SHUT = "may-be-shut"  # every splice of a closure is proved
    BACK = "taken-back"  # what was said before does not stand any more
    LOOK = "look"  # a finding of the review
    PROGRESS = "progress"


#: What calls somebody: it is worth a bell, and is taken back in words when it no longer stands.
CALLS = frozenset({Kind.CUT, Kind.OPEN, Kind.SHUT})


#: Findings that ribbons and calls have in them already.
_SAID_OTHERWISE = DUE | AGAIN | {"bend-suspected"}


@dataclass(frozen=True, slots=True)
class Event:
    """One thing that is said."""

    kind: Kind
    key: str
    text: str
    values: Mapping[str, Any] = field(default_factory=dict)


def events_of(review: CableReview, status: Sequence[CableStatus]) -> tuple[Event, ...]:
    """Say everything that stands now, what is most urgent last: it is what stays on the screen."""
    events: list[Event] = []
    several = len(status) > 1
    for cable in status:
        name = f"cable {cable.cable or 'without a name'}, " if several else ""
        events += [_ribbon(r, name) for c in cable.closures for r in c.ribbons]
        if cable.misdated:
            events.append(_misdated(cable, name))
    events += [
        Event(Kind.LOOK, f"look|{f.cable}|{f.code}|{f.fibre}|{f.wavelength_nm}|{f.closure}|"
              f"{','.join(f.files)}", finding_sentence(f), {"code": f.code, "fibre": f.fibre})
        for f in review.findings
        if f.severity is not Severity.NOTE and f.code not in _SAID_OTHERWISE
    ]  # fmt: skip
    for cable in status:
        name = f"cable {cable.cable or 'without a name'}, " if several else ""
        events += [e for c in cable.closures for r in c.ribbons if (e := _call(r, name))]
        events += [
            _shut(c, cable, name, review.profile.rule) for c in cable.closures if c.hold is None
        ]
        events.append(
            Event(
                Kind.PROGRESS,
                f"progress|{cable.cable}",
                f"{name}{progress_text(cable)}",
                {
                    "cable": cable.cable,
                    "shots_in": len(cable.have),
                    "to_shoot": [[k.fibre, nm, ENDS[end]] for k, nm, end in cable.to_shoot],
                },
            )
        )
    return tuple(events)


def news_of(events: Sequence[Event], said: Mapping[str, str]) -> tuple[Event, ...]:
    """Return what has not been said yet, and what has to be taken back."""
    now = {event.key: event for event in events}
    back = []
    for key, text in said.items():
        kind = key.partition("|")[0]
        if kind not in {k.value for k in CALLS} or key in now:
            continue
        place = key.partition("|")[2]
        again = [e for e in events if e.kind in CALLS and e.key.partition("|")[2] == place]
        if not again:
            ribbon = now.get(f"{Kind.RIBBON.value}|{place}")
            why = f"; now: {ribbon.values['state']}" if ribbon else ""
            back.append(Event(Kind.BACK, key, f'no longer so: "{text}"{why}'))
    return (*(e for e in events if said.get(e.key) != e.text), *back)


def _place(cable: str, closure: Closure, unit: object = "") -> str:
    return f"{cable}|{closure.number}|{unit}"


def _unit_text(ribbon: RibbonStatus) -> str:
    fibres = f"{ribbon.fibres[0]} to {ribbon.fibres[-1]}"
    unit = f"fibre {ribbon.fibres[0]}" if ribbon.ribbon is None else f"ribbon {ribbon.ribbon}"
    where = ", ".join(filter(None, (unit, ribbon.place.said)))
    return where if ribbon.ribbon is None else f"{where} (fibres {fibres})"


def _ribbon(ribbon: RibbonStatus, name: str) -> Event:
    state = _state(ribbon)
    unit = ribbon.ribbon or ribbon.fibres[0]
    return Event(
        Kind.RIBBON,
        f"{Kind.RIBBON.value}|{_place(ribbon.cable, ribbon.closure, unit)}",
        f"{name}closure {ribbon.closure.number}, {_unit_text(ribbon)}: {state}",
        {
            "cable": ribbon.cable,
            "closure": ribbon.closure.number,
            "closure_name": ribbon.closure.name,
            "ribbon": ribbon.ribbon,
            "unit": unit,
            "state": state,
            "fibres": {str(s.fibre): s.stage.value for s in ribbon.splices},
            "complete": ribbon.is_complete,
        },
    )


def _state(ribbon: RibbonStatus) -> str:
    """How many splices are in which stage; numbers of fibres where they are few."""
    if not ribbon.splices:
        return "runs through uncut"
    parts = []
    for stage in (Stage.PROVED, *(s for s in Stage if s is not Stage.PROVED)):
        own = ribbon.in_stage(stage)
        if not own:
            continue
        which = "" if len(own) == len(ribbon.splices) else f" ({_few(own)})"
        parts.append(f"{len(own)} {stage.value}{'' if stage is Stage.PROVED else which}")
    return ", ".join(parts)


def _few(splices: Sequence[Splice]) -> str:
    return _numbers(s.fibre for s in splices)


def _numbers(numbers: Iterable[int]) -> str:
    """Write numbers to be read aloud: ``1 to 4, 7, 8``."""
    runs = [run.split("–") for run in numbers_text(numbers).split(", ") if run]
    return ", ".join(
        (", " if int(run[-1]) - int(run[0]) == 1 else " to ").join(run) for run in runs
    )


def _fibres(numbers: Iterable[int]) -> str:
    own = sorted(set(numbers))
    return f"fibre{'s' if len(own) > 1 else ''} {_numbers(own)}"


def _misdated(cable: CableStatus, name: str) -> Event:
    return Event(
        Kind.LOOK,
        f"look|{cable.cable}|misdated",
        f"{name}{_fibres(cable.misdated)}: a shot that came later is dated earlier than another; "
        "nothing is cut or cleared by that order: set the instrument's clock, put the new shots "
        "into a folder of their own and name it second",
        {"code": "misdated", "fibres": list(cable.misdated)},
    )


def _call(ribbon: RibbonStatus, name: str) -> Event | None:
    """The sentence to be read over the phone about a ribbon at a closure; None: nothing."""
    over = ribbon.in_stage(Stage.OVER)
    guessed = [s for s in ribbon.splices if s.stage in INCOMPLETE and _likely_over(s)]
    choice = None if ribbon.unit is None else ribbon.unit.advised
    to_come = [s for s in ribbon.splices if s.stage in INCOMPLETE]
    if over and choice is Choice.REDO and not to_come and ribbon.number_is_sure:
        return _said(Kind.CUT, ribbon, name, f"{_losses(over)}, re-splice; keep it open")
    if over:
        why = "over the limit from both ends; keep it open"
        if to_come:
            why += f", cut nothing before {_fibres(s.fibre for s in to_come)} "
            why += "are shot too" if len(to_come) > 1 else "is shot too"
        elif not ribbon.number_is_sure:
            why += ", cut nothing: more or fewer closures show than there are"
        elif choice is Choice.CONCESSION:
            why += f", ask before cutting: {ribbon.unit.because if ribbon.unit else ''}"
        else:
            why += ", measure again before cutting"
        return _said(Kind.OPEN, ribbon, name, f"{_losses(over)}, {why.rstrip('.')}")
    if bent := [s for s in ribbon.in_stage(Stage.CHECK) if s.why == "bend suspected"]:
        text = f"{_losses(bent)}, bend suspected; do not cut: dress it, shoot again, keep it open"
        return _said(Kind.OPEN, ribbon, name, text)
    if looked := [s for s in ribbon.in_stage(Stage.CHECK) if not s.in_doubt]:
        why = ", ".join(dict.fromkeys(s.why for s in looked))
        text = f"{_fibres(s.fibre for s in looked)}: {why}; keep it open"
        return _said(Kind.OPEN, ribbon, name, text)
    if guessed:
        text = "; ".join(_guess(s) for s in guessed)
        return _said(Kind.OPEN, ribbon, name, f"{text}; keep it open until it is proved")
    return None


def _said(kind: Kind, ribbon: RibbonStatus, name: str, text: str) -> Event:
    unit = ribbon.ribbon or ribbon.fibres[0]
    closure = ribbon.closure
    where = "" if closure.name == str(closure.number) else f"{closure.name}, "
    return Event(
        kind,
        f"{kind.value}|{_place(ribbon.cable, closure, unit)}",
        f"{name}closure {closure.number}, {_unit_text(ribbon)}: {text}",
        {
            "cable": ribbon.cable,
            "closure": closure.number,
            "where": f"{where}{distance_text(closure.distance_m, km=True)} from A",
            "ribbon": ribbon.ribbon,
            "fibres": [s.fibre for s in ribbon.in_stage(Stage.OVER)],
            "cut": kind is Kind.CUT,
        },
    )


def _likely_over(splice: Splice) -> bool:
    return splice.estimate is not None and splice.estimate.is_likely_over


def _losses(splices: Sequence[Splice]) -> str:
    return ", ".join(f"{s.fibre} {s.colour} {_loss(s)}" for s in splices)


def _loss(splice: Splice) -> str:
    """Two decimals, as they are read over the phone, unless they hide that it is over."""
    row = splice.row
    if row is None or row.loss_db is None:
        return "not measured"
    spoken, exact = round(row.loss_db, 2), reported(row.loss_db, Quantity.LOSS_DB)
    limit_db = row.verdict.limit_db
    hides = limit_db is not None and exact is not None and (spoken <= limit_db < exact)
    return f"{exact} dB" if hides else f"{spoken:.2f} dB"


def _guess(splice: Splice) -> str:
    guess = splice.estimate
    assert guess is not None
    other = "B" if guess.end == "A" else "A"
    return (
        f"{splice.fibre} {splice.colour} about {guess.loss_db:.2f} ± {guess.expanded_db:.2f} dB "
        f"by end {guess.end} alone, provisional; shoot it from {other}"
    )


def _shut(closure: ClosureStatus, cable: CableStatus, name: str, rule: Rule) -> Event:
    proved = sum(len(r.splices) for r in closure.ribbons)
    extra = (
        "" if not closure.through else f", {counted(closure.through, 'fibre')} run through uncut"
    )
    if closure.near_limit and rule is Rule.PLAIN:
        extra += f", {closure.near_limit} within by less than their uncertainty"
    return Event(
        Kind.SHUT,
        f"{Kind.SHUT.value}|{_place(cable.cable, closure.closure)}",
        f"{name}closure {closure.closure.number} may be shut: {counted(proved, 'splice')} proved "
        f"from both ends{extra}; bend check after closing still due",
        {"cable": cable.cable, "closure": closure.closure.number, "proved": proved},
    )


def progress_text(cable: CableStatus) -> str:
    """Say how far the shots are, by end, and what is to be shot next, in shooting order."""
    total = len(cable.fibres)
    if not cable.to_shoot:
        due = sum(c.hold is not None for c in cable.closures)
        rest = "" if cable.is_proved or not due else f"; not proved yet: {counted(due, 'closure')}"
        return f"all shots of {counted(total, 'fibre')} are in, from both ends{rest}" + _stated(
            cable
        )
    ends = [f"{ENDS[end]} end {_done(cable, end)}" for end in ENDS]
    return f"{'; '.join(ends)}. Next: {shoot_text(cable)}" + _stated(cable)


def _stated(cable: CableStatus) -> str:
    if any(c.hold is Hold.NOT_STATED for c in cable.closures):
        return ". No closure is said to be proved whole: state a job (--job)"
    if any(c.hold is Hold.OTHER_COUNT for c in cable.closures):
        shown = (
            f"{counted(len(cable.closures), 'closure')} and fibres up to {cable.fibres[-1]} show"
        )
        return f". {shown}, {cable.expected.closures} and {cable.expected.fibres} expected"
    if any(c.hold is Hold.FILES for c in cable.closures):
        return ". Nothing is said to be proved whole while files are in doubt: see above"
    return ""


def _done(cable: CableStatus, end: Direction) -> str:
    done = set(cable.done_fibres(end))
    total = len(cable.fibres)
    if len(done) == total:
        return "complete"
    ribbons: dict[int, list[int]] = defaultdict(list)
    for fibre in cable.fibres:
        ribbons[ribbon_position(fibre, cable.ribbon_size)[0] or fibre].append(fibre)
    whole = [ribbon for ribbon, own in ribbons.items() if set(own) <= done]
    if cable.ribbon_size and whole and len(done) == sum(len(ribbons[r]) for r in whole):
        noun = "ribbon" if len(whole) == 1 else "ribbons"
        return f"complete for {noun} {_numbers(whole)}"
    return f"{len(done)} of {total} fibres"


def shoot_text(cable: CableStatus, most: int = 4) -> str:
    """The shots that are still to be taken, in shooting order: where, and which fibres."""
    steps: list[tuple[Direction, int, list[Slot]]] = []
    for slot in cable.to_shoot:
        number = cable.called(slot[0].fibre, slot[2])
        ribbon = ribbon_position(number, cable.ribbon_size)[0] or 0
        if not steps or steps[-1][:2] != (slot[2], ribbon):
            steps.append((slot[2], ribbon, []))
        steps[-1][2].append(slot)
    parts = []
    for end, ribbon, slots in steps[:most]:
        nms = sorted({nm for _, nm, _ in slots})
        at = "" if tuple(nms) == cable.wavelengths_nm else f" at {' and '.join(map(str, nms))} nm"
        where = f"ribbon {ribbon} " if ribbon else ""
        fibres = _fibres(cable.called(key.fibre, end) for key, _, _ in slots)
        parts.append(f"{where}from {ENDS[end]} ({fibres}){at}")
    more = len(steps) - most
    rest = f", then {counted(more, 'more ribbon' if cable.ribbon_size else 'more step')}"
    return (
        f"{', '.join(parts)}{rest if more > 0 else ''}; {counted(len(cable.to_shoot), 'shot')} left"
    )


def ribbon_lines(events: Iterable[Event]) -> list[str]:
    """Put ribbons that are equally far into one line each, over closures and over ribbons."""
    own = [e for e in events if e.kind is Kind.RIBBON]
    by_state: dict[tuple[str, int, str], list[int]] = _grouped(
        own,
        lambda e: (e.values["cable"], e.values["unit"], e.values["state"]),
        lambda e: e.values["closure"],
    )
    joined: dict[tuple[str, tuple[int, ...], str, bool], list[int]] = defaultdict(list)
    single = {e.values["unit"] for e in own if e.values["ribbon"] is None}
    for (cable, unit, state), closures in by_state.items():
        joined[cable, tuple(closures), state, unit in single].append(unit)
    several = len({cable for cable, *_ in joined}) > 1
    lines = []
    for (cable, at_closures, state, loose), units in joined.items():
        name = f"cable {cable or 'without a name'}, " if several else ""
        at = f"closure{'s' if len(at_closures) > 1 else ''} {_numbers(at_closures)}"
        noun = f"{'fibre' if loose else 'ribbon'}{'s' if len(units) > 1 else ''}"
        lines.append(f"{name}{at}, {noun} {_numbers(units)}: {state}")
    return lines


def _grouped(
    events: Iterable[Event], key: Callable[[Event], Any], value: Callable[[Event], int]
) -> dict[Any, list[int]]:
    groups: dict[Hashable, list[int]] = defaultdict(list)
    for event in events:
        groups[key(event)].append(value(event))
    return groups
