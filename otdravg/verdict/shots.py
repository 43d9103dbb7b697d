"""How shots were taken, held against a profile: every breach is a finding."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from typing import TYPE_CHECKING

from otdravg.findings import Finding, caution
from otdravg.quantities import Quantity, reported
from otdravg.shot.settings import Direction, Identity, Settings
from otdravg.verdict.rules import LaunchUse, Tolerance

if TYPE_CHECKING:
    from otdravg.verdict.profile import Profile

__all__ = ["setup_findings"]


def setup_findings(
    profile: Profile,
    identity: Identity,
    settings: Settings,
    *,
    fibre_length_m: float | None,
    launch_m: float | None,
    receive_m: float | None,
) -> tuple[Finding, ...]:
    """List what differs; see :meth:`otdravg.verdict.Profile.setup_findings`."""
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
    nm, where = identity.nominal_wavelength_nm, identity.direction
    index, asked = reported(settings.group_index, Quantity.GROUP_INDEX), profile.setup.group_index
    if index is not None and (figure := _missed(asked, nm, index)) is not None:
        yield caution(
            "index-outside-profile", where, index=index, asked_index=figure, nominal_nm=nm
        )
    asked = profile.setup.backscatter_db
    stated_db = reported(settings.backscatter_coefficient_db, Quantity.REFLECTANCE_DB)
    if stated_db is not None and (figure := _missed(asked, nm, stated_db)) is not None:
        yield caution(
            "backscatter-outside-profile", where,
            stated_db=stated_db, asked_db=figure, nominal_nm=nm,
        )  # fmt: skip


def _missed(asked: Tolerance, nm: float, value: Decimal) -> Decimal | None:
    """Return the figure that is asked for at a wavelength, if the value misses it."""
    figure = asked.figure.at(nm)
    return figure if figure is not None and abs(value - figure) > asked.tolerance else None


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
