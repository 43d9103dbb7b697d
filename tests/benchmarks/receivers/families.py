"""How each family of pairs is drawn: the fibre, both instruments, what the crew states.

Every family draws its fibre and its settings from :func:`_draw`, with the receiver of its name at
both ends (but for ``unequal``); the docstrings and the table below say what else is special.

===================== =========================================================================
fast                  no pole, no smoothing: the pulse alone
one_pole_X            one pole, time constant X pulses
one_pole_0.7_strong   the same with reflections that reach or pass the top inside the span
two_poles_0.4         two poles of 0.4 pulses each; ``two_poles_0.8_0.3``: 0.8 and 0.3
box_db_X, box_power_X running mean of the levels or of the power over X pulses
pole_0.7_box_power_1  one pole of 0.7, then a running mean of power over 1 pulse
steps_Q               levels in steps of Q dB; a fast receiver or a short pole (0.2 pulses). The
                      steps are multiples of 0.001 dB, or the file's scale factor, or multiples
                      of an odd scale factor (1.037)
undershoot            a second-order receiver, damping 0.75 to 0.85 (a step overshoots by 3 to 0.6
                      %), reflections at most 8 dB high
tail_1_over_t         2 to 5 permille of the response in a slow tail that falls as 1/t out to some
                      hundred pulses, reflections at most 10 dB high (the panel 13 dB)
seam                  a level step of 5 to 20 mdB, up or down, at one distance of the instrument,
                      in both shots
long_haul             60 to 90 km, 3 to 10 µs, joints at least 5 pulses apart; one pole 0 to 0.5
record_ends_with_fibre  the record stops 0.3 to 4 pulses behind the far end
masked_floor          below 1 to 3 sigma of the noise points are blanked: to the file's lowest value
                      or to one level; or everything behind the far end is
unequal               pulses differ by 1.5 to 5, and each end has another kind of receiver
noise_only            no fibre at both ends, or at one of them
two_million           two million points, about 300 to 1000 per pulse
===================== =========================================================================

Where noise enters, it is white behind the receiver or white in front of it, at random.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from benchmarks.receivers.instrument import (
    BACKSCATTER_1NS_DB,
    LIGHT_M_PER_S,
    Link,
    Record,
    Setup,
    response_m,
    shoot,
)

#: Section attenuation by wavelength, dB/km (usual range of installed fibre; no source).
ATTENUATION_DB_PER_KM = {1310: (0.32, 0.36), 1550: (0.19, 0.22), 1625: (0.20, 0.24)}

#: Time constants in which a receiver's tail falls by 35 dB (5·log10), from a top to the noise.
TAIL_TO_NOISE = 16.0

#: Spread of attenuation between sections and of the backscatter's slope along one, dB/km.
SPREAD_DB_PER_KM = 0.003
DRIFT_DB_PER_KM = 0.001

#: A flat end of glass in air reflects 3.4 %, −14.7 dB (Fresnel, refractive index 1.45).
LARGEST_REFLECTANCE_DB = -14.7

#: Spans that go with a pulse, km.
REACH_KM = {
    30: (3, 8), 50: (3, 10), 100: (4, 18), 200: (6, 25), 300: (8, 30), 500: (10, 40),
    1000: (15, 55), 3000: (30, 75), 10_000: (50, 90),
}  # fmt: skip

#: Group index of standard fibre x 1e5 (usual values; no source).
GROUP_INDEX_1E5 = {1310: 146_700, 1550: 146_820, 1625: 146_870}

Rng = np.random.Generator


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """A pair of shots, how it was made and what the crew states of its cords.

    Each record holds the link as its own end sees it; cords of length 0 are absent.
    """

    family: str
    seed: int
    number: int
    launch_m: float
    receive_m: float
    stated_m: tuple[float | None, float | None]
    a: Record
    b: Record
    response_m: float  # the longer of both: a step has then reached 99 %

    @property
    def pulse_m(self) -> float:
        """The longer of both pulses on the trace, metres."""
        return max(self.a.setup.pulse_m, self.b.setup.pulse_m)

    @property
    def spacing_m(self) -> float:
        """The wider of both spacings, metres."""
        return max(self.a.setup.spacing_m, self.b.setup.spacing_m)


def _one_of(rng: Rng, choices: Sequence[Any]) -> Any:
    return choices[int(rng.integers(len(choices)))]


@dataclass(frozen=True, slots=True)
class Style:
    """What a family draws from."""

    receivers: tuple[dict[str, Any], dict[str, Any]]
    pulses: tuple[int, ...] = tuple(REACH_KM)
    other_pulse: bool = False
    wavelength: int = 0
    span_km: tuple[float, float] | None = None
    least_pulses: float = 8.0
    close: float = 0.3  # share of pairs with joints 3 to 8 pulses apart
    connectors: float = 0.12
    peak_db: tuple[float, float] = (1.0, 14.0)
    front_db: tuple[float, float] = (8.0, 22.0)
    noisier_db: float = 0.0
    steps_db: float = 0.0
    seam: bool = False
    masked: bool = False
    cut: bool = False
    million: bool = False
    absent: bool = False


def receiver_of(name: str) -> dict[str, Any]:
    """Settings of the receiver that a family is named after."""
    words = name.removesuffix("_strong").split("_")
    if name == "pole_0.7_box_power_1":
        return {"poles": (0.7,), "smoothing": "power", "smoothing_pulses": 1.0}
    if name == "two_poles_0.4":
        return {"poles": (0.4, 0.4)}
    if words[1:2] in (["pole"], ["poles"]):
        return {"poles": tuple(float(word) for word in words[2:])}
    if words[0] == "box":
        return {"smoothing": words[1], "smoothing_pulses": float(words[2])}
    return {}


def style_of(family: str, rng: Rng) -> Style:
    """What is peculiar to a family; draws what of its receiver is drawn."""
    same = (receiver_of(family),) * 2
    quick_or_pole = (_one_of(rng, ({}, {"poles": (0.2,)})),) * 2
    if family == "one_pole_0.7_strong":
        return Style(same, connectors=0.35, peak_db=(9.0, 24.0), front_db=(15.0, 26.0))
    if family.startswith("steps_"):
        return Style(quick_or_pole, steps_db=float(family.removeprefix("steps_")))
    if family == "undershoot":
        stage = {"second_order": (rng.uniform(0.75, 0.85), rng.uniform(0.15, 0.3))}
        return Style((stage,) * 2, peak_db=(1.0, 8.0), front_db=(4.0, 8.0))
    if family == "tail_1_over_t":
        tail = {"slow_tail": rng.uniform(0.002, 0.005)}
        return Style((tail,) * 2, peak_db=(1.0, 10.0), front_db=(6.0, 13.0))
    if family == "long_haul":
        pulses = (3000, 5000, 10_000)
        return Style(
            quick_or_pole, pulses, wavelength=1550, span_km=(60, 90), least_pulses=5.0, close=0.0
        )
    if family == "unequal":
        kinds = ("fast", "one_pole_0.3", "one_pole_0.7", "one_pole_1.0", "two_poles_0.4",
                 "box_power_0.7", "box_db_0.7", "box_power_2")  # fmt: skip
        one, other = rng.choice(len(kinds), 2, replace=False)
        return Style((receiver_of(kinds[one]), receiver_of(kinds[other])), other_pulse=True)
    special: dict[str, dict[str, Any]] = {
        "seam": {"seam": True},
        "masked_floor": {"masked": True},
        "record_ends_with_fibre": {"cut": True},
        "noise_only": {"absent": True},
        "two_million": {"million": True, "pulses": (300, 500, 1000), "noisier_db": 4.0},
    }
    if family in special:
        return Style(quick_or_pole, **special[family])
    return Style(same)


FAMILIES = (
    "fast", "one_pole_0.3", "one_pole_0.5", "one_pole_0.7", "one_pole_1.0", "one_pole_1.5",
    "one_pole_0.7_strong", "two_poles_0.4", "two_poles_0.8_0.3", "box_db_2", "box_power_2",
    "box_db_0.7", "box_power_0.7", "pole_0.7_box_power_1", "steps_0.001", "steps_0.005",
    "steps_0.01", "steps_0.02", "steps_0.05", "undershoot", "tail_1_over_t", "seam", "long_haul",
    "record_ends_with_fibre", "masked_floor", "unequal", "noise_only", "two_million",
)  # fmt: skip


def _grid(rng: Rng, setup: Setup, total_m: float) -> Setup:
    """Spacing, first point and length of the record that go with a pulse and a link."""
    speed, pulse_m = setup.speed_m_per_s, setup.pulse_m
    # A strong end's tail is let fall to the noise, as one who sets a range would.
    tail_m = pulse_m + TAIL_TO_NOISE * setup.memory_m * (setup.slow_tail == 0)
    record_m = max(total_m * rng.uniform(1.1, 1.5), total_m + tail_m)
    most = 80 if setup.pulse_ns >= 3000 else 40  # else a long pulse leaves too few points
    low, high = max(pulse_m / most, record_m / 30_000), min(pulse_m / 5, record_m / 8000)
    spacing_m = np.exp(rng.uniform(np.log(low), np.log(high))) if low < high else low
    spacing = max(1, int(np.rint(spacing_m / speed * 1e14)))
    first_100ps = -int(rng.uniform(0.5, 4) * pulse_m / speed * 1e10) if rng.random() < 0.5 else 0
    points = int(np.ceil((record_m - first_100ps * 1e-10 * speed) / (spacing * 1e-14 * speed)))
    return replace(setup, spacing_1e14s=spacing, points=points, first_100ps=first_100ps)


def _positions(rng: Rng, from_m: float, to_m: float, least_m: float, close_m: float) -> list[float]:
    """Joints 0.3 to 3 km apart, at least ``least_m``; ``close_m`` > 0 puts some next to others."""
    positions: list[float] = []
    z = from_m
    while True:
        gap = max(rng.uniform(300, 3000), least_m * rng.uniform(1, 2))
        if close_m and positions and rng.random() < 0.4:
            gap = close_m * rng.uniform(3, 8)
        z += gap
        if z > to_m - max(300, least_m) or len(positions) >= 40:
            return positions
        positions.append(z)


def _reflectance(rng: Rng, pulse_ns: int, height_db: tuple[float, float]) -> float:
    """Reflectance whose peak stands so high above the backscatter with this pulse, if it can."""
    of_backscatter = 10 ** (rng.uniform(*height_db) / 5) - 1
    reflectance_db = 10 * np.log10(of_backscatter * pulse_ns) + BACKSCATTER_1NS_DB
    return float(min(reflectance_db, LARGEST_REFLECTANCE_DB))


def _fibre(
    rng: Rng,
    wavelength: int,
    long_ns: int,
    cords_m: list[float],
    span_m: float,
    style: Style,
    least_m: float,
    pulse_m: float,
) -> Link:
    """Sections, joints and cords; what stands at both panels is each shot's own."""
    close_m = pulse_m if rng.random() < style.close else 0.0
    positions = _positions(rng, 0.0, span_m, least_m, close_m)
    events = [(z, bool(rng.random() < style.connectors)) for z in positions]
    if cords_m[0]:
        events.insert(0, (0.0, True))
    if cords_m[1]:
        events.append((span_m, True))
    loss, step, reflectance = [0.0], [0.0], [-np.inf]
    for _, connector in events:
        loss.append(rng.uniform(0.1, 0.5) if connector else _splice_loss(rng))
        step.append(rng.normal(0, 0.3 if rng.random() < 0.05 else rng.uniform(0.05, 0.1)))
        reflectance.append(_reflectance(rng, long_ns, style.peak_db) if connector else -np.inf)
    edges = [0.0, *(cords_m[0] + z for z, _ in events), cords_m[0] + span_m + cords_m[1]]
    sections = len(edges) - 1
    mean = rng.uniform(*ATTENUATION_DB_PER_KM[wavelength])
    return Link(
        np.array(edges),
        mean + rng.normal(0, SPREAD_DB_PER_KM, sections),
        rng.normal(0, DRIFT_DB_PER_KM, sections),
        np.array([*loss, 0.0]),
        np.array([*step, 0.0]),
        np.array([*reflectance, -np.inf]),
    )


def _splice_loss(rng: Rng) -> float:
    kind = rng.random()
    if kind < 0.04:
        return float(rng.uniform(1, 3))
    if kind < 0.12:
        return float(rng.uniform(0.3, 0.6))
    return 0.0 if kind < 0.15 else float(np.exp(rng.uniform(np.log(0.02), np.log(0.3))))


def _connected(rng: Rng, link: Link, setup: Setup, style: Style) -> tuple[Link, Setup]:
    """Give a shot its panel, its far end and its noise."""
    reflectance = link.reflectance_db.copy()
    reflectance[0] = _reflectance(rng, setup.pulse_ns, style.front_db)
    weak, strong = ((1.5, 5.0), style.front_db)
    kind = rng.integers(3)
    reflectance[-1] = (
        -np.inf if kind == 0 else _reflectance(rng, setup.pulse_ns, (weak, strong)[kind - 1])
    )
    link = replace(link, reflectance_db=reflectance)
    last_db = link.section_starts_db()[0][-1]
    end_db = last_db - link.fall_db_per_m()[-1] * (link.edges_m[-1] - link.edges_m[-2])
    margin_db = rng.uniform(8, 20) if rng.random() < 0.85 else rng.uniform(4, 8)
    return link, replace(setup, noise=float(10 ** ((end_db - margin_db + style.noisier_db) / 5)))


def _special(style: Style, rng: Rng, link: Link, setup: Setup) -> Setup:
    """What is peculiar to a family and belongs to one shot."""
    end_m = float(link.edges_m[-1])
    if style.steps_db:
        kind = rng.integers(3)
        if kind == 0 or (kind == 1 and style.steps_db * 1e6 > 32767):
            return replace(setup, step_db=style.steps_db)
        if kind == 1:
            return replace(setup, step_db=style.steps_db, scale_1000=round(style.steps_db * 1e6))
        odd = 1037 * max(1, round(style.steps_db * 1e6 / 1037))
        return replace(setup, step_db=odd / 1e6, scale_1000=1037)
    if style.masked:
        whole = bool(rng.random() < 0.4)
        return replace(
            setup,
            floor="masked",
            floor_sigmas=float(rng.uniform(1, 3)),
            masked_from_m=end_m + rng.uniform(2, 6) * setup.pulse_m if whole else np.inf,
            masked_to_lowest=bool(rng.random() < 0.5),
        )
    if style.cut:
        behind_m = rng.uniform(0.3, 4) * setup.pulse_m
        points = int((end_m + behind_m - setup.x_m[0]) / setup.spacing_m) + 1
        return replace(setup, points=points)
    if style.million:
        points = 2_000_000
        spacing_m = 1.3 * end_m / points
        spacing = max(1, int(np.rint(spacing_m / setup.speed_m_per_s * 1e14)))
        return replace(setup, points=points, spacing_1e14s=spacing)
    return setup


def draw(family: str, seed: int, number: int) -> Case:
    """Draw pair ``number`` of a family; the three name it for good."""
    rng = np.random.default_rng([seed, zlib.crc32(family.encode()), number])
    style = style_of(family, rng)
    wavelength = style.wavelength or _one_of(rng, (1310, 1550, 1550, 1625))
    index = GROUP_INDEX_1E5[wavelength]
    speed = LIGHT_M_PER_S / (index * 1e-5)
    pulses = [_one_of(rng, style.pulses)] * 2
    if style.other_pulse or rng.random() < 0.3:
        near = [p for p in style.pulses if 1.4 < max(p / pulses[0], pulses[0] / p) <= 5]
        pulses[1] = _one_of(rng, near)
    pulse_m = max(pulses) * 1e-9 * speed / 2
    # A fifth of a pulse is one point here: the response's length hangs on the pulse alone.
    plain = [
        Setup(p, p * 10_000, 1, 0, group_index_1e5=index, **receiver)
        for p, receiver in zip(pulses, style.receivers, strict=True)
    ]
    reach_m = max(response_m(setup) for setup in plain)
    low_km, high_km = style.span_km or REACH_KM[min(pulses)]
    most_km = 24 / ATTENUATION_DB_PER_KM[wavelength][0]
    span_m = 1000 * rng.uniform(low_km, min(high_km, most_km))
    cords = bool(pulse_m < 120 and rng.random() < 0.6)
    cords_m = [max(150.0, reach_m * rng.uniform(4, 12)) if cords else 0.0 for _ in range(2)]
    link = _fibre(
        rng, wavelength, max(pulses), cords_m, span_m, style, style.least_pulses * pulse_m, pulse_m
    )
    seam = {}
    if style.seam:
        at_m = rng.uniform(0.2, 0.8) * link.edges_m[-1]
        seam = {"seam_m": at_m, "seam_db": _one_of(rng, (-1, 1)) * rng.uniform(0.005, 0.02)}
    records, stated = [], []
    for base, cord_m, seen in zip(plain, cords_m, (link, link.from_b()), strict=True):
        in_header = cords and bool(rng.random() < 0.5)
        stated.append(cord_m if cords and not in_header else None)
        setup = replace(
            _grid(rng, base, float(link.edges_m[-1])),
            wavelength_nm=wavelength,
            noise_before=bool(rng.random() < 0.5),
            ripple_db=float(rng.uniform(0.001, 0.004)) if rng.random() < 0.5 else 0.0,
            headroom_db=float(rng.uniform(5, 12)),
            saturates_first=bool(rng.random() < 0.5),
            floor=_one_of(rng, ("rectified", "clipped")),
            user_offset_100ps=round(cord_m / speed * 1e10) if in_header else 0,
            **seam,
        )
        seen, setup = _connected(rng, seen, setup, style)
        setup = _special(style, rng, seen, setup)
        absent = style.absent and (not records or bool(rng.random() < 0.5))
        records.append(shoot(None if absent else seen, setup, rng))
    return Case(
        family, seed, number, cords_m[0], cords_m[1], (stated[0], stated[1]),
        records[0], records[1], max(response_m(r.setup) for r in records),
    )  # fmt: skip
