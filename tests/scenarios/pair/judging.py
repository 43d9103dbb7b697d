"""Was the screen right? One outcome for each case, the worst one that applies."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum

from simulated import JointKind

from scenarios.pair.case import Case, Doubt
from scenarios.pair.reading import Loss, Reading

__all__ = ["Judgement", "Outcome", "judge"]

#: A loss may be off by this many times its stated U (k = 2) before the number counts as wrong:
#: four standard uncertainties, once in 16,000 readings.
_TIMES_U = 2.0
#: And by this much in any case, dB: what rounding and the connector's own tail can do.
_LOSS_SLACK_DB = 0.003
#: A splice of this loss that nobody lists, or one that is invented, is a wrong number, dB.
_COUNTS_DB = 0.10
#: A length may be off by this share, and by this much, m.
_LENGTH_SHARE, _LENGTH_SLACK_M = 0.002, 25.0


class Outcome(Enum):
    """What became of a case, worst first."""

    CRASH = "crash"
    WRONG_ALL_CLEAR = "wrong all-clear"
    WRONG_ORDER = "wrong order"
    NOT_CALLED = "bad splice not called"
    NO_DOUBT = "no doubt said"
    WRONG_NUMBER = "wrong number"
    FALSE_ALARM = "false alarm"
    WRONG_EXIT = "wrong exit status"
    WRONG_WORDS = "wrong words"
    NOT_TELLABLE = "not tellable"  # went wrong where nothing in the files could show it
    RIGHT = "right"

    @property
    def good(self) -> bool:
        """Whether nobody is to blame."""
        return self in (Outcome.RIGHT, Outcome.NOT_TELLABLE)


@dataclass(frozen=True, slots=True)
class Judgement:
    """An outcome and what it rests on."""

    outcome: Outcome
    why: str = ""


def judge(case: Case, said: Reading) -> Judgement:
    """Compare what a screen says with the truth of the case."""
    wrongs = sorted(_wrongs(case, said), key=lambda w: list(Outcome).index(w.outcome))
    if not wrongs:
        return Judgement(Outcome.RIGHT)
    worst = wrongs[0]
    if not case.tellable and worst.outcome is not Outcome.CRASH:
        return Judgement(Outcome.NOT_TELLABLE, f"{worst.outcome.value}: {worst.why}")
    return worst


def _wrongs(case: Case, said: Reading) -> Iterator[Judgement]:
    if said.crashed is not None:
        yield Judgement(Outcome.CRASH, said.crashed)
        return
    yield from _clearance(case, said)
    yield from _orders(case, said)
    yield from _alarms(case, said)
    # Counted from an end that the screen names, places cannot be compared with the truth's.
    excused = _excused(case, said)
    # Nor does a figure of files that may be doubted, and are, claim anything.
    if case.truth.sound and not (said.refused or excused or _in_doubt(case, said)):
        yield from _numbers(case, said)
    yield from _words(case, said)


def _in_doubt(case: Case, said: Reading) -> bool:
    return case.doubt is Doubt.MUST or (case.doubt is Doubt.MAY and bool(said.doubts))


def _clearance(case: Case, said: Reading) -> Iterator[Judgement]:
    truth = case.truth
    if said.all_clear:
        if not truth.one_state:
            why = "exit 0, and the shots are not one fibre from both ends in one state"
            yield Judgement(Outcome.WRONG_ALL_CLEAR, why)
        for place in truth.over:
            near = [p for p in said.losses if _close(case, p.distance_m, place.distance_m)]
            u_db = max((p.expanded_u_db or 0.0 for p in near), default=0.0)
            if place.loss_db > truth.limit_db + max(u_db, 0.001):
                at = f"{place.loss_db:.3f} dB at {place.distance_m:.0f} m"
                yield Judgement(Outcome.WRONG_ALL_CLEAR, f"exit 0 with {at}")
        if 0 not in case.exit_codes:
            yield Judgement(Outcome.WRONG_ALL_CLEAR, "exit 0 where a doubt is due")
    elif truth.sound and not said.refused and 0 not in case.exit_codes:
        named = (*said.over_m, *said.orders_m, *said.looks_m)
        for place in () if _excused(case, said) else truth.over:
            if not any(_close(case, at, place.distance_m) for at in named):
                at = f"{place.loss_db:.3f} dB at {place.distance_m:.0f} m"
                nearest = min(named, key=lambda m: abs(m - place.distance_m), default=None)
                instead = "nothing is" if nearest is None else f"{nearest:.0f} m is"
                # A doubt about the files may stand in for it only where one is allowed.
                if case.doubt is Doubt.NEVER or not said.doubts:
                    yield Judgement(Outcome.NOT_CALLED, f"{at} is not named, {instead}")
    if case.doubt is Doubt.MUST and said.exit_code == 1 and not said.doubted:
        yield Judgement(Outcome.NO_DOUBT, "exit 1, but for another reason")


def _orders(case: Case, said: Reading) -> Iterator[Judgement]:
    truth = case.truth
    if _excused(case, said):
        return
    for at in said.orders_m:
        if not truth.one_state:
            yield Judgement(Outcome.WRONG_ORDER, f"cut at {at:.0f} m, and the pair is none")
            continue
        right = [
            p
            for p in truth.over
            if p.kind is not JointKind.CONNECTOR and _close(case, at, p.distance_m)
        ]
        if not right:
            yield Judgement(Outcome.WRONG_ORDER, f"cut at {at:.0f} m, where nothing is over")
        elif case.doubt is Doubt.MUST:
            yield Judgement(Outcome.WRONG_ORDER, f"cut at {at:.0f} m, and the files are in doubt")


def _excused(case: Case, said: Reading) -> bool:
    """Whether every order says from which file's end it counts, where nothing else tells."""
    excuse = case.where_excuses
    lines = said.order_lines
    return excuse is not None and bool(lines) and all(re.search(excuse, line) for line in lines)


def _alarms(case: Case, said: Reading) -> Iterator[Judgement]:
    reasons = ", ".join((*said.doubts, *(f"look at {at:.0f} m" for at in said.looks_m)))
    reasons = reasons or said.text.strip().replace("\n", " ")[:160]
    if said.exit_code not in case.exit_codes and not said.all_clear:
        if 0 in case.exit_codes:
            yield Judgement(Outcome.FALSE_ALARM, f"exit {said.exit_code}: {reasons}")
        elif case.truth.over and case.truth.sound:
            yield Judgement(Outcome.NOT_CALLED, f"exit {said.exit_code}: {reasons}")
        else:
            yield Judgement(Outcome.WRONG_EXIT, f"exit {said.exit_code}")
    elif case.doubt is Doubt.NEVER and said.doubts and not said.refused:
        yield Judgement(Outcome.FALSE_ALARM, f"doubts a sound pair: {', '.join(said.doubts)}")


def _numbers(case: Case, said: Reading) -> Iterator[Judgement]:
    truth = case.truth
    if truth.length_m is None:
        return
    if said.length_m is not None and not said.doubted:
        off_m = said.length_m - truth.length_m
        if abs(off_m) > _LENGTH_SLACK_M + _LENGTH_SHARE * truth.length_m:
            yield Judgement(Outcome.WRONG_NUMBER, f"length off by {off_m:+.0f} m")
    claimed = [False] * len(truth.places)
    for loss in said.losses:
        inside = [
            k for k, p in enumerate(truth.places) if _close(case, loss.distance_m, p.distance_m)
        ]
        for k in inside:
            claimed[k] = True
        if loss.loss_db is None or loss.action in ("look at it", "shoot again"):
            continue
        true_db = _best_sum([truth.places[k].loss_db for k in inside], loss)
        slack_db = _LOSS_SLACK_DB + _TIMES_U * (loss.expanded_u_db or 0.0)
        if not inside and abs(loss.loss_db) > _COUNTS_DB:
            what = f"{loss.loss_db:.3f} dB at {loss.distance_m:.0f} m is invented"
            yield Judgement(Outcome.WRONG_NUMBER, what)
        elif inside and abs(loss.loss_db - true_db) > slack_db:
            what = f"{loss.loss_db:.3f} dB at {loss.distance_m:.0f} m is {true_db:.3f}"
            yield Judgement(Outcome.WRONG_NUMBER, what)
    for told, place in zip(claimed, truth.places, strict=True):
        if not told and place.loss_db > _COUNTS_DB and not said.doubted:
            what = f"{place.loss_db:.3f} dB at {place.distance_m:.0f} m is not listed"
            yield Judgement(Outcome.WRONG_NUMBER, what)


def _words(case: Case, said: Reading) -> Iterator[Judgement]:
    for pattern in case.must_not_say:
        if _says(said, pattern):
            yield Judgement(Outcome.WRONG_WORDS, f"says /{pattern}/")
    if case.may_say and not any(_says(said, pattern) for pattern in case.may_say):
        yield Judgement(Outcome.WRONG_WORDS, f"says none of {', '.join(case.may_say)}")
    for disagreement in said.disagreements:
        yield Judgement(Outcome.WRONG_WORDS, disagreement)


def _says(said: Reading, pattern: str) -> bool:
    """Search the screen as it is, and with its folded lines joined."""
    joined = " ".join(said.text.split())
    flags = re.IGNORECASE | re.MULTILINE
    return bool(re.search(pattern, said.text, flags) or re.search(pattern, joined, flags))


def _close(case: Case, said_m: float, true_m: float) -> bool:
    return abs(said_m - true_m) <= case.tolerance_m + 0.002 * true_m


def _best_sum(losses: list[float], said: Loss) -> float:
    """Give the true loss that the figure can stand for: of one of the places, or their sum."""
    whole = sum(losses)
    return min((*losses, whole), key=lambda loss: abs(loss - (said.loss_db or 0.0)), default=0.0)
