"""The choice about a unit, weighed and set out. It advises; people decide."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

from otdravg.cable.resplice.model import Choice, FailingFibre, Option, RemakeRisk
from otdravg.findings import Statement, says
from otdravg.verdict import Profile
from otdravg.verdict.decision import Action, Verdict

__all__ = ["advice", "options"]

#: A splice is surely over if the chance of it is at least this (one-sided 97.5 %, k = 2).
_SURE = 0.975
#: More averaging than this is not worth proposing.
_MOST_TIMES_LONGER = 100


def _to_cut(failing: Sequence[FailingFibre]) -> list[FailingFibre]:
    """Failing fibres that a remake is about; a bend is undone by hand."""
    return [f for f in failing if f.verdict.verdict is not Verdict.BEND]


def advice(
    failing: Sequence[FailingFibre], risk: RemakeRisk, profile: Profile
) -> tuple[Choice, Statement]:
    """Weigh the choice; the reason names what tipped it.

    Attempts that are due come before any concession: those of the profile, without such a rule
    one more than the first (common practice, no source), unless unequal fibres alone cost more
    than the limit.
    """
    to_cut = _to_cut(failing)
    redo = Choice.SINGLE if _is_alone(to_cut, risk, profile) else Choice.REDO
    if not to_cut:
        return Choice.RE_DRESS, says("only-bends")
    if any(f.verdict.verdict in (Verdict.TEMPORARY, Verdict.METHOD_BARRED) for f in to_cut):
        return redo, says("kind-to-replace")
    sure = [f for f in to_cut if f.chance_over is not None and f.chance_over >= _SURE]
    cuttable = [f for f in sure if f.verdict.action is not Action.LOOK]
    if not cuttable:
        return Choice.MEASURE, says("none-surely-over")
    allowed = profile.splice.attempts
    made = min(f.attempt for f in cuttable)
    if allowed is not None and made < allowed.allowed:
        return redo, says("attempt-due", made=made, allowed=allowed.allowed)
    stuck = [f for f in cuttable if _limit_below_floor(f)]
    if len(stuck) == len(cuttable):
        return Choice.CONCESSION, says("unequal-fibres")
    spent = [f for f in cuttable if f.verdict.verdict is Verdict.FAILED]
    if len(spent) == len(cuttable):
        return Choice.CONCESSION, says("attempts-spent")
    if redo is Choice.SINGLE:
        return redo, says("one-fibre-alone")
    if allowed is None and made == 1 and not stuck:
        return redo, says("spliced-once")
    better = risk.expected_failing < len(to_cut)
    expected = Decimal(f"{risk.expected_failing:.1f}")
    because = says("remake-brings", failing=len(to_cut), expected=expected)
    worst = max(cuttable, key=lambda f: f.over_by_db or Decimal(0))
    after_db = risk.expected_worst_db
    if worst.loss_db is not None and worst.over_by_db is not None and after_db is not None:
        because = says(
            "remake-brings-worst", failing=len(to_cut), expected=expected,
            worst_db=worst.loss_db, after_db=after_db,
        )  # fmt: skip
        # More fibres just over can still be better than one far over.
        better = better or worst.loss_db - after_db > worst.over_by_db / 2
    return (Choice.REDO if better else Choice.CONCESSION), because


def _is_alone(to_cut: Sequence[FailingFibre], risk: RemakeRisk, profile: Profile) -> bool:
    """Whether one fibre of a ribbon is to be made again, and may be without the others."""
    return profile.ribbon.single_fibre and risk.fibres > 1 and len({f.fibre for f in to_cut}) == 1


def _limit_below_floor(fibre: FailingFibre) -> bool:
    limit_db = fibre.verdict.limit_db
    return fibre.floor_db is not None and limit_db is not None and fibre.floor_db > limit_db


def options(
    failing: Sequence[FailingFibre], risk: RemakeRisk, profile: Profile
) -> tuple[Option, ...]:
    """Set the choice out, each way with what it brings."""
    ways = []
    to_cut = _to_cut(failing)
    if len(to_cut) < len(failing):
        bent = ", ".join(str(f.fibre) for f in failing if f.verdict.verdict is Verdict.BEND)
        ways.append(Option(Choice.RE_DRESS, says("bend-in-fibre", fibres=bent)))
    if not to_cut:
        return tuple(ways)
    if _is_alone(to_cut, risk, profile):
        ways.append(
            Option(
                Choice.SINGLE,
                says(
                    "single-brings", fibre=to_cut[0].fibre, percent=round(100 * (1 - risk.p_fail))
                ),
            )
        )
    more = []
    if risk.expected_worst_db is not None:
        more.append(says("worst-then", after_db=risk.expected_worst_db))
    if risk.counted_ribbons:
        more.append(says("clean-so-far", clean=risk.clean_ribbons, ribbons=risk.counted_ribbons))
    brings = says(
        "redo-brings", *more, fibres=risk.fibres, failing=len(to_cut),
        expected=Decimal(f"{risk.expected_failing:.1f}"),
        percent=round(100 * risk.chance_all_pass), each=Decimal(f"{100 * risk.p_fail:.1f}"),
    )  # fmt: skip
    ways.append(Option(Choice.REDO, brings))
    ways.append(Option(Choice.CONCESSION, _concession(to_cut)))
    unsure = [f for f in to_cut if f.chance_over is not None and f.chance_over < _SURE]
    if unsure:
        ways.append(Option(Choice.MEASURE, _measuring(unsure)))
    return tuple(ways)


def _concession(to_cut: Sequence[FailingFibre]) -> Statement:
    over = [f.over_by_db for f in to_cut if f.over_by_db is not None and f.over_by_db > 0]
    floors = [f.floor_db for f in to_cut if f.floor_db is not None]
    stays = [says("floor-stays", floor_db=max(floors))] if floors else []
    if over:
        return says("concession-over", *stays, fibres=len(to_cut), over_db=max(over))
    return says("concession", *stays, fibres=len(to_cut))


def _measuring(unsure: Sequence[FailingFibre]) -> Statement:
    """Say how sure it is, and how much longer averaging would settle it."""
    parts = []
    for fibre in unsure:
        more = []
        distance = abs(float(fibre.over_by_db or 0))
        if fibre.u_loss_db and distance > 0:
            # Noise falls with the root of the averaging time; k = 2 has to fit the distance.
            times = (2 * fibre.u_loss_db / distance) ** 2
            if times <= _MOST_TIMES_LONGER:
                more = [says("averaging-tells", times=Decimal(f"{max(times, 1.1):.2g}"))]
            else:
                more = [says("no-averaging-tells")]
        percent = round(100 * (fibre.chance_over or 0))
        parts.append(says("over-by-chance", *more, fibre=fibre.fibre, percent=percent))
    return says("measuring-brings", parts=tuple(parts))
