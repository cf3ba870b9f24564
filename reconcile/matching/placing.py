"""Where in the job list a session may lie: a few working days or hours, each with its jobs and clock offsets."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from reconcile.clock import (
    DAY_S,
    HOUR_S,
    Blocks,
    Hours,
    best_offsets,
    find_blocks,
    lost_offsets,
    near_offsets,
    offset_fit,
)
from reconcile.matching.labels import label_likelihoods
from reconcile.matching.order import Session
from reconcile.matching.visits import Visits, names_of

Numbers = NDArray[np.float64]
Places = NDArray[np.int64]

MOST_JOBS: Final = 24
MOST_DAYS: Final = 8
MOST_DAYS_TOGETHER: Final = 6
MOST_JOBS_TOGETHER: Final = 60
SEVERAL_DAYS: Final = 0.1
"""A memory without a clock, or without a date, holds more than one working day about this often (common practice)."""

LEFT_OUT: Final = 0.3
"""Weight of a day by each of its jobs that no label of the session speaks for."""

REACH_S: Final = 16 * HOUR_S
CLOSE_S: Final = 2.5 * HOUR_S
NAMED, UNNAMED, OTHER_METER = 1.0, 0.3, 0.0001
"""Weight of a job by its meter: the job list names this one, none, or another."""

OTHER_OWNER: Final = 0.05
"""Weight of the jobs of engineers for whom the list never names the meter, where it does for another (from memory)."""

NOT_ATTENDED: Final = 0.004
FORCED: Final = 1.0
VISITED_ELSEWHERE: Final = 0.99
LEAST_FIT: Final = 0.003
POOR_BLOCK: Final = -2.0
"""A clock that kept its date brings each block to a job better than this [log likelihood], or its date is in doubt."""

STILL_RIGHT: Final = 25.0
"""A clock that shows the right time is looked at unless another offset fits better by this [log likelihood]."""

SHORT_LIST: Final = 300
LONGEST_NIGHT_S: Final = 14 * HOUR_S
LOST_DATE: Final = 0.05
PLACINGS_WITHIN: Final = 9.0


@dataclass(frozen=True, kw_only=True)
class Placing:
    """One place where a session may lie: ``jobs`` (places in Visits) with their ``weight``, and clock offsets [s] with
    ``log_prior``; ``lost``: the clock lost its date (or gives no time).
    """

    jobs: Places
    weight: Numbers
    offset_s: Numbers
    log_prior: Numbers
    lost: bool


@dataclass(frozen=True, kw_only=True)
class Hints:
    """What is known from elsewhere: jobs that decisions name; jobs visited in other sessions of the meter (with
    probability); the true time [s] before and after which the session cannot lie; whether other sessions of the same
    file came before and after; ``seen``: when other meters were surely at an appliance (place, from, to)
    [s since 1970].
    """

    forced: Places
    visited: dict[int, float]
    preceded: bool = False
    followed: bool = False
    earliest_s: float = -np.inf
    latest_s: float = np.inf
    seen: tuple[tuple[int, float, float], ...] = ()


def find_placings(session: Session, words: list[str], visits: Visits, hints: Hints) -> list[Placing]:
    """The places where the session may lie, best first; none where the list holds no job in reach.

    ``words`` are the plain labels of the readings, empty for none.
    """
    blocks = find_blocks(session.time_s)
    times = session.time_s[~np.isnan(session.time_s)]
    if len(times):
        near = _within(visits, times[0] - REACH_S, times[-1] + REACH_S)
        if visits.dated[near].any():
            score, placing = _near_placing(session, words, visits, hints, blocks, near)
            if score > POOR_BLOCK * len(blocks.first):
                return [placing]
            kept = replace(placing, log_prior=placing.log_prior + np.log(1.0 - LOST_DATE))
            lost = _lost_placings(session, words, visits, hints, blocks)
            return [kept, *(replace(other, log_prior=other.log_prior + np.log(LOST_DATE)) for other in lost)]
    return _lost_placings(session, words, visits, hints, blocks)


def has_lost_date(session: Session, visits: Visits) -> bool:
    """True where no dated visit of the list is near the time of the meter's clock."""
    times = session.time_s[~np.isnan(session.time_s)]
    if not len(times):
        return True
    return not bool(visits.dated[_within(visits, times.min() - REACH_S, times.max() + REACH_S)].any())


def _within(visits: Visits, low_s: float, high_s: float) -> Places:
    """Jobs whose span overlaps, and jobs without any span."""
    start = np.searchsorted(visits.low_s, low_s - visits.reach_s)
    end = np.searchsorted(visits.low_s, high_s)
    nearby = np.arange(start, end)
    nearby = nearby[visits.high_s[nearby] >= low_s]
    return np.concatenate([nearby, np.flatnonzero(np.isnan(visits.low_s))])


def _weights(session: Session, visits: Visits, hints: Hints, jobs: Places) -> Numbers:
    own = visits.named_serials & set(session.serial_of_meter)
    owners = frozenset().union(*(visits.engineers_of.get(serial, frozenset()) for serial in own))
    by_meter = [
        UNNAMED if not own or not visits.serials[job] else NAMED if own & visits.serials[job] else OTHER_METER
        for job in jobs
    ]
    weight = np.array(by_meter, dtype=float) * np.where(visits.attended[jobs], 1.0, NOT_ATTENDED)
    if owners:
        strange = (visits.engineer[jobs] >= 0) & ~np.isin(visits.engineer[jobs], list(owners))
        weight *= np.where(strange, OTHER_OWNER, 1.0)
    if hints.visited:
        weight *= np.array([1.0 - VISITED_ELSEWHERE * hints.visited.get(int(job), 0.0) for job in jobs])
    return np.where(np.isin(jobs, hints.forced), FORCED, weight)


def _block_fit(words: list[str], visits: Visits, jobs: Places, blocks: Blocks) -> Numbers:
    """How well the labels of each block fit each job (blocks, jobs), best 1."""
    fit = np.ones((len(blocks.first), len(jobs)))
    bounds = np.append(blocks.first, len(words))
    typed = [sorted({word for word in words[a:b] if word}) for a, b in pairwise(bounds)]
    vocabulary = sorted({word for group in typed for word in group})
    if not vocabulary or not len(jobs):
        return fit
    appliances, job_of = appliances_of(visits, jobs)
    likelihood, _ = label_likelihoods(vocabulary, names_of(visits, appliances))
    by_job = np.maximum.reduceat(likelihood, np.searchsorted(job_of, np.arange(len(jobs))), axis=1)
    by_job = np.maximum(by_job / by_job.max(axis=1, keepdims=True), LEAST_FIT)
    place = {word: number for number, word in enumerate(vocabulary)}
    for block, group in enumerate(typed):
        if group:
            fit[block] = by_job[[place[word] for word in group]].max(axis=0)
    return fit


def appliances_of(visits: Visits, jobs: Places) -> tuple[Places, Places]:
    """Appliances of these jobs, job by job, and for each the place of its job in ``jobs``."""
    counts = visits.first_appliance[jobs + 1] - visits.first_appliance[jobs]
    job_of = np.repeat(np.arange(len(jobs)), counts)
    within = np.arange(int(counts.sum())) - np.repeat(np.cumsum(counts) - counts, counts)
    return visits.first_appliance[jobs][job_of] + within, job_of


def _near_placing(
    session: Session, words: list[str], visits: Visits, hints: Hints, blocks: Blocks, near: Places
) -> tuple[float, Placing]:  # fmt: skip
    """The one placing of a clock that kept its date, and how well its best offset fits [log likelihood]."""
    jobs = np.union1d(near, hints.forced).astype(np.int64)
    fit = _block_fit(words, visits, jobs, blocks)
    weight = _weights(session, visits, hints, jobs)
    first_s, last_s = blocks.start_s[0], blocks.end_s[-1]
    apart_s = np.nan_to_num(np.maximum(np.maximum(visits.low_s[jobs] - last_s, first_s - visits.high_s[jobs]), 0.0))
    worth = weight * fit.max(axis=0) * np.exp(apart_s / -HOUR_S)
    keep = np.sort(np.lexsort((jobs, -worth, ~np.isin(jobs, hints.forced)))[:MOST_JOBS])
    jobs, weight, fit, apart_s = jobs[keep], weight[keep], fit[:, keep], apart_s[keep]
    hours = Hours(low_s=visits.low_s[jobs], high_s=visits.high_s[jobs], weight=weight, fit=fit)
    offset_s, log_prior = near_offsets()
    score = log_prior + offset_fit(offset_s, blocks, hours)
    right = np.flatnonzero((offset_s == 0.0) & (score > score.max() - STILL_RIGHT))
    # A clock is right more often than the hours of a job list are.
    best = np.array(list(dict.fromkeys([*best_offsets(score), *right])), dtype=np.int64)
    low, high = first_s - offset_s[best].max() - CLOSE_S, last_s - offset_s[best].min() + CLOSE_S
    close = ~(visits.low_s[jobs] > high) & ~(visits.high_s[jobs] < low)
    close |= np.isin(jobs, hints.forced)
    placing = Placing(
        jobs=jobs[close], weight=weight[close], offset_s=offset_s[best], log_prior=log_prior[best], lost=False
    )
    return float(score[best[0]]), placing


def _lost_placings(
    session: Session, words: list[str], visits: Visits, hints: Hints, blocks: Blocks
) -> list[Placing]:  # fmt: skip
    """A placing for each working day that a clock without a date may have been in, the best few days."""
    if not len(blocks.first):
        blocks = Blocks(start_s=np.empty(0), end_s=np.empty(0), first=_label_runs(words))
    days = _likely_days(session, words, visits, hints, blocks)
    found: list[tuple[float, Placing]] = []
    for day_prior, jobs in days:
        weight = _weights(session, visits, hints, jobs)
        fit = _block_fit(words, visits, jobs, blocks)
        hours = Hours(low_s=visits.low_s[jobs], high_s=visits.high_s[jobs], weight=weight, fit=fit)
        offset_s, log_prior = lost_offsets(blocks, hours)
        inside = _inside(blocks, offset_s, hints)
        offset_s, log_prior = offset_s[inside], log_prior[inside] + day_prior
        if len(offset_s):
            score = log_prior + offset_fit(offset_s, blocks, hours)
            best = best_offsets(score)
            placing = Placing(jobs=jobs, weight=weight, offset_s=offset_s[best], log_prior=log_prior[best], lost=True)
            found.append((float(score[best[0]]), placing))
    found.sort(key=lambda pair: -pair[0])
    return [placing for score, placing in found if score > found[0][0] - PLACINGS_WITHIN][:4]


def _inside(blocks: Blocks, offset_s: Numbers, hints: Hints) -> NDArray[np.bool_]:
    """Offsets that keep the session between its neighbours in the memory, give or take a quarter of an hour."""
    if not len(blocks.start_s):
        return np.ones(len(offset_s), dtype=bool)
    slack_s = 900.0
    starts, ends = blocks.start_s[0] - offset_s, blocks.end_s[-1] - offset_s
    inside: NDArray[np.bool_] = (starts > hints.earliest_s - slack_s) & (ends < hints.latest_s + slack_s)
    return inside


def _likely_days(
    session: Session, words: list[str], visits: Visits, hints: Hints, blocks: Blocks
) -> list[tuple[float, Places]]:  # fmt: skip
    """Log prior and jobs of the working days that fit the meter, the labels and the neighbours best.

    In a long job list only labels that are typed exactly count at first, so that the time taken stays small.
    """
    undated = np.flatnonzero(~visits.dated)
    jobs = np.arange(len(visits.job_id))
    weight = _weights(session, visits, hints, jobs)
    long = len(jobs) > SHORT_LIST
    fit = _exact_fit(words, visits, blocks) if long else _block_fit(words, visits, jobs, blocks)
    worth = np.log(np.maximum(weight * fit, 1e-9))
    dated = np.flatnonzero(visits.dated)
    starts = np.flatnonzero(np.diff(visits.day[dated], prepend=-1))
    expected = weight >= 0.25 * weight.max(initial=0.0)
    scored: list[tuple[float, float, Places]] = []
    if len(dated):
        best = np.maximum.reduceat(worth[:, dated], starts, axis=1)
        late = np.minimum.reduceat(visits.low_s[dated], starts) > hints.latest_s
        early = np.maximum.reduceat(visits.high_s[dated], starts) < hints.earliest_s
        left_out = np.add.reduceat(_unclaimed(worth, expected)[dated], starts)
        ends = np.append(starts[1:], len(dated))
        for first, last, likely in _runs_of_days(best, left_out, late | early, _most_days(session)):
            share = 1.0 - SEVERAL_DAYS if first == last else SEVERAL_DAYS / MOST_DAYS_TOGETHER
            members = dated[starts[first] : ends[last]]
            most = MOST_JOBS if first == last else MOST_JOBS_TOGETHER
            scored.append((likely, np.log(share), _with_undated(members, undated, worth, visits, most)))
    if len(undated):
        # They are among the jobs of the days too; on their own only where they fit better than any day.
        place = undated[np.lexsort((undated, -worth[:, undated].max(axis=0)))[:MOST_JOBS]]
        likely = float(worth[:, place].max(axis=1).sum())
        if likely > max((found[0] for found in scored), default=-np.inf):
            scored.append((likely, 0.0, np.sort(place)))
    scored.sort(key=lambda found: (-found[0], int(found[2][0])))
    return [(share - float(np.log(len(starts) + 1.0)), members) for _, share, members in scored[:MOST_DAYS]]


def _label_runs(words: list[str]) -> Places:
    """Where each label is typed for the first time after another one; shape (runs,), the first is 0."""
    begins, last = [0], ""
    for place, word in enumerate(words):
        if word and last and word != last:
            begins.append(place)
        last = word or last
    return np.array(begins, dtype=np.int64)


def _most_days(session: Session) -> int:
    """How many working days a session may hold: where its clock ran, as many as it ran through."""
    times = session.time_s[~np.isnan(session.time_s)]
    if not len(times):
        return MOST_DAYS_TOGETHER
    return int(min((times.max() - times.min() + LONGEST_NIGHT_S) // DAY_S + 1, MOST_DAYS_TOGETHER))


def _unclaimed(worth: Numbers, expected: NDArray[np.bool_]) -> Numbers:
    """Log weight of leaving each job out (jobs): less than 0 where it is expected and no block fits it best."""
    claimed = (worth >= worth.max(axis=1, keepdims=True)).any(axis=0)
    return np.where(expected & ~claimed, np.log(LEFT_OUT), 0.0)


def _runs_of_days(
    best: Numbers, left_out: Numbers, outside: NDArray[np.bool_], most: int
) -> list[tuple[int, int, float]]:  # fmt: skip
    """The runs of working days that fit best (first, last, log likelihood); ``best`` (blocks, days), ``left_out`` of
    each day, and whether it lies ``outside`` of what the neighbours in the memory leave.
    """
    days = best.shape[1]
    found: list[tuple[int, int, float]] = []
    fit, missing = best, left_out
    for length in range(min(most, days)):
        if length:
            fit = np.maximum(fit[:, : days - length], best[:, length:])
            missing = missing[: days - length] + left_out[length:]
        likely = fit.sum(axis=0) + missing
        for first in np.argsort(-likely, kind="stable")[:MOST_DAYS]:
            if not outside[first : first + length + 1].any():
                found.append((int(first), int(first) + length, float(likely[first])))
    return found


def _with_undated(members: Places, undated: Places, worth: Numbers, visits: Visits, most: int) -> Places:
    """The jobs of a few working days with those that may lie in them too."""
    low, high = visits.low_s[members].min(), visits.high_s[members].max()
    beside = undated[~(visits.low_s[undated] > high) & ~(visits.high_s[undated] < low)]
    every = np.sort(np.concatenate([members, beside]))
    if len(every) > most:
        every = np.sort(every[np.lexsort((every, -worth[:, every].max(axis=0)))[:most]])
    return every


def _exact_fit(words: list[str], visits: Visits, blocks: Blocks) -> Numbers:
    """1 where a block has no label, or one that the list gives to the job; else the least (blocks, jobs)."""
    listed = visits.called[0][1]
    fit = np.ones((len(blocks.first), len(visits.job_id)))
    for block, (start, end) in enumerate(pairwise(np.append(blocks.first, len(words)))):
        typed = {word for word in words[start:end] if word}
        if typed:
            fit[block] = LEAST_FIT
            for word in typed:
                fit[block, visits.appliance_job[listed == word]] = 1.0
    return fit
