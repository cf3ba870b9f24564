"""The plan: which steps each appliance of the job list asks for, in the order of the work."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib.resources import files
from typing import Any, Final

import pandas as pd

from schemas.check import conform_table
from schemas.steps import STEP_ORDER, PlannedSteps

UNKNOWN_WORK: Final = "service"


@cache
def load_plans() -> dict[str, Any]:
    """The plan data of the rule pack, by work type."""
    return tomllib.loads(files("reconcile.limits").joinpath("plan.toml").read_text(encoding="utf-8"))


def plan_steps(jobs: pd.DataFrame, appliances: pd.DataFrame) -> pd.DataFrame:
    """The planned steps (schemas.steps.PlannedSteps) of every appliance of an attended job.

    Shape: one row an appliance and step, in the order of the job list and then of the work. A job of unknown work
    type is planned as a service, the fuller of the usual visits: common practice is to do more, not less.
    """
    plans = load_plans()
    attended = jobs[~jobs["status"].isin(["no access", "cancelled"])]
    joined = appliances.merge(attended[["job_id", "work_type", "sequence"]], on="job_id", suffixes=("", "_job"))
    rows: list[dict[str, object]] = []
    for appliance in joined.sort_values(["sequence_job", "sequence"]).to_dict("records"):
        work_type = appliance["work_type"]
        plan = plans[work_type if isinstance(work_type, str) else UNKNOWN_WORK]
        required = set(plan["required"])
        required |= set(plan["if_class_one"]) if appliance["construction_class"] == "I" else set()
        required |= set(plan["if_rcd"]) if pd.notna(appliance["rcd_rated_ma"]) else set()
        allowed = required | set(plan["optional"]) | set(plan["if_class_one"]) | set(plan["if_rcd"])
        for position, step in enumerate(sorted(allowed, key=STEP_ORDER.__getitem__)):
            rows.append(
                {
                    "job_id": appliance["job_id"],
                    "appliance_id": appliance["appliance_id"],
                    "step": step,
                    "position": position,
                    "need": "required" if step in required else "optional",
                    "source": plans["source"],
                }
            )
    return conform_table(PlannedSteps, pd.DataFrame(rows, columns=[*PlannedSteps.to_schema().columns]))
