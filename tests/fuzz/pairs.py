"""Pairs of damaged and of odd shots through detection, measurement, judgement and outputs.

    python tests/fuzz/pairs.py                  # all; --count 1000 for a share
    python tests/fuzz/pairs.py --case 17 --save case    # writes case_A.sor and case_B.sor

Whatever the shots: the package's own error or a result in which no number is NaN or
infinite, no warning of the numerical libraries, in time that the number of points bounds.
"""

from __future__ import annotations

import re
import sys
import time
import warnings
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from random import Random

import campaign
from byte_check import check_finite
from campaign import Broken
from mutations import damaged
from odd_shots import odd, pairs

from otdravg import sor
from otdravg.errors import BadSetting, OtdravgError, ShotsDoNotPair
from otdravg.pair.budget import budget_of
from otdravg.pair.measure import measure
from otdravg.report.pair_json import pair_json
from otdravg.report.pair_text import pair_text
from otdravg.shot.detect import detect
from otdravg.shot.trace import Trace, traces_from
from otdravg.tables.pair import pair_csv
from otdravg.verdict.judge import PairReport, judge
from otdravg.verdict.limits import Limits, Rule
from otdravg.words.catalogue import sentence, told

__all__ = ["FULL_COUNT", "Question", "case", "check", "main"]

FULL_COUNT = 20_000

#: Processor time that a pair may take: a constant and per point of both shots.
_MOST_S, _MOST_S_PER_POINT = 2.0, 1e-3

_NOT_A_NUMBER = re.compile(r"(?<![\w-])-?(nan|inf)(?![\w-])", re.IGNORECASE)


@dataclass(frozen=True)
class Question:
    """Two files and what the user states beside them."""

    a: bytes
    b: bytes
    group_index: float | None = None
    launch_m: float | None = None
    receive_m: float | None = None
    positions_m: tuple[float, ...] = ()


def main(argv: list[str] | None = None) -> int:
    """Run the cases and print the counts; 1 if there was a fault."""
    parser = campaign.parser(__doc__, FULL_COUNT)
    parser.add_argument("--save", type=Path, help="write the files of --case there, with _A, _B")
    options = parser.parse_args(argv)
    if options.save is not None:
        asked = made(campaign.random_for(options.seed, options.case))
        for end, data in (("A", asked.a), ("B", asked.b)):
            Path(f"{options.save}_{end}.sor").write_bytes(data)
        print(replace(asked, a=b"", b=b""))
    return campaign.run("pairs", partial(case, options.seed), options, batch=50)


def case(seed: int, number: int) -> str:
    """Make and measure one pair."""
    return check(made(campaign.random_for(seed, number)))


def made(rng: Random) -> Question:
    """Draw two shots of one fibre, change one or both, and state something or nothing."""
    a, b = rng.choice(pairs())
    which = rng.choice(("a", "b", "both", "both"))
    if which != "b":
        a = _changed(rng, a)
    if which != "a":
        b = _changed(rng, b)
    if rng.random() < 0.03:
        b = a
    if rng.random() < 0.6:
        return Question(a, b)
    return Question(
        a,
        b,
        group_index=rng.choice((None, None, 1.3, 1.6)),
        launch_m=rng.choice((None, 0.0, 1e-9, 100.0, 500.0, 1e6)),
        receive_m=rng.choice((None, 0.0, 100.0, 1e6)),
        positions_m=tuple(
            rng.choice((1e-9, 10.0, 500.0, 777.7, 1699.9, 1e5)) for _ in range(rng.randint(0, 3))
        ),
    )


def _changed(rng: Random, data: bytes) -> bytes:
    """A damaged file that can still be read, else an odd shot."""
    if rng.random() < 0.35:
        for _ in range(4):
            tried = damaged(rng, data)
            try:
                sor.decode(tried)
            except OtdravgError:
                continue
            return tried
    return odd(rng, data)


def check(asked: Question) -> str:
    """Measure and judge a pair, check every property, return the outcome's name."""
    a, b = (traces_from(sor.decode(data, name)) for data, name in ((asked.a, "a"), (asked.b, "b")))
    points = a[0].level_db.size + b[0].level_db.size
    most_s = _MOST_S + _MOST_S_PER_POINT * points
    began = time.perf_counter()
    outcome = _measured(asked, a[0], b[0])
    if time.perf_counter() - began > most_s:  # once more, without the time of other processes
        again = time.process_time()
        _measured(asked, a[0], b[0])
        if time.process_time() - again > most_s:
            raise Broken(f"took more than {_MOST_S:g} s and {_MOST_S_PER_POINT * 1e3:g} ms a point")
    return outcome


def _measured(asked: Question, a: Trace, b: Trace) -> str:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        _look_at(a, asked.group_index)
        _look_at(b, asked.group_index)
        try:
            measurement = measure(
                a,
                b,
                group_index=asked.group_index,
                launch_m=asked.launch_m,
                receive_m=asked.receive_m,
                positions_m=asked.positions_m,
            )
        except ShotsDoNotPair as error:
            _check_error(error)
            return f"refused: {error.reason.value}"
        except BadSetting as error:
            _check_error(error)
            return f"refused: {error.name}"
        report = judge(measurement, Limits.parse(("0.15",), Rule.GUARDED))
        _check_report(report)
        text = pair_text(report, ascii_only=True)
        outputs = () if _typed(a, b) else (text, pair_json(report), pair_csv(report).decode())
        if (budget := budget_of(measurement, 1)) is not None:
            check_finite(budget.sources, "budget")
    if any(_NOT_A_NUMBER.search(output) for output in outputs):
        raise Broken("an output says nan or inf")
    return f"measured, {'needs work' if report.needs_work else 'all within limit'}"


def _look_at(shot: Trace, group_index: float | None) -> None:
    try:
        seen = detect(shot, group_index)
    except OtdravgError as error:
        _check_error(error)
        return
    for name in ("events", "end_m", "findings"):
        check_finite(getattr(seen, name), f"detection.{name}")


def _check_error(error: OtdravgError) -> None:
    text = str(error)
    if "\n" in text or _NOT_A_NUMBER.search(text):
        raise Broken(f"the error's text is {text!r}")


def _typed(*shots: Trace) -> bool:
    """Whether a header itself says ``nan`` or ``inf``: then outputs repeat it, and rightly."""
    said = [getattr(s.identity, name) for s in shots for name in s.identity.__slots__]
    return any(isinstance(text, str) and _NOT_A_NUMBER.search(text) for text in said)


def _check_report(report: PairReport) -> None:
    measurement = report.measurement
    for name in ("readings", "sections", "axis", "attenuation_db_per_km", "findings"):
        check_finite(getattr(measurement, name), f"measurement.{name}")
    check_finite(measurement.u_attenuation_db_per_km, "measurement.u_attenuation_db_per_km")
    for name in ("splices", "sum_db", "mean_db", "limit_db"):
        check_finite(getattr(report, name), f"report.{name}")
    for reading in measurement.readings:
        figures = (reading.u_ab_db, reading.u_ba_db, reading.u_loss_db, reading.u_step_db)
        if any(u is not None and u < 0 for u in figures):
            raise Broken("an uncertainty is negative")
        if not 0 <= reading.distance_m <= measurement.axis.length_m:
            raise Broken("a reading lies outside of the span")
    texts = [sentence(f) for f in (*measurement.findings, *report.doubts)]
    if not _typed(measurement.ab, measurement.ba) and any(
        _NOT_A_NUMBER.search(text) for text in (*texts, *map(told, report.next_steps))
    ):
        raise Broken("a sentence says nan or inf")


if __name__ == "__main__":
    sys.exit(main())
