"""Recorded values: each kind by a case of its own, then all kinds planted into invented days."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from reconcile.audit.digits import count_exchanges, find_slip, last_digit_step
from reconcile.audit.places import find_failing
from reconcile.audit.recorded import compare_recorded
from schemas.audit import AGREEING, RecordedValues
from tests.audit.record_world import DAY, as_recorded, build_world, plant

COLUMNS = [*RecordedValues.to_schema().columns]
NEVER = pd.Timestamp("2031-04-02 09:00")


def reading(number: int, appliance: str, value: float | None, **other: object) -> dict[str, object]:
    return {
        "reading_id": f"R{number}", "evidence_sha256": "ab" * 32, "record_no": number, "column_name": "Value",
        "raw_text": str(value), "quantity": "earth_fault_loop_impedance", "conductors": "L-E", "value": value,
        "unit": "Ohm", "comparator": "eq", "indication": None, "reason": None, "resolution": 0.01,
        "meter_time": NEVER + pd.Timedelta(minutes=number), "taken_at": pd.NaT, "job_id": "J1",
        "appliance_id": appliance, "step": "earth_loop", "match_status": "auto",
    } | other  # fmt: skip


def readings_table(*rows: dict[str, object]) -> pd.DataFrame:
    table = pd.DataFrame(rows)
    table["taken_at"] = pd.Series(pd.NaT, index=table.index, dtype="datetime64[ns, UTC]")
    types = {"value": "float64", "resolution": "float64", "record_no": "int64", "meter_time": "datetime64[ns]"}
    return table.astype({name: types.get(name, "str") for name in table.columns.drop("taken_at")})


def recorded(appliance: str | None, value: float | None, **other: object) -> dict[str, object]:
    return {
        "record_no": 2, "column_no": 3, "column_name": "Zs", "raw_text": str(value), "appliance_id": appliance,
        "recorded_on": DAY, "quantity": "earth_fault_loop_impedance", "conductors": "L-E", "step": None,
        "value": value, "unit": "Ohm", "comparator": "eq", "indication": None, "resolution": 0.01,
    } | other  # fmt: skip


def record_table(*rows: dict[str, object]) -> pd.DataFrame:
    return as_recorded(pd.DataFrame(rows))[COLUMNS]


def verdict(record: dict[str, object], *rows: dict[str, object], **options: object) -> pd.Series:
    found = compare_recorded(record_table(record), readings_table(*rows), **options)  # type: ignore[arg-type]
    return found.iloc[0]


def test_the_same_value_agrees_and_points_at_its_line() -> None:
    found = verdict(recorded("A1", 0.35), reading(7, "A1", 0.35), reading(8, "A2", 0.61))
    assert found["verdict"] == "agrees"
    assert (found["reading_id"], found["evidence_record_no"], found["evidence_text"]) == ("R7", 7, "0.35")
    assert found["chance"] == pytest.approx(0.5)


@pytest.mark.parametrize(
    ("value", "step", "expected"),
    [
        (0.4, 0.1, "agrees within rounding"),
        (0.3, 0.1, "agrees within rounding"),  # a half may go either way
        (0.36, 0.01, "no instrument evidence"),
        (0.53, 0.01, "digits transposed"),
        (3.5, 0.1, "unit or decimal slip"),
        (0.035, 0.001, "unit or decimal slip"),
        (350.0, 1.0, "unit or decimal slip"),
        (0.00035, 1e-5, "unit or decimal slip"),
        (0.2, 0.1, "no instrument evidence"),
    ],
)  # fmt: skip
def test_one_reading_and_what_was_made_of_it(value: float, step: float, expected: str) -> None:
    found = verdict(recorded("A1", value, resolution=step), reading(7, "A1", 0.35))
    assert found["verdict"] == expected
    assert found["reading_id"] == "R7"


def test_retest_superseded_and_both_told() -> None:
    rows = reading(7, "A1", 2.9), reading(8, "A1", 0.35)
    found = verdict(recorded("A1", 2.9), *rows)
    assert (found["verdict"], found["reading_id"]) == ("superseded by a retest", "R7")
    both = compare_recorded(record_table(recorded("A1", 2.9), recorded("A1", 0.35)), readings_table(*rows))
    assert both["verdict"].tolist() == ["agrees", "agrees"]


def test_qualifier_lost_and_added() -> None:
    insulation = {"quantity": "insulation_resistance", "conductors": "LN-E", "step": "insulation", "resolution": 1e6}
    over = reading(7, "A1", 999e6, comparator="gt", **insulation)
    told = recorded("A1", 999e6, quantity="insulation_resistance", conductors="LN-E", resolution=1e6)
    assert verdict(told, over)["verdict"] == "qualifier lost"
    plain = reading(7, "A1", 999e6, **insulation)
    assert verdict(told | {"comparator": "gt"}, plain)["verdict"] == "qualifier added"
    assert verdict(told | {"comparator": "gt"}, over)["verdict"] == "agrees"


def test_another_day_and_another_appliance() -> None:
    rows = reading(7, "A1", 0.35), reading(8, "A2", 0.61)
    elsewhen = verdict(recorded("A1", 0.35, recorded_on=DAY + pd.Timedelta(days=30)), *rows)
    assert (elsewhen["verdict"], elsewhen["reading_id"]) == ("another date", "R7")
    many = [reading(10 + number, f"B{number}", 1 + number / 50) for number in range(50)]
    other = verdict(recorded("A1", 0.61), *rows, *many)
    assert (other["verdict"], other["evidence_appliance_id"]) == ("another appliance", "A2")
    assert other["chance"] is not None


def test_last_years_reading_of_the_same_place_is_another_date() -> None:
    certificates = pd.DataFrame(
        {"appliance_id": ["A1", "OLD"], "job_id": ["J1", "J0"], "site": "3 Invented Row", "kind": "boiler",
         "location": "kitchen"}
    )  # fmt: skip
    old = reading(9, "OLD", 0.61, job_id="J0", meter_time=NEVER - pd.Timedelta(days=365))
    found = verdict(recorded("A1", 0.61), reading(7, "A1", 0.35), old, certificates=certificates)
    assert (found["verdict"], found["evidence_appliance_id"]) == ("another date", "OLD")


def test_a_whole_row_that_was_mixed_up_speaks_for_itself() -> None:
    kinds = [
        ("voltage", "L-N", "V", 0.1, "supply_ln"),
        ("continuity_resistance", "R2", "Ohm", 0.01, "earth_continuity"),
        ("earth_fault_loop_impedance", "L-E", "Ohm", 0.01, "earth_loop"),
    ]
    rng = np.random.default_rng(5)
    rows, told = [], []
    for appliance in range(60):
        for number, (quantity, pair, unit, step, name) in enumerate(kinds):
            value = round(float(rng.integers(10, 40)) * step, 4)
            place = {"quantity": quantity, "conductors": pair, "unit": unit, "resolution": step}
            rows.append(reading(appliance * 3 + number, f"B{appliance}", value, step=name, **place))
            if appliance == 41:
                told.append(recorded("B7", value, **place))
    found = compare_recorded(record_table(*told), readings_table(*rows)).iloc[:3]
    assert set(found["verdict"]) == {"another appliance"}
    assert set(found["evidence_appliance_id"]) == {"B41"}


def test_a_common_value_elsewhere_proves_little() -> None:
    rows = [reading(number, f"B{number}", 0.35) for number in range(200)]
    found = verdict(recorded("A1", 0.35), reading(900, "A1", 0.81), *rows)
    assert found["chance"] > 0.99


def test_value_of_an_appliance_nobody_knows() -> None:
    found = verdict(recorded("ZZ", 0.35), reading(7, "A1", 0.81))
    assert found["verdict"] == "no instrument evidence"
    assert pd.isna(found["reading_id"])


def test_match_under_review_is_no_evidence() -> None:
    found = verdict(recorded("A1", 0.35), reading(7, "A1", 0.35, match_status="review"), reading(8, "A2", 0.5))
    assert found["verdict"] == "no instrument evidence"


def test_failing_readings_left_out_come_first() -> None:
    rows = [
        reading(1, "A1", 0.35), reading(2, "A2", 2.9), reading(3, "A2", 0.4), reading(4, "A3", 0.5),
        reading(5, "A4", 0.7), reading(6, "A5", 0.2, meter_time=NEVER + pd.Timedelta(days=9)),
    ]  # fmt: skip
    record = record_table(recorded("A1", 0.35), recorded("A2", 0.4), recorded("A4", 0.7))
    found = compare_recorded(record, readings_table(*rows), failing={"R2"})
    out = found[found["verdict"] == "left out"]
    assert out["reading_id"].tolist() == ["R2", "R4"]  # A5 was measured on a day that the record does not cover
    assert out["failing"].tolist() == [True, False]


def test_quantity_that_the_record_never_has_is_not_left_out_unless_failing() -> None:
    polarity = {"quantity": "polarity", "conductors": None, "unit": None, "step": "supply_polarity"}
    rows = [reading(1, "A1", 0.35), reading(2, "A1", None, **polarity, indication="reversed", comparator=None)]
    record = record_table(recorded("A1", 0.35))
    assert compare_recorded(record, readings_table(*rows))["verdict"].tolist() == ["agrees"]
    found = compare_recorded(record, readings_table(*rows), failing={"R2"})
    assert found["verdict"].tolist() == ["agrees", "left out"]


def test_refused_cells_are_told() -> None:
    refused = pd.DataFrame(
        {"evidence_sha256": ["ab" * 32], "record_no": [3], "column_name": ["Zs"], "raw_text": ["?"],
         "reason": ["not a number"], "message": ["not a number"]}
    )  # fmt: skip
    found = compare_recorded(
        record_table(recorded("A1", 0.35)), readings_table(reading(1, "A1", 0.35)), refused=refused
    )
    assert found["verdict"].tolist() == ["agrees", "not readable"]


def test_empty_record_has_no_rows() -> None:
    empty = record_table(recorded("A1", 0.35)).iloc[:0]
    assert compare_recorded(empty, readings_table(reading(1, "A1", 0.35))).empty


def test_failing_readings_are_those_outside_the_limits_of_their_check() -> None:
    rows = readings_table(
        reading(1, "A1", 2.9), reading(2, "A1", 0.4), reading(3, "A2", 0.4), reading(4, "A2", 9.0, conductors="L-N")
    )
    checks = pd.DataFrame(
        {"appliance_id": ["A1", "A2"], "check": ["earth_fault_loop"] * 2, "outcome": ["satisfactory", "unsatisfactory"],
         "limit_low": [np.nan] * 2, "limit_high": [1.37] * 2, "reading_ids": ["R2 R1", "R3"]}
    )  # fmt: skip
    assert find_failing(rows, checks) == {"R1", "R3"}


def test_digits() -> None:
    assert find_slip(0.3, 0.1, 299.0, 1.0) is None  # one digit is too little to say that it slipped and was rounded
    assert find_slip(0.30, 0.01, 299.0, 1.0) == -3
    assert find_slip(23.0, 1.0, 230.0, 1.0) == -1
    assert find_slip(0.0, 1.0, 230.0, 1.0) is None
    assert count_exchanges(232.0, 1.0, 223.0, 1.0) == 1
    assert count_exchanges(322.0, 1.0, 223.0, 1.0) == 0
    assert count_exchanges(1.32, 0.01, 1.23, 0.01) == 2
    assert last_digit_step(0.35) == pytest.approx(0.01)
    assert last_digit_step(230.0) == 10.0


WORLDS = 8


@pytest.fixture(scope="module")
def judged() -> pd.DataFrame:
    """Every recorded value of the invented days with what was planted and what was said."""
    parts = []
    for seed in range(WORLDS):
        world = build_world(seed, retests=0.3 if seed % 2 else 0.05)
        record, planted = plant(world, seed + 1000)
        found = compare_recorded(
            record[COLUMNS], world.readings, failing=world.failing, certificates=world.certificates
        ).iloc[: len(record)]
        honest = world.record
        same = np.isclose(record["value"], honest["value"], rtol=1e-9, equal_nan=True)
        near = (record["value"] - honest["value"]).abs() <= record["resolution"].fillna(0) / 2
        unchanged = (same | near) & (record["comparator"].fillna("") == honest["comparator"].fillna(""))
        unchanged &= record["recorded_on"] == honest["recorded_on"]
        parts.append(pd.DataFrame({
            "planted": planted.where(~unchanged.to_numpy(), ""), "verdict": found["verdict"], "seed": seed,
        }))  # fmt: skip
    return pd.concat(parts, ignore_index=True)


def test_every_detectable_planted_error_is_found(judged: pd.DataFrame) -> None:
    wrong = judged[judged["planted"] != ""]
    assert len(wrong) > 200
    assert set(wrong["planted"]) >= {"digits transposed", "unit or decimal slip", "superseded by a retest"}
    assert not wrong["verdict"].isin(AGREEING).any()


def test_honest_values_raise_no_alarm(judged: pd.DataFrame) -> None:
    alarms = judged[~judged["verdict"].isin(AGREEING)]
    assert (alarms["planted"] != "").mean() >= 0.99


def test_kinds_are_named_rightly(judged: pd.DataFrame) -> None:
    # A value out of thin air is by chance now and then just what a slip would have made: those may be named so.
    wrong = judged[judged["planted"] != ""]
    right = (wrong["planted"] == wrong["verdict"]).mean()
    assert right >= 0.95, pd.crosstab(wrong["planted"], wrong["verdict"]).to_string()


def test_every_reading_taken_out_of_a_record_is_left_out() -> None:
    for seed in range(4):
        world = build_world(seed, retests=0.2)
        rng = np.random.default_rng(seed)
        gone = rng.random(len(world.record)) < 0.05
        record, missing = world.record[~gone], world.record[gone]
        found = compare_recorded(record[COLUMNS], world.readings, failing=world.failing)
        out = found[found["verdict"] == "left out"]
        assert set(missing["reading_id"]) <= set(out["reading_id"])
        extra = set(out["reading_id"]) - set(missing["reading_id"])
        assert extra <= world.failing  # failing readings whose retest alone is recorded
        later = world.readings.drop_duplicates(["appliance_id", "step"], keep="last")["reading_id"]
        assert world.failing - set(later) <= set(out["reading_id"])
