"""An invented judged day, put together by hand: one appliance satisfactory, one with dangers, one incomplete.

The words and cells are as hostile as a field day allows: formulas, markup, quotes, line breaks, letters of other
alphabets. Verdicts are written down here, not computed: these tests are about what is written, not about judging.
"""

from __future__ import annotations

import hashlib
from typing import Any

import pandas as pd
import pytest

from reconcile.emit.build import build_dataset
from reconcile.emit.dataset import Dataset
from reconcile.emit.day import Day, build_day
from reconcile.tables import Brief, Judged
from schemas.certificates import Certificates
from schemas.check import conform_table, empty_table
from schemas.checks import CHECKS, Checks
from schemas.evidence import Evidence
from schemas.findings import SEVERITY_OF, Findings
from schemas.jobs import Appliances, Attestations, Jobs
from schemas.matches import Clocks, Decisions, Matches, Questions
from schemas.meters import Accuracies, Meters
from schemas.readings import Conflicts, Duplicates, FileCounts, Readings, Refusals
from schemas.steps import STEPS, PlannedSteps
from schemas.version import TOOL_VERSION

EXPORT = hashlib.sha256(b"an export").hexdigest()
SECOND = hashlib.sha256(b"another export").hexdigest()
LIST = hashlib.sha256(b"a job list").hexdigest()
REGISTER = hashlib.sha256(b"a meter register").hexdigest()

HOSTILE_LABEL = '=cmd|"/c calc"!A1'
HOSTILE_SITE = "<script>alert('site')</script> 3 Mill & Forge Lane"
HOSTILE_EVIDENCE = 'tues"day</td><img src=x onerror=alert(1)>.csv'

VOLTS = {"quantity": "voltage", "unit": "V", "comparator": "eq", "resolution": 0.1}
PROOF = {"quantity": "voltage_indicator_proof", "indication": "present"}


def moment(text: str | None) -> pd.Timestamp | None:
    return pd.Timestamp(text, tz="UTC") if text else None


def make(model: Any, rows: list[dict[str, Any]]) -> pd.DataFrame:
    """A checked table from rows that may leave columns out."""
    columns = [*model.to_schema().columns]
    frame = pd.DataFrame([{name: row.get(name) for name in columns} for row in rows], columns=columns)
    for name, column in model.to_schema().columns.items():
        if str(column.dtype) == "datetime64[ns, UTC]":
            frame[name] = pd.to_datetime(frame[name], utc=True).astype("datetime64[ns, UTC]")
    return conform_table(model, frame)


def pair(step: str, conductors: str, value: float) -> dict[str, Any]:
    return VOLTS | {"step": step, "conductors": conductors, "value": value, "raw_text": f"{value:.1f} V"}


def good_steps() -> list[dict[str, Any]]:
    """The readings of a service on which nothing is wrong."""
    return [
        {"step": "metalwork", "quantity": "non_contact_voltage", "indication": "absent", "raw_text": "none"},
        pair("supply_ln", "L-N", 233.4),
        pair("supply_le", "L-E", 232.9),
        pair("supply_ne", "N-E", 0.6),
        {"step": "earth_loop", "quantity": "earth_fault_loop_impedance", "conductors": "L-E", "value": 0.42,
         "unit": "Ohm", "comparator": "eq", "resolution": 0.01, "raw_text": "0.42"},
        PROOF | {"step": "proof_before", "raw_text": "LIVE"},
        pair("dead_ln", "L-N", 0.0),
        pair("dead_le", "L-E", 0.0),
        pair("dead_ne", "N-E", 0.0),
        PROOF | {"step": "proof_after", "raw_text": "LIVE"},
        {"step": "insulation", "quantity": "insulation_resistance", "conductors": "LN-E", "value": 999e6,
         "unit": "Ohm", "comparator": "gt", "resolution": 1e6, "raw_text": ">999 MOhm"},
        pair("restored_ln", "L-N", 233.1),
        pair("restored_le", "L-E", 232.8),
        pair("restored_ne", "N-E", 0.5),
    ]  # fmt: skip


def danger_steps() -> list[dict[str, Any]]:
    """Isolated on the wrong side: line-neutral reads dead, line-earth does not. No second proof."""
    steps = [row for row in good_steps() if row["step"] not in {"proof_after", "insulation"}]
    for row in steps:
        if row["step"] in {"dead_le", "dead_ne"}:
            row |= {"value": 232.7, "raw_text": "232.7 V"}
    return steps


APPLIANCES: dict[str, dict[str, Any]] = {
    "A-101": {"job_id": "J-1", "kind": "combination boiler", "location": "kitchen", "earthing": "TN-C-S",
              "device": "BS1362", "device_rating_a": 3.0, "construction_class": "I", "label": "KITCHEN"},
    "A-102": {"job_id": "J-1", "kind": "warm-air unit", "location": "under stairs", "earthing": "TT",
              "device": "B", "device_rating_a": 6.0, "rcd_rated_ma": 30.0, "construction_class": "I",
              "label": HOSTILE_LABEL},
    "A-201": {"job_id": "J-2", "kind": "water heater", "location": "Łazienka / bathroom", "label": "BATH <b>2</b>"},
    "A-301": {"job_id": "J-3", "kind": "fire", "location": "front room"},
}  # fmt: skip


def make_readings() -> tuple[pd.DataFrame, pd.DataFrame]:
    """Readings and matches of the day: three appliances, one stray, one in review."""
    readings: list[dict[str, Any]] = []
    matches: list[dict[str, Any]] = []

    def add(row: dict[str, Any], evidence: str, appliance: str | None, status: str, minute: int) -> None:
        number = len(readings) + 2
        reading_id = f"{evidence[:16]}-{number}-4"
        at = moment(f"2031-04-02T08:{minute % 60:02d}:00")
        readings.append(
            row | {"reading_id": reading_id, "evidence_sha256": evidence, "record_no": number, "column_no": 4,
                   "column_name": "Result", "meter_serial": "MX-0417", "memory_no": number,
                   "meter_time": at.tz_localize(None) + pd.Timedelta(hours=1), "stamped_at": at,
                   "label": APPLIANCES[appliance]["label"] if appliance else "-"}
        )  # fmt: skip
        matches.append(
            {"reading_id": reading_id, "taken_at": at, "match_status": status, "why": "label and order of steps",
             "match_confidence": 0.98 if status == "auto" else 0.4,
             "appliance_id": appliance, "job_id": APPLIANCES[appliance]["job_id"] if appliance else None,
             "step": row["step"] if appliance else None}
        )  # fmt: skip

    for minute, row in enumerate(good_steps()):
        add(row, EXPORT, "A-101", "auto", minute)
    for minute, row in enumerate(danger_steps()):
        add(row, EXPORT, "A-102", "auto", minute + 20)
    for minute, row in enumerate(good_steps()[:3]):
        add(row, SECOND, "A-201", "decided" if minute else "review", minute + 40)
    add(pair("supply_ln", "L-N", 229.9) | {"raw_text": "\t-229.9 V"}, SECOND, None, "none", 50)
    return make(Readings, readings), make(Matches, matches)


def make_checks(readings: pd.DataFrame, matches: pd.DataFrame) -> pd.DataFrame:
    """Fourteen checks for each of three certificates, with verdicts as a judge would write them."""
    joined = readings.merge(matches, on="reading_id")
    rows = []
    for appliance in ("A-101", "A-102", "A-201"):
        own = joined[(joined["appliance_id"] == appliance) & (joined["match_status"] != "review")]
        by_check = {
            check: own[own["step"].map({name: step.check for name, step in STEPS.items()}) == check] for check in CHECKS
        }
        for check, behind in by_check.items():
            rows.append(judge_check(appliance, check, behind))
    return make(Checks, rows)


def judge_check(appliance: str, check: str, behind: pd.DataFrame) -> dict[str, Any]:
    row: dict[str, Any] = {"certificate_id": f"C-{appliance}", "job_id": APPLIANCES[appliance]["job_id"],
                           "appliance_id": appliance, "check": check, "outcome": "not tested"}  # fmt: skip
    if check in {"visual", "fuse_rating", "isolation_secured"}:
        return row | {"outcome": "satisfactory" if appliance == "A-101" else "not tested", "note": "attested"}
    if behind.empty:
        return row
    first = behind.iloc[0]
    row |= {"outcome": "satisfactory", "value": first["value"], "unit": first["unit"],
            "comparator": first["comparator"], "indication": first["indication"],
            "reading_ids": " ".join(behind["reading_id"])}  # fmt: skip
    if check == "supply_voltage":
        row |= {"limit_low": 216.2, "limit_high": 253.0, "limit_source": "ESQCR 2002 regulation 27 (from memory)",
                "expanded_uncertainty": 2.1, "probability_conforming": 0.9998}  # fmt: skip
    if check == "earth_fault_loop":
        row |= {"limit_high": 12.48, "limit_source": "BS 7671:2018+A2:2022 Table 41.2, × 0.8 (from memory)"}
    if check == "proved_dead" and appliance == "A-102":
        row |= {"outcome": "unsatisfactory", "value": 232.7, "note": "line to earth and neutral to earth are not dead"}
    return row


def make_findings(readings: pd.DataFrame) -> pd.DataFrame:
    ids = readings["reading_id"].to_list()
    rows = [
        ("C-A-102", "isolated_in_neutral", "Line–neutral reads dead, line–earth reads 232.7 V: the conductor is live.",
         "Do not touch. Isolate at a point that opens line. Tell the responsible person.", " ".join(ids[20:23])),
        ("C-A-102", "not_dead", "232.7 V between line and earth after isolation.",
         "Stop. Treat every part as live.", ids[21]),
        ("C-A-102", "step_missing", "The indicator was not proved again after use.", "Prove it and test again.", None),
        ("C-A-201", "earthing_unknown", 'Earthing is not known <img src="https://x.example/a">.',
         "Find out the earthing arrangement.", None),
        ("C-A-101", "clock_corrected", "The meter's clock was 62 s fast; times are corrected.", "Nothing.", None),
        (None, "reading_unmatched", "One reading belongs to no appliance of the list.", "Answer the question.",
         ids[-1]),
    ]  # fmt: skip
    return make(Findings, [
        {"finding_id": f"F-{number}", "certificate_id": certificate,
         "appliance_id": certificate[2:] if certificate else None,
         "job_id": APPLIANCES[certificate[2:]]["job_id"] if certificate else None, "code": code,
         "severity": SEVERITY_OF[code], "message": message, "action": action, "reading_ids": readings_behind,
         "source": "common practice"}
        for number, (certificate, code, message, action, readings_behind) in enumerate(rows, start=1)
    ])  # fmt: skip


def make_certificates() -> pd.DataFrame:
    outcomes = {
        "A-201": ("incomplete", "query"), "A-101": ("satisfactory", "note"), "A-102": ("unsatisfactory", "danger"),
    }  # fmt: skip
    return make(Certificates, [
        {name: row.get(name) for name in ("job_id", "kind", "location", "earthing", "device", "device_rating_a",
                                          "rcd_rated_ma")}
        | {"certificate_id": f"C-{appliance}", "appliance_id": appliance, "site": HOSTILE_SITE, "engineer": "R. Ŵyn",
           "tested_from": moment("2031-04-02T08:00:00"), "tested_to": moment("2031-04-02T08:14:00"),
           "outcome": outcomes[appliance][0], "highest_severity": outcomes[appliance][1], "meter_serials": "MX-0417",
           "rule_pack": "test-pack-1", "tool_version": TOOL_VERSION,
           "evidence_sha256s": SECOND if appliance == "A-201" else EXPORT}
        for appliance, row in APPLIANCES.items() if appliance in outcomes
    ])  # fmt: skip


def make_jobs() -> pd.DataFrame:
    facts = {"evidence_sha256": LIST, "work_type": "service", "engineer": "R. Ŵyn"}
    return make(Jobs, [
        facts | {"job_id": "J-1", "sequence": 0, "site": HOSTILE_SITE, "status": "attended", "record_no": 2,
                 "arrived_at": moment("2031-04-02T07:55:00"), "left_at": moment("2031-04-02T09:00:00"),
                 "extra": '{"order no": "+44 1"}'},
        facts | {"job_id": "J-2", "sequence": 1, "site": "11 Quarry Rise", "status": "attended", "record_no": 3,
                 "extra": "{}"},
        facts | {"job_id": "J-3", "sequence": 2, "site": "The Old Dairy", "status": "no access", "record_no": 4,
                 "extra": "{}"},
    ])  # fmt: skip


def make_brief() -> Brief:
    readings, matches = make_readings()
    ids = readings["reading_id"].to_list()
    appliances = [
        row | {"appliance_id": name, "sequence": place, "record_no": place + 2, "evidence_sha256": LIST,
               "extra": '{"Floor": "2", "Remark": "@home"}'}
        for place, (name, row) in enumerate(APPLIANCES.items())
    ]  # fmt: skip
    plan = [
        {"job_id": APPLIANCES[name]["job_id"], "appliance_id": name, "step": step, "position": place,
         "need": "optional" if step == "insulation" else "required", "source": "common practice"}
        for name in ("A-101", "A-102", "A-201")
        for place, step in enumerate(row["step"] for row in good_steps())
    ]  # fmt: skip
    return Brief(
        readings=readings,
        matches=matches,
        refusals=make(Refusals, [
            {"evidence_sha256": SECOND, "record_no": 9, "column_name": "Result", "raw_text": "-O.L", "message":
             "the cell is neither a number nor a word of the profile", "reason": "not a number"},
            {"evidence_sha256": SECOND, "record_no": 11, "raw_text": "", "message": "no value", "reason":
             "missing value"},
        ]),
        duplicates=make(Duplicates, [
            {"reading_id": ids[1], "evidence_sha256": SECOND, "record_no": 3, "column_no": 4, "column_name": "Result",
             "raw_text": "233.4 V"},
        ]),
        conflicts=make(Conflicts, [
            {"conflict_id": "X-1", "reading_id": ids[2]}, {"conflict_id": "X-1", "reading_id": ids[3]},
        ]),
        jobs=make_jobs(),
        appliances=make(Appliances, appliances),
        attestations=make(Attestations, [
            {"appliance_id": "A-101", "item": "isolation_point_secured", "value": "locked", "by": "R. Ŵyn",
             "attested_at": moment("2031-04-02T08:04:30"), "evidence_sha256": LIST, "record_no": 2},
        ]),
        meters=make(Meters, [
            {"meter_serial": "MX-0417", "role": "multifunction tester", "calibrated_on": pd.Timestamp("2030-09-01"),
             "calibration_due": pd.Timestamp("2031-09-01"), "calibration_certificate": "K-77",
             "evidence_sha256": REGISTER},
        ]),
        accuracies=make(Accuracies, [
            {"meter_serial": "MX-0417", "quantity": "voltage", "percent_of_reading": 0.8, "digits": 2.0,
             "resolution": 0.1},
        ]),
        plan=make(PlannedSteps, plan),
        clocks=make(Clocks, [
            {"meter_serial": "MX-0417", "state": "corrected", "offset_s": 62.0, "offset_uncertainty_s": 3.0,
             "agreeing": 20, "readings": 26, "reading_ids": " ".join(ids[:26]), "message": "62 s fast"},
        ]),
        questions=make(Questions, [
            {"question_id": "Q-1", "meter_serial": "MX-0417", "reading_ids": ids[-1], "readings": 1,
             "candidates": "[]", "text": "Which appliance does the reading of 08:50 belong to?"},
        ]),
        decisions=make(Decisions, [
            {"decision_id": "D-1", "kind": "match", "subject": ids[-2], "answer": "A-201", "by": "admin",
             "decided_at": moment("2031-04-03T09:00:00"), "why": "asked the engineer"},
            {"decision_id": "D-2", "kind": "match", "subject": "elsewhere-1-1", "answer": "A-999", "by": "admin",
             "decided_at": moment("2031-04-03T09:01:00"), "why": "not of this certificate"},
        ]),
    )  # fmt: skip


def make_evidence() -> pd.DataFrame:
    names = {EXPORT: HOSTILE_EVIDENCE, SECOND: "second.csv", LIST: "jobs.csv", REGISTER: "meters.toml"}
    kinds = {EXPORT: "export", SECOND: "export", LIST: "job list", REGISTER: "meter register"}
    return make(Evidence, [
        {"sha256": sha256, "original_name": name, "bytes": 1234, "kind": kinds[sha256], "tool_version": TOOL_VERSION,
         "received_at": moment("2031-04-02T17:30:00.125")}
        for name, sha256 in sorted((name, sha256) for sha256, name in names.items())
    ])  # fmt: skip


def make_judged(brief: Brief) -> Judged:
    return Judged(
        checks=make_checks(brief.readings, brief.matches),
        findings=make_findings(brief.readings),
        certificates=make_certificates(),
        rule_pack="test-pack-1",
    )


@pytest.fixture(scope="session")
def brief() -> Brief:
    return make_brief()


@pytest.fixture(scope="session")
def judged(brief: Brief) -> Judged:
    return make_judged(brief)


@pytest.fixture(scope="session")
def evidence() -> pd.DataFrame:
    return make_evidence()


@pytest.fixture(scope="session")
def dataset(brief: Brief, judged: Judged, evidence: pd.DataFrame) -> Dataset:
    return build_dataset(brief, judged, evidence)


@pytest.fixture(scope="session")
def day(brief: Brief, judged: Judged, evidence: pd.DataFrame) -> Day:
    counts = make(FileCounts, [
        {"evidence_sha256": EXPORT, "original_name": HOSTILE_EVIDENCE, "profile": "long", "records": 26,
         "readings": 26, "refusals": 0, "duplicates": 0},
        {"evidence_sha256": SECOND, "original_name": "second.csv", "profile": "long", "records": 6, "readings": 4,
         "refusals": 2, "duplicates": 1},
    ])  # fmt: skip
    return build_day(brief, judged, evidence, counts)


@pytest.fixture(scope="session")
def quiet_day(brief: Brief) -> Day:
    """A day on which nothing was received: every table empty but the job list."""

    def none(model: Any) -> pd.DataFrame:
        return empty_table(model)

    nothing = Brief(
        readings=none(Readings), refusals=none(Refusals), duplicates=none(Duplicates), conflicts=none(Conflicts),
        jobs=brief.jobs, appliances=brief.appliances, attestations=none(Attestations), meters=none(Meters),
        accuracies=none(Accuracies), plan=none(PlannedSteps), matches=none(Matches), clocks=none(Clocks),
        questions=none(Questions), decisions=none(Decisions),
    )  # fmt: skip
    empty = Judged(
        checks=none(Checks), findings=none(Findings), certificates=none(Certificates), rule_pack="test-pack-1"
    )
    return build_day(nothing, empty, none(Evidence), none(FileCounts))
