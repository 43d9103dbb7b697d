"""The uncertainty budget of one splice, in 80 columns and as plain data."""

from __future__ import annotations

import math
from typing import Any

from otdravg.pair.budget import Budget, budget_of
from otdravg.pair.measure import Measurement
from otdravg.quantities import Quantity, distance, number
from otdravg.report.page import Page
from otdravg.report.shot_json import fields_object
from otdravg.words.catalogue import Language, say
from otdravg.words.headings import Words

_INPUT_WIDTHS = (18, 20, 8, 8, 9, 6)
_SOURCE_WIDTHS = (29, 7, 15, 10)


def budgets_of(measurement: Measurement) -> tuple[Budget, ...]:
    """Make the budget of every loss that was measured both ways, in order from A."""
    budgets = (budget_of(measurement, reading.number) for reading in measurement.readings)
    return tuple(budget for budget in budgets if budget is not None)


def write_budget(
    page: Page, budget: Budget, *, km: bool, language: Language = Language.ENGLISH
) -> None:
    """Add the budget to a page: by inputs, by causes, what longer averaging buys.

    Form of JCGM 100:2008 (GUM): inputs with standard uncertainty and sensitivity coefficient,
    combined and expanded (k = 2) uncertainty.
    """
    words = Words(language)

    def word(key: str, **named: Any) -> str:
        return say("budget", key, language, **named)

    def u_text(value_db: float) -> str:
        return words.decimal(f"{value_db:.5f}")  # enough digits to add up by hand

    page.paragraph(
        word("title", number=budget.number, place=distance(budget.distance_m, km=km),
             loss_db=budget.loss_db)
    )  # fmt: skip
    page.line()
    page.row(word("inputs").split("/"), _INPUT_WIDTHS)
    page.rule()
    unit = "km" if km else "m"
    for one in budget.inputs:
        a, b = (words.decimal(f"{z / 1000:.3f}" if km else f"{z:.1f}") for z in one.section_m)
        page.row(
            (
                say("budget-name", one.name, language),
                word("between", a=a, b=b, unit=unit),
                str(one.points),
                f"{one.independent:.0f}",
                u_text(one.u_db),
                words.decimal(f"{one.sensitivity:+.1f}"),
                u_text(one.contribution_db),
            ),
            _INPUT_WIDTHS,
        )
    sign = "-" if budget.correlation_db2 < 0 else "+"
    more = [
        ("slopes", sign + u_text(math.sqrt(abs(budget.correlation_db2)))),
        ("place", u_text(budget.place_db)),
    ]
    if budget.bend_db:
        more.append(("bend", u_text(budget.bend_db)))
    for key, text in more:
        page.row((word(key), "", "", "", "", "", text), _INPUT_WIDTHS)
    page.rule()
    page.row(word("causes").split("/"), _SOURCE_WIDTHS)
    page.rule()
    for source in budget.sources:
        page.row(
            (
                say("budget-name", source.name, language),
                source.evaluation,
                u_text(source.u_loss_db),
                words.decimal(f"{100 * source.share:.1f} %"),
                word("yes" if source.falls_with_averaging else "no"),
            ),
            _SOURCE_WIDTHS,
        )
    page.rule()
    page.entry(word("label-combined"), word("combined", u_text=u_text(budget.u_loss_db)))
    page.entry(word("label-expanded"), word("expanded", expanded_db=budget.expanded_db))
    page.entry(
        word("label-place"),
        word("effect", u_place_text=words.decimal(f"{budget.u_place_m:.1f}"),
             effect_text=words.decimal(f"{budget.place_db:.6f}")),
    )  # fmt: skip
    label = word("label-averaging")
    for gain in budget.gains:
        key = "endless" if math.isinf(gain.factor) else "longer"
        now, then = u_text(budget.expanded_db), u_text(gain.expanded_db)
        factor = words.decimal(f"{gain.factor:g}")
        page.entry(label, word(key, factor=factor, now=now, then=then))
        label = ""
    page.paragraph(word("not-contained"))


def budget_object(budget: Budget) -> dict[str, Any]:
    """Return the budget as plain lists, dictionaries, texts and numbers, for JSON."""
    return {
        **fields_object(budget, "number", "distance_m", "loss_db"),
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
                **fields_object(source, "name", "evaluation"),
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


def _exact(value: float) -> float:
    """Seven significant digits: more is float noise, fewer do not add up."""
    return float(f"{value:.7g}")
