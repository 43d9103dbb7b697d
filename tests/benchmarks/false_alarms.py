"""How often a fibre without any splice is said to have one.

The stated rate is the chance that a spliceless trace, or pair, shows at least one
step. Fibres vary in length, pulse, spacing, ripple, smoothing, noise and ends; none has
a cord. Run ``python tests/benchmarks/false_alarms.py [--fibres N]``.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from common import Case, bands, measure, share_interval, wide_settings
from corpus import SimulatedPair, random_pair

from otdravg.errors import OtdravgError
from otdravg.shot.detect import Event, EventKind, detect
from otdravg.shot.trace import Trace

#: Chance of any false step in a whole trace, as the package states it by default.
STATED_RATE = 0.01
#: And of any false splice of a pair: one that so many fibres can tell, and the default.
PAIR_RATES = (0.01, 0.001)

_FALSE = (EventKind.STEP, EventKind.GROUP, EventKind.REFLECTION)


@dataclass(frozen=True, slots=True, eq=False)
class Spliceless:
    """One spliceless fibre: false events of each shot, and the pair."""

    cases: tuple[Case, ...]  # at each of the rates for pairs
    events: tuple[tuple[Event, ...], ...]

    @property
    def case(self) -> Case:
        """The pair as measured by default."""
        return self.cases[-1]

    @property
    def false_readings(self) -> tuple[int, ...]:
        """Splices that the pair is said to have at each rate."""
        measured = (case.measurement for case in self.cases)
        return tuple(0 if pair is None else len(pair.readings) for pair in measured)


def fibres(count: int, seed: int = 50_000) -> Iterator[tuple[int, SimulatedPair]]:
    """Draw spliceless fibres over the whole range of settings."""
    for number in range(seed, seed + count):
        rng = np.random.default_rng(number)
        settings = wide_settings(rng, splices=(0, 0))
        yield number, random_pair(rng, **settings, cords=0.0)


def run(count: int) -> list[Spliceless]:
    """Measure ``count`` spliceless fibres."""
    results = []
    for seed, pair in fibres(count):
        cases = tuple(measure(seed, pair, false_alarm_rate=rate) for rate in PAIR_RATES)
        shots = cases[0].ab, cases[0].ba
        results.append(Spliceless(cases, tuple(_events(shot) for shot in shots)))
    return results


def _events(shot: Trace) -> tuple[Event, ...]:
    """False events of one shot; none where it is refused (the pair says so)."""
    try:
        seen = detect(shot, false_alarm_rate=STATED_RATE)
    except OtdravgError:
        return ()
    return tuple(event for event in seen.events if event.kind in _FALSE)


def report(results: list[Spliceless]) -> None:
    """Print measured rates with their intervals, by what may cause them, and the seeds."""
    refused = [each for each in results if each.case.measurement is None]
    print(f"spliceless fibres {len(results)}, refused {len(refused)}")
    pairs = [each for each in results if each.case.measurement is not None]
    for k, rate in enumerate(PAIR_RATES):
        _rate(f"pairs at {rate}", [each.false_readings[k] > 0 for each in pairs], rate)
    shots = [
        (len(events) > 0, trace, tool)
        for each in results
        for events, trace, tool in zip(
            each.events,
            (each.case.ab, each.case.ba),
            (each.case.pair.shot_a.instrument, each.case.pair.shot_b.instrument),
            strict=True,
        )
    ]
    _rate(f"single shots at {STATED_RATE}", [false for false, _, _ in shots])
    inside = [
        any(_is_inside(event, each, side) for event in events)
        for each in results
        for side, events in enumerate(each.events)
    ]
    _rate("  shots, 3 pulses or more from either end", inside)
    pulses = [trace.settings.pulse_ns for _, trace, _ in shots]
    for band, members in bands(pulses, (30, 300, 3000), "ns"):
        _rate(f"    of these, pulse {band}", [inside[i] for i in members])
    keys = (
        ("pulse", pulses, (30, 300, 3000), "ns"),
        ("points per pulse", [t.pulse_m() / t.spacing_m() for _, t, _ in shots], (2, 10, 50), ""),
        ("smoothing", [tool.smoothing_points for _, _, tool in shots], (2, 4), "points"),
        ("ripple", [1e3 * tool.ripple_db for _, _, tool in shots], (0.5, 1.5), "mdB"),
    )
    for name, values, edges, unit in keys:
        for band, members in bands(values, edges, unit):
            _rate(f"  shots, {name} {band}", [shots[i][0] for i in members])
    for each in refused[:6]:
        print(f"refused: seed {each.case.seed}, {_setting(each.case)}: {each.case.refusal[:140]}")
    for each in sorted(pairs, key=lambda each: each.false_readings, reverse=True)[:12]:
        loosest = each.cases[0].measurement
        if each.false_readings[0] and loosest:
            first = loosest.readings[0]
            print(
                f"false in pair: seed {each.case.seed}, {each.false_readings[0]} of them, "
                f"{first.kind.value} at {first.distance_m:.1f} m, "
                f"{first.loss_ab_db}/{first.loss_ba_db} dB, {_setting(each.case)}"
            )
    worst = sorted(results, key=lambda each: -sum(map(len, each.events)))
    for each in worst[:12]:
        if any(each.events):
            texts = [
                f"{event.kind.value} at {event.distance_m:.1f} m"
                + ("" if event.loss_db is None else f" {event.loss_db:+.4f} dB")
                for events in each.events
                for event in events[:2]
            ]
            print(f"false in shot: seed {each.case.seed}, {texts}, {_setting(each.case)}")


def _is_inside(event: Event, fibre: Spliceless, side: int) -> bool:
    """Whether an event lies clear of the front panel and of the end of the fibre."""
    trace = (fibre.case.ab, fibre.case.ba)[side]
    index = fibre.case.pair.shot_a.fibre.group_index
    at_m = event.distance_m * trace.settings.group_index / index
    free_m = 3 * trace.pulse_m()
    return free_m < at_m < fibre.case.pair.span_m - free_m


def _rate(name: str, hits: list[bool], stated: float = STATED_RATE) -> None:
    if not hits:
        return
    low, high = share_interval(sum(hits), len(hits))
    verdict = "holds the stated rate" if low <= stated <= high else "does NOT hold it"
    print(
        f"{name:44} {sum(hits):4d} of {len(hits):4d} = {sum(hits) / len(hits):.4f} "
        f"(95 %: {low:.4f} to {high:.4f}) {verdict}"
    )


def _setting(case: Case) -> str:
    pulses = "/".join(f"{shot.settings.pulse_ns:.0f}" for shot in (case.ab, case.ba))
    spacings = "/".join(f"{shot.spacing_m():.2f}" for shot in (case.ab, case.ba))
    tools = (case.pair.shot_a.instrument, case.pair.shot_b.instrument)
    smoothing = "/".join(str(tool.smoothing_points) for tool in tools)
    return f"{pulses} ns, {spacings} m, smoothing {smoothing}, span {case.pair.span_m:.0f} m"


def main() -> None:
    """Print the measured false-alarm rates."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--fibres", type=int, default=1000)
    report(run(parser.parse_args().fibres))


if __name__ == "__main__":
    main()
