"""What a review of a whole cable consists of: shots, closures, splices, and what was found.

Plain values without behaviour of their own. Positions are metres from the span's A end,
losses in dB (a loss positive), ``u_…`` standard uncertainties; ``None`` is "not measured".
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field, replace
from datetime import datetime
from decimal import Decimal
from enum import Enum

from otdravg.cable.decisions.model import SealedDecision
from otdravg.cable.lists.facts import Instrument, Mark, PowerReading, Reel, RoutePlace
from otdravg.cable.location import Location
from otdravg.cable.log.model import NO_LOG, Spliced, SpliceLog
from otdravg.cable.patterns.model import Patterns
from otdravg.cable.planned import NOWHERE_PLANNED, NumberAtB, PlannedSplice, TrayPlace
from otdravg.cable.resplice.model import ResplicePlan
from otdravg.findings import Finding, Scope, Severity, Statement, says
from otdravg.fit.reading import Coverage, Kind, Reading
from otdravg.shot.settings import Direction, Identity, ResponseSource, Settings
from otdravg.trade import numbers_text
from otdravg.verdict import Profile, SpliceVerdict
from otdravg.verdict.decision import Action, Verdict
from otdravg.verdict.group import Whole
from otdravg.verdict.rules import Method
from otdravg.verdict.verdicts import worst_of


class Source(Enum):
    """What decided a fact about a shot; the order is the order of precedence."""

    DECISION = "reviewer's decision"
    PLAN = "splice plan"
    MAPPING = "mapping table"
    PATTERN = "name pattern"
    HEADER = "header"
    NAME = "file name"
    FOLDER = "folder"
    SHOTS = "the shots themselves"
    NOTHING = "nothing"


class ShotUse(Enum):
    """What became of a file."""

    USED = "used"
    EARLIER = "earlier attempt"  # a newer valid shot of the same kind stands
    REPEAT = "same content as another"
    EXCLUDED = "excluded by the reviewer"
    UNPLACED = "not placed"  # fibre, direction or wavelength could not be told
    UNPAIRED = "no partner"  # the shot from the other end is missing
    MISMATCHED = "does not pair"  # it has a partner, but they do not belong together
    UNREADABLE = "unreadable"
    NOT_A_SHOT = "not a trace file"


@dataclass(frozen=True, slots=True, order=True)
class FibreKey:
    """One fibre of one cable; fibres are counted from 1."""

    cable: str
    fibre: int


@dataclass(frozen=True, slots=True)
class TakenFor:
    """What a shot was taken for, and what decided each part."""

    cable: str
    fibre: int | None
    direction: Direction
    wavelength_nm: int | None
    cable_by: Source = Source.NOTHING
    fibre_by: Source = Source.NOTHING
    direction_by: Source = Source.NOTHING
    wavelength_by: Source = Source.NOTHING

    @property
    def key(self) -> FibreKey | None:
        """The fibre, if it is known."""
        return None if self.fibre is None else FibreKey(self.cable, self.fibre)

    @property
    def is_complete(self) -> bool:
        """Whether fibre, direction and wavelength are all known."""
        return (
            self.fibre is not None
            and self.direction is not Direction.UNKNOWN
            and self.wavelength_nm is not None
        )

    @property
    def how(self) -> Statement:
        """Which part was decided by what."""
        return says(
            "taken-by", cable=self.cable_by.value, fibre=self.fibre_by.value,
            direction=self.direction_by.value, wavelength=self.wavelength_by.value,
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Expected:
    """What there should be of a cable beside fibres, as somebody stated it; empty: nobody did."""

    cable: str = ""
    wavelengths_nm: tuple[int, ...] = ()
    ends: tuple[str, str] = ("", "")  # names of A and B as they are typed in headers
    instruments: tuple[Instrument, ...] = ()
    fibre_type: str = ""  # such as "G.652"; "mixed" of reels that differ
    colours: tuple[str, ...] = ()  # of the fibres in order; () is TIA-598
    route: tuple[RoutePlace, ...] = ()  # in order from A
    reels: tuple[Reel, ...] = ()
    power: tuple[PowerReading, ...] = ()


@dataclass(frozen=True, slots=True, order=True)
class ShotToTake:
    """One shot that should be there and is not, or has to be taken again."""

    cable: str
    fibre: int
    direction: Direction
    wavelength_nm: int


@dataclass(frozen=True, slots=True)
class CableFinding:
    """One finding of the review, as a row of ``findings.csv``."""

    said: Finding  # code, how grave, and what was seen
    cable: str = ""
    fibre: int | None = None
    wavelength_nm: int | None = None
    direction: str = ""
    closure: str = ""
    files: tuple[str, ...] = ()
    other_fibres: tuple[int, ...] = ()  # that it concerns just as much
    distance_m: float | None = None  # of the place it concerns, from the fibre's own A end
    acknowledged: tuple[Statement, ...] = ()  # by whom, when and why, if a reviewer did
    alike: int = 0  # more findings of its kind that it stands for
    beside: tuple[Statement, ...] = ()  # what the crew's lists say of it

    @property
    def severity(self) -> Severity:
        """How much it matters."""
        return self.said.severity

    @property
    def code(self) -> str:
        """Stable short name in lower case with hyphens."""
        return self.said.code

    @property
    def evidence(self) -> Statement:
        """What was seen, with numbers and units; where, if it is not of the cable as a whole."""
        more: tuple[Statement, ...] = ()
        if self.alike:
            fibres = numbers_text(self.other_fibres or filter(None, (self.fibre,)))
            more = (says("and-more-like-it", more=self.alike, fibres=fibres),)
        code = "seen" if self.said.where is Scope.CABLE else "seen-at"
        seen = says(code, *more, finding=self.said)
        return says("seen-beside", seen=seen, beside=self.beside) if self.beside else seen

    @property
    def what_to_do(self) -> Statement:
        """What was done about it, or what to do."""
        return says("to-do", finding=self.said)

    @property
    def is_open(self) -> bool:
        """Whether it asks for something still."""
        return self.severity is not Severity.NOTE and not self.acknowledged


@dataclass(frozen=True, slots=True)
class ShotRecord:
    """One file (or one trace of a file that holds several), used or not.

    The points are not kept: :func:`otdravg.cable.files.folder.load` reads them again.
    """

    path: str  # as shown: relative to the folder given, with forward slashes
    location: Location  # where it is read from
    sha256: str  # of the file; empty if it could not be read
    waveform_sha256: str  # of the points alone: equal for a copy with an edited header
    trace_number: int  # from 1
    batch: int  # number of the folder it came from: 0 the first, 1 the after-repair folder, …
    taken_for: TakenFor
    use: ShotUse
    attempt: int  # 1, 2, … in order of time among shots of the same kind; 0: not counted
    identity: Identity | None  # None if unreadable
    settings: Settings | None
    point_count: int
    findings: tuple[CableFinding, ...] = ()
    remark: Statement | None = None  # why it was not used
    response: ResponseSource | None = None  # what told how the instrument answers; None: not asked

    @property
    def taken(self) -> datetime | None:
        """When the instrument says the shot was taken."""
        return None if self.identity is None else self.identity.taken

    def used_as(self, use: ShotUse, remark: Statement | None = None) -> ShotRecord:
        """Return the record with another use."""
        return replace(self, use=use, remark=remark or self.remark)

    def noting(self, *findings: CableFinding) -> ShotRecord:
        """Return the record with more findings."""
        return replace(self, findings=(*self.findings, *findings))


@dataclass(frozen=True, slots=True)
class Closure:
    """A place where fibres of the cable are spliced; numbered from 1 at A."""

    cable: str
    number: int
    routes: tuple[int, ...]  # fibres of one route are equally long; routes are numbered from 1
    name: str
    distance_m: float  # median over its fibres, each on its own axis
    spread_m: float  # median absolute deviation of the scaled positions × 1.4826
    fibres: tuple[int, ...]  # that pass through it
    seen_in: int  # fibres in which an event was detected there
    named_by: Source = Source.SHOTS
    method: Method | None = None  # how it was spliced, if the user says so
    stage: str = ""  # of the work there, if not that of the profile
    closed: datetime | None = None  # for good, by the crew's clock; None: nobody said
    mark_in: Mark | None = None  # on the sheath that comes from A, by the route
    mark_out: Mark | None = None  # on the one that goes to B


class Proof(Enum):
    """How far a splice is proved; three states that are never mixed, and what is none of them."""

    OPEN = "not proved"
    ONE_END = "plausible from one end"
    BOTH = "proved from both ends"  # nobody said when its closure was closed
    BEND_DUE = "proved from both ends, bend check after closing due"
    CHECKED = "proved from both ends, bends checked after closing"


@dataclass(frozen=True, slots=True)
class SpliceRow:
    """One fibre at one position at one wavelength: a row of ``splices.csv``.

    ``closure`` is the closure's name, empty for an event between closures, and
    ``closure_number`` its number from A (None between closures).
    """

    cable: str
    fibre: int
    ribbon: int | None  # None in loose tube
    position: int | None  # within the ribbon, from 1
    colour: str  # TIA-598
    wavelength_nm: int
    closure: str
    closure_number: int | None
    distance_m: float
    loss_ab_db: float | None
    loss_ba_db: float | None
    loss_db: float | None
    u_loss_db: float | None
    backscatter_step_db: float | None
    u_step_db: float | None
    kind: Kind
    coverage: Coverage
    verdict: SpliceVerdict
    attempt: int
    file_ab: str
    file_ba: str
    detected: bool  # an event shows in at least one of the shots
    taken: datetime | None  # of the newer of both shots
    reflectance_db: float | None = None
    bend_db: float | None = None  # loss above that at the shortest wavelength; None: not compared
    u_bend_db: float | None = None
    bend_suspected: bool = False
    missing: tuple[Statement, ...] = ()  # why something was not measured
    decided: tuple[Statement, ...] = ()  # the reviewer's decisions on it, with who and when
    place: TrayPlace = NOWHERE_PLANNED  # in the closure, by the splice plan
    reading: Reading | None = field(default=None, compare=False)  # None: read from a closeout
    proof: Proof = Proof.OPEN
    proved: datetime | None = None  # by the newer of both shots
    bend_checked: datetime | None = None  # by shots at two wavelengths after closing

    @property
    def expanded_uncertainty_db(self) -> float | None:
        """Expanded uncertainty of the true loss, k = 2."""
        return None if self.u_loss_db is None else 2 * self.u_loss_db

    @property
    def key(self) -> FibreKey:
        """The fibre it belongs to."""
        return FibreKey(self.cable, self.fibre)


@dataclass(frozen=True, slots=True)
class ReelEnd:
    """How far a fibre of a cable under construction reaches from A."""

    key: FibreKey
    distance_m: float
    closure: str  # at which it ends, not spliced yet; empty: at none
    is_whole: bool  # it reaches behind the last closure


class Confidence(Enum):
    """How well both shots of a pair prove to be one fibre."""

    CONFIRMED = "confirmed"  # own partner fits better than every other fibre, clearly
    LIKELY = "likely"  # fits, but others fit nearly as well
    NOT_TOLD = "cannot be told"  # too little structure in the glass to tell fibres apart
    DOUBTFUL = "doubtful"  # another fibre's shot fits better


@dataclass(frozen=True, slots=True)
class IdentityCheck:
    """Fingerprint of a fibre's pair of shots held against all other fibres' shots.

    ``margin`` is the log-likelihood of the own partner less that of the best other shot
    (natural logarithm): above 0 the own partner fits best.
    """

    key: FibreKey
    confidence: Confidence
    margin: float | None
    best_other: int | None  # fibre whose shot from B fits best among the others
    said: Statement  # what it rests on


@dataclass(frozen=True, slots=True)
class FibreResult:
    """One fibre at one wavelength as a whole: what span rules look at."""

    key: FibreKey
    wavelength_nm: int
    route: int
    length_m: float
    u_length_m: float
    attenuation_db_per_km: float | None
    u_attenuation_db_per_km: float | None
    span_mean_db: float | None  # of the splices measured both ways
    splice_count: int
    rules: tuple[SpliceVerdict, ...]  # by every span rule of the profile, the ends included
    file_ab: str
    file_ba: str
    attempt: int
    index_used: float
    start_a_m: float = 0.0  # where the span begins in the shot from A: behind the launch cord
    start_b_m: float = 0.0  # where it begins in the shot from B
    loss_db: float | None = None  # end to end, averaged over both directions
    u_loss_db: float | None = None
    loss_ab_db: float | None = None  # end to end as the shot from A shows it
    loss_ba_db: float | None = None

    @property
    def verdict(self) -> SpliceVerdict | None:
        """The span rule that asks for most; None where the profile has none."""
        return worst_of(self.rules)


@dataclass(frozen=True, slots=True)
class GroupResult:
    """Splices of one wavelength together: of a ribbon at a closure, of a closure, of a cable."""

    whole: Whole
    cable: str
    closure: str  # empty for a cable
    closure_number: int | None
    ribbon: int | None  # None for a closure or a cable
    wavelength_nm: int
    fibres: tuple[int, ...]  # one splice each
    measured: int  # splices with a loss that may be relied on
    over: int
    mean_db: Decimal | None  # of losses as reported, as all here
    worst_db: Decimal | None
    worst_fibre: int | None
    rules: tuple[SpliceVerdict, ...]  # of the profile for such a group
    verdict: SpliceVerdict  # what asks for most, of its splices and of these rules
    place: TrayPlace = NOWHERE_PLANNED  # of a ribbon in its closure
    spliced: Spliced | None = None  # by the splice log
    proof: Proof = Proof.OPEN  # of the splice that is proved least
    proved: datetime | None = None  # since when all of them are
    bend_checked: datetime | None = None


@dataclass(frozen=True, slots=True)
class Attempt:
    """One earlier measurement of a splice, from shots that no longer stand."""

    number: int
    taken: datetime | None
    loss_db: float | None
    u_loss_db: float | None
    file_ab: str
    file_ba: str


@dataclass(frozen=True, slots=True)
class History:
    """A splice that was shot more than once: before and after, oldest first."""

    key: FibreKey
    wavelength_nm: int
    closure: str
    attempts: tuple[Attempt, ...]


class ChangeKind(Enum):
    """How a splice compares with an earlier run."""

    NEW = "new"
    GONE = "gone"
    WORSE = "worse"
    BETTER = "better"
    REJUDGED = "judged otherwise"
    SAME = "same"


@dataclass(frozen=True, slots=True)
class Judged:
    """How a splice was judged in a run."""

    verdict: Verdict
    action: Action
    limit_db: Decimal | None
    near_limit: bool  # the limit lies inside the loss ± U

    @classmethod
    def by(cls, verdict: SpliceVerdict) -> Judged:
        """Take what two runs are compared by from a verdict."""
        return cls(verdict.verdict, verdict.action, verdict.limit_db, verdict.near_limit)


@dataclass(frozen=True, slots=True)
class Change:
    """One splice against an earlier run's result."""

    kind: ChangeKind
    key: FibreKey
    wavelength_nm: int
    closure: str
    before_db: float | None
    after_db: float | None
    combined_uncertainty_db: float | None  # expanded, k = 2
    before: Judged | None  # None: no row of it in the earlier run
    after: Judged | None


@dataclass(frozen=True, slots=True)
class CableReview:
    """The one result object that every export reads; rows in order of cable, fibre, place."""

    shots: tuple[ShotRecord, ...]
    closures: tuple[Closure, ...]
    rows: tuple[SpliceRow, ...]
    fibres: tuple[FibreResult, ...]
    identities: tuple[IdentityCheck, ...]
    findings: tuple[CableFinding, ...]
    profile: Profile
    groups: tuple[GroupResult, ...] = ()
    history: tuple[History, ...] = ()
    changes: tuple[Change, ...] = ()
    plan: ResplicePlan | None = None
    patterns: Patterns | None = None
    log: SpliceLog = NO_LOG
    ribbon_size: int | None = 12  # None in loose tube
    fibre_count: int | None = None  # of the cable, as the user stated it
    decisions_seal: str = ""  # last seal of the reviewer's decisions; empty if there are none
    decisions: tuple[SealedDecision, ...] = ()  # all that stand in the file, in its order
    expected: Expected = field(default_factory=Expected)
    to_take: tuple[ShotToTake, ...] = ()  # shots that are missing
    reel_ends: tuple[ReelEnd, ...] = ()  # in the stage of construction
    splice_plan: tuple[PlannedSplice, ...] = ()  # as the crew wrote it, counted at A
    numbers_at_b: tuple[NumberAtB, ...] = ()  # of fibres that bear another number there
    stage_seconds: dict[str, float] = field(default_factory=dict, compare=False)

    @property
    def needs_work(self) -> bool:
        """Whether a splice or a finding asks somebody to do something.

        What a fibre, a ribbon, a closure or a cable fails as a whole is a finding.
        """
        return any(row.verdict.needs_work for row in self.rows) or any(
            finding.is_open for finding in self.findings
        )

    @property
    def exit_status(self) -> int:
        """0: clean; 1: findings, or splices that need work."""
        return 1 if self.needs_work else 0

    def end_names(self, cable: str) -> tuple[str, str]:
        """Names of A and B: as the job has them, else as most headers; empty where nothing says.

        Shots from A count first: where a crew left one header for both ends, it is that of A.
        """
        if any(self.expected.ends):
            return self.expected.ends
        votes: dict[Direction, Counter[tuple[str, str]]] = {d: Counter() for d in Direction}
        for record in self.shots:
            taken, typed = record.taken_for, record.identity
            if record.use is ShotUse.USED and taken.cable == cable and typed is not None:
                votes[taken.direction][typed.location_a.strip(), typed.location_b.strip()] += 1
        for direction in (Direction.A_TO_B, Direction.B_TO_A):
            for names, _ in votes[direction].most_common():
                if any(names):
                    return names if direction is Direction.A_TO_B else names[::-1]
        return "", ""

    @property
    def cables(self) -> tuple[str, ...]:
        """Names of the cables in the review, in order."""
        return tuple(sorted({row.cable for row in self.rows} | {c.cable for c in self.closures}))
