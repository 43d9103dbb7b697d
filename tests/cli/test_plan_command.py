"""``otdravg plan`` and ``pair --details`` as installed."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from run_command import SAMPLES, Run, run_in

BASIC = ("plan", "--length", "24km", "--splices-every", "2km", "--limit", "0.10")


def test_table_fits_and_says_what_to_do(run: Run) -> None:
    done = run(*BASIC, "--wavelength", 1550)
    text = done.stdout.decode()
    assert done.returncode == 0
    assert max(len(line) for line in text.splitlines()) <= 80
    assert "Shoot both ends with" in text
    assert "typical values, not your instrument's" in text
    assert "Safety:" in text


def test_like_a_shot_and_json(run: Run) -> None:
    done = run(*BASIC, "--like", SAMPLES / "easy_A.sor", "--averaging", "10,1min", "--json")
    assert done.returncode == 0
    content = json.loads(done.stdout)
    assert content["schema"] == "otdravg.plan/1"
    assert content["wavelength_nm"] == 1550
    assert "easy_A.sor" in content["basis"][0]
    assert {f["averaging_s"] for f in content["forecasts"]} == {10.0, 60.0}
    assert all(len(f["places"]) == 11 for f in content["forecasts"])
    chosen = content["chosen"]
    (one,) = [
        f for f in content["forecasts"]
        if (f["pulse_ns"], f["averaging_s"]) == (chosen["pulse_ns"], chosen["averaging_s"])
    ]  # fmt: skip
    assert one["reaches_target"]
    assert one["worst_expanded_uncertainty_db"] <= content["target_db"] == 0.02


def test_says_what_a_pulse_cannot_part(run: Run) -> None:
    done = run(*BASIC, "--splices-at", "30m", "--connectors-at", "12m", "--json")
    forecasts = json.loads(done.stdout)["forecasts"]
    reasons = {f["pulse_ns"]: p["reason"] for f in forecasts for p in f["places"]
               if p["distance_m"] == 30.0}  # fmt: skip
    assert reasons[500].endswith(
        "a 500 ns pulse reaches it but cannot part it from the connector at 12 m"
    )
    assert reasons[10] is None


def test_unreachable_target_is_status_one(run: Run) -> None:
    done = run(*BASIC, "--target", "0.0001")
    assert done.returncode == 1
    assert b"No pulse and time listed reaches" in done.stdout


def test_picture(run: Run, tmp_path: Path) -> None:
    assert run(*BASIC, "--plot", "plan.svg").returncode == 0
    assert (tmp_path / "plan.svg").stat().st_size > 10_000
    again = run(*BASIC, "--plot", "plan.svg")
    assert again.returncode == 2
    assert run(*BASIC, "--plot", "plan.svg", "--force").returncode == 0


@pytest.mark.parametrize(
    "arguments",
    [
        ("plan", "--splices-every", "2km"),
        ("plan", "--length", "24km"),
        ("plan", "--length", "24km", "--splices-every", "30km"),
        ("plan", "--length", "24km", "--splices-every", "0"),
        ("plan", "--length", "0", "--splices-every", "2km"),
        ("plan", "--length", "24km", "--splices-at", "25km"),
        (*BASIC, "--target", "nan"),
        (*BASIC, "--target", "0"),
        (*BASIC, "--averaging", "0"),
        (*BASIC, "--averaging", "soon"),
        (*BASIC, "--wavelength", "1383"),
        (*BASIC, "--like", "missing.sor"),
        (*BASIC, "--plot", "plan.gif"),
    ],
)
def test_nonsense_is_one_line_and_status_two(run: Run, arguments: tuple[str, ...]) -> None:
    done = run(*arguments)
    assert done.returncode == 2
    assert done.stdout == b""
    assert len(done.stderr.splitlines()) == 1


@pytest.fixture(scope="module")
def details(
    command: str, hidden: tuple[Path, Path], tmp_path_factory: pytest.TempPathFactory
) -> str:
    """What ``pair --details`` prints of the pair with a hidden splice."""
    done = run_in(tmp_path_factory.mktemp("details"), command, "pair", *hidden, "--details")
    assert done.returncode == 0
    return done.stdout.decode()


def test_details_have_a_budget_for_every_splice(details: str) -> None:
    assert max(len(line) for line in details.splitlines()) <= 80
    assert [f"Uncertainty budget of {n} at" in details for n in range(1, 5)] == [True] * 4
    assert "4 × longer brings ±" in details
    assert "coherence ripple, shot B→A" in details


def test_budgets_in_json_add_up(run: Run, hidden: tuple[Path, Path]) -> None:
    budgets = json.loads(run("pair", *hidden, "--json").stdout)["budgets"]
    assert [budget["number"] for budget in budgets] == [1, 2, 3, 4]
    for budget in budgets:
        total = sum(cause["u_loss_db"] ** 2 for cause in budget["causes"]) ** 0.5
        assert total == pytest.approx(budget["u_loss_db"], rel=1e-5)


def test_details_say_how_small_a_splice_each_shot_shows(details: str) -> None:
    text = " ".join(details.split())
    assert "from A at 9.1" in text
    assert text.count("cannot be seen in this shot") == 2


def test_details_are_not_on_the_first_screen(run: Run, hidden: tuple[Path, Path]) -> None:
    text = run("pair", *hidden).stdout.decode()
    assert "Uncertainty budget" not in text
    assert "cannot be seen in this shot" not in text
    assert "--details" in text
    assert len(text.splitlines()) < 50  # two screens at most; the answer is the first line
