"""What must hold for any book: nothing lost, order of rows without effect, no value seen, less never makes surer."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from reconcile.matching import match_sightings
from reconcile.plan import plan_steps
from schemas.check import conform_table, empty_table
from schemas.errors import TableError
from schemas.jobs import Appliances, Jobs
from schemas.matches import Decisions, Sightings
from schemas.meters import ClockReadings
from schemas.readings import Readings
from tests.reconcile_matching.scored import match_book
from tests.reconcile_matching.simulated_days import TIERS, SimulatedBook, draw_style, simulate_book

SURER_BY = 0.02
"""Rise of a confidence that rounding of habits learnt from one reading less may cause."""


def drawn(tier: str, seed: int) -> SimulatedBook:
    rng = np.random.default_rng([seed, TIERS.index(tier), 77])
    return simulate_book(rng, replace(draw_style(rng, tier), jobs_a_day=(3, 4), engineers=1))


@pytest.mark.parametrize("tier", TIERS)
def test_every_sighting_has_one_match_in_its_place(tier: str) -> None:
    book = drawn(tier, 1)
    matches = match_book(book).matches
    assert list(matches["reading_id"]) == list(book.sightings["reading_id"])
    belongs = matches["match_status"].isin(["auto", "review"])
    assert matches.loc[belongs, ["job_id", "appliance_id", "step"]].notna().all().all()
    assert matches.loc[matches["match_status"] == "none", ["job_id", "appliance_id", "step"]].isna().all().all()
    job_of = dict(zip(book.appliances["appliance_id"], book.appliances["job_id"], strict=True))
    assert (matches.loc[belongs, "appliance_id"].map(job_of) == matches.loc[belongs, "job_id"]).all()


@pytest.mark.parametrize("tier", TIERS)
def test_the_order_of_rows_changes_nothing(tier: str) -> None:
    book = drawn(tier, 2)
    shuffled = replace(
        book,
        sightings=conform_table(Sightings, book.sightings.sample(frac=1.0, random_state=5)),
        jobs=conform_table(Jobs, book.jobs.sample(frac=1.0, random_state=6)),
        appliances=conform_table(Appliances, book.appliances.sample(frac=1.0, random_state=7)),
    )
    one, other = match_book(book), match_book(shuffled)
    again = other.matches.set_index("reading_id").loc[one.matches["reading_id"]].reset_index()
    pd.testing.assert_frame_equal(one.matches, again)
    pd.testing.assert_frame_equal(one.questions, other.questions)


def test_what_the_matcher_sees_holds_no_value() -> None:
    told = {"value", "unit", "comparator", "indication", "reason", "resolution", "raw_text"}
    assert not told & set(Sightings.to_schema().columns)
    assert told <= set(Readings.to_schema().columns)


def test_a_table_with_values_is_refused() -> None:
    book = drawn("clean", 3)
    with pytest.raises(TableError):
        match_sightings(
            sightings=book.sightings.assign(value=230.0), jobs=book.jobs, appliances=book.appliances,
            plan=plan_steps(book.jobs, book.appliances), meters=book.meters,
            clock_readings=empty_table(ClockReadings), decisions=empty_table(Decisions),
        )  # fmt: skip


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_label_less_makes_nothing_surer(seed: int) -> None:
    """Blotting out the labels of one appliance turns no reading in review into an automatic match."""
    book = drawn("skewed clock", seed)
    before = match_book(book).matches.set_index("reading_id")
    target = book.appliances["appliance_id"].iloc[0]
    readings = [name for name, truth in book.truth.items() if truth and truth[1] == target]
    label = book.sightings["label"].where(~book.sightings["reading_id"].isin(readings), None)
    less = replace(book, sightings=conform_table(Sightings, book.sightings.assign(label=label.astype("str"))))
    after = match_book(less).matches.set_index("reading_id")
    rose = (after["match_status"] == "auto") & (before["match_status"] == "review")
    surer = after["match_confidence"] - before["match_confidence"]
    assert not (rose & (surer > SURER_BY)).any()


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_reading_less_makes_nothing_surer(seed: int) -> None:
    book = drawn("messy", seed)
    before = match_book(book).matches.set_index("reading_id")
    gone = book.sightings["reading_id"].iloc[len(book.sightings) // 2]
    less = replace(book, sightings=conform_table(Sightings, book.sightings[book.sightings["reading_id"] != gone]))
    after = match_book(less).matches.set_index("reading_id")
    kept = before.loc[after.index]
    rose = (after["match_status"] == "auto") & (kept["match_status"] == "review")
    changed = after["appliance_id"].ne(kept["appliance_id"]) & rose
    assert not changed.any()


def test_a_job_less_never_moves_a_sure_match_to_another_appliance() -> None:
    """Readings of a job that is struck off the list are not handed to another job without asking."""
    book = drawn("clean", 4)
    before = match_book(book).matches.set_index("reading_id")
    job = before["job_id"].dropna().iloc[0]
    less = replace(
        book,
        jobs=conform_table(Jobs, book.jobs[book.jobs["job_id"] != job]),
        appliances=conform_table(Appliances, book.appliances[book.appliances["job_id"] != job]),
    )
    after = match_book(less).matches.set_index("reading_id")
    orphans = before["job_id"] == job
    assert not (after.loc[orphans, "match_status"] == "auto").any()
    others = ~orphans & (before["match_status"] == "auto") & (after["match_status"] == "auto")
    assert (after.loc[others, "appliance_id"] == before.loc[others, "appliance_id"]).all()


def test_no_sightings_and_no_jobs() -> None:
    book = drawn("clean", 5)
    empty = replace(book, sightings=empty_table(Sightings))
    assert match_book(empty).matches.empty
    listless = replace(book, jobs=empty_table(Jobs), appliances=empty_table(Appliances))
    matches = match_book(listless).matches
    assert len(matches) == len(book.sightings)
    assert (matches["match_status"] == "none").all()
