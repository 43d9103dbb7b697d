"""``otdravg decide``: write a reviewer's decision down, sealed, or check a file of them."""

from __future__ import annotations

from datetime import datetime, timezone
from pathlib import Path

import click

from otdravg.cable import Decision, What, add_decision, read_decisions
from otdravg.cli.boundary import JOB_NOT_DONE
from otdravg.cli.options import FilePath, language_option
from otdravg.cli.terminal import print_text
from otdravg.errors import BadSetting
from otdravg.findings import Severity, says
from otdravg.system.printable import printable
from otdravg.words.catalogue import Language
from otdravg.words.headings import Words


@click.command()
@click.argument("file", metavar="DECISIONS", type=FilePath)
@click.argument("what", type=click.Choice([what.value for what in What]), required=False)
@click.option("--who", metavar="NAME", help="Who decides.")
@click.option("--why", metavar="TEXT", help="Why.")
@click.option("--when", metavar="TIME", help="When, as in 2024-05-14T09:30. Default: now.")
@click.option(
    "--cable",
    "cable_name",
    metavar="NAME",
    help="Which cable, as in splices.csv. Default: the one of the decisions before.",
)
@click.option("--fibre", metavar="N", type=click.IntRange(min=1), help="Which fibre.")
@click.option("--nm", "wavelength_nm", metavar="NM", type=click.IntRange(min=1))
@click.option("--closure", metavar="NAME", default="", help="Closure, by name or number.")
@click.option("--file", "shot", metavar="FILE", default="", help="Shot, as in shots.csv.")
@click.option(
    "--value",
    metavar="VALUE",
    default="",
    help="New name, metres, other fibre, new numbers, or finding.",
)
@language_option
@click.pass_context
def decide(
    ctx: click.Context,
    file: Path,
    what: str | None,
    *,
    who: str | None,
    why: str | None,
    when: str | None,
    cable_name: str | None,
    fibre: int | None,
    wavelength_nm: int | None,
    closure: str,
    shot: str,
    value: str,
    language: Language | None,
) -> None:
    """Write down a reviewer's decision, sealed; without WHAT, check the decisions in a file.

    DECISIONS is a CSV file, or a TOML file if its name ends in .toml; both hold the same.

    \b
    otdravg decide d.csv accept --cable RIDGE-7 --fibre 3 --closure 2 \\
        --who "R. Vale" --why "owner's letter"
    otdravg decide d.csv exclude-shot --file F014_1550_AB.sor --who "R. Vale" --why "no lead"
    otdravg decide d.csv confirm-crossing --fibre 14 --value 15 --who "R. Vale" --why "traced"
    otdravg decide d.csv acknowledge --value "fibre-missing 7-12" --who "R. Vale" \\
        --why "dead fibres, handed over as such"
    otdravg decide d.csv
    """
    words = Words(language or Language.ENGLISH)
    if what is None:
        ctx.exit(_check(file, words))
    if not who or not why:
        raise BadSetting("decide", what, says("say-who-and-why"))
    now = datetime.now(timezone.utc).isoformat(timespec="seconds")
    cable = _cable_before(file) if cable_name is None else cable_name
    decision = Decision(
        What(what), who, when or now, why, cable, fibre, wavelength_nm, closure, shot, value
    )
    seal = add_decision(file, decision)
    said = words.told(decision.said), words.say("decide", "seal", seal=seal)
    print_text("\n".join(map(printable, said)) + "\n")


def _check(file: Path, words: Words) -> int:
    """Print what a file of decisions holds and what is wrong with it; return the exit status."""
    known = read_decisions(file)
    for finding in known.findings:
        text = f"{finding.code}: {words.told((finding.evidence, finding.what_to_do))}"
        print_text(printable(text) + "\n")
    seal = known.last_seal or words.say("decide", "no-seal")
    state = words.say("decide", "state", decisions=len(known.entries), seal=seal)
    applied = len(known.items)
    if applied < len(known.entries):
        state += words.say("decide", "applied", applied=applied)
    print_text(state + "\n")
    broken = any(finding.severity is not Severity.NOTE for finding in known.findings)
    return JOB_NOT_DONE if broken else 0


def _cable_before(file: Path) -> str:
    """The one cable that all decisions of a file are about."""
    entries = read_decisions(file).entries if file.exists() else ()
    cables = {entry.decision.cable for entry in entries}
    if len(cables) != 1:
        raise BadSetting("cable", None, says("say-which-cable"))
    return cables.pop()
