"""The plan: which steps each appliance of the job list asks for, in the order of the work."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import pandas as pd

from reconcile.pack import DEFAULT_PACK, load_pack
from schemas.check import conform_table
from schemas.steps import STEP_ORDER, PlannedSteps

UNKNOWN_WORK: Final = "service"


def plan_needs(
    plan: Mapping[str, Any], *, construction_class: str | None, has_rcd: bool, earthing: str | None
) -> dict[str, str]:
    """The steps of one kind of work with their need, in the order of the work.

    On TT an RCD alone cuts off a fault, so that its test is asked for whatever the work.

    An appliance of unknown class is taken for class I, as nearly all gas appliances are: the earth path is then asked
    for where the work asks for it.
    """
    required = set(plan["required"])
    required |= set(plan["if_class_one"]) if construction_class != "II" else set()
    required |= set(plan["if_rcd"]) if has_rcd else set()
    required |= set(plan["if_tt"]) if earthing == "TT" else set()
    allowed = required.union(plan["optional"], plan["if_class_one"], plan["if_rcd"], plan["if_tt"])
    return {
        step: "required" if step in required else "optional" for step in sorted(allowed, key=STEP_ORDER.__getitem__)
    }


def plan_steps(jobs: pd.DataFrame, appliances: pd.DataFrame, *, pack: str | None = None) -> pd.DataFrame:
    """The planned steps (schemas.steps.PlannedSteps) of every appliance of an attended job.

    Shape: one row an appliance and step, in the order of the job list and then of the work. A job of unknown work
    type is planned as a service, the fuller of the usual visits: common practice is to do more, not less.
    """
    plans = load_pack(pack or DEFAULT_PACK).plans
    attended = jobs[~jobs["status"].isin(["no access", "cancelled"])]
    joined = appliances.merge(attended[["job_id", "work_type", "sequence"]], on="job_id", suffixes=("", "_job"))
    rows: list[dict[str, object]] = []
    for appliance in joined.sort_values(["sequence_job", "sequence"]).to_dict("records"):
        work_type, construction_class, earthing = (
            known if isinstance(known := appliance[name], str) else None
            for name in ("work_type", "construction_class", "earthing")
        )
        needs = plan_needs(
            plans[work_type or UNKNOWN_WORK],
            construction_class=construction_class,
            has_rcd=pd.notna(appliance["rcd_rated_ma"]),
            earthing=earthing,
        )
        rows += [
            {
                "job_id": appliance["job_id"],
                "appliance_id": appliance["appliance_id"],
                "step": step,
                "position": position,
                "need": need,
                "source": plans["sources"][step],
            }
            for position, (step, need) in enumerate(needs.items())
        ]
    return conform_table(PlannedSteps, pd.DataFrame(rows, columns=[*PlannedSteps.to_schema().columns]))
