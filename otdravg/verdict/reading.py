"""Profiles from TOML text: docs/profiles.md is the reference of every key."""

from __future__ import annotations

import re
import sys
from collections.abc import Mapping
from decimal import Decimal
from importlib import resources
from os import PathLike
from pathlib import Path
from typing import Any

from otdravg.errors import BadProfile, BadSetting
from otdravg.verdict import rules
from otdravg.verdict.keys import Bounds, Table, each
from otdravg.verdict.limits import Rule
from otdravg.verdict.profile import Profile, default
from otdravg.verdict.rules import DbByWavelength

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib

__all__ = ["load", "load_named", "load_shipped", "parse", "shipped_names", "shipped_text"]

#: Number of the file layout that this reader knows. Chosen, not derived: a version, counted from
#: one.
_FORMAT = 1
#: No contract accepts more of one splice; a larger figure is a typing slip (20 for 0.20). Chosen,
#: not derived: from the step of stored levels to half of the light, for spans and for a kilometre
#: to what no receiver reaches through.
_SPLICE_DB: Bounds = (Decimal("0.001"), Decimal(3))
_SPAN_DB: Bounds = (Decimal("0.001"), Decimal(100))
_PER_KM_DB: Bounds = (Decimal("0.001"), Decimal(10))
_NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,59}")
_SHIPPED = "examples"


def load(path: str | PathLike[str]) -> Profile:
    """Read an acceptance profile from a TOML file.

    Parameters
    ----------
    path : path or str
        The file.

    Returns
    -------
    Profile

    Raises
    ------
    BadProfile
        With every problem of the file: key, value and what is allowed.
    """
    try:
        text = Path(path).read_bytes().decode("utf-8")
    except UnicodeDecodeError as error:
        problem = BadSetting("text", f"byte {error.start}", "save the file as UTF-8")
        raise BadProfile(path, [problem]) from error
    except OSError as error:
        problem = BadSetting("file", str(path), error.strerror or "it cannot be read")
        raise BadProfile(path, [problem]) from error
    return parse(text, str(path))


def shipped_names() -> tuple[str, ...]:
    """Return the names of the example profiles that come with the package."""
    folder = resources.files("otdravg.verdict") / _SHIPPED
    return tuple(
        sorted(part.name[: -len(".toml")] for part in folder.iterdir() if ".toml" in part.name)
    )


def shipped_text(name: str) -> str:
    """Return the TOML text of a shipped example.

    Raises
    ------
    BadSetting
        If there is no such example.
    """
    if name not in shipped_names():
        raise BadSetting("profile", name, "shipped are " + ", ".join(shipped_names()))
    return (resources.files("otdravg.verdict") / _SHIPPED / f"{name}.toml").read_text("utf-8")


def load_named(which: str | PathLike[str]) -> Profile:
    """Read a profile by what a user calls it: a bare word is a name, all else a file.

    Raises
    ------
    BadSetting
        If no profile has that name, or the file cannot be used (:class:`BadProfile`).
    """
    if not isinstance(which, (str, PathLike)):
        raise BadSetting("profile", which, "give the name of one, or a file")
    if not isinstance(which, str) or {".", "/", "\\"} & set(which):
        return load(which)
    return default() if which == default().name else load_shipped(which)


def load_shipped(name: str) -> Profile:
    """Read a shipped example by its name."""
    return parse(shipped_text(name), f"{name}.toml")


def parse(text: str, path: str) -> Profile:
    """Read a profile from TOML text; ``path`` is what errors call it."""
    try:
        # Decimals as typed: 0.15 must not become the binary number next to it.
        content: dict[str, Any] = tomllib.loads(text, parse_float=Decimal)
    except tomllib.TOMLDecodeError as error:
        raise BadProfile(path, [BadSetting("TOML", str(error), "mend the line named")]) from error
    top = Table(content, "", [])
    profile = _profile(top)
    if top.problems:
        raise BadProfile(path, top.problems)
    return profile


def _profile(top: Table) -> Profile:
    top.need("format", "name", "source")
    number = top.whole("format", 1, 9999)
    if number not in (None, _FORMAT):
        top.note("format", f"this program reads format {_FORMAT}")
    name = top.text("name", "unnamed")
    if "name" in top and not _NAME.fullmatch(name):
        top.note("name", "write up to 60 of a-z, 0-9 and hyphens")
    stages = _stages(top.table("stages"))
    profile = Profile(
        name=name,
        title=top.text("title"),
        source=top.text("source"),
        rule=_decision(top.table("decision")),
        splice=_splice(top.table("splice")),
        one_way=_one_way(top.table("one_way")),
        span=_span(top.table("span")),
        fibre=_fibre(top.table("fibre")),
        connector=_connector(top.table("connector")),
        wavelengths=_wavelengths(top.table("wavelengths")),
        bend=_bend(top.table("bend")),
        change=_change(top.table("change")),
        setup=_setup(top.table("setup")),
        completeness=_completeness(top.table("completeness")),
        data=_data(top.table("data")),
        ribbon_size=_ribbon(top.table("ribbon")),
        trace_name=_trace_name(top.table("traces")),
        stages=stages,
        stage=_stage_in_force(top, stages),
    )
    top.close()
    return profile


def _trace_name(table: Table) -> str | None:
    name = table.text("name") or None
    fields = ("{fibre", "{wavelength", "{direction")
    if name and (not all(part in name for part in fields) or not name.lower().endswith(".sor")):
        table.note("name", "use {fibre}, {wavelength} and {direction}, and end in .sor")
    table.close()
    return name


def _decision(table: Table) -> Rule:
    rule = table.choice("rule", Rule, Rule.PLAIN)
    table.close()
    return rule


def _splice(table: Table) -> rules.SpliceRule:
    methods = {
        method: _method(table.table(method.value))
        for method in rules.Method
        if method.value in table
    }
    rule = rules.SpliceRule(
        limit_db=table.by_wavelength("limit_db", _SPLICE_DB, "dB"),
        nominal_db=table.number("nominal_db", _SPLICE_DB, "dB"),
        wavelengths=table.choice("wavelengths", rules.Combination, rules.Combination.ALL),
        method=table.choice("method", rules.Method, rules.Method.RIBBON),
        methods=methods,
        attempts=_attempts(table.table("attempts"), "attempts" in table),
    )
    table.close(also=[method.value for method in rules.Method])
    _not_above(table, "nominal_db", rule.nominal_db, rule.limit_db, "the limit")
    if rule.attempts is not None:
        _above(table, rule.limit_db, rule.attempts.fallback_db)
    return rule


def _above(table: Table, limit: DbByWavelength, fallback: DbByWavelength) -> None:
    """A fallback below the objective would fail what passed."""
    for nm in {*limit.by_wavelength_nm, *fallback.by_wavelength_nm, 1550}:
        low, high = limit.at(nm), fallback.at(nm)
        if low is not None and high is not None and high < low:
            table.problems.append(
                BadSetting(
                    table.key("attempts.fallback_db"),
                    float(high),
                    f"it must not be below the limit of {low} dB at {nm} nm",
                )
            )
            return


def _not_above(
    table: Table, name: str, value: Decimal | None, limit: DbByWavelength, what: str
) -> None:
    highest = [limit.general, *limit.by_wavelength_nm.values()]
    known = [figure for figure in highest if figure is not None]
    if value is not None and known and value > max(known):
        table.problems.append(
            BadSetting(table.key(name), float(value), f"it must not be above {what}, {max(known)}")
        )


def _attempts(table: Table, is_there: bool) -> rules.AttemptsRule | None:
    if not is_there:
        return None
    table.need("allowed")
    rule = rules.AttemptsRule(
        allowed=table.whole("allowed", 1, 20) or 1,
        fallback_db=table.by_wavelength("fallback_db", _SPLICE_DB, "dB"),
    )
    table.close()
    return rule


def _method(table: Table) -> rules.MethodRule:
    rule = rules.MethodRule(
        permitted=table.choice("permitted", rules.Permission, rules.Permission.YES),
        limit_db=table.by_wavelength("limit_db", _SPLICE_DB, "dB"),
        nominal_db=table.number("nominal_db", _SPLICE_DB, "dB"),
    )
    table.close()
    _not_above(table, "nominal_db", rule.nominal_db, rule.limit_db, "the limit")
    return rule


def _one_way(table: Table) -> rules.OneWayRule | None:
    if not table.names():
        return None
    table.need("reasons")
    rule = rules.OneWayRule(
        reasons=table.texts("reasons"),
        splice_limit_db=table.by_wavelength("splice_limit_db", _SPLICE_DB, "dB"),
        span_mean_limit_db=table.by_wavelength("span_mean_limit_db", _SPLICE_DB, "dB"),
    )
    table.close()
    return rule


def _stages(table: Table) -> Mapping[str, rules.Stage]:
    stages = {name: _stage(table.table(name), name) for name in table.names()}
    table.close()
    return stages


def _stage(table: Table, name: str) -> rules.Stage:
    stage = rules.Stage(
        name=name,
        directions=table.choice("directions", rules.Directions, rules.Directions.BOTH),
        closures=table.choice("closures", rules.Closures, rules.Closures.ANY),
        limit_db=table.by_wavelength("limit_db", _SPLICE_DB, "dB"),
    )
    table.close()
    return stage


def _stage_in_force(top: Table, stages: Mapping[str, rules.Stage]) -> rules.Stage:
    """Return the stage that the profile starts in; "final" where it names none."""
    name = top.text("stage", "final")
    if name not in stages and "stage" in top:
        known = ", ".join(f'"{stage}"' for stage in stages) or "none yet, write [stages.NAME]"
        top.note("stage", f"it has to be one of the stages: {known}")
    return stages.get(name, rules.Stage(name))


def _span(table: Table) -> rules.SpanRule:
    rule = rules.SpanRule(
        mean_limit_db=table.by_wavelength("mean_limit_db", _SPLICE_DB, "dB"),
        evidence_attempts=table.whole("evidence_attempts", 1, 20),
        steps=each(table.tables("steps"), _step),
        formula=_formula(table.table("formula"), "formula" in table),
        splices_per_km=table.number("splices_per_km", (Decimal("0.01"), Decimal(1000)), ""),
    )
    ends = [step.end_m for step in rule.steps]
    if ends != sorted(ends):
        table.problems.append(
            BadSetting(table.key("steps"), ends, "write the steps from short to long")
        )
    if rule.evidence_attempts is not None and not rule.mean_limit_db:
        table.note("evidence_attempts", "it needs a mean_limit_db beside it")
    table.close()
    return rule


def _step(table: Table) -> rules.LengthStep:
    table.need("limit_db")
    up_to_m, below_m = table.metres("up_to_m"), table.metres("below_m")
    if (up_to_m is None) == (below_m is None):
        table.note("up_to_m", "write up_to_m (that length included) or below_m, one of both")
    return rules.LengthStep(
        end_m=up_to_m or below_m or 0.0,
        includes_end=up_to_m is not None,
        limit_db=table.number("limit_db", _SPAN_DB, "dB") or Decimal(0),
    )


def _formula(table: Table, is_there: bool) -> rules.LossFormula | None:
    if not is_there:
        return None
    rule = rules.LossFormula(
        fibre_db_per_km=table.by_wavelength("fibre_db_per_km", _PER_KM_DB, "dB/km"),
        splice_db=table.number("splice_db", (Decimal(0), Decimal(3)), "dB") or Decimal(0),
        connector_db=table.number("connector_db", (Decimal(0), Decimal(3)), "dB") or Decimal(0),
    )
    if not rule.fibre_db_per_km:
        table.note("fibre_db_per_km", "this key, or fibre_db_per_km_at, has to be there")
    table.close()
    return rule


def _fibre(table: Table) -> rules.FibreRule:
    rule = rules.FibreRule(table.by_wavelength("attenuation_db_per_km", _PER_KM_DB, "dB/km"))
    table.close()
    return rule


def _connector(table: Table) -> rules.ConnectorRule:
    rule = rules.ConnectorRule(
        limit_db=table.number("limit_db", _SPLICE_DB, "dB"),
        end_limit_db=table.number("end_limit_db", _SPLICE_DB, "dB"),
        per_direction_limit_db=table.number("per_direction_limit_db", _SPLICE_DB, "dB"),
        reflectance_limit_db=table.number(
            "reflectance_limit_db", (Decimal(-90), Decimal(-1)), "dB"
        ),
        with_splice_limit_db=table.number("with_splice_limit_db", _SPLICE_DB, "dB"),
        with_splice_mismatch_limit_db=table.number(
            "with_splice_mismatch_limit_db", _SPLICE_DB, "dB"
        ),
    )
    table.close()
    return rule


def _wavelengths(table: Table) -> rules.WavelengthRule:
    rule = rules.WavelengthRule(
        required_nm=table.wavelengths("required"),
        cases=each(table.tables("cases"), _case),
        judges_others=table.flag("judge_others", True),
    )
    table.close()
    return rule


def _case(table: Table) -> rules.WavelengthCase:
    table.need("required")
    case = rules.WavelengthCase(
        required_nm=table.wavelengths("required"),
        longer_than_m=table.metres("longer_than_m"),
        fibre_types=table.texts("fibre_types"),
    )
    if case.longer_than_m is None and not case.fibre_types:
        table.note("longer_than_m", "a case needs longer_than_m or fibre_types as its condition")
    return case


def _bend(table: Table) -> rules.BendRule | None:
    threshold_db = table.number("threshold_db", _SPLICE_DB, "dB")
    table.close()
    return None if threshold_db is None else rules.BendRule(threshold_db)


def _change(table: Table) -> rules.ChangeRule:
    rule = rules.ChangeRule(
        increase_limit_db=table.number("increase_limit_db", _SPLICE_DB, "dB"),
        deviation_limit_percent=table.number(
            "deviation_limit_percent", (Decimal("0.01"), Decimal(100)), "%"
        ),
    )
    table.close()
    return rule


def _setup(table: Table) -> rules.SetupRule:
    pulse: Bounds = (Decimal(1), Decimal(100_000))
    rule = rules.SetupRule(
        pulse_ns_min=table.number("pulse_ns_min", pulse, "ns"),
        pulse_ns_max=table.number("pulse_ns_max", pulse, "ns"),
        averages_min=table.whole("averages_min", 1, 2**31),
        averaging_time_s_min=table.number(
            "averaging_time_s_min", (Decimal("0.1"), Decimal(36_000)), "s"
        ),
        ranges=each(table.tables("ranges"), _range_step),
        group_index=rules.Tolerance(
            table.by_wavelength("group_index", (Decimal("1.3"), Decimal("1.6")), ""),
            table.number("group_index_tolerance", (Decimal(0), Decimal("0.1")), "") or Decimal(0),
        ),
        backscatter_db=rules.Tolerance(
            table.by_wavelength("backscatter_db", (Decimal(-100), Decimal(-40)), "dB"),
            table.number("backscatter_tolerance_db", (Decimal(0), Decimal(20)), "dB") or Decimal(0),
        ),
        launch=table.choice("launch", rules.LaunchUse, rules.LaunchUse.ANY),
        launch_m_min=table.metres("launch_m_min"),
        receive=table.choice("receive", rules.LaunchUse, rules.LaunchUse.ANY),
        receive_m_min=table.metres("receive_m_min"),
    )
    table.close()
    if (
        rule.pulse_ns_min is not None
        and rule.pulse_ns_max is not None
        and rule.pulse_ns_min > rule.pulse_ns_max
    ):
        table.note("pulse_ns_min", f"it must not be above pulse_ns_max, {rule.pulse_ns_max}")
    for cord, use in (("launch", rule.launch), ("receive", rule.receive)):
        if f"{cord}_m_min" in table and use is not rules.LaunchUse.REQUIRED:
            table.note(f"{cord}_m_min", f'it needs {cord} = "required" beside it')
    return rule


def _range_step(table: Table) -> rules.RangeStep:
    table.need("fibre_to_m", "range_to_m")
    return rules.RangeStep(
        fibre_to_m=table.metres("fibre_to_m") or 0.0, range_to_m=table.metres("range_to_m") or 0.0
    )


def _completeness(table: Table) -> rules.CompletenessRule:
    rule = rules.CompletenessRule(
        every_fibre=table.flag("every_fibre", True),
        retest_touched=table.flag("retest_touched", False),
    )
    table.close()
    return rule


def _data(table: Table) -> rules.DataRule:
    rule = rules.DataRule(
        not_gradable=frozenset(table.texts("not_gradable")),
        length_difference_limit_m=table.metres("length_difference_limit_m"),
    )
    table.close()
    return rule


def _ribbon(table: Table) -> int | None:
    """Return the ribbon's size; 0 in the file means loose tube, and 12 is usual."""
    size = table.whole("size", 0, 48)
    table.close()
    if size is None:
        return 12
    return size or None
