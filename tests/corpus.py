"""Random pairs of shots with known truth, for measuring how good the measurement is.

Everything is drawn from one generator, so a seed names a corpus. The ranges are
values (:class:`CorpusLimits`), so a harder corpus is the same code with other numbers.
Distributions are plausible, not surveyed: common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from otdravg.simulate.fibre import (
    FRESNEL_REFLECTANCE_DB,
    Fibre,
    Joint,
    JointKind,
    Section,
    TrueJoint,
    true_joints,
)
from otdravg.simulate.files import Label, sor_file
from otdravg.simulate.instrument import (
    FloorMode,
    Instrument,
    point_count_for,
    spacing_counts_for,
)
from otdravg.simulate.physics import Shot, pulse_length_m, shoot, with_far_end_noise
from otdravg.sor import SorFile

__all__ = ["CordLengths", "CorpusLimits", "SimulatedPair", "random_pair"]

Range = tuple[float, float]

#: Typical attenuation in dB/km and backscatter coefficient for 1 ns (common practice, no source).
_GLASS = {1310: (0.33, -79.0), 1490: (0.22, -81.0), 1550: (0.19, -81.5), 1625: (0.20, -82.0)}

#: Pulse widths that a range setting is rounded to (common practice, no source).
_PULSES_NS = (3, 5, 10, 20, 30, 50, 100, 200, 275, 300, 500, 1000, 2000, 5000, 10_000, 20_000)

_SPACING_NOT_SAME = (0.6, 1.7)


@dataclass(frozen=True, slots=True)
class CorpusLimits:
    """Ranges (low, high) and shares (0 to 1) that random pairs are drawn from.

    Parameters
    ----------
    pulse_ns, spacing_m, far_end_noise_db : (float, float)
        Drawn evenly on a logarithmic scale. The spacing is widened where a record
        would exceed ``most_points``.
    splices : (int, int)
        Joints in the span.
    section_m : (float, float)
        Section lengths, logarithmic; lengthened to ``section_pulses`` pulse lengths and
        ``section_points`` points except in a share ``short_sections``, where a third does.
    usual_loss_db, large_loss_db : (float, float)
        Splice losses, the second range for a share ``large_losses``.
    largest_step_db : float
        Largest backscatter step in either sense.
    hidden : float
        Share of splices whose step is turned so that one direction reads about zero.
    connectors : float
        Share of joints that are connectors.
    cords : float
        Share of pairs shot with cords.
    unequal : float
        Share of pairs whose pulse, spacing or index (each drawn apart) differ.
    index_error : float
        Largest error of the index set for the shot from B; the one from A is right.
    ripple_db_at_10_ns : (float, float)
        Coherence ripple; falls with the square root of the pulse width.
    rise_fraction, tail_fraction : (float, float)
        How slow the receiver is (see :class:`~simulated.Instrument`).
    """

    pulse_ns: Range = (10, 1000)
    spacing_m: Range = (0.3, 8)
    splices: tuple[int, int] = (2, 10)
    section_m: Range = (600, 6000)
    section_pulses: float = 8
    section_points: int = 60
    short_sections: float = 0.06
    far_end_noise_db: Range = (0.001, 0.03)
    usual_loss_db: Range = (0.01, 0.15)
    large_loss_db: Range = (0.15, 0.40)
    large_losses: float = 0.12
    largest_step_db: float = 0.25
    hidden: float = 0.1
    connectors: float = 0.06
    cords: float = 0.5
    cord_m: Range = (150, 1500)
    unequal: float = 0.5
    index_error: float = 0.0008
    ripple_db_at_10_ns: Range = (0.002, 0.006)
    rise_fraction: Range = (0.05, 0.3)
    tail_fraction: Range = (0, 0.003)
    wavelengths_nm: tuple[int, ...] = (1310, 1490, 1550, 1625)
    most_points: int = 60_000


@dataclass(frozen=True, slots=True)
class CordLengths:
    """Cords of one shot as the instrument sees them, in true metres; 0 = none."""

    launch_m: float = 0.0
    receive_m: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class SimulatedPair:
    """One fibre shot from both ends, and what is really in it.

    ``position_m`` of the truth and ``span_m`` are true metres, which are also the
    distances at the group index in file ``a``.
    """

    a: SorFile
    b: SorFile
    truth: tuple[TrueJoint, ...]
    span_m: float
    cords_a: CordLengths
    cords_b: CordLengths
    shot_a: Shot
    shot_b: Shot


def random_pair(
    rng: np.random.Generator, limits: CorpusLimits | None = None, **overrides: Any
) -> SimulatedPair:
    """Draw one fibre and shoot it from both ends.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of everything that is random.
    limits : CorpusLimits, optional
        What may be drawn.
    **overrides
        Fields of :class:`CorpusLimits` to replace, such as ``splices=(1, 40)``.

    Returns
    -------
    SimulatedPair
        Both files with the truth.
    """
    limits = replace(limits or CorpusLimits(), **overrides)
    wavelength_nm = int(rng.choice(limits.wavelengths_nm))
    setups = _draw_setups(rng, limits, wavelength_nm)
    span = _draw_span(rng, limits, wavelength_nm, setups)
    launch, receive, cord_connector = _draw_cords(rng, limits, wavelength_nm, setups)
    # Either the cords stay where they are, or each crew member walks with the instrument.
    walks = rng.random() < 0.5
    link_a = span.with_cords(launch, receive, cord_connector)
    back = (launch, receive) if walks else (receive, launch)
    link_b = span.reversed().with_cords(*back, cord_connector)

    offset_set = rng.choice(((True, True), (True, False), (False, True), (False, False)))
    swapped = rng.random() < 0.5
    shots: list[Shot] = []
    files: list[SorFile] = []
    cords: list[CordLengths] = []
    for end, link, setup, (first, last) in (
        (0, link_a, setups[0], (launch, receive)),
        (1, link_b, setups[1], back),
    ):
        lengths = CordLengths(_length_m(first), _length_m(last))
        shot = shoot(link, _finish(rng, limits, setup, link), rng)
        locations = ("North hut", "South hut")
        label = Label(
            cable="SIM-CORPUS",
            fibre="001",
            location_a=locations[end if swapped else 0],
            location_b=locations[1 - end if swapped else 1],
            comment="random pair",
            user_offset_m=lengths.launch_m if offset_set[end] else 0.0,
            revision=int(rng.choice((100, 200))),
            event_table=bool(rng.random() < 0.7),
        )
        shots.append(shot)
        cords.append(lengths)
        files.append(sor_file(shot, label, f"simulated_{'AB'[end]}.sor"))
    return SimulatedPair(
        a=files[0],
        b=files[1],
        truth=true_joints(span),
        span_m=span.length_m,
        cords_a=cords[0],
        cords_b=cords[1],
        shot_a=shots[0],
        shot_b=shots[1],
    )


def _length_m(cord: Section | None) -> float:
    return 0.0 if cord is None else cord.length_m


def _log_uniform(rng: np.random.Generator, limits: Range) -> float:
    low, high = limits
    return math.exp(rng.uniform(math.log(low), math.log(high)))


def _draw_pulse_ns(rng: np.random.Generator, limits: CorpusLimits) -> int:
    low, high = limits.pulse_ns
    return int(rng.choice([pulse for pulse in _PULSES_NS if low <= pulse <= high]))


def _draw_setups(
    rng: np.random.Generator, limits: CorpusLimits, wavelength_nm: int
) -> tuple[Instrument, Instrument]:
    """Draw what the operators set at both ends; receiver and record come when the link is known."""
    true_index = round(rng.uniform(1.4670, 1.4690), 5)
    pulse_ns = _draw_pulse_ns(rng, limits)
    spacing_m = _log_uniform(rng, limits.spacing_m)
    setup_a = Instrument(
        pulse_ns=pulse_ns,
        spacing_counts=spacing_counts_for(spacing_m, true_index),
        group_index=true_index,
        wavelength_nm=wavelength_nm,
        backscatter_coefficient_db=_GLASS[wavelength_nm][1],
    )
    index_b = true_index
    if rng.random() < limits.unequal:
        index_b = round(true_index + rng.uniform(-1, 1) * limits.index_error, 5)
    if rng.random() < limits.unequal:
        pulse_ns = _draw_pulse_ns(rng, limits)
    if rng.random() < limits.unequal:
        low, high = limits.spacing_m
        spacing_m = min(high, max(low, spacing_m * rng.uniform(*_SPACING_NOT_SAME)))
    setup_b = replace(
        setup_a,
        pulse_ns=pulse_ns,
        spacing_counts=spacing_counts_for(spacing_m, true_index),
        group_index=index_b,
    )
    return setup_a, setup_b


def _shortest_m(limits: CorpusLimits, setups: tuple[Instrument, Instrument]) -> float:
    """Give the section length with enough pulses and points for both shots."""
    probe = Fibre((Section(1.0),), group_index=setups[0].group_index)
    pulse_m = max(pulse_length_m(probe, setup.pulse_ns) for setup in setups)
    metres_per_count = pulse_length_m(probe, 2e-5)  # one count is 10⁻¹⁴ s one way
    spacing_m = max(setup.spacing_counts for setup in setups) * metres_per_count
    return max(limits.section_pulses * pulse_m, limits.section_points * spacing_m)


def _draw_span(
    rng: np.random.Generator,
    limits: CorpusLimits,
    wavelength_nm: int,
    setups: tuple[Instrument, Instrument],
) -> Fibre:
    """Draw the glass between the ends of the span."""
    count = int(rng.integers(limits.splices[0], limits.splices[1] + 1))
    usual_m = _shortest_m(limits, setups)
    typical = _GLASS[wavelength_nm][0]
    half_step_db = limits.largest_step_db / 2
    joints = [_draw_joint(rng, limits) for _ in range(count)]
    sections: list[Section] = []
    for k in range(count + 1):
        at_least_m = usual_m / 3 if rng.random() < limits.short_sections else usual_m
        level_db = rng.uniform(-half_step_db, half_step_db)
        if k > 0 and rng.random() < limits.hidden:
            sense = rng.choice((-1, 1))
            hiding_db = sections[-1].backscatter_db - sense * joints[k - 1].loss_db
            level_db = min(half_step_db, max(-half_step_db, hiding_db))
        sections.append(
            Section(
                length_m=max(at_least_m, _log_uniform(rng, limits.section_m)),
                attenuation_db_per_km=typical + rng.normal(0, 0.003),
                backscatter_db=level_db,
            )
        )
    return Fibre(
        tuple(sections),
        tuple(joints),
        end_a_reflectance_db=_draw_end(rng),
        end_b_reflectance_db=_draw_end(rng),
        group_index=setups[0].group_index,
    )


def _draw_joint(rng: np.random.Generator, limits: CorpusLimits) -> Joint:
    if rng.random() < limits.connectors:
        return Joint(rng.uniform(0.1, 0.4), rng.uniform(-60, -42), JointKind.CONNECTOR)
    large = rng.random() < limits.large_losses
    return Joint(rng.uniform(*(limits.large_loss_db if large else limits.usual_loss_db)))


def _draw_end(rng: np.random.Generator) -> float | None:
    """Draw a far end: a clean cleave, an angled one, or a polished connector."""
    choice = rng.random()
    if choice < 0.5:
        return FRESNEL_REFLECTANCE_DB
    return None if choice < 0.8 else float(rng.uniform(-55, -35))


def _draw_cords(
    rng: np.random.Generator,
    limits: CorpusLimits,
    wavelength_nm: int,
    setups: tuple[Instrument, Instrument],
) -> tuple[Section | None, Section | None, Joint]:
    """Draw launch and receive cord as seen from A, and the connectors that hold them."""
    connector = Joint(rng.uniform(0.1, 0.4), rng.uniform(-60, -45), JointKind.CONNECTOR)

    def cord() -> Section:
        return Section(
            length_m=max(_shortest_m(limits, setups), _log_uniform(rng, limits.cord_m)),
            attenuation_db_per_km=_GLASS[wavelength_nm][0],
            backscatter_db=rng.uniform(-0.1, 0.1),
        )

    if rng.random() >= limits.cords:
        return None, None, connector
    launch = cord()
    receive = cord() if rng.random() < 0.7 else None
    return launch, receive, connector


def _finish(
    rng: np.random.Generator, limits: CorpusLimits, setup: Instrument, link: Fibre
) -> Instrument:
    """Add record, receiver and noise to what the operator has set."""
    record_m = link.length_m * rng.uniform(1.15, 2.0) + 100
    least_spacing_m = record_m / limits.most_points
    spacing_counts = max(
        setup.spacing_counts, spacing_counts_for(least_spacing_m, link.group_index)
    )
    spacing_m = spacing_counts * pulse_length_m(link, 2e-5)
    widths = [s for s in (3, 5) if s * spacing_m <= pulse_length_m(link, setup.pulse_ns)]
    starts_early = rng.random() < 0.2
    instrument = replace(
        setup,
        spacing_counts=spacing_counts,
        point_count=max(400, point_count_for(record_m, spacing_counts, link.group_index)),
        ripple_db=rng.uniform(*limits.ripple_db_at_10_ns) * math.sqrt(10 / setup.pulse_ns),
        smoothing_points=int(rng.choice(widths)) if widths and rng.random() < 0.4 else 1,
        rise_fraction=rng.uniform(*limits.rise_fraction),
        tail_fraction=rng.uniform(*limits.tail_fraction),
        tail_ns=setup.pulse_ns * rng.uniform(0.3, 1.5),
        headroom_db=rng.uniform(8, 15),
        floor_raw=int(rng.choice((45_000, 60_000, 65_535))),
        floor_mode=FloorMode.RECTIFIED if rng.random() < 0.3 else FloorMode.CLIPPED,
        acquisition_offset_100ps=-int(rng.integers(500, 5000)) if starts_early else 0,
        front_panel_reflectance_db=float(rng.uniform(-55, -40)),
    )
    return with_far_end_noise(instrument, link, _log_uniform(rng, limits.far_end_noise_db))
