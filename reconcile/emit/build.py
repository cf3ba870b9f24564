"""From judged tables to the dataset: joined, in fixed order, every reference checked."""

from __future__ import annotations

import pandas as pd

from reconcile.emit.dataset import Dataset
from reconcile.emit.records import build_records
from reconcile.tables import Brief, Judged
from schemas.certificates import Certificates
from schemas.check import check_table, conform_table
from schemas.checks import CHECKS, Checks
from schemas.dataset import TABLES, DatasetReadings
from schemas.errors import TableError
from schemas.evidence import Evidence
from schemas.findings import SEVERITIES, Findings
from schemas.joining import in_order, join_rows
from schemas.membership import is_among
from schemas.readings import Duplicates, Refusals


def build_dataset(brief: Brief, judged: Judged, evidence: pd.DataFrame) -> Dataset:
    """The dataset of a judged day.

    Row order never depends on the order of the inputs: readings, refusals and duplicates as they stand in the
    evidence, certificates as in the job list, checks and findings by certificate. Raises TableError where a row
    points at evidence, a reading or a certificate that does not exist.
    """
    certificates = order_certificates(judged.certificates, brief)
    tables = {
        "readings": join_readings(brief),
        "refusals": check_table(Refusals, in_evidence_order(brief.refusals, ["column_name", "raw_text", "message"])),
        "duplicates": check_table(Duplicates, in_evidence_order(brief.duplicates, ["column_no", "reading_id"])),
        "checks": order_checks(judged.checks, certificates),
        "findings": order_findings(judged.findings, certificates),
        "certificates": certificates,
        "evidence": check_table(Evidence, evidence.sort_values("sha256", ignore_index=True)),
    }
    check_references(tables)
    records = build_records(brief, judged, evidence, certificates)
    return Dataset(**tables, records=records)


def join_readings(brief: Brief) -> pd.DataFrame:
    """Readings with their match: one row a reading, in the order of the evidence. Raises TableError for a reading
    that the matcher said nothing about.
    """
    joined = join_rows(brief.readings, brief.matches, key="reading_id")
    if len(joined) != len(brief.readings):
        lost = brief.readings["reading_id"][~is_among(brief.readings["reading_id"], brief.matches["reading_id"])]
        raise TableError("readings without a word from the matcher", seen=f"{len(lost)}, the first {lost.iloc[0]}")
    return conform_table(DatasetReadings, in_evidence_order(joined, ["column_no"]))


def in_evidence_order(table: pd.DataFrame, then_by: list[str]) -> pd.DataFrame:
    """Rows by evidence hash, record, and then the given columns."""
    return in_order(table, ["evidence_sha256", "record_no", *then_by])


def order_certificates(certificates: pd.DataFrame, brief: Brief) -> pd.DataFrame:
    """Certificates in the order of the job list, and of the appliances in it."""
    jobs = brief.jobs.set_index("job_id")["sequence"]
    appliances = brief.appliances.set_index("appliance_id")["sequence"]
    places = certificates.assign(
        job_place=certificates["job_id"].map(jobs), appliance_place=certificates["appliance_id"].map(appliances)
    )
    ordered = places.sort_values(["job_place", "appliance_place", "certificate_id"], ignore_index=True)
    return check_table(Certificates, ordered.drop(columns=["job_place", "appliance_place"]))


def order_checks(checks: pd.DataFrame, certificates: pd.DataFrame) -> pd.DataFrame:
    """Checks by certificate, then in the order of the work."""
    places = checks.assign(
        certificate_place=checks["certificate_id"].map(certificate_places(certificates)),
        check_place=checks["check"].map({name: place for place, name in enumerate(CHECKS)}),
    )
    ordered = places.sort_values(["certificate_place", "check_place"], kind="stable", ignore_index=True)
    return check_table(Checks, ordered.drop(columns=["certificate_place", "check_place"]))


def order_findings(findings: pd.DataFrame, certificates: pd.DataFrame) -> pd.DataFrame:
    """Findings by certificate, the worst first; those about the day last."""
    places = findings.assign(
        certificate_place=findings["certificate_id"].map(certificate_places(certificates)),
        severity_place=findings["severity"].map({name: place for place, name in enumerate(SEVERITIES)}),
    )
    ordered = places.sort_values(["certificate_place", "severity_place", "finding_id"], ignore_index=True)
    return check_table(Findings, ordered.drop(columns=["certificate_place", "severity_place"]))


def certificate_places(certificates: pd.DataFrame) -> dict[str, int]:
    """Place of each certificate in the table."""
    return {name: place for place, name in enumerate(certificates["certificate_id"])}


def check_references(tables: dict[str, pd.DataFrame]) -> None:
    """Nothing. Raises TableError where a foreign key of the dataset points nowhere."""
    for table in TABLES.values():
        for column, other, there in table.foreign_keys:
            values = tables[table.name][column].dropna()
            lost = values[~is_among(values, tables[other][there])]
            if len(lost):
                raise TableError(
                    f"table {table.name}, column {column}: {len(lost)} rows point at no row of {other}",
                    seen=str(lost.iloc[0]),
                )
