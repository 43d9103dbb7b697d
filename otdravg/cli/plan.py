"""``otdravg plan``: which pulse and averaging time to shoot with, before driving out."""

from __future__ import annotations

import re
import sys
from decimal import Decimal
from itertools import chain
from pathlib import Path

import click

from otdravg.cli import options
from otdravg.cli.options import (
    FilePath,
    force_option,
    json_option,
    max_size_option,
    plot_option,
    trace_option,
)
from otdravg.cli.terminal import print_text, print_written, shows_colour, shows_signs
from otdravg.forecast.plan import (
    AVERAGING_S,
    basis_from_shot,
    make_plan,
    planned_route,
    typical_basis,
)
from otdravg.report.plan_json import plan_json
from otdravg.report.plan_text import plan_text
from otdravg.shot.files import read
from otdravg.sor.sizes import SizeLimits
from otdravg.system.atomic import check_targets
from otdravg.verdict.limits import Limits

__all__ = ["plan"]

_USUAL_WAVELENGTH_NM = 1550


def _uncertainty_db(text: str) -> Decimal:
    """Read an uncertainty in dB."""
    if not re.fullmatch(r"(0?\.\d{1,4}|[01](\.\d{1,4})?)", text.strip(), re.ASCII):
        raise click.BadParameter(f"{text!r} is not an uncertainty in dB such as 0.02")
    value = Decimal(text.strip())
    if value <= 0:
        raise click.BadParameter("an uncertainty to reach lies above 0 dB")
    return value


def _times_s(text: str) -> tuple[float, ...]:
    """Read averaging times: ``30s``, ``10,30,180``, ``3min``."""
    times = []
    for part in text.split(","):
        match = re.fullmatch(r"(\d{1,5}(?:\.\d)?)\s*(s|min|)", part.strip(), re.ASCII)
        if match is None or float(match[1]) == 0:
            raise click.BadParameter(f"{text!r} is not a list of times such as 10,30,3min")
        times.append(float(match[1]) * (60 if match[2] == "min" else 1))
    return tuple(dict.fromkeys(times))


@click.command(short_help="Say which pulse and averaging time to shoot with.")
@click.option(
    "--length", "length_m", metavar="LENGTH", required=True, type=options.length_m,
    help="Length of the span without launch and receive fibre: 24km, 800m.",
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
@click.option("--launch", "launch_m", metavar="LENGTH", type=options.length_m, default="0",
              help="Length of the launch fibre at end A (default: none).")  # fmt: skip
@click.option("--receive", "receive_m", metavar="LENGTH", type=options.length_m, default="0",
              help="Length of the receive fibre at end B (default: none).")  # fmt: skip
@click.option(
    "--wavelength", "wavelength_nm", metavar="NM", type=click.IntRange(1200, 1700),
    help="Wavelength (default: that of the --like shot, else 1550).",
)  # fmt: skip
@click.option(
    "--limit", "limits", metavar="DB", multiple=True,
    help="Upper limit of a splice's loss, as for pair. Default 0.20 dB.",
)  # fmt: skip
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
    length_m: float,
    every_m: float | None,
    splices_m: tuple[tuple[float, ...], ...],
    connectors_m: tuple[tuple[float, ...], ...],
    launch_m: float,
    receive_m: float,
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
    """
    if plot is not None:
        inputs = () if like is None else (like,)
        check_targets([plot], inputs=inputs, overwrite=force)
        # Only now: matplotlib takes longer to load than a plan to make.
        from otdravg.draw.pair import check_format, save_figure
        from otdravg.draw.plan import plan_figure

        check_format(plot)
    route = planned_route(
        length_m,
        splices_every_m=every_m,
        splices_m=tuple(chain.from_iterable(splices_m)),
        connectors_m=tuple(chain.from_iterable(connectors_m)),
        launch_m=launch_m,
        receive_m=receive_m,
        group_index=group_index,
    )
    if like is None:
        basis = typical_basis(wavelength_nm or _USUAL_WAVELENGTH_NM)
    else:
        basis = basis_from_shot(read(like, trace_number, size_limits=size_limits), wavelength_nm)
    limit_db, _ = Limits.parse(limits).applying_to(basis.wavelength_nm)
    made = make_plan(basis, route, limit_db, target_db, averaging_s=averaging_s or AVERAGING_S)
    if plot is not None:
        save_figure(plan_figure(made), plot, overwrite=force)
        print_written([plot])
    if as_json:
        print_text(plan_json(made))
    else:
        print_text(
            plan_text(made, ascii_only=not shows_signs(sys.stdout), colour=shows_colour(sys.stdout))
        )
    ctx.exit(0 if made.chosen else 1)
