"""``otdravg pair``: two shots of one fibre, its true losses."""

from __future__ import annotations

import sys
from itertools import chain
from pathlib import Path

import click

from otdravg.cli import options
from otdravg.cli.options import (
    FilePath,
    files_argument,
    force_option,
    guarded_option,
    json_option,
    plot_option,
    room_option,
    trace_option,
)
from otdravg.cli.terminal import print_text, shows_colour, shows_signs
from otdravg.pair.budget import explained_budget
from otdravg.pair.measure import measure
from otdravg.report.pair_json import pair_json
from otdravg.report.pair_text import pair_text
from otdravg.shot.files import read
from otdravg.sor.sizes import SizeLimits
from otdravg.system.atomic import check_targets, write_atomic
from otdravg.tables.pair import pair_csv
from otdravg.verdict.judge import judge
from otdravg.verdict.limits import Limits, Rule

__all__ = ["pair"]


@click.command()
@files_argument("files", "A.sor B.sor")
@click.option(
    "--limit",
    "limits",
    metavar="DB",
    multiple=True,
    help="Upper limit of a splice's true loss, as in 0.15, or for one wavelength as in "
    "1310=0.25; may be repeated. Without it 0.20 dB is used, and the output says so.",
)
@guarded_option
@click.option(
    "--index",
    "group_index",
    metavar="N",
    type=options.group_index,
    help="Group index for both shots' distances (default: as in the files).",
)
@click.option(
    "--launch",
    "launch_m",
    metavar="LENGTH",
    type=options.length_m,
    help="Length of the cord at end A: 1km, 500m, 1000 (metres). Default: from the files.",
)
@click.option(
    "--receive",
    "receive_m",
    metavar="LENGTH",
    type=options.length_m,
    help="Length of the cord at end B.",
)
@click.option(
    "--at",
    "positions_m",
    metavar="LENGTH,...",
    multiple=True,
    type=options.lengths_m,
    help="Measure at these distances from end A too, even if nothing shows there.",
)
@click.option(
    "--unchanged",
    is_flag=True,
    help="Nothing was done to the fibre between both shots, however far apart their dates are.",
)
@click.option("--swap", is_flag=True, help="The first file was shot from end B, not from A.")
@trace_option
@plot_option
@click.option(
    "--explain",
    metavar="N",
    type=click.IntRange(min=1),
    help="Add the uncertainty budget of splice N: what it is made of, what would lower it.",
)
@click.option(
    "--report",
    "report_file",
    metavar="FILE",
    type=FilePath,
    help="Write a document to hand on: .pdf, or .html in one file.",
)
@click.option("--csv", "csv_file", metavar="FILE", type=FilePath, help="Write the table as CSV.")
@json_option
@room_option
@force_option
@click.pass_context
def pair(
    ctx: click.Context,
    files: tuple[Path, ...],
    *,
    limits: tuple[str, ...],
    guarded: bool,
    group_index: float | None,
    launch_m: float | None,
    receive_m: float | None,
    positions_m: tuple[tuple[float, ...], ...],
    unchanged: bool,
    swap: bool,
    trace_number: int | None,
    plot: Path | None,
    explain: int | None,
    report_file: Path | None,
    csv_file: Path | None,
    as_json: bool,
    size_limits: SizeLimits,
    force: bool,
) -> None:
    """Give the true loss of every splice of one fibre from two shots.

    A.sor was shot from end A, B.sor from end B. Each loss is half the sum of both one-way
    readings, signs kept, with its expanded uncertainty (k = 2) and a verdict.

    \b
    otdravg pair 012_A.sor 012_B.sor
    otdravg pair 012_A.sor 012_B.sor --limit 1310=0.25 --limit 1550=0.20 --plot 012.png
    """
    if len(files) != 2:
        raise click.UsageError(f"a pair is two files, A.sor and B.sor, not {len(files)}")
    stated = Limits.parse(limits, Rule.GUARDED if guarded else Rule.PLAIN)
    targets = [path for path in (plot, report_file, csv_file) if path is not None]
    check_targets(targets, inputs=files, overwrite=force)
    if plot is not None:
        # Only now: matplotlib takes longer to load than a pair to measure.
        from otdravg.draw.pair import check_format, pair_figure, save_figure

        check_format(plot)
    if report_file is not None:
        from otdravg.report.document import check_report_format, write_pair_report

        check_report_format(report_file)

    from_a, from_b = reversed(files) if swap else files
    measurement = measure(
        read(from_a, trace_number, size_limits=size_limits),
        read(from_b, trace_number, size_limits=size_limits),
        group_index=group_index,
        launch_m=launch_m,
        receive_m=receive_m,
        positions_m=tuple(chain.from_iterable(positions_m)),
    )
    report = judge(measurement, stated, unchanged=unchanged)
    explained = None if explain is None else explained_budget(measurement, explain)

    if csv_file is not None:
        write_atomic(csv_file, pair_csv(report), overwrite=force)
    if plot is not None:
        save_figure(pair_figure(report), plot, overwrite=force)
    if report_file is not None:
        write_pair_report(report, report_file, overwrite=force)
    if as_json:
        print_text(pair_json(report, explained))
    else:
        print_text(
            pair_text(
                report,
                ascii_only=not shows_signs(sys.stdout),
                colour=shows_colour(sys.stdout),
                explained=explained,
            )
        )
    ctx.exit(report.exit_status)
