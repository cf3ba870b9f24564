"""Every rule against its named cases: what it finds on a plain service visit that was changed in one respect."""

from __future__ import annotations

import json
import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from reconcile.judging import judge
from reconcile.pack import load_pack
from reconcile.plan import plan_needs
from reconcile.rules import load_rules
from reconcile.tables import Brief
from schemas.findings import DANGERS, SEVERITY_OF
from schemas.steps import STEP_ORDER
from tests.reconcile_rules.cases_by_hand import judge_case, make_case
from tests.reconcile_rules.making import PLAIN_APPLIANCE, PLAIN_STATED, PLAIN_STEPS, make_brief, make_meter

FILES = sorted((Path(__file__).parent.parent / "cases").glob("*.toml"))
CASES = [
    pytest.param(path.stem, case, id=f"{path.stem}: {case['name']}")
    for path in FILES
    for case in tomllib.loads(path.read_text(encoding="utf-8"))["case"]
]
KINDS = {"fires", "quiet", "at the limit", "just beyond", "empty"}


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


def brief_of(case: dict[str, Any]) -> Brief:
    """The plain visit with the changes that the case names, as tables."""
    steps, stated = steps_and_statements(case)
    return make_brief(
        steps,
        stated=stated,
        appliance={name: value or None for name, value in case.get("appliance", {}).items()},
        job=case.get("job"),
        meters=[make_meter(**{name: value or None for name, value in case["meter"].items()})]
        if "meter" in case
        else None,
        more=case.get("more"),
        copies=[dict(steps) | case.get("copied", {})] * case.get("copies", 0),
        **({"accuracies": case["accuracies"]} if "accuracies" in case else {}),
    )


TABLES_ONLY = {"more", "meter", "copies", "accuracies"}
FIELDS_OF_TABLES = {"meter_serial", "match_status", "taken_at", "job_id", "appliance_id", "matched_step"}


@dataclass(frozen=True, kw_only=True)
class Found:
    """What judging said, in the few words that a case speaks of."""

    codes: frozenset[str]
    messages: tuple[str, ...]
    outcomes: dict[str, str]
    outcome: str


def needs_tables(rule: str, case: dict[str, Any]) -> bool:
    """True where the case is about something that only tables can say, or only a whole day."""
    if load_rules()[rule].find_in_day is not None:
        return True
    contents = [*case.get("steps", {}).values(), *case.get("again", [])]
    fields = {field for content in contents if isinstance(content, dict) for field in content}
    return bool(TABLES_ONLY & set(case) or FIELDS_OF_TABLES & fields)


@cache
def judge_by_tables(inputs: str) -> Found:
    """What comes out of a whole brief; many rules share the plain visit and the empty one."""
    judged = judge(brief_of(json.loads(inputs)))
    checks = judged.checks[judged.checks["appliance_id"] == "A1"]
    return Found(
        codes=frozenset(judged.findings["code"]),
        messages=tuple(sorted(judged.findings["message"])),
        outcomes=dict(zip(checks["check"], checks["outcome"], strict=True)),
        outcome=judged.certificates["outcome"].tolist()[0],
    )


@cache
def judge_by_hand(inputs: str) -> Found:
    """The same for one case, without tables."""
    case = json.loads(inputs)
    steps, stated = steps_and_statements(case)
    appliance = PLAIN_APPLIANCE | {name: value or None for name, value in case.get("appliance", {}).items()}
    work_type = case.get("job", {}).get("work_type", "service")
    needs = plan_needs(
        load_pack().plans[work_type],
        construction_class=appliance["construction_class"],
        has_rcd=appliance["rcd_rated_ma"] is not None,
    )
    judged = judge_case(make_case(steps, stated=stated, appliance=appliance, needs=needs, work_type=work_type))
    return Found(
        codes=frozenset(remark.code for remark in judged.remarks),
        messages=tuple(sorted(remark.message for remark in judged.remarks)),
        outcomes=dict(judged.outcomes),
        outcome=judged.outcome,
    )


def inputs_of(case: dict[str, Any]) -> str:
    """What a case changes, without what it expects."""
    said = ("name", "finds", "outcome", "outcomes", "says")
    inputs = {name: value for name, value in case.items() if name not in said}
    inputs["kind"] = "empty" if case["kind"] == "empty" else ""
    return json.dumps(inputs, sort_keys=True)


@pytest.mark.parametrize(("rule", "case"), CASES)
def test_case(rule: str, case: dict[str, Any]) -> None:
    inputs = inputs_of(case)
    found = judge_by_tables(inputs) if needs_tables(rule, case) else judge_by_hand(inputs)
    if case["kind"] == "empty":
        assert not found.codes & set(DANGERS), "nothing was measured, so nothing dangerous was"
        assert {code for code in found.codes if SEVERITY_OF[code] != "note"} == {"step_missing"}
        assert found.outcome == "incomplete"
        return
    assert found.codes == set(case["finds"])
    for check, outcome in case.get("outcomes", {}).items():
        assert (check, found.outcomes[check]) == (check, outcome)
    assert found.outcome == case["outcome"]
    for text in case.get("says", []):
        assert any(text in message for message in found.messages), found.messages


@pytest.mark.slow
@pytest.mark.parametrize("case", [param.values[1] for param in CASES if not needs_tables(*param.values)])
def test_tables_give_what_a_case_by_hand_gives(case: dict[str, Any]) -> None:
    assert judge_by_tables(inputs_of(case)) == judge_by_hand(inputs_of(case))


def test_every_rule_has_cases_of_each_kind() -> None:
    """Fires, quiet and empty for every rule; at the limit and just beyond where the rule rests on a number."""
    kinds = {path.stem: {case["kind"] for case in tomllib.loads(path.read_text("utf-8"))["case"]} for path in FILES}
    assert set(kinds) == set(load_rules())
    for rule, found in kinds.items():
        needed = {"fires", "quiet", "empty"} | (
            {"at the limit", "just beyond"} & found and {"at the limit", "just beyond"}
        )
        assert needed <= found <= KINDS, rule


def test_cases_name_their_rule() -> None:
    """A case that fires finds a code of its own rule, a quiet one does not."""
    rules = load_rules()
    for path in FILES:
        for case in tomllib.loads(path.read_text("utf-8"))["case"]:
            own = set(rules[path.stem].codes) & set(case.get("finds", []))
            assert bool(own) == (case["kind"] in ("fires", "just beyond")), (path.stem, case["name"])
