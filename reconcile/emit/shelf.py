"""The judged tables laid out for looking things up, once for all certificates."""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass

import pandas as pd

from reconcile.emit.rows import Row, rows_by, split_ids, table_rows
from reconcile.tables import Brief, Judged
from schemas.checks import CHECKS
from schemas.findings import SEVERITIES
from schemas.joining import in_order, join_rows
from schemas.membership import is_among

EVIDENCE_PLACE = ["evidence_sha256", "record_no", "column_no"]
CHECK_ORDER = {name: place for place, name in enumerate(CHECKS)}
SEVERITY_ORDER = {name: place for place, name in enumerate(SEVERITIES)}


@dataclass(frozen=True, kw_only=True)
class Shelf:
    """Rows by the name they are looked up with.

    ``jobs``, ``appliances``, ``readings``, ``meters``, ``evidence``: one row a name. ``checks`` and ``findings`` by
    certificate; ``attestations``, ``plan`` and ``matched`` readings by appliance; ``accuracies`` by meter;
    ``duplicates`` and ``disagreeing`` by reading. ``clock_of``: place in ``clocks`` of the clock of each reading.
    ``refused``: number of refusals of each evidence.
    """

    jobs: dict[str, Row]
    appliances: dict[str, Row]
    readings: dict[str, Row]
    meters: dict[str, Row]
    evidence: dict[str, Row]
    checks: dict[str, list[Row]]
    findings: dict[str, list[Row]]
    attestations: dict[str, list[Row]]
    plan: dict[str, list[Row]]
    matched: dict[str, list[Row]]
    accuracies: dict[str, list[Row]]
    duplicates: dict[str, list[Row]]
    disagreeing: dict[str, tuple[str, ...]]
    clocks: list[Row]
    clock_of: dict[str, int]
    decisions: list[Row]
    refused: Counter[str]


def fill_shelf(brief: Brief, judged: Judged, evidence: pd.DataFrame) -> Shelf:
    """The shelf of a judged day."""
    readings = table_rows(needed_readings(brief, judged))
    checks = sorted(table_rows(judged.checks), key=lambda row: CHECK_ORDER[row["check"]])
    findings = sorted(table_rows(judged.findings), key=lambda row: (SEVERITY_ORDER[row["severity"]], row["finding_id"]))
    clocks = table_rows(brief.clocks)
    return Shelf(
        jobs=by_name(table_rows(brief.jobs), "job_id"),
        appliances=by_name(table_rows(brief.appliances), "appliance_id"),
        readings=by_name(readings, "reading_id"),
        meters=by_name(table_rows(brief.meters), "meter_serial"),
        evidence=by_name(table_rows(evidence), "sha256"),
        checks=rows_by(checks, "certificate_id"),
        findings=rows_by(findings, "certificate_id"),
        attestations=rows_by(table_rows(brief.attestations), "appliance_id"),
        plan=rows_by(table_rows(in_order(brief.plan, ["position"])), "appliance_id"),
        matched=rows_by(readings, "appliance_id"),
        accuracies=rows_by(table_rows(in_order(brief.accuracies, ["quantity", "range_low"])), "meter_serial"),
        duplicates=rows_by(table_rows(in_order(brief.duplicates, EVIDENCE_PLACE)), "reading_id"),
        disagreeing=find_disagreeing(table_rows(in_order(brief.conflicts, ["conflict_id", "reading_id"]))),
        clocks=clocks,
        clock_of=clocks_of(clocks, {row["reading_id"] for row in readings}),
        decisions=table_rows(brief.decisions),
        refused=Counter(brief.refusals["evidence_sha256"].to_list()),
    )


def needed_readings(brief: Brief, judged: Judged) -> pd.DataFrame:
    """Readings with their match, those that belong to an appliance or that a check or finding of a certificate names.

    The rest of a large book stays a table and never becomes rows.
    """
    joined = join_rows(brief.readings, brief.matches, key="reading_id")
    of_certificates = judged.findings[judged.findings["certificate_id"].notna()]
    lists = pd.concat([judged.checks["reading_ids"], of_certificates["reading_ids"]]).dropna()
    named = {reading_id for text in lists for reading_id in split_ids(text)}
    return joined[joined["appliance_id"].notna() | is_among(joined["reading_id"], named)]


def clocks_of(clocks: list[Row], wanted: set[str]) -> dict[str, int]:
    """For each wanted reading the place of its clock; a clock can have a hundred thousand that nobody asks for."""
    if not wanted:
        return {}
    return {name: place for place, row in enumerate(clocks) for name in split_ids(row["reading_ids"]) if name in wanted}


def by_name(rows: list[Row], key: str) -> dict[str, Row]:
    """Rows by the value under ``key``."""
    return {row[key]: row for row in rows}


def find_disagreeing(conflicts: list[Row]) -> dict[str, tuple[str, ...]]:
    """For each reading in a conflict, the other readings of it."""
    found: dict[str, tuple[str, ...]] = defaultdict(tuple)
    for rows in rows_by(conflicts, "conflict_id").values():
        names = [row["reading_id"] for row in rows]
        for name in names:
            found[name] += tuple(other for other in names if other != name)
    return dict(found)
