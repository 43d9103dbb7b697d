"""Put two shots of one fibre on one axis, or say why they do not belong together.

In front-panel coordinates of each shot every point of the fibre has x_A + x_B = X, the
whole optical length between the two instruments, whatever cords are in use. X is found
by voting over all pairs of events; cords then say where the span lies in it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from otdravg.errors import BadSetting, Refusal, ShotsDoNotPair
from otdravg.findings import Finding, Scope, caution, says
from otdravg.fit.side import Axis, SpanStart
from otdravg.pair.same_glass import ONE_FIBRE, PROVED, Glass, Story, told_by_glass
from otdravg.shot.detect import Detection, Event, EventKind
from otdravg.shot.trace import Trace

FloatArray = npt.NDArray[np.float64]
IndexArray = npt.NDArray[np.intp]

#: Wavelengths further apart than this are different test wavelengths, nm. Chosen, not derived:
#: below the 25 nm between 1625 and 1650 nm, the closest that fibre is tested at, above the few nm
#: between two lasers of one label.
WAVELENGTH_TOLERANCE_NM = 15.0
#: A first connector further away than this is taken as part of the span, not a cord, m. Chosen,
#: not derived: launch cords come up to 1500 m (common practice, no source), and with room for the
#: index.
LONGEST_CORD_M = 1600.0
#: How late the receiver's rise may show the start of a reflection or a step, share of a pulse.
#: Chosen, not derived: a pole of 0.08 pulses puts the whole ramp late by its length, but the foot
#: of a steep rise by little.
REFLECTION_DELAY = 0.02
STEP_DELAY = 0.08
#: Steps below this do not speak against a pairing, dB. Chosen, not derived: the other shot may
#: show nothing of a loss that its backscatter step cancels.
CLEAR_STEP_DB = 0.02
#: Candidates for the axis that are looked at in full after the vote. Chosen, not derived: the true
#: one has the most votes or nearly; more only take time.
SHORTLIST = 24
#: A step up to this size does not speak against a launch cord (its own short-term unevenness).
#: Chosen, not derived: a splice between two makes of glass shows more from one end.
SPLICE_IN_CORD_DB = 0.05
#: Events of one shot that the other should show, with none that match, before shots are refused.
#: Chosen, not derived: one or two may be a ghost and a bend that came later.
LEAST_UNMATCHED = 3
#: Odds from which shots that do not pair are said to be from one end rather. Chosen, not derived:
#: a broken fibre looks as unlike from its two ends.
LIKELIER = 3.0
#: A step is clear from so many of its uncertainties on. Chosen, not derived: it must stand out
#: where the search found it and the other shot's noise is larger.
CLEAR_STEP_SIGMAS = 8.0
#: Lengths from both ends may differ by this share. Chosen, not derived: two time bases off by 1e-4
#: each, twice what instruments state (common practice, no source).
LENGTH_SLACK = 2e-4
#: A cord is no longer than this share of all there is. Chosen, not derived: two cords and a span
#: do not fit otherwise.
CORD_SHARE = 0.48


class _Points:
    """What the score of a total counts for it and against it, and what bounds that."""

    #: Points of the score of a total, and their bounds. Chosen, not derived: by how hard each is to
    #: explain in another way. A pair of reflections cannot be noise, a step that one shot misses is
    #: usual (its backscatter step cancels it), fibre behind the other instrument's panel cannot be.
    #: Only their ratios count, as the total with most points wins.
    BOTH_REFLECT = 2.0  # for: a pair of events that both reflect
    NEITHER_REFLECTS = 1.5
    ONE_REFLECTS = 0.4
    GAINS_LIGHT = 0.2  # a pair whose true loss would lie below zero
    GAIN_SIGMAS = 3.0  # by so many of its uncertainties
    GAIN_DB = 0.03  # and this much
    LOST_AT_EDGE = 0.5  # share of its points that a pair loses at the edge of the tolerance
    LONE_REFLECTION = 1.2  # against: the other shot should show it and does not
    LONE_STEP = 0.25
    ENDS_AT_CORD = 1.5  # for: a shot ends where the other one's cord is known to begin the span
    ENDS_AT_PANEL = 1.5
    ENDS_AT_FIRST_EVENT = 1.0
    HIDDEN_CORD = 3.0  # neither: a cord shorter than so many tolerances
    ENDS_BEHIND_PANEL = 0.5  # against: a cord longer than the other one's
    ENDS_FAR_BEHIND_PANEL = 3.0  # by more than any cord is long
    ENDS_ELSEWHERE = 0.5
    SEES_BEYOND = 1.0  # against: a shot shows fibre behind the other instrument's panel
    SEES_FAR_BEYOND = 3.0


def check_same_fibre_settings(ab: Trace, ba: Trace) -> None:
    """Refuse shots that cannot be two directions of one measurement.

    Raises
    ------
    ShotsDoNotPair
        Same waveform twice, or different wavelengths.
    """
    same_file = bool(ab.identity.sha256) and ab.identity.sha256 == ba.identity.sha256
    if same_file or (
        ab.level_db.size == ba.level_db.size and np.array_equal(ab.level_db, ba.level_db)
    ):
        raise ShotsDoNotPair(
            Refusal.SAME_CONTENT,
            says(
                "same-file" if same_file else "same-points", a=ab.identity.path,
                b=ba.identity.path, points=ab.level_db.size,
            ),
            says("find-other-end"),
        )  # fmt: skip
    wavelengths = ab.identity.wavelength_nm, ba.identity.wavelength_nm
    if abs(wavelengths[0] - wavelengths[1]) > WAVELENGTH_TOLERANCE_NM:
        raise ShotsDoNotPair(
            Refusal.WAVELENGTH,
            says(
                "two-wavelengths-shot", a=ab.identity.path, a_nm=wavelengths[0],
                b=ba.identity.path, b_nm=wavelengths[1],
            ),
            says("pair-one-wavelength"),
        )  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class _Marks:
    """Events of one shot as arrays for voting."""

    x: FloatArray
    u_x: FloatArray
    delay: FloatArray  # how late the receiver may show each event, m
    end_delay: float
    reflective: npt.NDArray[np.bool_]
    loss: FloatArray
    u: FloatArray
    first_x: float  # nothing is seen before
    last_x: float  # nothing is seen behind
    end_seen: bool
    tolerance: float
    start: float | None  # where the span is known to begin, from the user or the file

    @classmethod
    def of(cls, detection: Detection, stated: float | None) -> _Marks:
        shot = detection.shot
        offset, events = shot.user_offset_m, detection.marks
        reflective = np.array([e.kind is EventKind.REFLECTION for e in events], dtype=bool)
        of_end = bool(detection.events) and detection.events[-1].peak_height_db is not None
        steep = np.where([*reflective, of_end], REFLECTION_DELAY, STEP_DELAY)
        delay = np.hypot(steep * shot.pulse_m, 0.3 * shot.spacing_m)
        return cls(
            np.array([e.distance_m for e in events]),
            np.array([e.u_distance_m for e in events]),
            delay[:-1],
            float(delay[-1]),
            reflective,
            np.array([e.loss_db for e in events], dtype=float),  # NaN where there is none
            np.array([e.u_loss_db for e in events], dtype=float),
            float(shot.x_m[shot.front_clear]),
            detection.end_m,
            detection.end_seen,
            shot.placing_m,
            stated if stated is not None else (offset if offset > 0 else None),
        )


def find_axis(
    ab: Detection,
    ba: Detection,
    *,
    launch_m: float | None = None,
    receive_m: float | None = None,
) -> tuple[Axis, tuple[Finding, ...]]:
    """Find the common axis of two shots.

    Parameters
    ----------
    ab, ba : Detection
        Events of both shots, found with the same group index.
    launch_m, receive_m : float, optional
        Cord lengths at the A end and at the B end, if stated by the user.

    Returns
    -------
    Axis, tuple of Finding

    Raises
    ------
    ShotsDoNotPair
        With reason LENGTH, SAME_END or PATTERN and the evidence.
    """
    a, b = _Marks.of(ab, launch_m), _Marks.of(ba, receive_m)
    tolerance = a.tolerance + b.tolerance
    cords_a = _cord_guesses(ab, launch_m)
    cords_b = _cord_guesses(ba, receive_m)
    candidates = _shortlist(a, b, _candidates(a, b, cords_a, cords_b), tolerance)
    scores = _scores(a, b, candidates, tolerance)
    order = np.lexsort((candidates, -scores))
    total = float(candidates[order[0]])
    total, matches, residuals = _refine(a, b, total, tolerance)
    known_m = launch_m, receive_m
    if _at_equal_distances(a, b, tolerance) >= max(len(matches), 1):
        told = told_by_glass(ab, ba, total, starts_m=known_m)
        if told.log_odds_ends < -np.log(PROVED):
            raise _same_end(ab, ba, a, b, tolerance, told)
    start_a, basis_a = _span_start(ab, ba, a, b, total, tolerance, launch_m)
    start_b, basis_b = _span_start(ba, ab, b, a, total, tolerance, receive_m)
    # Crews put cords on both ends or on none: one lone connector belongs to the span.
    lone_m = None
    if basis_a is SpanStart.FIRST_CONNECTOR and start_b == 0:
        lone_m, start_a, basis_a = start_a, 0.0, SpanStart.LONE_CONNECTOR
    elif basis_b is SpanStart.FIRST_CONNECTOR and start_a == 0:
        lone_m, start_b, basis_b = start_b, 0.0, SpanStart.LONE_CONNECTOR
    length = total - start_a - start_b
    spread = float(np.std(residuals)) if len(residuals) > 1 else tolerance / 2
    u_length = max(spread / np.sqrt(max(len(residuals), 1)), 0.1 * tolerance / np.sqrt(3))
    axis = Axis(
        ab.shot.group_index, length, u_length, start_a, start_b, len(matches),
        tuple(float(r) for r in residuals), basis_a, basis_b, lone_m,
    )  # fmt: skip
    try:
        _refuse_length(ab, ba, a, b, axis, tolerance)
        _refuse_pattern(a, b, total, tolerance, matches)
    except ShotsDoNotPair:
        told = told_by_glass(ab, ba, total, starts_m=known_m)
        if told.log_odds_ends < -np.log(LIKELIER):  # the more likely reason
            raise _same_end(ab, ba, a, b, tolerance, told) from None
        raise
    findings: list[Finding] = []
    if not (a.end_seen or b.end_seen) and len(matches) == 1:
        # Any two events agree on some length: one pair of them proves nothing.
        findings.append(caution("pattern-unconfirmed", Scope.PAIR, "endless"))
    elif not len(matches):
        told = told_by_glass(ab, ba, total, starts_m=known_m)
        # A splice that one shot alone shows may be one whose loss the glass cancels.
        if not (told.places and a.end_seen and b.end_seen and told.is_related):
            findings.append(caution("pattern-unconfirmed", Scope.PAIR))
    for stated, marks, seen, end in ((launch_m, a, ab, "A"), (receive_m, b, ba, "B")):
        first = _first_event(seen)
        if stated is None or first is None or first.kind is not EventKind.REFLECTION:
            continue
        if not np.any(np.abs(np.append(marks.x, 0.0) - stated) < tolerance):
            findings.append(
                caution(
                    "cord-unconfirmed", seen.shot.trace.identity.direction,
                    stated_m=stated, end=end, first_m=first.distance_m,
                )
            )  # fmt: skip
    return axis, tuple(findings)


def _cord_guesses(detection: Detection, stated: float | None) -> list[float]:
    """Lengths that the cord in front of a shot may have."""
    if stated is not None:
        return [stated]
    offset = detection.shot.user_offset_m
    guesses = [0.0] + ([offset] if offset > 0 else [])
    first = _first_event(detection)
    if first is not None and first.distance_m < LONGEST_CORD_M:
        guesses.append(first.distance_m)
    return guesses


def _first_event(detection: Detection) -> Event | None:
    """The first reflection or step behind the front panel, small steps passed over."""
    for event in detection.events:
        if event.kind is EventKind.END:
            return None
        if event.kind is EventKind.REFLECTION or abs(event.loss_db or 0.0) > SPLICE_IN_CORD_DB:
            return event
    return None


def _candidates(a: _Marks, b: _Marks, cords_a: list[float], cords_b: list[float]) -> FloatArray:
    """Possible totals X: from all pairs of events, and from ends with possible cords."""
    sums = (a.x[:, None] + b.x[None, :]).ravel()
    ends: list[float] = []
    if a.end_seen:
        ends += [a.last_x + cord for cord in cords_b]
        sums = np.concatenate((sums, a.last_x + b.x))
    if b.end_seen:
        ends += [b.last_x + cord for cord in cords_a]
        sums = np.concatenate((sums, b.last_x + a.x))
    if not ends:
        ends = [max(a.last_x, b.last_x)]
    return np.concatenate((sums, ends))


def _shortlist(a: _Marks, b: _Marks, candidates: FloatArray, tolerance: float) -> FloatArray:
    """The candidates with most votes: pairs of events that agree with them, reflections double."""
    sums = (a.x[:, None] + b.x[None, :]).ravel()
    votes = (1.0 + (a.reflective[:, None] & b.reflective[None, :])).ravel()
    order = np.argsort(sums)
    running = np.concatenate(([0.0], np.cumsum(votes[order])))
    sums = sums[order]
    support = (
        running[np.searchsorted(sums, candidates + tolerance, side="right")]
        - running[np.searchsorted(sums, candidates - tolerance)]
    )
    # Candidates from the ends come last and always stay: they need no event at all.
    ends = candidates.size - SHORTLIST // 2
    best = np.argsort(-support, kind="stable")[:SHORTLIST]
    return candidates[np.unique(np.concatenate((best, np.arange(max(ends, 0), candidates.size))))]


@dataclass(frozen=True, slots=True, eq=False)
class _Matches:
    """Pairs of events that agree with a total: indices into both shots and the gap left."""

    a: IndexArray
    b: IndexArray
    gap_m: FloatArray

    def __len__(self) -> int:
        return self.a.size


def _matches(a: _Marks, b: _Marks, total: float, tolerance: float) -> _Matches:
    """Pairs of events that agree with ``total``, closest first, each event used once."""
    gap = a.x[:, None] + b.x[None, :] - total
    allowed = tolerance + 3 * np.hypot(a.u_x[:, None], b.u_x[None, :])
    distance = np.abs(gap)
    i, j = np.nonzero(distance < allowed)
    order = np.argsort(distance[i, j], kind="stable")
    used_a: set[int] = set()
    used_b: set[int] = set()
    kept: list[int] = []
    for k, first, second in zip(order.tolist(), i[order].tolist(), j[order].tolist(), strict=True):
        if first not in used_a and second not in used_b:
            used_a.add(first)
            used_b.add(second)
            kept.append(k)
    return _Matches(i[kept], j[kept], gap[i[kept], j[kept]])


def _visible(marks: _Marks, x: FloatArray, tolerance: float) -> npt.NDArray[np.bool_]:
    return (x > marks.first_x + tolerance) & (x < marks.last_x - tolerance)


def _scores(a: _Marks, b: _Marks, totals: FloatArray, tolerance: float) -> FloatArray:
    """How well each total X explains both shots; higher is better."""
    gap = np.abs(a.x[:, None] + b.x - totals[:, None, None])
    paired = gap < tolerance + 3 * np.hypot(a.u_x[:, None], b.u_x)
    for t in np.flatnonzero(
        (np.count_nonzero(paired, axis=1) > 1).any(axis=1)
        | (np.count_nonzero(paired, axis=2) > 1).any(axis=1)
    ).tolist():  # an event with several partners: the closest pairs count
        found = _matches(a, b, float(totals[t]), tolerance)
        paired[t] = False
        paired[t, found.a, found.b] = True
    # A true loss below zero is physically impossible beyond noise.
    loss, u = (a.loss[:, None] + b.loss) / 2, np.hypot(a.u[:, None], b.u) / 2
    gains = loss < -_Points.GAIN_SIGMAS * u - _Points.GAIN_DB
    weight = np.where(gains, _Points.GAINS_LIGHT, _Points.NEITHER_REFLECTS)
    weight[a.reflective[:, None] != b.reflective] = _Points.ONE_REFLECTS
    weight[a.reflective[:, None] & b.reflective] = _Points.BOTH_REFLECT
    closeness = 1 - _Points.LOST_AT_EDGE * np.minimum(gap / tolerance, 1.0) ** 2
    scores = np.einsum("tab,tab,ab->t", closeness, paired, weight)
    for marks, other, axis in ((a, b, 2), (b, a, 1)):
        missing = _visible(other, totals[:, None] - marks.x, tolerance) & ~paired.any(axis=axis)
        lone = np.where(marks.reflective, _Points.LONE_REFLECTION, _Points.LONE_STEP)
        scores -= np.einsum("ti,i->t", missing, lone)
        scores += [_end_points(marks, other, total, tolerance) for total in totals.tolist()]
    return np.asarray(scores)


def _end_points(marks: _Marks, other: _Marks, total: float, tolerance: float) -> float:
    """What the end of one shot says for a total, or against it."""
    if not marks.end_seen:
        if total < marks.last_x - LONGEST_CORD_M:
            return -_Points.SEES_FAR_BEYOND  # this shot shows more fibre than there would be
        return -_Points.SEES_BEYOND if total < marks.last_x - tolerance else 0.0
    place = total - marks.last_x  # of this shot's end, seen from the other instrument
    if other.start is not None and abs(place - other.start) < tolerance:
        return _Points.ENDS_AT_CORD
    if abs(place) <= tolerance:
        return _Points.ENDS_AT_PANEL  # of the other instrument
    if other.x.size and abs(float(other.x[0]) - place) < tolerance:
        return _Points.ENDS_AT_FIRST_EVENT  # its launch cord
    if place < -LONGEST_CORD_M:
        return -_Points.ENDS_FAR_BEHIND_PANEL
    if 0 < place < _Points.HIDDEN_CORD * tolerance:
        return 0.0  # a cord shorter than the dead zone
    # Behind the panel lies only a receive cord longer than the other's launch cord.
    return -_Points.ENDS_BEHIND_PANEL if place < -tolerance else -_Points.ENDS_ELSEWHERE


def _refine(
    a: _Marks, b: _Marks, total: float, tolerance: float
) -> tuple[float, _Matches, FloatArray]:
    """Least squares for X over the matched events; residuals in metres."""
    for _ in range(3):
        found = _matches(a, b, total, tolerance)
        sums = (a.x[found.a] + b.x[found.b]).tolist()
        # Short pulses and leading edges place best; the receiver delays both views of a splice.
        weights = (1 / (a.delay[found.a] ** 2 + b.delay[found.b] ** 2)).tolist()
        for marks, other in ((a, b), (b, a)):
            if marks.end_seen:
                # The end lies at the other instrument's panel or at one of its events.
                possible = np.append(other.x, 0.0) + marks.last_x
                near = np.abs(possible - total) < tolerance
                sums += list(possible[near])
                delays = np.append(other.delay, 0.0)[near]
                weights += list(1 / (marks.end_delay**2 + delays**2))
        if not sums:
            break
        before, total = total, float(np.average(sums, weights=weights))
        if total == before:
            break
    return total, found, a.x[found.a] + b.x[found.b] - total


def _at_equal_distances(a: _Marks, b: _Marks, tolerance: float) -> int:
    """Events of the first shot that the second one shows as far from its own instrument."""
    return int(np.count_nonzero((np.abs(a.x[:, None] - b.x) < tolerance).any(axis=1)))


def _same_end(
    ab: Detection, ba: Detection, a: _Marks, b: _Marks, tolerance: float, told: Glass
) -> ShotsDoNotPair:
    """Say why both shots are from one end, with the events that stand at equal distances."""
    gap = np.abs(a.x[:, None] - b.x)
    i = np.flatnonzero((gap < tolerance).any(axis=1))
    j = gap[i].argmin(axis=1) if b.x.size else i
    read = zip(a.loss[i].tolist(), b.loss[j].tolist(), strict=True)
    known = [(p, q) for p, q in read if math.isfinite(p + q)]
    readings = tuple(says("two-readings", a_db=p, b_db=q) for p, q in known[:4])
    names = ab.shot.trace.identity.path, ba.shot.trace.identity.path
    odds = round(float(np.exp(min(-told.log_odds_ends, np.log(1e5)))))
    likelihood = told.log_likelihood
    is_one = likelihood[Story.ONE_END] > likelihood[Story.TWO_FIBRES_ONE_END] - np.log(ONE_FIBRE)
    return ShotsDoNotPair(
        Refusal.SAME_END if is_one else Refusal.PATTERN,
        says(
            "events-alike", events=int(i.size), a=names[0], b=names[1], odds=odds,
            as_of=says("as-of-one-end" if is_one else "as-of-two-fibres"),
            readings=readings or (says("none-readable"),),
        ),
        says("find-other-end" if is_one else "compare-numbers"),
    )  # fmt: skip


def _span_start(
    own: Detection,
    other: Detection,
    marks: _Marks,
    other_marks: _Marks,
    total: float,
    tolerance: float,
    stated: float | None,
) -> tuple[float, SpanStart]:
    """Where the span begins in a shot: stated cord, user offset, or what the shots show."""
    if stated is not None:
        if not 0 <= stated < total:
            raise BadSetting("cord length", f"{stated:g} m", says("give-metres", length_m=total))
        return stated, SpanStart.STATED_CORD
    offset = own.shot.user_offset_m
    if 0 < offset < total:
        return offset, SpanStart.USER_OFFSET
    if other_marks.end_seen:
        place = total - other_marks.last_x
        if tolerance < place < LONGEST_CORD_M:
            here = marks.x[np.abs(marks.x - place) < tolerance]
            place = float(here[0]) if here.size else place
            return place, SpanStart.OTHER_SHOT_ENDS
    first = _first_event(own)
    if first is not None and first.distance_m < min(LONGEST_CORD_M, CORD_SHARE * total):
        near = np.abs(other_marks.x - (total - first.distance_m)) < tolerance
        # Points further apart than the pulse can miss a reflection: one shot showing it is enough.
        reflects = first.kind is EventKind.REFLECTION or bool(np.any(other_marks.reflective[near]))
        if np.any(near) and reflects:
            return first.distance_m, SpanStart.FIRST_CONNECTOR
    return 0.0, SpanStart.FRONT_PANEL


def _refuse_length(
    ab: Detection, ba: Detection, a: _Marks, b: _Marks, axis: Axis, tolerance: float
) -> None:
    """Refuse shots whose fibres are not equally long, naming the likeliest cause."""
    total = axis.start_a_m + axis.length_m + axis.start_b_m
    if axis.length_m <= 0:
        raise ShotsDoNotPair(
            Refusal.LENGTH,
            says("no-span-left", launch_m=axis.start_a_m, receive_m=axis.start_b_m, total_m=total),
            says("check-their-lengths"),
        )
    slack = 2 * tolerance + LENGTH_SLACK * total
    for marks, cord_m, basis in (
        (a, axis.start_b_m, axis.basis_b), (b, axis.start_a_m, axis.basis_a)
    ):  # fmt: skip
        far = total - cord_m
        if not marks.end_seen or abs(marks.last_x - far) < slack:
            continue
        # Otherwise the span must end at something that this shot shows, a receive cord's connector,
        # or at a cord that is stated: another crew's may be longer.
        connector = marks.x.size and float(np.min(np.abs(marks.x - far))) < slack
        stated = basis is SpanStart.STATED_CORD and cord_m > 0
        if far > marks.last_x or not (connector or stated):
            raise _lengths_differ(ab, ba, a, b, axis, slack)


def _lengths_differ(
    ab: Detection, ba: Detection, a: _Marks, b: _Marks, axis: Axis, slack: float
) -> ShotsDoNotPair:
    """Say why two shots do not share one span: an offset, one end, or fibres of two lengths."""
    names = ab.shot.trace.identity.path, ba.shot.trace.identity.path
    alike = a.end_seen and b.end_seen and abs(a.last_x - b.last_x) < slack
    offsets = tuple(
        says("offset-in", offset_m=start_m, file=name)
        for name, start_m, basis in (
            (names[0], axis.start_a_m, axis.basis_a), (names[1], axis.start_b_m, axis.basis_b)
        )
        if basis is SpanStart.USER_OFFSET
    )  # fmt: skip
    if alike and offsets:
        return ShotsDoNotPair(
            Refusal.LENGTH,
            says("offset-fits-nothing", offsets=offsets, length_m=a.last_x),
            says("offset-left-over"),
        )
    if alike:
        return ShotsDoNotPair(
            Refusal.PATTERN,
            says("equal-unmirrored", a=names[0], b=names[1], length_m=a.last_x),
            says("one-end-or-two-fibres"),
        )
    return ShotsDoNotPair(
        Refusal.LENGTH,
        says(
            "ends-apart-seen", from_a_m=a.last_x - axis.start_a_m,
            from_b_m=b.last_x - axis.start_b_m, length_m=axis.length_m, events=axis.matched,
        ),
        says("why-lengths-differ"),
    )  # fmt: skip


def _refuse_pattern(
    a: _Marks, b: _Marks, total: float, tolerance: float, matches: _Matches
) -> None:
    """Refuse shots of which several clear events should mirror and none does."""
    if len(matches) == 0 and _unmatched(a, b, total, tolerance, matches) >= LEAST_UNMATCHED:
        raise ShotsDoNotPair(
            Refusal.PATTERN,
            says("none-mirrored", from_a=a.x.size, from_b=b.x.size, within_m=float(tolerance)),
            says("check-same-fibre"),
        )


def _unmatched(
    a: _Marks,
    b: _Marks,
    total: float,
    tolerance: float,
    matches: _Matches,
) -> int:
    """Clear events that the other shot should have shown and did not."""
    count = 0
    for marks, other, used in ((a, b, matches.a), (b, a, matches.b)):
        least = np.maximum(CLEAR_STEP_DB, CLEAR_STEP_SIGMAS * marks.u)
        clear = marks.reflective | (np.abs(marks.loss) > least)
        clear[used] = False
        count += int(np.count_nonzero(clear & _visible(other, total - marks.x, tolerance)))
    return count
