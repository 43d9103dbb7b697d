"""A whole cable run: from folders of trace files to judged splices and what to redo."""

from __future__ import annotations

from typing import TYPE_CHECKING

from otdravg.system.door import door

if TYPE_CHECKING:
    from otdravg.cable.decisions.model import Decision, What
    from otdravg.cable.decisions.record import Decisions, add_decision, read_decisions
    from otdravg.cable.files.claims import Naming
    from otdravg.cable.files.names import NamePattern, read_mapping
    from otdravg.cable.measure.closures import KnownClosure, read_closure_table
    from otdravg.cable.model import (
        CableFinding,
        CableReview,
        Closure,
        Expected,
        FibreKey,
        FibreResult,
        ShotRecord,
        ShotUse,
        SpliceRow,
    )
    from otdravg.cable.run import Options, list_shots, read_folders, review

__all__ = [
    "CableFinding",
    "CableReview",
    "Closure",
    "Decision",
    "Decisions",
    "Expected",
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

if not TYPE_CHECKING:
    __getattr__, __dir__ = door(
        __name__,
        "model decisions.model decisions.record files.names files.claims measure.closures run",
    )
