"""``otdravg decide``: write a reviewer's decision down, sealed, or check a file of them."""

from __future__ import annotations

from datetime import datetime, timezone
from pathlib import Path

import click

from otdravg.cable import Decision, What, add_decision, read_decisions
from otdravg.cli.boundary import JOB_NOT_DONE
from otdravg.cli.options import FilePath
from otdravg.cli.terminal import print_text
from otdravg.errors import BadSetting

__all__ = ["decide"]


@click.command()
@click.argument("file", metavar="DECISIONS.csv", type=FilePath)
@click.argument("what", type=click.Choice([what.value for what in What]), required=False)
@click.option("--who", metavar="NAME", help="Who decides.")
@click.option("--why", metavar="TEXT", help="Why.")
@click.option("--when", metavar="TIME", help="When, as in 2024-05-14T09:30. Default: now.")
@click.option("--cable", "cable_name", metavar="NAME", default="", help="Which cable.")
@click.option("--fibre", metavar="N", type=click.IntRange(min=1), help="Which fibre.")
@click.option("--nm", "wavelength_nm", metavar="NM", type=click.IntRange(min=1))
@click.option("--closure", metavar="NAME", default="", help="Closure, by name or number.")
@click.option("--file", "shot", metavar="FILE", default="", help="Shot, as in shots.csv.")
@click.option("--value", metavar="VALUE", default="", help="New name, metres, or other fibre.")
@click.pass_context
def decide(
    ctx: click.Context,
    file: Path,
    what: str | None,
    *,
    who: str | None,
    why: str | None,
    when: str | None,
    cable_name: str,
    fibre: int | None,
    wavelength_nm: int | None,
    closure: str,
    shot: str,
    value: str,
) -> None:
    """Write down a reviewer's decision, sealed; without WHAT, check a decisions file.

    \b
    otdravg decide d.csv accept --fibre 3 --closure 2 --who "R. Vale" --why "owner's letter"
    otdravg decide d.csv exclude-shot --file F014_1550_AB.sor --who "R. Vale" --why "no cord"
    otdravg decide d.csv confirm-crossing --fibre 14 --value 15 --who "R. Vale" --why "traced"
    otdravg decide d.csv
    """
    if what is None:
        known = read_decisions(file)
        for finding in known.findings:
            print_text(f"{finding.code}: {finding.evidence}\n")
        print_text(f"{len(known.items)} decisions, last seal {known.last_seal or 'none'}\n")
        ctx.exit(JOB_NOT_DONE if known.findings else 0)
    if not who or not why:
        raise BadSetting("decide", what, "say who decides (--who) and why (--why)")
    now = datetime.now(timezone.utc).isoformat(timespec="seconds")
    decision = Decision(
        What(what), who, when or now, why, cable_name, fibre, wavelength_nm, closure, shot, value
    )
    print_text(f"{decision.text}\nseal {add_decision(file, decision)}\n")
