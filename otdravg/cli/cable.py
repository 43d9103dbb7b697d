"""``otdravg cable``: a whole cable run, from folders to splices, findings and a work list."""

from __future__ import annotations

import os
import sys
from contextlib import AbstractContextManager, nullcontext
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from otdravg.cli.boundary import Misuse
from otdravg.cli.closeout_options import full_option, only_option, template_option
from otdravg.cli.options import FilePath, force_option, language_option
from otdravg.cli.progress import ProgressLine
from otdravg.cli.stated import Stated, stating_a_cable
from otdravg.cli.terminal import looks, print_text, shows_signs
from otdravg.closeout import PARTS
from otdravg.errors import BadSetting, OutputRefused
from otdravg.findings import says
from otdravg.system.printable import printable
from otdravg.system.whole_folder import whole_folder
from otdravg.words.catalogue import Language, say

if TYPE_CHECKING:
    from otdravg.cable import CableReview, KnownClosure

#: Outputs that somebody reads after the screen.
_READ_FIRST = ("index.html", "findings.csv", "splices.csv")


def _closure_table(text: str) -> tuple[KnownClosure, ...]:
    from otdravg.cable import read_closure_table

    return read_closure_table(Path(text))


@click.command()
@stating_a_cable
@click.option("--out", "out", metavar="DIR", type=FilePath, help="Where to write the tables.")
@click.option("--list", "list_only", is_flag=True, help="Only show how each file would be taken.")
@click.option(
    "--closures", metavar="CSV", type=_closure_table, help="Table of closures: name,distance."
)
@click.option(
    "--decisions", metavar="FILE", type=FilePath, help="The reviewer's decisions (otdravg decide)."
)
@click.option(
    "--against", metavar="DIR", type=FilePath, help="Output folder of an earlier run to compare."
)
@click.option("--details", is_flag=True, help="Add all evidence, odds and patterns.")
@language_option
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
    stated: Stated,
    *,
    out: Path | None,
    list_only: bool,
    decisions: Path | None,
    against: Path | None,
    details: bool,
    language: Language | None,
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
    from otdravg.cable import Decisions, list_shots, read_decisions, read_folders, review
    from otdravg.cable.checks.earlier import read_splices
    from otdravg.cable.run import check_for_shots
    from otdravg.closeout import package
    from otdravg.closeout.attachments import attachments_below
    from otdravg.closeout.closeout import fill_closeout, made_at
    from otdravg.closeout.template import Template, load_template
    from otdravg.report.cable import cable_text
    from otdravg.report.cable_details import listing_text

    reviewed = read_decisions(decisions) if decisions else Decisions()
    chosen = replace(
        stated.options,
        decisions=reviewed,
        before=read_splices(against) if against and not each_cable else None,
    )
    parts = _parts(everything, only)
    template = replace(
        load_template(template_file) if template_file else Template(), made_at=made_at()
    )
    if full:
        template = replace(template, full=True)
    if language is not None:
        template = replace(template, language=language)
    if template.form is not None and not everything and only is None:
        raise BadSetting("form.workbook", template.form.workbook, says("add-all"))
    if out is None and not list_only:
        raise Misuse(says("no-out"))
    if list_only and attached is not None:
        raise Misuse(says("list-writes-nothing"))
    if list_only and each_cable:
        raise Misuse(says("list-shows-all"))
    read = (*stated.folders, *filter(None, (attached,)))
    target = None if list_only else out
    progress = ProgressLine()
    with (
        _output(target, read, force) as draft,
        stated.executor() as executor,
    ):
        shots = read_folders(stated.folders, executor, progress, stated.size_limits)
        check_for_shots(stated.folders, shots)
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
        cables = [package.Part("", list(shots), chosen, stated.rules, attached)]
        if each_cable:
            said = [
                package.Terms(own.job.cable, replace(own.options, decisions=reviewed), own.rules)
                for own in (stated, *stated.others)
            ]
            cables = package.by_cable(shots, said, against, attached)
        beside = {own.folder: attachments_below(own.attached) for own in cables if own.attached}
        for part in cables:
            results[part.folder] = review(
                part.shots, part.rules, part.options, executor=executor, progress=progress
            )
            (draft / part.folder).mkdir(exist_ok=True)
            fill_closeout(
                results[part.folder],
                draft / part.folder,
                only=parts,
                template=template,
                options=part.options,
                zip_traces=zip_traces,
                attached=beside.get(part.folder),
                executor=executor,
                progress=progress,
            )
        if each_cable:
            package.write_index(draft, results, template)
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
    from otdravg.closeout.closeout import chosen_parts

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
            raise OutputRefused(out, says("inside-inputs"), says("name-folder-outside"))
    return whole_folder(out, inputs=[os.fspath(f) for f in folders], overwrite=force)
