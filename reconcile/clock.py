"""Meter clocks: which offsets are possible, how well each fits the job list, and what is said about them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Numbers = NDArray[np.float64]

HOUR_S: Final = 3600.0
GRID_S: Final = 300.0
NEAR_S: Final = 2.5 * HOUR_S
FAR_HOURS: Final = 13
LOST_AFTER_S: Final = 20 * HOUR_S
"""A session with no listed visit within this time of its own clock has lost its date."""

BLOCK_PAUSE_S: Final = 6 * 60.0
HYPOTHESES_KEPT: Final = 6


@dataclass(frozen=True, kw_only=True)
class Offsets:
    """Clock hypotheses of one session: ``offset_s`` [s] meter minus true time, with ``log_prior``; ``lost`` date."""

    offset_s: Numbers
    log_prior: Numbers
    lost: bool


def window_fit(distance_s: Numbers) -> Numbers:
    """How likely a time is that lies ``distance_s`` [s] outside the hours given for a job (0 inside), 0 to 1.

    Hours in job lists are rough: most within minutes, some by half an hour, a few simply wrong (common practice).
    """
    near = 0.8 * np.exp(-distance_s / 360.0) + 0.197 * np.exp(-distance_s / 1800.0)
    return np.asarray(near + 0.003, dtype=np.float64)


def outside(time_s: Numbers, low_s: Numbers, high_s: Numbers) -> Numbers:
    """Distance [s] of times from the span ``low_s`` to ``high_s``; 0 inside; 0 too where the span is unknown."""
    return np.asarray(np.nan_to_num(np.maximum(np.maximum(low_s - time_s, time_s - high_s), 0.0)), dtype=np.float64)


def blocks_of(time_s: Numbers) -> tuple[Numbers, Numbers, NDArray[np.int64]]:
    """First and last time [s] of each run of readings without a longer pause, and the place of its first reading."""
    known = np.flatnonzero(~np.isnan(time_s))
    if not len(known):
        return np.empty(0), np.empty(0), np.empty(0, dtype=np.int64)
    times = time_s[known]
    starts = np.flatnonzero(np.diff(times, prepend=-np.inf) > BLOCK_PAUSE_S)
    ends = np.append(starts[1:], len(times)) - 1
    return times[starts], times[ends], known[starts]


def find_offsets(
    *,
    start_s: Numbers,
    end_s: Numbers,
    low_s: Numbers,
    high_s: Numbers,
    weight: Numbers,
    block_fit: Numbers,
    lost: bool,
) -> Offsets:
    """The few offsets that fit the listed hours best, with their prior.

    ``start_s`` and ``end_s`` of the session's blocks, ``low_s`` and ``high_s`` of the jobs with ``weight``;
    ``block_fit`` (blocks, jobs): how well the labels of a block fit a job. A clock that kept its date is within hours
    of the truth; one that lost it may be anywhere, so its offsets are those that bring some block to some job.
    """
    if not len(start_s) or not np.isfinite(low_s).any():
        return Offsets(offset_s=np.zeros(1), log_prior=np.zeros(1), lost=lost)
    if lost:
        offsets = np.unique(np.round((start_s[:, None] - low_s[None, np.isfinite(low_s)]).ravel() / GRID_S) * GRID_S)
        offsets = np.unique(np.concatenate([offsets - GRID_S, offsets, offsets - 2 * GRID_S]))
        log_prior = np.full(len(offsets), -np.log(len(offsets)))
    else:
        near = np.arange(-NEAR_S, NEAR_S + 1, GRID_S)
        far = np.array([hour * HOUR_S for hour in range(-FAR_HOURS, FAR_HOURS + 1) if abs(hour * HOUR_S) > NEAR_S])
        offsets = np.concatenate([near, far])
        log_prior = np.log(_dated_prior(offsets))
    score = log_prior + _coarse_fit(offsets, start_s, end_s, low_s, high_s, weight, block_fit)
    best = _best_apart(offsets, score)
    return Offsets(offset_s=offsets[best], log_prior=log_prior[best], lost=lost)


def _dated_prior(offset_s: Numbers) -> Numbers:
    """Prior of an offset of a clock that kept its date: right, minutes off, whole hours off (common practice)."""
    minutes = np.exp(-0.5 * (offset_s / 600.0) ** 2) + 0.02 * np.exp(-np.abs(offset_s) / HOUR_S)
    summer = 0.5 * (np.abs(np.abs(offset_s) - HOUR_S) < 1.0)
    hours = 0.002 * (np.abs(np.round(offset_s / HOUR_S) * HOUR_S - offset_s) < 1.0)
    right = 8.0 * (np.abs(offset_s) < 1.0)
    prior = right + summer + 0.1 * minutes + hours + 1e-4
    return np.asarray(prior / prior.sum(), dtype=np.float64)


def _coarse_fit(
    offsets: Numbers, start_s: Numbers, end_s: Numbers, low_s: Numbers, high_s: Numbers, weight: Numbers, fit: Numbers
) -> Numbers:
    """Log likelihood of the blocks' times under each offset, each block at its best jobs."""
    share = weight / weight.sum()
    width = np.where(np.isfinite(low_s), high_s - low_s + 1200.0, 24 * HOUR_S)
    total = np.zeros(len(offsets))
    for place in range(len(start_s)):
        begin = window_fit(outside((start_s[place] - offsets)[:, None], low_s[None], high_s[None]))
        finish = window_fit(outside((end_s[place] - offsets)[:, None], low_s[None], high_s[None]))
        total += np.log((begin * np.sqrt(finish) * share * fit[place] * 12 * HOUR_S / width).sum(axis=1) + 1e-4)
    return total


def _best_apart(offsets: Numbers, score: Numbers) -> NDArray[np.int64]:
    """Places of the best offsets, best first, none beside a better one unless it is nearly as good."""
    order = np.argsort(-score, kind="stable")
    kept = order[: HYPOTHESES_KEPT * 4]
    kept = kept[score[kept] > score[kept[0]] - 14.0]
    return np.asarray(np.sort(kept[:HYPOTHESES_KEPT]), dtype=np.int64)
