"""Forward–backward over one session: the probability of each reading's appliance and step under each clock."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Numbers = NDArray[np.float64]
Places = NDArray[np.int64]


@dataclass(frozen=True, kw_only=True)
class Chain:
    """The factors of one session. T readings, H clock hypotheses, U slots, J jobs, D steps a reading can be, S steps.

    A slot is an appliance together with the appliances of its job that were visited before it. The last job is
    "nowhere": before the first visit, and readings that belong to none.

    ``steps`` (T, D): step places, −1 for none. ``onward`` (T, S, D): from a step to this reading's steps, with the
    pause between.
    ``leave`` (S): leaving the appliance after a step. ``first`` (T, D): first step of a visit.
    ``switch`` (U, U) and ``switch_pause`` (T): to another appliance of the same job.
    ``travel`` (J, J), ``travel_pause`` (T), ``enter`` (H, T, J), ``exit`` (H, T, J): to another job.
    ``slot_job`` (U), ``opening`` (U): share of a job's visits that open with this slot.
    ``stay_label`` (T): label given the same label before; ``label`` (T, U): label typed afresh; ``blank`` (T).
    ``stray`` (T): a reading that belongs nowhere, label included. ``allowed`` (T, U), ``step_allowed`` (T, D): what a
    person's decisions leave.
    """

    steps: Places
    onward: Numbers
    leave: Numbers
    first: Numbers
    switch: Numbers
    switch_pause: Numbers
    travel: Numbers
    travel_pause: Numbers
    enter: Numbers
    exit: Numbers
    slot_job: Places
    opening: Numbers
    stay_label: Numbers
    label: Numbers
    blank: NDArray[np.bool_]
    stray: Numbers
    allowed: Numbers
    step_allowed: Numbers


@dataclass(frozen=True, kw_only=True)
class ChainPosterior:
    """``belongs`` (H, T, U, D): probability of slot and step; the rest of each reading is stray. ``evidence`` (H):
    log likelihood of the session.
    """

    belongs: Numbers
    evidence: Numbers


def run_chain(chain: Chain) -> ChainPosterior:
    """The posterior of every reading under every hypothesis. Exact for the chain given (see Chain)."""
    forward = _Forward(chain)
    count = len(chain.steps)
    for place in range(count):
        forward.step(place)
    beta = np.ones_like(forward.alpha) * chain.leave
    beta_nowhere = np.ones(forward.nowhere.shape)
    belongs = np.zeros((*forward.direct[0].shape[:1], count, *forward.direct[0].shape[2:]))
    for place in range(count - 1, -1, -1):
        wanted = np.where(chain.steps[place] < 0, 0, chain.steps[place])
        direct = forward.direct[place]
        belongs[:, place] = (direct * beta[..., wanted]).sum(axis=1)
        if place:
            beta, beta_nowhere = forward.back(place, beta, beta_nowhere)
    last = np.log(np.maximum((forward.alpha * chain.leave).sum(axis=(1, 2, 3)) + forward.nowhere, 1e-300))
    total = np.exp(last)
    return ChainPosterior(belongs=belongs / total[:, None, None, None], evidence=forward.evidence + last)


class _Forward:
    """The running state of the forward pass. Axes: hypothesis, labelled since the visit began (0, 1), slot, step."""

    def __init__(self, chain: Chain) -> None:
        self.chain = chain
        hypotheses, _, jobs = chain.enter.shape
        slots, steps = len(chain.slot_job), len(chain.leave)
        self.alpha = np.zeros((hypotheses, 2, slots, steps))
        self.nowhere = np.ones(hypotheses)
        self.evidence = np.zeros(hypotheses)
        self.scale = np.ones((len(chain.steps), hypotheses))
        self.direct: list[Numbers] = []
        self.members = np.zeros((slots, jobs))
        self.members[np.arange(slots), chain.slot_job] = 1.0

    def step(self, place: int) -> None:
        """Take in the reading at ``place``."""
        chain = self.chain
        stay = self.alpha @ chain.onward[place]
        fresh = self._fresh(place)[:, :, None] * chain.first[place]
        if chain.blank[place]:
            direct = stay * 1.0
            direct[:, 0] += fresh
        else:
            direct = np.zeros_like(stay)
            direct[:, 1] = (
                stay[:, 1] * (chain.stay_label[place][:, None]) + (stay[:, 0] + fresh) * (chain.label[place][:, None])
            )
        direct *= chain.allowed[place][:, None] * chain.step_allowed[place]
        stray = chain.stray[place]
        self.alpha = self.alpha * stray
        wanted = chain.steps[place]
        for column in np.flatnonzero(wanted >= 0):
            self.alpha[..., wanted[column]] += direct[..., column]
        self.nowhere = self.nowhere * stray
        total = self.alpha.sum(axis=(1, 2, 3)) + self.nowhere
        total = np.maximum(total, 1e-300)
        self.alpha /= total[:, None, None, None]
        self.nowhere = self.nowhere / total
        self.scale[place] = total
        self.evidence = self.evidence + np.log(total)
        self.direct.append(direct / total[:, None, None, None])

    def _fresh(self, place: int) -> Numbers:
        """Weight of opening each slot at this reading; shape (H, U)."""
        chain = self.chain
        leaving = (self.alpha @ chain.leave).sum(axis=1)
        switched = leaving @ chain.switch * chain.switch_pause[place]
        by_job = np.concatenate([leaving @ self.members[:, :-1], self.nowhere[:, None]], axis=1)
        travelled = (by_job * chain.exit[:, place]) @ chain.travel * chain.enter[:, place]
        opened = travelled[:, chain.slot_job] * chain.opening * chain.travel_pause[place]
        return np.asarray(switched + opened, dtype=np.float64)

    def back(self, place: int, beta: Numbers, beta_nowhere: Numbers) -> tuple[Numbers, Numbers]:
        """The backward message before the reading at ``place``, from the one after it."""
        chain = self.chain
        wanted = np.where(chain.steps[place] < 0, 0, chain.steps[place])
        ahead = beta[..., wanted] * chain.allowed[place][:, None] * chain.step_allowed[place]
        if chain.blank[place]:
            stay_ahead = ahead
            fresh_ahead = ahead[:, 0]
        else:
            typed = ahead[:, 1] * chain.label[place][:, None]
            stay_ahead = np.stack([typed, ahead[:, 1] * chain.stay_label[place][:, None]], axis=1)
            fresh_ahead = typed
        opened = (fresh_ahead * chain.first[place]).sum(axis=-1)
        by_job = (opened * chain.opening * chain.travel_pause[place]) @ self.members * chain.enter[:, place]
        departed = by_job @ chain.travel.T * chain.exit[:, place]
        left = opened @ chain.switch.T * chain.switch_pause[place] + departed[:, chain.slot_job]
        total = self.scale[place]
        earlier = stay_ahead @ chain.onward[place].T + left[:, None, :, None] * chain.leave
        earlier = (earlier + beta * chain.stray[place]) / total[:, None, None, None]
        return earlier, (departed[:, -1] + beta_nowhere * chain.stray[place]) / total
