"""Meters used together, clocks compared with a computer, labels that mean nothing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from reconcile.matching import match_sightings
from reconcile.plan import plan_steps
from schemas.check import conform_table, empty_table
from schemas.matches import Decisions, Sightings
from schemas.meters import ClockReadings
from tests.reconcile_matching.scored import against_truth, match_book
from tests.reconcile_matching.simulated_days import SimulatedBook, Style, simulate_book, table_of

SURE = Style(jobs_a_day=(6, 6), no_access=0.0, label_missing=0.0)


def book_of(style: Style, seed: int = 4) -> SimulatedBook:
    return simulate_book(np.random.default_rng(seed), style)


def shifted(book: SimulatedBook, serial: str, seconds: float) -> SimulatedBook:
    """The book with the clock of one meter put on by so much."""
    rows = book.sightings["meter_serial"] == serial
    moved = book.sightings.copy()
    for name in ("meter_time", "stamped_at"):
        moved[name] = moved[name].where(~rows, moved[name] + pd.Timedelta(seconds=seconds))
    return replace(book, sightings=conform_table(Sightings, moved))


def without(book: SimulatedBook, serial: str, *columns: str) -> SimulatedBook:
    """The book with these columns of one meter empty."""
    rows = book.sightings["meter_serial"] == serial
    blank = {name: book.sightings[name].where(~rows, None) for name in columns}
    return replace(book, sightings=conform_table(Sightings, book.sightings.assign(**blank)))


@pytest.mark.parametrize("seconds", [0.0, -3600.0, 700.0])
def test_a_detector_without_labels_follows_the_meter_beside_it(seconds: float) -> None:
    """Two appliances at an address; only the tester carries labels, and its clock need not agree with the other's."""
    book = book_of(replace(SURE, jobs_a_day=(4, 4), more_appliances=0.9, second_meter=True))
    book = without(shifted(book, "VD0", seconds), "VD0", "label")
    scored = against_truth(book, match_book(book))
    detector = scored[book.sightings["meter_serial"].to_numpy() == "VD0"]
    assert len(detector) > 20
    assert (detector["match_status"] == "auto").mean() > 0.8
    assert detector.loc[detector["match_status"] == "auto", "appliance_right"].all()


def test_a_detector_without_a_clock_stands_where_the_order_of_the_work_puts_it() -> None:
    book = book_of(replace(SURE, second_meter=True))
    book = without(book, "VD0", "meter_time", "stamped_at")
    result = match_book(book)
    scored = against_truth(book, result)
    detector = (book.sightings["meter_serial"] == "VD0").to_numpy()
    auto = scored["match_status"] == "auto"
    assert auto[detector].mean() > 0.35
    assert scored.loc[auto, "appliance_right"].all()
    assert result.matches.loc[detector, "taken_at"].isna().all()


def test_a_label_that_was_never_changed_says_nothing() -> None:
    book = book_of(replace(SURE, more_appliances=0.0))
    first = book.sightings["label"].iloc[0]
    stuck = replace(book, sightings=conform_table(Sightings, book.sightings.assign(label=first)))
    scored = against_truth(stuck, match_book(stuck))
    assert scored.loc[scored["match_status"] == "auto", "appliance_right"].all()
    assert (scored["appliance_right"]).mean() > 0.95


def test_labels_of_nobody_leave_the_clock_to_decide() -> None:
    book = book_of(replace(SURE, more_appliances=0.0))
    number = {name: str(place + 1) for place, name in enumerate(book.appliances["appliance_id"])}
    own = [number[book.truth[name][1]] for name in book.sightings["reading_id"]]  # type: ignore[index]
    scored = against_truth(
        book, match_book(replace(book, sightings=conform_table(Sightings, book.sightings.assign(label=own))))
    )
    assert scored.loc[scored["match_status"] == "auto", "appliance_right"].all()
    assert (scored["match_status"] == "auto").mean() > 0.7


def test_a_clock_compared_with_a_computer_tells_the_moment() -> None:
    """The meter had lost its date; the sync in the evening saw by how much."""
    offset_s = -11_000.0 * 86400.0 - 5_000.0
    book = book_of(replace(SURE, clock="offset", clock_offset_s=offset_s))
    true_at = book.sightings["stamped_at"] - pd.Timedelta(seconds=offset_s)
    seen = {
        "meter_serial": book.sightings["meter_serial"].iloc[0], "observed_at": true_at.max() + pd.Timedelta(hours=2),
        "offset_s": offset_s, "uncertainty_s": 1.0, "evidence_sha256": "f" * 64,
    }  # fmt: skip
    result = match_sightings(
        sightings=book.sightings, jobs=book.jobs, appliances=book.appliances,
        plan=plan_steps(book.jobs, book.appliances), meters=book.meters,
        clock_readings=table_of(ClockReadings, [seen]), decisions=empty_table(Decisions),
    )  # fmt: skip
    assert (result.matches["taken_at"] == true_at).all()
    assert result.clocks["offset_s"].iloc[0] == pytest.approx(offset_s)
    assert against_truth(book, result)["appliance_right"].all()
    assert match_book(book).matches["taken_at"].isna().all()
