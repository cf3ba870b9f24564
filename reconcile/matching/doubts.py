"""What speaks against a match that is likely: a label of the job list that names another appliance, a test made again
after a pause that may have been the one after the work, a whole round that seems to belong nowhere.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray
from rapidfuzz.distance import OSA

from reconcile.matching.labels import plain_label
from reconcile.matching.order import VOLTAGE_KINDS, Session
from reconcile.matching.progress import PHASE_OF_STEP, STEP_NAMES, TRIPLES
from reconcile.matching.visits import Visits
from schemas.steps import PHASES

Numbers = NDArray[np.float64]
Places = NDArray[np.int64]

PAUSE_S: Final = 8 * 60.0
"""A supply test is repeated at once or not at all: isolating, dead tests and making live again lie between two that
are so far apart (common practice).
"""

MOST_ASIDE: Final = 5
"""Readings of one test beside the work: three voltages, a loop, a residual current device (common practice)."""

SLIPS: Final = 2
"""Letters that may differ in a label that is still meant to be the listed one."""

TYPED_AS_LISTED: Final = 2
"""Readings under the listed label from which on it counts as what the appliance is called."""

MOSTLY_AS_LISTED: Final = 0.7
ANOTHER_DAY_S: Final = 13 * 3600.0
LOST_FROM_S: Final = 2 * 366 * 86400.0
"""A date longer ago than this is one that a clock started anew with, not that of another visit."""

ENOUGH_JOBS: Final = 3
"""A date that is wrong in the same way at so many jobs of the list is a wrong date, not another visit."""

DEAD_VOLTAGES, RESTORED_VOLTAGES = frozenset(TRIPLES[1]), frozenset(TRIPLES[2])
BEFORE: Final = PHASES.index("before")
AFTER: Final = PHASES.index("restored")


def labelled_elsewhere(session: Session, appliance: Places, visits: Visits) -> NDArray[np.bool_]:
    """True for readings under a label that the list has, to the letter, for other appliances only, where no reading of
    the same stretch under that label was found at one of those.

    A label that was simply not changed at the next appliance begins at its own: such a stretch is left to time and
    order. Readings without a label that follow within the stretch, or soon after it, go with it.
    """
    listed = visits.called[0][1]
    found = np.zeros(len(appliance), dtype=bool)
    for stretches in _stretches(session):
        for number, (text, stretch) in enumerate(stretches):
            if (listed[appliance[stretch]] != text).all():
                found[stretch] = bool((listed == text).any())
                found[stretch] &= ~_called_otherwise(text, appliance[stretch], visits)
                found[stretch] |= _numbered_otherwise(text, appliance[stretch], visits)
                until = stretches[number + 1][1][0] if number + 1 < len(stretches) else len(appliance)
                found[_going_along(session, appliance, stretch[found[stretch]], int(until))] = True
    return found


def _going_along(session: Session, appliance: Places, stretch: Places, until: int) -> Places:
    """The readings of the same meter and appliance without a label after those of a stretch, up to a long pause."""
    if not len(stretch):
        return stretch
    after = np.arange(stretch[0], until)
    after = after[session.meter_of[after] == session.meter_of[stretch[0]]]
    with np.errstate(invalid="ignore"):
        long = (np.diff(session.beat_s[after]) > PAUSE_S) | (np.diff(session.start[after]) != 0)
    late = np.flatnonzero(long & (after[1:] > stretch[-1]))
    after = after[: late[0] + 1] if len(late) else after
    return np.asarray(after[np.isin(appliance[after], appliance[stretch])], dtype=np.int64)


def _stretches(session: Session) -> Iterator[list[tuple[str, Places]]]:
    """For each meter its stretches in order: a label, and the places of the readings recorded without changing it."""
    plain = np.array([plain_label(text) for text in session.label], dtype=object)
    for number in np.unique(session.meter_of):
        places = np.flatnonzero((session.meter_of == number) & (plain != ""))
        edges = np.flatnonzero(plain[places][1:] != plain[places][:-1]) + 1
        yield [(str(plain[stretch[0]]), stretch) for stretch in np.split(places, edges) if len(stretch)]


def _called_otherwise(text: str, appliance: Places, visits: Visits) -> NDArray[np.bool_]:
    """True for appliances without a label in the list that may well be called so: by their room, for one, or like many
    others (a kind), if no other of their visit is.
    """
    listed = visits.called[0][1]
    ways = [names[appliance] == text for _, names in visits.called[1:]]
    jobs = np.unique(visits.appliance_job[listed == text])
    common = (len(jobs) > 1) & ~np.isin(visits.appliance_job[appliance], jobs)
    return np.asarray((listed[appliance] == "") & (np.any(ways, axis=0) | common), dtype=bool)


def label_of_its_own(session: Session, appliance: Places, visits: Visits) -> NDArray[np.bool_]:
    """True for readings under a label that is unlike those typed for the appliance they were found at, between
    readings under one of them, or unlike all names of it where the others are the listed one: something else may have
    been tested.
    """
    found = np.zeros(len(appliance), dtype=bool)
    for stretches in _stretches(session):
        for (around, before), (text, inside), (again, after) in zip(
            stretches, stretches[1:], stretches[2:], strict=False
        ):
            one = appliance[inside[0]]
            if around == again and appliance[before[-1]] == one == appliance[after[0]]:
                found[inside] = (appliance[inside] == one) & _unlike(text, around)
        found |= _named_as_nothing(stretches, appliance, visits)
    return found


def _named_as_nothing(
    stretches: list[tuple[str, Places]], appliance: Places, visits: Visits
) -> NDArray[np.bool_]:  # fmt: skip
    """True for the stretches under a label that was typed only there and is like no name of their appliance, which was
    typed as the list has it otherwise, as nearly all of the session's were.
    """
    found = np.zeros(len(appliance), dtype=bool)
    listed = visits.called[0][1]
    times: dict[str, int] = {}
    by_list: dict[int, int] = {}
    for text, stretch in stretches:
        times[text] = times.get(text, 0) + 1
        for one in appliance[stretch]:
            by_list[int(one)] = by_list.get(int(one), 0) + (one >= 0 and listed[one] == text)
    mostly = sum(by_list.values()) >= MOSTLY_AS_LISTED * sum(len(stretch) for _, stretch in stretches)
    for text, stretch in stretches:
        one = int(appliance[stretch[0]])
        named = by_list.get(one, 0) >= TYPED_AS_LISTED or (mostly and listed[one] and len(stretch) <= MOST_ASIDE)
        if one >= 0 and times[text] == 1 and named:
            names = [str(names[one]) for _, names in visits.called if names[one]]
            found[stretch] = (appliance[stretch] == one) & all(_unlike(text, name) for name in names)
    return found


def _unlike(text: str, other: str) -> bool:
    return OSA.distance(text, other) > max(SLIPS, len(other) // 3) and text not in other and other not in text


def _numbered_otherwise(text: str, appliance: Places, visits: Visits) -> NDArray[np.bool_]:
    """True for appliances whose label differs in its numbers, where one of the same visit has no label: it may be
    the one of that number.
    """
    listed = visits.called[0][1]
    alike = [
        name != ""
        and _digits(str(name)) != _digits(text) != ""
        and OSA.distance(_letters(str(name)), _letters(text)) <= SLIPS
        for name in listed[appliance]
    ]
    nameless = np.bincount(visits.appliance_job, weights=listed == "", minlength=len(visits.job_id)) > 0
    return np.array(alike, dtype=bool) & nameless[visits.appliance_job[appliance]]


def _letters(text: str) -> str:
    return "".join(mark for mark in text if not mark.isdigit())


def _digits(text: str) -> str:
    return "".join(mark for mark in text if mark.isdigit())


def again_after_a_pause(session: Session, appliance: Places, step: Places) -> NDArray[np.bool_]:
    """True for voltages of a supply test that was made again after a pause at an appliance which has none after the
    work on this meter: the later one may be just that.
    """
    found = np.zeros(len(step), dtype=bool)
    phase = np.where(step < 0, -1, PHASE_OF_STEP[step]).tolist()
    beat_s, start = session.beat_s.tolist(), session.start.tolist()
    tests: dict[tuple[int, int], list[int]] = {}
    for place in np.flatnonzero(np.isin(session.kind, VOLTAGE_KINDS)).tolist():
        tests.setdefault((int(appliance[place]), int(session.kind[place])), []).append(place)
    for places in tests.values():
        if any(phase[place] == AFTER for place in places):
            continue
        live = [place for place in places if phase[place] == BEFORE]
        for number, (one, other) in enumerate(pairwise(live)):
            if beat_s[other] - beat_s[one] > PAUSE_S and start[other] == start[one]:
                found[live[number + 1 :]] = True
                break
    return found


def few_together(lost: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Those of the lost readings that stand in short runs: a long run is a round of work, somewhere."""
    edges = np.flatnonzero(np.diff(np.r_[False, lost, False]))
    kept = lost.copy()
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        kept[begin:end] = end - begin <= MOST_ASIDE
    return kept


def of_another_day(session: Session, job: Places, sure: NDArray[np.bool_], visits: Visits) -> NDArray[np.bool_]:
    """True for readings whose meter shows another day than their job's, where too few jobs bear out that its date is
    wrong: they may be of another visit, which the job list lacks, to the same place.
    """
    time_s = session.time_s
    early_s, late_s = visits.low_s[job] - time_s, time_s - visits.high_s[job]
    with np.errstate(invalid="ignore"):
        away = visits.dated[job] & (np.maximum(early_s, late_s) > ANOTHER_DAY_S) & (early_s < LOST_FROM_S)
    borne_out = len(set(job[away & sure])) >= ENOUGH_JOBS
    return np.zeros(len(job), dtype=bool) if borne_out else away


def is_torn(kind: Places, appliance: Places, step: Places) -> NDArray[np.bool_]:
    """True for voltages one after another, each pair of conductors once, that are not all of one part of the work:
    nobody goes from live to dead within three readings.
    """
    torn = np.zeros(len(kind), dtype=bool)
    kinds, appliances, phases = kind.tolist(), appliance.tolist(), PHASE_OF_STEP[step].tolist()
    run: list[int] = []
    for place in [*np.flatnonzero(np.isin(kind, VOLTAGE_KINDS)).tolist(), -1]:
        goes_on = run and place == run[-1] + 1 and appliances[place] == appliances[run[-1]]
        if not goes_on or kinds[place] in {kinds[one] for one in run}:
            torn[run] = len({phases[one] for one in run}) > 1
            run = []
        run.append(place)
    return torn


def dead_once_more(appliance: Places, step: Places) -> NDArray[np.bool_]:
    """True for dead tests at an appliance that this meter found live again before, with no proof of the instrument in
    between: it may be live still.
    """
    found = np.zeros(len(step), dtype=bool)
    live: set[int] = set()
    for place, (one, name) in enumerate(zip(appliance.tolist(), [STEP_NAMES[at] for at in step], strict=True)):
        if name == "proof_before":
            live.discard(one)
        elif name in RESTORED_VOLTAGES:
            live.add(one)
        found[place] = name in DEAD_VOLTAGES and one in live
    return found
