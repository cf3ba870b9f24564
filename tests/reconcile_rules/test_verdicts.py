"""Verdicts of single checks in corners that the named cases do not reach."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from reconcile.case import Accuracy, Reading
from reconcile.pack import load_pack
from reconcile.rule import Remark
from reconcile.verdicts import assess, checks_of_reading
from reconcile.verdicts.compare import bounds, compare
from reconcile.verdicts.signatures import explain
from reconcile.wording import capital, show, show_limit, show_value, title
from schemas.steps import STEPS
from tests.reconcile_rules.cases_by_hand import judge_case, make_case
from tests.reconcile_rules.making import METER, PLAIN_STEPS

PACK = load_pack()


def outcome(check: str, steps: dict[str, Any], **more: Any) -> tuple[str, set[str]]:
    judged = judge_case(make_case(PLAIN_STEPS | steps, **more))
    return judged.outcomes[check], {remark.code for remark in judged.remarks}


def number(value: float | None, comparator: str | None) -> Reading:
    return Reading(reading_id="r", quantity="voltage", value=value, comparator=comparator)


@pytest.mark.parametrize(
    ("value", "comparator", "low", "high", "answer"),
    [
        (5.0, "eq", None, 5.0, "passes"),
        (5.0, "eq", 5.0, None, "passes"),
        (5.1, "eq", None, 5.0, "fails"),
        (4.9, "eq", 5.0, None, "fails"),
        (5.0, "eq", 4.0, 6.0, "passes"),
        (5.0, "gt", 5.0, None, "passes"),
        (5.0, "gt", None, 5.0, "fails"),
        (4.9, "gt", None, 5.0, "cannot tell"),
        (4.9, "gt", 5.0, None, "cannot tell"),
        (5.0, "gt", 4.0, 6.0, "cannot tell"),
        (7.0, "gt", 4.0, 6.0, "fails"),
        (5.0, "lt", None, 5.0, "passes"),
        (5.0, "lt", 5.0, None, "fails"),
        (5.1, "lt", 5.0, None, "cannot tell"),
        (5.1, "lt", None, 5.0, "cannot tell"),
        (None, None, None, 5.0, "cannot tell"),
        (5.0, "eq", None, None, "passes"),
    ],
)
def test_a_bound_shows_one_side_only(
    value: float | None, comparator: str | None, low: float | None, high: float | None, answer: str
) -> None:
    assert compare(number(value, comparator), low=low, high=high) == answer


def test_bounds() -> None:
    assert bounds(5.0, "eq") == (5.0, 5.0)
    assert bounds(5.0, "lt") == (0.0, 5.0)
    assert bounds(5.0, "gt") == (5.0, float("inf"))


@pytest.mark.parametrize(
    ("volts", "isolated", "code"),
    [
        ((230.0, 0.0, 230.0), False, "line_neutral_reversed"),
        ((0.0, 230.0, 230.0), False, "line_earth_reversed"),
        ((60.0, 230.0, 170.0), False, "neutral_open"),
        ((230.0, 95.0, 135.0), False, "earth_open"),
        ((230.0, 115.0, 115.0), False, "earth_open"),
        ((0.0, 0.0, 230.0), False, "line_neutral_reversed"),
        ((0.0, 230.0, 230.0), True, "isolated_in_neutral"),
        ((60.0, 230.0, 170.0), True, "isolated_in_neutral"),
        ((230.0, 230.0, 1.0), True, "not_dead"),
        ((230.0, 0.0, 230.0), True, "not_dead"),
        ((0.0, 0.0, 230.0), True, "not_dead"),
        ((230.0, 100.0, 130.0), True, "not_dead"),
        ((None, 230.0, None), True, "not_dead"),
        ((230.0, 0.0, None), False, "earth_open"),
    ],
)
def test_signatures(volts: tuple[float | None, float | None, float | None], isolated: bool, code: str) -> None:
    """The table of fault signatures (common practice, circuit reasoning), at 230 V."""
    assert explain(volts, isolated=isolated, pack=PACK).governing() == code


@pytest.mark.parametrize("scale", [0.5, 1.0, 1.15])
@pytest.mark.parametrize("volts", [(230.0, 229.0, 1.0), (224.0, 232.0, 9.0)])
def test_the_right_pattern_is_told_at_any_supply_voltage(volts: tuple[float, float, float], scale: float) -> None:
    line_neutral, line_earth, neutral_earth = (volt * scale for volt in volts)
    found = explain((line_neutral, line_earth, neutral_earth), isolated=False, pack=PACK)
    assert found.is_normal
    assert set(found.causes) == {""}


def test_what_cannot_be_separated_is_named() -> None:
    found = explain((0.2, 231.0, 230.5), isolated=False, pack=PACK)
    assert found.words()[0].startswith("line and earth swapped")
    assert len(found.words()) == 4
    assert found.without("line_earth_reversed").governing() == "neutral_open"
    near = explain((214.0, 235.0, 21.0), isolated=False, pack=PACK)
    assert near.is_normal
    assert "neutral open, nothing connected" in explain((206.0, 236.0, 30.0), isolated=False, pack=PACK).also


@pytest.mark.parametrize(
    ("steps", "more", "found"),
    [
        ({"earth_loop": {"value": 0.35, "comparator": "lt"}}, {}, ("satisfactory", set())),
        ({"earth_loop": {"value": 0.0}}, {}, ("inconclusive", {"reading_implausible"})),
        ({"earth_loop": {"value": 12.0, "comparator": "gt"}}, {}, ("inconclusive", {"step_missing"})),
        ({"earth_loop": {"value": 12.48, "comparator": "gt"}}, {}, ("unsatisfactory", {"earth_open"})),
        ({"earth_loop": {"value": 1000.0, "comparator": "gt"}}, {"appliance": {"earthing": None}},
         ("inconclusive", {"earthing_unknown"})),
        ({"earth_loop": {"value": 1000.0, "comparator": "lt"}}, {"appliance": {"earthing": "TT", "rcd_rated_ma": 30.0}},
         ("inconclusive", {"step_missing"})),
        ({"line_neutral_loop": 0.4}, {}, ("satisfactory", set())),
        ({"line_neutral_loop": {"value": 0.4, "comparator": "lt"}}, {}, ("satisfactory", set())),
    ],
)  # fmt: skip
def test_loop_corners(steps: dict[str, Any], more: dict[str, Any], found: tuple[str, set[str]]) -> None:
    assert outcome("earth_fault_loop", steps, **more) == found


@pytest.mark.parametrize(
    ("appliance", "note"),
    [
        ({"device_rating_a": 5.0}, "no tabulated limit for 5 A, that of 13 A taken; limit taken at 0.8 of 2.3 ohm "
        "for cold conductors; prospective earth fault current 657 A"),
        ({"earthing": "TT", "rcd_rated_ma": 30.0}, "prospective earth fault current 657 A"),
        ({"earthing": None}, "prospective earth fault current 657 A"),
        ({"device": "B", "device_rating_a": 32.0}, "limit taken at 0.8 of 1.366 ohm for cold conductors; "
        "prospective earth fault current 657 A"),
    ],
)  # fmt: skip
def test_the_note_of_a_loop_tells_how_its_limit_was_chosen(appliance: dict[str, Any], note: str) -> None:
    (part,) = assess(make_case(appliance=appliance), "earth_fault_loop").parts
    assert part.note == note
    assert (
        assess(make_case(PLAIN_STEPS | {"earth_loop": {"value": 0.35, "comparator": "lt"}}), "earth_fault_loop")
        .parts[0]
        .note
        == "limit taken at 0.8 of 15.6 ohm for cold conductors"
    )


def test_pairs_are_tested_again_after_one_was_over_range() -> None:
    """L-E over range first, then dead; L-N, tested before that, counts for nothing any more."""
    steps = [*(PLAIN_STEPS | {"dead_le": {"reason": "over range"}}).items(), ("dead_le", 0.0)]
    judged = judge_case(make_case(steps, stated={"connections_remade": "yes"}))
    assert judged.outcomes["proved_dead"] == "inconclusive"
    assert "pair_not_tested" in {remark.code for remark in judged.remarks}
    (dead,) = judged.assessed.parts("dead")
    assert dead.why == "not all again"


def test_both_prospective_currents_are_noted() -> None:
    case = make_case(PLAIN_STEPS | {"line_neutral_loop": 0.4})
    (part,) = assess(case, "earth_fault_loop").parts
    assert part.note == (
        "limit taken at 0.8 of 15.6 ohm for cold conductors; prospective earth fault current 657 A; prospective "
        "short-circuit current 575 A"
    )
    assert len(part.reading_ids) == 2
    other = make_case(PLAIN_STEPS | {"line_neutral_loop": {"reason": "noise"}})
    assert "short-circuit" not in assess(other, "earth_fault_loop").parts[0].note


@pytest.mark.parametrize(
    ("steps", "found"),
    [
        ({"rcd_trip": {"value": 0.2, "comparator": "gt", "rcd_multiple": 1.0}}, ("inconclusive", {"step_missing"})),
        ({"rcd_trip": {"value": 0.3, "comparator": "gt", "rcd_multiple": 1.0}}, ("unsatisfactory", {"rcd_no_trip"})),
        ({"rcd_trip": {"value": 0.04, "comparator": "lt", "rcd_multiple": 5.0}}, ("satisfactory", set())),
        ({"rcd_trip": {"value": 0.35}}, ("unsatisfactory", {"rcd_slow"})),
        ({"rcd_trip": {"value": 0.03, "rcd_multiple": 3.0}}, ("satisfactory", set())),
        ({"rcd_trip": {"value": 0.1, "rcd_multiple": 3.0}}, ("inconclusive", {"step_missing"})),
        ({"rcd_trip": {"value": 0.16, "rcd_multiple": 2.0}}, ("unsatisfactory", {"rcd_slow"})),
        ({"rcd_trip": {"reason": "noise"}}, ("not applicable", set())),
    ],
)
def test_rcd_corners(steps: dict[str, Any], found: tuple[str, set[str]]) -> None:
    assert outcome("rcd", steps, appliance={"rcd_rated_ma": 30.0}) == found


def test_each_test_current_of_an_rcd_counts() -> None:
    """28 ms at five times and 420 ms at once the rated current: the slow one fails, whichever came last."""
    for multiples in ((1.0, 5.0), (5.0, 1.0)):
        times = {1.0: 0.42, 5.0: 0.028}
        again = [("rcd_trip", {"value": times[multiple], "rcd_multiple": multiple}) for multiple in multiples]
        judged = judge_case(make_case([*PLAIN_STEPS.items(), *again], appliance={"rcd_rated_ma": 30.0}))
        assert judged.outcomes["rcd"] == "unsatisfactory"


@pytest.mark.parametrize(
    ("readings", "found"),
    [
        ([{"value": 5e7, "conductors": "L-E"}, {"value": 5e7, "conductors": "N-E"}], "satisfactory"),
        ([{"value": 5e7, "conductors": "LN-E"}, {"value": 2e5, "conductors": "N-E"}], "unsatisfactory"),
        ([{"value": 5e7, "conductors": "L-N"}], "inconclusive"),
        ([{"value": 1e6, "comparator": "gt"}], "satisfactory"),
        ([{"value": 5e5, "comparator": "gt"}], "inconclusive"),
        ([{"value": 5e7, "test_voltage_v": 250.0}], "satisfactory"),
        ([{"value": 5e7, "test_voltage_v": 249.0}], "inconclusive"),
        ([{"reason": "over range"}], "satisfactory"),
        ([{"reason": "over range", "meter_serial": "X"}], "inconclusive"),
    ],
)
def test_insulation_corners(readings: list[dict[str, Any]], found: str) -> None:
    """Joined live conductors, or both by themselves; over range counts where the register tells how far it reads."""
    case = make_case([*PLAIN_STEPS.items(), *(("insulation", reading) for reading in readings)])
    assert judge_case(case).outcomes["insulation"] == found


def test_the_lowest_insulation_is_shown() -> None:
    case = make_case([*PLAIN_STEPS.items(), ("insulation", {"value": 9e7, "conductors": "L-E"}),
                      ("insulation", {"value": 5e7, "conductors": "N-E"})])  # fmt: skip
    (part,) = assess(case, "insulation").parts
    assert part.reading is not None
    assert part.reading.value == 5e7


@pytest.mark.parametrize(
    ("value", "comparator", "found"),
    [
        (0.18, "lt", ("satisfactory", set())),
        (0.5, "lt", ("inconclusive", {"step_missing"})),
        (0.5, "gt", ("inconclusive", {"step_missing"})),
        (0.5, "eq", ("inconclusive", {"earth_continuity_doubtful"})),
        (1.0, "gt", ("unsatisfactory", {"earth_continuity_high"})),
    ],
)
def test_continuity_bounds(value: float, comparator: str, found: tuple[str, set[str]]) -> None:
    assert outcome("earth_continuity", {"earth_continuity": {"value": value, "comparator": comparator}}) == found


@pytest.mark.parametrize(
    ("stated", "check", "found"),
    [
        ({"isolation_point_secured": "taped"}, "isolation_secured", "inconclusive"),
        ({"isolation_point_secured": "plug retained"}, "isolation_secured", "satisfactory"),
        ({"isolation_point_secured": "locked", "caution_notice": "maybe"}, "isolation_secured", "inconclusive"),
        ({"visual_condition": "Good "}, "visual", "satisfactory"),
        ({"visual_condition": "worn"}, "visual", "inconclusive"),
        ({"test_leads_condition": "so-so"}, "visual", "inconclusive"),
    ],
)
def test_statements(stated: dict[str, str], check: str, found: str) -> None:
    usual = {"visual_condition": "good", "isolation_point_secured": "locked", "caution_notice": "yes"}
    judged = judge_case(make_case(stated=usual | stated))
    assert judged.outcomes[check] == found
    assert (found == "satisfactory") == (not any(check in remark.checks for remark in judged.remarks))


def test_over_range_insulation_must_reach_the_limit() -> None:
    """A meter whose range ends at 1 Mohm just shows it; one that ends below, or nobody knows where, does not."""
    for high, found in ((1.0e6, "satisfactory"), (0.99e6, "inconclusive"), (None, "inconclusive")):
        case = make_case([*PLAIN_STEPS.items(), ("insulation", {"reason": "over range"})])
        row = Accuracy(percent_of_reading=1.0, digits=0.0, resolution=1.0, range_low=0.0, range_high=high)
        accuracies = {**case.accuracies, (METER, "insulation_resistance"): (row,)}
        assert assess(replace(case, accuracies=accuracies), "insulation").outcome == found


def test_no_trip_at_half_shows_its_reading() -> None:
    for fields, words in (({"value": 0.1}, "trips at half"), ({"value": 2.0, "comparator": "gt"}, "")):
        case = make_case([*PLAIN_STEPS.items(), ("rcd_trip", {"rcd_multiple": 0.5, **fields})])
        part, rated = assess(case, "rcd").parts
        assert (part.why, rated.why) == (words, "rated not tested")
        assert part.reading is rated.reading is case.readings["rcd_trip"][0]


@pytest.mark.parametrize(
    ("metalwork", "indication", "words"),
    [
        (
            "absent",
            None,
            "the detector found no voltage on the exposed metal, which speaks against line and earth swapped",
        ),
        ("present", None, "the detector found voltage on the exposed metal, which speaks for line and earth swapped"),
        (None, "no neutral", "the meter indicated that the neutral is missing"),
        (None, None, "voltages alone cannot tell these apart, so the most dangerous is taken"),
        (None, "correct", "voltages alone cannot tell these apart, so the most dangerous is taken"),
    ],
)
def test_what_speaks_for_one_of_several_causes_is_told(
    metalwork: str | None, indication: str | None, words: str
) -> None:
    steps = PLAIN_STEPS | {"supply_ln": 0.4, "supply_le": 230.0, "supply_ne": 229.8}
    steps |= {"metalwork": metalwork, "supply_polarity": indication}
    case = make_case({step: content for step, content in steps.items() if content is not None})
    (part,) = assess(case, "supply_polarity").parts
    assert part.against == words
    reversed_case = make_case(PLAIN_STEPS | {"supply_le": 0.8, "supply_ne": 230.4})
    assert assess(reversed_case, "supply_polarity").parts[0].against == ""


def test_a_kept_fuse_holds_only_while_the_person_keeps_it() -> None:
    kept = make_case(stated={"isolation_point_secured": "fuse retained", "caution_notice": "yes"})
    locked = make_case(stated={"isolation_point_secured": "locked", "caution_notice": "yes"})
    assert "stays in control" in assess(kept, "isolation_secured").parts[0].note
    assert assess(locked, "isolation_secured").parts[0].note == ""


def test_the_detector_of_the_metalwork_may_be_proved_too() -> None:
    assert outcome("exposed_metalwork", {"metalwork_proof_before": "present"}) == ("satisfactory", set())
    assert outcome("exposed_metalwork", {"metalwork": {"reason": "over range"}})[0] == "inconclusive"


def test_a_fuse_that_the_job_list_does_not_know_about() -> None:
    """The rating of a breaker in the job list is not that of the fuse link."""
    stated = {"fuse_rating_a": "3", "required_fuse_rating_a": "3"}
    case = make_case(stated=stated, appliance={"device": "B", "device_rating_a": 6.0})
    part = assess(case, "fuse_rating").parts[0]
    assert (part.outcome, part.limit_low, part.limit_high, part.shown_unit) == ("satisfactory", 3.0, 3.0, "A")
    assert part.limit_source == "maker's instructions, as stated by N. N. (common practice)"


def test_a_reading_without_a_step_bears_on_all_that_it_could_be() -> None:
    loop = Reading(reading_id="r", quantity="earth_fault_loop_impedance", conductors="L-E")
    assert checks_of_reading(loop) == ("earth_fault_loop", "supply_restored")
    volts = Reading(reading_id="r", quantity="voltage", conductors="N-E")
    assert checks_of_reading(volts) == ("supply_polarity", "proved_dead", "supply_restored")
    unknown = Reading(reading_id="r", quantity="voltage")
    assert set(checks_of_reading(unknown)) == {"supply_voltage", "supply_polarity", "proved_dead", "supply_restored"}
    step = Reading(reading_id="r", quantity="voltage", step="supply_ln")
    assert checks_of_reading(step) == ("supply_voltage", "supply_polarity")


def test_a_polarity_indication_alone_is_not_enough() -> None:
    only = {step: content for step, content in PLAIN_STEPS.items() if not step.startswith("supply_")}
    judged = judge_case(make_case(only | {"supply_polarity": "correct"}))
    assert judged.outcomes["supply_polarity"] == "inconclusive"
    assert judged.outcome == "incomplete"


def test_a_repeat_between_other_conductors_is_no_repeat() -> None:
    steps = [*PLAIN_STEPS.items(), ("earth_continuity", 0.1), ("earth_continuity", {"value": 0.9, "conductors": "R2"})]
    judged = judge_case(make_case(steps))
    assert judged.outcomes["earth_continuity"] == "satisfactory"
    assert not [remark for remark in judged.remarks if remark.code == "readings_disagree"]


def test_wording() -> None:
    assert show(None) == "no reading"
    assert show(Reading(reading_id="r", quantity="polarity", indication="no earth")) == "no earth"
    assert show(Reading(reading_id="r", quantity="voltage", reason="noise")) == "noise"
    assert show(Reading(reading_id="r", quantity="voltage")) == "no number"
    assert show(Reading(reading_id="r", quantity="x", value=2e8, unit="Ohm", comparator="gt")) == ">200 Mohm"
    assert show(Reading(reading_id="r", quantity="x", value=0.0284, unit="s", comparator="lt")) == "<28.4 ms"
    assert show_value(12.0, None) == "12"
    assert show_value(999999.0, "Ohm", digits=6) == "999999 ohm"
    assert show_limit(None, "V") == "no limit"
    assert show_limit(1.099, "Ohm") == "1.09 ohm"
    assert show_limit(0.8 * 1.3656, "Ohm") == "1.09 ohm"
    assert show_limit(12.48, "Ohm") == "12.48 ohm"
    assert show_limit(100.0, "Ohm") == "100 ohm"
    assert show_limit(253.0, "V") == "253 V"
    assert title(None) == title("nothing") == "a reading"
    assert {title(step) for step in STEPS} >= {"supply L-N", "dead N-E"}
    assert capital("") == ""
    assert capital("dead L-N") == "Dead L-N"


def test_a_remark_blocks_unless_it_says_otherwise() -> None:
    assert Remark(code="step_missing", message="m", action="a").blocks
