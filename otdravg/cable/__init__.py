"""A whole cable run: from folders of trace files to judged splices and what to redo."""

from otdravg.cable.decisions.apply import Decision, Decisions, What, add_decision, read_decisions
from otdravg.cable.files.claims import Naming
from otdravg.cable.files.names import NamePattern, read_mapping
from otdravg.cable.measure.closures import KnownClosure, read_closure_table
from otdravg.cable.model import (
    CableFinding,
    CableReview,
    Closure,
    FibreKey,
    FibreResult,
    ShotRecord,
    ShotUse,
    SpliceRow,
)
from otdravg.cable.review import Options, list_shots, read_folders, review

__all__ = [
    "CableFinding",
    "CableReview",
    "Closure",
    "Decision",
    "Decisions",
    "FibreKey",
    "FibreResult",
    "KnownClosure",
    "NamePattern",
    "Naming",
    "Options",
    "ShotRecord",
    "ShotUse",
    "SpliceRow",
    "What",
    "add_decision",
    "list_shots",
    "read_closure_table",
    "read_decisions",
    "read_folders",
    "read_mapping",
    "review",
]
