"""Findings that rows give rise to: bends, events between closures, reflecting splices."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence

from otdravg.cable.checks.judging import by_place
from otdravg.cable.checks.notes import about_fibre
from otdravg.cable.measure.closures import CableMap
from otdravg.cable.model import (
    CableFinding,
    SpliceRow,
)
from otdravg.findings import Scope, Statement, caution, note, says
from otdravg.fit.reading import Kind
from otdravg.verdict.decision import Verdict

__all__ = ["row_findings"]

#: An event between closures above this is worth a look (common practice, no source).
_WORTH_A_LOOK_DB = 0.05


def row_findings(rows: Sequence[SpliceRow], maps: Mapping[str, CableMap]) -> list[CableFinding]:
    """Findings that rows give rise to: bends, events between closures, reflecting splices."""
    findings: list[CableFinding] = []
    panels = _panels(rows)
    for members in by_place(rows).values():
        own = [rows[n] for n in members]
        first = own[0]
        if first.closure_number is None:
            if maps[first.cable].passes.get(first.fibre):
                findings.append(_between(own, maps[first.cable]))
        elif any(row.kind is Kind.CONNECTOR for row in own):
            findings.append(_reflecting(own, is_usual=_place(first) in panels))
        bent = [row for row in own if row.bend_suspected]
        if bent and first.closure_number is not None:
            findings.append(_bend(bent))
    return findings


def _files(rows: Sequence[SpliceRow]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(f for row in rows for f in (row.file_ab, row.file_ba) if f))


def _losses(rows: Sequence[SpliceRow]) -> tuple[Statement, ...]:
    return tuple(
        says("loss-at", loss_db=row.loss_db, expanded_db=row.expanded_uncertainty_db,
             at_nm=row.wavelength_nm)
        if row.loss_db is not None
        else says("covered-at", coverage=row.coverage.value, at_nm=row.wavelength_nm)
        for row in rows
    )  # fmt: skip


def _between(rows: Sequence[SpliceRow], own_map: CableMap) -> CableFinding:
    first = rows[0]
    large = any((row.loss_db or 0.0) >= _WORTH_A_LOOK_DB for row in rows)
    bent = any(row.bend_suspected for row in rows)
    grave = caution if large or bent else note
    return about_fibre(
        first.key,
        grave(
            "event-between-closures",
            Scope.CABLE,
            "bent" if bent else "",
            losses=_losses(rows),
            at_m=first.distance_m,
            between=own_map.stretch(first.fibre, first.distance_m),
        ),
        files=_files(rows),
        distance_m=first.distance_m,
    )


def _place(row: SpliceRow) -> tuple[str, int | None]:
    return row.cable, row.closure_number


def _panels(rows: Sequence[SpliceRow]) -> set[tuple[str, int | None]]:
    """Closures at which most fibres reflect: they are plugged there, not spliced."""
    fibres = Counter(map(_place, rows))
    plugged = Counter(_place(row) for row in rows if row.kind is Kind.CONNECTOR)
    return {place for place, count in plugged.items() if 2 * count > fibres[place]}


def _reflecting(rows: Sequence[SpliceRow], *, is_usual: bool) -> CableFinding:
    """What reflects at a closure; at one of connectors it is a note where a rule lets it pass."""
    first = rows[0]
    is_judged = all(
        row.verdict.verdict is Verdict.WITHIN and row.verdict.rule.startswith("connector.")
        for row in rows
    )
    heights = [row.reflectance_db for row in rows if row.reflectance_db is not None]
    grave = note if is_usual and is_judged else caution
    return about_fibre(
        first.key,
        grave(
            "reflection-in-closure",
            Scope.CABLE,
            "" if heights else "unmeasured",
            reflectance_db=max(heights, default=None),
            at_m=first.distance_m,
            losses=_losses(rows),
        ),
        closure=first.closure,
        files=_files(rows),
        distance_m=first.distance_m,
    )


def _bend(rows: Sequence[SpliceRow]) -> CableFinding:
    worst = max(rows, key=lambda row: row.bend_db or 0.0)
    expanded_db = None if worst.u_bend_db is None else 2 * worst.u_bend_db
    return about_fibre(
        worst.key,
        caution(
            "bend-suspected",
            Scope.CABLE,
            more_db=worst.bend_db or 0.0,
            expanded_db=expanded_db,
            long_nm=worst.wavelength_nm,
            at_m=worst.distance_m,
        ),
        wavelength_nm=worst.wavelength_nm,
        closure=worst.closure,
        files=_files(rows),
        distance_m=worst.distance_m,
    )
