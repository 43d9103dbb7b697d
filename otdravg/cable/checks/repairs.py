"""Splices that read otherwise after their fibres were shot again: what a repair has changed."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from math import hypot
from statistics import median

from otdravg.cable.model import Attempt, CableFinding, History
from otdravg.findings import Scope, note
from otdravg.trade import numbers_text, ribbon_position

__all__ = ["has_changed", "repaired_splices"]

#: Two measurements of one splice differ by chance; by this many standard uncertainties hardly.
_SURE = 5.0
#: A smaller difference is no sign of work, dB.
_LEAST_DB = 0.02


def repaired_splices(history: Sequence[History], ribbon_size: int | None) -> list[CableFinding]:
    """Gather splices that changed between the first attempt and the one that stands.

    One note per closure and ribbon, with the median before and after.
    """
    changed: dict[tuple[str, str, int | None], list[tuple[History, float, float]]] = defaultdict(
        list
    )
    for one in history:
        losses = _changed(one.attempts[0], one.attempts[-1])
        if losses is not None:
            ribbon, _ = ribbon_position(one.key.fibre, ribbon_size)
            changed[one.key.cable, one.closure, ribbon].append((one, *losses))
    return [
        _note(cable, closure, ribbon, members)
        for (cable, closure, ribbon), members in changed.items()
    ]


def has_changed(splice: History) -> bool:
    """Whether a splice reads otherwise now than at its first attempt, beyond uncertainty."""
    return _changed(splice.attempts[0], splice.attempts[-1]) is not None


def _changed(first: Attempt, last: Attempt) -> tuple[float, float] | None:
    """Losses before and after, if they differ by more than both are unsure."""
    if first.loss_db is None or last.loss_db is None:
        return None
    unsure_db = _SURE * hypot(first.u_loss_db or 0.0, last.u_loss_db or 0.0)
    if abs(last.loss_db - first.loss_db) < max(_LEAST_DB, unsure_db):
        return None
    return first.loss_db, last.loss_db


def _note(
    cable: str,
    closure: str,
    ribbon: int | None,
    members: Sequence[tuple[History, float, float]],
) -> CableFinding:
    fibres = sorted({one.key.fibre for one, _, _ in members})
    before_db, after_db = median(m[1] for m in members), median(m[2] for m in members)
    files = (f for one, _, _ in members for a in one.attempts[-1:] for f in (a.file_ab, a.file_ba))
    return CableFinding(
        note(
            "splice-changed",
            Scope.CABLE,
            "" if ribbon is None else "of-ribbon",
            fibres=numbers_text(fibres),
            ribbon=ribbon,
            before_db=before_db,
            after_db=after_db,
        ),
        cable=cable,
        fibre=fibres[0] if len(fibres) == 1 else None,
        closure=closure,
        files=tuple(dict.fromkeys(f for f in files if f)),
    )
