"""Measure every attempt of every fibre, and settle which measurement stands."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace

from otdravg.cable.checks.notes import about_shot
from otdravg.cable.files.attempts import Stand
from otdravg.cable.measure.closures import CableMap
from otdravg.cable.measure.jobs import Job, Outcome, measure_job, spread
from otdravg.cable.measure.pooling import with_pooled_responses
from otdravg.cable.measure.refusals import Reasons
from otdravg.cable.model import CableFinding, FibreKey, ShotRecord, ShotUse
from otdravg.findings import Scope, Statement, caution, says
from otdravg.shot.settings import ResponseSource


@dataclass(frozen=True, slots=True, eq=False)
class Measured:
    """One fibre at one wavelength: the outcome that stands, and the earlier ones."""

    stand: Stand
    attempt: int
    outcome: Outcome
    earlier: tuple[tuple[int, Outcome], ...]  # attempts before, oldest first

    @property
    def key(self) -> FibreKey:
        """The fibre."""
        return self.stand.key

    @property
    def wavelength_nm(self) -> int:
        """Nominal wavelength."""
        return self.stand.wavelength_nm

    @property
    def records(self) -> tuple[ShotRecord | None, ShotRecord | None]:
        """The shots from A and from B that stand."""
        return self.stand.pair(self.attempt)

    @property
    def paths(self) -> tuple[str, ...]:
        """Their files."""
        return tuple(record.path for record in self.records if record is not None)

    @property
    def outcomes(self) -> tuple[Outcome, ...]:
        """Of all attempts, oldest first."""
        return (*(own for _, own in self.earlier), self.outcome)

    def with_each(self, change: Callable[[Outcome], Outcome]) -> Measured:
        """Return it with another outcome of every attempt, changed from the oldest on."""
        earlier = tuple((attempt, change(own)) for attempt, own in self.earlier)
        return replace(self, earlier=earlier, outcome=change(self.outcome))

    def with_outcome(self, outcome: Outcome) -> Measured:
        """Return it with another measurement of the same shots."""
        return replace(self, outcome=outcome)


@dataclass(frozen=True, slots=True)
class MeasuringSetup:
    """How to measure: cord lengths if stated, and the index for each cable and wavelength."""

    launch_m: float | None = None
    receive_m: float | None = None
    group_index: float | None = None
    usual_index: Mapping[tuple[str, int], float] | None = None
    every_attempt: bool = False  # of shots without a partner too, not the newest alone

    def index_for(self, key: FibreKey, wavelength_nm: int) -> float | None:
        """Group index to use for a fibre: the stated one, else its cable's usual one."""
        if self.group_index is not None or self.usual_index is None:
            return self.group_index
        return self.usual_index.get((key.cable, wavelength_nm))


def jobs_for(stand: Stand, setup: MeasuringSetup) -> list[Job]:
    """All attempts of a fibre as jobs, oldest first; one job if a direction is missing."""
    every = setup.every_attempt or (stand.ab and stand.ba)
    attempts = range(1, stand.attempts + 1) if every else (stand.attempts,)
    jobs = []
    for attempt in attempts:
        ab, ba = stand.pair(attempt)
        jobs.append(
            Job(
                stand.key,
                stand.wavelength_nm,
                attempt,
                ab.location if ab else None,
                ba.location if ba else None,
                setup.index_for(stand.key, stand.wavelength_nm),
                setup.launch_m,
                setup.receive_m,
                loop_m=stand.loop_m,
            )
        )
    return jobs


def measure_stands(
    stands: Sequence[Stand],
    setup: MeasuringSetup,
    executor: Executor | None,
    done: Callable[[int], None],
    beside: Sequence[Measured] = (),
) -> list[Measured]:
    """Measure every attempt of every fibre; the newest that pairs stands.

    Shots that do not show their receiver are measured with what the others show, those
    ``beside`` included.
    """
    numbered = [(stand, job) for stand in stands for job in jobs_for(stand, setup)]
    found = spread(measure_job, [job for _, job in numbered], executor, done)
    pairs = [stand.pair(job.attempt) for stand, job in numbered]
    known = [(one.records, one.outcome) for one in beside]
    outcomes = iter(with_pooled_responses(pairs, found, executor, known))
    measured = []
    for stand in stands:
        own = [_as_shown(next(outcomes), stand) for _ in jobs_for(stand, setup)]
        chosen = next((o for o in reversed(own) if o.axis is not None), own[-1])
        earlier = tuple((o.job.attempt, o) for o in own if o.job.attempt < chosen.job.attempt)
        measured.append(Measured(stand, chosen.job.attempt, chosen, earlier))
    return measured


def _as_shown(outcome: Outcome, stand: Stand) -> Outcome:
    """Name the files in the text as every table does: a result does not tell where they lay."""
    names = {
        str(record.location): record.path
        for record in stand.pair(outcome.job.attempt)
        if record is not None
    }
    problem = outcome.problem
    return replace(outcome, problem=None if problem is None else _named(problem, names))


def _named(said: Statement, names: Mapping[str, str]) -> Statement:
    """Put other names for files into what is said."""
    shown = []
    for name, value in said.values:
        if isinstance(value, str):
            for old, new in names.items():
                value = value.replace(old, new)
        shown.append((name, value))
    return replace(said, values=tuple(shown))


def settle(
    measured: Sequence[Measured], records: Sequence[ShotRecord], maps: Mapping[str, CableMap]
) -> tuple[list[ShotRecord], list[CableFinding]]:
    """Mark the use of every shot after measuring, with findings for what did not pair."""
    reasons = Reasons(((one.key, one.outcome) for one in measured), maps)
    use: dict[str, tuple[ShotUse, Statement | None]] = {}
    findings: list[CableFinding] = []
    told: dict[str, ResponseSource] = {}
    for one in measured:
        ab, ba = one.records
        standing = [r for r in (ab, ba) if r is not None]
        for record, sketch in ((ab, one.outcome.sketch_ab), (ba, one.outcome.sketch_ba)):
            if record is not None and sketch is not None:
                told[record.path] = sketch.response.source
        newest = [r for r in one.stand.pair(one.stand.attempts) if r is not None]
        if one.outcome.axis is not None:
            findings += _fallen_back(one, newest, standing, use)
            for record in standing:
                use[record.path] = ShotUse.USED, None
            continue
        if len(standing) == 2:
            findings.append(reasons.refused(one.key, one.outcome, standing))
            for record in standing:
                use[record.path] = ShotUse.MISMATCHED, one.outcome.problem
        else:
            for record in standing:
                use[record.path] = ShotUse.UNPAIRED, says("no-partner")
    records = [replace(r, response=told.get(r.path)) for r in records]
    return [r.used_as(*use[r.path]) if r.path in use else r for r in records], findings


def _fallen_back(
    one: Measured,
    newest: Sequence[ShotRecord],
    standing: Sequence[ShotRecord],
    use: dict[str, tuple[ShotUse, Statement | None]],
) -> list[CableFinding]:
    """A newer shot that does not pair does not stand; say so."""
    left_out = [r for r in newest if r not in standing]
    for record in left_out:
        use[record.path] = ShotUse.MISMATCHED, says("does-not-pair")
    if not left_out:
        return []
    return [
        about_shot(
            left_out[0],
            caution("newest-shot-unusable", Scope.CABLE, attempt=one.attempt),
            *left_out[1:],
        )
    ]
