"""A cable review as CSV tables: splices, findings, shots, and the work list."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal
from functools import partial
from typing import Any

from otdravg.cable.decisions.model import SealedDecision
from otdravg.cable.model import (
    Attempt,
    CableFinding,
    CableReview,
    Change,
    History,
    IdentityCheck,
    ShotRecord,
    SpliceRow,
)
from otdravg.cable.patterns.model import Pattern
from otdravg.cable.resplice.model import FailingFibre, Unit
from otdravg.quantities import Quantity, reported
from otdravg.shot.settings import Direction
from otdravg.tables.beside import beside_cells, with_marks_on_route
from otdravg.tables.csv_file import (
    CellTable,
    Column,
    CsvStyle,
    Taken,
    cell_table,
    csv_bytes,
    named,
)
from otdravg.tables.marks import state_of
from otdravg.tables.places import with_places_where_planned
from otdravg.tables.splice_log import log_cells
from otdravg.tables.wholes import FIBRES, GROUPS, PROOF, SPLICED, fibre_lines
from otdravg.verdict.decision import expanded
from otdravg.verdict.group import Whole
from otdravg.words.catalogue import Language

#: Columns of ``splices.csv``.
SPLICES: tuple[Column[SpliceRow], ...] = (
    *named(
        "cable", "fibre", "ribbon", "position", "colour", "wavelength_nm", "closure", "distance_m",
        "loss_ab_db", "loss_ba_db", "loss_db", "expanded_uncertainty_db", "backscatter_step_db",
        "kind", "verdict.verdict", "verdict.reason", "attempt", "file_ab", "file_ba",
        "closure_number", "verdict.limit_db", "verdict.near_limit",
    ),
    ("state", state_of),
    *named("verdict.action", "coverage", "detected"),
    ("reflectance_db", lambda r: reported(r.reflectance_db, Quantity.REFLECTANCE_DB)),
    ("more_than_at_shortest_db", lambda r: r.bend_db),
    ("missing_because", lambda r: r.missing),
    ("decision", lambda r: r.decided),
    *named("taken"),
    *PROOF,
    ("profile_key", lambda r: r.verdict.rule),
)  # fmt: skip

FINDINGS: tuple[Column[CableFinding], ...] = (
    *named("severity"),
    ("finding", lambda f: f.code),
    *named("cable", "fibre", "wavelength_nm", "direction", "closure"),
    ("files", lambda f: " | ".join(f.files)),
    *named("evidence", "what_to_do"),
    ("other_fibres", lambda f: " ".join(map(str, f.other_fibres))),
    *named("acknowledged"),
)


def _setting(name: str) -> Column[ShotRecord]:
    """Show a setting of a shot that could be read."""
    return name, lambda shot: getattr(shot.settings, name, None)


def _header(name: str, field: str = "") -> Column[ShotRecord]:
    """Show what the header of a shot says; nothing where there is none."""
    return name, lambda shot: getattr(shot.identity, field or name, "")


_SHOTS: tuple[Column[ShotRecord], ...] = (
    ("file", lambda s: s.path),
    *named("use", "taken_for.cable", "taken_for.fibre"),
    ("direction", lambda s: _direction(s.taken_for.direction)),
    *named("taken_for.wavelength_nm"),
    ("attempt", lambda s: s.attempt or None),
    ("decided_by", lambda s: s.taken_for.how if s.identity is not None else None),
    *named("remark"),
    ("findings", lambda s: " | ".join(sorted({f.code for f in s.findings}))),
    *named("sha256"),
    ("points_sha256", lambda s: s.waveform_sha256),
    *named("taken"),
    *map(_setting, ("pulse_ns", "group_index", "averages", "averaging_time_s")),
    ("points", lambda s: s.point_count or None),
    _header("header_cable", "cable"),
    _header("header_fibre", "fibre"),
    _header("header_end_a", "location_a"),
    _header("header_end_b", "location_b"),
    *map(_header, ("instrument", "serial", "software", "operator")),
    ("response", lambda s: s.response or ""),
)


def _direction(direction: Direction) -> str:
    return "" if direction is Direction.UNKNOWN else direction.value


def _percent(chance: float, places: int = 0) -> str:
    return f"{100 * chance:.{places}f} %"


_RESPLICE: tuple[Column[Unit], ...] = (
    *named("cable", "closure", "closure_number", "distance_m", "ribbon"),
    ("fibres_cut", lambda u: f"{u.fibres[0]}–{u.fibres[-1]}" if len(u.fibres) > 1 else u.fibres[0]),
    ("failing_fibres", lambda u: " ".join(dict.fromkeys(str(own.fibre) for own in u.failing))),
    ("failing", lambda u: " | ".join(map(_failing, u.failing))),
    ("advice", lambda u: u.advised),
    *named("because"),
    ("single_fibre_failure_rate", lambda u: _percent(u.risk.p_fail, 1)),
    ("chance_all_pass", lambda u: _percent(u.risk.chance_all_pass)),
    ("expected_worst_after_db", lambda u: u.risk.expected_worst_db),
    ("choice", lambda u: tuple(option.said for option in u.options)),
    *SPLICED,
)


def _failing(one: FailingFibre) -> str:
    over = "" if one.over_by_db is None else f", {one.over_by_db} over"
    return (
        f"{one.fibre} ({one.colour}) {one.wavelength_nm} nm {one.loss_db} dB{over}, "
        f"{one.verdict.verdict.value}"
    )


#: Columns of one attempt at one splice.
ATTEMPTS: tuple[Column[tuple[History, Attempt]], ...] = (
    ("cable", lambda a: a[0].key.cable),
    ("fibre", lambda a: a[0].key.fibre),
    ("wavelength_nm", lambda a: a[0].wavelength_nm),
    ("closure", lambda a: a[0].closure),
    ("attempt", lambda a: a[1].number),
    ("taken", lambda a: a[1].taken),
    ("loss_db", lambda a: a[1].loss_db),
    ("expanded_uncertainty_db", lambda a: expanded(a[1].u_loss_db)),
    ("file_ab", lambda a: a[1].file_ab),
    ("file_ba", lambda a: a[1].file_ba),
)

_IDENTITY: tuple[Column[IdentityCheck], ...] = (
    *named("key.cable", "key.fibre", "confidence"),
    ("margin", lambda i: None if i.margin is None else Decimal(f"{i.margin:.1f}")),
    ("best_other_fibre", lambda i: i.best_other),
    ("evidence", lambda i: i.said),
)


def _judged(change: Change, when: str, field: str) -> Taken:
    """Take from how a splice was judged before or after; nothing where it was in no table."""
    judged = change.before if when == "before" else change.after
    return None if judged is None else getattr(judged, field)


CHANGES: tuple[Column[Change], ...] = (
    ("change", lambda c: c.kind),
    *named("key.cable", "key.fibre", "wavelength_nm", "closure", "before_db", "after_db"),
    (
        "combined_uncertainty_db",
        lambda c: reported(c.combined_uncertainty_db, Quantity.UNCERTAINTY_DB),
    ),
    *(
        (name.format(when), partial(_judged, when=when, field=field))
        for name, field in (
            ("limit_{}_db", "limit_db"),
            ("verdict_{}", "verdict"),
            ("action_{}", "action"),
            ("near_limit_{}", "near_limit"),
        )
        for when in ("before", "after")
    ),
)

_PATTERNS: tuple[Column[Pattern], ...] = (
    *named("cable", "wavelength_nm"),
    ("pattern", lambda p: p.kind),
    *named("where"),
    ("more_loss_db", lambda p: p.effect_db),
    ("expanded_uncertainty_db", lambda p: expanded(p.u_effect_db)),
    ("chance_of_luck", lambda p: p.chance),
    ("what_stands_out", lambda p: p.said),
    *named("where_to_look"),
)


#: Named as in a file of decisions, so that the table can be read as one.
DECISIONS: tuple[Column[SealedDecision], ...] = named(
    "decision.what", "decision.who", "decision.when", "decision.why", "decision.cable",
    "decision.fibre", "decision.wavelength_nm", "decision.closure", "decision.file",
    "decision.value", "before", "seal",
)  # fmt: skip


#: Columns of every table of which it is known beforehand what it holds.
_COLUMNS: Mapping[str, Sequence[Column[Any]]] = {
    "splices": SPLICES, "findings": FINDINGS, "shots": _SHOTS, "resplice": _RESPLICE,
    "identity": _IDENTITY, "fibres": FIBRES, "ribbons": GROUPS, "closures": GROUPS,
    "cables": GROUPS, "patterns": _PATTERNS, "attempts": ATTEMPTS, "changes": CHANGES,
    "decisions": DECISIONS,
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
    return cell_table(_placed(SPLICES, review), review.rows, language)


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
        "findings": cell_table(FINDINGS, review.findings, language),
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
        attempts = [(h, attempt) for h in review.history for attempt in h.attempts]
        tables["attempts"] = cell_table(ATTEMPTS, attempts, language)
    if review.changes:
        tables["changes"] = cell_table(CHANGES, review.changes, language)
    tables |= log_cells(review.log)
    if review.decisions:
        tables["decisions"] = cell_table(DECISIONS, review.decisions, language)
    return tables | beside_cells(review, language)


def cable_tables(
    review: CableReview, style: CsvStyle | None = None, language: Language = Language.ENGLISH
) -> dict[str, bytes]:
    """Return the tables of a review as CSV, by file name; see :func:`review_cells`."""
    tables = review_cells(review, language)
    return {f"{name}.csv": csv_bytes(table, style) for name, table in tables.items()}
