"""The order of visits, labels that come back, files of one memory, meters of two engineers: small invented days."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from reconcile.matching import match_sightings
from reconcile.matching.doubts import label_of_its_own
from reconcile.matching.empty_visits import ask_about_double_rounds
from reconcile.matching.label_factors import labels_before
from reconcile.matching.order import Session, find_sessions, order_sightings
from reconcile.matching.outcome import FAR_HELD, FAR_SAID, MARKS
from reconcile.matching.placing import Hints, Placing
from reconcile.matching.progress import STEP_NAMES
from reconcile.matching.travel import OTHER_ENGINEER, SKIPPED_AND_BACK, travel_weights
from reconcile.matching.visits import Visits, list_visits
from reconcile.plan import plan_steps
from schemas.check import empty_table
from schemas.jobs import Appliances, Jobs
from schemas.matches import Decisions, Sightings
from schemas.meters import ClockReadings, Meters
from tests.reconcile_matching.simulated_days import table_of

DAY = pd.Timestamp("2031-05-06", tz="UTC")
LIVE = [("voltage", "L-N"), ("voltage", "L-E"), ("voltage", "N-E")]
ROUND = [
    ("non_contact_voltage", None), *LIVE, ("earth_fault_loop_impedance", "L-E"),
    ("voltage_indicator_proof", None), *LIVE, ("voltage_indicator_proof", None), *LIVE,
]  # fmt: skip
"""One full round of the procedure: metalwork, supply, loop, proof, dead, proof, restored."""


def jobs_of(*rows: dict[str, Any]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """A job list, one appliance a job; ``at`` is the hour it begins (None unknown), an hour long."""
    jobs, appliances = [], []
    for place, row in enumerate(rows):
        at = row.get("at")
        evidence = {"extra": "{}", "sequence": place, "record_no": place + 2, "evidence_sha256": "0" * 64}
        jobs.append(
            {
                "job_id": f"J{place}", "status": "attended", "engineer": row.get("engineer", "one"), "site": "",
                "arrived_at": None if at is None else DAY + pd.Timedelta(hours=at),
                "left_at": None if at is None or row.get("open") else DAY + pd.Timedelta(hours=at + 1),
                "meter_serials": row.get("meters"), **evidence,
            }
        )  # fmt: skip
        for number in range(row.get("appliances", 1)):
            label = row.get("label")
            appliances.append(
                {
                    "appliance_id": f"A{place}{'ab'[number]}", "job_id": f"J{place}", "kind": "boiler", "location": "",
                    "label": label if number == 0 else row.get("second"), "construction_class": "I",
                    "rcd_rated_ma": None, **evidence, "sequence": len(appliances), "record_no": len(appliances) + 2,
                }
            )  # fmt: skip
    return table_of(Jobs, jobs), table_of(Appliances, appliances)


def readings_of(*rounds: dict[str, Any]) -> pd.DataFrame:
    """Rounds of readings, 30 s apart; ``at`` by the meter's clock [h] (None: none), ``label``, ``meter``, ``file``."""
    rows: list[dict[str, Any]] = []
    for one in rounds:
        for step, (quantity, conductors) in enumerate(one.get("steps", ROUND)):
            at = one.get("at")
            moment = None if at is None else DAY + pd.Timedelta(hours=at, seconds=30 * step)
            rows.append(
                {
                    "reading_id": f"R{len(rows):04d}", "evidence_sha256": f"{one.get('file', 0):064d}",
                    "record_no": len(rows) + 2, "column_no": 0, "memory_no": len(rows) + 1,
                    "meter_serial": one.get("meter", "MX1"), "quantity": quantity, "conductors": conductors,
                    "label": one.get("label"), "stamped_at": moment,
                    "meter_time": None if moment is None else moment.tz_localize(None),
                }
            )  # fmt: skip
    return table_of(Sightings, rows)


def matched(readings: pd.DataFrame, jobs: pd.DataFrame, appliances: pd.DataFrame) -> pd.DataFrame:
    """The matches."""
    return match_sightings(
        sightings=readings, jobs=jobs, appliances=appliances, plan=plan_steps(jobs, appliances),
        meters=empty_table(Meters), clock_readings=empty_table(ClockReadings), decisions=empty_table(Decisions),
    ).matches  # fmt: skip


def test_a_memory_without_clock_or_labels_is_read_in_the_order_of_the_list() -> None:
    jobs, appliances = jobs_of(*({"at": 8 + 2 * place} for place in range(5)))
    found = matched(readings_of(*({} for _ in range(5))), jobs, appliances)
    assert list(found["appliance_id"]) == [f"A{place}a" for place in range(5) for _ in ROUND]
    assert (found["match_status"] == "auto").mean() > 0.9


def placed(visits: Visits) -> Placing:
    count = len(visits.job_id)
    return Placing(jobs=np.arange(count), weight=np.ones(count), offset_s=np.zeros(1), log_prior=np.zeros(1), lost=True)


def travels(visits: Visits, readings: pd.DataFrame) -> Any:
    session = find_sessions(order_sightings(readings))[0]
    hints = Hints(forced=np.empty(0, dtype=np.int64), visited={})
    return travel_weights(session, visits, placed(visits), hints)[0]


def test_each_job_left_out_costs_and_so_does_going_back() -> None:
    visits = list_visits(*jobs_of(*({"at": 8 + 2 * place} for place in range(4))))
    travel = travels(visits, readings_of({}))
    skipped, back = SKIPPED_AND_BACK["none"]
    assert travel[0, 2] / travel[0, 1] == pytest.approx(skipped)
    assert travel[0, 3] / travel[0, 1] == pytest.approx(skipped**2)
    assert travel[2, 0] / travel[2, 3] == pytest.approx(back)
    # Where no job is left to go on to, going back is no likelier for that.
    assert travel[3, 0] == pytest.approx(travel[2, 0], rel=0.2)


def test_another_engineers_job_is_seldom_the_next() -> None:
    visits = list_visits(*jobs_of({"at": 8}, {"at": 10, "engineer": "two"}, {"at": 12}))
    travel = travels(visits, readings_of({}))
    assert travel[0, 1] / travel[0, 2] < 2 * OTHER_ENGINEER


def test_a_job_without_hours_keeps_its_place_only_in_a_list_that_is_in_order() -> None:
    ordered = list_visits(*jobs_of({"at": 8}, {"at": None}, {"at": 12}))
    jumbled = list_visits(*jobs_of({"at": 12}, {"at": None}, {"at": 8}, {"at": 15}))
    assert np.isfinite(ordered.rank_s).all()
    assert sorted(ordered.job_id[np.argsort(ordered.rank_s)]) == list(ordered.job_id[np.argsort(ordered.rank_s)])
    assert np.isnan(jumbled.rank_s[list(jumbled.job_id).index("J1")])


@pytest.mark.parametrize(("following", "appliances", "hours"), [(None, 1, 1.25), (None, 2, 2.5), (9.0, 2, 1.0)])
def test_a_visit_whose_end_is_not_listed_lasts_by_its_appliances_or_until_the_next(
    following: float | None, appliances: int, hours: float
) -> None:
    rows: list[dict[str, Any]] = [{"at": 8, "open": True, "appliances": appliances}]
    rows += [] if following is None else [{"at": following}]
    visits = list_visits(*jobs_of(*rows))
    assert visits.high_s[0] - visits.low_s[0] == pytest.approx(hours * 3600.0)


def test_a_label_that_comes_back_was_changed() -> None:
    same, likely = labels_before(["hall", "hall", "loft", "hall", "", "hall"], np.zeros(6, dtype=np.int64))
    assert list(same) == [False, True, False, False, False, True]
    assert likely[1] == likely[5] == 1.0
    assert likely[3] < 0.01


def test_another_meters_label_counts_where_this_one_had_none_yet() -> None:
    _, likely = labels_before(["hall", "hall", "loft"], np.array([0, 1, 1]))
    assert likely[1] == 1.0
    assert likely[2] < 0.5


def test_exact_labels_lead_where_both_appliances_are_tested_before_either_is_isolated() -> None:
    jobs, appliances = jobs_of({"at": 8, "appliances": 2, "label": "KITCHEN 12", "second": "GARAGE 45"}, {"at": 11})
    first, second = {"label": "KITCHEN 12"}, {"label": "GARAGE 45"}
    found = matched(
        readings_of(
            {"at": 8.1, "steps": ROUND[:5], **first}, {"at": 8.2, "steps": ROUND[:5], **second},
            {"at": 8.4, "steps": ROUND[5:], **first}, {"at": 8.7, "steps": ROUND[5:], **second},
            {"at": 11.1},
        ),
        jobs, appliances,
    )  # fmt: skip
    right = ["A0a"] * 5 + ["A0b"] * 5 + ["A0a"] * 8 + ["A0b"] * 8 + ["A1a"] * len(ROUND)
    sure = found["match_status"] == "auto"
    assert (found["appliance_id"] == right)[sure].all()
    assert sure.mean() > 0.8


def test_a_file_that_goes_on_where_the_one_before_ended_is_the_same_session() -> None:
    joined = find_sessions(order_sightings(readings_of({"at": 23.5, "file": 1}, {"at": 24.5, "file": 2})))
    assert [len(session.rows) for session in joined] == [2 * len(ROUND)]
    assert len(set(joined[0].record)) == 2 * len(ROUND)
    other = find_sessions(order_sightings(readings_of({"at": 23.5, "file": 1}, {"at": 33.0, "file": 2})))
    assert [len(session.rows) for session in other] == [len(ROUND)] * 2
    two = readings_of({"at": 23.5, "file": 1}, {"at": 24.5, "file": 2, "meter": "MX2"})
    assert len(find_sessions(order_sightings(two))) == 2


def test_a_meter_without_labels_stays_with_the_engineer_whom_the_list_gives_it_to() -> None:
    rows = [{"at": 8 + 2 * place, "engineer": "one", "meters": "MX1 VX1"} for place in range(3)]
    rows += [{"at": 8.25 + 2 * place, "engineer": "two", "label": f"SHED {place}"} for place in range(3)]
    jobs, appliances = jobs_of(*rows)
    live, isolated = ROUND[:5], ROUND[5:10]
    mine = [{"at": 8.1 + 2 * place, "steps": live, "meter": "MX1"} for place in range(3)]
    mine += [{"at": 8.3 + 2 * place, "steps": isolated, "meter": "VX1", "file": 1} for place in range(3)]
    theirs = [
        {"at": 8.3 + 2 * place, "steps": live, "meter": "MX2", "file": 2, "label": f"SHED {place}"}
        for place in range(3)
    ]
    readings = readings_of(*mine, *theirs)
    found = matched(readings, jobs, appliances)
    own = readings["meter_serial"].isin(["MX1", "VX1"])
    assert found["job_id"][own].isin(["J0", "J1", "J2"]).all()
    assert found["job_id"][~own].isin(["J3", "J4", "J5"]).all()


def session_of(labels: list[str | None]) -> Session:
    readings = readings_of({"at": 8, "steps": [("voltage", "L-N")] * len(labels)})
    readings["label"] = pd.Series(labels, dtype="str")
    return find_sessions(order_sightings(readings))[0]


@pytest.mark.parametrize(
    ("labels", "asked"),
    [
        (["BOILER", "SOCKET", "SOCKET", "BOILER"], [False, True, True, False]),
        (["BOILER", "BOILRE", "BOILER"], [False, False, False]),
        (["BOILER", "SOCKET", "FIRE"], [False, False, False]),
        (["BOILER", "BOILER", "SOCKET"], [False, False, True]),
        (["BOILER", None, "SOCKET", "BOILER"], [False, False, True, False]),
    ],
)
def test_a_label_of_its_own_between_readings_under_another_is_asked_about(
    labels: list[str | None], asked: list[bool]
) -> None:
    visits = list_visits(*jobs_of({"at": 8, "label": "BOILER"}))
    found = label_of_its_own(session_of(labels), np.zeros(len(labels), dtype=np.int64), visits)
    assert list(found) == asked


def test_a_second_round_outside_the_hours_under_the_same_label_is_asked_about() -> None:
    jobs, appliances = jobs_of(
        {"at": 8, "label": "HALL 7"}, {"at": 10, "label": "BAR 9"}, {"at": 19, "label": "ANNEXE 3"}
    )
    found = matched(
        readings_of(
            {"at": 8.2, "label": "HALL 7"}, {"at": 10.2, "label": "BAR 9"}, {"at": 15.0, "label": "ANNEXE 3"},
            {"at": 19.2, "label": "ANNEXE 3"},
        ),
        jobs, appliances,
    )  # fmt: skip
    early = found.iloc[2 * len(ROUND) : 3 * len(ROUND)]
    assert (early["match_status"] != "auto").all()
    assert (found.iloc[: 2 * len(ROUND)]["match_status"] == "auto").mean() > 0.9
    assert (found.iloc[3 * len(ROUND) :]["match_status"] == "auto").mean() > 0.9


def test_small_doubts_between_visits_are_counted_as_they_held_and_never_more() -> None:
    said = np.linspace(0.0, 1.0, 401)
    held = np.interp(said, FAR_SAID, FAR_HELD)
    assert (np.diff(held) >= 0.0).all()
    assert (held <= said + 1e-12).all()
    assert held[said > 0.031] == pytest.approx(said[said > 0.031])


def test_two_rounds_at_a_visit_without_hours_are_asked_about_where_another_has_none() -> None:
    visits = list_visits(*jobs_of({"at": 8}, {"at": None}, {"at": 13}))
    place = list(visits.appliance_id).index("A1a")
    rounds = [
        STEP_NAMES.index(step) for step in ("supply_ln", "supply_le", "supply_ne", "dead_ln", "dead_le", "dead_ne")
    ]
    row: dict[str, Any] = {
        "appliance": np.full(12, place), "step": np.array(rounds * 2), "status": np.full(12, MARKS["auto"]),
        "why": np.zeros(12, dtype=np.int64), "confidence": np.full(12, 0.999), "candidates": {},
    }  # fmt: skip
    ask_about_double_rounds([row], visits, marks=MARKS)
    assert set(row["status"]) == {MARKS["review"]}
    assert set(row["why"]) == {MARKS["done twice"]}


def test_a_number_typed_for_an_appliance_without_a_label_is_no_reason_to_ask() -> None:
    jobs, appliances = jobs_of({"at": 8, "label": "001"}, {"at": 10}, {"at": 13, "label": "003"})
    found = matched(
        readings_of({"at": 8.2, "label": "001"}, {"at": 10.2, "label": "002"}, {"at": 13.2, "label": "003"}),
        jobs, appliances,
    )  # fmt: skip
    assert list(found["appliance_id"]) == [name for name in ("A0a", "A1a", "A2a") for _ in ROUND]
    assert (found["match_status"] == "auto").all()
