"""Readings without a label that repeat what an appliance has anyway: a test for something else may look just so."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from reconcile.matching.labels import plain_label
from reconcile.matching.order import Session

Numbers = NDArray[np.float64]
Places = NDArray[np.int64]

MOSTLY_LABELLED: Final = 0.7
FEWEST: Final = 2
"""Readings in a row without a label where labels are mostly typed: one alone is a label forgotten."""

APART_S: Final = 5 * 60.0
"""A reading that stands so far from all others was not part of their work (common practice)."""

A_HABIT: Final = 3
"""Who does so at that many appliances does it by habit."""


def unlabelled_repeats(session: Session, appliance: Places, step: Places) -> NDArray[np.bool_]:
    """True for readings without a label whose steps the same meter has at the same appliance once more: several in a
    row where the others are labelled, or some that stand apart from all others.
    """
    found = np.zeros(len(step), dtype=bool)
    typed = np.array([bool(plain_label(text)) for text in session.label])
    for number in np.unique(session.meter_of):
        places = np.flatnonzero(session.meter_of == number)
        labelled = typed[places].mean() >= MOSTLY_LABELLED
        aside: list[Places] = []
        for run in _unlabelled_runs(session, places, appliance, typed):
            here = places[(appliance[places] == appliance[run[0]]) & ~np.isin(places, run)]
            if len(run) >= FEWEST and labelled and np.isin(step[run], step[here[typed[here]]]).all():
                found[run] = True
            elif _stands_apart(session, places, run) and np.isin(step[run], step[here]).all():
                aside.append(run)
        if len({int(appliance[run[0]]) for run in aside}) < A_HABIT:
            for run in aside:
                found[run] = True
    return found


def _unlabelled_runs(
    session: Session, places: Places, appliance: Places, typed: NDArray[np.bool_]
) -> list[Places]:  # fmt: skip
    """Stretches without a label at one appliance, cut at long pauses."""
    changes = (np.diff(appliance[places]) != 0) | (np.diff(typed[places].astype(np.int64)) != 0)
    with np.errstate(invalid="ignore"):
        changes |= np.diff(session.beat_s[places]) > APART_S
    runs = np.split(places, np.flatnonzero(changes) + 1)
    return [run for run in runs if len(run) and not typed[run[0]] and appliance[run[0]] >= 0]


def _stands_apart(session: Session, places: Places, run: Places) -> bool:
    """Whether a stretch is far from the readings of its meter before and after it; not where a pause is unknown."""
    at = int(np.searchsorted(places, run[0]))
    before, after = places[max(at - 1, 0)], places[min(at + len(run), len(places) - 1)]
    pauses = [(before, run[0]), (run[-1], after)]
    return all(
        one == other
        or (session.start[one] == session.start[other] and session.beat_s[other] - session.beat_s[one] > APART_S)
        for one, other in pauses
    )
