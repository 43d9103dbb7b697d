"""The route as the crew walked it: sheath marks, and where along them a place in the glass lies.

Between two splices runs one piece of cable, and light in it goes a little farther than its sheath
is long: fibres lie in helices, and the index that an instrument counts with is not quite that of
the glass. Both are one factor for each such section,

    d = a + f·s,    d: metres in the shots from A,    s: metres of sheath from the section's start,

fitted to the splices at its two ends by least squares, with what is usual as a prior. Whatever
the factor holds, index and all, falls out again when a place that was shot is put on the sheath.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from enum import Enum
from itertools import pairwise, product

import numpy as np

from otdravg.cable.lists.facts import SPLICED, Mark, RoutePlace
from otdravg.findings import Statement, says

#: Metres in the units that sheaths are marked in. Standard: international foot, 1959.
UNITS = {"m": 1.0, "ft": 0.3048}
#: Usual factor and its standard uncertainty: 0 to 3 % more fibre than sheath (common practice, no
#: source), as likely anywhere between: 3 %/√12; the index adds little to that.
_USUAL_FACTOR, _U_USUAL = 1.015, 0.0087
#: What is usual counts like so many sections when others of the cable are fitted. Chosen, not
#: derived.
_USUAL_COUNTS = 4
#: A factor beyond this is no factor: another reel lies between, or a mark was misread. Derived: 0
#: to 3 %, with 0.3 % for an index and 1 % for marks that are off (both from memory).
LOWEST_FACTOR, HIGHEST_FACTOR = 0.985, 1.045
#: Bare fibre between a sheath's end and the splice, m (common practice, no source: 1 to 2 m).
_TRAY_M, _U_TRAY_M = 1.5, 0.5
#: Standard uncertainty of a mark: one a metre, and read to half of one. Chosen, not derived.
_U_MARK_M = 0.5
#: A closure of the route is one of those that the shots show within this share of its distance, and
#: so many metres. Derived: the usual factor's range; chosen: slack that nobody wrote down.
_NEAR_SHARE, _NEAR_M = 0.03, 40.0


class Odd(Enum):
    """What can be odd about a route."""

    BACKWARDS = "a mark runs against the others and was left out"
    WRAPPED = "the counter of the sheath passed zero"
    FEET = "the marks are feet"
    LENGTH = "the length by the marks is not that by the shots"
    UNMARKED = "there are no marks at both of its ends"
    NOT_SEEN = "the shots show no closure there"
    NOT_LISTED = "the shots show a closure that the route does not have"


@dataclass(frozen=True, slots=True)
class Section:
    """One piece of cable between two splices.

    ``at_m`` and ``factor`` are the line d = at + factor·s; their standard uncertainties and the
    covariance stand beside them. ``stops`` are the places on it with the sheath metres from its
    start: where the cable comes in and leaves.
    """

    first: str | Statement  # a closure is said
    last: str | Statement
    reel: str
    unit: str  # of its marks
    sign: int  # 1: marks rise towards B
    mark: float  # at its start
    wraps_at: float  # the counter of the sheath begins again here
    length_m: float  # of its sheath
    stops: tuple[tuple[str | Statement, float, float], ...]
    at_m: float
    factor: float
    u_at_m: float
    u_factor: float
    covariance: float
    is_fitted: bool  # the shots show both of its ends

    def shot_m(self, sheath_m: float) -> tuple[float, float]:
        """Return where a place on the sheath lies in the shots, and its standard uncertainty."""
        variance = self.u_at_m**2 + (sheath_m * self.u_factor) ** 2 + 2 * sheath_m * self.covariance
        return self.at_m + self.factor * sheath_m, math.sqrt(max(variance, 0.0))

    def mark_at(self, sheath_m: float) -> float:
        """Return the mark at a place on its sheath."""
        return (self.mark + self.sign * sheath_m / UNITS[self.unit]) % self.wraps_at


@dataclass(frozen=True, slots=True)
class Spot:
    """A place in the glass, as it is found on the route."""

    before: str | Statement  # nearest place towards A with a mark
    after: str | Statement  # nearest towards B; the same as ``before`` in a coil there
    mark: float
    u_mark: float  # standard uncertainty
    unit: str
    before_m: float  # metres of sheath from the one
    after_m: float  # and to the other

    @property
    def expanded_mark(self) -> float:
        """Expanded uncertainty, k = 2, in the unit of the marks."""
        return 2 * self.u_mark

    @property
    def said(self) -> Statement:
        """The place: ``between MH 19 and MH 27, sheath mark about 3310 ± 8 m``.

        Where one of both lies within ± U, nobody can tell on which side of it: ``near MH 19``.
        """
        near_m, near = min(
            (self.before_m, self.before), (self.after_m, self.after), key=lambda one: one[0]
        )
        code = "spot-between"
        if near_m <= self.expanded_mark * UNITS[self.unit]:
            code = "spot-near"
        if self.before == self.after:
            code = "spot-in-coil"
        return says(
            code, before=near if code == "spot-near" else self.before, after=self.after,
            mark=round(self.mark), expanded=math.ceil(self.expanded_mark), unit=self.unit,
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Survey:
    """A route held against the shots."""

    sections: tuple[Section, ...]
    odd: tuple[tuple[Odd, Statement], ...]  # what, and where with figures
    end: tuple[float, float] | None = None  # end B in the shots, and its standard uncertainty
    closures: tuple[tuple[str, RoutePlace], ...] = ()  # by the names that the shots' have

    def at(self, shot_m: float, u_m: float = 0.0) -> Spot | None:
        """Put a place in the glass on the sheath; None where no marks reach.

        Parameters
        ----------
        shot_m, u_m : float
            Metres from A as the shots count them, and the standard uncertainty.
        """
        own = self.section(shot_m)
        if own is None:
            return None
        sheath_m = min(max((shot_m - own.at_m) / own.factor, 0.0), own.length_m)
        _, u_line_m = own.shot_m(sheath_m)
        u = math.hypot(math.hypot(u_line_m, u_m) / own.factor, _U_MARK_M) / UNITS[own.unit]
        coil = next((s for s in own.stops if s[1] <= sheath_m <= s[2] and s[1] < s[2]), None)
        before = coil or max((s for s in own.stops if s[2] <= sheath_m), key=lambda s: s[2])
        after = coil or min((s for s in own.stops if s[1] >= sheath_m), key=lambda s: s[1])
        return Spot(
            before[0], after[0], own.mark_at(sheath_m), u, own.unit,
            max(sheath_m - before[2], 0.0), max(after[1] - sheath_m, 0.0),
        )  # fmt: skip

    def section(self, shot_m: float) -> Section | None:
        """Return the section that a place in the glass lies in, or at whose end; None without."""
        near = min(self.sections, key=lambda s: _outside_m(s, shot_m), default=None)
        if near is None:
            return None
        u_m = max(near.u_at_m, near.shot_m(near.length_m)[1])
        return near if _outside_m(near, shot_m) <= 2 * _TRAY_M + 1 + 2 * u_m else None


def _outside_m(section: Section, shot_m: float) -> float:
    return max(section.at_m - shot_m, shot_m - section.shot_m(section.length_m)[0], 0.0)


@dataclass(frozen=True, slots=True)
class _Tape:
    """Marks of one section laid end to end: sheath metres, if they were of a unit and direction."""

    sign: int
    unit: str
    wraps_at: float
    is_wrapped: bool
    kept: tuple[tuple[int, bool, float], ...]  # place, whether it leaves there, metres
    dropped: tuple[tuple[int, float], ...]  # place and mark

    @property
    def length_m(self) -> float:
        return self.kept[-1][2] - self.kept[0][2]


Found = tuple[str, float, float]  # name of a closure, metres from A, standard uncertainty


def survey(
    places: Sequence[RoutePlace],
    found: Sequence[Found] = (),
    length: tuple[float, float] | None = None,
) -> Survey:
    """Hold a route against the closures that the shots show.

    Parameters
    ----------
    places : sequence of RoutePlace
        In order from A.
    found : sequence of (str, float, float)
        Closures: name, metres from A in the shots, standard uncertainty.
    length : (float, float), optional
        Of the fibre from A to B, and its standard uncertainty.

    Returns
    -------
    Survey
    """
    odd: list[tuple[Odd, Statement]] = []
    bounds = [n for n, place in enumerate(places) if place.kind in SPLICED]
    runs = [(a, b) for a, b in pairwise(bounds)]
    known: dict[int, tuple[float, float]] = {}
    if bounds and places[bounds[0]].kind == "end":
        known[bounds[0]] = 0.0, 0.0
    if len(bounds) > 1 and places[bounds[-1]].kind == "end" and length is not None:
        known[bounds[-1]] = length
    tapes = {run: _tapes(places, run) for run in runs}
    matched, left_over = _matched(places, bounds, tapes, found, known)
    known |= matched
    odd += [
        (Odd.NOT_LISTED, says("closure-at", name=name, at_m=float(m))) for name, m, _ in left_over
    ]
    if found:
        closures = [n for n in bounds if places[n].kind == "closure" and n not in known]
        odd += [(Odd.NOT_SEEN, says("as-found", text=places[n].label)) for n in closures]
    chosen = {}
    for run, own in tapes.items():
        tape, more = _chosen(places, run, own, known)
        odd += more
        if tape is not None:
            chosen[run] = tape
    sections, at = _fitted(places, runs, chosen, known)
    has_end = bool(bounds) and places[bounds[-1]].kind == "end"
    named = tuple(
        (name, places[n]) for name, *where in found for n, own in matched.items() if [*own] == where
    )
    return Survey(sections, tuple(odd), at.get(bounds[-1]) if has_end else None, named)


def _marks(places: Sequence[RoutePlace], run: tuple[int, int]) -> Iterator[tuple[int, bool, Mark]]:
    """Give the marks of a section in order: place, whether the cable leaves it there, mark."""
    first, last = run
    for n in range(first, last + 1):
        mark_in, mark_out = places[n].mark_in, places[n].mark_out
        if n > first and mark_in is not None:
            yield n, False, mark_in
        if n < last and mark_out is not None:
            yield n, True, mark_out


def _tapes(places: Sequence[RoutePlace], run: tuple[int, int]) -> list[_Tape]:
    """Lay the marks of a section end to end: rising and falling, in every unit they may have."""
    marks = list(_marks(places, run))
    if len(marks) < 2 or marks[0][0] != run[0] or marks[-1][0] != run[1]:
        return []
    stated = {mark.unit for _, _, mark in marks if mark.unit}
    numbers = np.array([mark.number for _, _, mark in marks])
    wraps_at = 10.0 ** len(str(int(numbers.max())))
    tapes = []
    units = [u for u in UNITS if u in stated] or list(UNITS)
    for unit, sign, may_wrap in product(units, (1, -1), (True, False)):
        steps = sign * np.diff(numbers)
        wrapped = may_wrap & (steps < -wraps_at / 2)
        laid = np.concatenate([[0.0], np.cumsum(steps + wraps_at * wrapped)])
        if len(stated) <= 1 and laid[-1] > 0 and (not may_wrap or wrapped.any()):
            keep = _rising(laid)
            tapes.append(
                _Tape(
                    sign, unit, wraps_at, bool(wrapped.any()),
                    tuple((*marks[i][:2], float(laid[i]) * UNITS[unit]) for i in keep),
                    tuple((m[0], m[2].number) for i, m in enumerate(marks) if i not in keep),
                )
            )  # fmt: skip
    return sorted(tapes, key=lambda t: (len(t.dropped), t.is_wrapped, t.unit != "m"))


def _rising(numbers: np.ndarray) -> list[int]:
    """Indices of the longest run of numbers, the first and the last in it, that never falls."""
    best: list[list[int]] = [[0]]
    for i in range(1, len(numbers)):
        if numbers[0] <= numbers[i] <= numbers[-1]:
            before = [run for run in best if numbers[run[-1]] <= numbers[i]]
            best.append([*max(before, key=len), i])
    return max(best, key=len)


def _matched(
    places: Sequence[RoutePlace],
    bounds: Sequence[int],
    tapes: dict[tuple[int, int], list[_Tape]],
    found: Sequence[Found],
    known: dict[int, tuple[float, float]],
) -> tuple[dict[int, tuple[float, float]], list[Found]]:
    """Tell which closure of the route is which of the shots: by name, by order, by distance."""
    closures = [n for n in bounds if places[n].kind == "closure"]
    own = {places[n].name.casefold(): n for n in closures}
    at = {own[name.casefold()]: (m, u) for name, m, u in found if name.casefold() in own}
    rest = [one for one in found if one[0].casefold() not in own]
    free = [n for n in closures if n not in at]
    if rest and len(rest) == len(free) and not at:
        return {n: (m, u) for n, (_, m, u) in zip(free, rest, strict=True)}, []
    for one in list(rest):
        steps = sorted((*known.items(), *at.items()))
        near = [(gap, n) for n in free if (gap := _gap_m(n, one[1], steps, bounds, tapes)) <= 1]
        if near:
            nearest = min(near)[1]
            at[nearest] = one[1], one[2]
            free.remove(nearest)
            rest.remove(one)
    return at, rest


def _gap_m(
    n: int,
    shot_m: float,
    steps: Sequence[tuple[int, tuple[float, float]]],
    bounds: Sequence[int],
    tapes: dict[tuple[int, int], list[_Tape]],
) -> float:
    """How far a closure is from where the marks have it, as a share of what may be."""
    start = max((step for step in steps if step[0] < n), default=None)
    if start is None:
        return math.inf
    runs = [run for run in pairwise(bounds) if start[0] <= run[0] < n]
    if not all(tapes[run] for run in runs):
        return math.inf
    sheath_m = sum(tapes[run][0].length_m for run in runs)
    return abs(shot_m - start[1][0] - _USUAL_FACTOR * sheath_m) / (_NEAR_SHARE * sheath_m + _NEAR_M)


def _chosen(
    places: Sequence[RoutePlace],
    run: tuple[int, int],
    tapes: Sequence[_Tape],
    known: dict[int, tuple[float, float]],
) -> tuple[_Tape | None, list[tuple[Odd, Statement]]]:
    """Choose how the marks of a section are meant: the shots decide where they show both ends."""
    where = says("from-to", first=places[run[0]].label, last=places[run[1]].label)
    # Where the shots do not tell, most marks have to agree.
    tape = next((t for t in tapes if len(t.dropped) < len(t.kept)), None)
    if tapes and run[0] in known and run[1] in known:
        glass_m = known[run[1]][0] - known[run[0]][0] - 2 * _TRAY_M
        u_m = math.hypot(known[run[0]][1], known[run[1]][1], _U_TRAY_M, _U_MARK_M)
        fitting = [
            t for t in tapes
            if LOWEST_FACTOR - 3 * u_m / t.length_m
            <= glass_m / t.length_m
            <= HIGHEST_FACTOR + 3 * u_m / t.length_m
        ]  # fmt: skip
        if not fitting:
            figures = says(
                "lengths-of", where=where, marks_m=tapes[0].length_m, shots_m=float(glass_m)
            )
            return None, [(Odd.LENGTH, figures)]
        tape = fitting[0]
    if tape is None:
        return None, [(Odd.UNMARKED, where)]
    odd = [
        (Odd.BACKWARDS, says("mark-at", mark=f"{mark:g}", place=places[n].label, where=where))
        for n, mark in dict.fromkeys(tape.dropped)
    ]
    if tape.is_wrapped:
        odd.append((Odd.WRAPPED, where))
    if tape.unit == "ft" and not any(m.unit for _, _, m in _marks(places, run)):
        odd.append((Odd.FEET, where))
    return tape, odd


def _fitted(
    places: Sequence[RoutePlace],
    runs: Sequence[tuple[int, int]],
    tapes: dict[tuple[int, int], _Tape],
    known: dict[int, tuple[float, float]],
) -> tuple[tuple[Section, ...], dict[int, tuple[float, float]]]:
    """Fit every section that can be placed; those that the shots show at both ends first.

    Where the places between sections lie in the shots is returned with them.
    """
    both = [run for run in tapes if run[0] in known and run[1] in known]
    done = {run: _section(places, run, tapes[run], known, (_USUAL_FACTOR, _U_USUAL))
            for run in both}  # fmt: skip
    prior = _pooled([section.factor for section in done.values()])
    at = dict(known)
    for order in (runs, runs[::-1]):
        for run in order:
            if run in done or run not in tapes or not at.keys() & {*run}:
                continue
            own = done[run] = _section(places, run, tapes[run], at, prior)
            for n, sheath_m, tray_m in ((run[0], 0.0, -_TRAY_M), (run[1], own.length_m, _TRAY_M)):
                m, u = own.shot_m(sheath_m)
                at.setdefault(n, (m + tray_m, u))
    sections = (
        replace(done[run], is_fitted=run[0] in known and run[1] in known)
        for run in runs
        if run in done
    )
    return tuple(sections), at


def _pooled(factors: Sequence[float]) -> tuple[float, float]:
    """Expect the factor of a section that the shots do not show, from those that they do.

    Returns
    -------
    (float, float)
        Factor and standard uncertainty, for one more of the same kind: what is usual is taken as
        ``_USUAL_COUNTS`` sections seen before.
    """
    count = _USUAL_COUNTS + len(factors)
    mean = (_USUAL_COUNTS * _USUAL_FACTOR + sum(factors)) / count
    spread = _USUAL_COUNTS * (_U_USUAL**2 + (mean - _USUAL_FACTOR) ** 2)
    spread += sum((factor - mean) ** 2 for factor in factors)
    return mean, math.sqrt(spread / count * (1 + 1 / count))


def _section(
    places: Sequence[RoutePlace],
    run: tuple[int, int],
    tape: _Tape,
    at: dict[int, tuple[float, float]],
    prior: tuple[float, float],
) -> Section:
    """Fit the line of one section by least squares; the factor has a prior.

    Notes
    -----
    θ = C·(XᵀW·d + P·θ₀), C = (XᵀW·X + P)⁻¹, with rows (1, s) of the splices at its ends.
    """
    start_m = tape.kept[0][2]
    length_m = tape.length_m
    ends = [(0.0, at[run[0]], _TRAY_M)] if run[0] in at else []
    if run[1] in at:
        ends.append((length_m, at[run[1]], -_TRAY_M))
    rows = np.array([[1.0, s] for s, _, _ in ends])
    seen = np.array([m + tray_m for _, (m, _), tray_m in ends])
    u = np.array([math.hypot(u, _U_TRAY_M, _U_MARK_M) for _, (_, u), _ in ends])
    weighted = rows / u[:, None] ** 2
    information = rows.T @ weighted + np.diag([0.0, prior[1] ** -2])
    covariance = np.linalg.inv(information)
    line = covariance @ (weighted.T @ seen + np.array([0.0, prior[0] / prior[1] ** 2]))
    stops: dict[int, list[float]] = {}
    for n, _, metres in tape.kept:
        stops.setdefault(n, []).append(metres - start_m)
    first = next(m for _, _, m in _marks(places, run))
    return Section(
        places[run[0]].label, places[run[1]].label, places[run[0]].reel, tape.unit, tape.sign,
        first.number, tape.wraps_at, length_m,
        tuple(_stop(places[n], own, n, run, length_m) for n, own in stops.items()),
        float(line[0]), float(line[1]),
        math.sqrt(covariance[0, 0]), math.sqrt(covariance[1, 1]), float(covariance[0, 1]),
        is_fitted=False,
    )  # fmt: skip


def _stop(
    place: RoutePlace, sheath_m: Sequence[float], n: int, run: tuple[int, int], length_m: float
) -> tuple[str | Statement, float, float]:
    """Where a place begins and ends on the sheath: a coil, stated or by its marks, between."""
    start_m, end_m = min(sheath_m), max(sheath_m)
    if place.slack_m and start_m == end_m:
        if n == run[0] or (n != run[1] and place.mark_in is not None):
            end_m = min(start_m + place.slack_m, length_m)
        else:
            start_m = max(start_m - place.slack_m, 0.0)
    return place.label, start_m, end_m
