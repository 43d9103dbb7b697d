"""What the results say of wholes, closures and decisions, held against their rows and records."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from statistics import median

from otdravg.cable.checks.wholes import group_results
from otdravg.cable.model import CableReview, Judged
from otdravg.closeout.checks.model import Check, at, checked
from otdravg.findings import Statement, says
from otdravg.quantities import Quantity, reported
from otdravg.tables.csv_file import cell_table
from otdravg.tables.wholes import GROUPS, SPLICED

#: Room for the places of one closure on the axes of its wavelengths and fibres, metres.
#: Chosen, not derived: far less than what makes a crew open another closure.
_SAME_PLACE_M = 5.0


def wholes_against_rows(review: CableReview) -> Iterator[Check]:
    """Check what is made of rows, and what has to be made of something."""
    yield checked(
        says("check-groups"),
        len(review.groups),
        _groups(review),
    )
    yield checked(says("check-closures"), len(review.closures), _closures(review))
    count = sum(len(row.decided) for row in review.rows)
    count += sum(len(finding.acknowledged) for finding in review.findings)
    yield checked(says("check-decided"), count, _decided(review))
    if review.changes:
        yield checked(says("check-changes"), len(review.changes), _changes(review))


def _groups(review: CableReview) -> Iterator[Statement]:
    columns = [column for column in GROUPS if column not in SPLICED]
    has = cell_table(columns, review.groups)
    wanted = cell_table(columns, group_results(review.rows, review.profile))
    if len(has.rows) != len(wanted.rows):
        yield says("wrong-group-count", has=len(has.rows), wanted=len(wanted.rows))
        return
    for own, other in zip(has.rows, wanted.rows, strict=True):
        for name, one, two in zip(has.names, own, other, strict=True):
            if one != two:
                cable, closure, _, ribbon, nm = own[:5]
                place = says(
                    "group-of", cable=str(cable), at_nm=str(nm), closure=str(closure),
                    ribbon=str(ribbon or "–"),
                )  # fmt: skip
                yield at(place, says("wrong-group", name=name, has=str(one), wanted=str(two)))


def _closures(review: CableReview) -> Iterator[Statement]:
    places: dict[tuple[str, int], list[float]] = defaultdict(list)
    names: dict[tuple[str, int], set[str]] = defaultdict(set)
    for row in review.rows:
        if row.closure_number is not None:
            places[row.cable, row.closure_number].append(row.distance_m)
            names[row.cable, row.closure_number].add(row.closure)
    for closure in review.closures:
        key = closure.cable, closure.number
        for name in sorted(names[key] - {closure.name}):
            yield at(
                says("closure-named", name=closure.name),
                says("wrong-closure-name", name=name or says("nothing")),
            )
        if not places[key]:
            continue
        middle_m = median(places[key])
        if abs(middle_m - closure.distance_m) > max(_SAME_PLACE_M, 3 * closure.spread_m):
            has, wanted = (
                reported(z_m, Quantity.DISTANCE_M) for z_m in (closure.distance_m, middle_m)
            )
            yield at(
                says("closure-named", name=closure.name),
                says("wrong-closure-place", has_m=has, wanted_m=wanted),
            )


def _changes(review: CableReview) -> Iterator[Statement]:
    """Each row in a closure is compared with what was delivered before, as it stands here."""
    here = {
        (row.key, row.wavelength_nm, row.closure, reported(row.loss_db, Quantity.LOSS_DB),
         Judged.by(row.verdict))
        for row in review.rows
        if row.closure_number is not None
    }  # fmt: skip
    compared = {
        (one.key, one.wavelength_nm, one.closure, reported(one.after_db, Quantity.LOSS_DB),
         one.after)
        for one in review.changes
        if one.after is not None
    }  # fmt: skip
    for key, nm, closure, *_ in sorted(here ^ compared, key=str):
        named = says("closure-named", name=closure)
        place = says("spot-at", fibre=key.fibre, wavelength_nm=nm, where=named)
        yield at(place, says("wrong-change"))


def _decided(review: CableReview) -> Iterator[Statement]:
    known = {entry.decision.said for entry in review.decisions}
    for row in review.rows:
        if set(row.decided) - known:
            place = says("fibre-at", fibre=row.fibre, wavelength_nm=row.wavelength_nm)
            yield at(place, says("wrong-decided"))
    for finding in review.findings:
        if set(finding.acknowledged) - known:
            yield at(says("finding-named", code=finding.code), says("wrong-acknowledged"))
