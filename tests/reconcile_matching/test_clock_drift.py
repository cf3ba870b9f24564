"""Drift of a clock: told where several days tell it, against robust regressions, and left empty elsewhere."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from reconcile.matching import match_sightings
from reconcile.matching.clock_drift import fit_drift
from reconcile.plan import plan_steps
from reconcile.tables import MatchResult
from schemas.check import conform_table, empty_table
from schemas.matches import Decisions, Sightings
from schemas.meters import ClockReadings
from tests.reconcile_matching.scored import match_book
from tests.reconcile_matching.simulated_days import SimulatedBook, Style, simulate_book, table_of

DAY_S = 86400.0
WEEKS = Style(days=8, jobs_a_day=(3, 5), no_access=0.0, one_memory=True, clock="offset", hours_rough_s=60.0)


def days_of(drift_s: float, count: int, *, noise_s: float, seed: int = 1) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Times and offsets [s] of a clock seen once a day, and how unsure they are [s]."""
    rng = np.random.default_rng(seed)
    shown_s = 1.9e9 + np.arange(count) * DAY_S + rng.uniform(-7200, 7200, count)
    offset_s = 250.0 + drift_s * (shown_s - shown_s[0]) / DAY_S + rng.normal(0.0, noise_s, count)
    return shown_s, offset_s, np.full(count, noise_s)


def book_of(drift_s: float, *, seed: int = 3, style: Style = WEEKS) -> SimulatedBook:
    return simulate_book(np.random.default_rng(seed), replace(style, clock_drift_s_per_day=drift_s))


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("drift_s", [-300.0, 45.0])
def test_the_line_is_that_of_robust_regressions(drift_s: float, seed: int) -> None:
    """Twelve days, one of them wrong by a quarter of an hour.

    Source: scipy.stats.theilslopes, scipy.stats.siegelslopes, sklearn.linear_model.HuberRegressor.
    """
    stats = pytest.importorskip("scipy.stats")
    linear_model = pytest.importorskip("sklearn.linear_model")
    shown_s, offset_s, unsure_s = days_of(drift_s, 12, noise_s=20.0, seed=seed)
    offset_s[4] += 900.0
    drift = fit_drift(shown_s, offset_s, unsure_s)
    assert drift is not None
    assert drift.days == 11
    day = (shown_s - shown_s.mean()) / DAY_S
    line = stats.theilslopes(offset_s, day)
    assert drift.s_per_day == pytest.approx(line.slope, abs=1e-3)
    huber = linear_model.HuberRegressor(alpha=0.0).fit(day[:, None], offset_s).coef_[0]
    for reference in (huber, stats.siegelslopes(offset_s, day).slope, drift_s):
        assert abs(drift.s_per_day - reference) < 4.0 * drift.unsure_s_per_day


def test_how_unsure_a_drift_is_holds_what_it_says() -> None:
    """Of 300 clocks the spread of the error is that told, and hardly any is off by three times as much."""
    found = [fit_drift(*days_of(60.0, 10, noise_s=30.0, seed=seed)) for seed in range(300)]
    off = np.array([(drift.s_per_day - 60.0) / drift.unsure_s_per_day for drift in found if drift is not None])
    assert len(off) > 280
    assert 0.8 < np.sqrt((off**2).mean()) < 1.2
    assert (np.abs(off) > 3.0).mean() < 0.03


@pytest.mark.parametrize("count", [3, 5, 10, 20])
def test_noise_is_not_a_drift(count: int) -> None:
    assert not any(fit_drift(*days_of(0.0, count, noise_s=60.0, seed=seed)) for seed in range(200))


@pytest.mark.parametrize("cut", range(1, 8))
def test_a_clock_that_was_set_once_does_not_drift(cut: int) -> None:
    shown_s, offset_s, unsure_s = days_of(0.0, 8, noise_s=10.0)
    offset_s[cut:] += 400.0
    assert fit_drift(shown_s, offset_s, unsure_s) is None


def test_two_days_tell_no_drift() -> None:
    assert fit_drift(*days_of(300.0, 2, noise_s=5.0)) is None
    shown_s, offset_s, unsure_s = days_of(300.0, 4, noise_s=5.0)
    together = shown_s[0] + np.array([0.0, 3600.0, DAY_S, DAY_S + 3600.0])
    assert fit_drift(together, offset_s, unsure_s) is None


@pytest.mark.parametrize(("drift_s", "way"), [(-300.0, "loses"), (240.0, "gains")])
def test_a_clock_that_runs_away_over_days_is_told(drift_s: float, way: str) -> None:
    book = book_of(drift_s)
    result = match_book(book)
    told = result.clocks["drift_s_per_day"]
    assert len(told) == WEEKS.days
    assert told.to_numpy() == pytest.approx(drift_s, abs=40.0)
    assert result.clocks["message"].str.contains(f"it {way} .* a day, give or take .* \\(8 days\\)").all()
    # Which day it was right nobody knows, so no moment stands.
    assert (result.clocks["state"] == "uncertain").all()
    assert result.clocks["offset_s"].isna().all()
    assert result.matches["taken_at"].isna().all()


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("change", [{}, {"days": 2, "clock_drift_s_per_day": -300.0}, {"clock_drift_s_per_day": 1.0}])
def test_where_the_days_do_not_tell_it_no_drift_is_told(seed: int, change: dict[str, float]) -> None:
    book = simulate_book(np.random.default_rng(seed), replace(WEEKS, **change))  # type: ignore[arg-type]
    clocks = match_book(book).clocks
    assert clocks["drift_s_per_day"].isna().all()
    assert not clocks["message"].str.contains(" a day").any()


def test_two_settings_are_two_runs() -> None:
    """Summer time set on the fifth day: the drift of each half is its own, and an hour is none."""
    book = book_of(0.0)
    later = book.sightings["stamped_at"] > book.sightings["stamped_at"].min() + pd.Timedelta(days=3.7)
    moved = book.sightings.copy()
    for name in ("meter_time", "stamped_at"):
        moved[name] = moved[name].where(~later, moved[name] + pd.Timedelta(hours=1))
    clocks = match_book(replace(book, sightings=conform_table(Sightings, moved))).clocks
    assert clocks["drift_s_per_day"].isna().all()
    assert set(clocks["offset_s"]) == {0.0, 3600.0}


def with_comparisons(book: SimulatedBook, offsets_s: list[float], *, one_conversation: bool = False) -> MatchResult:
    """The matches of a book whose meter was compared with a computer's clock in the evening of each day."""
    stamped = book.sightings["stamped_at"]
    evenings = stamped.groupby(stamped.dt.date).max() + pd.Timedelta(hours=1)
    seen = [
        {
            "meter_serial": "MX1",
            "observed_at": evening,
            "offset_s": offset_s,
            "uncertainty_s": 0.5,
            "evidence_sha256": f"{0 if one_conversation else place:064x}",
        }
        for place, (evening, offset_s) in enumerate(zip(evenings, offsets_s, strict=True))
    ]
    return match_sightings(
        sightings=book.sightings, jobs=book.jobs, appliances=book.appliances,
        plan=plan_steps(book.jobs, book.appliances), meters=book.meters,
        clock_readings=table_of(ClockReadings, seen), decisions=empty_table(Decisions),
    )  # fmt: skip


def test_comparisons_tell_seconds_a_day_and_moments_stand() -> None:
    book = book_of(6.0)
    result = with_comparisons(book, [6.0 * place for place in range(8)])
    assert result.clocks["drift_s_per_day"].to_numpy() == pytest.approx(6.0, abs=0.5)
    assert result.clocks["message"].str.contains("it gains 6.0 s a day").all()
    assert (result.clocks["state"] != "uncertain").all()
    assert result.matches["taken_at"].notna().all()


def test_comparisons_around_a_setting_tell_no_drift() -> None:
    book = book_of(0.0)
    for offsets_s in ([20.0] * 4 + [0.0] * 4, [0.0] * 8):
        assert with_comparisons(book, offsets_s).clocks["drift_s_per_day"].isna().all()
    steady = [10.0 * place for place in range(8)]
    assert with_comparisons(book, steady, one_conversation=True).clocks["drift_s_per_day"].isna().all()
