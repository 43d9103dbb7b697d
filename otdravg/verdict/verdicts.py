"""What a profile answers: a verdict with its limit, its reason and what it asks for."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal

from otdravg.verdict.decision import Action, Verdict
from otdravg.verdict.rules import Method

__all__ = [
    "Circumstances",
    "PlaceReading",
    "PlaceVerdict",
    "SpanVerdict",
    "SpliceVerdict",
    "severity",
]

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


def severity(verdict: Verdict) -> int:
    """Rank a verdict: the higher, the more it asks for."""
    return _IN_ORDER.index(verdict)


@dataclass(frozen=True, slots=True)
class SpliceVerdict:
    """The answer for one splice, connector or span under one rule of the profile."""

    verdict: Verdict
    limit_db: Decimal | None  # None where no limit applies
    near_limit: bool  # the limit lies inside the figure ± U
    reason: str  # one sentence
    action: Action
    rule: str = ""  # key of the profile that decided, such as "splice.limit_db"


@dataclass(frozen=True, slots=True)
class Circumstances:
    """What else is known of a splice, and matters to some rules only.

    ``one_way_db`` is the reading of the one direction that exists, with ``u_one_way_db``
    its standard uncertainty; ``one_way_reason`` the recorded cause why there is no other.
    """

    one_way_db: float | None = None
    u_one_way_db: float | None = None
    one_way_reason: str = ""
    method: Method | None = None  # None: as the profile says
    length_m: float | None = None  # of the span
    fibre_type: str = ""
    finding_codes: frozenset[str] = frozenset()  # doubts about the data it was measured from


@dataclass(frozen=True, slots=True)
class PlaceReading:
    """True loss of one place at one wavelength."""

    verdict: SpliceVerdict
    loss_db: float | None
    u_db: float | None  # standard uncertainty


@dataclass(frozen=True, slots=True)
class PlaceVerdict:
    """One place judged at all its wavelengths."""

    overall: SpliceVerdict
    by_wavelength_nm: Mapping[int, SpliceVerdict] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class SpanVerdict:
    """One fibre judged by every span rule that the profile has; none of them excuses a splice."""

    rules: tuple[SpliceVerdict, ...]
    mean_db: Decimal | None  # of the splices' true losses, as reported

    @property
    def worst(self) -> SpliceVerdict | None:
        """The rule that asks for most; None where the profile has no span rule."""
        return max(self.rules, key=lambda rule: severity(rule.verdict), default=None)
