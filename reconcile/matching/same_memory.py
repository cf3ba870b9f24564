"""Sessions of one memory in one crew: the order they stand in, and the pause between them."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from reconcile.clock import DAY_S, HOUR_S
from reconcile.matching.belief import Case
from reconcile.matching.relative_clocks import Track

Numbers = NDArray[np.float64]

LONGEST_PAUSE_S: Final = 3 * HOUR_S
PAUSE_STEP_S: Final = 300.0
FIRST_HOURS_S: Final = 5 * HOUR_S
AT_MIDNIGHT, AN_HOUR_LATER, AT_ANY_TIME = 0.75, 0.2, 0.05
"""With which time of day a clock that lost its date begins: midnight, midnight in a zone an hour off, any other (common
practice, from memory).
"""

SLACK_S: Final = 60.0


def between_sessions(
    members: tuple[tuple[int, float, float, float, float], ...], track: Track, cases: list[Case], other: int
) -> tuple[float, float] | None:
    """Between which times a session of a memory that is in the crew already must lie; nothing for another memory."""
    low, high = -np.inf, np.inf
    for at, (number, *_) in enumerate(members):
        if cases[number].session.source == cases[other].session.source:
            times = track.time_s[track.member == at]
            low, high = (max(low, times[-1]), high) if number < other else (low, min(high, times[0]))
    return None if not np.isfinite(low) and not np.isfinite(high) else (low, high)


def pauses_between(time_s: Numbers, between: tuple[float, float]) -> Numbers:
    """Differences of clocks [s] by which a session comes after a pause of any usual length, or before one."""
    pause_s = np.arange(0.0, LONGEST_PAUSE_S, PAUSE_STEP_S)
    low, high = between
    return np.asarray(time_s[0] - low - pause_s if np.isfinite(low) else time_s[-1] - high + pause_s, dtype=np.float64)


def began_anew(pause_s: Numbers, shown_s: float) -> Numbers:
    """Log weight of the pauses [s] before a session whose clock began anew, by the time it first showed [s since 1970].

    A clock that lost its date in the pause began at midnight, mostly: the pause is no shorter than what it shows.
    """
    since_s = shown_s % DAY_S
    if since_s > FIRST_HOURS_S:
        return np.zeros(len(pause_s))
    long_enough = AT_MIDNIGHT * (pause_s > since_s - SLACK_S) + AN_HOUR_LATER * (pause_s > since_s - HOUR_S - SLACK_S)
    return np.asarray(np.log(AT_ANY_TIME + long_enough), dtype=np.float64)
