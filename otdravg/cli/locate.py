"""``otdravg locate``: where on the cable a distance lies."""

from __future__ import annotations

from pathlib import Path

import click

from otdravg.cable.lists.locating import course_of_job, course_of_review
from otdravg.cli import options
from otdravg.cli.options import FilePath, language_option
from otdravg.cli.terminal import looks, print_text
from otdravg.closeout.json_file import read_closeout
from otdravg.job import load
from otdravg.report.locate import located_text
from otdravg.words.catalogue import Language


@click.command(short_help="Say where on the cable a distance lies: places and sheath marks.")
@click.argument("file", metavar="JOB", type=FilePath)
@click.argument("distance_m", metavar="DISTANCE", type=options.length_m)
@click.option("--from", "end", metavar="END", type=click.Choice(["A", "B"]), default="A",
              show_default=True, help="End that it is counted from, A or B.")  # fmt: skip
@click.option("--index", "group_index", metavar="N", type=options.group_index,
              help="Group index that the instrument was set to, if another.")  # fmt: skip
@language_option
def locate(
    file: Path,
    distance_m: float,
    *,
    end: str,
    group_index: float | None,
    language: Language | None,
) -> None:
    """Answer an emergency call: between which places, at which mark on the sheath.

    JOB is the file of a job with a route, or closeout.json of a review made with it, which knows
    closures and length as they were measured.

    \b
    otdravg locate ridge-7.toml 12.424km
    otdravg locate result/closeout.json 5.110km --from B
    """
    if file.suffix.lower() == ".json":
        course = course_of_review(read_closeout(file).review)
    else:
        job = load(file)
        course = course_of_job(job.expected, job.closures)
    found = course.locate(distance_m, from_b=end == "B", group_index=group_index)
    own = looks()
    print_text(
        located_text(
            found,
            ascii_only=own["ascii_only"],
            columns=own["columns"],
            language=language or Language.ENGLISH,
        )
    )
