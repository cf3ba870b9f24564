"""A certificate record as the texts of its page: what is shown, in which order, for HTML and PDF alike."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from cli.pages.wording import (
    clock_text,
    count_text,
    day_text,
    limit_text,
    moment_text,
    name_text,
    period_text,
    probability_text,
    uncertainty_text,
    value_text,
)
from schemas.certificate_record import CertificateRecord
from schemas.record_parts import RecordedAttestation, RecordedCheck, RecordedFinding, RecordedMeter, RecordedReading
from schemas.steps import STEPS

OUTCOME_SENTENCES: Final = {
    "satisfactory": "Every required check is satisfactory. That is what the readings below show, and no more.",
    "unsatisfactory": "At least one check is unsatisfactory.",
    "incomplete": "Not every required check is settled. Until it is, nothing is shown to be in order.",
}
SEVERITY_TITLES: Final = {"danger": "Danger", "defect": "Defect", "query": "To settle", "note": "Note"}
MATCH_WORDS: Final = {"auto": "program", "decided": "person", "review": "not settled", "none": "nowhere"}
SHORT_HASH: Final = 12


@dataclass(frozen=True, kw_only=True)
class ReadingLine:
    """One reading as shown. ``mark`` is its short name on this page, such as ``R7``."""

    mark: str
    step: str
    value: str
    raw_text: str
    column_name: str
    taken: str
    meter_time: str
    meter: str
    evidence: str
    evidence_short: str
    record_no: int
    match: str
    settled: bool
    remarks: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class CheckLine:
    """One check as shown. ``behind``: (mark, step, value) of each reading that it rests on."""

    title: str
    outcome: str
    value: str
    uncertainty: str
    probability: str
    limit: str
    source: str
    note: str
    marks: tuple[str, ...]
    behind: tuple[tuple[str, str, str], ...]


@dataclass(frozen=True, kw_only=True)
class FindingLine:
    """Findings of one code that ask for the same thing; ``messages``: what each says, and the marks of its readings."""

    severity: str
    severity_title: str
    title: str
    messages: tuple[tuple[str, tuple[str, ...]], ...]
    action: str
    source: str


@dataclass(frozen=True, kw_only=True)
class CertificateView:
    """All texts of one page. ``facts``, ``statements`` and the like are (label, text) pairs."""

    certificate_id: str
    outcome: str
    outcome_sentence: str
    site: str
    appliance: str
    facts: tuple[tuple[str, str], ...]
    dangers: tuple[FindingLine, ...]
    findings: tuple[FindingLine, ...]
    checks: tuple[CheckLine, ...]
    missing: tuple[str, ...]
    day: str
    readings: tuple[ReadingLine, ...]
    statements: tuple[tuple[str, str], ...]
    decisions: tuple[tuple[str, str], ...]
    meters: tuple[tuple[str, str], ...]
    evidence: tuple[tuple[str, str], ...]
    cautions: tuple[str, ...]
    not_shown: tuple[str, ...]
    made_by: str


def view_certificate(record: CertificateRecord) -> CertificateView:
    """The page of one record."""
    verdict = record.certificate
    marks = {reading.reading_id: f"R{place}" for place, reading in enumerate(record.readings, start=1)}
    findings = group_findings(verdict.findings, marks)
    day = one_day(record.readings)
    one_meter = len({reading.meter_serial for reading in record.readings}) == 1
    lines = {reading.reading_id: view_reading(reading, marks, day, one_meter=one_meter) for reading in record.readings}
    return CertificateView(
        certificate_id=verdict.certificate_id,
        outcome=verdict.outcome,
        outcome_sentence=OUTCOME_SENTENCES[verdict.outcome],
        site=record.job.site or "site not named",
        appliance=", ".join(filter(None, (record.appliance.kind, record.appliance.location))) or "appliance",
        facts=view_facts(record),
        dangers=tuple(line for line in findings if line.severity == "danger"),
        findings=tuple(line for line in findings if line.severity != "danger"),
        checks=tuple(view_check(check, lines) for check in verdict.checks),
        missing=tuple(step.title for step in record.plan if step.need == "required" and not step.reading_ids),
        day=day_text(day) if day else "",
        readings=tuple(lines.values()),
        statements=tuple(
            (statement_title(fact.item), statement_text(fact)) for fact in record.attestations
        ),
        decisions=tuple(
            (f"{one.kind}: {one.answer or 'undone'}", f"{one.why} — {one.by}, {moment_text(one.decided_at)} UTC")
            for one in record.decisions
        ),
        meters=tuple((f"Meter {meter.meter_serial}", meter_sentence(meter)) for meter in record.meters)
        + tuple((f"Clock of {clock.meter_serial or 'the meter'}", clock.message) for clock in record.clocks),
        evidence=tuple(
            (item.sha256, f"{item.original_name} ({item.kind}, {count_text(item.bytes, 'byte')}"
             + (f", {count_text(item.refused_records, 'record')} not readable" if item.refused_records else "") + ")")
            for item in record.evidence
        ),
        cautions=record.cautions,
        not_shown=record.not_shown,
        made_by=f"rules {verdict.rule_pack}, provebook {verdict.tool_version}",
    )  # fmt: skip


def view_facts(record: CertificateRecord) -> tuple[tuple[str, str], ...]:
    """Who, where, when, and what the supply is said to be."""
    appliance, job, verdict = record.appliance, record.job, record.certificate
    device = f"{appliance.device or 'unknown'}" + (
        f", {appliance.device_rating_a:g} A" if appliance.device_rating_a is not None else ", rating unknown"
    )
    facts = [
        ("Job", " · ".join(filter(None, (job.job_id, job.work_type)))),
        ("Appliance", appliance.appliance_id),
        ("Engineer", job.engineer or "not named"),
        ("Tested (UTC)", period_text(verdict.tested_from, verdict.tested_to)),
        ("Earthing", appliance.earthing or "unknown"),
        ("Protective device", device),
        ("RCD", f"{appliance.rcd_rated_ma:g} mA" if appliance.rcd_rated_ma is not None else "none known"),
        ("Construction class", appliance.construction_class or "unknown"),
        ("Meters", ", ".join(verdict.meter_serials) or "none named"),
    ]
    extra = {**job.extra, **appliance.extra}
    return tuple(facts) + tuple((str(name), str(value)) for name, value in extra.items() if value not in (None, ""))


def view_check(check: RecordedCheck, lines: dict[str, ReadingLine]) -> CheckLine:
    """One check with its texts. A limit without a unit is not shown: a bare number says nothing."""
    behind = [lines[reading_id] for reading_id in check.reading_ids]
    return CheckLine(
        title=check.title,
        outcome=check.outcome,
        value=value_text(check.value, check.unit, check.comparator, check.indication),
        uncertainty=uncertainty_text(check.expanded_uncertainty, check.unit),
        probability=probability_text(check.probability_conforming),
        limit=limit_text(check.limit_low, check.limit_high, check.unit) if check.unit else "–",
        source=check.limit_source or "",
        note=check.note or "",
        marks=tuple(line.mark for line in behind),
        behind=tuple((line.mark, line.step, line.value) for line in behind),
    )


def group_findings(findings: Sequence[RecordedFinding], marks: dict[str, str]) -> tuple[FindingLine, ...]:
    """The findings in their order, those of one code that ask for the same thing put together."""
    groups: dict[tuple[str, str, str, str], list[RecordedFinding]] = {}
    for finding in findings:
        groups.setdefault((finding.severity, finding.code, finding.action, finding.source), []).append(finding)
    return tuple(
        FindingLine(
            severity=severity,
            severity_title=SEVERITY_TITLES[severity],
            title=name_text(code),
            messages=tuple((one.message, marks_of(one.reading_ids, marks)) for one in group),
            action=action,
            source=source,
        )
        for (severity, code, action, source), group in groups.items()
    )


def marks_of(reading_ids: Sequence[str], marks: dict[str, str]) -> tuple[str, ...]:
    """The short names of readings on this page."""
    return tuple(marks[reading_id] for reading_id in reading_ids)


def one_day(readings: Sequence[RecordedReading]) -> str:
    """The day of all readings and of their meter's clock, as ISO 8601; empty where there is more than one."""
    days = {moment[:10] for reading in readings for moment in (reading.taken_at, reading.meter_time) if moment}
    return days.pop() if len(days) == 1 else ""


def view_reading(reading: RecordedReading, marks: dict[str, str], day: str, *, one_meter: bool) -> ReadingLine:
    """One reading with its texts; times without their day where it is always ``day``, the meter not named where there
    is only one.
    """
    show_time = clock_text if day else moment_text
    title = STEPS[reading.step].title if reading.step else name_text(reading.quantity)
    remarks = [f"also line {again.record_no} of {again.evidence_sha256[:SHORT_HASH]}" for again in reading.seen_again]
    remarks += [f"disagrees with {marks.get(other, other)}" for other in reading.disagrees_with]
    return ReadingLine(
        mark=marks[reading.reading_id],
        step=title,
        value=value_text(reading.value, reading.unit, reading.comparator, reading.indication or reading.reason),
        raw_text=reading.raw_text,
        column_name=reading.column_name or "",
        taken=show_time(reading.taken_at),
        meter_time=show_time(reading.meter_time),
        meter="meter" if one_meter else reading.meter_serial or "unnamed meter",
        evidence=reading.evidence_sha256,
        evidence_short=reading.evidence_sha256[:SHORT_HASH],
        record_no=reading.record_no,
        match=f"{MATCH_WORDS[reading.match_status]}, {probability_text(reading.match_confidence)}",
        settled=reading.match_status in {"auto", "decided"},
        remarks=tuple(remarks),
    )


def statement_title(item: str) -> str:
    """What is stated, without the unit that the name of the item carries."""
    return name_text(item.removesuffix("_a"))


def statement_text(fact: RecordedAttestation) -> str:
    """What a person stated, who, and when."""
    unit = "\N{NO-BREAK SPACE}A" if fact.item.endswith("_a") else ""
    return f"{fact.value}{unit} — {fact.by or 'nobody named'}, {moment_text(fact.attested_at)} UTC"


def meter_sentence(meter: RecordedMeter) -> str:
    """What the register says of a meter."""
    if not meter.registered:
        return "not in the meter register"
    return (
        f"{meter.role or 'role not named'}; calibrated {day_text(meter.calibrated_on)}, "
        f"due {day_text(meter.calibration_due)}, certificate {meter.calibration_certificate or 'not named'}"
    )
