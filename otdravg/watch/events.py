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

from otdravg.cable.files.attempts import Slot
from otdravg.cable.model import CableReview, Closure
from otdravg.cable.resplice.model import Choice
from otdravg.findings import Severity, Value
from otdravg.quantities import Quantity, distance, reported
from otdravg.report.cable_details import finding_sentence
from otdravg.report.causes import wavelengths_text
from otdravg.report.visits import tray_text
from otdravg.shot.settings import Direction
from otdravg.trade import numbers_text, ribbon_position
from otdravg.verdict.decision import Verdict
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
from otdravg.words.headings import Words
from otdravg.words.statements import caution_statement


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
    gist: str = ""  # the sentence without what changes from shot to shot; empty: all of it counts

    @property
    def known_as(self) -> str:
        """What is compared with what was said: news is not that one more shot is in."""
        return self.gist or self.text


def events_of(
    review: CableReview, status: Sequence[CableStatus], words: Words
) -> tuple[Event, ...]:
    """Say everything that stands now, what is most urgent last: it is what stays on the screen."""
    events: list[Event] = []
    several = len(status) > 1
    for cable in status:
        name = _name(cable.cable, words) if several else ""
        events += [_ribbon(r, name, words) for c in cable.closures for r in c.ribbons]
        if cable.misdated:
            events.append(_misdated(cable, name, words))
    events += [
        Event(
            Kind.LOOK,
            f"look|{f.cable}|{f.code}|{f.fibre}|{f.wavelength_nm}|{f.closure}|{','.join(f.files)}",
            finding_sentence(f, words),
            {"code": f.code, "fibre": f.fibre},
        )
        for f in review.findings
        if f.severity is not Severity.NOTE and f.code not in _SAID_OTHERWISE
    ]
    for cable in status:
        name = _name(cable.cable, words) if several else ""
        ribbons = [r for c in cable.closures for r in c.ribbons]
        events += [e for r in ribbons if (e := _call(r, name, words))]
        events += [
            _shut(c, cable, name, review.profile.rule, words)
            for c in cable.closures
            if c.hold is None
        ]
        events.append(
            Event(
                Kind.PROGRESS,
                f"progress|{cable.cable}",
                f"{name}{progress_text(cable, words)}",
                {
                    "cable": cable.cable,
                    "shots_in": len(cable.have),
                    "to_shoot": [[k.fibre, nm, ENDS[end]] for k, nm, end in cable.to_shoot],
                },
            )
        )
    return tuple(events)


def news_of(events: Sequence[Event], said: Mapping[str, str], words: Words) -> tuple[Event, ...]:
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
            taken = words.say("watch", "taken-back", text=text)
            if ribbon:
                taken += words.say("watch", "now", state=ribbon.values["state"])
            back.append(Event(Kind.BACK, key, taken))
    return (*(e for e in events if said.get(e.key) != e.known_as), *back)


def _name(cable: str, words: Words) -> str:
    named = words.say("cable", "cable", name=cable or words.say("cable", "nameless"))
    return f"{named}, "


def _place(cable: str, closure: Closure, unit: object = "") -> str:
    return f"{cable}|{closure.number}|{unit}"


def _unit_text(ribbon: RibbonStatus, words: Words) -> str:
    place = tray_text(ribbon.place, words)
    fibres = _fibres(ribbon.fibres, words)
    if ribbon.ribbon is None:
        return ", ".join(filter(None, (fibres, place)))
    named = words.say("say", "at-ribbon", ribbon=ribbon.ribbon)
    return f"{', '.join(filter(None, (named, place)))} ({fibres})"


def _at(ribbon: RibbonStatus, name: str, text: str, words: Words) -> str:
    closure = words.say("say", "closure-named", name=str(ribbon.closure.number))
    return f"{name}{closure}, {_unit_text(ribbon, words)}: {text}"


def _ribbon(ribbon: RibbonStatus, name: str, words: Words) -> Event:
    state = _state(ribbon, words)
    unit = ribbon.unit_number
    return Event(
        Kind.RIBBON,
        f"{Kind.RIBBON.value}|{_place(ribbon.cable, ribbon.closure, unit)}",
        _at(ribbon, name, state, words),
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


def _state(ribbon: RibbonStatus, words: Words) -> str:
    """How many splices are in which stage; numbers of fibres where they are few."""
    if not ribbon.splices:
        return words.say("watch", "uncut")
    parts = []
    for stage in (Stage.PROVED, *(s for s in Stage if s is not Stage.PROVED)):
        own = ribbon.in_stage(stage)
        if not own:
            continue
        is_all = stage is Stage.PROVED or len(own) == len(ribbon.splices)
        which = "" if is_all else f" ({_numbers((s.fibre for s in own), words)})"
        parts.append(f"{len(own)} {words.value(stage.value)}{which}")
    return ", ".join(parts)


def _numbers(numbers: Iterable[int], words: Words) -> str:
    """Write numbers to be read aloud: ``1 to 4, 7, 8``."""
    runs = [run.split("–") for run in numbers_text(numbers).split(", ") if run]
    return ", ".join(
        ", ".join(run)
        if int(run[-1]) - int(run[0]) < 2
        else words.say("cable", "to", first=run[0], last=run[-1])
        for run in runs
    )


def _fibres(numbers: Iterable[int], words: Words) -> str:
    own = sorted(set(numbers))
    noun = words.say("cable", "fibre" if len(own) == 1 else "fibres")
    return f"{noun} {_numbers(own, words)}"


def _misdated(cable: CableStatus, name: str, words: Words) -> Event:
    fibres = _fibres(cable.misdated, words)
    return Event(
        Kind.LOOK,
        f"look|{cable.cable}|misdated",
        name + words.say("watch", "misdated", fibres=fibres),
        {"code": "misdated", "fibres": list(cable.misdated)},
    )


def _call(ribbon: RibbonStatus, name: str, words: Words) -> Event | None:
    """The sentence to be read over the phone about a ribbon at a closure; None: nothing."""
    over = ribbon.in_stage(Stage.OVER)
    guessed = [s for s in ribbon.splices if s.stage in INCOMPLETE and _likely_over(s)]
    to_come = [s.fibre for s in ribbon.splices if s.stage in INCOMPLETE]
    choice = None if ribbon.unit is None else ribbon.unit.advised

    def said(kind: Kind, key: str, gist: str = "", **named: Value) -> Event:
        return _said(kind, ribbon, name, words.say("watch", key, **named), gist, words)

    if over:
        losses = _losses(over, words)
        if choice is Choice.REDO and not to_come and ribbon.number_is_sure:
            return said(Kind.CUT, "cut", losses=losses)
        if to_come:
            key = "open-first-shoot" if len(to_come) == 1 else "open-first-shoot-all"
            gist = words.say("watch", "open-over", losses=losses)
            return said(Kind.OPEN, key, gist, losses=losses, fibres=_fibres(to_come, words))
        if not ribbon.number_is_sure:
            return said(Kind.OPEN, "open-number", losses=losses)
        if choice is Choice.CONCESSION and ribbon.unit:
            return said(Kind.OPEN, "open-ask", losses=losses, because=ribbon.unit.because)
        return said(Kind.OPEN, "open-again", losses=losses)
    if bent := [s for s in ribbon.in_stage(Stage.CHECK) if s.why == Verdict.BEND.value]:
        return said(Kind.OPEN, "open-bent", losses=_losses(bent, words))
    if looked := [s for s in ribbon.in_stage(Stage.CHECK) if not s.in_doubt]:
        why = ", ".join(words.value(own) for own in dict.fromkeys(s.why for s in looked))
        fibres = _fibres((s.fibre for s in looked), words)
        return said(Kind.OPEN, "open-look", fibres=fibres, why=why)
    if guessed:
        high = ", ".join(_coloured(s, words) for s in guessed)
        gist = words.say("watch", "open-guess", what=f"{high} {words.value(Stage.HIGH.value)}")
        what = "; ".join(_guess(s, words) for s in guessed)
        return said(Kind.OPEN, "open-guess", gist, what=what)
    return None


def _said(kind: Kind, ribbon: RibbonStatus, name: str, text: str, gist: str, words: Words) -> Event:
    closure = ribbon.closure
    at = distance(closure.distance_m, km=True)
    from_a = words.say("cable", "from", distance=at, end="A")
    where = "" if closure.name == str(closure.number) else f"{closure.name}, "
    return Event(
        kind,
        f"{kind.value}|{_place(ribbon.cable, closure, ribbon.unit_number)}",
        _at(ribbon, name, text, words),
        {
            "cable": ribbon.cable,
            "closure": closure.number,
            "where": f"{where}{from_a}",
            "ribbon": ribbon.ribbon,
            "fibres": [s.fibre for s in ribbon.in_stage(Stage.OVER)],
            "cut": kind is Kind.CUT,
            "caution": caution_statement(words.language) if kind is Kind.CUT else "",
            "bend": any(s.why == Verdict.BEND.value for s in ribbon.in_stage(Stage.CHECK)),
        },
        gist and _at(ribbon, name, gist, words),
    )


def _likely_over(splice: Splice) -> bool:
    return splice.estimate is not None and splice.estimate.is_likely_over


def _losses(splices: Sequence[Splice], words: Words) -> str:
    return ", ".join(f"{_coloured(s, words)} {_loss(s, words)}" for s in splices)


def _coloured(splice: Splice, words: Words) -> str:
    return f"{splice.fibre} {words.cell('colour', splice.colour)}"


def _loss(splice: Splice, words: Words) -> str:
    """Two decimals, as they are read over the phone, unless they hide that it is over."""
    row = splice.row
    if row is None or row.loss_db is None:
        return words.value(Verdict.NOT_MEASURED.value)
    spoken, exact = round(row.loss_db, 2), reported(row.loss_db, Quantity.LOSS_DB)
    limit_db = row.verdict.limit_db
    hides = limit_db is not None and exact is not None and (spoken <= limit_db < exact)
    return f"{words.decimal(exact if hides else f'{spoken:.2f}')} dB"


def _guess(splice: Splice, words: Words) -> str:
    guess = splice.estimate
    assert guess is not None
    return words.say(
        "watch", "guess", fibre=_coloured(splice, words), loss_db=guess.loss_db,
        expanded_db=guess.expanded_db, end=guess.end, other="B" if guess.end == "A" else "A",
    )  # fmt: skip


def _shut(closure: ClosureStatus, cable: CableStatus, name: str, rule: Rule, words: Words) -> Event:
    proved = sum(len(r.splices) for r in closure.ribbons)
    extra = ""
    if closure.through:
        extra += words.say("watch", "through", fibres=closure.through)
    if closure.near_limit and rule is Rule.PLAIN:
        extra += words.say("watch", "near-limit", splices=closure.near_limit)
    number = closure.closure.number
    text = words.say("watch", "shut", closure=number, splices=proved, extra=extra)
    return Event(
        Kind.SHUT,
        f"{Kind.SHUT.value}|{_place(cable.cable, closure.closure)}",
        name + text,
        {"cable": cable.cable, "closure": number, "proved": proved},
    )


def progress_text(cable: CableStatus, words: Words) -> str:
    """Say how far the shots are, by end, and what is to be shot next, in shooting order."""
    if not cable.to_shoot:
        due = sum(c.hold is not None for c in cable.closures)
        text = words.say("watch", "all-in", fibres=len(cable.fibres))
        if due and not cable.is_proved:
            text += words.say("watch", "not-proved", closures=due)
        return text + _stated(cable, words)
    ends = [words.say("watch", "end", end=ENDS[end], how=_done(cable, end, words)) for end in ENDS]
    what = shoot_text(cable, words)
    return words.say("watch", "next", ends="; ".join(ends), what=what) + _stated(cable, words)


def _stated(cable: CableStatus, words: Words) -> str:
    if any(c.hold is Hold.NOT_STATED for c in cable.closures):
        return words.say("watch", "hold-not-stated")
    if any(c.hold is Hold.OTHER_COUNT for c in cable.closures):
        return words.say(
            "watch", "hold-other-count", closures=len(cable.closures), fibres=cable.fibres[-1],
            wanted=cable.expected.closures, wanted_fibres=cable.expected.fibres,
        )  # fmt: skip
    if any(c.hold is Hold.FILES for c in cable.closures):
        return words.say("watch", "hold-files")
    return ""


def _done(cable: CableStatus, end: Direction, words: Words) -> str:
    done = set(cable.done_fibres(end))
    total = len(cable.fibres)
    if len(done) == total:
        return words.say("watch", "complete")
    ribbons: dict[int, list[int]] = defaultdict(list)
    for fibre in cable.fibres:
        ribbons[ribbon_position(fibre, cable.ribbon_size)[0] or fibre].append(fibre)
    whole = [ribbon for ribbon, own in ribbons.items() if set(own) <= done]
    if cable.ribbon_size and whole and len(done) == sum(len(ribbons[r]) for r in whole):
        key = "complete-ribbon" if len(whole) == 1 else "complete-ribbons"
        return words.say("watch", key, ribbons=_numbers(whole, words))
    return words.say("watch", "some-done", done=len(done), total=total)


def shoot_text(cable: CableStatus, words: Words, most: int = 4) -> str:
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
        at = ""
        if tuple(nms) != cable.wavelengths_nm:
            at = words.say("cable", "at", wavelengths=wavelengths_text(nms, words))
        fibres = _fibres((cable.called(key.fibre, end) for key, _, _ in slots), words)
        key = "step-ribbon" if ribbon else "step"
        parts.append(words.say("watch", key, ribbon=ribbon, end=ENDS[end], fibres=fibres) + at)
    if (more := len(steps) - most) > 0:
        key = "more-ribbons" if cable.ribbon_size else "more-steps"
        parts.append(words.say("watch", key, more=more))
    return words.say("watch", "left", what=", ".join(parts), shots=len(cable.to_shoot))


def ribbon_lines(events: Iterable[Event], words: Words) -> list[str]:
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
    for (cable, closures_at, state, loose), units in joined.items():
        name = _name(cable, words) if several else ""
        at = words.say(
            "watch", "closure" if len(closures_at) == 1 else "closures",
            numbers=_numbers(closures_at, words),
        )  # fmt: skip
        if loose:
            which = _fibres(units, words)
        else:
            key = "ribbon-only" if len(units) == 1 else "ribbons"
            which = words.say("watch", key, ribbons=_numbers(units, words))
        lines.append(f"{name}{at}, {which}: {state}")
    return lines


def _grouped(
    events: Iterable[Event], key: Callable[[Event], Any], value: Callable[[Event], int]
) -> dict[Any, list[int]]:
    groups: dict[Hashable, list[int]] = defaultdict(list)
    for event in events:
        groups[key(event)].append(value(event))
    return groups
