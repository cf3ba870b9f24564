"""Scores of matches against the known truth of simulated books."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from reconcile.matching import match_sightings
from reconcile.plan import plan_steps
from reconcile.tables import MatchResult
from schemas.check import empty_table
from schemas.matches import Decisions
from schemas.meters import ClockReadings
from tests.reconcile_matching.simulated_days import SimulatedBook


def match_book(book: SimulatedBook, decisions: pd.DataFrame | None = None) -> MatchResult:
    """The matches of one simulated book."""
    return match_sightings(
        sightings=book.sightings,
        jobs=book.jobs,
        appliances=book.appliances,
        plan=plan_steps(book.jobs, book.appliances),
        meters=book.meters,
        clock_readings=empty_table(ClockReadings),
        decisions=empty_table(Decisions) if decisions is None else decisions,
    )


def against_truth(book: SimulatedBook, result: MatchResult) -> pd.DataFrame:
    """One row a reading: the match, the truth, and whether appliance, job and step are right."""
    table = result.matches.copy()
    truth = [book.truth[reading_id] or (None, None, None) for reading_id in table["reading_id"]]
    table["true_job"], table["true_appliance"], table["true_step"] = zip(*truth, strict=True)
    for name, told, true in (
        ("appliance_right", "appliance_id", "true_appliance"),
        ("job_right", "job_id", "true_job"),
        ("step_right", "step", "true_step"),
    ):
        seen = table[told].astype(object).where(table[told].notna(), None)
        table[name] = [a == b for a, b in zip(seen, table[true], strict=True)]
    return table


@dataclass(frozen=True, kw_only=True)
class Score:
    """Shares over all readings, except ``wrong_among_auto`` and ``step_wrong_among_auto``: among those."""

    readings: int
    auto: float
    wrong_among_auto: float
    top_right: float
    job_right: float
    brier: float
    step_wrong_among_auto: float


def score(table: pd.DataFrame) -> Score:
    """The score of rows of ``against_truth``."""
    auto = table["match_status"] == "auto"
    right = table["appliance_right"].astype(float)
    among = max(int(auto.sum()), 1)
    return Score(
        readings=len(table),
        auto=float(auto.mean()),
        wrong_among_auto=float((auto & ~table["appliance_right"]).sum() / among),
        top_right=float(right.mean()),
        job_right=float(table["job_right"].mean()),
        brier=float(np.mean((table["match_confidence"] - right) ** 2)),
        step_wrong_among_auto=float((auto & table["appliance_right"] & ~table["step_right"]).sum() / among),
    )
