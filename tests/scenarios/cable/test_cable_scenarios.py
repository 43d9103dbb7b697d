"""A slice of the catalogue of cables, and the catalogue's own judgement put to the test."""

from __future__ import annotations

from scenarios.cable.kinds import KINDS, acted, story_of


def test_every_kind_has_a_story() -> None:
    assert not [kind for kind in KINDS if not story_of(kind).endswith((".", "?"))]


def test_the_same_version_has_the_same_bytes() -> None:
    assert acted("pair_crossed", 1) == acted("pair_crossed", 1)
    assert acted("pair_crossed", 1).files != acted("pair_crossed", 2).files
