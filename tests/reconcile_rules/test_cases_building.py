"""How tables become cases: names of certificates, order of readings and statements, decisions, calibration."""

from __future__ import annotations

import pandas as pd
import pytest

from reconcile.calibration import local_days
from reconcile.case import Attested, one_after_other
from reconcile.cases import build_cases, name_certificate, name_certificates
from reconcile.decisions import decided_readings
from reconcile.judging import judge
from reconcile.pack import load_pack
from schemas.check import conform_table
from schemas.matches import Decisions
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
    for arrived, expired in (("2031-04-02T09:00:00Z", False), ("2032-04-02T09:00:00Z", True)):
        judged = judge(make_brief(steps, job={"arrived_at": arrived}, meters=[meter]))
        assert ("meter_out_of_calibration" in set(judged.findings["code"])) == expired
    judged = judge(make_brief(steps, job={"arrived_at": None}, meters=[meter]))
    assert set(judged.findings["code"]) == {"meter_out_of_calibration"}


def test_an_indicator_that_is_proved_needs_no_calibration_unless_its_dates_say_so() -> None:
    indicator = {"meter_serial": "MFT-1", "role": "voltage indicator"}
    assert set(judge(make_brief(meters=[indicator])).findings["code"]) == set()
    expired = indicator | {"calibration_due": "2031-01-01"}
    assert set(judge(make_brief(meters=[expired])).findings["code"]) == {"meter_out_of_calibration"}


def test_a_decision_can_be_taken_back_and_brought_again() -> None:
    """An undo of an undo brings the first decision back."""
    rows = [("D1", "retest", "A1/earth_fault_loop", "accepted"), ("D2", "undo", "D1", ""), ("D3", "undo", "D2", "")]
    made = [
        {"decision_id": name, "kind": kind, "subject": subject, "answer": answer, "by": "office", "why": "practice",
         "decided_at": f"2031-04-03T0{hour}:00:00Z"}
        for hour, (name, kind, subject, answer) in enumerate(rows, start=1)
    ]  # fmt: skip
    for count, outcome in ((1, "satisfactory"), (2, "incomplete"), (3, "satisfactory")):
        steps = [*(PLAIN_STEPS | {"earth_loop": 42.0}).items(), ("earth_loop", {"value": 0.4, "minute": 5.5})]
        assert judge(make_brief(steps, more={"decisions": made[:count]})).certificates["outcome"].tolist() == [outcome]


def test_answers_about_readings_are_taken_apart_and_the_last_one_counts() -> None:
    made = pd.DataFrame(
        [("D1", "r1 r2", "A1"), ("D2", "r2", "A1/earth_loop"), ("D3", "r3", "stray"), ("D4", "r3", "line/A2/dead_ln")],
        columns=["decision_id", "subject", "answer"], dtype="str",
    )  # fmt: skip
    made = made.assign(kind="match", by="office", why="said so")
    made["decided_at"] = pd.to_datetime([f"2031-04-03T0{hour}:00:00Z" for hour in range(1, 5)], utc=True)
    found = decided_readings(conform_table(Decisions, made)).set_index("reading_id")
    assert found["appliance_id"].fillna("nowhere").to_dict() == {"r1": "A1", "r2": "A1", "r3": "line/A2"}
    assert found["step"].fillna("open").to_dict() == {"r1": "open", "r2": "earth_loop", "r3": "dead_ln"}
    stray = decided_readings(conform_table(Decisions, made.iloc[:3]))
    assert stray[stray["reading_id"] == "r3"]["appliance_id"].isna().all()
