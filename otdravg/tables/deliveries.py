"""What became of each fibre since the delivery that this one was held against."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Hashable

from otdravg.cable.model import CableReview, Change, ChangeKind, FibreKey
from otdravg.grouping import grouped
from otdravg.trade import numbers_text
from otdravg.words.headings import Words

#: Every fibre of both deliveries is in one of these; the key is that of a heading.
SINCE = ("fibres_new", "fibres_changed", "fibres_unchanged", "fibres_withdrawn")
#: Of those that changed, fibres with a splice that reads worse or was not measured again.
_WORSE = "fibres_worse"


def fibres_since(review: CableReview) -> dict[str, list[FibreKey]]:
    """Gather fibres by what became of them, in the order of :data:`SINCE`, then those read worse.

    Empty if nothing was compared.
    """
    changes: dict[FibreKey, list[Change]] = defaultdict(list)
    for change in review.changes:
        changes[change.key].append(change)
    found: dict[str, list[FibreKey]] = {key: [] for key in (*SINCE, _WORSE)} if changes else {}
    for fibre, own in sorted(changes.items()):
        kinds = {change.kind for change in own}
        if not any(change.before for change in own):
            found["fibres_new"].append(fibre)
        elif not any(change.after for change in own):
            found["fibres_withdrawn"].append(fibre)
        elif kinds == {ChangeKind.SAME}:
            found["fibres_unchanged"].append(fibre)
        else:
            found["fibres_changed"].append(fibre)
            if kinds & {ChangeKind.WORSE, ChangeKind.GONE}:
                found[_WORSE].append(fibre)
    return found


def changed_alike(review: CableReview) -> list[list[Change]]:
    """Return what changed in fibres of both deliveries, in order.

    Splices of a closure at a wavelength that read the same and were judged otherwise alike are one
    item, any other change is one by itself.
    """
    both = set(fibres_since(review).get("fibres_changed", ()))
    changes = [c for c in review.changes if c.key in both and c.kind is not ChangeKind.SAME]

    def alike(one: Change) -> Hashable:
        fibre = None if one.kind is ChangeKind.REJUDGED else one.key
        return fibre, one.key.cable, one.wavelength_nm, one.closure, one.before, one.after

    return list(grouped(changes, alike).values())


def compared(review: CableReview, words: Words) -> str:
    """Count splices by what became of them; empty if nothing was compared."""
    counts = Counter(change.kind for change in review.changes)
    parts = [f"{counts[kind]} {words.value(kind.value)}" for kind in ChangeKind if counts[kind]]
    return words.say("cable", "compared", what=", ".join(parts)) if parts else ""


def said_since(review: CableReview, words: Words) -> list[tuple[str, str]]:
    """Say how many fibres are new, changed, unchanged and withdrawn, and which: label and text."""
    lines = [(words.say("cable", "label-compared"), compared(review, words))]
    for key, fibres in fibres_since(review).items():
        by_cable: dict[str, list[int]] = defaultdict(list)
        for fibre in fibres:
            by_cable[fibre.cable].append(fibre.fibre)
        which = "; ".join(
            (f"{cable}: " if len(review.cables) > 1 else "") + numbers_text(own)
            for cable, own in by_cable.items()
        )
        if fibres:
            lines.append((words[key], f"{len(fibres)} ({which})"))
    return lines
