"""Held-out simulated days: few automatic matches are wrong, and confidence means what it says."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from tests.reconcile_matching.scored import against_truth, match_book, score
from tests.reconcile_matching.simulated_days import TIERS, draw_style, simulate_book

BOOKS = 12
HELD_OUT = 9_000


def tables(tier: str) -> pd.DataFrame:
    parts = []
    for number in range(BOOKS):
        rng = np.random.default_rng([HELD_OUT, TIERS.index(tier), number])
        style = replace(draw_style(rng, tier), jobs_a_day=(4, 6))
        book = simulate_book(rng, style)
        parts.append(against_truth(book, match_book(book)))
    return pd.concat(parts, ignore_index=True)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("tier", "most_wrong", "least_auto"),
    [("clean", 0.001, 0.9), ("skewed clock", 0.001, 0.8), ("reset clock", 0.001, 0.8), ("messy", 0.005, 0.5)],
)
def test_automatic_matches_are_right(tier: str, most_wrong: float, least_auto: float) -> None:
    """Bounds a little wider than what was measured on larger draws (README), as twelve books are few."""
    found = score(tables(tier))
    assert found.wrong_among_auto <= most_wrong
    assert found.auto >= least_auto
    assert found.top_right > 0.8


@pytest.mark.slow
def test_confidence_means_what_it_says() -> None:
    """Source: scikit-learn, sklearn.calibration.calibration_curve and sklearn.metrics.brier_score_loss."""
    calibration = pytest.importorskip("sklearn.calibration")
    metrics = pytest.importorskip("sklearn.metrics")
    table = pd.concat([tables("clean"), tables("skewed clock")], ignore_index=True)
    right = table["appliance_right"].astype(int).to_numpy()
    told = table["match_confidence"].to_numpy()
    seen, said = calibration.calibration_curve(right, told, n_bins=5)
    # The last fifth holds what is asked about too; what is decided without asking must be nearly always right.
    assert abs(seen[-1] - said[-1]) < 0.02
    assert right[told >= 0.997].mean() > 0.999
    assert metrics.brier_score_loss(right, told) < 0.03
    assert score(table).brier == pytest.approx(metrics.brier_score_loss(right, told))
