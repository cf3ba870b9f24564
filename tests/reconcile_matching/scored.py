"""Scores of matches against the known truth of simulated books."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from reconcile.matching import match_sightings
from reconcile.matching.labels import plain_label
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
    """One row a reading: the match, the truth, and whether appliance, job and step are right; ``told_apart``."""
    table = result.matches.copy()
    truth = [book.truth[reading_id] or (None, None, None) for reading_id in table["reading_id"]]
    told = told_apart(book)
    table["told_apart"] = [told.get(reading_id, False) for reading_id in table["reading_id"]]
    table["true_job"], table["true_appliance"], table["true_step"] = zip(*truth, strict=True)
    for name, told, true in (
        ("appliance_right", "appliance_id", "true_appliance"),
        ("job_right", "job_id", "true_job"),
        ("step_right", "step", "true_step"),
    ):
        seen = table[told].astype(object).where(table[told].notna(), None)
        table[name] = [a == b for a, b in zip(seen, table[true], strict=True)]
    return table


def told_apart(book: SimulatedBook) -> dict[str, bool]:
    """Whether anything but chance tells each reading's appliance from its neighbours of the same visit: it is the only
    one there, its label was typed at least once as the list has it, or those of all the others were. Strays are left
    out. What else may tell (a residual current device, the order of the list) is not counted.
    """
    listed = {row.appliance_id: plain_label(_text(row.label)) for row in book.appliances.itertuples()}
    typed: dict[str, set[str]] = {}
    for reading_id, label in zip(book.sightings["reading_id"], book.sightings["label"], strict=True):
        if (truth := book.truth[reading_id]) is not None:
            typed.setdefault(truth[1], set()).add(plain_label(_text(label)))
    named = {name for name, label in listed.items() if label and label in typed.get(name, set())}
    of_job = book.appliances.groupby("job_id")["appliance_id"].agg(set)
    told = {}
    for reading_id, truth in book.truth.items():
        if truth is not None:
            others = of_job.get(truth[0], set()) - {truth[1]}
            told[reading_id] = truth[1] in named or others <= named
    return told


def _text(label: object) -> str | None:
    return label if isinstance(label, str) else None


@dataclass(frozen=True, kw_only=True)
class Score:
    """Shares over all readings, except ``wrong_among_auto`` and ``step_wrong_among_auto``: among those, and
    ``auto_told_apart``: among those that anything but chance tells apart.
    """

    readings: int
    auto: float
    auto_told_apart: float
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
        auto_told_apart=float(auto[table["told_apart"]].mean()),
        wrong_among_auto=float((auto & ~table["appliance_right"]).sum() / among),
        top_right=float(right.mean()),
        job_right=float(table["job_right"].mean()),
        brier=float(np.mean((table["match_confidence"] - right) ** 2)),
        step_wrong_among_auto=float((auto & table["appliance_right"] & ~table["step_right"]).sum() / among),
    )
