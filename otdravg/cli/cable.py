"""``otdravg cable``: a whole cable run, from folders to splices, findings and a work list."""

from __future__ import annotations

import importlib
import os
import sys
from collections.abc import Iterator
from concurrent.futures import Executor
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import replace
from pathlib import Path

import click
import numpy as np

from otdravg.cable import (
    Decisions,
    NamePattern,
    Naming,
    Options,
    list_shots,
    read_closure_table,
    read_decisions,
    read_folders,
    read_mapping,
    review,
)
from otdravg.cable.checks.earlier import read_splices
from otdravg.cable.files.folder import find_files
from otdravg.cable.run import check_for_shots
from otdravg.cli import options
from otdravg.cli.closeout_options import full_option, only_option, template_option
from otdravg.cli.options import (
    FilePath,
    files_argument,
    force_option,
    guarded_option,
    max_size_option,
    profile_option,
    stage_option,
)
from otdravg.cli.progress import ProgressLine
from otdravg.cli.terminal import print_error, print_text, shows_colour, shows_signs
from otdravg.closeout.closeout import PARTS, chosen_parts, fill_closeout
from otdravg.closeout.template import Template, load_template
from otdravg.errors import BadSetting, OutputRefused
from otdravg.report.cable import cable_text, listing_text
from otdravg.report.page import counted
from otdravg.sor.sizes import SizeLimits
from otdravg.system.whole_folder import whole_folder
from otdravg.system.workers import local_workers, room_for_workers
from otdravg.trade import RIBBON_SIZES
from otdravg.verdict import Profile, default, load_named
from otdravg.verdict.limits import Rule
from otdravg.verdict.rules import at_stage

__all__ = ["cable"]

#: Below the 32 MiB up to which glibc learns from what is freed.
LARGE_BLOCK_BYTES = 30_000_000


@click.command()
@files_argument("folders", "FOLDER...")
@click.option("--out", "out", metavar="DIR", type=FilePath, help="Where to write the tables.")
@click.option("--list", "list_only", is_flag=True, help="Only show how each file would be taken.")
@profile_option
@guarded_option
@stage_option
@click.option(
    "--ribbon",
    "ribbon",
    metavar="N",
    type=click.Choice([*(str(size) for size in RIBBON_SIZES), "none"]),
    help="Fibres of a ribbon (4, 6, 8, 12, 16, 24), or none for loose tube. Default: as in the "
    "profile.",
)
@click.option(
    "--fibres", metavar="N", type=click.IntRange(min=1), help="Fibre count that the cable has."
)
@click.option(
    "--name-pattern",
    metavar="PATTERN",
    help="How file names are made: {cable}_F{fibre}_{wavelength}_{direction}; {any} skips.",
)
@click.option(
    "--mapping",
    metavar="CSV",
    type=FilePath,
    help="Table of what files are: file,cable,fibre,direction,wavelength_nm.",
)
@click.option("--closures", metavar="CSV", type=FilePath, help="Table of closures: name,distance.")
@click.option("--end-a", metavar="NAME", help="Which of the typed ends is A.")
@click.option(
    "--decisions", metavar="FILE", type=FilePath, help="The reviewer's decisions (otdravg decide)."
)
@click.option(
    "--against", metavar="DIR", type=FilePath, help="Output folder of an earlier run to compare."
)
@click.option(
    "--launch", "launch_m", metavar="LENGTH", type=options.length_m, help="Launch fibre at A."
)
@click.option(
    "--receive", "receive_m", metavar="LENGTH", type=options.length_m, help="Receive fibre at B."
)
@click.option(
    "--index", "group_index", metavar="N", type=options.group_index, help="Group index for all."
)
@click.option(
    "--workers",
    metavar="N",
    type=click.IntRange(min=1),
    help="Processes that measure. Default, and most: as processors and memory allow.",
)
@click.option(
    "--dask",
    metavar="ADDRESS",
    help="Measure on a Dask cluster, as in tcp://host:8786; its workers must see FOLDER.",
)
@max_size_option
@click.option("--all", "everything", is_flag=True, help="Write the whole closeout.")
@only_option
@template_option
@full_option
@click.option("--zip", "zip_traces", is_flag=True, help="Write traces.zip in place of traces/.")
@force_option
@click.pass_context
def cable(
    ctx: click.Context,
    folders: tuple[Path, ...],
    *,
    out: Path | None,
    list_only: bool,
    profile_name: str | None,
    guarded: bool,
    stage: str | None,
    ribbon: str | None,
    fibres: int | None,
    name_pattern: str | None,
    mapping: Path | None,
    closures: Path | None,
    end_a: str | None,
    decisions: Path | None,
    against: Path | None,
    launch_m: float | None,
    receive_m: float | None,
    group_index: float | None,
    workers: int | None,
    dask: str | None,
    size_limits: SizeLimits,
    everything: bool,
    only: str | None,
    template_file: Path | None,
    full: bool,
    zip_traces: bool,
    force: bool,
) -> None:
    """Review a whole cable: judge every splice of every fibre, name every gap and mix-up.

    Reads every .sor file below FOLDER, which may be a .zip. A second FOLDER holds shots taken
    after a repair: they stand, those of the first become history. Writes splices.csv,
    findings.csv, shots.csv and resplice.csv into DIR; with --all the whole closeout: workbook,
    paper, page, JSON, traces.

    \b
    otdravg cable shots --list
    otdravg cable shots --out result --profile three-attempts
    otdravg cable shots shots-after-repair --out result2 --against result
    """
    chosen = Options(
        naming=Naming(
            NamePattern.parse(name_pattern) if name_pattern else None,
            read_mapping(mapping) if mapping else None,
            end_a,
        ),
        closures=read_closure_table(closures) if closures else (),
        decisions=read_decisions(decisions) if decisions else Decisions(),
        before=read_splices(against) if against else None,
        launch_m=launch_m,
        receive_m=receive_m,
        group_index=group_index,
        fibre_count=fibres,
    )
    rules = _profile(profile_name, guarded, stage, ribbon)
    parts = _parts(everything, only)
    template = load_template(template_file) if template_file else Template()
    if full:
        template = replace(template, full=True)
    if out is None and not list_only:
        raise click.UsageError("no folder for the tables: add --out DIR, or --list")
    target = None if list_only else out
    progress = ProgressLine()
    with (
        _output(target, folders, force) as draft,
        _executor(workers, dask, folders, size_limits) as executor,
    ):
        shots = read_folders(folders, executor, progress, size_limits)
        check_for_shots(folders, shots)
        if draft is None:
            progress.clear()
            records, findings = list_shots(shots, chosen)
            print_text(listing_text(records, findings, ascii_only=not shows_signs(sys.stdout)))
            return
        result = review(shots, rules, chosen, executor=executor, progress=progress)
        fill_closeout(
            result,
            draft,
            only=parts,
            template=template,
            options=chosen,
            zip_traces=zip_traces,
            executor=executor,
            progress=progress,
        )
    progress.clear()
    print_text(
        cable_text(result, ascii_only=not shows_signs(sys.stdout), colour=shows_colour(sys.stdout))
    )
    ctx.exit(result.exit_status)


def _parts(everything: bool, only: str | None) -> frozenset[str]:
    """Outputs to write: the tables, unless others are asked for."""
    if everything:
        return frozenset(PARTS)
    return frozenset({"csv"}) if only is None else chosen_parts(only)


def _profile(name: str | None, guarded: bool, stage: str | None, ribbon: str | None) -> Profile:
    """Find the profile and apply what the command line says otherwise."""
    chosen = default() if name is None else load_named(name)
    if guarded:
        chosen = replace(chosen, rule=Rule.GUARDED)
    if stage is not None:
        chosen = at_stage(chosen, stage)
    if ribbon is not None:
        size = 0 if ribbon == "none" else int(ribbon)
        chosen = replace(chosen, ribbon=replace(chosen.ribbon, size=size))
    return chosen


def _output(
    out: Path | None, folders: tuple[Path, ...], force: bool
) -> AbstractContextManager[Path | None]:
    """Hold the output folder from the start: what could not be written is refused now."""
    if out is None:
        return nullcontext()
    place = os.path.realpath(out)
    for folder in map(os.path.realpath, folders):
        if folder == place or Path(folder) in Path(place).parents:
            raise OutputRefused(
                out, "lies in the folder that is read", "name a folder outside of it"
            )
    return whole_folder(out, inputs=[os.fspath(f) for f in folders], overwrite=force)


@contextmanager
def _executor(
    workers: int | None, dask: str | None, folders: tuple[Path, ...], size_limits: SizeLimits
) -> Iterator[Executor | None]:
    """Where to measure: a cluster, processes of this machine, or here for a single worker."""
    if dask is not None:
        with _cluster(dask) as executor:
            yield executor
        return
    shots = (file.location.size_bytes for file in find_files(folders) if file.is_trace_file)
    # Two bytes a point (SR-4731, DataPts).
    room = room_for_workers(min(max(shots, default=0) // 2, size_limits.points))
    count = min(workers or room.workers, room.workers)
    if workers is not None and workers > count:
        print_error(f"{counted(count, 'worker process')}, not {workers}: this machine has {room}")
    if count == 1:
        yield None
        return
    with local_workers(count, _keep_freed_memory) as executor:
        yield executor


@contextmanager
def _cluster(address: str) -> Iterator[Executor]:
    """Use the executor of a Dask cluster (extra "cluster")."""
    try:
        distributed = importlib.import_module("distributed")
    except ImportError:
        raise BadSetting(
            "dask", address, "install the extra: pip install otdravg[cluster]"
        ) from None
    with distributed.Client(address) as client:
        yield client.get_executor(pure=False)


def _keep_freed_memory() -> None:
    """Let the C library keep what one shot has freed for the next one.

    glibc gives arrays back to the system at once until it has seen a larger block freed, and then
    takes them again page by page: 7 % of the time of a large run. This block is never touched, so
    it costs nothing; with other libraries it does nothing.
    """
    np.empty(LARGE_BLOCK_BYTES, dtype=np.uint8)
