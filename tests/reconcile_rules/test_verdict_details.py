"""What verdicts show beside their outcome: the governing reading, limits and their words, causes, retests."""

from __future__ import annotations

from dataclasses import replace
from math import exp
from typing import Any

import pytest
from scipy.stats import expon, halfnorm

from reconcile.pack import load_pack
from reconcile.uncertainty import half_width
from reconcile.verdicts import assess
from reconcile.verdicts.assessment import Part
from reconcile.verdicts.certainty import certainty
from reconcile.verdicts.loop_limit import breaker_limit_ohm, device_limit
from reconcile.verdicts.signatures import explain, half_normal, log_densities, score_patterns
from tests.reconcile_rules.cases_by_hand import accuracy_of, judge_case, make_case
from tests.reconcile_rules.making import PLAIN_STATED, PLAIN_STEPS, make_brief

PACK = load_pack()


def only_part(check: str, steps: dict[str, Any], **more: Any) -> Part:
    return assess(make_case(PLAIN_STEPS | steps, **more), check).parts[0]


@pytest.mark.parametrize("share", [0.0, 0.02, 0.3, 1.0])
def test_densities_agree_with_scipy(share: float) -> None:
    found = log_densities(share, (0.025, 0.05, 0.1))
    assert found["zero"] == pytest.approx(halfnorm.logpdf(share, scale=0.025))
    assert found["supply"] == pytest.approx(halfnorm.logpdf(1.0 - share, scale=0.05))
    assert found["drop"] == pytest.approx(expon.logpdf(share, scale=0.1))
    assert found["floating"] == 0.0
    assert half_normal(share, 2.0) == pytest.approx(halfnorm.logpdf(share, scale=2.0))


def test_causes_that_cannot_be_excluded_are_at_least_a_twentieth_as_likely() -> None:
    """Each pattern's likelihood beside that of the best, by scipy's densities; 5 % is the limit of the pack."""
    volts = (206.0, 236.0, 30.0)
    scores = score_patterns(volts, PACK)
    best = max(scores.values())
    likely = {pattern for pattern, score in scores.items() if 0.05 <= exp(score - best) < 1.0}
    found = explain(volts, isolated=False, pack=PACK)
    expected = {row["cause"] for row in PACK.signatures if tuple(row["pattern"]) in likely}
    assert expected
    assert set(found.also) == expected - {word for words in found.causes.values() for word in words}
    assert explain((231.0, 230.5, 0.6), isolated=False, pack=PACK).also == (
        "supply connected as it should be, with a load on the neutral",
    )


def test_the_limit_of_a_breaker_says_where_it_comes_from() -> None:
    found = device_limit(PACK, "B", 32.0)
    assert found.limit is not None
    assert (found.limit.id, found.limit.unit, found.limit.confirmed) == ("loop/B/32", "Ohm", "computed")
    assert found.limit.citation == ("BS 7671:2018+A2:2022 Table 41.3 by its formula, U0 x Cmin / Ia (computed from it)")
    assert found.value_ohm == pytest.approx(0.8 * 218.5 / 160.0)


def test_a_large_type_d_breaker_has_5_s() -> None:
    """Above 63 A: half the multiple, so twice the limit (from memory)."""
    large, small = device_limit(PACK, "D", 80.0), device_limit(PACK, "D", 63.0)
    assert large.limit is not None
    assert small.limit is not None
    at_once = breaker_limit_ohm(PACK, "D", 80.0, time_s="0.4")
    assert large.limit.value == pytest.approx(2.0 * at_once) == pytest.approx(218.5 / 800.0)
    assert small.limit.value == pytest.approx(218.5 / 1260.0)


def test_a_fuse_link_without_a_limit_takes_the_stricter_one_cold_as_well() -> None:
    found = device_limit(PACK, "BS1362", 5.0)
    assert found.value_ohm == pytest.approx(0.8 * 2.30)
    assert found.why == "no tabulated limit for 5 A, that of 13 A taken"
    assert device_limit(PACK, "BS1362", 2.0).value_ohm == pytest.approx(0.8 * 15.6)
    assert device_limit(PACK, "BS3036", 10.0).limit is None


def test_a_larger_fuse_than_asked_for_is_told_from_a_smaller_one() -> None:
    for fitted, why in (("13", "too large"), ("2", "too small")):
        part = only_part("fuse_rating", {}, stated={"fuse_rating_a": fitted, "required_fuse_rating_a": "3"})
        assert (part.why, part.value, part.limit_low, part.limit_high) == (why, float(fitted), 3.0, 3.0)
    unknown = only_part("fuse_rating", {}, stated={"fuse_rating_a": "3"})
    assert (unknown.shown_unit, unknown.limit_source) == ("A", None)
    nothing = only_part("fuse_rating", {}, stated={})
    assert (nothing.outcome, nothing.why, nothing.value) == ("not tested", "missing", None)


def test_metalwork_shows_the_proof_of_its_detector() -> None:
    alone = only_part("exposed_metalwork", {})
    assert alone.note == "no proof of the detector itself is recorded"
    assert alone.limit_source == "no voltage indicated"
    proved = only_part("exposed_metalwork", {"metalwork_proof_before": "present"})
    assert proved.note == ""
    assert len(proved.reading_ids) == 2


def test_the_metalwork_after_the_work_settles_the_voltages_after_the_work() -> None:
    fault = {"restored_ln": 0.4, "restored_le": 230.0, "restored_ne": 229.8}
    for metalwork, why in (({"restored_metalwork": "absent"}, "neutral_open"), ({}, "line_earth_reversed")):
        judged = judge_case(make_case(PLAIN_STEPS | fault | metalwork))
        assert [part.why for part in judged.assessed.parts("triple")] == ["", why]


@pytest.mark.parametrize("step", ["restored_metalwork", "restored_loop"])
def test_what_the_plan_asks_for_after_the_work_must_be_there(step: str) -> None:
    case = make_case()
    assert judge_case(case).outcomes["supply_restored"] == "satisfactory"
    asked = judge_case(replace(case, needs={**case.needs, step: "required"}))
    assert asked.outcomes["supply_restored"] == "inconclusive"
    assert {remark.code for remark in asked.remarks} == {"step_missing"}


def test_the_worst_of_the_dead_pairs_is_shown() -> None:
    part = only_part("proved_dead", {"dead_ln": 0.4, "dead_le": 2.0, "dead_ne": 1.0})
    assert part.reading is not None
    assert (part.reading.step, part.outcome) == ("dead_le", "satisfactory")
    over = only_part("proved_dead", {"dead_ln": {"reason": "over range"}, "dead_le": 2.0})
    assert over.reading is not None
    assert (over.reading.step, over.why) == ("dead_ln", "not_dead")
    zero = only_part("proved_dead", {"dead_le": 0.5})
    assert zero.reading is not None
    assert zero.reading.step == "dead_le"


def test_from_80_percent_of_the_supply_on_the_pattern_is_looked_at() -> None:
    at = only_part("proved_dead", {"dead_le": 184.0, "dead_ne": 184.0})
    assert (at.why, bool(at.causes)) == ("isolated_in_neutral", True)
    below = only_part("proved_dead", {"dead_le": 183.9, "dead_ne": 183.9})
    assert (below.why, below.causes) == ("not_dead", ())


@pytest.mark.parametrize(
    ("dead", "before", "told"),
    [
        ({"dead_le": 230.0, "dead_ne": 230.0}, {}, True),
        ({"dead_le": 230.0, "dead_ne": 230.0}, {"supply_ne": 20.0}, False),
        ({"dead_ln": 231.0, "dead_le": 230.6}, {}, False),
    ],
)
def test_a_supply_that_was_right_before_speaks_for_a_switch_in_the_neutral(
    dead: dict[str, Any], before: dict[str, Any], told: bool
) -> None:
    part = only_part("proved_dead", dead | before)
    assert bool(part.against) == told
    low = only_part("proved_dead", {"dead_ln": 206.0, "dead_le": 236.0, "dead_ne": 30.0})
    assert low.also


def test_a_better_insulation_after_a_bad_one_needs_a_reason() -> None:
    again = [*PLAIN_STEPS.items(), ("insulation", 2e5), ("insulation", 5e7)]
    assert assess(make_case(again), "insulation").retest == "unexplained"
    stated = {"connections_remade": "yes"}
    assert assess(make_case(again, stated=stated), "insulation").retest == "explained"
    assert assess(make_case(again), "insulation").parts[0].outcome == "satisfactory"


def test_digits_without_a_size_leave_no_specification() -> None:
    row = {"percent_of_reading": 5.0, "resolution": None, "range_low": None, "range_high": None}
    assert half_width(0.35, accuracy_of(row | {"digits": 1.0}), None) is None
    assert half_width(0.35, accuracy_of(row | {"digits": 0.0}), None) == pytest.approx(0.0175)


def test_a_part_without_a_limit_has_no_certainty() -> None:
    case = make_case(PLAIN_STEPS | {"load_current": 0.6}, appliance={"earthing": None})
    assert certainty(case, assess(case, "earth_fault_loop").parts[0]) is None
    assert certainty(case, assess(case, "exposed_metalwork").parts[0]) is None
    assert certainty(case, assess(case, "supply_voltage").parts[0]) is not None


def test_what_was_stated_is_shown() -> None:
    part = only_part("visual", {}, stated={"visual_condition": "damaged"})
    assert (part.indication, part.limit_source) == ("damaged", "no damage seen")
    assert only_part("visual", {}, stated={}).limit_source == "no damage seen"
    assert only_part("indicator_proved_after", {}).limit_source == "the indicator responds to a known source"


@pytest.mark.parametrize(
    "volts", [(206.0, 236.0, 30.0), (231.0, 120.0, 60.0), (100.0, 230.0, 140.0), (200.0, 60.0, 190.0)]
)
def test_less_likely_causes_by_scipy(volts: tuple[float, float, float]) -> None:
    largest = max(volts)
    by_word = {
        "zero": lambda share: halfnorm.logpdf(share, scale=0.025),
        "supply": lambda share: halfnorm.logpdf(1.0 - share, scale=0.05),
        "drop": lambda share: expon.logpdf(share, scale=0.1),
        "floating": lambda share: 0.0,
    }
    scores = {
        tuple(row["pattern"]): sum(
            by_word[word](volt / largest) for word, volt in zip(row["pattern"], volts, strict=True)
        )
        for row in PACK.signatures
    }
    best = max(scores.values())
    near = {pattern for pattern, score in scores.items() if 0.05 <= exp(score - best) < 1.0 - 1e-9}
    found = explain(volts, isolated=False, pack=PACK)
    named = {word for words in found.causes.values() for word in words}
    assert set(found.also) == {row["cause"] for row in PACK.signatures if tuple(row["pattern"]) in near} - named - {""}


def test_what_a_polarity_part_shows() -> None:
    """The governing reading is N-E, else L-E, else the indication; what three pairs cannot show is always said."""
    whole = only_part("supply_polarity", {})
    assert whole.reading is not None
    assert whole.reading.step == "supply_ne"
    assert whole.note.startswith("three pairs cannot show neutral and earth swapped")
    steps = {step: content for step, content in PLAIN_STEPS.items() if step != "supply_ne"}
    part = assess(make_case(steps), "supply_polarity").parts[0]
    assert part.reading is not None
    assert part.reading.step == "supply_le"


def test_the_limit_on_tt_is_in_ohm() -> None:
    part = only_part("earth_fault_loop", {"earth_loop": 42.0}, appliance={"earthing": "TT", "rcd_rated_ma": 30.0})
    assert part.high is not None
    assert (part.high.unit, round(part.high.value)) == ("Ohm", 1667)


@pytest.mark.parametrize(
    ("content", "told"), [(0.46, True), ({"value": 0.46, "comparator": "gt"}, False), (0.0, False)]
)
def test_a_short_circuit_current_only_from_a_number(content: Any, told: bool) -> None:
    note = only_part("earth_fault_loop", {"line_neutral_loop": content}).note
    assert ("prospective short-circuit current 500 A" in note) == told


def test_guarded_acceptance_looks_at_upper_limits_too() -> None:
    """1.8 ohm keeps 1.84 ohm behind a 13 A link, its expanded uncertainty of 0.14 ohm does not."""
    stated = {"fuse_rating_a": "13", "required_fuse_rating_a": "13"}
    for ohm, refuses in ((1.8, True), (1.0, False)):
        case = make_case(
            PLAIN_STEPS | {"earth_loop": ohm},
            appliance={"device_rating_a": 13.0},
            stated=PLAIN_STATED | stated,
            pack="bs7671-2018-a2-guarded.1",
        )
        judged = judge_case(case)
        assert (judged.outcome == "incomplete") == refuses
        assert any(remark.code == "within_uncertainty" and remark.blocks for remark in judged.remarks) == refuses


def test_a_plan_follows_the_kind_of_work_in_the_job_list() -> None:
    brief = make_brief(job={"work_type": "repair"}, appliance={"construction_class": "II"})
    needs = dict(zip(brief.plan["step"], brief.plan["need"], strict=True))
    assert needs["earth_continuity"] == "optional"
    assert needs["insulation"] == "optional"
    installed = make_brief(job={"work_type": "installation"}).plan
    assert dict(zip(installed["step"], installed["need"], strict=True))["insulation"] == "required"
    unknown = make_brief(job={"work_type": None}).plan
    assert dict(zip(unknown["step"], unknown["need"], strict=True))["dead_ln"] == "required"
