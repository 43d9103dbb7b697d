"""``otdravg demo``: a simulated cable run to try the program on."""

from __future__ import annotations

import os
import shlex
from pathlib import Path
from typing import TYPE_CHECKING

import click

from otdravg.cli.options import FilePath, force_option, wavelengths_nm
from otdravg.cli.terminal import print_text
from otdravg.system.printable import printable

if TYPE_CHECKING:
    from otdravg.simulate.demo import DemoSummary


@click.command(short_help="Write a simulated cable run to try the program on.")
@click.argument("directory", metavar="DIR", type=FilePath)
@click.option(
    "--fibres",
    metavar="N",
    type=click.IntRange(min=1),
    default=12,
    show_default=True,
    help="Number of fibres. From 48 on it is a whole cable with ten closures and faults to find.",
)
@click.option(
    "--wavelengths",
    metavar="NM,...",
    type=wavelengths_nm,
    help="Wavelengths, as in 1310,1550. Default: 1550; from 48 fibres on 1310,1550.",
)
@click.option(
    "--faults/--no-faults",
    "faults",
    default=None,
    help="Whether a crew's mistakes are planted. Default: from 48 fibres on.",
)
@click.option(
    "--answers",
    metavar="DIR",
    type=FilePath,
    help="Where to write what was planted: a folder apart from the shots.",
)
@click.option(
    "--job",
    "van",
    metavar="DIR",
    type=FilePath,
    help="Write a job with the crew's lists there, apart from the shots: as typed, and mended.",
)
@click.option(
    "--seed",
    metavar="N",
    type=click.IntRange(min=0),
    help="Another number gives another cable; the same number the same bytes.",
)
@force_option
def demo(
    directory: Path,
    *,
    fibres: int,
    wavelengths: tuple[int, ...] | None,
    faults: bool | None,
    answers: Path | None,
    van: Path | None,
    seed: int | None,
    force: bool,
) -> None:
    """Write a simulated cable run, and print commands to try on it.

    Route, names and measurements are invented; every file says that it is simulated. Below 48
    fibres the truth lies beside the shots. From 48 fibres on the cable has faults, and the crew
    that shot it made mistakes: what they are is written only where --answers says.

    \b
    otdravg demo run
    otdravg demo cable --fibres 48 --answers answers
    otdravg demo run --fibres 24 --job van
    """
    # Only now: the simulator is no part of a measurement and takes long to load.
    from otdravg.simulate.demo import write_demo

    chosen = {} if seed is None else {"seed": seed}
    summary = write_demo(
        directory,
        fibres=fibres,
        wavelengths=wavelengths,
        faults=faults,
        answers=answers,
        van=van,
        workers=os.cpu_count() or 1,
        overwrite=force,
        **chosen,
    )
    print_text(_introduction(summary))


def _introduction(summary: DemoSummary) -> str:
    shots = ", ".join(f"{nm} nm" for nm in summary.wavelengths_nm)
    lines = [
        f"Simulated, not measured: cable {summary.cable}, {summary.fibres} fibres at {shots}, "
        f"{summary.files} trace files",
        f"from A = {summary.end_a} to B = {summary.end_b}.",
    ]
    if summary.faulty:
        lines += ["It has faults, and the crew made mistakes. To find them is the exercise."]
    answers = [os.fspath(path) for path in (summary.planted, summary.truth) if path is not None]
    if answers:
        lines += [f"What was planted: {', '.join(answers)}"]
    lines += ["", "Try:", *(f"  {command}" for command in _commands(summary))]
    return "\n".join(printable(line) for line in lines) + "\n"


def _commands(summary: DemoSummary) -> list[str]:
    if summary.van is not None:
        typed, mended = (
            shlex.quote(os.fspath(summary.van / name / "job.toml"))
            for name in ("as-typed", "mended")
        )
        return [f"otdravg job check {typed}", f"otdravg cable --job {mended} --out result"]
    if summary.faulty:
        folder = shlex.quote(os.fspath(summary.directory))
        return [
            f"otdravg cable {folder} --list",
            f"otdravg cable {folder} --out result --profile two-wavelengths",
        ]
    from_a, from_b = (shlex.quote(os.fspath(path)) for path in summary.pairs[0])
    return [
        f"otdravg pair {from_a} {from_b}",
        f"otdravg pair {from_a} {from_b} --limit 0.15 --guarded --plot picture.png",
        f"otdravg show {from_a}",
    ]
