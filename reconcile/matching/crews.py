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
from rapidfuzz.distance import OSA

from reconcile.clock import HOUR_S
from reconcile.matching.belief import Belief, Case, Lacing, Member, Variant
from reconcile.matching.factors import Decided
from reconcile.matching.habits import Habits
from reconcile.matching.interleaving import Interleaving, interleave
from reconcile.matching.labels import label_likelihoods, plain_label
from reconcile.matching.order import KINDS, PROOF_KIND, VOLTAGE_KINDS, Session
from reconcile.matching.placing import has_lost_date
from reconcile.matching.progress import (
    ISOLATED,
    PART_OF_STAGE,
    PHASE_OF_STEP,
    RESTORED,
    STAGE_COUNT,
    SUPPLY,
    stages_of_kind,
)
from reconcile.matching.relative_clocks import Ground, Track, lay_grounds, lay_over, score_alone, score_differences
from reconcile.matching.visits import Visits, names_of
from schemas.steps import PHASES

Numbers = NDArray[np.float64]
Places = NDArray[np.int64]

SHARED_FROM: Final = 0.3
"""Sessions whose readings share at least so many jobs [expected number] may be of one crew."""

LONGEST_APART_S: Final = 13 * 3600.0
"""Clocks that kept their date are never read as further apart than this."""

LONG_WORD: Final = 4
NAMED_FROM: Final = 20.0
"""A label names an appliance where it fits it so many times better than any other."""

GOES_ON: Final = 50.0
"""Sessions of one memory come before any other partner."""

AT_ONCE_S: Final = 3600.0
METALWORK_KIND: Final = KINDS["non_contact_voltage", ""]
BREAK_MARGIN_S: Final = 1200.0
LONGEST_BREAK_S: Final = 5 * 3600.0
OFFSET_APART_S: Final = 300.0
TOGETHER: Final = 0.9
ARRIVES_ANY_TIME: Final = 1.0 / 43200.0
FINE_S: Final = 20.0
COARSE_S: Final = 60.0
REACH_S: Final = 1500.0
MOST_TRIED: Final = 900
MOST_VARIANTS: Final = 4
MOST_OF_CUT_MEMORY: Final = 12
LEAST_VARIANT: Final = 0.003
WITHOUT_CLOCK: Final = 12.0
"""What a likeliest order falls short of all orders together [log likelihood]."""

ONE_HOUR_APART: Final = 0.05
DRIFTS: Final = 0.1
"""Share of pairs of clocks of which one drifts noticeably."""

DRIFT_STEPS: Final = np.array([-60, -50, -40, -30, -22, -15, -9, 9, 15, 22, 30, 40, 50, 60]) / 3600.0
DEAD_BY_UNPROVED: Final = 0.03
"""Weight of a dead test with a meter that is never proved although another meter of the crew is."""

LIVE_BY_INDICATOR: Final = 0.15
LIVE_BETWEEN_PROOFS: Final = 0.01
"""Weight of a live voltage with the meter that is proved, where another one measures voltages too."""


@dataclass(frozen=True, kw_only=True)
class _Laid:
    """A crew while it grows: members (number, difference of clock to the anchor, drift, middle, unsureness) and
    their track, in the order they were taken.
    """

    members: tuple[tuple[int, float, float, float, float], ...]
    track: Track
    log_weight: float
    laced: tuple[Lacing, ...] = ()


def find_crews(
    cases: list[Case], beliefs: list[Belief | None], habits: Habits, *, several_engineers: bool = False
) -> list[Case]:  # fmt: skip
    """The crews among these sessions, each as one case with its variants. Where ``several_engineers`` work, two meters
    of one kind that were in use at the same time are not of one crew.
    """
    grounds = lay_grounds(habits)
    free = set(range(len(cases)))
    partners = _partners(cases, beliefs)
    crews: list[Case] = []
    for anchor in sorted(partners, key=lambda number: _anchor_rank(cases[number], beliefs[number], number)):
        if anchor not in free:
            continue
        apart = _elsewhere(cases, beliefs) if several_engineers else {}
        laid, members = _grow(anchor, cases, beliefs, partners, free, grounds, apart)
        if len(members) > 1:
            free -= set(members)
            lost = {number: _has_lost(beliefs[number]) for number in members}
            crews.append(_case(laid, cases, lost))
    return crews


def may_have_company(sessions: list[Session], visits: Visits) -> list[int]:
    """The numbers of the sessions that another meter may have been used beside."""
    if len({session.source for session in sessions}) < 2:
        return []
    dated = [session.timed and not has_lost_date(session, visits) for session in sessions]
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
    return not case.session.timed, _has_lost(belief), -len(case.session.rows), number


def _has_lost(belief: Belief | None) -> bool:
    return belief is None or bool(belief.weight[belief.lost].sum() > 0.5)


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
    kept = {one: row for one, row in kept.items() if row}
    for before in range(len(cases) - 1):
        if before in kept and _goes_on(cases, beliefs, before):
            kept[before][before + 1] = GOES_ON
            kept.setdefault(before + 1, {})[before] = GOES_ON
    return kept


def _elsewhere(cases: list[Case], beliefs: list[Belief | None]) -> dict[int, set[int]]:
    """For each session those of another meter of its kind that measured at the same time: nobody carries two."""
    found: dict[int, set[int]] = {}
    dated = [number for number, case in enumerate(cases) if case.session.timed and not _has_lost(beliefs[number])]
    for place, one in enumerate(dated):
        for other in dated[place + 1 :]:
            first, second = cases[one].session, cases[other].session
            if first.meter_serial == second.meter_serial or _use(first) != _use(second):
                continue
            begins = max(np.nanmin(first.time_s), np.nanmin(second.time_s))
            ends = min(np.nanmax(first.time_s), np.nanmax(second.time_s))
            if ends - begins > AT_ONCE_S:
                found.setdefault(one, set()).add(other)
                found.setdefault(other, set()).add(one)
    return found


def _use(session: Session) -> tuple[bool, ...]:
    """What a meter was used for: proving, voltages, anything else but metalwork."""
    rest = ~np.isin(session.kind, [PROOF_KIND, METALWORK_KIND, *VOLTAGE_KINDS])
    return (
        bool((session.kind == PROOF_KIND).any()), bool(np.isin(session.kind, VOLTAGE_KINDS).any()), bool(rest.any()),
    )  # fmt: skip


def _goes_on(cases: list[Case], beliefs: list[Belief | None], before: int) -> bool:
    """Whether the next session is the same working day of the same memory, cut where the clock was set or lost."""
    one, other = cases[before].session, cases[before + 1].session
    first, second = beliefs[before], beliefs[before + 1]
    if one.source != other.source or first is None or second is None or not one.timed or not other.timed:
        return False
    end_s = np.nanmax(one.time_s) - first.offset_s
    start_s = np.nanmin(other.time_s) - second.offset_s
    apart_s = start_s[None, :] - end_s[:, None]
    near = (apart_s > -BREAK_MARGIN_S) & (apart_s < LONGEST_BREAK_S)
    return float((first.weight[:, None] * second.weight[None, :] * near).sum()) > 0.8


def _grow(
    anchor: int, cases: list[Case], beliefs: list[Belief | None], partners: Mapping[int, Mapping[int, float]],
    free: set[int], grounds: tuple[Ground, ...], apart: Mapping[int, set[int]],
) -> tuple[list[_Laid], list[int]]:  # fmt: skip
    """The ways of laying the anchor and its partners over each other, and the members."""
    words: dict[str, int] = {}
    track = _track(cases[anchor].session, 0, words)
    laid = [_Laid(members=((anchor, 0.0, 0.0, 0.0, 0.0),), track=track, log_weight=0.0)]
    members = [anchor]
    waiting = dict(partners[anchor])
    while waiting:
        other = max(waiting, key=lambda number: (cases[number].session.timed, waiting[number], -number))
        del waiting[other]
        if other not in free or other in members or apart.get(other, set()) & set(members):
            continue
        found = _lay(laid, other, cases, beliefs, _track(cases[other].session, len(members), words), grounds, anchor)
        if found:
            laid, members = found, [*members, other]
            for number, many in partners.get(other, {}).items():
                waiting[number] = max(waiting.get(number, 0.0), many)
            waiting = {number: many for number, many in waiting.items() if number not in members}
    return laid, members


def _lay(
    laid: list[_Laid], other: int, cases: list[Case], beliefs: list[Belief | None], track: Track,
    grounds: tuple[Ground, ...], anchor: int,
) -> list[_Laid]:  # fmt: skip
    """The best ways of laying one more session over a crew; none where it explains itself better alone."""
    belief, base = beliefs[other], beliefs[anchor]
    assert belief is not None
    assert base is not None
    alone = score_alone(track, grounds) + float(np.log(ARRIVES_ANY_TIME * (1.0 - TOGETHER) / TOGETHER))
    found: list[_Laid] = []
    middle_s = 0.5 * float(track.time_s[0] + track.time_s[-1])
    for way in laid:
        before = score_alone(way.track, grounds)
        first, second = _with_roles(way.track, track)
        if not cases[other].session.timed or np.isnan(first.time_s).any():
            found += [
                _Laid(
                    members=(*way.members, (other, 0.0, 0.0, 0.0, np.inf)),
                    track=replace(lay_over(first, second).sorted_by(laced.order), time_s=laced.time_s),
                    log_weight=way.log_weight + laced.score - before - alone + WITHOUT_CLOCK,
                    laced=(*way.laced, _lacing(len(way.members), laced, first)),
                )
                for laced in interleave(first, second, grounds)[: 1 if len(laid) > MOST_VARIANTS else None]
            ]
            continue
        difference_s, drift, log_prior = _differences(first, second, base, belief, grounds)
        score_s, orders = score_differences(first, second, difference_s, drift, grounds)
        log_weight = score_s + log_prior - before - alone
        after = _same_memory_order(way, cases, other)
        if after:
            begins = second.time_s[0] - difference_s - drift * (second.time_s[0] - middle_s)
            ends = second.time_s[-1] - difference_s - drift * (second.time_s[-1] - middle_s)
            bad = (begins < after[0]) | (ends > after[1])
            log_weight = np.where(bad, -np.inf, log_weight)
            if not np.isfinite(log_weight).any():
                continue
        tags = np.round(difference_s / OFFSET_APART_S).astype(np.int64) if after else np.zeros(len(orders), np.int64)
        unsure_s = _spread(difference_s, log_weight)
        for places in _distinct(orders, tags, log_weight):
            best = places[log_weight[places].argmax()]
            mass = float(np.logaddexp.reduce(log_weight[places]))
            shown = second.time_s - difference_s[best] - drift[best] * (second.time_s - middle_s)
            joined = lay_over(first, replace(second, time_s=shown))
            member = (other, float(difference_s[best]), float(drift[best]), middle_s, unsure_s)
            found.append(
                _Laid(
                    members=(*way.members, member),
                    track=joined.sorted_by(np.argsort(joined.time_s, kind="stable")),
                    log_weight=way.log_weight + mass,
                    laced=way.laced,
                )
            )
    if not found or max(way.log_weight for way in found) < max(way.log_weight for way in laid):
        return []
    found.sort(key=lambda way: -way.log_weight)
    least = found[0].log_weight + np.log(LEAST_VARIANT)
    several = len({cases[number].session.source for number, *_ in found[0].members}) < len(found[0].members)
    return [way for way in found[: MOST_OF_CUT_MEMORY if several else MOST_VARIANTS] if way.log_weight > least]


def _spread(difference_s: Numbers, log_weight: Numbers) -> float:
    """How unsure a difference of clocks is [s]."""
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    return float(np.sqrt(weight @ (difference_s - weight @ difference_s) ** 2))


def _lacing(member: int, laced: Interleaving, first: Track) -> Lacing:
    return Lacing(member=member, share=laced.share, gap=laced.gap, beside=first.member, row=first.row)


def _same_memory_order(way: _Laid, cases: list[Case], other: int) -> tuple[float, float] | None:
    """Between which times a session of a memory that is in the crew already must lie; nothing for another memory."""
    low, high = -np.inf, np.inf
    for at, (number, *_) in enumerate(way.members):
        if cases[number].session.source == cases[other].session.source:
            times = way.track.time_s[way.track.member == at]
            low, high = (max(low, times[-1]), high) if number < other else (low, min(high, times[0]))
    return None if not np.isfinite(low) and not np.isfinite(high) else (low, high)


def _distinct(order: Places, tags: Places, log_weight: Numbers) -> list[Places]:
    """Places of the differences that give one and the same order (and tag), the most probable orders first."""
    keep = np.flatnonzero(log_weight > log_weight.max() + np.log(LEAST_VARIANT) - 2.0)
    groups: dict[bytes, list[int]] = {}
    for place in keep:
        groups.setdefault(order[place].tobytes() + tags[place].tobytes(), []).append(int(place))
    ranked = sorted(groups.values(), key=lambda places: -float(np.logaddexp.reduce(log_weight[places])))
    most = MOST_OF_CUT_MEMORY if tags.any() else MOST_VARIANTS
    return [np.array(places, dtype=np.int64) for places in ranked[:most]]


def _differences(
    first: Track, second: Track, base: Belief, belief: Belief, grounds: tuple[Ground, ...]
) -> tuple[Numbers, Numbers, Numbers]:  # fmt: skip
    """Differences of the clocks worth scoring [s], drifts, and their log prior."""
    centres, weights = _centres(base, belief)
    grid = _grid(centres, FINE_S)
    if len(grid) > MOST_TRIED:
        grid = _grid(centres, COARSE_S)
        score, _ = score_differences(first, second, grid, np.zeros(len(grid)), grounds)
        score = score + _log_prior(grid, centres, weights)
        best = grid[np.argsort(-score)[:24]]
        grid = np.unique(np.round((best[:, None] + np.arange(-60.0, 61.0, FINE_S)) / FINE_S) * FINE_S)
    still, prior = np.zeros(len(grid)), _log_prior(grid, centres, weights)
    score = score_differences(first, second, grid, still, grounds)[0] + prior
    span_s = second.time_s[-1] - second.time_s[0]
    differences, drifts, priors = [grid], [still], [prior + np.log(1.0 - DRIFTS)]
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
    centres, total = centres[keep], total[keep]
    # Summer time may be set in one of them only, whatever the job list could tell.
    around = [centres + shift_s for shift_s in (-HOUR_S, HOUR_S)]
    return np.concatenate([centres, *around]), np.concatenate([total, *[ONE_HOUR_APART * total] * 2]) / total.sum()


def _log_prior(difference_s: Numbers, centres: Numbers, weights: Numbers) -> Numbers:
    """Log prior of differences on the grid: near one of the centres, more so very near it."""
    apart = np.abs(difference_s[:, None] - centres[None, :])
    near = np.exp(-0.5 * (apart / 45.0) ** 2) * FINE_S / (45.0 * np.sqrt(2.0 * np.pi))
    rough = np.exp(-apart / 400.0) * FINE_S / 800.0
    share = 0.85 * near + 0.15 * rough + 1e-5
    return np.asarray(np.log((share * weights).sum(axis=1)), dtype=np.float64)


def _track(session: Session, member: int, words: dict[str, int]) -> Track:
    """A session as a track; ``words`` numbers the labels."""
    times = known_times(session.time_s) if session.timed else _beats(session)
    plain = [plain_label(text) for text in session.label]
    label = np.array([_number_of(word, words) if word else -1 for word in plain], dtype=np.int64)
    return Track(
        time_s=times,
        kind=session.kind,
        label=label,
        emission=np.ones((len(session.kind), stages_of_kind().shape[1])),
        member=np.full(len(session.kind), member),
        row=np.arange(len(session.kind)),
    )


def _number_of(word: str, words: dict[str, int]) -> int:
    """The number of a label; one that a slip of the finger leads to has the same."""
    if word not in words:
        near = [known for known in words if len(word) > LONG_WORD and OSA.distance(word, known, score_cutoff=2) <= 2]
        words[word] = words[near[0]] if near else len(words)
    return words[word]


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
    kinds = [first.kind[first.member == member] for member in np.unique(first.member)]
    return replace(first, emission=first.emission * by_role(first.kind, [second.kind])), replace(
        second, emission=second.emission * by_role(second.kind, kinds)
    )


def by_role(kind: Places, others: list[Places]) -> Numbers:
    """Weight of each stage (T, D) of the readings of a meter beside other meters: dead is tested with the one that is
    proved, live voltages rather with another. A meter that is proved but measures no voltage says nothing of that.
    """
    stages = np.where(stages_of_kind() < 0, STAGE_COUNT, stages_of_kind())[kind]
    part = np.append(PART_OF_STAGE, -1)[stages]
    voltage = np.isin(kind, VOLTAGE_KINDS)
    weight = np.ones(stages.shape)
    proved = (kind == PROOF_KIND).any()
    proofs = [bool((other == PROOF_KIND).any()) for other in others if np.isin(other, VOLTAGE_KINDS).any()]
    if not proved and any(proofs):
        weight[voltage[:, None] & (part == ISOLATED)] = DEAD_BY_UNPROVED
    if proved and not all(proofs):
        live = (part == SUPPLY) | (part == RESTORED)
        weight[voltage[:, None] & live] = LIVE_BY_INDICATOR
        weight[_between_proofs(kind)[:, None] & live] = LIVE_BETWEEN_PROOFS
    return weight


def _between_proofs(kind: Places) -> NDArray[np.bool_]:
    """True for voltages that follow a proof and are followed by one, nothing else between: a dead test."""
    voltage, proof = np.isin(kind, VOLTAGE_KINDS), kind == PROOF_KIND
    place = np.arange(len(kind))
    last = np.maximum.accumulate(np.where(voltage, -1, place))
    next_ = np.minimum.accumulate(np.where(voltage, len(kind), place)[::-1])[::-1]
    known = voltage & (last >= 0) & (next_ < len(kind))
    enclosed: NDArray[np.bool_] = known & proof[np.maximum(last, 0)] & proof[np.minimum(next_, len(kind) - 1)]
    return enclosed


def _case(laid: list[_Laid], cases: list[Case], lost: dict[int, bool]) -> Case:
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
                unsure_s=np.array([way.members[at][4] for way in laid]),
                dated=not lost[number],
                timed=cases[number].session.timed,
            )
            for at, number in enumerate(numbers)
        ),
        laced=laid[0].laced,
    )


def _merged(way: _Laid, order: Places, numbers: list[int], cases: list[Case]) -> Case:
    """The members of a crew as one session, its readings in that order of the members one after another."""
    sessions = [cases[number].session for number in numbers]
    time_s = way.track.time_s
    kind = np.concatenate([session.kind for session in sessions])
    meter = np.repeat(np.arange(len(sessions)), [len(session.rows) for session in sessions])
    emission = np.ones((len(kind), stages_of_kind().shape[1]))
    for number in range(len(sessions)):
        emission[meter == number] = by_role(
            kind[meter == number], [session.kind for at, session in enumerate(sessions) if at != number]
        )
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
        exchanged_s=first.exchanged_s,
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

    A reading without time, and without a label that names its appliance alone, that may as well stand in another gap of the other meter belongs as surely to its
    appliance as the readings around that other gap do; its phase is as sure as the side of the isolation it stands on.
    """
    by_appliance = belief.belongs.sum(axis=2)
    count = len(by_appliance)
    top = by_appliance.argmax(axis=1)
    step = belief.steps[np.arange(count), belief.belongs[np.arange(count), top].argmax(axis=1)]
    isolation = (step >= 0) & (PHASE_OF_STEP[step] == PHASES.index("isolation"))
    typed = _named_by_label(crew.session.label, belief.appliances, top, visits)
    sure, step_sure = np.ones(count), np.ones(count)
    for lacing in crew.laced:
        beside = np.array([crew.members[of].place[row] for of, row in zip(lacing.beside, lacing.row, strict=True)])
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
    return np.minimum(sure, 1.0), np.minimum(step_sure, 1.0)


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
