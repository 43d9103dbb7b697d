"""The one table of profile keys, and the strict reading of a file's tables by it.

:data:`KEYS` says of every key how it is written and which function applies it; reading
(:mod:`.reading`), explaining (:mod:`.describe`) and the table in docs/profiles.md are made of
it. Problems are collected, not raised one by one, so that a person can mend a profile in one go.
"""

from __future__ import annotations

import difflib
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from decimal import Decimal
from enum import Enum
from typing import Any, TypeVar

from otdravg.errors import BadSetting
from otdravg.findings import Statement, says
from otdravg.verdict import rules
from otdravg.verdict.limits import WAVELENGTHS_NM, Rule, wavelength_of, write_nm
from otdravg.verdict.rules import DbByWavelength

Bounds = tuple[Decimal, Decimal]
E = TypeVar("E", bound=Enum)
T = TypeVar("T", bound="Table")
#: No contract accepts more of one splice; a larger figure is a typing slip (20 for 0.20). Chosen,
#: not derived: from the step of stored levels to half of the light, for spans and for a kilometre
#: to what no receiver reaches through.
_SPLICE_DB: Bounds = (Decimal("0.001"), Decimal(3))
_SPAN_DB: Bounds = (Decimal("0.001"), Decimal(100))
_PER_KM_DB: Bounds = (Decimal("0.001"), Decimal(10))
_FROM_0_DB: Bounds = (Decimal(0), Decimal(3))
_SPAN_FROM_0_DB: Bounds = (Decimal(0), Decimal(100))
_PULSE_NS: Bounds = (Decimal(1), Decimal(100_000))
#: Fibre types as shots name them, by the number of their ITU-T recommendation, and "mixed" where
#: both shots of a pair name another.
FIBRE_TYPES = (*(f"G.65{digit}" for digit in range(10)), "mixed")


#: Findings that no pair has: only a review of a whole cable makes them.
CABLE_FINDINGS = frozenset(
    {"attempts-differ", "bad-in-succession", "bend-suspected", "built-so-far", "cable-not-in-job",
     "cable-spelt-differently", "calibration-lapsed", "clock-odd", "closure-unseen",
     "closures-outside-profile", "cord-differs", "cord-missing", "decision-changed",
     "decision-missing", "decision-moved", "decision-of-other-cable", "decision-repeated",
     "decision-torn", "decision-unsealed", "decision-without-cable", "decision-without-object",
     "decisions-joined", "decisions-resaved", "direction-claims-differ", "direction-missing",
     "end-a-chosen", "end-behind-ribbon", "end-between-closures", "end-moved-back",
     "ends-exchanged", "ends-not-in-job", "ends-not-judged", "ends-told-by-shots",
     "estimate-far-below", "event-between-closures", "express-spliced", "fibre-broken",
     "fibre-claims-differ", "fibre-missing", "fibre-not-in-job", "fibre-type-not-in-job",
     "fibres-crossed", "fibres-looped", "file-unreadable", "gone-since-before",
     "group-outside-rules", "header-edited", "header-left-unchanged", "instrument-not-in-job",
     "key-not-applied", "launch-unstated", "length-differs", "linearity-unstated",
     "log-clock-differs", "log-line-twice", "log-line-unplaced", "log-time-backwards",
     "loop-unused", "loss-rises-with-use", "mapping-unused", "newest-shot-unusable", "no-signal",
     "not-a-trace-file", "not-measurable", "numbering-as-planned", "numbering-by-labels",
     "numbering-differs", "numbering-unexplained", "open-by-shots", "order-unknown", "other-fibre",
     "other-length", "pair-doubtful", "pair-of-two-states", "passes-unspliced", "pattern-differs",
     "plan-closure-unknown", "plan-contradicted", "plan-unproved", "planned-splice-unseen",
     "points-damaged", "power-apart", "power-beside-traces", "power-dark", "power-elsewhere",
     "power-exchanged", "power-missing", "power-offset", "power-sign", "pulse-differs",
     "reel-beside-record", "reel-ends-unknown", "reel-length", "reel-outside-record",
     "reflection-in-closure", "ribbon-missing", "route-closure-unlisted", "route-mark-odd",
     "route-mark-read", "same-file-again", "same-points-both-ways", "shot-again-from-one-end",
     "shot-before-work", "shot-from-same-end", "shot-not-placed", "shots-under-one-name",
     "span-outside-rules", "splice-changed", "splice-not-in-log", "spliced-since-shot",
     "two-cables-one-name", "wavelength-claims-differ", "wavelength-differs", "wavelength-label",
     "wavelength-not-shot", "worse-than-before"}
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Key:
    """One key of a profile.

    ``path`` ends in the name of the key, which is that of the field that holds it. ``[]`` in it
    stands for a list of tables, ``*`` for a method or for a stage of the user's own. ``kind``
    names the method of :class:`Table` that reads it, ``allowed`` what that takes besides.

    ``pair`` says why one pair of shots cannot answer the key, as a code; empty if it can.
    ``is_open`` says that leaving the key out could turn a refusal of this pair into an
    all-clear, so that the pair is not cleared then.
    """

    path: str
    kind: str
    applied_by: str  # module:function
    allowed: tuple[Any, ...] = ()
    pair: str = ""
    is_open: bool = False

    @property
    def table(self) -> str:
        """The table that it stands in; empty for the top."""
        return self.path.rpartition(".")[0]

    @property
    def name(self) -> str:
        """The key within its table."""
        return self.path.rpartition(".")[2]


_SPLICE = "otdravg.verdict.splice:judge_reading"
_LIMIT = "otdravg.verdict.splice:splice_limit"
_SPAN = "otdravg.verdict.span:judge_span"
_GROUP = "otdravg.verdict.group:judge_group"
_CONNECTOR = "otdravg.verdict.connector:connector_verdicts"
_ENDS = "otdravg.verdict.connector:end_verdicts"
_WANTED = "otdravg.verdict.rules:required_wavelengths"
_SETUP = "otdravg.verdict.shots:setup_findings"
_MISSING = "otdravg.verdict.shots:missing_shots"
_DB, _PER_KM = (_SPLICE_DB, "dB"), (_PER_KM_DB, "dB/km")

#: Every key that is read, in the order in which a profile is explained.
KEYS = (
    Key("decision.rule", "choice", "otdravg.verdict.decision:held_against", (Rule,)),
    Key("splice.limit_db", "by_wavelength", _LIMIT, _DB),
    Key("splice.nominal_db", "number", _SPLICE, _DB),
    Key("splice.wavelengths", "choice", "otdravg.verdict.place:combined", (rules.Combination,),
        "one-wavelength"),
    Key("splice.method", "choice", _SPLICE, (rules.Method,)),
    Key("splice.attempts.allowed", "whole", _SPLICE, (1, 20), "attempt-unknown"),
    Key("splice.attempts.fallback_db", "by_wavelength", _SPLICE, _DB, "attempt-unknown"),
    Key("splice.*.permitted", "choice", _SPLICE, (rules.Permission,)),
    Key("splice.*.limit_db", "by_wavelength", _LIMIT, _DB),
    Key("splice.*.nominal_db", "number", _SPLICE, _DB),
    Key("bend.threshold_db", "number", "otdravg.verdict.place:judge_place", _DB,
        "two-wavelengths", is_open=True),
    Key("share.percent", "number", _GROUP, ((Decimal(1), Decimal(100)), "%"), "whole-cable"),
    Key("share.limit_db", "by_wavelength", _GROUP, _DB, "whole-cable"),
    Key("ribbon.size", "whole", "otdravg.trade:ribbon_position", (0, 48)),
    Key("ribbon.single_fibre", "flag", "otdravg.cable.resplice.plan:advice"),
    Key("ribbon.mean_limit_db", "by_wavelength", _GROUP, _DB, "whole-cable"),
    Key("closure.mean_limit_db", "by_wavelength", _GROUP, _DB, "whole-cable"),
    Key("traces.name", "text", "otdravg.closeout.traces:trace_pattern", (), "closeout-only"),
    Key("one_way.reasons", "choices", "otdravg.verdict.splice:is_one_way_allowed",
        (rules.OneWayCause,)),
    Key("one_way.splice_limit_db", "by_wavelength", _SPLICE, _DB),
    Key("one_way.span_mean_limit_db", "by_wavelength", _SPAN, _DB),
    Key("stages.*.directions", "choice", _SPLICE, (rules.Directions,)),
    Key("stages.*.closures", "choice", "otdravg.verdict.shots:stage_findings",
        (rules.Closures,)),
    Key("stages.*.limit_db", "by_wavelength", _LIMIT, _DB),
    Key("stages.*.ribbon_limit_db", "by_wavelength", _GROUP, _DB, "whole-cable"),
    Key("span.mean_limit_db", "by_wavelength", _SPAN, _DB),
    Key("span.evidence_attempts", "whole", _SPAN, (1, 20)),
    Key("span.splices_per_km", "number", _SPAN, ((Decimal("0.01"), Decimal(1000)), "")),
    Key("span.steps[].up_to_m", "metres", _SPAN),
    Key("span.steps[].below_m", "metres", _SPAN),
    Key("span.steps[].limit_db", "number", _SPAN, (_SPAN_DB, "dB")),
    Key("span.formula.fibre_db_per_km", "by_wavelength", _SPAN, _PER_KM),
    Key("span.formula.splice_db", "number", _SPAN, (_FROM_0_DB, "dB")),
    Key("span.formula.connector_db", "number", _SPAN, (_FROM_0_DB, "dB")),
    Key("span.formula.constant_db", "number", _SPAN, (_SPAN_FROM_0_DB, "dB")),
    Key("span.reading", "choice", _SPAN, (rules.SpanReading,), "no-power-reading", is_open=True),
    Key("fibre.attenuation_db_per_km", "by_wavelength", _SPAN, _PER_KM),
    Key("connector.limit_db", "number", _CONNECTOR, _DB),
    Key("connector.end_limit_db", "number", _ENDS, _DB),
    Key("connector.per_direction_limit_db", "number", _CONNECTOR, _DB),
    Key("connector.with_splice_limit_db", "number", _CONNECTOR, _DB),
    Key("connector.with_splice_mismatch_limit_db", "number", _CONNECTOR, _DB),
    Key("connector.reflectance_limit_db", "number", _CONNECTOR,
        ((Decimal(-90), Decimal(-1)), "dB")),
    Key("wavelengths.required", "wavelengths", _WANTED, (), "one-wavelength"),
    Key("wavelengths.cases[].longer_than_m", "metres", _WANTED),
    Key("wavelengths.cases[].fibre_types", "texts", _WANTED, (FIBRE_TYPES,)),
    Key("wavelengths.cases[].required", "wavelengths", _WANTED, (), "one-wavelength"),
    Key("wavelengths.judge_others", "flag", "otdravg.verdict.rules:bears_on_acceptance"),
    Key("completeness.every_fibre", "flag", _MISSING, (), "whole-cable"),
    Key("completeness.retest_touched", "flag", "otdravg.cable.checks.states:due_again", (),
        "work-unknown", is_open=True),
    Key("completeness.numbering_proved", "flag", "otdravg.cable.checks.profile:numbering_asked", (),
        "whole-cable"),
    Key("change.increase_limit_db", "number", "otdravg.verdict.place:judge_increase", _DB,
        "no-earlier-run", is_open=True),
    Key("change.deviation_limit_percent", "number", "otdravg.cable.checks.beside:reel_findings",
        ((Decimal("0.1"), Decimal(100)), "%"), "no-reel-record", is_open=True),
    Key("setup.pulse_ns_min", "number", _SETUP, (_PULSE_NS, "ns")),
    Key("setup.pulse_ns_max", "number", _SETUP, (_PULSE_NS, "ns")),
    Key("setup.averages_min", "whole", _SETUP, (1, 2**31)),
    Key("setup.averaging_time_s_min", "number", _SETUP,
        ((Decimal("0.1"), Decimal(36_000)), "s")),
    Key("setup.ranges[].fibre_to_m", "metres", _SETUP),
    Key("setup.ranges[].range_to_m", "metres", _SETUP),
    Key("setup.group_index", "by_wavelength", _SETUP,
        ((Decimal("1.3"), Decimal("1.6")), "")),
    Key("setup.group_index_tolerance", "number", _SETUP, ((Decimal(0), Decimal("0.1")), "")),
    Key("setup.backscatter_db", "by_wavelength", _SETUP, ((Decimal(-100), Decimal(-40)), "dB")),
    Key("setup.backscatter_tolerance_db", "number", _SETUP, ((Decimal(0), Decimal(20)), "dB")),
    Key("setup.launch", "choice", _SETUP, (rules.LaunchUse,)),
    Key("setup.launch_m_min", "metres", _SETUP),
    Key("setup.receive", "choice", _SETUP, (rules.LaunchUse,)),
    Key("setup.receive_m_min", "metres", _SETUP),
    Key("data.not_gradable", "texts", _SPLICE),
    Key("data.length_difference_limit_m", "metres", "otdravg.verdict.shots:data_findings"),
)  # fmt: skip


def keys_of(table: str) -> tuple[Key, ...]:
    """Return the keys of one table of the file."""
    return tuple(key for key in KEYS if key.table == table)


class Table:
    """One table of the file. Getters note a problem and return the default on any fault."""

    def __init__(
        self,
        content: dict[str, Any],
        path: str,
        problems: list[BadSetting],
        origins: dict[str, str],
    ) -> None:
        self._content = content
        self._path = path
        self._asked: list[str] = []
        self.problems = problems
        self.origins = origins

    def key(self, name: str) -> str:
        """Return the full path of a key, as in ``splice.attempts.allowed``."""
        return f"{self._path}.{name}" if self._path else name

    def place(self, name: str) -> str | Statement:
        """Return what faults call the place of a key."""
        return self.key(name)

    def note(self, name: str, wanted: Statement) -> None:
        """Collect a problem with a key of this table."""
        self._note(name, self._content.get(name), wanted)

    def _note(self, name: str, value: object, wanted: Statement) -> None:
        self.problems.append(BadSetting(self.place(name), value, wanted))

    def need(self, *names: str) -> None:
        """Collect every key of these that is missing."""
        for name in names:
            if name not in self:
                self._note(name, "(missing)", says("has-to-be-there"))

    def __contains__(self, name: str) -> bool:
        return name in self._content

    def names(self) -> tuple[str, ...]:
        """Keys that the file has in this table."""
        return tuple(self._content)

    def _take(self, name: str) -> Any:
        self._asked.append(name)
        return self._content.get(name)

    def table(self: T, name: str) -> T:
        """Return a table below this one; empty if the file has none."""
        value = self._take(name)
        if value is not None and not isinstance(value, dict):
            self.note(name, says("write-a-table", key=self.key(name)))
            value = None
        return type(self)(value or {}, self.key(name), self.problems, self.origins)

    def tables(self: T, name: str) -> list[T]:
        """Return a list of tables, [[name]]."""
        value = self._take(name)
        if value is None:
            return []
        if not isinstance(value, list) or not all(isinstance(part, dict) for part in value):
            self.note(name, says("write-tables", key=self.key(name)))
            return []
        return [
            type(self)(part, f"{self.key(name)}[{number}]", self.problems, self.origins)
            for number, part in enumerate(value, 1)
        ]

    def checked(self, name: str, is_good: Callable[[Any], bool], wanted: Statement) -> Any:
        """Return what stands there if it is good; None, and a problem, if it is not."""
        value = self._take(name)
        if value is None or is_good(value):
            return value
        self.note(name, wanted)
        return None

    def text(self, name: str) -> str | None:
        """Return a text of one line or more."""
        value = self.checked(name, _is_text, says("write-text"))
        return None if value is None else str(value).strip()

    def texts(self, name: str, known: Iterable[str] = ()) -> tuple[str, ...] | None:
        """Return a list of texts; of those that are known, if only some are."""
        value = self.checked(name, _each(_is_text), says("write-texts"))
        known = tuple(known)
        if value is not None and known and not set(value) <= set(known):
            self.note(name, says("write-out-of", known=_quoted(known)))
            return None
        return None if value is None else tuple(text.strip() for text in value)

    def flag(self, name: str) -> bool | None:
        """Return true or false."""
        value: bool | None = self.checked(name, lambda v: isinstance(v, bool), says("write-flag"))
        return value

    def choice(self, name: str, kind: type[E]) -> E | None:
        """Return one of an enum's values."""
        allowed = [member.value for member in kind]
        wanted = says("write-one-of", known=_quoted(allowed))
        value = self.checked(name, allowed.__contains__, wanted)
        return None if value is None else kind(value)

    def choices(self, name: str, kind: type[E]) -> tuple[E, ...] | None:
        """Return a list of an enum's values."""
        chosen = self.texts(name, [member.value for member in kind])
        return None if chosen is None else tuple(kind(value) for value in chosen)

    def number(self, name: str, bounds: Bounds, unit: str) -> Decimal | None:
        """Return a decimal inside bounds, both ends allowed."""
        return self._number(name, self._take(name), bounds, unit)

    def _number(self, name: str, value: Any, bounds: Bounds, unit: str) -> Decimal | None:
        if value is None:
            return None
        decimal = _decimal(value)
        if decimal is None or not bounds[0] <= decimal <= bounds[1]:
            high = f"{bounds[1]}{unit and ' ' + unit}"
            self._note(name, _plain(value), says("write-number", low=f"{bounds[0]}", high=high))
            return None
        return decimal

    def whole(self, name: str, low: int, high: int) -> int | None:
        """Return a whole number inside bounds."""
        wanted = says("write-whole", low=low, high=high)
        value: int | None = self.checked(name, _is_whole(low, high), wanted)
        return value

    def metres(self, name: str) -> float | None:
        """Return a length in metres."""
        value = self.number(name, (Decimal(0), Decimal(1_000_000)), "m")
        return None if value is None else float(value)

    def by_wavelength(self, name: str, bounds: Bounds, unit: str) -> DbByWavelength | None:
        """Return a figure ``name`` and its exceptions in ``name_at = { 1310 = 0.25 }``."""
        general = self.number(name, bounds, unit)
        own: dict[int, Decimal] = {}
        exceptions = self.table(f"{name}_at")
        for wavelength in exceptions.names():
            nm = wavelength_of(wavelength)
            figure = exceptions.number(wavelength, bounds, unit)
            if nm is None:
                exceptions.note(wavelength, write_nm("1310"))
            elif figure is not None:
                own[nm] = figure
        return DbByWavelength(general, own) or None

    def wavelengths(self, name: str) -> tuple[int, ...] | None:
        """Return a list of wavelengths in nm."""
        wanted = says("write-wavelengths", low=WAVELENGTHS_NM[0], high=WAVELENGTHS_NM[1])
        value = self.checked(name, _each(_is_whole(*WAVELENGTHS_NM)), wanted)
        return None if value is None else tuple(sorted(set(value)))

    def values(self, path: str) -> dict[str, Any]:
        """Return what the file has for the keys of a table, by the name of each.

        Parameters
        ----------
        path : str
            The table as :data:`KEYS` names it.
        """
        read = {key.name: getattr(self, key.kind)(key.name, *key.allowed) for key in keys_of(path)}
        return {name: value for name, value in read.items() if value is not None}

    def close(self) -> None:
        """Note every key that nobody asked for: a misspelt limit must not be silently ignored."""
        self._origins()
        known = sorted(self._asked)
        for name, value in self._content.items():
            if name in known:
                continue
            near = difflib.get_close_matches(name, known, 1)
            hint = says("did-you-mean", name=near[0]) if near else _known_here(known)
            self._note(name, _plain(value), says("unknown-key", hint=hint))

    def _origins(self) -> None:
        """Keep where figures come from: ``origin`` of the table, or of keys in it by name."""
        value = self._take("origin")
        if isinstance(value, str) and value.strip():
            self.origins[self._path] = value.strip()
        elif value is not None:
            parts = self.table("origin")
            self._asked += ["origin"]
            for name in parts.names():
                if text := parts.text(name):
                    self.origins[self.key(name)] = text
                if name not in self._content:
                    parts.note(name, says("no-such-key"))


def _is_text(value: Any) -> bool:
    return isinstance(value, str) and bool(value.strip())


def _is_whole(low: int, high: int) -> Callable[[Any], bool]:
    return lambda v: isinstance(v, int) and not isinstance(v, bool) and low <= v <= high


def _each(is_good: Callable[[Any], bool]) -> Callable[[Any], bool]:
    """What holds of a list if it holds of each in it."""
    return lambda value: isinstance(value, list) and all(map(is_good, value))


def _known_here(known: Iterable[str]) -> Statement:
    return says("known-here", known=", ".join(known))


def _quoted(words: Iterable[str]) -> str:
    return ", ".join(f'"{word}"' for word in words)


def _decimal(value: Any) -> Decimal | None:
    if isinstance(value, bool) or not isinstance(value, (int, Decimal)):
        return None
    decimal = Decimal(value)
    return decimal if decimal.is_finite() else None


def _plain(value: Any) -> Any:
    """Show a decimal as it was typed."""
    return float(value) if isinstance(value, Decimal) else value
