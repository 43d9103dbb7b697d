"""Stories of numbering on made-up features: each slip is told, and nothing where there is none."""

from __future__ import annotations

import numpy as np
import pytest
from feature_shots import shots

from otdravg.cable.decisions.model import read_renumbering, renumbering
from otdravg.cable.identity.crossed import told_over
from otdravg.cable.identity.fingerprint import Comparison
from otdravg.cable.identity.stories import Kind, Numbering, numbering_told
from otdravg.shot.settings import Direction

FIBRES = 48
EVERY = list(range(FIBRES))
NEXT = [(n + 1) % FIBRES for n in EVERY]

#: Which fibre's glass the shot from B of each number shows, what is told of it, and by how much.
SLIPS: dict[str, tuple[list[int | None], Kind, int]] = {
    "one on, round": (NEXT, Kind.SHIFTED, -1),
    "one back, round": ([(n - 1) % FIBRES for n in EVERY], Kind.SHIFTED, 1),
    "one on from ribbon 2": (EVERY[:12] + EVERY[13:] + [12], Kind.SHIFTED, -1),
    "one left out": ([*EVERY[:5], *EVERY[6:], None], Kind.SHIFTED, -1),
    "one shot twice": (EVERY[:6] + EVERY[5:-1], Kind.SHIFTED, 1),
    "twelve off": ([(n + 12) % FIBRES for n in EVERY], Kind.SHIFTED, -12),
    "a ribbon rolled": (EVERY[:12] + EVERY[23:11:-1] + EVERY[24:], Kind.ROLLED, 0),
    "a ribbon turned": (EVERY[:12] + EVERY[13:24] + [12] + EVERY[24:], Kind.TURNED, -1),
    "two ribbons exchanged": (EVERY[12:24] + EVERY[:12] + EVERY[24:], Kind.RIBBONS, 0),
    "ribbons far apart exchanged": (EVERY[36:] + EVERY[12:36] + EVERY[:12], Kind.RIBBONS, 0),
    "backwards": (EVERY[::-1], Kind.BACKWARDS, 0),
    "two crossed": ([1, 0, *EVERY[2:]], Kind.CROSSED, 0),
    "three in a round": (
        [{3: 20, 20: 41, 41: 3}.get(n, n) for n in EVERY],
        Kind.FREE,
        0,
    ),
}


def told(glass_at_b: list[int | None], seed: int, noise: float = 0.1) -> Numbering:
    """What is told where the shot from B of each number shows the glass of another fibre."""
    from_a, from_b = shots(len(glass_at_b), seed, noise=noise)
    nobody = np.full(from_b.shape[1], np.nan)
    at_b = np.array([nobody if fibre is None else from_b[fibre] for fibre in glass_at_b])
    return numbering_told(Comparison([from_a], [at_b]), 12)


@pytest.mark.parametrize("noise", [0.1, 0.4])
@pytest.mark.parametrize("slip", SLIPS)
def test_a_slip_is_told(slip: str, noise: float) -> None:
    glass_at_b, kind, step = SLIPS[slip]
    result = told(glass_at_b, 1, noise)
    assert [(story.kind, story.step) for story in result.stories] == [(kind, step)]
    # The truth: the shot from B that is told for a fibre shows that fibre's glass.
    partners = {n: int(j) for n, j in enumerate(result.partner) if j >= 0}
    assert len(partners) >= FIBRES - 1
    assert all(glass_at_b[j] in (n, None) for n, j in partners.items())
    assert result.stories[0].odds > np.log(1000)


@pytest.mark.parametrize("noise", [0.1, 0.4])
@pytest.mark.parametrize("seed", range(6))
def test_no_story_where_the_labels_are_right(seed: int, noise: float) -> None:
    assert told(EVERY, seed + 10, noise).stories == ()


@pytest.mark.parametrize("seed", range(4))
def test_no_story_where_nothing_tells_fibres_apart(seed: int) -> None:
    # Readings scatter twenty times as much as fibres do.
    assert told(EVERY, seed + 20, 20.0).stories == ()


@pytest.mark.parametrize("seed", range(12))
def test_no_story_where_splices_read_alike_in_all_fibres(seed: int) -> None:
    # Fibres of one drawing, all splices alike: what differs is the noise of readings.
    rng = np.random.default_rng(seed)
    from_a, from_b = (
        [
            np.concatenate(
                (
                    0.05 + rng.normal(0, 0.001, 3),
                    0.19 + rng.normal(0, 0.0011, 4),
                    1000 + 1.2 * rng.integers(0, 2, 4),
                )
            )
            for _ in range(12)
        ]
        for _ in "AB"
    )
    result = numbering_told(Comparison([np.array(from_a)], [np.array(from_b)]), 12)
    assert (result.stories, result.doubts) == ((), ())


@pytest.mark.parametrize("seed", range(4))
def test_no_story_where_the_shots_from_b_are_of_another_cable(seed: int) -> None:
    from_a, _ = shots(FIBRES, seed + 30)
    _, from_b = shots(FIBRES, seed + 40)
    assert numbering_told(Comparison([from_a], [from_b]), 12).stories == ()


def test_what_is_likelier_crossed_than_not_is_told_or_a_doubt() -> None:
    # Short cables that hardly tell fibres apart: no all-clear rests on "not proved".
    open_ones = 0
    for seed in range(12):
        from_a, from_b = shots(12, seed + 60, noise=0.5, closures=2)
        from_b[:2] = from_b[[1, 0]]
        result = numbering_told(Comparison([from_a], [from_b]), 12)
        named = {n for one in (*result.stories, *result.doubts) for n in one.rows.tolist()}
        open_ones += not {0, 1} & named
    assert open_ones <= 3


def test_sound_cables_are_not_doubted() -> None:
    doubted = 0
    for seed in range(60):
        from_a, from_b = shots(12, seed + 100, noise=0.3, closures=3)
        result = numbering_told(Comparison([from_a], [from_b]), 12)
        assert result.stories == ()
        doubted += bool(result.doubts)
    assert doubted <= 1


@pytest.mark.parametrize("noise_at_other", [0.1, 20.0])
def test_one_wavelength_alone_is_misnamed_only_where_the_other_proves_the_labels(
    noise_at_other: float,
) -> None:
    # The same glass at both; at one of them two files bear each other's number.
    from_a, from_b = shots(24, 5)
    blurred_a, blurred_b = shots(24, 5, noise=noise_at_other)
    crossed = from_b[[1, 0, *range(2, 24)]]
    told, _, _ = told_over({1310: (blurred_a, blurred_b), 1550: (from_a, crossed)}, 12)
    alone = [(one.wavelength_nm, one.rows.tolist()) for one in told]
    if noise_at_other < 1:
        assert alone == [(1550, [0, 1])]
    else:  # nobody knows what the other one shows: not said of one wavelength alone
        assert not [one for one in alone if one[0] is not None]


def test_a_slip_at_all_wavelengths_is_told_once_and_of_no_one_alone() -> None:
    crossed = [1, 0, *range(2, 24)]
    sides = {}
    for nm in (1310, 1550, 1625):
        from_a, from_b = shots(24, 5)
        sides[nm] = (from_a, from_b[crossed])
    told, _, _ = told_over(sides, 12)
    assert [(one.wavelength_nm, one.kind) for one in told] == [(None, Kind.CROSSED)]


def test_two_slips_in_one_cable_are_two_stories() -> None:
    crossed = [EVERY[n] for n in (1, 0, *range(2, 12))]
    result = told(crossed + EVERY[12:24] + EVERY[35:23:-1] + EVERY[36:], 2)
    assert {story.kind for story in result.stories} == {Kind.CROSSED, Kind.ROLLED}


def test_numbers_that_do_not_meet_at_all_are_brought_together() -> None:
    from_a, from_b = shots(12, 3)
    nobody = np.full((100, from_a.shape[1]), np.nan)
    at_a, at_b = np.concatenate((from_a, nobody)), np.concatenate((nobody, from_b))
    result = numbering_told(Comparison([at_a], [at_b]), 12)
    assert [(story.kind, story.step) for story in result.stories] == [(Kind.SHIFTED, 100)]


@pytest.mark.parametrize(
    ("new", "text"),
    [
        ({n: n + 1 for n in range(1, 24)} | {24: 1}, "1-23=2-24 24=1"),
        ({n: 25 - n for n in range(13, 25)} | {30: 0}, "13-24=12-1 30=none"),
        ({3: 4, 4: 3}, "3-4=4-3"),
        ({5: 9}, "5=9"),
        ({1: 5, 2: 6, 3: 5}, "1-2=5-6 3=5"),
    ],
)
def test_a_renumbering_is_written_and_read_again(new: dict[int, int], text: str) -> None:
    assert renumbering(new) == text
    assert read_renumbering(f"A {text}") == (Direction.A_TO_B, new)


@pytest.mark.parametrize(
    "text", ["", "B", "C 1=2", "B 1-3=2-5", "B 1=2 1=3", "B 3-1=1-3", "B x=1", "1=2", "B 1=0"]
)
def test_what_is_no_renumbering_is_refused(text: str) -> None:
    assert read_renumbering(text) is None
