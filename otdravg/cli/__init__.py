"""The command line: parse arguments, call the library, print."""

from __future__ import annotations

import click

from otdravg import __version__
from otdravg.cli.boundary import JOB_NOT_DONE, OneLineErrors
from otdravg.cli.cable import cable
from otdravg.cli.decide import decide
from otdravg.cli.demo import demo
from otdravg.cli.pair import pair
from otdravg.cli.plan import plan
from otdravg.cli.profile import profile
from otdravg.cli.report import report
from otdravg.cli.show import show
from otdravg.cli.verify import verify

__all__ = ["main"]


@click.group(
    cls=OneLineErrors,
    invoke_without_command=True,
    context_settings={"help_option_names": ["-h", "--help"]},
)
@click.version_option(__version__, prog_name="otdravg")
@click.pass_context
def main(ctx: click.Context) -> None:
    """True splice loss from OTDR shots of one fibre taken from both ends.

    A reading from one end is the splice's loss plus or minus a step in the glass. Half the
    sum of both readings is the loss. This program reads SR-4731 trace files, measures both
    shots together and says how sure the answer is and what to do next.

    Exit status: 0 all within limit, 1 something is over limit or needs a look, 2 the job
    could not be done.
    """
    if ctx.invoked_subcommand is None:
        click.echo(ctx.get_help())
        ctx.exit(JOB_NOT_DONE)


main.add_command(pair)
main.add_command(show)
main.add_command(plan)
main.add_command(demo)
main.add_command(profile)
main.add_command(cable)
main.add_command(decide)
main.add_command(report)
main.add_command(verify)
