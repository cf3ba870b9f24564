"""The named cases of the rules, read from their files, and how they become cases without tables."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from reconcile.case import Case
from reconcile.pack import load_pack
from reconcile.plan import plan_needs
from reconcile.rules import load_rules
from schemas.steps import STEP_ORDER
from tests.reconcile_rules.cases_by_hand import make_case
from tests.reconcile_rules.making import PLAIN_APPLIANCE, PLAIN_STATED, PLAIN_STEPS

FILES = sorted((Path(__file__).parent.parent / "cases").glob("*.toml"))
CASES: list[tuple[str, dict[str, Any]]] = [
    (path.stem, case) for path in FILES for case in tomllib.loads(path.read_text(encoding="utf-8"))["case"]
]
TABLES_ONLY = {"more", "meter", "copies", "accuracies"}
FIELDS_OF_TABLES = {
    "meter_serial", "match_status", "taken_at", "meter_time", "job_id", "appliance_id", "matched_step",
}  # fmt: skip


def needs_tables(rule: str, case: dict[str, Any]) -> bool:
    """True where the case is about something that only tables can say, or only a whole day."""
    if load_rules()[rule].find_in_day is not None:
        return True
    if {"arrived_at", "left_at"} & set(case.get("job", {})):
        return True
    contents = [*case.get("steps", {}).values(), *case.get("again", [])]
    fields = {field for content in contents if isinstance(content, dict) for field in content}
    return bool(TABLES_ONLY & set(case) or FIELDS_OF_TABLES & fields)


def steps_and_statements(case: dict[str, Any]) -> tuple[list[tuple[str, Any]], dict[str, str]]:
    """The readings and statements of the plain visit with the changes that the case names."""
    steps: list[tuple[str, Any]] = [] if case["kind"] == "empty" else list(PLAIN_STEPS.items())
    changes = case.get("steps", {})
    steps = [(step, changes.get(step, content)) for step, content in steps if step not in case.get("without", [])]
    steps += [(step, content) for step, content in changes.items() if step not in PLAIN_STEPS]
    steps.sort(key=lambda pair: STEP_ORDER[pair[0]])
    steps = [pair for pair in steps if pair[0] in case.get("only", STEP_ORDER)]
    again = case.get("again", [])
    steps += [(row["step"], {name: value for name, value in row.items() if name != "step"}) for row in again]
    stated = {} if case["kind"] == "empty" else PLAIN_STATED | case.get("stated", {})
    return steps, {item: value for item, value in stated.items() if item not in case.get("unstated", [])}


def case_by_hand(case: dict[str, Any]) -> Case:
    """The named case as a case, without tables."""
    steps, stated = steps_and_statements(case)
    appliance = PLAIN_APPLIANCE | {name: value or None for name, value in case.get("appliance", {}).items()}
    work_type = case.get("job", {}).get("work_type", "service")
    needs = plan_needs(
        load_pack().plans[work_type],
        construction_class=appliance["construction_class"],
        has_rcd=appliance["rcd_rated_ma"] is not None,
        earthing=appliance["earthing"],
    )
    return make_case(steps, stated=stated, appliance=appliance, needs=needs, work_type=work_type)


BY_HAND = [(f"{rule}: {case['name']}", case) for rule, case in CASES if not needs_tables(rule, case)]
