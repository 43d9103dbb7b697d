"""A splice log held against a cable: which splice each line is of, and what does not fit."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from decimal import Decimal
from difflib import get_close_matches
from itertools import pairwise

from otdravg.cable.files.attempts import ODD_TIME, date_of
from otdravg.cable.files.names import same_text
from otdravg.cable.log.model import LoggedSplice, LogLine, in_order
from otdravg.cable.measure.closures import CableMap
from otdravg.cable.measure.standing import Measured
from otdravg.cable.model import CableFinding, FibreKey, ShotRecord
from otdravg.findings import Scope, Statement, caution, defect, says
from otdravg.trade import numbers_text, ribbon_position

#: A splice's place: cable, closure number, ribbon (in loose tube the fibre).
Place = tuple[str, int, int]

#: Times of a log are in the order of its lines where no more than this share runs backwards; else
#: the sheet was sorted by something else. Chosen, not derived.
_SORTED_SHARE = 0.2
#: A clock differs, and not a line, where at least this share of splices is dated after shots that
#: pass them, and so many. Chosen, not derived.
_CLOCK_SHARE, _CLOCK_LEAST = 0.1, 3


@dataclass(frozen=True, slots=True, eq=False)
class HeldLog:
    """Splices of a log by their place, and what is odd about its lines."""

    splices: Mapping[Place, LoggedSplice]
    findings: tuple[CableFinding, ...]
    ribbon_size: int | None
    order_holds: bool = True  # its clock and those of the instruments can be compared
    ahead: tuple[LogLine, ...] = ()  # of closures that no shot has passed yet

    @property
    def lines(self) -> tuple[LogLine, ...]:
        """Every line that is of a splice of this cable."""
        return tuple(in_order([line for own in self.splices.values() for line in own.lines]))

    def of(self, key: FibreKey, number: int) -> LoggedSplice | None:
        """Return what the log says of a fibre's splice at a closure."""
        return self.splices.get((key.cable, number, unit_of(key.fibre, self.ribbon_size)))

    def attempts(self, by_shots: Callable[[Measured, int], int]) -> Callable[[Measured, int], int]:
        """How often a splice was made: as the log has it, else as the shots prove it."""

        def made(one: Measured, number: int) -> int:
            logged = self.of(one.key, number)
            return by_shots(one, number) if logged is None else logged.tries

        return made

    def against_shots(
        self, measured: Sequence[Measured], by_shots: Callable[[Measured, int], int]
    ) -> list[CableFinding]:
        """Shots that are older than the work by the log, and attempts that it does not have."""
        old: dict[tuple[Place, tuple[str, ...]], list[Measured]] = defaultdict(list)
        more: dict[Place, int] = {}
        of_unit: dict[tuple[str, int], list[LoggedSplice]] = defaultdict(list)
        for (cable, _, unit), logged in self.splices.items():
            of_unit[cable, unit].append(logged)
        for one in measured if self.splices else ():
            unit = unit_of(one.key.fibre, self.ribbon_size)
            for logged in of_unit[one.key.cable, unit] if one.outcome.axis is not None else ():
                place = one.key.cable, logged.closure_number, unit
                proved = by_shots(one, logged.closure_number)
                if proved > logged.tries:
                    more[place] = max(proved, more.get(place, 0))
                ends = _ends_before(one.records, logged.last.when)
                if ends and self.order_holds and proved < len(logged.lines):
                    old[place, ends].append(one)
        return [
            *(self._older(place, ends, own) for (place, ends), own in old.items()),
            *(self._fewer(place, proved) for place, proved in more.items()),
        ]

    def _unit(self, unit: int) -> Statement:
        if self.ribbon_size:
            return says("at-ribbon", ribbon=unit)
        return says("fibre-named", fibre=unit)

    def _older(
        self, place: Place, ends: Sequence[str], measured: Sequence[Measured]
    ) -> CableFinding:
        fibres = sorted({one.key.fibre for one in measured})
        line = self.splices[place].last
        said = defect(
            "shot-before-work", Scope.CABLE, "log", what=self._unit(place[2]), line=line.line,
            when=f"{line.when:%Y-%m-%d %H:%M}", ends=", ".join(ends), fibres=numbers_text(fibres),
        )  # fmt: skip
        files = dict.fromkeys(r.path for one in measured for r in one.records if r)
        return CableFinding(
            said, place[0], fibres[0], direction=", ".join(ends), closure=line.closure,
            files=tuple(files), other_fibres=tuple(fibres[1:]),
        )  # fmt: skip

    def _fewer(self, place: Place, proved: int) -> CableFinding:
        logged = self.splices[place]
        said = caution(
            "attempts-differ", Scope.CABLE, what=self._unit(place[2]), tries=logged.tries,
            lines=_numbers(logged.lines), proved=proved,
        )  # fmt: skip
        return CableFinding(said, place[0], closure=logged.last.closure)


def hold(
    lines: Sequence[LogLine],
    maps: Mapping[str, CableMap],
    measured: Sequence[Measured],
    *,
    cable: str = "",
    ribbon_size: int | None = None,
    fibre_count: int | None = None,
    ahead: Collection[str] = (),
) -> HeldLog:
    """Find the splice of each line of a log.

    Parameters
    ----------
    lines : sequence of LogLine
    maps : mapping
        Closures of each cable.
    measured : sequence of Measured
    cable : str
        The cable that the log is of; the only one where there is one.
    ribbon_size : int or None
        None in loose tube, where each fibre is a splice by itself.
    fibre_count : int or None
        Of the cable; None where nobody stated it.
    ahead : collection of str
        Names of closures that are stated and that no shot has reached yet.
    """
    names = [name for name in maps if same_text(name) == same_text(cable)] or list(maps)[:1]
    if not lines or not names:
        return HeldLog({}, (), ribbon_size)
    own_map = maps[names[0]]
    findings: list[CableFinding] = []
    kept = _without_twins(lines, names[0], findings)
    places, unplaced = _places(kept, own_map, ahead)
    findings += unplaced
    last_unit = unit_of(fibre_count or max(own_map.passes, default=1), ribbon_size)
    beyond = [line for line, number in places if not 1 <= line.ribbon <= last_unit]
    if beyond:
        said = caution(
            "log-line-unplaced", Scope.CABLE, "ribbon" if ribbon_size else "fibre",
            lines=_numbers(beyond), units=numbers_text(line.ribbon for line in beyond),
            last=last_unit,
        )  # fmt: skip
        findings.append(CableFinding(said, names[0]))
    by_place: dict[Place, list[LogLine]] = defaultdict(list)
    for line, number in places:
        if line not in beyond and number is not None:
            by_place[names[0], number, line.ribbon].append(line)
    names_of = {closure.number: closure.name for closure in own_map.closures}
    splices = {
        place: LoggedSplice(
            *place, tuple(replace(x, closure=names_of[place[1]]) for x in in_order(own))
        )
        for place, own in sorted(by_place.items())
    }
    findings += _backwards(kept, names[0])
    clocks = list(_clocks(splices, measured, ribbon_size))
    findings += clocks
    ahead_of = tuple(line for line, number in places if line not in beyond and number is None)
    order_holds = all(found.said.case for found in clocks)
    return HeldLog(splices, tuple(findings), ribbon_size, order_holds, ahead_of)


def unit_of(fibre: int, ribbon_size: int | None) -> int:
    """Return what is cut as a whole: a ribbon's number, in loose tube the fibre's."""
    ribbon, _ = ribbon_position(fibre, ribbon_size)
    return fibre if ribbon is None else ribbon


def units_named(numbers: Iterable[int], ribbon_size: int | None) -> Statement:
    """Name ribbons, in loose tube fibres: ``ribbons 3, 5``."""
    text = numbers_text(numbers)
    return says("ribbons-named", ribbons=text) if ribbon_size else says("fibres-named", fibres=text)


def _without_twins(
    lines: Sequence[LogLine], cable: str, findings: list[CableFinding]
) -> list[LogLine]:
    """Leave out lines that say what another has said: a sheet that was pasted twice."""
    seen: dict[LogLine, LogLine] = {}
    twins = []
    for line in lines:
        first = seen.setdefault(replace(line, line=0, closure=same_text(line.closure)), line)
        if first is not line:
            twins.append(line)
    if twins:
        said = caution("log-line-twice", Scope.CABLE, lines=_numbers(twins))
        findings.append(CableFinding(said, cable))
    return [line for line in lines if line not in twins]


def _places(
    lines: Sequence[LogLine], own_map: CableMap, ahead: Collection[str]
) -> tuple[list[tuple[LogLine, int | None]], list[CableFinding]]:
    """The number of each line's closure, None for one that is still ahead; what fits none."""
    numbers: dict[str, int | None] = dict.fromkeys(ahead) | {
        c.name: c.number for c in own_map.closures
    }
    odd: dict[str, list[LogLine]] = defaultdict(list)
    placed = []
    for line in lines:
        name = _closure_named(line.closure, numbers)
        if name is None:
            odd[line.closure].append(line)
        else:
            placed.append((line, numbers[name]))
    names = list(numbers)
    findings = []
    for name, own in odd.items():
        near = get_close_matches(name, names, 1)
        said = caution(
            "log-line-unplaced", Scope.CABLE, "near" if near else "closure", lines=_numbers(own),
            name=name, meant=near[0] if near else ", ".join(names),
        )  # fmt: skip
        findings.append(CableFinding(said, own_map.cable))
    return placed, findings


def _closure_named(typed: str, names: Collection[str]) -> str | None:
    """The closure that is meant: of this name, or the only one that has all of its words."""
    same = [name for name in names if same_text(name) == same_text(typed)]
    words = set(typed.casefold().split())
    short = [name for name in names if words and words <= set(name.casefold().split())]
    return same[0] if same else short[0] if len(short) == 1 else None


def _backwards(lines: Sequence[LogLine], cable: str) -> Iterator[CableFinding]:
    """Lines of one machine that are dated before the line above them."""
    by_machine: dict[str, list[LogLine]] = defaultdict(list)
    for line in sorted(lines, key=lambda line: line.line):
        by_machine[line.splicer].append(line)
    back = []
    for own in by_machine.values():
        # A date too late makes all below it run backwards from it: only what falls counts.
        falls = [later for sooner, later in pairwise(own) if later.when < sooner.when]
        if len(falls) <= _SORTED_SHARE * len(own):
            back += falls
    if back:
        said = caution("log-time-backwards", Scope.CABLE, lines=_numbers(back))
        yield CableFinding(said, cable)


def _clocks(
    splices: Mapping[Place, LoggedSplice], measured: Sequence[Measured], ribbon_size: int | None
) -> Iterator[CableFinding]:
    """Whether the log's clock differs from the instruments', or a year is not the right one.

    Light that has passed a closure proves that the fibre was spliced there; and a cable is shot
    within a year of being spliced.
    """
    first: dict[tuple[str, int], datetime] = {}
    for one in measured:
        dates = [d for r in one.records if r is not None and (d := date_of(r)) is not None]
        if one.outcome.axis is not None and dates:
            key = one.key.cable, unit_of(one.key.fibre, ribbon_size)
            oldest = min(dates).replace(tzinfo=None)
            first[key] = min(oldest, first.get(key, oldest))
    checked = [s for (cable, _, unit), s in splices.items() if (cable, unit) in first]
    old = [(x, s) for s in checked for x in s.lines if first[s.cable, s.unit] - x.when > ODD_TIME]
    if old:
        line, splice = min(old, key=lambda one: one[0].when)
        said = caution(
            "log-clock-differs", Scope.CABLE, "years", lines=_numbers([x for x, _ in old]),
            day=f"{line.when:%Y-%m-%d}", shot=f"{first[splice.cable, splice.unit]:%Y-%m-%d}",
        )  # fmt: skip
        yield CableFinding(said, splice.cable)
    early = [s for s in checked if s.lines[0].when > first[s.cable, s.unit]]
    if len(early) < max(_CLOCK_LEAST, _CLOCK_SHARE * len(checked)):
        return
    apart = max(s.lines[0].when - first[s.cable, s.unit] for s in early)
    hours = apart.total_seconds() / 3600
    said = caution(
        "log-clock-differs", Scope.CABLE, lines=_numbers([s.lines[0] for s in early]),
        early=len(early), splices=len(checked), hours=Decimal(f"{hours:.1f}"),
    )  # fmt: skip
    yield CableFinding(said, early[0].cable)


def _ends_before(
    records: tuple[ShotRecord | None, ShotRecord | None], when: datetime
) -> tuple[str, ...]:
    return tuple(
        record.taken_for.direction.value
        for record in records
        if record is not None
        and (taken := date_of(record)) is not None
        and taken.replace(tzinfo=None) < when
    )


def _numbers(lines: Sequence[LogLine]) -> str:
    return numbers_text(line.line for line in lines)
