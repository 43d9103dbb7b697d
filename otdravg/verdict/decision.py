"""The decision: the one place where a figure meets its limit.

Verdicts and what they ask for, for one pair as for a whole cable. A figure is rounded as
it is reported before it comes here and compared in decimals, so that 0.150 passes 0.15
whatever binary floats make of it.

References
----------
.. [1] JCGM 106:2012, *The role of measurement uncertainty in conformity assessment*:
   guarded acceptance of an upper limit T is loss ≤ T - U.
.. [2] ILAC-G8:09/2019, *Guidelines on decision rules and statements of conformity*.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from enum import Enum

from otdravg.quantities import Quantity, reported
from otdravg.verdict.limits import Rule

#: Findings after which no figure is a loss, whatever the contract says: points that nobody
#: measured, shots that are not of one fibre, and shots of a splice that was made again since.
NEVER_GRADED = frozenset(
    {"bit-stuck", "closure-unseen", "flat-stretch", "noise-repeats", "noise-shared",
     "attenuation-impossible", "attenuation-unequal", "fibres-crossed", "numbering-differs",
     "numbering-unexplained", "order-unknown", "other-fibre", "pair-doubtful",
     "pair-of-two-states", "shot-before-work", "shots-under-one-name"}
)  # fmt: skip

#: Below zero by this many standard uncertainties the true loss is not noise: no splice amplifies
#: light. Derived: Φ(−3), a chance of 0.1 % for a lossless splice.
_IMPLAUSIBLE_SIGMAS = 3


class Verdict(Enum):
    """The answer for one position, or for one span."""

    WITHIN = "within limit"
    OVER = "over limit"
    TOO_CLOSE = "too close to call"
    IMPLAUSIBLE = "negative average, check the pair"  # no splice amplifies
    ONE_WAY = "one direction only"
    NOT_MEASURED = "not measured"
    NOT_JUDGED = (
        "not evaluated"  # no limit is set, as for connectors: the splice limit is not theirs
    )
    WITHIN_ONE_WAY = "within the one-way limit"  # one end only, for a cause the contract allows
    ACCEPTED = "accepted out of specification"  # after the attempts that the contract allows
    FAILED = "over limit after the last attempt"
    EVIDENCE_DUE = "over limit, evidence due"  # attempts to reduce it have to be documented
    BEND = "bend suspected"  # loses far more at the longer wavelength
    INFORMATION = "information only"  # this wavelength does not bear on acceptance
    NOT_GRADABLE = "not gradable"  # the data are in doubt, not the splice
    TEMPORARY = "temporary splice"  # a method allowed only until it is replaced
    METHOD_BARRED = "method not allowed"


class Action(Enum):
    """What the verdict asks for."""

    NONE = "none"
    RE_SPLICE = "re-splice"
    RE_DRESS = "re-dress and shoot again"
    LOOK = "look at it"
    SHOOT_AGAIN = "shoot again"
    RECORD = "record the evidence"
    ASK = "ask for a concession"


class Answer(Enum):
    """What a technician does now, of a whole pair."""

    CUT = "cut"
    CHECK = "check"  # the files, the labels, or a place, before anything else
    SHOOT_AGAIN = "shoot again"
    LEAVE = "leave"  # proved: nothing is to be done


@dataclass(frozen=True, slots=True)
class Held:
    """What came of holding a figure against a limit."""

    verdict: Verdict  # WITHIN, OVER or TOO_CLOSE
    near_limit: bool  # the limit lies inside figure ± U


def held_against(figure: Decimal, expanded_u: Decimal | None, limit: Decimal, rule: Rule) -> Held:
    """Hold a figure against its upper limit.

    Parameters
    ----------
    figure : Decimal
        The figure as reported, such as a true loss to 0.001 dB.
    expanded_u : Decimal or None
        Its expanded uncertainty U (k = 2), as reported; not negative; None where it is not known.
    limit : Decimal
        The upper limit T, in the same unit. For a lower limit give both with the sign turned.
    rule : Rule
        Plain or guarded.

    Notes
    -----
    Within if figure ≤ T. T lies inside figure ± U when neither figure + U ≤ T (guarded
    acceptance [1]_) nor figure - U > T; the plain rule then marks ``near_limit``, the guarded
    rule declines to decide. It declines where U is not known, too: unknown is not 0.
    """
    if expanded_u is None:
        plain = Verdict.WITHIN if figure <= limit else Verdict.OVER
        return Held(Verdict.TOO_CLOSE if rule is Rule.GUARDED else plain, near_limit=False)
    near_limit = figure - expanded_u <= limit < figure + expanded_u
    if near_limit and rule is Rule.GUARDED:
        return Held(Verdict.TOO_CLOSE, near_limit)
    return Held(Verdict.WITHIN if figure <= limit else Verdict.OVER, near_limit)


def expanded(u: float | None, quantity: Quantity = Quantity.UNCERTAINTY_DB) -> Decimal | None:
    """Return the expanded uncertainty (k = 2) as reported; None where none is known."""
    return reported(None if u is None else 2 * u, quantity)


def is_implausible(loss_db: float | None, u_db: float | None) -> bool:
    """Tell whether a true loss is below zero by more than its noise explains."""
    return loss_db is not None and u_db is not None and loss_db < -_IMPLAUSIBLE_SIGMAS * u_db
