"""Results for machines: one JSON object, the same words as the dataset's columns."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pandas as pd

from cli.pipeline import Derived, Taken
from ingest.office import Office


def result_json(
    *, taken: Taken | None = None, derived: Derived | None = None, office: Office | None = None,
    out: Path | None = None, written: list[str] | None = None, brief: bool = False,
) -> str:  # fmt: skip
    """One JSON object with a key for each part of the result."""
    result: dict[str, Any] = {}
    if taken is not None:
        result["files"] = rows(taken.files)
        result["office_files"] = [{"name": name, "kind": kind} for name, kind in taken.office]
        result["left_alone"] = list(taken.left_alone)
        result["errors"] = [error.sentence() for error in taken.errors]
    if office is not None:
        result["jobs"], result["appliances"], result["refusals"] = (
            rows(office.jobs), rows(office.appliances), rows(office.refusals),
        )  # fmt: skip
    if derived is not None:
        result["rule_pack"] = derived.judged.rule_pack
        result["certificates"] = rows(derived.judged.certificates)
        if not brief:
            result["checks"] = rows(derived.judged.checks)
            result["findings"] = rows(derived.judged.findings)
            result["questions"] = rows(derived.result.questions)
            result["refusals"] = rows(derived.refusals)
    if out is not None:
        result["dataset"] = {"folder": str(out), "files": written or []}
    return json.dumps(result, indent=1, ensure_ascii=False)


def rows(table: pd.DataFrame) -> list[dict[str, Any]]:
    """The rows of a table as plain JSON values; null for unknown, ISO 8601 for moments."""
    parsed: list[dict[str, Any]] = json.loads(table.to_json(orient="records", date_format="iso", date_unit="s"))
    return parsed
