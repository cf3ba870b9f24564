"""Certificate records: published schema, an independent validator, and what a record must hold."""

from __future__ import annotations

import copy
import dataclasses
import json
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from jsonschema import Draft202012Validator

from reconcile.emit.build import build_dataset
from reconcile.emit.cautions import CAUTIONS, NOT_SHOWN
from reconcile.emit.dataset import Dataset, dataset_files
from reconcile.tables import Brief, Judged
from schemas import certificate_record
from schemas.certificate_record import CertificateRecord, schema_bytes
from schemas.check import empty_table
from schemas.checks import CHECKS
from schemas.meters import Meters

PUBLISHED = Path(certificate_record.__file__).parent / "json" / "certificate_record.schema.json"


@pytest.fixture(scope="module")
def records(dataset: Dataset) -> dict[str, dict[str, Any]]:
    """The records as a reader of the files gets them, by appliance."""
    files = {path: content for path, content in dataset_files(dataset) if path.startswith("certificates/")}
    return {path[len("certificates/C-") : -len(".json")]: json.loads(content) for path, content in files.items()}


@pytest.fixture(scope="module")
def validator() -> Draft202012Validator:
    """Source of the expectation: jsonschema, an implementation of JSON Schema 2020-12 from PyPI."""
    schema = json.loads(PUBLISHED.read_bytes())
    Draft202012Validator.check_schema(schema)
    return Draft202012Validator(schema, format_checker=Draft202012Validator.FORMAT_CHECKER)


def test_published_schema_is_the_one_of_the_models() -> None:
    """To renew it: python -m schemas.certificate_record"""
    assert PUBLISHED.read_bytes() == schema_bytes()


def test_every_record_keeps_the_published_schema(
    records: dict[str, dict[str, Any]], validator: Draft202012Validator
) -> None:
    assert sorted(records) == ["A-101", "A-102", "A-201"]
    for record in records.values():
        assert [error.message for error in validator.iter_errors(record)] == []


@pytest.mark.parametrize(
    ("where", "value"),
    [
        (("certificate", "outcome"), "passed"),
        (("certificate", "checks", 0, "outcome"), "ok"),
        (("certificate", "findings", 0, "code"), "all_good"),
        (("readings", 0, "evidence_sha256"), "abc"),
        (("readings", 0, "taken_at"), "2 April 2031"),
        (("readings", 0, "unit"), "MOhm"),
        (("readings", 0, "match_confidence"), 1.5),
        (("appliance", "device_rating_a"), "3"),
        (("cautions",), None),
        (("invented",), 1),
        (("schema",), "urn:provebook:certificate-record:99"),
    ],
)
def test_a_changed_record_breaks_the_schema(
    records: dict[str, dict[str, Any]], validator: Draft202012Validator, where: tuple[Any, ...], value: object
) -> None:
    record: Any = copy.deepcopy(records["A-102"])
    inner = record
    for step in where[:-1]:
        inner = inner[step]
    inner[where[-1]] = value
    assert not validator.is_valid(record)


def test_a_record_reads_back_into_the_model(dataset: Dataset) -> None:
    for record in dataset.records:
        assert CertificateRecord.model_validate_json(record.model_dump_json(by_alias=True)) == record


def test_every_check_finds_its_readings_in_the_record(records: dict[str, dict[str, Any]]) -> None:
    for record in records.values():
        verdict, readings = record["certificate"], {row["reading_id"]: row for row in record["readings"]}
        assert [check["check"] for check in verdict["checks"]] == list(CHECKS)
        for check in verdict["checks"]:
            assert all(check["check"] in readings[name]["checks"] for name in check["reading_ids"])
        for finding in verdict["findings"]:
            assert set(finding["reading_ids"]) <= readings.keys()
        hashes = {row["evidence_sha256"] for row in record["readings"]}
        assert hashes <= {item["sha256"] for item in record["evidence"]}


def test_text_of_people_and_meters_is_unchanged(records: dict[str, dict[str, Any]], brief: Brief) -> None:
    assert records["A-102"]["appliance"]["label"] == '=cmd|"/c calc"!A1'
    assert records["A-101"]["job"]["extra"] == {"order no": "+44 1"}
    raw = dict(zip(brief.readings["reading_id"], brief.readings["raw_text"], strict=True))
    for record in records.values():
        assert all(row["raw_text"] == raw[row["reading_id"]] for row in record["readings"])


def test_dangers_come_first(records: dict[str, dict[str, Any]]) -> None:
    severities = [finding["severity"] for finding in records["A-102"]["certificate"]["findings"]]
    assert severities == ["danger", "danger", "query"]


def test_second_places_and_contradictions_are_told(records: dict[str, dict[str, Any]]) -> None:
    rows = {row["step"]: row for row in records["A-101"]["readings"]}
    assert [again["record_no"] for again in rows["supply_ln"]["seen_again"]] == [3]
    assert rows["supply_le"]["disagrees_with"] == [rows["supply_ne"]["reading_id"]]
    assert rows["supply_ne"]["disagrees_with"] == [rows["supply_le"]["reading_id"]]


def test_a_reading_in_review_answers_no_planned_step(records: dict[str, dict[str, Any]]) -> None:
    plan = {step["step"]: step["reading_ids"] for step in records["A-201"]["plan"]}
    assert plan["metalwork"] == []
    assert len(plan["supply_ln"]) == 1
    assert "review" in {row["match_status"] for row in records["A-201"]["readings"]}


def test_meters_clocks_decisions_and_refusals_stand_beside(records: dict[str, dict[str, Any]]) -> None:
    record = records["A-201"]
    assert [(meter["meter_serial"], meter["calibration_due"]) for meter in record["meters"]] == [
        ("MX-0417", "2031-09-01")
    ]
    assert [decision["decision_id"] for decision in record["decisions"]] == ["D-1"]
    assert records["A-101"]["decisions"] == []
    assert [clock["offset_s"] for clock in records["A-101"]["clocks"]] == [62.0]
    assert record["clocks"] == []
    assert {item["original_name"]: item["refused_records"] for item in record["evidence"]} == {
        "second.csv": 2, "jobs.csv": 0,
    }  # fmt: skip


def test_a_meter_outside_the_register_is_told_as_such(brief: Brief, judged: Judged, evidence: pd.DataFrame) -> None:
    unknown = dataclasses.replace(brief, meters=empty_table(Meters))
    for record in build_dataset(unknown, judged, evidence).records:
        assert [(meter.registered, meter.calibration_due) for meter in record.meters] == [(False, None)]


def test_every_record_carries_the_cautions(records: dict[str, dict[str, Any]]) -> None:
    for record in records.values():
        assert record["cautions"] == list(CAUTIONS)
        assert record["not_shown"] == list(NOT_SHOWN)
    assert "safe" not in " ".join((*CAUTIONS, *NOT_SHOWN)).lower()
