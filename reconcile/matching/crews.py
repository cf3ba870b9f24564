"""Crews: sessions of several meters that one engineer used together, laid over each other into one sequence.

Meters judged apart cannot know what the others saw. So the sessions that share jobs are put together, their clocks
related by the order of the work (relative_clocks.py), and the chain runs once over all their readings. Where several
orders are possible each is a variant, weighed by its evidence; a crew that explains the readings worse than its members
apart is no crew.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from reconcile.matching.belief import Belief, Case, Member, Variant
from reconcile.matching.factors import Decided
from reconcile.matching.habits import Habits
from reconcile.matching.interleaving import interleave
from reconcile.matching.labels import plain_label
from reconcile.matching.order import KINDS, Session
from reconcile.matching.placing import has_lost_date
from reconcile.matching.progress import ISOLATED, PART_OF_STAGE, RESTORED, STAGE_COUNT, SUPPLY, stages_of_kind
from reconcile.matching.relative_clocks import Ground, Track, lay_ground, lay_over, score_alone, score_differences
from reconcile.matching.visits import Visits
from schemas.quantities import QUANTITIES

Numbers = NDArray[np.float64]
Places = NDArray[np.int64]

SHARED_FROM: Final = 0.3
"""Sessions whose readings share at least so many jobs [expected number] may be of one crew."""

LONGEST_APART_S: Final = 13 * 3600.0
"""Clocks that kept their date are never read as further apart than this."""

TOGETHER: Final = 0.9
ARRIVES_ANY_TIME: Final = 1.0 / 43200.0
FINE_S: Final = 20.0
COARSE_S: Final = 60.0
REACH_S: Final = 1500.0
MOST_TRIED: Final = 900
MOST_VARIANTS: Final = 4
LEAST_VARIANT: Final = 0.003
WITHOUT_CLOCK: Final = 12.0
"""What a likeliest order falls short of all orders together [log likelihood]."""

DRIFTS: Final = 0.1
"""Share of pairs of clocks of which one drifts noticeably."""

DRIFT_STEPS: Final = np.array([-60, -50, -40, -30, -22, -15, -9, 9, 15, 22, 30, 40, 50, 60]) / 3600.0
PROOF_KIND: Final = KINDS["voltage_indicator_proof", ""]
VOLTAGE_KINDS: Final = tuple(KINDS["voltage", pair] for pair in QUANTITIES["voltage"].conductors)
DEAD_BY_UNPROVED: Final = 0.1
"""Weight of a dead test with a meter that is never proved although another meter of the crew is."""

LIVE_BY_INDICATOR: Final = 0.4
"""Weight of a live voltage with the meter that is proved, where another one measures voltages too."""


@dataclass(frozen=True, kw_only=True)
class _Laid:
    """A crew while it grows: members (number, difference of clock to the anchor, drift, middle) and their track, in
    the order they were taken.
    """

    members: tuple[tuple[int, float, float, float], ...]
    track: Track
    log_weight: float


def find_crews(cases: list[Case], beliefs: list[Belief | None], habits: Habits) -> list[Case]:
    """The crews among these sessions, each as one case with its variants."""
    ground = lay_ground(habits)
    free = set(range(len(cases)))
    partners = _partners(cases, beliefs)
    crews: list[Case] = []
    for anchor in sorted(partners, key=lambda number: _anchor_rank(cases[number], beliefs[number], number)):
        if anchor not in free:
            continue
        laid, members = _grow(anchor, cases, beliefs, partners, free, ground)
        if len(members) > 1:
            free -= set(members)
            crews.append(_case(laid, cases))
    return crews


def may_have_company(sessions: list[Session], visits: Visits) -> list[int]:
    """The numbers of the sessions that another meter may have been used beside."""
    if len({session.source for session in sessions}) < 2:
        return []
    dated = [_timed(session) and not has_lost_date(session, visits) for session in sessions]
    if not all(dated):
        return list(range(len(sessions)))
    starts = np.array([np.nanmin(session.time_s) for session in sessions])
    ends = np.array([np.nanmax(session.time_s) for session in sessions])
    order = np.argsort(starts, kind="stable")
    found: set[int] = set()
    for place, number in enumerate(order):
        for other in order[place + 1 :]:
            if starts[other] > ends[number] + LONGEST_APART_S:
                break
            if sessions[number].source != sessions[other].source:
                found |= {int(number), int(other)}
    return sorted(found)


def _anchor_rank(case: Case, belief: Belief | None, number: int) -> tuple[bool, bool, int, int]:
    """Best first: a clock at all, one that kept its date, many readings."""
    lost = belief is None or bool(belief.weight[belief.lost].sum() > 0.5)
    return not _timed(case.session), lost, -len(case.session.rows), number


def _timed(session: Session) -> bool:
    return bool((~np.isnan(session.time_s)).any())


def _partners(cases: list[Case], beliefs: list[Belief | None]) -> dict[int, dict[int, float]]:
    """For each session those it shares jobs with, and how many [expected number]."""
    at_job: dict[int, list[tuple[int, float]]] = {}
    for number, belief in enumerate(beliefs):
        if belief is not None:
            for job, share in belief.visited.items():
                if share > 0.02:
                    at_job.setdefault(job, []).append((number, share))
    shared: dict[int, dict[int, float]] = {}
    for visits in at_job.values():
        for one, share in visits:
            for other, other_share in visits:
                if one != other and cases[one].session.source != cases[other].session.source:
                    row = shared.setdefault(one, {})
                    row[other] = row.get(other, 0.0) + min(share, other_share)
    kept = {one: {other: many for other, many in row.items() if many >= SHARED_FROM} for one, row in shared.items()}
    return {one: row for one, row in kept.items() if row}


def _grow(
    anchor: int, cases: list[Case], beliefs: list[Belief | None], partners: Mapping[int, Mapping[int, float]],
    free: set[int], ground: Ground,
) -> tuple[list[_Laid], list[int]]:  # fmt: skip
    """The ways of laying the anchor and its partners over each other, and the members."""
    words: dict[str, int] = {}
    track = _track(cases[anchor].session, 0, words)
    laid = [_Laid(members=((anchor, 0.0, 0.0, 0.0),), track=track, log_weight=0.0)]
    members = [anchor]
    waiting = dict(partners[anchor])
    while waiting:
        other = max(waiting, key=lambda number: (waiting[number], -number))
        del waiting[other]
        if other not in free or other in members:
            continue
        found = _lay(laid, other, cases, beliefs, _track(cases[other].session, len(members), words), ground, anchor)
        if found:
            laid, members = found, [*members, other]
            for number, many in partners.get(other, {}).items():
                waiting[number] = max(waiting.get(number, 0.0), many)
            waiting = {number: many for number, many in waiting.items() if number not in members}
    return laid, members


def _lay(
    laid: list[_Laid], other: int, cases: list[Case], beliefs: list[Belief | None], track: Track, ground: Ground,
    anchor: int,
) -> list[_Laid]:  # fmt: skip
    """The best ways of laying one more session over a crew; none where it explains itself better alone."""
    belief, base = beliefs[other], beliefs[anchor]
    assert belief is not None
    assert base is not None
    alone = score_alone(track, ground) + float(np.log(ARRIVES_ANY_TIME * (1.0 - TOGETHER) / TOGETHER))
    found: list[_Laid] = []
    middle_s = 0.5 * float(track.time_s[0] + track.time_s[-1])
    for way in laid:
        before = score_alone(way.track, ground)
        first, second = _with_roles(way.track, track)
        if not _timed(cases[other].session) or np.isnan(first.time_s).any():
            score, order, times = interleave(first, second, ground)
            joined = replace(lay_over(first, second).sorted_by(order), time_s=times)
            member = (other, 0.0, 0.0, 0.0)
            weight = way.log_weight + score - before - alone + WITHOUT_CLOCK
            found.append(_Laid(members=(*way.members, member), track=joined, log_weight=weight))
            continue
        difference_s, drift, log_prior = _differences(first, second, base, belief, ground)
        score_s, orders = score_differences(first, second, difference_s, drift, ground)
        log_weight = score_s + log_prior - before - alone
        for places in _distinct(orders, log_weight):
            best = places[log_weight[places].argmax()]
            mass = float(np.logaddexp.reduce(log_weight[places]))
            shown = second.time_s - difference_s[best] - drift[best] * (second.time_s - middle_s)
            joined = lay_over(first, replace(second, time_s=shown))
            member = (other, float(difference_s[best]), float(drift[best]), middle_s)
            found.append(
                _Laid(
                    members=(*way.members, member),
                    track=joined.sorted_by(np.argsort(joined.time_s, kind="stable")),
                    log_weight=way.log_weight + mass,
                )
            )
    if max(way.log_weight for way in found) < max(way.log_weight for way in laid):
        return []
    found.sort(key=lambda way: -way.log_weight)
    least = found[0].log_weight + np.log(LEAST_VARIANT)
    return [way for way in found[:MOST_VARIANTS] if way.log_weight > least]


def _distinct(order: Places, log_weight: Numbers) -> list[Places]:
    """Places of the differences that give one and the same order, the most probable orders first."""
    keep = np.flatnonzero(log_weight > log_weight.max() + np.log(LEAST_VARIANT) - 2.0)
    groups: dict[bytes, list[int]] = {}
    for place in keep:
        groups.setdefault(order[place].tobytes(), []).append(int(place))
    ranked = sorted(groups.values(), key=lambda places: -float(np.logaddexp.reduce(log_weight[places])))
    return [np.array(places, dtype=np.int64) for places in ranked[:MOST_VARIANTS]]


def _differences(
    first: Track, second: Track, base: Belief, belief: Belief, ground: Ground
) -> tuple[Numbers, Numbers, Numbers]:  # fmt: skip
    """Differences of the clocks worth scoring [s], drifts, and their log prior."""
    centres, weights = _centres(base, belief)
    grid = _grid(centres, FINE_S)
    if len(grid) > MOST_TRIED:
        grid = _grid(centres, COARSE_S)
        score, _ = score_differences(first, second, grid, np.zeros(len(grid)), ground)
        score = score + _log_prior(grid, centres, weights)
        best = grid[np.argsort(-score)[:24]]
        grid = np.unique(np.round((best[:, None] + np.arange(-60.0, 61.0, FINE_S)) / FINE_S) * FINE_S)
    still = np.zeros(len(grid))
    score, _ = score_differences(first, second, grid, still, ground)
    score = score + _log_prior(grid, centres, weights)
    span_s = second.time_s[-1] - second.time_s[0]
    differences, drifts, priors = [grid], [still], [_log_prior(grid, centres, weights) + np.log(1.0 - DRIFTS)]
    if span_s > 5400.0:
        top = grid[score.argmax()]
        around = top + np.arange(-300.0, 301.0, 30.0)
        table = np.stack(np.meshgrid(around, DRIFT_STEPS, indexing="ij"), axis=-1).reshape(-1, 2)
        differences.append(table[:, 0])
        drifts.append(table[:, 1])
        share = DRIFTS / len(DRIFT_STEPS) * 30.0 / FINE_S
        priors.append(_log_prior(table[:, 0], centres, weights) + np.log(share))
    return np.concatenate(differences), np.concatenate(drifts), np.concatenate(priors)


def _grid(centres: Numbers, step_s: float) -> Numbers:
    around = np.arange(-REACH_S, REACH_S + 1.0, step_s)
    return np.asarray(np.unique(np.round((centres[:, None] + around).ravel() / step_s)) * step_s, dtype=np.float64)


def _centres(base: Belief, belief: Belief) -> tuple[Numbers, Numbers]:
    """Differences of the clocks as each session alone sees them, with their weight."""
    difference_s = (belief.offset_s[None, :] - base.offset_s[:, None]).ravel()
    weight = (belief.weight[None, :] * base.weight[:, None]).ravel()
    centres, place = np.unique(np.round(difference_s / 60.0) * 60.0, return_inverse=True)
    total = np.bincount(place, weights=weight)
    keep = total > 0.003
    return centres[keep], total[keep] / total[keep].sum()


def _log_prior(difference_s: Numbers, centres: Numbers, weights: Numbers) -> Numbers:
    """Log prior of differences on the grid: near one of the centres, more so very near it."""
    apart = np.abs(difference_s[:, None] - centres[None, :])
    near = np.exp(-0.5 * (apart / 45.0) ** 2) * FINE_S / (45.0 * np.sqrt(2.0 * np.pi))
    rough = np.exp(-apart / 400.0) * FINE_S / 800.0
    share = 0.5 * near + 0.5 * rough + 1e-5
    return np.asarray(np.log((share * weights).sum(axis=1)), dtype=np.float64)


def _track(session: Session, member: int, words: dict[str, int]) -> Track:
    """A session as a track; ``words`` numbers the labels."""
    times = known_times(session.time_s) if (~np.isnan(session.time_s)).any() else _beats(session)
    plain = [plain_label(text) for text in session.label]
    label = np.array([words.setdefault(word, len(words)) if word else -1 for word in plain], dtype=np.int64)
    return Track(
        time_s=times,
        kind=session.kind,
        label=label,
        emission=np.ones((len(session.kind), stages_of_kind().shape[1])),
        member=np.full(len(session.kind), member),
        row=np.arange(len(session.kind)),
    )


def _beats(session: Session) -> Numbers:
    """Times that tell pauses only [s]: NaN where a clock began anew."""
    began = np.diff(session.start, prepend=session.start[:1]) != 0
    return np.where(began, np.nan, session.beat_s)


def known_times(time_s: Numbers) -> Numbers:
    """Times [s] with those that are missing taken from the reading before (after, at the beginning)."""
    known = ~np.isnan(time_s)
    last = np.maximum.accumulate(np.where(known, np.arange(len(time_s)), -1))
    return np.asarray(time_s[np.where(last >= 0, last, int(known.argmax()))], dtype=np.float64)


def _with_roles(first: Track, second: Track) -> tuple[Track, Track]:
    """Both tracks with the weight of each stage by what the meters are used for."""
    return replace(first, emission=first.emission * by_role(first.kind, second.kind)), replace(
        second, emission=second.emission * by_role(second.kind, first.kind)
    )


def by_role(kind: Places, others: Places) -> Numbers:
    """Weight of each stage (T, D) of the readings of a meter beside another meter: dead is tested with the one that is
    proved, live voltages rather with the other.
    """
    stages = np.where(stages_of_kind() < 0, STAGE_COUNT, stages_of_kind())[kind]
    part = np.append(PART_OF_STAGE, -1)[stages]
    voltage = np.isin(kind, VOLTAGE_KINDS)
    weight = np.ones(stages.shape)
    proved, other_proved = (kind == PROOF_KIND).any(), (others == PROOF_KIND).any()
    if other_proved and not proved:
        weight[voltage[:, None] & (part == ISOLATED)] = DEAD_BY_UNPROVED
    if proved and not other_proved and np.isin(others, VOLTAGE_KINDS).any():
        weight[voltage[:, None] & ((part == SUPPLY) | (part == RESTORED))] = LIVE_BY_INDICATOR
    return weight


def _case(laid: list[_Laid], cases: list[Case]) -> Case:
    """One case of a crew: the readings in the order of the likeliest variant."""
    numbers = [number for number, *_ in laid[0].members]
    starts = np.cumsum([0, *(len(cases[number].session.rows) for number in numbers)])
    orders = [starts[way.track.member] + way.track.row for way in laid]
    variants = [_merged(way, order, numbers, cases) for way, order in zip(laid, orders, strict=True)]
    base = variants[0]
    weight = np.array([way.log_weight for way in laid])
    # Places of the readings, member by member, in the order of the first variant.
    back = np.argsort(orders[0])
    return Case(
        session=base.session,
        decided=base.decided,
        hints=cases[numbers[0]].hints,
        variants=tuple(
            Variant(session=one.session, decided=one.decided, place=back[order], log_prior=float(prior))
            for one, order, prior in zip(variants, orders, weight - weight.max(), strict=True)
        ),
        members=tuple(
            Member(
                number=number,
                place=back[starts[at] : starts[at + 1]],
                difference_s=np.array([way.members[at][1] for way in laid]),
                drift=np.array([way.members[at][2] for way in laid]),
                middle_s=laid[0].members[at][3],
            )
            for at, number in enumerate(numbers)
        ),
    )


def _merged(way: _Laid, order: Places, numbers: list[int], cases: list[Case]) -> Case:
    """The members of a crew as one session, its readings in that order of the members one after another."""
    sessions = [cases[number].session for number in numbers]
    time_s = way.track.time_s
    kind = np.concatenate([session.kind for session in sessions])
    meter = np.repeat(np.arange(len(sessions)), [len(session.rows) for session in sessions])
    emission = np.ones((len(kind), stages_of_kind().shape[1]))
    for number in range(len(sessions)):
        emission[meter == number] = by_role(kind[meter == number], kind[meter != number])
    record = np.concatenate([_apart(session.record, number) for number, session in enumerate(sessions)])
    labels: list[Any] = [text for session in sessions for text in session.label]
    decided = [cases[number].decided for number in numbers]
    first = sessions[0]
    session = Session(
        meter_serial=first.meter_serial,
        source=first.source,
        rows=np.concatenate([session.rows for session in sessions])[order],
        time_s=time_s,
        dated=first.dated,
        kind=kind[order],
        label=[labels[place] for place in order],
        record=record[order],
        beat_s=time_s,
        start=np.zeros(len(order), dtype=np.int64),
        meter=meter[order],
        serials=tuple(sorted({session.meter_serial for session in sessions if session.meter_serial})),
        emission=emission[order],
    )
    return Case(
        session=session,
        decided=Decided(
            appliance=np.concatenate([one.appliance for one in decided])[order],
            step=np.concatenate([one.step for one in decided])[order],
        ),
        hints=cases[numbers[0]].hints,
    )


def _apart(record: Places, number: int) -> Places:
    """Record numbers that are no other meter's."""
    return record + number * 10_000_000


def split_belief(belief: Belief, member: Member, job_of: Places) -> Belief:
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
