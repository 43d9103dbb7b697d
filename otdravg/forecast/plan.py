"""Before the crew drives out: which pulse and averaging time reach the wanted uncertainty.

The noise comes from a real shot with the same instrument, or from stated typical values; the
rest is the measurement's own linear model (:mod:`otdravg.forecast.outlook`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import Decimal

from otdravg.errors import BadSetting
from otdravg.findings import Statement, says
from otdravg.fit.joint import PRIOR_ATTENUATION_SPREAD, PRIOR_DRIFT_SPREAD
from otdravg.fit.side import Place
from otdravg.forecast.outlook import (
    Expectation,
    Obstacle,
    Receiver,
    Route,
    expected,
    predicted_side,
    receiver_of,
)
from otdravg.shot.detect import detect
from otdravg.shot.noise import DB_PER_RELATIVE_POWER
from otdravg.shot.trace import Trace
from otdravg.verdict.limits import same_band

#: Pulses offered: 1-2-5 steps from 10 ns to 20 µs (common practice, no source).
PULSES_NS = (10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10_000, 20_000)
#: Averaging times offered, per shot (common practice, no source).
AVERAGING_S = (10.0, 30.0, 60.0, 180.0)
#: Where a limit decides, U should be no more than this share of it (common practice, no source).
TARGET_SHARE = Decimal("0.2")
#: A pulse is nearly as good as the best one up to this many times its worst uncertainty.
NEARLY_AS_GOOD = 2.0
#: Loss that a shot's level falls at every planned splice, dB; only the reach feels it.
PLANNED_LOSS_DB = 0.05
#: How long a shot was averaged, if its file does not say (common practice, no source).
USUAL_AVERAGING_S = 30.0
#: Most places that a plan is made for.
MOST_PLACES = 400

# Typical values, common practice, no source: attenuation in dB/km and backscatter coefficient
# for 1 ns in dB by wavelength; and an instrument whose noise equals the signal 19 dB below the
# launch level at 1550 nm with 100 ns after 30 s, points 2 m apart; ripple 0.004 dB at 10 ns.
_GLASS = {1310: (0.35, -79.5), 1490: (0.24, -81.0), 1550: (0.21, -81.5), 1625: (0.23, -82.0)}
_TYPICAL_RANGE_DB = 19.0
_TYPICAL_PULSE_NS = 100.0
_TYPICAL_SPACING_M = 2.0
_TYPICAL_RIPPLE_DB = 0.004
_TYPICAL_RIPPLE_PULSE_M = 1.02
_TYPICAL_RECORD_M = 40_000.0
_TYPICAL_CONNECTOR_PULSES = 2.5


@dataclass(frozen=True, slots=True)
class PlanBasis:
    """Where a plan's noise comes from, said in sentences."""

    receiver: Receiver
    wavelength_nm: int
    statements: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Forecast:
    """What one pulse and averaging time, the same from both ends, would know of every place."""

    pulse_ns: int
    averaging_s: float
    places: tuple[Place, ...]
    expectations: tuple[Expectation, ...]

    @property
    def worst_db(self) -> float | None:
        """Largest expanded uncertainty of a splice; ``None`` if one is not measured both ways."""
        splices = [
            e.expanded_db for p, e in zip(self.places, self.expectations, strict=True)
            if not p.reflective
        ]  # fmt: skip
        known = [u for u in splices if u is not None]
        return max(known) if known and len(known) == len(splices) else None

    def reaches(self, target_db: float) -> bool:
        """Whether every splice is known to ± target or better."""
        return self.worst_db is not None and self.worst_db <= target_db

    @property
    def hindrances(self) -> tuple[tuple[Place, Expectation], ...]:
        """Splices that would not be measured both ways, with the cause."""
        return tuple(
            (p, e) for p, e in zip(self.places, self.expectations, strict=True)
            if e.u_loss_db is None and not p.reflective
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class ShotPlan:
    """Forecasts for every pulse and averaging time, and the one to use."""

    route: Route
    basis: PlanBasis
    limit_db: Decimal
    target_db: Decimal
    pulses_ns: tuple[int, ...]
    averaging_s: tuple[float, ...]
    forecasts: tuple[Forecast, ...]  # pulse by pulse, times inside
    chosen: Forecast | None  # None: no combination reaches the target everywhere

    def of(self, pulse_ns: int, averaging_s: float) -> Forecast:
        """Return the forecast for one combination."""
        pulse, time = self.pulses_ns.index(pulse_ns), self.averaging_s.index(averaging_s)
        return self.forecasts[pulse * len(self.averaging_s) + time]

    @property
    def shown_averaging_s(self) -> float:
        """Averaging time at which the curves along the span are shown."""
        return self.chosen.averaging_s if self.chosen else self.averaging_s[-1]

    @property
    def next_best(self) -> Forecast | None:
        """Where nothing reaches the target: the forecast with most splices, then least U."""

        def merit(f: Forecast) -> tuple[int, float]:
            known = [e.expanded_db for e in f.expectations if e.expanded_db is not None]
            return -len(known), max(known, default=math.inf)

        return min(self.forecasts, key=merit, default=None)


def typical_basis(wavelength_nm: int) -> PlanBasis:
    """Give typical values for a wavelength.

    Raises
    ------
    BadSetting
        If no typical values are known for it.
    """
    band = next((nm for nm in _GLASS if same_band(nm, wavelength_nm)), None)
    if band is None:
        raise BadSetting(
            "wavelength", wavelength_nm,
            says("typical-at", known=", ".join(map(str, _GLASS))),
        )  # fmt: skip
    attenuation, coefficient_db = _GLASS[band]
    # A weaker backscatter lowers the level by half of its change on the one-way scale.
    range_db = _TYPICAL_RANGE_DB + (coefficient_db - _GLASS[1550][1]) / 2
    sigma_db = DB_PER_RELATIVE_POWER * 10 ** (-range_db / 5)
    receiver = Receiver(
        receiver_db2_m=sigma_db**2 * _TYPICAL_SPACING_M * _TYPICAL_PULSE_NS**2 * USUAL_AVERAGING_S,
        ripple_db2_m=_TYPICAL_RIPPLE_DB**2 * _TYPICAL_RIPPLE_PULSE_M,
        quantum_db=0.001,
        shared=1.0,
        edge_pulses=0.1,
        connector_pulses=_TYPICAL_CONNECTOR_PULSES,
        attenuation_db_per_km=attenuation,
        finest_spacing_m=None,
        range_m=_TYPICAL_RECORD_M,
    )
    return PlanBasis(
        receiver,
        wavelength_nm,
        (
            "typical values, not your instrument's (common practice, no source); a real shot "
            "with --like makes the plan yours",
            f"fibre {attenuation} dB/km; noise equals the signal {range_db:g} dB below the launch "
            f"level with {_TYPICAL_PULSE_NS:g} ns after {USUAL_AVERAGING_S:g} s (points "
            f"{_TYPICAL_SPACING_M:g} m apart); ripple {_TYPICAL_RIPPLE_DB} dB at 10 ns",
        ),
    )


def basis_from_shot(shot: Trace, wavelength_nm: int | None = None) -> PlanBasis:
    """Take noise, launch level, attenuation and connector dead zone from a real shot.

    Raises
    ------
    BadSetting
        If the shot was taken at another wavelength than the plan is for.
    ShotsDoNotPair
        With reason ``NO_SIGNAL`` if there is no usable fibre signal.
    """
    own_nm = shot.identity.nominal_wavelength_nm or round(shot.identity.wavelength_nm)
    path = shot.identity.path
    if wavelength_nm is not None and not same_band(own_nm, wavelength_nm):
        raise BadSetting("like", path, says("shot-at-other", own=own_nm, wanted=wavelength_nm))
    settings = shot.settings
    averaging_s = settings.averaging_time_s
    said = f"{averaging_s:g} s of averaging"
    if averaging_s <= 0:
        averaging_s = USUAL_AVERAGING_S
        said = f"averaging time not in the file, taken as {averaging_s:g} s"
    seen = detect(shot)
    receiver = receiver_of(seen.shot, averaging_s)
    sigma_db = seen.shot.noise.constant_long_run_db2**0.5
    return PlanBasis(
        receiver,
        wavelength_nm or own_nm,
        (
            f"scaled from {path} ({settings.pulse_ns:g} ns, {said})",
            f"fibre {receiver.attenuation_db_per_km:.3f} dB/km; ripple and quantisation "
            f"{sigma_db:.4f} dB; a connector's dead zone is {receiver.connector_pulses:.1f} "
            "pulse lengths",
        ),
    )


def target_for(limit_db: Decimal) -> Decimal:
    """Give the uncertainty to aim at for a limit, where nobody stated one."""
    return limit_db * TARGET_SHARE


def planned_route(
    length_m: float,
    *,
    splices_every_m: float | None = None,
    splices_m: tuple[float, ...] = (),
    connectors_m: tuple[float, ...] = (),
    launch_m: float = 0.0,
    receive_m: float = 0.0,
    group_index: float = 1.4682,
) -> Route:
    """Lay out a route; distances in metres from the A end, cords left out.

    Raises
    ------
    BadSetting
        If there is no splice, or something lies outside the span.
    """
    splices = list(splices_m)
    if splices_every_m is not None:
        if not 0 < splices_every_m < length_m:
            raise BadSetting(
                "splices-every", f"{splices_every_m:g} m", says("give-metres", length_m=length_m)
            )
        count = math.ceil(round(length_m / splices_every_m, 6)) - 1
        if count > MOST_PLACES:
            wanted = says("splices-at-most", count=count, most=MOST_PLACES)
            raise BadSetting("splices-every", f"{splices_every_m:g} m", wanted)
        splices += [splices_every_m * k for k in range(1, count + 1)]
    if not splices:
        raise BadSetting("splices", "none", says("give-splices"))
    places = [Place(z, z, reflective=False) for z in dict.fromkeys(splices)]
    places += [Place(z, z, reflective=True) for z in dict.fromkeys(connectors_m)]
    places.sort(key=lambda p: p.start_m)
    for place in places:
        if not 0 < place.start_m < length_m:
            raise BadSetting(
                "position", f"{place.start_m:g} m", says("inside-span", length_m=length_m)
            )
    if len(places) > MOST_PLACES:
        raise BadSetting(
            "position", f"{len(places)} places", says("places-at-most", most=MOST_PLACES)
        )
    losses = (PLANNED_LOSS_DB,) * len(places)
    return Route(length_m, tuple(places), losses, launch_m, receive_m, group_index)


def forecast(
    receiver: Receiver,
    route: Route,
    pulse_ns: int,
    averaging_s: float,
    spreads: tuple[float, float] = (PRIOR_ATTENUATION_SPREAD, PRIOR_DRIFT_SPREAD),
) -> Forecast:
    """Foretell what a pulse and averaging time, the same from both ends, would know.

    ``spreads`` are how much attenuation and drift vary between sections in dB/km; the values
    that the measurement assumes beside the data by default, which is on the safe side.
    """
    sides = (
        predicted_side(receiver, route, pulse_ns, averaging_s, forward=True),
        predicted_side(receiver, route, pulse_ns, averaging_s, forward=False),
    )
    places = route.places
    return Forecast(pulse_ns, averaging_s, places, expected(sides, places, spreads))


def make_plan(
    basis: PlanBasis,
    route: Route,
    limit_db: Decimal,
    target_db: Decimal | None = None,
    *,
    pulses_ns: tuple[int, ...] = PULSES_NS,
    averaging_s: tuple[float, ...] = AVERAGING_S,
) -> ShotPlan:
    """Foretell every pulse and averaging time and choose.

    Parameters
    ----------
    basis : PlanBasis
        Noise and fibre.
    route : Route
        What is to be shot.
    limit_db, target_db : Decimal
        The contract's limit, and the expanded uncertainty to reach everywhere.
    pulses_ns, averaging_s : tuple
        Settings to compare.

    Returns
    -------
    ShotPlan
        With the shortest averaging time at which any pulse reaches the target. Of the pulses
        that do, the shortest that knows the worst splice nearly as well as the best pulse does
        (``NEARLY_AS_GOOD``): short pulses part neighbours, and something stays in hand.
    """
    target = target_for(limit_db) if target_db is None else target_db
    times = tuple(sorted(averaging_s))
    pulses = tuple(sorted(pulses_ns))
    forecasts = tuple(
        forecast(basis.receiver, route, pulse, time) for pulse in pulses for time in times
    )
    good = [
        f for f in forecasts if f.reaches(float(target)) and not cords_within(route, f.pulse_ns)
    ]
    return ShotPlan(route, basis, limit_db, target, pulses, times, forecasts, _chosen(good))


def cords_within(route: Route, pulse_ns: float) -> tuple[float, ...]:
    """Lengths of the launch and receive fibres that are shorter than a pulse, m.

    Behind such a fibre the first connector lies in the front panel's dead zone: it is not
    measured, and the fibre is of no use.
    """
    pulse_m = route.pulse_m(pulse_ns)
    return tuple(m for m in (route.launch_m, route.receive_m) if 0 < m < pulse_m)


def _chosen(good: list[Forecast]) -> Forecast | None:
    """Choose among the forecasts that reach the target."""
    first_s = min((f.averaging_s for f in good), default=0.0)
    soon = {f: f.worst_db or 0.0 for f in good if f.averaging_s == first_s}
    enough = [f for f, worst_db in soon.items() if worst_db <= NEARLY_AS_GOOD * min(soon.values())]
    return min(enough, key=lambda f: f.pulse_ns, default=None)


def obstacle(route: Route, found: Expectation, pulse_ns: float) -> Statement:
    """Say why a pulse does not measure a place from both ends."""
    directions = {"A": found.obstacle_ab, "B": found.obstacle_ba}
    joined = Obstacle.JOINED in directions.values() and found.neighbour_m is not None
    short = [end for end, why in directions.items() if why is Obstacle.REACH]
    ends = says("end", end=short[0]) if len(short) == 1 else says("either-end")
    neighbour = _neighbour(route, found.neighbour_m or 0.0)
    code = {
        (True, False): "unparted",
        (True, True): "unparted-unreached",
        (False, True): "unreached",
        (False, False): "unmeasured",
    }[joined, bool(short)]
    return says(code, pulse=pulse(pulse_ns), neighbour=neighbour, ends=ends)


def pulse(pulse_ns: float) -> Statement:
    """Name a pulse: ``500 ns``, ``2 µs``."""
    if pulse_ns < 1000:
        return says("pulse-ns", pulse_ns=pulse_ns)
    return says("pulse-us", pulse_us=pulse_ns / 1000)


def _neighbour(route: Route, z_m: float) -> Statement:
    if z_m <= 0:
        return says("connector-at-end", end="A")
    if z_m >= route.length_m:
        return says("connector-at-end", end="B")
    near = min(route.places, key=lambda p: abs(p.middle_m - z_m))
    return says("connector-at" if near.reflective else "splice-at", at=planned_distance(z_m))


def planned_distance(z_m: float) -> Statement:
    """Say a distance of a plan, which is known to the metre at best."""
    if z_m < 1000:
        return says("whole-metres", distance_m=z_m)
    return says("kilometres", distance_km=z_m / 1000)
