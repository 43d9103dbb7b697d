"""Tables without ``closeout.json``: what each row says, held against its other cells."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Mapping
from decimal import Decimal, InvalidOperation
from pathlib import Path

from otdravg.closeout.checks.model import Check, at, checked
from otdravg.findings import Statement, says
from otdravg.verdict.decision import Verdict

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
        says("check-table-halves"),
        len(rows),
        [text for row in rows for text in _half_sums(row)],
    )
    yield checked(
        says("check-table-verdicts"),
        len(rows),
        [text for row in rows for text in _verdicts(row)],
    )
    shots = {row["file"] for row in _rows(folder / "shots.csv") if row.get("file")}
    if shots:
        named = dict.fromkeys((_place(row), row.get(key, "")) for row in rows
                              for key in ("file_ab", "file_ba"))  # fmt: skip
        missing = [at(place, says("wrong-not-in-shots", file=file)) for place, file in named
                   if file and file not in shots]  # fmt: skip
        yield checked(says("check-table-shots"), len(named), missing)


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


def _place(row: Row) -> Statement:
    fibre, nm, closure = (row.get(key, "") for key in ("fibre", "wavelength_nm", "closure"))
    return says("line-of-splices", fibre=fibre, at_nm=nm, closure=closure)


def _figure(row: Row, key: str) -> Decimal | None:
    try:
        return Decimal(row.get(key, "").replace(",", ".").removeprefix("'"))
    except InvalidOperation:
        return None


def _half_sums(row: Row) -> Iterator[Statement]:
    ab, ba = _figure(row, "loss_ab_db"), _figure(row, "loss_ba_db")
    loss_db, step_db = _figure(row, "loss_db"), _figure(row, "backscatter_step_db")
    if ab is None or ba is None:
        if loss_db is not None:
            yield at(_place(row), says("wrong-one-end"))
        return
    for name, has, wanted in (("loss_db", loss_db, (ab + ba) / 2),
                              ("backscatter_step_db", step_db, (ab - ba) / 2)):  # fmt: skip
        if has is not None and abs(has - wanted) > _ROUNDING_DB:
            yield at(_place(row), says("wrong-half", name=name, has=has, wanted=wanted))


def _verdicts(row: Row) -> Iterator[Statement]:
    loss_db, limit_db = _figure(row, "loss_db"), _figure(row, "limit_db")
    is_within = _SAYS_WITHIN.get(row.get("verdict", ""))
    if is_within is None:
        return
    if loss_db is None:
        yield at(_place(row), says("wrong-no-loss", verdict=row["verdict"]))
    elif limit_db is not None and (loss_db <= limit_db) != is_within:
        yield at(
            _place(row),
            says("wrong-side", verdict=row["verdict"], loss_db=loss_db, limit_db=limit_db),
        )
