"""``otdravg pair``: two shots of one fibre, its splice losses."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import chain
from pathlib import Path

import click

from otdravg.cli import options
from otdravg.cli.boundary import JOB_NOT_DONE, Misuse
from otdravg.cli.options import (
    FilePath,
    cord_options,
    files_argument,
    force_option,
    guarded_option,
    index_option,
    json_option,
    language_option,
    limit_option,
    max_size_option,
    plot_option,
    profile_option,
    stage_option,
    trace_option,
)
from otdravg.cli.progress import ProgressLine
from otdravg.cli.terminal import looks, print_text, print_written
from otdravg.findings import says
from otdravg.pair.measure import Measurement, measure
from otdravg.report.pair_json import pair_json
from otdravg.report.pair_text import pair_text
from otdravg.shot.files import read
from otdravg.shot.response import Response
from otdravg.shot.trace import Trace
from otdravg.sor.sizes import SizeLimits
from otdravg.system.atomic import check_targets, write_atomic
from otdravg.tables.pair import pair_csv
from otdravg.verdict.judge import PairReport, judge
from otdravg.verdict.limits import Limits, Rule
from otdravg.verdict.reading import load_named
from otdravg.verdict.rules import Method, at_stage
from otdravg.words.catalogue import Language


@click.command()
@files_argument("files", "A.sor B.sor | FOLDER | FILES...")
@limit_option
@profile_option
@guarded_option
@stage_option
@click.option(
    "--attempt",
    metavar="N",
    type=click.IntRange(min=1),
    help="How many times the splices have been made; no file says so.",
)
@click.option(
    "--method",
    type=click.Choice([method.value for method in Method]),
    help="How the splices were made. Default: as the profile says.",
)
@index_option
@cord_options
@click.option(
    "--at",
    "positions_m",
    metavar="LENGTH,...",
    multiple=True,
    type=options.lengths_m,
    help="Measure at these distances from end A too, even if nothing shows there.",
)
@click.option(
    "--response",
    metavar="PULSES",
    type=options.response,
    help="How both receivers answer, as lengths of poles in pulses: 0.4, or 0.8,0.3; 0: at once. "
    "Default: learnt from each shot.",
)
@click.option(
    "--unchanged",
    is_flag=True,
    help="Nothing was done to the fibre between both shots, however far apart their dates are.",
)
@click.option("--swap", is_flag=True, help="Reversed: the first file was shot from B.")
@trace_option
@plot_option
@click.option(
    "--details",
    is_flag=True,
    help="Add sections, detection limits, receivers, uncertainty budgets and notes.",
)
@click.option(
    "--report",
    "report_file",
    metavar="FILE",
    type=FilePath,
    help="Write a document to hand on: .pdf, or .html in one file.",
)
@click.option("--csv", "csv_file", metavar="FILE", type=FilePath, help="Write the table as CSV.")
@language_option
@json_option
@max_size_option
@force_option
@click.pass_context
def pair(
    ctx: click.Context,
    files: tuple[Path, ...],
    *,
    limits: tuple[str, ...],
    profile_name: str | None,
    guarded: bool,
    stage: str | None,
    attempt: int | None,
    method: str | None,
    group_index: float | None,
    launch_m: float | None,
    receive_m: float | None,
    positions_m: tuple[tuple[float, ...], ...],
    response: Response | None,
    unchanged: bool,
    swap: bool,
    trace_number: int | None,
    plot: Path | None,
    details: bool,
    report_file: Path | None,
    csv_file: Path | None,
    language: Language | None,
    as_json: bool,
    size_limits: SizeLimits,
    force: bool,
) -> None:
    """Say what to do about the splices of one fibre, from two shots of it.

    A.sor was shot from end A, B.sor from end B. Splice loss is the average of both
    directions, signs kept, with its expanded uncertainty (k = 2) and a verdict.

    Of a folder, or of more files than two, shots are paired by headers and names, and each
    fibre has a line of its own.

    \b
    otdravg pair 012_A.sor 012_B.sor
    otdravg pair 012_A.sor 012_B.sor --limit 1310=0.25 --limit 1550=0.20 --plot 012.png
    otdravg pair shots
    otdravg pair *.sor --csv all.csv
    """
    if profile_name is not None and (limits or guarded):
        raise Misuse(says("profile-holds"))
    if profile_name is None and (stage or attempt or method):
        raise Misuse(says("needs-profile"))
    stated = Limits.parse(limits, Rule.GUARDED if guarded else Rule.PLAIN)
    rules = None if profile_name is None else load_named(profile_name)
    if rules is not None and stage is not None:
        rules = at_stage(rules, stage)

    measured = partial(
        measure,
        group_index=group_index,
        launch_m=launch_m,
        receive_m=receive_m,
        positions_m=tuple(chain.from_iterable(positions_m)),
        response=response,
    )
    by_rules = partial(
        judge,
        limit_db=stated if rules is None else None,
        profile=rules,
        attempt=attempt,
        method=None if method is None else Method(method),
        unchanged=unchanged,
    )

    spoken = language or Language.ENGLISH
    outputs = _Outputs(plot, report_file, csv_file, spoken, force)
    screen = _Screen(as_json, details, spoken)
    collections = [path for path in files if path.is_dir() or path.suffix.lower() == ".zip"]
    if collections and len(collections) < len(files):
        raise Misuse(says("folders-alone", path=str(collections[0])))
    if len(files) > 2 or collections:
        if swap or plot is not None or report_file is not None:
            raise Misuse(says("for-one-pair"))
        ctx.exit(_many(files, measured, by_rules, outputs, screen, trace_number, size_limits))
    if len(files) != 2:
        raise Misuse(says("pair-is-two", count=len(files)))
    outputs.check(files)
    from_a, from_b = reversed(files) if swap else files
    report = by_rules(
        measured(
            read(from_a, trace_number, size_limits=size_limits),
            read(from_b, trace_number, size_limits=size_limits),
        )
    )
    outputs.write(report)
    print_text(screen.of(report))
    print_written(outputs.targets, aside=screen.as_json)
    ctx.exit(report.exit_status)


@dataclass(frozen=True, slots=True)
class _Outputs:
    """Files to write."""

    plot: Path | None
    document: Path | None
    table: Path | None
    language: Language
    force: bool

    @property
    def targets(self) -> list[Path]:
        return [path for path in (self.plot, self.document, self.table) if path is not None]

    def check(self, inputs: Sequence[Path]) -> None:
        """Refuse before the work what could not be written after it."""
        check_targets(self.targets, inputs=inputs, overwrite=self.force)
        if self.plot is not None:
            # Only now: matplotlib takes longer to load than a pair to measure.
            from otdravg.draw.pair import check_format

            check_format(self.plot)
        if self.document is not None:
            from otdravg.report.document import check_report_format

            check_report_format(self.document)

    def write(self, *reports: PairReport) -> None:
        """Write the table of all reports; picture and document are of a single one."""
        if self.table is not None:
            write_atomic(self.table, pair_csv(*reports), overwrite=self.force)
        if self.plot is not None:
            from otdravg.draw.pair import pair_figure, save_figure

            save_figure(
                pair_figure(reports[0], language=self.language), self.plot, overwrite=self.force
            )
        if self.document is not None:
            from otdravg.report.document import write_pair_report

            write_pair_report(
                reports[0], self.document, overwrite=self.force, language=self.language
            )


@dataclass(frozen=True, slots=True)
class _Screen:
    """How results are printed."""

    as_json: bool
    details: bool
    language: Language

    def of(self, report: PairReport) -> str:
        """Word one pair."""
        if self.as_json:
            return pair_json(report)
        return pair_text(report, details=self.details, language=self.language, **looks())


def _many(
    paths: Sequence[Path],
    measured: Callable[[Trace, Trace], Measurement],
    by_rules: Callable[..., PairReport],
    outputs: _Outputs,
    screen: _Screen,
    trace_number: int | None,
    size_limits: SizeLimits,
) -> int:
    """Pair shots by headers and names, measure each pair, print an answer for each fibre."""
    # Only now: two files need nothing of a cable.
    from otdravg.cable.model import ShotUse
    from otdravg.cable.pairs import measure_pairs, pair_up, shot_of
    from otdravg.report.pairs_text import LeftOut, left_out_json, left_out_of, pairs_text

    pairing = pair_up(paths, size_limits)
    shots = (shot for pair in pairing.pairs for shot in (pair.ab, pair.ba))
    outputs.check([Path(shot.location.path) for shot in (*shots, *pairing.left)])
    progress = ProgressLine()
    read_shot = partial(shot_of, trace_number=trace_number, size_limits=size_limits)
    found, failed = measure_pairs(pairing.pairs, read_shot, measured, progress)
    progress.clear()
    left = left_out_of(pairing.left)
    for pair, error in failed:
        files = (str(pair.ab.location), str(pair.ba.location))
        left.append(LeftOut(files, ShotUse.MISMATCHED, error.said))
    judged = [(one.pair.ab, by_rules(one.measurement, **one.beside)) for one in found]
    reports = [report for _, report in judged]
    if reports:
        outputs.write(*reports)
    if screen.as_json:
        print_text("".join(pair_json(report, indent=None) for report in reports))
        print_text("".join(map(left_out_json, left)))
    else:
        print_text(pairs_text(judged, left, pairing.findings, language=screen.language, **looks()))
        if screen.details:
            print_text("".join("\n" + screen.of(report) for report in reports))
    if not reports:
        return JOB_NOT_DONE
    print_written(outputs.targets, aside=screen.as_json)
    is_clear = not pairing.findings and not any(one.is_problem for one in left)
    return 0 if is_clear and not any(report.needs_work for report in reports) else 1
