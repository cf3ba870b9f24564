"""What sessions of one meter tell about each other: the order of its memory, and that jobs are visited once."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from reconcile.matching.belief import Belief, Case
from reconcile.matching.placing import Hints

Places = NDArray[np.int64]

Span = tuple[int, float, float]
Claims = dict[tuple[Hashable, int], list[tuple[int, float]]]
"""By kind of session and job: which sessions were there, and how surely."""

KNOWN_WITHIN_S: Final = 900.0
CLAIMED: Final = 0.5
CONTESTED: Final = 0.05
SURE_FROM: Final = 0.99
APART_S: Final = 1800.0
ALIKE_WITHIN: Final = 0.01
"""Probabilities that differ by less are worth no further look."""


@dataclass(frozen=True, kw_only=True)
class Trace:
    """What a first look left: true time of the session's ends [s since 1970, NaN where open], ``visited`` jobs with
    their probability, the job it began at and the job it ended at (−1 none), whether its clock lost the date; ``seen``:
    when it was surely at an appliance (place, from, to) [s since 1970]; ``open``: whether any reading is undecided;
    ``sure``: how sure its readings are of their appliances, on average.
    """

    start_s: float
    end_s: float
    visited: dict[int, float]
    first_job: int
    last_job: int
    lost: bool
    seen: tuple[tuple[int, float, float], ...] = ()
    open: bool = True
    sure: float = 0.0


def trace_of(case: Case, belief: Belief | None) -> Trace:
    """The trace of one session."""
    if belief is None:
        return Trace(start_s=np.nan, end_s=np.nan, visited={}, first_job=-1, last_job=-1, lost=True)
    mean_s = float(belief.weight @ belief.offset_s)
    spread_s = float(np.sqrt(belief.weight @ (belief.offset_s - mean_s) ** 2))
    times = case.session.time_s[~np.isnan(case.session.time_s)]
    known = len(times) > 0 and spread_s < KNOWN_WITHIN_S
    by_reading = belief.belongs.sum(axis=2).max(axis=1)
    return Trace(
        start_s=float(times[0] - mean_s) if known else np.nan,
        end_s=float(times[-1] - mean_s) if known else np.nan,
        visited=belief.visited,
        first_job=belief.first_job,
        last_job=belief.last_job,
        lost=bool(belief.lost.any()),
        seen=_surely_at(case, belief, mean_s) if known else (),
        open=bool((by_reading < SURE_FROM).any()),
        sure=float(by_reading.mean()),
    )


def _surely_at(case: Case, belief: Belief, offset_s: float) -> tuple[tuple[int, float, float], ...]:
    """Runs of readings that surely belong to one appliance, in true time."""
    share = belief.belongs.sum(axis=2)
    sure = (share.max(axis=1) >= SURE_FROM) & ~np.isnan(case.session.time_s)
    places = np.flatnonzero(sure)
    if not len(places):
        return ()
    appliance = belief.appliances[share[places].argmax(axis=1)]
    times = case.session.time_s[places] - offset_s
    begins = np.flatnonzero((np.diff(appliance, prepend=-1) != 0) | (np.diff(times, prepend=-np.inf) > APART_S))
    ends = np.append(begins[1:], len(places)) - 1
    return tuple((int(appliance[a]), float(times[a]), float(times[b])) for a, b in zip(begins, ends, strict=True))


def find_hints(
    cases: list[Case], traces: list[Trace], job_of: Places, units: list[list[int]], kinds: Sequence[Hashable],
    *, by_surer: bool,
) -> dict[int, Hints]:  # fmt: skip
    """New hints for the units that deserve a second look, by their place; ``job_of``: the job of each appliance.

    ``units``: the numbers of the sessions judged together. Sessions of one file follow each other in time, and a job
    that another session of the same of ``kinds`` (the meter, or what it was used for where several engineers each had
    their own) has surely visited is hardly visited again, unless the session was cut in the
    middle of it. ``by_surer``: only those that are surer themselves are believed, lest two push each other off.
    """
    rank = _ranks(traces) if by_surer else np.zeros(len(traces))
    unit_of = {number: place for place, numbers in enumerate(units) for number in numbers}
    claims: Claims = {}
    for number, trace in enumerate(traces):
        for job, share in trace.visited.items():
            if share > CONTESTED:
                claims.setdefault((kinds[number], job), []).append((number, share))
    spans = _spans_by_job(cases, traces, job_of)
    found: dict[int, Hints] = {}
    for number, (case, trace) in enumerate(zip(cases, traces, strict=True)):
        place = unit_of[number]
        believed = rank <= rank[number]
        earliest_s, latest_s, beside = _between(number, cases, traces, unit_of, believed)
        visited = _visited_elsewhere(number, kinds[number], trace, claims, beside, unit_of, believed)
        seen = _seen_by_others(case, trace, spans) if trace.open and len(units[place]) == 1 else ()
        contested = any(trace.visited.get(job, 0.0) > CONTESTED for job in visited)
        bounded = trace.lost and (np.isfinite(earliest_s) or np.isfinite(latest_s))
        if contested or bounded or (trace.lost and visited) or seen:
            hints = replace(case.hints, visited=visited, earliest_s=earliest_s, latest_s=latest_s, seen=seen)
            found[place] = _both(found[place], hints) if place in found else hints
    return found


def _ranks(traces: list[Trace]) -> NDArray[np.float64]:
    """The place of each session by how sure it is, the surest first."""
    order = np.argsort([-trace.sure for trace in traces], kind="stable")
    rank = np.empty(len(traces))
    rank[order] = np.arange(len(traces))
    return rank


def alike(one: Hints, other: Hints) -> bool:
    """Whether two hints say the same."""
    jobs = one.visited.keys() | other.visited.keys()
    return (one.earliest_s, one.latest_s, one.seen) == (other.earliest_s, other.latest_s, other.seen) and all(
        abs(one.visited.get(job, 0.0) - other.visited.get(job, 0.0)) < ALIKE_WITHIN for job in jobs
    )


def _both(one: Hints, other: Hints) -> Hints:
    """What the hints for two sessions of one unit say together."""
    visited = {job: max(one.visited.get(job, 0.0), other.visited.get(job, 0.0)) for job in one.visited | other.visited}
    return replace(
        one,
        visited=visited,
        earliest_s=max(one.earliest_s, other.earliest_s),
        latest_s=min(one.latest_s, other.latest_s),
    )


def _spans_by_job(cases: list[Case], traces: list[Trace], job_of: Places) -> dict[int, list[tuple[str, Span]]]:
    """When which meter was surely at an appliance, by job."""
    spans: dict[int, list[tuple[str, Span]]] = {}
    for case, trace in zip(cases, traces, strict=True):
        for span in trace.seen:
            spans.setdefault(int(job_of[span[0]]), []).append((case.session.meter_serial or case.session.source, span))
    return spans


def _seen_by_others(case: Case, trace: Trace, spans: dict[int, list[tuple[str, Span]]]) -> tuple[Span, ...]:
    """What other meters saw at the jobs that this session may have been at."""
    own = case.session.meter_serial or case.session.source
    jobs = [job for job, share in trace.visited.items() if share > CONTESTED]
    return tuple(span for job in sorted(jobs) for meter, span in spans.get(job, []) if meter != own)


def _between(
    number: int, cases: list[Case], traces: list[Trace], unit_of: dict[int, int], believed: NDArray[np.bool_]
) -> tuple[float, float, set[int]]:  # fmt: skip
    """The true times between which the session lies by its neighbours in the same file, and the jobs at its ends."""
    earliest_s, latest_s, beside = -np.inf, np.inf, set[int]()
    own, source = unit_of[number], cases[number].session.source
    if number > 0 and cases[number - 1].session.source == source and unit_of[number - 1] != own:
        earliest_s = float(np.nan_to_num(traces[number - 1].end_s, nan=-np.inf)) if believed[number - 1] else -np.inf
        beside.add(traces[number - 1].last_job)
    after = number + 1
    if after < len(cases) and cases[after].session.source == source and unit_of[after] != own:
        latest_s = float(np.nan_to_num(traces[number + 1].start_s, nan=np.inf)) if believed[number + 1] else np.inf
        beside.add(traces[number + 1].first_job)
    return earliest_s, latest_s, beside


def _visited_elsewhere(
    number: int,
    kind: Hashable,
    trace: Trace,
    claims: Claims,
    beside: set[int],
    unit_of: dict[int, int],
    believed: NDArray[np.bool_],
) -> dict[int, float]:
    """Jobs that other sessions of the same kind have visited more surely than this one, except where it was cut."""
    jobs = trace.visited if not trace.lost else {job for one, job in claims if one == kind}
    visited: dict[int, float] = {}
    for job in jobs:
        if job in beside:
            continue
        claimed = claims.get((kind, job), [])
        others = [share for other, share in claimed if unit_of[other] != unit_of[number] and believed[other]]
        most = max(others, default=0.0)
        if most > CLAIMED and most >= trace.visited.get(job, 0.0):
            visited[job] = min(most, 1.0)
    return visited
