"""The uncertainty budget of one splice, in 80 columns and as plain data."""

from __future__ import annotations

import math
from typing import Any

from otdravg.pair.budget import Budget, budget_of
from otdravg.pair.measure import Measurement
from otdravg.quantities import Quantity, distance_text, number, reported
from otdravg.report.page import Page

__all__ = ["budget_object", "budgets_of", "write_budget"]

_INPUT_WIDTHS = (18, 20, 8, 8, 9, 6)
_SOURCE_WIDTHS = (29, 7, 15, 10)

_NOT_CONTAINED = (
    "Not contained: scale error and linearity of the instrument (see its calibration "
    "certificate). The group index scales distances and dB/km, not losses: nothing."
)


def budgets_of(measurement: Measurement) -> tuple[Budget, ...]:
    """Make the budget of every loss that was measured both ways, in order from A."""
    budgets = (budget_of(measurement, reading.number) for reading in measurement.readings)
    return tuple(budget for budget in budgets if budget is not None)


def write_budget(page: Page, budget: Budget, *, km: bool) -> None:
    """Add the budget to a page: by inputs, by causes, what longer averaging buys.

    Form of JCGM 100:2008 (GUM): inputs with standard uncertainty and sensitivity coefficient,
    combined and expanded (k = 2) uncertainty.
    """
    at = distance_text(budget.distance_m, km=km)
    loss_db = reported(budget.loss_db, Quantity.LOSS_DB)
    page.paragraph(
        f"Uncertainty budget of {budget.number} at {at}: loss {loss_db} dB "
        "(JCGM 100:2008). The loss is half of (A→B before − behind) + (B→A before − behind)."
    )
    page.line()
    page.row(("Level", "from fibre between", "points", "indep.", "u dB", "c", "|c|u"),
             _INPUT_WIDTHS)  # fmt: skip
    page.rule()
    for one in budget.inputs:
        ends = " to ".join(f"{z / 1000:.3f}" if km else f"{z:.1f}" for z in one.section_m)
        page.row(
            (
                one.name.removeprefix("level "),
                f"{ends} {'km' if km else 'm'}",
                str(one.points),
                f"{one.independent:.0f}",
                _u(one.u_db),
                f"{one.sensitivity:+.1f}",
                _u(one.contribution_db),
            ),
            _INPUT_WIDTHS,
        )
    sign = "-" if budget.correlation_db2 < 0 else "+"
    shared = sign + _u(math.sqrt(abs(budget.correlation_db2)))
    page.row(("they share slopes", "", "", "", "", "", shared), _INPUT_WIDTHS)
    page.row(("their place", "", "", "", "", "", _u(budget.place_db)), _INPUT_WIDTHS)
    page.rule()
    page.row(("Cause", "type", "u of loss dB", "share", "averaging helps"), _SOURCE_WIDTHS)
    page.rule()
    for source in budget.sources:
        page.row(
            (
                source.name,
                source.evaluation,
                _u(source.u_loss_db),
                f"{100 * source.share:.1f} %",
                "yes" if source.falls_with_averaging else "no",
            ),
            _SOURCE_WIDTHS,
        )
    page.rule()
    page.entry("Combined", f"u = {_u(budget.u_loss_db)} dB (root of the sum of squares of "
               "either table; what has a minus sign is taken off)")  # fmt: skip
    expanded_db = reported(budget.expanded_db, Quantity.UNCERTAINTY_DB)
    page.entry("Expanded", f"U = ± {expanded_db} dB, k = 2, about 95 %, rounded up")
    page.entry(
        "Place",
        f"± {budget.u_place_m:.1f} m (k = 1) in the position moves the loss by "
        f"{budget.place_db:.6f} dB, as the slopes on both sides differ",
    )
    for k, gain in enumerate(budget.gains):
        page.entry("Averaging" if k == 0 else "", _gain(budget, gain.factor, gain.expanded_db))
    page.paragraph(_NOT_CONTAINED)


def budget_object(budget: Budget) -> dict[str, Any]:
    """Return the budget as plain lists, dictionaries, texts and numbers, for JSON."""
    return {
        "number": budget.number,
        "distance_m": number(budget.distance_m, Quantity.DISTANCE_M),
        "loss_db": number(budget.loss_db, Quantity.LOSS_DB),
        "inputs": [
            {
                "name": one.name,
                "from_m": number(one.section_m[0], Quantity.DISTANCE_M),
                "to_m": number(one.section_m[1], Quantity.DISTANCE_M),
                "points": one.points,
                "independent_points": round(one.independent, 1),
                "u_db": _exact(one.u_db),
                "sensitivity": one.sensitivity,
                "contribution_db": _exact(one.contribution_db),
            }
            for one in budget.inputs
        ],
        "correlation_db2": _exact(budget.correlation_db2),
        "causes": [
            {
                "name": source.name,
                "evaluation": source.evaluation,
                "u_loss_db": _exact(source.u_loss_db),
                "share": round(source.share, 4),
                "falls_with_averaging": source.falls_with_averaging,
            }
            for source in budget.sources
        ],
        "u_loss_db": _exact(budget.u_loss_db),
        "coverage_factor": 2,
        "expanded_uncertainty_db": number(budget.expanded_db, Quantity.UNCERTAINTY_DB),
        "place_effect_db": _exact(budget.place_db),
        "u_place_m": number(budget.u_place_m, Quantity.U_DISTANCE_M),
        "longer_averaging": [
            {
                "factor": None if math.isinf(gain.factor) else gain.factor,
                "expanded_uncertainty_db": _exact(gain.expanded_db),
            }
            for gain in budget.gains
        ],
    }


def _gain(budget: Budget, factor: float, expanded_db: float) -> str:
    now, then = _u(budget.expanded_db), _u(expanded_db)
    if math.isinf(factor):
        return f"without end brings ± {then} dB: ripple, position and borrowed slopes stay"
    return f"{factor:g} × longer brings ± {now} to ± {then} dB"


def _u(value_db: float) -> str:
    """Write an uncertainty with enough digits to add up by hand."""
    return f"{value_db:.5f}"


def _exact(value: float) -> float:
    """Seven significant digits: more is float noise, fewer do not add up."""
    return float(f"{value:.7g}")
