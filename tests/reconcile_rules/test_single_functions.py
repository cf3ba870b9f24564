"""Single functions of judging at their edges, where whole visits would not show a difference."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from itertools import product
from math import exp
from typing import Any

import pytest

from reconcile.case import Accuracy, Reading, order_key
from reconcile.judging import judge, required_checks, settle
from reconcile.pack import Limit, gather_limits, load_pack
from reconcile.plan import plan_needs
from reconcile.rule import Remark
from reconcile.uncertainty import find_accuracy, half_width
from reconcile.verdicts import Verdict, assess, checks_of_reading
from reconcile.verdicts.assessment import Part
from reconcile.verdicts.certainty import certainty
from reconcile.verdicts.compare import compare
from reconcile.verdicts.dead import came_first, minutes_apart
from reconcile.verdicts.signatures import explain, score_patterns
from reconcile.verdicts.supply import find_volts
from schemas.errors import InputError, ProfileError
from schemas.steps import STEP_ORDER
from tests.reconcile_rules.cases_by_hand import MINUTE_NS, judge_case, make_case
from tests.reconcile_rules.making import PLAIN_STEPS, make_brief

PACK = load_pack()


def reading(**fields: Any) -> Reading:
    """A reading of which only what matters is filled in."""
    return Reading(**({"reading_id": "r", "quantity": "voltage"} | fields))


def limit(value: float, source: str, unit: str = "V") -> Limit:
    return Limit(
        id=source, value=value, unit=unit, condition="", source=source, confirmed="primary", on=date(2031, 4, 2)
    )


@pytest.mark.parametrize(
    ("value", "low", "high", "answer"),
    [
        (-5.0, None, 5.0, "cannot tell"),
        (-5.1, None, 5.0, "fails"),
        (-5.0, None, None, "cannot tell"),
        (-5.0, 0.0, None, "cannot tell"),
        (-5.0, 0.5, None, "fails"),
        (-5.0, 0.0, 4.0, "fails"),
        (5.0, None, 5.0, "passes"),
        (5.0, 5.0, None, "passes"),
        (5.0, 5.0, 5.0, "passes"),
    ],
)
def test_a_number_at_and_below_its_limits(value: float, low: float | None, high: float | None, answer: str) -> None:
    assert compare(reading(value=value, comparator="eq"), low=low, high=high) == answer


def test_a_step_without_conductors_takes_a_reading_that_names_some() -> None:
    metal = reading(quantity="non_contact_voltage", step="metalwork", conductors="L-E")
    assert metal.fits_step
    assert not reading(step="supply_ln", conductors="L-E").fits_step
    assert reading(step="supply_ln").fits_step
    assert not reading().fits_step


def test_a_rating_below_one_is_a_number_and_zero_is_none() -> None:
    assert make_case({}, stated={"fuse_rating_a": "0.5"}).says_number("fuse_rating_a") == 0.5
    assert make_case({}, stated={"fuse_rating_a": "0"}).says_number("fuse_rating_a") is None
    assert make_case({}, stated={}).says_number("fuse_rating_a") is None


def test_readings_of_one_time_are_ordered_by_their_number_before_their_place() -> None:
    numbered = [reading(memory_no=number, record_no=-(number or 0)) for number in (0, 1, 2)]
    assert sorted(numbered, key=order_key) == numbered
    unknown = reading(record_no=9)
    assert sorted([numbered[1], unknown], key=order_key) == [unknown, numbered[1]]


def test_one_time_for_two_records_leaves_the_order_to_their_numbers() -> None:
    first, second = (reading(taken_at_ns=5, memory_no=number, record_no=number) for number in (1, 2))
    assert came_first(first, second) is True
    assert came_first(second, first) is False
    assert came_first(second, replace(second, record_no=7)) is False, "one number for two records tells no order"
    assert came_first(first, reading(memory_no=2, record_no=2)) is True, "one has no time, the numbers decide"
    assert came_first(first, reading(record_no=2)) is None


def test_the_time_between_two_readings_needs_times_or_one_clock() -> None:
    one = reading(meter_time_ns=0, meter_serial="M", evidence_sha256="a", record_no=1)
    other = reading(meter_time_ns=2 * MINUTE_NS, meter_serial="M", evidence_sha256="a", record_no=2)
    assert minutes_apart(one, other) == 2.0
    assert minutes_apart(one, replace(other, evidence_sha256="b")) is None
    assert minutes_apart(one, replace(other, meter_serial="N")) is None
    assert minutes_apart(one, replace(other, meter_time_ns=None)) is None
    assert minutes_apart(replace(one, meter_time_ns=None), other) is None
    timed = replace(one, taken_at_ns=0), replace(other, taken_at_ns=3 * MINUTE_NS)
    assert minutes_apart(*timed) == 3.0
    assert minutes_apart(timed[0], other) == 2.0


def test_limits_from_two_sources_name_both() -> None:
    part = Part(check="visual", kind="visual", outcome="satisfactory", low=limit(1.0, "A"), high=limit(2.0, "B"))
    assert part.limit_source == "A (read in the source); B (read in the source)"
    assert replace(part, low=None, high=None).limit_source is None
    assert replace(part, low=None, high=None, accepts="words").limit_source == "words"


def test_the_unit_is_that_of_the_reading_then_of_the_part_then_of_a_limit() -> None:
    part = Part(check="visual", kind="visual", outcome="satisfactory", low=limit(1.0, "A", "A"))
    assert part.shown_unit == "A"
    assert replace(part, high=limit(1.0, "B", "V")).shown_unit == "V"
    assert replace(part, low=None).shown_unit is None
    assert replace(part, unit="s").shown_unit == "s"
    assert replace(part, unit="s", reading=reading(unit="Ohm")).shown_unit == "Ohm"
    assert replace(part, unit="s", reading=reading()).shown_unit == "s"


def test_a_danger_or_defect_fails_a_check_whatever_its_verdict_is() -> None:
    verdict = Verdict(check="visual", parts=(Part(check="visual", kind="visual", outcome="satisfactory"),))
    told = {
        code: settle("visual", verdict, [Remark(code=code, message="", action="", checks=("visual",))])
        for code in ("not_dead", "earth_loop_high", "reading_implausible", "retest")
    }
    assert list(told.values()) == ["unsatisfactory", "unsatisfactory", "inconclusive", "satisfactory"]
    elsewhere = [Remark(code="not_dead", message="", action="", checks=("rcd",))]
    assert settle("visual", verdict, elsewhere) == "satisfactory"


def test_what_is_required_is_what_the_plan_of_the_appliance_requires() -> None:
    case = make_case({}, needs={"insulation": "required", "rcd_trip": "optional"})
    assert "insulation" in required_checks(case)
    assert "supply_voltage" not in required_checks(case)
    assert "rcd" not in required_checks(case)
    inspection = make_case({}, needs={}, work_type="inspection")
    unknown = replace(inspection, appliance=replace(inspection.appliance, work_type=None))
    assert required_checks(unknown) == required_checks(make_case({}, needs={}, work_type="service"))
    assert required_checks(inspection) != required_checks(unknown)


def test_the_judged_tables_name_their_pack_and_pass_a_day_without_a_remark() -> None:
    judged = judge(make_brief(PLAIN_STEPS))
    assert judged.rule_pack == "bs7671-2018-a2.1"
    assert judged.findings.empty
    assert judged.certificates["outcome"].tolist() == ["satisfactory"]


def test_digits_count_only_where_the_specification_has_some() -> None:
    plain = Accuracy(percent_of_reading=2.0, digits=0.0, resolution=None, range_low=None, range_high=None)
    assert half_width(50.0, plain, None) == 1.0
    assert half_width(50.0, replace(plain, digits=1.0), None) is None
    assert half_width(50.0, replace(plain, digits=1.0), 0.5) == 1.5
    assert half_width(50.0, replace(plain, digits=1.0, resolution=0.1), 0.5) == 1.1


def test_a_reading_of_no_known_meter_has_no_specification() -> None:
    plain = Accuracy(percent_of_reading=2.0, digits=0.0, resolution=None, range_low=None, range_high=None)
    assert find_accuracy(reading(value=1.0), {("M", "voltage"): (plain,)}) is None
    assert find_accuracy(reading(value=1.0, meter_serial="M"), {("M", "voltage"): (plain,)}) is plain
    assert find_accuracy(reading(meter_serial="M"), {("M", "voltage"): (plain,)}) is None


def test_a_reading_without_a_limit_has_no_probability() -> None:
    case = make_case(PLAIN_STEPS | {"rcd_trip": {"value": 0.1, "rcd_multiple": 0.5}})
    part = assess(case, "rcd").parts[0]
    assert part.reading is not None
    assert part.high is None
    assert certainty(case, part) is None
    over = make_case(PLAIN_STEPS | {"earth_loop": {"reason": "over range"}})
    assert certainty(over, assess(over, "earth_fault_loop").parts[0]) is None


def test_a_reading_that_does_not_fit_its_step_bears_on_every_step_that_measures_the_same() -> None:
    odd = reading(step="metalwork", quantity="earth_fault_loop_impedance")
    assert set(checks_of_reading(odd)) == {"earth_fault_loop", "supply_restored"}
    assert checks_of_reading(replace(odd, step="restored_loop")) == ("supply_restored",)


def test_a_bound_above_no_indication_does_not_prove_a_pair_dead() -> None:
    judged = judge_case(make_case(PLAIN_STEPS | {"dead_le": {"value": 10.0, "comparator": "lt"}}))
    assert judged.outcomes["proved_dead"] == "inconclusive"
    assert judged.assessed.verdicts["proved_dead"].parts[0].why == "pair missing"


def test_a_retest_is_in_order_where_another_step_of_the_check_has_no_time() -> None:
    """Only steps that were tested twice need an order among themselves."""
    steps = [*PLAIN_STEPS.items(), ("supply_le", {"value": 231.0, "minute": 3.5})]
    changed = [(step, {"value": 0.6, "taken_at_ns": None} if step == "supply_ne" else content)
               for step, content in steps]  # fmt: skip
    changed = [(step, {"value": 0.5} if step == "supply_le" and content == 230.5 else content)
               for step, content in changed]  # fmt: skip
    verdict = assess(make_case(changed, stated={"connections_remade": "yes"}), "supply_polarity")
    assert (verdict.retest, verdict.outcome) == ("explained", "satisfactory")


def test_a_pair_over_the_range_is_shown_before_one_with_a_number() -> None:
    steps = PLAIN_STEPS | {"dead_ln": 230.0, "dead_le": {"reason": "over range"}}
    shown = assess(make_case(steps), "proved_dead").parts[0].reading
    assert shown is not None
    assert shown.step == "dead_le"


def test_continuity_that_was_bad_before_it_was_good_is_asked_about() -> None:
    steps = [*PLAIN_STEPS.items(), ("earth_continuity", {"value": 3.0, "minute": 40}), ("earth_continuity", 0.1)]
    steps = [(step, {"value": 0.1, "minute": 50} if content == 0.1 else content) for step, content in steps]
    verdict = assess(make_case(steps), "earth_continuity")
    assert (verdict.retest, verdict.outcome) == ("unexplained", "satisfactory")
    assert [one.value for one in verdict.earlier] == [3.0]


@pytest.mark.parametrize(
    ("content", "found"),
    [
        ({"value": 0.005}, ("inconclusive", "implausibly low")),
        ({"value": 0.3}, ("inconclusive", "doubtful")),
        ({"value": 0.3, "comparator": "lt"}, ("inconclusive", "no number")),
        ({"value": -0.3}, ("inconclusive", "no number")),
        ({"value": 1.0}, ("inconclusive", "doubtful")),
        ({"value": 0.1, "conductors": "R1R2"}, ("inconclusive", "not to the case")),
        ({"reason": "unstable"}, ("not tested", "missing")),
    ],
)
def test_continuity_between_its_limits(content: dict[str, Any], found: tuple[str, str]) -> None:
    part = assess(make_case(PLAIN_STEPS | {"earth_continuity": content}), "earth_continuity").parts[0]
    assert (part.outcome, part.why) == found


def test_the_worst_insulation_governs_and_of_equal_ones_the_lowest() -> None:
    ohms = {"L-E": 8e6, "N-E": 5e6, "L-N": 9e6}
    measured = [("insulation", {"value": value, "conductors": pair}) for pair, value in ohms.items()]
    steps: list[tuple[str, Any]] = [*PLAIN_STEPS.items(), *measured]
    part = assess(make_case(steps), "insulation").parts[0]
    assert part.reading is not None
    assert (part.outcome, part.reading.value) == ("satisfactory", 5e6)
    steps += [("insulation", {"value": 2e7, "conductors": "LN-E", "test_voltage_v": 50.0})]
    part = assess(make_case(steps), "insulation").parts[0]
    assert part.reading is not None
    assert (part.outcome, part.why, part.reading.value) == ("inconclusive", "test voltage", 2e7)


def test_all_pairs_again_after_one_was_live_are_proved_dead_for_a_stated_reason() -> None:
    steps = [*PLAIN_STEPS.items(), ("dead_ln", {"value": 230.0, "minute": 6.5})]
    verdict = assess(make_case(steps, stated={"connections_remade": "yes"}), "proved_dead")
    assert (verdict.retest, verdict.outcome) == ("explained", "satisfactory")


def test_insulation_over_the_range_is_not_shown_before_a_number() -> None:
    steps = [*PLAIN_STEPS.items(), ("insulation", {"value": 8e6, "conductors": "L-E"}),
             ("insulation", {"reason": "over range", "conductors": "N-E"})]  # fmt: skip
    part = assess(make_case(steps), "insulation").parts[0]
    assert part.reading is not None
    assert (part.outcome, part.reading.value) == ("satisfactory", 8e6)


@pytest.mark.parametrize(
    ("content", "construction_class", "found"),
    [
        ({"reason": "over range"}, None, ("satisfactory", "")),
        ({"reason": "over range", "meter_serial": "unknown"}, None, ("inconclusive", "no number")),
        ({"value": 1.5e6}, None, ("inconclusive", "class unknown")),
        ({"value": 1.5e6}, "I", ("satisfactory", "")),
        ({"value": 1.5e6, "comparator": "gt", "test_voltage_v": 100.0}, "I", ("inconclusive", "test voltage")),
        ({"value": 9e5, "comparator": "gt"}, "I", ("inconclusive", "no number")),
    ],
)
def test_insulation_by_class_and_range(
    content: dict[str, Any], construction_class: str | None, found: tuple[str, str]
) -> None:
    case = make_case(PLAIN_STEPS | {"insulation": content}, appliance={"construction_class": construction_class})
    part = assess(case, "insulation").parts[0]
    assert (part.outcome, part.why) == found


def test_the_test_currents_of_an_rcd_are_listed_from_the_smallest_the_unknown_first() -> None:
    times = [(5.0, 0.02), (None, 0.03), (1.0, 0.025), (0.5, None)]
    steps: list[tuple[str, Any]] = [*PLAIN_STEPS.items()]
    steps += [("rcd_trip", {"value": value, "rcd_multiple": multiple} if value else
               {"value": 2.0, "comparator": "gt", "rcd_multiple": multiple}) for multiple, value in times]  # fmt: skip
    parts = assess(make_case(steps), "rcd").parts
    assert [part.reading and part.reading.rcd_multiple for part in parts] == [None, 0.5, 1.0, 5.0]
    assert {part.outcome for part in parts} == {"satisfactory"}


def test_an_rcd_that_is_asked_for_and_not_tested_is_missing() -> None:
    part = assess(make_case({}, needs={"rcd_trip": "required"}), "rcd").parts[0]
    assert (part.outcome, part.why) == ("not tested", "missing")


@pytest.mark.parametrize(("value", "why"), [(0.0, "implausibly short"), (-0.1, "no number"), (-0.5, "slow")])
def test_a_trip_time_of_nothing_or_less_is_none(value: float, why: str) -> None:
    steps = PLAIN_STEPS | {"rcd_trip": {"value": value, "rcd_multiple": 1.0}}
    assert assess(make_case(steps), "rcd").parts[0].why == why


def test_a_fuse_that_nobody_is_named_for_is_said_to_be_so() -> None:
    case = make_case(PLAIN_STEPS)
    stated = {item: (replace(rows[0], by=None),) for item, rows in case.attested.items()}
    part = assess(replace(case, attested=stated), "fuse_rating").parts[0]
    assert part.limit_source == "maker's instructions, as stated by a person not named (common practice)"


@pytest.mark.parametrize(
    ("value", "comparator", "volts"),
    [
        (5.0, "lt", 5.0),
        (5.1, "lt", None),
        (0.0, "eq", 0.0),
        (-1.0, "eq", None),
        (300.0, "gt", 300.0),
        (40.0, "gt", None),
    ],
)
def test_the_voltage_that_a_bound_stands_for(value: float, comparator: str, volts: float | None) -> None:
    assert find_volts(make_case({}), reading(value=value, comparator=comparator)) == volts
    least = PACK.number("supply_present")
    assert find_volts(make_case({}), reading(value=least, comparator="gt")) == least
    assert find_volts(make_case({}), reading(comparator=comparator)) is None
    assert find_volts(make_case({}), None) is None


@pytest.mark.parametrize(("volts", "outcome"), [(253.0, "satisfactory"), (253.1, "unsatisfactory")])
def test_a_supply_at_and_above_its_band(volts: float, outcome: str) -> None:
    case = make_case(PLAIN_STEPS | {"supply_ln": volts, "supply_le": volts, "supply_ne": 0.5})
    assert assess(case, "supply_voltage").outcome == outcome


@pytest.mark.parametrize("isolated", [True, False])
def test_what_is_not_excluded_is_told_once_and_in_words(isolated: bool) -> None:
    """Causes that fit less well: never one that is named already, never an empty one, and the likely ones are there."""
    levels, seen = (0.0, 3.0, 12.0, 30.0, 60.0, 115.0, 180.0, 206.0, 220.0, 236.0), set()
    cause = "cause_isolated" if isolated else "cause"
    for volts in product(levels, repeat=3):
        if max(volts) == 0.0:
            continue
        found = explain(volts, isolated=isolated, pack=PACK)
        named = {word for words in found.causes.values() for word in words}
        scores = score_patterns(volts, PACK)
        best = max(scores.values())
        near = {pattern for pattern, score in scores.items() if 0.05 <= exp(score - best) < 1.0}
        expected = {row[cause] for row in PACK.signatures if tuple(row["pattern"]) in near} - named - {""}
        assert set(found.also) == expected, volts
        assert len(found.also) == len(expected)
        seen |= expected
    assert seen


def polarity(**changes: Any) -> Part:
    """The polarity before the work with some of its readings changed or, as None, left out."""
    steps = {step: content for step, content in (PLAIN_STEPS | changes).items() if content is not None}
    return assess(make_case(steps), "supply_polarity").parts[0]


def test_the_reading_shown_for_polarity_is_the_last_pair_there_is() -> None:
    shown = [
        polarity().reading,
        polarity(supply_ne=None).reading,
        polarity(supply_ne=None, supply_polarity="correct").reading,
        polarity(supply_ne=None, supply_le=None, supply_polarity="correct").reading,
        polarity(supply_ne=None, supply_le=None).reading,
    ]
    assert [one and one.step for one in shown] == ["supply_ne", "supply_le", "supply_le", "supply_polarity", None]


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"supply_ln": 0.0, "supply_le": 0.0, "supply_ne": 0.0}, "no supply"),
        ({"supply_ln": 12.0, "supply_le": 12.0, "supply_ne": 0.2}, "no supply"),
        ({"supply_ln": 49.0, "supply_le": 0.1, "supply_ne": 49.0}, "no supply"),
        ({"supply_ln": None, "supply_le": None, "supply_ne": None, "supply_polarity": "correct"}, "pair missing"),
        ({"supply_polarity": "fault"}, "indication disagrees"),
        ({"supply_polarity": "correct"}, ""),
    ],
)
def test_three_pairs_that_show_no_fault(changes: dict[str, Any], why: str) -> None:
    part = polarity(**changes)
    assert (part.why, part.outcome) == (why, "inconclusive" if why else "satisfactory")


def test_a_supply_is_there_from_the_limit_on() -> None:
    least = PACK.number("supply_present")
    assert polarity(supply_ln=least, supply_le=least, supply_ne=0.0).why == ""
    assert polarity(supply_ln=least - 0.1, supply_le=least - 0.1, supply_ne=0.0).why == "no supply"


def test_three_pairs_at_their_limits() -> None:
    least = PACK.number("triangle_tolerance")
    assert polarity(supply_ln=231.0, supply_le=231.0 - least, supply_ne=0.0).why == ""
    assert polarity(supply_ln=231.0, supply_le=230.9 - least, supply_ne=0.0).why == "triangle"
    assert polarity(supply_ln=231.0, supply_le=231.0, supply_ne=PACK.number("neutral_earth_high")).why == ""
    assert polarity(supply_ln=None).why == "pair missing"
    assert polarity(supply_le=None).why == "pair missing"
    assert polarity(supply_ne=None).why == "pair missing"


@pytest.mark.parametrize(
    ("earthing", "rcd_rated_ma", "ohm", "why"),
    [("TN-C-S", None, 0.05, ""), ("TN-C-S", None, 0.049, "implausibly low"), ("TN-C-S", None, 1.86, ""),
     ("TN-C-S", None, 1.87, "unlikely"), ("TN-S", None, 2.31, ""), ("TN-S", None, 2.32, "unlikely"),
     ("TT", 30.0, 1.0, ""), ("TT", 30.0, 0.99, "unlikely")],
)  # fmt: skip
def test_a_loop_at_what_its_supply_makes_likely(
    earthing: str, rcd_rated_ma: float | None, ohm: float, why: str
) -> None:
    case = make_case(PLAIN_STEPS | {"earth_loop": ohm}, appliance={"earthing": earthing, "rcd_rated_ma": rcd_rated_ma})
    assert assess(case, "earth_fault_loop").parts[0].why == why


def test_a_pack_says_what_it_is_and_which_others_there_are() -> None:
    found = load_pack("bs7671-2018-a2.1")
    assert (found.name, found.edition) == ("bs7671-2018-a2.1", "BS 7671:2018+A2:2022")
    assert found.title == "BS 7671:2018 with amendment 2, judged cold, simple acceptance"
    with pytest.raises(InputError) as caught:
        load_pack("none")
    assert caught.value.advice == "one of: bs7671-2008.1, bs7671-2018-a2-guarded.1, bs7671-2018-a2.1"
    for look, words in ((found.limit, "has no limit 'none'"), (found.setting, "has no setting 'none'")):
        with pytest.raises(ProfileError, match=f"rule pack bs7671-2018-a2.1 {words}"):
            look("none")


def test_a_limit_that_says_too_little_is_told_with_its_place() -> None:
    row = {"id": "x", "value": 1.0, "unit": "V", "condition": "", "source": "", "confirmed": "hearsay", "on": ""}
    with pytest.raises(ProfileError) as caught:
        gather_limits({"some.toml": {"limit": [row]}})
    assert caught.value.where == "some.toml, x"
    assert caught.value.advice == "one of: primary, secondary, memory, practice, computed, policy"
    with pytest.raises(ProfileError) as caught:
        gather_limits({"some.toml": {"limit": [{"id": "x"}]}})
    assert caught.value.where == "some.toml, x"
    assert "missing 6 required keyword-only arguments" in (caught.value.seen or "")
    with pytest.raises(ProfileError) as caught:
        gather_limits({"some.toml": {"limit": [row | {"confirmed": "memory"}] * 2}})
    assert caught.value.where == "some.toml"


@pytest.mark.parametrize(
    ("changes", "step", "need"),
    [
        ({}, "earth_continuity", "required"),
        ({"construction_class": "I"}, "earth_continuity", "required"),
        ({"construction_class": "II"}, "earth_continuity", "optional"),
        ({}, "rcd_trip", "optional"),
        ({"has_rcd": True}, "rcd_trip", "required"),
        ({"earthing": "TT"}, "rcd_trip", "required"),
        ({"earthing": "TN-S"}, "rcd_trip", "optional"),
        ({}, "insulation", "required"),
        ({}, "load_current", "optional"),
    ],
)
def test_what_an_installation_asks_for(changes: dict[str, Any], step: str, need: str) -> None:
    asked = {"construction_class": None, "has_rcd": False, "earthing": None} | changes
    needs = plan_needs(PACK.plans["installation"], **asked)
    assert needs[step] == need
    assert list(needs) == sorted(needs, key=STEP_ORDER.__getitem__)
    assert set(needs.values()) == {"required", "optional"}
