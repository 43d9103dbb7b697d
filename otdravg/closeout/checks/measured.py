"""The traces of a closeout reviewed again, and every result held against the new one."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Iterator, Mapping
from concurrent.futures import Executor
from dataclasses import fields, replace
from decimal import Decimal
from typing import Any, TypeVar

from otdravg.cable.decisions.record import Decisions
from otdravg.cable.files.folder import RawShot
from otdravg.cable.model import CableFinding, CableReview, ShotRecord, ShotUse
from otdravg.cable.run import Progress, review
from otdravg.closeout.checks.model import Check, checked
from otdravg.closeout.checks.truth import place_text
from otdravg.closeout.json_file import Closeout, made_here
from otdravg.closeout.sketches import pair_sketches
from otdravg.tables.splices import review_cells

__all__ = ["measured_again"]

Item = TypeVar("Item")

#: Findings about an earlier run, which is no part of a closeout.
_FROM_EARLIER_RUN = frozenset({"gone-since-before", "worse-than-before"})
#: Columns of the splices whose last digit may differ under another version or machine.
_STEPS = {"distance_m": Decimal("0.1"), "reflectance_db": Decimal("0.1")}
_STEP_DB = Decimal("0.001")


def measured_again(
    closeout: Closeout,
    made_with: Mapping[str, str],
    shots: Iterable[tuple[ShotRecord, RawShot | None]],
    executor: Executor | None,
    progress: Progress,
) -> Iterator[Check]:
    """Review the traces again, as they were reviewed, and compare every result.

    Made with the same program on the same kind of machine every digit has to be the same; else
    one in the last digit is agreement.
    """
    here = made_here()
    keys = ("otdravg", "machine", "Python", "numpy", "scipy")
    is_same = all(made_with.get(key) == here[key] for key in keys)
    raw = [one for _, one in shots if one is not None]
    old = closeout.review
    decisions = Decisions(
        tuple(entry.decision for entry in old.decisions), old.decisions_seal, (), old.decisions
    )
    options = replace(closeout.options, decisions=decisions)
    new = review(raw, old.profile, options, executor=executor, progress=progress)
    yield _rows(old, new, is_same)
    yield _others(old, new)
    yield _findings(old, new)
    yield _pictures(closeout, new)


def _rows(old: CableReview, new: CableReview, is_same: bool) -> Check:
    """Every cell of every splice."""
    before, now = (review_cells(one)["splices"] for one in (old, new))
    if len(before.rows) != len(now.rows):
        text = f"splices: {len(before.rows)} rows, measured again {len(now.rows)}"
        return checked("splices measured again", len(now.rows), [text])
    problems, digits = [], 0
    for row, has, wanted in zip(old.rows, before.rows, now.rows, strict=True):
        for name, one, other in zip(before.names, has, wanted, strict=True):
            if one == other:
                continue
            if not is_same and _last_digit(name, one, other):
                digits += 1
            else:
                problems.append(f"{place_text(row)}: {name} is {one}, measured again {other}")
    what = "cells of splices measured again"
    if digits:
        what += f" ({digits} differ by one in the last digit: another version or machine)"
    return checked(what, len(now.rows) * len(now.names), problems)


def _last_digit(name: str, one: object, other: object) -> bool:
    return (
        isinstance(one, Decimal)
        and isinstance(other, Decimal)
        and abs(one - other) <= _STEPS.get(name, _STEP_DB)
    )


def _others(old: CableReview, new: CableReview) -> Check:
    """What became of every shot, every fibre as a whole, closures, work list, and patterns."""
    problems: list[str] = []
    of_package = [shot for shot in old.shots if shot.use is not ShotUse.NOT_A_SHOT and shot.sha256]
    problems += _unlike(
        "shot", of_package, new.shots, lambda s: (s.path, s.trace_number), ("use", "attempt")
    )
    problems += _unlike(
        "fibre",
        old.fibres,
        new.fibres,
        lambda f: (f.key.cable, f.key.fibre, f.wavelength_nm),
        ("route", "splice_count", "file_ab", "file_ba", "attempt"),
    )
    problems += _unlike(
        "closure", old.closures, new.closures, lambda c: (c.cable, c.number), ("name", "fibres")
    )
    problems += _unlike(
        "identity of fibre", old.identities, new.identities,
        lambda i: (i.key.cable, i.key.fibre), ("confidence", "best_other"),
    )  # fmt: skip
    problems += _unlike(
        "history of splice", old.history, new.history,
        lambda h: (h.key.cable, h.key.fibre, h.wavelength_nm, h.closure), (),
    )  # fmt: skip
    units = [one.plan.units if one.plan else () for one in (old, new)]
    problems += _unlike(
        "work", units[0], units[1], lambda u: (u.cable, u.closure, u.fibres[0]), ("fibres",)
    )
    for fibre, again in zip(old.fibres, new.fibres, strict=False):
        verdicts = [f.verdict and (f.verdict.verdict, f.verdict.rule) for f in (fibre, again)]
        if fibre.key == again.key and verdicts[0] != verdicts[1]:
            problems.append(f"fibre {fibre.key.fibre}, {fibre.wavelength_nm} nm: another verdict")
    count = len(of_package) + len(new.fibres) + len(new.closures) + len(new.identities)
    return checked("shots, fibres, closures, identities, work made again", count, problems)


def _unlike(
    what: str,
    old: Iterable[Item],
    new: Iterable[Item],
    key: Callable[[Item], Hashable],
    names: tuple[str, ...],
) -> Iterator[str]:
    before, now = ({key(one): one for one in some} for some in (old, new))
    for place in {**before, **now}:
        shown = f"{what} {' '.join(str(part) for part in _parts(place))}"
        if place not in now:
            yield f"{shown}: does not come out of the traces"
        elif place not in before:
            yield f"{shown}: comes out of the traces, and is not there"
        else:
            for name in names:
                has, wanted = getattr(before[place], name), getattr(now[place], name)
                if has != wanted:
                    yield f"{shown}: {name} is {_plain(has)}, made again {_plain(wanted)}"


def _parts(place: Hashable) -> tuple[object, ...]:
    return place if isinstance(place, tuple) else (place,)


def _plain(value: Any) -> object:
    return getattr(value, "value", value)


def _findings(old: CableReview, new: CableReview) -> Check:
    """Every finding, by code and what it is about."""
    gone_files = {
        shot.path for shot in old.shots if shot.use is ShotUse.NOT_A_SHOT or not shot.sha256
    }

    def own(findings: Iterable[CableFinding]) -> dict[tuple[object, ...], CableFinding]:
        return {
            _about(finding): finding
            for finding in findings
            if finding.code not in _FROM_EARLIER_RUN and not set(finding.files) & gone_files
        }

    before, now = own(old.findings), own(new.findings)
    problems = [
        f"finding {finding.code}{_fibre(finding)}: {state}"
        for state, here, there in (
            ("does not come out of the traces", before, now),
            ("comes out of the traces, and is not there", now, before),
        )
        for about, finding in here.items()
        if about not in there
    ]
    return checked("findings made again", len(now), problems)


def _about(finding: CableFinding) -> tuple[object, ...]:
    words = {"evidence", "what_to_do"}  # figures stand in them
    return tuple(getattr(finding, f.name) for f in fields(finding) if f.name not in words)


def _fibre(finding: CableFinding) -> str:
    return "" if finding.fibre is None else f", fibre {finding.fibre}"


def _pictures(closeout: Closeout, new: CableReview) -> Check:
    """Both curves of every pair, as they are drawn."""
    what = "curves drawn against the traces"
    if not closeout.sketches.pairs:
        return Check(what, 0, not_done="closeout.json holds no curves")
    again = {(p.key, p.wavelength_nm): p for p in pair_sketches(new).pairs}
    problems = []
    for pair in closeout.sketches.pairs:
        other = again.get((pair.key, pair.wavelength_nm))
        name = f"fibre {pair.key.fibre}, {pair.wavelength_nm} nm"
        if other is None:
            problems.append(f"{name}: curves without a pair of traces")
            continue
        for one, two in zip(pair.finest, other.finest, strict=True):
            same = one.mean_mdb.size == two.mean_mdb.size
            # Half a thousandth either way is rounding on another machine.
            if not same or abs(one.mean_mdb - two.mean_mdb).max() > 1:
                problems.append(
                    f"{name}, {one.direction.value}: the curve is not that of the trace"
                )
    return checked(what, 2 * len(closeout.sketches.pairs), problems)
