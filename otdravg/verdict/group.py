"""Many splices held together: means of a fibre, ribbon or closure, and shares of a cable."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from decimal import ROUND_FLOOR, Decimal
from enum import Enum
from math import sqrt

from otdravg.findings import says
from otdravg.quantities import Quantity, reported
from otdravg.verdict.decision import Action, Verdict, expanded, held_against
from otdravg.verdict.rules import Profile
from otdravg.verdict.verdicts import SpliceVerdict, held

#: True losses as reported and their standard uncertainties, dB; None where not measured, or not
#: known.
Losses = Sequence[tuple[Decimal | None, float | None]]


class Whole(Enum):
    """What splices are held together for; all at one wavelength."""

    RIBBON = "ribbon"  # at one closure: what one arc made
    CLOSURE = "closure"
    CABLE = "cable"


def judge_group(
    profile: Profile,
    whole: Whole,
    losses: Losses,
    wavelength_nm: float,
    from_one_end: Sequence[Decimal] = (),
) -> tuple[SpliceVerdict, ...]:
    """Judge splices together by every rule that the profile has for such a group.

    Parameters
    ----------
    profile : Profile
    whole : Whole
        What the splices are the whole of.
    losses : sequence
        True loss as reported and standard uncertainty of every splice there; a loss that nobody
        may rely on is None.
    wavelength_nm : float
        Nominal.
    from_one_end : sequence of Decimal, optional
        Readings, dB, of a ribbon under construction that the far end does not see: its losses are
        not known, and held is what the stage says of their mean.
    """
    if from_one_end:
        return tuple(_from_one_end(profile, from_one_end, wavelength_nm))
    if whole is Whole.CABLE:
        return tuple(_share(profile, losses, wavelength_nm))
    rule = profile.ribbon if whole is Whole.RIBBON else profile.closure
    limit_db, key = rule.mean_limit_db.at(wavelength_nm), f"{whole.value}.mean_limit_db"
    if limit_db is None or not losses:
        return ()
    return (held_mean(profile, losses, limit_db, key, Action.LOOK),)


def _from_one_end(
    profile: Profile, readings: Sequence[Decimal], wavelength_nm: float
) -> Iterator[SpliceVerdict]:
    """Hold the mean of a ribbon's readings from one end: steps in the glass even out in it.

    Their own scatter, of losses and steps, is what leaves it uncertain: u = s/√n.
    """
    limit_db = profile.stage.ribbon_limit_db.at(wavelength_nm)
    count = len(readings)
    if limit_db is None or count < 2:
        return
    mean_db = sum(readings, Decimal(0)) / count
    spread = sqrt(sum(float(one - mean_db) ** 2 for one in readings) / (count - 1))
    shown_db = reported(float(mean_db), Quantity.LOSS_DB)
    key = f"stages.{profile.stage.name}.ribbon_limit_db"
    if shown_db is not None:
        what = says("mean-from-one-end", count=count)
        yield held(
            shown_db, expanded(spread / sqrt(count)), limit_db, profile.rule, key, what, Action.LOOK
        )


def mean_of(losses: Losses) -> tuple[Decimal | None, float | None]:
    """Return the mean of the known losses as reported, and its standard uncertainty.

    The mean is of rounded losses, so that anyone can redo it from the printed column. Splices
    are taken as independent: u = √(Σ u²)/n; not known if one is not.
    """
    known = [(loss, u) for loss, u in losses if loss is not None]
    if not known:
        return None, None
    count, shares = len(known), [u for _, u in known if u is not None]
    u_mean_db = sqrt(sum(u * u for u in shares)) / count if len(shares) == count else None
    mean_db = sum((loss for loss, _ in known), Decimal(0)) / count
    return reported(float(mean_db), Quantity.LOSS_DB), u_mean_db


def held_mean(
    profile: Profile, losses: Losses, limit_db: Decimal, key: str, over: Action
) -> SpliceVerdict:
    """Hold the mean of all splices against its limit; with one missing there is no mean."""
    mean_db, u_mean_db = mean_of(losses)
    count, missing = len(losses), sum(loss is None for loss, _ in losses)
    if mean_db is None or missing:
        reason = says("mean-not-measured", missing=missing, count=count)
        return SpliceVerdict(Verdict.NOT_MEASURED, reason, Action.SHOOT_AGAIN, key, limit_db)
    what = says("mean-of-splices", count=count)
    return held(mean_db, expanded(u_mean_db), limit_db, profile.rule, key, what, over)


def _share(profile: Profile, losses: Losses, wavelength_nm: float) -> Iterator[SpliceVerdict]:
    """Count the splices that keep the tighter limit.

    Compared is the exact share. Splices that are not measured, or too close to call, may lie on
    either side: where that could turn the answer, nothing is decided.
    """
    percent, limit_db = profile.share.percent, profile.share.limit_db.at(wavelength_nm)
    if percent is None or limit_db is None or not losses:
        return
    held_each = [
        held_against(loss, expanded(u), limit_db, profile.rule).verdict
        for loss, u in losses
        if loss is not None
    ]
    count, within = len(losses), held_each.count(Verdict.WITHIN)
    most, missing = count - held_each.count(Verdict.OVER), len(losses) - len(held_each)
    share = (Decimal(100 * within) / count).quantize(Decimal("0.1"), ROUND_FLOOR)
    verdict, action, code = Verdict.OVER, Action.LOOK, "share-over"
    if 100 * within >= percent * count:
        verdict, action, code = Verdict.WITHIN, Action.NONE, "share-within"
    elif 100 * most >= percent * count and missing:
        verdict, action, code = Verdict.NOT_MEASURED, Action.SHOOT_AGAIN, "share-not-measured"
    elif 100 * most >= percent * count:
        verdict, action, code = Verdict.TOO_CLOSE, Action.SHOOT_AGAIN, "share-too-close"
    reason = says(code, within=within, most=most, count=count, percent=percent, limit_db=limit_db,
                  share=share)  # fmt: skip
    yield SpliceVerdict(verdict, reason, action, "share.percent", percent, figure=share)
