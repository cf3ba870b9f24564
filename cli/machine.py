"""Results for machines: one JSON object, the same words as the dataset's columns."""

from __future__ import annotations

import json
from typing import Any

import pandas as pd

from cli.pipeline import Report


def result_json(report: Report) -> str:
    """One JSON object with a key for each part of the result."""
    result: dict[str, Any] = {}
    if report.taken is not None:
        result["files"] = rows(report.taken.files)
        result["office_files"] = [{"name": name, "kind": kind} for name, kind in report.taken.office]
        result["same_bytes"] = [{"name": name, "as": other} for name, other in report.taken.same_bytes]
        result["left_alone"] = list(report.taken.left_alone)
        result["errors"] = [error.sentence() for error in report.taken.errors]
    if report.office is not None:
        result["jobs"] = rows(report.office.jobs)
        result["appliances"] = rows(report.office.appliances)
        result["refusals"] = rows(report.office.refusals)
    if report.derived is not None:
        result["rule_pack"] = report.derived.judged.rule_pack
        result["certificates"] = rows(report.derived.judged.certificates)
        if not report.brief:
            result["checks"] = rows(report.derived.judged.checks)
            result["findings"] = rows(report.derived.judged.findings)
            result["questions"] = rows(report.derived.result.questions)
            result["refusals"] = rows(report.derived.refusals)
    if report.out is not None:
        result["dataset"] = {"folder": str(report.out), "files": list(report.written)}
    return json.dumps(result, indent=1, ensure_ascii=False)


def rows(table: pd.DataFrame) -> list[dict[str, Any]]:
    """The rows of a table as plain JSON values; null for unknown, ISO 8601 for moments."""
    parsed: list[dict[str, Any]] = json.loads(table.to_json(orient="records", date_format="iso", date_unit="s"))
    return parsed
