"""Acceptance profiles: a contract's rules in a TOML file, and the verdicts under them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from otdravg.system.door import door

if TYPE_CHECKING:
    from otdravg.verdict.decision import Action, Verdict
    from otdravg.verdict.place import judge_place
    from otdravg.verdict.reading import (
        load,
        load_named,
        load_shipped,
        parse,
        shipped_names,
        shipped_text,
    )
    from otdravg.verdict.rules import Closures, Combination, Method, Profile, Stage, default
    from otdravg.verdict.shots import ShotNeed
    from otdravg.verdict.span import Span, judge_span
    from otdravg.verdict.splice import judge_reading
    from otdravg.verdict.verdicts import (
        Circumstances,
        PlaceReading,
        SpliceVerdict,
    )

__all__ = [
    "Action",
    "Circumstances",
    "Closures",
    "Combination",
    "Method",
    "PlaceReading",
    "Profile",
    "ShotNeed",
    "Span",
    "SpliceVerdict",
    "Stage",
    "Verdict",
    "default",
    "judge_place",
    "judge_reading",
    "judge_span",
    "load",
    "load_named",
    "load_shipped",
    "parse",
    "shipped_names",
    "shipped_text",
]

if not TYPE_CHECKING:
    __getattr__, __dir__ = door(__name__, "decision rules verdicts reading shots place splice span")
