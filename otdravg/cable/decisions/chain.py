"""The chain of seals over a reviewer's decisions, and what is wrong with one that broke.

A seal is the SHA-256 of a decision's fields together with the seal of the decision before
it, and each decision carries both. So it can be told of each by itself whether its text is
the one that was sealed, and of each two neighbours whether they belong together.

Nobody needs a secret to make a seal: who computes the whole chain anew, or cuts decisions
off its end, leaves a chain that holds. Against that helps comparing with outputs made
earlier, which list all decisions with their seals: see ``otdravg verify --decisions``.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from otdravg.cable.decisions.model import Decision, SealedDecision
from otdravg.cable.model import CableFinding
from otdravg.findings import Scope, caution, defect, says

__all__ = ["Link", "checked_chain", "seal_of"]


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
    finding: CableFinding | None

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
            yield Link(entry, _repeated(place, entry, whole_at[entry.seal]))
            continue
        yield Link(entry, _fault(place, entry, fits, last, last_place, first_at))
        if entry.seal:
            last, last_place = own, place
        if fits:
            whole_at[entry.seal] = place


def _repeated(place: str, entry: SealedDecision, first: str) -> CableFinding:
    return CableFinding(
        defect(
            "decision-repeated",
            Scope.CABLE,
            place=place,
            decision=entry.decision.said,
            first=first,
        )
    )


def _fault(
    place: str,
    entry: SealedDecision,
    fits: bool,
    last: set[str],
    last_place: str,
    first_at: Mapping[str, str],
) -> CableFinding | None:
    own = entry.decision.said
    behind = says("stands-behind", place=last_place) if last_place else says("stands-first")
    if not entry.seal:
        return CableFinding(caution("decision-unsealed", Scope.CABLE, place=place, decision=own))
    if not fits:
        return CableFinding(defect("decision-changed", Scope.CABLE, place=place, decision=own))
    if entry.before in last:
        return None
    if not entry.before:
        return CableFinding(
            defect("decisions-joined", Scope.CABLE, place=place, decision=own, behind=behind)
        )
    if entry.before in first_at:
        return CableFinding(
            defect(
                "decision-moved",
                Scope.CABLE,
                place=place,
                decision=own,
                first=first_at[entry.before],
                behind=behind,
            )
        )
    return CableFinding(defect("decision-missing", Scope.CABLE, place=place, decision=own))
