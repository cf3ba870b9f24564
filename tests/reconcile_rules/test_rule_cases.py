"""Every rule against its named cases: what it finds on a plain service visit that was changed in one respect."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from typing import Any

import pytest

from reconcile.judging import judge
from reconcile.rules import load_rules
from reconcile.tables import Brief
from schemas.findings import DANGERS, SEVERITY_OF
from tests.reconcile_rules.cases_by_hand import judge_case
from tests.reconcile_rules.making import make_brief, make_meter
from tests.reconcile_rules.named_cases import BY_HAND, CASES, case_by_hand, needs_tables, steps_and_statements

PARAMS = [pytest.param(rule, case, id=f"{rule}: {case['name']}") for rule, case in CASES]
KINDS = {"fires", "quiet", "at the limit", "just beyond", "empty"}


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


@dataclass(frozen=True, kw_only=True)
class Found:
    """What judging said, in the few words that a case speaks of."""

    codes: frozenset[str]
    messages: tuple[str, ...]
    outcomes: dict[str, str]
    outcome: str


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
    judged = judge_case(case_by_hand(json.loads(inputs)))
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


@pytest.mark.parametrize(("rule", "case"), PARAMS)
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
@pytest.mark.parametrize("case", [pytest.param(case, id=name) for name, case in BY_HAND])
def test_tables_give_what_a_case_by_hand_gives(case: dict[str, Any]) -> None:
    assert judge_by_tables(inputs_of(case)) == judge_by_hand(inputs_of(case))


def test_every_rule_has_cases_of_each_kind() -> None:
    """All five kinds for every rule. Where a rule rests on words, not on a number, "at the limit" is the nearest thing
    that leaves it quiet and "just beyond" the nearest that makes it speak.
    """
    kinds = {rule: {case["kind"] for name, case in CASES if name == rule} for rule, _ in CASES}
    assert kinds == dict.fromkeys(load_rules(), KINDS)


def test_cases_name_their_rule() -> None:
    """A case that fires finds a code of its own rule, a quiet one does not."""
    rules = load_rules()
    for rule, case in CASES:
        own = set(rules[rule].codes) & set(case.get("finds", []))
        assert bool(own) == (case["kind"] in ("fires", "just beyond")), (rule, case["name"])
