"""The run of all checks ends with what it left out."""

from __future__ import annotations

import json
from pathlib import Path

import not_run
import pytest

# The last lines of a run, as pytest 8 prints them with -ra.
LOG = """README command 2: .venv-test/bin/pytest
.venv-test/bin/pytest
..s                                                                      [100%]
=========================== short test summary info ============================
SKIPPED [2] tests/closeout/test_html_browser.py: no Chromium here
\x1b[33mSKIPPED\x1b[0m [1] tests/system/test_atomic.py:116: root may write anywhere
FAILED tests/a.py::test_b - SKIPPED it is not
"""
OLDEST = """oldest set: Python 3.10.13
.venv-oldest/bin/pytest -q tests --ignore=tests/fuzz \\
  --ignore=tests/cable
1 passed
"""


@pytest.fixture
def logs(tmp_path: Path) -> list[Path]:
    paths = [tmp_path / "one.log", tmp_path / "two.log"]
    for path, text in zip(paths, (LOG, OLDEST), strict=True):
        path.write_text(text, encoding="utf-8")
    return paths


def test_skipped_tests_and_tests_left_out_are_listed_by_check(logs: list[Path]) -> None:
    assert list(not_run.skipped(logs)) == [
        "skipped tests, README command 2:",
        "  [2] tests/closeout/test_html_browser.py: no Chromium here",
        "  [1] tests/system/test_atomic.py:116: root may write anywhere",
        "tests left out, oldest set:",
        "  tests/cable tests/fuzz",
    ]


def test_an_oldest_set_that_did_not_run_is_named(logs: list[Path]) -> None:
    missing = "oldest set: there is no Python 3.10 on this machine"
    assert missing in not_run.left_out(logs[:1])
    assert missing not in not_run.left_out(logs)


def test_large_runs_come_with_the_date_of_what_is_stored(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(not_run, "RESULTS", tmp_path)
    row = {"script": "pairs", "cases": 2000, "full run": 20_000, "outcome": "held"}
    runs = {"date": "2026-01-03", "runs": [row | {"date": "2026-01-02"}]}
    (tmp_path / "fuzz.json").write_text(json.dumps(runs), encoding="utf-8")
    (tmp_path / "accuracy.json").write_text('{"date": "2026-02-01"}', encoding="utf-8")
    lines = list(not_run.large_runs())
    assert "  accuracy: 2026-02-01" in lines
    assert "  results_against_earlier: nothing stored" in lines
    assert lines[-1] == "  pairs: 2,000 of 20,000 cases, held, 2026-01-02"
