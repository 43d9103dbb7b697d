"""Lists that people read, on paper and page alike: rows, columns and widths of each, said once."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from otdravg.cable.checks.states import has_changed
from otdravg.cable.model import CableFinding, CableReview, Change, FibreResult
from otdravg.cable.resplice.model import Unit
from otdravg.quantities import Quantity, reported
from otdravg.tables.csv_file import Column, Taken, named, shown
from otdravg.tables.deliveries import changed_alike
from otdravg.tables.places import place_text
from otdravg.tables.splices import ATTEMPTS, CHANGES, DECISIONS, FINDINGS, SPLICES
from otdravg.trade import numbers_text
from otdravg.words.headings import Words

#: Columns of figures, flush right on paper.
_FIGURES = frozenset({
    "fibre", "wavelength_nm", "distance_m", "attempt", "loss_db", "expanded_uncertainty_db",
    "before_db", "after_db", "combined_uncertainty_db", "limit_before_db", "limit_after_db",
})  # fmt: skip
#: Files of a finding that are named; the full list is in the tables beside the document.
_MOST_FILES = 4


@dataclass(frozen=True, slots=True)
class Listing:
    """A list as people read it, or a remark where there is nothing to list.

    ``shares`` are the widths of the columns on paper, set against each other.
    """

    key: str
    heading: str
    headings: tuple[str, ...]
    shares: tuple[float, ...]
    figures: tuple[bool, ...]  # whether a column is flush right on paper
    rows: tuple[tuple[str, ...], ...]
    remark: str


def texts(
    columns: Sequence[Column[Any]], rows: Iterable[Any], words: Words
) -> tuple[tuple[str, ...], ...]:
    """Write rows as people read them."""
    return tuple(tuple(shown(name, take(row), words) for name, take in columns) for row in rows)


#: Columns of a fibre as a whole.
SPANS: tuple[Column[FibreResult], ...] = (
    *named("key.cable", "key.fibre", "wavelength_nm"),
    ("span_length", lambda f: reported(f.length_m, Quantity.DISTANCE_M)),
    (
        "attenuation",
        lambda f: reported(f.attenuation_db_per_km, Quantity.ATTENUATION_DB_PER_KM),
    ),
    *named("splice_count"),
    ("span_mean", lambda f: reported(f.span_mean_db, Quantity.LOSS_DB)),
    ("verdict", lambda f: f.verdict.verdict if f.verdict else ""),
)


def listings(review: CableReview, words: Words) -> dict[str, Listing]:
    """Return the lists of a review by their key; none that has nothing to say.

    Of a fibre that was shot again ``repairs`` has the attempts at splices that read otherwise now:
    most say what they said. ``changes`` are those in fibres of both runs: fibres that are new or
    withdrawn as a whole stand on page one, and every splice in the table. What was judged otherwise
    alike stands in one line: another limit is one of all splices.
    """
    units = review.plan.units if review.plan is not None else ()
    found = review.patterns.found if review.patterns is not None else ()
    attempts = [(h, attempt) for h in review.history if has_changed(h) for attempt in h.attempts]
    between = [row for row in review.rows if row.closure_number is None]
    shot_again = words["changed_only"].format(count=len(review.history)) if review.history else ""
    made = [
        _listing(
            words, "plan", "sheet_resplice", _plan(words), units,
            ("cable", "closure", "distance_m", "ribbon", "failing", "advice", "because", "choice"),
            words["advice_only" if units else "no_resplice"],
        ),
        _listing(
            words, "repairs", "repairs", ATTEMPTS, attempts,
            {"cable": 10, "fibre": 6, "closure": 10, "wavelength_nm": 11, "attempt": 7,
             "taken": 13, "loss_db": 8, "expanded_uncertainty_db": 8, "file_ab": 25,
             "file_ba": 25},
            shot_again,
        ),
        _listing(
            words, "decisions", "sheet_decisions", DECISIONS, review.decisions,
            ("what", "cable", "fibre", "wavelength_nm", "closure", "file", "value", "who", "when",
             "why"),
        ),
        _listing(
            words, "changes", "sheet_changes", map(_of_alike, CHANGES), changed_alike(review),
            {"change": 12, "cable": 10, "fibre": 8, "closure": 10, "wavelength_nm": 11,
             "before_db": 8, "after_db": 8, "combined_uncertainty_db": 9, "limit_before_db": 9,
             "limit_after_db": 9, "verdict_before": 17, "verdict_after": 17, "action_before": 13,
             "action_after": 13, "near_limit_before": 8, "near_limit_after": 8},
        ),
        _listing(
            words, "patterns", "patterns", _PATTERNS, found,
            {"cable": 10, "wavelength_nm": 11, "evidence": 60, "where_to_look": 40},
        ),
        _listing(words, "spans", "spans", SPANS, review.fibres, [name for name, _ in SPANS]),
        _listing(
            words, "findings", "findings", (*FINDINGS, ("files", _files)), review.findings,
            {"severity": 9, "finding": 18, "cable": 9, "fibre": 6, "closure": 7, "evidence": 38,
             "what_to_do": 32, "files": 26},
            "" if review.findings else words["no_findings"],
        ),
        _listing(
            words, "between", "between_closures", SPLICES, between,
            {"cable": 10, "fibre": 6, "wavelength_nm": 11, "distance_m": 10, "loss_db": 8,
             "expanded_uncertainty_db": 8, "kind": 10, "verdict": 14, "reason": 40},
        ),
    ]  # fmt: skip
    return {one.key: one for one in made if one.rows or one.remark}


def _listing(
    words: Words,
    key: str,
    heading: str,
    columns: Iterable[Column[Any]],
    rows: Iterable[Any],
    shares: Mapping[str, float] | Sequence[str],
    remark: str = "",
) -> Listing:
    """Take some columns in the order of their ``shares``, or of their names on the page alone."""
    known, shown_heading = dict(columns), words[heading]
    return Listing(
        key,
        shown_heading[:1].upper() + shown_heading[1:],
        tuple(words[name] for name in shares),
        tuple(shares.values()) if isinstance(shares, Mapping) else (),
        tuple(name in _FIGURES for name in shares),
        texts([(name, known[name]) for name in shares], rows, words),
        remark,
    )


def _of_alike(column: Column[Change]) -> Column[list[Change]]:
    """Show what changes have in common; the numbers of all their fibres."""
    name, take = column

    def taken(changes: list[Change]) -> Taken:
        if name == "fibre":
            return numbers_text(change.key.fibre for change in changes)
        values = {take(change) for change in changes}
        return values.pop() if len(values) == 1 else None

    return name, taken


def _plan(words: Words) -> tuple[Column[Unit], ...]:
    """What is to be spliced again, and why."""

    def failing(unit: Unit) -> str:
        return ", ".join(
            f"{one.fibre} ({words.cell('colour', one.colour)}, {one.wavelength_nm} nm, "
            f"{words.decimal(one.loss_db)} dB)"
            for one in unit.failing
        )

    return (
        *named("cable", "closure", "distance_m"),
        (
            "ribbon",
            lambda u: ", ".join(filter(None, (str(u.ribbon or ""), place_text(u.place, words)))),
        ),
        ("failing", failing),
        ("advice", lambda u: u.advised),
        *named("because"),
        ("choice", lambda u: " – ".join(words.told(option.said) for option in u.options)),
    )


_PATTERNS: tuple[Column[Any], ...] = (
    *named("cable", "wavelength_nm"),
    ("evidence", lambda p: p.said),
    *named("where_to_look"),
)


def _files(finding: CableFinding) -> str:
    files, more = finding.files, len(finding.files) - _MOST_FILES
    return ", ".join(files[:_MOST_FILES]) + (f" (+ {more})" if more > 0 else "")
