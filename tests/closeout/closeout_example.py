"""A simulated cable for tests of closeouts, and the same with everything that goes wrong."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timezone
from decimal import Decimal
from pathlib import Path

from wordy import wordy

from otdravg.cable import CableReview, Decision, What, read_folders, review
from otdravg.cable.decisions.model import SealedDecision
from otdravg.cable.model import (
    Attempt,
    CableFinding,
    Change,
    ChangeKind,
    FibreKey,
    History,
    Judged,
    ShotUse,
    SpliceRow,
)
from otdravg.findings import Severity, says
from otdravg.fit.reading import Coverage
from otdravg.simulate.demo import write_demo
from otdravg.verdict import SpliceVerdict, default
from otdravg.verdict.decision import Action, Verdict

MADE_AT = datetime(2024, 6, 3, 9, 30, tzinfo=timezone.utc)

#: Texts as strangers' files may hold them.
NASTY = (
    '=HYPERLINK("http://example.invalid","x")',
    "+1+1",
    "-1+1",
    "@SUM(A1:A9)",
    "</script><script>alert(1)</script>",
    "line\nbreak\tand \x1b[31mescape",
    "right\u202eto left",
    "../../outside.sor",
)


def simulated_review(folder: Path) -> CableReview:
    """Write a simulated cable of 12 fibres into a folder and review it."""
    write_demo(folder, fibres=12, wavelengths=(1310, 1550))
    return review(read_folders([folder]), default())


def troubled(good: CableReview) -> CableReview:
    """Return the review with gaps, one-way readings, history, changes and nasty texts."""
    rows = list(good.rows)
    for number, text in enumerate(NASTY):
        rows[number] = replace(
            rows[number],
            missing=(says("as-found", text=text),),
            decided=(says("as-found", text=text),),
        )
    rows[10] = _without(rows[10], Coverage.NONE, Verdict.NOT_MEASURED)
    rows[11] = _without(rows[11], Coverage.ONLY_AB, Verdict.ONE_WAY)
    rows[12] = replace(
        rows[12],
        verdict=SpliceVerdict(
            Verdict.TOO_CLOSE,
            says("as-found", text="the limit lies inside ± U"),
            Action.SHOOT_AGAIN,
            limit_db=Decimal("0.20"),
            near_limit=True,
        ),
    )
    rows[13] = replace(rows[13], closure="", closure_number=None)
    del rows[14]  # a fibre without a splice in that closure
    findings = tuple(
        CableFinding(wordy("length-differs", text, Severity.CAUTION), files=(text,))
        for text in (*NASTY, "long " * 9000)
    )
    shots = list(good.shots)
    used = [n for n, shot in enumerate(shots) if shot.use is ShotUse.USED]
    shots[used[0]] = shots[used[0]].used_as(ShotUse.EARLIER, says("newer-stands", file="newer.sor"))
    shots[used[1]] = shots[used[1]].used_as(ShotUse.MISMATCHED, says("as-found", text=NASTY[0]))
    key = FibreKey(rows[0].cable, rows[0].fibre)
    decision = Decision(What.ACCEPT, "R. Vale", "2024-06-01T10:00", NASTY[0], key.cable, 3)
    attempts = (
        Attempt(1, MADE_AT, 0.3121, 0.0042, "a.sor", "b.sor"),
        Attempt(2, None, None, None, "c.sor", "d.sor"),
    )
    was = Judged(Verdict.WITHIN, Action.NONE, Decimal("0.20"), near_limit=False)
    now = Judged(Verdict.OVER, Action.RE_SPLICE, None, near_limit=True)
    return replace(
        good,
        rows=tuple(rows),
        findings=(*good.findings, *findings),
        shots=tuple(shots),
        history=(History(key, 1550, "1", attempts),),
        changes=(Change(ChangeKind.WORSE, key, 1550, "1", 0.1, 0.2, 0.01, was, now),),
        decisions_seal="0123456789abcdef",
        decisions=(SealedDecision(decision, "", "0123456789abcdef"),),
    )


def _without(row: SpliceRow, coverage: Coverage, verdict: Verdict) -> SpliceRow:
    one_way = coverage is Coverage.ONLY_AB
    return replace(
        row,
        coverage=coverage,
        loss_ab_db=row.loss_ab_db if one_way else None,
        loss_ba_db=None,
        loss_db=None,
        u_loss_db=None,
        backscatter_step_db=None,
        u_step_db=None,
        verdict=SpliceVerdict(verdict, says("no-partner"), Action.SHOOT_AGAIN),
        missing=(says("as-found", text="the shot from B does not reach"),),
    )
