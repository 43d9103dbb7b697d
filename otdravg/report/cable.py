"""The first screen of a cable review: the verdict, what to do, where the tables lie."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from enum import Enum
from itertools import groupby

from otdravg.cable.checks.missing import in_shooting_order, shots_in
from otdravg.cable.checks.states import NOT_ONE_STATE
from otdravg.cable.files.names import same_text
from otdravg.cable.model import (
    CableFinding,
    CableReview,
    FibreKey,
    Proof,
    ShotToTake,
    SpliceRow,
)
from otdravg.findings import Severity
from otdravg.fit.reading import Kind
from otdravg.report.cable_details import add_details
from otdravg.report.causes import (
    Cause,
    cause_of,
    fibres_of,
    gathered,
    wavelengths_text,
)
from otdravg.report.job import remaining
from otdravg.report.page import COLUMNS, Page, Tone
from otdravg.report.visits import Visit, aside_of, is_visit, visits_of
from otdravg.shot.settings import Direction
from otdravg.tables.deliveries import compared
from otdravg.tables.wholes import UNJUDGED
from otdravg.trade import numbers_text
from otdravg.verdict.decision import Verdict
from otdravg.verdict.limits import Rule
from otdravg.words.catalogue import Language, told
from otdravg.words.headings import Words

#: Lines of the first screen at the most: what a terminal of a usual height shows at once, with
#: the command above it (chosen).
_MOST_LINES = 40


_ALL = 10**9


class _Word(Enum):
    """The verdict of the whole in one word; what has to be done first decides."""

    CHECK = "check"  # a doubt has to be settled before anything else
    OPEN = "open"  # somebody has to go to a closure
    SHOOT = "shoot"  # shots are missing
    LOOK = "look"  # something asks for a look or a letter
    CLEAR = "clear"


_TONES = {
    _Word.CHECK: Tone.LOOK,
    _Word.OPEN: Tone.BAD,
    _Word.SHOOT: Tone.LOOK,
    _Word.LOOK: Tone.LOOK,
    _Word.CLEAR: Tone.GOOD,
}


@dataclass(frozen=True, slots=True)
class _Item:
    """One thing to do: a line of its own, lines that stand below it, and shorter ways to say it."""

    line: str
    below: tuple[str, ...] = ()
    orders: str = ""  # in one line, with all that a cut needs
    short: str = ""  # in a few words
    cable: str = ""  # "cable NAME" where there are several; the line has it, the others not

    @property
    def in_orders(self) -> _Item:
        """The same in one line."""
        return replace(self, line=self.orders, below=())


@dataclass(frozen=True, slots=True)
class _Section:
    """One heading of the screen with its items; ``table`` has them all.

    Of the items the first ``full`` are written in full and the others in a few words each: each
    on a line of its own, or run together. Items without such words, and those behind ``named``,
    are only counted.
    """

    heading: str
    table: str
    items: tuple[_Item, ...]
    full: int = _ALL
    named: int = _ALL
    is_list: bool = False

    def add_to(self, page: Page, words: Words, *, spaced: bool) -> None:
        """Write it; nothing without items."""
        if not self.items:
            return
        if spaced:
            page.line()
        page.line(self.heading)
        rest = self.items[self.full :]
        named = [one for one in rest[: self.named] if one.short]
        more = len(rest) - len(named)
        shown = [*self.items[: self.full]]
        if self.is_list:
            shown += [replace(one, line=one.short, below=()) for one in named]
        for cable, items in groupby(shown, key=lambda one: one.cable):
            if self.is_list and cable:
                page.line(cable[:1].upper() + cable[1:])
            for item in items:
                page.bullet(item.line)
                for line in item.below:
                    page.bullet(line, indent=2)
        if named and not self.is_list:
            texts = []
            for cable, items in groupby(named, key=lambda one: one.cable):
                label = f"{cable}: " if cable else ""
                texts.append(label + "; ".join(item.short for item in items))
            page.bullet(words.say("cable", "see", what="; ".join(texts), table=self.table))
        if more > 0:
            what = words.say("cable", "more", more=more)
            page.bullet(words.say("cable", "see", what=what, table=self.table))


def _section(heading: str, table: str, items: Sequence[_Item]) -> _Section:
    return _Section(heading, table, tuple(items))


@dataclass(frozen=True, slots=True)
class _ToDo:
    """What a review asks for, by section, in the order of the screen."""

    settle: _Section
    shoot: _Section
    visit: _Section
    look: _Section
    shots: int  # to take
    is_spaced: bool = True
    is_opened: bool = False  # something in a closure is cut or re-dressed

    @property
    def sections(self) -> tuple[_Section, ...]:
        """All of them."""
        return self.settle, self.shoot, self.visit, self.look

    def at(self, level: _Level) -> _ToDo:
        """Return it as long as a level allows."""
        return replace(
            self,
            settle=replace(self.settle, full=level.settle, named=level.named),
            visit=replace(
                self.visit,
                items=tuple(one.in_orders for one in self.visit.items)
                if level.is_in_orders
                else self.visit.items,
                full=level.visit,
                named=level.visits_named,
            ),
            look=replace(self.look, full=level.look, named=level.named),
            is_spaced=level.is_spaced,
        )


@dataclass(frozen=True, slots=True)
class _Level:
    """How many items are written in full, and how many of the others are named."""

    settle: int = _ALL
    visit: int = _ALL
    look: int = _ALL
    is_spaced: bool = False
    named: int = _ALL
    visits_named: int = _ALL
    is_in_orders: bool = False  # each visit in one line, what is not cut in a few words


#: From the longest screen to the shortest: what matters least is shortened first.
_LEVELS = (
    _Level(is_spaced=True),
    _Level(look=0, is_spaced=True),
    _Level(look=0),
    *(_Level(settle=full, look=0) for full in (8, 6)),
    *(_Level(settle=full, look=0, is_in_orders=True) for full in (8, 6, 4, 3, 2, 1, 0)),
    *(_Level(settle=0, visit=full, look=0, is_in_orders=True) for full in (8, 6, 4, 2)),
    _Level(settle=0, visit=0, look=0),
    *(_Level(settle=0, visit=0, look=0, named=12, visits_named=n) for n in range(12, 5, -1)),
    _Level(settle=0, visit=0, look=0, named=6, visits_named=4),
)


def cable_text(
    review: CableReview,
    *,
    ascii_only: bool = False,
    colour: bool = False,
    columns: int = COLUMNS,
    details: bool = False,
    tables: str = "",
    more: str = "--details",
    language: Language = Language.ENGLISH,
) -> str:
    """Write the first screen of a review.

    Parameters
    ----------
    review : CableReview
    ascii_only : bool
        Spell arrows and plus-minus in ASCII.
    colour : bool
        Tint the verdict; its word says the same without it.
    columns : int
        Width of the terminal, 80 at least.
    details : bool
        Add the table of closures, every finding with its evidence, the work list with its odds,
        and patterns.
    tables : str
        Where the tables lie.
    more : str
        What shows the details.
    language : Language
    """
    words = Words(language)
    to_do = _to_do(review, words)
    head = _head(review, to_do, words)
    tail = _tail(review, tables, words, "" if details else more)
    page = Page(ascii_only=ascii_only, colour=colour, columns=columns)
    for level in _LEVELS:
        page = Page(ascii_only=ascii_only, colour=colour, columns=columns)
        _add_all(page, head, to_do.at(level), tail, words)
        if details:
            add_details(page, review, words)
        if details or page.text().count("\n") <= _MOST_LINES:
            break
    return page.text()


_Entry = tuple[str, str, Tone | None]


def _add_all(page: Page, head: Sequence[_Entry], to_do: _ToDo, tail: _Entry, words: Words) -> None:
    for label, text, tone in head:
        page.entry(label, text, tone)
    for section in to_do.sections:
        section.add_to(page, words, spaced=to_do.is_spaced)
    if to_do.is_spaced and any(section.items for section in to_do.sections):
        page.line()
    page.entry(*tail)


def _head(review: CableReview, to_do: _ToDo, words: Words) -> list[_Entry]:
    """The verdict of the whole, and what is there of what was expected."""
    word, text = _headline(review, to_do, words)
    head: list[_Entry] = [(words.say("cable", word.value), text, _TONES[word])]
    entries = []
    if word is not _Word.CLEAR:
        entries += [
            ("label-fibres", _fibres(review, words)),
            ("label-splices", _Counts.of(review).text(words)),
            *(("label-ends", text) for text in _ends(review, words)),
        ]
    if word is not _Word.CLEAR or review.profile.is_default:
        if review.profile.stage.is_building:
            entries.append(("label-proved", _proofs(review, words)))
        entries.append(("label-limit", _limits(review, words)))
    if review.decisions:
        text = words.say(
            "cable", "decisions", count=len(review.decisions), seal=review.decisions_seal
        )
        entries.append(("label-decisions", text))
    known = gathered([f for f in review.findings if f.acknowledged], words)
    if known:
        text = words.say("cable", "settled", what="; ".join(said.short for said in known))
        entries.append(("label-settled", text))
    if text := compared(review, words):
        entries.append(("label-compared", text))
    return [*head, *((words.say("cable", label), text, None) for label, text in entries)]


def _ends(review: CableReview, words: Words) -> list[str]:
    """Which end is A, of each cable whose headers name one: distances are from there."""
    several = len(review.cables) > 1
    named = [(cable, *review.end_names(cable)) for cable in review.cables]
    return [
        (f"{cable}: " if several else "") + words.say("cable", "ends", a=a or "?", b=b or "?")
        for cable, a, b in named
        if a or b
    ]


def _tail(review: CableReview, tables: str, words: Words, more: str) -> _Entry:
    """Where the rest stands."""
    notes = sum(finding.severity is Severity.NOTE for finding in review.findings)
    parts = [tables or words.say("cable", "not-written")]
    if notes:
        parts.append(words.say("cable", "notes", notes=notes))
    if more:
        parts.append(more)
    return words.say("cable", "label-tables"), "; ".join(parts), None


def _to_do(review: CableReview, words: Words) -> _ToDo:
    several = len(review.cables) > 1
    grave = [f for f in review.findings if f.is_open]
    by_cause: dict[Cause, list[CableFinding]] = {cause: [] for cause in Cause}
    for finding in grave:
        by_cause[cause_of(finding.code)].append(finding)
    doubts = [f for cause in Cause if cause < Cause.SHOOT for f in by_cause[cause]]
    # Without a cable there is no route to place it on.
    doubts += [f for f in by_cause[Cause.VISIT] if f.cable not in review.cables]
    unplaced = [f for f in by_cause[Cause.VISIT] if f.cable in review.cables and not is_visit(f)]
    settle = [*_said(doubts, words, several), *_unexplained(review, grave, words)]
    due = sorted({*review.to_take, *_to_take_again(review)}, key=in_shooting_order)
    shoot = [
        _Item(words.say("cable", "shoot-from", end=end, what=text))
        for end, text in remaining(
            due, review.expected.ends, words, several=several, at_b=review.numbers_at_b
        )
    ]
    look = [
        *_said([*unplaced, *by_cause[Cause.LOOK]], words, several),
        *map(_Item, aside_of(review, words)),
    ]
    visits = visits_of(review, due, words)
    return _ToDo(
        _section(words.say("cable", "settle-first"), "findings.csv", settle),
        _section(words.say("cable", "missing"), "findings.csv", shoot),
        replace(
            _section(words.say("cable", "go-to"), "resplice.csv", [_visit(v) for v in visits]),
            is_list=True,
        ),
        _section(words.say("cable", "look-at"), "findings.csv", look),
        shots=len(due),
        is_opened=any(visit.is_opened for visit in visits),
    )


def _to_take_again(review: CableReview) -> Iterator[ShotToTake]:
    """Shots that are there and do not show the splices as they are now."""
    seen = sorted({fibre.wavelength_nm for fibre in review.fibres})
    for finding in review.findings:
        if finding.code not in NOT_ONE_STATE:
            continue
        wavelengths_nm = seen if finding.wavelength_nm is None else [finding.wavelength_nm]
        for direction in (Direction.A_TO_B, Direction.B_TO_A):
            if direction.value in finding.direction:
                for fibre in fibres_of(finding):
                    yield from (
                        ShotToTake(finding.cable, fibre, direction, nm) for nm in wavelengths_nm
                    )


def _visit(visit: Visit) -> _Item:
    if len(visit.doings) == 1:
        line = f"{visit.where}: {visit.doings[0].text}"
        return _Item(line, (), visit.orders, visit.short, visit.cable)
    texts = tuple(doing.text for doing in visit.doings)
    return _Item(visit.where, texts, visit.orders, visit.short, visit.cable)


def _said(findings: Sequence[CableFinding], words: Words, several: bool) -> list[_Item]:
    own = gathered(findings, words, several=several)
    return [_Item(said.text, short=said.short, cable=said.cable) for said in own]


#: What leaves splices of a fibre without a verdict.
_WHY_UNJUDGED = (Cause.IDENTITY, Cause.FILE, Cause.SHOOT, Cause.VISIT)


def _unexplained(review: CableReview, grave: Iterable[CableFinding], words: Words) -> list[_Item]:
    """Name what needs work and stands nowhere else: splices by verdict, fibres by span rule."""
    known = {
        (finding.cable, fibre)
        for finding in grave
        if cause_of(finding.code) in _WHY_UNJUDGED
        for fibre in fibres_of(finding)
    }
    known |= {(shot.cable, shot.fibre) for shot in review.to_take}
    units = review.plan.units if review.plan is not None else ()
    known |= {(unit.cable, failing.fibre) for unit in units for failing in unit.failing}
    rows: dict[Verdict, list[SpliceRow]] = {}
    for row in review.rows:
        is_visited = row.verdict.verdict is Verdict.OVER and row.closure_number is not None
        if row.verdict.needs_work and not is_visited and (row.cable, row.fibre) not in known:
            rows.setdefault(row.verdict.verdict, []).append(row)
    lines = []
    for verdict, own in rows.items():
        fibres, word = numbers_text(row.fibre for row in own), words.value(verdict.value)
        text = words.say(
            "cable", "by-verdict", fibres=fibres, verdict=word, splices=len(own),
            action=words.value(own[0].verdict.action.value),
        )  # fmt: skip
        lines.append(_Item(text, short=f"{word} ({fibres})"))
    return lines


def _headline(review: CableReview, to_do: _ToDo, words: Words) -> tuple[_Word, str]:
    """The verdict of the whole: one word, and what there is to do."""
    nameless = words.say("cable", "nameless")
    names = ", ".join(name or nameless for name in review.cables)
    several = len(review.cables) > 1
    which = "cables" if several else "cable" if names else "cable-unknown"
    cable = words.say("cable", which, name=names)
    if not review.needs_work and not any(section.items for section in to_do.sections):
        counts = _Counts.of(review)
        if not counts.there:
            return _Word.LOOK, words.say("cable", "no-splice", cable=cable)
        if counts.unjudged:
            return _Word.LOOK, words.say(
                "cable", "unjudged", cable=cable, some=counts.unjudged, splices=counts.expected
            )
        return _Word.CLEAR, f"{names}: {_all_clear(review, words)}"
    opened = _Word.OPEN if to_do.is_opened else _Word.LOOK
    parts = [
        (_Word.CHECK, len(to_do.settle.items), "to-settle"),
        (opened, len(to_do.visit.items), "to-visit"),
        (_Word.SHOOT, to_do.shots, "to-shoot"),
        (_Word.LOOK, len(to_do.look.items), "to-look"),
    ]
    there = [(word, words.say("cable", key, count=n)) for word, n, key in parts if n]
    if not there:
        return _Word.CHECK, words.say("cable", "not-clear", cable=cable)
    only = [word for word, _ in there] == [_Word.SHOOT]
    text = f"{cable}: {', '.join(text for _, text in there)}"
    return there[0][0], text + (words.say("cable", "nothing-wrong") if only else "")


def _all_clear(review: CableReview, words: Words) -> str:
    """What was expected and is there, in so many words as one line has room for."""
    here, _, _ = _expected(review)
    profile = review.profile
    name = "" if profile.is_default else f" ({profile.name}{_guard(review, words)})"
    return words.say(
        "cable", "all-clear", fibres=len(here), splices=_Counts.of(review).expected,
        limit=_figures(review, words),
    ) + name  # fmt: skip


def _expected(review: CableReview) -> tuple[set[FibreKey], set[FibreKey], tuple[int, ...]]:
    """Fibres that are in, fibres that should be, and wavelengths that should be."""
    own = review.expected
    here = {
        key
        for key in shots_in(review.shots)
        if not (own.cable and key.cable) or same_text(key.cable) == same_text(own.cable)
    }
    wanted = here | {FibreKey(shot.cable, shot.fibre) for shot in review.to_take}
    seen = {f.wavelength_nm for f in review.fibres} | {s.wavelength_nm for s in review.to_take}
    wavelengths_nm = own.wavelengths_nm or tuple(sorted(seen))
    return here, wanted, wavelengths_nm


def _fibres(review: CableReview, words: Words) -> str:
    here, wanted, wavelengths_nm = _expected(review)
    if not wanted:
        return words.say("cable", "none")
    measured = {(f.key, f.wavelength_nm) for f in review.fibres}
    both = sum(all((key, nm) in measured for nm in wavelengths_nm) for key in here)
    at = ""
    if wavelengths_nm:
        at = words.say("cable", "at", wavelengths=wavelengths_text(wavelengths_nm, words))
    if len(here) == len(wanted) == both:
        return words.say("cable", "all-fibres", fibres=both) + at
    return words.say("cable", "some-fibres", here=len(here), wanted=len(wanted), both=both) + at


@dataclass(frozen=True, slots=True)
class _Counts:
    """Splices at closures, beside what was expected."""

    there: int
    expected: int
    unjudged: int  # those included that are not there
    measured: int
    verdicts: Counter[Verdict]

    @classmethod
    def of(cls, review: CableReview) -> _Counts:
        """Count; a connector counts only if a rule judges it."""
        rows = [
            row
            for row in review.rows
            if row.closure_number is not None
            and (row.kind is not Kind.CONNECTOR or row.verdict.verdict is not Verdict.NOT_JUDGED)
        ]
        panels = sum(row.closure_number is not None for row in review.rows) - len(rows)
        _, wanted, wavelengths_nm = _expected(review)
        mapped = {FibreKey(c.cable, fibre) for c in review.closures for fibre in c.fibres}
        absent = Counter(key.cable for key in wanted - mapped)
        expected = len(wavelengths_nm) * sum(
            len(closure.fibres) + absent[closure.cable] for closure in review.closures
        )
        expected = max(expected - panels, len(rows))
        verdicts = Counter(row.verdict.verdict for row in rows)
        unjudged = sum(verdicts[v] for v in UNJUDGED) + expected - len(rows)
        measured = sum(row.loss_db is not None for row in rows)
        return cls(len(rows), expected, unjudged, measured, verdicts)

    def text(self, words: Words) -> str:
        """In words; short where all is as it should be."""
        if not self.expected:
            return words.say("cable", "none")
        if self.verdicts[Verdict.WITHIN] == self.expected:
            return words.say("cable", "all-within", splices=self.expected)
        own = [v for v in Verdict if self.verdicts[v] and v not in UNJUDGED]
        parts = [f"{self.verdicts[v]} {words.value(v.value)}" for v in own]
        if self.unjudged:
            parts.append(words.say("cable", "not-judged", count=self.unjudged))
        if self.there and not self.measured:
            parts.append(words.say("cable", "none-both"))
        verdicts = ", ".join(parts) or words.say("cable", "none")
        return words.say(
            "cable", "counts", there=self.there, expected=self.expected, verdicts=verdicts
        )


def _proofs(review: CableReview, words: Words) -> str:
    """Say how many splices under construction are proved how far, what is proved most first."""
    counts = Counter(row.proof for row in review.rows if row.closure_number is not None)
    parts = [f"{counts[p]} {words.value(p.value)}" for p in reversed(tuple(Proof)) if counts[p]]
    built = [told(f.evidence, words.language) for f in review.findings if f.code == "built-so-far"]
    return "; ".join([", ".join(parts), *built])


def _limits(review: CableReview, words: Words) -> str:
    """Say by which limits the splices were judged, as the rows hold them."""
    profile = review.profile
    name = words.say("cable", "default") if profile.is_default else words.say(
        "cable", "profile", name=profile.name, stage=profile.stage.name
    )  # fmt: skip
    figures = _figures(review, words)
    limit = f"{figures} dB" if figures else words.say("cable", "no-limit")
    return f"{limit} ({name}{_guard(review, words)})"


def _guard(review: CableReview, words: Words) -> str:
    """Say that the rule is guarded, and what its guard leaves out; empty under the plain rule."""
    if review.profile.rule is not Rule.GUARDED:
        return ""
    is_partly = any(f.code == "linearity-unstated" for f in review.findings)
    return words.say("cable", "guarded-partly" if is_partly else "guarded")


def _figures(review: CableReview, words: Words) -> str:
    """The lowest and the highest limit that any row was judged by; empty without one."""
    limits = sorted({r.verdict.limit_db for r in review.rows if r.verdict.limit_db is not None})
    first, *last = map(words.decimal, dict.fromkeys(limits[:1] + limits[-1:])) if limits else ("",)
    return words.say("cable", "to", first=first, last=last[0]) if last else first
