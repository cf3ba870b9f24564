"""What a case knows about the order of its readings, its statements and its specifications."""

from __future__ import annotations

from dataclasses import replace

import pytest

from reconcile.case import Accuracy, Attested, Reading, in_order, order_key
from reconcile.cases import range_order
from reconcile.judging import required_checks
from reconcile.verdicts.dead import came_first, minutes_apart
from tests.reconcile_rules.cases_by_hand import MINUTE_NS, judge_case, make_case
from tests.reconcile_rules.making import PLAIN_STEPS


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


@pytest.mark.parametrize("text", ["", "three", "nan", "inf"])
def test_a_rating_that_is_no_number_is_unknown(text: str) -> None:
    case = make_case(stated={"fuse_rating_a": text})
    assert case.says_number("fuse_rating_a") is None
    assert case.says_number("required_fuse_rating_a") is None
    assert case.says("caution_notice") is None


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


def test_what_an_order_needs() -> None:
    """Two without a time are in order by memory; with one time known memory does not say where the other belongs."""
    first, second = reading(memory_no=1, meter_serial="M"), reading(memory_no=2, meter_serial="M", taken_at_ns=7)
    assert not in_order((first, second))
    same_time = [reading(taken_at_ns=5, memory_no=number, evidence_sha256="x") for number in (1, 2)]
    assert in_order(tuple(same_time))
    assert not in_order((same_time[0], reading(taken_at_ns=5, memory_no=2, evidence_sha256="y")))
    assert not in_order((same_time[0], reading(taken_at_ns=5, evidence_sha256="x")))


def said(*rows: tuple[str, int | None, str]) -> tuple[Attested, ...]:
    return tuple(
        Attested(item="fuse_rating_a", value=value, by=None, attested_at_ns=at, place=(file, number, 0))
        for number, (value, at, file) in enumerate(rows)
    )


@pytest.mark.parametrize(
    ("rows", "denied"),
    [
        ((("3", None, "a"),), False),
        ((("3", None, "a"), ("3", None, "b")), False),
        ((("3", None, "a"), ("13", None, "b")), True),
        ((("3", None, "a"), ("13", None, "a")), False),
        ((("3", 1, "a"), ("13", 2, "b")), False),
        ((("3", 1, "a"), ("13", 1, "b")), True),
        ((("3", 1, "a"), ("13", None, "b"), ("5", 3, "c")), True),
    ],
)
def test_statements_that_deny_each_other(rows: tuple[tuple[str, int | None, str], ...], denied: bool) -> None:
    case = replace(make_case(), attested={"fuse_rating_a": said(*rows), "caution_notice": said(("yes", None, "a"))})
    assert case.contradicted() == (("fuse_rating_a",) if denied else ())
