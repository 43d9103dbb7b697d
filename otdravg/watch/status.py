"""How far a job is: every splice in one stage, what is to be called, what is still to be shot.

All losses and verdicts are those of :func:`otdravg.cable.review`. Added is only what a folder
that is still filling needs: what is missing is due, not wrong; and what may be said already.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import Enum

from otdravg.cable.files.attempts import Slot, slot_of, when
from otdravg.cable.model import (
    CableFinding,
    CableReview,
    Closure,
    FibreKey,
    ShotRecord,
    ShotUse,
    SpliceRow,
)
from otdravg.cable.planned import NOWHERE_PLANNED, TrayPlace
from otdravg.cable.resplice.crew import combined_verdict
from otdravg.cable.resplice.model import Unit
from otdravg.findings import Severity
from otdravg.fit.reading import Coverage
from otdravg.shot.settings import Direction
from otdravg.trade import fibre_colour, ribbon_position
from otdravg.verdict.decision import Action, Verdict
from otdravg.verdict.rules import required_wavelengths
from otdravg.watch.estimate import Basis, Estimate, estimates

ENDS = {Direction.A_TO_B: "A", Direction.B_TO_A: "B"}

#: Findings that say what is still to come; in a job that goes on they are not wrong.
DUE = frozenset({"direction-missing", "wavelength-not-shot", "fibre-missing", "ribbon-missing"})
#: Findings about a splice that its verdict has in it already, or about another place.
_NOT_IN_DOUBT = frozenset(
    {"bend-suspected", "event-between-closures", "reflection-in-closure", "worse-than-before"}
)
#: Findings that say which shots are older than a splice that was made again since.
AGAIN = frozenset({"pair-of-two-states", "shot-before-work"})
#: A shot that came later is dated earlier: no finding of a review, which knows no arrivals.
_MISDATED = "misdated"
_THERE = (ShotUse.USED, ShotUse.UNPAIRED, ShotUse.MISMATCHED)


class Stage(Enum):
    """Where a splice stands; the words are those of the screen and never mixed."""

    AHEAD = "not spliced yet"
    MISSING = "not shot"
    ONE_END = "plausible from one end"
    HIGH = "reading high from one end"
    WAVELENGTH_DUE = "other wavelength due"
    AGAIN = "to be shot again"
    CHECK = "to be looked at"
    OVER = "over the limit"
    PROVED = "proved from both ends"


#: Stages in which shots of a splice are still to come.
INCOMPLETE = frozenset(
    {Stage.AHEAD, Stage.MISSING, Stage.ONE_END, Stage.HIGH, Stage.WAVELENGTH_DUE, Stage.AGAIN}
)


@dataclass(frozen=True, slots=True)
class Expected:
    """What the job is to have in the end; None where nobody has said it."""

    fibres: int | None = None
    closures: int | None = None
    wavelengths_nm: tuple[int, ...] = ()  # beside those that the profile asks for


@dataclass(frozen=True, slots=True)
class Splice:
    """One fibre at one closure, over all its wavelengths."""

    fibre: int
    colour: str
    stage: Stage
    row: SpliceRow | None = None  # where it is worst; None: nothing was measured
    estimate: Estimate | None = None  # of what was read from one end
    why: str = ""  # code of what is in doubt, or the verdict
    in_doubt: bool = False  # its fibre is, at every closure: a finding says so once


@dataclass(frozen=True, slots=True)
class RibbonStatus:
    """One ribbon (in loose tube: one fibre) at one closure."""

    cable: str
    closure: Closure
    ribbon: int | None
    fibres: tuple[int, ...]
    splices: tuple[Splice, ...]  # of the fibres that are spliced there
    unit: Unit | None  # what the re-splice plan says of it
    number_is_sure: bool  # False: more or fewer closures are expected than show
    place: TrayPlace = NOWHERE_PLANNED  # in the closure, by the splice plan

    @property
    def unit_number(self) -> int:
        """Number of what is cut as a whole: the ribbon's, in loose tube the fibre's."""
        return self.ribbon or self.fibres[0]

    @property
    def is_complete(self) -> bool:
        """Whether every shot of it is in, so that it may be cut if it has to be."""
        return not any(s.stage in INCOMPLETE for s in self.splices)

    def in_stage(self, *stages: Stage) -> tuple[Splice, ...]:
        """Return the splices in some stages."""
        return tuple(s for s in self.splices if s.stage in stages)


class Hold(Enum):
    """Why nothing is said about shutting a closure yet."""

    NOT_STATED = "fibres, closures or wavelengths of the job are not stated"
    OTHER_COUNT = "other closures or fibres show than are expected"
    NOT_PROVED = "not all proved"
    FILES = "files in doubt"


@dataclass(frozen=True, slots=True)
class ClosureStatus:
    """One closure with its ribbons."""

    closure: Closure
    ribbons: tuple[RibbonStatus, ...]
    hold: Hold | None  # None: every splice is proved, it may be shut
    near_limit: int  # splices within the limit by less than their uncertainty
    through: int  # fibres that run through it uncut, as their shots show


@dataclass(frozen=True, slots=True)
class CableStatus:
    """How far one cable is."""

    cable: str
    ribbon_size: int | None
    fibres: tuple[int, ...]
    wavelengths_nm: tuple[int, ...]
    have: frozenset[Slot]  # usable shots that are in and stand
    to_shoot: tuple[Slot, ...]  # in shooting order
    misdated: tuple[int, ...]  # fibres of which a shot that came later is dated earlier
    closures: tuple[ClosureStatus, ...]
    expected: Expected
    at_b: Mapping[int, int] = field(default_factory=dict)  # numbers there that are others

    def called(self, fibre: int, end: Direction) -> int:
        """Return the number that a fibre has at an end, by the splice plan."""
        return _called(self.at_b, fibre, end)

    def done_fibres(self, end: Direction) -> tuple[int, ...]:
        """Fibres of which nothing is to be shot from an end any more, as numbered there."""
        open_ = {key.fibre for key, _, direction in self.to_shoot if direction is end}
        return tuple(self.called(fibre, end) for fibre in self.fibres if fibre not in open_)

    @property
    def is_proved(self) -> bool:
        """Whether everything that is expected is there and proved."""
        return bool(self.closures) and all(c.hold is None for c in self.closures)


def status_of(
    review: CableReview, expected: Expected, arrived: Mapping[str, int]
) -> tuple[CableStatus, ...]:
    """Say how far each cable of a review is.

    Parameters
    ----------
    review : CableReview
        Of the files that are complete.
    expected : Expected
    arrived : mapping
        At which look each file was first complete, by its path: whatever the clocks of the
        instruments say, what came later was shot later.
    """
    by_cable: dict[str, list[ShotRecord]] = defaultdict(list)
    for record in review.shots:
        if slot_of(record) is not None and record.attempt:
            by_cable[record.taken_for.cable].append(record)
    return tuple(
        _Cable(cable, records, review, expected, arrived).status()
        for cable, records in sorted(by_cable.items())
    )


def _called(at_b: Mapping[int, int], fibre: int, end: Direction) -> int:
    return at_b.get(fibre, fibre) if end is Direction.B_TO_A else fibre


class _Cable:
    """What is known of one cable, put together once."""

    def __init__(
        self,
        cable: str,
        records: Sequence[ShotRecord],
        review: CableReview,
        expected: Expected,
        arrived: Mapping[str, int],
    ) -> None:
        self.cable, self.review, self.expected = cable, review, expected
        self.size = review.ribbon_size
        self.shots: dict[Slot, list[ShotRecord]] = defaultdict(list)
        for record in records:
            if (slot := slot_of(record)) is not None:
                self.shots[slot].append(record)
        self.standing = {
            slot: r for r in records if r.use in _THERE and (slot := slot_of(r)) is not None
        }
        self.fibres = self._fibres()
        self.stated_nm = self._stated_nm()
        self.wavelengths_nm = self._wavelengths()
        self.codes = self._doubts()
        self._doubt_clocks(arrived)
        self.again = self._again()
        self.at_b = {one.at_a: one.number for one in review.numbers_at_b}
        self.reel_end = {end.key: end for end in review.reel_ends}
        # Under construction B is not asked for what it cannot see yet.
        seen_by_b = [f for f in self.fibres if not self._ends_at(f)]
        wanted = [
            (FibreKey(cable, fibre), nm, end)
            for end in self._ends_in_order(arrived)
            for fibre in sorted(
                self.fibres if end is Direction.A_TO_B else seen_by_b,
                key=lambda own: _called(self.at_b, own, end),
            )
            for nm in self.wavelengths_nm
        ]
        old = {slot for slots in self.again.values() for slot in slots}
        old |= self._unusable()
        self.have = frozenset(self.standing) - old
        self.to_shoot = tuple(slot for slot in wanted if slot not in self.have)
        self.estimates = estimates(review)
        self.rows: dict[tuple[int, int], list[SpliceRow]] = defaultdict(list)
        for row in review.rows:
            if row.cable == cable and row.closure_number is not None:
                self.rows[row.closure_number, row.fibre].append(row)
        self.paired = {f.key.fibre for f in review.fibres if f.key.cable == cable}
        self.places = {
            (planned.closure_number, fibre): planned.place
            for planned in review.splice_plan
            for fibre in planned.fibres
        }
        self.units = {
            (u.closure_number, u.fibres[0] if u.ribbon is None else u.ribbon): u
            for u in (review.plan.units if review.plan else ())
            if u.cable == cable
        }

    def _ends_at(self, fibre: int) -> str:
        """Closure at which a fibre under construction ends; empty: at none."""
        end = self.reel_end.get(FibreKey(self.cable, fibre))
        return "" if end is None else end.closure

    def status(self) -> CableStatus:
        closures = [c for c in self.review.closures if c.cable == self.cable]
        count = self.expected.closures
        sure = count is None or count == len(closures)
        return CableStatus(
            self.cable,
            self.size,
            self.fibres,
            self.wavelengths_nm,
            self.have,
            self.to_shoot,
            tuple(fibre for fibre, codes in sorted(self.codes.items()) if _MISDATED in codes),
            tuple(self._closure(closure, sure) for closure in closures),
            self.expected,
            self.at_b,
        )

    # --- what is expected ----------------------------------------------------------

    def _fibres(self) -> tuple[int, ...]:
        """All fibres of the cable: as stated, else whole ribbons up to the last that was shot."""
        have = {key.fibre for key, _, _ in self.standing}
        count = self.expected.fibres
        if count is None:
            size = self.size or 1
            count = -(-max(have) // size) * size
        return tuple(sorted({*range(1, count + 1), *have}))

    def _wavelengths(self) -> tuple[int, ...]:
        """Wavelengths to shoot: as stated, else all at which anything of the cable was shot."""
        return tuple(sorted(self.stated_nm or {nm for _, nm, _ in self.standing}))

    def _stated_nm(self) -> frozenset[int]:
        """What the job states and what the profile asks for: neither replaces the other."""
        lengths_m = {f.length_m for f in self.review.fibres if f.key.cable == self.cable}
        asked = [required_wavelengths(self.review.profile, m) for m in (*lengths_m, None)]
        return frozenset(self.expected.wavelengths_nm).union(*asked)

    def _ends_in_order(self, arrived: Mapping[str, int]) -> Sequence[Direction]:
        """The end where the crew stands now comes first: the one of the last shot."""
        last = max(self.standing.values(), key=lambda r: (arrived.get(r.path, 0), when(r)))
        here = last.taken_for.direction
        return sorted(ENDS, key=lambda end: end is not here)

    # --- what is in doubt ----------------------------------------------------------

    def _doubts(self) -> dict[int, list[str]]:
        """Codes of what is in doubt, by fibre."""
        codes: dict[int, list[str]] = defaultdict(list)
        for finding in self._grave():
            if finding.code in _NOT_IN_DOUBT | AGAIN or finding.fibre is None:
                continue
            for fibre in (finding.fibre, *finding.other_fibres):
                # An unreadable file may be the shot that is still to come, and is so far; where
                # none is missing it may be a newer one.
                if finding.code != "file-unreadable" or self._is_shot(fibre):
                    codes[fibre].append(finding.code)
        return codes

    def _is_shot(self, fibre: int) -> bool:
        """Whether a usable shot of a fibre is there for every wavelength and end."""
        count = sum(key.fibre == fibre for key, _, _ in self.standing)
        return count >= len(ENDS) * len(self.wavelengths_nm)

    def _grave(self) -> Iterable[CableFinding]:
        return (
            f
            for f in self.review.findings
            if f.cable in ("", self.cable) and f.severity is not Severity.NOTE and f.code not in DUE
        )

    def _doubt_clocks(self, arrived: Mapping[str, int]) -> None:
        """Doubt fibres of which a shot came after the one that its clock calls the newest."""
        for slot, shots in self.shots.items():
            newest = self.standing.get(slot)
            came = 0 if newest is None else arrived.get(newest.path, 0)
            if any(
                arrived.get(r.path, 0) > came for r in shots if newest and r.batch == newest.batch
            ):
                self.codes[slot[0].fibre].append(_MISDATED)

    def _again(self) -> Mapping[tuple[str, int], set[Slot]]:
        """Shots that are older than a splice, by its closure's name and the fibre."""
        again: dict[tuple[str, int], set[Slot]] = defaultdict(set)
        for finding in self._grave():
            if finding.code not in AGAIN or finding.fibre is None:
                continue
            for fibre in (finding.fibre, *finding.other_fibres):
                again[finding.closure, fibre] |= {
                    slot
                    for slot in self.standing
                    if slot[0].fibre == fibre
                    and finding.wavelength_nm in (None, slot[1])
                    and slot[2].value in finding.direction
                }
        return again

    def _unusable(self) -> set[Slot]:
        """Shots of which the newest pairs with nothing."""
        bad = {
            (f.fibre, f.wavelength_nm) for f in self._grave() if f.code == "newest-shot-unusable"
        }
        return {slot for slot in self.standing if (slot[0].fibre, slot[1]) in bad}

    @staticmethod
    def _turned(slot: Slot) -> Slot:
        key, nm, end = slot
        return key, nm, Direction.B_TO_A if end is Direction.A_TO_B else Direction.A_TO_B

    def _unit(self, fibre: int) -> int:
        """What is cut as a whole: a ribbon, in loose tube the fibre."""
        return ribbon_position(fibre, self.size)[0] or fibre

    # --- closures, ribbons, splices -------------------------------------------------

    def _closure(self, closure: Closure, sure: bool) -> ClosureStatus:
        through = [f for f in self.fibres if f in self.paired and f not in closure.fibres]
        units: dict[int, list[int]] = defaultdict(list)
        for fibre in self.fibres:
            units[self._unit(fibre)].append(fibre)
        ribbons = tuple(
            RibbonStatus(
                self.cable,
                closure,
                unit if self.size else None,
                tuple(fibres),
                tuple(self._splice(closure, f) for f in fibres if f not in through),
                self.units.get((closure.number, unit)),
                sure,
                self.places.get((closure.number, fibres[0]), NOWHERE_PLANNED),
            )
            for unit, fibres in sorted(units.items())
        )
        near = sum(
            row.verdict.near_limit for f in self.fibres for row in self.rows[closure.number, f]
        )
        return ClosureStatus(closure, ribbons, self._hold(ribbons, sure), near, len(through))

    def _hold(self, ribbons: Sequence[RibbonStatus], sure: bool) -> Hold | None:
        if any(s.stage is not Stage.PROVED for r in ribbons for s in r.splices):
            return Hold.NOT_PROVED
        stated = self.expected.fibres is not None and self.expected.closures is not None
        if not stated or not self.stated_nm:
            return Hold.NOT_STATED
        if not sure or len(self.fibres) != self.expected.fibres:
            return Hold.OTHER_COUNT
        whole = (f for f in self._grave() if f.fibre is None and f.severity is Severity.DEFECT)
        return Hold.FILES if any(f.code not in _NOT_IN_DOUBT for f in whole) else None

    def _splice(self, closure: Closure, fibre: int) -> Splice:
        number = closure.number
        rows = self.rows.get((number, fibre), [])
        key = FibreKey(self.cable, fibre)
        slots = [(key, nm, end) for nm in self.wavelengths_nm for end in ENDS]
        have = [slot for slot in slots if slot in self.standing]
        worst = max(rows, key=_excess, default=None)
        is_old = (closure.name, fibre) in self.again
        own = [
            e
            for nm in self.wavelengths_nm
            if (e := self.estimates.get((key, number, nm))) is not None
            and (e.basis is Basis.EARLIER or not is_old)
        ]
        guess = max(own, key=lambda e: e.loss_db - e.expanded_db, default=None)
        codes = self.codes.get(fibre, [])
        stage, why = Stage.MISSING, ""
        if codes:
            stage, why = Stage.CHECK, codes[0]
        elif not rows and have and self._ends_at(fibre):
            stage = Stage.AHEAD
        elif is_old:
            stage = Stage.AGAIN
        elif len(have) == len(slots):
            stage, why = self._judged(rows)
        elif any(self._turned(slot) not in have for slot in have):
            stage = Stage.HIGH if guess and guess.is_likely_over else Stage.ONE_END
        elif have:
            stage = Stage.WAVELENGTH_DUE
        colour = fibre_colour(fibre, self.size)
        return Splice(fibre, colour, stage, worst, guess, why, bool(codes))

    def _judged(self, rows: Sequence[SpliceRow]) -> tuple[Stage, str]:
        """The stage of a splice of which every shot is in: what the review says of it."""
        if {row.wavelength_nm for row in rows} < set(self.wavelengths_nm):
            return Stage.CHECK, "not-measured"
        both_ways = all(row.coverage is Coverage.BOTH for row in rows)
        found = combined_verdict(rows, self.review.profile)
        if found.verdict in (Verdict.WITHIN, Verdict.ACCEPTED) and both_ways:
            return Stage.PROVED, ""
        if found.action is Action.RE_SPLICE and both_ways:
            # No ribbon is cut for the last digit: better shots first.
            near = found.near_limit
            return (Stage.CHECK, Verdict.TOO_CLOSE.value) if near else (Stage.OVER, "")
        return Stage.CHECK, found.verdict.value


def _excess(row: SpliceRow) -> tuple[bool, float, int]:
    limit_db = row.verdict.limit_db
    loss_db = -1.0 if row.loss_db is None else row.loss_db
    return (
        row.verdict.action is not Action.NONE,
        loss_db - float(limit_db or 0),
        row.wavelength_nm,
    )
