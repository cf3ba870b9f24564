"""Sightings to matches: which job, appliance and step each reading belongs to, how sure, and what to ask.

No measured value, indication or comparator is ever seen here (promise 1): schemas.matches.Sightings has none.

::

    order.py     the order in the meter's memory, cut into sessions
    visits.py    what the job list promises
    placing.py   where in the list a session may lie: days, jobs, clock offsets
    labels.py    how well a label fits each appliance
    progress.py  how the work on one appliance goes on
    slots.py     an appliance and what was done before it at the same visit
    factors.py   all of that as factors of one session
    handed_over.py  sessions cut where the meter went to another engineer
    crews.py     sessions of meters that were used together (laying.py, roles.py, crew_cases.py, crew_beliefs.py)
    batches.py   many sessions stacked
    chain.py     forward–backward
    belief.py    hypotheses weighed against each other
    outcome.py   probabilities to rows: matches, clocks, questions
    doubts.py    what keeps a likely match from being taken unasked (repeats.py); empty_visits.py, memory_order.py: the
                 same over all sessions
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any, Final

import numpy as np
import pandas as pd

from reconcile.decisions import decided_readings
from reconcile.matching.belief import Belief, Case, count_moves, find_beliefs, without_readings
from reconcile.matching.clock_drift import ClockDay, clock_day, find_drifts, tell_drift, without_moments
from reconcile.matching.clock_fit import fit_clocks, with_clocks
from reconcile.matching.crew_beliefs import split_beliefs
from reconcile.matching.crews import find_crews, may_have_company, use_of
from reconcile.matching.empty_visits import (
    ask_about_double_rounds,
    ask_about_second_visits,
    ask_where_a_visit_is_empty,
)
from reconcile.matching.exchanges import read_by_exchanges
from reconcile.matching.factors import Decided
from reconcile.matching.habits import Habits, learn_habits, usual_habits
from reconcile.matching.handed_over import cut_where_handed_over
from reconcile.matching.joint_steps import settle_sessions
from reconcile.matching.memory_order import ask_about_disorder
from reconcile.matching.neighbours import Trace, alike, find_hints, trace_of
from reconcile.matching.order import Session, find_sessions, join_restarts, order_sightings
from reconcile.matching.outcome import MARKS, STEP_SURE_FROM, clock_row, conclude, session_rows
from reconcile.matching.placing import Hints, has_lost_date
from reconcile.matching.progress import STEP_NAMES
from reconcile.matching.visits import Visits, list_visits
from reconcile.tables import MatchResult
from schemas.check import check_table
from schemas.jobs import Appliances, Jobs
from schemas.matches import Decisions, Sightings
from schemas.meters import ClockReadings, Meters
from schemas.steps import PlannedSteps

__all__ = ["match_sightings"]

CHUNK: Final = 128
"""Sessions worked on at a time: keeps memory flat."""

LEARNT_FROM: Final = 200
LEARNING_PASSES: Final = 4
"""Habits are learnt so many times over, each time with those learnt before: after one pass an odd habit is half
believed (on simulated days two points more are decided after four passes, and no more after six).
"""


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
    visits = list_visits(jobs, appliances)
    reading_ids = sightings["reading_id"].to_numpy(dtype=object)
    answers = _answers(decided_readings(decisions), visits)
    sessions = read_by_exchanges(find_sessions(order_sightings(sightings)), clock_readings)
    sessions = join_restarts(sessions, [has_lost_date(session, visits) for session in sessions])
    cases = _cases(sessions, reading_ids, answers, visits)
    beliefs = _first_look(cases, visits)
    cut = cut_where_handed_over(sessions, beliefs, visits) if visits.several_engineers else sessions
    if len(cut) > len(sessions):
        cases = _cases(cut, reading_ids, answers, visits)
        beliefs = _first_look(cases, visits)
    crews = find_crews(cases, beliefs, visits, usual_habits())
    in_crews = {member.number for crew in crews for member in crew.members}
    units = [*crews, *(case for number, case in enumerate(cases) if number not in in_crews)]
    habits = _learnt(units, visits)
    numbers = [[member.number for member in unit.members] for unit in crews]
    numbers += [[number] for number in range(len(cases)) if number not in in_crews]
    found = _Found(cases=cases, visits=visits, reading_ids=reading_ids)
    for unit, members, belief in zip(units, numbers, _beliefs(units, visits, habits), strict=True):
        found.take(unit, members, belief)
    kinds = [use_of(case.session) if visits.several_engineers else case.session.meter_serial or "" for case in cases]
    for by_surer in (True, False):
        hints = find_hints(cases, found.traces, visits.appliance_job, numbers, kinds, by_surer=by_surer)
        again = sorted(place for place in hints if not alike(hints[place], units[place].hints))
        for place in again:
            units[place] = replace(units[place], hints=hints[place])
        for place, belief in zip(again, _beliefs([units[place] for place in again], visits, habits), strict=True):
            if belief is not None:  # what the others say rules out only what else there is
                found.take(units[place], numbers[place], belief)
    rows = found.rows
    settle_sessions(
        cases, rows, names=visits.appliance_id, sure_from=STEP_SURE_FROM, marks=MARKS, joined_already=in_crews
    )
    ask_where_a_visit_is_empty(rows, visits, marks=MARKS)
    ask_about_double_rounds(rows, visits, marks=MARKS)
    ask_about_second_visits(rows, visits, marks=MARKS)
    ask_about_disorder([case.session for case in cases], rows, visits, marks=MARKS)
    drifts = find_drifts(found.days, clock_readings)
    clocks = [tell_drift(*told) for told in zip(found.clocks, found.days, drifts, strict=True)]
    return conclude(
        sightings, visits, cases, [without_moments(*both) for both in zip(rows, clocks, strict=True)], clocks
    )


class _Found:
    """What was found about each session so far: its rows, its clock, what it tells of the drift, and its trace."""

    def __init__(self, *, cases: list[Case], visits: Visits, reading_ids: Any) -> None:
        self.cases, self.visits, self.reading_ids = cases, visits, reading_ids
        self.rows: list[dict[str, Any]] = [{} for _ in cases]
        self.clocks: list[dict[str, Any]] = [{} for _ in cases]
        self.traces: list[Trace] = [trace_of(case, None) for case in cases]
        self.days: list[ClockDay | None] = [None for _ in cases]

    def take(self, unit: Case, numbers: list[int], belief: Belief | None) -> None:
        """Keep what this belief about a session, or a crew of them, says of each, in place of what was kept before."""
        parts: list[Belief | None] = [None for _ in numbers]
        if belief is not None:
            whole = split_beliefs(belief, unit, self.visits) if unit.members else [belief]
            parts = [*with_clocks(whole, fit_clocks(unit, belief, self.visits))]
        for number, part in zip(numbers, parts, strict=True):
            self._keep(number, part)

    def _keep(self, number: int, belief: Belief | None) -> None:
        case = self.cases[number]
        names = [str(name) for name in self.reading_ids[case.session.rows]]
        self.rows[number] = session_rows(case, belief, self.visits)
        self.clocks[number] = clock_row(case, belief, self.visits, names)
        self.traces[number] = trace_of(case, belief)
        self.days[number] = clock_day(case, belief, self.visits)


def _first_look(cases: list[Case], visits: Visits) -> list[Belief | None]:
    """The belief about clock and jobs of the sessions that may have been one engineer's together with another."""
    beliefs: list[Belief | None] = [None for _ in cases]
    numbers = may_have_company([case.session for case in cases], visits)
    for number, belief in zip(numbers, _beliefs([cases[at] for at in numbers], visits, usual_habits()), strict=True):
        beliefs[number] = None if belief is None else without_readings(belief)
    return beliefs


def _beliefs(cases: list[Case], visits: Visits, habits: Habits) -> Iterator[Belief | None]:
    """The belief about each case, in order; only one chunk at a time is in memory.

    On one thread: the products are small, and two threads waiting for the interpreter's lock take longer than one
    (tests/bench/bench_matching.py).
    """
    for start in range(0, len(cases), CHUNK):
        yield from find_beliefs(cases[start : start + CHUNK], visits, habits)


def _learnt(units: list[Case], visits: Visits) -> Habits:
    """The habits of those who took these readings."""
    habits, sample = usual_habits(), _sample(units)
    for _ in range(LEARNING_PASSES if sample else 0):
        habits = learn_habits(count_moves(sample, visits, habits))
    return habits


def _sample(cases: list[Case]) -> list[Case]:
    """Sessions to learn habits from: all of them, or a number spread evenly over the book."""
    if len(cases) <= LEARNT_FROM:
        return cases
    return [cases[int(place)] for place in np.linspace(0, len(cases) - 1, LEARNT_FROM)]


def _answers(decided: pd.DataFrame, visits: Visits) -> dict[str, tuple[int, int]]:
    """What was decided about each reading: place of the appliance (−1 stray) and of the step (−1 any).

    An answer that names an appliance which the job list no longer holds settles nothing.
    """
    place = {name: number for number, name in enumerate(visits.appliance_id)}
    found: dict[str, tuple[int, int]] = {}
    for row in decided.itertuples():
        step = STEP_NAMES.index(row.step) if isinstance(row.step, str) else -1
        if not isinstance(row.appliance_id, str):
            found[str(row.reading_id)] = (-1, -1)
        elif row.appliance_id in place:
            found[str(row.reading_id)] = (place[row.appliance_id], step)
    return found


def _cases(
    sessions: list[Session], reading_ids: Any, answers: dict[str, tuple[int, int]], visits: Visits
) -> list[Case]:
    """Each session with the decisions about it."""
    cases: list[Case] = []
    for number, session in enumerate(sessions):
        known = [answers.get(name, (-2, -1)) for name in reading_ids[session.rows]] if answers else []
        appliance = np.array([answer[0] for answer in known] or [-2] * len(session.rows), dtype=np.int64)
        step = np.array([answer[1] for answer in known] or [-1] * len(session.rows), dtype=np.int64)
        hints = Hints(
            forced=np.unique(visits.appliance_job[appliance[appliance >= 0]]),
            visited={},
            preceded=number > 0 and sessions[number - 1].source == session.source,
            followed=number + 1 < len(sessions) and sessions[number + 1].source == session.source,
        )
        cases.append(Case(session=session, decided=Decided(appliance=appliance, step=step), hints=hints))
    return cases
