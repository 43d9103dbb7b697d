"""Confirm that both shots of every pair are one fibre, and find fibres that are crossed."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from math import exp, log
from statistics import median

import numpy as np

from otdravg.cable.checks.notes import about_fibre
from otdravg.cable.identity.fingerprint import (
    Comparison,
    Features,
    ShotOnSpan,
    features_of,
    margins,
    swaps,
)
from otdravg.cable.measure.closures import CableMap
from otdravg.cable.measure.jobs import Sketch
from otdravg.cable.measure.standing import Measured
from otdravg.cable.model import CableFinding, Confidence, FibreKey, IdentityCheck
from otdravg.errors import Refusal
from otdravg.findings import Severity

__all__ = [
    "CLEAR",
    "LEAST_FIBRES",
    "NOT_ONE_FIBRE",
    "check_identities",
    "fibres_by_closures",
    "odds_text",
    "sides_of",
]

#: Findings that say that both shots are not of one fibre: nothing measured from them is a loss.
NOT_ONE_FIBRE = frozenset({"fibres-crossed", "other-fibre", "pair-doubtful"})

#: With fewer fibres the scatter between them cannot be told from the scatter of measurement.
LEAST_FIBRES = 6
#: Odds from which a pair counts as confirmed, and against which it counts as doubtful.
CLEAR = log(20)
_VERY_CLEAR = log(100)
#: Pairs refused for these reasons are explained already and would only blur the comparison.
_EXPLAINED = (Refusal.LENGTH, Refusal.SAME_END, Refusal.NO_SIGNAL, Refusal.DAMAGED)
#: A pair whose own likelihood ratio at one wavelength is below this is looked at there too.
_SUSPECT = -3.0


def check_identities(
    measured: Sequence[Measured], maps: Mapping[str, CableMap]
) -> tuple[list[IdentityCheck], list[CableFinding]]:
    """Hold every shot from A against every shot from B of the same closures.

    Returns
    -------
    list of IdentityCheck
        One per fibre with both shots.
    list of CableFinding
        Crossed fibres with the margin, and pairs that another fibre's shot fits better.
    """
    checks: list[IdentityCheck] = []
    findings: list[CableFinding] = []
    for keys, by_nm in fibres_by_closures(measured, maps):
        own_map = maps[keys[0].cable]
        sides = {nm: sides_of(members, keys, own_map) for nm, members in sorted(by_nm.items())}
        if len(keys) < LEAST_FIBRES:
            checks += [_untold(key, len(keys)) for key in keys]
            continue
        from_a, from_b = zip(*sides.values(), strict=True)
        ratios = Comparison(from_a, from_b).ratios()
        crossed = swaps(ratios, _swap_threshold(len(keys)))
        findings += [
            _crossed(keys[i], keys[j], margin, None, _files(by_nm.values(), keys[i], keys[j]))
            for i, j, margin in crossed
        ]
        swapped = {n for i, j, _ in crossed for n in (i, j)}
        misnamed = _at_one_wavelength(sides, swapped) if len(sides) > 1 else []
        for nm, i, j, margin in misnamed:
            own_files = _files([by_nm[nm]], keys[i], keys[j])
            findings.append(_crossed(keys[i], keys[j], margin, nm, own_files))
        if misnamed:
            # Those shots are explained: the others of the same fibres are judged without them.
            _compare_again(ratios, sides, misnamed)
        fibre_checks, doubts = _checks(keys, ratios, swapped, by_nm)
        at_nm = {n: nm for nm, i, j, _ in misnamed for n in (i, j)}
        checks += [_at_others_only(c, keys, at_nm) for c in fibre_checks]
        findings += doubts
    return checks, findings


#: Measurements of some fibres at one wavelength.
Members = dict[FibreKey, Measured]


def fibres_by_closures(
    measured: Sequence[Measured], maps: Mapping[str, CableMap]
) -> list[tuple[list[FibreKey], dict[int, Members]]]:
    """Fibres that pass the same closures, with their measurements by wavelength.

    A fibre without a usable pair is taken to be of its cable's most common kind: crossed
    fibres may fail to pair.
    """
    kinds: dict[tuple[str, tuple[int, ...]], dict[int, Members]] = defaultdict(
        lambda: defaultdict(dict)
    )
    for one in measured:
        own_map = maps.get(one.key.cable)
        if own_map is None:
            continue
        passes = own_map.passes.get(one.key.fibre)
        numbers = tuple(passes) if passes is not None else _common(own_map)
        kinds[one.key.cable, numbers][one.wavelength_nm][one.key] = one
    groups = []
    for (_, numbers), by_nm in sorted(kinds.items()):
        if numbers:
            keys = sorted({key for members in by_nm.values() for key in members})
            groups.append((keys, dict(by_nm)))
    return groups


def _common(own_map: CableMap) -> tuple[int, ...]:
    counts: dict[tuple[int, ...], int] = defaultdict(int)
    for passes in own_map.passes.values():
        counts[tuple(passes)] += 1
    return max(counts, key=lambda numbers: (counts[numbers], numbers))


def sides_of(
    members: Members, keys: Sequence[FibreKey], own_map: CableMap
) -> tuple[list[Features | None], list[Features | None]]:
    """Features of all shots from A and from B at one wavelength, in the order of the keys."""
    axes = [one.outcome.axis for one in members.values() if one.outcome.axis is not None]
    if not axes:
        blank: list[Features | None] = [None] * len(keys)
        return blank, list(blank)
    usual_a = median(axis.start_a_m for axis in axes)
    usual_b = median(axis.start_b_m for axis in axes)
    slack_m = own_map.slack_m([key.fibre for key in keys])
    from_a: list[Features | None] = []
    from_b: list[Features | None] = []
    for key in keys:
        one = members.get(key)
        if one is None:
            from_a.append(None)
            from_b.append(None)
            continue
        axis = one.outcome.axis
        if one.outcome.refusal in _EXPLAINED:
            from_a.append(None)
            from_b.append(None)
            continue
        passes = own_map.passes.get(key.fibre)
        if passes is None:
            numbers = _common(own_map)
            passes = {n: own_map.closure(n).distance_m for n in numbers}
        length_m = axis.length_m if axis else own_map.route_length_m[1]
        at_m = np.array([passes[n] for n in sorted(passes)])
        start_a = axis.start_a_m if axis else usual_a
        start_b = axis.start_b_m if axis else usual_b
        shift_m = slack_m.get(key.fibre, 0.0)
        for side, sketch, start_m, closures_m, is_from_a in (
            (from_a, one.outcome.sketch_ab, start_a, at_m, True),
            (from_b, one.outcome.sketch_ba, start_b, (length_m - at_m)[::-1], False),
        ):
            own = _features(sketch, start_m, closures_m, length_m, is_from_a)
            side.append(own and replace(own, section_m=own.section_m - shift_m))
    return from_a, from_b


def _features(
    sketch: Sketch | None,
    start_m: float,
    closures_m: np.ndarray[tuple[int], np.dtype[np.float64]],
    length_m: float,
    from_a: bool,
) -> Features | None:
    if sketch is None:
        return None
    return features_of(ShotOnSpan(sketch, start_m, closures_m, length_m), from_a=from_a)


def _swap_threshold(count: int) -> float:
    """Log-likelihood gain from which a crossing is reported.

    There are n(n − 1)/2 possible crossings; a hundred to one against all of them together.
    """
    return log(max(count * (count - 1) / 2, 1.0)) + _VERY_CLEAR


def _untold(key: FibreKey, count: int) -> IdentityCheck:
    text = f"only {count} fibres pass the same closures: too few to compare"
    return IdentityCheck(key, Confidence.NOT_TOLD, None, None, text)


def _checks(
    keys: Sequence[FibreKey],
    ratios: np.ndarray[tuple[int, int], np.dtype[np.float64]],
    swapped: set[int],
    by_nm: Mapping[int, Members],
) -> tuple[list[IdentityCheck], list[CableFinding]]:
    margin, best = margins(ratios)
    own = np.diag(ratios)
    doubtful_below = -(log(len(keys)) + _VERY_CLEAR)
    checks: list[IdentityCheck] = []
    findings: list[CableFinding] = []
    for n, key in enumerate(keys):
        if not np.isfinite(margin[n]):
            continue
        other = keys[int(best[n])].fibre
        value = float(margin[n])
        text = f"log-likelihood {own[n]:+.1f}, {value:+.1f} against the best other, fibre {other}"
        if value < doubtful_below or n in swapped:
            confidence = Confidence.DOUBTFUL
            if n not in swapped:
                fits = max(ratios[n, best[n]], ratios[best[n], n]) > 0
                pair = keys[int(best[n])] if fits else None
                files = _files(by_nm.values(), key, *([pair] if pair else []))
                findings.append(_doubtful(key, pair, float(own[n]), value, files))
        elif value >= CLEAR and own[n] > 0:
            confidence = Confidence.CONFIRMED
        elif own[n] > 0:
            confidence = Confidence.LIKELY
        else:
            confidence = Confidence.NOT_TOLD
        checks.append(IdentityCheck(key, confidence, value, other, text))
    return checks, findings


Sides = Mapping[int, tuple[list[Features | None], list[Features | None]]]


def _at_one_wavelength(sides: Sides, swapped: set[int]) -> list[tuple[int, int, int, float]]:
    """Crossings at one wavelength only: files that were named wrongly, not fibres crossed.

    Returns wavelength, numbers of both fibres, and margin.
    """
    found = []
    for nm, (from_a, from_b) in sides.items():
        comparison = Comparison([from_a], [from_b])
        own = comparison.own()
        suspects = np.array(
            [n for n in range(own.size) if n not in swapped and own[n] < _SUSPECT], dtype=int
        )
        if suspects.size < 2:
            continue
        among = comparison.ratios(suspects, suspects)
        found += [
            (nm, int(suspects[i]), int(suspects[j]), margin)
            for i, j, margin in swaps(among, _swap_threshold(own.size))
        ]
    return found


def _compare_again(
    ratios: np.ndarray[tuple[int, int], np.dtype[np.float64]],
    sides: Sides,
    misnamed: Sequence[tuple[int, int, int, float]],
) -> None:
    """Renew the ratios of fibres whose shots are exchanged at one wavelength, without those."""
    comparison = Comparison(*_without(sides, misnamed))
    numbers = np.array(sorted({n for _, i, j, _ in misnamed for n in (i, j)}))
    ratios[numbers, :] = comparison.ratios(from_a=numbers)
    ratios[:, numbers] = comparison.ratios(from_b=numbers)


def _without(
    sides: Sides, misnamed: Sequence[tuple[int, int, int, float]]
) -> tuple[list[list[Features | None]], list[list[Features | None]]]:
    """Leave out the shots that are exchanged at one wavelength."""
    left_out = {(nm, n) for nm, i, j, _ in misnamed for n in (i, j)}
    from_a, from_b = (
        [
            [None if (nm, n) in left_out else features for n, features in enumerate(both[side])]
            for nm, both in sides.items()
        ]
        for side in (0, 1)
    )
    return from_a, from_b


def _at_others_only(
    check: IdentityCheck, keys: Sequence[FibreKey], at_nm: Mapping[int, int]
) -> IdentityCheck:
    """A fibre whose shots are exchanged at one wavelength is not confirmed by the others."""
    nm = at_nm.get(keys.index(check.key))
    if nm is None:
        return check
    text = f"at {nm} nm another fibre's shot fits better; elsewhere {check.text}"
    return replace(check, confidence=Confidence.DOUBTFUL, text=text)


def _files(groups: Iterable[Members], *keys: FibreKey) -> tuple[str, ...]:
    files: list[str] = []
    for members in groups:
        for key in keys:
            one = members.get(key)
            if one is not None:
                files += [r.path for r in one.records if r is not None]
    return tuple(files)


def _crossed(
    a: FibreKey, b: FibreKey, margin: float, nm: int | None, files: tuple[str, ...]
) -> CableFinding:
    where = "" if nm is None else f" at {nm} nm only"
    finding = about_fibre(
        a,
        Severity.DEFECT,
        "fibres-crossed",
        f"the shots of fibres {a.fibre} and {b.fibre} from A fit each other's shots from B"
        f"{where}: log-likelihood margin {margin:.1f} (about {odds_text(margin)} to 1)",
        "nothing was exchanged: trace both fibres, then exchange the numbers of their shots from "
        "B in a mapping table, or confirm the crossing as a reviewer's decision"
        if nm is None
        else "nothing was exchanged: at the other wavelengths both fibres are themselves, so the "
        "files were named wrongly; exchange the numbers of one end's shots in a mapping table",
        wavelength_nm=nm,
        files=files,
    )
    return replace(finding, other_fibres=(b.fibre,))


def _doubtful(
    a: FibreKey, other: FibreKey | None, own: float, margin: float, files: tuple[str, ...]
) -> CableFinding:
    if other is None:
        return about_fibre(
            a,
            Severity.DEFECT,
            "pair-doubtful",
            f"the shots from A and B do not look like one fibre: log-likelihood {own:.1f}, "
            "and no other fibre's shot fits either",
            "one of them may be of another cable; shoot both ends again",
            files=files,
        )
    return about_fibre(
        a,
        Severity.DEFECT,
        "other-fibre",
        f"a shot of fibre {other.fibre} fits fibre {a.fibre} better than its own partner: "
        f"log-likelihood margin {-margin:.1f} (about {odds_text(-margin)} to 1)",
        f"perhaps fibre {other.fibre} was shot twice under two numbers; shoot fibre {a.fibre} "
        "again from both ends",
        files=files,
    )


def odds_text(margin: float) -> str:
    """Write the odds of a log-likelihood margin: ``350`` to one, or ``10^7``."""
    return f"{exp(margin):.0f}" if margin < log(1e4) else f"10^{margin / log(10):.0f}"
