"""Measure many pairs of shots: the job that one worker does, and how jobs are spread.

A worker reads two files, measures them and returns a few kilobytes; points never travel
between processes. Every job stands alone, so results do not depend on how many workers
there are or in which order they finish.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Executor, Future, wait
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from otdravg.cable.files.folder import load
from otdravg.cable.lists.loops import first_half
from otdravg.cable.location import Location
from otdravg.cable.model import FibreKey, ShotRecord
from otdravg.errors import BadSetting, OtdravgError, Refusal, ShotsDoNotPair
from otdravg.findings import Finding, Statement, says
from otdravg.fit.reading import Reading, SectionReading
from otdravg.fit.side import Axis
from otdravg.pair.checks import pair_findings
from otdravg.pair.measure import measure
from otdravg.shot.detect import Detection, Event, detect
from otdravg.shot.response import Response
from otdravg.shot.settings import Direction
from otdravg.shot.trace import Trace

FloatArray = npt.NDArray[np.float64]
In = TypeVar("In")
Out = TypeVar("Out")

#: Length of a sketch's blocks in metres, about; short against a section, long against the noise.
BLOCK_M = 25.0
#: Below the 32 MiB up to which glibc learns from what is freed.
LARGE_BLOCK_BYTES = 30_000_000
#: Chance of any false splice on one fibre at one wavelength: of some thousand pairs in a large run,
#: hardly one shall show what is not there. Places that other fibres show are measured anyway.
FALSE_ALARM_RATE = 1e-4


@dataclass(frozen=True, slots=True)
class Job:
    """Two shots of one fibre to measure, or one (the other None) to look at."""

    key: FibreKey
    wavelength_nm: int
    attempt: int
    ab: Location | None  # the shot from A
    ba: Location | None
    group_index: float | None = None
    launch_m: float | None = None
    receive_m: float | None = None
    positions_m: tuple[float, ...] = ()
    #: For the shots from A and from B; None: learnt from the shot.
    response: tuple[Response | None, Response | None] = (None, None)
    loop_m: float | None = None  # both shots are from A, and this long a cord joins them at B


@dataclass(frozen=True, slots=True, eq=False)
class Sketch:
    """What is kept of one shot for comparing it with others; metres from the front panel.

    ``level_db`` holds means over blocks of ``block_m``, the first about ``first_m``, NaN where the
    shot shows no clean fibre.
    """

    events: tuple[Event, ...]
    end_m: float
    end_seen: bool
    recovery_m: float
    placing_m: float
    user_offset_m: float
    response: Response
    slope_db_per_km: float  # positive: attenuation, typical over the shot
    block_m: float
    first_m: float
    level_db: npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class Outcome:
    """What came of a job: a measurement, or why there is none."""

    job: Job
    axis: Axis | None
    readings: tuple[Reading, ...]
    sections: tuple[SectionReading, ...]
    attenuation_db_per_km: float | None
    u_attenuation_db_per_km: float | None
    findings: tuple[Finding, ...]
    sketch_ab: Sketch | None
    sketch_ba: Sketch | None
    refusal: Refusal | None = None
    problem: Statement | None = None
    advice: Statement | None = None


def count_near(x: FloatArray, places: FloatArray, slack: float | FloatArray) -> int:
    """How many positions lie within some slack of one of some places."""
    if not places.size:
        return 0
    return int(np.count_nonzero(np.abs(x[:, None] - places).min(axis=1) <= slack))


def placed_at(record: ShotRecord) -> tuple[FibreKey, int]:
    """Fibre and wavelength that a shot was taken for, both of which are known."""
    key, nm = record.taken_for.key, record.taken_for.wavelength_nm
    assert key is not None
    assert nm is not None
    return key, nm


def sketches_of(
    records: Sequence[ShotRecord], executor: Executor | None, done: Callable[[int], None]
) -> list[Sketch | None]:
    """Look at shots one by one, whatever their ends; None for one that shows no fibre."""
    jobs = [Job(*placed_at(record), 0, record.location, None) for record in records]
    return [outcome.sketch_ab for outcome in spread(measure_job, jobs, executor, done)]


def measure_job(job: Job) -> Outcome:
    """Measure one job; what stops it becomes part of the outcome."""
    # glibc gives arrays back to the system at once until it has seen a larger block freed, and then
    # takes them again page by page: 8 % of the time of a run. This block is never touched.
    np.empty(LARGE_BLOCK_BYTES, dtype=np.uint8)
    ab = _loaded(job.ab, Direction.A_TO_B)
    ba = _loaded(job.ba, Direction.B_TO_A)
    if isinstance(ab, Trace) and isinstance(ba, Trace):
        try:
            return _measured(job, ab, ba)
        except ShotsDoNotPair as error:
            reason, problem, advice = error.reason, error.evidence, error.advice
        except BadSetting as error:
            reason, problem = None, error.said
            advice = says("check-cords")
    else:
        reason, problem, advice = None, None, says("shoot-other-end")
        for missing in (ab, ba):
            if isinstance(missing, OtdravgError):  # gone or changed since its header was read
                problem, advice = missing.said, says("leave-files-alone")
    return Outcome(
        job, None, (), (), None, None, (),
        _looked_at(ab, job.group_index, job.response[0], job.launch_m),
        _looked_at(ba, job.group_index, job.response[1], job.receive_m),
        reason, problem, advice,
    )  # fmt: skip


def _loaded(location: Location | None, direction: Direction) -> Trace | OtdravgError | None:
    if location is None:
        return None
    try:
        return load(location, direction=direction)
    except OtdravgError as error:
        return error


def _measured(job: Job, ab: Trace, ba: Trace) -> Outcome:
    measurement = measure(
        ab,
        ba,
        group_index=job.group_index,
        launch_m=job.launch_m,
        receive_m=job.receive_m if job.loop_m is None else job.launch_m,
        positions_m=job.positions_m,
        false_alarm_rate=FALSE_ALARM_RATE,
        response=job.response,
    )
    more = pair_findings(measurement)
    if job.loop_m is not None:
        measurement = first_half(measurement, job.loop_m)
    return Outcome(
        job,
        measurement.axis,
        measurement.readings,
        measurement.sections,
        measurement.attenuation_db_per_km,
        measurement.u_attenuation_db_per_km,
        (*measurement.findings, *more),
        _sketch(measurement.detection_ab),
        _sketch(measurement.detection_ba),
    )


def _looked_at(
    trace: Trace | OtdravgError | None,
    group_index: float | None,
    response: Response | None,
    cord_m: float | None,
) -> Sketch | None:
    """Sketch a shot that could not be paired; ``None`` if it shows no fibre at all.

    The span begins where its file says, else behind a cord of the length that is stated.
    """
    if not isinstance(trace, Trace):
        return None
    try:
        seen = _sketch(detect(trace, group_index, response=response))
        return replace(seen, user_offset_m=seen.user_offset_m or cord_m or 0.0)
    except ShotsDoNotPair:
        return None


def _sketch(seen: Detection) -> Sketch:
    shot = seen.shot
    level = shot.trace.level_db
    per_block = max(int(BLOCK_M / shot.spacing_m), 1)
    stop = min(shot.end + 1, level.size)
    starts = np.arange(0, stop, per_block)
    clean = ~shot.in_peak[:stop]
    count = np.add.reduceat(clean.astype(float), starts)
    total = np.add.reduceat(np.where(clean, level[:stop], 0.0), starts)
    whole = count > 0.9 * per_block
    means = np.where(whole, total / np.maximum(count, 1), np.nan)
    return Sketch(
        seen.events,
        seen.end_m,
        seen.end_seen,
        shot.recovery_m,
        shot.placing_m,
        shot.user_offset_m,
        shot.response,
        -shot.slope_db_per_m * 1000,
        per_block * shot.spacing_m,
        float(shot.x_m[0]) + (per_block - 1) / 2 * shot.spacing_m,
        means.astype(np.float32),
    )


def _each(work: Callable[[In], Out], items: Sequence[In]) -> list[Out]:
    return [work(item) for item in items]


def spread(
    work: Callable[[In], Out],
    items: Sequence[In],
    executor: Executor | None,
    done: Callable[[int], None] = lambda count: None,
    *,
    batch: int = 8,
) -> list[Out]:
    """Do a piece of work for every item, in any executor; results in the order of the items.

    Parameters
    ----------
    work : callable
        Takes one item; it and its results must be picklable for executors of processes.
    items : sequence
    executor : concurrent.futures.Executor or None
        None does the work here, one item after the other.
    done : callable
        Called with the number of items finished since the last call.
    batch : int
        Items that travel together.

    Raises
    ------
    Exception
        Whatever ``work`` raises; work not yet begun is then given up.
    """
    if executor is None:
        results = []
        for item in items:
            results.append(work(item))
            done(1)
        return results
    batches = [items[start : start + batch] for start in range(0, len(items), batch)]
    futures: list[Future[list[Out]]] = []
    try:
        futures += [executor.submit(_each, work, part) for part in batches]
        waiting = set(futures)
        while waiting:
            finished, waiting = wait(waiting, return_when=FIRST_COMPLETED)
            for future in finished:
                done(len(future.result()))
        return [result for future in futures for result in future.result()]
    except BrokenExecutor:
        raise  # it gives its work up by itself, and would stumble over what we had given up
    except BaseException:
        for future in futures:
            future.cancel()
        raise
