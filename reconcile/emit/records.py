"""From judged tables to certificate records: all that stands behind each certificate, in one place."""

from __future__ import annotations

import json
from typing import Any, Final, TypeVar

import pandas as pd

from reconcile.emit.cautions import CAUTIONS, NOT_SHOWN
from reconcile.emit.rows import Row, split_ids, table_rows
from reconcile.emit.shelf import Shelf, fill_shelf
from reconcile.tables import Brief, Judged
from schemas.certificate_record import SCHEMA_ID, CertificateRecord
from schemas.checks import CHECKS
from schemas.errors import TableError
from schemas.record_parts import (
    Part,
    RecordedAccuracy,
    RecordedAppliance,
    RecordedAttestation,
    RecordedCheck,
    RecordedClock,
    RecordedDecision,
    RecordedEvidence,
    RecordedFinding,
    RecordedJob,
    RecordedMeter,
    RecordedReading,
    RecordedStep,
    RecordedVerdict,
    SeenAgain,
)
from schemas.steps import STEP_ORDER, STEPS

SETTLED: Final = ("auto", "decided")

AnyPart = TypeVar("AnyPart", bound=Part)


def build_records(
    brief: Brief, judged: Judged, evidence: pd.DataFrame, certificates: pd.DataFrame
) -> tuple[CertificateRecord, ...]:
    """One record a certificate, in the order of ``certificates``. Raises TableError where a row it needs is missing."""
    shelf = fill_shelf(brief, judged, evidence)
    return tuple(build_record(row, shelf) for row in table_rows(certificates))


def build_record(certificate: Row, shelf: Shelf) -> CertificateRecord:
    """The record of one certificate row."""
    appliance_id = certificate["appliance_id"]
    appliance, job = one(shelf.appliances, appliance_id), one(shelf.jobs, certificate["job_id"])
    checks = shelf.checks.get(certificate["certificate_id"], [])
    findings = shelf.findings.get(certificate["certificate_id"], [])
    attestations = shelf.attestations.get(appliance_id, [])
    readings = sorted(find_readings(appliance_id, [*checks, *findings], shelf), key=reading_place)
    meters = sorted({row["meter_serial"] for row in readings} - {None} | {*split_ids(certificate["meter_serials"])})
    hashes = {row["evidence_sha256"] for row in [*readings, *attestations, appliance, job]}
    hashes |= {*split_ids(certificate["evidence_sha256s"])}
    return CertificateRecord(
        schema=SCHEMA_ID,
        certificate=record_verdict(certificate, checks, findings),
        job=fill(RecordedJob, job, meter_serials=split_ids(job["meter_serials"]), extra=json.loads(job["extra"])),
        appliance=fill(RecordedAppliance, appliance, extra=json.loads(appliance["extra"])),
        plan=tuple(record_step(row, readings) for row in shelf.plan.get(appliance_id, [])),
        readings=tuple(record_reading(row, checks, shelf) for row in readings),
        attestations=tuple(fill(RecordedAttestation, row) for row in attestations),
        decisions=tuple(fill(RecordedDecision, row) for row in find_decisions(appliance_id, readings, hashes, shelf)),
        meters=tuple(record_meter(serial, shelf) for serial in meters),
        clocks=tuple(fill(RecordedClock, row) for row in find_clocks(readings, shelf)),
        evidence=tuple(
            fill(RecordedEvidence, one(shelf.evidence, sha256), refused_records=shelf.refused[sha256])
            for sha256 in sorted(hashes)
        ),
        cautions=CAUTIONS,
        not_shown=NOT_SHOWN,
    )


def record_verdict(certificate: Row, checks: list[Row], findings: list[Row]) -> RecordedVerdict:
    """The certificate row with its checks and findings."""
    return fill(
        RecordedVerdict,
        certificate,
        meter_serials=split_ids(certificate["meter_serials"]),
        checks=tuple(
            fill(RecordedCheck, row, title=CHECKS[row["check"]], reading_ids=split_ids(row["reading_ids"]))
            for row in checks
        ),
        findings=tuple(fill(RecordedFinding, row, reading_ids=split_ids(row["reading_ids"])) for row in findings),
    )


def fill(part: type[AnyPart], row: Row, **more: Any) -> AnyPart:
    """A part of the record from the columns of a row that have its names; ``more`` stands before the row."""
    return part(**{name: row[name] for name in part.model_fields if name not in more}, **more)


def one(rows: dict[str, Row], name: str) -> Row:
    """The row of that name. Raises TableError where there is none."""
    if name not in rows:
        raise TableError("a certificate points at a row that does not exist", seen=name)
    return rows[name]


def find_readings(appliance_id: str, judged: list[Row], shelf: Shelf) -> list[Row]:
    """The readings matched to the appliance, and any other that a check or finding of its certificate names."""
    named = {reading_id for row in judged for reading_id in split_ids(row["reading_ids"])}
    matched = {row["reading_id"] for row in shelf.matched.get(appliance_id, [])}
    return [one(shelf.readings, reading_id) for reading_id in matched | named]


def reading_place(row: Row) -> tuple[Any, ...]:
    """Order of readings in a record: by step of the work, then time, then place in the evidence."""
    step = STEP_ORDER[row["step"]] if row["step"] is not None else len(STEP_ORDER)
    return step, row["taken_at"] or "", row["evidence_sha256"], row["record_no"], row["column_no"]


def record_reading(row: Row, checks: list[Row], shelf: Shelf) -> RecordedReading:
    """One reading with the checks that rest on it, its second places and the readings that contradict it."""
    reading_id = row["reading_id"]
    return fill(
        RecordedReading,
        row,
        match_reason=row["why"],
        checks=tuple(check["check"] for check in checks if reading_id in split_ids(check["reading_ids"])),
        seen_again=tuple(fill(SeenAgain, again) for again in shelf.duplicates.get(reading_id, [])),
        disagrees_with=shelf.disagreeing.get(reading_id, ()),
    )


def record_step(row: Row, readings: list[Row]) -> RecordedStep:
    """One planned step with the readings that answer it; one still in review answers nothing."""
    answers = tuple(
        reading["reading_id"]
        for reading in readings
        if reading["step"] == row["step"]
        and reading["appliance_id"] == row["appliance_id"]
        and reading["match_status"] in SETTLED
    )
    return fill(RecordedStep, row, title=STEPS[row["step"]].title, reading_ids=answers)


def record_meter(serial: str, shelf: Shelf) -> RecordedMeter:
    """One meter as the register knows it, or as unknown."""
    accuracies = tuple(fill(RecordedAccuracy, row) for row in shelf.accuracies.get(serial, []))
    row = shelf.meters.get(serial)
    if row is None:
        unknown = dict.fromkeys(RecordedMeter.model_fields)
        return fill(RecordedMeter, unknown, meter_serial=serial, registered=False, accuracies=accuracies)
    days = {name: row[name] and row[name][: len("2031-04-02")] for name in ("calibrated_on", "calibration_due")}
    return fill(RecordedMeter, row | days, registered=True, accuracies=accuracies)


def find_clocks(readings: list[Row], shelf: Shelf) -> list[Row]:
    """What was found about the clocks that timed these readings."""
    places = {shelf.clock_of[row["reading_id"]] for row in readings if row["reading_id"] in shelf.clock_of}
    return [shelf.clocks[place] for place in sorted(places)]


def find_decisions(appliance_id: str, readings: list[Row], hashes: set[str], shelf: Shelf) -> list[Row]:
    """The decisions about the appliance, its readings or its evidence, and those that undo one of them."""
    subjects = {row["reading_id"] for row in readings} | hashes
    found: dict[str, Row] = {}
    for row in shelf.decisions:
        words = {*row["subject"].split()}
        about = {row["subject"].split("/")[0], row["answer"].split("/")[0]}
        if words & (subjects | found.keys()) or appliance_id in about:
            found[row["decision_id"]] = row
    return list(found.values())
