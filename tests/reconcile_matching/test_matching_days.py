"""Memories that hold more than one working day although the meter has no clock."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.reconcile_matching.scored import against_truth, match_book
from tests.reconcile_matching.simulated_days import Style, simulate_book

TWO_DAYS = Style(
    tier="reset clock", days=2, jobs_a_day=(3, 4), clock="none", one_memory=True, no_access=0.0, more_appliances=0.0
)


@pytest.mark.parametrize("seed", [1, 2])
def test_two_days_in_one_memory_without_clock(seed: int) -> None:
    """Labels say which days the memory holds: the readings of neither day are left out or given to the other."""
    book = simulate_book(np.random.default_rng(seed), TWO_DAYS)
    table = against_truth(book, match_book(book))
    days = table["true_job"].str[1:4]
    assert set(days) == {"000", "001"}
    assert table["appliance_right"].all()
    auto = table["match_status"] == "auto"
    assert auto.groupby(days).mean().min() > 0.8


def test_a_list_of_more_days_takes_nothing_from_one_day() -> None:
    """A memory of one day stays in that day although the list goes on."""
    book = simulate_book(np.random.default_rng(3), TWO_DAYS)
    first = {name for name, truth in book.truth.items() if truth and truth[0].startswith("J000")}
    sightings = book.sightings[book.sightings["reading_id"].isin(first)].reset_index(drop=True)
    result = match_book(replace(book, sightings=sightings))
    told = result.matches["job_id"].dropna()
    assert told.str.startswith("J000").all()
    assert (result.matches["match_status"] == "auto").mean() > 0.8
