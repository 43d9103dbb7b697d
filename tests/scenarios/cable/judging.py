"""Was the review right? One outcome for each case, the worst one that applies."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from enum import Enum

from simulated import JointKind

from scenarios.cable.case import Case, Place, Say, Where
from scenarios.cable.reading import Order, Reading, Row

__all__ = ["Judgement", "Outcome", "deviations", "judge", "wrongs"]

#: A loss may be off by this many times its stated U (k = 2) before the row counts as wrong: four
#: standard uncertainties, once in 16,000 rows. A catalogue with thousands of rows cannot ask that
#: each lies inside its U; that 19 in 20 do is checked over all of them.
_TIMES_U = 2.0
#: And by this much in any case, dB: what rounding loss and U to 0.001 dB can do.
_ROUNDING_DB = 0.001
#: A loss this far over its limit has to be found, dB; a row's own U is added.
_CLEARLY_DB = 0.01
#: A graded loss where there is nothing is invented above this, dB.
_COUNTS_DB = 0.03


class Outcome(Enum):
    """What became of a case, worst first."""

    CRASH = "crash"
    FALSE_CLEAR = "false clear"
    WRONG_ORDER = "wrong order"
    WRONG_ROW = "wrong row"
    MISSED = "missed"
    FALSE_ALARM = "false alarm"
    WRONG_EXIT = "wrong exit"
    WRONG_WORDS = "wrong words"
    RIGHT = "right"

    @property
    def good(self) -> bool:
        """Whether nothing is to be blamed."""
        return self is Outcome.RIGHT


@dataclass(frozen=True, slots=True)
class Judgement:
    """An outcome and what it rests on."""

    outcome: Outcome
    why: str = ""


def judge(case: Case, said: Reading) -> Judgement:
    """Compare what a review says with the truth of the case: the worst that is wrong."""
    found = wrongs(case, said)
    return found[0] if found else Judgement(Outcome.RIGHT)


def wrongs(case: Case, said: Reading) -> list[Judgement]:
    """List everything that is wrong, worst first."""
    if said.crashed is not None:
        return [Judgement(Outcome.CRASH, said.crashed)]
    if case.either_end:
        seen = [_wrongs(one, said) for one in (case, _from_b(case))]
        return min(seen, key=len)
    return _wrongs(case, said)


def _wrongs(case: Case, said: Reading) -> list[Judgement]:
    found = [
        *_clearance(case, said),
        *_orders(case, said),
        *_rows(case, said),
        *_missed(case, said),
        *_alarms(case, said),
        *_words(case, said),
    ]
    return sorted(found, key=lambda w: list(Outcome).index(w.outcome))


def deviations(case: Case, said: Reading) -> Iterator[tuple[float, float]]:
    """Give deviation from the truth and U, in dB, of graded rows that are at a true place."""
    for row in said.rows:
        place = _place_of(case, row)
        if not row.graded or place is None or _meant(case.ungraded, case, row):
            continue
        if row.loss_db is not None and row.expanded_u_db:
            yield row.loss_db - place.loss_db, row.expanded_u_db


# -- what is wrong ---------------------------------------------------------------------


def _clearance(case: Case, said: Reading) -> Iterator[Judgement]:
    for row in said.rows:
        if row.cleared and _meant((*case.ungraded, *case.uncleared), case, row):
            yield Judgement(Outcome.FALSE_CLEAR, f"{row} is {row.verdict}")
    for place in _bad(case):
        rows = [r for r in said.rows if r.cleared and _at(case, r, place)]
        for row in rows:
            if len(_candidates(case, row)) == 1 and case.truth.over(place, row.expanded_u_db or 0):
                yield Judgement(Outcome.FALSE_CLEAR, f"{row} is {row.verdict}: {_told(place)}")
    if said.all_clear and 0 not in case.exit_codes:
        yield Judgement(Outcome.FALSE_CLEAR, "exit 0")


def _orders(case: Case, said: Reading) -> Iterator[Judgement]:
    for order in said.orders:
        if case.orders == "none":
            yield Judgement(Outcome.WRONG_ORDER, f"{order}: nothing may be ordered here")
        elif not any(_ordered(case, order, place) for place in _bad(case, sure=False)):
            yield Judgement(Outcome.WRONG_ORDER, f"{order}: no splice of it is bad there")
    for row in said.rows:
        if row.ordered and (case.orders == "none" or _meant(case.ungraded, case, row)):
            yield Judgement(Outcome.WRONG_ORDER, f"{row}: {row.action}")


def _rows(case: Case, said: Reading) -> Iterator[Judgement]:
    for row in said.rows:
        if row.faulted and _meant(case.ungraded, case, row):
            yield Judgement(Outcome.WRONG_ROW, f"{row} is {row.verdict}, and must not be graded")
        if not row.graded or row.loss_db is None or _meant(case.ungraded, case, row):
            continue
        places = _candidates(case, row)
        slack_db = _ROUNDING_DB + _TIMES_U * (row.expanded_u_db or 0.0)
        if not places and abs(row.loss_db) > _COUNTS_DB + slack_db:
            yield Judgement(Outcome.WRONG_ROW, f"{row}: nothing is there")
        elif places and min(abs(row.loss_db - p.loss_db) for p in places) > slack_db:
            true = " or ".join(f"{p.loss_db:.3f}" for p in places)
            yield Judgement(Outcome.WRONG_ROW, f"{row} ± {row.expanded_u_db}: true is {true} dB")
        # The default profile and most others judge a row by its own limit, as printed.
        limit_db = row.limit_db
        if limit_db is not None and row.verdict == "within limit" and row.loss_db > limit_db:
            yield Judgement(Outcome.WRONG_ROW, f"{row} is within {limit_db}")
        if limit_db is not None and row.verdict == "over limit" and row.loss_db <= limit_db:
            yield Judgement(Outcome.WRONG_ROW, f"{row} is over {limit_db}")


def _missed(case: Case, said: Reading) -> Iterator[Judgement]:
    for place in case.truth.places:
        if place.fibre not in case.graded or _meant_place(case, place):
            continue
        rows = [r for r in said.rows if _at(case, r, place)]
        bad = case.truth.over(place, _CLEARLY_DB)
        named = any(
            f.severe and place.fibre in f.fibres and _names_place(case, f.text, place)
            for f in said.findings
        )
        if bad and not (named or any(r.faulted for r in rows)):
            yield Judgement(Outcome.MISSED, f"{_told(place)} is not named")
        elif place.closure is not None and not bad and not any(r.graded for r in rows):
            yield Judgement(Outcome.MISSED, f"{_told(place)} has no graded row")
    for where in case.due:
        if not any(
            (where.fibre is None or where.fibre in order.failing)
            and where.cable in (None, order.cable)
            and abs(order.distance_m - (where.distance_m or 0.0)) <= _near(case, order.distance_m)
            for order in said.orders
        ):
            where_m = where.distance_m or 0.0
            why = f"no order for fibre {where.fibre} at {where_m:.0f} m"
            yield Judgement(Outcome.MISSED, why)
    for where in case.not_lost:
        shown = any(not r.cleared and _meant((where,), case, r) for r in said.rows)
        if not shown and not any(f.severe and where.fibre in f.fibres for f in said.findings):
            why = f"fibre {where.fibre} at {where.distance_m or 0.0:.0f} m is lost"
            yield Judgement(Outcome.MISSED, why)
    for say in case.says:
        if not _is_said(say, said):
            yield Judgement(Outcome.MISSED, f"not said: {say.what}")


def _alarms(case: Case, said: Reading) -> Iterator[Judgement]:
    severe = "; ".join(sorted({f.code for f in said.severe}))
    if said.exit_code not in case.exit_codes and not said.all_clear:
        reason = severe or said.text.strip().replace("\n", " ")[:160]
        what = Outcome.FALSE_ALARM if 0 in case.exit_codes else Outcome.WRONG_EXIT
        yield Judgement(what, f"exit {said.exit_code}: {reason}")
    if case.involved is not None and not said.refused:
        known = case.involved | {p.fibre for p in _bad(case, sure=False)}
        for finding in said.severe:
            if finding.fibres and not finding.fibres & known:
                yield Judgement(Outcome.FALSE_ALARM, finding.text[:200])
    wanted = case.truth.closures
    seen = {(r.cable, r.closure) for r in said.rows if r.closure is not None}
    if wanted is not None and said.rows and len(seen) > wanted:
        yield Judgement(Outcome.FALSE_ALARM, f"{len(seen)} closures, and there are {wanted}")


def _words(case: Case, said: Reading) -> Iterator[Judgement]:
    every = (*said.paragraphs, *(f.text for f in said.findings))
    for pattern in case.never:
        for one in every:
            if re.search(pattern, one, re.IGNORECASE):
                yield Judgement(Outcome.WRONG_WORDS, f"says /{pattern}/: {one[:160]}")
                break
    if any(not r.graded for r in said.rows):
        for one in said.paragraphs:
            if re.search(r"no splice has to be (?:re)?made", one, re.IGNORECASE):
                yield Judgement(Outcome.WRONG_WORDS, f"{one[:120]}, while rows are unjudged")


# -- which row is which place ----------------------------------------------------------


def _near(case: Case, distance_m: float) -> float:
    return case.tolerance_m + 0.001 * distance_m


def _at(case: Case, row: Row, place: Place) -> bool:
    return (
        row.fibre == place.fibre
        and row.nm == place.nm
        and _same_cable(row.cable, place.cable)
        and abs(row.distance_m - place.distance_m) <= _near(case, place.distance_m)
    )


def _same_cable(said: str, true: str) -> bool:
    """A name with something added, as for two cables of one name, is still this cable."""
    plain = [re.sub(r"[\s_-]", "", name).lower() for name in (said, true)]
    return not plain[0] or plain[0].startswith(plain[1]) or plain[1].startswith(plain[0])


def _candidates(case: Case, row: Row) -> list[Place]:
    return [p for p in case.truth.places if _at(case, row, p)]


def _place_of(case: Case, row: Row) -> Place | None:
    """Give the place of a row, the likeliest where two cables share a name."""
    places = _candidates(case, row)
    return min(places, key=lambda p: abs(p.loss_db - (row.loss_db or 0.0)), default=None)


def _meant(wheres: Sequence[Where], case: Case, row: Row) -> bool:
    return any(
        w.holds(row.cable, row.fibre, row.nm, row.distance_m, _near(case, row.distance_m))
        for w in wheres
    )


def _meant_place(case: Case, place: Place) -> bool:
    return any(
        w.holds(place.cable, place.fibre, place.nm, place.distance_m, 1.0)
        for w in (*case.ungraded, *case.uncleared)
    )


def _bad(case: Case, *, sure: bool = True) -> list[Place]:
    """List places over the limit, connectors apart; ``sure``: clearly so."""
    margin_db = _CLEARLY_DB if sure else -0.002
    return [
        p
        for p in case.truth.places
        if p.kind is not JointKind.CONNECTOR and case.truth.over(p, margin_db)
    ]


def _ordered(case: Case, order: Order, place: Place) -> bool:
    return (
        place.kind is JointKind.SPLICE
        and place.fibre in order.failing
        and _same_cable(order.cable, place.cable)
        and abs(order.distance_m - place.distance_m)
        <= _near(case, place.distance_m) + 0.001 * place.distance_m
        and not _meant_place(replace(case, uncleared=()), place)
    )


def _names_place(case: Case, text: str, place: Place) -> bool:
    """Whether a finding gives a place in metres or kilometres, from either end or panel."""
    for number, unit in re.findall(r"(?<![\d.])(\d+(?:\.\d+)?)\s*(km|m)\b", text):
        at_m = float(number) * (1000 if unit == "km" else 1)
        if abs(at_m - place.distance_m) <= _near(case, place.distance_m):
            return True
    return False


def _told(place: Place) -> str:
    return (
        f"{place.cable} fibre {place.fibre}, {place.nm} nm, {place.loss_db:.3f} dB "
        f"at {place.distance_m:.0f} m"
    )


def _is_said(say: Say, said: Reading) -> bool:
    among = said.paragraphs if say.aloud else (*said.paragraphs, *(f.text for f in said.findings))
    return any(
        all(any(re.search(p, one, re.IGNORECASE) for p in group) for group in say.all_of)
        for one in among
    )


def _from_b(case: Case) -> Case:
    """Return the case with distances counted from the other end."""
    places = tuple(replace(p, distance_m=p.length_m - p.distance_m) for p in case.truth.places)
    return replace(case, truth=replace(case.truth, places=places))
