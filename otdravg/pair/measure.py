"""One fibre measured from both ends: true loss at every splice, with uncertainty.

At a splice with true loss l and backscatter step b the one-way readings are l + b and
l − b: half their sum is the true loss, half their difference the step. Every position
seen from *either* end is measured in *both* shots.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product
from operator import attrgetter

import numpy as np
import numpy.typing as npt

from otdravg.errors import BadSetting, Refusal, ShotsDoNotPair
from otdravg.findings import Finding, Scope, Severity, caution, note, says
from otdravg.fit.joint import JointFit, fit_sections
from otdravg.fit.read_off import readings_of, sections_of
from otdravg.fit.reading import Reading, SectionReading
from otdravg.fit.side import Axis, Place, RoughSide, Side, Sides, pair_sums, with_bends
from otdravg.pair.axis import check_same_fibre_settings, find_axis
from otdravg.pair.locating import compounded, located
from otdravg.pair.places import grouped, parted, seen_places, with_asked
from otdravg.pair.same_glass import Glass, told_by_glass
from otdravg.shot.detect import Detection, detect
from otdravg.shot.lines import step_between
from otdravg.shot.noise import linear_power
from otdravg.shot.point_checks import NoisePrints, shot_findings
from otdravg.shot.response import U_SLOW, Response
from otdravg.shot.settings import Direction
from otdravg.shot.steps import PLACES_PER_PULSE, threshold_for
from otdravg.shot.table_check import table_findings
from otdravg.shot.trace import Trace

FloatArray = npt.NDArray[np.float64]


#: Group indices of one fibre that differ by more than this share of it are no two opinions of it.
#: Chosen, not derived: single-mode fibre has 1.465 to 1.470 between 1310 and 1625 nm (data sheets,
#: from memory), 0.3 %; of two makes at one wavelength half of that.
INDEX_SPREAD = 0.0015
#: A stated index that no single-mode fibre has (1.465 to 1.470, data sheets, from memory; with room
#: for odd ones), and that is this share from what both files say, was mistyped. Chosen, not
#: derived: two digits exchanged.
USUAL_INDEX, INDEX_FAR = (1.460, 1.475), 0.005
#: Most rounds of dropping and adding places. Chosen, not derived: a place that fell is not tried
#: again, so that later rounds have little left; the bound is for time.
MOST_ROUNDS = 4
#: Next to a splice, readings below this share of it within so many pulses are its own remains.
#: Derived: RAMP_IMPERFECTION, rounded up.
SHADOW_SHARE = 0.06
#: What stands out by more than this is a step, however bent the fibre beside it is. Chosen, not
#: derived: 22 sigmas.
CLEAR_SCORE = 500.0
#: Pulses from a splice within which they are looked for. Chosen, not derived: two dead zones, and
#: a pulse between them.
SHADOW_PULSES = 3.0
#: So soon behind a dead zone, an apparent loss this small in one shot is the receiver's tail.
#: Chosen, not derived: as far as STEEP_AFTER_PULSES and as small as REMAINS_DB in the search of
#: one shot.
TAIL_PULSES = 6.0
TAIL_REMAINS_DB = 0.012
#: A seam's own step is clear in one of both shots and seen in the other, in sigmas; where one shows
#: it the other shows nothing, within so much. Chosen, not derived: a splice that its step in the
#: glass hides from one end to a millidecibel has no twin at the same distance from the other
#: instrument, and three sigmas at the one place where it must be come by chance once in 370.
SEAM_SIGMAS, SEAM_SEEN_SIGMAS, SEAM_SLACK_DB = 5.0, 3.0, 0.0005
#: No seam of gain ranges is larger, dB. Chosen, not derived: twice the largest of the benchmark's;
#: a splice that was taken for one is then a small one.
MOST_SEAM_DB = 0.04
#: Known places on either side from which a new one must be parted: those that can disturb it.
#: Chosen, not derived: dead zones reach over one neighbour, seldom over two.
NEIGHBOURS = 3


@dataclass(frozen=True, slots=True, eq=False)
class Measurement:
    """Everything measured on one fibre from two shots."""

    ab: Trace
    ba: Trace
    detection_ab: Detection
    detection_ba: Detection
    axis: Axis
    readings: tuple[Reading, ...]
    sections: tuple[SectionReading, ...]
    attenuation_db_per_km: float | None  # fibre alone, all sections
    u_attenuation_db_per_km: float | None
    findings: tuple[Finding, ...]
    side_ab: Side
    side_ba: Side
    places: tuple[Place, ...]
    fit: JointFit
    glass: Glass  # whether both shots are of one fibre and from its two ends

    def row_of(self, reading: Reading | None) -> int | None:
        """Index of a reading among the fit's places; ``None`` if it is none of them."""
        at_m = [place.start_m for place in self.places]
        here = reading and at_m[reading.number - 1 : reading.number] == [reading.distance_m]
        return reading.number - 1 if reading and here else None

    def reading(self, number: int) -> Reading | None:
        """The reading with a number, from 1; ``None`` if there is none."""
        return next((one for one in self.readings if one.number == number), None)

    def curve_ab(self) -> tuple[FloatArray, FloatArray]:
        """(z_m, level_db) of shot A→B, z from the span's A end, all points."""
        return self.side_ab.z(), self.ab.level_db

    def curve_ba(self) -> tuple[FloatArray, FloatArray]:
        """(z_m, level_db) of shot B→A on the same axis, z ascending."""
        return self.side_ba.z()[::-1], self.ba.level_db[::-1]


def measure(
    ab: Trace,
    ba: Trace,
    *,
    group_index: float | None = None,
    launch_m: float | None = None,
    receive_m: float | None = None,
    positions_m: tuple[float, ...] = (),
    false_alarm_rate: float = 0.001,
    shot_false_alarm_rate: float = 0.01,
    response: Response | tuple[Response | None, Response | None] | None = None,
) -> Measurement:
    """Pair two shots of one fibre and measure every position seen from either end.

    Parameters
    ----------
    ab, ba : Trace
        The shot from A and the shot from B.
    group_index : float, optional
        One index for both shots; that of ``ab`` by default.
    launch_m, receive_m : float, optional
        Cord lengths at the A end and at the B end in metres, if known.
    positions_m : tuple of float
        Further positions to measure at, metres from the span's A end.
    false_alarm_rate : float
        Chance of any false splice on a fibre that has none, both shots together.
    shot_false_alarm_rate : float
        The same for the events of one shot, of which the pair keeps what both shots support.
    response : Response or pair of Response or None, optional
        How the instrument answers, for both shots or for ``ab`` and ``ba``; where there is none,
        it is learnt from the shot.

    Returns
    -------
    Measurement

    Raises
    ------
    ShotsDoNotPair
        When the shots do not belong together, with the evidence.
    BadSetting
        When a stated cord length or position does not fit the fibre.
    """
    check_same_fibre_settings(ab, ba)
    index = group_index or ab.settings.group_index
    findings = _setting_findings(ab, ba, index, group_index)
    ab, ba = ab.facing(Direction.A_TO_B), ba.facing(Direction.B_TO_A)
    own = response if isinstance(response, tuple) else (response, response)
    seen_ab = detect(ab, index, false_alarm_rate=shot_false_alarm_rate, response=own[0])
    seen_ba = detect(ba, index, false_alarm_rate=shot_false_alarm_rate, response=own[1])
    if response is None:
        seen_ab, seen_ba = _alike(seen_ab, seen_ba, index, shot_false_alarm_rate)
    try:
        axis, axis_findings = find_axis(seen_ab, seen_ba, launch_m=launch_m, receive_m=receive_m)
    except ShotsDoNotPair as refused:
        raise _damaged(seen_ab, seen_ba) or refused from None
    rough = (
        RoughSide.of(seen_ab.shot, axis.start_a_m, axis.length_m, True),
        RoughSide.of(seen_ba.shot, axis.start_b_m, axis.length_m, False),
    )
    found, ghosts = seen_places(seen_ab, seen_ba, rough, axis)
    for z in positions_m:
        if not 0 < z < axis.length_m:
            raise BadSetting("position", f"{z:g} m", says("give-metres", length_m=axis.length_m))
        found = with_asked(found, z, rough)
    threshold = threshold_for(
        false_alarm_rate, axis.length_m, min(s.shot.pulse_m for s in rough), 2
    )
    places, fit = _searched(rough, found, threshold)
    sides = rough[0].renoised(fit, places), rough[1].renoised(fit, places)
    kept, fit = _pruned(sides, places, threshold)
    while kept != places:  # what was significant beside a place that fell may not be any more
        sides = _reweighted(sides, fit, kept)
        places, (kept, fit) = kept, _pruned(sides, kept, threshold)
    while (smooth := _smoothest(sides, fit, places)) is not None:
        places, fit = _pruned(sides, places[:smooth] + places[smooth + 1 :], threshold)
    looked = _with_twins(sides, places, fit)
    seams = _seams(sides, *looked) if looked else []
    if looked and seams:
        sides = _without_seams(sides, *looked, seams)
        kept = tuple(p for p in places if not any(p in seam.places for seam in seams))
        places, fit = _pruned(sides, kept, threshold)
    fit = with_bends(sides, fit, places)
    readings = readings_of(sides, places, fit, seen_ab, seen_ba, axis)
    sections, overall, u_overall = sections_of(places, fit, axis)
    return Measurement(
        ab, ba, seen_ab, seen_ba, axis, readings, sections, overall, u_overall,
        (
            tuple(findings) + axis_findings + tuple(ghosts) + seen_ab.findings + seen_ba.findings
            + tuple(note("seam", Scope.PAIR, distance_m=s.x_m, step_db=s.step_db) for s in seams)
            + table_findings(seen_ab) + table_findings(seen_ba)
        ),
        sides[0], sides[1], places, fit,
        told_by_glass(
            seen_ab, seen_ba, axis.start_a_m + axis.length_m + axis.start_b_m,
            starts_m=(launch_m, receive_m),
            more_m=tuple(axis.start_a_m + p.middle_m for p in places),
        ),
    )  # fmt: skip


def _alike(ab: Detection, ba: Detection, index: float, rate: float) -> tuple[Detection, Detection]:
    """Look again at a shot that does not show the slow tail that the other one does.

    Both are mostly one make's: what one shows may be below the noise of the other.
    """
    names = {one.shot.trace.identity.instrument for one in (ab, ba)} - {""}
    told = [
        one
        if one.shot.response.slow or not other.shot.response.slow or len(names) > 1
        else detect(
            one.shot.trace, index, false_alarm_rate=rate,
            response=replace(
                one.shot.response, slow=other.shot.response.slow,
                u_slow=U_SLOW * other.shot.response.slow, reach=other.shot.response.reach,
            ),
        )
        for one, other in ((ab, ba), (ba, ab))
    ]  # fmt: skip
    return told[0], told[1]


def _damaged(*shots: Detection) -> ShotsDoNotPair | None:
    """Tell shots that do not pair for points that no receiver saw; None where both are sound."""
    for seen in shots:
        broken = [
            finding.code
            for finding in shot_findings(seen, NoisePrints.of(seen.shot))
            if finding.severity is Severity.DEFECT
        ]
        if broken:
            return ShotsDoNotPair(
                Refusal.DAMAGED,
                says(
                    "no-reflected-light", file=seen.shot.trace.identity.path,
                    findings=", ".join(broken),
                ),
                says("copy-or-shoot-again"),
            )  # fmt: skip
    return None


def _setting_findings(ab: Trace, ba: Trace, index: float, stated: float | None) -> list[Finding]:
    findings: list[Finding] = []
    own = ab.settings.group_index, ba.settings.group_index
    apart = abs(own[0] - own[1])
    is_odd = stated is not None and not USUAL_INDEX[0] <= index <= USUAL_INDEX[1]
    if is_odd and min(abs(one / index - 1) for one in own) > INDEX_FAR:
        findings.append(
            caution(
                "index-differs", Scope.PAIR, "far",
                from_a_index=own[0], from_b_index=own[1], used_index=index,
            )
        )  # fmt: skip
    elif apart > 5e-6:
        # An index that somebody chose for both settles where every place is.
        grave = caution if stated is None and apart > INDEX_SPREAD * index else note
        findings.append(
            grave(
                "index-differs", Scope.PAIR, "chosen" if stated else "",
                from_a_index=own[0], from_b_index=own[1], used_index=index,
            )
        )  # fmt: skip
    same_a = ab.identity.location_a == ba.identity.location_a
    if same_a and ab.identity.location_a and ab.identity.location_a != ab.identity.location_b:
        findings.append(note("ends-typed-alike", Scope.PAIR, near_end=ab.identity.location_a))
    return findings


def _searched(
    sides: Sides, found: list[Place], threshold: float
) -> tuple[tuple[Place, ...], JointFit]:
    """Drop what both shots together do not support, and add what only both together show."""
    # Placed before anything is looked for beside them: a misplaced step leaves some of itself over.
    places = grouped(located(sides, list(grouped(found, sides))), sides)
    tried: set[float] = set()
    for _ in range(MOST_ROUNDS):
        kept, fit = _pruned(sides, grouped(compounded(sides, places), sides), threshold)
        # What was added before and fell again would only fall once more.
        more = [p for p in _scan(sides, kept, threshold) if p.start_m not in tried]
        if not more and kept == places:
            break
        tried.update(p.start_m for p in more)
        places = grouped(located(sides, list(kept) + more), sides)
        fit = _fit(sides, places)
        if not more:
            break
    return places, fit


def _fit(sides: Sides, places: tuple[Place, ...]) -> JointFit:
    """Fit the joint model with the sides' present weights."""
    return fit_sections(pair_sums(sides, places))


def _reweighted(
    sides: tuple[Side, Side], fit: JointFit, places: tuple[Place, ...]
) -> tuple[Side, Side]:
    """Return the sides with weights and response about the model of a fit."""
    ab, ba = (side.weighted(side.model(fit, places)) for side in sides)
    return ab, ba


def _scores(sides: Sides, fit: JointFit, steps: tuple[FloatArray, FloatArray]) -> FloatArray:
    """Likelihood ratio of each place over the directions that see it."""
    readings, covariance = steps
    seen = np.stack([flags[:-1] & flags[1:] for flags in (fit.seen_ab, fit.seen_ba)])
    # What a direction does not see has no say: reading 0, variance 1, no covariance.
    a, b = np.where(seen, readings.T, 0.0)
    rounding = np.array([[side.shot.rounding_db**2] for side in sides])
    var_a, var_b = np.where(seen, np.einsum("jkk->kj", covariance) + rounding, 1.0)
    shared = np.where(seen.all(axis=0), covariance[:, 0, 1], 0.0)
    square = a * a * var_b - 2 * a * b * shared + b * b * var_a
    return np.asarray(square / (var_a * var_b - shared * shared))


def _pruned(
    sides: Sides, places: tuple[Place, ...], threshold: float
) -> tuple[tuple[Place, ...], JointFit]:
    """Drop the least significant place until all are significant with the others in.

    Returns
    -------
    places : tuple of Place
        Those that stay.
    fit : JointFit
        With these places.
    """
    fit = _fit(sides, places)
    while places:
        z = np.array([p.middle_m for p in places])
        steps = fit.steps(z)
        scores = _scores(sides, fit, steps)
        scores[_in_shadow(sides, z, steps)] = 0.0
        scores[[p.reflective or p.asked for p in places]] = np.inf
        worst = int(np.argmin(scores))
        if scores[worst] > threshold:
            break
        places = places[:worst] + places[worst + 1 :]
        fit = _fit(sides, places)
    return places, fit


def _smoothest(sides: tuple[Side, Side], fit: JointFit, places: tuple[Place, ...]) -> int | None:
    """Index of the place that a smooth curve explains best and better than a step does, if any.

    A receiver's slow tail bends fibre; where no step would stand out of a bent line, none is there.
    """
    if not places:
        return None
    free = np.array([not (p.reflective or p.asked or p.members > 1) for p in places])
    free &= _scores(sides, fit, fit.steps(np.array([p.middle_m for p in places]))) < CLEAR_SCORE
    if not free.any():
        return None
    better = np.sum([np.maximum(side.curve_over_step(places, free), -1e9) for side in sides], 0)
    best = int(np.argmax(better))
    return best if better[best] > 0 else None


def _in_shadow(
    sides: Sides, z_m: FloatArray, steps: tuple[FloatArray, FloatArray]
) -> npt.NDArray[np.bool_]:
    """Places that are no more than what a much larger neighbour leaves over.

    That is the imperfect ramp of a splice, or the last of the receiver's tail behind a
    reflection: a small apparent loss, soon behind the dead zone, in that shot alone.
    """
    readings, covariance = steps
    size = np.abs(readings)
    reach = SHADOW_PULSES * max(s.shot.pulse_m for s in sides)
    near = np.abs(z_m[:, None] - z_m) < reach  # not of itself: nothing is smaller than itself
    smaller = (size[:, None] < SHADOW_SHARE * size).all(axis=2)
    shadow = np.any(near & smaller, axis=1)
    for k, side in enumerate(sides):
        shot, other = side.shot, 1 - k
        behind = side.x(z_m)[:, None] - side.peaks_m[1]
        soon = (behind > -shot.pulse_m) & (behind < TAIL_PULSES * shot.pulse_m)
        tail_like = (readings[:, k] > 0) & (readings[:, k] < TAIL_REMAINS_DB)
        unseen = size[:, other] < 3 * np.sqrt(covariance[:, other, other])
        shadow = shadow | (np.any(soon, axis=1) & tail_like & unseen)
    return np.asarray(shadow)


@dataclass(frozen=True, slots=True)
class _Seam:
    """A step at one distance from both instruments: where two of their gain ranges meet."""

    places: tuple[Place, Place]  # which only the shot from A shows, and only the one from B
    x_m: float  # from either front panel
    step_db: float  # level before less level behind
    at_m: tuple[float, float]  # where either shot shows it


def _with_twins(
    sides: tuple[Side, Side], places: tuple[Place, ...], fit: JointFit
) -> tuple[tuple[Place, ...], JointFit] | None:
    """Add the places where the other shot would show what one shot alone does if it is a seam.

    At its one distance a seam is looked for where no search of the whole shot would find it. None
    where no shot shows anything alone.
    """
    found = list(places)
    shown = _alone(places, fit, SEAM_SIGMAS)
    if not any(alone.any() for alone in shown):
        return None
    for k, alone in enumerate(shown):
        here, other = sides[k], sides[1 - k]
        for j in np.flatnonzero(alone).tolist():
            x = _sharp_m(here, places[j]) - other.shot.pulse_m / 2
            twin = float(other.z(np.array(x)))
            place = Place(twin, twin, u_m=other.shot.placing_m)
            inside = 0 < twin < here.length_m
            if inside and all(
                parted(p, place, sides) if p.start_m < twin else parted(place, p, sides)
                for p in found
            ):
                found.append(place)
    if len(found) == len(places):
        return places, fit
    places = tuple(sorted(found, key=attrgetter("start_m")))
    return places, _fit(sides, places)


def _sharp_m(side: Side, place: Place) -> float:
    """Where a step without a ramp stands that was placed as one with a ramp, from the panel."""
    return float(side.x(place.middle_m)) + side.shot.pulse_m / 2


def _alone(places: tuple[Place, ...], fit: JointFit, sigmas: float) -> list[npt.NDArray[np.bool_]]:
    """Places that the shot from A shows by so many sigmas, the other not at all; and vice versa.

    Only what is small and stands alone: what is larger, or several steps in one, is no seam but a
    splice that one direction hides.
    """
    readings, covariance = fit.steps(np.array([p.middle_m for p in places]))
    u = np.sqrt(np.einsum("jkk->jk", covariance))
    seen = np.stack([flags[:-1] & flags[1:] for flags in (fit.seen_ab, fit.seen_ba)], axis=1)
    plain = seen.all(axis=1) & np.array(
        [not (p.reflective or p.asked) and p.stop_m == p.start_m for p in places], bool
    )
    size, hidden = np.abs(readings), 3 * u + SEAM_SLACK_DB
    return [
        plain & (size[:, k] > sigmas * u[:, k]) & (size[:, k] < MOST_SEAM_DB)
        & (size[:, 1 - k] < hidden[:, 1 - k]) & (hidden[:, 1 - k] < size[:, k])
        for k in (0, 1)
    ]  # fmt: skip


def _seams(sides: tuple[Side, Side], places: tuple[Place, ...], fit: JointFit) -> list[_Seam]:
    """Pairs of places that are no splices: each shot shows one, equally far from its instrument.

    A splice shows at mirrored distances. Of a seam each shot shows its own alone, with the same
    size. (One in the very middle of a span cannot be told from a splice.)
    """
    readings, covariance = fit.steps(np.array([p.middle_m for p in places]))
    u = np.sqrt(np.einsum("jkk->jk", covariance))
    near_m = sum(side.shot.placing_m for side in sides)
    seen = _alone(places, fit, SEAM_SEEN_SIGMAS)
    found = []
    for i, j in product(*(np.flatnonzero(alone).tolist() for alone in seen)):
        sizes, u_sizes = np.array([readings[i, 0], readings[j, 1]]), np.array([u[i, 0], u[j, 1]])
        at_m = _sharp_m(sides[0], places[i]), _sharp_m(sides[1], places[j])
        apart = abs(at_m[0] - at_m[1]) - 3 * float(np.hypot(places[i].u_m, places[j].u_m))
        clear = (np.abs(sizes) > SEAM_SIGMAS * u_sizes).any()
        alike = abs(sizes[0] - sizes[1]) < 3 * float(np.hypot(*u_sizes)) + SEAM_SLACK_DB
        if i != j and clear and apart < near_m and alike:
            step_db = float(np.average(sizes, weights=u_sizes**-2))
            found.append(_Seam((places[i], places[j]), sum(at_m) / 2, step_db, at_m))
    return found


def _without_seams(
    sides: tuple[Side, Side], places: tuple[Place, ...], fit: JointFit, seams: list[_Seam]
) -> tuple[Side, Side]:
    """Lift what lies behind each seam by its step."""
    lifted = []
    for k, side in enumerate(sides):
        lift_db = np.zeros(side.shot.x_m.size)
        for seam in seams:
            lift_db[side.shot.x_m >= seam.at_m[k]] += seam.step_db
        power, level = side.shot.power * linear_power(lift_db), side.shot.level_db + lift_db
        shot = replace(side.shot, power=power, level_db=level)
        lifted.append(replace(side, shot=shot).weighted(side.model(fit, places) + lift_db))
    return lifted[0], lifted[1]


def _scan(sides: Sides, places: tuple[Place, ...], threshold: float) -> list[Place]:
    """Positions where both shots together show a step that is not in the model yet."""
    # A few places per pulse are enough: what is found is placed finely afterwards.
    step = min(max(s.shot.pulse_m / PLACES_PER_PULSE, s.shot.spacing_m) for s in sides)
    # Spacings that differ very much would ask for more places than both shots have points.
    step = max(step, sides[0].length_m / sum(s.shot.x_m.size for s in sides))
    z = np.arange(0.0, sides[0].length_m, step)
    edges = np.array([p.middle_m for p in places])
    section = np.searchsorted(edges, z)
    score = np.zeros(z.size)
    for side in sides:
        begin, stop = side.stretches(places)
        x = side.x(z)
        edges = np.minimum(stop, side.shot.signal_end_m)
        lo, hi = side.shot.cells.index(begin)[section], side.shot.cells.index(edges)[section]
        hi = np.maximum(lo, hi)
        a = np.minimum(np.maximum(side.shot.cells.index(x), lo), hi)
        b = np.minimum(np.maximum(side.shot.cells.index(x + side.shot.recovery_m), lo), hi)
        enough = (a - lo >= 3) & (hi - b >= 3)
        found = step_between(side.shot.cells.sums, (lo, a), (b, hi), x, side.shot.slope_prior)
        score += np.where(enough, found.score(0.0, side.shot.rounding_db), 0.0)
    more: list[Place] = []
    for m in np.unique(section[score > threshold]):
        inside = np.flatnonzero(section == m)
        at = float(z[inside[np.argmax(score[inside])]])
        place = Place(at, at)
        # What cannot be parted from a known place is that place's own imperfect ramp or tail.
        near = slice(max(int(m) - NEIGHBOURS, 0), int(m) + NEIGHBOURS)
        if all(
            parted(other, place, sides) if other.start_m < at else parted(place, other, sides)
            for other in places[near]
        ):
            more.append(place)
    return more
