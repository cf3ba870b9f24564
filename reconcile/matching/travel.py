"""How the work goes from job to job: by engineer, by the order of the day, and back."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from reconcile.matching.order import Session
from reconcile.matching.placing import Hints, Placing
from reconcile.matching.visits import Visits

Numbers = NDArray[np.float64]
Places = NDArray[np.int64]

UNLISTED: Final = 0.004
OTHER_ENGINEER: Final = 0.05
SAME_JOB_AGAIN: Final = 2e-5
"""How often a visit is not listed, the next one is another engineer's, the same job is gone back to at once (common
practice, from memory)."""

SKIPPED_AND_BACK: Final = {"dated": (0.35, 0.3), "lost": (0.15, 0.1), "none": (0.1, 0.02)}
"""Weight of leaving out an attended job and of going back in the order, by what is known of the clock (from memory)."""

MOST_SKIPPED: Final = 4
EXPECTED_FROM: Final = 0.25
UNORDERED: Final = 0.3


def travel_weights(session: Session, visits: Visits, placing: Placing, hints: Hints) -> tuple[Numbers, Numbers]:
    """From job to job (J + 2, J + 1), the last column an unlisted visit, the last row before the first visit; and
    weight of ending at each job (J + 1).
    """
    count = len(placing.jobs)
    engineer = visits.engineer[placing.jobs]
    other = (engineer[:, None] != engineer[None, :]) & (engineer[:, None] >= 0) & (engineer[None, :] >= 0)
    travel = np.ones((count + 2, count + 1))
    travel[:count, :count] = np.where(other, OTHER_ENGINEER, 1.0)
    travel[:, :count] *= placing.weight
    turn, first, last = _turns(session, visits, placing, other)
    travel[:count, :count] *= turn
    if placing.lost and not hints.preceded:
        travel[count + 1, :count] *= first
    # Where no job is left to go on to, going back is no likelier for that.
    usual = placing.weight.max(initial=1e-12)
    total = np.maximum(travel[:, :count].sum(axis=1, keepdims=True), usual)
    travel[:, :count] *= (1.0 - UNLISTED) / total
    # Only now: where a job is the only one left, going back to it is no likelier for that.
    travel[np.arange(count), np.arange(count)] *= SAME_JOB_AGAIN
    travel[:, count] = UNLISTED
    ending = np.append(last, 1.0) if placing.lost and not hints.followed else np.ones(count + 1)
    return travel, ending


def _turns(
    session: Session, visits: Visits, placing: Placing, other: NDArray[np.bool_]
) -> tuple[Numbers, Numbers, Numbers]:
    """Weight of going from job to job (J, J), of beginning and of ending at each (J), by the order of their hours.

    An attended job is seldom left without any reading, so leaving one out costs; so does going back. Without a clock
    the order is all there is, with one it matters less. Jobs without hours have a place in the order only where the
    others of the list are in the order of the day.
    """
    rank_s = visits.rank_s[placing.jobs]
    order = np.argsort(rank_s, kind="stable")  # those without a place last
    ranked = np.isfinite(rank_s[order])
    skipped, back = SKIPPED_AND_BACK[_clock_kind(session, placing)]
    weight = placing.weight[order]
    expected = ranked & (weight >= EXPECTED_FROM * weight.max(initial=0.0))
    same = ~other[np.ix_(order, order)] & expected[None, :]
    up_to = np.cumsum(same, axis=1) - same
    place = np.arange(len(order))
    between = np.maximum(up_to - up_to.diagonal()[:, None] - expected[:, None], 0)
    ordered = np.where(place[None, :] > place[:, None], skipped ** np.minimum(between, MOST_SKIPPED), back)
    before = up_to.diagonal()
    after = same.sum(axis=1) - before - expected
    turn, first, last = np.empty_like(ordered), np.empty(len(order)), np.empty(len(order))
    turn[np.ix_(order, order)] = np.where(ranked[:, None] & ranked[None, :], ordered, UNORDERED)
    first[order] = np.where(ranked, skipped ** np.minimum(before, MOST_SKIPPED), UNORDERED)
    last[order] = np.where(ranked, skipped ** np.minimum(after, MOST_SKIPPED), UNORDERED)
    return turn, first, last


def _clock_kind(session: Session, placing: Placing) -> str:
    if not session.timed:
        return "none"
    return "lost" if placing.lost else "dated"
