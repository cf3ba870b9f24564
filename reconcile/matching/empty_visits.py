"""Appliances and visits of the list that nothing was matched to, and whose readings may be at another.

A label that was not changed for a whole visit puts its readings long after the visit before; a clock that tells nothing
lets one appliance have two rounds of tests and its neighbour none.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from reconcile.matching.progress import PHASE_OF_STEP, STEP_NAMES
from reconcile.matching.visits import Visits

OUTSIDE_S: Final = 15 * 60.0
FAR_OUTSIDE_S: Final = 3600.0
NEAR_S: Final = 5 * 60.0
"""Hours of job lists are rough: within minutes mostly (common practice)."""

LIKELY: Final = 0.8
"""What is asked about counts as a test of the likeliest appliance from this on."""

A_TRIPLE: Final = 3
"""Tests of one part of the work that were made twice: the three pairs of conductors make a round of it."""


def ask_where_a_visit_is_empty(rows: list[dict[str, Any]], visits: Visits, *, marks: dict[str, int]) -> None:
    """Mark as to be asked what lies outside its own visit's hours and within those of an attended visit that nothing
    was matched to. ``rows`` are the columns of each session (outcome.session_rows), which are changed.
    """
    given = [visits.appliance_job[row["appliance"][row["appliance"] >= 0]] for row in rows]
    measured = np.unique(np.concatenate(given)) if given else np.empty(0, dtype=np.int64)
    empty = visits.attended & visits.dated
    empty[measured] = False
    if not empty.any():
        return
    places = np.flatnonzero(empty)
    for row in rows:
        near = _near(np.asarray(row["taken_s"]), visits, places)
        if not len(near):
            continue
        asked, other = _outside(row, visits, near)
        for at in np.flatnonzero(asked & (row["status"] == marks["auto"])):
            _ask(row, int(at), "visit empty", _or_another(row, int(at), int(other[at]), visits), marks)


def ask_about_double_rounds(rows: list[dict[str, Any]], visits: Visits, *, marks: dict[str, int]) -> None:
    """Mark as to be asked the readings of an appliance that has a whole part of the work twice, where another of the
    same day has not one, or two parts of it, where another has neither, or none that is settled. ``rows`` are changed.
    """
    if not rows:
        return
    appliance = np.concatenate([row["appliance"] for row in rows])
    step = np.concatenate([row["step"] for row in rows])
    asked = np.concatenate([row["status"] == marks["review"] for row in rows])
    attended = visits.attended[visits.appliance_job]
    none, unsettled = attended.copy(), attended.copy()
    none[appliance[appliance >= 0]] = False
    unsettled[appliance[(appliance >= 0) & ~asked]] = False
    likely = np.concatenate([row["confidence"] > LIKELY for row in rows])
    given = (appliance >= 0) & (step >= 0) & (~asked | likely)
    times = np.zeros((len(visits.appliance_id), len(STEP_NAMES)), dtype=np.int64)
    np.add.at(times, (appliance[given], step[given]), 1)
    doubled = np.stack([(times[:, phase == PHASE_OF_STEP] > 1).sum(axis=1) for phase in np.unique(PHASE_OF_STEP)])
    parts = (doubled >= A_TRIPLE).sum(axis=0)
    once = np.stack([times[:, phase == PHASE_OF_STEP].sum(axis=1) for phase in np.unique(PHASE_OF_STEP)])
    # Some engineers do one part twice everywhere; beside readings that are only asked about, two parts must be double.
    rival = {int(one): _rival(int(one), none, visits) for one in np.flatnonzero(parts)}
    for one in np.flatnonzero(parts > 1):
        lacks = (once[doubled[:, one] >= A_TRIPLE] == 0).sum(axis=0) > 1
        rival[int(one)] = _rival(int(one), unsettled | (attended & lacks), visits)
    for row in rows:
        for at in np.flatnonzero(row["status"] == marks["auto"]):
            if (job := rival.get(int(row["appliance"][at]))) is not None:
                _ask(row, int(at), "done twice", _or_another(row, int(at), job, visits), marks)


def ask_about_second_visits(rows: list[dict[str, Any]], visits: Visits, *, marks: dict[str, int]) -> None:
    """Mark as to be asked what lies outside the hours of its visit at an appliance that has the same part of the work
    within them too: it may have been another visit, which the job list lacks, under the same label. ``rows`` are
    changed.
    """
    for row in rows if len(visits.job_id) else ():
        outside, inside = _by_hours(row, visits)
        for appliance in np.unique(row["appliance"][outside & (row["status"] == marks["auto"])]):
            here = row["appliance"] == appliance
            twice = np.intersect1d(row["step"][here & outside], row["step"][here & inside])
            if len(twice) and np.bincount(PHASE_OF_STEP[twice]).max() >= A_TRIPLE:
                for at in np.flatnonzero(here & outside & (row["status"] == marks["auto"])):
                    _ask(row, int(at), "other visit", _or_none(row, int(at), visits), marks)


def _by_hours(row: dict[str, Any], visits: Visits) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Which readings lie outside the hours of their visit, and which within."""
    job = visits.appliance_job[row["appliance"]]
    known = (row["appliance"] >= 0) & visits.dated[job] & (row["step"] >= 0)
    with np.errstate(invalid="ignore"):
        away_s = np.maximum(visits.low_s[job] - row["true_s"], row["true_s"] - visits.high_s[job])
        return known & (away_s > FAR_OUTSIDE_S), known & (away_s <= OUTSIDE_S)


def _or_none(row: dict[str, Any], at: int, visits: Visits) -> list[dict[str, object]]:
    """The appliance that was found, or none."""
    sure, found = float(row["confidence"][at]), visits.appliance_id[row["appliance"][at]]
    return [
        {"appliance_id": name, "step": None, "probability": share, "why": "the hours of the visit"}
        for name, share in ((found, sure), (None, 1.0 - sure))
    ]


def _rival(appliance: int, none: NDArray[np.bool_], visits: Visits) -> int | None:
    """The job nearest in the list, of the same day, with an appliance that has no readings: of any engineer, because
    a meter without labels may have been another's. Visits without hours are of each day that they may lie in.
    """
    job = int(visits.appliance_job[appliance])
    jobs = np.unique(visits.appliance_job[none])
    undated = (visits.day[jobs] < 0) | (visits.day[job] < 0)
    beside = ~(visits.low_s[jobs] > visits.high_s[job]) & ~(visits.high_s[jobs] < visits.low_s[job])
    jobs = jobs[np.where(undated, beside, visits.day[jobs] == visits.day[job])]
    return int(jobs[np.abs(jobs - job).argmin()]) if len(jobs) else None


def _near(time_s: NDArray[np.float64], visits: Visits, empty: NDArray[np.int64]) -> NDArray[np.int64]:
    """Those of the empty visits, which stand in the order of their beginnings, that may lie about one of the times."""
    known = time_s[~np.isnan(time_s)]
    if not len(known):
        return empty[:0]
    low_s = visits.low_s[empty]
    first = np.searchsorted(low_s, known.min() - NEAR_S - visits.reach_s)
    return empty[first : np.searchsorted(low_s, known.max() + NEAR_S)]


def _outside(row: dict[str, Any], visits: Visits, empty: NDArray[np.int64]) -> tuple[NDArray[np.bool_], Any]:
    """Which readings lie outside their visit and within an empty one, and which one that is."""
    time_s, job = np.asarray(row["taken_s"]), visits.appliance_job[row["appliance"]]
    with np.errstate(invalid="ignore"):
        away_s = np.maximum(visits.low_s[job] - time_s, time_s - visits.high_s[job])
        within = (time_s[:, None] > visits.low_s[empty] - NEAR_S) & (time_s[:, None] < visits.high_s[empty] + NEAR_S)
        own = (row["appliance"] >= 0) & visits.dated[job] & (away_s > OUTSIDE_S)
    engineer = visits.engineer
    within &= (engineer[empty] == engineer[job][:, None]) | (engineer[empty] < 0) | (engineer[job] < 0)[:, None]
    return own & within.any(axis=1), empty[within.argmax(axis=1)]


def _ask(
    row: dict[str, Any], at: int, why: str, candidates: list[dict[str, object]], marks: dict[str, int]
) -> None:  # fmt: skip
    """Mark one reading as to be asked for that reason."""
    row["status"][at], row["why"][at], row["candidates"][at] = marks["review"], marks[why], candidates


def _or_another(row: dict[str, Any], at: int, job: int, visits: Visits) -> list[dict[str, object]]:
    """The appliance that was found, and those of the visit without readings."""
    sure, found = float(row["confidence"][at]), row["appliance"][at]
    others = range(visits.first_appliance[job], visits.first_appliance[job + 1])
    shares = [(found, sure), *((one, (1.0 - sure) / len(others)) for one in others)]
    return [
        {"appliance_id": visits.appliance_id[one], "step": None, "probability": share, "why": "the hours of the visits"}
        for one, share in shares
    ]
