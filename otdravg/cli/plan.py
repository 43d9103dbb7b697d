"""``otdravg plan``: which pulse and averaging time to shoot with, before driving out."""

from __future__ import annotations

import re
import sys
from dataclasses import replace
from decimal import Decimal
from itertools import chain
from pathlib import Path

import click

from otdravg.cable import list_shots, read_folders
from otdravg.cable.lists.locating import course_of_job
from otdravg.cable.lists.pace import Pace, paces
from otdravg.cli import options
from otdravg.cli.boundary import Misuse
from otdravg.cli.options import (
    FilePath,
    cord_options,
    force_option,
    json_option,
    limit_option,
    max_size_option,
    plot_option,
    trace_option,
)
from otdravg.cli.stated import job_option
from otdravg.cli.terminal import print_text, print_written, shows_colour, shows_signs
from otdravg.errors import Unusable
from otdravg.findings import says
from otdravg.forecast.hours import Hours
from otdravg.forecast.plan import (
    AVERAGING_S,
    basis_from_shot,
    make_plan,
    planned_route,
    typical_basis,
)
from otdravg.job import NOTHING_STATED, Job, agreed, load
from otdravg.report.plan_json import plan_json
from otdravg.report.plan_text import plan_text
from otdravg.shot.files import read
from otdravg.sor.sizes import SizeLimits
from otdravg.system.atomic import check_targets
from otdravg.verdict.limits import Limits

_USUAL_WAVELENGTH_NM = 1550
_USUAL_SHIFT_H = 8.0


@options.Typed
def _uncertainty_db(text: str) -> Decimal:
    """Read an uncertainty in dB."""
    if not re.fullmatch(r"(0?\.\d{1,4}|[01](\.\d{1,4})?)", text.strip(), re.ASCII):
        raise Unusable(says("write-uncertainty"))
    value = Decimal(text.strip())
    if value <= 0:
        raise Unusable(says("uncertainty-above-0"))
    return value


@options.Typed
def _times_s(text: str) -> tuple[float, ...]:
    """Read averaging times: ``30s``, ``10,30,180``, ``3min``."""
    times = []
    for part in text.split(","):
        match = re.fullmatch(r"(\d{1,5}(?:\.\d)?)\s*(s|min|)", part.strip(), re.ASCII)
        if match is None or float(match[1]) == 0:
            raise Unusable(says("write-times"))
        times.append(float(match[1]) * (60 if match[2] == "min" else 1))
    return tuple(dict.fromkeys(times))


@click.command(short_help="Say which pulse and averaging time to shoot with.")
@click.option(
    "--length", "length_m", metavar="LENGTH", type=options.length_m,
    help="Length of the span without launch and receive fibre: 24km, 800m.",
)  # fmt: skip
@job_option
@click.option(
    "--shift", "shift_h", metavar="HOURS", type=click.FloatRange(0.5, 24),
    help="With --job: hours in which one end has to be shot. Default 8.",
)  # fmt: skip
@click.option(
    "--splices-every", "every_m", metavar="LENGTH", type=options.length_m,
    help="Distance between splices.",
)  # fmt: skip
@click.option(
    "--splices-at", "splices_m", metavar="LENGTH,...", multiple=True, type=options.lengths_m,
    help="Splices at these distances from end A; may be repeated.",
)  # fmt: skip
@click.option(
    "--connectors-at", "connectors_m", metavar="LENGTH,...", multiple=True,
    type=options.lengths_m, help="Connectors inside the span.",
)  # fmt: skip
@cord_options
@click.option(
    "--wavelength", "wavelength_nm", metavar="NM", type=click.IntRange(1200, 1700),
    help="Wavelength (default: that of the --like shot, else 1550).",
)  # fmt: skip
@limit_option
@click.option(
    "--target", "target_db", metavar="DB", type=_uncertainty_db,
    help="Expanded uncertainty (k = 2) to reach everywhere. Default: a fifth of the limit.",
)  # fmt: skip
@click.option(
    "--averaging", "averaging_s", metavar="TIME,...", type=_times_s,
    help="Averaging times to compare, as in 10,30,3min.",
)  # fmt: skip
@click.option(
    "--like", "like", metavar="SHOT.sor", type=FilePath,
    help="A real shot with the same instrument: its noise is scaled. Else typical values.",
)  # fmt: skip
@click.option("--index", "group_index", metavar="N", type=options.group_index,
              default="1.4682", show_default=True, help="Group index.")  # fmt: skip
@trace_option
@plot_option
@json_option
@max_size_option
@force_option
@click.pass_context
def plan(
    ctx: click.Context,
    *,
    length_m: float | None,
    job_file: Path | None,
    shift_h: float | None,
    every_m: float | None,
    splices_m: tuple[tuple[float, ...], ...],
    connectors_m: tuple[tuple[float, ...], ...],
    launch_m: float | None,
    receive_m: float | None,
    wavelength_nm: int | None,
    limits: tuple[str, ...],
    target_db: Decimal | None,
    averaging_s: tuple[float, ...] | None,
    like: Path | None,
    group_index: float,
    trace_number: int | None,
    plot: Path | None,
    as_json: bool,
    size_limits: SizeLimits,
    force: bool,
) -> None:
    """Foretell the uncertainty of every splice for each pulse and averaging time.

    The same linear model as the measurement, with noise scaled from a real shot or typical.
    Exit status 0: a combination reaches the target everywhere, 1: none does.

    \b
    otdravg plan --length 24km --splices-every 2km --wavelength 1550 --limit 0.10
    otdravg plan --length 24km --splices-every 2km --limit 0.10 --like last_job.sor --plot p.png
    otdravg plan --job ridge-7.toml --shift 8
    """
    if plot is not None:
        inputs = () if like is None else (like,)
        check_targets([plot], inputs=inputs, overwrite=force)
        # Only now: matplotlib takes longer to load than a plan to make.
        from otdravg.draw.pair import check_format, save_figure
        from otdravg.draw.plan import plan_figure

        check_format(plot)
    if shift_h is not None and job_file is None:
        raise Misuse(says("shift-needs-job"))
    job = NOTHING_STATED if job_file is None else load(job_file)
    places_m = tuple(chain.from_iterable(splices_m))
    if every_m is None and not places_m:
        places_m = tuple(closure.distance_m for closure in job.closures)
    route = planned_route(
        _length_m(length_m, job),
        splices_every_m=every_m,
        splices_m=places_m,
        connectors_m=tuple(chain.from_iterable(connectors_m)),
        launch_m=agreed("--launch", launch_m, job.launch_m) or 0.0,
        receive_m=agreed("--receive", receive_m, job.receive_m) or 0.0,
        group_index=group_index,
    )
    if like is None:
        basis = typical_basis(wavelength_nm or _usual_nm(job))
    else:
        basis = basis_from_shot(read(like, trace_number, size_limits=size_limits), wavelength_nm)
    limit_db, _ = Limits.parse(limits).applying_to(basis.wavelength_nm)
    made = make_plan(basis, route, limit_db, target_db, averaging_s=averaging_s or AVERAGING_S)
    if plot is not None:
        save_figure(plan_figure(made), plot, overwrite=force)
    hours, own_paces = (None, ()) if job_file is None else _hours(job, shift_h or _USUAL_SHIFT_H)
    if as_json:
        print_text(plan_json(made, hours, own_paces))
    else:
        print_text(
            plan_text(
                made,
                hours,
                own_paces,
                ascii_only=not shows_signs(sys.stdout),
                colour=shows_colour(sys.stdout),
            )
        )
    print_written([plot] if plot else [], aside=as_json)
    ctx.exit(0 if made.chosen else 1)


def _length_m(typed_m: float | None, job: Job) -> float:
    """Length of the span: as typed, else what the route of the job says up to end B."""
    if typed_m is not None:
        return typed_m
    length = course_of_job(job.expected, job.closures).length
    if length is None:
        raise Misuse(says("no-span-length"))
    return length[0]


def _usual_nm(job: Job) -> int:
    """The wavelength to plan for where nobody says one: the usual one, if the job has it."""
    own = job.wavelengths_nm
    return _USUAL_WAVELENGTH_NM if _USUAL_WAVELENGTH_NM in own or not own else max(own)


def _hours(job: Job, shift_h: float) -> tuple[Hours, tuple[Pace, ...]]:
    """Hours of a job, by the times of its files where some are in."""
    folders = [folder for folder in job.folders if folder.exists()]
    records = list_shots(read_folders(folders), job.options())[0] if folders else ()
    own = paces(records)
    timed = [(one.between_s, one.gaps) for one in own if one.between_s is not None]
    hours = Hours(job.fibres, job.wavelengths_nm, shift_h=shift_h)
    if not timed:
        return hours, own
    count = sum(gaps for _, gaps in timed)
    return replace(
        hours,
        between_s=sum(between_s * gaps for between_s, gaps in timed) / count,
        share_again=sum(one.again for one in own) / sum(one.shots for one in own),
        is_by_files=True,
    ), own
