"""Acceptance profiles: a contract's rules in a TOML file, and the verdicts under them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from otdravg.system.door import door

if TYPE_CHECKING:
    from otdravg.verdict.completeness import ShotNeed
    from otdravg.verdict.connector import Connector, Where
    from otdravg.verdict.decision import Action, Verdict
    from otdravg.verdict.profile import Profile, default
    from otdravg.verdict.reading import (
        load,
        load_named,
        load_shipped,
        parse,
        shipped_names,
        shipped_text,
    )
    from otdravg.verdict.rules import Closures, Combination, Method, Stage
    from otdravg.verdict.span import Span
    from otdravg.verdict.verdicts import (
        Circumstances,
        PlaceReading,
        PlaceVerdict,
        SpanVerdict,
        SpliceVerdict,
    )

__all__ = [
    "Action",
    "Circumstances",
    "Closures",
    "Combination",
    "Connector",
    "Method",
    "PlaceReading",
    "PlaceVerdict",
    "Profile",
    "ShotNeed",
    "Span",
    "SpanVerdict",
    "SpliceVerdict",
    "Stage",
    "Verdict",
    "Where",
    "default",
    "load",
    "load_named",
    "load_shipped",
    "parse",
    "shipped_names",
    "shipped_text",
]

if not TYPE_CHECKING:
    __getattr__, __dir__ = door(
        __name__,
        "decision connector rules completeness span verdicts profile reading",
    )
