"""``otdravg demo``: a small simulated cable run to try the program on."""

from __future__ import annotations

import os
import shlex
from pathlib import Path
from typing import TYPE_CHECKING

import click

from otdravg.cli.options import FilePath, force_option, wavelengths_nm
from otdravg.cli.terminal import print_text
from otdravg.export.printable import printable

if TYPE_CHECKING:
    from otdravg.simulate.demo import DemoSummary

__all__ = ["demo"]


@click.command(short_help="Write a simulated cable run to try the program on.")
@click.argument("directory", metavar="DIR", type=FilePath)
@click.option(
    "--fibres",
    metavar="N",
    type=click.IntRange(min=1),
    default=12,
    show_default=True,
    help="Number of fibres.",
)
@click.option(
    "--wavelengths",
    metavar="NM,...",
    type=wavelengths_nm,
    default="1550",
    show_default=True,
    help="Wavelengths, as in 1310,1550.",
)
@click.option(
    "--seed",
    metavar="N",
    type=click.IntRange(min=0),
    help="Another number gives another cable; the same number the same bytes.",
)
@force_option
def demo(
    directory: Path, *, fibres: int, wavelengths: tuple[int, ...], seed: int | None, force: bool
) -> None:
    """Write a simulated cable run with its truth, and print commands to try on it.

    Route, names and measurements are invented; every file says that it is simulated.
    """
    # Only now: the simulator is no part of a measurement and takes long to load.
    from otdravg.simulate.demo import write_demo

    chosen = {} if seed is None else {"seed": seed}
    summary = write_demo(
        directory, fibres=fibres, wavelengths=wavelengths, overwrite=force, **chosen
    )
    print_text(_introduction(summary))


def _introduction(summary: DemoSummary) -> str:
    from_a, from_b = (shlex.quote(os.fspath(path)) for path in summary.pairs[0])
    shots = ", ".join(f"{nm} nm" for nm in summary.wavelengths_nm)
    files = 2 * len(summary.pairs)
    lines = (
        f"Simulated, not measured: cable {summary.cable}, {summary.fibres} fibres at {shots}, "
        f"{files} trace files",
        f"from A = {summary.end_a} to B = {summary.end_b}.",
        f"What was planted: {summary.truth}",
        "",
        "Try:",
        f"  otdravg pair {from_a} {from_b}",
        f"  otdravg pair {from_a} {from_b} --limit 0.15 --guarded --plot picture.png",
        f"  otdravg show {from_a}",
    )
    return "\n".join(printable(line) for line in lines) + "\n"
