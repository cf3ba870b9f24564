"""From probabilities to rows: matches with status and reason, clocks in plain words, open questions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.matching.chain import run_chain
from reconcile.matching.model import Decided, SessionModel, build_model
from reconcile.matching.order import Session
from reconcile.matching.progress import STEP_NAMES
from reconcile.matching.visits import Visits
from reconcile.questions import find_questions
from reconcile.tables import MatchResult
from schemas.check import conform_table
from schemas.matches import Clocks, Matches

Numbers = NDArray[np.float64]

AUTO_FROM: Final = 0.985
STEP_SURE_FROM: Final = 0.8
KNOWN_WITHIN_S: Final = 600.0
SHOWN_CANDIDATES: Final = 4


@dataclass(frozen=True, kw_only=True)
class SessionOutcome:
    """What was found for one session: ``matches`` (one dict a reading), ``clock`` (one row), ``candidates``."""

    matches: list[dict[str, Any]]
    clock: dict[str, Any]
    candidates: dict[str, list[dict[str, object]]]
    runs: list[str]


def session_outcome(session: Session, visits: Visits, ordered: pd.DataFrame, decided: pd.DataFrame) -> SessionOutcome:
    """The outcome of one session."""
    reading_ids = [str(name) for name in ordered["reading_id"].to_numpy()[_positions(ordered, session)]]
    choice = _decided(reading_ids, visits, decided)
    model = build_model(session, visits, choice)
    if model is None:
        return _unmatched(session, reading_ids, choice)
    posterior = run_chain(model.chain)
    log_weight = model.offsets.log_prior + posterior.evidence
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    return _rows(session, reading_ids, visits, model, np.tensordot(weight, posterior.belongs, 1), weight, choice)


def _positions(ordered: pd.DataFrame, session: Session) -> NDArray[np.int64]:
    place = np.empty(len(ordered), dtype=np.int64)
    place[ordered["row"].to_numpy()] = np.arange(len(ordered))
    return np.asarray(place[session.rows], dtype=np.int64)


def _decided(reading_ids: list[str], visits: Visits, decided: pd.DataFrame) -> Decided:
    appliance = np.full(len(reading_ids), -2, dtype=np.int64)
    step = np.full(len(reading_ids), -1, dtype=np.int64)
    if len(decided):
        place = {name: number for number, name in enumerate(visits.appliance_id)}
        answers = decided.set_index("reading_id")
        for number, reading_id in enumerate(reading_ids):
            if reading_id in answers.index:
                answer = answers.loc[reading_id]
                named = answer["appliance_id"]
                appliance[number] = -1 if pd.isna(named) else place.get(named, -2)
                step[number] = -1 if pd.isna(answer["step"]) else STEP_NAMES.index(answer["step"])
    return Decided(appliance=appliance, step=step)


def _unmatched(session: Session, reading_ids: list[str], choice: Decided) -> SessionOutcome:
    matches = [
        {
            "reading_id": reading_id, "taken_s": time_s if session.dated else np.nan, "job_id": None,
            "appliance_id": None, "step": None, "match_confidence": 1.0 if decided == -1 else 0.0,
            "match_status": "decided" if decided == -1 else "none", "why": "no visit of the job list is in reach",
        }
        for reading_id, time_s, decided in zip(reading_ids, session.time_s, choice.appliance, strict=True)
    ]  # fmt: skip
    clock = {
        "meter_serial": session.meter_serial, "state": "uncertain", "offset_s": None, "offset_uncertainty_s": None,
        "drift_s_per_day": None, "agreeing": 0, "readings": len(reading_ids), "reading_ids": " ".join(reading_ids),
        "message": "no visit of the job list is in reach, so nothing is known about the clock",
    }  # fmt: skip
    return SessionOutcome(matches=matches, clock=clock, candidates={}, runs=[""] * len(matches))


def _rows(
    session: Session, reading_ids: list[str], visits: Visits, model: SessionModel, belongs: Numbers, weight: Numbers,
    choice: Decided,
) -> SessionOutcome:  # fmt: skip
    """Matches, clock and candidates of a session, from ``belongs`` (T, U, D)."""
    count = len(model.appliances)
    by_appliance = np.zeros((len(reading_ids), count + 1, belongs.shape[2]))
    np.add.at(
        by_appliance.transpose(1, 0, 2),
        np.where(model.slot_appliance < 0, count, model.slot_appliance),
        belongs.transpose(1, 0, 2),
    )
    sure = by_appliance[:, :count].sum(axis=2)
    best = sure.argmax(axis=1)
    offset_s = float(weight @ model.offsets.offset_s)
    spread_s = float(np.sqrt(weight @ (model.offsets.offset_s - offset_s) ** 2))
    matches, candidates, runs = [], {}, []
    for place, reading_id in enumerate(reading_ids):
        p = float(min(sure[place, best[place]], 1.0))
        nowhere = float(max(1.0 - sure[place].sum(), 0.0))
        step_share = by_appliance[place, best[place]] / max(by_appliance[place, best[place]].sum(), 1e-300)
        column = int(step_share.argmax())
        appliance = model.appliances[best[place]]
        status = _status(p, nowhere, float(step_share[column]), int(choice.appliance[place]))
        none = status == "none" or (status == "decided" and choice.appliance[place] == -1)
        taken_s = session.time_s[place] - offset_s if spread_s <= KNOWN_WITHIN_S else np.nan
        if model.offsets.lost is False and abs(offset_s) < 600:
            taken_s = session.time_s[place]
        matches.append(
            {
                "reading_id": reading_id, "taken_s": taken_s,
                "job_id": None if none else visits.job_id[visits.appliance_job[appliance]],
                "appliance_id": None if none else visits.appliance_id[appliance],
                "step": None if none else STEP_NAMES[int(model.chain.steps[place, column])],
                "match_confidence": 1.0 if status == "decided" else (nowhere if none else p),
                "match_status": status, "why": _why(status, float(step_share[column])),
            }
        )  # fmt: skip
        ranked = np.argsort(-sure[place], kind="stable")[:SHOWN_CANDIDATES]
        offered = [
            {
                "appliance_id": visits.appliance_id[model.appliances[place_a]], "step": _step_name(model, place, by_appliance[place, place_a]),
                "probability": float(sure[place, place_a]), "why": "label, time and order of the steps",
            }
            for place_a in ranked if sure[place, place_a] > 0.005
        ]  # fmt: skip
        candidates[reading_id] = [
            *offered,
            {"appliance_id": None, "step": None, "probability": nowhere, "why": "belongs to no listed appliance"},
        ]
        runs.append(f"{reading_ids[0]}|{sorted(str(c['appliance_id']) for c in offered)}")
    return SessionOutcome(
        matches=matches, clock=_clock(session, reading_ids, model, weight), candidates=candidates, runs=runs
    )


def _step_name(model: SessionModel, place: int, share: Numbers) -> str:
    return STEP_NAMES[int(model.chain.steps[place, int(share.argmax())])]


def _status(p: float, nowhere: float, step_share: float, decided: int) -> str:
    if decided > -2:
        return "decided"
    if p >= AUTO_FROM:
        return "auto" if step_share >= STEP_SURE_FROM else "review"
    return "none" if nowhere >= 0.9 else "review"


def _why(status: str, step_share: float) -> str:
    if status == "decided":
        return "decided by a person"
    if status == "none":
        return "fits no listed appliance by label, time or order"
    if step_share < STEP_SURE_FROM:
        return "the appliance is clear, the step is not"
    return "label, time and order of the steps"


def _clock(session: Session, reading_ids: list[str], model: SessionModel, weight: Numbers) -> dict[str, Any]:
    offset_s = float(weight @ model.offsets.offset_s)
    spread_s = float(np.sqrt(weight @ (model.offsets.offset_s - offset_s) ** 2))
    timed = int((~np.isnan(session.time_s)).sum())
    if not timed:
        state, message = "uncertain", "the meter gave no time; visits are told apart by labels and order alone"
    elif spread_s > KNOWN_WITHIN_S:
        state, message = "uncertain", "the meter's clock fits the job list in more than one way"
    elif abs(offset_s) < 600.0 and not model.offsets.lost:
        state, message, offset_s = "trusted", "the meter's clock agrees with the job list", 0.0
    else:
        state, message = "corrected", f"the meter ran {_minutes(offset_s)}"
    known = state != "uncertain"
    return {
        "meter_serial": session.meter_serial, "state": state, "offset_s": offset_s if known else None,
        "offset_uncertainty_s": max(spread_s, 300.0) if known else None, "drift_s_per_day": None,
        "agreeing": timed if known else 0, "readings": len(reading_ids), "reading_ids": " ".join(reading_ids),
        "message": message,
    }  # fmt: skip


def _minutes(offset_s: float) -> str:
    return f"{abs(offset_s) / 60:.0f} min {'ahead' if offset_s > 0 else 'behind'}"


def conclude(sightings: pd.DataFrame, ordered: pd.DataFrame, outcomes: list[SessionOutcome]) -> MatchResult:
    """All sessions together as checked tables; matches in the order of the sightings given."""
    rows = [row for outcome in outcomes for row in outcome.matches]
    found = pd.DataFrame(rows, columns=["taken_s", *Matches.to_schema().columns]).drop(columns="taken_at")
    taken = found.pop("taken_s").astype(float) if len(found) else pd.Series(dtype=float)
    found["taken_at"] = (
        pd.to_datetime(taken * 1e9, unit="ns", utc=True).astype("datetime64[ns, UTC]") if len(found) else None
    )
    runs = pd.Series([run for outcome in outcomes for run in outcome.runs], dtype="str")
    names = [outcome.clock["meter_serial"] for outcome in outcomes for _ in outcome.matches]
    serials = pd.Series(names, dtype="object")
    candidates = {name: offered for outcome in outcomes for name, offered in outcome.candidates.items()}
    questions = find_questions(found, serials, runs, candidates)
    matches = found.set_index("reading_id").reindex(sightings["reading_id"]).reset_index()
    clocks = pd.DataFrame([outcome.clock for outcome in outcomes], columns=[*Clocks.to_schema().columns])
    return MatchResult(
        matches=conform_table(Matches, matches), clocks=conform_table(Clocks, clocks), questions=questions
    )
