"""What a review says, as values: the one place that knows how the program words its answer.

From the exit status, the screen and the tables of one run of ``otdravg cable`` to a
:class:`Reading`. When the program's wording changes, this file changes and the catalogue does not.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

__all__ = ["Finding", "Order", "Reading", "Row", "Run", "read_review"]

Table = Sequence[Mapping[str, str]]

#: Verdicts that let a splice pass.
_CLEARED = {
    "within limit",
    "within the one-way limit",
    "accepted out of specification",
    "accepted",
}
#: Verdicts that find fault with it.
_FAULTED = {
    "over limit",
    "over limit after the last attempt",
    "over limit, evidence due",
    "bend suspected",
    "temporary splice",
    "method not allowed",
}
#: Verdicts that hold a loss against a limit, and do not decide.
_UNDECIDED = {"too close to call"}
#: Advice that sends somebody with a saw to a ribbon, in ``resplice.csv``.
_ORDER = re.compile(r"^\W*(?:redo|re-?splice|remake|cut|splice)\b", re.IGNORECASE)
#: Actions of a row that do so.
_ROW_ORDER = re.compile(r"^\W*(?:redo|re-?splice|remake|cut)\b", re.IGNORECASE)
_SEVERE = {"caution", "defect"}


@dataclass(frozen=True, slots=True)
class Run:
    """One run of the command: exit status, both streams, tables, what broke out of it."""

    exit_code: int
    stdout: str
    stderr: str
    tables: Mapping[str, Table]
    broke: str | None = None
    warned: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table of splices."""

    cable: str
    fibre: int | None
    nm: int | None
    distance_m: float
    closure: int | None
    loss_db: float | None
    expanded_u_db: float | None
    limit_db: float | None
    verdict: str
    action: str
    reason: str

    @property
    def cleared(self) -> bool:
        """Whether the splice passes."""
        return self.verdict in _CLEARED

    @property
    def faulted(self) -> bool:
        """Whether fault is found with it."""
        return self.verdict in _FAULTED

    @property
    def graded(self) -> bool:
        """Whether its loss was held against a limit."""
        return self.cleared or self.faulted or self.verdict in _UNDECIDED

    @property
    def ordered(self) -> bool:
        """Whether it is to be made again."""
        return bool(_ROW_ORDER.search(self.action))

    def __str__(self) -> str:
        loss = "no loss" if self.loss_db is None else f"{self.loss_db:.3f} dB"
        return f"{self.cable} fibre {self.fibre}, {self.nm} nm, {self.distance_m:.0f} m, {loss}"


@dataclass(frozen=True, slots=True)
class Finding:
    """One line of the table of findings."""

    severity: str
    code: str
    fibres: frozenset[int]
    text: str

    @property
    def severe(self) -> bool:
        """Whether it is more than a note."""
        return self.severity in _SEVERE


@dataclass(frozen=True, slots=True)
class Order:
    """A ribbon at a closure that is to be made again."""

    cable: str
    distance_m: float
    ribbon: str
    failing: frozenset[int]

    def __str__(self) -> str:
        which = ", ".join(map(str, sorted(self.failing)))
        return f"{self.cable} ribbon {self.ribbon} at {self.distance_m:.0f} m for fibre {which}"


@dataclass(frozen=True, slots=True)
class Reading:
    """What a review says.

    ``paragraphs`` are those of the screen, folded lines joined, items with their headings;
    ``uses`` the file names with what each was used as.
    """

    exit_code: int
    crashed: str | None
    rows: tuple[Row, ...] = ()
    findings: tuple[Finding, ...] = ()
    orders: tuple[Order, ...] = ()
    paragraphs: tuple[str, ...] = ()
    text: str = ""
    uses: tuple[tuple[str, str], ...] = ()

    @property
    def all_clear(self) -> bool:
        """Exit status 0: the cable is handed over."""
        return self.exit_code == 0

    @property
    def refused(self) -> bool:
        """Exit status 2: nothing was reviewed."""
        return self.exit_code == 2

    @property
    def severe(self) -> tuple[Finding, ...]:
        """What is more than a note."""
        return tuple(f for f in self.findings if f.severe)


def read_review(run: Run) -> Reading:
    """Read one run."""
    text = run.stdout + run.stderr
    crashed = _fault(run)
    if crashed is None and run.exit_code != 2 and "splices" not in run.tables:
        crashed = "no table of splices"
    return Reading(
        exit_code=run.exit_code,
        crashed=crashed,
        rows=tuple(_rows(run.tables.get("splices", ()))),
        findings=tuple(_findings(run.tables.get("findings", ()))),
        orders=tuple(_orders(run.tables.get("resplice", ()))),
        paragraphs=tuple(_joined(text)),
        text=text,
        uses=tuple((row["file"], row["use"]) for row in run.tables.get("shots", ())),
    )


def _fault(run: Run) -> str | None:
    if run.broke is not None:
        return run.broke
    if "Traceback (most recent call last)" in run.stdout + run.stderr:
        return "a traceback on the screen"
    if run.exit_code not in (0, 1, 2):
        return f"exit status {run.exit_code}"
    if run.warned:
        return f"a warning of the inside: {run.warned[0]}"
    if not (run.stdout + run.stderr).strip():
        return "not a word"
    return None


def _rows(table: Table) -> Iterator[Row]:
    for row in table:
        yield Row(
            row["cable"],
            _whole(row["fibre"]),
            _whole(row["wavelength_nm"]),
            _number(row["distance_m"]) or 0.0,
            _whole(row.get("closure_number", "")),
            _number(row["loss_db"]),
            _number(row["expanded_uncertainty_db"]),
            _number(row.get("limit_db", "")),
            row["verdict"].strip().lower(),
            row["action"].strip().lower(),
            row["reason"],
        )


def _findings(table: Table) -> Iterator[Finding]:
    for row in table:
        fibres = {int(n) for n in re.findall(r"\d+", row.get("other_fibres", ""))}
        named = _whole(row["fibre"])
        place = ", ".join(
            f"{key} {row[key]}"
            for key in ("cable", "fibre", "other_fibres", "wavelength_nm", "direction", "closure")
            if row.get(key)
        )
        yield Finding(
            row["severity"].strip().lower(),
            row["finding"],
            frozenset(fibres | ({named} if named is not None else set())),
            f"{row['severity']} {row['finding']} ({place}): {row['evidence']}; "
            f"{row['what_to_do']} [{row['files']}]",
        )


def _orders(table: Table) -> Iterator[Order]:
    for row in table:
        if _ORDER.search(row["advice"]):
            yield Order(
                row["cable"],
                _number(row["distance_m"]) or 0.0,
                row["ribbon"],
                frozenset(int(n) for n in re.findall(r"\d+", row["failing_fibres"])),
            )


def _joined(text: str) -> Iterator[str]:
    """Lines of the screen, folded ones joined: a line that starts with a blank goes on.

    An item of a list, ``- …``, has the heading that it stands under before it.
    """
    heading = ""
    for line in _unfolded(text):
        if line.startswith("- "):
            yield f"{heading}: {line}" if heading else line
        else:
            heading = line
            yield line


def _unfolded(text: str) -> Iterator[str]:
    held = ""
    for line in text.splitlines():
        if line.startswith(" ") and held:
            held += " " + line.strip()
            continue
        if held:
            yield held
        held = line.strip()
    if held:
        yield held


def _number(text: str) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None


def _whole(text: str) -> int | None:
    number = _number(text)
    return None if number is None else int(number)
