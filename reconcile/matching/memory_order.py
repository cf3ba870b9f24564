"""A last look at the order of whole sessions: a memory holds what was measured first before what was measured later."""

from __future__ import annotations

from itertools import pairwise
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from reconcile.matching.order import Session
from reconcile.matching.visits import Visits

BACK_S: Final = 1800.0
"""Hours of job lists are rough: visits that are nearer to each other may be in either order."""


def ask_about_disorder(
    sessions: list[Session], rows: list[dict[str, Any]], visits: Visits, *, marks: dict[str, int]
) -> None:  # fmt: skip
    """Mark as to be asked the sessions of one memory that were found at later visits than the session after them.
    ``rows`` are the columns of each session (outcome.session_rows), which are changed.
    """
    middle_s = [_middle_s(row, visits) for row in rows]
    for one, other in pairwise(range(len(sessions))):
        same = sessions[one].source == sessions[other].source
        if same and middle_s[one] > middle_s[other] + BACK_S:
            for number in (one, other):
                _ask(rows[number], visits, marks)


def _middle_s(row: dict[str, Any], visits: Visits) -> float:
    """When the visits of a session were by the job list, in the middle [s since 1970]; NaN where nothing tells."""
    job = np.unique(visits.appliance_job[row["appliance"][row["appliance"] >= 0]])
    job = job[visits.dated[job]]
    return float(np.median(visits.low_s[job])) if len(job) else np.nan


def _ask(row: dict[str, Any], visits: Visits, marks: dict[str, int]) -> None:
    likely: NDArray[np.int64] = np.flatnonzero(row["status"] == marks["auto"])
    for at in likely.tolist():
        sure, found = float(row["confidence"][at]), visits.appliance_id[row["appliance"][at]]
        row["status"][at], row["why"][at] = marks["review"], marks["disorder"]
        row["candidates"][at] = [
            {"appliance_id": name, "step": None, "probability": share, "why": "the order in the meter's memory"}
            for name, share in ((found, sure), (None, 1.0 - sure))
        ]
