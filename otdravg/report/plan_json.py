"""A plan of shots as one JSON object; the fields are described in ``docs/commands.md``."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from otdravg import __version__
from otdravg.cable.lists.pace import Pace
from otdravg.forecast.hours import Hours
from otdravg.forecast.plan import Forecast, ShotPlan
from otdravg.quantities import Quantity, number
from otdravg.report.plan_text import PLAN_ASSUMPTIONS, obstacle_text
from otdravg.report.shot_json import fields_object
from otdravg.words.statements import caution_statement

#: Name and version of the layout; the number rises when a field changes its meaning.
PLAN_SCHEMA_NAME = "otdravg.plan/1"


def plan_json(plan: ShotPlan, hours: Hours | None = None, paces: Sequence[Pace] = ()) -> str:
    """Return the plan as JSON text, ASCII only."""
    return json.dumps(plan_object(plan, hours, paces), indent=2, allow_nan=False) + "\n"


def plan_object(
    plan: ShotPlan, hours: Hours | None = None, paces: Sequence[Pace] = ()
) -> dict[str, Any]:
    """Return the plan as plain lists, dictionaries, texts and numbers."""
    route = plan.route
    return {
        "schema": PLAN_SCHEMA_NAME,
        "program_version": __version__,
        "exit_status": 0 if plan.chosen else 1,
        "wavelength_nm": plan.basis.wavelength_nm,
        "basis": list(plan.basis.statements),
        "assumptions": list(PLAN_ASSUMPTIONS),
        **fields_object(route, "length_m", "launch_m", "receive_m"),
        **fields_object(plan, "limit_db", "target_db"),
        "chosen": None
        if plan.chosen is None
        else fields_object(plan.chosen, "pulse_ns", "averaging_s"),
        "forecasts": [_forecast(plan, one) for one in plan.forecasts],
        "hours": None if hours is None else _hours(plan, hours, paces),
        "caution": caution_statement(),
    }


def _hours(plan: ShotPlan, hours: Hours, paces: Sequence[Pace]) -> dict[str, Any]:
    return {
        "shots_from_each_end": hours.shots,
        "between_shots_s": number(hours.between_s, Quantity.TIME_S),
        "by_files": hours.is_by_files,
        "shift_h": hours.shift_h,
        "averaging_that_fits_s": hours.fitting(plan.averaging_s),
        "most_averaging_s": number(hours.most_averaging_s, Quantity.TIME_S),
        "ends": [
            {
                "averaging_s": time_s,
                "hours_from_each_end": round(hours.of_an_end(time_s), 2),
                "hours_for_each_wavelength": round(hours.of_one(time_s), 2),
            }
            for time_s in plan.averaging_s
        ],
        "instruments": [
            {
                "instrument": one.instrument,
                "shots": one.shots,
                "shots_per_hour": None if one.per_hour is None else round(one.per_hour, 1),
                "shot_again_share": round(one.share_again, 4),
            }
            for one in paces
        ],
    }


def _forecast(plan: ShotPlan, one: Forecast) -> dict[str, Any]:
    return {
        "pulse_ns": one.pulse_ns,
        "averaging_s": one.averaging_s,
        "reaches_target": one.reaches(float(plan.target_db)),
        "worst_expanded_uncertainty_db": number(one.worst_db, Quantity.UNCERTAINTY_DB),
        "places": [
            {
                "distance_m": number(place.middle_m, Quantity.DISTANCE_M),
                "kind": "connector" if place.reflective else "splice",
                "expanded_uncertainty_db": number(found.expanded_db, Quantity.UNCERTAINTY_DB),
                "u_loss_ab_db": number(found.u_ab_db, Quantity.STANDARD_UNCERTAINTY_DB),
                "u_loss_ba_db": number(found.u_ba_db, Quantity.STANDARD_UNCERTAINTY_DB),
                "reason": None
                if found.u_loss_db is not None
                else obstacle_text(plan, place, found, one.pulse_ns),
            }
            for place, found in zip(one.places, one.expectations, strict=True)
        ],
    }
