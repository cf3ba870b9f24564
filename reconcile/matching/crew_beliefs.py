"""The belief about a crew shared out among its members, with how sure the order of the readings is."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from reconcile.matching.belief import Belief, Case, Lacing, Member
from reconcile.matching.labels import label_likelihoods, plain_label
from reconcile.matching.progress import PHASE_OF_STEP
from reconcile.matching.visits import Visits, names_of
from schemas.steps import PHASES

Numbers = NDArray[np.float64]
Places = NDArray[np.int64]

NAMED_FROM: Final = 20.0
"""A label names an appliance where it fits it so many times better than any other."""


def split_beliefs(belief: Belief, crew: Case, visits: Visits) -> list[Belief]:
    """What the belief about a crew says of each of its members."""
    sure, step_sure = _order_sure(belief, crew, visits)
    return [
        replace(
            _of_member(belief, member, visits.appliance_job),
            order_sure=sure[member.place],
            order_step_sure=step_sure[member.place],
        )
        for member in crew.members
    ]


def _order_sure(belief: Belief, crew: Case, visits: Visits) -> tuple[Numbers, Numbers]:
    """How sure the appliance and the phase of each reading are as far as its place in the order goes (T), (T).

    A reading without time, and without a label that names its appliance alone, may as well stand in another gap of the
    other meter: it belongs as surely to its appliance as the readings around that other gap do; its phase is as sure as
    the side of the isolation it stands on.
    """
    by_appliance = belief.belongs.sum(axis=2)
    count = len(by_appliance)
    top = by_appliance.argmax(axis=1)
    step = belief.steps[np.arange(count), belief.belongs[np.arange(count), top].argmax(axis=1)]
    isolation = (step >= 0) & (PHASE_OF_STEP[step] == PHASES.index("isolation"))
    typed = _named_by_label(crew.session.label, belief.appliances, top, visits)
    sure, step_sure = np.ones(count), np.ones(count)
    for laced in crew.laced:
        lacing = _as_weighed(laced, belief, crew)
        beside = _places_beside(lacing, crew)
        own = crew.members[lacing.member].place
        left = np.append(-1, top[beside])[None, :] == top[own][:, None]
        right = np.append(top[beside], -1)[None, :] == top[own][:, None]
        here = np.arange(len(beside) + 1)[None, :] == lacing.gap[:, None]
        within = (lacing.share * np.where(here, 1.0, 0.5 * left + 0.5 * right)).sum(axis=1)
        sure[own] = np.where(typed[own], sure[own], np.minimum(sure[own], within))
        isolated = (isolation[beside])[None, :] & (top[beside][None, :] == top[own][:, None])
        known = np.concatenate([np.zeros((len(own), 1)), np.cumsum(isolated, axis=1)], axis=1)
        since, ahead = known > 0, known < known[:, -1:]
        row = np.arange(len(own))
        alike = (since == since[row, lacing.gap][:, None]) & (ahead == ahead[row, lacing.gap][:, None])
        step_sure[own] = np.minimum(step_sure[own], (lacing.share * alike).sum(axis=1))
        step_sure[beside] = np.minimum(step_sure[beside], _side_sure(lacing, isolation[own], top[own], top[beside]))
    return np.minimum(sure, 1.0), np.minimum(step_sure, 1.0)


def _as_weighed(lacing: Lacing, belief: Belief, crew: Case) -> Lacing:
    """The same readings with the share of each gap after the chain has weighed the orders tried, and the gap in the
    likeliest of them. What no order tried stands for keeps its share.
    """
    own = crew.members[lacing.member].place
    beside = _places_beside(lacing, crew)
    weight = np.bincount(belief.variant, weights=belief.weight, minlength=len(crew.variants))
    row = np.arange(len(own))
    weighed, tried = np.zeros(lacing.share.shape), np.zeros(lacing.share.shape, dtype=bool)
    gaps = []
    for variant, share in zip(crew.variants, weight, strict=True):
        order = np.argsort(variant.place)
        gap = (order[beside][None, :] < order[own][:, None]).sum(axis=1)
        weighed[row, gap] += share
        tried[row, gap] = True
        gaps.append(gap)
    covered = (lacing.share * tried).sum(axis=1, keepdims=True)
    return replace(lacing, share=covered * weighed + np.where(tried, 0.0, lacing.share), gap=gaps[int(weight.argmax())])


def _places_beside(lacing: Lacing, crew: Case) -> Places:
    """Where the readings between which the gaps are stand in the crew's session."""
    return np.array([crew.members[of].place[row] for of, row in zip(lacing.beside, lacing.row, strict=True)])


def _side_sure(lacing: Lacing, isolation: NDArray[np.bool_], own: Places, beside: Places) -> Numbers:
    """How sure it is on which side of the dead tests of its appliance each reading of the others stands (T).

    ``isolation``, ``own``: which readings of the meter without a clock are of the isolation, and their appliances;
    ``beside``: the appliances of the others.
    """
    gaps = np.cumsum(lacing.share, axis=1)
    # Share of the likely orders in which each reading of the meter stands before each of the others.
    before = gaps[:, : len(beside)]
    chosen = lacing.gap[:, None] <= np.arange(len(beside))[None, :]
    same_side = np.where(chosen, before, 1.0 - before)
    counts = isolation[:, None] & (own[:, None] == beside[None, :])
    share = np.where(counts, same_side, 0.0).sum(axis=0) / np.maximum(counts.sum(axis=0), 1)
    return np.asarray(np.where(counts.any(axis=0), share, 1.0), dtype=np.float64)


def _named_by_label(labels: list[str | None], appliances: Places, top: Places, visits: Visits) -> NDArray[np.bool_]:
    """True for readings whose label fits the appliance they are given to (``top``) far better than any other (T)."""
    words = [plain_label(text) for text in labels]
    vocabulary = sorted({word for word in words if word})
    if not vocabulary:
        return np.zeros(len(words), dtype=bool)
    fit, _ = label_likelihoods(vocabulary, names_of(visits, appliances))
    place = {word: number for number, word in enumerate(vocabulary)}
    named = np.zeros(len(words), dtype=bool)
    for number, word in enumerate(words):
        if word:
            others = np.delete(fit[place[word]], top[number])
            named[number] = fit[place[word], top[number]] > NAMED_FROM * others.max(initial=0.0)
    return named


def _of_member(belief: Belief, member: Member, job_of: Places) -> Belief:
    """What the belief about a crew says of one member."""
    place = member.place
    belongs = belief.belongs[place]
    at_job = belongs.sum(axis=2)
    jobs = job_of[belief.appliances]
    ends = [int(jobs[at_job[row].argmax()]) if at_job[row].max() > 0.0 else -1 for row in (0, -1)]
    most = at_job.max(axis=0)
    visited = {
        int(job): float(min(1.0, most[jobs == job].max())) for job in np.unique(jobs) if most[jobs == job].max() > 1e-3
    }
    return replace(
        belief,
        steps=belief.steps[place],
        belongs=belongs,
        unlisted=belief.unlisted[place],
        offset_s=belief.offset_s + member.difference_s[belief.variant],
        visited=visited,
        first_job=ends[0],
        last_job=ends[1],
    )
