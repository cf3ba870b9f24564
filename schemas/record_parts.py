"""The parts of a certificate record: job, appliance, checks, findings, readings and what stands behind them.

Numbers are in SI units without prefix beside their UCUM code; times are ISO 8601 text, UTC with ``Z`` unless the
name says that it is the meter's own; null means unknown, never zero.
"""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field

from schemas.certificates import CERTIFICATE_OUTCOMES
from schemas.checks import CHECKS, OUTCOMES
from schemas.findings import SEVERITIES, SEVERITY_OF
from schemas.jobs import ATTESTED
from schemas.matches import DECISION_KINDS, MATCH_STATUSES
from schemas.quantities import COMPARATORS, CONDUCTORS, INDICATIONS, QUANTITIES, UNITS
from schemas.steps import NEEDS, STEPS


def word(words: Any, description: str) -> Any:
    """A field that holds one of ``words``; checked where the tables are made, published in the schema."""
    return Field(description=description, json_schema_extra={"enum": list(words)})


def optional_word(words: Any, description: str) -> Any:
    """As ``word``, or null for unknown."""
    return Field(description=description, json_schema_extra={"enum": [*words, None]})


Sha256 = Annotated[str, Field(pattern="^[0-9a-f]{64}$")]
MomentText = Annotated[
    str, Field(pattern=r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?Z$", json_schema_extra={"format": "date-time"})
]
DayText = Annotated[str, Field(pattern=r"^\d{4}-\d\d-\d\d$", json_schema_extra={"format": "date"})]
LocalMomentText = Annotated[str, Field(pattern=r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?$")]


class Part(BaseModel):
    """The base of every part of a record: exactly its fields, never changed once made."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class RecordedJob(Part):
    """The job as the office listed it; ``extra`` holds the columns that this program does not know."""

    job_id: str
    site: str | None
    engineer: str | None
    work_type: str | None
    status: str | None
    arrived_at: MomentText | None
    left_at: MomentText | None
    meter_serials: tuple[str, ...]
    extra: dict[str, Any]


class RecordedAppliance(Part):
    """The appliance as the office listed it. Null earthing, device or rating means unknown."""

    appliance_id: str
    kind: str | None
    location: str | None
    label: str | None
    earthing: str | None
    device: str | None
    device_rating_a: float | None
    rcd_rated_ma: float | None
    construction_class: str | None
    extra: dict[str, Any]


class RecordedCheck(Part):
    """One judged item: value, limits and uncertainty in ``unit``."""

    check: str = word(CHECKS, "The judged item.")
    title: str
    outcome: str = word(OUTCOMES, "Verdict of the item.")
    value: float | None
    unit: str | None = optional_word(UNITS, "UCUM code of value, limits and uncertainty.")
    comparator: str | None = optional_word(COMPARATORS, "eq, gt (more than the value) or lt (less than it).")
    indication: str | None
    limit_low: float | None
    limit_high: float | None
    limit_source: str | None
    expanded_uncertainty: float | None = Field(description="Coverage factor 2.")
    probability_conforming: float | None = Field(ge=0, le=1)
    reading_ids: tuple[str, ...] = Field(description="The readings behind the verdict, the governing one first.")
    note: str | None


class RecordedFinding(Part):
    """One remark: what was found, what to do, what it rests on."""

    finding_id: str
    code: str = word(SEVERITY_OF, "Kind of remark.")
    severity: str = word(SEVERITIES, "danger is the worst.")
    message: str
    action: str
    reading_ids: tuple[str, ...]
    source: str


class SeenAgain(Part):
    """A second place in the evidence that holds the same stored record."""

    evidence_sha256: Sha256
    record_no: int
    column_name: str | None
    raw_text: str


class RecordedReading(Part):
    """One reading with its way back to the evidence: hash, line, column and the cell as received."""

    reading_id: str
    evidence_sha256: Sha256
    record_no: int
    column_name: str | None
    raw_text: str
    meter_serial: str | None
    memory_no: int | None
    meter_time: LocalMomentText | None
    taken_at: MomentText | None
    quantity: str = word(QUANTITIES, "What was measured.")
    conductors: str | None = optional_word(CONDUCTORS, "The pair or path measured.")
    value: float | None
    unit: str | None = optional_word(UNITS, "UCUM code.")
    comparator: str | None = optional_word(COMPARATORS, "eq, gt or lt.")
    indication: str | None = optional_word(INDICATIONS, "What a meter without a number showed.")
    reason: str | None
    resolution: float | None
    label: str | None
    job_id: str | None
    appliance_id: str | None
    step: str | None = optional_word(STEPS, "The planned test that it answers.")
    match_confidence: float = Field(ge=0, le=1)
    match_status: str = word(MATCH_STATUSES, "review: best guess, not used in judging.")
    match_reason: str
    checks: tuple[str, ...] = Field(description="The checks that rest on this reading.")
    seen_again: tuple[SeenAgain, ...] = Field(description="Where the same stored record was received once more.")
    disagrees_with: tuple[str, ...] = Field(description="Readings of the same stored record that differ.")


class RecordedStep(Part):
    """One planned test and the readings that answer it; none means that it was not done or not found."""

    step: str = word(STEPS, "The planned test.")
    title: str
    need: str = word(NEEDS, "Whether the plan of the work type asks for it.")
    source: str
    reading_ids: tuple[str, ...]


class RecordedAttestation(Part):
    """A fact that a person states and a meter cannot record."""

    item: str = word(ATTESTED, "What is stated.")
    value: str
    attested_at: MomentText | None
    by: str | None
    evidence_sha256: Sha256
    record_no: int


class RecordedAccuracy(Part):
    """Accuracy of a meter: ± (percent_of_reading of the value + digits × resolution)."""

    quantity: str = word(QUANTITIES, "What it holds for.")
    percent_of_reading: float
    digits: float
    resolution: float | None
    range_low: float | None
    range_high: float | None


class RecordedMeter(Part):
    """A meter that was used; ``registered`` is false where the register does not know it."""

    meter_serial: str
    registered: bool
    role: str | None
    calibrated_on: DayText | None
    calibration_due: DayText | None
    calibration_certificate: str | None
    profile: str | None
    accuracies: tuple[RecordedAccuracy, ...]


class RecordedClock(Part):
    """What was found about the clock of a meter that was used; offset is meter time minus true time."""

    meter_serial: str | None
    state: str
    offset_s: float | None
    offset_uncertainty_s: float | None
    drift_s_per_day: float | None
    agreeing: int
    readings: int
    message: str


class RecordedDecision(Part):
    """A person's answer that this certificate rests on."""

    decision_id: str
    kind: str = word(DECISION_KINDS, "What was decided.")
    subject: str
    answer: str
    decided_at: MomentText
    by: str
    why: str


class RecordedEvidence(Part):
    """A file of bytes that the certificate rests on, and how many records of it could not be read."""

    sha256: Sha256
    original_name: str
    bytes: int
    received_at: MomentText
    kind: str
    profile: str | None
    refused_records: int


class RecordedVerdict(Part):
    """The verdict: outcome, when, by which rules, by which program, every check and finding."""

    certificate_id: str
    outcome: str = word(CERTIFICATE_OUTCOMES, "incomplete until every required check is settled.")
    highest_severity: str | None = optional_word(SEVERITIES, "Worst severity among the findings.")
    tested_from: MomentText | None
    tested_to: MomentText | None
    meter_serials: tuple[str, ...]
    rule_pack: str
    tool_version: str
    checks: tuple[RecordedCheck, ...]
    findings: tuple[RecordedFinding, ...] = Field(description="The worst first.")
