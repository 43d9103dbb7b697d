"""A profile in plain sentences, for a person who has to check it against the contract."""

from __future__ import annotations

from collections.abc import Iterator

from otdravg.verdict.limits import Rule
from otdravg.verdict.profile import Profile
from otdravg.verdict.rules import Combination, DbByWavelength, LaunchUse, Permission, Tolerance

__all__ = ["described"]

Line = tuple[str, str]  # short label and sentence


def described(profile: Profile) -> tuple[Line, ...]:
    """Say every rule of a profile: label (at most 11 letters) and sentence, in order."""
    return (
        *_splices(profile),
        *_one_way(profile),
        *_stages(profile),
        *_spans(profile),
        *_connectors(profile),
        *_wavelengths(profile),
        *_changes(profile),
        *_setup(profile),
        *_data(profile),
    )


def _figures(figures: DbByWavelength, unit: str = "dB") -> str:
    """Write "0.12 dB, 0.15 dB at 1310 nm"."""
    parts = [] if figures.general is None else [f"{figures.general} {unit}".rstrip()]
    parts += [
        f"{figure} {unit}".rstrip() + f" at {nm} nm"
        for nm, figure in sorted(figures.by_wavelength_nm.items())
    ]
    return ", ".join(parts)


def _splices(profile: Profile) -> Iterator[Line]:
    rule = profile.splice
    plain = "at or below the limit is within"
    guarded = "where the limit lies inside the uncertainty (k = 2) nothing is decided"
    yield "Decision", plain if profile.rule is Rule.PLAIN else f"guarded: {guarded}"
    if rule.limit_db:
        yield "Splice", f"splice loss at most {_figures(rule.limit_db)}"
    else:
        yield "Splice", "no limit for all splices"
    if rule.nominal_db is not None:
        yield "", f"nominal {rule.nominal_db} dB; above it a splice passes with a remark"
    if rule.attempts is not None:
        fallback = _figures(rule.attempts.fallback_db)
        tail = f": up to {fallback} is accepted out of specification" if fallback else ""
        yield "", f"after {rule.attempts.allowed} attempts{tail}"
    for method, own in sorted(rule.methods.items(), key=lambda item: item[0].value):
        parts = [f"at most {_figures(own.limit_db)}"] if own.limit_db else []
        parts += [f"nominal {own.nominal_db} dB"] if own.nominal_db is not None else []
        if own.permitted is not Permission.YES:
            word = "not allowed" if own.permitted is Permission.NO else "only until replaced"
            parts.append(word)
        yield "", f"{method.value}: {', '.join(parts) or 'allowed'}"
    yield "", f"splices are taken as {rule.method.value} unless stated"
    both = rule.wavelengths is Combination.ALL
    yield "", ("every wavelength" if both else "one wavelength") + " has to be within its limit"
    if profile.bend is not None:
        yield (
            "Bend",
            f"suspected from {profile.bend.threshold_db} dB more at a longer wavelength",
        )
    size = profile.ribbon_size
    yield "Ribbon", "loose tube, no ribbons" if size is None else f"{size} fibres, cut together"
    if profile.trace_name:
        yield "Trace files", f"named {profile.trace_name} in the closeout"


def _one_way(profile: Profile) -> Iterator[Line]:
    rule = profile.one_way
    if rule is None:
        return
    yield "One-way", "accepted as a cause: " + "; ".join(rule.reasons)
    if rule.splice_limit_db:
        yield "", f"a splice then at most {_figures(rule.splice_limit_db)}"
    if rule.span_mean_limit_db:
        yield "", f"the mean over a span then at most {_figures(rule.span_mean_limit_db)}"


def _stages(profile: Profile) -> Iterator[Line]:
    for stage in profile.stages.values() or [profile.stage]:
        now = " (in force)" if stage is profile.stage or stage == profile.stage else ""
        limit = f", splice at most {_figures(stage.limit_db)}" if stage.limit_db else ""
        ends = "both ends" if stage.directions.value == "both" else "one end"
        yield (
            "Stage",
            f"{stage.name}{now}: shot from {ends}, closures {stage.closures.value}{limit}",
        )


def _spans(profile: Profile) -> Iterator[Line]:
    rule = profile.span
    if rule.mean_limit_db:
        evidence = rule.evidence_attempts
        tail = f"; over it, {evidence} documented attempts are asked" if evidence else ""
        yield "Span", f"mean of the splices at most {_figures(rule.mean_limit_db)}{tail}"
    for step in rule.steps:
        word = "up to" if step.includes_end else "below"
        yield "Span", f"{word} {step.end_m:g} m end to end at most {step.limit_db} dB"
    if rule.formula is not None:
        per_km = _figures(rule.formula.fibre_db_per_km, "dB/km")
        yield (
            "Span",
            f"end to end at most {per_km} times length + {rule.formula.splice_db} dB per splice "
            f"+ {rule.formula.connector_db} dB per connector",
        )
    if rule.splices_per_km is not None:
        yield "Span", f"at most {rule.splices_per_km} splices per km, terminations not counted"
    if profile.fibre.attenuation_db_per_km:
        yield "Fibre", f"at most {_figures(profile.fibre.attenuation_db_per_km, 'dB/km')} alone"


def _connectors(profile: Profile) -> Iterator[Line]:
    rule = profile.connector
    for figure, words in (
        (rule.limit_db, "average of both directions at most {} dB"),
        (rule.end_limit_db, "first and last, one-way by nature, at most {} dB"),
        (rule.per_direction_limit_db, "each direction alone at most {} dB"),
        (rule.with_splice_limit_db, "with its splice at most {} dB"),
        (rule.with_splice_mismatch_limit_db, "with its splice and unequal fields at most {} dB"),
        (rule.reflectance_limit_db, "reflectance at most {} dB"),
    ):
        if figure is not None:
            yield "Connector", words.format(figure)


def _wavelengths(profile: Profile) -> Iterator[Line]:
    rule = profile.wavelengths
    if rule.required_nm:
        yield "Shots", f"at {_nm(rule.required_nm)}"
    else:
        yield "Shots", "at the wavelengths that any fibre was shot at"
    for case in rule.cases:
        parts = [] if case.longer_than_m is None else [f"longer than {case.longer_than_m:g} m"]
        parts += [f"fibre {' or '.join(case.fibre_types)}"] if case.fibre_types else []
        yield "", f"{' and '.join(parts)}: at {_nm(case.required_nm)}"
    if not rule.judges_others:
        yield "", "other wavelengths are information only"
    every = "every fibre of the cable" if profile.completeness.every_fibre else "fibres shot at all"
    yield "", f"asked of {every}"
    if profile.completeness.retest_touched:
        yield "", "existing fibres that were spliced to are shot again"


def _nm(wavelengths: tuple[int, ...]) -> str:
    return " and ".join(str(nm) for nm in wavelengths) + " nm"


def _changes(profile: Profile) -> Iterator[Line]:
    if profile.change.increase_limit_db is not None:
        yield "Change", f"an increase of at most {profile.change.increase_limit_db} dB"
    if profile.change.deviation_limit_percent is not None:
        yield "Change", f"at most {profile.change.deviation_limit_percent} % from the reel's record"


def _setup(profile: Profile) -> Iterator[Line]:
    rule = profile.setup
    for figure, words in (
        (rule.pulse_ns_min, "pulse at least {} ns"),
        (rule.pulse_ns_max, "pulse at most {} ns"),
        (rule.averages_min, "at least {} averages"),
        (rule.averaging_time_s_min, "averaging time at least {} s"),
    ):
        if figure is not None:
            yield "Settings", words.format(figure)
    for step in rule.ranges:
        yield (
            "Settings",
            f"fibre up to {step.fibre_to_m / 1000:g} km: range at most "
            f"{step.range_to_m / 1000:g} km",
        )
    yield from _tolerance("group index", rule.group_index, "")
    yield from _tolerance("backscatter coefficient", rule.backscatter_db, "dB")
    for name, use, least_m in (
        ("launch", rule.launch, rule.launch_m_min),
        ("receive", rule.receive, rule.receive_m_min),
    ):
        if use is LaunchUse.NONE:
            yield "Fibres", f"no {name} fibre"
        elif use is LaunchUse.REQUIRED:
            length = "" if least_m is None else f" of at least {least_m:g} m"
            yield "Fibres", f"a {name} fibre{length}"


def _tolerance(name: str, asked: Tolerance, unit: str) -> Iterator[Line]:
    if asked.figure:
        figures = _figures(asked.figure, unit).strip()
        yield "Settings", f"{name} {figures}, within ± {asked.tolerance}{unit and ' ' + unit}"


def _data(profile: Profile) -> Iterator[Line]:
    if profile.data.not_gradable:
        yield "Data", "not graded with: " + ", ".join(sorted(profile.data.not_gradable))
    if profile.data.length_difference_limit_m is not None:
        yield (
            "Data",
            f"lengths from both ends differ by at most "
            f"{profile.data.length_difference_limit_m:g} m",
        )
