"""A route held against a review of its cable."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from math import hypot, sqrt
from statistics import median

from otdravg.cable.files.names import same_text
from otdravg.cable.lists.route import Survey, survey
from otdravg.cable.model import CableFinding, Closure, Expected, FibreResult

#: Standard uncertainty of a place that shots show, m, beside the scatter of its fibres: closures,
#: events, and the far end of a fibre. Chosen, not derived.
U_PLACE_M = 1.0


def surveyed(
    expected: Expected,
    cable: str,
    closures: Sequence[Closure],
    fibres: Sequence[FibreResult],
) -> Survey | None:
    """Hold the route of a job against the closures that a review found; None without a route."""
    if not expected.route or same_text(cable) not in ("", same_text(expected.cable)):
        return None
    own = [c for c in closures if c.cable == cable]
    found = [
        (c.name, c.distance_m, hypot(c.spread_m / sqrt(max(c.seen_in, 1)), U_PLACE_M)) for c in own
    ]
    lengths_m = [fibre.length_m for fibre in fibres if fibre.key.cable == cable]
    length = (median(lengths_m), U_PLACE_M) if lengths_m else None
    return survey(expected.route, found, length)


def with_marks(closures: Iterable[Closure], surveys: Mapping[str, Survey]) -> tuple[Closure, ...]:
    """Write the sheath marks of the route to the closures that are on it."""
    places = {
        (cable, name): place for cable, survey in surveys.items() for name, place in survey.closures
    }
    return tuple(
        own
        if (place := places.get((own.cable, own.name))) is None
        else replace(own, mark_in=place.mark_in, mark_out=place.mark_out)
        for own in closures
    )


def on_the_sheath(
    findings: Iterable[CableFinding], surveys: Mapping[str, Survey]
) -> list[CableFinding]:
    """Say of findings between closures where they lie on the sheath; by cable, what has a route."""
    placed = []
    for finding in findings:
        survey = None if finding.closure else surveys.get(finding.cable)
        spot = None
        if survey is not None and finding.distance_m is not None:
            spot = survey.at(finding.distance_m, U_PLACE_M)
        beside = finding.beside if spot is None else (*finding.beside, spot.said)
        placed.append(replace(finding, beside=beside))
    return placed
