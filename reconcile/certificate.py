"""The tables that judging hands on: checks, findings, certificates."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import pandas as pd

from reconcile.rule import Assessed, Remark
from reconcile.spread import Placed
from reconcile.tables import Brief
from reconcile.verdicts import Verdict
from reconcile.verdicts.assessment import RANK, Part
from schemas.certificates import Certificates
from schemas.check import conform_table
from schemas.checks import CHECKS, Checks
from schemas.findings import SEVERITIES, SEVERITY_OF, Findings
from schemas.version import TOOL_VERSION


@dataclass(frozen=True, kw_only=True, slots=True)
class Certified:
    """One judged appliance: its case and verdicts, the remarks on it, the final outcome of each check and of all."""

    assessed: Assessed
    remarks: tuple[Remark, ...]
    outcomes: Mapping[str, str]
    outcome: str


def checks_table(certified: Sequence[Certified]) -> pd.DataFrame:
    """The checks (schemas.checks.Checks): every check of every certificate, in the order of the work."""
    rows = [check_row(item, check) for item in certified for check in CHECKS]
    return conform_table(Checks, pd.DataFrame(rows, columns=list(Checks.to_schema().columns)))


def check_row(item: Certified, check: str) -> dict[str, object]:
    """One row: the part that governs with its reading, limits and uncertainty, and all readings that belong here."""
    verdict, appliance = item.assessed.verdicts[check], item.assessed.case.appliance
    part = governing_part(verdict)
    row: dict[str, object] = {
        "certificate_id": appliance.certificate_id,
        "job_id": appliance.job_id,
        "appliance_id": appliance.appliance_id,
        "check": check,
        "outcome": item.outcomes[check],
        "note": write_note(item, check),
        "reading_ids": join(list_reading_ids(verdict, part)),
    }
    row |= {
        "value": part.value,
        "unit": part.shown_unit,
        "indication": part.indication,
        "limit_low": part.limit_low,
        "limit_high": part.limit_high,
        "limit_source": part.limit_source,
    }
    reading = part.reading
    if reading is not None:
        row |= {"value": reading.value, "comparator": reading.comparator}
        row["indication"] = reading.indication or part.indication
    sure = zip(verdict.parts, item.assessed.certainties[check], strict=True)
    found = next(certainty for one, certainty in sure if one is part)
    if found is not None:
        row |= {"expanded_uncertainty": found.expanded, "probability_conforming": found.probability}
    return row


def governing_part(verdict: Verdict) -> Part:
    """The worst part, of equal ones the first; every check has one."""
    return max(verdict.parts, key=lambda part: RANK[part.outcome])


def list_reading_ids(verdict: Verdict, governing: Part) -> list[str]:
    """The readings of all parts, the governing one first."""
    first = [governing.reading.reading_id] if governing.reading is not None else []
    return list(dict.fromkeys([*first, *(one for part in verdict.parts for one in part.reading_ids)]))


def write_note(item: Certified, check: str) -> str | None:
    """What the parts say beside their outcome."""
    notes = [part.note for part in item.assessed.verdicts[check].parts if part.note]
    if check not in item.assessed.required and item.outcomes[check] == "not tested":
        notes.append("not asked for at this visit")
    return "; ".join(dict.fromkeys(notes)) or None


def code_order(code: str) -> tuple[int, str]:
    """Sorts codes by severity, the worst first, then by name."""
    return (SEVERITIES.index(SEVERITY_OF[code]), code)


def join(words: Sequence[str]) -> str | None:
    """The words separated by spaces; nothing where there are none."""
    return " ".join(words) or None


def findings_table(placed: Sequence[Placed], certified: Sequence[Certified]) -> pd.DataFrame:
    """The findings (schemas.findings.Findings): certificates in order, then the day; the worst first, numbered."""
    order = {item.assessed.case.appliance.certificate_id: place for place, item in enumerate(certified)}
    last = len(order)

    def key(item: Placed) -> tuple[object, ...]:
        place = last if item.certificate_id is None else order[item.certificate_id]
        remark = item.remark
        return (
            place,
            code_order(remark.code),
            item.job_id or "",
            item.appliance_id or "",
            remark.reading_ids,
            remark.message,
        )

    rows = [
        {
            "finding_id": f"F{number:05d}",
            "certificate_id": item.certificate_id,
            "job_id": item.job_id,
            "appliance_id": item.appliance_id,
            "code": item.remark.code,
            "severity": SEVERITY_OF[item.remark.code],
            "message": item.remark.message,
            "action": item.remark.action,
            "reading_ids": join(item.remark.reading_ids),
            "source": item.remark.source,
        }
        for number, item in enumerate(sorted(placed, key=key), start=1)
    ]
    return conform_table(Findings, pd.DataFrame(rows, columns=list(Findings.to_schema().columns)))


def certificates_table(certified: Sequence[Certified], brief: Brief) -> pd.DataFrame:
    """The certificates (schemas.certificates.Certificates), in the order of the job list."""
    rows = pd.DataFrame([certificate_row(item) for item in certified], columns=CERTIFICATE_COLUMNS)
    jobs = brief.jobs[["job_id", "site", "engineer", "evidence_sha256"]].rename(
        columns={"evidence_sha256": "job_evidence"}
    )
    listed = brief.appliances.drop(columns=["job_id", "sequence", "extra", "record_no"])
    whole = rows.merge(listed, on="appliance_id", how="left", validate="1:1").merge(jobs, on="job_id", how="left")
    sources = zip(whole["own_evidence"], whole["evidence_sha256"], whole["job_evidence"], strict=True)
    whole["evidence_sha256s"] = [join(sorted({*own, listing, job})) for own, listing, job in sources]
    for name in ("tested_from", "tested_to"):
        whole[name] = pd.to_datetime(whole[name], utc=True).dt.as_unit("ns")
    whole["rule_pack"] = certified[0].assessed.case.pack.name if certified else ""
    whole["tool_version"] = TOOL_VERSION
    return conform_table(Certificates, whole)


CERTIFICATE_COLUMNS = [
    "certificate_id",
    "job_id",
    "appliance_id",
    "outcome",
    "highest_severity",
    "tested_from",
    "tested_to",
    "meter_serials",
    "own_evidence",
]


def certificate_row(item: Certified) -> dict[str, object]:
    """What one certificate says of itself, the job list left aside."""
    case = item.assessed.case
    used = [reading for readings in case.readings.values() for reading in readings]
    times = [reading.taken_at_ns for reading in used if reading.taken_at_ns is not None]
    severities = {SEVERITY_OF[remark.code] for remark in item.remarks}
    stated = {row.place[0] for rows in case.attested.values() for row in rows}
    return {
        "certificate_id": case.appliance.certificate_id,
        "job_id": case.appliance.job_id,
        "appliance_id": case.appliance.appliance_id,
        "outcome": item.outcome,
        "highest_severity": next((severity for severity in SEVERITIES if severity in severities), None),
        "tested_from": pd.Timestamp(min(times), tz="UTC") if times else pd.NaT,
        "tested_to": pd.Timestamp(max(times), tz="UTC") if times else pd.NaT,
        "meter_serials": join(sorted({reading.meter_serial for reading in used if reading.meter_serial})),
        "own_evidence": {reading.evidence_sha256 for reading in used} | stated,
    }
