"""Acceptance profiles: a contract's rules in a TOML file, and the verdicts under them."""

from __future__ import annotations

from otdravg.decision import Action, Verdict
from otdravg.profile.completeness import ShotNeed
from otdravg.profile.connectors import Connector, Where
from otdravg.profile.profile import Profile, default
from otdravg.profile.reading import load, load_shipped, parse, shipped_names, shipped_text
from otdravg.profile.rules import Closures, Combination, Method, Stage
from otdravg.profile.spans import Span
from otdravg.profile.verdicts import (
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
    "load_shipped",
    "parse",
    "shipped_names",
    "shipped_text",
]
