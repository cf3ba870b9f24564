"""Properties over whole visits: worse never helps, what is missing never passes; and each property can fail."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from typing import Any

import pandas as pd
import pytest
from hypothesis import HealthCheck, Phase, find, given, settings
from hypothesis import strategies as st
from hypothesis.errors import NoSuchExample

import reconcile.judging
from reconcile.case import Reading
from reconcile.certificate import Certified
from reconcile.judging import judge
from reconcile.tables import Brief
from reconcile.verdicts.assessment import Part
from schemas.findings import SEVERITY_OF
from tests.reconcile_rules.cases_by_hand import judge_case
from tests.reconcile_rules.making import PLAIN_STEPS, make_brief
from tests.reconcile_rules.test_properties import shuffled
from tests.reconcile_rules.visits import STATED, Visit, case_of, sound_visits, spoiled, visits, worse

RANK = {"satisfactory": 0, "incomplete": 1, "unsatisfactory": 2}
CHECK_RANK = {"not applicable": 0, "satisfactory": 0, "not tested": 1, "inconclusive": 1, "unsatisfactory": 2}
SOME = settings(
    max_examples=400, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large]
)

Pair = tuple[Visit, Visit]


@st.composite
def worsened(draw: st.DrawFn) -> Pair:
    """A visit and the same with one thing made worse."""
    visit = draw(visits() | sound_visits())
    return visit, draw(worse(visit)) or visit


@st.composite
def thinned(draw: st.DrawFn) -> Pair:
    """A visit and the same with some of its readings left out, and perhaps a good statement."""
    visit = draw(visits())
    places = draw(st.sets(st.integers(0, len(visit["readings"]) - 1), min_size=1, max_size=4))
    kept = [pair for place, pair in enumerate(visit["readings"]) if place not in places]
    stated = dict(visit["stated"])
    good = sorted(item for item, word in stated.items() if word == STATED[item][0])
    for item in draw(st.lists(st.sampled_from(good), max_size=1)) if good else []:
        del stated[item]
    return visit, visit | {"readings": kept, "stated": stated}


def helps(pair: Pair) -> bool:
    """True where the second visit comes out better than the first, as a whole or in any check."""
    before, after = (judge_case(case_of(visit)) for visit in pair)
    better = any(CHECK_RANK[after.outcomes[check]] < CHECK_RANK[outcome] for check, outcome in before.outcomes.items())
    return better or RANK[after.outcome] < RANK[before.outcome]


def passes_by_leaving_out(pair: Pair) -> bool:
    """True where leaving out turned a visit into a satisfactory one although no finding was about what was left out.

    A reading that stood in the way is named by a finding. That a bad reading which never came in cannot be seen is
    said in the README; the numbers of the meter's memory are where to look for it.
    """
    visit, thinner = pair
    after = judge_case(case_of(thinner))
    if after.outcome != "satisfactory":
        return False
    if visit["stated"] != thinner["stated"] and lacks_required_statement(thinner):
        return True
    before = judge_case(case_of(visit))
    if before.outcome == "satisfactory":
        return lacks_required_step(after)
    return lacks_required_step(after) or not (left_out(visit, thinner) & named_steps(before))


def lacks_required_statement(visit: Visit) -> bool:
    """True where a statement that every pass rests on is not there."""
    needed = {"visual_condition"} | (set() if visit["work_type"] == "inspection" else {"isolation_point_secured"})
    return not needed <= set(visit["stated"])


def lacks_required_step(judged: Certified) -> bool:
    """True where a step that the plan requires has no usable reading."""
    case = judged.assessed.case
    return any(need == "required" and not case.valid(step) for step, need in case.needs.items()
               if not (step == "earth_continuity" and case.appliance.construction_class == "II"))  # fmt: skip


def left_out(visit: Visit, thinner: Visit) -> set[str]:
    """The steps that readings were left out of."""
    fewer = Counter(step for step, _ in visit["readings"])
    fewer.subtract(step for step, _ in thinner["readings"])
    return {step for step, count in fewer.items() if count > 0}


def named_steps(judged: Certified) -> set[str]:
    """The steps of the readings that findings above a note name."""
    steps = {one.reading_id: step for step, readings in judged.assessed.case.readings.items() for one in readings}
    told = [remark for remark in judged.remarks if SEVERITY_OF[remark.code] != "note"]
    return {steps[reading_id] for remark in told for reading_id in remark.reading_ids}


@given(pair=worsened())
@SOME
def test_nothing_made_worse_helps(pair: Pair) -> None:
    assert not helps(pair)


@given(pair=thinned())
@SOME
def test_nothing_left_out_makes_a_pass(pair: Pair) -> None:
    assert not passes_by_leaving_out(pair)


@st.composite
def amiss(draw: st.DrawFn) -> Pair:
    """A sound visit and the same with one thing amiss."""
    visit = draw(sound_visits())
    return visit, draw(spoiled(visit))


def passes_amiss(pair: Pair) -> bool:
    """True where the sound visit does not pass, or the other one does."""
    sound, other = (judge_case(case_of(visit)).outcome for visit in pair)
    return sound != "satisfactory" or other == "satisfactory"


@given(pair=amiss())
@SOME
def test_one_thing_amiss_and_nothing_passes(pair: Pair) -> None:
    assert not passes_amiss(pair)


def test_the_visits_are_of_every_kind() -> None:
    """A property over visits that all fail, or all pass, would say little."""
    seen: Counter[str] = Counter()
    codes: set[str] = set()

    @given(visit=visits())
    @settings(SOME, max_examples=500, database=None)
    def look(visit: Visit) -> None:
        judged = judge_case(case_of(visit))
        seen[judged.outcome] += 1
        codes.update(remark.code for remark in judged.remarks)

    look()
    assert min(seen[outcome] for outcome in RANK) >= 25, seen
    assert len(codes) >= 25, sorted(codes)


def always(answer: Any) -> Callable[..., Any]:
    return lambda *_, **__: answer


def without_query(check: str, verdict: Any, remarks: Any) -> str:
    """A settling that forgets that queries block."""
    return str(verdict.outcome)


def upside_down(reading: Reading, *, low: float | None = None, high: float | None = None) -> str:
    """A comparison that took the limits for each other."""
    if reading.value is None:
        return "cannot tell"
    return "passes" if (high is None or reading.value >= high) and (low is None or reading.value <= low) else "fails"


def missing_passes(case: Any) -> Iterator[Part]:
    """A check that takes a missing loop for a good one."""
    yield Part(check="earth_fault_loop", kind="loop", outcome="satisfactory")


PROPERTIES: dict[str, tuple[st.SearchStrategy[Pair], Callable[[Pair], bool]]] = {
    "helps": (worsened(), helps),
    "passes": (thinned(), passes_by_leaving_out),
    "amiss": (amiss(), passes_amiss),
}
SABOTAGE = [
    pytest.param("helps", "reconcile.verdicts.earth_loop.compare", upside_down, id="loop limits upside down"),
    pytest.param("helps", "reconcile.verdicts.dead_tests.compare", upside_down, id="insulation limits upside down"),
    pytest.param("passes", "reconcile.judging.required_checks", always(frozenset({"visual"})), id="no required check"),
    pytest.param("passes", "earth_fault_loop", missing_passes, id="a missing loop passes"),
    pytest.param("amiss", "reconcile.judging.settle", without_query, id="queries do not block"),
    pytest.param("amiss", "reconcile.verdicts.dead.doubt_proof", always(""), id="any proof will do"),
    pytest.param("amiss", "reconcile.rules.another_visit.visit", always((float("-inf"), float("inf"))),
                 id="any day will do"),
    pytest.param("amiss", "reconcile.verdicts.remade_since", always(True), id="every retest is explained"),
]  # fmt: skip


@pytest.mark.parametrize(("which", "place", "broken"), SABOTAGE)
def test_a_broken_rule_is_found(which: str, place: str, broken: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """Judging broken on purpose: the properties find it."""
    if "." in place:
        monkeypatch.setattr(place, broken)
    else:
        monkeypatch.setattr(reconcile.judging, "assess", patched_assess(place, broken))
    pairs, wrong = PROPERTIES[which]
    quick = settings(max_examples=6000, derandomize=True, deadline=None, database=None, phases=[Phase.generate],
                     suppress_health_check=list(HealthCheck))  # fmt: skip
    try:
        find(pairs, wrong, settings=quick)
    except NoSuchExample:
        pytest.fail("the property does not see it")


def patched_assess(check: str, broken: Callable[[Any], Iterator[Part]]) -> Callable[[Any, str], Any]:
    """``assess`` with one check replaced."""
    from reconcile.verdicts import Verdict, assess

    def patched(case: Any, wanted: str) -> Any:
        return Verdict(check=check, parts=tuple(broken(case))) if wanted == check else assess(case, wanted)

    return patched


def brief_of_visit(visit: Visit) -> Brief:
    """The visit as tables."""
    steps = [(step, {name: value for name, value in content.items() if name != "calibration"})
             for step, content in visit["readings"]]  # fmt: skip
    appliance = {name: value for name, value in visit["appliance"].items() if value is not None}
    empty = dict.fromkeys(visit["appliance"])
    return make_brief(steps, stated=visit["stated"], appliance=empty | appliance, job={"work_type": visit["work_type"]})


@given(visit=visits() | sound_visits(), seed=st.integers(0, 2**32 - 1))
@settings(SOME, max_examples=12)
def test_the_order_of_rows_changes_nothing_on_any_visit(visit: Visit, seed: int) -> None:
    """Rows of every table in another order: the same checks, findings and certificates, to the last word."""
    brief = brief_of_visit(visit)
    first, second = judge(brief), judge(shuffled(brief, seed))
    for name in ("checks", "findings", "certificates"):
        pd.testing.assert_frame_equal(getattr(first, name), getattr(second, name))


def test_a_judging_that_looks_at_the_order_of_rows_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """Readings in the order in which they came in, not of their time: seen by the comparison above."""
    monkeypatch.setattr("reconcile.cases.order_key", always(0))
    brief = make_brief([*PLAIN_STEPS.items(), ("earth_loop", {"value": 42.0, "minute": 5.5})])
    outcomes = {judge(shuffled(brief, seed)).certificates["outcome"].tolist()[0] for seed in range(8)}
    assert len(outcomes) > 1
