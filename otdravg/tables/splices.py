"""A cable review as CSV tables: splices, findings, shots, and the work list."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from otdravg.cable.decisions.model import SealedDecision
from otdravg.cable.model import (
    CableFinding,
    CableReview,
    Change,
    History,
    IdentityCheck,
    ShotRecord,
    SpliceRow,
)
from otdravg.cable.patterns.model import Pattern
from otdravg.cable.resplice.model import Unit
from otdravg.quantities import Quantity, reported
from otdravg.shot.settings import Direction
from otdravg.tables.beside import beside_cells, with_marks_on_route
from otdravg.tables.csv_file import CellTable, Column, CsvStyle, cell_table, csv_bytes
from otdravg.tables.marks import state_of
from otdravg.tables.places import with_places_where_planned
from otdravg.tables.splice_log import log_cells
from otdravg.tables.wholes import FIBRES, GROUPS, PROOF, SPLICED, fibre_lines
from otdravg.verdict.group import Whole
from otdravg.words.catalogue import Language

__all__ = ["TABLES", "cable_tables", "column_names", "review_cells", "splice_cells"]

_SPLICES: tuple[Column[SpliceRow], ...] = (
    ("cable", lambda r: r.cable),
    ("fibre", lambda r: r.fibre),
    ("ribbon", lambda r: r.ribbon),
    ("position", lambda r: r.position),
    ("colour", lambda r: r.colour),
    ("wavelength_nm", lambda r: r.wavelength_nm),
    ("closure", lambda r: r.closure),
    ("distance_m", lambda r: reported(r.distance_m, Quantity.DISTANCE_M)),
    ("loss_ab_db", lambda r: reported(r.loss_ab_db, Quantity.LOSS_DB)),
    ("loss_ba_db", lambda r: reported(r.loss_ba_db, Quantity.LOSS_DB)),
    ("loss_db", lambda r: reported(r.loss_db, Quantity.LOSS_DB)),
    (
        "expanded_uncertainty_db",
        lambda r: reported(r.expanded_uncertainty_db, Quantity.UNCERTAINTY_DB),
    ),
    ("backscatter_step_db", lambda r: reported(r.backscatter_step_db, Quantity.LOSS_DB)),
    ("kind", lambda r: r.kind.value),
    ("verdict", lambda r: r.verdict.verdict.value),
    ("reason", lambda r: r.verdict.reason),
    ("attempt", lambda r: r.attempt),
    ("file_ab", lambda r: r.file_ab),
    ("file_ba", lambda r: r.file_ba),
    ("closure_number", lambda r: r.closure_number),
    ("limit_db", lambda r: r.verdict.limit_db),
    ("near_limit", lambda r: r.verdict.near_limit),
    ("state", lambda r: state_of(r).value),
    ("action", lambda r: r.verdict.action.value),
    ("coverage", lambda r: r.coverage.value),
    ("detected", lambda r: r.detected),
    ("reflectance_db", lambda r: reported(r.reflectance_db, Quantity.REFLECTANCE_DB)),
    ("more_than_at_shortest_db", lambda r: reported(r.bend_db, Quantity.LOSS_DB)),
    ("missing_because", lambda r: r.missing),
    ("decision", lambda r: r.decided),
    ("taken", lambda r: r.taken),
    *PROOF,
    ("profile_key", lambda r: r.verdict.rule),
)

_FINDINGS: tuple[Column[CableFinding], ...] = (
    ("severity", lambda f: f.severity.value),
    ("finding", lambda f: f.code),
    ("cable", lambda f: f.cable),
    ("fibre", lambda f: f.fibre),
    ("wavelength_nm", lambda f: f.wavelength_nm),
    ("direction", lambda f: f.direction),
    ("closure", lambda f: f.closure),
    ("files", lambda f: " | ".join(f.files)),
    ("evidence", lambda f: f.evidence),
    ("what_to_do", lambda f: f.what_to_do),
    ("other_fibres", lambda f: " ".join(str(fibre) for fibre in f.other_fibres)),
    ("acknowledged", lambda f: f.acknowledged),
)

_SHOTS: tuple[Column[ShotRecord], ...] = (
    ("file", lambda s: s.path),
    ("use", lambda s: s.use.value),
    ("cable", lambda s: s.taken_for.cable),
    ("fibre", lambda s: s.taken_for.fibre),
    ("direction", lambda s: _direction(s.taken_for.direction)),
    ("wavelength_nm", lambda s: s.taken_for.wavelength_nm),
    ("attempt", lambda s: s.attempt or None),
    ("decided_by", lambda s: s.taken_for.how if s.identity is not None else None),
    ("remark", lambda s: s.remark),
    ("findings", lambda s: " | ".join(sorted({f.code for f in s.findings}))),
    ("sha256", lambda s: s.sha256),
    ("points_sha256", lambda s: s.waveform_sha256),
    ("taken", lambda s: s.taken),
    (
        "pulse_ns",
        lambda s: reported(s.settings.pulse_ns, Quantity.PULSE_NS) if s.settings else None,
    ),
    (
        "group_index",
        lambda s: reported(s.settings.group_index, Quantity.GROUP_INDEX) if s.settings else None,
    ),
    ("averages", lambda s: s.settings.averages if s.settings else None),
    (
        "averaging_time_s",
        lambda s: reported(s.settings.averaging_time_s, Quantity.TIME_S) if s.settings else None,
    ),
    ("points", lambda s: s.point_count or None),
    ("header_cable", lambda s: s.identity.cable if s.identity else ""),
    ("header_fibre", lambda s: s.identity.fibre if s.identity else ""),
    ("header_end_a", lambda s: s.identity.location_a if s.identity else ""),
    ("header_end_b", lambda s: s.identity.location_b if s.identity else ""),
    ("instrument", lambda s: s.identity.instrument if s.identity else ""),
    ("serial", lambda s: s.identity.serial if s.identity else ""),
    ("software", lambda s: s.identity.software if s.identity else ""),
    ("operator", lambda s: s.identity.operator if s.identity else ""),
    ("response", lambda s: s.response.value if s.response else ""),
)


def _direction(direction: Direction) -> str:
    return "" if direction is Direction.UNKNOWN else direction.value


def _percent(chance: float, places: int = 0) -> str:
    return f"{100 * chance:.{places}f} %"


_RESPLICE: tuple[Column[Unit], ...] = (
    ("cable", lambda u: u.cable),
    ("closure", lambda u: u.closure),
    ("closure_number", lambda u: u.closure_number),
    ("distance_m", lambda u: reported(u.distance_m, Quantity.DISTANCE_M)),
    ("ribbon", lambda u: u.ribbon),
    ("fibres_cut", lambda u: f"{u.fibres[0]}–{u.fibres[-1]}" if len(u.fibres) > 1 else u.fibres[0]),
    ("failing_fibres", lambda u: " ".join(str(fibre) for fibre in _numbers(u))),
    ("failing", lambda u: " | ".join(_failing(u))),
    ("advice", lambda u: u.advised.value),
    ("because", lambda u: u.because),
    ("single_fibre_failure_rate", lambda u: _percent(u.risk.p_fail, 1)),
    ("chance_all_pass", lambda u: _percent(u.risk.chance_all_pass)),
    ("expected_worst_after_db", lambda u: u.risk.expected_worst_db),
    ("choice", lambda u: tuple(option.said for option in u.options)),
    *SPLICED,
)


def _numbers(unit: Unit) -> list[int]:
    return list(dict.fromkeys(failing.fibre for failing in unit.failing))


def _failing(unit: Unit) -> list[str]:
    texts = []
    for one in unit.failing:
        text = f"{one.fibre} ({one.colour}) {one.wavelength_nm} nm {one.loss_db} dB"
        if one.over_by_db is not None:
            text += f", {one.over_by_db} over"
        texts.append(f"{text}, {one.verdict.verdict.value}")
    return texts


@dataclass(frozen=True, slots=True)
class _Entry:
    """One attempt of one splice."""

    history: History
    number: int


_HISTORY: tuple[Column[_Entry], ...] = (
    ("cable", lambda e: e.history.key.cable),
    ("fibre", lambda e: e.history.key.fibre),
    ("wavelength_nm", lambda e: e.history.wavelength_nm),
    ("closure", lambda e: e.history.closure),
    ("attempt", lambda e: e.history.attempts[e.number].number),
    ("taken", lambda e: e.history.attempts[e.number].taken),
    ("loss_db", lambda e: reported(e.history.attempts[e.number].loss_db, Quantity.LOSS_DB)),
    (
        "expanded_uncertainty_db",
        lambda e: reported(
            None if (u := e.history.attempts[e.number].u_loss_db) is None else 2 * u,
            Quantity.UNCERTAINTY_DB,
        ),
    ),
    ("file_ab", lambda e: e.history.attempts[e.number].file_ab),
    ("file_ba", lambda e: e.history.attempts[e.number].file_ba),
)

_IDENTITY: tuple[Column[IdentityCheck], ...] = (
    ("cable", lambda i: i.key.cable),
    ("fibre", lambda i: i.key.fibre),
    ("confidence", lambda i: i.confidence.value),
    ("margin", lambda i: None if i.margin is None else Decimal(f"{i.margin:.1f}")),
    ("best_other_fibre", lambda i: i.best_other),
    ("evidence", lambda i: i.said),
)

_CHANGES: tuple[Column[Change], ...] = (
    ("change", lambda c: c.kind.value),
    ("cable", lambda c: c.key.cable),
    ("fibre", lambda c: c.key.fibre),
    ("wavelength_nm", lambda c: c.wavelength_nm),
    ("closure", lambda c: c.closure),
    ("before_db", lambda c: reported(c.before_db, Quantity.LOSS_DB)),
    ("after_db", lambda c: reported(c.after_db, Quantity.LOSS_DB)),
    (
        "combined_uncertainty_db",
        lambda c: reported(c.combined_uncertainty_db, Quantity.UNCERTAINTY_DB),
    ),
)


_PATTERNS: tuple[Column[Pattern], ...] = (
    ("cable", lambda p: p.cable),
    ("wavelength_nm", lambda p: p.wavelength_nm),
    ("pattern", lambda p: p.kind.value),
    ("where", lambda p: p.where),
    ("more_loss_db", lambda p: reported(p.effect_db, Quantity.LOSS_DB)),
    (
        "expanded_uncertainty_db",
        lambda p: reported(2 * p.u_effect_db, Quantity.UNCERTAINTY_DB),
    ),
    ("chance_of_luck", lambda p: p.chance),
    ("what_stands_out", lambda p: p.said),
    ("where_to_look", lambda p: p.where_to_look),
)


#: Named as in a file of decisions, so that the table can be read as one.
_DECISIONS: tuple[Column[SealedDecision], ...] = (
    ("what", lambda d: d.decision.what.value),
    ("who", lambda d: d.decision.who),
    ("when", lambda d: d.decision.when),
    ("why", lambda d: d.decision.why),
    ("cable", lambda d: d.decision.cable),
    ("fibre", lambda d: d.decision.fibre),
    ("wavelength_nm", lambda d: d.decision.wavelength_nm),
    ("closure", lambda d: d.decision.closure),
    ("file", lambda d: d.decision.file),
    ("value", lambda d: d.decision.value),
    ("before", lambda d: d.before),
    ("seal", lambda d: d.seal),
)


#: Columns of every table of which it is known beforehand what it holds.
_COLUMNS: Mapping[str, Sequence[Column[Any]]] = {
    "splices": _SPLICES, "findings": _FINDINGS, "shots": _SHOTS, "resplice": _RESPLICE,
    "identity": _IDENTITY, "fibres": FIBRES, "ribbons": GROUPS, "closures": GROUPS,
    "cables": GROUPS, "patterns": _PATTERNS, "attempts": _HISTORY, "changes": _CHANGES,
    "decisions": _DECISIONS,
}  # fmt: skip
#: Names of those tables.
TABLES = tuple(_COLUMNS)


def column_names(table: str) -> tuple[str, ...]:
    """Names of all columns that one of :data:`TABLES` can have: with a splice plan, too."""
    columns = _COLUMNS[table]
    if table in ("splices", "resplice", "ribbons"):
        columns = with_places_where_planned(columns, is_planned=True)
    return tuple(name for name, _ in columns)


def splice_cells(review: CableReview, language: Language = Language.ENGLISH) -> CellTable:
    """Return splices with every column that there is."""
    return cell_table(_placed(_SPLICES, review), review.rows, language)


def _placed(columns: Sequence[Column[Any]], review: CableReview) -> tuple[Column[Any], ...]:
    return with_places_where_planned(columns, bool(review.splice_plan))


def review_cells(
    review: CableReview, language: Language = Language.ENGLISH
) -> dict[str, CellTable]:
    """Return the tables of a review by name, with every figure as it is reported.

    Columns and fixed words are the machine's; sentences are of the language.

    Always there: ``splices``, ``fibres``, ``ribbons``, ``closures``, ``cables``, ``findings``,
    ``shots``, ``resplice``, ``identity``, ``patterns``.
    With a splice plan tube, ribbon mark, tray and slot stand beside the closure, with a route the
    marks on the sheath.
    ``attempts`` is there if something was shot again, ``changes`` after a comparison with an
    earlier run, ``decisions`` if a reviewer decided something; ``splice_log``, ``wear``,
    ``machines``, ``route`` and ``power`` if the job has such lists.
    """
    units = review.plan.units if review.plan is not None else ()
    groups = {whole: [g for g in review.groups if g.whole is whole] for whole in Whole}
    tables = {
        "splices": splice_cells(review, language),
        "findings": cell_table(_FINDINGS, review.findings, language),
        "shots": cell_table(_SHOTS, review.shots, language),
        "resplice": cell_table(
            with_marks_on_route(_placed(_RESPLICE, review), review), units, language
        ),
        "identity": cell_table(_IDENTITY, review.identities, language),
        "fibres": cell_table(FIBRES, fibre_lines(review), language),
        "ribbons": cell_table(_placed(GROUPS, review), groups[Whole.RIBBON], language),
        "closures": cell_table(
            with_marks_on_route(GROUPS, review), groups[Whole.CLOSURE], language
        ),
        "cables": cell_table(GROUPS, groups[Whole.CABLE], language),
    }
    if review.patterns is not None:
        tables["patterns"] = cell_table(_PATTERNS, review.patterns.found, language)
    if review.history:
        entries = [_Entry(h, n) for h in review.history for n in range(len(h.attempts))]
        tables["attempts"] = cell_table(_HISTORY, entries, language)
    if review.changes:
        tables["changes"] = cell_table(_CHANGES, review.changes, language)
    tables |= log_cells(review.log)
    if review.decisions:
        tables["decisions"] = cell_table(_DECISIONS, review.decisions, language)
    return tables | beside_cells(review, language)


def cable_tables(
    review: CableReview, style: CsvStyle | None = None, language: Language = Language.ENGLISH
) -> dict[str, bytes]:
    """Return the tables of a review as CSV, by file name; see :func:`review_cells`."""
    tables = review_cells(review, language)
    return {f"{name}.csv": csv_bytes(table, style) for name, table in tables.items()}
