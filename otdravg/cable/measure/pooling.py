"""What shots of one instrument say together of its receiver, for shots that do not show it.

A response belongs to an instrument and its settings, not to a fibre: all shots of a cable taken
with one instrument, wavelength, pulse and spacing have the same. A shot that shows nothing clean,
or something else than the others, is measured again with what the others show. Where all agree,
as they usually do, nothing is measured twice.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from math import hypot, sqrt
from statistics import median, median_low

from otdravg.cable.measure.jobs import Outcome, Sketch, measure_job, spread
from otdravg.cable.model import ShotRecord
from otdravg.shot.response import LEAST_U, SHORT, Response
from otdravg.shot.settings import Direction, ResponseSource

#: Records of the shots from A and from B.
Shots = tuple[ShotRecord | None, ShotRecord | None]
#: Instrument, its serial numbers, wavelength, pulse and spacing.
Setting = tuple[str, str, int | None, float, float]

#: A shot that differs from the others by more than so many combined uncertainties is not believed
#: (chosen, not derived: one in 370 by chance).
MOST_SIGMAS = 3.0
#: So many shots must have shown something for one of them to be the odd one (derived: of two,
#: either may be).
LEAST_SHOTS = 3


@dataclass(frozen=True, slots=True)
class Pool:
    """What the shots of one setting show: the response, how far they spread, how many they are.

    ``spread`` is relative: the standard deviation of the sum of the poles from shot to shot.
    """

    response: Response
    spread: float
    shots: int

    def doubts(self, own: Response) -> bool:
        """Whether a shot shows poles that differ from those of the others."""
        if self.shots < LEAST_SHOTS:
            return False
        width, pooled = sum(own.poles), sum(self.response.poles)
        if own.poles and self.response.poles:
            return abs(width - pooled) > MOST_SIGMAS * hypot(
                own.u_poles * width, self.spread * pooled
            )
        # Poles that short are left alone: a shot without them shows no more than that.
        longer, u = (width, own.u_poles) if own.poles else (pooled, self.spread)
        return longer - SHORT > MOST_SIGMAS * u * longer

    def knows_better(self, own: Response) -> bool:
        """Whether the others saw in reflections what a shot has from its splices' ramps alone."""
        seen = self.response.edges > 0 and self.shots >= LEAST_SHOTS
        return seen and own.edges == 0 and own.u_poles > MOST_SIGMAS * self.response.u_poles


def pool_of(responses: Iterable[Response]) -> Pool | None:
    """Put together what shots of one setting show; None where none shows anything.

    Returns
    -------
    Pool or None
        The same for any order of the responses.
    """
    learnt = [r for r in responses if r.source is ResponseSource.LEARNT]
    if not learnt:
        return None
    slow = sorted((r for r in learnt if r.poles), key=lambda r: (sum(r.poles), r.poles, r.u_poles))
    common = Response(
        smoothing=median_low(r.smoothing for r in learnt),
        in_db=2 * sum(r.in_db for r in learnt) > len(learnt),
        misfit=median(r.misfit for r in learnt),
        edges=sum(r.edges for r in learnt),
        source=ResponseSource.POOLED,
    )
    if 2 * len(slow) <= len(learnt):
        return Pool(common, 0.0, len(learnt))
    weights = [(max(r.u_poles, LEAST_U) * sum(r.poles)) ** -2 for r in slow]
    half, below, middle = sum(weights) / 2, 0.0, slow[-1]
    for one, weight in zip(slow, weights, strict=True):
        below += weight
        if below >= half:
            middle = one
            break
    width = sum(middle.poles)
    # 1.4826: standard deviation over median absolute deviation, of a normal distribution.
    apart = 1.4826 * median(abs(sum(r.poles) - width) for r in slow) / width
    spread = max(apart, median(r.u_poles for r in slow), LEAST_U)
    # √(π/2): how much less a median knows than a mean.
    u = max(sqrt(1.5708 / len(slow)) * spread, LEAST_U)
    common = replace(common, poles=middle.poles, damping=middle.damping, u_poles=u)
    return Pool(common, spread, len(learnt))


def with_pooled_responses(
    pairs: Sequence[Shots],
    outcomes: Sequence[Outcome],
    executor: Executor | None,
    beside: Iterable[tuple[Shots, Outcome]] = (),
) -> list[Outcome]:
    """Measure again, with what the others show, the pairs whose shots do not show it themselves.

    Parameters
    ----------
    pairs : sequence of Shots
        The shots of each outcome.
    outcomes : sequence of Outcome
    executor : concurrent.futures.Executor or None
    beside : iterable of (Shots, Outcome)
        Measured before, and heard here.
    """
    pools = _pools([*zip(pairs, outcomes, strict=True), *beside])
    result = list(outcomes)
    again = []
    for number, (shots, outcome) in enumerate(zip(pairs, outcomes, strict=True)):
        given = [
            _given(pools, shot, own) for shot, own in zip(shots, _responses(outcome), strict=True)
        ]
        if given == [None, None]:
            continue
        job = replace(outcome.job, response=(given[0], given[1]))
        if all(
            new is None or _same(new, own)
            for new, own in zip(given, _responses(outcome), strict=True)
        ):
            result[number] = _named(replace(outcome, job=job))
        else:
            again.append((number, job))
    for (number, _), outcome in zip(
        again, spread(measure_job, [job for _, job in again], executor), strict=True
    ):
        if outcome.axis is not None or result[number].axis is None:
            result[number] = outcome
    return result


def _setting(shot: ShotRecord | None) -> Setting | None:
    """What a response belongs to; None where the file does not name the instrument."""
    if shot is None or shot.identity is None or shot.settings is None:
        return None
    who, set_to = shot.identity, shot.settings
    if not who.instrument:
        return None
    return (
        who.instrument,
        who.serial,
        shot.taken_for.wavelength_nm,
        set_to.pulse_ns,
        set_to.spacing_s,
    )


def _pools(measured: Iterable[tuple[Shots, Outcome]]) -> dict[Setting, Pool]:
    seen: dict[Setting, dict[str, Response]] = defaultdict(dict)
    for shots, outcome in measured:
        for shot, response in zip(shots, _responses(outcome), strict=True):
            setting = _setting(shot)
            if setting is not None and shot is not None and response is not None:
                seen[setting][shot.path] = response  # once, in however many attempts it stands
    pools = {setting: pool_of(own.values()) for setting, own in seen.items()}
    return {setting: pool for setting, pool in pools.items() if pool is not None}


def _responses(outcome: Outcome) -> tuple[Response | None, Response | None]:
    ab, ba = outcome.sketch_ab, outcome.sketch_ba
    return (None if ab is None else ab.response, None if ba is None else ba.response)


def _given(
    pools: Mapping[Setting, Pool], shot: ShotRecord | None, own: Response | None
) -> Response | None:
    """What a shot is to be measured with: None where its own response stands."""
    setting = _setting(shot)
    pool = None if setting is None else pools.get(setting)
    if pool is None or own is None:
        return None
    if own.source is ResponseSource.NONE or pool.doubts(own) or pool.knows_better(own):
        return pool.response
    return None


def _same(one: Response, own: Response | None) -> bool:
    """Whether both lead to the same measurement."""
    return own is not None and (one.poles, one.smoothing) == (own.poles, own.smoothing)


def _named(outcome: Outcome) -> Outcome:
    """What was taken for granted is known now, and the measurement is the same."""
    ab, ba = outcome.job.response
    told = {d for d, r in ((Direction.A_TO_B, ab), (Direction.B_TO_A, ba)) if r is not None}
    return replace(
        outcome,
        sketch_ab=_with_response(outcome.sketch_ab, ab),
        sketch_ba=_with_response(outcome.sketch_ba, ba),
        findings=tuple(
            f for f in outcome.findings if f.code != "response-unknown" or f.where not in told
        ),
    )


def _with_response(sketch: Sketch | None, response: Response | None) -> Sketch | None:
    if sketch is None or response is None:
        return sketch
    return replace(sketch, response=response)
