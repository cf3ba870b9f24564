"""Screens: quiet on honest months, loud on made-up ones, and right by other people's statistics."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from statsmodels.stats.gof import chisquare
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.proportion import binom_test

from reconcile.audit.screening import LEVEL, correct_holm, ring, screen_records
from reconcile.audit.screens.copies import moment_bounds
from reconcile.audit.screens.digits import screen_digits
from reconcile.audit.screens.limits import screen_limits
from reconcile.audit.screens.row import ScreenRow
from reconcile.audit.screens.times import screen_times
from schemas.audit import SCREENS
from tests.audit.screen_world import FORGERS, Month, honest_month, judged


def screened(month: Month) -> pd.DataFrame:
    return screen_records(month.readings, month.certificates, month.checks)


def count_alarms(seeds: range) -> int:
    return sum(bool(screened(honest_month(seed, jobs=(40, 60, 120)[seed % 3]))["rings"].any()) for seed in seeds)


def test_honest_months_are_quiet() -> None:
    assert count_alarms(range(500, 509)) == 0


@pytest.mark.slow
def test_of_two_hundred_honest_months_at_most_two_ring() -> None:
    assert count_alarms(range(200)) <= 2


@pytest.mark.parametrize("screen", list(FORGERS))
def test_made_up_month_rings_its_screen(screen: str) -> None:
    # Power at four engineers, 60 jobs each, one of them forging in one way: 9 of 10 or better in simulation.
    heard = 0
    for seed in range(3):
        month = honest_month(9000 + seed, jobs=60)
        FORGERS[screen](month, np.random.default_rng(seed))
        found = screened(judged(month))
        rung = found[found["rings"] & (found["screen"] == screen)]
        heard += bool(len(rung))
        assert set(rung["subject"]) <= {"engineer 0"}
        assert rung["reading_ids"].str.len().gt(0).all()
    assert heard >= 2


def test_every_screen_has_a_forger() -> None:
    assert set(FORGERS) == set(SCREENS)


def test_last_digits_against_statsmodels() -> None:
    rng = np.random.default_rng(8)
    values = pd.DataFrame({
        "reading_id": [f"R{number}" for number in range(400)], "engineer": "one", "quantity": "rcd_trip_time",
        "value": rng.integers(120, 380, 400) * 1e-4, "resolution": 1e-4,
    })  # fmt: skip
    even, rounded = screen_digits(values)
    counts = np.bincount(np.round(values["value"] / 1e-4).astype(int) % 10, minlength=10)
    expected = chisquare(counts, np.full(10, 40.0))
    assert even.statistic == pytest.approx(float(expected[0]))
    assert even.p_value == pytest.approx(float(expected[1]))
    assert rounded.p_value == pytest.approx(binom_test(counts[0], 400, 0.1, alternative="larger"))


def test_few_or_narrow_values_are_not_judged() -> None:
    values = pd.DataFrame({
        "reading_id": [f"R{number}" for number in range(400)], "engineer": "one", "quantity": "voltage",
        "value": np.repeat([238.0, 239.0], 200), "resolution": 1.0,
    })  # fmt: skip
    assert list(screen_digits(values)) == []
    assert list(screen_digits(values.head(10).assign(value=np.arange(10) * 30.0 + 100))) == []


def test_correction_against_statsmodels() -> None:
    rng = np.random.default_rng(3)
    for count in (1, 2, 17, 200):
        p_values = rng.random(count) ** 3
        assert correct_holm(p_values) == pytest.approx(multipletests(p_values, method="holm")[1])


def test_bound_on_a_copied_set_holds_for_unrelated_appliances() -> None:
    # Two appliances, three steps of 20 equally likely values each: the bound is never below the exact probability.
    told = pd.DataFrame({"step": np.repeat(["a", "b", "c"], 20), "probability": 0.05})
    bounds = moment_bounds(told)
    for shared in (1, 2, 3):
        surprise = -shared * np.log(0.05)
        bound = np.exp(min(bound - exponent * surprise for exponent, bound in bounds.items()))
        exact = sum(
            np.prod([0.05 if k < hits else 1 for k in range(3)]) * weight
            for hits, weight in ((3, 1), (2, 3 * 0.95), (1, 3 * 0.95**2))
            if hits >= shared
        )
        assert bound >= exact * 0.999
        assert bound <= exact * 30


def test_pile_at_a_limit_by_hand() -> None:
    room = [0.01] * 9 + [0.07, 0.12, 0.13] + [0.5] * 20
    checks = pd.DataFrame({
        "engineer": "one", "check": "earth_fault_loop", "comparator": "eq", "limit_high": 1.0, "limit_low": np.nan,
        "value": [1 - part for part in room], "reading_ids": [f"R{number} X" for number in range(32)],
    })  # fmt: skip
    (row,) = screen_limits(checks)
    assert (row.count, row.statistic) == (12, 0.75)
    assert row.p_value == pytest.approx(binom_test(9, 12, 1 / 3, alternative="larger"))
    assert row.reading_ids.split()[0] == "R0"


def test_minutes_without_seconds_are_not_taken_for_haste() -> None:
    moments = pd.Timestamp("2031-04-02 09:00") + pd.to_timedelta(np.arange(40), unit="min")
    values = pd.DataFrame({
        "reading_id": [f"R{number}" for number in range(40)], "engineer": "one", "meter_serial": "M1",
        "meter_time": moments, "appliance_id": np.repeat(["A1", "A2"], 20), "site": np.repeat(["S1", "S2"], 20),
        "quantity": "rcd_trip_time",
    })  # fmt: skip
    (row,) = screen_times(values)
    assert row.statistic == 0.0
    hasty = values.assign(meter_time=pd.Timestamp("2031-04-02 09:00:07") + pd.to_timedelta(np.arange(40), unit="s"))
    (row,) = screen_times(hasty)
    assert row.statistic == 1.0


def test_small_effects_of_large_samples_do_not_ring() -> None:
    row = ScreenRow(
        screen="last digits", subject="one", quantity=None, count=10**6, statistic_name="x", statistic=1.0,
        p_value=1e-12, large=False, reading_ids="", message="",
    )  # fmt: skip
    found = ring([row])
    assert found["p_corrected"].iloc[0] < LEVEL
    assert not found["rings"].any()


def test_empty_dataset_has_no_tests() -> None:
    month = honest_month(1, engineers=1, jobs=6)
    empty = Month(month.readings.iloc[:0], month.certificates.iloc[:0], month.checks.iloc[:0])
    assert screened(empty).empty
