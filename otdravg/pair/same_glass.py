"""Whether two shots are of one fibre and from its two ends: stories held against the readings.

At every place that either shot shows, or would show in one of the stories, both shots are read.
From opposite ends of one fibre the readings are l + b and l − b at mirrored places; from one end
they are one reading, taken twice, at equal distances; of two fibres of a cable they stand at the
same places and have nothing else in common; of two cables not even that.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

import numpy as np
import numpy.typing as npt

from otdravg.findings import Finding, Scope, caution
from otdravg.shot.detect import Detection, Event, EventKind
from otdravg.shot.settings import Identity
from otdravg.shot.steps import Search, alone_between

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

#: Odds from which a statement counts as proved. Chosen, not derived: common practice (no source)
#: for decisions on which work rests, and what the chance of a typing slip is held to be at most.
PROVED = 100.0
#: One fibre against two where one was asked for. Chosen, not derived: crews patch a wrong fibre
#: once in some thousand shots; then readings 25 times as likely of two fibres raise a doubt. Less,
#: and a bad splice between unlike glasses would, which from one end looks good.
ONE_FIBRE = 2500.0
#: Likelihood of one fibre against two that have nothing in common, from which splices that one shot
#: alone shows are taken for splices of both. Chosen, not derived: together with the odds that the
#: labels give (``ONE_FIBRE``) twenty-five thousand to one.
RELATED = 10.0
#: Share of places that no story knows (a splice that was touched, a ghost), of places that two
#: shots from one end do not show alike, and of ends that are not where they should be. Chosen, not
#: derived: what lies behind a dead zone, and little else, differs from one end.
ODD_PLACE, ODD_AGAIN, ODD_END = 0.003, 1e-4, 1e-3
#: A splice stands at a given place, and a reflection. Derived: a place is known to 12 m, a reel is
#: some 2 km long; one splice in five reflects, with connectors counted.
SPLICE_HERE, REFLECTS_HERE = 0.02, 0.004
#: One of two shots does not show a reflection that is there. Chosen, not derived: angled
#: connectors and dead zones.
REFLECTION_MISSED = 0.1
#: Losses of splices, dB: shares, means and standard deviations of normal parts, so that everything
#: here is a sum of normal densities. Chosen, not derived: four in five up to 0.15 dB as mass
#: fusion makes them (common practice, no source), the rest up to 2 dB, and next to none below 0.
LOSS_SHARE = np.array([0.21, 0.265, 0.225, 0.11, 0.05, 0.05, 0.04, 0.03, 0.02])
LOSS_DB = np.array([0.018, 0.04, 0.07, 0.11, 0.17, 0.27, 0.45, 0.80, 1.50])
LOSS_SPREAD_DB = np.array([0.010, 0.011, 0.019, 0.030, 0.046, 0.073, 0.12, 0.22, 0.40])
#: How good a cable's splices are, as a factor on all of them, each as likely as the next. Chosen,
#: not derived: the machine and the crew; a whole cable may be twice as bad as is usual.
LOSS_SCALES = np.array([0.8, 1.6])
#: Standard deviations of the backscatter steps of a cable, dB, each as likely as the next. Chosen,
#: not derived: from one batch of preforms to mixed reels, in steps by half.
STEP_SPREADS_DB = np.array([0.01, 0.02, 0.04, 0.07, 0.11, 0.17, 0.26])
#: Share of steps between unlike glasses in any cable, and their standard deviation, dB. Chosen, not
#: derived: mixed reels and repair lengths, mode fields of 8.6 to 9.2 µm and old glass of 10.4 give
#: up to 0.8 dB; to large-area fibre it may be 1.3 dB (10·log10 of the ratio).
UNLIKE_SHARE, UNLIKE_DB = 0.3, 0.25
#: A reading is worse than its noise by this, dB. Chosen, not derived: a cable that was
#: warmed or touched in between; ramps that are not quite a pulse.
MODEL_DB = 0.003
#: Odds beyond this say no more, as a logarithm. Derived: a hundred thousand to one.
LARGEST_LOG_ODDS = float(np.log(1e5))
#: Nothing is read here. Derived: so large that every story gives it the same density.
UNREAD_DB = 1e3
#: Clean cells that a reading needs on either side. Derived: of one cell no slope is known at all.
LEAST_CELLS = 2
#: Ends agree to so many of both shots' tolerances, and this share of the length. Chosen, not
#: derived: two time bases off by 1e-4 each.
END_TOLERANCES, END_SHARE = 2.0, 2e-4
#: Two shots from one end through cords of unequal length. Chosen, not derived: a crew that comes
#: back brings its cord; and the shift can then be any of a hundred.
SHIFTED = 1e-3
#: So many events, each so near to the next, are a receiver's tail. Chosen, not derived: no cable
#: has six splices in a hundred metres.
TAIL_RUN, TAIL_GAP_M = 6, 20.0


class Headers(Enum):
    """What both headers say of the ends, and the odds for opposite ends that this gives."""

    OPPOSITE = "opposite"
    SILENT = "silent"
    ALIKE = "alike"

    @property
    def odds(self) -> float:
        """Odds for opposite ends before the waveforms are looked at."""
        return HEADER_ODDS[self]


#: Odds for opposite ends by the headers. Chosen, not derived: whoever names one shot's file as from
#: A and one as from B is right ten times in eleven at least. Who typed the other end first was
#: there: then even the factor of up to 100 that a splice in the very middle gives for one end by
#: chance leaves the statement proved. One way typed twice is mostly left over from the first end.
HEADER_ODDS = {Headers.OPPOSITE: 1e4, Headers.SILENT: 10.0, Headers.ALIKE: 3.0}


def headers_of(ab: Identity, ba: Identity) -> Headers:
    """Compare the ends that both headers name: near end first, as the format has it."""
    near_a, far_a, near_b, far_b = (
        " ".join(text.split()).casefold()
        for text in (ab.location_a, ab.location_b, ba.location_a, ba.location_b)
    )
    if not near_a or not near_b:
        return Headers.SILENT
    if near_a != near_b:
        mirrored = far_a in ("", near_b) and far_b in ("", near_a)
        return Headers.OPPOSITE if mirrored else Headers.SILENT
    return (
        Headers.ALIKE
        if near_a != far_a and (far_a == far_b or not far_a or not far_b)
        else (Headers.SILENT)
    )


class Story(Enum):
    """What both shots may be of."""

    GOOD = "one fibre from opposite ends"
    ONE_END = "one fibre, twice from one end"
    TWO_FIBRES = "two fibres of a cable from opposite ends"
    TWO_FIBRES_ONE_END = "two fibres of a cable from one end"
    UNRELATED = "two fibres that have nothing in common"


@dataclass(frozen=True, slots=True, eq=False)
class Views:
    """What both shots show at the places of a link, all arrays of shape (J,).

    Places are in order from the panel of the first shot and mirror: place j is seen by the second
    shot as its j-th from the other end if both are from opposite ends, and as its own j-th if both
    are from one end. Readings in dB, a loss positive; where nothing is read 0 ± ``UNREAD_DB``.
    """

    x_db: FloatArray  # first shot
    u_x_db: FloatArray
    reflects_x: BoolArray  # at something with a loss, so that it is no echo
    visible_x: BoolArray  # within reach of the shot
    y_db: FloatArray  # second shot at the same distance from its own instrument
    u_y_db: FloatArray
    reflects_y: BoolArray
    visible_y: BoolArray

    @property
    def count(self) -> int:
        """Places at which something was read in both shots, from whichever ends."""
        read = self.u_x_db < UNREAD_DB, self.u_y_db < UNREAD_DB
        return int(
            max(np.count_nonzero(read[0] & read[1]), np.count_nonzero(read[0] & read[1][::-1]))
        )


@dataclass(frozen=True, slots=True)
class Glass:
    """What headers and waveforms say of two shots.

    Parameters
    ----------
    headers : Headers
    log_likelihood : dict
        Natural logarithm of the likelihood of each story, a constant common to all left out.
    places : int
        Places at which both shots were read.
    """

    headers: Headers
    log_likelihood: dict[Story, float]
    places: int

    @property
    def log_factor_ends(self) -> float:
        """How much more likely the waveforms are from opposite ends than from one, as a log."""
        return self._opposite - self._one_end

    @property
    def log_odds_ends(self) -> float:
        """Logarithm of the odds for opposite ends, headers and waveforms together."""
        return float(np.log(self.headers.odds)) + self.log_factor_ends

    @property
    def is_related(self) -> bool:
        """Whether the waveforms are far likelier of one fibre than of two of different cables."""
        told = self.log_likelihood
        return bool(told[Story.GOOD] - told[Story.UNRELATED] > np.log(RELATED))

    @property
    def log_factor_glass(self) -> float:
        """How much more likely the waveforms are of one fibre than of two, as a log."""
        odds = np.log(self.headers.odds)
        told = self.log_likelihood
        one = np.logaddexp(odds + told[Story.GOOD], told[Story.ONE_END])
        two = np.logaddexp(odds + self._other_opposite, told[Story.TWO_FIBRES_ONE_END])
        return float(one - two)

    @property
    def log_odds_glass(self) -> float:
        """Logarithm of the odds for one fibre."""
        return float(np.log(ONE_FIBRE)) + self.log_factor_glass

    @property
    def ends(self) -> tuple[float, float, float]:
        """Odds for opposite ends before the waveforms, the factor of these, the odds by both."""
        return (
            self.headers.odds,
            _bounded(self.log_factor_ends),
            _bounded(self.log_odds_ends),
        )

    @property
    def one_fibre(self) -> tuple[float, float, float]:
        """Odds for one fibre before the waveforms, the factor of these, the odds by both."""
        return ONE_FIBRE, _bounded(self.log_factor_glass), _bounded(self.log_odds_glass)

    @property
    def _other_opposite(self) -> float:
        told = self.log_likelihood
        two = np.logaddexp(told[Story.TWO_FIBRES], told[Story.UNRELATED])
        return float(two - np.log(2))

    @property
    def _opposite(self) -> float:
        return float(
            np.logaddexp(self.log_likelihood[Story.GOOD], self._other_opposite - np.log(ONE_FIBRE))
        )

    @property
    def _one_end(self) -> float:
        told = self.log_likelihood
        return float(
            np.logaddexp(told[Story.ONE_END], told[Story.TWO_FIBRES_ONE_END] - np.log(ONE_FIBRE))
        )


def glass_findings(told: Glass) -> tuple[Finding, ...]:
    """Doubt what is not proved: that the shots are from opposite ends, and of one fibre.

    The first statement has to be proved, since most pairs prove it. The second rests on the labels
    unless the waveforms speak against it.
    """
    findings = []
    prior_odds, factor, odds = told.ends
    if odds < PROVED:
        findings.append(
            caution(
                "one-end-possible", Scope.PAIR,
                prior_odds=prior_odds, factor=factor, odds=odds,
                asked_odds=PROVED, places=told.places,
            )
        )  # fmt: skip
    if told.log_factor_glass < 0 and told.log_odds_glass < np.log(PROVED):
        findings.append(
            caution(
                "two-fibres-likely", Scope.PAIR,
                factor=_bounded(-told.log_factor_glass), odds=_bounded(told.log_odds_glass),
                asked_odds=PROVED, places=told.places,
            )
        )  # fmt: skip
    return tuple(findings)


def _bounded(log_odds: float) -> float:
    """Odds to two digits, as far as they mean something."""
    return float(f"{np.exp(np.clip(log_odds, -LARGEST_LOG_ODDS, LARGEST_LOG_ODDS)):.2g}")


def told_by_glass(
    ab: Detection,
    ba: Detection,
    total_m: float,
    *,
    starts_m: tuple[float | None, float | None] = (None, None),
    more_m: tuple[float, ...] = (),
) -> Glass:
    """Hold all stories against two shots.

    Parameters
    ----------
    ab, ba : Detection
        What either shot shows.
    total_m : float
        From panel to panel, if the shots are from opposite ends.
    starts_m : pair of float or None
        Where the span starts behind either panel, if that was stated.
    more_m : tuple of float
        Further places to read at, metres from the panel of the first shot.
    """
    shots = _Shots(ab, ba, total_m, starts_m, more_m)
    told, places = shots.stories(0.0)
    shift_m = shots.better_shift_m()
    if shift_m is not None:
        other, _ = shots.stories(shift_m)
        # The places differ, and with them the constant: only ratios to the good story compare.
        for story in (Story.ONE_END, Story.TWO_FIBRES_ONE_END):
            shifted = other[story] - other[Story.GOOD] + told[Story.GOOD] + np.log(SHIFTED)
            told[story] = float(np.logaddexp(told[story], shifted))
    return Glass(headers_of(ab.shot.trace.identity, ba.shot.trace.identity), told, places)


def _marks(seen: Detection) -> list[Event]:
    """Events that places are made of; a row of them, closer than splices are, is a tail."""
    events = seen.marks
    if len(events) < TAIL_RUN:
        return events
    at = np.array([e.distance_m for e in events])
    run = np.cumsum(np.concatenate(([0], np.diff(at) > TAIL_GAP_M)))
    return [e for e, size in zip(events, np.bincount(run)[run], strict=True) if size < TAIL_RUN]


@dataclass(frozen=True, slots=True, eq=False)
class _Shots:
    """Two shots and what is known of how they lie."""

    ab: Detection
    ba: Detection
    total_m: float
    starts_m: tuple[float | None, float | None]
    more_m: tuple[float, ...]

    @property
    def tolerance_m(self) -> float:
        """How far two views of one place may be apart."""
        return self.ab.shot.placing_m + self.ba.shot.placing_m

    def better_shift_m(self) -> float | None:
        """How far the second shot may lie behind the first if both are from one end.

        ``None`` unless more events stand at equal distances so than unshifted, or than mirror.
        """
        at_a, at_b = (np.array([e.distance_m for e in _marks(d)]) for d in (self.ab, self.ba))
        gaps = np.sort((at_a[:, None] - at_b).ravel())
        if not gaps.size:
            return None
        near_m = self.tolerance_m
        support = np.searchsorted(gaps, gaps + near_m, side="right") - np.searchsorted(
            gaps, gaps - near_m
        )
        best = int(np.argmax(support))
        here = np.count_nonzero(np.abs(gaps) <= near_m)
        mirrored = np.count_nonzero(np.abs(at_a[:, None] + at_b - self.total_m) <= near_m)
        return float(gaps[best]) if support[best] > max(here, mirrored, 1) else None

    def stories(self, shift_m: float) -> tuple[dict[Story, float], int]:
        """Log-likelihood of every story if the second shot lies so far behind; and the places."""
        views = self.views(shift_m)
        told = likelihoods(views)
        slack_m = END_TOLERANCES * self.tolerance_m + END_SHARE * self.total_m
        odd = float(np.log(ODD_END))
        unexplained = self._unexplained_ends(slack_m)
        for story in (Story.GOOD, Story.TWO_FIBRES):
            told[story] += odd * unexplained
        if self.ab.end_seen and self.ba.end_seen:
            if abs(self.ab.end_m - self.ba.end_m - shift_m) > slack_m:
                told[Story.ONE_END] += odd
                told[Story.TWO_FIBRES_ONE_END] += odd
            if not unexplained:  # two cables are as long as each other once in a thousand
                told[Story.UNRELATED] += odd
        return told, views.count

    def _unexplained_ends(self, slack_m: float) -> int:
        """Ends of either shot that are neither at the other's panel nor at anything it shows."""
        count = 0
        for seen, other, start_m in zip(
            (self.ab, self.ba), (self.ba, self.ab), self.starts_m[::-1], strict=True
        ):
            shown = [e.distance_m for e in other.events]
            known = (0.0, start_m or 0.0, other.shot.user_offset_m)
            place_m = self.total_m - seen.end_m  # from the other panel
            away = all(abs(place_m - at) > slack_m for at in (*shown, *known))
            count += seen.end_seen and away and not self._cord_behind(seen, other, slack_m)
        return count

    def _cord_behind(self, seen: Detection, other: Detection, slack_m: float) -> bool:
        """Whether a shot shows the other one's first connector, so that it ends in a cord."""
        first = [e.distance_m for e in other.events if e.kind is EventKind.REFLECTION][:1]
        shown = [e.distance_m for e in seen.events if e.kind is EventKind.REFLECTION]
        return any(abs(self.total_m - far - at) < slack_m for far in first for at in shown)

    def views(self, shift_m: float) -> Views:
        """Read both shots at all places that a story needs."""
        whole_m = self.total_m + shift_m
        seen = [(e.distance_m, _extent(e, self.ab)) for e in _marks(self.ab)]
        seen += [(e.distance_m + shift_m, _extent(e, self.ba)) for e in _marks(self.ba)]
        begin, extent = np.array([*seen, *((m, 0.0) for m in self.more_m)]).reshape(-1, 2).T
        end = begin + extent
        start, stop = np.append(begin, whole_m - end), np.append(end, whole_m - begin)
        inside = (start > 0) & (stop < whole_m)
        start, stop = _clustered(start[inside], stop[inside], self._parting_m())
        return Views(*_read(self.ab, start, stop), *_read(self.ba, start - shift_m, stop - shift_m))

    def _parting_m(self) -> float:
        """Places nearer than this are read as one: the shots cannot part them."""
        apart = [
            d.shot.recovery_m + d.shot.guard_m
            + LEAST_CELLS * d.shot.cells.cell_m
            for d in (self.ab, self.ba)
        ]  # fmt: skip
        return max(*apart, self.tolerance_m)


# -- readings --------------------------------------------------------------------------


def _extent(event: Event, seen: Detection) -> float:
    if event.kind is not EventKind.GROUP:
        return 0.0
    return max(event.clear_m - event.distance_m - seen.shot.recovery_m, 0.0)


def _clustered(
    start: FloatArray, stop: FloatArray, parting_m: float
) -> tuple[FloatArray, FloatArray]:
    """Join what cannot be parted; what mirrors goes on doing so."""
    order = np.argsort(start)
    start, stop = start[order], np.maximum.accumulate(stop[order])
    if not start.size:
        return start, stop
    split = start[1:] - stop[:-1] > parting_m
    split = split | split[::-1]
    first = np.concatenate(([True], split))
    last = np.concatenate((split, [True]))
    return start[first], stop[last]


def _read(
    seen: Detection, start: FloatArray, stop: FloatArray
) -> tuple[FloatArray, FloatArray, BoolArray, BoolArray]:
    """One-way readings across places of one shot, their uncertainty, and what else shows."""
    shot = seen.shot
    reach_m = seen.end_m - max(shot.guard_m, shot.placing_m)
    visible = (start > shot.x_m[shot.front_clear]) & (stop + shot.pulse_m < reach_m)
    events = seen.before_end
    known = np.array([(e.distance_m, e.clear_m) for e in events]).reshape(-1, 2)
    connector = np.array(
        [e.kind is EventKind.REFLECTION and e.has_loss for e in events], dtype=bool
    )
    here = (start[:, None] - shot.placing_m <= known[:, 0]) & (
        known[:, 0] <= stop[:, None] + shot.placing_m
    )
    first, last = np.where(here, known[:, 0], np.inf), np.where(here, known.T[:, None], -np.inf)
    begin = np.minimum(start, first.min(axis=1, initial=np.inf))
    place, clear = last.max(axis=2, initial=-np.inf)
    clear = np.maximum(stop + shot.recovery_m, clear)
    alone = ~here.any(axis=1)
    place, extent = np.where(alone, (start + stop) / 2, place), np.where(alone, stop - start, 0.0)
    reflects = (here & connector).any(axis=1)
    if not start.size:
        return start, start, reflects, visible
    search = Search.of(shot)
    own = np.stack([begin, clear], axis=1)
    lo, hi = alone_between(search, np.concatenate([own, known[~here.any(axis=0)]]), begin, reach_m)
    at = begin - shot.guard_m
    step = search.step(lo, at, clear, hi)
    short = (search.index(at) - lo < LEAST_CELLS) | (hi - search.index(clear) < LEAST_CELLS)
    remains = search.remains_db[np.minimum(search.index(clear), search.remains_db.size - 1)]
    # The lines are compared at the event, or where in the place one would be.
    before, after = step.slopes
    bend = before - after
    loss = step.loss_db + bend * (place - at)
    inside = np.abs(bend) * extent / np.sqrt(12)
    u = np.sqrt(step.variance_db2 + shot.rounding_db**2 + MODEL_DB**2 + remains**2 + inside**2)
    unread = short | ~np.isfinite(loss) | ~np.isfinite(u) | reflects | ~visible
    return (
        np.where(unread, 0.0, loss), np.where(unread, UNREAD_DB, u), reflects, visible
    )  # fmt: skip


# -- stories ---------------------------------------------------------------------------


def likelihoods(views: Views) -> dict[Story, float]:
    """Log-likelihood of every story; the steps of the glass have any of the usual spreads.

    Notes
    -----
    With losses a sum of normal parts (share p, mean m, variance v) and steps of variance s, two
    readings of one splice are normal with mean (m, m), variances v + s + u² and covariance v − s
    from opposite ends, v + s from one end. Without a splice both are zero within u. Readings of
    two fibres are independent.
    """
    x, y = (views.x_db, views.u_x_db**2), (views.y_db, views.u_y_db**2)
    z = y[0][::-1], y[1][::-1]  # the second shot, mirrored
    log_x, log_y = _log_alone(*x), _log_alone(*y)
    log_z = log_y[:, ::-1]
    none_x, none_y = _log_normal(*x), _log_normal(*y)
    none_z = none_y[::-1]
    here, not_here = np.log(SPLICE_HERE), np.log1p(-SPLICE_HERE)

    def either(none: FloatArray, splice: FloatArray) -> FloatArray:
        return np.asarray(np.logaddexp(not_here + none, here + splice))

    any_x, any_y = either(none_x, log_x), either(none_y, log_y)
    any_z = any_y[:, ::-1]

    def of_one(both: FloatArray, alone: FloatArray, odd: float) -> FloatArray:
        return np.asarray(np.logaddexp(np.log1p(-odd) + both, np.log(odd) + alone))

    two_mirrored = either(none_x + none_z, log_x + log_z)
    two_unmirrored = either(none_x + none_y, log_x + log_y)
    one_mirrored = either(none_x + none_z, _log_twice(x, z, -1.0))
    one_unmirrored = either(none_x + none_y, _log_twice(x, y, 1.0))
    mirrored = _log_reflections(views, mirrored=True)
    unmirrored = _log_reflections(views, mirrored=False)
    independent = _log_reflections(views, mirrored=None)
    each = {
        Story.GOOD: (of_one(one_mirrored, any_x + any_z, ODD_PLACE), mirrored),
        Story.ONE_END: (of_one(one_unmirrored, any_x + any_y, ODD_AGAIN), unmirrored),
        Story.TWO_FIBRES: (two_mirrored, mirrored),
        Story.TWO_FIBRES_ONE_END: (two_unmirrored, unmirrored),
        Story.UNRELATED: (any_x + any_z, independent),
    }
    return {
        story: _log_mean(values.sum(axis=1)) + reflections
        for story, (values, reflections) in each.items()
    }


def _log_mean(values: FloatArray) -> float:
    """Logarithm of the mean of what the logarithms are given of."""
    top = float(values.max())
    return top + float(np.log(np.mean(np.exp(values - top))))


def _log_normal(value: FloatArray, variance: FloatArray) -> FloatArray:
    return np.asarray(-0.5 * (value**2 / variance + np.log(2 * np.pi * variance)))


def _parts() -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Log share, mean, variance of loss and of step of all parts of all cables, (G, parts, 1)."""
    scale, spread = (
        g.reshape(-1, 1, 1) for g in np.meshgrid(LOSS_SCALES, STEP_SPREADS_DB, indexing="ij")
    )
    unlike = np.repeat([0.0, 1.0], LOSS_DB.size)[:, None]
    share = np.log(np.outer([1 - UNLIKE_SHARE, UNLIKE_SHARE], LOSS_SHARE).reshape(1, -1, 1))
    mean, loss_spread = (scale * np.tile(v, 2)[:, None] for v in (LOSS_DB, LOSS_SPREAD_DB))
    return share, mean, loss_spread**2, np.where(unlike, UNLIKE_DB, spread) ** 2


_SHARE, _MEAN, _LOSS, _STEP = _parts()


def _log_sum(values: FloatArray) -> FloatArray:
    """Logarithm of the sum over the parts, shape (G, J) from (G, parts, J)."""
    top = values.max(axis=1)
    return np.asarray(top + np.log(np.exp(values - top[:, None]).sum(axis=1)))


def _log_alone(value: FloatArray, variance: FloatArray) -> FloatArray:
    """Log density of one reading of a splice, shape (G, J)."""
    return _log_sum(_SHARE + _log_normal(value - _MEAN, _LOSS + _STEP + variance))


def _log_twice(
    one: tuple[FloatArray, FloatArray], other: tuple[FloatArray, FloatArray], sign: float
) -> FloatArray:
    """Log density of two readings of one splice, shape (G, J); sign −1: from opposite ends."""
    a, b = _LOSS + _STEP + one[1], _LOSS + _STEP + other[1]
    c = _LOSS + sign * _STEP
    determinant = a * b - c * c
    p, q = one[0] - _MEAN, other[0] - _MEAN
    square = (b * p * p - 2 * c * p * q + a * q * q) / determinant
    return _log_sum(_SHARE - 0.5 * (square + np.log(4 * np.pi**2 * determinant)))


def _log_reflections(views: Views, mirrored: bool | None) -> float:
    """Log probability of the reflections that both shots show; of two cables if ``None``."""
    x, y, visible = views.reflects_x, views.reflects_y, views.visible_x & views.visible_y
    if mirrored:
        y, visible = y[::-1], views.visible_x & views.visible_y[::-1]
    both, any_of_two = np.count_nonzero(x & y), np.count_nonzero(x | y)
    if mirrored is None:
        return float(np.log(REFLECTS_HERE) * (both + any_of_two))
    missed = np.count_nonzero((x ^ y) & visible)
    return float(
        np.log(REFLECTS_HERE) * any_of_two
        + np.log1p(-REFLECTION_MISSED) * both
        + np.log(REFLECTION_MISSED) * missed
    )
