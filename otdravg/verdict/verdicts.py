"""What a judge answers: a verdict with its limit, its figure, its reason and what it asks for."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal

from otdravg.findings import Statement, says, values
from otdravg.verdict.decision import Action, Verdict, held_against
from otdravg.verdict.limits import Rule
from otdravg.verdict.rules import Method, OneWayCause

#: From what needs least to what needs most.
_IN_ORDER = (
    Verdict.NOT_JUDGED,
    Verdict.INFORMATION,
    Verdict.WITHIN,
    Verdict.WITHIN_ONE_WAY,
    Verdict.ACCEPTED,
    Verdict.TOO_CLOSE,
    Verdict.ONE_WAY,
    Verdict.NOT_MEASURED,
    Verdict.NOT_GRADABLE,
    Verdict.IMPLAUSIBLE,
    Verdict.TEMPORARY,
    Verdict.EVIDENCE_DUE,
    Verdict.BEND,
    Verdict.OVER,
    Verdict.FAILED,
    Verdict.METHOD_BARRED,
)

_RANKS = {verdict: rank for rank, verdict in enumerate(_IN_ORDER)}


def severity(verdict: Verdict) -> int:
    """Rank a verdict: the higher, the more it asks for."""
    return _RANKS[verdict]


@dataclass(frozen=True, slots=True)
class SpliceVerdict:
    """The answer for one splice, connector or span under one rule of a profile.

    Figure, uncertainty and limit are the very numbers that were compared, in dB (dB/km for
    ``fibre.attenuation_db_per_km``, per cent for ``share.percent``). A limit stands here too
    where nothing could be held against it.
    """

    verdict: Verdict
    reason: Statement
    action: Action = Action.NONE
    rule: str = ""  # key of the profile that decided, such as "splice.limit_db"
    limit_db: Decimal | None = None  # None where no limit applies
    near_limit: bool = False  # the limit lies inside the figure ± U
    figure: Decimal | None = None  # as reported; None if not measured
    expanded_u: Decimal | None = None  # k = 2; None if not known

    @property
    def needs_work(self) -> bool:
        """Whether somebody has to do something about it."""
        return self.action is not Action.NONE


def held(
    figure: Decimal | None,
    expanded_u: Decimal | None,
    limit: Decimal,
    decision: Rule,
    rule: str,
    what: Statement | str,
    over: Action = Action.LOOK,
    unit: str = "dB",
) -> SpliceVerdict:
    """Hold a figure against its limit and say so; see :func:`.decision.held_against`.

    Parameters
    ----------
    figure : Decimal or None
        As reported; None: not measured.
    what : Statement or str
        What the figure is of; for a loss that was measured what its codes begin with.
    over : Action
        What a figure over the limit asks for.
    """
    if figure is None:
        reason = says("part-not-measured", what=what)
        return SpliceVerdict(Verdict.NOT_MEASURED, reason, Action.SHOOT_AGAIN, rule, limit)
    found = held_against(figure, expanded_u, limit, decision)
    action, code = {
        Verdict.WITHIN: (Action.NONE, "within"),
        Verdict.TOO_CLOSE: (Action.SHOOT_AGAIN, "too-close"),
        Verdict.OVER: (over, "over"),
    }[found.verdict]
    if isinstance(what, str):
        named = values(loss_db=figure, expanded_db=expanded_u, limit_db=limit)
        named += values(over_db=figure - limit) if found.verdict is Verdict.OVER else ()
        reason = Statement(what + code, named)
    else:
        if found.verdict is Verdict.TOO_CLOSE and expanded_u is None:
            action, code = Action.LOOK, "unsure"  # no other shot would tell
        named = values(
            what=what, figure=figure, expanded=expanded_u, limit=limit, over=figure - limit,
            unit=unit,
        )  # fmt: skip
        reason = Statement(f"held-{code}", named)
    return SpliceVerdict(
        found.verdict, reason, action, rule, limit, found.near_limit, figure, expanded_u
    )


@dataclass(frozen=True, slots=True)
class Circumstances:
    """What else is known of a splice, and matters to some rules only."""

    wavelength_nm: float  # nominal
    attempt: int = 1  # how many times the splice has been made
    method: Method | None = None  # None: as the profile says
    length_m: float | None = None  # of the span
    fibre_type: str = ""  # such as "G.652"
    finding_codes: frozenset[str] = frozenset()  # doubts about the data it was measured from
    one_way_cause: OneWayCause | None = None  # recorded: why there is no other direction


@dataclass(frozen=True, slots=True)
class PlaceReading:
    """True loss of one place at one wavelength."""

    verdict: SpliceVerdict
    loss_db: float | None
    u_db: float | None  # standard uncertainty


def worst_of(rules: Iterable[SpliceVerdict]) -> SpliceVerdict | None:
    """Return the verdict that asks for most; None of none."""
    return max(rules, key=lambda rule: severity(rule.verdict), default=None)
