"""What is wrong with a cable, by cause: what each finding asks of whoever reads the screen.

A table of short sentences without odds and figures; ``findings.csv`` and ``--details`` have the
evidence. A code that is not in it is shown with the beginning of its own evidence.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum

from otdravg.cable.model import CableFinding

__all__ = [
    "SAID",
    "Cause",
    "Said",
    "cause_of",
    "fibres_of",
    "gathered",
    "span_text",
    "wavelengths_text",
]


class Cause(IntEnum):
    """What kind of thing is to be done, what has to be settled first in front."""

    IDENTITY = 0  # whose splices these are
    LABEL = 1  # what a file says of itself
    FILE = 2  # a file that cannot be used
    RULE = 3  # the rules, the job, the decisions
    SHOOT = 4  # nothing but a shot helps
    VISIT = 5  # somebody has to go to a place of the cable
    LOOK = 6  # how the shots were taken


_DISAGREE = "correct one, or state it (--mapping)"
#: What is to be done about it, the code itself says what it is; None: the evidence has to be read.
SAID: dict[str, tuple[Cause, str | None]] = {
    "fibres-crossed": (Cause.IDENTITY, "trace both, then exchange or confirm"),
    "other-fibre": (Cause.IDENTITY, "another fibre's shot fits better; shoot again"),
    "pair-doubtful": (Cause.IDENTITY, "not one fibre; shoot both ends again"),
    "two-fibres-likely": (Cause.IDENTITY, "compare the labels at both ends"),
    "length-differs": (Cause.IDENTITY, "a shot of another cable? find the right one"),
    "other-length": (Cause.IDENTITY, "a branch, a break, or another cable"),
    "pattern-differs": (Cause.IDENTITY, "events do not mirror; check the number"),
    "shot-from-same-end": (Cause.IDENTITY, "find or take the shot from the other end"),
    "same-points-both-ways": (Cause.IDENTITY, "find or take the shot from the other end"),
    "shot-again-from-one-end": (Cause.IDENTITY, "shoot the other end again too"),
    "pair-of-two-states": (
        Cause.IDENTITY,
        "made again between its shots; shoot the other end as below",
    ),
    "shot-before-work": (Cause.IDENTITY, "older than the work on their ribbon; shoot as below"),
    "order-unknown": (Cause.IDENTITY, "which shot is newer? name its folder last"),
    "plan-contradicted": (Cause.IDENTITY, "not spliced, or not numbered, as planned; look which"),
    "plan-unproved": (Cause.IDENTITY, "numbers by the plan alone; prove one with light"),
    "plan-closure-unknown": (Cause.RULE, "the plan's closure is not there; name it (closures.csv)"),
    "express-spliced": (Cause.VISIT, "planned to run through, shows a splice; was it cut?"),
    "planned-splice-unseen": (Cause.VISIT, "planned to be spliced, shows none; look"),
    "closure-unseen": (Cause.IDENTITY, "no splice there; are distances counted from A?"),
    "two-cables-one-name": (Cause.IDENTITY, "put each cable into a folder of its own"),
    "header-edited": (Cause.IDENTITY, "one trace, two headers; find the other shot"),
    "same-file-again": (Cause.LABEL, "remove the copy"),
    "shots-under-one-name": (Cause.LABEL, "several fibres? say which is which (--mapping)"),
    "launch-unstated": (Cause.LABEL, "state it (--launch, --receive), 0 where there is none"),
    "wavelength-label": (Cause.LABEL, "left out; find the shot, or state it (--mapping)"),
    "wavelength-differs": (Cause.LABEL, "pair shots of one wavelength"),
    "fibre-claims-differ": (Cause.LABEL, _DISAGREE),
    "direction-claims-differ": (Cause.LABEL, _DISAGREE),
    "wavelength-claims-differ": (Cause.LABEL, _DISAGREE),
    "file-unreadable": (Cause.FILE, "copy it again, or shoot again"),
    "shot-not-placed": (Cause.FILE, "say fibre, end, wavelength (--mapping)"),
    "gone-since-before": (Cause.FILE, "measured in the earlier run; find its shots"),
    "attempts-differ": (Cause.RULE, "the log has fewer than the shots prove; complete it"),
    "log-line-unplaced": (Cause.RULE, None),
    "log-line-twice": (Cause.RULE, None),
    "log-time-backwards": (Cause.RULE, None),
    "log-clock-differs": (Cause.RULE, None),
    "bad-in-succession": (Cause.VISIT, None),
    "loss-rises-with-use": (Cause.VISIT, None),
    "mapping-unused": (Cause.RULE, "a line of the mapping table names no file"),
    "points-damaged": (Cause.FILE, "copy it again, or shoot again"),
    "no-signal": (Cause.FILE, "clean, shoot again"),
    "direction-missing": (Cause.SHOOT, ""),
    "wavelength-not-shot": (Cause.SHOOT, ""),
    "fibre-missing": (Cause.SHOOT, ""),
    "ribbon-missing": (Cause.SHOOT, ""),
    "bend-suspected": (Cause.VISIT, "re-dress it in its tray and shoot again, do not cut"),
    "event-between-closures": (Cause.VISIT, "look at the cable"),
    "fibre-broken": (Cause.VISIT, "broken; look, then shoot again"),
    "reflection-in-closure": (Cause.VISIT, "reflects; a connector or a crack? look"),
    "worse-than-before": (Cause.VISIT, "worse than in the earlier run; look at the tray"),
    "route-mark-odd": (Cause.RULE, None),
    "route-closure-unlisted": (Cause.RULE, None),
    "calibration-lapsed": (Cause.LOOK, None),
    "power-missing": (Cause.LOOK, "no reading of source and meter; read it"),
    "power-sign": (Cause.RULE, "a loss below 0 dB; mend the list"),
    "power-offset": (Cause.LOOK, None),
    "power-exchanged": (Cause.LABEL, "readings exchanged? read both again"),
    "power-apart": (Cause.LOOK, "clean both end connectors, look at them, read again"),
    "power-dark": (Cause.LOOK, "no light arrives; find the break"),
    "power-elsewhere": (Cause.IDENTITY, "light arrives at another fibre; trace both"),
    "reel-length": (Cause.RULE, None),
    "reel-outside-record": (Cause.LOOK, None),
    "span-outside-rules": (Cause.LOOK, None),
    "group-outside-rules": (Cause.LOOK, None),
    "clock-odd": (Cause.LOOK, "years from the others; of this job? set the clock"),
    "date-unknown": (Cause.LOOK, "set the clock; no order rests on it"),
    "cord-missing": (Cause.LOOK, "the first splice may not show"),
    "cord-differs": (Cause.LOOK, "check where the span starts"),
    "pulse-differs": (Cause.LOOK, "shoot again if the contract names a pulse"),
    "index-differs": (Cause.LOOK, "put on the cable's own"),
    "splice-changed": (Cause.LOOK, "right if the ribbon was made again"),
}
_RULES = ("decision", "key-", "closures-", "ends-not")
_SETTINGS = ("-outside-profile",)


def cause_of(code: str) -> Cause:
    """Tell what kind of thing a finding asks for; what is not known is settled first."""
    if code in SAID:
        return SAID[code][0]
    if code.startswith(_RULES) or code.endswith("-not-in-job"):
        return Cause.RULE
    return Cause.LOOK if code.endswith(_SETTINGS) else Cause.IDENTITY


def fibres_of(finding: CableFinding) -> tuple[int, ...]:
    """Fibres that a finding concerns."""
    first = () if finding.fibre is None else (finding.fibre,)
    return tuple(sorted({*first, *finding.other_fibres}))


@dataclass(frozen=True, slots=True)
class Said:
    """Findings of one code about one cable, said once."""

    cable: str  # "cable NAME" where there are several
    code: str
    where: str  # fibres with wavelengths, or files
    what: str  # what is to be done

    @property
    def place(self) -> str:
        """Where, without the noun."""
        return re.sub("^fibres? ", "", self.where)

    @property
    def words(self) -> str:
        """Where and what to do."""
        return f"{self.where}: {self.what}"

    @property
    def text(self) -> str:
        """In full: code, where, what to do."""
        place = ", ".join(filter(None, (self.code, self.cable, self.where)))
        return f"{place}: {self.what}"

    @property
    def short(self) -> str:
        """Code and where."""
        return f"{self.code} ({self.place})" if self.where else self.code


def gathered(findings: Sequence[CableFinding], *, several: bool = False) -> list[Said]:
    """Say findings once for each cable and code, what has to be settled first in front.

    The cable is named if there are ``several``, in these findings or beside them.
    """
    several |= len({finding.cable for finding in findings if finding.cable}) > 1
    groups: dict[tuple[Cause, str, str], list[CableFinding]] = {}
    for finding in findings:
        cable = f"cable {finding.cable}" if several and finding.cable else ""
        groups.setdefault((cause_of(finding.code), cable, finding.code), []).append(finding)
    return [
        Said(cable, code, _where(own), _what(code, own))
        for (_, cable, code), own in sorted(groups.items(), key=lambda item: item[0])
    ]


def _what(code: str, findings: Sequence[CableFinding]) -> str:
    said = SAID[code][1] if code in SAID else None
    if said is not None:
        return said
    more = f" (the first of {len(findings)}; see findings.csv)" if len(findings) > 1 else ""
    return _begun(findings[0]) + more


def _where(findings: Sequence[CableFinding]) -> str:
    """Fibres with their wavelengths, grouped by equal ones; files where no fibre is known."""
    places: dict[tuple[str, int], set[int]] = {}  # wavelengths by closure and fibre
    pairs: dict[str, list[str]] = {}
    files: list[str] = []
    for finding in findings:
        fibres = fibres_of(finding)
        seen = set() if finding.wavelength_nm is None else {finding.wavelength_nm}
        closure = f", closure {finding.closure}" if finding.closure else ""
        if finding.code == "fibres-crossed":
            tail = f" at {wavelengths_text([*seen])}" if seen else ""
            pairs.setdefault(tail, []).append(" with ".join(map(str, fibres)))
        elif fibres:
            for fibre in fibres:
                places.setdefault((closure, fibre), set()).update(seen)
        elif finding.files:
            files += finding.files[:1]
    alike: dict[str, list[int]] = {}
    for (closure, fibre), nm in places.items():
        tail = f" at {wavelengths_text([*nm])}" if nm else ""
        alike.setdefault(tail + closure, []).append(fibre)
    parts = [f"{span_text(fibres)}{tail}" for tail, fibres in alike.items()]
    parts += [f"{', '.join(own)}{tail}" for tail, own in pairs.items()]
    noun = "fibre" if len(places) == 1 else "fibres"
    words = [f"{noun} {'; '.join(parts)}"] if parts else []
    if files:
        more = f" and {len(files) - 2} more files" if len(files) > 2 else ""
        words.append(", ".join(files[:2]) + more)
    return "; ".join(words)


def wavelengths_text(wavelengths_nm: Sequence[int]) -> str:
    """Write wavelengths: "1310 and 1550 nm"."""
    *others, last = map(str, sorted(wavelengths_nm))
    return f"{', '.join(others)} and {last} nm" if others else f"{last} nm"


def span_text(numbers: Sequence[int]) -> str:
    """Write numbers with runs shortened: ``1 to 4, 7``."""
    ordered = sorted(set(numbers))
    starts = [n for n in ordered if n - 1 not in ordered]
    ends = [n for n in ordered if n + 1 not in ordered]
    return ", ".join(
        str(a) if a == b else f"{a}, {b}" if b == a + 1 else f"{a} to {b}"
        for a, b in zip(starts, ends, strict=True)
    )


def _begun(finding: CableFinding) -> str:
    """The first clause of a finding's evidence, and what to do."""
    evidence = re.split(r"[;:](?:\s|$)", finding.evidence)[0].rstrip(". ")
    return f"{evidence}; {finding.what_to_do}"
