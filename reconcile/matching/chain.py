"""Forward–backward over many sessions at once: the probability of each reading's appliance and step.

The hidden state after a reading is where its work stands: the slot (reconcile.matching.slots), whether a label was
typed since the slot was entered, and the step of each of the last three readings that may count, because up to two
readings in a row may be strays. All of it is summed over exactly; nothing is sampled.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Numbers = NDArray[np.float64]
Places = NDArray[np.int64]

LOOKS_BACK: Final = 3
"""How many readings back the last one that counts may lie."""

TINY: Final = 1e-290


@dataclass(frozen=True, kw_only=True)
class ChainBatch:
    """The factors of N sessions of T readings, time first. K readings looked back, D steps a reading can be, U slots,
    A appliances, J jobs; the last appliance and job stand for what is not listed. Shorter sessions are filled at their
    start with readings of weight one that count for nothing.

    ``onward`` (T, N, K·D, D): from a step of an earlier reading to a step of this one, with the pause between.
    ``leave`` (T, N, K·D): leaving the appliance after a step of an earlier reading; ``last`` (N, K·D) at the end.
    ``first`` (T, N, D): first step at an appliance. ``stray`` (T, N): the reading belongs nowhere.
    ``switch_pause``, ``travel_pause`` (T, N, K): pause between two appliances, two jobs.
    ``fresh_label``, ``stay_label`` (T, N, U): label at a slot without and with a label typed before; ``typed`` (T, N).
    ``enter`` (T, N, J), ``departed`` (T, N, K, J): fit of entering a job now, of having left it at an earlier reading.
    ``travel`` (N, J + 1, J): from job to job, last row from nowhere. ``switch`` (N, U, U), ``opening`` (N, U),
    ``of_job`` (N, U, J), ``of_appliance`` (N, A, U): slots (see Slots), membership as zeros and ones.
    """

    onward: Numbers
    leave: Numbers
    last: Numbers
    first: Numbers
    stray: Numbers
    switch_pause: Numbers
    travel_pause: Numbers
    fresh_label: Numbers
    stay_label: Numbers
    typed: Numbers
    enter: Numbers
    departed: Numbers
    travel: Numbers
    switch: Numbers
    opening: Numbers
    of_job: Numbers
    of_appliance: Numbers


@dataclass(frozen=True, kw_only=True)
class ChainPosterior:
    """``belongs`` (T, N, A, D): probability of appliance and step, the rest of each reading is stray; ``entered``
    (T, N, J): probability that the reading opens a visit to the job; ``evidence`` (N): log likelihood of the session.
    """

    belongs: Numbers
    entered: Numbers
    evidence: Numbers


def run_chain(batch: ChainBatch) -> ChainPosterior:
    """The posterior of every reading. Exact for the factors given."""
    count, sessions, _, steps = batch.onward.shape
    slots, jobs = batch.switch.shape[1], batch.travel.shape[2]
    history = np.zeros((sessions, 2, slots, LOOKS_BACK * steps))
    nowhere = np.ones(sessions)
    direct = np.empty((count, sessions, 2, slots, steps))
    arrived = np.empty((count, sessions, jobs))
    scale = np.empty((count, sessions))
    for place in range(count):
        history, nowhere, scale[place] = _forward(batch, place, history, nowhere, direct, arrived)
    ahead = np.broadcast_to(batch.last[:, None, None, :], history.shape)
    ending = (history * ahead).sum(axis=(1, 2, 3)) + nowhere
    ahead = ahead / np.maximum(ending, TINY)[:, None, None, None]
    ahead_nowhere = 1.0 / np.maximum(ending, TINY)
    belongs = np.empty((count, sessions, batch.of_appliance.shape[1], steps))
    entered = np.empty((count, sessions, jobs))
    for place in range(count - 1, -1, -1):
        now = ahead[..., :steps]
        belongs[place] = batch.of_appliance @ (direct[place] * now).sum(axis=1)
        ahead, ahead_nowhere, by_job = _backward(batch, place, ahead, ahead_nowhere, scale[place])
        entered[place] = arrived[place] * by_job / scale[place][:, None]
    return ChainPosterior(
        belongs=belongs, entered=entered, evidence=np.log(scale).sum(axis=0) + np.log(np.maximum(ending, TINY))
    )


def _forward(
    batch: ChainBatch, place: int, history: Numbers, nowhere: Numbers, direct: Numbers, arrived: Numbers
) -> tuple[Numbers, Numbers, Numbers]:
    """History, weight of nowhere and scale after the reading at ``place``; fills ``direct`` and ``arrived`` there."""
    sessions, _, slots, width = history.shape
    steps = width // LOOKS_BACK
    stay = (history.reshape(sessions, 2 * slots, width) @ batch.onward[place]).reshape(sessions, 2, slots, steps)
    left = ((history[:, 0] + history[:, 1]) * batch.leave[place][:, None]).reshape(sessions, slots, LOOKS_BACK, steps)
    left = left.sum(axis=-1)
    switched = (left @ batch.switch_pause[place][:, :, None])[:, :, 0][:, None] @ batch.switch
    away = (left * batch.travel_pause[place][:, None]).transpose(0, 2, 1) @ batch.of_job
    by_job = (away * batch.departed[place]).sum(axis=1)
    lost = (nowhere * batch.travel_pause[place][:, 0])[:, None] * batch.travel[:, -1]
    arrived[place] = ((by_job[:, None] @ batch.travel[:, :-1])[:, 0] + lost) * batch.enter[place]
    opened = (batch.of_job @ arrived[place][:, :, None])[:, :, 0] * batch.opening
    fresh = (switched[:, 0] + opened)[:, :, None] * batch.first[place][:, None]
    new = (stay[:, 0] + fresh) * batch.fresh_label[place][:, :, None]
    typed = batch.typed[place][:, None, None]
    now = direct[place]
    now[:, 0] = new * (1.0 - typed)
    now[:, 1] = stay[:, 1] * batch.stay_label[place][:, :, None] + new * typed
    stray = batch.stray[place]
    later = np.empty_like(history)
    later[..., :steps] = now
    np.multiply(history[..., :-steps], stray[:, None, None, None], out=later[..., steps:])
    nowhere = nowhere * stray
    scale = np.maximum(later.sum(axis=(1, 2, 3)) + nowhere, TINY)
    later /= scale[:, None, None, None]
    now /= scale[:, None, None, None]
    return later, nowhere / scale, scale


def _backward(
    batch: ChainBatch, place: int, ahead: Numbers, ahead_nowhere: Numbers, scale: Numbers
) -> tuple[Numbers, Numbers, Numbers]:
    """Messages before the reading at ``place``, from those after it, and the worth of entering each job here."""
    sessions, _, slots, width = ahead.shape
    steps = width // LOOKS_BACK
    typed = batch.typed[place][:, None, None]
    now = ahead[..., :steps]
    new = (now[:, 0] * (1.0 - typed) + now[:, 1] * typed) * batch.fresh_label[place][:, :, None]
    stay = np.stack([new, now[:, 1] * batch.stay_label[place][:, :, None]], axis=1)
    earlier = (stay.reshape(sessions, 2 * slots, steps) @ batch.onward[place].transpose(0, 2, 1)).reshape(ahead.shape)
    opened = (new @ batch.first[place][:, :, None])[:, :, 0]
    by_job = ((opened * batch.opening)[:, None] @ batch.of_job)[:, 0]
    travelled = (batch.travel @ (by_job * batch.enter[place])[:, :, None])[:, :, 0]
    away = batch.of_job @ (travelled[:, None, :-1] * batch.departed[place]).transpose(0, 2, 1)
    away *= batch.travel_pause[place][:, None]
    switched = (batch.switch @ opened[:, :, None]) * batch.switch_pause[place][:, None]
    left = (away + switched).repeat(steps, axis=-1) * batch.leave[place][:, None]
    earlier += left[:, None]
    stray = batch.stray[place]
    earlier[..., :-steps] += ahead[..., steps:] * stray[:, None, None, None]
    earlier /= scale[:, None, None, None]
    before = (travelled[:, -1] * batch.travel_pause[place][:, 0] + ahead_nowhere * stray) / scale
    return earlier, before, by_job
