"""Slots: an appliance together with the appliances of its job that were done before it.

A chain has no memory beyond its state, so what was done at a visit is part of the state: an appliance that is done is
hardly gone back to. That is what lets the label on one of two appliances settle the other.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from itertools import combinations
from typing import Final

import numpy as np
from numpy.typing import NDArray

Numbers = NDArray[np.float64]
Places = NDArray[np.int64]

NEXT_APPLIANCE: Final = 0.75
"""Share of leavings that go to an appliance of the same job that is not done yet, rather than away."""

BACK_TO_APPLIANCE: Final = 0.08
MOST_REMEMBERED: Final = 3
"""Jobs with more appliances than this do not remember which were done: the states would be too many."""


@dataclass(frozen=True, kw_only=True)
class Slots:
    """The slots of a few jobs. U slots, A appliances (the last one stands for any that is not listed), J jobs (the
    last one stands for a visit that is not listed).

    ``appliance`` (U), ``job`` (U), ``opening`` (U): share of a job's visits that open with the slot; ``switch``
    (U, U): going on to another appliance of the same job; ``resume`` (U, U): going back to one that was begun.
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
    opening, switch, resume = np.zeros(total), np.zeros((total, total)), np.zeros((total, total))
    start = first = 0
    for number, (members, opens, switches, resumes) in enumerate(blocks):
        end = start + sizes[number]
        appliance[start:end], job[start:end] = members + first, number
        opening[start:end], switch[start:end, start:end] = opens, switches
        resume[start:end, start:end] = resumes
        start, first = end, first + appliances_of_jobs[number]
    appliance[-1], job[-1], opening[-1] = first, len(blocks), 1.0
    return Slots(appliance=appliance, job=job, opening=opening, switch=switch, resume=resume)


@cache
def _block(count: int) -> tuple[Places, Numbers, Numbers, Numbers]:
    """Appliance, share of openings, switching and resuming of the slots of one job with ``count`` appliances."""
    remembers = count <= MOST_REMEMBERED
    slots = [
        (member, frozenset(done))
        for member in range(count)
        for size in (range(count) if remembers else [0])
        for done in combinations([other for other in range(count) if other != member], size)
    ]
    opening = np.array([0.0 if done else 1.0 / count for _, done in slots])
    switch, resume = np.zeros((len(slots), len(slots))), np.zeros((len(slots), len(slots)))
    for source, (member, before) in enumerate(slots):
        done = before | {member}
        for target, (other, other_before) in enumerate(slots):
            if other == member:
                continue
            if not remembers:
                switch[source, target] = NEXT_APPLIANCE / (count - 1)
                resume[source, target] = BACK_TO_APPLIANCE / (count - 1)
            elif other not in done and other_before == done:
                switch[source, target] = NEXT_APPLIANCE / (count - len(done))
            elif other in done and other_before == done - {other}:
                resume[source, target] = BACK_TO_APPLIANCE / max(len(done) - 1, 1)
    return np.array([member for member, _ in slots], dtype=np.int64), opening, switch, resume
