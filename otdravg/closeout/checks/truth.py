"""What the results of a closeout must be by themselves, whatever was measured.

Each check holds one figure against others that it follows from: a loss against both readings, a
verdict against loss and limit, a limit against the profile, a sum against its parts, a row
against the closures and fibres that there are. The comparison with a limit is ``verdict/decision``.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping
from decimal import Decimal

from otdravg.cable.checks.missing import expected_fibres
from otdravg.cable.model import CableReview, FibreKey, ShotUse, SpliceRow
from otdravg.closeout.checks.model import Check, at, checked
from otdravg.closeout.json_file import Closeout
from otdravg.findings import Statement, says
from otdravg.fit.reading import Coverage, Kind
from otdravg.quantities import Quantity, reported
from otdravg.shot.settings import Direction
from otdravg.trade import fibre_colour, ribbon_position
from otdravg.verdict.decision import Action, Verdict, expanded, held_against, is_implausible
from otdravg.verdict.rules import Profile

#: Binary noise of a sum or a half; a figure is reported to a thousandth.
_NOISE_DB = 1e-9
#: What each verdict says of figure and limit; the other verdicts are not about a limit.
_SAYS = {
    Verdict.WITHIN: Verdict.WITHIN,
    Verdict.WITHIN_ONE_WAY: Verdict.WITHIN,
    Verdict.TEMPORARY: Verdict.WITHIN,
    Verdict.OVER: Verdict.OVER,
    Verdict.FAILED: Verdict.OVER,
    Verdict.EVIDENCE_DUE: Verdict.OVER,
    Verdict.TOO_CLOSE: Verdict.TOO_CLOSE,
}
_NOTHING_TO_DO = frozenset({Verdict.WITHIN, Verdict.WITHIN_ONE_WAY, Verdict.INFORMATION})
_FALLBACK = "splice.attempts.fallback_db"
_REVIEWER = "reviewer's decision"


def true_in_itself(closeout: Closeout) -> Iterator[Check]:
    """Check the results against each other."""
    review = closeout.review
    both = [row for row in review.rows if row.loss_db is not None]
    yield checked(
        says("check-halves"),
        len(both),
        [text for row in review.rows for text in _half_sums(row)],
    )
    known = _codes_by_fibre(review)
    yield checked(
        says("check-verdicts"),
        len(review.rows),
        [text for row in review.rows for text in _verdict_problems(row, review.profile, known)],
    )
    yield checked(says("check-sums"), len(review.fibres), _sums(review))
    yield checked(says("check-plan"), *_plan(review))
    yield checked(says("check-rows"), *_rows(review))
    yield checked(says("check-shots"), len(review.shots), _shots(review))
    yield checked(says("check-expected"), *_expected(closeout))


def _place(row: SpliceRow) -> Statement:
    """Name a splice: fibre, wavelength and place."""
    where = says("closure-named", name=row.closure) if row.closure else says("off-closures")
    return says(
        "row-at", fibre=row.fibre, wavelength_nm=row.wavelength_nm, where=where,
        distance_m=row.distance_m,
    )  # fmt: skip


def _spot(fibre: int, wavelength_nm: int, closure: str) -> Statement:
    where = says("closure-named", name=closure)
    return says("spot-at", fibre=fibre, wavelength_nm=wavelength_nm, where=where)


def _half_sums(row: SpliceRow) -> Iterator[Statement]:
    ab, ba = row.loss_ab_db, row.loss_ba_db
    if ab is None or ba is None:
        if row.loss_db is not None:
            yield at(_place(row), says("wrong-one-end"))
        return
    for name, figure, wanted in (
        ("loss_db", row.loss_db, (ab + ba) / 2),
        ("backscatter_step_db", row.backscatter_step_db, (ab - ba) / 2),
    ):
        if figure is not None and abs(figure - wanted) > _NOISE_DB:
            is_, half = (reported(value, Quantity.LOSS_DB) for value in (figure, wanted))
            yield at(_place(row), says("wrong-half", name=name, has=is_, wanted=half))


def _codes_by_fibre(review: CableReview) -> Mapping[FibreKey, frozenset[str]]:
    """Codes of the findings about each fibre; under no number those about whole cables."""
    codes: dict[FibreKey, set[str]] = defaultdict(set)
    for finding in review.findings:
        for fibre in {finding.fibre or 0, *finding.other_fibres}:
            codes[FibreKey(finding.cable, fibre)].add(finding.code)
    return {key: frozenset(own) for key, own in codes.items()}


def _verdict_problems(
    row: SpliceRow, profile: Profile, known: Mapping[FibreKey, frozenset[str]]
) -> Iterator[Statement]:
    verdict, limit_db = row.verdict, row.verdict.limit_db
    figure, expanded_u, place = verdict.figure, verdict.expanded_u, _place(row)
    if row.loss_db is not None:
        wanted = reported(row.loss_db, Quantity.LOSS_DB)
        if figure != wanted:
            yield at(place, says("wrong-figure", has=figure, wanted=wanted))
        wanted = expanded(row.u_loss_db)
        if expanded_u != wanted:
            yield at(place, says("wrong-uncertainty", has=expanded_u, wanted=wanted))
    problem = _turned(row, known)
    if problem is not None:
        yield at(place, says("wrong-verdict", verdict=verdict.verdict.value, but=problem))
    stated = _stated_limits(profile, row.wavelength_nm)
    if verdict.rule in stated and limit_db != stated[verdict.rule]:
        wanted = stated[verdict.rule]
        yield at(place, says("wrong-limit", limit_db=limit_db, rule=verdict.rule, wanted=wanted))
    elif (
        limit_db is not None
        and row.kind is not Kind.CONNECTOR
        and limit_db not in (own := set(stated.values()) | _connector_limits(profile))
    ):
        named = ", ".join(str(one) for one in sorted(o for o in own if o is not None))
        yield at(place, says("wrong-no-limit", limit_db=limit_db, named=named))
    if figure is not None and limit_db is not None and verdict.verdict in _SAYS:
        near = held_against(figure, expanded_u, limit_db, profile.rule).near_limit
        if near != verdict.near_limit:
            yield at(place, says("wrong-mark", figure=figure))
    if (verdict.verdict in _NOTHING_TO_DO) != (verdict.action is Action.NONE) and not (
        verdict.action is Action.NONE
        and verdict.verdict in (Verdict.NOT_JUDGED, Verdict.ACCEPTED, Verdict.ONE_WAY,
                                Verdict.NOT_MEASURED)
    ):  # fmt: skip
        asks = says("wrong-action", verdict=verdict.verdict.value, action=verdict.action.value)
        yield at(place, asks)


def _turned(row: SpliceRow, known: Mapping[FibreKey, frozenset[str]]) -> Statement | None:
    """Why a row cannot have the verdict that it has; None if it can."""
    verdict, limit_db, figure = row.verdict.verdict, row.verdict.limit_db, row.verdict.figure
    answer = _SAYS.get(verdict)
    if verdict is Verdict.ACCEPTED:
        answer = Verdict.WITHIN if row.verdict.rule == _FALLBACK else None
        if answer is None and not (row.verdict.rule == _REVIEWER and row.decided):
            return says("but-no-leave")
    if answer is not None:
        if figure is None or limit_db is None:
            return says("but-no-figure")
        # Whatever the rule of decision: an answer is not on the other side of the limit.
        if answer is not Verdict.TOO_CLOSE and (figure <= limit_db) != (answer is Verdict.WITHIN):
            return says("but-other-side", figure=figure, limit_db=limit_db)
        return None
    if verdict is Verdict.NOT_GRADABLE:
        codes = dict(row.verdict.reason.values).get("findings", "")
        own = known.get(row.key, frozenset()) | known.get(FibreKey(row.cable, 0), frozenset())
        missing = [code for code in str(codes).split(", ") if code not in own]
        return says("but-no-finding", codes=", ".join(missing)) if missing else None
    if verdict is Verdict.BEND:
        code = "event-between-closures" if row.closure_number is None else "bend-suspected"
        if code not in known.get(row.key, frozenset()):
            return says("but-no-finding", codes=code)
        more_db = dict(row.verdict.reason.values).get("more_db")
        if more_db != reported(row.bend_db, Quantity.LOSS_DB):
            return says("but-other-bend", bend_db=row.bend_db, said=more_db)
    if verdict in (Verdict.ONE_WAY, Verdict.NOT_MEASURED) and row.coverage is Coverage.BOTH:
        return says("but-both-ends")
    if verdict is Verdict.IMPLAUSIBLE and not is_implausible(row.loss_db, row.u_loss_db):
        return says("but-plausible")
    if verdict is Verdict.NOT_JUDGED and limit_db is not None and row.kind is Kind.SPLICE:
        return None if row.verdict.action is Action.LOOK else says("but-a-limit")
    if verdict is Verdict.INFORMATION and row.verdict.rule != "wavelengths.judge_others":
        return says("but-no-rule")
    return None


def _stated_limits(profile: Profile, wavelength_nm: int) -> dict[str, Decimal | None]:
    """The limits of true losses that a profile states, by their key."""
    splice = profile.splice
    stated = {
        "splice.limit_db": splice.limit_db.at(wavelength_nm),
        f"stages.{profile.stage.name}.limit_db": profile.stage.limit_db.at(wavelength_nm),
        "one_way.splice_limit_db": profile.one_way.splice_limit_db.at(wavelength_nm),
    }
    for method, rule in splice.methods.items():
        stated[f"splice.{method.value}.limit_db"] = rule.limit_db.at(wavelength_nm)
    if splice.attempts is not None:
        stated[_FALLBACK] = splice.attempts.fallback_db.at(wavelength_nm)
    return stated


def _connector_limits(profile: Profile) -> set[Decimal | None]:
    rule = profile.connector
    return {
        rule.limit_db, rule.end_limit_db, rule.per_direction_limit_db, rule.with_splice_limit_db,
        rule.with_splice_mismatch_limit_db, rule.reflectance_limit_db,
    }  # fmt: skip


def _sums(review: CableReview) -> Iterator[Statement]:
    own: dict[tuple[FibreKey, int], list[Decimal]] = defaultdict(list)
    for row in review.rows:
        loss_db = reported(row.loss_db, Quantity.LOSS_DB)
        if (
            loss_db is not None
            and row.closure_number is not None
            and row.kind is not Kind.CONNECTOR
        ):
            own[row.key, row.wavelength_nm].append(loss_db)
    for fibre in review.fibres:
        losses = own[fibre.key, fibre.wavelength_nm]
        place = says("fibre-at", fibre=fibre.key.fibre, wavelength_nm=fibre.wavelength_nm)
        if fibre.splice_count != len(losses):
            yield at(place, says("wrong-count", has=fibre.splice_count, wanted=len(losses)))
        elif fibre.span_mean_db is not None and losses:
            mean_db = reported(float(sum(losses, Decimal(0)) / len(losses)), Quantity.LOSS_DB)
            if reported(fibre.span_mean_db, Quantity.LOSS_DB) != mean_db:
                said_db = fibre.span_mean_db
                yield at(place, says("wrong-mean", said_db=said_db, mean_db=mean_db))


def _plan(review: CableReview) -> tuple[int, list[Statement]]:
    to_redo = [
        row
        for row in review.rows
        if row.verdict.action is Action.RE_SPLICE and row.closure_number is not None
    ]
    units = review.plan.units if review.plan is not None else ()
    planned = {
        (unit.cable, unit.closure_number, failing.fibre)
        for unit in units
        for failing in unit.failing
    }
    problems = [
        at(_place(row), says("wrong-unplanned"))
        for row in to_redo
        if (row.cable, row.closure_number, row.fibre) not in planned
    ]
    wanting = {
        (row.cable, row.closure_number, row.fibre) for row in review.rows if row.verdict.needs_work
    }
    problems += [
        says("wrong-planned", fibre=fibre, number=number)
        for _, number, fibre in sorted(planned - wanting, key=str)
    ]
    return len(to_redo), problems


def _rows(review: CableReview) -> tuple[int, list[Statement]]:
    """Every fibre at every closure that it passes has one row, and its own ribbon and colour."""
    problems = []
    places = Counter(
        (row.key, row.wavelength_nm, row.closure_number)
        for row in review.rows
        if row.closure_number is not None
    )
    problems += [
        at(_spot(key.fibre, nm, str(number)), says("wrong-rows", rows=count))
        for (key, nm, number), count in places.items()
        if count > 1
    ]
    shot: dict[FibreKey, set[int]] = defaultdict(set)
    for fibre in review.fibres:
        shot[fibre.key].add(fibre.wavelength_nm)
    numbers: dict[str, list[int]] = defaultdict(list)
    for closure in review.closures:
        numbers[closure.cable].append(closure.number)
        for fibre_number in closure.fibres:
            key = FibreKey(closure.cable, fibre_number)
            problems += [
                at(_spot(fibre_number, nm, closure.name), says("wrong-no-row"))
                for nm in sorted(shot[key])
                if not places[key, nm, closure.number]
            ]
    problems += [
        says("wrong-numbers", numbers=str(own), cable=cable)
        for cable, own in numbers.items()
        if sorted(own) != list(range(1, len(own) + 1))
    ]
    for row in review.rows:
        ribbon, position = ribbon_position(row.fibre, review.ribbon_size)
        wanted = (
            ribbon,
            position,
            fibre_colour(row.fibre, review.ribbon_size, review.expected.colours),
        )
        if (row.ribbon, row.position, row.colour) != wanted:
            problems.append(at(_place(row), says("wrong-ribbon")))
    return len(review.rows), problems


def _shots(review: CableReview) -> Iterator[Statement]:
    """Rows and shots name each other, with fibre, wavelength and direction."""
    records = {shot.path: shot for shot in review.shots}
    named = set()
    for row in review.rows:
        for path, direction in ((row.file_ab, Direction.A_TO_B), (row.file_ba, Direction.B_TO_A)):
            if not path:
                continue
            named.add(path)
            shot = records.get(path)
            if shot is None:
                yield at(_place(row), says("wrong-no-shot", file=path))
                continue
            taken = shot.taken_for
            if (taken.key, taken.wavelength_nm, taken.direction) != (
                row.key, row.wavelength_nm, direction,
            ):  # fmt: skip
                other = says(
                    "wrong-shot", file=path, fibre=taken.fibre, wavelength_nm=taken.wavelength_nm,
                    direction=taken.direction.value,
                )  # fmt: skip
                yield at(_place(row), other)
    named |= {path for fibre in review.fibres for path in (fibre.file_ab, fibre.file_ba)}
    found = set(review.findings)
    for shot in review.shots:
        if shot.use is ShotUse.USED and review.closures and shot.path not in named:
            yield at(shot.path, says("wrong-unnamed"))
        if shot.use is not ShotUse.UNREADABLE:
            for finding in set(shot.findings) - found:
                yield at(shot.path, says("wrong-finding-gone", code=finding.code))


def _expected(closeout: Closeout) -> tuple[int, list[Statement]]:
    """Every fibre that was expected has rows, or a finding that it is missing."""
    review = closeout.review
    expected = expected_fibres(
        review.shots, review.ribbon_size, review.fibre_count, review.expected
    )
    have = {row.key for row in review.rows} | {fibre.key for fibre in review.fibres}
    have |= {shot.taken_for.key for shot in review.shots if shot.taken_for.key is not None}
    named = {
        FibreKey(finding.cable, fibre)
        for finding in review.findings
        for fibre in (finding.fibre, *finding.other_fibres)
        if fibre is not None
    }
    missing_codes = {
        f.cable for f in review.findings if f.code in ("ribbon-missing", "fibre-missing")
    }
    problems = [
        says("wrong-fibre-gone", fibre=key.fibre, cable=key.cable or says("no-name"))
        for key in sorted(expected - have - named)
        if key.cable not in missing_codes
    ]
    checks = {identity.key for identity in review.identities}
    problems += [
        says("wrong-unidentified", fibre=fibre.key.fibre)
        for fibre in review.fibres
        if fibre.key not in checks and checks
    ]
    return len(expected), problems
