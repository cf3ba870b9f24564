"""Special cases of matching against reference libraries: assignment of labels, robust fit of a clock."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from rapidfuzz.distance import OSA

from schemas.check import conform_table
from schemas.matches import Sightings
from tests.reconcile_matching.scored import match_book
from tests.reconcile_matching.simulated_days import Style, simulate_book


@pytest.mark.parametrize("seed", [1, 2, 3, 5])
def test_slips_of_the_finger_are_assigned_as_a_reference_assigns_them(seed: int) -> None:
    """Three labels at one address, each typed with two slips: the least edits in all decide.

    Source: scipy.optimize.linear_sum_assignment.
    """
    optimize = pytest.importorskip("scipy.optimize")
    rng = np.random.default_rng(seed)
    book = simulate_book(rng, Style(jobs_a_day=(2, 2), more_appliances=1.0, no_access=0.0, label_missing=0.0))
    listed = book.appliances.set_index("appliance_id")["label"]
    typed = {name: slipped(rng, label) for name, label in listed.items()}
    labels = [typed[book.truth[name][1]] for name in book.sightings["reading_id"]]  # type: ignore[index]
    matches = match_book(replace(book, sightings=conform_table(Sightings, book.sightings.assign(label=labels)))).matches
    for job, group in book.appliances.groupby("job_id"):
        names = list(group["appliance_id"])
        cost = np.array([[OSA.distance(typed[one], listed[other]) for other in names] for one in names])
        rows, columns = optimize.linear_sum_assignment(cost)
        assigned = {typed[names[row]]: names[column] for row, column in zip(rows, columns, strict=True)}
        here = (matches["job_id"] == job).to_numpy()
        told = matches.loc[here, "appliance_id"].to_numpy()
        auto = (matches.loc[here, "match_status"] == "auto").to_numpy()
        expected = np.array([assigned[label] for label in np.array(labels, dtype=object)[here]], dtype=object)
        assert auto.any()
        assert (told[auto] == expected[auto]).all()


def slipped(rng: np.random.Generator, label: str) -> str:
    """The label with one letter changed into one that labels do not have."""
    place = int(rng.integers(len(label)))
    return (
        label[:place]
        + "~*#"[int(rng.integers(3))].replace("~", "Q").replace("*", "O").replace("#", "I")
        + label[place + 1 :]
    )


@pytest.mark.parametrize("offset_s", [0.0, -3600.0, 3600.0])
def test_the_offset_of_a_clock_agrees_with_a_robust_regression(offset_s: float) -> None:
    """First and last readings of the visits against the list: the robust line says the same within its own lag.

    Source: scipy.stats.theilslopes and scipy.stats.siegelslopes.
    """
    stats = pytest.importorskip("scipy.stats")
    style = Style(jobs_a_day=(8, 8), no_access=0.0, clock="offset", clock_offset_s=offset_s, hours_missing=0.0)
    book = simulate_book(np.random.default_rng(11), style)
    told = match_book(book).clocks.iloc[0]
    job = pd.Series([book.truth[name][0] for name in book.sightings["reading_id"]])  # type: ignore[index]
    shown = book.sightings["stamped_at"].groupby(job.to_numpy()).agg(["min", "max"])
    listed = book.jobs.set_index("job_id").loc[shown.index]
    middle_shown = shown.mean(axis=1)
    middle_listed = listed[["arrived_at", "left_at"]].mean(axis=1)
    apart_s = (middle_shown - middle_listed).dt.total_seconds().to_numpy()
    since_s = (middle_listed - middle_listed.min()).dt.total_seconds().to_numpy()
    for regression in (stats.theilslopes, stats.siegelslopes):
        line = regression(apart_s, since_s)
        at_noon_s = line[1] + line[0] * np.median(since_s)
        assert at_noon_s == pytest.approx(told["offset_s"], abs=300.0)
    assert told["offset_s"] == offset_s
