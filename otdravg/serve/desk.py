"""What lies on the desk: files that were dropped, a folder that was given, and what they say."""

from __future__ import annotations

import re
import threading
import time
from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path, PurePosixPath
from typing import Any

from otdravg.cable import Decision, Decisions, Options, add_decision, read_decisions, read_folders
from otdravg.cable.files.archive import ARCHIVE_SUFFIX
from otdravg.cable.model import CableReview, ShotRecord, ShotUse
from otdravg.cable.pairs import (
    MeasuredPair,
    Pairing,
    PairOfShots,
    measure_pairs,
    pair_up,
    shot_of,
)
from otdravg.cable.run import check_for_shots, counted, review
from otdravg.closeout.sketches import PairSketch, Sketches, Span, pair_sketches, thinned
from otdravg.errors import BadJob, BadSetting, OtdravgError
from otdravg.findings import Statement, says
from otdravg.job import NOTHING_STATED, Job, agreed, load, parse
from otdravg.job.lists import JobList
from otdravg.job.sheet import write_sheet
from otdravg.pair.measure import Measurement, measure
from otdravg.serve.live import Going, Live
from otdravg.shot.trace import Trace
from otdravg.sor.sizes import SizeLimits
from otdravg.system.atomic import write_atomic
from otdravg.verdict import Profile
from otdravg.verdict.judge import PairReport, judge
from otdravg.verdict.limits import Limits
from otdravg.verdict.reading import load_named
from otdravg.verdict.rules import default, profile_of
from otdravg.watch import Expected, Follower, Watch
from otdravg.watch.folder import SETTLE_S, listed
from otdravg.words.catalogue import Language, told

#: Files of one desk. Derived: two cables of 1728 fibres, two ends, two wavelengths, some attempts.
MOST_FILES = 20_000
#: Letters of a name, and folders in it. Chosen, not derived: what every file system takes.
_LONGEST_NAME, _DEEPEST = 180, 8
#: Names that Windows keeps for devices (Windows API, "Naming Files, Paths, and Namespaces").
_DEVICES = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE)
#: The job that the page writes if none was named, in the folder that the command runs in.
UNNAMED_JOB = Path("otdravg-job.toml")
_REFUSED_SIGNS = re.compile(r'[\x00-\x1f\x7f<>:"|?*\\]')


def safe_name(name: str) -> PurePosixPath:
    """Check a name that a browser sends: a file below the desk's folder, and nothing else.

    Raises
    ------
    BadSetting
        If it leads anywhere else, or could not be a file's name everywhere.
    """
    parts = name.split("/")
    for part in parts:
        if (
            not part.strip(". ")
            or part != part.strip()
            or part.endswith(".")
            or len(part) > _LONGEST_NAME
            or _REFUSED_SIGNS.search(part)
            or _DEVICES.fullmatch(part)
        ):
            raise BadSetting("file", name, says("unkept-name"))
    if len(parts) > _DEEPEST:
        raise BadSetting("file", name, says("too-deep"))
    return PurePosixPath(*parts)


@dataclass(frozen=True, slots=True)
class Setting:
    """What the person at the desk says beside the files.

    Parameters
    ----------
    limit : str
        Upper limit of a splice's loss as it is typed, such as ``0.15``; empty for the usual one.
    profile : str
        Name of a shipped profile; empty for none.
    launch_m, receive_m : float, optional
    language : Language
    """

    limit: str = ""
    profile: str = ""
    launch_m: float | None = None
    receive_m: float | None = None
    language: Language = Language.ENGLISH

    def __post_init__(self) -> None:
        if self.limit and self.profile:
            raise BadSetting("limit", self.limit, says("profile-or-limit"))
        Limits.parse((self.limit,) if self.limit else ())
        if self.profile:
            load_named(self.profile)

    def report(self, measurement: Measurement, **known: Any) -> PairReport:
        """Judge a pair by it."""
        if self.profile:
            return judge(measurement, profile=load_named(self.profile), **known)
        stated = Limits.parse((self.limit,) if self.limit else ())
        return judge(measurement, limit_db=stated, **known)

    def rules(self, job: Job) -> Profile:
        """Rules of a cable; what the job says of them holds.

        Raises
        ------
        BadSetting
            If the job says otherwise.
        """
        typed = load_named(self.profile) if self.profile else None
        if self.limit:
            typed = profile_of(Limits.parse((self.limit,)))
        own = None if job.profile is None else job.own_profile()
        chosen = agreed("limit" if self.limit else "profile", typed, own) or default()
        return chosen if job is NOTHING_STATED else job.rules(chosen)

    def options(self, job: Job, decisions: Decisions | None = None) -> Options:
        """What a review takes beside the rules.

        Raises
        ------
        BadSetting
            If the job says otherwise.
        """
        stated = job.options()
        return replace(
            stated,
            decisions=decisions or Decisions(),
            launch_m=agreed("launch", self.launch_m, stated.launch_m),
            receive_m=agreed("receive", self.receive_m, stated.receive_m),
        )


@dataclass(frozen=True, slots=True, eq=False)
class Fibre:
    """One fibre at one wavelength: its shots, and what they say."""

    of: MeasuredPair
    report: PairReport
    asked_m: tuple[float, ...] = ()  # where somebody asked for a loss

    @property
    def pair(self) -> PairOfShots:
        """Whose shots these are."""
        return self.of.pair

    def sketch(self) -> PairSketch:
        """Both shots on one axis, with every point."""
        measurement = self.report.measurement
        axis = measurement.axis
        span = Span(
            self.pair.key, self.pair.wavelength_nm, axis.length_m, axis.group_index,
            axis.start_a_m, axis.start_b_m,
        )  # fmt: skip
        shots = (measurement.ab, self.pair.ab.path), (measurement.ba, self.pair.ba.path)
        return thinned(span, *shots, in_full=True)


@dataclass(frozen=True, slots=True, eq=False)
class Looked:
    """What the files say: of one fibre its pairs, of more than one the review of the cable.

    ``problems`` are files and pairs from which nothing came, each with the reason.
    """

    revision: int
    fibres: tuple[Fibre, ...] = ()
    review: CableReview | None = None
    sketches: Sketches = field(default_factory=Sketches)
    problems: tuple[tuple[str, Statement], ...] = ()
    pairing: Pairing | None = None
    error: str = ""


class Desk:
    """All that a page knows; every method may be called from any thread.

    Parameters
    ----------
    dropped : Path
        An empty folder for the files that are dropped.
    given : sequence of Path
        Folders and archives to read, never written to.
    decisions : Path
        Where decisions are added.
    job_file : Path, optional
        What the cable is; read anew at each look. Where there is none of this name, the page may
        write it.
    setting : Setting
    executor : concurrent.futures.Executor, optional
        Where a cable is measured; here by default.
    size_limits : SizeLimits
    """

    def __init__(
        self,
        dropped: Path,
        given: Sequence[Path],
        decisions: Path,
        setting: Setting,
        executor: Executor | None = None,
        size_limits: SizeLimits | None = None,
        job_file: Path | None = None,
    ) -> None:
        self.job_file = job_file or UNNAMED_JOB
        # A job that was not named applies to nothing, even if one of its name lies there.
        self._is_named = job_file is not None
        self._dropped, self._executor = dropped, executor
        self._given = tuple(given)
        self.decisions_file = decisions
        self.size_limits = size_limits or SizeLimits()
        self._setting = setting
        self._lock = threading.RLock()
        self._looking: Going | None = None
        self._revision = 1
        self._looked = Looked(0)
        self._count = 0
        self._thread: threading.Thread | None = None
        self.live: Live | None = None

    @property
    def setting(self) -> Setting:
        """What applies now."""
        return self._setting

    @property
    def has_job(self) -> bool:
        """Whether a job applies."""
        return self._is_named and self.job_file.exists()

    def job(self) -> Job:
        """What the job's file says now.

        Raises
        ------
        BadJob
            If it cannot be used.
        """
        return load(self.job_file) if self.has_job else NOTHING_STATED

    def job_faults(self) -> tuple[BadSetting, ...]:
        """All that is wrong with the job and its lists."""
        try:
            self.job()
        except BadJob as error:
            return error.problems
        return ()

    def write_job(self, text: str) -> None:
        """Write a job, and apply it from now on.

        Raises
        ------
        BadJob
            If it could not be read back; nothing is written then.
        OutputRefused
            If a file of its name is there, or cannot be written.
        """
        parse(text, self.job_file)
        write_atomic(self.job_file, text.encode("utf-8"), overwrite=False)
        with self._lock:
            self._is_named = True
            self._revision += 1

    def keep_list(self, own: JobList, rows: Sequence[Sequence[str]], stamp: str) -> None:
        """Write a list of the job as it was typed, faults and all: what was typed is not lost.

        Raises
        ------
        BadSetting
            If there is no job, or its file was changed meanwhile.
        """
        if not self.has_job:
            raise BadSetting(own.file, None, says("write-job-first"))
        write_sheet(own, self.job_file, rows, stamp)
        with self._lock:
            self._revision += 1

    def follow(self) -> None:
        """Begin to follow the folders that were named, by the rules of now.

        Raises
        ------
        OtdravgError
            If no folder was named, or the rules do not hold.
        """
        if not self.given:
            raise BadSetting("folder", None, says("name-at-start"))
        job, setting = self.job(), self._setting
        rules, options = setting.rules(job), setting.options(job)
        follower = Follower(self.given, SETTLE_S, time.monotonic, size_limits=self.size_limits)
        expected = Expected(job.fibres or None, len(job.closures) or None, job.wavelengths_nm)
        self.stop_following()
        going = Going()
        watch = Watch(
            follower, rules, options, expected,
            executor=self._executor, progress=going, language=setting.language,
        )  # fmt: skip
        self.live = Live(watch, going)

    def stop_following(self) -> None:
        """Follow no folder any more."""
        if self.live is not None:
            self.live.stop()
        self.live = None

    @property
    def looked(self) -> Looked:
        """What was seen last."""
        return self._looked

    @property
    def given(self) -> tuple[Path, ...]:
        """Folders and archives that were named when the page was started, else those of the job."""
        if self._given:
            return self._given
        try:
            return self.job().folders
        except BadJob:  # said with every fault where the job is shown
            return ()

    @property
    def paths(self) -> list[Path]:
        """Folders and archives to look into."""
        return [*self.given, *([self._dropped] if self._count else [])]

    def state(self) -> dict[str, object]:
        """What the page asks for again and again."""
        with self._lock:
            going = self._looking
            return {
                "revision": self._revision,
                "files": self._count,
                "looked": self._looked.revision,
                "stage": going.stage if going else "",
                "done": going.done if going else 0,
                "total": going.total if going else 0,
                "looking": going is not None,
                "folder": self._in_folders(),
            }

    def _in_folders(self) -> str:
        """What lies in the folders that were given, in short: it changes when they do."""
        try:
            return f"{hash(frozenset(listed(self.given).items())):x}"
        except OtdravgError:  # a stick that was pulled out, as it may be again and again
            return "away"

    def keep(self, name: str, content: bytes) -> None:
        """Keep a dropped file under its name; the same file twice is kept once.

        Raises
        ------
        BadSetting
            If the name cannot be kept, other content has it, or there are too many files.
        UnreadableTrace
            If it is larger than a trace file is.
        """
        place = self._dropped.joinpath(*safe_name(name).parts)
        if place.suffix.lower() != ARCHIVE_SUFFIX:
            self.size_limits.check_file(len(content), name)
        with self._lock:
            if self._count >= MOST_FILES:
                raise BadSetting("file", name, says("files-at-once", most=MOST_FILES))
            if place.exists():
                if place.is_file() and place.read_bytes() == content:
                    return
                raise BadSetting("file", name, says("same-name-here"))
            place.parent.mkdir(parents=True, exist_ok=True)
            write_atomic(place, content, overwrite=False)
            self._count += 1
            self._revision += 1

    def put_aside(self) -> None:
        """Forget all dropped files."""
        with self._lock:
            for path in sorted(self._dropped.rglob("*"), reverse=True):
                path.rmdir() if path.is_dir() and not path.is_symlink() else path.unlink()
            self._count = 0
            self._revision += 1
            self._looked = Looked(0)

    def set(self, setting: Setting) -> None:
        """Judge by other rules from now on."""
        with self._lock:
            self._setting = setting
            self._revision += 1

    def decide(self, decision: Decision) -> str:
        """Add a sealed decision to the file of decisions; return its seal."""
        seal = add_decision(self.decisions_file, decision)
        with self._lock:
            self._revision += 1
        return seal

    def start(self) -> bool:
        """Begin to look, in a thread of its own; false if that is going on."""
        with self._lock:
            if self._looking is not None:
                return False
            progress = self._looking = Going()
            self._thread = threading.Thread(target=self._look, args=(progress,), daemon=True)
        self._thread.start()
        return True

    def wait(self) -> None:
        """Wait until looking is over."""
        if self._thread is not None:
            self._thread.join()

    def _look(self, progress: Going) -> None:
        revision, setting = self._revision, self._setting
        try:
            looked = self._seen(revision, setting, progress)
        except OtdravgError as error:
            looked = Looked(revision, error=told(error.said, setting.language))
        except Exception as error:  # noqa: BLE001
            # The last boundary of this thread: the page says it in place of an answer.
            looked = Looked(revision, error=f"internal fault: {type(error).__name__}: {error}")
        finally:
            with self._lock:
                self._looked, self._looking = looked, None

    def _seen(self, revision: int, setting: Setting, progress: Going) -> Looked:
        paths = self.paths
        if not paths:
            raise BadSetting("file", None, says("drop-first"))
        pairing = pair_up(paths, self.size_limits)
        # One fibre of a job is a cable that is not all there.
        if not self.has_job and len({pair.key for pair in pairing.pairs}) <= 1:
            return self._pairs(revision, setting, pairing, progress)
        return self._cable(revision, setting, paths, progress)

    def _pairs(self, revision: int, setting: Setting, pairing: Pairing, progress: Going) -> Looked:
        problems = [(one.path, one.remark or says("unknown")) for one in pairing.left]
        measured, failed = measure_pairs(
            pairing.pairs,
            partial(_read, size_limits=self.size_limits),
            partial(self._measured, setting=setting),
            progress,
        )
        problems += [(f"{pair.ab.path}, {pair.ba.path}", why.said) for pair, why in failed]
        measured.sort(key=lambda one: one.pair.wavelength_nm)
        fibres = [Fibre(one, setting.report(one.measurement, **one.beside)) for one in measured]
        return Looked(revision, tuple(fibres), problems=tuple(problems), pairing=pairing)

    @staticmethod
    def _measured(
        ab: Trace, ba: Trace, setting: Setting, positions_m: tuple[float, ...] = ()
    ) -> Measurement:
        return measure(
            ab, ba,
            launch_m=setting.launch_m, receive_m=setting.receive_m, positions_m=positions_m,
        )  # fmt: skip

    def also_at(self, number: int, distance_m: float) -> Fibre:
        """Measure a fibre at one more place, and keep it so."""
        with self._lock:
            looked, setting = self._looked, self._setting
            fibre = looked.fibres[number]
            asked = (*fibre.asked_m, distance_m)
            measurement = self._measured(fibre.of.ab, fibre.of.ba, setting, asked)
            report = setting.report(measurement, **fibre.of.beside)
            known = replace(fibre, report=report, asked_m=asked)
            fibres = (*looked.fibres[:number], known, *looked.fibres[number + 1 :])
            self._looked = replace(looked, fibres=fibres)
            return known

    def _cable(self, revision: int, setting: Setting, paths: list[Path], progress: Going) -> Looked:
        decisions = Decisions()
        if self.decisions_file.exists():
            decisions = read_decisions(self.decisions_file)
        job = self.job()
        options, profile = setting.options(job, decisions), setting.rules(job)
        executor = self._executor
        shots = read_folders(paths, executor, progress, self.size_limits)
        check_for_shots(paths, shots)
        result = review(shots, profile, options, executor=executor, progress=progress)
        with counted("draw", len(result.fibres), progress) as drawn:
            sketches = pair_sketches(result, executor=executor, done=drawn)
        unread = [one for one in result.shots if one.use is ShotUse.UNREADABLE]
        problems = tuple((one.path, one.remark or says("unknown")) for one in unread)
        return Looked(revision, review=result, sketches=sketches, problems=problems)


def _read(record: ShotRecord, size_limits: SizeLimits) -> Trace:
    """Read a shot under the name that it was dropped with, not that of a folder of ours."""
    trace = shot_of(record, None, size_limits)
    return replace(trace, identity=replace(trace.identity, path=record.path))
