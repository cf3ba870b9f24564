"""The day at a glance: jobs with their outcomes, what needs a person, files in and what became of their records."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Final

import pandas as pd

from reconcile.emit.build import order_certificates, order_findings
from reconcile.emit.names import certificate_stems
from reconcile.emit.rows import Row, rows_by, table_rows
from reconcile.emit.shelf import EVIDENCE_PLACE
from reconcile.tables import Brief, Judged
from schemas.findings import SEVERITIES
from schemas.joining import in_order, join_rows
from schemas.membership import is_among
from schemas.version import TOOL_VERSION

SHOWN_UNMATCHED: Final = 200
"""Readings with no certain place that the first page shows; a large book may hold a million of them."""


@dataclass(frozen=True, kw_only=True)
class DayAppliance:
    """One appliance: its row of the job list, of the certificates (None: no certificate), its findings worst first,
    and the file name of its certificate without ending.
    """

    appliance: Row
    certificate: Row | None
    findings: tuple[Row, ...]
    stem: str | None


@dataclass(frozen=True, kw_only=True)
class DayJob:
    """One job of the list with its appliances."""

    job: Row
    appliances: tuple[DayAppliance, ...]


@dataclass(frozen=True, kw_only=True)
class Day:
    """All that the first page shows. Rows are table rows with None for null and times as text.

    ``findings``: those about no single certificate. ``unmatched``: the first readings with no certain place (columns
    of Readings and Matches), of ``unmatched_total``. ``files``: schemas.readings.FileCounts. ``outcomes`` and
    ``severities``: how many of each.
    """

    jobs: tuple[DayJob, ...]
    findings: tuple[Row, ...]
    unmatched: tuple[Row, ...]
    unmatched_total: int
    questions: tuple[Row, ...]
    files: tuple[Row, ...]
    refusals: tuple[Row, ...]
    file_names: dict[str, str]
    outcomes: dict[str, int]
    severities: dict[str, int]
    rule_pack: str
    tool_version: str


def build_day(brief: Brief, judged: Judged, evidence: pd.DataFrame, file_counts: pd.DataFrame) -> Day:
    """The day of a judged brief; ``file_counts`` has the columns of schemas.readings.FileCounts."""
    certificates = order_certificates(judged.certificates, brief)
    findings = table_rows(order_findings(judged.findings, certificates))
    outcomes = Counter(certificates["outcome"].to_list())
    severities = Counter(row["severity"] for row in findings)
    matched = join_rows(brief.readings, brief.matches, key="reading_id")
    loose = matched[["reading_id", *EVIDENCE_PLACE]][matched["match_status"].isin(["none", "review"])]
    first = in_order(loose, EVIDENCE_PLACE)["reading_id"].head(SHOWN_UNMATCHED)
    return Day(
        jobs=tuple(build_jobs(brief, table_rows(certificates), findings)),
        findings=tuple(row for row in findings if row["certificate_id"] is None),
        unmatched=tuple(table_rows(in_order(matched[is_among(matched["reading_id"], first)], EVIDENCE_PLACE))),
        unmatched_total=len(loose),
        questions=tuple(table_rows(brief.questions)),
        files=tuple(table_rows(file_counts.sort_values(["original_name", "evidence_sha256"], ignore_index=True))),
        refusals=tuple(table_rows(brief.refusals.sort_values(["evidence_sha256", "record_no"], ignore_index=True))),
        file_names=dict(zip(evidence["sha256"], evidence["original_name"], strict=True)),
        outcomes={name: outcomes[name] for name in ("unsatisfactory", "incomplete", "satisfactory")},
        severities={name: severities[name] for name in SEVERITIES},
        rule_pack=judged.rule_pack,
        tool_version=TOOL_VERSION,
    )


def build_jobs(brief: Brief, certificates: list[Row], findings: list[Row]) -> list[DayJob]:
    """The jobs in the order of the list, each with its appliances in theirs."""
    stems = certificate_stems([row["certificate_id"] for row in certificates])
    certificate_of = {row["appliance_id"]: row for row in certificates}
    findings_of = rows_by(findings, "certificate_id")
    appliances_of = rows_by(table_rows(brief.appliances.sort_values("sequence")), "job_id")

    def place(appliance: Row) -> DayAppliance:
        certificate = certificate_of.get(appliance["appliance_id"])
        name = certificate["certificate_id"] if certificate else None
        return DayAppliance(
            appliance=appliance,
            certificate=certificate,
            findings=tuple(findings_of.get(name, ())),
            stem=stems[name] if name else None,
        )

    return [
        DayJob(job=job, appliances=tuple(place(row) for row in appliances_of.get(job["job_id"], [])))
        for job in table_rows(brief.jobs.sort_values("sequence"))
    ]
