"""From beliefs to rows: matches with status and reason, what was found about clocks, open questions."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.matching.belief import Belief, Case
from reconcile.matching.progress import STEP_NAMES
from reconcile.matching.visits import Visits
from reconcile.questions import find_questions
from reconcile.tables import MatchResult
from schemas.check import conform_table
from schemas.matches import Clocks, Matches

Numbers = NDArray[np.float64]
Places = NDArray[np.int64]

AUTO_FROM: Final = 0.99
STEP_SURE_FROM: Final = 0.8
NOWHERE_FROM: Final = 0.9
KNOWN_WITHIN_S: Final = 600.0
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
)

MARKS: Final = {"auto": AUTO, "decided": DECIDED, "review": REVIEW, "clear": 0, "step open": 4}
"""Numbers of statuses and reasons, for those who change them later."""


def session_rows(case: Case, belief: Belief | None, visits: Visits) -> dict[str, Any]:
    """The matches of one session as columns, candidates of readings in review, and the row about its clock."""
    count = len(case.session.rows)
    if belief is None:
        none = case.decided.appliance == -1
        # Nothing speaks against the clock: what it said stands, and the finding about the clock says so.
        stamped_s = case.session.time_s if case.session.dated else np.full(count, np.nan)
        return {
            "row": case.session.rows, "taken_s": stamped_s, "appliance": np.full(count, -1),
            "step": np.full(count, -1), "confidence": none.astype(float),
            "status": np.where(none, DECIDED, NONE), "why": np.where(none, 1, 5), "candidates": {},
        }  # fmt: skip
    by_appliance = belief.belongs.sum(axis=2)
    reading = np.arange(count)
    best = by_appliance.argmax(axis=1)
    sure = np.minimum(by_appliance[reading, best], 1.0)
    nowhere = np.clip(1.0 - by_appliance.sum(axis=1), 0.0, 1.0)
    by_step = belief.belongs[reading, best]
    column = by_step.argmax(axis=1)
    step_sure = by_step[reading, column] / np.maximum(by_step.sum(axis=1), 1e-300)
    decided = case.decided.appliance > -2
    status = np.where(sure >= AUTO_FROM, np.where(step_sure >= STEP_SURE_FROM, AUTO, REVIEW), REVIEW)
    status = np.where((sure < AUTO_FROM) & (nowhere >= NOWHERE_FROM), NONE, status)
    status = np.where(decided, DECIDED, status)
    none = (status == NONE) | (case.decided.appliance == -1)
    why = np.where((status == REVIEW) & (sure >= AUTO_FROM), 4, status)
    return {
        "row": case.session.rows,
        "taken_s": taken_seconds(case, belief),
        "appliance": np.where(none, -1, belief.appliances[best]),
        "step": np.where(none, -1, belief.steps[reading, column]),
        "confidence": np.where(decided, 1.0, np.where(none, nowhere, sure)),
        "status": status,
        "why": why,
        "candidates": {int(place): _candidates(belief, visits, int(place)) for place in np.flatnonzero(status == REVIEW)},
    }


def taken_seconds(case: Case, belief: Belief) -> Numbers:
    """True time of each reading [s since 1970], NaN where the clock leaves it open."""
    offset_s, spread_s = clock_offset(belief)
    if spread_s > KNOWN_WITHIN_S:
        return np.full(len(case.session.rows), np.nan)
    trusted = abs(offset_s) < KNOWN_WITHIN_S and not belief.lost.any()
    return case.session.time_s - (0.0 if trusted else offset_s)


def clock_offset(belief: Belief) -> tuple[float, float]:
    """Mean and spread [s] of the clock offset over all hypotheses."""
    mean_s = float(belief.weight @ belief.offset_s)
    return mean_s, float(np.sqrt(belief.weight @ (belief.offset_s - mean_s) ** 2))


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


def clock_row(case: Case, belief: Belief | None, reading_ids: list[str]) -> dict[str, Any]:
    """What was found about the clock of one session."""
    timed = int((~np.isnan(case.session.time_s)).sum())
    offset_s, spread_s = clock_offset(belief) if belief is not None else (0.0, np.inf)
    if belief is None:
        state, message = "uncertain", "no visit of the job list is in reach, so nothing is known about the clock"
    elif not timed:
        state, message = "uncertain", "the meter gave no time; visits are told apart by labels and order alone"
    elif spread_s > KNOWN_WITHIN_S:
        state, message = "uncertain", "the meter's clock fits the job list in more than one way"
    elif abs(offset_s) < KNOWN_WITHIN_S and not belief.lost.any():
        state, message, offset_s = "trusted", "the meter's clock agrees with the job list", 0.0
    else:
        state, message = "corrected", f"the meter ran {abs(offset_s) / 60:.0f} min {'ahead' if offset_s > 0 else 'behind'}"
    known = state != "uncertain"
    return {
        "meter_serial": case.session.meter_serial, "state": state, "offset_s": offset_s if known else None,
        "offset_uncertainty_s": max(spread_s, 300.0) if known else None, "drift_s_per_day": None,
        "agreeing": timed if known else 0, "readings": len(reading_ids), "reading_ids": " ".join(reading_ids),
        "message": message,
    }  # fmt: skip


def conclude(
    sightings: pd.DataFrame, visits: Visits, cases: list[Case], rows: list[dict[str, Any]], clocks: list[dict[str, Any]]
) -> MatchResult:
    """All sessions together as checked tables; matches in the order of the sightings given."""
    reading_ids = sightings["reading_id"].to_numpy(dtype=object)
    place = _joined(rows, "row", np.int64)
    order = np.argsort(place)
    appliance, step = _joined(rows, "appliance", np.int64)[order], _joined(rows, "step", np.int64)[order]
    taken_s = _joined(rows, "taken_s", np.float64)[order]
    taken = pd.Series(pd.NaT, index=range(len(order)), dtype="datetime64[ns, UTC]")
    known = ~np.isnan(taken_s)
    taken[known] = pd.to_datetime((taken_s[known] * 1e3).round().astype(np.int64), unit="ms", utc=True)
    job_of = np.append(visits.appliance_job, -1)[appliance]
    matches = pd.DataFrame(
        {
            "reading_id": reading_ids,
            "taken_at": taken,
            "job_id": np.append(visits.job_id, None)[job_of],
            "appliance_id": np.append(visits.appliance_id, None)[appliance],
            "step": np.array([*STEP_NAMES, None], dtype=object)[step],
            "match_confidence": np.clip(_joined(rows, "confidence", np.float64)[order], 0.0, 1.0),
            "match_status": np.array(OUTCOMES, dtype=object)[_joined(rows, "status", np.int64)[order]],
            "why": np.array(WHY, dtype=object)[_joined(rows, "why", np.int64)[order]],
        }
    )
    return MatchResult(
        matches=conform_table(Matches, matches),
        clocks=conform_table(Clocks, pd.DataFrame(clocks, columns=[*Clocks.to_schema().columns])),
        questions=_questions(matches, reading_ids, cases, rows),
    )


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
            run[row] = f"{number}|" + "|".join(sorted(str(candidate["appliance_id"]) for candidate in offered))
    return find_questions(matches, pd.Series(serial, dtype=object), pd.Series(run, dtype=object), candidates)
