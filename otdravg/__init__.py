"""True splice loss from two OTDR shots of one fibre, with its uncertainty.

    from otdravg import read, measure, judge

    report = judge(measure(read("012_A.sor"), read("012_B.sor")), limit_db=0.15)
    for s in report.splices:
        print(s.distance_m, s.loss_db, s.expanded_uncertainty_db, s.verdict)

:func:`review` does the same for all shots of a cable.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from otdravg.system.door import door

if TYPE_CHECKING:
    from otdravg.cable.model import CableFinding, CableReview, Closure, FibreResult, SpliceRow
    from otdravg.cable.run import review
    from otdravg.errors import (
        BadProfile,
        BadSetting,
        OtdravgError,
        Refusal,
        ShotsDoNotPair,
        UnreadableTrace,
    )
    from otdravg.findings import Finding, Severity
    from otdravg.fit.reading import Coverage, Kind, Reading, SectionReading
    from otdravg.pair.measure import Measurement, measure
    from otdravg.shot.files import read, read_all
    from otdravg.shot.response import Response
    from otdravg.shot.settings import Direction, Identity, ResponseSource, Settings, TableEvent
    from otdravg.shot.trace import Trace
    from otdravg.verdict.decision import Action, Verdict
    from otdravg.verdict.judge import Judged, PairReport, judge
    from otdravg.verdict.limits import Limits, Rule
    from otdravg.verdict.rules import Profile
    from otdravg.verdict.verdicts import SpliceVerdict

__all__ = [
    "Action",
    "BadProfile",
    "BadSetting",
    "CableFinding",
    "CableReview",
    "Closure",
    "Coverage",
    "Direction",
    "FibreResult",
    "Finding",
    "Identity",
    "Judged",
    "Kind",
    "Limits",
    "Measurement",
    "OtdravgError",
    "PairReport",
    "Profile",
    "Reading",
    "Refusal",
    "Response",
    "ResponseSource",
    "Rule",
    "SectionReading",
    "Settings",
    "Severity",
    "ShotsDoNotPair",
    "SpliceRow",
    "SpliceVerdict",
    "TableEvent",
    "Trace",
    "UnreadableTrace",
    "Verdict",
    "judge",
    "measure",
    "read",
    "read_all",
    "review",
]

__version__ = "0.1.0"

if not TYPE_CHECKING:
    __getattr__, __dir__ = door(
        __name__,
        "errors findings shot.settings fit.reading verdict.limits verdict.decision "
        "verdict.verdicts verdict.rules cable.model shot.trace shot.files shot.response "
        "pair.measure verdict.judge cable.run",
    )
