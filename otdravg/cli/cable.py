"""``otdravg cable``: a whole cable run, from folders to splices, findings and a work list."""

from __future__ import annotations

import os
import sys
from contextlib import AbstractContextManager, nullcontext
from dataclasses import replace
from pathlib import Path

import click

from otdravg.cable import (
    CableReview,
    Decisions,
    list_shots,
    read_closure_table,
    read_decisions,
    read_folders,
    review,
)
from otdravg.cable.checks.earlier import read_splices
from otdravg.cable.run import check_for_shots
from otdravg.cli import options
from otdravg.cli.closeout_options import full_option, only_option, template_option
from otdravg.cli.measuring import measuring_executor
from otdravg.cli.options import (
    FilePath,
    files_argument,
    force_option,
    guarded_option,
    language_option,
    max_size_option,
    profile_option,
    stage_option,
)
from otdravg.cli.progress import ProgressLine
from otdravg.cli.stated import job_and_folders, job_option, options_as_stated, profile_as_stated
from otdravg.cli.terminal import looks, print_text, shows_signs
from otdravg.closeout.closeout import PARTS, chosen_parts, fill_closeout, made_at
from otdravg.closeout.package import by_cable, write_index
from otdravg.closeout.template import Template, load_template
from otdravg.errors import BadSetting, OutputRefused
from otdravg.report.cable import cable_text
from otdravg.report.cable_details import listing_text
from otdravg.sor.sizes import SizeLimits
from otdravg.system.printable import printable
from otdravg.system.whole_folder import whole_folder
from otdravg.trade import RIBBON_SIZES
from otdravg.words.catalogue import Language, say

__all__ = ["cable"]

#: Outputs that somebody reads after the screen.
_READ_FIRST = ("index.html", "findings.csv", "splices.csv")


@click.command()
@files_argument("folders", "[FOLDER]...", required=False)
@job_option
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
@click.option("--details", is_flag=True, help="Add all evidence, odds and patterns.")
@language_option
@max_size_option
@click.option("--all", "everything", is_flag=True, help="Write the whole closeout.")
@only_option
@template_option
@full_option
@click.option("--each-cable", is_flag=True, help="A closeout of each cable, with an index.")
@click.option("--zip", "zip_traces", is_flag=True, help="Write traces.zip in place of traces/.")
@click.option("--attach", "attached", metavar="DIR", type=FilePath,
              help="Photos, papers: copied with their hashes, not judged.")  # fmt: skip
@force_option
@click.pass_context
def cable(
    ctx: click.Context,
    folders: tuple[Path, ...],
    *,
    job_file: Path | None,
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
    details: bool,
    language: Language | None,
    size_limits: SizeLimits,
    everything: bool,
    only: str | None,
    template_file: Path | None,
    full: bool,
    each_cable: bool,
    zip_traces: bool,
    attached: Path | None,
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
    otdravg cable --job ridge-7.toml shots --out result
    otdravg cable shots shots-after-repair --out result2 --against result
    """
    job, folders = job_and_folders(job_file, folders)
    chosen = replace(
        options_as_stated(
            job,
            name_pattern=name_pattern,
            mapping=mapping,
            end_a=end_a,
            closures=read_closure_table(closures) if closures else None,
            launch_m=launch_m,
            receive_m=receive_m,
            group_index=group_index,
            fibres=fibres,
        ),
        decisions=read_decisions(decisions) if decisions else Decisions(),
        before=read_splices(against) if against and not each_cable else None,
    )
    rules = profile_as_stated(profile_name, guarded, stage, ribbon, job)
    parts = _parts(everything, only)
    template = replace(
        load_template(template_file) if template_file else Template(), made_at=made_at()
    )
    if full:
        template = replace(template, full=True)
    if language is not None:
        template = replace(template, language=language)
    if template.form is not None and not everything and only is None:
        raise BadSetting("form.workbook", template.form.workbook, "add --all, or --only csv,xlsx")
    if out is None and not list_only:
        raise click.UsageError("no folder for the tables: add --out DIR, or --list")
    if list_only and attached is not None:
        raise click.UsageError("--list writes nothing that --attach could lie beside")
    if each_cable and (attached is not None or job_file is not None or list_only):
        raise click.UsageError("--each-cable goes without --job, --attach and --list")
    read = (*folders, attached) if attached else folders
    target = None if list_only else out
    progress = ProgressLine()
    with (
        _output(target, read, force) as draft,
        measuring_executor(workers, folders, size_limits) as executor,
    ):
        shots = read_folders(folders, executor, progress, size_limits)
        check_for_shots(folders, shots)
        if draft is None:
            progress.clear()
            records, findings = list_shots(shots, chosen)
            print_text(
                listing_text(
                    records,
                    findings,
                    ascii_only=not shows_signs(sys.stdout),
                    language=template.language,
                )
            )
            return
        results: dict[str, CableReview] = {}
        whole = [("", shots, chosen)]
        for folder, own, stated in by_cable(shots, chosen, against) if each_cable else whole:
            results[folder] = review(own, rules, stated, executor=executor, progress=progress)
            (draft / folder).mkdir(exist_ok=True)
            fill_closeout(
                results[folder],
                draft / folder,
                only=parts,
                template=template,
                options=stated,
                zip_traces=zip_traces,
                attached=attached,
                executor=executor,
                progress=progress,
            )
        if each_cable:
            write_index(draft, results, template)
    progress.clear()
    for folder, result in results.items():
        print_text(
            cable_text(
                result,
                **looks(),
                details=details,
                tables=_named(Path(out or "", folder), template.language),
                language=template.language,
            )
        )
    if each_cable:
        print_text(f"{printable(str(out))}: index.html\n")
    ctx.exit(max(result.exit_status for result in results.values()))


def _parts(everything: bool, only: str | None) -> frozenset[str]:
    """Outputs to write: the tables, unless others are asked for."""
    if everything:
        return frozenset(PARTS)
    return frozenset({"csv"}) if only is None else chosen_parts(only)


def _named(out: Path, language: Language) -> str:
    """Say where the outputs lie, those that are read first by name."""
    there = sorted(os.listdir(out))
    first = [name for name in _READ_FIRST if name in there] or there[:1]
    return say(
        "cable", "tables", language,
        folder=str(out), first=", ".join(first), more=len(there) - len(first),
    )  # fmt: skip


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
