"""The record of a reviewer's decisions: one file, sealed one after the other, only added to.

See :mod:`otdravg.cable.decisions.chain` for what the seals show, and
:mod:`otdravg.cable.decisions.file` for what the files look like.
"""

from __future__ import annotations

import glob
from dataclasses import dataclass, replace
from pathlib import Path

from otdravg.cable.decisions.chain import checked_chain, seal_of
from otdravg.cable.decisions.file import appended, parse_file, read_bytes
from otdravg.cable.decisions.model import Decision, SealedDecision, checked
from otdravg.cable.model import CableFinding
from otdravg.errors import BadSetting
from otdravg.findings import Scope, Severity, defect, note
from otdravg.system.atomic import write_atomic
from otdravg.system.only_run import only_run
from otdravg.words.catalogue import told

__all__ = ["Decisions", "add_decision", "read_decisions"]


@dataclass(frozen=True, slots=True)
class Decisions:
    """The decisions of a file, and whether their chain holds.

    ``items`` are those to apply, ``entries`` all that stand in the file, with their seals,
    ``last_seal`` the seal at the end of the chain.
    """

    items: tuple[Decision, ...] = ()
    last_seal: str = ""
    findings: tuple[CableFinding, ...] = ()
    entries: tuple[SealedDecision, ...] = ()


def read_decisions(path: Path) -> Decisions:
    """Read a file of decisions and check its chain.

    Decisions that were typed by hand, stand in another order or follow a gap are applied and
    reported. One whose text is not what was sealed, a copy, and one that is not whole are
    reported and not applied.

    Raises
    ------
    BadSetting
        With the line that cannot be used.
    """
    return _decisions(path, read_bytes(path))


def _decisions(path: Path, raw: bytes) -> Decisions:
    content = parse_file(path, raw)
    links = checked_chain(content.entries)
    findings = [replace(own, files=(path.name,)) for ln in links if (own := ln.finding) is not None]
    if content.torn:
        findings.append(
            CableFinding(
                defect("decision-torn", Scope.CABLE, place=content.torn), files=(path.name,)
            )
        )
    if content.resaved:
        findings.append(
            CableFinding(
                note("decisions-resaved", Scope.CABLE, marks=content.resaved), files=(path.name,)
            )
        )
    last = ""
    for link in links:
        last = link.entry.seal or seal_of(link.entry.decision, last)
    items = (link.entry.decision for link in links if link.stands)
    return Decisions(tuple(items), last, tuple(findings), tuple(link.entry for link in links))


def add_decision(path: Path, decision: Decision) -> str:
    """Append a sealed decision to a file, made if it is not there; return the seal.

    The file is written whole beside the old one and then takes its place, with every byte
    that was there: killed at any moment, or with the disk full, it is the old or the new one.
    Two programs that add at once do not lose each other's decision: one is refused.

    Raises
    ------
    BadSetting
        If the file's chain is broken already, or the decision is incomplete.
    OutputRefused
        If another program is writing to the file, or the system refuses to write.
    """
    decision = checked(decision, str(path))
    place = path.resolve()
    with only_run(path):
        for left in place.parent.glob(f".{glob.escape(place.name)}.*.part"):
            left.unlink(missing_ok=True)  # of a run that was killed
        content = read_bytes(path) if path.exists() else b""
        known = _decisions(path, content)
        for finding in known.findings:
            if finding.severity is not Severity.NOTE:
                raise BadSetting(
                    "decisions", str(path),
                    f"{told(finding.evidence)}; {told(finding.what_to_do)}",
                )  # fmt: skip
        entry = SealedDecision(decision, known.last_seal, seal_of(decision, known.last_seal))
        write_atomic(path, appended(path, content, entry), overwrite=True)
    return entry.seal
