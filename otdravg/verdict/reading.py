"""Profiles from TOML text, by the table of keys; docs/profiles.md is the reference."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from decimal import Decimal
from importlib import resources
from os import PathLike
from typing import Any, TypeVar

from otdravg.errors import BadProfile, BadSetting
from otdravg.findings import says
from otdravg.system.toml_file import settings_in, settings_text
from otdravg.verdict import rules
from otdravg.verdict.keys import CABLE_FINDINGS, Table
from otdravg.verdict.rules import DbByWavelength, Profile, default
from otdravg.words.catalogue import has_words

T = TypeVar("T")
#: Number of the file layout that this reader knows. Chosen, not derived: a version, counted from
#: one.
_FORMAT = 1
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
        text = settings_text(path)
    except BadSetting as error:
        raise BadProfile(path, [error]) from error
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
        raise BadSetting("profile", name, says("shipped-are", known=", ".join(shipped_names())))
    return (resources.files("otdravg.verdict") / _SHIPPED / f"{name}.toml").read_text("utf-8")


def load_named(which: str | PathLike[str]) -> Profile:
    """Read a profile by what a user calls it: a bare word is a name, all else a file.

    Raises
    ------
    BadSetting
        If no profile has that name, or the file cannot be used (:class:`BadProfile`).
    """
    if not isinstance(which, (str, PathLike)):
        raise BadSetting("profile", which, says("give-profile"))
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
        content = settings_in(text, Decimal)
    except BadSetting as error:
        raise BadProfile(path, [error]) from error
    top = Table(content, "", [], {})
    profile = _profile(top)
    if top.problems:
        raise BadProfile(path, top.problems)
    return profile


def _profile(top: Table) -> Profile:
    top.need("format", "name", "source")
    number = top.whole("format", 1, 9999)
    if number not in (None, _FORMAT):
        top.note("format", says("reads-format", number=_FORMAT))
    name = top.text("name") or "unnamed"
    if "name" in top and not _NAME.fullmatch(name):
        top.note("name", says("write-profile-name"))
    own = top.table("stages")
    stages = {
        name: _rule(rules.Stage, own.table(name), "stages.*", name=name) for name in own.names()
    }
    profile = Profile(
        name=name,
        title=top.text("title") or "",
        source=top.text("source") or "",
        **_plain(top, "decision"),
        splice=_splice(top.table("splice")),
        one_way=_one_way(top.table("one_way")),
        span=_span(top.table("span")),
        fibre=rules.FibreRule(**_plain(top, "fibre")),
        connector=rules.ConnectorRule(**_plain(top, "connector")),
        wavelengths=_wavelengths(top.table("wavelengths")),
        bend=rules.BendRule(**_plain(top, "bend")),
        change=rules.ChangeRule(**_plain(top, "change")),
        setup=_setup(top.table("setup")),
        completeness=rules.CompletenessRule(**_plain(top, "completeness")),
        data=_data(top.table("data")),
        ribbon=rules.RibbonRule(**_plain(top, "ribbon")),
        closure=rules.ClosureRule(**_plain(top, "closure")),
        share=_share(top.table("share")),
        trace_name=_trace_name(top.table("traces")),
        stages=stages,
        stage=_stage_in_force(top, stages),
        origins=top.origins,
    )
    top.close()
    return profile


def _plain(top: Table, name: str) -> dict[str, Any]:
    """Read a table that needs nothing but its keys."""
    return _rule(dict[str, Any], top.table(name), name)


def _rule(kind: Callable[..., T], table: Table, path: str, **parts: Any) -> T:
    """Make a rule of a table's keys and of its tables; close the table."""
    values = table.values(path)
    table.close()
    return kind(**values, **parts)


def _share(table: Table) -> rules.ShareRule:
    if table.names():
        table.need("percent")
    rule = _rule(rules.ShareRule, table, "share")
    if table.names() and not rule.limit_db:
        table.note("limit_db", says("key-or-at", key="limit_db_at"))
    return rule


def _trace_name(table: Table) -> str | None:
    name: str | None = _rule(dict[str, Any], table, "traces").get("name")
    fields = ("{fibre", "{wavelength", "{direction")
    if name and (not all(part in name for part in fields) or not name.lower().endswith(".sor")):
        table.note("name", says("use-trace-fields-sor"))
    return name


def _splice(table: Table) -> rules.SpliceRule:
    methods, attempts = {}, None
    for method in rules.Method:
        part = table.table(method.value)
        if part.names():
            methods[method] = _rule(rules.MethodRule, part, "splice.*")
            _nominal_not_above(part, methods[method])
    if "attempts" in table:
        own = table.table("attempts")
        own.need("allowed")
        attempts = _rule(rules.AttemptsRule, own, "splice.attempts")
    rule = _rule(rules.SpliceRule, table, "splice", methods=methods, attempts=attempts)
    _nominal_not_above(table, rule)
    if attempts is not None:
        _above(table, rule.limit_db, attempts.fallback_db)
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
                    says("not-below-limit", low=str(low), nominal=nm),
                )
            )
            return


def _nominal_not_above(table: Table, rule: rules.SpliceRule | rules.MethodRule) -> None:
    limits = [rule.limit_db.general, *rule.limit_db.by_wavelength_nm.values()]
    highest = max((limit for limit in limits if limit is not None), default=None)
    if rule.nominal_db is not None and highest is not None and rule.nominal_db > highest:
        table.note("nominal_db", says("not-above-limit", most=str(highest)))


def _one_way(table: Table) -> rules.OneWayRule:
    if table.names():
        table.need("reasons")
    return _rule(rules.OneWayRule, table, "one_way")


def _stage_in_force(top: Table, stages: Mapping[str, rules.Stage]) -> rules.Stage:
    """Return the stage that the profile starts in; "final" where it names none."""
    name = top.text("stage") or "final"
    if name not in stages and "stage" in top:
        known = ", ".join(f'"{stage}"' for stage in stages) or "none yet, write [stages.NAME]"
        top.note("stage", says("one-of-stages", known=known))
    return stages.get(name, rules.Stage(name))


def _span(table: Table) -> rules.SpanRule:
    steps = []
    for own in table.tables("steps"):
        own.need("limit_db")
        step = _rule(rules.LengthStep, own, "span.steps[]")
        if (step.up_to_m is None) == (step.below_m is None):
            own.note("up_to_m", says("up-to-or-below"))
        steps.append(step)
    formula = None
    if "formula" in table:
        own = table.table("formula")
        formula = _rule(rules.LossFormula, own, "span.formula")
        if not formula.fibre_db_per_km:
            own.note("fibre_db_per_km", says("key-or-at", key="fibre_db_per_km_at"))
    rule = _rule(rules.SpanRule, table, "span", steps=tuple(steps), formula=formula)
    ends = [step.up_to_m or step.below_m or 0.0 for step in rule.steps]
    if ends != sorted(ends):
        table.problems.append(BadSetting(table.key("steps"), ends, says("steps-in-order")))
    if rule.evidence_attempts is not None and not rule.mean_limit_db:
        table.note("evidence_attempts", says("needs-beside", key="mean_limit_db"))
    return rule


def _wavelengths(table: Table) -> rules.WavelengthRule:
    cases = []
    for own in table.tables("cases"):
        own.need("required")
        cases.append(_rule(rules.WavelengthCase, own, "wavelengths.cases[]"))
        if not {"longer_than_m", "fibre_types"} & set(own.names()):
            own.note("longer_than_m", says("case-condition"))
    return _rule(rules.WavelengthRule, table, "wavelengths", cases=tuple(cases))


def _setup(table: Table) -> rules.SetupRule:
    ranges = []
    for own in table.tables("ranges"):
        own.need("fibre_to_m", "range_to_m")
        ranges.append(_rule(rules.RangeStep, own, "setup.ranges[]"))
    rule = _rule(rules.SetupRule, table, "setup", ranges=tuple(ranges))
    low, high = rule.pulse_ns_min, rule.pulse_ns_max
    if low is not None and high is not None and low > high:
        table.note("pulse_ns_min", says("not-above", what="pulse_ns_max", most=str(high)))
    for cord, use in (("launch", rule.launch), ("receive", rule.receive)):
        if f"{cord}_m_min" in table and use is not rules.LaunchUse.REQUIRED:
            table.note(f"{cord}_m_min", says("needs-beside", key=f'{cord} = "required"'))
    return rule


def _data(table: Table) -> rules.DataRule:
    values = _rule(dict[str, Any], table, "data")
    codes = frozenset(values.pop("not_gradable", ()))
    for code in sorted(codes - CABLE_FINDINGS):
        if not has_words("finding", code):
            table.problems.append(BadSetting(table.key("not_gradable"), code, says("no-such-code")))
    return rules.DataRule(codes, **values)
