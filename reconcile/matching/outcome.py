"""From beliefs to rows: matches with status and reason, what was found about clocks, open questions."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.clock import describe_clock
from reconcile.matching.belief import Belief, Case
from reconcile.matching.doubts import (
    again_after_a_pause,
    dead_once_more,
    few_together,
    is_torn,
    label_of_its_own,
    labelled_elsewhere,
    of_another_day,
)
from reconcile.matching.progress import STEP_NAMES
from reconcile.matching.repeats import unlabelled_repeats
from reconcile.matching.visits import Visits
from reconcile.questions import find_questions
from reconcile.tables import MatchResult
from schemas.check import conform_table
from schemas.matches import Clocks, Matches

Numbers = NDArray[np.float64]
Places = NDArray[np.int64]

AUTO_FROM: Final = 0.997
STEP_SURE_FROM: Final = 0.9
NOWHERE_FROM: Final = 0.95
MOST_LOST: Final = 0.4
FEW_LOST: Final = 3
MOST_SURE_OF_NOTHING: Final = 0.97
"""That a reading belongs nowhere is never surer than this: the job list may lack the visit (from simulated days)."""

STRAYS_LIKELIER: Final = 4.0
"""Readings that look right but belong nowhere are so many times as frequent as the chain expects, and more where it
hardly expects any (measured by tests/reconcile_matching/doubt_table.py on simulated days).
"""

FAR_SAID, FAR_HELD = (0.0, 0.015, 0.03, 1.0), (0.0, 0.0025, 0.03, 1.0)
"""How much the chain doubts between visits, and how often it is wrong then (tests/reconcile_matching/doubt_table.py, on
simulated days): the readings of a visit settle together what each of them leaves open.
"""

A_DAY, HARDLY_ANY = 20, 0.1
"""In a session of so many readings of which nearly all are asked about, the few others are not told apart either (from
simulated days)."""

AGREES_WITHIN_S: Final = 600.0
SHOWN_CANDIDATES: Final = 4

OUTCOMES: Final = ("auto", "decided", "review", "none")
AUTO, DECIDED, REVIEW, NONE = range(4)

WHY: Final = (
    "label, time and order of the steps",
    "decided by a person",
    "label, time and order do not settle it",
    "fits no listed appliance by label, time or order",
    "the appliance is clear, the step is not",
    "no visit of the job list is in reach",
    "the meter's date is that of another day: was it this visit?",
    "the label is the one that the job list has for another appliance",
    "outside the hours of this visit, and within those of one that has no readings",
    "this appliance would have been tested twice, and another of the day not at all",
    "a label of its own, unlike those of this appliance",
    "outside the hours of this visit, within which the same was done: was it another visit?",
    "without a label, and the same was measured there again: was it for this appliance?",
    "the meter's memory has these visits in another order than the job list",
)

MARKS: Final = {
    "auto": AUTO,
    "decided": DECIDED,
    "review": REVIEW,
    "clear": 0,
    "step open": 4,
    "other day": 6,
    "labelled elsewhere": 7,
    "visit empty": 8,
    "done twice": 9,
    "own label": 10,
    "other visit": 11,
    "repeated": 12,
    "disorder": 13,
}
"""Numbers of statuses and reasons, for those who change them later."""


def session_rows(case: Case, belief: Belief | None, visits: Visits) -> dict[str, Any]:
    """The matches of one session as columns, candidates of readings in review, and the row about its clock."""
    count = len(case.session.rows)
    if belief is None:
        none = case.decided.appliance == -1
        # Nothing speaks against the clock: what it said stands, and the finding about the clock says so.
        stamped_s = case.session.beat_s if case.session.dated else np.full(count, np.nan)
        return {
            "row": case.session.rows, "taken_s": stamped_s, "true_s": stamped_s, "appliance": np.full(count, -1),
            "step": np.full(count, -1), "confidence": none.astype(float),
            "status": np.where(none, DECIDED, NONE), "why": np.where(none, 1, 5), "candidates": {},
        }  # fmt: skip
    by_appliance = belief.belongs.sum(axis=2)
    reading = np.arange(count)
    best = by_appliance.argmax(axis=1)
    sure = np.minimum(by_appliance[reading, best], 1.0)
    nowhere = np.clip(1.0 - by_appliance.sum(axis=1), 0.0, 1.0)
    stray = np.clip(nowhere - belief.unlisted, 0.0, 1.0)
    sure = _as_it_held(
        sure, between_visits(by_appliance, best, visits.appliance_job[belief.appliances]) + belief.unlisted
    )
    sure = sure / (1.0 + (STRAYS_LIKELIER - 1.0) * stray)
    sure = sure if belief.order_sure is None else sure * belief.order_sure
    by_step = belief.belongs[reading, best]
    column = by_step.argmax(axis=1)
    step_sure = by_step[reading, column] / np.maximum(by_step.sum(axis=1), 1e-300)
    if belief.order_step_sure is not None:
        # What can be one step only is that step, wherever it stands in the order.
        single = (belief.steps < 0) | (belief.steps == belief.steps[:, :1])
        step_sure = np.where(single.all(axis=1), step_sure, step_sure * belief.order_step_sure)
    step = belief.steps[reading, column]
    torn = is_torn(case.session.kind, best, step) | again_after_a_pause(case.session, best, step)
    torn |= dead_once_more(best, step)
    step_sure = np.where(torn, 0.0, step_sure)
    decided = case.decided.appliance > -2
    status = np.where(sure >= AUTO_FROM, np.where(step_sure >= STEP_SURE_FROM, AUTO, REVIEW), REVIEW)
    lost = few_together((sure < AUTO_FROM) & (nowhere >= NOWHERE_FROM))
    # A few readings can belong nowhere; where most of a session seems to, the list or the clock is more likely wrong.
    if lost.sum() <= max(MOST_LOST * count, FEW_LOST):
        status = np.where(lost, NONE, status)
    other_day = of_another_day(case.session, visits.appliance_job[belief.appliances[best]], sure >= AUTO_FROM, visits)
    elsewhere = labelled_elsewhere(case.session, belief.appliances[best], visits)
    own_label = label_of_its_own(case.session, belief.appliances[best], visits)
    repeated = unlabelled_repeats(case.session, belief.appliances[best], step)
    status = np.where((other_day | elsewhere | own_label | repeated) & (status == AUTO), REVIEW, status)
    lonely = (status == AUTO) & (count >= A_DAY) & ((status == AUTO).mean() < HARDLY_ANY)
    status = np.where(lonely, REVIEW, status)
    status = np.where(decided, DECIDED, status)
    none = (status == NONE) | (case.decided.appliance == -1)
    reasons = [MARKS[name] for name in ("other day", "labelled elsewhere", "own label", "repeated")]
    asked = np.select([other_day, elsewhere, own_label, repeated], reasons, MARKS["step open"])
    why = np.where((status == REVIEW) & (sure >= AUTO_FROM) & ~lonely, asked, status)
    return {
        "row": case.session.rows,
        "taken_s": taken_seconds(case, belief),
        "true_s": case.session.time_s - belief.clock.offset_s,
        "appliance": np.where(none, -1, belief.appliances[best]),
        "step": np.where(none, -1, step),
        "confidence": np.where(decided, 1.0, np.where(none, np.minimum(nowhere, MOST_SURE_OF_NOTHING), sure)),
        "status": status,
        "why": why,
        "candidates": {
            int(place): _candidates(belief, visits, int(place)) for place in np.flatnonzero(status == REVIEW)
        },
    }


def between_visits(by_appliance: Numbers, best: Places, job: Places) -> Numbers:
    """Share of each reading that belongs to an appliance of another job than the best one (T)."""
    return np.asarray((by_appliance * (job[None, :] != job[best][:, None])).sum(axis=1), dtype=np.float64)


def _as_it_held(sure: Numbers, far: Numbers) -> Numbers:
    """How sure a reading is of its appliance where the doubt is about the visit (``far``), as measured."""
    return sure + np.clip(far - np.interp(far, FAR_SAID, FAR_HELD), 0.0, None)


def taken_seconds(case: Case, belief: Belief) -> Numbers:
    """True time of each reading [s since 1970], NaN where the clock leaves it open by minutes."""
    if not belief.clock.known:
        return np.full(len(case.session.rows), np.nan)
    return case.session.time_s - belief.clock.offset_s


def _candidates(belief: Belief, visits: Visits, place: int) -> list[dict[str, object]]:
    """The most probable appliances of one reading, and that it belongs to none."""
    share = belief.belongs[place].sum(axis=1)
    ranked = np.argsort(-share, kind="stable")[:SHOWN_CANDIDATES]
    offered: list[dict[str, object]] = [
        {
            "appliance_id": visits.appliance_id[belief.appliances[number]],
            "step": STEP_NAMES[int(belief.steps[place, belief.belongs[place, number].argmax()])],
            "probability": float(share[number]),
            "why": WHY[0],
        }
        for number in ranked
        if share[number] > 0.005
    ]
    nowhere = float(max(1.0 - share.sum(), 0.0))
    return [*offered, {"appliance_id": None, "step": None, "probability": nowhere, "why": WHY[3]}]


def clock_row(case: Case, belief: Belief | None, visits: Visits, reading_ids: list[str]) -> dict[str, Any]:
    """What was found about the clock of one session."""
    timed = ~np.isnan(case.session.time_s)
    agreeing, checked, offset_s, spread_s, known = 0, 0, 0.0, np.inf, False
    if belief is not None:
        offset_s, spread_s, known = belief.clock.offset_s, belief.clock.spread_s, belief.clock.known
        agreeing, checked = _agreeing(case, belief, visits, offset_s)
        offset_s += float(np.nan_to_num(case.session.exchanged_s))
    state = "uncertain" if not known else "trusted" if offset_s == 0.0 else "corrected"
    shown = np.nanmin(case.session.time_s) if timed.any() else np.nan
    shown += float(np.nan_to_num(case.session.exchanged_s))
    return {
        "meter_serial": case.session.meter_serial, "state": state, "offset_s": offset_s if known else None,
        "offset_uncertainty_s": spread_s if known else None, "drift_s_per_day": None, "agreeing": agreeing,
        "readings": len(reading_ids), "reading_ids": " ".join(reading_ids),
        "message": describe_clock(
            listed=belief is not None, offset_s=offset_s, spread_s=spread_s, first_shown_s=float(shown), known=known,
            agreeing=agreeing, checked=checked,
        ),
    }  # fmt: skip


def _agreeing(case: Case, belief: Belief, visits: Visits, offset_s: float) -> tuple[int, int]:
    """How many readings lie within the hours of their job once the clock is corrected, of those that can be checked."""
    job = visits.appliance_job[belief.appliances[belief.belongs.sum(axis=2).argmax(axis=1)]]
    true_s = case.session.time_s - offset_s
    checked = visits.dated[job] & ~np.isnan(true_s)
    inside = (true_s > visits.low_s[job] - AGREES_WITHIN_S) & (true_s < visits.high_s[job] + AGREES_WITHIN_S)
    return int((checked & inside).sum()), int(checked.sum())


def conclude(
    sightings: pd.DataFrame, visits: Visits, cases: list[Case], rows: list[dict[str, Any]], clocks: list[dict[str, Any]]
) -> MatchResult:
    """All sessions together as checked tables; matches in the order of the sightings given."""
    reading_ids = sightings["reading_id"].to_numpy(dtype=object)
    place = _joined(rows, "row", np.int64)
    order = np.argsort(place)
    appliance, step = _joined(rows, "appliance", np.int64)[order], _joined(rows, "step", np.int64)[order]
    taken_s = _joined(rows, "taken_s", np.float64)[order]
    taken_s[_beside_stamped(sightings, cases)] = np.nan
    taken = pd.Series(pd.NaT, index=range(len(order)), dtype="datetime64[ns, UTC]")
    known = ~np.isnan(taken_s)
    taken[known] = pd.to_datetime((taken_s[known] * 1e3).round().astype(np.int64), unit="ms", utc=True)
    job_of = np.append(visits.appliance_job, -1)[appliance]
    matches = pd.DataFrame(
        {
            "reading_id": sightings["reading_id"].reset_index(drop=True),
            "taken_at": taken,
            "job_id": _named(visits.job_id, job_of),
            "appliance_id": _named(visits.appliance_id, appliance),
            "step": _named(STEP_NAMES, step),
            "match_confidence": np.clip(_joined(rows, "confidence", np.float64)[order], 0.0, 1.0),
            "match_status": _named(OUTCOMES, _joined(rows, "status", np.int64)[order]),
            "why": _named(WHY, _joined(rows, "why", np.int64)[order]),
        }
    )
    return MatchResult(
        matches=conform_table(Matches, matches),
        clocks=conform_table(Clocks, pd.DataFrame(clocks, columns=[*Clocks.to_schema().columns])),
        questions=_questions(matches, reading_ids, cases, rows),
    )


def _named(names: Sequence[str] | NDArray[np.object_], places: Places) -> pd.Series:
    """The name at each place, null for −1, as a text column."""
    texts = pd.Series([*names, None], dtype="str")
    return texts.take(np.where(places < 0, len(names), places)).reset_index(drop=True)


def _beside_stamped(sightings: pd.DataFrame, cases: list[Case]) -> NDArray[np.bool_]:
    """True for readings without UTC in a session where others of their meter have it: in the hour of a clock change
    their local time did not exist or came twice, and nothing in the session says which moment it was.
    """
    unstamped = sightings["stamped_at"].isna().to_numpy()
    found = np.zeros(len(sightings), dtype=bool)
    for case in cases:
        session = case.session
        meter = session.meter_of
        stamped = np.isin(meter, meter[~unstamped[session.rows]])
        found[session.rows] = unstamped[session.rows] & stamped
    return found


def _joined(rows: list[dict[str, Any]], name: str, kind: type) -> NDArray[Any]:
    return np.concatenate([np.asarray(row[name], dtype=kind) for row in rows]) if rows else np.empty(0, dtype=kind)


def _questions(
    matches: pd.DataFrame, reading_ids: NDArray[np.object_], cases: list[Case], rows: list[dict[str, Any]]
) -> pd.DataFrame:  # fmt: skip
    """Open questions: readings of one session with the same candidates stand or fall together."""
    run = np.full(len(matches), "", dtype=object)
    serial = np.full(len(matches), None, dtype=object)
    candidates: dict[str, list[dict[str, object]]] = {}
    for number, (case, found) in enumerate(zip(cases, rows, strict=True)):
        serial[case.session.rows] = case.session.meter_serial
        for place, offered in found["candidates"].items():
            row = int(case.session.rows[place])
            candidates[reading_ids[row]] = offered
            run[row] = f"{number:06d}|" + "|".join(sorted(str(candidate["appliance_id"]) for candidate in offered))
    order = np.concatenate([case.session.rows for case in cases]) if cases else np.empty(0, dtype=np.int64)
    order = order[(matches["match_status"] == "review").to_numpy()[order]]
    return find_questions(
        matches.iloc[order].reset_index(drop=True), pd.Series(serial[order], dtype=object),
        pd.Series(run[order], dtype=object), candidates,
    )  # fmt: skip
