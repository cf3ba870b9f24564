"""Clocks: the offset is found, told in plain words, and left open where it cannot be known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from reconcile.clock import describe_clock, hours_fit, near_offsets, span_text
from schemas.check import empty_table
from schemas.jobs import Appliances, Jobs
from tests.reconcile_matching.scored import match_book
from tests.reconcile_matching.simulated_days import Style, simulate_book

DAY_S = 86400.0


@pytest.mark.parametrize(
    ("offset_s", "words"),
    [
        (0.0, "agrees with the job list"),
        (-3600.0, "1 h behind: summer time not set"),
        (3600.0, "1 h ahead: summer time set when it was winter"),
        (DAY_S, "1 d ahead: its date was set wrong, its time of day was right"),
        (-365 * DAY_S, "365 d behind: its date was set wrong"),
    ],
)
def test_an_offset_is_found_and_told(offset_s: float, words: str) -> None:
    style = Style(jobs_a_day=(7, 7), no_access=0.0, clock="offset", clock_offset_s=offset_s)
    book = simulate_book(np.random.default_rng(4), style)
    clock = match_book(book).clocks.iloc[0]
    assert words in clock["message"]
    assert clock["offset_s"] == offset_s
    assert clock["state"] == ("trusted" if offset_s == 0.0 else "corrected")
    assert clock["agreeing"] > 0.9 * clock["readings"]


def test_taken_at_is_corrected_and_meter_time_is_not_needed_to_change() -> None:
    style = Style(jobs_a_day=(7, 7), no_access=0.0, clock="offset", clock_offset_s=-3600.0)
    book = simulate_book(np.random.default_rng(4), style)
    matches = match_book(book).matches
    apart = matches["taken_at"] - book.sightings["stamped_at"]
    assert (apart == pd.Timedelta(hours=1)).all()


def test_in_the_hour_of_a_clock_change_no_moment_is_made_up() -> None:
    book = simulate_book(np.random.default_rng(4), Style(jobs_a_day=(7, 7), no_access=0.0))
    in_gap = book.sightings.index[10:14]
    stamped = book.sightings["stamped_at"].copy()
    stamped[in_gap] = pd.NaT
    taken = match_book(replace(book, sightings=book.sightings.assign(stamped_at=stamped))).matches["taken_at"]
    assert book.sightings["meter_time"][in_gap].notna().all()
    assert taken[in_gap].isna().all()
    assert taken.drop(in_gap).notna().all()


def test_without_any_time_nothing_is_said_about_when() -> None:
    book = simulate_book(np.random.default_rng(6), Style(jobs_a_day=(5, 5), no_access=0.0, clock="none"))
    result = match_book(book)
    assert result.matches["taken_at"].isna().all()
    assert "gave no time" in result.clocks["message"].iloc[0]
    right = [row.appliance_id == book.truth[row.reading_id][1] for row in result.matches.itertuples()]  # type: ignore[index]
    assert np.mean(right) > 0.95


def test_a_lost_date_is_found_by_the_pattern_of_the_day() -> None:
    book = simulate_book(np.random.default_rng(8), Style(jobs_a_day=(7, 7), no_access=0.0, clock="epoch"))
    result = match_book(book)
    assert "lost its date: it said 2000-01-01" in result.clocks["message"].iloc[0]
    right = [row.appliance_id == book.truth[row.reading_id][1] for row in result.matches.itertuples()]  # type: ignore[index]
    assert np.mean(right) > 0.95


def test_without_a_job_list_what_the_meter_said_stands_over_several_days() -> None:
    book = simulate_book(np.random.default_rng(3), Style(days=3, jobs_a_day=(2, 3), one_memory=True))
    listless = replace(book, jobs=empty_table(Jobs), appliances=empty_table(Appliances))
    matches = match_book(listless).matches
    assert (matches["taken_at"] == listless.sightings["stamped_at"]).all()


def test_readings_that_belong_nowhere_keep_the_time_of_a_clock_that_nothing_speaks_against() -> None:
    style = Style(jobs_a_day=(6, 6), no_access=0.0, strays=0.15, stray_inside=0.0)
    book = simulate_book(np.random.default_rng(9), style)
    matches = match_book(book).matches
    stray = [book.truth[name] is None for name in matches["reading_id"]]
    assert sum(stray) > 1
    assert (matches["taken_at"] == book.sightings["stamped_at"]).all()


def test_a_clock_that_starts_anew_at_every_visit_leaves_the_moments_open() -> None:
    book = simulate_book(np.random.default_rng(12), Style(jobs_a_day=(4, 4), no_access=0.0, clock="epoch restarts"))
    assert match_book(book).matches["taken_at"].isna().all()


def test_hours_fit_falls_with_distance_and_never_to_nothing() -> None:
    fit = hours_fit(np.array([500.0, 1000.0, 2000.0, 1e6, np.nan]), np.array(1000.0), np.array(1500.0))
    assert fit[1] == pytest.approx(1.0)
    assert fit[4] == pytest.approx(1.0)
    assert 1.0 > fit[0] > fit[3] > 0.0


def test_the_prior_of_offsets_is_a_distribution_and_favours_a_right_clock() -> None:
    offset_s, log_prior = near_offsets()
    assert np.exp(log_prior).sum() == pytest.approx(1.0)
    assert offset_s[log_prior.argmax()] == 0.0
    assert len(np.unique(offset_s)) == len(offset_s)


def test_spans_in_words() -> None:
    assert span_text(3580.0) == "59 min 40 s"
    assert span_text(90061.0) == "1 d 1 h 1 min 1 s"
    assert span_text(0.0) == "0 s"


def test_a_clock_that_fits_in_two_ways_says_so() -> None:
    words = describe_clock(
        listed=True, offset_s=1700.0, spread_s=1800.0, first_shown_s=0.0, known=False, agreeing=3, checked=9
    )
    assert words == "the meter's clock fits the job list in more than one way; 3 of 9 readings agree"
