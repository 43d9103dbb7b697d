"""Random pairs: what they hold agrees with the truth they come with."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from corpus import CorpusLimits, SimulatedPair, random_pair
from simulate_lines import one_way_loss_db
from simulated import Shot, backscatter_power, pulse_length_m

from otdravg import sor


def noise_free(shot: Shot) -> tuple[np.ndarray, np.ndarray]:
    dense = replace(
        shot.instrument, acquisition_offset_100ps=0, spacing_counts=200_000, point_count=60_000
    )
    fine = Shot(shot.fibre, dense, shot.raw, shot.top_power)
    power = backscatter_power(shot.fibre, dense)
    return fine.distance_m, 5 * np.log10(np.maximum(power, 1e-30))


def readings_at_joints(pair: SimulatedPair, from_a: bool) -> list[float]:
    shot, cords = (pair.shot_a, pair.cords_a) if from_a else (pair.shot_b, pair.cords_b)
    z_m, level_db = noise_free(shot)
    edges_m = [0.0, *(joint.position_m for joint in pair.truth), pair.span_m]
    if not from_a:
        edges_m = [pair.span_m - edge_m for edge_m in edges_m[::-1]]
    edges_m = [edge_m + cords.launch_m for edge_m in edges_m]
    dead_m = 6 * pulse_length_m(shot.fibre, shot.instrument.pulse_ns)
    readings = [
        one_way_loss_db(z_m, level_db, at_m, (before_m + dead_m, at_m), (at_m + dead_m, after_m))
        for before_m, at_m, after_m in zip(edges_m, edges_m[1:], edges_m[2:], strict=False)
    ]
    return readings if from_a else readings[::-1]


@pytest.mark.parametrize("seed", range(6))
def test_light_from_both_ends_reads_the_truth(seed: int) -> None:
    pair = random_pair(np.random.default_rng(seed), splices=(2, 5), short_sections=0.0)
    read_ab_db = readings_at_joints(pair, from_a=True)
    read_ba_db = readings_at_joints(pair, from_a=False)
    assert len(read_ab_db) == len(pair.truth) >= 2
    for joint, ab_db, ba_db in zip(pair.truth, read_ab_db, read_ba_db, strict=True):
        assert (ab_db + ba_db) / 2 == pytest.approx(joint.loss_db, abs=5e-4)
        assert (ab_db - ba_db) / 2 == pytest.approx(joint.step_db, abs=5e-4)


def test_same_seed_same_files() -> None:
    first, second = (random_pair(np.random.default_rng(4)) for _ in range(2))
    other = random_pair(np.random.default_rng(5))
    assert first.a.sha256 == second.a.sha256
    assert first.b.sha256 == second.b.sha256
    assert first.a.sha256 != other.a.sha256


def test_pairs_keep_within_their_limits_and_use_them() -> None:
    limits = CorpusLimits()
    pairs = [random_pair(np.random.default_rng((9, seed))) for seed in range(40)]
    joints = [joint for pair in pairs for joint in pair.truth]
    assert {len(pair.truth) for pair in pairs} >= {2, 10}
    assert all(limits.splices[0] <= len(pair.truth) <= limits.splices[1] for pair in pairs)
    assert max(abs(joint.step_db) for joint in joints) <= limits.largest_step_db
    assert min(joint.loss_db for joint in joints) > 0
    assert 0.3 < max(joint.loss_db for joint in joints) <= 0.4
    hidden = [j for j in joints if min(abs(j.loss_ab_db), abs(j.loss_ba_db)) < 0.002]
    assert hidden, "some splices must hide from one direction"
    assert any(pair.cords_a.launch_m for pair in pairs)
    assert any(not pair.cords_a.launch_m for pair in pairs)
    unequal = [pair.a.fixed.pulse_widths_ns != pair.b.fixed.pulse_widths_ns for pair in pairs]
    assert any(unequal)
    assert not all(unequal)
    assert {pair.a.is_revision_2 for pair in pairs} == {True, False}


def test_far_end_noise_is_as_drawn() -> None:
    pair = random_pair(
        np.random.default_rng(3),
        far_end_noise_db=(0.02, 0.02),
        ripple_db_at_10_ns=(0, 0),
        cords=0.0,
        splices=(1, 1),
    )
    for shot in (pair.shot_a, pair.shot_b):
        last_m = shot.fibre.length_m
        inside = (shot.distance_m > last_m - 300) & (shot.distance_m < last_m - 5)
        level_db = shot.level_db[inside]
        line_db = np.polyval(
            np.polyfit(shot.distance_m[inside], level_db, 1), shot.distance_m[inside]
        )
        assert (level_db - line_db).std() == pytest.approx(0.02, rel=0.15)


def test_limits_can_be_widened() -> None:
    wide = CorpusLimits(
        pulse_ns=(5, 10_000), splices=(1, 40), section_m=(100, 3000), far_end_noise_db=(0.001, 0.1)
    )
    pairs = [random_pair(np.random.default_rng((2, seed)), wide) for seed in range(8)]
    assert max(len(pair.truth) for pair in pairs) > 10
    assert max(max(pair.a.fixed.pulse_widths_ns) for pair in pairs) >= 2000
    for pair in pairs:
        assert sor.decode(sor.encode(pair.a)).general.comment.text.startswith("SIMULATED")
        assert pair.shot_a.distance_m[-1] > pair.shot_a.fibre.length_m
