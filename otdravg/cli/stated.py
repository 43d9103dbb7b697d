"""What the job and the command line say together; where they say two things, that is refused."""

from __future__ import annotations

from dataclasses import replace

import click

from otdravg.cli.options import FilePath
from otdravg.job import NOTHING_STATED, Job, agreed
from otdravg.verdict import Profile, default, load_named
from otdravg.verdict.limits import Rule
from otdravg.verdict.rules import at_stage

__all__ = ["job_option", "profile_as_stated"]


#: ``--job``, which gives the command ``job_file``.
job_option = click.option(
    "--job", "job_file", metavar="FILE", type=FilePath, help="What the cable is (otdravg job)."
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
