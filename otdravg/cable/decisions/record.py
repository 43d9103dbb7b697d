"""The record of a reviewer's decisions: one file, sealed one after the other, only added to.

A seal is the SHA-256 of a decision's fields together with the seal of the decision before
it, and each decision carries both. So it can be told of each by itself whether its text is
the one that was sealed, and of each two neighbours whether they belong together.

Nobody needs a secret to make a seal: who computes the whole chain anew, or cuts decisions
off its end, leaves a chain that holds. Against that helps comparing with outputs made
earlier, which list all decisions with their seals: see ``otdravg verify --decisions``.
What the files look like says :mod:`otdravg.cable.decisions.file`.
"""

from __future__ import annotations

import glob
import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from otdravg.cable.decisions.file import appended, parse_file, read_bytes
from otdravg.cable.decisions.model import Decision, SealedDecision, checked
from otdravg.cable.model import CableFinding
from otdravg.errors import BadSetting
from otdravg.findings import Finding, Scope, Severity, caution, defect, note, says
from otdravg.system.atomic import write_atomic
from otdravg.system.only_run import only_run


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
    said = [link.finding for link in links if link.finding is not None]
    if content.torn:
        said.append(defect("decision-torn", Scope.CABLE, place=content.torn))
    if content.resaved:
        said.append(note("decisions-resaved", Scope.CABLE, marks=content.resaved))
    findings = tuple(CableFinding(one, files=(path.name,)) for one in said)
    last = ""
    for link in links:
        last = link.entry.seal or seal_of(link.entry.decision, last)
    items = (link.entry.decision for link in links if link.stands)
    return Decisions(tuple(items), last, findings, tuple(link.entry for link in links))


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
                    says("seen-and-todo", seen=finding.evidence, todo=finding.what_to_do),
                )  # fmt: skip
        entry = SealedDecision(decision, known.last_seal, seal_of(decision, known.last_seal))
        write_atomic(path, appended(path, content, entry), overwrite=True)
    return entry.seal


# The chain


def seal_of(decision: Decision, before: str) -> str:
    """Return the seal of a decision: SHA-256 over the seal before it and its own fields."""
    content = json.dumps(
        decision.cells(), sort_keys=True, ensure_ascii=False, separators=(",", ":")
    )
    return hashlib.sha256(f"{before}\n{content}".encode()).hexdigest()


#: Of these it is not known what was decided, or it was applied already.
_NOT_APPLIED = frozenset({"decision-changed", "decision-repeated"})


@dataclass(frozen=True, slots=True)
class Link:
    """A decision in its chain, and what is wrong with it."""

    entry: SealedDecision
    finding: Finding | None

    @property
    def stands(self) -> bool:
        """Whether the decision is applied."""
        return self.finding is None or self.finding.code not in _NOT_APPLIED


def checked_chain(entries: Sequence[tuple[str, SealedDecision]]) -> list[Link]:
    """Hold every decision against its own seal and against its neighbours.

    Parameters
    ----------
    entries : sequence of (str, SealedDecision)
        Decisions in the order of their file, with the place where each stands.
    """
    # A seal that was edited itself still tells by its text what followed it.
    seals = [{entry.seal, seal_of(entry.decision, entry.before)} for _, entry in entries]
    first_at: dict[str, str] = {}
    for (place, entry), own in zip(entries, seals, strict=True):
        if entry.seal:
            for seal in own:
                first_at.setdefault(seal, place)
    return list(_links(entries, seals, first_at))


def _links(
    entries: Sequence[tuple[str, SealedDecision]],
    seals: Sequence[set[str]],
    first_at: Mapping[str, str],
) -> Iterator[Link]:
    last: set[str] = {""}
    last_place = ""
    whole_at: dict[str, str] = {}  # decisions that fit their seal, so far
    for (place, entry), own in zip(entries, seals, strict=True):
        fits = len(own) == 1
        if fits and entry.seal in whole_at:
            said, first = entry.decision.said, whole_at[entry.seal]
            yield Link(
                entry,
                defect("decision-repeated", Scope.CABLE, place=place, decision=said, first=first),
            )
            continue
        yield Link(entry, _fault(place, entry, fits, last, last_place, first_at))
        if entry.seal:
            last, last_place = own, place
        if fits:
            whole_at[entry.seal] = place


def _fault(
    place: str,
    entry: SealedDecision,
    fits: bool,
    last: set[str],
    last_place: str,
    first_at: Mapping[str, str],
) -> Finding | None:
    own = entry.decision.said
    behind = says("stands-behind", place=last_place) if last_place else says("stands-first")
    if not entry.seal:
        return caution("decision-unsealed", Scope.CABLE, place=place, decision=own)
    if not fits:
        return defect("decision-changed", Scope.CABLE, place=place, decision=own)
    if entry.before in last:
        return None
    if not entry.before:
        return defect("decisions-joined", Scope.CABLE, place=place, decision=own, behind=behind)
    if (first := first_at.get(entry.before)) is not None:
        return defect(
            "decision-moved", Scope.CABLE, place=place, decision=own, first=first, behind=behind
        )
    return defect("decision-missing", Scope.CABLE, place=place, decision=own)
