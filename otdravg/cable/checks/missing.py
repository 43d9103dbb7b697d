"""What is not there: shots from an end, wavelengths, fibres of a ribbon."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from otdravg.cable.checks.notes import about_fibre, about_fibres, fibres_of, files_of
from otdravg.cable.files.attempts import Slot, slot_of
from otdravg.cable.files.names import same_text
from otdravg.cable.lists.instruments import instrument_name
from otdravg.cable.model import (
    CableFinding,
    Expected,
    FibreKey,
    ShotRecord,
    ShotToTake,
    ShotUse,
    Source,
)
from otdravg.findings import Scope, caution, defect, says
from otdravg.grouping import grouped
from otdravg.shot.settings import Direction, Identity
from otdravg.trade import fibre_colour, numbers_text, ribbon_position
from otdravg.verdict.rules import Directions, Profile, required_wavelengths
from otdravg.verdict.shots import ShotNeed, fibre_type_of
from otdravg.verdict.shots import missing_shots as shots_asked

#: A wavelength that at least this share of fibres was shot at is expected of all.
_USUAL_SHARE = 0.5

_PRESENT = (ShotUse.USED, ShotUse.EARLIER, ShotUse.UNPAIRED, ShotUse.MISMATCHED)
#: So many missing fibres are named with their colours (chosen).
_FEW = 3
#: Why a file of the missing shot is not it.
_NOT_USABLE = {
    ShotUse.UNREADABLE: "file-is-unreadable",
    ShotUse.REPEAT: "file-is-copy",
    ShotUse.EXCLUDED: "file-is-excluded",
    ShotUse.MISMATCHED: "file-is-mislabelled",
}


def shots_in(records: Sequence[ShotRecord]) -> dict[FibreKey, set[ShotNeed]]:
    """Return what is there of each fibre; a shot with a wrong wavelength label fills no place."""
    taken: dict[FibreKey, set[ShotNeed]] = defaultdict(set)
    for record in records:
        slot = slot_of(record)
        if slot is not None and record.use in _PRESENT and record.attempt:
            key, nm, direction = slot
            taken[key].add(ShotNeed(key.fibre, direction, nm))
    return taken


def missing_shots(
    records: Sequence[ShotRecord],
    profile: Profile,
    lengths_m: Mapping[FibreKey, float],
    expected: Expected,
    far_end_open: Collection[FibreKey] = (),
) -> tuple[list[ShotToTake], list[CableFinding]]:
    """List missing directions and wavelengths of the fibres that were shot at all.

    Expected are the profile's wavelengths, or if it names none those that most fibres of the
    cable were shot at. Wavelengths that a single fibre has beside those are judged too, so
    that half a pair is never passed over. Nothing is asked from the far end of fibres that it
    cannot see yet.
    """
    one_end = _from_one_end(profile)
    taken = shots_in(records)
    shots: dict[FibreKey, list[Identity | None]] = defaultdict(list)
    unusable: dict[Slot, ShotRecord] = {}
    for record in records:
        slot = slot_of(record)
        if slot is None:
            continue
        if record.use in _PRESENT and record.attempt:
            shots[slot[0]].append(record.identity)
        elif record.use in _NOT_USABLE:
            unusable.setdefault(slot, record)
    to_take, findings = [], []
    usual = _usual_wavelengths(taken)
    for key, own in sorted(taken.items()):
        length_m = lengths_m.get(key)
        fibre_type = fibre_type_of(*shots[key]) or expected.fibre_type
        required = required_wavelengths(profile, length_m, fibre_type)
        have = {need.wavelength_nm for need in own}
        beside_nm = have.union(() if required else usual[key.cable])
        rules = one_end if key in far_end_open else profile
        missing = shots_asked(rules, [key.fibre], own, length_m, fibre_type, beside_nm)
        to_take += _to_take(key.cable, missing)
        findings += _worded(key, missing, have, unusable)
    return to_take, findings


def _to_take(cable: str, needs: Iterable[ShotNeed]) -> list[ShotToTake]:
    return [ShotToTake(cable, n.fibre, n.direction, n.wavelength_nm) for n in needs]


def _from_one_end(profile: Profile) -> Profile:
    return replace(profile, stage=replace(profile.stage, directions=Directions.ONE))


def in_shooting_order(shot: ShotToTake) -> tuple[str, bool, int, int]:
    """Order of the work: all of end A, then all of end B, fibre by fibre."""
    far = shot.direction is Direction.B_TO_A
    return shot.cable, far, shot.fibre, shot.wavelength_nm


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


def _worded(
    key: FibreKey,
    missing: Sequence[ShotNeed],
    have: Collection[int],
    unusable: Mapping[Slot, ShotRecord],
) -> list[CableFinding]:
    """One finding per wavelength: a missing direction, or nothing at all at it."""
    findings = []
    for nm, needs in sorted(grouped(missing, lambda need: need.wavelength_nm).items()):
        ends = [need.direction for need in needs]
        end, there = "", []
        said = defect("wavelength-not-shot", Scope.CABLE, at_nm=nm)
        if nm in have:
            end = ", ".join(direction.value for direction in ends)
            there = [r for d in ends if (r := unusable.get((key, nm, d))) is not None]
            why = tuple(says(_NOT_USABLE[r.use], file=r.path) for r in there)
            case = "unusable" if there else ""
            said = defect("direction-missing", Scope.CABLE, case, end=end, at_nm=nm, why=why)
        where = {"wavelength_nm": nm, "direction": end, "files": files_of(there)}
        findings.append(about_fibre(key, said, **where))
    return findings


def missing_fibres(
    records: Sequence[ShotRecord],
    profile: Profile,
    expected: Expected,
    fibre_count: int | None,
    *,
    is_far_end_open: bool = False,
) -> tuple[list[ShotToTake], list[CableFinding]]:
    """List fibres of which no file is there, where their neighbours were shot.

    None if the profile asks nothing of fibres that were not shot.

    Expected are 1 to ``fibre_count`` if it is stated; else whole ribbons from the first to
    the last that was shot, or in loose tube every number in between.
    """
    if is_far_end_open:
        profile = _from_one_end(profile)
    usual = _usual_wavelengths(shots_in(records))
    to_take: list[ShotToTake] = []
    findings, ribbon_size = [], profile.ribbon_size
    there = _fibres_there(records, expected.cable) if profile.completeness.every_fibre else {}
    for cable, have in there.items():
        wanted = _expected(have, ribbon_size, fibre_count)
        beside_nm = () if required_wavelengths(profile) else usual.get(cable, ())
        absent = grouped(sorted(wanted - have), lambda n: ribbon_position(n, ribbon_size)[0])
        for ribbon, missing in absent.items():
            to_take += _to_take(cable, shots_asked(profile, missing, (), beside_nm=beside_nm))
            findings.append(_fibres_missing(cable, ribbon, missing, ribbon_size, expected.colours))
    return to_take, findings


def expected_fibres(
    records: Sequence[ShotRecord],
    ribbon_size: int | None,
    fibre_count: int | None,
    expected: Expected,
) -> set[FibreKey]:
    """Tell which fibres the cables have, shot or not, as :func:`missing_fibres` expects them."""
    return {
        FibreKey(cable, fibre)
        for cable, have in _fibres_there(records, expected.cable).items()
        for fibre in have | _expected(have, ribbon_size, fibre_count)
    }


def _fibres_there(records: Sequence[ShotRecord], stated_cable: str) -> dict[str, set[int]]:
    """Fibres of each cable of which a shot is there; of the stated one, if one is stated."""
    fibres: dict[str, set[int]] = defaultdict(set)
    for record in records:
        key = record.taken_for.key
        if key is not None and record.use in _PRESENT:
            fibres[key.cable].add(key.fibre)
    if not stated_cable:
        return dict(sorted(fibres.items()))
    wanted = same_text(stated_cable)
    own = {cable: have for cable, have in fibres.items() if same_text(cable) in ("", wanted)}
    return own or {stated_cable: set()}


def _expected(have: set[int], ribbon_size: int | None, fibre_count: int | None) -> set[int]:
    if fibre_count is not None:
        return set(range(1, fibre_count + 1))
    if ribbon_size is None:
        return set(range(min(have), max(have) + 1))
    first = (min(have) - 1) // ribbon_size * ribbon_size + 1
    last = ((max(have) - 1) // ribbon_size + 1) * ribbon_size
    return set(range(first, last + 1))


def _fibres_missing(
    cable: str,
    ribbon: int | None,
    missing: Sequence[int],
    ribbon_size: int | None,
    order: Sequence[str],
) -> CableFinding:
    fibres = numbers_text(missing)
    if ribbon_size is not None and len(missing) == ribbon_size:
        said = defect("ribbon-missing", Scope.CABLE, fibres=fibres, ribbon=ribbon)
    else:
        case = "of-ribbon" if ribbon else ""
        if len(missing) <= _FEW:
            case = "few-of-ribbon" if ribbon else "few"
        own = (fibre_colour(fibre, ribbon_size, order) for fibre in missing)
        said = defect(
            "fibre-missing", Scope.CABLE, case, fibres=fibres, ribbon=ribbon,
            colours=tuple(says("colour", colour=colour) for colour in own),
        )  # fmt: skip
    return about_fibres(cable, missing, said)


def beyond_expected(
    records: Sequence[ShotRecord], expected: Expected, fibre_count: int | None
) -> list[CableFinding]:
    """Find shots that are none of this job's: another cable, fibre, instrument, end or glass."""
    findings = []
    here = [record for record in records if record.use in _PRESENT]
    for code, what, is_own, value_of in _STATED:
        stated = fibre_count if what == "fibre_count" else getattr(expected, what)
        said_by = grouped(here if stated not in (None, "", (), ("", "")) else (), value_of)
        for value, own in sorted(said_by.items()):
            if not value or is_own(value, stated):
                continue
            said = caution(code, Scope.CABLE, shots=len(own), what=value, stated=_text(stated))
            cable, fibres = own[0].taken_for.cable, fibres_of(own)
            fibre = fibres[0] if len(fibres) == 1 else None
            findings.append(CableFinding(said, cable, fibre, files=files_of(own)))
    return findings


def _text(stated: object) -> str:
    if not isinstance(stated, tuple):
        return str(stated)
    return ", ".join(filter(None, (getattr(one, "name", one) for one in stated)))


def _typed_ends(record: ShotRecord) -> str:
    """Both ends as the header has them; those of a branch are none of the job's."""
    own = None if record.taken_for.cable_by is Source.PLAN else record.identity
    return f"{own.location_a}, {own.location_b}" if own and own.location_a else ""


def _same_ends(typed: str, stated: tuple[str, str]) -> bool:
    return all(same_text(end) in same_text(typed) for end in stated)


#: Finding → the field of :class:`Expected` it holds shots against, when they are of the job, and
#: what they say themselves (empty: nothing).
_STATED: tuple[tuple[str, str, Callable[[str, Any], bool], Callable[[ShotRecord], str]], ...] = (
    (
        "cable-not-in-job",
        "cable",
        lambda value, own: same_text(value) == same_text(own),
        lambda record: record.taken_for.cable,
    ),
    (
        "fibre-not-in-job",
        "fibre_count",
        lambda value, count: int(value) <= count,
        lambda record: str(record.taken_for.fibre or ""),
    ),
    (
        "instrument-not-in-job",
        "instruments",
        lambda value, own: any(same_text(one.name) in same_text(value) for one in own),
        instrument_name,
    ),
    ("ends-not-in-job", "ends", _same_ends, _typed_ends),
    (
        "fibre-type-not-in-job",
        "fibre_type",
        lambda value, own: own == "mixed" or value.startswith(own),
        lambda record: record.identity.fibre_type if record.identity else "",
    ),
)
