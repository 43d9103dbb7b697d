"""Shots that nobody has taken yet: their noise, reach and dead zones, and what they could measure.

A predicted shot is a noise-free one with the noise model that it would have. It goes through
the same code as a measured shot (:class:`otdravg.fit.side.Side`,
:func:`otdravg.fit.joint.fit_sections`), so the uncertainty foretold and the one stated after the
measurement come from the same matrices.

Noise is carried from one setting to another as a density: the variance of a mean over one
metre of fibre, which is all that a fitted line feels.

* Receiver: standard deviation of the power falls with the square root of the averages, the
  signal grows with the pulse. White noise has the same density at low frequency whatever the
  bandwidth, so that points and bandwidth need not be known. An instrument that turns to a
  quieter receiver for long pulses does better than foretold.
* Coherence ripple: falls with the square root of the pulse and is correlated over the pulse,
  so its density does not depend on the pulse. No averaging lowers it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import Enum

import numpy as np
import numpy.typing as npt

from otdravg.errors import BadSetting
from otdravg.findings import says
from otdravg.fit.joint import JointFit, fit_sections
from otdravg.fit.side import Place, RoughSide, Side, pair_sums
from otdravg.pair.places import all_parted, parted
from otdravg.shot.noise import DB_PER_RELATIVE_POWER, NoiseModel, Rounding, linear_power
from otdravg.shot.reflections import Contour, Floor, Peak
from otdravg.shot.response import Response
from otdravg.shot.settings import SPEED_OF_LIGHT_M_PER_S, Direction, Identity, Settings
from otdravg.shot.shot import CELLS_PER_PULSE, LARGEST_SPAN_DB, Cells, Shot, make_cells
from otdravg.shot.trace import Trace

FloatArray = npt.NDArray[np.float64]

#: Points per pulse and most points of a record (common practice, no source).
_POINTS_PER_PULSE = 8
_MOST_POINTS = 60_000
#: Share of the signal, from the front panel on, that tells the launch level.
_FRONT_SHARE = 0.15
#: An edge is not spread over more pulse lengths; what a noisy shot says beyond it is noise.
_WIDEST_EDGE = 1.0
#: A record has to be this much longer than the fibre (common practice, no source).
_RECORD_MARGIN = 1.25


@dataclass(frozen=True, slots=True)
class Receiver:
    """What an instrument sees of a fibre, apart from pulse, averaging time and point spacing.

    Parameters
    ----------
    receiver_db2_m : float
        Receiver noise: variance of a mean over 1 m in dB², at the launch level of a 1 ns
        pulse after 1 s of averaging.
    ripple_db2_m : float
        Coherence ripple: variance of a mean over 1 m in dB², any pulse.
    quantum_db : float
        Step in which the file stores levels.
    shared : float
        Receiver noise: long-run variance over that of a single point.
    edge_pulses : float
        Length that a sharp edge is spread over, in pulse lengths.
    connector_pulses : float
        Dead zone of a connector in pulse lengths.
    attenuation_db_per_km : float
        Of the fibre.
    finest_spacing_m : float or None
        Point spacing that is not undercut; ``None`` = free.
    range_m : float
        Range of the record that ``receiver_db2_m`` holds for: in the same time a longer one
        takes fewer averages.
    """

    receiver_db2_m: float
    ripple_db2_m: float
    quantum_db: float
    shared: float
    edge_pulses: float
    connector_pulses: float
    attenuation_db_per_km: float
    finest_spacing_m: float | None
    range_m: float


@dataclass(frozen=True, slots=True)
class Route:
    """A fibre to be shot: what is on it, in metres from the A end, and its cords.

    ``losses_db`` has one figure per place: what a shot's level falls there.
    """

    length_m: float
    places: tuple[Place, ...]
    losses_db: tuple[float, ...]
    launch_m: float = 0.0
    receive_m: float = 0.0
    group_index: float = 1.4682

    @property
    def total_m(self) -> float:
        """Length with both cords."""
        return self.launch_m + self.length_m + self.receive_m

    def pulse_m(self, pulse_ns: float) -> float:
        """One-way length c·W/(2n) of a pulse on the trace."""
        return SPEED_OF_LIGHT_M_PER_S * pulse_ns * 1e-9 / (2 * self.group_index)


class Obstacle(Enum):
    """Why a place cannot be measured in a direction."""

    REACH = "the signal does not reach it"
    JOINED = "a neighbour lies inside the pulse"


@dataclass(frozen=True, slots=True)
class Expectation:
    """What two shots would know of one place; standard uncertainties in dB, ``None`` = nothing.

    ``obstacle_ab`` and ``obstacle_ba`` say why not. ``neighbour_m`` is the position, from the
    A end, of what the place cannot be parted from (0 and the span length are the ends).
    """

    u_ab_db: float | None
    u_ba_db: float | None
    u_loss_db: float | None
    obstacle_ab: Obstacle | None
    obstacle_ba: Obstacle | None
    neighbour_m: float | None

    @property
    def expanded_db(self) -> float | None:
        """Expanded uncertainty of the true loss, k = 2."""
        return None if self.u_loss_db is None else 2 * self.u_loss_db


def receiver_of(shot: Shot, averaging_s: float) -> Receiver:
    """Read an instrument's noise off a measured shot.

    Parameters
    ----------
    shot : Shot
        A measured shot with its noise model.
    averaging_s : float
        How long it was averaged.

    Raises
    ------
    BadSetting
        If too little clean fibre follows the front panel to know the launch level.
    """
    noise, spacing = shot.noise, shot.spacing_m
    slope = shot.slope_db_per_m
    cells = shot.cells
    front_m = float(shot.x_m[shot.front_clear])
    reach_m = front_m + _FRONT_SHARE * (shot.signal_end_m - front_m)
    clean = (cells.weight > 0) & (cells.x_m <= reach_m)
    if not clean.any():
        raise BadSetting("like", shot.trace.identity.path, says("like-clean"))
    launch_db = float(np.median((cells.level_db - slope * cells.x_m)[clean]))
    at_launch_db2 = noise.receiver_long_run_db2 * math.exp(-2 * launch_db / DB_PER_RELATIVE_POWER)
    quantum_db2 = shot.trace.settings.quantum_db**2 / 12
    single = noise.receiver_db2
    pulse_ns = shot.trace.settings.pulse_ns
    return Receiver(
        receiver_db2_m=at_launch_db2 * spacing * pulse_ns**2 * averaging_s,
        ripple_db2_m=max(noise.constant_long_run_db2 - quantum_db2, 0.0) * spacing,
        quantum_db=shot.trace.settings.quantum_db,
        shared=max(noise.receiver_long_run_db2 / single, 1.0) if single > 0 else 1.0,
        edge_pulses=min((shot.smoothing - 1) * spacing / shot.pulse_m, _WIDEST_EDGE),
        connector_pulses=max(front_m / shot.pulse_m, 1.0),
        attenuation_db_per_km=max(-slope * 1000, 0.0),
        finest_spacing_m=spacing,
        range_m=float(shot.x_m[-1]),
    )


def predicted_side(
    receiver: Receiver, route: Route, pulse_ns: float, averaging_s: float, *, forward: bool
) -> Side:
    """Foretell one shot of a route, ready to be fitted; ``forward`` is A→B."""
    start_m = route.launch_m if forward else route.receive_m
    pulse_m = route.pulse_m(pulse_ns)
    wanted_m = pulse_m / _POINTS_PER_PULSE
    if receiver.finest_spacing_m is not None:
        wanted_m = min(receiver.finest_spacing_m, pulse_m / 4)
    spacing_m = max(wanted_m, route.total_m / _MOST_POINTS)
    x = np.arange(0.0, route.total_m + spacing_m / 2, spacing_m)
    level = -receiver.attenuation_db_per_km * x / 1000
    reflectors = [0.0, route.length_m] if route.launch_m > 0 or route.receive_m > 0 else []
    reflectors += [p.start_m for p in route.places if p.reflective]
    for place, loss_db in zip(route.places, route.losses_db, strict=True):
        at_m = place.middle_m if forward else route.length_m - place.middle_m
        level = np.where(x > start_m + at_m, level - loss_db, level)
    level = np.clip(level, -LARGEST_SPAN_DB, LARGEST_SPAN_DB)  # beyond, nothing is received anyway
    dead_m = receiver.connector_pulses * pulse_m
    front = _index(x, dead_m)
    in_peak = x < dead_m
    peaks = []
    for z_m in sorted(reflectors):
        at_m = start_m + (z_m if forward else route.length_m - z_m)
        if not 0 < at_m < x[-1]:
            continue
        first, clear = _index(x, at_m), _index(x, at_m + dead_m)
        peaks.append(Peak(first, first, clear, math.nan, False))
        in_peak[first:clear] = True
    noise = _noise(receiver, route, pulse_ns, averaging_s, spacing_m)
    width = max(int(pulse_m / spacing_m // CELLS_PER_PULSE), 1)
    power, slope = linear_power(level), -receiver.attenuation_db_per_km / 1000
    shot = Shot(
        trace=_trace(level, route, receiver, pulse_ns, averaging_s, spacing_m, forward=forward),
        group_index=route.group_index,
        x_m=x,
        power=power,
        level_db=level,
        response=Response(),
        means=(1 + round(receiver.edge_pulses * pulse_m / spacing_m),),
        blind=(),
        blank=x.size,
        quantum_db=receiver.quantum_db,
        rounding=Rounding.of(receiver.quantum_db, math.inf, 0.0),
        contour=Contour.of(level, power, pulse_m / spacing_m, slope * spacing_m),
        pulse_m=max(pulse_m, spacing_m),
        spacing_m=spacing_m,
        floor=Floor(True, 0.0, noise.receiver_sigma_power),
        start=0,
        end=x.size - 1,
        fall=x.size - 1,
        front_clear=front,
        peaks=tuple(sorted(peaks, key=lambda p: p.first)),
        in_peak=in_peak,
        noise=noise,
        slope_db_per_m=slope,
        u_slope_db_per_m=0.0,
        cells=Cells.none(width, width * spacing_m),
    )
    return RoughSide.of(
        replace(shot, cells=make_cells(shot, width)), start_m, route.length_m, forward
    ).weighted(level)


def expected(
    sides: tuple[Side, Side], places: tuple[Place, ...], spreads: tuple[float, float]
) -> tuple[Expectation, ...]:
    """Say what two shots would know of every place, one expectation per place.

    Places that a shot cannot part are measured as one, as in the measurement: none of them has
    a loss of its own. ``spreads`` are those of :func:`otdravg.fit.joint.fit_sections`.
    """
    groups: list[list[int]] = []
    merged: list[Place] = []
    apart = all_parted(places, sides)
    for k, place in enumerate(places):
        # Only what has grown must be compared again.
        if k and not (
            apart[k - 1] if merged[-1] is places[k - 1] else parted(merged[-1], place, sides)
        ):
            groups[-1].append(k)
            merged[-1] = replace(
                merged[-1],
                stop_m=place.stop_m,
                reflective=merged[-1].reflective or place.reflective,
                members=merged[-1].members + 1,
            )
        else:
            groups.append([k])
            merged.append(place)
    if not merged:
        return ()
    alone = tuple(merged)
    fit = fit_sections(pair_sums(sides, alone), spreads)
    _, covariance = fit.steps(np.array([p.middle_m for p in alone]))
    result: list[Expectation] = []
    for j, group in enumerate(groups):
        for k in group:
            if len(group) > 1:
                near = [places[i].middle_m for i in group if i != k]
                nearest = min(near, key=lambda z: abs(z - places[k].middle_m))
                joined = Obstacle.JOINED
                result.append(Expectation(None, None, None, joined, joined, nearest))
            else:
                result.append(_expectation(sides, alone, fit, covariance[j], j))
    return tuple(result)


def _expectation(
    sides: tuple[Side, Side],
    places: tuple[Place, ...],
    fit: JointFit,
    covariance: FloatArray,
    j: int,
) -> Expectation:
    seen = [bool(s[j] and s[j + 1]) for s in (fit.seen_ab, fit.seen_ba)]
    u = [float(np.sqrt(covariance[k, k])) if seen[k] else None for k in (0, 1)]
    half = np.array([0.5, 0.5])
    obstacles: list[Obstacle | None] = [None, None]
    neighbour_m = None
    edges = [0.0, *(p.middle_m for p in places), sides[0].length_m]
    for k, (side, flags) in enumerate(zip(sides, (fit.seen_ab, fit.seen_ba), strict=True)):
        if seen[k]:
            continue
        used = np.flatnonzero(side.weight > 0)
        reach_m = float(side.shot.x_m[used[-1]]) if used.size else 0.0
        if float(side.x(places[j].middle_m)) + side.shot.recovery_m >= reach_m:
            inside = side.start_m + side.length_m - reach_m < side.shot.recovery_m
            obstacles[k] = Obstacle.JOINED if inside else Obstacle.REACH
        else:
            obstacles[k] = Obstacle.JOINED
        if obstacles[k] is Obstacle.JOINED:
            neighbour_m = edges[j] if not flags[j] else edges[j + 2]
    return Expectation(
        u[0],
        u[1],
        float(np.sqrt(half @ covariance @ half)) if all(seen) else None,
        obstacles[0],
        obstacles[1],
        neighbour_m,
    )


def _index(x: FloatArray, at_m: float) -> int:
    """First point at or behind a position, the last point at most."""
    return min(int(np.searchsorted(x, at_m)), x.size - 1)


def _noise(
    receiver: Receiver, route: Route, pulse_ns: float, averaging_s: float, spacing_m: float
) -> NoiseModel:
    """Noise of single points from the densities; the launch level is 0 dB."""
    fewer = max(_RECORD_MARGIN * route.total_m / receiver.range_m, 1.0)
    long_run = receiver.receiver_db2_m * fewer / (pulse_ns**2 * averaging_s * spacing_m)
    floor = receiver.quantum_db**2 / 12
    ripple_db2 = receiver.ripple_db2_m / max(route.pulse_m(pulse_ns), spacing_m)
    return NoiseModel(
        constant_db2=ripple_db2 + floor,
        receiver_db2=long_run / receiver.shared,
        constant_long_run_db2=receiver.ripple_db2_m / spacing_m + floor,
        receiver_long_run_db2=long_run,
    )


def _trace(
    level_db: FloatArray,
    route: Route,
    receiver: Receiver,
    pulse_ns: float,
    averaging_s: float,
    spacing_m: float,
    *,
    forward: bool,
) -> Trace:
    """Wrap noise-free levels as a trace that says that it was foretold."""
    second_per_m = route.group_index / SPEED_OF_LIGHT_M_PER_S
    identity = Identity(
        path="foretold",
        direction=Direction.A_TO_B if forward else Direction.B_TO_A,
        comment="foretold, not measured",
    )
    settings = Settings(
        pulse_ns=pulse_ns,
        spacing_s=spacing_m * second_per_m,
        acquisition_offset_s=0.0,
        user_offset_s=0.0,
        group_index=route.group_index,
        backscatter_coefficient_db=math.nan,
        averages=0,
        averaging_time_s=averaging_s,
        range_s=level_db.size * spacing_m * second_per_m,
        quantum_db=receiver.quantum_db,
        distance_unit="m",
        revision=0,
    )
    return Trace(level_db, identity, settings, (), ())
