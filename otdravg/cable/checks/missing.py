"""What is not there: shots from an end, wavelengths, fibres of a ribbon."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Mapping, Sequence

from otdravg.cable.checks.notes import about_fibre, numbers_text
from otdravg.cable.files.attempts import Slot, slot_of
from otdravg.cable.model import CableFinding, FibreKey, ShotRecord, ShotUse
from otdravg.findings import Severity
from otdravg.shot.settings import Direction, Identity
from otdravg.trade import fibre_colour, ribbon_position
from otdravg.verdict.rules import Profile, required_wavelengths
from otdravg.verdict.shots import ShotNeed, fibre_type_of
from otdravg.verdict.shots import missing_shots as shots_asked

__all__ = ["expected_fibres", "missing_fibres", "missing_shots"]

#: A wavelength that at least this share of fibres was shot at is expected of all.
_USUAL_SHARE = 0.5

_PRESENT = (ShotUse.USED, ShotUse.EARLIER, ShotUse.UNPAIRED, ShotUse.MISMATCHED)
#: Why a file of the missing shot is not it.
_NOT_USABLE = {
    ShotUse.UNREADABLE: "is unreadable",
    ShotUse.REPEAT: "is another shot's copy",
    ShotUse.EXCLUDED: "was excluded by the reviewer",
    ShotUse.MISMATCHED: "has a wrong wavelength label",
}


def missing_shots(
    records: Sequence[ShotRecord], profile: Profile, lengths_m: Mapping[FibreKey, float]
) -> list[CableFinding]:
    """List missing directions and wavelengths of the fibres that were shot at all.

    Expected are the profile's wavelengths, or if it names none those that most fibres of the
    cable were shot at. Wavelengths that a single fibre has beside those are judged too, so
    that half a pair is never passed over.
    """
    taken: dict[FibreKey, set[ShotNeed]] = defaultdict(set)
    shots: dict[FibreKey, list[Identity | None]] = defaultdict(list)
    unusable: dict[Slot, ShotRecord] = {}
    for record in records:
        slot = slot_of(record)
        if slot is None:
            continue
        # A shot with a wrong wavelength label has no attempt: it fills no place.
        if record.use in _PRESENT and record.attempt:
            key, nm, direction = slot
            taken[key].add(ShotNeed(key.fibre, direction, nm))
            shots[key].append(record.identity)
        elif record.use in _NOT_USABLE:
            unusable.setdefault(slot, record)
    findings = []
    usual = _usual_wavelengths(taken)
    for key, own in sorted(taken.items()):
        length_m, fibre_type = lengths_m.get(key), fibre_type_of(*shots[key])
        required = required_wavelengths(profile, length_m, fibre_type)
        wanted = required or usual[key.cable]
        have = {need.wavelength_nm for need in own}
        missing = list(shots_asked(profile, [key.fibre], own, length_m, fibre_type))
        if not required:
            missing += [
                ShotNeed(key.fibre, end, nm)
                for nm in wanted
                if nm not in have
                for end in (Direction.A_TO_B, Direction.B_TO_A)
            ]
        else:
            missing += _half_pairs(own, wanted)
        findings += _worded(key, missing, have, unusable)
    return findings


def _usual_wavelengths(taken: Mapping[FibreKey, Collection[ShotNeed]]) -> dict[str, list[int]]:
    """Wavelengths that most fibres of each cable were shot at."""
    counts: dict[str, Counter[int]] = defaultdict(Counter)
    totals: Counter[str] = Counter()
    for key, needs in taken.items():
        totals[key.cable] += 1
        counts[key.cable].update({need.wavelength_nm for need in needs})
    return {
        cable: sorted(nm for nm, count in own.items() if count >= _USUAL_SHARE * totals[cable])
        for cable, own in counts.items()
    }


def _half_pairs(own: Collection[ShotNeed], wanted: Collection[int]) -> list[ShotNeed]:
    """Directions missing at wavelengths that nobody asked for but somebody shot."""
    ends: dict[int, set[Direction]] = defaultdict(set)
    fibre = next(iter(own)).fibre
    for need in own:
        ends[need.wavelength_nm].add(need.direction)
    return [
        ShotNeed(fibre, end, nm)
        for nm, have in sorted(ends.items())
        if nm not in wanted
        for end in (Direction.A_TO_B, Direction.B_TO_A)
        if end not in have
    ]


def _worded(
    key: FibreKey,
    missing: Sequence[ShotNeed],
    have: Collection[int],
    unusable: Mapping[Slot, ShotRecord],
) -> list[CableFinding]:
    """One finding per wavelength: a missing direction, or nothing at all at it."""
    by_nm: dict[int, list[Direction]] = defaultdict(list)
    for need in missing:
        if need.direction not in by_nm[need.wavelength_nm]:
            by_nm[need.wavelength_nm].append(need.direction)
    findings = []
    for nm, ends in sorted(by_nm.items()):
        if nm in have:
            end = " and ".join(direction.value for direction in ends)
            there = [r for d in ends if (r := unusable.get((key, nm, d))) is not None]
            why = "".join(f" ({r.path} {_NOT_USABLE[r.use]})" for r in there)
            findings.append(
                about_fibre(
                    key,
                    Severity.DEFECT,
                    "direction-missing",
                    f"no {'usable ' if there else ''}shot {end} at {nm} nm{why}; a reading from "
                    "one end is not the loss",
                    "find the file or shoot it",
                    wavelength_nm=nm,
                    direction=end,
                    files=tuple(r.path for r in there),
                )
            )
        else:
            findings.append(
                about_fibre(
                    key,
                    Severity.DEFECT,
                    "wavelength-not-shot",
                    f"no shot at {nm} nm",
                    "find the files or shoot both ends",
                    wavelength_nm=nm,
                )
            )
    return findings


def missing_fibres(
    records: Sequence[ShotRecord], profile: Profile, fibre_count: int | None
) -> list[CableFinding]:
    """List fibres of which no file is there, where their neighbours were shot.

    None if the profile asks nothing of fibres that were not shot.

    Expected are 1 to ``fibre_count`` if it is stated; else whole ribbons from the first to
    the last that was shot, or in loose tube every number in between.
    """
    ribbon_size = profile.ribbon_size
    findings = []
    there = _fibres_there(records) if profile.completeness.every_fibre else {}
    for cable, have in there.items():
        wanted = _expected(have, ribbon_size, fibre_count)
        by_ribbon: dict[int | None, list[int]] = defaultdict(list)
        for fibre in sorted(wanted - have):
            by_ribbon[ribbon_position(fibre, ribbon_size)[0]].append(fibre)
        for ribbon, missing in by_ribbon.items():
            findings.append(_fibres_missing(cable, ribbon, missing, ribbon_size))
    return findings


def expected_fibres(
    records: Sequence[ShotRecord], ribbon_size: int | None, fibre_count: int | None
) -> set[FibreKey]:
    """Tell which fibres the cables have, shot or not, as :func:`missing_fibres` expects them."""
    return {
        FibreKey(cable, fibre)
        for cable, have in _fibres_there(records).items()
        for fibre in have | _expected(have, ribbon_size, fibre_count)
    }


def _fibres_there(records: Sequence[ShotRecord]) -> dict[str, set[int]]:
    """Fibres of each cable of which a shot is there."""
    fibres: dict[str, set[int]] = defaultdict(set)
    for record in records:
        key = record.taken_for.key
        if key is not None and record.use in _PRESENT:
            fibres[key.cable].add(key.fibre)
    return dict(sorted(fibres.items()))


def _expected(have: set[int], ribbon_size: int | None, fibre_count: int | None) -> set[int]:
    if fibre_count is not None:
        return set(range(1, fibre_count + 1))
    if ribbon_size is None:
        return set(range(min(have), max(have) + 1))
    first = (min(have) - 1) // ribbon_size * ribbon_size + 1
    last = ((max(have) - 1) // ribbon_size + 1) * ribbon_size
    return set(range(first, last + 1))


def _fibres_missing(
    cable: str, ribbon: int | None, missing: Sequence[int], ribbon_size: int | None
) -> CableFinding:
    where = "" if ribbon is None else f" of ribbon {ribbon}"
    whole = ribbon_size is not None and len(missing) == ribbon_size
    noun = "fibre" if len(missing) == 1 else "fibres"
    colours = "" if whole or len(missing) > 3 else _colours(missing, ribbon_size)
    text = f"no file of {noun} {numbers_text(missing)}{colours}{where}"
    return CableFinding(
        Severity.DEFECT,
        "ribbon-missing" if whole else "fibre-missing",
        text + (", the whole ribbon" if whole else ""),
        "find the files or shoot them; state the fibre count if the cable has fewer",
        cable=cable,
        fibre=missing[0] if len(missing) == 1 else None,
        other_fibres=tuple(missing) if len(missing) > 1 else (),
    )


def _colours(missing: Sequence[int], ribbon_size: int | None) -> str:
    return " (" + ", ".join(fibre_colour(fibre, ribbon_size) for fibre in missing) + ")"
