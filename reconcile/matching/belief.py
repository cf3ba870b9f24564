"""What is believed about each session after its placings and clock offsets are weighed against each other."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from reconcile.matching.batches import Item, ItemPosterior, run_items
from reconcile.matching.chain import LOOKS_BACK
from reconcile.matching.factors import Decided, pauses, placing_factors, reading_factors
from reconcile.matching.habits import BINS, Habits, Moves, add_moves, count_pauses, lies_between, no_moves
from reconcile.matching.label_doubts import labels_in_doubt
from reconcile.matching.labels import plain_label
from reconcile.matching.order import Session
from reconcile.matching.placing import Hints, find_placings
from reconcile.matching.progress import PAUSES, STAGE_COUNT, STEP_OF_STAGE, TO_APPLIANCE, TO_JOB, stages_of_kind
from reconcile.matching.visits import Visits

Numbers = NDArray[np.float64]
Places = NDArray[np.int64]

TWICE: Final = 1.001
"""A job entered more often than this by one session calls for a second look: jobs are visited once."""

VISITED_TWICE: Final = 0.01
MEANINGLESS: Final = 0.03
"""How often an engineer's labels name nothing of the job list, or are never changed (common practice, from memory)."""

LEAST_SHARE: Final = 0.01
SURELY_AT: Final = 0.95
"""From so sure on a meter alone says where it was, to those that are laid beside it."""

EQUAL_DIGITS: Final = 12
"""What differs by less is equally likely: which other sessions are worked on at the same time decides no tie."""


@dataclass(frozen=True, kw_only=True)
class Variant:
    """One possible order of the readings of a crew, ``place``: where each stands in the session of the case."""

    session: Session
    decided: Decided
    place: Places
    log_prior: float


@dataclass(frozen=True, kw_only=True)
class Member:
    """One session of a crew: its ``number``, where its readings stand in the crew's session (``place``), and by variant
    its clock minus that of the crew [s] at ``middle_s``, how fast that grows (``drift``) [s a s], and how unsure it is
    (``unsure_s``) [s]; whether the clock kept its date, and gave any time.
    """

    number: int
    place: Places
    difference_s: Numbers
    drift: Numbers
    middle_s: float
    unsure_s: Numbers
    dated: bool
    timed: bool


@dataclass(frozen=True, kw_only=True)
class Lacing:
    """How the readings of a member without a clock stand between others: ``share`` of each gap, the chosen ``gap``, and
    the readings between which the gaps are (``beside``: whose, ``row``: its which).
    """

    member: int
    share: Numbers
    gap: Places
    beside: Places
    row: Places


@dataclass(frozen=True, kw_only=True)
class Case:
    """One session with the decisions about it and what is known from elsewhere; for a crew its variants, members."""

    session: Session
    decided: Decided
    hints: Hints
    variants: tuple[Variant, ...] = ()
    members: tuple[Member, ...] = ()
    laced: tuple[Lacing, ...] = ()


@dataclass(frozen=True, kw_only=True)
class ClockFit:
    """What is known of a clock: ``offset_s`` (meter minus true time), its ``spread_s`` [s], whether it is ``known``
    well enough to say when a reading was taken.
    """

    offset_s: float = 0.0
    spread_s: float = np.inf
    known: bool = False


@dataclass(frozen=True, kw_only=True)
class Belief:
    """Probabilities of one session's T readings. ``appliances`` (C) are places in Visits; ``belongs`` (T, C, D) of
    appliance and step (``steps`` (T, D) names them); ``unlisted`` (T): at a visit that is not listed; the rest of each
    reading is stray. Clock: ``offset_s``, ``weight`` and ``lost`` of each hypothesis. ``visited``: jobs (places in
    Visits) with the probability that the session was there; ``first_job``, ``last_job``: where it began and ended.
    ``at`` (T): the appliance that each reading surely belongs to (−1 open), where the readings themselves are left out.
    """

    steps: Places
    appliances: Places
    belongs: Numbers
    unlisted: Numbers
    offset_s: Numbers
    weight: Numbers
    lost: NDArray[np.bool_]
    visited: dict[int, float]
    first_job: int
    last_job: int
    variant: Places
    order_sure: Numbers | None = None
    order_step_sure: Numbers | None = None
    clock: ClockFit = ClockFit()
    at: Places | None = None


def find_beliefs(cases: list[Case], visits: Visits, habits: Habits) -> list[Belief | None]:
    """The belief about each case, in order; nothing where the list holds no job in reach."""
    items = _items(cases, visits, habits)
    posteriors = run_items(items)
    again = [number for number, posterior in enumerate(posteriors) if _enters_twice(posterior)]
    second = run_items([replace(items[number], avoid=_avoid(posteriors[number])) for number in again])
    for number, posterior in zip(again, second, strict=True):
        posteriors[number] = posterior
    return [
        _weigh(case, [items[number] for number in group], [posteriors[number] for number in group], visits)
        if group
        else None
        for case, group in zip(cases, _by_case(items, len(cases)), strict=True)
    ]


def count_moves(cases: list[Case], visits: Visits, habits: Habits) -> Moves:
    """How the work went on in these sessions, as expected counts under the habits given."""
    items = _items(cases, visits, habits)
    posteriors = run_items(items, with_moves=True)
    total = no_moves()
    for group in _by_case(items, len(cases)):
        if group:
            weight = _shares([items[number] for number in group], [posteriors[number] for number in group])
            for number, share in zip(group, weight, strict=True):
                if share > LEAST_SHARE:
                    case = cases[items[number].session]
                    variant = items[number].variant
                    session = case.variants[variant].session if case.variants else case.session
                    total = add_moves(total, _moves(session, items[number], posteriors[number], float(share)))
    return total


def _moves(session: Session, item: Item, posterior: ItemPosterior, share: float) -> Moves:
    """Expected counts of one session under one hypothesis, weighed by its share."""
    assert posterior.moved is not None
    assert posterior.switched is not None
    assert posterior.travelled is not None
    size = STAGE_COUNT + 1
    steps = np.where(item.readings.stages < 0, STAGE_COUNT, item.readings.stages)
    count, width = steps.shape
    step, pause = np.zeros((size, size)), np.zeros((len(PAUSES), BINS))
    moved = posterior.moved.reshape(count, LOOKS_BACK, width, width) * share
    for back in range(min(LOOKS_BACK, count - 1)):
        far = back + 1
        source, target = np.broadcast_arrays(steps[:-far, :, None], steps[far:, None, :])
        weight = moved[far:, back]
        np.add.at(step, (source, target), weight)
        apart = np.where(session.record[far:] == session.record[:-far], np.nan, pauses(session, far))
        pause_s = np.broadcast_to(apart[:, None, None], weight.shape)
        pause += count_pauses(lies_between(source, target).ravel(), pause_s.ravel(), weight.ravel())
        for between, moves in ((TO_APPLIANCE, posterior.switched), (TO_JOB, posterior.travelled)):
            pause += count_pauses(np.full(count - far, between), apart, moves[far:, back] * share)
    done = np.zeros(size)
    np.add.at(done, steps, posterior.belongs.sum(axis=1) * share)
    step[STAGE_COUNT], step[:, STAGE_COUNT], done[STAGE_COUNT] = 0.0, 0.0, 0.0
    strays = share * float(count - posterior.belongs.sum())
    return Moves(step=step, done=done, pause=pause, strays=max(strays, 0.0), readings=share * count)


def _items(cases: list[Case], visits: Visits, habits: Habits) -> list[Item]:
    """Every session under every hypothesis."""
    items: list[Item] = []
    if not len(visits.job_id):
        return items  # an empty list holds no job in reach, whatever the labels say
    for number, case in enumerate(cases):
        alone = Variant(session=case.session, decided=case.decided, place=np.empty(0, dtype=np.int64), log_prior=0.0)
        for regime, log_share in _label_regimes(case.session, visits):
            words = [plain_label(text) if regime else "" for text in case.session.label]
            placings = find_placings(case.session, words, visits, case.hints)
            for place, variant in enumerate((case.variants or (alone,)) if placings else ()):
                words = [plain_label(text) for text in variant.session.label]
                readings = reading_factors(variant.session, words, variant.decided, habits)
                for placing in placings:
                    factors = placing_factors(
                        variant.session, readings, placing, visits, variant.decided, case.hints, labels_count=regime
                    )
                    items += [
                        Item(session=number, readings=readings, factors=factors, offset=offset, variant=place,
                             log_prior=variant.log_prior + log_share)
                        for offset in range(len(placing.offset_s))
                    ]  # fmt: skip
    return items


def _label_regimes(session: Session, visits: Visits) -> list[tuple[bool, float]]:
    """Whether labels name appliances, with log prior: where they may not, both are tried."""
    if labels_in_doubt(session, visits):
        return [(True, float(np.log1p(-MEANINGLESS))), (False, float(np.log(MEANINGLESS)))]
    return [(True, 0.0)]


def _by_case(items: list[Item], count: int) -> list[list[int]]:
    """The numbers of the items of each case."""
    members: list[list[int]] = [[] for _ in range(count)]
    for number, item in enumerate(items):
        members[item.session].append(number)
    return members


def _enters_twice(posterior: ItemPosterior) -> bool:
    return bool((posterior.entered[:, :-1].sum(axis=0) > TWICE).any())


def _avoid(posterior: ItemPosterior) -> Numbers:
    """Weight (T, J + 1) of entering each job, less where it was entered at another stretch of the session."""
    entered = posterior.entered
    jobs = entered.shape[1]
    at_job = np.maximum.accumulate(np.where(entered.sum(axis=1) > 0.5, np.arange(len(entered)), 0))
    job = entered[at_job].argmax(axis=1)
    stretch = np.cumsum(np.diff(at_job, prepend=at_job[0]) != 0)
    by_stretch = np.zeros((stretch[-1] + 3, jobs))
    np.add.at(by_stretch, stretch + 1, entered)
    own = np.zeros((len(by_stretch), jobs))
    own[stretch + 1, job] = 1.0
    near = by_stretch.copy()
    near[1:] += by_stretch[:-1] * own[:-1]
    near[:-1] += by_stretch[1:] * own[1:]
    elsewhere = np.clip(by_stretch.sum(axis=0) - near, 0.0, 1.0)[stretch + 1]
    avoid = 1.0 - (1.0 - VISITED_TWICE) * elsewhere
    avoid[:, -1] = 1.0
    return np.asarray(avoid, dtype=np.float64)


def _shares(items: list[Item], posteriors: list[ItemPosterior]) -> Numbers:
    """Probability of each hypothesis about one session."""
    log_weight = np.array(
        [
            item.factors.placing.log_prior[item.offset] + item.log_prior + posterior.evidence
            for item, posterior in zip(items, posteriors, strict=True)
        ]
    )
    weight = np.exp(log_weight - log_weight.max())
    return np.asarray(weight / weight.sum(), dtype=np.float64)


def _weigh(case: Case, items: list[Item], posteriors: list[ItemPosterior], visits: Visits) -> Belief:
    """One belief from all hypotheses about a session."""
    weight = _shares(items, posteriors)
    appliances = np.unique(np.concatenate([item.factors.appliances for item in items]))
    steps = np.append(STEP_OF_STAGE, -1)[stages_of_kind()[case.session.kind]]
    belongs = np.zeros((len(steps), len(appliances), steps.shape[1]))
    unlisted = np.zeros(len(steps))
    for item, posterior, share in zip(items, posteriors, weight, strict=True):
        place = case.variants[item.variant].place if case.variants else np.arange(len(steps))
        columns = np.searchsorted(appliances, item.factors.appliances)
        belongs[place[:, None], columns[None, :]] += share * posterior.belongs[:, :-1]
        unlisted[place] += share * posterior.belongs[:, -1].sum(axis=1)
    belongs = np.round(_by_step(belongs, steps), EQUAL_DIGITS)
    at_job = belongs.sum(axis=2)
    job_of = visits.appliance_job[appliances]
    ends = [int(job_of[at_job[place].argmax()]) if at_job[place].max() > 0.0 else -1 for place in (0, -1)]
    return Belief(
        steps=steps,
        appliances=appliances,
        belongs=belongs,
        unlisted=unlisted,
        offset_s=np.array([item.factors.placing.offset_s[item.offset] for item in items]),
        weight=weight,
        lost=np.array([item.factors.placing.lost for item in items]),
        visited=_visited(items, posteriors, weight),
        first_job=ends[0],
        last_job=ends[1],
        variant=np.array([item.variant for item in items], dtype=np.int64),
    )


def has_lost(belief: Belief | None) -> bool:
    """True where the clock of a session most likely lost its date, or nothing is believed about it."""
    return belief is None or bool(belief.weight[belief.lost].sum() > 0.5)


def without_readings(belief: Belief) -> Belief:
    """The belief about clock and jobs alone, with where each reading surely was: what is kept of many sessions."""
    share = belief.belongs.sum(axis=2)
    at = np.where(share.max(axis=1, initial=0.0) >= SURELY_AT, belief.appliances[share.argmax(axis=1)], -1)
    return replace(
        belief, belongs=belief.belongs[:0].copy(), steps=belief.steps[:0].copy(), unlisted=belief.unlisted[:0].copy(),
        at=at,
    )  # fmt: skip


def _by_step(belongs: Numbers, steps: Places) -> Numbers:
    """Stages of one step added up, each step in its first column."""
    added = belongs.copy()
    for later in range(1, steps.shape[1]):
        for earlier in range(later):
            same = (steps[:, later] == steps[:, earlier]) & (steps[:, later] >= 0)
            added[same, :, earlier] += added[same, :, later]
            added[same, :, later] = 0.0
    return added


def _visited(items: list[Item], posteriors: list[ItemPosterior], weight: Numbers) -> dict[int, float]:
    """Probability that the session was at each job, where it is not negligible."""
    visited: dict[int, float] = {}
    for item, posterior, share in zip(items, posteriors, weight, strict=True):
        entered = np.minimum(posterior.entered[:, :-1].sum(axis=0), 1.0) * share
        for place in np.flatnonzero(entered > 1e-3):
            job = int(item.factors.placing.jobs[place])
            visited[job] = visited.get(job, 0.0) + float(entered[place])
    return visited
