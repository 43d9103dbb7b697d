"""What is read off a fibre that was fitted: every position's loss, and every section's glass."""

from __future__ import annotations

from bisect import bisect_left, bisect_right

import numpy as np
import numpy.typing as npt

from otdravg.findings import Statement, says
from otdravg.fit.joint import JointFit
from otdravg.fit.reading import Coverage, Kind, Reading, SectionReading, mode_field_ratio
from otdravg.fit.side import Axis, Place, RoughSide, Sides
from otdravg.shot.detect import Detection, Event

FloatArray = npt.NDArray[np.float64]

#: No two glasses differ by more: a mode field ratio of ten. Derived: 10·log10(10).
LARGEST_STEP_DB = 10.0


#: Figures of a place from its readings from A and from B: each alone, half their sum, half their
#: difference. Derived: docs/method.md, section 1.
_FIGURES = np.array([[1.0, 0.0], [0.0, 1.0], [0.5, 0.5], [0.5, -0.5]])
_NONE = np.array(None)


def readings_of(
    sides: Sides,
    places: tuple[Place, ...],
    fit: JointFit,
    seen_ab: Detection,
    seen_ba: Detection,
    axis: Axis,
) -> tuple[Reading, ...]:
    """Read every place's losses off a fit, with their uncertainties.

    Parameters
    ----------
    sides : tuple of Side
        The shot from A and the shot from B.
    places : tuple of Place
        In order from A, as they were fitted.
    fit : JointFit
    seen_ab, seen_ba : Detection
        What either shot shows alone: it says by which a place was detected.
    axis : Axis
    """
    z = np.array([p.middle_m for p in places])
    values, covariance = fit.steps(z, np.array([p.u_m for p in places]))
    ab, ba = (flags[:-1] & flags[1:] for flags in (fit.seen_ab, fit.seen_ba))
    measured = np.stack([ab, ba, ab & ba, ab & ba], axis=1)
    u_db = np.sqrt(np.einsum("ki,pij,kj->pk", _FIGURES, covariance, _FIGURES))
    rows = zip(
        places,
        _events_near(seen_ab, sides[0], places),
        _events_near(seen_ba, sides[1], places),
        np.where(measured, np.einsum("ki,pi->pk", _FIGURES, values), _NONE).tolist(),
        np.where(measured, u_db, _NONE).tolist(),
        strict=True,
    )
    return tuple(
        _reading(number, *row, sides, (seen_ab, seen_ba), axis)
        for number, row in enumerate(rows, 1)
    )


def _reading(
    number: int,
    place: Place,
    events_ab: list[Event],
    events_ba: list[Event],
    losses_db: list[float | None],
    u_db: list[float | None],
    sides: Sides,
    seen: tuple[Detection, Detection],
    axis: Axis,
) -> Reading:
    loss_ab_db, loss_ba_db, loss_db, step_db = losses_db
    u_ab_db, u_ba_db, u_loss_db, u_step_db = u_db
    events = events_ab + events_ba
    missing = tuple(
        _why_not(side, own, place)
        for side, own, loss in zip(sides, seen, losses_db[:2], strict=True)
        if loss is None
    )
    return Reading(
        number=number,
        kind=_kind_of(place, detected=bool(events)),
        coverage=_COVERAGE[loss_ab_db is not None, loss_ba_db is not None],
        distance_m=place.start_m,
        distance_from_b_m=axis.length_m - place.start_m,
        loss_ab_db=loss_ab_db,
        loss_ba_db=loss_ba_db,
        loss_db=loss_db,
        u_ab_db=u_ab_db,
        u_ba_db=u_ba_db,
        u_loss_db=u_loss_db,
        backscatter_step_db=step_db,
        u_step_db=u_step_db,
        mode_field_ratio=(
            mode_field_ratio(step_db)
            if step_db is not None and abs(step_db) < LARGEST_STEP_DB
            else None
        ),
        reflectance_db=max(
            (e.reflectance_db for e in events if e.reflectance_db is not None), default=None
        ),
        detected_ab=bool(events_ab),
        detected_ba=bool(events_ba),
        missing=missing,
    )


_COVERAGE = {
    (True, True): Coverage.BOTH,
    (True, False): Coverage.ONLY_AB,
    (False, True): Coverage.ONLY_BA,
    (False, False): Coverage.NONE,
}


def _kind_of(place: Place, *, detected: bool) -> Kind:
    if place.members > 1:
        return Kind.GROUP
    if place.reflective:
        return Kind.CONNECTOR
    return Kind.ASKED if place.asked and not detected else Kind.SPLICE


def _events_near(seen: Detection, side: RoughSide, places: tuple[Place, ...]) -> list[list[Event]]:
    """For every place the events that this shot alone shows there."""
    events = seen.before_end
    at = [e.distance_m for e in events]
    slack = side.shot.placing_m
    ends = np.sort(side.x(np.array([(p.start_m, p.stop_m) for p in places]).reshape(-1, 2)))
    return [
        events[bisect_left(at, first - slack) : bisect_right(at, last + slack)]
        for first, last in ends.tolist()
    ]


def _why_not(side: RoughSide, seen: Detection, place: Place) -> Statement:
    """Why a place could not be measured from this side: noise, a broken fibre, a dead zone."""
    direction = side.shot.trace.identity.direction.value
    x = float(side.x(place.middle_m))
    reach = side.shot.signal_end_m
    if x + side.shot.recovery_m >= reach:
        into_m = max(reach - side.start_m, 0.0)
        if seen.end_seen and seen.end_m <= reach + side.shot.recovery_m:
            return says("fibre-ends", direction=direction, into_m=into_m)
        return says("signal-ends", direction=direction, into_m=into_m)
    return says("in-dead-zone", direction=direction)


def sections_of(
    places: tuple[Place, ...], fit: JointFit, axis: Axis
) -> tuple[tuple[SectionReading, ...], float | None, float | None]:
    """Read every section's attenuation off a fit.

    Returns
    -------
    sections : tuple of SectionReading
        One more than places, in order from A.
    attenuation, uncertainty : float or None
        Of all sections that were seen, weighted by length, dB/km; None if none was.
    """
    edges = [0.0, *(p.middle_m for p in places), axis.length_m]
    count = len(edges) - 1
    seen = fit.seen_ab | fit.seen_ba
    index = 4 * np.arange(count) + 2
    alpha = fit.parameters[:, 2]
    covariance = fit.covariance[np.ix_(index, index)]
    sections = tuple(
        SectionReading(
            edges[m],
            edges[m + 1],
            float(alpha[m]) if seen[m] else None,
            float(np.sqrt(covariance[m, m])) if seen[m] else None,
        )
        for m in range(count)
    )
    if not seen.any():
        return sections, None, None
    share = np.diff(edges) * seen
    share = share / share.sum()
    return sections, float(share @ alpha), float(np.sqrt(share @ covariance @ share))
