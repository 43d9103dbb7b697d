"""The choice about a unit, weighed and set out. It advises; people decide."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

from otdravg.cable.resplice.model import Choice, FailingFibre, Option, RemakeRisk
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
) -> tuple[Choice, str]:
    """Weigh the choice; the reason names what tipped it.

    Attempts that are due come before any concession: those of the profile, without such a rule
    one more than the first (common practice, no source), unless unequal fibres alone cost more
    than the limit.
    """
    to_cut = _to_cut(failing)
    redo = Choice.SINGLE if _is_alone(to_cut, risk, profile) else Choice.REDO
    if not to_cut:
        return Choice.RE_DRESS, "Nothing but suspected bends: nothing has to be cut."
    if any(f.verdict.verdict in (Verdict.TEMPORARY, Verdict.METHOD_BARRED) for f in to_cut):
        return redo, "A splice is of a kind that has to be replaced."
    sure = [f for f in to_cut if f.chance_over is not None and f.chance_over >= _SURE]
    cuttable = [f for f in sure if f.verdict.action is not Action.LOOK]
    if not cuttable:
        return Choice.MEASURE, "No fibre is surely over its limit and surely a single splice."
    allowed = profile.splice.attempts
    made = min(f.attempt for f in cuttable)
    if allowed is not None and made < allowed.allowed:
        return redo, f"Attempt {made} of {allowed.allowed}: another is due before a concession."
    stuck = [f for f in cuttable if _limit_below_floor(f)]
    if len(stuck) == len(cuttable):
        return Choice.CONCESSION, "Unequal fibres alone cost more than the limit."
    spent = [f for f in cuttable if f.verdict.verdict is Verdict.FAILED]
    if len(spent) == len(cuttable):
        return Choice.CONCESSION, "The allowed attempts are spent."
    if redo is Choice.SINGLE:
        return redo, "One fibre is over, and the profile lets it be spliced alone."
    if allowed is None and made == 1 and not stuck:
        return redo, "Spliced once so far: a second attempt comes before a concession."
    better = risk.expected_failing < len(to_cut)
    because = f"{len(to_cut)} not passing now, {risk.expected_failing:.1f} expected after a remake"
    worst = max(cuttable, key=lambda f: f.over_by_db or Decimal(0))
    after_db = risk.expected_worst_db
    if worst.loss_db is not None and worst.over_by_db is not None and after_db is not None:
        because += f"; worst {worst.loss_db} dB now, about {after_db} dB then"
        # More fibres just over can still be better than one far over.
        better = better or worst.loss_db - after_db > worst.over_by_db / 2
    return (Choice.REDO if better else Choice.CONCESSION), f"{because}."


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
        sentence = f"Suspected bend in fibre {bent}: no cutting, no risk to the others."
        ways.append(Option(Choice.RE_DRESS, sentence))
    if not to_cut:
        return tuple(ways)
    if _is_alone(to_cut, risk, profile):
        ways.append(
            Option(
                Choice.SINGLE,
                f"Fibre {to_cut[0].fibre} alone is broken out and spliced again: within the limit "
                f"with a chance of {100 * (1 - risk.p_fail):.0f} %; the others are not cut.",
            )
        )
    worst = (
        "" if risk.expected_worst_db is None else f"; worst then about {risk.expected_worst_db} dB"
    )
    so_far = (
        f" So far {risk.clean_ribbons} of {risk.counted_ribbons} ribbons are clean."
        if risk.counted_ribbons
        else ""
    )
    ways.append(
        Option(
            Choice.REDO,
            f"All {risk.fibres} fibres are spliced again: {len(to_cut)} not passing now, "
            f"{risk.expected_failing:.1f} expected after; all within with a chance of "
            f"{100 * risk.chance_all_pass:.0f} % at {100 * risk.p_fail:.1f} % failing each{worst}."
            f"{so_far}",
        )
    )
    ways.append(Option(Choice.CONCESSION, _concession(to_cut)))
    unsure = [f for f in to_cut if f.chance_over is not None and f.chance_over < _SURE]
    if unsure:
        ways.append(Option(Choice.MEASURE, _measuring(unsure)))
    return tuple(ways)


def _concession(to_cut: Sequence[FailingFibre]) -> str:
    over = [f.over_by_db for f in to_cut if f.over_by_db is not None and f.over_by_db > 0]
    most = f", the worst by {max(over)} dB" if over else ""
    floors = [f.floor_db for f in to_cut if f.floor_db is not None]
    stays = (
        f" About {max(floors)} dB of a loss (estimate) is unequal fibre and stays."
        if floors
        else ""
    )
    noun = "fibre stays" if len(to_cut) == 1 else "fibres stay"
    return f"{len(to_cut)} {noun} as measured{most}; nothing is put at risk.{stays}"


def _measuring(unsure: Sequence[FailingFibre]) -> str:
    """Say how sure it is, and how much longer averaging would settle it."""
    parts = []
    for fibre in unsure:
        sentence = (
            f"fibre {fibre.fibre} is over with a chance of {100 * (fibre.chance_over or 0):.0f} %"
        )
        distance = abs(float(fibre.over_by_db or 0))
        if fibre.u_loss_db and distance > 0:
            # Noise falls with the root of the averaging time; k = 2 has to fit the distance.
            times = (2 * fibre.u_loss_db / distance) ** 2
            if times <= _MOST_TIMES_LONGER:
                sentence += f" (averaging {max(times, 1.1):.2g} times as long would tell)"
            else:
                sentence += " (on the limit: no averaging will tell)"
        parts.append(sentence)
    return "Too close to call: " + "; ".join(parts) + "."
