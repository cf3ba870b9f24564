"""What every judged part keeps, over all named cases: its check, its steps, its readings, and words that rules know."""

from __future__ import annotations

from typing import Any

import pytest

from reconcile.judging import assess_case
from reconcile.verdicts import ASSESS, STEPS_OF
from reconcile.verdicts.assessment import RANK, Part, worst
from schemas.checks import CHECKS, OUTCOMES
from schemas.steps import STEPS
from tests.reconcile_rules.named_cases import BY_HAND, case_by_hand

FAULTS = {"line_earth_reversed", "line_neutral_reversed", "neutral_open", "earth_open", "neutral high"}
DOUBTS = {"not proved", "another meter", "too long", "wrong order", "order unknown", "time unknown", "failed before"}
WORDS = {
    "visual": {"missing", "damaged", "not understood"},
    "leads": {"worn", "not understood"},
    "metalwork": {"missing", "live", "no number", "not proved"},
    "voltage": {"missing", "out of band", "no number"},
    "triple": {"missing", "pair missing", "no supply", "indication disagrees", "triangle"} | FAULTS,
    "loop": {"missing", "no earth", "high", "unstable", "no number", "implausibly low", "unlikely", "rcd unknown",
             "earthing unknown", "device unknown", "device not tabulated"},
    "fuse": {"missing", "required unknown", "too large", "too small", "job list disagrees"},
    "rcd": {"missing", "trips at half", "no trip", "slow", "multiple unknown", "no number",
            "rated not tested", "implausibly short"},
    "proof": {"missing"} | DOUBTS,
    "dead proof": {"missing"} | DOUBTS,
    "dead": {"missing", "not_dead", "isolated_in_neutral", "induced", "pair missing", "not all again", "no indicator"},
    "secured": {"missing", "not secured", "not understood"},
    "notice": {"missing", "no notice"},
    "continuity": {"missing", "class two tested", "not to the case", "high", "doubtful", "no number",
                   "implausibly low"},
    "insulation": {"missing", "low", "no number", "test voltage", "pair missing", "class unknown"},
    "load": {"above the fuse"},
}  # fmt: skip
UNKNOWN = {"rcd unknown", "earthing unknown", "device unknown", "device not tabulated"}
FAILING = FAULTS | {"live", "damaged", "worn", "out of band", "no earth", "high", "unstable", "too large", "too small",
                    "no trip", "slow", "not_dead", "isolated_in_neutral", "not secured", "low"}  # fmt: skip


def check_part(check: str, part: Part, readings: dict[str, tuple[Any, ...]]) -> None:
    """Asserts what holds for every part."""
    assert part.check == check
    assert part.outcome in OUTCOMES
    assert part.kind in WORDS
    allowed = {""} | WORDS[part.kind]
    assert part.why in allowed
    assert (part.outcome in ("satisfactory", "not applicable")) == (part.why in ("", "class two tested"))
    assert (part.outcome == "unsatisfactory") == (part.why in FAILING)
    assert (part.outcome == "not tested") == (part.why == "missing" and part.kind not in ("notice", "dead proof"))
    assert set(part.steps) <= set(STEPS)
    here = {reading.reading_id for step in part.steps for reading in readings.get(step, ())}
    assert here <= set(part.reading_ids)
    assert len(part.reading_ids) == len(set(part.reading_ids))
    if part.reading is not None:
        assert part.reading.step in part.steps
        assert part.reading.is_valid
    if part.why in ("line_earth_reversed", "neutral_open", "isolated_in_neutral"):
        assert part.causes
    assert part.limit_source or part.kind in ("loop", "rcd", "fuse", "notice", "dead proof", "load")
    if part.kind == "rcd" and part.reading is not None:
        assert (part.high is None) == ((part.reading.rcd_multiple or 1.0) <= 0.5)
    if part.kind == "loop" and part.reading is not None:
        assert (part.high is None) <= (part.why in UNKNOWN | {"no earth"})
    assert part.note == part.note.strip()
    assert "XX" not in f"{part.note}{part.against}{part.accepts}"


def corner(**changes: Any) -> dict[str, Any]:
    """A case that no rule is named after."""
    return {"kind": "", "name": ""} | changes


CORNERS = [
    corner(steps={"insulation": {"value": 2e6, "comparator": "lt"}}),
    corner(steps={"insulation": {"value": 5e5, "comparator": "gt"}}),
    corner(steps={"insulation": {"reason": "over range"}}),
    corner(steps={"insulation": 5e7}, appliance={"construction_class": "II"}),
    corner(steps={"proof_after": {"indication": "present", "meter_serial": "X"}}),
    corner(steps={"proof_after": {"indication": "present", "minute": -90}}),
    corner(steps={"proof_after": {"indication": "present", "minute": 90}}),
    corner(
        steps={"earth_loop": {"value": 1000.0, "comparator": "lt"}}, appliance={"earthing": "TT", "rcd_rated_ma": 30.0}
    ),
    corner(
        steps={"earth_loop": {"value": 3000.0, "comparator": "lt"}}, appliance={"earthing": "TT", "rcd_rated_ma": 30.0}
    ),
    corner(steps={"rcd_trip": {"value": 0.2, "comparator": "lt"}}, appliance={"rcd_rated_ma": 30.0}),
    corner(
        steps={"rcd_trip": {"value": 0.35, "comparator": "lt", "rcd_multiple": 1.0}}, appliance={"rcd_rated_ma": 30.0}
    ),
    corner(steps={"rcd_trip": {"value": 0.2, "comparator": "gt"}}, appliance={"rcd_rated_ma": 30.0}),
    corner(steps={"earth_continuity": {"value": 0.5, "comparator": "lt"}}),
    corner(steps={"supply_ln": {"value": 240.0, "comparator": "lt"}}),
    corner(steps={"supply_ln": {"value": 200.0, "comparator": "gt"}}),
    corner(steps={"metalwork": {"reason": "over range"}}),
    corner(stated={"visual_condition": "odd", "test_leads_condition": "odd", "isolation_point_secured": "odd"}),
]


@pytest.mark.parametrize("case", [*(pytest.param(case, id=name) for name, case in BY_HAND), *CORNERS])
def test_every_part_is_whole(case: dict[str, Any]) -> None:
    assessed = assess_case(case_by_hand(case))
    assert list(assessed.verdicts) == list(CHECKS) == list(ASSESS)
    for check, verdict in assessed.verdicts.items():
        assert verdict.check == check
        assert verdict.parts
        assert len(assessed.certainties[check]) == len(verdict.parts)
        for part in verdict.parts:
            check_part(check, part, dict(assessed.case.readings))
        numbers = [part for part in verdict.parts if part.outcome != "not tested" and part.kind not in NO_READING]
        assert all(part.reading is not None for part in numbers if set(part.steps) & set(assessed.case.chosen))
        assert verdict.retest in ("", "explained", "unexplained", "worst governs")
        assert bool(verdict.retest) == bool(verdict.earlier)


NO_READING = {"visual", "leads", "fuse", "secured", "notice", "dead proof", "continuity"}


@pytest.mark.parametrize(
    ("outcomes", "whole"),
    [
        ((), "not tested"),
        (("not applicable",), "not applicable"),
        (("not applicable", "satisfactory"), "satisfactory"),
        (("satisfactory", "not tested"), "inconclusive"),
        (("satisfactory", "inconclusive"), "inconclusive"),
        (("not tested", "inconclusive"), "inconclusive"),
        (("not tested", "not tested"), "not tested"),
        (("not applicable", "not tested"), "not tested"),
        (("not applicable", "satisfactory", "not tested"), "inconclusive"),
        (("satisfactory", "unsatisfactory", "not tested"), "unsatisfactory"),
    ],
)
def test_the_worst_part_governs(outcomes: tuple[str, ...], whole: str) -> None:
    assert worst([Part(check="visual", kind="visual", outcome=outcome) for outcome in outcomes]) == whole
    assert set(RANK) == set(OUTCOMES)


def test_every_step_feeds_a_check() -> None:
    fed = {step for steps in STEPS_OF.values() for step in steps}
    assert fed == set(STEPS)
    assert STEPS_OF["supply_polarity"] == ("supply_ln", "supply_le", "supply_ne", "supply_polarity")
