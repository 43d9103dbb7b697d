"""Tables without ``closeout.json``: what each row says, held against its other cells."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Mapping
from decimal import Decimal, InvalidOperation
from pathlib import Path

from otdravg.closeout.checks.model import Check, checked
from otdravg.verdict.decision import Verdict

__all__ = ["tables_alone"]

#: Three figures rounded to a thousandth each: half a sum may be one off in the last digit.
_ROUNDING_DB = Decimal("0.001")
_SAYS_WITHIN = {
    Verdict.WITHIN.value: True,
    Verdict.OVER.value: False,
    Verdict.FAILED.value: False,
    Verdict.EVIDENCE_DUE.value: False,
}

Row = Mapping[str, str]


def tables_alone(folder: Path) -> Iterator[Check]:
    """Check ``splices.csv``: half-sums, verdicts, and that the shots named are in ``shots.csv``."""
    rows = list(_rows(folder / "splices.csv"))
    if not rows:
        return
    yield checked(
        "splices.csv: losses against half the sum, steps against half the difference",
        len(rows),
        [text for row in rows for text in _half_sums(row)],
    )
    yield checked(
        "splices.csv: verdicts against loss and limit",
        len(rows),
        [text for row in rows for text in _verdicts(row)],
    )
    shots = {row["file"] for row in _rows(folder / "shots.csv") if row.get("file")}
    if shots:
        named = {(_place(row), row.get(key, "")) for row in rows for key in ("file_ab", "file_ba")}
        missing = [f"{place}: {file} is not in shots.csv" for place, file in sorted(named)
                   if file and file not in shots]  # fmt: skip
        yield checked("splices.csv: traces against shots.csv", len(named), missing)


def _rows(path: Path) -> Iterator[Row]:
    if not path.is_file():
        return
    with open(path, encoding="utf-8", errors="replace", newline="") as stream:
        first = stream.readline()
        stream.seek(0)
        # As the template of a closeout may have it: the first name says which it was.
        separator = next(
            (sign for sign in (",", ";", "\t") if first.startswith(f"cable{sign}")), ","
        )
        for row in csv.DictReader(stream, delimiter=separator):
            yield {key: value or "" for key, value in row.items() if isinstance(key, str)}


def _place(row: Row) -> str:
    parts = (row.get(key, "") for key in ("fibre", "wavelength_nm", "closure"))
    return "splices.csv, fibre {}, {} nm, closure {}".format(*parts)


def _figure(row: Row, key: str) -> Decimal | None:
    try:
        return Decimal(row.get(key, "").replace(",", ".").removeprefix("'"))
    except InvalidOperation:
        return None


def _half_sums(row: Row) -> Iterator[str]:
    ab, ba = _figure(row, "loss_ab_db"), _figure(row, "loss_ba_db")
    loss_db, step_db = _figure(row, "loss_db"), _figure(row, "backscatter_step_db")
    if ab is None or ba is None:
        if loss_db is not None:
            yield f"{_place(row)}: a loss without readings from both ends"
        return
    for name, has, wanted in (("loss_db", loss_db, (ab + ba) / 2),
                              ("backscatter_step_db", step_db, (ab - ba) / 2)):  # fmt: skip
        if has is not None and abs(has - wanted) > _ROUNDING_DB:
            yield f"{_place(row)}: {name} is {has}, both readings make {wanted}"


def _verdicts(row: Row) -> Iterator[str]:
    loss_db, limit_db = _figure(row, "loss_db"), _figure(row, "limit_db")
    says = _SAYS_WITHIN.get(row.get("verdict", ""))
    if says is None:
        return
    if loss_db is None:
        yield f"{_place(row)}: {row['verdict']}, and there is no loss"
    elif limit_db is not None and (loss_db <= limit_db) != says:
        yield f"{_place(row)}: {row['verdict']}, and {loss_db} dB against {limit_db} dB is not"
