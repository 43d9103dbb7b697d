"""How often a fibre without any splice is said to have one.

The stated rate is the chance that a spliceless trace, or pair, shows at least one
step. Fibres vary in length, pulse, spacing, ripple, smoothing, noise and ends; none has
a cord. As many again are shot with long pulses only, where false steps are least rare.
Run ``python tests/benchmarks/false_alarms.py [--fibres N] [--store]``.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace

import numpy as np
from common import PULSES_NS, Case, bands, measure, share_interval, wide_settings
from corpus import SimulatedPair, random_pair
from simulated import Shot
from stored import Figure, save

from otdravg.errors import OtdravgError
from otdravg.shot.detect import Event, EventKind, detect
from otdravg.shot.trace import Trace

#: Chance of any false step in a whole trace, as the package states it by default.
STATED_RATE = 0.01
#: And of any false splice of a pair: one that so many fibres can tell, and the default.
PAIR_RATES = (0.01, 0.001)

#: Pulses of the second set, ns.
LONG_PULSES_NS = (5000, 10_000)
#: Where pulses of the first set are parted, and of the second, ns.
BANDS_NS = (30, 300, 3000)
LONG_BANDS_NS = (3000, 7000)

WHAT = """
Spliceless fibres of all lengths, pulses, spacings, ripples, smoothings, noises and ends, without
cords, that are said to have a splice: as a single shot, and as a pair. The stated rate is the
chance of any false step on a fibre that has none; it holds where the exact interval of the
measured share does not lie above it. The second set has pulses of 5 and 10 µs, and in some pairs
one of 2 µs.
"""

_FALSE = (EventKind.STEP, EventKind.GROUP, EventKind.REFLECTION)


@dataclass(frozen=True, slots=True)
class Alone:
    """One shot by itself: how it was taken, and false events in it."""

    pulse_ns: float
    points_per_pulse: float
    smoothing_points: int
    ripple_mdb: float
    events: tuple[str, ...]  # in words
    inside: bool  # whether one of them lies clear of the front panel and of the end


@dataclass(frozen=True, slots=True)
class Spliceless:
    """One spliceless fibre: false events of each shot, and of the pair; no traces are kept."""

    seed: int
    setting: str
    refusal: str
    false_readings: tuple[int, ...]  # splices that the pair is said to have at each rate
    first: str  # of them, at the loosest rate, in words
    shots: tuple[Alone, ...]


def fibres(
    count: int, seed: int = 50_000, pulses_ns: Sequence[int] = PULSES_NS
) -> Iterator[tuple[int, SimulatedPair]]:
    """Draw spliceless fibres over the whole range of settings."""
    for number in range(seed, seed + count):
        rng = np.random.default_rng(number)
        settings = wide_settings(rng, splices=(0, 0), pulses_ns=pulses_ns)
        yield number, random_pair(rng, **settings, cords=0.0)


def run(drawn: Iterable[tuple[int, SimulatedPair]]) -> list[Spliceless]:
    """Measure spliceless fibres."""
    return [measured(seed, pair) for seed, pair in drawn]


def measured(seed: int, pair: SimulatedPair) -> Spliceless:
    """Measure one fibre, as a pair at each of the rates and by each shot alone."""
    cases = [measure(seed, pair, false_alarm_rate=rate) for rate in PAIR_RATES]
    readings = [case.measurement.readings if case.measurement else () for case in cases]
    first = ""
    for reading in readings[0][:1]:
        losses = "/".join(map(_db, (reading.loss_ab_db, reading.loss_ba_db)))
        first = f"{reading.kind.value} at {reading.distance_m:.1f} m, {losses}"
    return Spliceless(
        seed,
        _setting(cases[-1]),
        cases[-1].refusal,
        tuple(map(len, readings)),
        first,
        (_alone(cases[-1].ab, pair.shot_a), _alone(cases[-1].ba, pair.shot_b)),
    )


def _db(value: float | None) -> str:
    return "no loss" if value is None else f"{value:+.4f} dB"


def _alone(trace: Trace, shot: Shot) -> Alone:
    """Look for events in one shot; none where it is refused (the pair says so)."""
    events: list[Event] = []
    with suppress(OtdravgError):
        seen = detect(trace, false_alarm_rate=STATED_RATE)
        events = [event for event in seen.events if event.kind in _FALSE]
    # Distances in the trace are by the index that its file states.
    true_m = trace.settings.group_index / shot.fibre.group_index
    free_m = 3 * trace.pulse_m()
    length_m = shot.fibre.length_m
    return Alone(
        trace.settings.pulse_ns,
        trace.pulse_m() / trace.spacing_m(),
        shot.instrument.smoothing_points,
        1e3 * shot.instrument.ripple_db,
        tuple(f"{e.kind.value} at {e.distance_m:.1f} m, {_db(e.loss_db)}" for e in events),
        any(free_m < event.distance_m * true_m < length_m - free_m for event in events),
    )


def report(results: list[Spliceless], bands_ns: Sequence[float]) -> tuple[list[Figure], list[str]]:
    """Measured rates with their intervals, by what may cause them, and the seeds."""
    refused = [each for each in results if each.refusal]
    pairs = [each for each in results if not each.refusal]
    figures = [Figure("refused", len(refused), f"of {len(results)} pairs", at_most=0)]
    longer_ns = [max(shot.pulse_ns for shot in each.shots) for each in pairs]
    for k, rate in enumerate(PAIR_RATES):
        hits = [each.false_readings[k] > 0 for each in pairs]
        title = f"pairs at {rate}"
        figures += _rate(title, hits, rate)
        figures += _in_bands(title, hits, longer_ns, bands_ns, "longer pulse", "ns", rate)
    shots = [shot for each in results for shot in each.shots]
    title = f"shots at {STATED_RATE}"
    clear = f"{title}, 3 pulses or more from either end"
    hits, inside = [bool(shot.events) for shot in shots], [shot.inside for shot in shots]
    pulses_ns = [shot.pulse_ns for shot in shots]
    figures += _rate(title, hits) + _rate(clear, inside)
    for name, each_hits in ((title, hits), (clear, inside)):
        figures += _in_bands(name, each_hits, pulses_ns, bands_ns, "pulse", "ns")
    for values, edges, key, unit in (
        ([shot.points_per_pulse for shot in shots], (2, 10, 50), "pulse", "points"),
        ([shot.smoothing_points for shot in shots], (2, 4), "smoothing", "points"),
        ([shot.ripple_mdb for shot in shots], (0.5, 1.5), "ripple", "mdB"),
    ):
        figures += _in_bands(title, hits, values, edges, key, unit)
    return figures, _seeds(results)


def _seeds(results: list[Spliceless]) -> list[str]:
    """Name the seeds of what went wrong, the worst first."""
    refused = [each for each in results if each.refusal]
    in_pair = [each for each in results if each.first]
    in_pair.sort(key=lambda each: each.false_readings, reverse=True)
    in_shot = [each for each in results if any(shot.events for shot in each.shots)]
    in_shot.sort(key=lambda each: -sum(len(shot.events) for shot in each.shots))
    lines = [
        f"refused: seed {each.seed}, {each.setting}: {each.refusal[:140]}" for each in refused[:6]
    ]
    lines += [
        f"false in pair: seed {each.seed}, {each.false_readings[0]} of them, {each.first}, "
        f"{each.setting}"
        for each in in_pair[:12]
    ]
    lines += [
        f"false in shot: seed {each.seed}, "
        + "; ".join(text for shot in each.shots for text in shot.events[:2])
        + f", {each.setting}"
        for each in in_shot[:12]
    ]
    return lines


def _rate(name: str, hits: Sequence[bool], stated: float = STATED_RATE) -> list[Figure]:
    """A rate with its interval; nothing where nothing was looked at."""
    if not hits:
        return []
    low, high = share_interval(sum(hits), len(hits))
    note = f"{sum(hits)} of {len(hits)}" + ("; rarer than stated" if high < stated else "")
    return [Figure(name, sum(hits) / len(hits), "", low, high, not_above=stated, note=note)]


def _in_bands(
    name: str,
    hits: Sequence[bool],
    values: Sequence[float],
    edges: Sequence[float],
    key: str,
    unit: str,
    stated: float = STATED_RATE,
) -> list[Figure]:
    """The same rate in bands of what may cause it."""
    return [
        figure
        for band, members in bands(values, edges, unit)
        for figure in _rate(f"{name}, {key} {band}", [hits[i] for i in members], stated)
    ]


def _setting(case: Case) -> str:
    pulses = "/".join(f"{shot.settings.pulse_ns:.0f}" for shot in (case.ab, case.ba))
    spacings = "/".join(f"{shot.spacing_m():.2f}" for shot in (case.ab, case.ba))
    tools = (case.pair.shot_a.instrument, case.pair.shot_b.instrument)
    smoothing = "/".join(str(tool.smoothing_points) for tool in tools)
    return f"{pulses} ns, {spacings} m, smoothing {smoothing}, span {case.pair.span_m:.0f} m"


def main() -> None:
    """Print the measured false-alarm rates."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--fibres", type=int, default=1000, help="fibres of each set")
    parser.add_argument("--store", action="store_true", help="keep the figures for the docs")
    asked = parser.parse_args()
    figures: list[Figure] = []
    seeds: list[str] = []
    long = fibres(asked.fibres, seed=70_000, pulses_ns=LONG_PULSES_NS)
    for name, drawn, bands_ns in (
        ("all pulses", fibres(asked.fibres), BANDS_NS),
        ("pulses of 2 to 10 µs", long, LONG_BANDS_NS),
    ):
        own, lines = report(run(drawn), bands_ns)
        own = [replace(figure, what=f"{name}: {figure.what}") for figure in own]
        print(*(figure.text() for figure in own), *lines, sep="\n")
        figures += own
        seeds += [f"{name}: {line}" for line in lines]
    if asked.store:
        save("false_alarms", WHAT, figures, seeds=seeds)


if __name__ == "__main__":
    main()
