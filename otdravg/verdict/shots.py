"""The shots held against a profile: how they were taken, which have to exist, and when."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass
from decimal import Decimal

from otdravg.findings import Finding, Scope, caution, note
from otdravg.quantities import Quantity, reported
from otdravg.shot.settings import Direction, Identity, Settings
from otdravg.verdict.limits import same_band
from otdravg.verdict.rules import (
    Closures,
    DbByWavelength,
    Directions,
    LaunchUse,
    Profile,
    required_wavelengths,
)

#: Both ends of a shot are placed to a few metres: a shorter cord is none. Chosen, not derived: no
#: cord on the market is shorter than fifty.
_NO_CORD_M = 10.0


def setup_findings(
    profile: Profile,
    identity: Identity,
    settings: Settings,
    *,
    fibre_length_m: float | None = None,
    launch_m: float | None = None,
    receive_m: float | None = None,
) -> tuple[Finding, ...]:
    """List every setting of a shot that is outside the profile.

    Parameters
    ----------
    profile : Profile
    identity, settings : Identity, Settings
        What the shot says of itself.
    fibre_length_m : float, optional
        Length of the span, for the range rule.
    launch_m, receive_m : float, optional
        Cord lengths; 0 is "no cord", None is "not known" and is not judged.
    """
    rule, where = profile.setup, identity.direction
    return (
        *_pulse_and_averages(profile, settings, where),
        *_range(profile, settings, where, fibre_length_m),
        *_stated_figures(profile, identity, settings),
        *_cord("launch-cord-outside-profile", where, rule.launch, rule.launch_m_min, launch_m),
        *_cord("receive-cord-outside-profile", where, rule.receive, rule.receive_m_min, receive_m),
    )


def _pulse_and_averages(
    profile: Profile, settings: Settings, where: Direction
) -> Iterator[Finding]:
    rule = profile.setup
    pulse_ns = reported(settings.pulse_ns, Quantity.PULSE_NS)
    if pulse_ns is not None and rule.pulse_ns_max is not None and pulse_ns > rule.pulse_ns_max:
        yield caution(
            "pulse-outside-profile", where, "long", pulse_ns=pulse_ns, most_ns=rule.pulse_ns_max
        )
    if pulse_ns is not None and rule.pulse_ns_min is not None and pulse_ns < rule.pulse_ns_min:
        yield caution(
            "pulse-outside-profile", where, "short", pulse_ns=pulse_ns, least_ns=rule.pulse_ns_min
        )
    averages, least = settings.averages, rule.averages_min
    if least is not None and averages < least:
        yield caution("averages-outside-profile", where, averages=averages, least=least)
    time_s = reported(settings.averaging_time_s, Quantity.TIME_S)
    least_s = rule.averaging_time_s_min
    if time_s is not None and least_s is not None and time_s < least_s:
        yield caution("averages-outside-profile", where, "time", time_s=time_s, least_s=least_s)


def _range(
    profile: Profile, settings: Settings, where: Direction, fibre_length_m: float | None
) -> Iterator[Finding]:
    """Hold the range setting against the step that the fibre's length falls into."""
    if fibre_length_m is None:
        return
    step = next((s for s in profile.setup.ranges if fibre_length_m <= s.fibre_to_m), None)
    if step is None:
        return
    speed_m_per_s = 299_792_458.0 / settings.group_index
    range_m = settings.range_s * speed_m_per_s
    # Instruments name a range in round kilometres at an index of their own.
    if range_m > step.range_to_m * 1.02:
        yield caution(
            "range-outside-profile", where,
            range_km=range_m / 1000, fibre_km=fibre_length_m / 1000, most_km=step.range_to_m / 1000,
        )  # fmt: skip


def _stated_figures(profile: Profile, identity: Identity, settings: Settings) -> Iterator[Finding]:
    nm, where, rule = identity.nominal_wavelength_nm, identity.direction, profile.setup
    index = reported(settings.group_index, Quantity.GROUP_INDEX)
    figure = _missed(rule.group_index, rule.group_index_tolerance, nm, index)
    if figure is not None:
        yield caution(
            "index-outside-profile", where, index=index, asked_index=figure, nominal_nm=nm
        )
    stated_db = reported(settings.backscatter_coefficient_db, Quantity.REFLECTANCE_DB)
    figure = _missed(rule.backscatter_db, rule.backscatter_tolerance_db, nm, stated_db)
    if figure is not None:
        yield caution(
            "backscatter-outside-profile", where,
            stated_db=stated_db, asked_db=figure, nominal_nm=nm,
        )  # fmt: skip


def _missed(
    asked: DbByWavelength, tolerance: Decimal, nm: float, value: Decimal | None
) -> Decimal | None:
    """Return the figure that is asked for at a wavelength, if the value misses it."""
    figure = asked.at(nm)
    if figure is None or value is None or abs(value - figure) <= tolerance:
        return None
    return figure


def _cord(
    code: str, where: Direction, use: LaunchUse, least_m: float | None, length_m: float | None
) -> Iterator[Finding]:
    """Check a cord; a length of 0 m means that there is none, None that it is not known."""
    if length_m is None or use is LaunchUse.ANY:
        return
    if use is LaunchUse.NONE:
        if length_m > 0:
            yield caution(code, where, "unasked", length_m=length_m)
    elif length_m <= 0:
        yield caution(code, where, "missing")
    elif least_m is not None and length_m < least_m:
        yield caution(code, where, "short", length_m=length_m, least_m=least_m)


@dataclass(frozen=True, slots=True)
class ShotNeed:
    """One shot that has to exist."""

    fibre: int
    direction: Direction
    wavelength_nm: int


def missing_shots(
    profile: Profile,
    fibres: Iterable[int],
    taken: Collection[ShotNeed],
    length_m: float | None = None,
    fibre_type: str = "",
    beside_nm: Iterable[int] = (),
) -> tuple[ShotNeed, ...]:
    """List shots that the profile asks for and that are not there.

    Where it names no wavelengths, every wavelength that any fibre was shot at is asked of
    all; those of ``beside_nm`` always are. A stage that needs one direction is content with
    either.
    """
    by_fibre: dict[int, list[ShotNeed]] = {}
    for shot in taken:
        by_fibre.setdefault(shot.fibre, []).append(shot)
    wanted = fibres if profile.completeness.every_fibre else by_fibre
    asked_nm = required_wavelengths(profile, length_m, fibre_type)
    asked_nm = asked_nm or tuple({shot.wavelength_nm for shot in taken})
    return tuple(
        need
        for fibre in sorted(wanted)
        for nm in sorted({*asked_nm, *beside_nm})
        for need in _missing_at(fibre, nm, by_fibre.get(fibre, []), profile.stage.directions)
    )


def _missing_at(
    fibre: int, nm: int, own: Iterable[ShotNeed], directions: Directions
) -> list[ShotNeed]:
    have = {shot.direction for shot in own if same_band(shot.wavelength_nm, nm)}
    ends = (Direction.A_TO_B, Direction.B_TO_A)
    if directions is Directions.ONE:
        return [] if have & set(ends) else [ShotNeed(fibre, Direction.A_TO_B, nm)]
    return [ShotNeed(fibre, end, nm) for end in ends if end not in have]


def data_findings(
    profile: Profile, length_ab_m: float | None, length_ba_m: float | None
) -> tuple[Finding, ...]:
    """Find fault with lengths that differ between both directions of a fibre; None: not seen."""
    limit_m = profile.data.length_difference_limit_m
    if limit_m is None or length_ab_m is None or length_ba_m is None:
        return ()
    difference_m = abs(length_ab_m - length_ba_m)
    if difference_m <= limit_m:
        return ()
    return (
        caution(
            "lengths-differ", Scope.PAIR, from_a_m=length_ab_m, from_b_m=length_ba_m,
            difference_m=difference_m, most_m=limit_m,
        ),
    )  # fmt: skip


def stage_findings(profile: Profile) -> tuple[Finding, ...]:
    """Say that the stage asks for open or closed closures, which no trace file can show."""
    asked = profile.stage.closures
    if asked is Closures.ANY:
        return ()
    stage, case = profile.stage.name, "open" if asked is Closures.OPEN else "closed"
    return (note("closures-not-recorded", Scope.JOB, case, stage=stage),)


def fibre_type_of(*shots: Identity | None) -> str:
    """Type of a fibre by the headers of its shots; "mixed" where they name two.

    Empty where one of them names none: it is not known then.
    """
    types = {shot.fibre_type for shot in shots if shot is not None}
    return "" if not types or "" in types else types.pop() if len(types) == 1 else "mixed"


def receive_cord_m(end_m: float | None, start_m: float, length_m: float) -> float | None:
    """How much fibre a shot shows behind the far end of the span, in metres.

    0 is "no cord", ``None`` is "not known": where the shot does not show its fibre's end, either.
    """
    if end_m is None:
        return None
    behind_m = end_m - start_m - length_m
    return behind_m if behind_m > _NO_CORD_M else 0.0


def span_seen_m(end_m: float | None, near_m: float, far_m: float, length_m: float) -> float | None:
    """Length of the span as one shot shows it, whether or not a cord was on its far end."""
    if end_m is None:
        return None
    seen_m = end_m - near_m
    return min((seen_m, seen_m - far_m), key=lambda own_m: abs(own_m - length_m))
