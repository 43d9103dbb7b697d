"""Twenty thousand full reviews of tiny cable runs with everything that can go wrong.

    python tests/fuzz/reviews.py                # all; --count 500 for a share
    python tests/fuzz/reviews.py --case 17 --save DIR   # writes the folders of a case

Whatever lies in the folders: the package's own error or a review that accounts for every file,
in which no number is NaN or infinite, and of which every plain table is written.
"""

from __future__ import annotations

import csv
import io
import os
import re
import sys
import tempfile
import time
import warnings
from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache, partial
from pathlib import Path
from random import Random
from typing import Any
from unittest.mock import patch

import campaign
from byte_check import check_finite
from campaign import Broken
from tiny_runs import drawn

from otdravg.cable import CableReview, Naming, Options, read_folders, review
from otdravg.cable.measure import jobs as measuring
from otdravg.closeout.closeout import write_closeout
from otdravg.errors import OtdravgError
from otdravg.pair.measure import measure
from otdravg.shot.detect import detect
from otdravg.shot.trace import Trace
from otdravg.verdict import Profile, default, load_shipped, shipped_names
from otdravg.verdict.decision import Action
from otdravg.verdict.rules import RibbonRule
from otdravg.words.catalogue import told

__all__ = ["FULL_COUNT", "case", "main"]

FULL_COUNT = 20_000

#: Processor time that a review may take: a constant and per point of all files.
_MOST_S, _MOST_S_PER_POINT = 5.0, 2e-3

_NOT_A_NUMBER = re.compile(r"(?<![\w.-])-?(nan|inf|infinity)(?![\w.-])", re.IGNORECASE)


def main(argv: list[str] | None = None) -> int:
    """Run the cases and print the counts; 1 if there was a fault."""
    parser = campaign.parser(__doc__, FULL_COUNT)
    parser.add_argument("--save", type=Path, help="write the folders of --case below there")
    options = parser.parse_args(argv)
    if options.save is not None:
        options.save.mkdir()
        drawn(campaign.random_for(options.seed, options.case)).write(options.save)
    return campaign.run("reviews", partial(case, options.seed), options, batch=20)


def case(seed: int, number: int) -> str:
    """Write a folder, review it, write its tables."""
    rng = campaign.random_for(seed, number)
    folder = drawn(rng)
    profile, options = _profile(rng), _options(rng)
    with tempfile.TemporaryDirectory(prefix="review") as name:
        place = Path(name)
        folders = folder.write(place)
        began = time.process_time()
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            try:
                shots = read_folders(folders)
                with patch.multiple(measuring, measure=_measure_pair, detect=_detect):
                    result = review(shots, profile, options)
                _check_time(began, sum(shot.point_count for shot in shots))
                _check_files(result, folders)
                _check_numbers(result)
                parts = {"csv", "json"} if number % 10 == 0 else {"csv"}
                write_closeout(result, place / "out", only=parts)
                _check_tables(place / "out", result)
            except OtdravgError as error:
                return f"refused: {type(error).__name__}"
        if number % 10 == 0:
            _check_order(shots, profile, options, result, rng)
    return _outcome(result)


@lru_cache(maxsize=1)
def _profiles() -> tuple[Profile, ...]:
    return (default(), *(load_shipped(name) for name in shipped_names()))


def _profile(rng: Random) -> Profile:
    if rng.random() < 0.5:
        return default()
    return replace(rng.choice(_profiles()), ribbon=RibbonRule(rng.choice((0, 4, 12, 12))))


def _options(rng: Random) -> Options:
    if rng.random() < 0.6:
        return Options()
    return Options(
        naming=Naming(end_a=rng.choice((None, None, "Quillhaven hut", "nowhere"))),
        launch_m=rng.choice((None, 0.0, 300.0, 5000.0)),
        receive_m=rng.choice((None, 300.0)),
        group_index=rng.choice((None, 1.3, 1.468)),
        fibre_count=rng.choice((None, 1, 4, 12)),
    )


def _outcome(result: CableReview) -> str:
    if not result.rows:
        return "reviewed: nothing measured"
    work = any(row.verdict.action is not Action.NONE for row in result.rows)
    return f"reviewed: {'splices need work' if work else 'no splice needs work'}"


def _check_time(began: float, points: int) -> None:
    if time.process_time() - began > _MOST_S + _MOST_S_PER_POINT * points:
        raise Broken(f"took more than {_MOST_S:g} s and {_MOST_S_PER_POINT * 1e3:g} ms per point")


def _check_files(result: CableReview, folders: list[Path]) -> None:
    """Every file on the disk is a record of the review, and nothing else is."""
    locations = {
        os.path.join(directory, name)
        for folder in folders
        for directory, below, names in os.walk(folder)
        for name in (*names, *(n for n in below if os.path.islink(os.path.join(directory, n))))
    }
    known = {record.location.path for record in result.shots}
    if locations - known:
        raise Broken("a file of the folder is not in the review")
    if any(not os.path.isdir(location) for location in known - locations):  # a folder x.sor
        raise Broken("the review has a file that is not in the folder")
    for record in result.shots:
        if not record.path:
            raise Broken("a file without a path")


def _check_numbers(result: CableReview) -> None:
    for name in ("rows", "closures", "fibres", "history", "changes", "plan", "patterns"):
        check_finite(getattr(result, name), name)
    for name in ("shots", "identities", "findings"):
        check_finite(getattr(result, name), name)
    typed = [f"{r.path} {r.identity}" for r in result.shots]
    if any(_NOT_A_NUMBER.search(text) for text in typed):
        return  # the operator's own words may be quoted
    for finding in result.findings:
        if _NOT_A_NUMBER.search(f"{told(finding.evidence)} {told(finding.what_to_do)}"):
            raise Broken(f"finding {finding.code} says nan or inf")


def _check_tables(out: Path, result: CableReview) -> None:
    """The tables can be read back, have a row for each splice and file, and no odd numbers."""
    rows = {path.name: _rows(path) for path in out.glob("*.csv")}
    for name, count in (("splices.csv", len(result.rows)), ("shots.csv", len(result.shots))):
        if len(rows[name]) != count:
            raise Broken(f"{name} has another number of rows than the review")
    for name, table in rows.items():
        for row in table:
            for column, cell in row.items():
                if column.endswith(("_db", "_m", "_km", "_nm")) and _NOT_A_NUMBER.search(cell):
                    raise Broken(f"{name} holds {cell} in {column}")


def _rows(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(path.read_bytes().decode("utf-8-sig"), newline="")))


def _check_order(
    shots: object, profile: Profile, options: Options, result: CableReview, rng: Random
) -> None:
    """The order in which files were found changes nothing, nor does measuring all anew."""
    shuffled = list(shots)  # type: ignore[call-overload]
    rng.shuffle(shuffled)
    again = review(shuffled, profile, options)
    for name in ("shots", "rows", "findings", "fibres", "closures"):
        if repr(getattr(again, name)) != repr(getattr(result, name)):
            raise Broken(f"the order of the files changes the review's {name}")


class _Remembered:
    """A measurement that is done once for each content: most shots of a folder are untouched."""

    def __init__(self, measure: Callable[..., Any]) -> None:
        self._measure = measure
        self._results: dict[object, Any] = {}

    def __call__(self, *given: Any, **options: Any) -> Any:
        key = (*map(_content, given), *sorted(options.items()))
        if key not in self._results:
            if len(self._results) > 300:
                self._results.clear()
            self._results[key] = self._measure(*given, **options)
        return self._results[key]


def _content(given: Any) -> object:
    if isinstance(given, Trace):
        return given.identity.sha256, given.identity.direction, given.settings
    return given


_measure_pair = _Remembered(measure)
_detect = _Remembered(detect)


if __name__ == "__main__":
    sys.exit(main())
