"""What is wrong with a cable, by cause: what each finding asks of whoever reads the screen."""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from enum import IntEnum

from otdravg.cable.model import CableFinding
from otdravg.trade import numbers_text
from otdravg.words.catalogue import has_words
from otdravg.words.headings import Words


class Cause(IntEnum):
    """What kind of thing is to be done, what has to be settled first in front."""

    IDENTITY = 0  # whose splices these are
    LABEL = 1  # what a file says of itself
    FILE = 2  # a file that cannot be used
    RULE = 3  # the rules, the job, the decisions
    SHOOT = 4  # nothing but a shot helps
    VISIT = 5  # somebody has to go to a place of the cable
    LOOK = 6  # how the shots were taken


#: What kind of thing each finding asks for. What is to be done stands in the catalogues
#: (``[short]``), the code itself says what it is; a code without words there is shown with the
#: beginning of its evidence.
_CODES: dict[Cause, tuple[str, ...]] = {
    Cause.IDENTITY: (
        "fibres-crossed", "other-fibre", "pair-doubtful", "two-fibres-likely", "length-differs",
        "other-length", "pattern-differs", "shot-from-same-end", "same-points-both-ways",
        "shot-again-from-one-end", "pair-of-two-states", "shot-before-work", "order-unknown",
        "closure-unseen", "two-cables-one-name", "header-edited",
    ),
    Cause.LABEL: (
        "same-file-again", "shots-under-one-name", "launch-unstated", "wavelength-label",
        "wavelength-differs", "fibre-claims-differ", "direction-claims-differ",
        "wavelength-claims-differ", "power-exchanged",
    ),
    Cause.FILE: (
        "file-unreadable", "shot-not-placed", "gone-since-before", "points-damaged", "no-signal",
    ),
    Cause.RULE: (
        "attempts-differ", "log-line-unplaced", "log-line-twice", "log-time-backwards",
        "log-clock-differs", "mapping-unused", "plan-closure-unknown", "route-mark-odd",
        "route-closure-unlisted", "power-sign", "reel-length",
    ),
    Cause.SHOOT: (
        "direction-missing", "wavelength-not-shot", "fibre-missing", "ribbon-missing",
    ),
    Cause.VISIT: (
        "bend-suspected", "event-between-closures", "fibre-broken", "reflection-in-closure",
        "worse-than-before", "bad-in-succession", "loss-rises-with-use", "express-spliced",
        "planned-splice-unseen", "end-between-closures", "end-behind-ribbon", "end-moved-back",
        "open-by-shots",
    ),
    Cause.LOOK: (
        "span-outside-rules", "group-outside-rules", "clock-odd", "date-unknown", "cord-missing",
        "cord-differs", "pulse-differs", "index-differs", "splice-changed", "calibration-lapsed",
        "power-missing", "power-offset", "power-apart", "power-dark", "reel-outside-record",
    ),
}  # fmt: skip
CAUSES = {code: cause for cause, codes in _CODES.items() for code in codes}
_RULES = ("decision", "key-", "closures-", "ends-not")
_SETTINGS = ("-outside-profile",)


def cause_of(code: str) -> Cause:
    """Tell what kind of thing a finding asks for; what is not known is settled first."""
    if code in CAUSES:
        return CAUSES[code]
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
    place: str  # fibres with wavelengths, or files
    where: str  # the same with the noun in front
    what: str  # what is to be done

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
        return f"{self.code} ({self.place})" if self.place else self.code


def gathered(
    findings: Sequence[CableFinding], words: Words, *, several: bool = False
) -> list[Said]:
    """Say findings once for each cable and code, what has to be settled first in front.

    The cable is named if there are ``several``, in these findings or beside them.
    """
    several |= len({finding.cable for finding in findings if finding.cable}) > 1
    groups: dict[tuple[Cause, str, str], list[CableFinding]] = {}
    for finding in findings:
        cable = finding.cable if several else ""
        groups.setdefault((cause_of(finding.code), cable, finding.code), []).append(finding)
    return [
        Said(
            words.say("cable", "cable", name=cable) if cable else "", code, *_where(own, words),
            _what(code, own, words),
        )
        for (_, cable, code), own in sorted(groups.items(), key=lambda item: item[0])
    ]  # fmt: skip


def _what(code: str, findings: Sequence[CableFinding], words: Words) -> str:
    if has_words("short", code):
        return words.say("short", code)
    count = len(findings)
    more = words.say("cable", "first-of", count=count) if count > 1 else ""
    return _begun(findings[0], words) + more


def _where(findings: Sequence[CableFinding], words: Words) -> tuple[str, str]:
    """Fibres with their wavelengths, grouped by equal ones; files where no fibre is known.

    Twice: without the noun and with it.
    """
    places: dict[tuple[str, int], set[int]] = {}  # wavelengths by closure and fibre
    pairs: dict[str, list[str]] = {}
    files: list[str] = []
    for finding in findings:
        fibres = fibres_of(finding)
        seen = set() if finding.wavelength_nm is None else {finding.wavelength_nm}
        closure = finding.closure and words.say("cable", "in-closure", name=finding.closure)
        if finding.code == "fibres-crossed":
            crossed = words.say("cable", "with", a=fibres[0], b=fibres[-1])
            pairs.setdefault(_at(seen, words), []).append(crossed)
        elif fibres:
            for fibre in fibres:
                places.setdefault((closure, fibre), set()).update(seen)
        elif finding.files:
            files += finding.files[:1]
    alike: dict[str, list[int]] = {}
    for (closure, fibre), nm in places.items():
        alike.setdefault(_at(nm, words) + closure, []).append(fibre)
    parts = [f"{numbers_text(fibres)}{tail}" for tail, fibres in alike.items()]
    parts += [f"{', '.join(own)}{tail}" for tail, own in pairs.items()]
    noun = words.say("cable", "fibre" if len(places) == 1 else "fibres")
    named = []
    if files:
        more = words.say("cable", "more-files", more=len(files) - 2) if len(files) > 2 else ""
        named = [", ".join(files[:2]) + more]
    place = "; ".join([*(["; ".join(parts)] if parts else []), *named])
    return place, f"{noun} {place}" if parts else place


def _at(wavelengths_nm: Collection[int], words: Words) -> str:
    if not wavelengths_nm:
        return ""
    return words.say("cable", "at", wavelengths=wavelengths_text(wavelengths_nm, words))


def wavelengths_text(wavelengths_nm: Collection[int], words: Words) -> str:
    """Write wavelengths: "1310 and 1550 nm"."""
    *others, last = map(str, sorted(wavelengths_nm))
    if not others:
        return f"{last} nm"
    return words.say("cable", "and", first=", ".join(others), last=f"{last} nm")


def _begun(finding: CableFinding, words: Words) -> str:
    """The first clause of a finding's evidence, and what to do."""
    evidence = re.split(r"[;:](?:\s|$)", words.told(finding.evidence))[0].rstrip(". ")
    return f"{evidence}; {words.told(finding.what_to_do)}"
