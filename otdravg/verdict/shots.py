"""How shots were taken, held against a profile: every breach is a finding."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from typing import TYPE_CHECKING

from otdravg.findings import Finding, Severity, said
from otdravg.quantities import Quantity, reported
from otdravg.shot.trace import Identity, Settings
from otdravg.verdict.rules import LaunchUse, Tolerance

if TYPE_CHECKING:
    from otdravg.verdict.profile import Profile

__all__ = ["setup_findings"]

_AGAIN = "shoot again with the profile's settings, or have the difference agreed"


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
    where = identity.direction.value
    return tuple(
        said(Severity.CAUTION, code, where, text, _AGAIN)
        for code, text in (
            *_pulse_and_averages(profile, settings),
            *_range(profile, settings, fibre_length_m),
            *_stated_figures(profile, identity, settings),
            *_cord("launch", profile.setup.launch, profile.setup.launch_m_min, launch_m),
            *_cord("receive", profile.setup.receive, profile.setup.receive_m_min, receive_m),
        )
    )


Breach = tuple[str, str]  # code and sentence


def _pulse_and_averages(profile: Profile, settings: Settings) -> Iterator[Breach]:
    rule = profile.setup
    pulse_ns = reported(settings.pulse_ns, Quantity.PULSE_NS)
    if pulse_ns is not None and rule.pulse_ns_max is not None and pulse_ns > rule.pulse_ns_max:
        yield "pulse-outside-profile", f"pulse {pulse_ns} ns, at most {rule.pulse_ns_max} ns asked"
    if pulse_ns is not None and rule.pulse_ns_min is not None and pulse_ns < rule.pulse_ns_min:
        yield "pulse-outside-profile", f"pulse {pulse_ns} ns, at least {rule.pulse_ns_min} ns asked"
    if rule.averages_min is not None and settings.averages < rule.averages_min:
        yield (
            "averages-outside-profile",
            f"{settings.averages} averages in the file, at least {rule.averages_min} asked",
        )
    seconds = reported(settings.averaging_time_s, Quantity.TIME_S)
    wanted_s = rule.averaging_time_s_min
    if seconds is not None and wanted_s is not None and seconds < wanted_s:
        yield (
            "averages-outside-profile",
            f"averaging time {seconds} s in the file, at least {wanted_s} s asked",
        )


def _range(profile: Profile, settings: Settings, fibre_length_m: float | None) -> Iterator[Breach]:
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
        yield (
            "range-outside-profile",
            f"range {range_m / 1000:.1f} km for a fibre of {fibre_length_m / 1000:.1f} km, "
            f"at most {step.range_to_m / 1000:g} km asked",
        )


def _stated_figures(profile: Profile, identity: Identity, settings: Settings) -> Iterator[Breach]:
    nm = identity.nominal_wavelength_nm
    index = reported(settings.group_index, Quantity.GROUP_INDEX)
    if _misses(profile.setup.group_index, nm, index):
        yield (
            "index-outside-profile",
            f"group index {index}, {profile.setup.group_index.figure.at(nm)} asked at {nm} nm",
        )
    coefficient = settings.backscatter_coefficient_db
    shown = reported(coefficient, Quantity.REFLECTANCE_DB)
    if _misses(profile.setup.backscatter_db, nm, shown):
        yield (
            "backscatter-outside-profile",
            f"backscatter coefficient {shown} dB, "
            f"{profile.setup.backscatter_db.figure.at(nm)} dB asked at {nm} nm",
        )


def _misses(asked: Tolerance, nm: float, value: Decimal | None) -> bool:
    figure = asked.figure.at(nm)
    return figure is not None and value is not None and abs(value - figure) > asked.tolerance


def _cord(
    name: str, use: LaunchUse, least_m: float | None, length_m: float | None
) -> Iterator[Breach]:
    """Check a cord; a length of 0 m means that there is none, None that it is not known."""
    code = f"{name}-cord-outside-profile"
    if length_m is None or use is LaunchUse.ANY:
        return
    if use is LaunchUse.NONE:
        if length_m > 0:
            yield code, f"a {name} cord of {length_m:.0f} m, none asked"
    elif length_m <= 0:
        yield code, f"no {name} cord, one is asked"
    elif least_m is not None and length_m < least_m:
        yield code, f"a {name} cord of {length_m:.0f} m, at least {least_m:.0f} m asked"
