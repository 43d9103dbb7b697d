"""The traces of a closeout reviewed again, and every result held against the new one."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import Executor
from dataclasses import fields, replace
from decimal import Decimal
from typing import Any, TypeVar

from otdravg.cable.decisions.record import Decisions
from otdravg.cable.files.folder import RawShot
from otdravg.cable.model import CableFinding, CableReview, ShotRecord, ShotUse
from otdravg.cable.run import Progress, review
from otdravg.closeout.checks.again import line_of, shown
from otdravg.closeout.checks.model import Check, at, checked
from otdravg.closeout.json_file import Closeout, made_here
from otdravg.closeout.sketches import pair_sketches
from otdravg.findings import Statement, says
from otdravg.tables.csv_file import CellTable
from otdravg.tables.splices import review_cells

Item = TypeVar("Item")

#: Findings about an earlier run, which is no part of a closeout.
_FROM_EARLIER_RUN = frozenset({"gone-since-before", "worse-than-before"})
#: Tables that hold more than the traces: what is no trace, an earlier run, what a person decided.
_NOT_OF_TRACES = frozenset({"shots", "findings", "changes", "decisions"})
_FIGURE = re.compile(r"-?\d+\.\d+")


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
    yield from _tables(old, new, is_same=is_same)
    yield _others(old, new)
    yield _findings(old, new)
    yield _pictures(closeout, new)


def _tables(old: CableReview, new: CableReview, *, is_same: bool) -> Iterator[Check]:
    """Every cell of every table that is made of the traces alone."""
    before, now = review_cells(old), review_cells(new)
    for name in [*before, *(now.keys() - before.keys())]:
        if name in _NOT_OF_TRACES:
            continue
        if name not in before or name not in now:
            wrong = says("wrong-table-extra" if name in now else "wrong-table-gone", table=name)
            yield checked(says("check-table", table=name), 0, [wrong])
        else:
            yield _table(name, before[name], now[name], is_same=is_same)


def _table(name: str, before: CellTable, now: CellTable, *, is_same: bool) -> Check:
    if len(before.rows) != len(now.rows):
        wrong = says("wrong-table-rows", has=len(before.rows), wanted=len(now.rows))
        return checked(says("check-table", table=name), len(now.rows), [at(name, wrong)])
    problems, digits = [], 0
    for number, (has, wanted) in enumerate(zip(before.rows, now.rows, strict=True), start=2):
        for column, one, other in zip(before.names, has, wanted, strict=True):
            if one == other:
                continue
            if not is_same and _last_digit(one, other):
                digits += 1
                continue
            wrong = says("wrong-again", name=column, has=shown(one), wanted=shown(other))
            problems.append(at(line_of(name, number, before.names, has), wrong))
    what = says("check-cells", table=name)
    if digits:
        what = says("check-cells-last", table=name, digits=digits)
    return checked(what, len(now.rows) * len(now.names), problems)


def _last_digit(one: object, other: object) -> bool:
    """Whether two cells differ by no more than one in the last digit of each of their figures."""
    texts = [str(one), str(other)]
    words = [_FIGURE.sub("#", text) for text in texts]
    figures = [[Decimal(found) for found in _FIGURE.findall(text)] for text in texts]
    return words[0] == words[1] and all(
        abs(a - b) <= Decimal(1).scaleb(int(a.as_tuple().exponent))
        for a, b in zip(*figures, strict=True)
    )


def _others(old: CableReview, new: CableReview) -> Check:
    """What became of every shot, and which fibres pass each closure."""
    of_package = [shot for shot in old.shots if shot.use is not ShotUse.NOT_A_SHOT and shot.sha256]
    problems = [
        *_unlike(
            says("shot-kind"),
            of_package,
            new.shots,
            lambda s: (s.path, s.trace_number),
            ("use", "attempt"),
        ),
        *_unlike(
            says("closure-kind"),
            old.closures,
            new.closures,
            lambda c: (c.cable, c.number),
            ("name", "fibres"),
        ),
    ]
    problems += _unlike(
        says("fibre-kind"), old.fibres, new.fibres,
        lambda f: (f.key.cable, f.key.fibre, f.wavelength_nm),
        ("index_used", "attempt", "file_ab", "file_ba"),
    )  # fmt: skip
    count = len(of_package) + len(new.closures) + len(new.fibres)
    return checked(says("check-others"), count, problems)


def _unlike(
    what: Statement,
    old: Iterable[Item],
    new: Iterable[Item],
    key: Callable[[Item], tuple[object, ...]],
    names: tuple[str, ...],
) -> Iterator[Statement]:
    before, now = ({key(one): one for one in some} for some in (old, new))
    for place in {**before, **now}:
        one = says("one-of", what=what, name=" ".join(map(str, place)))
        if place not in now:
            yield at(one, says("wrong-not-of-traces"))
        elif place not in before:
            yield at(one, says("wrong-of-traces"))
        else:
            for name in names:
                has, wanted = getattr(before[place], name), getattr(now[place], name)
                if has != wanted:
                    said = says(
                        "wrong-made-again", name=name, has=_plain(has), wanted=_plain(wanted)
                    )
                    yield at(one, said)


def _plain(value: Any) -> str:
    return str(getattr(value, "value", value))


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
        at(_named(finding), state)
        for state, here, there in (
            (says("wrong-not-of-traces"), before, now),
            (says("wrong-of-traces"), now, before),
        )
        for about, finding in here.items()
        if about not in there
    ]
    return checked(says("check-findings"), len(now), problems)


def _about(finding: CableFinding) -> tuple[object, ...]:
    said = finding.said
    own = (getattr(finding, f.name) for f in fields(finding) if f.name not in ("said", "alike"))
    return said.severity, said.code, said.case, *own  # not the values: figures stand in them


def _named(finding: CableFinding) -> Statement:
    if finding.fibre is None:
        return says("finding-named", code=finding.code)
    return says("finding-of-fibre", code=finding.code, fibre=finding.fibre)


def _pictures(closeout: Closeout, new: CableReview) -> Check:
    """Both curves of every pair, as they are drawn."""
    what = says("check-curves")
    if not closeout.sketches.pairs:
        return Check(what, 0, not_done=says("undone-no-curves"))
    again = {(p.key, p.wavelength_nm): p for p in pair_sketches(new).pairs}
    problems = []
    for pair in closeout.sketches.pairs:
        other = again.get((pair.key, pair.wavelength_nm))
        place = says("fibre-at", fibre=pair.key.fibre, wavelength_nm=pair.wavelength_nm)
        if other is None:
            problems.append(at(place, says("wrong-no-pair")))
            continue
        for one, two in zip(pair.finest, other.finest, strict=True):
            same = one.mean_mdb.size == two.mean_mdb.size
            # Half a thousandth either way is rounding on another machine.
            if not same or abs(one.mean_mdb - two.mean_mdb).max() > 1:
                problems.append(at(place, says("wrong-curve", direction=one.direction.value)))
    return checked(what, 2 * len(closeout.sketches.pairs), problems)
