"""A pair and a cable judge the same files alike."""

from __future__ import annotations

from pathlib import Path

import pytest

from otdravg import judge, measure, read
from otdravg.cable import review
from otdravg.cable.files.folder import RawShot
from otdravg.fit.reading import Coverage
from otdravg.verdict import load_shipped
from otdravg.verdict.decision import Verdict


@pytest.mark.parametrize("name", ["three-attempts", "every-rule", "building-drop", "span-mean"])
def test_same_files_same_verdicts(
    clean_folder: Path, clean_shots: tuple[RawShot, ...], name: str
) -> None:
    profile = load_shipped(name)
    result = review(clean_shots, profile)
    seen: set[Verdict] = set()
    fibres = sorted({row.fibre for row in result.rows})[:3]
    for fibre in fibres:
        rows = [row for row in result.rows if row.fibre == fibre and not row.bend_suspected]
        ab, ba = rows[0].file_ab, rows[0].file_ba
        report = judge(measure(read(clean_folder / ab), read(clean_folder / ba)), profile=profile)
        for row in rows:
            alike = [
                j for j in report.splices
                if abs(j.distance_m - row.distance_m) < 3.0 and j.reading.kind is row.kind
            ]  # fmt: skip
            for one in alike:
                seen.add(one.verdict)
                own = row.verdict
                assert (one.verdict, one.limit_db, one.rule, one.near_limit) == (
                    own.verdict, own.limit_db, own.rule, own.near_limit
                )  # fmt: skip
                assert row.coverage is not Coverage.BOTH or one.figure is not None
    assert seen
