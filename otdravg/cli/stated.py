"""What the job and the command line say together; where they say two things, that is refused."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from functools import wraps
from inspect import signature
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from otdravg.cli.boundary import Misuse
from otdravg.cli.measuring import measuring_executor
from otdravg.cli.options import (
    FilePath,
    cord_options,
    files_argument,
    guarded_option,
    index_option,
    max_size_option,
    profile_option,
    stage_option,
)
from otdravg.findings import says
from otdravg.sor.sizes import SizeLimits
from otdravg.trade import RIBBON_SIZES
from otdravg.verdict import Profile, default, load_named
from otdravg.verdict.limits import Rule
from otdravg.verdict.rules import at_stage

if TYPE_CHECKING:
    from otdravg.cable import KnownClosure, Options
    from otdravg.job import Job

#: ``--job``, which gives the command ``job_file``.
job_option = click.option(
    "--job", "job_file", metavar="FILE", type=FilePath, help="What the cable is (otdravg job)."
)

#: What says which cable it is, where its shots are, and how they are taken, measured and judged.
_OPTIONS = (
    files_argument("folders", "[FOLDER]...", required=False),
    click.option("--job", "job_files", metavar="FILE", type=FilePath, multiple=True,
                 help="What the cable is (otdravg job); with --each-cable one for each."),
    profile_option,
    guarded_option,
    stage_option,
    click.option(
        "--ribbon",
        metavar="N",
        type=click.Choice([*(str(size) for size in RIBBON_SIZES), "none"]),
        help="Fibres of a ribbon (4, 6, 8, 12, 16, 24), or none for loose tube. Default: as in the "
        "profile.",
    ),
    click.option(
        "--fibres", metavar="N", type=click.IntRange(min=1), help="Fibre count that the cable has."
    ),
    click.option(
        "--name-pattern",
        metavar="PATTERN",
        help="How file names are made: {cable}_F{fibre}_{wavelength}_{direction}; {any} skips.",
    ),
    click.option(
        "--mapping",
        metavar="CSV",
        type=FilePath,
        help="Table of what files are: file,cable,fibre,direction,wavelength_nm.",
    ),
    click.option("--end-a", metavar="NAME", help="Which of the typed ends is A."),
    cord_options,
    index_option,
    click.option(
        "--workers",
        metavar="N",
        type=click.IntRange(min=1),
        help="Processes that measure. Default, and most: as processors and memory allow.",
    ),
    max_size_option,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Stated:
    """A cable as job and command line state it together; the first of several."""

    job: Job
    folders: tuple[Path, ...]
    options: Options
    rules: Profile
    closure_count: int | None
    workers: int | None
    size_limits: SizeLimits
    others: tuple[Stated, ...] = ()

    def executor(self) -> AbstractContextManager[Executor | None]:
        """Where to measure it."""
        return measuring_executor(self.workers, self.folders, self.size_limits)


def stating_a_cable(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command the options that state a cable; they reach it as one ``stated``.

    The command has an option ``closures`` of its own for their table, or how many there are.
    """

    @wraps(command)
    def stating(*given: Any, job_files: tuple[Path, ...], **said: Any) -> None:
        from otdravg.job import NOTHING_STATED, load

        if len(job_files) > 1 and not said.get("each_cable"):
            raise Misuse(says("one-job"))
        jobs = [load(file) for file in job_files] or [NOTHING_STATED]
        said["folders"] = said["folders"] or tuple(
            dict.fromkeys(folder for job in jobs for folder in job.folders)
        )
        own = {name: said.pop(name) for name in _SAID}
        first, *others = (_stated(job, **own) for job in jobs)
        command(*given, stated=replace(first, others=tuple(others)), **said)

    for option in reversed(_OPTIONS):
        stating = option(stating)
    return stating


def _stated(
    job: Job,
    *,
    folders: tuple[Path, ...],
    profile_name: str | None,
    guarded: bool,
    stage: str | None,
    ribbon: str | None,
    fibres: int | None,
    closures: int | tuple[KnownClosure, ...] | None,
    name_pattern: str | None,
    mapping: Path | None,
    end_a: str | None,
    launch_m: float | None,
    receive_m: float | None,
    group_index: float | None,
    workers: int | None,
    size_limits: SizeLimits,
) -> Stated:
    """Put together what the job and the command line say."""
    from otdravg.cable import NamePattern, Naming, read_mapping
    from otdravg.job import agreed

    if not folders:
        raise Misuse(says("no-shots-folder"))
    by_job = job.options()
    table, count = (None, closures) if isinstance(closures, int) else (closures, None)
    chosen = replace(
        by_job,
        naming=Naming(
            NamePattern.parse(name_pattern) if name_pattern else None,
            read_mapping(mapping) if mapping else None,
            agreed("--end-a", end_a, by_job.naming.end_a),
        ),
        closures=agreed("--closures", table, by_job.closures) or (),
        launch_m=agreed("--launch", launch_m, by_job.launch_m),
        receive_m=agreed("--receive", receive_m, by_job.receive_m),
        group_index=group_index,
        fibre_count=agreed("--fibres", fibres, by_job.fibre_count),
    )
    rules = _rules(job, profile_name, guarded, stage, ribbon)
    count = agreed("--closures", count, len(chosen.closures) or None)
    return Stated(job, folders, chosen, rules, count, workers, size_limits)


#: What of the command line :func:`_stated` takes.
_SAID = tuple(signature(_stated).parameters)[1:]


def _rules(
    job: Job, name: str | None, guarded: bool, stage: str | None, ribbon: str | None
) -> Profile:
    """Find the profile and apply what is said otherwise."""
    from otdravg.job import NOTHING_STATED, agreed

    typed = None if name is None else load_named(name)
    own = None if job.profile is None else job.own_profile()
    chosen = agreed("--profile", typed, own) or default()
    size = None if ribbon is None else 0 if ribbon == "none" else int(ribbon)
    if job is not NOTHING_STATED:
        agreed("--ribbon", size, job.ribbon)
        agreed("--stage", stage, job.stage)
        chosen = job.rules(chosen)
    if stage is not None:
        chosen = at_stage(chosen, stage)
    if size is not None:
        chosen = replace(chosen, ribbon=replace(chosen.ribbon, size=size))
    return replace(chosen, rule=Rule.GUARDED) if guarded else chosen
