"""What an acceptance profile says, one frozen dataclass per rule.

Limits in dB are decimals exactly as the profile's text has them; lengths are metres.
``None`` means that the profile does not have the rule. What each rule is for, with an
example, stands in docs/profiles.md.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from enum import Enum

from otdravg.verdict.limits import in_band

__all__ = [
    "AttemptsRule",
    "BendRule",
    "ChangeRule",
    "Closures",
    "Combination",
    "CompletenessRule",
    "ConnectorRule",
    "DataRule",
    "DbByWavelength",
    "Directions",
    "FibreRule",
    "LaunchUse",
    "LengthStep",
    "LossFormula",
    "Method",
    "MethodRule",
    "OneWayRule",
    "Permission",
    "RangeStep",
    "SetupRule",
    "SpanRule",
    "SpliceRule",
    "Stage",
    "Tolerance",
    "WavelengthCase",
    "WavelengthRule",
]


@dataclass(frozen=True, slots=True)
class DbByWavelength:
    """A figure for all wavelengths, and exceptions by wavelength in nm."""

    general: Decimal | None = None
    by_wavelength_nm: Mapping[int, Decimal] = field(default_factory=dict)

    def at(self, wavelength_nm: float) -> Decimal | None:
        """Return the figure for a wavelength, None where the profile has none."""
        own = in_band(self.by_wavelength_nm, wavelength_nm)
        return self.general if own is None else own

    def __bool__(self) -> bool:
        return self.general is not None or bool(self.by_wavelength_nm)


class Combination(Enum):
    """How the wavelengths of one place are judged together; a text's "and/or" has to be chosen."""

    ALL = "all"  # every wavelength has to be within its limit
    ANY = "any"  # one wavelength within its limit is enough


class Method(Enum):
    """How a splice was made."""

    FUSION = "fusion"  # one fibre at a time
    RIBBON = "ribbon"  # mass fusion
    MECHANICAL = "mechanical"


class Permission(Enum):
    """Whether a method may be used."""

    YES = "yes"
    TEMPORARY = "temporary"  # until it is replaced
    NO = "no"


@dataclass(frozen=True, slots=True)
class AttemptsRule:
    """An objective that may be missed after a number of attempts, up to a fallback limit."""

    allowed: int
    fallback_db: DbByWavelength = field(default_factory=DbByWavelength)


@dataclass(frozen=True, slots=True)
class MethodRule:
    """Own limits of one splicing method; what it leaves out is as in the splice rule."""

    permitted: Permission = Permission.YES
    limit_db: DbByWavelength = field(default_factory=DbByWavelength)
    nominal_db: Decimal | None = None


@dataclass(frozen=True, slots=True)
class SpliceRule:
    """Limit of each splice's true loss, the average of both directions."""

    limit_db: DbByWavelength = field(default_factory=DbByWavelength)
    nominal_db: Decimal | None = None  # what is usual; above it a splice passes with a remark
    wavelengths: Combination = Combination.ALL
    method: Method = Method.RIBBON  # used where a splice's own is not stated
    methods: Mapping[Method, MethodRule] = field(default_factory=dict)
    attempts: AttemptsRule | None = None


@dataclass(frozen=True, slots=True)
class OneWayRule:
    """What holds where only one direction can be measured, and the causes that allow it."""

    reasons: tuple[str, ...]
    splice_limit_db: DbByWavelength = field(default_factory=DbByWavelength)
    span_mean_limit_db: DbByWavelength = field(default_factory=DbByWavelength)


class Directions(Enum):
    """From how many ends a fibre is shot."""

    BOTH = "both"
    ONE = "one"


class Closures(Enum):
    """How the closures have to be when shots are taken."""

    ANY = "any"
    OPEN = "open"
    CLOSED = "closed"


@dataclass(frozen=True, slots=True)
class Stage:
    """A stage of the work with its own rules for shots."""

    name: str
    directions: Directions = Directions.BOTH
    closures: Closures = Closures.ANY
    limit_db: DbByWavelength = field(
        default_factory=DbByWavelength
    )  # empty: that of the splice rule


@dataclass(frozen=True, slots=True)
class LengthStep:
    """Span-loss limit up to a length; ``includes_end``: the length itself still belongs to it."""

    end_m: float
    includes_end: bool
    limit_db: Decimal


@dataclass(frozen=True, slots=True)
class LossFormula:
    """End-to-end limit a·L + s·N + c·M for length L, N splices and M connectors."""

    fibre_db_per_km: DbByWavelength
    splice_db: Decimal = Decimal(0)
    connector_db: Decimal = Decimal(0)


@dataclass(frozen=True, slots=True)
class SpanRule:
    """Limits of a whole fibre, beside those of its splices."""

    mean_limit_db: DbByWavelength = field(
        default_factory=DbByWavelength
    )  # of the mean of its splices' true losses
    evidence_attempts: int | None = None  # over the mean: not a failure if so many are documented
    steps: tuple[LengthStep, ...] = ()
    formula: LossFormula | None = None
    splices_per_km: Decimal | None = None  # terminations not counted


@dataclass(frozen=True, slots=True)
class FibreRule:
    """Attenuation of the fibre alone in dB/km, splices and connectors left out."""

    attenuation_db_per_km: DbByWavelength = field(default_factory=DbByWavelength)


@dataclass(frozen=True, slots=True)
class ConnectorRule:
    """Limits of connectors; each is None where the profile has none."""

    limit_db: Decimal | None = None  # average of both directions
    end_limit_db: Decimal | None = None  # first and last: one-way by nature
    per_direction_limit_db: Decimal | None = None  # each reading alone
    reflectance_limit_db: Decimal | None = None  # at most, negative: -36 is a return loss of 36
    with_splice_limit_db: Decimal | None = None  # pigtail's connector and splice as one value
    with_splice_mismatch_limit_db: Decimal | None = None  # the same with unequal mode fields


@dataclass(frozen=True, slots=True)
class WavelengthCase:
    """Wavelengths that are required under a condition; the first case that holds counts."""

    required_nm: tuple[int, ...]
    longer_than_m: float | None = None
    fibre_types: tuple[str, ...] = ()

    def holds(self, length_m: float | None, fibre_type: str) -> bool:
        """Tell whether the case applies; an unknown length or fibre type meets no condition."""
        wanted = {name.casefold() for name in self.fibre_types}
        long_enough = self.longer_than_m is None or (
            length_m is not None and length_m > self.longer_than_m
        )
        return long_enough and (not wanted or fibre_type.strip().casefold() in wanted)


@dataclass(frozen=True, slots=True)
class WavelengthRule:
    """Which wavelengths have to be shot, and what others are good for."""

    required_nm: tuple[int, ...] = ()
    cases: tuple[WavelengthCase, ...] = ()
    judges_others: bool = True  # False: a wavelength that is not required is information only


@dataclass(frozen=True, slots=True)
class BendRule:
    """Loss at a longer wavelength above that at the shortest from which a bend is suspected."""

    threshold_db: Decimal


@dataclass(frozen=True, slots=True)
class ChangeRule:
    """Change against a reference: an earlier shot, or the reel's shipping record."""

    increase_limit_db: Decimal | None = None
    deviation_limit_percent: Decimal | None = None


@dataclass(frozen=True, slots=True)
class Tolerance:
    """A figure that a setting has to have, and how far off it may be."""

    figure: DbByWavelength = field(default_factory=DbByWavelength)
    tolerance: Decimal = Decimal(0)


class LaunchUse(Enum):
    """Whether a cord is wanted in front of the span."""

    ANY = "any"
    REQUIRED = "required"
    NONE = "none"


@dataclass(frozen=True, slots=True)
class RangeStep:
    """Largest range setting for fibres up to a length."""

    fibre_to_m: float
    range_to_m: float


@dataclass(frozen=True, slots=True)
class SetupRule:
    """How the shots have to be taken. A value of ``None`` asks for nothing."""

    pulse_ns_min: Decimal | None = None
    pulse_ns_max: Decimal | None = None
    averages_min: int | None = None
    averaging_time_s_min: Decimal | None = None
    ranges: tuple[RangeStep, ...] = ()
    group_index: Tolerance = field(default_factory=Tolerance)
    backscatter_db: Tolerance = field(default_factory=Tolerance)
    launch: LaunchUse = LaunchUse.ANY
    launch_m_min: float | None = None
    receive: LaunchUse = LaunchUse.ANY
    receive_m_min: float | None = None


@dataclass(frozen=True, slots=True)
class CompletenessRule:
    """Which shots have to exist."""

    every_fibre: bool = True
    retest_touched: bool = False  # fibres that were spliced to are shot again afterwards


@dataclass(frozen=True, slots=True)
class DataRule:
    """Doubts about the data under which a splice is not graded at all."""

    not_gradable: frozenset[str] = frozenset()  # codes of findings
    length_difference_limit_m: float | None = None  # between both directions of one fibre
