"""Many splices held together: means and shares at their boundaries, in decimals."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

import pytest
from pair_example import judged_loss

from otdravg.errors import BadProfile
from otdravg.quantities import Quantity, reported
from otdravg.verdict import Profile, Span, judge_span, parse
from otdravg.verdict.decision import Action, Verdict
from otdravg.verdict.group import Losses, Whole, judge_group
from otdravg.verdict.rules import required_wavelengths
from otdravg.words.catalogue import told

HEAD = 'format = 1\nname = "test"\nsource = "invented"\n'
SHARE = "[splice]\nlimit_db = 0.30\n[share]\npercent = 95\nlimit_db = 0.10\n"


def profile_of(text: str) -> Profile:
    return parse(HEAD + text, "test.toml")


def shown(losses: Sequence[float | None], u_db: float | None = 0.001) -> Losses:
    """Losses as reported."""
    return [(reported(loss, Quantity.LOSS_DB), u_db) for loss in losses]


def share(profile: Profile, *losses: float | None, u_db: float | None = 0.001) -> Verdict:
    (judged,) = judge_group(profile, Whole.CABLE, shown(losses, u_db), 1550)
    return judged.verdict


class TestShare:
    # "95 % of splices at most 0.10 dB, none above 0.30": common practice, no source.
    def test_19_of_20_are_95_per_cent(self) -> None:
        profile = profile_of(SHARE)
        assert share(profile, *[0.10] * 19, 0.101) is Verdict.WITHIN
        assert share(profile, *[0.10] * 18, 0.101, 0.101) is Verdict.OVER

    def test_94_of_99_are_not_though_they_round_to_it(self) -> None:
        # Derived: 94/99 = 94.949… %.
        (judged,) = judge_group(profile_of(SHARE), Whole.CABLE, shown([0.1] * 94 + [0.2] * 5), 1550)
        assert judged.verdict is Verdict.OVER
        assert judged.action is Action.LOOK
        assert (judged.figure, judged.limit_db, judged.rule) == (
            Decimal("94.9"), Decimal(95), "share.percent",
        )  # fmt: skip

    def test_losses_are_rounded_first(self) -> None:
        profile = profile_of(SHARE)
        assert share(profile, *[0.1004] * 20) is Verdict.WITHIN  # 0.100 as reported
        assert share(profile, *[0.1006] * 20) is Verdict.OVER

    def test_none_above_is_the_limit_of_each_splice(self) -> None:
        profile = profile_of(SHARE)
        assert judged_loss(profile, 0.30, 0.001).verdict is Verdict.WITHIN
        assert judged_loss(profile, 0.301, 0.001).verdict is Verdict.OVER

    def test_what_is_missing_leaves_it_open_only_where_it_could_turn_the_answer(self) -> None:
        profile = profile_of(SHARE)
        assert share(profile, *[0.05] * 19, None) is Verdict.WITHIN
        assert share(profile, *[0.05] * 18, 0.2, None) is Verdict.NOT_MEASURED
        assert share(profile, *[0.05] * 17, 0.2, 0.2, None) is Verdict.OVER

    def test_guarded_it_is_left_open_by_what_is_too_close(self) -> None:
        profile = profile_of(SHARE + '[decision]\nrule = "guarded"\n')
        assert share(profile, *[0.09] * 20) is Verdict.WITHIN
        assert share(profile, *[0.099] * 20) is Verdict.TOO_CLOSE  # U = 0.002
        assert share(profile, *[0.09] * 20, u_db=None) is Verdict.TOO_CLOSE

    def test_by_wavelength(self) -> None:
        profile = profile_of("[share]\npercent = 90\nlimit_db_at = { 1310 = 0.2 }\n")
        assert judge_group(profile, Whole.CABLE, shown([0.1]), 1550) == ()

    @pytest.mark.parametrize(
        ("text", "key"),
        [
            ("[share]\nlimit_db = 0.1\n", "share.percent"),
            ("[share]\npercent = 95\n", "share.limit_db"),
            ("[share]\npercent = 101\nlimit_db = 0.1\n", "share.percent"),
        ],
    )
    def test_half_a_rule_is_refused(self, text: str, key: str) -> None:
        with pytest.raises(BadProfile, match=key):
            profile_of(text)


@pytest.mark.parametrize("whole", [Whole.RIBBON, Whole.CLOSURE])
class TestMean:
    def judged(self, whole: Whole, *losses: float | None, u_db: float | None = 0.0001) -> Verdict:
        profile = profile_of(f"[{whole.value}]\nmean_limit_db = 0.15\n")
        (judged,) = judge_group(profile, whole, shown(losses, u_db), 1550)
        assert judged.rule == f"{whole.value}.mean_limit_db"
        return judged.verdict

    def test_boundary(self, whole: Whole) -> None:
        # W2: a mean of 0.20 and 0.10 is 0.15000000000000002 in binary floats (derived).
        assert self.judged(whole, 0.20, 0.10) is Verdict.WITHIN
        assert self.judged(whole, 0.202, 0.10) is Verdict.OVER

    def test_of_rounded_losses(self, whole: Whole) -> None:
        assert self.judged(whole, 0.1504, 0.1504) is Verdict.WITHIN

    def test_one_missing(self, whole: Whole) -> None:
        assert self.judged(whole, 0.05, None) is Verdict.NOT_MEASURED

    def test_a_good_mean_excuses_no_splice(self, whole: Whole) -> None:
        profile = profile_of(f"[splice]\nlimit_db = 0.2\n[{whole.value}]\nmean_limit_db = 0.15\n")
        assert judged_loss(profile, 0.35, 0.001).verdict is Verdict.OVER
        # Derived: 0.05, 0.05, 0.35 have a mean of 0.15.
        losses = shown([0.05, 0.05, 0.35])
        assert judge_group(profile, whole, losses, 1550)[0].verdict is Verdict.WITHIN


def test_total_of_fibre_splices_and_a_constant() -> None:
    # Derived: 0.25·10 + 0.1·3 + 0.5·2 + 0.2 = 4.0 dB.
    profile = profile_of(
        "[span.formula]\nfibre_db_per_km = 0.25\nsplice_db = 0.1\nconnector_db = 0.5\n"
        "constant_db = 0.2\n"
    )
    for loss_db, verdict in ((4.0004, Verdict.WITHIN), (4.001, Verdict.OVER)):
        span = Span(1550, [0.1] * 3, [0.001] * 3, 10_000.0, loss_db, 0.0, connectors=2)
        (judged,) = judge_span(profile, span)
        assert (judged.verdict, judged.limit_db) == (verdict, Decimal("4.000"))


def test_wavelengths_by_length() -> None:
    # Louisville D: above 60 km 1550 nm only.
    profile = profile_of(
        "[wavelengths]\nrequired = [1310, 1550]\n[[wavelengths.cases]]\nlonger_than_m = 60_000\n"
        "required = [1550]\n"
    )
    assert required_wavelengths(profile, 60_000.0) == (1310, 1550)
    assert required_wavelengths(profile, 60_000.1) == (1550,)


def test_the_sentence_has_every_figure() -> None:
    losses = shown([0.05] * 18 + [0.2] * 2)
    (judged,) = judge_group(profile_of(SHARE), Whole.CABLE, losses, 1550)
    assert told(judged.reason) == (
        "90.0 % of 20 splices keep 0.10 dB, 95 % are asked for: too few do."
    )
