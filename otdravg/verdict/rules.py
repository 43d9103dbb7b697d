"""The acceptance profile: a contract's rules, one frozen dataclass for each table of its file.

Fields are named as the keys of the file are (:mod:`otdravg.verdict.keys`). Limits in dB are
decimals exactly as the profile's text has them; lengths are metres. ``None`` means that the
profile does not have the rule. What each rule is for, with an example, stands in
docs/profiles.md.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from decimal import Decimal
from enum import Enum

from otdravg.errors import BadSetting
from otdravg.findings import says
from otdravg.verdict.limits import Limits, Rule, in_band, same_band

#: No published figure exists: several times what a pair of good shots leaves in doubt. Chosen, not
#: derived: two losses of 1 to 2 mdB each (accuracy) differ by less than a tenth of it; double
#: would pass a bend worth a re-dress.
_DEFAULT_BEND_DB = Decimal("0.05")


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


#: Where the profile has no figure.
NO_FIGURE = DbByWavelength()


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

    allowed: int = 1
    fallback_db: DbByWavelength = NO_FIGURE


@dataclass(frozen=True, slots=True)
class MethodRule:
    """Own limits of one splicing method; what it leaves out is as in the splice rule."""

    permitted: Permission = Permission.YES
    limit_db: DbByWavelength = NO_FIGURE
    nominal_db: Decimal | None = None


@dataclass(frozen=True, slots=True)
class SpliceRule:
    """Limit of each splice's true loss, the average of both directions."""

    limit_db: DbByWavelength = NO_FIGURE
    nominal_db: Decimal | None = None  # what is usual; above it a splice passes with a remark
    wavelengths: Combination = Combination.ALL
    method: Method = Method.RIBBON  # used where a splice's own is not stated
    methods: Mapping[Method, MethodRule] = field(default_factory=dict)
    attempts: AttemptsRule | None = None


class OneWayCause(Enum):
    """Why a contract may be content with one direction."""

    BEYOND_RANGE = "beyond-range"  # the other shot sinks into the noise before it; seen in it
    NOT_TERMINATED = "not-terminated"  # no instrument fits the other end; somebody has to say so


@dataclass(frozen=True, slots=True)
class OneWayRule:
    """What holds where only one direction can be measured, and the causes that allow it."""

    reasons: tuple[OneWayCause, ...] = ()
    splice_limit_db: DbByWavelength = NO_FIGURE
    span_mean_limit_db: DbByWavelength = NO_FIGURE


class Directions(Enum):
    """From how many ends a fibre is shot."""

    BOTH = "both"
    ONE = "one"


class Closures(Enum):
    """How the closures have to be when shots are taken."""

    ANY = "any"
    OPEN = "open"
    CLOSED = "closed"


#: The stage in which closures are spliced one after the other; every profile has it.
CONSTRUCTION = "construction"


@dataclass(frozen=True, slots=True)
class Stage:
    """A stage of the work with its own rules for shots."""

    name: str
    directions: Directions = Directions.BOTH
    closures: Closures = Closures.ANY
    limit_db: DbByWavelength = NO_FIGURE  # empty: that of the splice rule
    ribbon_limit_db: DbByWavelength = NO_FIGURE  # of the mean of a ribbon's readings from one end

    @property
    def is_building(self) -> bool:
        """Whether fibres end at the next closure, and the far end sees nothing yet."""
        return self.name == CONSTRUCTION


@dataclass(frozen=True, slots=True)
class LengthStep:
    """Span-loss limit up to a length (that length included) or below it; one of both is set."""

    up_to_m: float | None = None
    below_m: float | None = None
    limit_db: Decimal = Decimal(0)

    def holds(self, length_m: float) -> bool:
        """Tell whether a length falls into the step or a shorter one."""
        if self.up_to_m is not None:
            return length_m <= self.up_to_m
        return self.below_m is not None and length_m < self.below_m


class SpanReading(Enum):
    """Which figure the loss from end to end is."""

    TRACES = "traces"  # the sum of what both shots show
    POWER = "power"  # light source and power meter, with the connectors at both ends


@dataclass(frozen=True, slots=True)
class LossFormula:
    """End-to-end limit a·L + s·N + c·M + d for length L, N splices and M connectors."""

    fibre_db_per_km: DbByWavelength = NO_FIGURE
    splice_db: Decimal = Decimal(0)
    connector_db: Decimal = Decimal(0)
    constant_db: Decimal = Decimal(0)


@dataclass(frozen=True, slots=True)
class SpanRule:
    """Limits of a whole fibre, beside those of its splices."""

    mean_limit_db: DbByWavelength = NO_FIGURE  # of the mean of its splices' true losses
    evidence_attempts: int | None = None  # over the mean: not a failure if so many are documented
    steps: tuple[LengthStep, ...] = ()
    formula: LossFormula | None = None
    reading: SpanReading = SpanReading.TRACES
    splices_per_km: Decimal | None = None  # terminations not counted


@dataclass(frozen=True, slots=True)
class FibreRule:
    """Attenuation of the fibre alone in dB/km, splices and connectors left out."""

    attenuation_db_per_km: DbByWavelength = NO_FIGURE


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

    required: tuple[int, ...] = ()  # nm
    longer_than_m: float | None = None
    fibre_types: tuple[str, ...] = ()  # such as "G.653"; "mixed": both shots name another

    def holds(self, length_m: float | None, fibre_type: str) -> bool:
        """Tell whether the case applies; an unknown length or fibre type meets no condition."""
        long_enough = self.longer_than_m is None or (
            length_m is not None and length_m > self.longer_than_m
        )
        named = fibre_type.casefold().startswith(tuple(t.casefold() for t in self.fibre_types))
        return long_enough and (not self.fibre_types or named)


@dataclass(frozen=True, slots=True)
class WavelengthRule:
    """Which wavelengths have to be shot, and what others are good for."""

    required: tuple[int, ...] = ()  # nm
    cases: tuple[WavelengthCase, ...] = ()
    judge_others: bool = True  # False: a wavelength that is not required is information only


@dataclass(frozen=True, slots=True)
class BendRule:
    """Loss at a longer wavelength above that at the shortest from which a bend is suspected."""

    threshold_db: Decimal | None = None


@dataclass(frozen=True, slots=True)
class ChangeRule:
    """Change against an earlier shot, and of a reel's fibre against the reel's record."""

    increase_limit_db: Decimal | None = None
    deviation_limit_percent: Decimal | None = None  # of the attenuation


class LaunchUse(Enum):
    """Whether a cord is wanted in front of the span."""

    ANY = "any"
    REQUIRED = "required"
    NONE = "none"


@dataclass(frozen=True, slots=True)
class RangeStep:
    """Largest range setting for fibres up to a length."""

    fibre_to_m: float = 0.0
    range_to_m: float = 0.0


@dataclass(frozen=True, slots=True)
class SetupRule:
    """How the shots have to be taken. A value of ``None`` asks for nothing."""

    pulse_ns_min: Decimal | None = None
    pulse_ns_max: Decimal | None = None
    averages_min: int | None = None
    averaging_time_s_min: Decimal | None = None
    ranges: tuple[RangeStep, ...] = ()
    group_index: DbByWavelength = NO_FIGURE
    group_index_tolerance: Decimal = Decimal(0)
    backscatter_db: DbByWavelength = NO_FIGURE
    backscatter_tolerance_db: Decimal = Decimal(0)
    launch: LaunchUse = LaunchUse.ANY
    launch_m_min: float | None = None
    receive: LaunchUse = LaunchUse.ANY
    receive_m_min: float | None = None


@dataclass(frozen=True, slots=True)
class CompletenessRule:
    """Which shots have to exist."""

    every_fibre: bool = True
    retest_touched: bool = False  # fibres that were spliced to are shot again afterwards
    numbering_proved: bool = False  # by the glass, or by a decision that names another proof


@dataclass(frozen=True, slots=True)
class RibbonRule:
    """Fibres that are cut and made together, at one closure."""

    size: int = 12  # 0: loose tube
    single_fibre: bool = False  # one may be broken out and spliced alone
    mean_limit_db: DbByWavelength = NO_FIGURE  # of its true losses


@dataclass(frozen=True, slots=True)
class ClosureRule:
    """Limits of all splices of one closure."""

    mean_limit_db: DbByWavelength = NO_FIGURE  # of their true losses


@dataclass(frozen=True, slots=True)
class ShareRule:
    """How many splices of a cable have to keep a tighter limit than that of the splice rule."""

    percent: Decimal | None = None
    limit_db: DbByWavelength = NO_FIGURE


@dataclass(frozen=True, slots=True)
class DataRule:
    """Doubts about the data under which a splice is not graded at all."""

    not_gradable: frozenset[str] = frozenset()  # codes of findings
    length_difference_limit_m: float | None = None  # between both directions of one fibre


@dataclass(frozen=True, slots=True)
class Profile:
    """Rules that a job is judged by.

    ``is_default`` says that nobody stated them: every output says so, and that the
    contract's figures decide. ``origins`` says where figures come from, by table or key.
    """

    name: str
    title: str = ""
    source: str = ""
    is_default: bool = False
    rule: Rule = Rule.PLAIN
    splice: SpliceRule = field(default_factory=SpliceRule)
    one_way: OneWayRule = field(default_factory=OneWayRule)
    span: SpanRule = field(default_factory=SpanRule)
    fibre: FibreRule = field(default_factory=FibreRule)
    connector: ConnectorRule = field(default_factory=ConnectorRule)
    wavelengths: WavelengthRule = field(default_factory=WavelengthRule)
    bend: BendRule = field(default_factory=BendRule)
    change: ChangeRule = field(default_factory=ChangeRule)
    setup: SetupRule = field(default_factory=SetupRule)
    completeness: CompletenessRule = field(default_factory=CompletenessRule)
    data: DataRule = field(default_factory=DataRule)
    ribbon: RibbonRule = field(default_factory=RibbonRule)
    closure: ClosureRule = field(default_factory=ClosureRule)
    share: ShareRule = field(default_factory=ShareRule)
    trace_name: str | None = None  # how a closeout names the trace files; None: as by default
    stages: Mapping[str, Stage] = field(default_factory=dict)
    stage: Stage = field(default_factory=lambda: Stage("final"))  # the one in force
    origins: Mapping[str, str] = field(default_factory=dict)

    @property
    def ribbon_size(self) -> int | None:
        """Fibres that are cut and made together; None in loose tube."""
        return self.ribbon.size or None


def default() -> Profile:
    """Return the profile that is used when nobody states one; the contract's figures replace it."""
    return Profile(
        name="default",
        title="Default of this program, to be replaced by the contract's figures",
        source="no contract: a general figure",
        is_default=True,
        splice=SpliceRule(limit_db=DbByWavelength(Limits().default_db)),
        bend=BendRule(_DEFAULT_BEND_DB),
    )


def profile_of(limits: Limits) -> Profile:
    """Make a profile of splice limits alone, as typed on a command line."""
    stated = limits.is_stated or bool(limits.by_wavelength_nm)
    return replace(
        default(),
        name="stated limits" if stated else default().name,
        title="Splice limits as typed" if stated else default().title,
        is_default=not limits.is_stated,
        rule=limits.rule,
        splice=SpliceRule(
            limit_db=DbByWavelength(limits.default_db, dict(limits.by_wavelength_nm))
        ),
    )


def at_stage(profile: Profile, name: str) -> Profile:
    """Return the profile with another of its stages in force.

    One without rules of its own for construction has the stage as it is by itself.

    Raises
    ------
    BadSetting
        If it has no such stage.
    """
    if name == CONSTRUCTION and name not in profile.stages:
        return replace(profile, stage=Stage(CONSTRUCTION))
    if name not in profile.stages:
        known = ", ".join(profile.stages) or "none"
        raise BadSetting(
            "stage", name, says("profile-has-stages", profile=profile.name, known=known)
        )
    return replace(profile, stage=profile.stages[name])


def required_wavelengths(
    profile: Profile, length_m: float | None = None, fibre_type: str = ""
) -> tuple[int, ...]:
    """Return the wavelengths in nm that have to be shot; empty if the profile asks for none.

    A condition on a length or fibre type that is not known does not hold.
    """
    for case in profile.wavelengths.cases:
        if case.holds(length_m, fibre_type):
            return case.required
    return profile.wavelengths.required


def bears_on_acceptance(
    profile: Profile, wavelength_nm: float, length_m: float | None = None, fibre_type: str = ""
) -> bool:
    """Tell whether a wavelength is judged, or is information only."""
    required = required_wavelengths(profile, length_m, fibre_type)
    return (
        profile.wavelengths.judge_others
        or not required
        or any(same_band(nm, wavelength_nm) for nm in required)
    )
