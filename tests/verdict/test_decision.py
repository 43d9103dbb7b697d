"""Where a figure meets its limit: every boundary, by arithmetic and by JCGM 106.

JCGM 106:2012, *The role of measurement uncertainty in conformity assessment*, and ILAC-G8:09/2019
are cited from memory; what follows from them is worked out here in whole thousandths of a dB, or
with the normal distribution of scipy.
"""

from __future__ import annotations

import itertools
import math
from decimal import Decimal

import pytest
from pair_example import judged_as, reading
from scipy import stats

from otdravg.errors import BadSetting
from otdravg.verdict.decision import Verdict, expanded, held_against, is_implausible
from otdravg.verdict.limits import LimitDb, Limits, Rule, in_band, same_band

#: Figures, uncertainties and limits around each other, in thousandths of a dB.
FIGURES_MDB, UNCERTAINTIES_MDB, LIMITS_MDB = range(-12, 13), range(6), range(-3, 4)


def mdb(thousandths: int) -> Decimal:
    return Decimal(thousandths) / 1000


class TestFigureAgainstLimit:
    def test_plain_rule_is_less_or_equal(self) -> None:
        # Simple acceptance, ILAC-G8 4.2.1: within where the figure is at or below the limit.
        for figure, u, limit in itertools.product(FIGURES_MDB, UNCERTAINTIES_MDB, LIMITS_MDB):
            held = held_against(mdb(figure), mdb(u), mdb(limit), Rule.PLAIN)
            assert held.verdict is (Verdict.WITHIN if figure <= limit else Verdict.OVER)
            # The limit is touched by figure ± U from below, or reached from above.
            assert held.near_limit is (limit - u < figure <= limit + u)

    def test_guarded_rule_accepts_up_to_the_limit_less_u_and_rejects_beyond_the_limit_and_u(
        self,
    ) -> None:
        # JCGM 106, 8.3.2: accepted up to A = T − U. Rejected beyond T + U (8.3.3); between is open.
        for figure, u, limit in itertools.product(FIGURES_MDB, UNCERTAINTIES_MDB, LIMITS_MDB):
            held = held_against(mdb(figure), mdb(u), mdb(limit), Rule.GUARDED)
            if figure <= limit - u:
                expected = Verdict.WITHIN
            elif figure > limit + u:
                expected = Verdict.OVER
            else:
                expected = Verdict.TOO_CLOSE
            assert held.verdict is expected, (figure, u, limit)
            assert held.near_limit is (expected is Verdict.TOO_CLOSE)

    def test_without_uncertainty_nothing_is_near_and_the_guarded_rule_does_not_decide(
        self,
    ) -> None:
        for figure, limit in itertools.product(FIGURES_MDB, LIMITS_MDB):
            held = held_against(mdb(figure), None, mdb(limit), Rule.GUARDED)
            assert (held.verdict, held.near_limit) == (Verdict.TOO_CLOSE, False)
            held = held_against(mdb(figure), None, mdb(limit), Rule.PLAIN)
            within = Verdict.WITHIN if figure <= limit else Verdict.OVER
            assert (held.verdict, held.near_limit) == (within, False)

    def test_what_the_guarded_rule_lets_pass_conforms_with_977_in_1000(self) -> None:
        # JCGM 106, 7.1: the chance that the true value is below T is Φ((T − figure)/u); at the
        # acceptance limit T − 2u it is Φ(2), and smaller for anything above.
        limit, u = 0.200, 0.010
        passed = [
            figure / 1000
            for figure in range(400)
            if held_against(mdb(figure), expanded(u), Decimal("0.2"), Rule.GUARDED).verdict
            is Verdict.WITHIN
        ]
        assert passed
        least = float(stats.norm.cdf((limit - max(passed)) / u))
        assert least == pytest.approx(stats.norm.cdf(2))
        assert stats.norm.cdf((limit - max(passed) - 0.001) / u) < stats.norm.cdf(2)


class TestExpandedUncertainty:
    @pytest.mark.parametrize(
        ("u_db", "expanded_db"),
        # k = 2 (JCGM 100:2008, 6.2), rounded up to 0.001 dB (7.2.6).
        [(0.01, "0.020"), (0.0104, "0.021"), (0.0105, "0.021"), (0.0001, "0.001"), (0.0, "0")],
    )
    def test_twice_the_standard_uncertainty_rounded_up(self, u_db: float, expanded_db: str) -> None:
        assert expanded(u_db) == Decimal(expanded_db)

    @pytest.mark.parametrize("u_db", [None, math.nan, math.inf])
    def test_unknown_stays_unknown(self, u_db: float | None) -> None:
        assert expanded(u_db) is None

    @pytest.mark.parametrize("figure", ["0.100", "0.200", "0.300"])
    def test_without_it_the_guarded_rule_decides_nothing(self, figure: str) -> None:
        limit = Decimal("0.2")
        guarded = held_against(Decimal(figure), None, limit, Rule.GUARDED)
        plain = held_against(Decimal(figure), None, limit, Rule.PLAIN)
        assert guarded.verdict is Verdict.TOO_CLOSE
        assert plain.verdict is (Verdict.WITHIN if Decimal(figure) <= limit else Verdict.OVER)


class TestBelowZero:
    """No splice amplifies light, so a true loss clearly below zero is a wrong measurement."""

    @pytest.mark.parametrize(
        ("loss_db", "implausible"),
        # 3 · 0.25 is 0.75, exactly, in binary floats too.
        [(-0.75, False), (math.nextafter(-0.75, -1), True), (-1.0, True), (-0.7, False),
         (0.0, False), (0.75, False), (1.0, False)],
    )  # fmt: skip
    def test_three_standard_uncertainties_are_still_noise(
        self, loss_db: float, implausible: bool
    ) -> None:
        assert is_implausible(loss_db, 0.25) is implausible

    def test_the_chance_for_a_lossless_splice_is_one_in_a_thousand(self) -> None:
        # Φ(−3) = 0.00135 (normal distribution): an order below a false alarm in a hundred.
        edge = max(k / 1000 for k in range(6000) if not is_implausible(-k / 1000, 1.0))
        assert stats.norm.sf(edge) == pytest.approx(0.00135, abs=1e-5)

    @pytest.mark.parametrize(("loss_db", "u_db"), [(None, 0.01), (-0.5, None), (None, None)])
    def test_nothing_is_implausible_that_was_not_measured(
        self, loss_db: float | None, u_db: float | None
    ) -> None:
        assert is_implausible(loss_db, u_db) is False

    def test_any_loss_below_zero_is_implausible_where_there_is_no_noise(self) -> None:
        assert is_implausible(-1e-9, 0.0)
        assert not is_implausible(0.0, 0.0)

    @pytest.mark.parametrize(
        ("loss_db", "expected"), [(-0.030, Verdict.WITHIN), (-0.032, Verdict.IMPLAUSIBLE)]
    )
    def test_the_judge_keeps_to_it(self, loss_db: float, expected: Verdict) -> None:
        # u = 0.0105: the boundary lies at −0.0315 dB, of a splice whose step is clear.
        beside = reading(loss_db + 0.1, loss_db - 0.1, u_db=0.0105)
        judged = judged_as(beside, Decimal("0.2"), Rule.PLAIN)
        assert judged.verdict is expected

    @pytest.mark.parametrize(
        ("loss_db", "expected"), [(-0.0029, Verdict.WITHIN), (-0.0043, Verdict.IMPLAUSIBLE)]
    )
    def test_what_hardly_stands_out_of_noise_is_no_gain(
        self, loss_db: float, expected: Verdict
    ) -> None:
        # u = 0.0007: 4.1 and 6.1 of it. The search keeps what noise passes once in a thousand
        # fibres: of a few thousand places the largest is beyond 4 (normal distribution).
        judged = judged_as(reading(loss_db, loss_db, u_db=0.0007), Decimal("0.2"), Rule.PLAIN)
        assert judged.verdict is expected


class TestWavelengthBands:
    """A limit for one wavelength serves shots up to 20 nm from it (docs/commands.md, --limit).

    Chosen: lasers of one nominal wavelength differ by some nanometres; the windows 1310, 1490,
    1550 and 1625 nm are at least 60 nm apart (arithmetic), so no shot is near two of them.
    """

    @pytest.mark.parametrize(
        ("shot_nm", "same"),
        [(1550.0, True), (1570.0, True), (1530.0, True), (1570.1, False), (1529.9, False),
         (1625.0, False), (1310.0, False)],
    )  # fmt: skip
    def test_twenty_nanometres_either_way(self, shot_nm: float, same: bool) -> None:
        assert same_band(1550, shot_nm) is same
        assert same_band(shot_nm, 1550) is same

    def test_a_limit_is_borrowed_from_as_far_and_no_farther(self) -> None:
        limits = Limits.parse(["0.15", "1550=0.25"])
        assert limits.applying_to(1570.0) == (Decimal("0.25"), True)
        assert limits.applying_to(1570.1) == (Decimal("0.15"), True)

    def test_of_two_limits_in_reach_the_nearer_one_serves(self) -> None:
        stated = {1540: Decimal("0.1"), 1560: Decimal("0.2")}
        assert in_band(stated, 1549) == Decimal("0.1")
        assert in_band(stated, 1551) == Decimal("0.2")
        assert in_band(stated, 1500) is None
        assert in_band({}, 1550) is None


class TestLimitsAsTyped:
    def test_without_any_the_default_is_used_and_said_to_be_one(self) -> None:
        limits = Limits.parse([])
        assert (limits.default_db, limits.is_stated) == (Decimal("0.20"), False)
        assert limits.rule is Rule.PLAIN

    def test_limits_per_wavelength_alone_state_no_general_one(self) -> None:
        limits = Limits.parse(["1310=0.25"], Rule.GUARDED)
        assert (limits.default_db, limits.is_stated) == (Decimal("0.20"), False)
        assert limits.rule is Rule.GUARDED

    def test_general_limit_is_stated_and_keeps_its_rule(self) -> None:
        limits = Limits.parse(["0.1"], Rule.GUARDED)
        assert (limits.default_db, limits.is_stated) == (Decimal("0.1"), True)
        assert limits.rule is Rule.GUARDED

    @pytest.mark.parametrize(
        ("text", "limit_db"),
        [("3", "3"), ("0.001", "0.001"), (".2", "0.2"), ("2.", "2"), (" 0.2 ", "0.2")],
    )
    def test_figures_that_are_limits(self, text: str, limit_db: str) -> None:
        assert Limits.parse([text]).default_db == Decimal(limit_db)

    @pytest.mark.parametrize("text", ["3.001", "4", "10", "0", "0.0", "00000.1", "+0.1", "0.1.2"])
    def test_figures_that_are_none(self, text: str) -> None:
        # Above 3 dB a decimal point is missing: chosen, see limits.py.
        with pytest.raises(BadSetting, match="limit"):
            Limits.parse([text])

    @pytest.mark.parametrize("wavelength_nm", [600, 1310, 1700])
    def test_wavelengths_of_fibre_optics(self, wavelength_nm: int) -> None:
        limits = Limits.parse([f" {wavelength_nm} = 0.3"])
        assert limits.by_wavelength_nm == {wavelength_nm: Decimal("0.3")}

    @pytest.mark.parametrize(
        "wavelength", ["599", "1701", "400", "2000", "99", "01310", "-1310", "1310.0", "13 10"]
    )
    def test_no_wavelengths_of_fibre_optics(self, wavelength: str) -> None:
        with pytest.raises(BadSetting, match="limit"):
            Limits.parse([f"{wavelength}=0.3"])


class TestLimitsAsAProgramGivesThem:
    @pytest.mark.parametrize(
        ("limit_db", "expected"),
        [(0.15, "0.15"), (1, "1"), (Decimal("0.150"), "0.15"), ("0.15", "0.15"),
         (1e-5, "0.00001"), (3.0, "3")],
    )  # fmt: skip
    def test_a_number_means_what_it_prints(
        self, limit_db: float | Decimal | str, expected: str
    ) -> None:
        limits = Limits.of(limit_db)
        assert (limits.default_db, limits.is_stated) == (Decimal(expected), True)
        assert limits.rule is Rule.PLAIN

    def test_none_is_the_default_and_said_to_be_one(self) -> None:
        assert Limits.of(None) == Limits()
        assert not Limits.of(None).is_stated

    def test_one_for_each_wavelength(self) -> None:
        limits = Limits.of({1310: 0.25, 1550: "0.2"})
        assert limits.by_wavelength_nm == {1310: Decimal("0.25"), 1550: Decimal("0.2")}
        assert not limits.is_stated

    @pytest.mark.parametrize("limit_db", [None, 0.15, {1310: 0.25}, Limits.parse(["0.1"])])
    def test_the_rule_is_guarded_where_that_is_asked(self, limit_db: LimitDb | Limits) -> None:
        plain, guarded = Limits.of(limit_db), Limits.of(limit_db, guarded=True)
        assert guarded.rule is Rule.GUARDED
        assert (guarded.default_db, guarded.by_wavelength_nm, guarded.is_stated) == (
            plain.default_db, plain.by_wavelength_nm, plain.is_stated
        )  # fmt: skip

    def test_limits_stand_as_they_are_with_their_rule(self) -> None:
        stated = Limits.parse(["0.1"], Rule.GUARDED)
        assert Limits.of(stated) is stated

    @pytest.mark.parametrize("limit_db", [math.nan, math.inf, -0.1, 0.0, 3.5, "abc", True, b"1"])
    def test_what_is_no_limit_is_refused(self, limit_db: LimitDb) -> None:
        with pytest.raises(BadSetting, match="limit"):
            Limits.of(limit_db)
