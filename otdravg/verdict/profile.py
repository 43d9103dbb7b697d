"""The acceptance profile: a contract's rules for splices, spans, connectors and shots."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from decimal import Decimal
from typing import TYPE_CHECKING

from otdravg.errors import BadSetting
from otdravg.findings import Finding, Scope, caution, note
from otdravg.fit.reading import Coverage, Kind
from otdravg.shot.settings import Identity, Settings
from otdravg.verdict import changes, completeness
from otdravg.verdict import connector as connectors
from otdravg.verdict import place as places
from otdravg.verdict import shots as settings
from otdravg.verdict import span as spans
from otdravg.verdict import splice as splices
from otdravg.verdict.completeness import ShotNeed
from otdravg.verdict.connector import Connector
from otdravg.verdict.limits import Limits, Rule, same_band
from otdravg.verdict.rules import (
    BendRule,
    ChangeRule,
    Closures,
    CompletenessRule,
    ConnectorRule,
    DataRule,
    DbByWavelength,
    FibreRule,
    OneWayRule,
    SetupRule,
    SpanRule,
    SpliceRule,
    Stage,
    WavelengthRule,
)
from otdravg.verdict.span import Span
from otdravg.verdict.verdicts import (
    Circumstances,
    PlaceReading,
    PlaceVerdict,
    SpanVerdict,
    SpliceVerdict,
)

if TYPE_CHECKING:
    from otdravg.shot.trace import Trace

__all__ = ["Profile", "default"]

#: No published figure exists: several times what a pair of good shots leaves in doubt. Chosen, not
#: derived: two losses of 1 to 2 mdB each (accuracy) differ by less than a tenth of it; double
#: would pass a bend worth a re-dress.
_DEFAULT_BEND_DB = Decimal("0.05")


@dataclass(frozen=True, slots=True)
class Profile:
    """Rules that a job is judged by.

    ``is_default`` says that nobody stated them: every output says so, and that the
    contract's figures decide.
    """

    name: str
    title: str = ""
    source: str = ""
    is_default: bool = False
    rule: Rule = Rule.PLAIN
    splice: SpliceRule = field(default_factory=SpliceRule)
    one_way: OneWayRule | None = None
    span: SpanRule = field(default_factory=SpanRule)
    fibre: FibreRule = field(default_factory=FibreRule)
    connector: ConnectorRule = field(default_factory=ConnectorRule)
    wavelengths: WavelengthRule = field(default_factory=WavelengthRule)
    bend: BendRule | None = None
    change: ChangeRule = field(default_factory=ChangeRule)
    setup: SetupRule = field(default_factory=SetupRule)
    completeness: CompletenessRule = field(default_factory=CompletenessRule)
    data: DataRule = field(default_factory=DataRule)
    ribbon_size: int | None = 12  # fibres that are cut and made together; None: loose tube
    trace_name: str | None = None  # how a closeout names the trace files; None: as by default
    stages: Mapping[str, Stage] = field(default_factory=dict)
    stage: Stage = field(default_factory=lambda: Stage("final"))  # the one in force

    @classmethod
    def from_limits(cls, limits: Limits) -> Profile:
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

    @property
    def bend_threshold_db(self) -> Decimal | None:
        """Extra loss at a longer wavelength above which a bend is suspected; None: no such rule."""
        return None if self.bend is None else self.bend.threshold_db

    def with_rule(self, rule: Rule) -> Profile:
        """Return the profile with another decision rule."""
        return replace(self, rule=rule)

    def at_stage(self, name: str) -> Profile:
        """Return the profile with one of its stages in force.

        Raises
        ------
        BadSetting
            If the profile has no such stage.
        """
        if name not in self.stages:
            known = ", ".join(self.stages) or "none"
            raise BadSetting("stage", name, f"the profile {self.name} has these stages: {known}")
        return replace(self, stage=self.stages[name])

    def judge_splice(
        self,
        loss_db: float | None,
        u_db: float | None,
        wavelength_nm: float,
        kind: Kind = Kind.SPLICE,
        attempt: int = 1,
        coverage: Coverage = Coverage.BOTH,
        known: Circumstances | None = None,
    ) -> SpliceVerdict:
        """Judge one splice at one wavelength.

        Parameters
        ----------
        loss_db : float or None
            True loss in dB, half the sum of both readings; None if not measured both ways.
        u_db : float or None
            Its standard uncertainty (k = 1) in dB.
        wavelength_nm : float
            Nominal wavelength.
        kind : Kind
            What stands there; connectors have rules of their own.
        attempt : int
            How many times the splice has been made, from 1.
        coverage : Coverage
            From which ends it was measured.
        known : Circumstances, optional
            What some rules need to know beside: one-way reading and its cause, method, span
            length, fibre type, doubts about the data.

        Notes
        -----
        In order: doubts about the data, wavelengths that do not bear on acceptance, method,
        missing direction, implausible loss, limit, fallback after the allowed attempts,
        temporary method, nominal loss.
        """
        return splices.judge_splice(
            self,
            loss_db,
            u_db,
            wavelength_nm,
            kind,
            attempt,
            coverage,
            known or Circumstances(),
        )

    def judge_place(self, readings: Mapping[int, PlaceReading]) -> PlaceVerdict:
        """Judge one place at all its wavelengths together.

        Parameters
        ----------
        readings : mapping of int to PlaceReading
            By nominal wavelength in nm, each with its own verdict already; not empty.

        Notes
        -----
        A longer wavelength that loses more than the shortest by both the bend threshold and
        its expanded uncertainty is a suspected bend: re-dress, do not cut. The others are
        combined by the profile's "all" or "any".
        """
        return places.judge_place(self, readings)

    def is_bend(self, short: tuple[float, float], long: tuple[float, float]) -> bool:
        """Tell a suspected bend; see :func:`otdravg.verdict.place.is_bend`."""
        return places.is_bend(self.bend_threshold_db, short, long)

    def judge_span(self, span: Span) -> SpanVerdict:
        """Judge one fibre by every span rule that the profile has."""
        return spans.judge_span(self, span)

    def span_limit_db(
        self, wavelength_nm: float, length_m: float, splices_count: int, connectors_count: int
    ) -> Decimal | None:
        """Return the end-to-end limit in dB by steps or formula; None where it is left open."""
        return spans.span_limit_db(self, wavelength_nm, length_m, splices_count, connectors_count)[
            0
        ]

    def judge_connector(self, connector: Connector) -> tuple[SpliceVerdict, ...]:
        """Judge a connector by every rule that applies to it; at least one verdict."""
        return connectors.judge_connector(self, connector)

    def required_wavelengths(
        self, length_m: float | None = None, fibre_type: str = ""
    ) -> tuple[int, ...]:
        """Return the wavelengths in nm that have to be shot; empty if the profile asks for none.

        A condition on a length or fibre type that is not known does not hold.
        """
        for case in self.wavelengths.cases:
            if case.holds(length_m, fibre_type):
                return case.required_nm
        return self.wavelengths.required_nm

    def bears_on_acceptance(
        self, wavelength_nm: float, length_m: float | None = None, fibre_type: str = ""
    ) -> bool:
        """Tell whether a wavelength is judged, or is information only."""
        required = self.required_wavelengths(length_m, fibre_type)
        return (
            self.wavelengths.judges_others
            or not required
            or any(same_band(nm, wavelength_nm) for nm in required)
        )

    def missing_shots(
        self,
        fibres: Iterable[int],
        taken: Collection[ShotNeed],
        length_m: float | None = None,
        fibre_type: str = "",
    ) -> tuple[ShotNeed, ...]:
        """List shots that the profile asks for and that are not there.

        Where it names no wavelengths, every wavelength that any fibre was shot at is asked of
        all. A stage that needs one direction is content with either.
        """
        return completeness.missing_shots(self, fibres, taken, length_m, fibre_type)

    def due_again(
        self, taken: Mapping[ShotNeed, datetime], touched: Mapping[int, datetime]
    ) -> tuple[ShotNeed, ...]:
        """List shots of existing fibres taken before they were spliced to, if that matters."""
        return completeness.due_again(self, taken, touched)

    def judge_increase(
        self, before: tuple[float, float | None], after: tuple[float, float | None]
    ) -> SpliceVerdict:
        """Judge how a loss has grown; each argument is (loss, standard uncertainty) in dB."""
        return changes.judge_increase(self, before, after)

    def judge_deviation(self, recorded: float, measured: float, what: str) -> SpliceVerdict:
        """Judge how far a figure is from the reel's record; both in the same unit."""
        return changes.judge_deviation(self, recorded, measured, what)

    def setup_findings(
        self,
        trace: Trace | tuple[Identity, Settings],
        *,
        fibre_length_m: float | None = None,
        launch_m: float | None = None,
        receive_m: float | None = None,
    ) -> tuple[Finding, ...]:
        """List every setting of a shot that is outside the profile.

        Parameters
        ----------
        trace : Trace, or its identity and settings
            The shot.
        fibre_length_m : float, optional
            Length of the span, for the range rule.
        launch_m, receive_m : float, optional
            Cord lengths; 0 is "no cord", None is "not known" and is not judged.
        """
        identity, own = trace if isinstance(trace, tuple) else (trace.identity, trace.settings)
        return settings.setup_findings(
            self,
            identity,
            own,
            fibre_length_m=fibre_length_m,
            launch_m=launch_m,
            receive_m=receive_m,
        )

    def data_findings(self, length_ab_m: float, length_ba_m: float) -> tuple[Finding, ...]:
        """Find fault with lengths that differ between both directions of a fibre."""
        limit_m = self.data.length_difference_limit_m
        difference_m = abs(length_ab_m - length_ba_m)
        if limit_m is None or difference_m <= limit_m:
            return ()
        return (
            caution(
                "lengths-differ", Scope.PAIR, from_a_m=length_ab_m, from_b_m=length_ba_m,
                difference_m=difference_m, most_m=limit_m,
            ),
        )  # fmt: skip

    def stage_findings(self, closures_are: Closures | None) -> tuple[Finding, ...]:
        """Find fault with shots taken in the wrong state of the closures.

        No trace file says whether closures were open: ``None`` means that nobody recorded it.
        """
        asked = self.stage.closures
        if asked is Closures.ANY or closures_are is asked:
            return ()
        stage, case = self.stage.name, "open" if asked is Closures.OPEN else "closed"
        if closures_are is None:
            return (note("closures-not-recorded", Scope.JOB, case, stage=stage),)
        return (caution("closures-outside-profile", Scope.JOB, case, stage=stage),)


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
