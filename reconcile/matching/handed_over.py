"""Meters that one engineer handed to another during the day: their sessions are cut there."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from reconcile.matching.belief import Belief
from reconcile.matching.order import Session
from reconcile.matching.visits import Visits

Places = NDArray[np.int64]

FEWEST: Final = 6
"""Readings in a row that surely were at one engineer's jobs: fewer may be a slip of a label (common practice)."""

MOST_OWNERS: Final = 3
"""A meter that seems to go to and fro more often was not handed over: the readings do not tell whose it was."""


def cut_where_handed_over(sessions: list[Session], beliefs: list[Belief | None], visits: Visits) -> list[Session]:
    """The sessions, those of a meter that went from one engineer's jobs to another's cut in between."""
    cut: list[Session] = []
    for session, belief in zip(sessions, beliefs, strict=True):
        places = [] if belief is None or belief.at is None else _hand_overs(session, belief.at, visits)
        bounds = [0, *places, len(session.rows)]
        cut += [part_of(session, begin, end) for begin, end in pairwise(bounds)]
    return cut


def part_of(session: Session, begin: int, end: int) -> Session:
    """The readings of a session from one place to another."""
    if (begin, end) == (0, len(session.rows)):
        return session
    inside = slice(begin, end)
    return replace(
        session,
        rows=session.rows[inside],
        time_s=session.time_s[inside],
        kind=session.kind[inside],
        label=session.label[inside],
        record=session.record[inside],
        beat_s=session.beat_s[inside],
        start=session.start[inside],
    )


def _hand_overs(session: Session, at: Places, visits: Visits) -> list[int]:
    """The places at which another engineer's readings begin."""
    known = np.flatnonzero(at >= 0)
    engineer = visits.engineer[visits.appliance_job[at[known]]]
    runs = _long_runs(engineer)
    if not 1 < len(runs) <= MOST_OWNERS:
        return []
    found: list[int] = []
    for (_, last), (first, _) in pairwise(runs):
        before, after = int(known[last]), int(known[first])
        pause_s = np.nan_to_num(np.diff(session.time_s[before : after + 1]))
        found.append(before + 1 + int(pause_s.argmax()))
    return found


def _long_runs(engineer: Places) -> list[tuple[int, int]]:
    """First and last place of each engineer's runs, short ones left out and neighbours of one engineer joined."""
    edges = np.flatnonzero(np.diff(engineer)) + 1
    runs: list[tuple[int, int]] = []
    for stretch in np.split(np.arange(len(engineer)), edges):
        if len(stretch) < FEWEST:
            continue
        if runs and engineer[runs[-1][0]] == engineer[stretch[0]]:
            runs[-1] = (runs[-1][0], int(stretch[-1]))
        else:
            runs.append((int(stretch[0]), int(stretch[-1])))
    return runs
