"""What a closeout is about, in labelled texts: scope, rules and outcome."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from otdravg.cable.model import CableReview, ShotRecord, ShotUse
from otdravg.quantities import Quantity, reported
from otdravg.tables import summary
from otdravg.tables.deliveries import said_since
from otdravg.tables.losses import loss_tables
from otdravg.tables.marks import State
from otdravg.verdict.limits import Rule
from otdravg.words.headings import Words


def standing(review: CableReview, words: Words) -> tuple[str, str]:
    """Return the verdict over the whole, and the counts behind it in a sentence or two."""
    counts = summary.summary_of(review)
    own: Counter[State] = Counter()
    for tally in counts.tallies.values():
        own.update(tally.states)
    says = words["standing_says"].format(
        within=own[State.WITHIN],
        expected=own.total(),
        over=own[State.OVER],
        open=own[State.OPEN],
        missing=own[State.ONE_WAY] + own[State.NOT_MEASURED] + own[State.NOT_SHOT],
    )
    if counts.findings_to_do:
        findings = words.counted("findings", counts.findings_to_do)
        says += " " + words["standing_findings"].format(findings=findings)
    return words.value(counts.standing.value), says


def tallies(review: CableReview, words: Words) -> list[tuple[str, ...]]:
    """Counts of splices by state, of each cable and wavelength and of all; headings first."""
    own = summary.summary_of(review).tallies
    several = len(review.cables) > 1
    lines = [
        (
            f"{cable}, {nm} nm" if several else f"{nm} nm",
            (tally.expected, tally.measured, *tally.states.values()),
        )
        for (cable, nm), tally in own.items()
    ]
    if len(lines) > 1:
        columns = zip(*(numbers for _, numbers in lines), strict=True)
        lines.append((words["total"], tuple(map(sum, columns))))
    states = (f"{words.value(state.value)} {state.sign}".rstrip() for state in State)
    return [
        ("", words["expected"], words["both_ends"], *states),
        *((name, *map(str, numbers)) for name, numbers in lines),
    ]


def worst(review: CableReview, words: Words) -> list[tuple[str, str]]:
    """Name the three splices that are largest against the limit that judged each."""
    lines = []
    for row in summary.worst_splices(review):
        place = words["loss_of_cell" if row.closure else "loss_between_closures"]
        loss_db, u_db = (
            reported(row.loss_db, Quantity.LOSS_DB),
            reported(row.expanded_uncertainty_db, Quantity.UNCERTAINTY_DB),
        )
        figures = f"{loss_db} ± {u_db} dB ({words['limit_word']} {row.verdict.limit_db} dB)"
        lines.append(
            (
                f"{place.format(fibre=row.fibre, closure=row.closure)}, {row.wavelength_nm} nm",
                words.decimal(figures),
            )
        )
    return lines


def scope(review: CableReview, words: Words) -> list[tuple[str, str]]:
    """What was measured: fibres, ribbons, closures, wavelengths, shots."""
    counts = summary.summary_of(review)
    size = review.ribbon_size
    ribbons = {
        (table.cable, fibre.ribbon) for table in loss_tables(review) for fibre in table.fibres
    }
    ribbon_text = words["loose_tube"] if size is None else f"{len(ribbons)} × {size}"
    length_m = reported(summary.median_length_m(review), Quantity.DISTANCE_M)
    length = "" if length_m is None else f"{words.decimal(length_m)} m"
    period = ""
    if counts.taken is not None:
        first, last = counts.taken
        period = f"{first:%Y-%m-%d} – {last:%Y-%m-%d} ({words['by_clock']})"
    return [
        (
            words["fibres"],
            words["fibres_of"].format(measured=counts.fibres, expected=counts.fibres_expected),
        ),
        *said_since(review, words),
        (words["ribbons"], ribbon_text),
        (words["closures"], _closures(review)),
        (words["between_closures"], _between(review, words)),
        (words["wavelengths"], ", ".join(f"{nm} nm" for nm in counts.wavelengths_nm)),
        (words["length"], length),
        (words["shots"], f"{counts.shots}, {counts.shots_used} {words['shots_used']}"),
        (words["shots_period"], period),
        (words["clock_off"], _clock_off(counts.clock_off, words)),
        (words["ends"], ends(review, words)),
    ]


def _between(review: CableReview, words: Words) -> str:
    counts = summary.between_closures(review)
    return ", ".join(
        f"{counts[state]} {words.value(state.value)}" for state in State if counts[state]
    )


def _clock_off(shots: Sequence[ShotRecord], words: Words) -> str:
    times = sorted(shot.taken for shot in shots if shot.taken is not None)
    if not times:
        return ""
    return words["clock_line_1" if len(times) == 1 else "clock_line"].format(
        count=len(times), first=f"{times[0]:%Y-%m-%d}", last=f"{times[-1]:%Y-%m-%d}"
    )


def ends(review: CableReview, words: Words) -> str:
    """Name both ends of every cable."""
    lines = []
    for cable in review.cables:
        names = zip("AB", review.end_names(cable), strict=True)
        said = [words["ends_line"].format(end=end, names=name) for end, name in names if name]
        if said:
            prefix = f"{cable}: " if len(review.cables) > 1 else ""
            lines.append(prefix + "; ".join(said))
    return ". ".join(lines)


#: Columns of :func:`equipment`, as headings know them.
EQUIPMENT_COLUMNS = (
    "direction", "wavelength_nm", "instrument", "serial", "software", "operator", "pulse_ns",
    "averaging_time_s", "averages", "group_index", "shots_count",
)  # fmt: skip


def equipment(review: CableReview, words: Words) -> list[tuple[str, ...]]:
    """Who measured and with what: shots that count, those alike together."""
    alike: Counter[tuple[str, ...]] = Counter()
    for shot in review.shots:
        if shot.use is ShotUse.USED and shot.identity is not None and shot.settings is not None:
            who, how = shot.identity, shot.settings
            alike[
                shot.taken_for.direction.value,
                str(shot.taken_for.wavelength_nm),
                who.instrument,
                who.serial,
                who.software,
                who.operator,
                words.decimal(reported(how.pulse_ns, Quantity.PULSE_NS)),
                words.decimal(reported(how.averaging_time_s, Quantity.TIME_S)),
                str(how.averages),
                words.decimal(reported(how.group_index, Quantity.GROUP_INDEX)),
            ] += 1
    return [(*own, str(count)) for own, count in sorted(alike.items())]


def facts(
    review: CableReview, words: Words, labels: Sequence[tuple[str, str]], made_on: str
) -> list[tuple[str, str]]:
    """What stands beside the verdict on paper and page: whose closeout, of what, by which rules."""
    made = (words["made_at"], made_on)
    own = [*labels, *scope(review, words), *rules(review, words), made]
    return [(label, text) for label, text in own if text]


def _closures(review: CableReview) -> str:
    names = [closure.name for closure in review.closures]
    shown = ", ".join(names[:40]) + (" …" if len(names) > 40 else "")
    return f"{len(names)} ({shown})" if names else "0"


def limit_lines(review: CableReview, words: Words) -> list[str]:
    """Say which limits judged splices, and how many each."""
    return [
        words["limit_line"].format(
            limit_db=words.decimal(limit.limit_db),
            wavelengths=", ".join(map(str, limit.wavelengths_nm)),
            splices=words.counted("splices", limit.splices),
            rule=limit.rule,
        )
        for limit in summary.limits_in_force(review)
    ]


def rules(review: CableReview, words: Words) -> list[tuple[str, str]]:
    """What it was judged by."""
    profile = review.profile
    rule = words["rule_guarded" if profile.rule is Rule.GUARDED else "rule_plain"]
    limits = limit_lines(review, words)
    name = " – ".join(part for part in (profile.name, profile.title) if part)
    return [
        (words["profile"], name),
        (words["profile_source"], words["profile_default"] if profile.is_default else ""),
        (words["profile_source"], "" if profile.is_default else profile.source),
        (words["rule"], rule),
        (words["limits_in_force"], "; ".join(limits) or words["no_limit"]),
        (words["decisions"], summary.decisions_state(review, words)),
    ]
