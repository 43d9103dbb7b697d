"""Fibres, ribbons, closures and cables as wholes: what each row and column of their tables is."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, Protocol

from otdravg.cable.log.model import Spliced
from otdravg.cable.model import CableReview, FibreKey, FibreResult, GroupResult, SpliceRow
from otdravg.findings import Statement, says
from otdravg.tables.csv_file import Column, Taken, named
from otdravg.trade import fibre_colour, ribbon_position
from otdravg.verdict import SpliceVerdict
from otdravg.verdict.decision import Verdict, expanded
from otdravg.verdict.verdicts import worst_of

#: Verdicts that leave open whether a splice is good.
UNJUDGED = (
    Verdict.ONE_WAY, Verdict.NOT_MEASURED, Verdict.NOT_GRADABLE, Verdict.TOO_CLOSE,
    Verdict.IMPLAUSIBLE, Verdict.NOT_JUDGED,
)  # fmt: skip
#: Findings that say which shots of a fibre are not there.
_NO_SHOT = ("direction-missing", "wavelength-not-shot", "fibre-missing", "ribbon-missing")
_SPAN_RULES = ("span.steps", "span.formula")


@dataclass(frozen=True, slots=True)
class FibreLine:
    """One fibre at one wavelength, whether or not it was measured."""

    key: FibreKey
    ribbon_size: int | None
    wavelength_nm: int | None  # None: no shot of the fibre is there
    result: FibreResult | None  # None: not measured from both ends
    splices: tuple[SpliceRow, ...]
    lacks: tuple[Statement, ...]
    colours: tuple[str, ...] = ()  # of the cable's own

    @property
    def verdict(self) -> SpliceVerdict | None:
        """What asks for most, of its splices and of the rules about it as a whole."""
        rules = () if self.result is None else self.result.rules
        return worst_of([*(row.verdict for row in self.splices), *rules])

    @property
    def limit(self) -> SpliceVerdict | None:
        """The rule about its loss end to end."""
        rules = () if self.result is None else self.result.rules
        return next((rule for rule in rules if rule.rule in _SPAN_RULES), None)


def fibre_lines(review: CableReview) -> Iterator[FibreLine]:
    """Give every fibre at every wavelength, those included that lack everything."""
    rows: dict[tuple[FibreKey, int | None], list[SpliceRow]] = defaultdict(list)
    lacks: dict[tuple[FibreKey, int | None], list[Statement]] = defaultdict(list)
    for row in review.rows:
        rows[row.key, row.wavelength_nm].append(row)
    for finding in review.findings:
        if finding.code in _NO_SHOT:
            for fibre in {finding.fibre, *finding.other_fibres} - {None}:
                key = FibreKey(finding.cable, fibre or 0)
                lacks[key, finding.wavelength_nm].append(
                    says("no-shot") if finding.wavelength_nm is None else finding.evidence
                )
    results = {(fibre.key, fibre.wavelength_nm): fibre for fibre in review.fibres}
    places = rows.keys() | lacks.keys() | results.keys()
    for key, nm in sorted(places, key=lambda place: (place[0], place[1] or 0)):
        own = tuple(rows[key, nm])
        result = None if nm is None else results.get((key, nm))
        unjudged = Counter(r.verdict.verdict for r in own if r.verdict.verdict in UNJUDGED)
        yield FibreLine(
            key, review.ribbon_size, nm, result, own,
            (*lacks[key, nm],
             *(says("unjudged", some=n, splices=len(own), verdict=v.value)
               for v, n in unjudged.items())),
            review.expected.colours,
        )  # fmt: skip


def _of_result(take: Callable[[FibreResult], Taken]) -> Callable[[FibreLine], Taken]:
    """Take from the result of a fibre that was measured from both ends."""
    return lambda fibre: None if fibre.result is None else take(fibre.result)


def _of_verdict(take: Callable[[SpliceVerdict], Taken]) -> Callable[[FibreLine], Taken]:
    """Take from the verdict on a fibre with all its splices."""
    return lambda fibre: None if (verdict := fibre.verdict) is None else take(verdict)


#: Columns of ``fibres.csv``.
FIBRES: tuple[Column[FibreLine], ...] = (
    *named("key.cable", "key.fibre"),
    ("ribbon", lambda f: ribbon_position(f.key.fibre, f.ribbon_size)[0]),
    ("colour", lambda f: fibre_colour(f.key.fibre, f.ribbon_size, f.colours)),
    *named("wavelength_nm"),
    ("length_m", _of_result(lambda r: r.length_m)),
    ("end_to_end_ab_db", _of_result(lambda r: r.loss_ab_db)),
    ("end_to_end_ba_db", _of_result(lambda r: r.loss_ba_db)),
    ("end_to_end_db", _of_result(lambda r: r.loss_db)),
    ("expanded_uncertainty_db", _of_result(lambda r: expanded(r.u_loss_db))),
    ("end_to_end_limit_db", lambda f: None if f.limit is None else f.limit.limit_db),
    ("attenuation_db_per_km", _of_result(lambda r: r.attenuation_db_per_km)),
    ("splices", _of_result(lambda r: r.splice_count)),
    ("mean_splice_db", _of_result(lambda r: r.span_mean_db)),
    (
        "worst_splice_db",
        lambda f: max((r.loss_db for r in f.splices if r.loss_db is not None), default=None),
    ),
    ("verdict", _of_verdict(lambda v: v.verdict)),
    ("action", _of_verdict(lambda v: v.action)),
    ("profile_key", _of_verdict(lambda v: v.rule)),
    ("span_verdict", _of_result(lambda r: r.verdict.verdict if r.verdict else None)),
    ("span_rules", _of_result(lambda r: tuple(rule.reason for rule in r.rules))),
    *named("lacks"),
    ("attempt", _of_result(lambda r: r.attempt)),
    ("file_ab", _of_result(lambda r: r.file_ab)),
    ("file_ba", _of_result(lambda r: r.file_ba)),
)


class _Spliced(Protocol):
    @property
    def spliced(self) -> Spliced | None: ...


def _of_log(take: Callable[[Spliced], Taken]) -> Callable[[_Spliced], Taken]:
    """Take from what the splice log says, if it says anything."""
    return lambda row: None if row.spliced is None else take(row.spliced)


#: How far a splice is proved, and its two dates: both ends, and bends after closing.
PROOF: tuple[Column[Any], ...] = named("proof", "proved", "bend_checked")

#: Columns that a splice log fills: when, by which machine, by whom, how often.
SPLICED: tuple[Column[_Spliced], ...] = (
    ("spliced", _of_log(lambda s: s.last)),
    ("splicer", _of_log(lambda s: ", ".join(s.splicers))),
    ("person", _of_log(lambda s: ", ".join(s.people))),
    ("tries", _of_log(lambda s: s.tries)),
)


#: Columns of ``ribbons.csv``, ``closures.csv`` and ``cables.csv``.
GROUPS: tuple[Column[GroupResult], ...] = (
    *named("cable", "closure", "closure_number", "ribbon", "wavelength_nm"),
    ("splices", lambda g: len(g.fibres)),
    *named("measured"),
    ("over_limit", lambda g: g.over),
    *named("mean_db", "worst_db", "worst_fibre", "verdict.verdict", "verdict.action"),
    ("profile_key", lambda g: g.verdict.rule),
    *named("verdict.figure"),
    ("limit", lambda g: g.verdict.limit_db),
    ("rules", lambda g: tuple(rule.reason for rule in g.rules)),
    *SPLICED,
    *PROOF,
)
