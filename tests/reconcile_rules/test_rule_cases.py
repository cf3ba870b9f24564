"""Every rule against its named cases: what it finds on a plain service visit that was changed in one respect."""

from __future__ import annotations

import json
import tomllib
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from reconcile.judging import judge
from reconcile.rules import load_rules
from reconcile.tables import Judged
from schemas.findings import DANGERS, SEVERITY_OF
from schemas.steps import STEP_ORDER
from tests.reconcile_rules.making import PLAIN_STATED, PLAIN_STEPS, make_brief, make_meter

FILES = sorted((Path(__file__).parent.parent / "cases").glob("*.toml"))
CASES = [
    pytest.param(path.stem, case, id=f"{path.stem}: {case['name']}")
    for path in FILES
    for case in tomllib.loads(path.read_text(encoding="utf-8"))["case"]
]
KINDS = {"fires", "quiet", "at the limit", "just beyond", "empty"}


def brief_of(case: dict[str, Any]) -> Any:
    """The plain visit with the changes that the case names."""
    steps: list[tuple[str, Any]] = [] if case["kind"] == "empty" else list(PLAIN_STEPS.items())
    changes = case.get("steps", {})
    steps = [(step, changes.get(step, content)) for step, content in steps if step not in case.get("without", [])]
    steps += [(step, content) for step, content in changes.items() if step not in PLAIN_STEPS]
    steps.sort(key=lambda pair: STEP_ORDER[pair[0]])
    steps = [pair for pair in steps if pair[0] in case.get("only", STEP_ORDER)]
    again = case.get("again", [])
    steps += [(row["step"], {name: value for name, value in row.items() if name != "step"}) for row in again]
    stated = {} if case["kind"] == "empty" else PLAIN_STATED | case.get("stated", {})
    return make_brief(
        steps,
        stated={item: value for item, value in stated.items() if item not in case.get("unstated", [])},
        appliance={name: value or None for name, value in case.get("appliance", {}).items()},
        job=case.get("job"),
        meters=[make_meter(**{name: value or None for name, value in case["meter"].items()})]
        if "meter" in case
        else None,
        more=case.get("more"),
        copies=[dict(steps) | case.get("copied", {})] * case.get("copies", 0),
        **({"accuracies": case["accuracies"]} if "accuracies" in case else {}),
    )


@cache
def judge_inputs(inputs: str) -> Judged:
    """The judgement of one set of inputs: many rules share the plain visit and the empty one."""
    return judge(brief_of(json.loads(inputs)))


@pytest.mark.parametrize(("rule", "case"), CASES)
def test_case(rule: str, case: dict[str, Any]) -> None:
    said = ("name", "finds", "outcome", "outcomes", "says")
    inputs = {name: value for name, value in case.items() if name not in said}
    inputs["kind"] = "empty" if case["kind"] == "empty" else ""
    judged = judge_inputs(json.dumps(inputs, sort_keys=True))
    found = set(judged.findings["code"])
    if case["kind"] == "empty":
        assert not found & set(DANGERS), "nothing was measured, so nothing dangerous was"
        assert {code for code in found if SEVERITY_OF[code] != "note"} == set(case.get("finds", ["step_missing"]))
        assert judged.certificates["outcome"].tolist() == ["incomplete"]
        return
    assert found == set(case.get("finds", []))
    outcomes = dict(zip(judged.checks["check"], judged.checks["outcome"], strict=True))
    for check, outcome in case.get("outcomes", {}).items():
        assert (check, outcomes[check]) == (check, outcome)
    assert judged.certificates["outcome"].tolist()[0] == case["outcome"]
    for text in case.get("says", []):
        assert any(text in message for message in judged.findings["message"]), judged.findings["message"].tolist()


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
