"""What a closeout is about, in labelled texts: scope, rules and outcome."""

from __future__ import annotations

import statistics

from otdravg.cable.model import CableReview
from otdravg.closeout.template import Template
from otdravg.quantities import Quantity, reported
from otdravg.tables import summary
from otdravg.verdict.limits import Rule
from otdravg.words.closeout import PageWords

__all__ = ["made_on", "result_sentence", "rules", "scope"]


def result_sentence(review: CableReview, words: PageWords) -> str:
    """Say in one sentence whether the cable asks for work."""
    return summary.result_sentence(summary.summary_of(review), words.words)


def scope(review: CableReview, words: PageWords) -> list[tuple[str, str]]:
    """What was measured: fibres, ribbons, closures, wavelengths, shots."""
    counts = summary.summary_of(review)
    size = review.ribbon_size
    ribbons = {(row.cable, row.ribbon) for row in review.rows if row.ribbon is not None}
    ribbon_text = words["loose_tube"] if size is None else f"{len(ribbons)} × {size}"
    lengths = [fibre.length_m for fibre in review.fibres]
    length = ""
    if lengths:
        length = f"{words.decimal(reported(statistics.median(lengths), Quantity.DISTANCE_M))} m"
    period = ""
    if counts.taken is not None:
        first, last = counts.taken
        period = f"{first:%Y-%m-%d} – {last:%Y-%m-%d} (UTC)"
    return [
        (words["fibres"], str(counts.fibres)),
        (words["ribbons"], ribbon_text),
        (words["closures"], _closures(review)),
        (words["wavelengths"], ", ".join(f"{nm} nm" for nm in counts.wavelengths_nm)),
        (words["length"], length),
        (words["shots"], f"{counts.shots}, {counts.shots_used} {words['shots_used']}"),
        (words["shots_period"], period),
    ]


def made_on(template: Template) -> str:
    """Write when the closeout was made, UTC; nothing if that is not known."""
    return "" if template.made_at is None else f"{template.made_at:%Y-%m-%d %H:%M}"


def _closures(review: CableReview) -> str:
    names = [closure.name for closure in review.closures]
    shown = ", ".join(names[:40]) + (" …" if len(names) > 40 else "")
    return f"{len(names)} ({shown})" if names else "0"


def rules(review: CableReview, words: PageWords) -> list[tuple[str, str]]:
    """What it was judged by."""
    profile = review.profile
    rule = words["rule_guarded" if profile.rule is Rule.GUARDED else "rule_plain"]
    limits = [
        words["limit_each"].format(limit_db=words.decimal(limit), wavelength_nm=nm)
        for nm in sorted({row.wavelength_nm for row in review.rows})
        if (limit := profile.splice.limit_db.at(nm)) is not None
    ]
    name = " – ".join(part for part in (profile.name, profile.title) if part)
    return [
        (words["profile"], name),
        (words["profile_source"], words["profile_default"] if profile.is_default else ""),
        (words["profile_source"], "" if profile.is_default else profile.source),
        (words["rule"], rule),
        (words["limit"], "; ".join(limits) or words["no_limit"]),
        (words["decisions"], summary.decisions_state(review, words.words)),
    ]
