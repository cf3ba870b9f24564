"""What sessions of one meter tell about each other: the order of its memory, and that jobs are visited once."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from reconcile.matching.belief import Belief, Case
from reconcile.matching.placing import Hints

Places = NDArray[np.int64]

KNOWN_WITHIN_S: Final = 900.0
CLAIMED: Final = 0.5
CONTESTED: Final = 0.05
SURE_FROM: Final = 0.99
APART_S: Final = 1800.0


@dataclass(frozen=True, kw_only=True)
class Trace:
    """What a first look left: true time of the session's ends [s since 1970, NaN where open], ``visited`` jobs with
    their probability, the job it began at and the job it ended at (−1 none), whether its clock lost the date; ``seen``:
    when it was surely at an appliance (place, from, to) [s since 1970]; ``open``: whether any reading is undecided.
    """

    start_s: float
    end_s: float
    visited: dict[int, float]
    first_job: int
    last_job: int
    lost: bool
    seen: tuple[tuple[int, float, float], ...] = ()
    open: bool = True


def trace_of(case: Case, belief: Belief | None) -> Trace:
    """The trace of one session."""
    if belief is None:
        return Trace(start_s=np.nan, end_s=np.nan, visited={}, first_job=-1, last_job=-1, lost=True)
    mean_s = float(belief.weight @ belief.offset_s)
    spread_s = float(np.sqrt(belief.weight @ (belief.offset_s - mean_s) ** 2))
    times = case.session.time_s[~np.isnan(case.session.time_s)]
    known = len(times) > 0 and spread_s < KNOWN_WITHIN_S
    return Trace(
        start_s=float(times[0] - mean_s) if known else np.nan,
        end_s=float(times[-1] - mean_s) if known else np.nan,
        visited=belief.visited,
        first_job=belief.first_job,
        last_job=belief.last_job,
        lost=bool(belief.lost.any()),
        seen=_surely_at(case, belief, mean_s) if known else (),
        open=bool((belief.belongs.sum(axis=2).max(axis=1) < SURE_FROM).any()),
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
    cases: list[Case], traces: list[Trace], job_of: Places, units: list[list[int]]
) -> dict[int, Hints]:  # fmt: skip
    """New hints for the units that deserve a second look, by their place; ``job_of``: the job of each appliance.

    ``units``: the numbers of the sessions judged together. Sessions of one file follow each other in time, and a job
    that another session of the meter has surely visited is hardly visited again, unless the session was cut in the
    middle of it.
    """
    unit_of = {number: place for place, numbers in enumerate(units) for number in numbers}
    claims: dict[tuple[str, int], list[tuple[int, float]]] = {}
    for number, (case, trace) in enumerate(zip(cases, traces, strict=True)):
        for job, share in trace.visited.items():
            if share > CONTESTED:
                claims.setdefault((case.session.meter_serial or "", job), []).append((number, share))
    spans = _spans_by_job(cases, traces, job_of)
    found: dict[int, Hints] = {}
    for number, (case, trace) in enumerate(zip(cases, traces, strict=True)):
        place = unit_of[number]
        earliest_s, latest_s, beside = _between(number, cases, traces, unit_of)
        visited = _visited_elsewhere(number, case, trace, claims, beside, unit_of)
        seen = _seen_by_others(case, trace, spans) if trace.open and len(units[place]) == 1 else ()
        contested = any(trace.visited.get(job, 0.0) > CONTESTED for job in visited)
        bounded = trace.lost and (np.isfinite(earliest_s) or np.isfinite(latest_s))
        if contested or bounded or (trace.lost and visited) or seen:
            hints = replace(case.hints, visited=visited, earliest_s=earliest_s, latest_s=latest_s, seen=seen)
            found[place] = _both(found[place], hints) if place in found else hints
    return found


def _both(one: Hints, other: Hints) -> Hints:
    """What the hints for two sessions of one unit say together."""
    visited = {job: max(one.visited.get(job, 0.0), other.visited.get(job, 0.0)) for job in one.visited | other.visited}
    return replace(
        one,
        visited=visited,
        earliest_s=max(one.earliest_s, other.earliest_s),
        latest_s=min(one.latest_s, other.latest_s),
    )


Span = tuple[int, float, float]


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
    number: int, cases: list[Case], traces: list[Trace], unit_of: dict[int, int]
) -> tuple[float, float, set[int]]:  # fmt: skip
    """The true times between which the session lies by its neighbours in the same file, and the jobs at its ends."""
    earliest_s, latest_s, beside = -np.inf, np.inf, set[int]()
    own, source = unit_of[number], cases[number].session.source
    if number > 0 and cases[number - 1].session.source == source and unit_of[number - 1] != own:
        earliest_s = float(np.nan_to_num(traces[number - 1].end_s, nan=-np.inf))
        beside.add(traces[number - 1].last_job)
    after = number + 1
    if after < len(cases) and cases[after].session.source == source and unit_of[after] != own:
        latest_s = float(np.nan_to_num(traces[number + 1].start_s, nan=np.inf))
        beside.add(traces[number + 1].first_job)
    return earliest_s, latest_s, beside


def _visited_elsewhere(
    number: int,
    case: Case,
    trace: Trace,
    claims: dict[tuple[str, int], list[tuple[int, float]]],
    beside: set[int],
    unit_of: dict[int, int],
) -> dict[int, float]:
    """Jobs that other sessions of the meter have visited more surely than this one, except where it was cut."""
    serial = case.session.meter_serial or ""
    jobs = trace.visited if not trace.lost else {job for meter, job in claims if meter == serial}
    visited: dict[int, float] = {}
    for job in jobs:
        if job in beside:
            continue
        others = [share for other, share in claims.get((serial, job), []) if unit_of[other] != unit_of[number]]
        most = max(others, default=0.0)
        if most > CLAIMED and most >= trace.visited.get(job, 0.0):
            visited[job] = min(most, 1.0)
    return visited
