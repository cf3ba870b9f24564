"""Crews: sessions of several meters that one engineer used together, laid over each other into one sequence.

Meters judged apart cannot know what the others saw. So the sessions that share jobs are put together, their clocks
related by the order of the work (laying.py, relative_clocks.py), and the chain runs once over all their readings. Where
several orders are possible each is a variant, weighed by its evidence; a crew that explains the readings worse than its
members apart is no crew.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from reconcile.matching.belief import Belief, Case, has_lost
from reconcile.matching.crew_cases import crew_case
from reconcile.matching.habits import Habits
from reconcile.matching.laying import Laid, lay
from reconcile.matching.order import KINDS, PROOF_KIND, VOLTAGE_KINDS, Session
from reconcile.matching.placing import has_lost_date
from reconcile.matching.relative_clocks import Ground, lay_grounds
from reconcile.matching.rivals import worse_pairs
from reconcile.matching.tracks import find_track
from reconcile.matching.visits import Visits

Places = NDArray[np.int64]

SHARED_FROM: Final = 0.3
"""Sessions whose readings share at least so many jobs [expected number] may be of one crew."""

LONGEST_APART_S: Final = 13 * 3600.0
"""Clocks that kept their date are never read as further apart than this."""

GOES_ON: Final = 50.0
"""Sessions of one memory come before any other partner."""

OF_ONE: Final = 0.9
FEWEST_OF_ONE: Final = 1.5
"""A meter is one engineer's where so large a share, and more than so many, of its jobs [expected number] are his."""

LEAST_USE: Final = 0.15
AT_ONCE_S: Final = 3600.0
METALWORK_KIND: Final = KINDS["non_contact_voltage", ""]
BREAK_MARGIN_S: Final = 1200.0
LONGEST_BREAK_S: Final = 5 * 3600.0


def find_crews(cases: list[Case], beliefs: list[Belief | None], visits: Visits, habits: Habits) -> list[Case]:
    """The crews among these sessions, each as one case with its variants. Where several engineers work, two meters of
    one kind that were in use at the same time are not of one crew, nor are those of two engineers.
    """
    grounds = lay_grounds(habits)
    free = set(range(len(cases)))
    partners = _partners(cases, beliefs)
    apart: dict[int, set[int]] = {}
    if visits.several_engineers:
        apart = _elsewhere(cases, beliefs)
        engineer = [_engineer(case, belief, visits) for case, belief in zip(cases, beliefs, strict=True)]
        strangers = [
            (one, other) for one, row in partners.items() for other in row if -1 < engineer[one] != engineer[other] > -1
        ]
        _part(apart, strangers)
        _part(apart, worse_pairs(partners, apart, lambda one, other: _gain(one, other, cases, beliefs, grounds)))
    crews: list[Case] = []
    for anchor in sorted(partners, key=lambda number: _anchor_rank(cases[number], beliefs[number], number)):
        if anchor not in free:
            continue
        laid, members = _grow(anchor, cases, beliefs, partners, free, grounds, apart)
        if len(members) > 1:
            free -= set(members)
            lost = {number: has_lost(beliefs[number]) for number in members}
            crews.append(crew_case(laid, cases, lost))
    return crews


def _part(apart: dict[int, set[int]], pairs: list[tuple[int, int]]) -> None:
    """Keep these pairs out of one crew."""
    for one, other in pairs:
        apart.setdefault(one, set()).add(other)
        apart.setdefault(other, set()).add(one)


def _gain(one: int, other: int, cases: list[Case], beliefs: list[Belief | None], grounds: tuple[Ground, ...]) -> float:
    """How much better two sessions explain each other than each itself [log likelihood]."""
    anchor, second = sorted((one, other), key=lambda number: _anchor_rank(cases[number], beliefs[number], number))
    words: dict[str, int] = {}
    first = find_track(cases[anchor].session, 0, words, _at(beliefs[anchor]))
    alone = Laid(members=((anchor, 0.0, 0.0, 0.0, 0.0),), track=first, log_weight=0.0)
    track = find_track(cases[second].session, 1, words, _at(beliefs[second]))
    found = lay([alone], second, cases, beliefs, track, grounds, anchor)
    return max((way.log_weight for way in found), default=-np.inf)


def may_have_company(sessions: list[Session], visits: Visits) -> list[int]:
    """The numbers of the sessions that another meter may have been used beside."""
    dated = [session.timed and not has_lost_date(session, visits) for session in sessions]
    if len({session.source for session in sessions}) < 2:
        cut = [
            number
            for number, (one, other) in enumerate(pairwise(sessions))
            if dated[number] != dated[number + 1] or _runs_back(one, other)
        ]
        return sorted({*cut, *(number + 1 for number in cut)})
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


def _runs_back(one: Session, other: Session) -> bool:
    """Whether a clock shows an earlier time at the beginning of a session than at the end of the one before."""
    return one.timed and other.timed and bool(np.nanmin(other.time_s) < np.nanmax(one.time_s))


def _anchor_rank(case: Case, belief: Belief | None, number: int) -> tuple[bool, bool, int, int]:
    """Best first: a clock at all, one that kept its date, many readings."""
    return not case.session.timed, has_lost(belief), -len(case.session.rows), number


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
        if _goes_on(cases, beliefs, before):
            kept.setdefault(before, {})[before + 1] = GOES_ON
            kept.setdefault(before + 1, {})[before] = GOES_ON
    return kept


def _elsewhere(cases: list[Case], beliefs: list[Belief | None]) -> dict[int, set[int]]:
    """For each session those of another meter of its kind that measured at the same time: nobody carries two."""
    found: dict[int, set[int]] = {}
    dated = [number for number, case in enumerate(cases) if case.session.timed and not has_lost(beliefs[number])]
    for place, one in enumerate(dated):
        for other in dated[place + 1 :]:
            first, second = cases[one].session, cases[other].session
            if first.meter_serial == second.meter_serial or use_of(first) != use_of(second):
                continue
            begins = max(np.nanmin(first.time_s), np.nanmin(second.time_s))
            ends = min(np.nanmax(first.time_s), np.nanmax(second.time_s))
            if ends - begins > AT_ONCE_S:
                _part(found, [(one, other)])
    return found


def _engineer(case: Case, belief: Belief | None, visits: Visits) -> int:
    """Whose meter it was, −1 where that is not clear: the job list names it for one engineer, or nearly all the jobs it
    was at are one engineer's.
    """
    owners = visits.engineers_of.get(case.session.meter_serial or "", frozenset())
    if len(owners) == 1:
        return next(iter(owners))
    share = np.zeros(int(visits.engineer.max(initial=-1)) + 1)
    for job, probability in ({} if belief is None else belief.visited).items():
        if visits.engineer[job] >= 0:
            share[visits.engineer[job]] += probability
    best = int(share.argmax()) if len(share) else -1
    return best if best >= 0 and share[best] > max(FEWEST_OF_ONE, OF_ONE * share.sum()) else -1


def use_of(session: Session) -> tuple[bool, ...]:
    """What a meter was used for: proving, voltages, anything else but metalwork; a reading or two are no use."""
    rest = ~np.isin(session.kind, [PROOF_KIND, METALWORK_KIND, *VOLTAGE_KINDS])
    parts = (session.kind == PROOF_KIND, np.isin(session.kind, VOLTAGE_KINDS), rest)
    return tuple(bool(part.mean() > LEAST_USE) for part in parts)


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
) -> tuple[list[Laid], list[int]]:  # fmt: skip
    """The ways of laying the anchor and its partners over each other, and the members."""
    words: dict[str, int] = {}
    track = find_track(cases[anchor].session, 0, words, _at(beliefs[anchor]))
    laid = [Laid(members=((anchor, 0.0, 0.0, 0.0, 0.0),), track=track, log_weight=0.0)]
    members = [anchor]
    waiting = dict(partners[anchor])
    while waiting:
        other = max(waiting, key=lambda number: (cases[number].session.timed, waiting[number], -number))
        del waiting[other]
        if other not in free or other in members or apart.get(other, set()) & set(members):
            continue
        track = find_track(cases[other].session, len(members), words, _at(beliefs[other]))
        found = lay(laid, other, cases, beliefs, track, grounds, anchor)
        if found:
            laid, members = found, [*members, other]
            for number, many in partners.get(other, {}).items():
                waiting[number] = max(waiting.get(number, 0.0), many)
            waiting = {number: many for number, many in waiting.items() if number not in members}
    return laid, members


def _at(belief: Belief | None) -> Places | None:
    return None if belief is None else belief.at
