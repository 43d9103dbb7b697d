"""Compare a review with the result of an earlier run."""

from __future__ import annotations

import csv
import io
import re
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from math import hypot
from pathlib import Path
from statistics import median

from otdravg.cable.checks.notes import about_fibre
from otdravg.cable.model import CableFinding, Change, ChangeKind, FibreKey, Judged, SpliceRow
from otdravg.errors import BadSetting
from otdravg.findings import Scope, caution, note, says
from otdravg.quantities import Quantity, reported
from otdravg.verdict.decision import Action, Verdict
from otdravg.verdict.place import judge_increase
from otdravg.verdict.rules import Profile
from otdravg.verdict.verdicts import SpliceVerdict

Place = tuple[FibreKey, int, int]

#: A closure of both runs lies at the same place within this, m and share of the distance.
_SAME_PLACE_M = 20.0
_SAME_SHARE = 0.003


@dataclass(frozen=True, slots=True)
class OldSplice:
    """One splice of an earlier run: what its table says."""

    key: FibreKey
    wavelength_nm: int
    closure: str
    number: int  # of the closure in that run
    distance_m: float
    loss_db: float | None
    expanded_uncertainty_db: float | None
    judged: Judged


def read_splices(folder: Path) -> tuple[OldSplice, ...]:
    """Read the splice table of an earlier run.

    Parameters
    ----------
    folder : Path
        The folder that the earlier run wrote (it holds ``splices.csv``).

    Raises
    ------
    BadSetting
        If there is no such table or a line of it cannot be used.
    """
    path = folder / "splices.csv"
    if not path.is_file():
        raise BadSetting("against", str(folder), says("name-earlier"))
    text = path.read_text(encoding="utf-8-sig")
    # As a template has it written: names of columns hold no separator.
    separator = next((sign for sign in ";\t" if sign in text.partition("\n")[0]), ",")
    rows = csv.DictReader(io.StringIO(text, newline=""), delimiter=separator)
    needed = {
        "cable", "fibre", "wavelength_nm", "closure", "closure_number", "loss_db",
        "expanded_uncertainty_db", "distance_m", "verdict", "action", "limit_db", "near_limit",
    }  # fmt: skip
    if not needed <= set(rows.fieldnames or ()):
        raise BadSetting("against", str(path), says("lacks-columns", needed=", ".join(needed)))
    splices = []
    for number, row in enumerate(rows, start=2):
        if not row["closure_number"]:
            continue
        place = f"{path} line {number}"
        splices.append(
            OldSplice(
                FibreKey(row["cable"].removeprefix("'"), _whole(row["fibre"], place)),
                _whole(row["wavelength_nm"], place),
                row["closure"].removeprefix("'"),
                _whole(row["closure_number"], place),
                _figure(row["distance_m"], place) or 0.0,
                _figure(row["loss_db"], place),
                _figure(row["expanded_uncertainty_db"], place),
                _judged_before(row, place),
            )
        )
    return tuple(splices)


def _judged_before(row: Mapping[str, str], place: str) -> Judged:
    try:
        verdict, action = Verdict(row["verdict"]), Action(row["action"])
        limit_db = Decimal(text.replace(",", ".")) if (text := row["limit_db"]) else None
    except (ValueError, ArithmeticError) as error:
        raise BadSetting("against", place, says("no-verdict-of-ours")) from error
    return Judged(verdict, action, limit_db, row["near_limit"] == "yes")


def _whole(text: str, place: str) -> int:
    if not re.fullmatch(r"\d+", text, re.ASCII):
        raise BadSetting("against", place, says("not-whole", text=text))
    return int(text)


def _figure(text: str, place: str) -> float | None:
    if not text:
        return None
    if not re.fullmatch(r"-?\d+([.,]\d+)?", text, re.ASCII):
        raise BadSetting("against", place, says("not-db", text=text))
    return float(text.replace(",", "."))


def changes_since(old: Sequence[OldSplice], rows: Sequence[SpliceRow]) -> tuple[Change, ...]:
    """Compare splice by splice: new, gone, worse or better by more than both are unsure.

    What reads the same within that, and has another verdict, limit or doubt, was judged otherwise;
    so was what is measured now and was not before. Closures are recognised by where they lie:
    their numbers change if one is found that was not known before. Figures are compared as
    reported. The combined uncertainty is √(U₁² + U₂²), k = 2.
    """
    number_now = _numbers_now(old, rows)
    before = {
        (o.key, o.wavelength_nm, number_now.get((o.key.cable, o.number), -o.number)): o for o in old
    }
    after = {
        (row.key, row.wavelength_nm, row.closure_number): row
        for row in rows
        if row.closure_number is not None
    }
    places = sorted(before.keys() | after.keys())
    return tuple(_change(place, before, after) for place in places)


def _numbers_now(old: Sequence[OldSplice], rows: Sequence[SpliceRow]) -> dict[tuple[str, int], int]:
    """Number that each closure of the earlier run has now, by cable and old number."""
    places: list[dict[tuple[str, int], list[float]]] = [defaultdict(list), defaultdict(list)]
    for splice in old:
        places[0][splice.key.cable, splice.number].append(splice.distance_m)
    for row in rows:
        if row.closure_number is not None:
            places[1][row.cable, row.closure_number].append(row.distance_m)
    then, now = ({place: median(own) for place, own in side.items()} for side in places)
    pairs = sorted(
        (abs(was_m - is_m), was, there)
        for was, was_m in then.items()
        for there, is_m in now.items()
        if was[0] == there[0] and abs(was_m - is_m) <= max(_SAME_PLACE_M, _SAME_SHARE * was_m)
    )
    found: dict[tuple[str, int], int] = {}
    taken: set[tuple[str, int]] = set()
    for _, was, there in pairs:
        if was not in found and there not in taken:
            found[was] = there[1]
            taken.add(there)
    return found


def _change(
    place: Place, before: Mapping[Place, OldSplice], after: Mapping[Place, SpliceRow]
) -> Change:
    key, nm, _ = place
    old, row = before.get(place), after.get(place)
    named = row or old
    old_db, new_db = (None if one is None else _shown_db(one) for one in (old, row))
    both = [one for one in (old, row) if one is not None and _shown_db(one) is not None]
    known_db = [u for one in both if (u := one.expanded_uncertainty_db) is not None]
    combined_db = hypot(*known_db) if len(known_db) == 2 else None
    before_judged = None if old is None else old.judged
    after_judged = None if row is None else Judged.by(row.verdict)
    kind = _kind(old_db, new_db, combined_db)
    if kind is ChangeKind.SAME and before_judged != after_judged:
        kind = ChangeKind.REJUDGED
    return Change(
        ChangeKind.NEW if old is None else ChangeKind.GONE if row is None else kind,
        key,
        nm,
        named.closure if named else "",
        None if old_db is None else float(old_db),
        None if new_db is None else float(new_db),
        combined_db,
        before_judged,
        after_judged,
    )


def _shown_db(splice: OldSplice | SpliceRow) -> Decimal | None:
    return reported(splice.loss_db, Quantity.LOSS_DB)


def _kind(old_db: Decimal | None, new_db: Decimal | None, combined_db: float | None) -> ChangeKind:
    """Tell what a difference is; any may be one where nobody knows how sure the figures are."""
    if old_db is None:
        return ChangeKind.SAME
    if new_db is None:
        return ChangeKind.GONE
    if abs(new_db - old_db) <= (reported(combined_db, Quantity.UNCERTAINTY_DB) or 0):
        return ChangeKind.SAME
    return ChangeKind.WORSE if new_db > old_db else ChangeKind.BETTER


def _judged(change: Change, profile: Profile) -> SpliceVerdict | None:
    """Hold an increase against the profile's limit; None without one, or without two losses."""
    before_db, after_db = change.before_db, change.after_db
    if before_db is None or after_db is None or profile.change.increase_limit_db is None:
        return None
    expanded_db = change.combined_uncertainty_db
    u_db = None if expanded_db is None else expanded_db / 2
    return judge_increase(profile, after_db - before_db, u_db)


def change_findings(changes: Sequence[Change], profile: Profile) -> list[CableFinding]:
    """Findings for what has become worse, or was measured before and is not now.

    A profile with a limit for the increase says which increase is too much, and what is worse and
    within it is a note; without one any that exceeds the combined uncertainty has to be looked at.
    """
    findings = []
    for change in changes:
        before_db, after_db = change.before_db, change.after_db
        judged = _judged(change, profile)
        is_over = judged is not None and judged.verdict is not Verdict.WITHIN
        worse = change.kind is ChangeKind.WORSE
        if before_db is None or not (worse or is_over or change.kind is ChangeKind.GONE):
            continue
        grave = note if judged is not None and not is_over else caution
        if after_db is None:
            said = caution("gone-since-before", Scope.CABLE, before_db=before_db)
        else:
            how, expanded_db = says("combined-unknown"), change.combined_uncertainty_db
            if expanded_db is not None:
                code = "beyond-combined" if worse else "within-combined"
                how = says(code, expanded_db=expanded_db)
            said = grave(
                "worse-than-before", Scope.CABLE, "" if judged is None else "judged",
                before_db=before_db, after_db=after_db, how=how,
                reason=None if judged is None else judged.reason,
            )  # fmt: skip
        where = {"wavelength_nm": change.wavelength_nm, "closure": change.closure}
        findings.append(about_fibre(change.key, said, **where))
    return findings
