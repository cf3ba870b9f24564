"""Properties of judging: worse never helps, missing evidence never passes, the order of rows changes nothing."""

from __future__ import annotations

import dataclasses
import re
from math import inf
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from reconcile.judging import judge
from reconcile.tables import Brief
from schemas.findings import SEVERITY_OF
from tests.reconcile_rules.cases_by_hand import judge_case, make_case
from tests.reconcile_rules.making import PLAIN_STEPS, make_brief

RANK = {"satisfactory": 0, "incomplete": 1, "unsatisfactory": 2}
CHECK_RANK = {"not applicable": 0, "satisfactory": 0, "not tested": 1, "inconclusive": 1, "unsatisfactory": 2}

LOOPS = st.floats(0.05, 3000.0) | st.sampled_from([0.35, 1.84, 1.86, 12.48, 42.0, 200.0, 1667.0])
UPWARDS = {
    "earth_loop": LOOPS,
    "restored_loop": LOOPS,
    "earth_continuity": st.floats(0.0067, 5.0) | st.sampled_from([0.18, 1.0]),
    "rcd_trip": st.floats(0.005, 1.0) | st.sampled_from([0.04, 0.3]),
    "dead_ln": st.floats(0.0, 260.0) | st.sampled_from([5.0, 50.0]),
    "dead_le": st.floats(0.0, 260.0) | st.sampled_from([5.0, 50.0]),
    "dead_ne": st.floats(0.0, 260.0) | st.sampled_from([5.0, 50.0]),
}
"""Steps whose larger reading is the worse one, with values to start from. Loops and cords start where they can be."""

APPLIANCES = st.fixed_dictionaries(
    {
        "earthing": st.sampled_from(["TN-S", "TN-C-S", "TT", "IT", None]),
        "device": st.sampled_from(["BS1362", "B", "BS88-2", None]),
        "device_rating_a": st.sampled_from([3.0, 6.0, 13.0, 35.0, None]),
        "rcd_rated_ma": st.sampled_from([30.0, 100.0, None]),
        "construction_class": st.sampled_from(["I", "II", None]),
    }
)


def ranks(steps: dict[str, Any], appliance: dict[str, Any]) -> tuple[int, dict[str, int]]:
    found = judge_case(make_case(steps, appliance=appliance))
    return RANK[found.outcome], {check: CHECK_RANK[outcome] for check, outcome in found.outcomes.items()}


@given(data=st.data(), appliance=APPLIANCES, step=st.sampled_from(sorted(UPWARDS)))
@settings(max_examples=300, deadline=None)
def test_a_larger_bad_reading_never_helps(data: st.DataObject, appliance: dict[str, Any], step: str) -> None:
    """A TT loop below one ohm is a question of its own; from there on more is worse."""
    value = data.draw(UPWARDS[step])
    assume(not (step.endswith("loop") and appliance["earthing"] == "TT" and value < 1.0))
    more = value + data.draw(st.floats(0.0, 1000.0))
    other = data.draw(st.sampled_from(sorted(UPWARDS)))
    steps = PLAIN_STEPS | {other: data.draw(UPWARDS[other])}
    before, checks = ranks(steps | {step: value}, appliance)
    after, checks_after = ranks(steps | {step: more}, appliance)
    above, checks_above = ranks(steps | {step: {"value": value, "comparator": "gt"}}, appliance)
    assert after >= before
    assert above >= before
    assert all(checks_after[check] >= rank for check, rank in checks.items())
    assert all(checks_above[check] >= rank for check, rank in checks.items())


@given(value=st.floats(1e4, 1e9), share=st.floats(0.0, 1.0), class_two=st.booleans())
@settings(max_examples=100, deadline=None)
def test_a_smaller_insulation_never_helps(value: float, share: float, class_two: bool) -> None:
    appliance = {"construction_class": "II" if class_two else "I"}
    before, checks = ranks(PLAIN_STEPS | {"insulation": value}, appliance)
    after, checks_after = ranks(PLAIN_STEPS | {"insulation": value * share}, appliance)
    below, _ = ranks(PLAIN_STEPS | {"insulation": {"value": value, "comparator": "lt"}}, appliance)
    assert after >= before
    assert below >= before
    assert checks_after["insulation"] >= checks["insulation"]


@given(volts=st.floats(180.0, 280.0), further=st.floats(0.0, 40.0), phase=st.sampled_from(["supply", "restored"]))
@settings(max_examples=100, deadline=None)
def test_a_supply_further_from_nominal_never_helps(volts: float, further: float, phase: str) -> None:
    worse = volts + further if volts >= 230.0 else volts - further
    before, checks = ranks(PLAIN_STEPS | {f"{phase}_ln": volts, f"{phase}_le": volts}, {})
    after, checks_after = ranks(PLAIN_STEPS | {f"{phase}_ln": worse, f"{phase}_le": worse}, {})
    assert after >= before
    assert all(checks_after[check] >= rank for check, rank in checks.items())


@given(low=st.floats(0.0, 230.0), more=st.floats(0.0, 230.0), phase=st.sampled_from(["supply", "restored"]))
@settings(max_examples=100, deadline=None)
def test_more_voltage_on_the_neutral_never_helps(low: float, more: float, phase: str) -> None:
    steps = PLAIN_STEPS | {f"{phase}_ln": 231.0, f"{phase}_le": 231.0}
    before, _ = ranks(steps | {f"{phase}_ne": low}, {})
    after, _ = ranks(steps | {f"{phase}_ne": low + more}, {})
    assert after >= before


WORSE_WORDS = [
    ("metalwork", "present"),
    ("metalwork", {"reason": "not stable"}),
    ("proof_before", "absent"),
    ("proof_after", "absent"),
    ("supply_polarity", "reversed"),
    ("supply_polarity", "no earth"),
    ("supply_polarity", "fault"),
    ("restored_polarity", "no neutral"),
    ("restored_metalwork", "present"),
]


@pytest.mark.parametrize(("step", "word"), WORSE_WORDS)
def test_a_worse_indication_does_not_pass(step: str, word: Any) -> None:
    assert ranks(dict(PLAIN_STEPS), {})[0] == 0
    assert ranks(PLAIN_STEPS | {step: word}, {})[0] > 0


ANY_STEPS = {
    **UPWARDS,
    **{step: st.floats(0.0, 300.0) for step in ("supply_ln", "supply_le", "supply_ne", "restored_ln", "restored_le")},
    **{step: st.sampled_from(["present", "absent"]) for step in ("metalwork", "proof_before", "proof_after")},
    "insulation": st.floats(1e4, 1e9),
    "supply_polarity": st.sampled_from(["correct", "reversed", "no earth", "no neutral", "fault"]),
}
CHANGES = st.dictionaries(st.sampled_from(sorted(ANY_STEPS)), st.none(), max_size=3).flatmap(
    lambda keys: st.fixed_dictionaries({step: ANY_STEPS[step] for step in keys})
)


@given(changes=CHANGES, appliance=APPLIANCES, dropped=st.sampled_from(sorted(PLAIN_STEPS)))
@settings(max_examples=200, deadline=None)
def test_a_required_step_that_is_dropped_never_passes(
    changes: dict[str, Any], appliance: dict[str, Any], dropped: str
) -> None:
    steps = {step: content for step, content in (PLAIN_STEPS | changes).items() if step != dropped}
    assert ranks(steps, appliance)[0] > 0


@given(
    changes=CHANGES,
    again=st.lists(
        st.sampled_from(sorted(ANY_STEPS)).flatmap(lambda s: st.tuples(st.just(s), ANY_STEPS[s])), max_size=3
    ),
    data=st.data(),
)
@settings(max_examples=200, deadline=None)
def test_dropping_a_reading_passes_only_where_that_reading_was_questioned(
    changes: dict[str, Any], again: list[tuple[str, Any]], data: st.DataObject
) -> None:
    """Only a reading that a finding above a note names can stand in the way of a pass."""
    listed = [*(PLAIN_STEPS | changes).items(), *again]
    case = make_case(listed)
    judged = judge_case(case)
    assume(judged.outcome != "satisfactory")
    place = data.draw(st.integers(0, len(listed) - 1))
    dropped = [pair for number, pair in enumerate(listed) if number != place]
    if judge_case(make_case(dropped)).outcome == "satisfactory":
        named = {
            step for remark in judged.remarks if SEVERITY_OF[remark.code] != "note" for step in steps_of(case, remark)
        }
        assert listed[place][0] in named


def steps_of(case: Any, remark: Any) -> set[str]:
    found = {one.reading_id: step for step, readings in case.readings.items() for one in readings}
    return {found[reading_id] for reading_id in remark.reading_ids}


@given(changes=CHANGES, appliance=APPLIANCES, dropped=st.sets(st.sampled_from(sorted(PLAIN_STEPS)), max_size=6))
@settings(max_examples=200, deadline=None)
def test_every_check_in_the_way_of_a_pass_has_a_finding_that_says_why(
    changes: dict[str, Any], appliance: dict[str, Any], dropped: set[str]
) -> None:
    steps = {step: content for step, content in (PLAIN_STEPS | changes).items() if step not in dropped}
    judged = judge_case(make_case(steps, appliance=appliance))
    told = {check for remark in judged.remarks if SEVERITY_OF[remark.code] != "note" for check in remark.checks}
    bad = {check for check, outcome in judged.outcomes.items() if CHECK_RANK[outcome] == 2}
    waiting = {check for check in judged.assessed.required if CHECK_RANK[judged.outcomes[check]] == 1}
    assert bad | waiting <= told
    for remark in judged.remarks:
        assert not re.search(r"\bsafe(ly)?\b", f"{remark.message} {remark.action}".casefold())
        assert remark.message[-1] == remark.action[-1] == "."
        assert "None" not in remark.message
        assert "nan" not in remark.message.split()


def test_nothing_recorded_and_nothing_planned_is_incomplete() -> None:
    assert judge_case(make_case({}, stated={}, needs={})).outcome == "incomplete"


def shuffled(brief: Brief, seed: int) -> Brief:
    """The same tables with their rows in another order."""
    rng = np.random.default_rng(seed)
    tables = {}
    for field in dataclasses.fields(brief):
        table: pd.DataFrame = getattr(brief, field.name)
        tables[field.name] = table.iloc[rng.permutation(len(table))].reset_index(drop=True)
    return Brief(**tables)


@pytest.mark.parametrize("seed", range(3))
def test_the_order_of_rows_changes_nothing(seed: int) -> None:
    brief = make_brief(
        [*PLAIN_STEPS.items(), ("earth_loop", 42.0), ("insulation", 2e5)],
        copies=[PLAIN_STEPS | {"supply_le": 0.3, "supply_ne": 230.0}, PLAIN_STEPS | {"dead_le": 231.0}],
        more={
            "clocks": [
                {"state": "corrected", "agreeing": 1, "readings": 2, "reading_ids": "r-2 r-203", "message": "Off."}
            ],
            "conflicts": [{"conflict_id": "c", "reading_id": "r-5"}, {"conflict_id": "c", "reading_id": "r-204"}],
        },
    )
    first, second = judge(brief), judge(shuffled(brief, seed))
    for name in ("checks", "findings", "certificates"):
        pd.testing.assert_frame_equal(getattr(first, name), getattr(second, name))
    assert len(first.certificates) == 3
    assert inf not in first.checks["value"].tolist()
