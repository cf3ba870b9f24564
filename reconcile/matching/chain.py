"""Forward–backward over many sessions at once: the probability of each reading's appliance and step.

The hidden state after a reading is where its work stands: the slot (reconcile.matching.slots), whether a label was
typed since the slot was entered, and the step of each of the last three readings that may count, because up to two
readings in a row may be strays. All of it is summed over exactly; nothing is sampled.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

Numbers = NDArray[np.float64]
Places = NDArray[np.int64]

LOOKS_BACK: Final = 3
"""How many readings back the last one that counts may lie."""

TINY: Final = 1e-290
LARGE: Final = 1e250
ROWS_AT_ONCE: Final = 64
"""Larger products are spread over threads, whose waiting for each other costs more than they save."""


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
    joined = _join(batch)
    found = _forward(batch, joined)
    return _backward(batch, joined, found, with_moves=with_moves)


@dataclass(frozen=True, kw_only=True)
class _Joined:
    """Factors joined so that one product serves for several moves. Slots come last, without and with a label typed
    (2·U), and the readings looked back to the oldest first, as they lie in memory.

    ``on`` (T, N, C, K·D): from the steps of earlier readings to the C = D + 2 + K ends of a move: a step of this
    reading at the same slot; leaving it for another appliance before and after it was isolated; leaving it for another
    job after each of the readings. ``begin`` (T, N, D, 3): first step at an appliance that is fresh, begun, done.
    ``beside`` (N·3·U + N·K·J, N·(2 + K)·U): what was left adds up to the slots gone to beside it (fresh, begun, done)
    and to the jobs left, ``beside_back`` the other way. ``departed`` (T, N, K, J): with the pause of the way.
    ``job`` (N, U): the job of each slot, counted through all sessions. ``untyped``, ``typed`` (T, N, 1, U): label at a
    slot without a label before.
    """

    on: Numbers
    begin: Numbers
    beside: Any
    beside_back: Any
    departed: Numbers
    job: Places
    untyped: Numbers
    typed: Numbers


def _join(batch: ChainBatch) -> _Joined:
    count, sessions, width, steps = batch.onward.shape
    on = np.zeros((count, sessions, steps + 2 + LOOKS_BACK, LOOKS_BACK, steps))
    onward = batch.onward.reshape(count, sessions, LOOKS_BACK, steps, steps)
    on[:, :, :steps] = onward[:, :, ::-1].transpose(0, 1, 4, 2, 3)
    leave = batch.leave.reshape(count, sessions, 2, LOOKS_BACK, steps)[:, :, :, ::-1]
    on[:, :, steps : steps + 2] = leave * batch.switch_pause[:, :, None, ::-1, None]
    left = (batch.leave[:, :, 0] + batch.leave[:, :, 1]).reshape(count, sessions, LOOKS_BACK, steps)
    for back in range(LOOKS_BACK):
        on[:, :, steps + 2 + back, -1 - back] = left[:, :, back]
    beside = _beside(batch)
    jobs = batch.of_job.shape[2]
    fresh = batch.fresh_label[:, :, None]
    typed = batch.typed[:, :, None, None]
    return _Joined(
        on=on.reshape(count, sessions, -1, width),
        begin=np.concatenate([batch.first[..., None], batch.again.transpose(0, 1, 3, 2)], axis=3),
        beside=beside,
        beside_back=csr_array(beside.T),
        departed=batch.departed * batch.travel_pause[..., None],
        job=batch.of_job.argmax(axis=2) + jobs * np.arange(sessions)[:, None],
        untyped=fresh * (1.0 - typed),
        typed=fresh * typed,
    )


def _beside(batch: ChainBatch) -> Any:
    """The sparse matrix ``beside`` of _Joined: a slot can be left for few others only."""
    sessions, slots, jobs = batch.of_job.shape
    ends = 2 + LOOKS_BACK
    number, left, source, target = np.nonzero(batch.switch)
    rows, columns = [(number * 3) * slots + target], [(number * ends + left) * slots + source]
    values = [batch.switch[number, left, source, target]]
    number, state, left, source, target = np.nonzero(batch.resume)
    rows.append((number * 3 + 1 + state) * slots + target)
    columns.append((number * ends + left) * slots + source)
    values.append(batch.resume[number, state, left, source, target])
    number, source, job = np.nonzero(batch.of_job)
    for back in range(LOOKS_BACK):
        rows.append(sessions * 3 * slots + (number * LOOKS_BACK + back) * jobs + job)
        columns.append((number * ends + 2 + back) * slots + source)
        values.append(batch.of_job[number, source, job])
    shape = (sessions * (3 * slots + LOOKS_BACK * jobs), sessions * ends * slots)
    return csr_array((np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))), shape=shape)


@dataclass(frozen=True, kw_only=True)
class _Forward:
    """What the pass forward left. ``weights`` (N, (K + T)·D, 2·U) of having read on to a slot and step, those of each
    reading in one scale; ``arrived`` (T, N, J); ``carry`` (N, K): weight by which the last readings, the oldest first,
    count at the end; ``nowhere`` (N); ``scale`` (T, N).
    """

    weights: Numbers
    arrived: Numbers
    carry: Numbers
    nowhere: Numbers
    scale: Numbers


def _forward(batch: ChainBatch, joined: _Joined) -> _Forward:
    """The pass forward; ``joined.on`` then holds the scales and strays between the readings too."""
    count, sessions, ends, width = joined.on.shape
    slots, jobs, steps = batch.of_job.shape[1], batch.of_job.shape[2], width // LOOKS_BACK
    weights = np.zeros((sessions, (LOOKS_BACK + count) * steps, 2 * slots))
    arrived, scale = np.empty((count, sessions, jobs)), np.empty((count, sessions))
    carry, sums, nowhere = np.ones((sessions, LOOKS_BACK)), np.zeros((sessions, LOOKS_BACK)), np.ones(sessions)
    moved = np.empty((sessions, ends, 2 * slots))
    fresh = np.empty((sessions, steps, slots))
    for place in range(count):
        on = joined.on[place]
        on.reshape(sessions, ends, LOOKS_BACK, steps)[:] *= carry[:, None, :, None]
        np.matmul(on, weights[:, place * steps : (place + LOOKS_BACK) * steps], out=moved)
        left = moved[:, steps:, :slots] + moved[:, steps:, slots:]
        gone = joined.beside @ left.reshape(-1)
        entry = gone[: sessions * 3 * slots].reshape(sessions, 3, slots)
        by_job = (gone[entry.size :].reshape(sessions, LOOKS_BACK, jobs) * joined.departed[place]).sum(axis=1)
        lost = (nowhere * batch.travel_pause[place][:, 0])[:, None] * batch.travel[:, -1]
        np.multiply((by_job[:, None] @ batch.travel[:, :-1])[:, 0] + lost, batch.enter[place], out=arrived[place])
        entry[:, 0] += arrived[place].ravel()[joined.job] * batch.opening
        np.matmul(joined.begin[place], entry, out=fresh)
        fresh += moved[:, :steps, :slots]
        now = weights[:, (place + LOOKS_BACK) * steps : (place + LOOKS_BACK + 1) * steps]
        np.multiply(fresh, joined.untyped[place], out=now[..., :slots])
        np.multiply(moved[:, :steps, slots:], batch.stay_label[place][:, None], out=now[..., slots:])
        fresh *= joined.typed[place]
        now[..., slots:] += fresh
        stray, total = batch.stray[place], now.sum(axis=(1, 2))
        kept = carry[:, 1:] * stray[:, None]
        nowhere = nowhere * stray
        np.maximum(total + (kept * sums[:, 1:]).sum(axis=1) + nowhere, TINY, out=scale[place])
        nowhere = nowhere / scale[place]
        carry[:, :-1], carry[:, -1] = kept, 1.0
        carry /= scale[place][:, None]
        np.minimum(carry, LARGE, out=carry)
        sums[:, :-1] = sums[:, 1:]
        sums[:, -1] = total
    return _Forward(weights=weights, arrived=arrived, carry=carry, nowhere=nowhere, scale=scale)


def _backward(batch: ChainBatch, joined: _Joined, found: _Forward, *, with_moves: bool) -> ChainPosterior:
    """The pass backward: ``worth`` of each weight of the pass forward, from all the readings that look back to it."""
    count, sessions, ends, width = joined.on.shape
    slots, jobs, steps = batch.of_job.shape[1], batch.of_job.shape[2], width // LOOKS_BACK
    weights, worth = found.weights, np.zeros(found.weights.shape)
    last = (batch.last.reshape(sessions, LOOKS_BACK, steps)[:, ::-1] * found.carry[..., None]).reshape(sessions, -1)
    at_end = worth[:, count * steps :]
    at_end[:] = last[:, :, None] * np.concatenate([batch.ending] * 2, axis=1)[:, None]
    ending = np.maximum((weights[:, count * steps :] * at_end).sum(axis=(1, 2)) + found.nowhere, TINY)
    at_end /= ending[:, None, None]
    entered = np.empty_like(found.arrived)
    moves = _Moves(batch) if with_moves else None
    move, earlier = np.empty((sessions, ends, 2 * slots)), np.empty((sessions, width, 2 * slots))
    gone = np.empty(sessions * (3 * slots + LOOKS_BACK * jobs))
    entry = gone[: sessions * 3 * slots].reshape(sessions, 3, slots)
    departed = gone[entry.size :].reshape(sessions, LOOKS_BACK, jobs)
    for place in range(count - 1, -1, -1):
        own = slice((place + LOOKS_BACK) * steps, (place + LOOKS_BACK + 1) * steps)
        window = slice(place * steps, (place + LOOKS_BACK) * steps)
        after = worth[:, own]
        fresh = after[..., :slots] * joined.untyped[place]
        fresh += after[..., slots:] * joined.typed[place]
        move[:, :steps, :slots] = fresh
        np.multiply(after[..., slots:], batch.stay_label[place][:, None], out=move[:, :steps, slots:])
        np.matmul(joined.begin[place].transpose(0, 2, 1), fresh, out=entry)
        by_job = ((entry[:, 0] * batch.opening)[:, None] @ batch.of_job)[:, 0]
        np.multiply(found.arrived[place], by_job, out=entered[place])
        travelled = batch.travel[:, :-1] @ (by_job * batch.enter[place])[:, :, None]
        np.multiply(travelled[:, None, :, 0], joined.departed[place], out=departed)
        left = (joined.beside_back @ gone).reshape(sessions, ends - steps, slots)
        move[:, steps:, :slots] = left
        move[:, steps:, slots:] = left
        np.matmul(joined.on[place].transpose(0, 2, 1), move, out=earlier)
        worth[:, window] += earlier
        if moves is not None:
            moves.add(place, weights[:, window] @ move.transpose(0, 2, 1) * joined.on[place].transpose(0, 2, 1))
    return ChainPosterior(
        belongs=_belongs(batch, weights, worth),
        entered=entered,
        evidence=np.log(found.scale).sum(axis=0) + np.log(ending),
        moved=None if moves is None else moves.moved,
        switched=None if moves is None else moves.switched,
        travelled=None if moves is None else moves.travelled,
    )


def _belongs(batch: ChainBatch, weights: Numbers, worth: Numbers) -> Numbers:
    """Probability of appliance and step of each reading (T, N, A, D); overwrites ``worth``."""
    count, sessions, steps = batch.first.shape
    shares = np.multiply(weights, worth, out=worth)[:, LOOKS_BACK * steps :]
    of_appliance = np.concatenate([batch.of_appliance] * 2, axis=2).transpose(0, 2, 1)
    by_appliance = np.empty((sessions, count * steps, of_appliance.shape[2]))
    for start in range(0, count * steps, ROWS_AT_ONCE):
        rows = slice(start, start + ROWS_AT_ONCE)
        np.matmul(shares[:, rows], of_appliance, out=by_appliance[:, rows])
    return by_appliance.reshape(sessions, count, steps, -1).transpose(1, 0, 3, 2)


class _Moves:
    """Gathers how each reading was come to (see ChainPosterior)."""

    def __init__(self, batch: ChainBatch) -> None:
        self.moved = np.zeros_like(batch.onward)
        self.switched = np.zeros_like(batch.switch_pause)
        self.travelled = np.zeros_like(batch.switch_pause)

    def add(self, place: int, share: Numbers) -> None:
        """Count the moves into the reading at ``place``, by earlier step and end of the move (N, K·D, C)."""
        sessions, width, ends = share.shape
        steps = width // LOOKS_BACK
        by_back = share.reshape(sessions, LOOKS_BACK, steps, ends)[:, ::-1]
        self.moved[place] = by_back[..., :steps].reshape(sessions, width, steps)
        self.switched[place] = by_back[..., steps : steps + 2].sum(axis=(2, 3))
        self.travelled[place] = by_back[..., steps + 2 :].sum(axis=(2, 3))
