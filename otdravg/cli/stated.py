"""What the job and the command line say together; where they say two things, that is refused."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import click

from otdravg.cable import KnownClosure, NamePattern, Naming, Options, read_mapping
from otdravg.cli.options import FilePath
from otdravg.job import NOTHING_STATED, Job, agreed, load
from otdravg.verdict import Profile, default, load_named
from otdravg.verdict.limits import Rule
from otdravg.verdict.rules import at_stage

__all__ = ["job_and_folders", "job_option", "options_as_stated", "profile_as_stated"]

#: ``--job``, which gives the command ``job_file``.
job_option = click.option(
    "--job", "job_file", metavar="FILE", type=FilePath, help="What the cable is (otdravg job)."
)


def job_and_folders(
    job_file: Path | None, folders: tuple[Path, ...]
) -> tuple[Job, tuple[Path, ...]]:
    """Return the job, an empty one where none is named, and the folders typed or named in it."""
    job = NOTHING_STATED if job_file is None else load(job_file)
    folders = folders or job.folders
    if not folders:
        raise click.UsageError("no folder with shots: name one, or write shots = [...] in the job")
    return job, folders


def options_as_stated(
    job: Job,
    *,
    name_pattern: str | None,
    mapping: Path | None,
    end_a: str | None,
    closures: tuple[KnownClosure, ...] | None,
    launch_m: float | None,
    receive_m: float | None,
    group_index: float | None,
    fibres: int | None,
) -> Options:
    """Put together what job and command line say of how shots are taken and measured."""
    stated = job.options()
    return replace(
        stated,
        naming=Naming(
            NamePattern.parse(name_pattern) if name_pattern else None,
            read_mapping(mapping) if mapping else None,
            agreed("--end-a", end_a, stated.naming.end_a),
        ),
        closures=agreed("--closures", closures, stated.closures) or (),
        launch_m=agreed("--launch", launch_m, stated.launch_m),
        receive_m=agreed("--receive", receive_m, stated.receive_m),
        group_index=group_index,
        fibre_count=agreed("--fibres", fibres, stated.fibre_count),
    )


def profile_as_stated(
    name: str | None,
    guarded: bool,
    stage: str | None,
    ribbon: str | None,
    job: Job = NOTHING_STATED,
) -> Profile:
    """Find the profile and apply what job and command line say otherwise."""
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
