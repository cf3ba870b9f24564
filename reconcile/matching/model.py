"""The factors of one session's chain, from its readings, the visits in reach and a few clock hypotheses."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np
from numpy.typing import NDArray

from reconcile.clock import HOUR_S, Offsets, blocks_of, find_offsets, outside, window_fit
from reconcile.matching.chain import Chain
from reconcile.matching.labels import foreign_likelihoods, label_likelihoods, plain_label
from reconcile.matching.order import KINDS, Session
from reconcile.matching.progress import pause_class, pause_densities, step_kernel, steps_of_kind
from reconcile.matching.visits import Visits

Numbers = NDArray[np.float64]
Places = NDArray[np.int64]

MOST_JOBS: Final = 40
REACH_S: Final = 16 * HOUR_S
NAMED, UNNAMED, OTHER_METER = 1.0, 0.3, 0.03
NOT_ATTENDED: Final = 0.004
OTHER_ENGINEER: Final = 0.1
UNLISTED: Final = 0.004
STRAY: Final = 0.012
TYPED_AFRESH: Final = 0.3
NEXT_APPLIANCE: Final = 0.75
BACK_TO_APPLIANCE: Final = 0.03
MOST_REMEMBERED: Final = 3
"""Jobs with more appliances than this do not remember which were done: the states would be too many."""

OUT_OF_REACH: Final = 1e-12


@dataclass(frozen=True, kw_only=True)
class Decided:
    """What people decided for the readings of one session: appliance place, −1 stray, −2 nothing; step, −1 any."""

    appliance: Places
    step: Places


@dataclass(frozen=True, kw_only=True)
class SessionModel:
    """One session with its chain. ``jobs`` and ``appliances`` are places in Visits; ``slot_appliance`` (U) the place of
    each slot's appliance in ``appliances``, −1 for an unlisted visit.
    """

    session: Session
    chain: Chain
    offsets: Offsets
    jobs: Places
    appliances: Places
    slot_appliance: Places


def build_model(session: Session, visits: Visits, decided: Decided) -> SessionModel | None:
    """The model of one session, or nothing where the job list holds no job in reach."""
    lost, jobs, weight = _jobs_in_reach(session, visits, decided)
    appliances = np.concatenate([visits.appliances_of[job] for job in jobs]) if len(jobs) else np.empty(0, np.int64)
    if not len(appliances):
        return None
    jobs, weight = _with_appliances(jobs, weight, visits)
    appliances = np.concatenate([visits.appliances_of[job] for job in jobs])
    seen = [plain_label(text) for text in session.label]
    fit, foreign = _label_factors(seen, visits, appliances)
    job_of = np.searchsorted(
        np.cumsum([len(visits.appliances_of[job]) for job in jobs]), np.arange(len(appliances)), "right"
    )
    offsets = _offsets(session, visits, jobs, weight, fit, job_of, seen, lost)
    slots, switch, opening, slot_job = _slots(job_of, len(jobs))
    chain = _chain(
        session=session, visits=visits, jobs=jobs, weight=weight, seen=seen, fit=fit, foreign=foreign,
        offsets=offsets, slots=slots, switch=switch, opening=opening, slot_job=slot_job, decided=decided,
        appliances=appliances,
    )  # fmt: skip
    return SessionModel(
        session=session, chain=chain, offsets=offsets, jobs=jobs, appliances=appliances, slot_appliance=slots
    )


def _jobs_in_reach(session: Session, visits: Visits, decided: Decided) -> tuple[bool, Places, Numbers]:
    """Whether the date is lost; the jobs that the session can be about, by time; and their weight."""
    weight = np.array([_meter_weight(session.meter_serial, serials) for serials in visits.serials])
    weight = weight * np.where(visits.attended, 1.0, NOT_ATTENDED)
    times = session.time_s[~np.isnan(session.time_s)]
    lost, near = True, np.zeros(len(weight), dtype=bool)
    if len(times):
        near = ~(visits.low_s > times.max() + REACH_S) & ~(visits.high_s < times.min() - REACH_S)
        lost = not (near & (visits.dated | ~np.isfinite(visits.low_s))).any()
    if lost:
        near[:] = True
    forced = np.isin(np.arange(len(weight)), visits.appliance_job[decided.appliance[decided.appliance >= 0]])
    near |= forced
    weight = np.where(forced, np.maximum(weight, UNNAMED), weight)
    places = np.flatnonzero(near)
    if len(places) > MOST_JOBS:
        middle = np.median(times) if len(times) and not lost else 0.0
        far = outside(np.full(len(places), middle), visits.low_s[places], visits.high_s[places])
        best = np.lexsort((far, -weight[places], ~forced[places]))[:MOST_JOBS]
        places = np.sort(places[best])
    return lost, places, weight[places]


def _meter_weight(serial: str | None, named: frozenset[str]) -> float:
    if not named or serial is None:
        return UNNAMED
    return NAMED if serial in named else OTHER_METER


def _with_appliances(jobs: Places, weight: Numbers, visits: Visits) -> tuple[Places, Numbers]:
    keep = np.array([len(visits.appliances_of[job]) > 0 for job in jobs])
    return jobs[keep], weight[keep]


def _label_factors(seen: list[str], visits: Visits, appliances: Places) -> tuple[Numbers, Numbers]:
    """Likelihood of each reading's label under each appliance (T, A), and where it is foreign (T); 1 where blank."""
    listed = [plain_label(text) for text in visits.appliance_label[appliances]]
    names = [plain_label(text) for text in visits.appliance_id[appliances]]
    words = sorted({text for text in seen if text})
    fit = np.ones((len(seen), len(appliances)))
    foreign = np.ones(len(seen))
    if words:
        place = {text: number for number, text in enumerate(words)}
        rows = np.array([place.get(text, -1) for text in seen])
        fit[rows >= 0] = label_likelihoods(words, listed, names)[rows[rows >= 0]]
        foreign[rows >= 0] = foreign_likelihoods(words, listed)[rows[rows >= 0]]
    return fit, foreign


def _offsets(
    session: Session, visits: Visits, jobs: Places, weight: Numbers, fit: Numbers, job_of: Places, seen: list[str],
    lost: bool,
) -> Offsets:  # fmt: skip
    """Clock hypotheses from the blocks of readings, the hours of the jobs and the labels of each block."""
    start_s, end_s, first = blocks_of(session.time_s)
    blocks = np.append(first, len(seen))
    block_fit = np.ones((len(start_s), len(jobs)))
    for block in range(len(start_s)):
        typed = [place for place in range(blocks[block], blocks[block + 1]) if seen[place]]
        if typed:
            best = np.array([fit[typed[0], job_of == job].max() for job in range(len(jobs))])
            block_fit[block] = best / best.mean()
    return find_offsets(
        start_s=start_s, end_s=end_s, low_s=visits.low_s[jobs], high_s=visits.high_s[jobs], weight=weight,
        block_fit=block_fit, lost=lost,
    )  # fmt: skip


def _slots(job_of: Places, job_count: int) -> tuple[Places, Numbers, Numbers, Places]:
    """Slots: appliance of each (−1 unlisted), switching between them, share of openings, job of each."""
    slot_appliance: list[int] = []
    slot_done: list[frozenset[int]] = []
    slot_job: list[int] = []
    for job in range(job_count):
        members = [int(place) for place in np.flatnonzero(job_of == job)]
        for appliance in members:
            others = [other for other in members if other != appliance]
            sizes = range(len(others) + 1) if len(members) <= MOST_REMEMBERED else [0]
            for done in (frozenset(chosen) for size in sizes for chosen in combinations(others, size)):
                slot_appliance.append(appliance)
                slot_done.append(done)
                slot_job.append(job)
    slot_appliance.append(-1)
    slot_done.append(frozenset())
    slot_job.append(job_count)
    count = len(slot_appliance)
    sizes_of = np.bincount(job_of, minlength=job_count)
    switch = np.zeros((count, count))
    opening = np.zeros(count)
    for source in range(count - 1):
        opening[source] = 0.0 if slot_done[source] else 1.0 / sizes_of[slot_job[source]]
        remembers = sizes_of[slot_job[source]] <= MOST_REMEMBERED
        done = slot_done[source] | {slot_appliance[source]}
        for target in range(count - 1):
            if slot_job[target] != slot_job[source] or slot_appliance[target] == slot_appliance[source]:
                continue
            left = sizes_of[slot_job[source]] - len(done)
            if not remembers:
                switch[source, target] = NEXT_APPLIANCE / max(sizes_of[slot_job[source]] - 1, 1)
            elif slot_done[target] == done and slot_appliance[target] not in done:
                switch[source, target] = NEXT_APPLIANCE / left
            elif slot_done[target] == done - {slot_appliance[target]} and slot_appliance[target] in done:
                switch[source, target] = BACK_TO_APPLIANCE / max(len(done) - 1, 1)
    opening[-1] = 1.0
    return np.array(slot_appliance), switch, opening, np.array(slot_job)


def _chain(
    *, session: Session, visits: Visits, jobs: Places, weight: Numbers, seen: list[str], fit: Numbers,
    foreign: Numbers, offsets: Offsets, slots: Places, switch: Numbers, opening: Numbers, slot_job: Places,
    decided: Decided, appliances: Places,
) -> Chain:  # fmt: skip
    """All factors of the chain (see reconcile.matching.chain.Chain)."""
    kernel, leave, first = step_kernel()
    steps = steps_of_kind()[session.kind]
    wanted = np.where(steps < 0, 0, steps)
    pause_s = np.diff(session.time_s, prepend=np.nan)
    density = pause_densities(np.where(pause_s < 0, np.nan, pause_s))
    same_record = np.diff(session.record, prepend=-1) == 0
    pauses = np.stack([density["within"], density["isolate"], density["restore"]], axis=1)
    pauses[same_record] = 1.0
    onward = (
        kernel[:, wanted].transpose(1, 0, 2)
        * pauses[np.arange(len(steps))[:, None, None], pause_class()[:, wanted].transpose(1, 0, 2)]
    )
    onward = np.where(steps[:, None, :] < 0, 0.0, onward)
    blank = np.array([not text for text in seen])
    stray_pause = np.where(same_record, 1e-4, density["stray"])
    unlisted = np.concatenate([fit, foreign[:, None]], axis=1)
    label = unlisted[:, slots]
    previous = _previous_labels(seen)
    same = np.array([bool(text) and text == before for text, before in zip(seen, previous, strict=True)])
    stay_label = np.where(same[:, None], 1.0 - TYPED_AFRESH, 0.0) + TYPED_AFRESH * label
    stray = STRAY / len(KINDS) * stray_pause * np.where(blank, 1.0, np.maximum(foreign, np.where(same, 0.3, 0.0)))
    allowed, step_allowed, stray_allowed = _allowed(decided, appliances, slots, steps)
    travel = _travel(visits, jobs, weight, session, offsets)
    enter, leaving = _windows(session, visits, jobs, offsets)
    return Chain(
        steps=steps, onward=onward, leave=leave, first=np.where(steps < 0, 0.0, first[wanted]), switch=switch,
        switch_pause=np.where(same_record, 1e-7, density["appliance"]), travel=travel,
        travel_pause=np.where(same_record, 1e-7, density["job"]), enter=enter, exit=leaving, slot_job=slot_job,
        opening=opening, stay_label=stay_label, label=label, blank=blank, stray=stray * stray_allowed,
        allowed=allowed, step_allowed=step_allowed,
    )  # fmt: skip


def _previous_labels(seen: list[str]) -> list[str]:
    """The last label typed before each reading, empty where there is none."""
    previous, last = [], ""
    for text in seen:
        previous.append(last)
        last = text or last
    return previous


def _allowed(decided: Decided, appliances: Places, slots: Places, steps: Places) -> tuple[Numbers, Numbers, Numbers]:
    """What decisions leave: slots (T, U), steps (T, D), stray (T)."""
    place = {int(appliance): number for number, appliance in enumerate(appliances)}
    allowed = np.ones((len(steps), len(slots)))
    step_allowed = np.ones(steps.shape)
    stray_allowed = np.ones(len(steps))
    for reading in np.flatnonzero(decided.appliance > -2):
        appliance = int(decided.appliance[reading])
        fitting = slots == place[appliance] if appliance >= 0 else np.zeros(len(slots), dtype=bool)
        allowed[reading] = np.where(fitting, 1.0, OUT_OF_REACH)
        stray_allowed[reading] = OUT_OF_REACH if appliance >= 0 else 1.0
        if decided.step[reading] >= 0:
            step_allowed[reading] = np.where(steps[reading] == decided.step[reading], 1.0, OUT_OF_REACH)
    return allowed, step_allowed, stray_allowed


def _travel(visits: Visits, jobs: Places, weight: Numbers, session: Session, offsets: Offsets) -> Numbers:
    """From job to job (J + 1 unlisted, last row: before the first visit); rows sum to one.

    Without any time the visits follow the hours of the list, each place skipped at a cost.
    """
    count = len(jobs)
    engineer = visits.engineer[jobs]
    other = np.array([[a is not None and b is not None and a != b for b in engineer] for a in engineer])
    travel = np.ones((count + 1, count + 1))
    travel[:count, :count] = np.where(other, OTHER_ENGINEER, 1.0)
    travel[:, :count] *= weight
    if np.isnan(session.time_s).all():
        travel[:, :count] *= _by_order(count)
    travel[np.arange(count), np.arange(count)] *= 0.05
    travel[:, :count] *= (1.0 - UNLISTED) / np.maximum(travel[:, :count].sum(axis=1, keepdims=True), 1e-12)
    travel[:, count] = UNLISTED
    return travel


def _by_order(count: int) -> Numbers:
    """Weight of going from visit to visit by their order alone: the next most, skipping at a cost, back hardly."""
    ahead = np.arange(count)[None, :] - np.arange(-1, count)[:, None]
    ahead = np.vstack([ahead[1:], ahead[:1]])
    return np.where(ahead > 0, 0.35 ** np.maximum(ahead - 1, 0), 0.01)


def _windows(session: Session, visits: Visits, jobs: Places, offsets: Offsets) -> tuple[Numbers, Numbers]:
    """Fit of entering (H, T, J + 1) and of having left (H, T, J + 1) each job at each reading, by the listed hours."""
    shape = (len(offsets.offset_s), len(session.time_s), len(jobs) + 1)
    enter, leaving = np.ones(shape), np.ones(shape)
    known = ~np.isnan(session.time_s)
    low, high = visits.low_s[jobs], visits.high_s[jobs]
    width = np.where(np.isfinite(low), np.maximum(high - low, 600.0) + 1200.0, 24 * HOUR_S)
    true_s = session.time_s[None, :, None] - offsets.offset_s[:, None, None]
    enter[:, :, :-1] = window_fit(outside(true_s, low, high)) * 12 * HOUR_S / width
    before_s = np.concatenate([true_s[:, :1], true_s[:, :-1]], axis=1)
    leaving[:, :, :-1] = window_fit(outside(before_s, low, high))
    enter[:, ~known] = 1.0
    leaving[:, ~known | ~np.concatenate([known[:1], known[:-1]])] = 1.0
    return enter, leaving
