"""Whether a measured pair can be what its files say: checks against silent wrongness.

A file can be valid in every byte and mean something else: a wrong label, another fibre, points
that were never measured. Each check holds two independent pieces of evidence against each other
and says what it saw in numbers. None of them changes a figure.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from otdravg.findings import Finding, Scope, caution, defect, values
from otdravg.fit.reading import Coverage, Reading
from otdravg.fit.side import Side, SpanStart
from otdravg.pair.measure import Measurement
from otdravg.pair.same_glass import glass_findings
from otdravg.shot.detect import Detection, Event
from otdravg.shot.point_checks import REPEAT_POINTS, NoisePrints, same_noise, shot_findings
from otdravg.shot.settings import Direction

FloatArray = npt.NDArray[np.float64]

#: Attenuation that single-mode fibre can have, dB/km, by nominal wavelength. Derived: lower bounds
#: from Rayleigh scattering alone of the lowest-loss fibre, 0.14 dB/km at 1550 nm (from memory), as
#: 1/λ⁴ 0.274, 0.221, 0.164, 0.140 and 0.116, less 4 to 10 % of room, at 1625 nm with absorption in
#: the infrared instead; upper bounds from ITU-T G.652.D and G.657 cabled fibre, 0.40 and at 1550
#: nm 0.30 (from memory), with room for older glass.
ATTENUATION_DB_PER_KM = {
    1310: (0.26, 0.50),
    1383: (0.20, 0.50),
    1490: (0.155, 0.40),
    1550: (0.135, 0.35),
    1625: (0.125, 0.36),
}
#: How much a section's backscatter level may drift along it, dB/km. Chosen, not derived: four
#: times the spread that the fit assumes, a mode field that tapers by 0.1 % per km; larger would
#: let an uneven receiver pass.
DRIFT_SPREAD_DB_PER_KM = 0.004
#: Half the difference of both attenuations, as a share of their mean, that no receiver explains.
#: Chosen, not derived: common practice (no source) asks 0.03 dB per dB of it, three times as much
#: is room.
GROSS_DRIFT_SHARE = 0.09
#: Attenuation of the file's own table and of the waveform may differ by this share, where the
#: table covers this share of the span. Chosen, not derived: tables round to 0.01 dB/km, 3 to 5 %
#: of it; less than half of a span may be of other glass than the rest.
TABLE_ATTENUATION_SHARE = 0.06
LEAST_TABLE_SHARE = 0.5
#: Misfit of the straight lines that counts: in noise, and in dB. Chosen, not derived: six sigma of
#: correlated noise is never chance in hundreds of eighths, and 0.02 dB is the least that would
#: move a loss as much as a limit's last digit.
CROOKED_SIGMAS = 6.0
CROOKED_DB = 0.02
#: Shorter sections are not looked at in eighths. Derived: eight points in each.
LEAST_POINTS = 64
#: From here on a step shows in the shot that has it, dB, and up to here in the other it does not.
#: Chosen, not derived: what a loss and a backscatter step cancel to, beyond the noise of both.
ONE_SIDED_DB, NOTHING_DB = 0.03, 0.005
#: Chance that a sound splice is one-sided, for each dB of what counts as nothing. Benchmark:
#: pair_scenarios, 144 of 2,100 splices of its good kinds at 5 mdB.
ONE_SIDED_PER_DB = 14.0
#: So many one-sided splices as this seldom by chance are no fibre's. Chosen, not derived: three of
#: five at 5 mdB, or three of four.
ONE_SIDED_CHANCE = 1 / 300
#: Steps of both shots that are one-sided and as far apart are the same ones, shifted: up to this
#: share of the span, or chance would find some. Chosen, not derived: a wrong index or an offset
#: left over is far less.
LARGEST_SHIFT_SHARE = 0.05

#: Findings after which a figure is no measurement, whatever the limit says.
NOT_MEASURED_SO = frozenset(
    {"bit-stuck", "flat-stretch", "noise-repeats", "noise-shared", "attenuation-impossible",
     "attenuation-unequal"}
)  # fmt: skip


def pair_findings(measurement: Measurement) -> tuple[Finding, ...]:
    """Check whether a measured pair can be what its files say.

    Parameters
    ----------
    measurement : Measurement
        Both shots with their events, the common axis and the joint fit.

    Returns
    -------
    tuple of Finding
        Cautions and defects with their evidence; empty for a plausible pair.
    """
    prints_ab, prints_ba = (
        NoisePrints.of(side.shot) for side in (measurement.side_ab, measurement.side_ba)
    )
    return (
        *glass_findings(measurement.glass),
        *shot_findings(measurement.detection_ab, prints_ab),
        *shot_findings(measurement.detection_ba, prints_ba),
        *_shared_noise(prints_ab, prints_ba),
        *_unseen_span(measurement),
        *_attenuation(measurement),
        *_unequal_attenuation(measurement),
        *_table_attenuation(measurement),
        *_unmirrored(measurement),
        *_crooked(measurement),
        *_outside_span(measurement),
        *_unconfirmed_start(measurement),
        *_guessed_start(measurement),
    )


def _shared_noise(ab: NoisePrints, ba: NoisePrints) -> Iterator[Finding]:
    if count := same_noise(ab, ba):
        yield defect("noise-shared", Scope.PAIR, points=count + REPEAT_POINTS - 1)


def _unseen_span(m: Measurement) -> Iterator[Finding]:
    """Cords may leave so little of a fibre that nothing of it is measured."""
    pulse_m = max(side.shot.pulse_m for side in (m.side_ab, m.side_ba))
    if m.attenuation_db_per_km is None or m.axis.length_m <= pulse_m:
        yield caution("span-unseen", Scope.PAIR, length_m=m.axis.length_m, pulse_m=pulse_m)


def _attenuation(m: Measurement) -> Iterator[Finding]:
    """Hold the attenuation against what glass can have at the wavelength on the label."""
    value, u = m.attenuation_db_per_km, m.u_attenuation_db_per_km
    label = m.ab.identity.nominal_wavelength_nm
    nearest = min(ATTENUATION_DB_PER_KM, key=lambda nm: abs(nm - label))
    if value is None or u is None or abs(nearest - label) > 30:
        return
    low, high = ATTENUATION_DB_PER_KM[nearest]
    if value + 3 * u < low or value - 3 * u > high:
        yield defect(
            "attenuation-impossible", Scope.PAIR, nominal_nm=label,
            attenuation_db_per_km=value, expanded_db_per_km=2 * u,
            least_db_per_km=low, most_db_per_km=high,
        )  # fmt: skip


def _drift(m: Measurement) -> tuple[float, float] | None:
    """Half of what the fibre seems to lose more per km from B than from A, and how unsure it is.

    The uncertainty holds the noise and how uneven glass may be: long spans of many sections
    average that out.
    """
    fit = m.fit
    seen = np.flatnonzero(fit.seen_ab & fit.seen_ba)
    if not seen.size:
        return None
    edges = np.array([0.0, *(p.middle_m for p in m.places), m.axis.length_m])
    share = np.diff(edges)[seen]
    share = share / share.sum()
    index = 4 * seen + 3
    u = float(np.sqrt(share @ fit.covariance[np.ix_(index, index)] @ share))
    glass = DRIFT_SPREAD_DB_PER_KM * float(np.sqrt(share @ share))
    return float(share @ fit.parameters[seen, 3]), float(np.hypot(u, glass))


def _unequal_attenuation(m: Measurement) -> Iterator[Finding]:
    """One fibre loses the same in both directions, but for uneven glass and uneven receivers."""
    drift_u = _drift(m)
    if drift_u is None or m.attenuation_db_per_km is None:
        return
    drift, u = drift_u
    if abs(drift) < 4 * u:
        return
    alpha = m.attenuation_db_per_km
    gross = abs(drift) > GROSS_DRIFT_SHARE * alpha
    grave, code = (defect, "attenuation-unequal") if gross else (caution, "attenuation-uneven")
    yield grave(
        code, Scope.PAIR, from_a_db_per_km=alpha - drift, from_b_db_per_km=alpha + drift,
        drift_db_per_km=abs(drift), expanded_drift_db_per_km=2 * u,
    )  # fmt: skip


def _table_attenuation(m: Measurement) -> Iterator[Finding]:
    """The instrument saw the same fibre before anybody changed a scale or a spacing."""
    drift_u, alpha, u = _drift(m), m.attenuation_db_per_km, m.u_attenuation_db_per_km
    if drift_u is None or alpha is None or u is None:
        return
    for seen, own in ((m.detection_ab, alpha - drift_u[0]), (m.detection_ba, alpha + drift_u[0])):
        shot = seen.shot
        at = np.array([0.0, *(e.distance_m(shot.group_index) for e in shot.trace.table)])
        slope = np.array([e.slope_db_per_km for e in shot.trace.table])
        length = np.where(slope > 0, np.diff(at), 0.0)
        if length.sum() < LEAST_TABLE_SHARE * m.axis.length_m:
            continue
        stated = float(length @ slope / length.sum())
        if abs(stated - own) > max(TABLE_ATTENUATION_SHARE * stated, 5 * np.hypot(u, drift_u[1])):
            yield caution(
                "table-attenuation-differs", shot.trace.identity.direction,
                table_db_per_km=stated, waveform_db_per_km=own,
            )  # fmt: skip


def _shown_by(reading: Reading) -> tuple[int, float]:
    """+1 or −1 where only the shot from A, or from B, shows a step; and the chance of that, else 0.

    Both shots should see what either sees, but where the loss cancels the backscatter step.
    """
    ab, ba, u_ab, u_ba = reading.loss_ab_db, reading.loss_ba_db, reading.u_ab_db, reading.u_ba_db
    if ab is None or ba is None or u_ab is None or u_ba is None:
        return 0, 0.0
    (small, u_small, _), (large, u_large, side) = sorted(((abs(ab), u_ab, 1), (abs(ba), u_ba, -1)))
    nothing_db = max(NOTHING_DB, 3 * u_small)
    shows = large > max(ONE_SIDED_DB, 8 * u_large) and small < nothing_db
    return side if shows else 0, min(ONE_SIDED_PER_DB * nothing_db, 0.5)


def _unmirrored(m: Measurement) -> Iterator[Finding]:
    """Steps that only one of both shots shows: a few are chance, most of them are no fibre."""
    both = [r for r in m.readings if r.coverage is Coverage.BOTH]
    shown, chances = np.array([_shown_by(r) for r in both]).reshape(-1, 2).T
    count = int(np.count_nonzero(shown))
    at = np.array([r.distance_m for r in both])
    apart_m = _common_shift(at[shown > 0], at[shown < 0], m)
    numbers = np.ones(1)  # chance of 0, 1, 2 … one-sided splices
    for chance in chances:
        numbers = np.convolve(numbers, (1 - chance, chance))
    if apart_m is not None:
        yield caution(
            "steps-one-sided", Scope.PAIR, "shifted",
            count=count, splices=len(both), apart_m=apart_m,
        )  # fmt: skip
    elif count and numbers[count:].sum() < ONE_SIDED_CHANCE and not m.glass.is_related:
        yield caution("steps-one-sided", Scope.PAIR, count=count, splices=len(both))


def _common_shift(only_a_m: FloatArray, only_b_m: FloatArray, m: Measurement) -> float | None:
    """Length by which steps of one shot stand beside those of the other, if two or more agree."""
    shifts = np.sort((only_a_m[:, None] - only_b_m[None, :]).ravel())
    shifts = shifts[np.abs(shifts) < LARGEST_SHIFT_SHARE * m.axis.length_m]
    slack_m = sum(side.shot.placing_m for side in (m.side_ab, m.side_ba))
    agree = np.flatnonzero(np.diff(shifts) < slack_m)
    return float(np.abs(shifts[agree[0]])) if agree.size else None


def _crooked(m: Measurement) -> Iterator[Finding]:
    """Fibre between two splices is straight in dB; a shot that is not was not of it."""
    worst, at_m, where = 0.0, 0.0, Direction.A_TO_B
    for side in (m.side_ab, m.side_ba):
        off_db, z_m = _largest_misfit(m, side)
        if off_db > worst:
            worst, at_m, where = off_db, z_m, side.shot.trace.identity.direction
    if worst > CROOKED_DB:
        yield caution("fibre-crooked", where, off_db=worst, at_m=at_m)


def _largest_misfit(m: Measurement, side: Side) -> tuple[float, float]:
    """Largest mean misfit over an eighth of a section that noise does not explain, and where."""
    lo, hi = side.ranges(m.places)
    parts = np.zeros((2, side.weight.size + 1))
    parts[0, :-1] = side.weight
    np.multiply(side.response_db - side.model(m.fit, m.places), side.weight, out=parts[1, :-1])
    long = hi - lo >= LEAST_POINTS
    if not long.any():
        return 0.0, 0.0
    edges = np.linspace(lo[long], hi[long], 9, axis=1).astype(np.intp)  # a row per section
    sums = np.add.reduceat(parts, edges.ravel(), axis=1).reshape(2, *edges.shape)
    weight, weighted = sums[:, :, :-1]  # from the last edge of a row on lies the next section
    misfit = np.abs(weighted) / np.maximum(weight, 1e-30)
    misfit[misfit * np.sqrt(weight) <= CROOKED_SIGMAS] = 0.0
    row, eighth = np.unravel_index(np.argmax(misfit), misfit.shape)
    middle = (edges[row, eighth] + edges[row, eighth + 1]) // 2
    return float(misfit[row, eighth]), float(side.z()[middle])


def _outside_span(m: Measurement) -> Iterator[Finding]:
    """Splices in front of the span's start are not counted: a cord has none."""
    for seen, start_m, basis in (
        (m.detection_ab, m.axis.start_a_m, m.axis.basis_a),
        (m.detection_ba, m.axis.start_b_m, m.axis.basis_b),
    ):
        before = [
            e for e in _clear_events(seen) if e.distance_m < start_m - 2 * seen.shot.placing_m
        ]
        if before:
            stated, offset = basis is SpanStart.STATED_CORD, basis is SpanStart.USER_OFFSET
            yield caution(
                "event-in-cord", seen.shot.trace.identity.direction,
                "stated" if stated else "offset" if offset else "",
                start_m=start_m,
                events=tuple(values(loss_db=e.loss_db, at_m=e.distance_m) for e in before),
            )  # fmt: skip


def _clear_events(seen: Detection) -> list[Event]:
    return [
        e
        for e in seen.marks
        if e.loss_db is not None
        and e.u_loss_db is not None
        and abs(e.loss_db) > max(0.05, 6 * e.u_loss_db)
    ]


def _unconfirmed_start(m: Measurement) -> Iterator[Finding]:
    """A user offset marks a connector, which shows in this shot or from the other end."""
    whole_m = m.axis.start_a_m + m.axis.length_m + m.axis.start_b_m
    slack_m = 2 + sum(s.shot.placing_m + s.shot.pulse_m for s in (m.side_ab, m.side_ba)) / 2
    for seen, other in ((m.detection_ab, m.detection_ba), (m.detection_ba, m.detection_ab)):
        shot = seen.shot
        offset_m = shot.user_offset_m
        shown_m = (
            *(e.distance_m for e in seen.events),
            *(whole_m - e.distance_m for e in other.events),
        )
        # So near to the panel no connector can show: only a fault of the setting explains it.
        confirmed = offset_m > slack_m and any(abs(x_m - offset_m) < slack_m for x_m in shown_m)
        if offset_m == 0 or confirmed:
            continue
        yield caution("user-offset-doubtful", shot.trace.identity.direction, offset_m=offset_m)


def _guessed_start(m: Measurement) -> Iterator[Finding]:
    """The span was started where the other shot ends, and this shot shows nothing there."""
    for seen, start_m, basis in (
        (m.detection_ab, m.axis.start_a_m, m.axis.basis_a),
        (m.detection_ba, m.axis.start_b_m, m.axis.basis_b),
    ):
        slack_m = seen.shot.placing_m + seen.shot.pulse_m + 2
        shown = any(abs(e.distance_m - start_m) < slack_m for e in seen.events)
        if basis is SpanStart.OTHER_SHOT_ENDS and not shown:
            yield caution(
                "span-start-doubtful", seen.shot.trace.identity.direction, start_m=start_m
            )
