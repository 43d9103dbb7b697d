"""What counts as equal when two versions of the package measure the same pair."""

from __future__ import annotations

from typing import Any

from benchmarks.equal_results import differences


def row(at_m: float, loss_db: float | None = 0.1, **other: object) -> dict[str, Any]:
    plain = {"kind": "SPLICE", "coverage": "BOTH", "verdict": "WITHIN", "u_loss_db": 0.001}
    return plain | {"distance_m": at_m, "loss_db": loss_db} | other


def kinds(before: list[dict[str, Any]], now: list[dict[str, Any]]) -> list[str]:
    return [kind for kind, _ in differences({"rows": before}, {"rows": now}, tolerance_m=10)]


def test_rows_within_the_tolerance_and_a_tenth_of_the_uncertainty_are_equal() -> None:
    assert kinds([row(100), row(200)], [row(109, 0.10009), row(200)]) == []


def test_every_difference_is_named() -> None:
    assert kinds([row(100)], [row(100, 0.10011)]) == ["loss"]
    assert kinds([row(100)], [row(100, 0.0998)]) == ["loss"]
    assert kinds([row(100)], [row(100, None)]) == ["loss there or not"]
    assert kinds([row(100, None)], [row(100)]) == ["loss there or not"]
    assert kinds([row(100)], [row(100, verdict="OVER")]) == ["verdict"]
    assert kinds([row(100)], [row(100, kind="GROUP", coverage="ONLY_AB")]) == ["kind", "coverage"]
    assert kinds([row(100)], []) == ["row only earlier"]
    assert kinds([], [row(100)]) == ["row only now"]
    assert kinds([row(100)], [row(111)]) == ["row only earlier", "row only now"]


def test_each_row_has_one_partner_the_nearest() -> None:
    assert kinds([row(100, 0.1), row(106, 0.2)], [row(107, 0.2), row(101, 0.1)]) == []
    assert kinds([row(100), row(106)], [row(103)]) == ["row only earlier"]


def test_a_pair_that_only_one_of_them_refuses_differs() -> None:
    refused, other = {"refused": "ShotsDoNotPair"}, {"refused": "BadSetting"}
    measured: dict[str, Any] = {"rows": []}
    assert differences(refused, refused, 10) == []
    assert [kind for kind, _ in differences(refused, measured, 10)] == ["refusal"]
    assert [kind for kind, _ in differences(measured, refused, 10)] == ["refusal"]
    assert [kind for kind, _ in differences(refused, other, 10)] == ["refusal"]
