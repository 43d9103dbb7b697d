"""The answers of a demo with faults, held against what a review found.

Reads ``planted.csv`` and ``truth.csv`` as a user gets them and says, fault by fault, which
of the review's findings, rows and patterns are its signs, what was missed, and what the review
claims that nobody planted.
"""

from __future__ import annotations

import csv
from collections import defaultdict
from dataclasses import dataclass, field
from pathlib import Path

from otdravg.cable import CableFinding, CableReview
from otdravg.cable.model import SpliceRow
from otdravg.cable.patterns.find import Pattern, PatternKind
from otdravg.verdict.decision import Verdict
from otdravg.words.catalogue import told

Row = dict[str, str]

#: What each fault has to be called in the findings: all of these codes.
FINDINGS = {
    "shot from one end missing": ("direction-missing",),
    "wavelength missing": ("wavelength-not-shot",),
    "fibre missing": ("fibre-missing",),
    "file cut off while it was copied": ("file-unreadable", "direction-missing"),
    "file overwritten in part": ("file-unreadable", "direction-missing"),
    "same file under two names": ("same-file-again",),
    # The fibre whose shot was made up lacks it.
    "same trace with an edited header": ("header-edited", "direction-missing"),
    "both shots taken from one end": ("shot-from-same-end",),
    "fibres crossed between A and B": ("fibres-crossed",),
    "files of two fibres exchanged at one wavelength": ("fibres-crossed",),
    "shot of another cable": ("length-differs",),
    "wrong wavelength label": ("wavelength-label", "direction-missing"),
    "another pulse than agreed": ("pulse-differs",),
    "another group index": ("index-differs",),
    "clock years off": ("clock-odd",),
    "launch cord forgotten": ("cord-missing", "launch-cord-outside-profile"),
    "shorter launch cord than agreed": ("cord-differs", "launch-cord-outside-profile"),
    "fibre number in header and name disagree": ("fibre-claims-differ",),
    "ends typed the wrong way round": ("direction-claims-differ",),
    "shot again from one end": ("shot-again-from-one-end",),
    "fibre broken between closures": ("fibre-broken",),
    "ribbon made again and shot again": ("splice-changed",),
    "damage between closures": ("event-between-closures",),
    "bend between closures": ("event-between-closures",),
    "bend in a tray": ("bend-suspected",),
}
PATTERNS = {
    "position of the splicer loses more": PatternKind.POSITION,
    "both edges of the ribbon lose more": PatternKind.EDGE,
    "mass splice bad as a whole": PatternKind.MASS_SPLICE,
}
#: True of every run of the demo: its note is no trace file, no file can show open closures, and
#: some of its fibres are drawn so alike that their glass does not tell them apart.
ALWAYS = {"not-a-trace-file", "closures-not-recorded", "numbering-by-labels"}
#: What pairs of crossed fibres may say of themselves; a test holds of which fibres it is said.
OF_CROSSED = "two-fibres-likely"
#: Limits of the profile two-wavelengths, dB by nm; true losses this near are not asked about.
LIMITS_DB = {1310: 0.25, 1550: 0.20}
NEAR_DB = 0.003
#: Verdicts of shots that cannot say what a splice loses.
UNSEEN = {Verdict.NOT_GRADABLE, Verdict.NOT_MEASURED, Verdict.ONE_WAY}


@dataclass(slots=True)
class Answers:
    """What became of everything that was planted."""

    found: dict[str, list[str]] = field(default_factory=lambda: defaultdict(list))
    missed: dict[str, list[str]] = field(default_factory=lambda: defaultdict(list))
    unseen: dict[str, list[str]] = field(default_factory=lambda: defaultdict(list))
    extra: list[str] = field(default_factory=list)


def read(path: Path) -> list[Row]:
    with open(path, encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def compare(review: CableReview, answers: Path) -> Answers:
    """Hold a review against the folder of answers."""
    result = Answers()
    claimed: set[int] = set()
    patterns: set[int] = set()
    for plant in read(answers / "planted.csv"):
        fault, place = plant["fault"], _place(plant)
        if fault in FINDINGS:
            signs = [_signs(plant, code, review) for code in FINDINGS[fault]]
            claimed |= {n for own in signs for n in own}
            result_of = result.found if all(signs) else result.missed
        elif fault in PATTERNS:
            own = _patterns(plant, review)
            patterns |= own
            result_of = result.found if own else result.missed
        else:
            result_of = _bad_splice(plant, review, result)
        result_of[fault].append(place)
    result.extra = [
        f"{f.code}, fibre {f.fibre}, {f.wavelength_nm} nm: {told(f.evidence)}"
        for n, f in enumerate(review.findings)
        if n not in claimed and f.code not in (*ALWAYS, OF_CROSSED)
    ]
    assert review.patterns is not None
    result.extra += [
        told(pattern.said) for n, pattern in enumerate(review.patterns.found) if n not in patterns
    ]
    result.extra += _wrong_verdicts(review, read(answers / "truth.csv"))
    return result


def _place(plant: Row) -> str:
    words = (
        f"fibre {plant['fibre']}" if plant["fibre"] else "",
        f"and {plant['other_fibre']}" if plant["other_fibre"] else "",
        plant["closure"],
        plant["wavelength_nm"],
        plant["direction"],
        plant["detail"],
    )
    return " ".join(word for word in words if word)


def _signs(plant: Row, code: str, review: CableReview) -> set[int]:
    """Numbers of the findings of one code that are about a planted fault."""
    fibres = {int(plant[name]) for name in ("fibre", "other_fibre") if plant[name]}
    files = set(plant["files"].split("; ")) - {""}
    number = str(_number(plant["closure"])) if plant["closure"] else ""

    def about(finding: CableFinding) -> bool:
        if finding.code != code or (number and finding.closure != number):
            return False
        nm = plant["wavelength_nm"]
        if nm and finding.wavelength_nm not in (None, int(nm)):
            return False
        theirs = {finding.fibre, *finding.other_fibres} - {None}
        return bool(theirs & fibres) or bool(files & set(finding.files))

    return {n for n, finding in enumerate(review.findings) if about(finding)}


def _number(closure: str) -> int:
    """Number of a closure of the demo from its name, ``J04 …``."""
    return int(closure[1:3])


def _patterns(plant: Row, review: CableReview) -> set[int]:
    kind = PATTERNS[plant["fault"]]
    assert review.patterns is not None

    def fits(pattern: Pattern) -> bool:
        if pattern.kind is not kind:
            return False
        if kind is not PatternKind.MASS_SPLICE:
            # "position 1 and 12 of all ribbons, …"
            where = plant["detail"].partition(" of ")[0].removeprefix("position ")
            return pattern.positions == tuple(int(p) for p in where.split(" and "))
        # "fibres 25 to 36 lose …"
        first = int(plant["detail"].split()[1])
        return (pattern.closure_number, pattern.ribbon) == (
            _number(plant["closure"]),
            (first - 1) // 12 + 1,
        )

    return {n for n, pattern in enumerate(review.patterns.found) if fits(pattern)}


def _bad_splice(plant: Row, review: CableReview, result: Answers) -> dict[str, list[str]]:
    rows = [
        row
        for row in review.rows
        if (row.fibre, row.closure_number) == (int(plant["fibre"]), _number(plant["closure"]))
    ]
    if all(row.verdict.verdict in UNSEEN for row in rows):
        return result.unseen
    assert review.plan is not None
    planned = any(
        (unit.closure_number, unit.ribbon) == (rows[0].closure_number, rows[0].ribbon)
        for unit in review.plan.units
    )
    over = any(row.verdict.verdict is Verdict.OVER for row in rows)
    return result.found if over and planned else result.missed


def _wrong_verdicts(review: CableReview, truth: list[Row]) -> list[str]:
    """Rows whose verdict is not the one that the true loss has."""
    true_db = {
        (int(t["fibre"]), int(t["wavelength_nm"]), _number(t["closure"])): t
        for t in truth
        if t["closure"]
    }
    wrong = []
    for row in review.rows:
        if row.closure_number is None or row.verdict.verdict in UNSEEN:
            continue
        t = true_db[row.fibre, row.wavelength_nm, row.closure_number]
        loss_db, limit_db = float(t["loss_db"]), LIMITS_DB[row.wavelength_nm]
        if abs(loss_db - limit_db) <= NEAR_DB:
            continue
        allowed = {Verdict.OVER if loss_db > limit_db else Verdict.WITHIN}
        if t["kind"] == "bend":
            allowed.add(Verdict.BEND)
        if row.verdict.verdict not in allowed:
            wrong.append(f"{_of(row)}: {row.verdict.verdict.value}, truly {loss_db:.3f} dB")
    return wrong


def errors_db(review: CableReview, answers: Path) -> list[tuple[SpliceRow, float]]:
    """Error of every loss measured both ways on shots of one fibre, with its row."""
    true_db = {
        (int(t["fibre"]), int(t["wavelength_nm"]), _number(t["closure"])): float(t["loss_db"])
        for t in read(answers / "truth.csv")
        if t["closure"]
    }
    return [
        (row, row.loss_db - true_db[row.fibre, row.wavelength_nm, row.closure_number])
        for row in review.rows
        if row.loss_db is not None
        and row.closure_number is not None
        and row.verdict.verdict is not Verdict.NOT_GRADABLE
    ]


def _of(row: SpliceRow) -> str:
    return f"fibre {row.fibre}, {row.wavelength_nm} nm, closure {row.closure_number}"
