"""A plan of shots as tables for an 80-column terminal."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

from otdravg import __version__
from otdravg.cable.lists.pace import Pace
from otdravg.fit.side import Place
from otdravg.forecast.hours import Hours
from otdravg.forecast.outlook import Expectation, Obstacle
from otdravg.forecast.plan import (
    Forecast,
    ShotPlan,
    cords_within,
    obstacle,
    planned_distance,
    pulse,
)
from otdravg.quantities import Quantity, distance_text, in_km, reported
from otdravg.report.causes import wavelengths_text
from otdravg.report.page import Page, Tone, counted
from otdravg.words.catalogue import told
from otdravg.words.headings import Words
from otdravg.words.statements import caution_statement

#: What every plan takes for granted, in sentences.
PLAN_ASSUMPTIONS = (
    "Receiver noise falls with the square root of the averaging time, and the signal grows with "
    "the pulse; a longer range takes fewer averages in the same time. The receiver's noise density "
    "is taken as the same for every pulse: an instrument with a quieter receiver for long pulses "
    "does better.",
    "Coherence ripple falls with the square root of the pulse and never with averaging.",
    "Both ends are shot with the same settings. Calibration of the instrument is not contained.",
)

_PULSE_WIDTH = 8
_CELL = 8
_NARROW_CELL = 6
_DISTANCE_WIDTH = 11


def plan_text(
    plan: ShotPlan,
    hours: Hours | None = None,
    paces: Sequence[Pace] = (),
    *,
    ascii_only: bool = False,
    colour: bool = False,
) -> str:
    """Write a plan as a person reads it; see :func:`otdravg.report.pair_text.pair_text`.

    ``hours`` of a job and the ``paces`` of its instruments stand behind the advice.
    """
    page = Page(ascii_only=ascii_only, colour=colour)
    _heading(page, plan)
    _by_pulse(page, plan)
    _along_span(page, plan)
    page.line()
    page.line("What to do")
    for sentence in _advice(plan):
        page.bullet(sentence)
    if hours is not None:
        _add_hours(page, plan, hours, paces)
    hindrances = _hindrances(plan)
    if hindrances:
        page.line()
        page.line("What a pulse cannot do")
        for sentence in hindrances:
            page.bullet(sentence)
    page.line()
    page.line("Taken for granted")
    for sentence in PLAN_ASSUMPTIONS:
        page.bullet(sentence)
    page.line()
    page.paragraph(caution_statement())
    return page.text()


def _add_hours(page: Page, plan: ShotPlan, hours: Hours, paces: Sequence[Pace]) -> None:
    """How long the job takes with the time that is advised, and what a shift has room for."""
    page.line()
    page.line("Hours")
    time_s = plan.shown_averaging_s
    by = "as the files of the job show" if hours.is_by_files else "common practice, no source"
    again = f", {100 * hours.share_again:.0f} % shot again" if hours.share_again else ""
    nm = wavelengths_text(hours.wavelengths_nm, Words())
    page.bullet(
        f"{hours.fibres} fibres at {nm}: {hours.shots} shots "
        f"from each end. With {time_s:g} s of averaging and {hours.between_s:.0f} s from shot to "
        f"shot ({by}{again}) {hours.of_an_end(time_s):.1f} h from each end, "
        f"{hours.of_one(time_s):.1f} h for each wavelength."
    )
    fits = hours.fitting(plan.averaging_s)
    shift = f"A shift of {hours.shift_h:g} h has room for one end"
    if hours.most_averaging_s <= 0:
        page.bullet(f"{shift} with no averaging at all: plan more shifts, or more instruments.")
    else:
        most = f"{shift} with up to {hours.most_averaging_s:.0f} s"
        page.bullet(f"{most}; of the times above {'none' if fits is None else f'{fits:g} s'}.")
    if fits is not None:
        best = _best_at(plan, fits)
        aim = "reaches" if best.reaches(float(plan.target_db)) else "does not reach"
        page.bullet(
            f"{fits:g} s with {pulse_text(best.pulse_ns)} {aim} ± {plan.target_db} dB: worst "
            f"± {_figure(best.worst_db)} dB."
        )
    for one in paces:
        if one.per_hour is not None:
            page.bullet(
                f"{one.instrument or 'An instrument without a name'}: {one.per_hour:.0f} shots an "
                f"hour, {100 * one.share_again:.0f} % of {one.shots} shot again."
            )


def _best_at(plan: ShotPlan, averaging_s: float) -> Forecast:
    """The pulse that knows the worst splice best in a time; cords count."""
    own = [plan.of(pulse_ns, averaging_s) for pulse_ns in plan.pulses_ns]
    usable = [f for f in own if not cords_within(plan.route, f.pulse_ns)] or own
    return min(usable, key=lambda f: (f.worst_db is None, f.worst_db or 0.0))


def pulse_text(pulse_ns: float) -> str:
    """Name a pulse: ``500 ns``, ``2 µs``."""
    return told(pulse(pulse_ns))


def obstacle_text(plan: ShotPlan, place: Place, found: Expectation, pulse_ns: float) -> str:
    """Say in words where and why a pulse does not measure a place from both ends."""
    why = told(obstacle(plan.route, found, pulse_ns))
    return f"{told(planned_distance(place.middle_m))}: {why}"


def _heading(page: Page, plan: ShotPlan) -> None:
    route = plan.route
    splices = sum(not p.reflective for p in route.places)
    length = distance_text(route.length_m, km=in_km(route.length_m))
    page.paragraph(
        f"otdravg {__version__}: plan for {length} with {counted(splices, 'splice')}, "
        f"{plan.basis.wavelength_nm} nm (foretold, not measured)"
    )
    for label, statement in zip(("Noise", "Values"), plan.basis.statements, strict=True):
        page.entry(label, statement)
    leads = [
        f"{name} fibre {distance_text(lead_m, km=False)}"
        for name, lead_m in (("launch", route.launch_m), ("receive", route.receive_m))
        if lead_m > 0
    ]
    page.entry("Leads", ", ".join(leads) or "no launch and no receive fibre")
    page.entry("Aim", f"± {plan.target_db} dB (k = 2) at every splice; limit {plan.limit_db} dB")


def _by_pulse(page: Page, plan: ShotPlan) -> None:
    page.line()
    page.paragraph("Worst expected ± U over all splices in dB (k = 2), by averaging time per shot")
    widths = (_PULSE_WIDTH, *(_CELL for _ in plan.averaging_s))
    page.row(("Pulse", *(f"{t:g} s" for t in plan.averaging_s), ""), widths)
    page.rule()
    for pulse_ns in plan.pulses_ns:
        row = [plan.of(pulse_ns, t) for t in plan.averaging_s]
        cells = (pulse_text(pulse_ns), *(_figure(f.worst_db) for f in row), _remark(plan, row))
        good = any(f.reaches(float(plan.target_db)) for f in row)
        page.row(cells, widths, tone=Tone.GOOD if good else Tone.QUIET)
    page.rule()


def _remark(plan: ShotPlan, row: list[Forecast]) -> str:
    good = [f.averaging_s for f in row if f.reaches(float(plan.target_db))]
    if good:
        return f"reaches ± {plan.target_db} from {good[0]:g} s"
    if row[-1].worst_db is None:
        return f"misses {counted(len(row[-1].hindrances), 'splice')}"
    return f"± {plan.target_db} not reached"


def _along_span(page: Page, plan: ShotPlan) -> None:
    shown = _shown(plan)
    page.line()
    page.paragraph(
        f"Expected ± U in dB along the span, {plan.shown_averaging_s:g} s each "
        "(1way: from one end only; join: not parted from its neighbour; -: not reached)"
    )
    widths = (_DISTANCE_WIDTH, *(_NARROW_CELL for _ in shown))
    page.row(("from A", *(_short_pulse(f.pulse_ns) for f in shown), ""), widths)
    page.rule()
    km = in_km(plan.route.length_m)
    for k, place in enumerate(plan.route.places):
        cells = tuple(_cell(f.expectations[k]) for f in shown)
        mark = "c" if place.reflective else ""
        page.row((distance_text(place.middle_m, km=km), *cells, mark), widths)
    page.rule()
    if any(p.reflective for p in plan.route.places):
        page.line("c: connector")


def _shown(plan: ShotPlan) -> list[Forecast]:
    return [plan.of(pulse, plan.shown_averaging_s) for pulse in plan.pulses_ns]


def _short_pulse(pulse_ns: int) -> str:
    return f"{pulse_ns}ns" if pulse_ns < 1000 else f"{pulse_ns / 1000:g}µs"


def _cell(found: Expectation) -> str:
    if found.expanded_db is not None:
        return _figure(found.expanded_db)
    if Obstacle.JOINED in (found.obstacle_ab, found.obstacle_ba):
        return "join"
    return "-" if found.u_ab_db is None and found.u_ba_db is None else "1way"


def _figure(value: float | None) -> str:
    decimal = reported(value, Quantity.UNCERTAINTY_DB)
    return "-" if decimal is None else str(decimal)


def _advice(plan: ShotPlan) -> list[str]:
    if plan.chosen is not None:
        expanded_db = reported(plan.chosen.worst_db, Quantity.UNCERTAINTY_DB) or Decimal(0)
        low, high = plan.limit_db - expanded_db, plan.limit_db + expanded_db
        others = [
            pulse_text(f.pulse_ns)
            for f in _shown(plan)
            if f.reaches(float(plan.target_db))
            and f is not plan.chosen
            and not cords_within(plan.route, f.pulse_ns)
        ]
        sentences = [
            f"Shoot both ends with {pulse_text(plan.chosen.pulse_ns)}, "
            f"{plan.chosen.averaging_s:g} s each: ± {expanded_db} dB or better at every splice, "
            "noise alone (the instrument's own error comes on top).",
            f"Losses from {low} to {high} dB stay too close to {plan.limit_db} dB to call.",
        ]
        if others:
            sentences.append(
                f"As good for the aim: {', '.join(others)}. The shortest pulse parts neighbours "
                "best; a longer one leaves more in hand."
            )
        return sentences
    best = plan.next_best
    sentences = [f"No pulse and time listed reaches ± {plan.target_db} dB at every splice."]
    if best is not None:
        known = sum(e.expanded_db is not None for e in best.expectations)
        sentences.append(
            f"Nearest to it: {pulse_text(best.pulse_ns)}, {best.averaging_s:g} s, which measures "
            f"{known} of {len(best.expectations)} events both ways. Add a shot with another pulse "
            "for the rest, average longer, or use launch fibres so that the first connector's "
            "dead zone is over before the span begins."
        )
    return sentences


def _hindrances(plan: ShotPlan) -> list[str]:
    """One sentence per obstacle, with all pulses that meet it."""
    met: dict[tuple[object, ...], list[Forecast]] = {}
    for one in _shown(plan):
        if one.hindrances:
            place, found = one.hindrances[0]
            key = (place, found.neighbour_m, found.obstacle_ab, found.obstacle_ba)
            met.setdefault((*key, len(one.hindrances)), []).append(one)
    sentences = []
    for first, *others in met.values():
        place, found = first.hindrances[0]
        text = obstacle_text(plan, place, found, first.pulse_ns)
        more = len(first.hindrances) - 1
        text += f" (and {counted(more, 'splice')} more)" if more else ""
        names = ", ".join(pulse_text(o.pulse_ns) for o in others)
        sentences.append(f"{text}; so it is with {names}." if others else f"{text}.")
    within = [pulse for pulse in plan.pulses_ns if cords_within(plan.route, pulse)]
    if within:
        short_m = min(cords_within(plan.route, within[0]))
        sentences.append(
            f"A launch or receive fibre of {short_m:g} m is shorter than a pulse of "
            f"{pulse_text(within[0])} ({plan.route.pulse_m(within[0]):.0f} m) and longer ones: the "
            "connector behind it is not measured, so they are not advised."
        )
    return sentences
