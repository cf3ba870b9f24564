"""Sightings to matches: which job, appliance and step each reading belongs to, how sure, and what to ask.

No measured value, indication or comparator is ever seen here (promise 1): schemas.matches.Sightings has none.

::

    order.py     the order in the meter's memory, cut into sessions
    visits.py    what the job list promises
    labels.py    how well a label fits each appliance
    progress.py  how the work on one appliance goes on
    model.py     the factors of one session's chain
    chain.py     forward–backward
    outcome.py   probabilities to rows: matches, clocks, questions
"""

from __future__ import annotations

import pandas as pd

from reconcile.decisions import decided_readings
from reconcile.matching.order import find_sessions, order_sightings
from reconcile.matching.outcome import SessionOutcome, conclude, session_outcome
from reconcile.matching.visits import list_visits
from reconcile.tables import MatchResult
from schemas.check import check_table
from schemas.jobs import Appliances, Jobs
from schemas.matches import Decisions, Sightings
from schemas.meters import ClockReadings, Meters
from schemas.steps import PlannedSteps

__all__ = ["match_sightings"]


def match_sightings(
    *,
    sightings: pd.DataFrame,
    jobs: pd.DataFrame,
    appliances: pd.DataFrame,
    plan: pd.DataFrame,
    meters: pd.DataFrame,
    clock_readings: pd.DataFrame,
    decisions: pd.DataFrame,
) -> MatchResult:
    """Where each sighting belongs. Shape: one match a sighting, key ``reading_id``, in the order given.

    Schemas: Sightings, Jobs, Appliances, PlannedSteps, Meters, ClockReadings, Decisions. Raises TableError where a
    table breaks its schema, among others where it carries a measured value.
    """
    check_table(Sightings, sightings)
    check_table(Jobs, jobs)
    check_table(Appliances, appliances)
    check_table(PlannedSteps, plan)
    check_table(Meters, meters)
    check_table(ClockReadings, clock_readings)
    check_table(Decisions, decisions)
    ordered = order_sightings(sightings)
    visits = list_visits(jobs, appliances)
    decided = decided_readings(decisions)
    outcomes: list[SessionOutcome] = [
        session_outcome(session, visits, ordered, decided) for session in find_sessions(ordered)
    ]
    return conclude(sightings, ordered, outcomes)
