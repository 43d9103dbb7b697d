"""A fibre that is open: where, and at or between which closures."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from faulty_run import SITE, write, write_all

from otdravg.cable import read_folders, review
from otdravg.simulate.takes import Take
from otdravg.verdict import default
from otdravg.words.catalogue import told

LENGTHS_M = [section.length_m for section in SITE.glass(5, 1550).sections]
FIRST, SECOND = LENGTHS_M[0], sum(LENGTHS_M[:2])


@pytest.mark.parametrize(
    ("at_m", "where", "closure", "look"),
    [
        (FIRST, "at closure 1", "1", "a splice that came apart"),
        (SECOND, "at closure 2", "2", "a splice that came apart"),
        ((FIRST + SECOND) / 2, "between closure 1 and closure 2", "", "crushed cable"),
        (FIRST / 2, "between end A and closure 1", "", "crushed cable"),
    ],
)
def test_it_is_said_where_a_fibre_is_open(
    tmp_path: Path, at_m: float, where: str, closure: str, look: str
) -> None:
    write_all(tmp_path, 8, (1550,))
    for direction in ("AB", "BA"):
        write(tmp_path, Take(5, 1550, direction, broken_at_m=at_m))
    result = review(read_folders([tmp_path]), default())
    (finding,) = [f for f in result.findings if f.code == "fibre-broken"]
    said = re.search(r"it is open (\d+) m from A, (.+)", told(finding.evidence))
    assert said is not None
    assert float(said[1]) == pytest.approx(at_m, abs=2.0)  # points lie 2 m apart
    assert said[2] == where
    assert finding.closure == closure
    assert look in told(finding.what_to_do)
