"""The certificate record: everything behind one certificate in one JSON file, and its published JSON Schema."""

from __future__ import annotations

import json
from typing import Any, Final

from pydantic import Field

from schemas.record_parts import (
    Part,
    RecordedAppliance,
    RecordedAttestation,
    RecordedClock,
    RecordedDecision,
    RecordedEvidence,
    RecordedJob,
    RecordedMeter,
    RecordedReading,
    RecordedStep,
    RecordedVerdict,
)

RECORD_FORMAT: Final = 1
SCHEMA_ID: Final = f"urn:provebook:certificate-record:{RECORD_FORMAT}"
SCHEMA_DIALECT: Final = "https://json-schema.org/draft/2020-12/schema"


class CertificateRecord(Part):
    """The whole record of one certificate."""

    record_schema: str = Field(alias="schema", json_schema_extra={"const": SCHEMA_ID})
    certificate: RecordedVerdict
    job: RecordedJob
    appliance: RecordedAppliance
    plan: tuple[RecordedStep, ...]
    readings: tuple[RecordedReading, ...]
    attestations: tuple[RecordedAttestation, ...]
    decisions: tuple[RecordedDecision, ...]
    meters: tuple[RecordedMeter, ...]
    clocks: tuple[RecordedClock, ...]
    evidence: tuple[RecordedEvidence, ...]
    cautions: tuple[str, ...]
    not_shown: tuple[str, ...] = Field(description="What these readings cannot show, whatever their values.")


def certificate_schema() -> dict[str, Any]:
    """The JSON Schema (2020-12) of a certificate record."""
    schema = CertificateRecord.model_json_schema(mode="serialization", by_alias=True)
    return {"$schema": SCHEMA_DIALECT, "$id": SCHEMA_ID} | schema


def schema_bytes() -> bytes:
    """The published schema file, as it must stand in ``schemas/json``."""
    return (json.dumps(certificate_schema(), indent=1, ensure_ascii=False) + "\n").encode()


def record_bytes(record: CertificateRecord) -> bytes:
    """One record as the JSON file that is written."""
    return (record.model_dump_json(indent=1, by_alias=True) + "\n").encode()


if __name__ == "__main__":
    from pathlib import Path

    Path(__file__).with_name("json").joinpath("certificate_record.schema.json").write_bytes(schema_bytes())
