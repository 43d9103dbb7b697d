"""Single figures of a closeout by name, as the owner's own form can ask for them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from functools import partial

from otdravg.cable.model import CableReview
from otdravg.quantities import Quantity, reported
from otdravg.tables import scope
from otdravg.tables.csv_file import Cell, Column, cell_table
from otdravg.tables.deliveries import SINCE, fibres_since
from otdravg.tables.marks import State
from otdravg.tables.summary import (
    LossFigures,
    Summary,
    decisions_state,
    figures_of,
    limits_in_force,
    median_length_m,
    summary_of,
)
from otdravg.words.headings import Words


@dataclass(frozen=True, slots=True)
class _Facts:
    """What figures are taken from: all splices, or those at one wavelength."""

    review: CableReview
    words: Words
    summary: Summary
    wavelength_nm: int | None

    def holds(self, wavelength_nm: int) -> bool:
        return self.wavelength_nm in (None, wavelength_nm)

    @property
    def states(self) -> Counter[State]:
        """How many splices in closures there are of each state."""
        counts: Counter[State] = Counter()
        for (_, nm), tally in self.summary.tallies.items():
            if self.holds(nm):
                counts.update(tally.states)
        return counts

    @property
    def measured(self) -> int:
        """How many of them were measured from both ends."""
        tallies = self.summary.tallies.items()
        return sum(tally.measured for (_, nm), tally in tallies if self.holds(nm))

    @property
    def losses(self) -> LossFigures:
        return figures_of(row for row in self.review.rows if self.holds(row.wavelength_nm))

    @property
    def limit_db(self) -> Decimal | None:
        """The limit in force; None where there are several, or none."""
        limits = {
            limit.limit_db
            for limit in limits_in_force(self.review)
            if any(map(self.holds, limit.wavelengths_nm))
        }
        return limits.pop() if len(limits) == 1 else None

    def shot(self, place: int) -> Cell:
        """The first or last shot that counts."""
        return None if self.summary.taken is None else self.summary.taken[place]

    def end(self, place: int) -> str:
        names = (self.review.end_names(cable)[place] for cable in self.review.cables)
        return ", ".join(dict.fromkeys(filter(None, names)))


def _since(key: str) -> Callable[[_Facts], Cell]:
    """How many fibres there are of a kind since the last delivery; None where none is compared."""
    return lambda f: None if (own := fibres_since(f.review).get(key)) is None else len(own)


def _of_state(state: State, facts: _Facts) -> Cell:
    return facts.states[state]


#: Of the splices, and of those at one wavelength: ``largest_db`` and ``largest_db.1550``.
OF_SPLICES: tuple[Column[_Facts], ...] = (
    ("splices_expected", lambda f: f.states.total()),
    ("splices_both_ends", lambda f: f.measured),
    *((f"splices_{state.name.casefold()}", partial(_of_state, state)) for state in State),
    ("mean_db", lambda f: f.losses.mean_db),
    ("median_db", lambda f: f.losses.median_db),
    ("largest_db", lambda f: f.losses.largest_db),
    ("limit_db", lambda f: f.limit_db),
)
#: Of the closeout as a whole.
FIGURES: tuple[Column[_Facts], ...] = (
    ("standing", lambda f: scope.standing(f.review, f.words)[0]),
    ("standing_says", lambda f: scope.standing(f.review, f.words)[1]),
    ("cables", lambda f: ", ".join(f.review.cables)),
    ("end_a", lambda f: f.end(0)),
    ("end_b", lambda f: f.end(1)),
    ("length_m", lambda f: reported(median_length_m(f.review), Quantity.DISTANCE_M)),
    ("fibres", lambda f: f.summary.fibres),
    ("fibres_expected", lambda f: f.summary.fibres_expected),
    ("closures", lambda f: f.summary.closures),
    ("ribbon_size", lambda f: f.review.ribbon_size),
    ("wavelengths_nm", lambda f: ", ".join(map(str, f.summary.wavelengths_nm))),
    ("shots", lambda f: f.summary.shots),
    ("shots_used", lambda f: f.summary.shots_used),
    ("first_shot", lambda f: f.shot(0)),
    ("last_shot", lambda f: f.shot(1)),
    ("profile", lambda f: f.review.profile.name),
    ("profile_title", lambda f: f.review.profile.title),
    ("profile_source", lambda f: f.review.profile.source),
    ("limits_in_force", lambda f: "; ".join(scope.limit_lines(f.review, f.words))),
    ("findings_to_do", lambda f: f.summary.findings_to_do),
    ("decisions", lambda f: decisions_state(f.review, f.words)),
    ("worst", lambda f: "; ".join(": ".join(line) for line in scope.worst(f.review, f.words))),
    *((key, _since(key)) for key in SINCE),
    *OF_SPLICES,
)


def figures_by_name(review: CableReview, words: Words) -> dict[str, Cell]:
    """Return every figure by its name, those of splices for each wavelength too."""
    summary = summary_of(review)
    named: dict[str, Cell] = {}
    for nm in (None, *summary.wavelengths_nm):
        facts = _Facts(review, words, summary, nm)
        table = cell_table(FIGURES if nm is None else OF_SPLICES, [facts], words.language)
        tail = "" if nm is None else f".{nm}"
        named |= {name + tail: cell for name, cell in zip(table.names, table.rows[0], strict=True)}
    return named
