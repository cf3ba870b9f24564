"""The factors of one session: what its readings say about labels, pauses and steps, and its placings about hours."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from reconcile.clock import hours_density, hours_fit
from reconcile.matching.chain import LOOKS_BACK
from reconcile.matching.habits import Habits, lies_between, pause_densities
from reconcile.matching.label_factors import label_factors, labels_before
from reconcile.matching.order import KINDS, Session
from reconcile.matching.placing import Hints, Placing, appliances_of
from reconcile.matching.progress import (
    STAGE_COUNT,
    STEP_OF_STAGE,
    TO_APPLIANCE,
    TO_JOB,
    TO_STRAY,
    resumed_stage,
    stages_of_kind,
    was_isolated,
)
from reconcile.matching.slots import Slots, lay_out_slots
from reconcile.matching.travel import travel_weights
from reconcile.matching.visits import Visits

Numbers = NDArray[np.float64]
Places = NDArray[np.int64]


WIDE_RECORD: Final = 3.0
ANOTHER_RECORD: Final = 0.2
"""How often one appliance takes another record where records hold several readings each."""

RCD_UNKNOWN: Final = 0.2
"""An RCD test where the job list knows of no RCD, against one where it does (from simulated days)."""

EARTH_OF_CLASS_TWO: Final = 0.15
OUT_OF_REACH: Final = 1e-12
TOGETHER_S: Final = 600.0
NOT_TOGETHER: Final = 0.04
NOT_SEEN: Final = 0.15
"""Beginning an appliance that the other meter did not see, while that meter was at another one."""

NOT_NAMED_HERE: Final = 0.05
"""A reading of a meter that the list names, at a visit for which it names others or at another engineer's."""

IS_OF_RCD: Final = np.array([*(quantity == "rcd_trip_time" for quantity, _ in KINDS), False])
IS_OF_EARTH: Final = np.array([*(quantity == "continuity_resistance" for quantity, _ in KINDS), False])
"""By kind; the last entry stands for none (−1)."""

APART_IN_ONE_RECORD: Final = 1e-7


@dataclass(frozen=True, kw_only=True)
class Decided:
    """What people decided for the readings of one session: appliance place, −1 stray, −2 nothing; step, −1 any."""

    appliance: Places
    step: Places


@dataclass(frozen=True, kw_only=True)
class ReadingFactors:
    """What does not depend on the placing (shapes as in ChainBatch, without the session axis). ``stages`` (T, D)."""

    stages: Places
    onward: Numbers
    leave: Numbers
    last: Numbers
    first: Numbers
    again: Numbers
    stray: Numbers
    switch_pause: Numbers
    travel_pause: Numbers
    words: list[str]
    same_word: NDArray[np.bool_]
    like_before: Numbers


@dataclass(frozen=True, kw_only=True)
class PlacingFactors:
    """What depends on the placing. ``appliances`` are places in Visits; labels (T, A + 1), enter (H, T, J + 1)."""

    placing: Placing
    appliances: Places
    slots: Slots
    fresh_label: Numbers
    stay_label: Numbers
    foreign: Numbers
    enter: Numbers
    departed: Numbers
    travel: Numbers
    ending: Numbers
    present: Numbers | None


def reading_factors(session: Session, words: list[str], decided: Decided, habits: Habits) -> ReadingFactors:
    """The factors of the readings alone."""
    kernel, leave, first = habits.kernel, habits.leave, habits.first
    stages = stages_of_kind()[session.kind]
    wanted = np.where(stages < 0, STAGE_COUNT, stages)
    count = len(wanted)
    wide = count / len(np.unique(session.record)) >= WIDE_RECORD
    onward = np.zeros((count, LOOKS_BACK, stages.shape[1], stages.shape[1]))
    leaves = np.zeros((count, 2, LOOKS_BACK, stages.shape[1]))
    switch_pause, travel_pause = np.ones((count, LOOKS_BACK)), np.ones((count, LOOKS_BACK))
    stray = np.full(count, habits.stray / len(KINDS))
    for back in range(min(LOOKS_BACK, count - 1)):
        far = back + 1
        density = pause_densities(pauses(session, far), habits)
        together = session.record[far:] == session.record[:-far]
        density[together] = 1.0
        source, target = wanted[:-far, :, None], wanted[far:, None, :]
        lies = lies_between(source, target)
        onward[far:, back] = kernel[source, target] * density[np.arange(count - far)[:, None, None], lies]
        if wide:
            onward[far:, back] *= np.where(together, 1.0, ANOTHER_RECORD)[:, None, None]
        leaves[far:, :, back] = _leaving(leave, wanted[:-far])
        switch_pause[far:, back] = np.where(together, APART_IN_ONE_RECORD, density[:, TO_APPLIANCE])
        travel_pause[far:, back] = np.where(together, APART_IN_ONE_RECORD, density[:, TO_JOB])
        if back == 0:
            stray[far:] *= np.where(together, 1e-4, density[:, TO_STRAY])
    same, like_before = labels_before(words, session.meter_of)
    ends = np.zeros((LOOKS_BACK, stages.shape[1]))
    for back in range(min(LOOKS_BACK, count)):
        ends[back] = leave[wanted[count - 1 - back]]
    as_decided = (stages >= 0) & (STEP_OF_STAGE[stages] == decided.step[:, None])
    allowed = np.where((decided.step[:, None] < 0) | as_decided, 1.0, OUT_OF_REACH)
    if session.emission is not None:
        allowed = allowed * session.emission
    stray *= np.where(decided.appliance >= 0, OUT_OF_REACH, 1.0)
    return ReadingFactors(
        stages=stages,
        onward=(onward * allowed[:, None, None, :]).reshape(count, -1, stages.shape[1]),
        leave=leaves.reshape(count, 2, -1),
        last=ends.ravel(),
        first=first[wanted] * allowed,
        again=resumed_stage()[:, wanted].transpose(1, 0, 2) * allowed[:, None],
        stray=stray,
        switch_pause=switch_pause,
        travel_pause=travel_pause,
        words=words,
        same_word=same,
        like_before=like_before,
    )


def _leaving(leave: Numbers, wanted: Places) -> Numbers:
    """Weight of leaving an appliance that was tested live only, or isolated already, after each stage (T, 2, D)."""
    isolated = was_isolated()[wanted]
    return np.stack([leave[wanted] * (1 - isolated), leave[wanted] * isolated], axis=1)


def pauses(session: Session, far: int) -> Numbers:
    """Pause [s] between each reading and the one ``far`` places before it; NaN where it cannot be known."""
    pause_s = session.beat_s[far:] - session.beat_s[:-far]
    return np.where((pause_s < 0.0) | (session.start[far:] != session.start[:-far]), np.nan, pause_s)


def placing_factors(
    session: Session, readings: ReadingFactors, placing: Placing, visits: Visits, decided: Decided, hints: Hints,
    *, labels_count: bool = True,
) -> PlacingFactors:  # fmt: skip
    """The factors of one placing of the session; unless ``labels_count``, labels tell nothing but that they changed."""
    appliances, job_of = appliances_of(visits, placing.jobs)
    counts = np.bincount(job_of, minlength=len(placing.jobs))
    fresh, stay, foreign = label_factors(
        readings.words, (readings.same_word, readings.like_before), session.meter_of, visits, appliances,
        labels_count=labels_count,
    )  # fmt: skip
    allowed = _allowed(decided, appliances) * _equipment(session, visits, appliances)
    if session.meter is not None:
        allowed *= _by_serial(session, visits, appliances)
    travel, ending = travel_weights(session, visits, placing, hints)
    enter, departed = _hours(session, visits, placing)
    return PlacingFactors(
        placing=placing, appliances=appliances, slots=lay_out_slots([int(count) for count in counts]),
        fresh_label=fresh * allowed, stay_label=stay * allowed,
        foreign=foreign,
        enter=enter, departed=departed, travel=travel, ending=ending,
        present=_present(session, placing, appliances, hints),
    )  # fmt: skip


def _present(session: Session, placing: Placing, appliances: Places, hints: Hints) -> Numbers | None:
    """How well beginning each appliance at each reading fits what other meters saw there (H, T, A + 1), or nothing.

    Meters of one visit are used together: one that carries labels tells where another without them was.
    """
    if not hints.seen:
        return None
    true_s = session.time_s[None, :] - placing.offset_s[:, None]
    fit = np.full((*true_s.shape, len(appliances) + 1), np.nan)
    for place, appliance in enumerate(appliances):
        spans = [(low, high) for seen, low, high in hints.seen if seen == appliance]
        if spans:
            apart = [np.maximum(np.maximum(low - true_s, true_s - high), 0.0) for low, high in spans]
            fit[:, :, place] = np.maximum(np.exp(np.min(apart, axis=0) / -TOGETHER_S), NOT_TOGETHER)
    elsewhere = np.where(np.nanmax(fit, axis=2, initial=0.0) > 0.3, NOT_SEEN, 1.0)
    fit = np.where(np.isnan(fit), elsewhere[:, :, None], fit)
    return np.where(np.isnan(true_s)[:, :, None], 1.0, fit)


def _equipment(session: Session, visits: Visits, appliances: Places) -> Numbers:
    """How well each kind of reading fits what the list says about each appliance (T, A + 1)."""
    fit = np.ones((len(session.kind), len(appliances) + 1))
    no_rcd = ~visits.has_rcd[appliances]
    if no_rcd.any():
        fit[:, :-1][np.ix_(IS_OF_RCD[session.kind], no_rcd)] = RCD_UNKNOWN
    class_two = visits.class_two[appliances]
    if class_two.any():
        fit[:, :-1][np.ix_(IS_OF_EARTH[session.kind], class_two)] = EARTH_OF_CLASS_TWO
    return fit


def _by_serial(session: Session, visits: Visits, appliances: Places) -> Numbers:
    """How well the meter of each reading fits those that the list names for the visit (T, A + 1)."""
    job = visits.appliance_job[appliances]
    fit = np.ones((len(session.serial_of_meter), len(appliances) + 1))
    for number, serial in enumerate(session.serial_of_meter):
        owners = visits.engineers_of.get(serial or "")
        if owners is not None:
            another = np.array([bool(visits.serials[one]) and serial not in visits.serials[one] for one in job])
            strange = (visits.engineer[job] >= 0) & ~np.isin(visits.engineer[job], list(owners))
            fit[number, :-1] = np.where(another | strange, NOT_NAMED_HERE, 1.0)
    return fit[session.meter_of]


def _allowed(decided: Decided, appliances: Places) -> Numbers:
    """What decisions leave of the appliances (T, A + 1)."""
    allowed = np.ones((len(decided.appliance), len(appliances) + 1))
    for reading in np.flatnonzero(decided.appliance > -2):
        allowed[reading] = OUT_OF_REACH
        allowed[reading, :-1][appliances == decided.appliance[reading]] = 1.0
    return allowed


def _hours(session: Session, visits: Visits, placing: Placing) -> tuple[Numbers, Numbers]:
    """Fit of entering each job at each reading (H, T, J + 1) and of having left it after one of the readings looked
    back to (H, T, K, J + 1), by the hours of the list.
    """
    low, high = visits.low_s[placing.jobs], visits.high_s[placing.jobs]
    count, offsets = len(session.time_s), len(placing.offset_s)
    fit = hours_fit(session.time_s[None, :, None] - placing.offset_s[:, None, None], low, high)
    fit[:, np.isnan(session.time_s)] = 1.0
    enter = np.ones((offsets, count, len(low) + 1))
    enter[:, :, :-1] = fit * hours_density(low, high)
    enter[:, np.isnan(session.time_s)] = 1.0
    departed = np.ones((offsets, count, LOOKS_BACK, len(low) + 1))
    for back in range(min(LOOKS_BACK, count - 1)):
        departed[:, back + 1 :, back, :-1] = fit[:, : count - back - 1]
    return enter, departed
