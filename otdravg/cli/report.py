"""``otdravg report``: make the outputs of a closeout again from its JSON file."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import click

from otdravg.cli.closeout_options import full_option, only_option, template_option
from otdravg.cli.options import FilePath, force_option
from otdravg.cli.progress import ProgressLine
from otdravg.cli.terminal import print_text
from otdravg.closeout import PARTS
from otdravg.errors import BadSetting
from otdravg.findings import says
from otdravg.system.printable import printable


@click.command(short_help="Make a closeout again from closeout.json.")
@click.argument("file", metavar="CLOSEOUT.json", type=FilePath)
@click.option("--out", metavar="DIR", type=FilePath, required=True, help="Where to write.")
@only_option
@template_option
@full_option
@force_option
def report(
    file: Path, *, out: Path, only: str | None, template_file: Path | None, full: bool, force: bool
) -> None:
    """Make the tables, the workbook, the paper and the page again, without the traces.

    With another template the same results get another cover, language or other columns.
    The figures stay as they were judged.

    \b
    otdravg report result/closeout.json --out again
    otdravg report result/closeout.json --out german --only xlsx,pdf --template german.toml
    """
    from otdravg.closeout.attachments import ATTACHED, Attachments, missing_of
    from otdravg.closeout.closeout import chosen_parts, write_closeout
    from otdravg.closeout.json_file import read_closeout
    from otdravg.closeout.template import load_template

    parts = frozenset(PARTS) - {"traces"} if only is None else chosen_parts(only)
    if only is not None and "traces" in parts and only.strip().lower() != "all":
        raise BadSetting("only", "traces", says("json-without-traces"))
    closeout = read_closeout(file)
    template, attachments = closeout.template, closeout.attachments
    if template_file is not None:
        template = replace(load_template(template_file), made_at=template.made_at)
    if full:
        template = replace(template, full=True)
    progress = ProgressLine()
    write_closeout(
        closeout.review,
        out,
        only=parts - {"traces"},
        template=template,
        sketches=closeout.sketches,
        options=closeout.options,
        attached=Attachments(file.parent / ATTACHED, attachments) if attachments else None,
        force=force,
        progress=progress,
    )
    progress.clear()
    print_text(f"{printable(str(out))}: {', '.join(p for p in PARTS if p in parts - {'traces'})}\n")
    if missing := missing_of(out, attachments):
        names = printable(", ".join(sorted(missing)))
        print_text(f"attachments that do not lie beside {file.name} as they were: {names}\n")
