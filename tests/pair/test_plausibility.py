"""Checks against silent wrongness: each on a shot that is wrong in a known way, and on right ones.

The truth is what was planted in the simulator, which shares no code with the checks.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from fuzz import silent_wrongness
from hypothesis import given, settings
from hypothesis import strategies as st
from making import Cords, both_ways, instrument, measured, shot, span

from otdravg.cable import read_folders, review
from otdravg.findings import Finding, Severity
from otdravg.pair.checks import NOT_MEASURED_SO, pair_findings
from otdravg.pair.measure import Measurement, measure
from otdravg.shot.detect import detect
from otdravg.shot.point_checks import REPEAT_POINTS, NoisePrints, same_noise, shot_findings
from otdravg.shot.trace import Trace
from otdravg.simulate.demo import write_demo
from otdravg.sor import build, encode, read
from otdravg.verdict import default
from otdravg.verdict.decision import Action
from otdravg.verdict.judge import judge
from otdravg.verdict.limits import Limits

#: Five reels of an ordinary route; 1 m points and a pulse of 100 ns (10.2 m).
GLASS = span([2000, 3000, 2500, 2200, 1800], [0.05, 0.12, 0.08, 0.10])
#: First case of the slice of changed files.
SLICE = 50_400
#: Splices so large that a doubled one stands out from a table to 0.1 dB.
STEEP = span([2000, 3000, 2500, 2200], [0.25, 0.22, 0.28])
#: Enough noise at the far end to tell points apart, dB.
NOISE_DB = 0.01


@pytest.fixture(scope="module")
def pair() -> tuple[Trace, Trace]:
    """A right pair; both files hold their event table."""
    return both_ways(GLASS, instrument(), far_noise_db=NOISE_DB, seed=3)


def with_levels(trace: Trace, change: Callable[[np.ndarray], np.ndarray]) -> Trace:
    """The trace with other points, given as steps of 0.001 dB below the highest level."""
    raw = change(np.rint(trace.level_db * -1000).astype(np.int64))
    return replace(trace, level_db=-raw / 1000)


def scaled(trace: Trace, factor: float) -> Trace:
    return replace(trace, level_db=trace.level_db * factor)


def codes(measurement: Measurement) -> set[str]:
    return {finding.code for finding in pair_findings(measurement)}


def found_in(trace: Trace) -> dict[str, Finding]:
    seen = detect(trace)
    return {f.code: f for f in shot_findings(seen, NoisePrints.of(seen.shot))}


def shot_codes(trace: Trace) -> set[str]:
    return set(found_in(trace))


def test_a_right_pair_raises_no_doubt(pair: tuple[Trace, Trace]) -> None:
    assert codes(measure(*pair)) == set()


@pytest.mark.parametrize("number", range(24))
def test_right_pairs_of_all_kinds_raise_no_doubt(number: int) -> None:
    drawn = silent_wrongness.drawn(3_000_000 + number)
    result = silent_wrongness.reported(drawn, (drawn.a, drawn.b))
    assert not isinstance(result, str), result
    assert codes(result.measurement) == set()


# Points


class TestBits:
    @pytest.mark.parametrize("bit", [5, 9, 12])
    @pytest.mark.parametrize("on", [True, False])
    def test_a_stuck_bit_is_named(self, pair: tuple[Trace, Trace], bit: int, on: bool) -> None:
        mask = 1 << bit
        broken = with_levels(pair[0], lambda raw: raw | mask if on else raw & ~mask)
        found = found_in(broken)["bit-stuck"]
        assert found.severity is Severity.DEFECT
        assert found["bit"] == bit

    def test_a_coarse_converter_is_not_a_fault(self, pair: tuple[Trace, Trace]) -> None:
        # Lowest bits that never move: steps of 0.008 dB.
        assert shot_codes(with_levels(pair[0], lambda raw: raw & ~7)) == set()


class TestFlatStretch:
    def test_equal_points_on_falling_fibre_were_not_measured(
        self, pair: tuple[Trace, Trace]
    ) -> None:
        def held(raw: np.ndarray) -> np.ndarray:
            raw[3500:3600] = raw[3500]
            return raw

        assert "flat-stretch" in shot_codes(with_levels(pair[0], held))

    def test_short_runs_of_a_quiet_shot_are_chance(self) -> None:
        # 0.19 dB/km at 0.2 m: 26 neighbours within one step of 0.001 dB (arithmetic).
        quiet = shot(span([1500], []), instrument(spacing_m=0.2, ripple_db=0), 5)
        assert shot_codes(quiet) == set()

    def test_the_flat_top_of_a_reflection_is_no_fault(self) -> None:
        # A 10 µs pulse is 1021 m long (arithmetic): its reflection stays level for 500 points.
        tool = instrument(10_000, 2.0, ripple_db=0)
        assert shot_codes(shot(span([30_000, 20_000], [0.1]), tool, 6)) == set()


class TestClippedTop:
    def test_fibre_at_the_highest_level_is_said_to_be_hidden(
        self, pair: tuple[Trace, Trace]
    ) -> None:
        found = found_in(with_levels(pair[0], lambda raw: np.maximum(raw, raw[900])))
        assert set(found) == {"level-clipped"}
        assert found["level-clipped"]["length_m"] > 500

    def test_a_saturated_reflection_is_no_clipped_fibre(self) -> None:
        glass = span([2000, 2000], [0.3], reflectances_db={0: -30})
        assert shot_codes(shot(glass, instrument(headroom_db=6), 17)) == set()


class TestRepeatedNoise:
    def test_a_copied_stretch_is_found(self, pair: tuple[Trace, Trace]) -> None:
        def copied(raw: np.ndarray) -> np.ndarray:
            raw[9200:9400] = raw[8600:8800]
            return raw

        assert "noise-repeats" in shot_codes(with_levels(pair[0], copied))

    def test_a_copied_stretch_put_to_the_level_around_it_is_found(
        self, pair: tuple[Trace, Trace]
    ) -> None:
        def copied(raw: np.ndarray) -> np.ndarray:
            raw[9200:9400] = raw[8600:8800] + raw[9199] - raw[8599]
            return raw

        assert "noise-repeats" in shot_codes(with_levels(pair[0], copied))

    def test_an_even_fall_is_no_noise(self) -> None:
        steep = shot(span([8000], [], attenuation_db_per_km=0.35), instrument(10, 5.0), 7)
        assert shot_codes(steep) == set()

    def test_one_acquisition_stored_twice_is_told_from_two(self, pair: tuple[Trace, Trace]) -> None:
        ab, ba = (NoisePrints.of(detect(trace).shot) for trace in pair)
        cut = NoisePrints.of(detect(replace(pair[0], level_db=pair[0].level_db[40:])).shot)
        assert same_noise(ab, cut) > 1000
        assert same_noise(ab, ba) == 0

    @settings(max_examples=50)
    @given(
        st.lists(st.integers(-9, 9), min_size=REPEAT_POINTS, max_size=REPEAT_POINTS),
        st.lists(st.integers(-9, 9), min_size=REPEAT_POINTS, max_size=REPEAT_POINTS),
        st.integers(0, 20),
    )
    def test_hashes_are_equal_where_the_differences_are(
        self, pair: tuple[Trace, Trace], one: list[int], other: list[int], apart: int
    ) -> None:
        steps = np.array([*one, *range(apart), *other])
        raw = np.cumsum(np.concatenate(([5000], steps)))
        shot = replace(
            detect(pair[0]).shot,
            trace=replace(pair[0], level_db=-raw / 1000),
            start=0,
            end=raw.size - 1,
        )
        prints = NoisePrints.of(shot)
        by_place = dict(zip(prints.at.tolist(), prints.hashes.tolist(), strict=True))
        windows = {at: tuple(steps[at : at + REPEAT_POINTS]) for at in by_place}
        assert [
            (at, to)
            for at in by_place
            for to in by_place
            if (by_place[at] == by_place[to]) != (windows[at] == windows[to])
        ] == []

    def test_one_shot_of_a_symmetric_span_cut_short_and_stored_twice(self) -> None:
        # Its splice in the middle mirrors itself: nothing but the noise gives it away.
        once = shot(span([3000, 3000], [0.1]), instrument(), 8, far_noise_db=NOISE_DB)
        again = replace(once, level_db=once.level_db[:-30])
        again = replace(again, identity=replace(again.identity, sha256="0" * 64))
        assert "noise-shared" in codes(measure(once, again))


class TestPulseLabel:
    @pytest.mark.parametrize("factor", [2, 10, 0.1])
    def test_reflections_tell_the_pulse(self, factor: float) -> None:
        # −45 dB stands 8.3 dB above the backscatter of 100 ns (derived): nothing is saturated.
        right = shot(span([3000, 3000], [0.1], end_b_reflectance_db=-45), instrument(), 14)
        assert shot_codes(right) == set()
        settings = replace(right.settings, pulse_ns=100 * factor)
        assert shot_codes(replace(right, settings=settings)) == {"pulse-doubtful"}


# Attenuation


class TestAttenuation:
    def test_half_the_scale_in_both_is_less_than_any_glass_loses(
        self, pair: tuple[Trace, Trace]
    ) -> None:
        # 0.095 dB/km at 1550 nm; Rayleigh scattering alone takes about 0.14 (from memory).
        m = measure(*(scaled(trace, 0.5) for trace in pair))
        assert "attenuation-impossible" in codes(m)

    def test_1310_nm_glass_under_a_label_of_1550_nm(self) -> None:
        glass = span([3000, 3000], [0.08], attenuation_db_per_km=0.36)
        m = measured(glass, far_noise_db=NOISE_DB, seed=9)  # the label says 1550 nm
        found = [f for f in pair_findings(m) if f.code == "attenuation-impossible"]
        assert len(found) == 1
        assert found[0]["attenuation_db_per_km"] == pytest.approx(0.36, abs=5e-4)

    @pytest.mark.parametrize(
        ("factor", "code", "severity"),
        [
            (1.1, "attenuation-uneven", Severity.CAUTION),  # 0.19 dB/km becomes 0.209
            (1.5, "attenuation-unequal", Severity.DEFECT),  # and 0.285 (arithmetic)
        ],
    )
    def test_more_scale_in_one_shot_makes_it_steeper(
        self, pair: tuple[Trace, Trace], factor: float, code: str, severity: Severity
    ) -> None:
        found = {f.code: f for f in pair_findings(measure(scaled(pair[0], factor), pair[1]))}
        assert found[code].severity is severity
        assert found[code]["from_a_db_per_km"] == pytest.approx(0.19 * factor, abs=5e-4)
        assert found[code]["from_b_db_per_km"] == pytest.approx(0.19, abs=5e-4)

    def test_uneven_glass_is_not_taken_for_it(self) -> None:
        # The level of each reel drifts by 0.004 dB/km in steps of 0.002 dB every 500 m, reels
        # up and down by turns; the drift looks like unequal attenuation in every one of them.
        levels = np.cumsum([0, *([0.002] * 5), 0, *([-0.002] * 5), 0, *([0.002] * 5)])
        lengths = [500.0] * levels.size
        losses = [0.0] * (levels.size - 1)
        losses[5], losses[11] = 0.08, 0.10
        m = measured(
            span(lengths, losses, levels_db=list(levels)),
            instrument(500, 2.0, ripple_db=0.0005),
            far_noise_db=0.003,
            seed=10,
        )
        assert codes(m) == set()

    def test_the_files_own_table_remembers_the_scale(self, pair: tuple[Trace, Trace]) -> None:
        # 0.209 dB/km is a loss that glass can have; the table still says 0.190.
        m = measure(*(scaled(trace, 1.1) for trace in pair))
        assert codes(m) == {"table-attenuation-differs"}

    def test_most_losses_of_its_table_differing_is_a_caution(self) -> None:
        m = measure(*(scaled(trace, 2) for trace in both_ways(STEEP, seed=15)))
        found = [f for f in m.findings if f.code == "table-loss-differs"]
        assert [f.severity for f in found] == [Severity.CAUTION] * 2

    def test_most_of_its_table_unseen_is_a_caution(self) -> None:
        # Points 1.3 times as far apart: where the table lists events, the waveform has none.
        ab, ba = both_ways(STEEP, seed=16)
        stretched = [
            replace(t, settings=replace(t.settings, spacing_s=1.3 * t.settings.spacing_s))
            for t in (ab, ba)
        ]
        found = [f for f in measure(*stretched).findings if f.code == "table-event-unseen"]
        assert [f.severity for f in found] == [Severity.CAUTION] * 2


# Events


def test_shots_of_one_length_and_other_splices_do_not_mirror() -> None:
    # Only the first splice is in both, at 2000 m; the others stand at 4100, 8200 and 9000 m.
    other = span([2000, 2100, 4100, 800, 2500], [0.05, 0.12, 0.08, 0.10])
    ab = shot(GLASS, instrument(), 11)
    ba = shot(other.reversed(), instrument(), 12)
    assert "steps-one-sided" in codes(measure(ab, ba))


def test_splices_that_stand_twice_as_far_apart_are_one_splice_shifted(
    pair: tuple[Trace, Trace],
) -> None:
    # 60 points between the second and third splice are missing: the first two are shifted.
    cut = with_levels(pair[0], lambda raw: np.delete(raw, np.s_[6000:6060]))
    found = [f for f in pair_findings(measure(cut, pair[1])) if f.code == "steps-one-sided"]
    assert len(found) == 1
    assert found[0].case == "shifted"
    assert found[0]["apart_m"] == pytest.approx(60, abs=8)  # both views of a splice to 4 m


def test_a_bow_between_splices_is_no_fibre(pair: tuple[Trace, Trace]) -> None:
    def bowed(raw: np.ndarray) -> np.ndarray:
        raw[2100:4900] += np.rint(150 * np.sin(np.linspace(0, np.pi, 2800))).astype(int)
        return raw

    assert "fibre-crooked" in codes(measure(with_levels(pair[0], bowed), pair[1]))


@pytest.fixture(scope="module")
def corded() -> tuple[Trace, Trace]:
    """500 m of cord at A, 400 m at B; user offsets are not set."""
    return both_ways(GLASS, instrument(), cords=Cords(500, 400), seed=13)


def started_at(trace: Trace, start_m: float) -> Trace:
    offset_s = start_m / trace.speed_m_per_s()
    return replace(trace, settings=replace(trace.settings, user_offset_s=offset_s))


class TestCords:
    def test_the_right_offset_is_confirmed(self, corded: tuple[Trace, Trace]) -> None:
        m = measure(started_at(corded[0], 500), started_at(corded[1], 400))
        assert codes(m) == set()

    @pytest.mark.parametrize("start_m", [-500.0, 4.0])
    def test_an_offset_where_nothing_stands_is_doubted(
        self, corded: tuple[Trace, Trace], start_m: float
    ) -> None:
        # The cord's connector would be taken for a part of the span.
        m = measure(started_at(corded[0], start_m), started_at(corded[1], 400))
        assert codes(m) == {"user-offset-doubtful"}

    def test_cords_that_leave_next_to_nothing_of_the_fibre(self) -> None:
        cords = Cords(1500, 1500)
        m = measured(span([5.0], []), cords=cords, stated=cords, seed=18)
        assert m.axis.length_m == pytest.approx(5, abs=5)
        # Headers are silent, and of 5 m of fibre nothing tells the ends.
        assert codes(m) == {"span-unseen", "one-end-possible"}

    def test_unequal_lengths_taken_for_a_short_cord_are_said(self) -> None:
        # Without a clear end the last 12 m of the shot from A could be a cord at B.
        glass = span([1500, 2500, 2000], [0.08, 0.12])
        m = measured(glass, cords=Cords(12, 12, reflectance_db=-45), seed=52)
        assert codes(m) == {"span-start-doubtful"}

    def test_a_splice_in_front_of_the_start_is_said_to_be_left_out(
        self, corded: tuple[Trace, Trace]
    ) -> None:
        # The second splice lies 5500 m behind the panel, and the offset was set on it.
        m = measure(started_at(corded[0], 5500), started_at(corded[1], 400))
        assert "event-in-cord" in codes(m)


# What comes of it


def test_a_pair_with_broken_points_is_never_simply_good(pair: tuple[Trace, Trace]) -> None:
    right = judge(measure(*pair), Limits())
    assert right.exit_status == 0
    assert right.next_steps[0].code.startswith("nothing-to-redo")
    broken = with_levels(pair[0], lambda raw: raw & ~8)
    report = judge(measure(broken, pair[1]), Limits())
    assert report.exit_status == 1
    assert report.next_steps[0].code == "check-files"
    assert report.next_steps[0]["finding"].code == "bit-stuck"
    assert not any(step.code.startswith("nothing-to-redo") for step in report.next_steps)


def test_a_cable_row_of_broken_points_is_not_graded(tmp_path: Path) -> None:
    folder = tmp_path / "shots"
    pairs = write_demo(folder, fibres=3).pairs
    sick = pairs[1][0]
    file = read(sick)
    changed = build(
        revision=file.revision,
        general=file.general,
        supplier=file.supplier,
        fixed=file.fixed,
        points=file.waveforms[0].raw & np.uint16(0xFFF7),
        events=file.events,
    )
    sick.write_bytes(encode(changed))
    result = review(read_folders([folder]), default())
    rows = {fibre: [r for r in result.rows if r.fibre == fibre] for fibre in (1, 2, 3)}
    assert rows[2]
    assert all(row.verdict.action is Action.LOOK for row in rows[2])
    assert any(row.verdict.action is Action.NONE for row in rows[1] + rows[3])
    found = [f for f in result.findings if f.code == "bit-stuck"]
    assert [f.fibre for f in found] == [2]


def test_every_finding_that_bars_a_verdict_is_a_defect_that_a_check_makes() -> None:
    package = Path(__import__("otdravg").__file__).parent
    text = "".join(
        (package / name).read_text() for name in ("pair/checks.py", "shot/point_checks.py")
    )
    for code in NOT_MEASURED_SO:
        assert text.count(f'"{code}"') == 2, code


def test_a_slice_of_the_changed_files_stays_below_one_per_cent_silent() -> None:
    # The whole of it is tests/fuzz/silent_wrongness.py.
    results = [silent_wrongness.changed(number) for number in range(SLICE, SLICE + 150)]
    assert sum(bool(r.wrong) for r in results) > 20  # the changes do harm
    assert sum(r.silent for r in results) <= 1, [r for r in results if r.silent]
