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
    ``leave`` (T, N, 2, K·D): leaving the appliance after a step of an earlier reading, before and after it was
    isolated; ``last`` (N, K·D) at the end, ``ending`` (N, U) ending at a slot.
    ``first`` (T, N, D): first step at an appliance, ``again`` (T, N, 2, D) when one begun, or done, is gone back to.
    ``stray`` (T, N): the reading belongs nowhere.
    ``switch_pause``, ``travel_pause`` (T, N, K): pause between two appliances, two jobs.
    ``fresh_label``, ``stay_label`` (T, N, U): label at a slot without and with a label typed before; ``typed`` (T, N).
    ``enter`` (T, N, J), ``departed`` (T, N, K, J): fit of entering a job now, of having left it at an earlier reading.
    ``travel`` (N, J + 1, J): from job to job, last row from nowhere. ``switch`` (N, 2, U, U), ``resume``
    (N, 2, 2, U, U), ``opening`` (N, U), ``of_job`` (N, U, J), ``of_appliance`` (N, A, U): slots (see Slots), membership
    as zeros and ones.
    """

    onward: Numbers
    leave: Numbers
    last: Numbers
    ending: Numbers
    first: Numbers
    again: Numbers
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
    resume: Numbers
    opening: Numbers
    of_job: Numbers
    of_appliance: Numbers


@dataclass(frozen=True, kw_only=True)
class ChainPosterior:
    """``belongs`` (T, N, A, D): probability of appliance and step, the rest of each reading is stray; ``entered``
    (T, N, J): probability that the reading opens a visit to the job; ``evidence`` (N): log likelihood of the session.
    ``moved`` (T, N, K·D, D): probability of going on from a step of an earlier reading; ``switched`` and ``travelled``
    (T, N, K): of going on to another appliance, another job. The last three are there when asked for.
    """

    belongs: Numbers
    entered: Numbers
    evidence: Numbers
    moved: Numbers | None = None
    switched: Numbers | None = None
    travelled: Numbers | None = None


def run_chain(batch: ChainBatch, *, with_moves: bool = False) -> ChainPosterior:
    """The posterior of every reading. Exact for the factors given."""
    count, sessions, width, steps = batch.onward.shape
    slots, jobs = batch.switch.shape[-1], batch.travel.shape[2]
    joined = _join(batch)
    history = np.zeros((count + 1, sessions, 2, slots, width))
    nowhere = np.ones(sessions)
    arrived, scale = np.empty((count, sessions, jobs)), np.empty((count, sessions))
    for place in range(count):
        nowhere, scale[place] = _forward(batch, joined, place, history, nowhere, arrived)
    ahead = np.broadcast_to((batch.ending[:, :, None] * batch.last[:, None])[:, None], history.shape[1:])
    ending = np.maximum((history[-1] * ahead).sum(axis=(1, 2, 3)) + nowhere, TINY)
    ahead, ahead_nowhere = ahead / ending[:, None, None, None], 1.0 / ending
    belongs, entered = np.empty((count, sessions, batch.of_appliance.shape[1], steps)), np.empty_like(arrived)
    moves = _Moves(batch) if with_moves else None
    for place in range(count - 1, -1, -1):
        now = ahead[..., :steps] * history[place + 1, ..., :steps]
        belongs[place] = batch.of_appliance @ (now[:, 0] + now[:, 1])
        ahead, ahead_nowhere, back = _backward(batch, joined, place, ahead, ahead_nowhere, scale[place])
        entered[place] = arrived[place] * back.by_job / scale[place][:, None]
        if moves is not None:
            moves.add(place, history[place], back, scale[place])
    return ChainPosterior(
        belongs=belongs,
        entered=entered,
        evidence=np.log(scale).sum(axis=0) + np.log(ending),
        moved=None if moves is None else moves.moved,
        switched=None if moves is None else moves.switched,
        travelled=None if moves is None else moves.travelled,
    )


@dataclass(frozen=True, kw_only=True)
class _Joined:
    """Factors joined so that one product serves for several moves: ``on`` (T, N, K·D, D + 2·K) for staying at the
    appliance and leaving it, before and after it was isolated, after each of the readings looked back to; ``begin``
    (T, N, 3, D): first step at an appliance that is fresh, begun, done; ``beside`` (N, 2·U, 3·U): from a slot left to
    another that is fresh, begun, done.
    """

    on: Numbers
    begin: Numbers
    beside: Numbers


def _join(batch: ChainBatch) -> _Joined:
    count, sessions, width, steps = batch.onward.shape
    slots = batch.switch.shape[-1]
    on = np.zeros((count, sessions, width, steps + 2 * LOOKS_BACK))
    on[..., :steps] = batch.onward
    for back in range(LOOKS_BACK):
        rows = slice(back * steps, (back + 1) * steps)
        for isolated in (0, 1):
            on[:, :, rows, steps + isolated * LOOKS_BACK + back] = batch.leave[:, :, isolated, rows]
    beside = np.stack([batch.switch, batch.resume[:, 0], batch.resume[:, 1]], axis=3)
    return _Joined(
        on=on,
        begin=np.concatenate([batch.first[:, :, None], batch.again], axis=2),
        beside=np.ascontiguousarray(beside.transpose(0, 2, 1, 3, 4)).reshape(sessions, 2 * slots, 3 * slots),
    )


@dataclass(frozen=True, kw_only=True)
class _Back:
    """What one backward step found: worth of entering each job (N, J), of staying (N, 2, U, D), of leaving for another
    job (N, U, K) and, before and after it was isolated, for another appliance (N, 2, U, K).
    """

    by_job: Numbers
    stay: Numbers
    away: Numbers
    switched: Numbers


class _Moves:
    """Gathers how each reading was come to (see ChainPosterior)."""

    def __init__(self, batch: ChainBatch) -> None:
        self.batch = batch
        self.moved = np.zeros_like(batch.onward)
        self.switched = np.zeros_like(batch.switch_pause)
        self.travelled = np.zeros_like(batch.switch_pause)

    def add(self, place: int, history: Numbers, back: _Back, scale: Numbers) -> None:
        """Count the moves into the reading at ``place``."""
        sessions, _, slots, width = history.shape
        steps = width // LOOKS_BACK
        flat = history.reshape(sessions, 2 * slots, width).transpose(0, 2, 1)
        together = flat @ back.stay.reshape(sessions, 2 * slots, steps)
        self.moved[place] = together * self.batch.onward[place] / scale[:, None, None]
        left = _left(history, self.batch.leave[place])
        self.switched[place] = (left * back.switched).sum(axis=(1, 2)) / scale[:, None]
        self.travelled[place] = (left.sum(axis=1) * back.away).sum(axis=1) / scale[:, None]


def _left(history: Numbers, leave: Numbers) -> Numbers:
    """Weight of having left each slot after each of the readings looked back to; shape (N, 2, U, K)."""
    sessions, _, slots, width = history.shape
    left = (history[:, 0] + history[:, 1])[:, None] * leave[:, :, None]
    return np.asarray(left.reshape(sessions, 2, slots, LOOKS_BACK, width // LOOKS_BACK).sum(axis=-1), dtype=np.float64)


def _forward(
    batch: ChainBatch, joined: _Joined, place: int, histories: Numbers, nowhere: Numbers, arrived: Numbers
) -> tuple[Numbers, Numbers]:
    """Weight of nowhere and scale after the reading at ``place``; fills the history after it and ``arrived`` there."""
    history, later = histories[place], histories[place + 1]
    sessions, _, slots, width = history.shape
    steps = width // LOOKS_BACK
    moved = (history.reshape(sessions, 2 * slots, width) @ joined.on[place]).reshape(sessions, 2, slots, -1)
    stay = moved[..., :steps]
    left = moved[:, 0, :, steps:] + moved[:, 1, :, steps:]
    beside = left.reshape(sessions, 2 * slots, LOOKS_BACK) @ batch.switch_pause[place][:, :, None]
    away = (left[..., :LOOKS_BACK] + left[..., LOOKS_BACK:]) * batch.travel_pause[place][:, None]
    by_job = ((away.transpose(0, 2, 1) @ batch.of_job) * batch.departed[place]).sum(axis=1)
    lost = (nowhere * batch.travel_pause[place][:, 0])[:, None] * batch.travel[:, -1]
    arrived[place] = ((by_job[:, None] @ batch.travel[:, :-1])[:, 0] + lost) * batch.enter[place]
    entry = (beside.reshape(sessions, 1, 2 * slots) @ joined.beside).reshape(sessions, 3, slots)
    entry[:, 0] += (batch.of_job @ arrived[place][:, :, None])[:, :, 0] * batch.opening
    new = stay[:, 0] + entry.transpose(0, 2, 1) @ joined.begin[place]
    new *= batch.fresh_label[place][:, :, None]
    typed = batch.typed[place][:, None, None]
    later[:, 0, :, :steps] = new * (1.0 - typed)
    later[:, 1, :, :steps] = stay[:, 1] * batch.stay_label[place][:, :, None] + new * typed
    stray = batch.stray[place]
    np.multiply(history[..., :-steps], stray[:, None, None, None], out=later[..., steps:])
    nowhere = nowhere * stray
    scale = np.maximum(later.reshape(sessions, -1).sum(axis=1) + nowhere, TINY)
    later *= (1.0 / scale)[:, None, None, None]
    return nowhere / scale, scale


def _backward(
    batch: ChainBatch, joined: _Joined, place: int, ahead: Numbers, ahead_nowhere: Numbers, scale: Numbers
) -> tuple[Numbers, Numbers, _Back]:
    """Messages before the reading at ``place``, from those after it."""
    sessions, _, slots, width = ahead.shape
    steps = width // LOOKS_BACK
    typed = batch.typed[place][:, None, None]
    now = ahead[..., :steps]
    new = (now[:, 0] * (1.0 - typed) + now[:, 1] * typed) * batch.fresh_label[place][:, :, None]
    moved = np.empty((sessions, 2, slots, steps + 2 * LOOKS_BACK))
    stay = moved[..., :steps]
    stay[:, 0] = new
    np.multiply(now[:, 1], batch.stay_label[place][:, :, None], out=stay[:, 1])
    entry = joined.begin[place] @ new.transpose(0, 2, 1)
    by_job = ((entry[:, 0] * batch.opening)[:, None] @ batch.of_job)[:, 0]
    travelled = (batch.travel @ (by_job * batch.enter[place])[:, :, None])[:, :, 0]
    away = batch.of_job @ (travelled[:, None, :-1] * batch.departed[place]).transpose(0, 2, 1)
    away *= batch.travel_pause[place][:, None]
    worth = (joined.beside @ entry.reshape(sessions, 3 * slots, 1)).reshape(sessions, slots, 2)
    switched = worth[..., None] * batch.switch_pause[place][:, None, None]
    moved[..., steps:] = (away[:, :, None] + switched).reshape(sessions, 1, slots, 2 * LOOKS_BACK)
    earlier = (moved.reshape(sessions, 2 * slots, -1) @ joined.on[place].transpose(0, 2, 1)).reshape(ahead.shape)
    stray = batch.stray[place]
    earlier[..., :-steps] += ahead[..., steps:] * stray[:, None, None, None]
    earlier *= (1.0 / scale)[:, None, None, None]
    before = (travelled[:, -1] * batch.travel_pause[place][:, 0] + ahead_nowhere * stray) / scale
    return earlier, before, _Back(by_job=by_job, stay=stay, away=away, switched=switched.transpose(0, 2, 1, 3))
