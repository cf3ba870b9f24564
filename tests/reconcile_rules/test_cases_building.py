"""How tables become cases: names of certificates, order of readings and statements, decisions, calibration."""

from __future__ import annotations

import pandas as pd
import pytest

from reconcile.calibration import local_days
from reconcile.case import Accuracy, Attested, Reading, in_order, one_after_other, order_key
from reconcile.cases import build_cases, name_certificate, name_certificates, range_order
from reconcile.judging import judge, required_checks
from reconcile.pack import load_pack
from reconcile.verdicts.dead import came_first, minutes_apart
from tests.reconcile_rules.cases_by_hand import MINUTE_NS, judge_case, make_case
from tests.reconcile_rules.making import PLAIN_STEPS, make_brief

PACK = load_pack()


@pytest.mark.parametrize(
    ("job_id", "appliance_id", "name"),
    [("J-1", "A.2", "J-1_A.2"), ("J1", "b1", "J1_b1")],
)
def test_a_plain_pair_of_ids_is_the_name(job_id: str, appliance_id: str, name: str) -> None:
    assert name_certificate(job_id, appliance_id) == name


@pytest.mark.parametrize(
    ("job_id", "appliance_id", "starts"),
    [("J/1", "A 1", "J-1_A-1-"), ("J_1", "A1", "J-1_A1-"), ("..", "A1", "_A1-"), ("J1", "é" * 9, "J1-"),
     ("J" * 90, "A1", "J" * 60 + "-"), ("J1", "A1.", "J1_A1-")],
)  # fmt: skip
def test_a_name_that_had_to_be_changed_carries_a_hash(job_id: str, appliance_id: str, starts: str) -> None:
    name = name_certificate(job_id, appliance_id)
    assert name.startswith(starts)
    assert len(name) == len(starts) + 8
    assert all(character.isalnum() or character in "._-" for character in name)
    assert name == name_certificate(job_id, appliance_id)


def test_ids_that_run_together_do_not_collide() -> None:
    names = name_certificates([("A_B", "C"), ("A", "B_C"), ("j1", "a1"), ("J1", "A1"), ("J2", "A2")])
    assert len({name.casefold() for name in names.values()}) == 5
    assert names["J2", "A2"] == "J2_A2"
    assert names["J1", "A1"].startswith("J1_A1-")


def reading(**fields: object) -> Reading:
    return Reading(**({"reading_id": "r", "quantity": "voltage"} | fields))  # type: ignore[arg-type]


def test_the_order_of_readings_is_known_by_time_or_by_memory() -> None:
    early, late = reading(taken_at_ns=1), reading(taken_at_ns=2)
    first, second = reading(memory_no=1, meter_serial="M"), reading(memory_no=2, meter_serial="M")
    assert in_order((early, late))
    assert not in_order((early, early))
    assert not in_order((early, first))
    assert in_order((first, second))
    assert not in_order((first, reading(memory_no=1, meter_serial="M")))
    assert not in_order((first, reading(memory_no=2, meter_serial="N")))
    assert not in_order((first, reading(meter_serial="M")))
    assert in_order((reading(taken_at_ns=5, memory_no=1), reading(taken_at_ns=5, memory_no=2)))
    assert sorted([first, late, early], key=order_key) == [early, late, first]


def test_which_came_first() -> None:
    early, late = reading(taken_at_ns=1), reading(taken_at_ns=2)
    assert came_first(early, late) is True
    assert came_first(late, early) is False
    assert came_first(early, reading(taken_at_ns=1, record_no=9)) is True
    assert came_first(reading(record_no=3), reading(record_no=3, column_no=2)) is True
    one = reading(record_no=1, memory_no=1, meter_serial="M")
    two = reading(record_no=2, memory_no=2, meter_serial="M")
    assert came_first(one, two) is True
    assert came_first(two, one) is False
    assert came_first(reading(record_no=1), reading(record_no=2)) is None
    assert came_first(one, reading(record_no=2, memory_no=2, meter_serial="N")) is None
    assert came_first(one, reading(record_no=2, memory_no=2, meter_serial="M", evidence_sha256="x")) is None
    assert minutes_apart(early, reading()) == 0.0
    assert minutes_apart(reading(taken_at_ns=0), reading(taken_at_ns=90 * MINUTE_NS // 60)) == 1.5


def stated(value: str, at: int | None, place: tuple[str, int, int]) -> Attested:
    return Attested(item="fuse_rating_a", value=value, by=None, attested_at_ns=at, place=place)


def test_the_last_of_several_statements_counts_where_it_can_be_known() -> None:
    assert one_after_other((stated("13", 1, ("a", 1, 0)), stated("3", 2, ("b", 1, 0))))
    assert one_after_other((stated("13", None, ("a", 1, 0)), stated("3", None, ("a", 2, 0))))
    assert not one_after_other((stated("13", None, ("a", 1, 0)), stated("3", 2, ("b", 1, 0))))
    assert not one_after_other((stated("13", 2, ("a", 1, 0)), stated("3", 2, ("b", 1, 0))))
    rows = [
        {"appliance_id": "A1", "item": "fuse_rating_a", "value": "13", "attested_at": "2031-04-02T09:00:00Z"},
        {"appliance_id": "A1", "item": "fuse_rating_a", "value": "3", "attested_at": "2031-04-02T09:30:00Z"},
    ]
    for more in (rows, rows[::-1]):
        brief = make_brief(stated={}, more={"attestations": more})
        assert build_cases(brief, PACK)[0].says_number("fuse_rating_a") == 3.0


@pytest.mark.parametrize("text", ["", "three", "nan", "inf"])
def test_a_rating_that_is_no_number_is_unknown(text: str) -> None:
    case = make_case(stated={"fuse_rating_a": text})
    assert case.says_number("fuse_rating_a") is None
    assert case.says_number("required_fuse_rating_a") is None
    assert case.says("caution_notice") is None


def test_a_reading_of_another_appliance_does_not_pass_for_this_one() -> None:
    brief = make_brief(PLAIN_STEPS | {"earth_loop": {"value": 0.3, "appliance_id": "A9"}})
    judged = judge(brief)
    assert judged.certificates["appliance_id"].tolist() == ["A1", "A9"]
    assert judged.certificates["outcome"].tolist() == ["incomplete", "incomplete"]


def test_an_undone_decision_does_not_count() -> None:
    rows = [
        {"decision_id": "D1", "kind": "retest", "subject": "A1/earth_fault_loop", "answer": "accepted", "by": "o",
         "decided_at": "2031-04-03T08:00:00Z", "why": "w"},
        {"decision_id": "D2", "kind": "undo", "subject": "D1", "answer": "", "by": "o",
         "decided_at": "2031-04-03T09:00:00Z", "why": "w"},
    ]  # fmt: skip
    steps = [*(PLAIN_STEPS | {"earth_loop": 42.0}).items(), ("earth_loop", {"value": 0.4, "minute": 5.5})]
    assert judge(make_brief(steps, more={"decisions": rows[:1]})).certificates["outcome"].tolist() == ["satisfactory"]
    assert judge(make_brief(steps, more={"decisions": rows})).certificates["outcome"].tolist() == ["incomplete"]


def test_a_day_without_anything_is_empty() -> None:
    brief = make_brief({})
    nothing = {name: getattr(brief, name).iloc[:0] for name in ("jobs", "appliances", "attestations", "meters", "plan")}
    judged = judge(type(brief)(**(vars(brief) | nothing)))
    assert [len(judged.checks), len(judged.findings), len(judged.certificates)] == [0, 0, 0]


def test_jobs_without_a_visit_have_no_certificate() -> None:
    for status, many in (("no access", 0), ("cancelled", 0), (None, 1), ("attended", 1)):
        assert len(judge(make_brief({}, job={"status": status})).certificates) == many


def test_the_certificate_says_where_it_comes_from() -> None:
    judged = judge(make_brief(job={"site": "3 Mill Row", "engineer": "N. N."}, appliance={"kind": "boiler"}))
    row = judged.certificates.iloc[0]
    assert (row["site"], row["engineer"], row["kind"]) == ("3 Mill Row", "N. N.", "boiler")
    assert row["tested_from"] == pd.Timestamp("2031-04-02T09:01:00Z")
    assert row["tested_to"] == pd.Timestamp("2031-04-02T09:13:00Z")
    assert row["meter_serials"] == "MFT-1"
    assert row["evidence_sha256s"] == "ab" * 32
    assert pd.isna(row["highest_severity"])


def test_a_day_is_local_to_the_meter() -> None:
    moments = pd.Series(pd.to_datetime(["2031-04-02T23:30:00Z"] * 2, utc=True))
    days = local_days(moments, pd.Series(["Europe/London", None]))
    assert days.tolist() == [pd.Timestamp("2031-04-03"), pd.Timestamp("2031-04-02")]


def test_a_reading_without_a_time_is_of_the_day_of_its_job() -> None:
    steps = PLAIN_STEPS | {"earth_loop": {"value": 0.35, "taken_at": None}}
    meter = {"meter_serial": "MFT-1", "calibrated_on": "2031-01-01", "role": "multifunction tester"}
    for arrived, found in (("2031-04-02T09:00:00Z", set()), ("2032-04-02T09:00:00Z", {"meter_out_of_calibration"})):
        judged = judge(make_brief(steps, job={"arrived_at": arrived}, meters=[meter]))
        assert set(judged.findings["code"]) == found
    judged = judge(make_brief(steps, job={"arrived_at": None}, meters=[meter]))
    assert set(judged.findings["code"]) == {"meter_out_of_calibration"}


def test_an_indicator_that_is_proved_needs_no_calibration_unless_its_dates_say_so() -> None:
    indicator = {"meter_serial": "MFT-1", "role": "voltage indicator"}
    assert set(judge(make_brief(meters=[indicator])).findings["code"]) == set()
    expired = indicator | {"calibration_due": "2031-01-01"}
    assert set(judge(make_brief(meters=[expired])).findings["code"]) == {"meter_out_of_calibration"}


def test_specifications_are_tried_from_the_smallest_range() -> None:
    def accuracy(low: float | None, high: float | None) -> Accuracy:
        return Accuracy(percent_of_reading=1.0, digits=0.0, resolution=None, range_low=low, range_high=high)

    rows = [accuracy(None, None), accuracy(0.0, 200.0), accuracy(0.0, 20.0)]
    assert sorted(rows, key=range_order) == rows[::-1]
    assert not accuracy(1.0, None).covers(0.5)
    assert accuracy(1.0, None).covers(1.0)
    assert accuracy(None, 1.0).covers(1.0)
    assert not accuracy(None, 1.0).covers(1.1)


def test_an_empty_plan_asks_for_what_the_work_does() -> None:
    empty = make_case(needs={})
    assert required_checks(empty) == required_checks(make_case()) >= {"proved_dead", "visual", "earth_fault_loop"}


def test_a_proof_whose_side_cannot_be_known_is_asked_about() -> None:
    """Without a time and in another export than the dead tests."""
    steps = PLAIN_STEPS | {"proof_before": {"indication": "present", "taken_at_ns": None, "evidence_sha256": "cd" * 32}}
    judged = judge_case(make_case(steps))
    assert judged.outcomes["indicator_proved_before"] == judged.outcomes["proved_dead"] == "inconclusive"
    assert {remark.code for remark in judged.remarks} == {"clock_uncertain"}
