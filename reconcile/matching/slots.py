"""Slots: an appliance together with what was done before at the other appliances of its job.

A chain has no memory beyond its state, so what was done at a visit is part of the state: an appliance that was isolated
and restored is hardly gone back to, one that was tested live only may be. That is what lets the label on one of two
appliances settle the other.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from itertools import product
from typing import Final

import numpy as np
from numpy.typing import NDArray

Numbers = NDArray[np.float64]
Places = NDArray[np.int64]

NEXT_APPLIANCE: Final = 0.75
"""Share of leavings that go to an appliance of the same job that is not begun yet, rather than away."""

BACK_TO: Final = (0.25, 0.06)
"""Share of leavings that go back to an appliance that was tested live only, and to one that was isolated already."""

MOST_REMEMBERED: Final = 3
"""Jobs with more appliances than this do not remember what was done: the states would be too many."""

UNTOUCHED, BEGUN, DONE = range(3)


@dataclass(frozen=True, kw_only=True)
class Slots:
    """The slots of a few jobs. U slots, A appliances (the last one stands for any that is not listed), J jobs (the
    last one stands for a visit that is not listed).

    ``appliance`` (U), ``job`` (U), ``opening`` (U): share of a job's visits that open with the slot; ``switch``
    (2, U, U): going on to an untouched appliance of the same job, from one left before and after its isolation;
    ``resume`` (2, 2, U, U): going back to one that was begun (first place) or done, from the same two.
    """

    appliance: Places
    job: Places
    opening: Numbers
    switch: Numbers
    resume: Numbers


def lay_out_slots(appliances_of_jobs: list[int]) -> Slots:
    """The slots of jobs with so many appliances each, in order, and the slot of an unlisted visit at the end."""
    blocks = [_block(count) for count in appliances_of_jobs]
    sizes = [len(block[0]) for block in blocks]
    total = sum(sizes) + 1
    appliance, job = np.zeros(total, dtype=np.int64), np.zeros(total, dtype=np.int64)
    opening, switch, resume = np.zeros(total), np.zeros((2, total, total)), np.zeros((2, 2, total, total))
    start = first = 0
    for number, (members, opens, switches, resumes) in enumerate(blocks):
        end = start + sizes[number]
        appliance[start:end], job[start:end] = members + first, number
        opening[start:end], switch[:, start:end, start:end] = opens, switches
        resume[:, :, start:end, start:end] = resumes
        start, first = end, first + appliances_of_jobs[number]
    appliance[-1], job[-1], opening[-1] = first, len(blocks), 1.0
    return Slots(appliance=appliance, job=job, opening=opening, switch=switch, resume=resume)


@cache
def _block(count: int) -> tuple[Places, Numbers, Numbers, Numbers]:
    """Appliance, share of openings, switching and resuming of the slots of one job with ``count`` appliances."""
    if count > MOST_REMEMBERED:
        return _forgetful(count)
    # A slot is the member in work and what was done at the others.
    slots = [
        (member, states)
        for member in range(count)
        for states in product(range(3), repeat=count)
        if states[member] == UNTOUCHED
    ]
    place = {slot: number for number, slot in enumerate(slots)}
    opening = np.array([1.0 / count if not any(states) else 0.0 for _, states in slots])
    switch, resume = np.zeros((2, len(slots), len(slots))), np.zeros((2, 2, len(slots), len(slots)))
    for source, (member, states) in enumerate(slots):
        for left in (0, 1):
            after = tuple(BEGUN + left if other == member else state for other, state in enumerate(states))
            for kind in (UNTOUCHED, BEGUN, DONE):
                others = [other for other in range(count) if other != member and states[other] == kind]
                for other in others:
                    target = place[other, tuple(UNTOUCHED if at == other else state for at, state in enumerate(after))]
                    if kind == UNTOUCHED:
                        switch[left, source, target] = NEXT_APPLIANCE / len(others)
                    else:
                        resume[kind - 1, left, source, target] = BACK_TO[kind - 1] / len(others)
    return np.array([member for member, _ in slots], dtype=np.int64), opening, switch, resume


def _forgetful(count: int) -> tuple[Places, Numbers, Numbers, Numbers]:
    """The block of a job with many appliances: one slot an appliance, what was done is not remembered."""
    apart = (1.0 - np.eye(count)) / (count - 1)
    switch = np.stack([NEXT_APPLIANCE * apart] * 2)
    resume = np.stack([np.stack([0.3 * back * apart] * 2) for back in BACK_TO])
    return np.arange(count), np.full(count, 1.0 / count), switch, resume
