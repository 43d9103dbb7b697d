"""The method page: its figures can be drawn, and what it derives by hand holds in numbers."""

from pathlib import Path

import numpy as np
import pytest
from make_pictures import FIGURES, make_picture

from otdravg.shot.noise import _neighbourhoods, _running_sums

#: These draw hundreds of simulated shots; the script does it when the docs are refreshed.
SLOW = ("method-tail.png", "method-borrowing.png", "method-honesty.png")


@pytest.mark.parametrize("name", [name for name in FIGURES if name not in SLOW])
def test_figure_of_the_method_is_drawn_alike_twice(name: str, tmp_path: Path) -> None:
    first = make_picture(name, tmp_path).read_bytes()
    assert first.startswith(b"\x89PNG\r\n\x1a\n")  # PNG signature, RFC 2083
    assert make_picture(name, tmp_path).read_bytes() == first


@pytest.mark.parametrize("share", [0.0, 0.1, 0.25])
def test_cost_of_keeping_a_share_of_a_stretch_out(share: float) -> None:
    # Against plain least squares on points (numpy), unit variance per point.
    points = 4000
    along = (np.arange(points) + 0.5) / points
    kept = along[along >= share]
    design = np.column_stack([np.ones_like(kept), kept])
    level_variance = np.linalg.inv(design.T @ design)[0, 0] * points
    derived = (1 + 3 * ((1 + share) / (1 - share)) ** 2) / (1 - share)
    assert level_variance == pytest.approx(derived, rel=1e-3)


def test_products_over_all_lags_of_a_window_come_from_running_sums() -> None:
    # The identity of the method page against every pair of points by itself.
    x, window = np.random.default_rng(1).standard_normal((2, 120)), 7
    index = np.arange(x.shape[1])
    near = np.abs(index[:, None] - index) <= window
    one_by_one = np.einsum("ri,ij,rj->r", x, near, x)
    shared, longest = np.empty_like(x), 2 * window
    _neighbourhoods(_running_sums(x, longest), longest, window, shared)
    np.testing.assert_allclose((x * shared).sum(axis=1), one_by_one)
