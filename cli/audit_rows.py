"""What the parts of an audit found, as rows of one table (schemas.audit.AuditRows)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import pandas as pd

from schemas.audit import AGREEING, RECORDED_VERDICTS, AuditRows
from schemas.check import conform_table

RAW_COLUMNS = ["reading_id", "evidence_sha256", "record_no", "raw_text"]


@dataclass(frozen=True, kw_only=True)
class Pointers:
    """Where readings stand in the evidence, by reading id; ``readings_of`` gives the readings behind other rows."""

    by_reading: pd.DataFrame
    readings_of: Mapping[tuple[str, str], str]

    @classmethod
    def of(cls, tables: Sequence[Mapping[str, pd.DataFrame]]) -> Pointers:
        """Pointers out of datasets, the first one that knows a reading counts."""
        readings = [
            part["readings"][RAW_COLUMNS]
            for part in tables
            if "readings" in part and set(RAW_COLUMNS) <= set(part["readings"].columns)
        ]
        known = pd.concat(readings, ignore_index=True) if readings else pd.DataFrame(columns=RAW_COLUMNS)
        behind: dict[tuple[str, str], str] = {}
        for part in reversed(tables):
            for row in _rows(part.get("checks"), "certificate_id", "check"):
                behind["checks", f"{row['certificate_id']}/{row['check']}"] = str(row["reading_ids"])
            for row in _rows(part.get("findings"), "finding_id"):
                behind["findings", str(row["finding_id"])] = str(row["reading_ids"])
        return cls(by_reading=known.drop_duplicates("reading_id").set_index("reading_id"), readings_of=behind)

    def find(self, table: str, key: str) -> dict[str, object]:
        """The evidence columns of a row of that table and key; empty where none is known."""
        ids = key if table == "readings" else self.readings_of.get((table, key), "")
        first = next(iter(str(ids).split()), "")
        if first in self.by_reading.index:
            found = self.by_reading.loc[first]
            return {
                "evidence_sha256": str(found["evidence_sha256"]),
                "evidence_record_no": int(str(found["record_no"])),
                "evidence_text": str(found["raw_text"]),
                "reading_id": first,
            }
        if table in ("refusals", "duplicates", "evidence"):
            parts = key.split("/")
            sha256 = next((part for part in parts if len(part) == 64), None)
            record = parts[1] if table == "refusals" and len(parts) > 1 and parts[1].isdigit() else None
            return {"evidence_sha256": sha256, "evidence_record_no": int(record) if record else None}
        return {}


def _rows(table: pd.DataFrame | None, *columns: str) -> list[dict[str, object]]:
    """The rows of a table that name readings; none where it lacks a column (it may have been altered)."""
    if table is None or not {"reading_ids", *columns} <= set(table.columns):
        return []
    named = table.dropna(subset="reading_ids")[["reading_ids", *columns]]
    return [{str(name): value for name, value in row.items()} for row in named.to_dict("records")]


def file_rows(faults: pd.DataFrame) -> list[dict[str, object]]:
    """Rows of schemas.audit.FileFaults."""
    return [
        {
            "part": "dataset files" if fault["against"] == "datapackage.json" else "dataset",
            "verdict": fault["verdict"],
            "where": " ".join(filter(None, [fault["path"], _text(fault["where"])])),
            "message": fault["message"],
            "action": "do not rely on this file; write the dataset again with 'provebook certify'",
        }
        for fault in faults.to_dict("records")
    ]


def book_rows(faults: pd.DataFrame) -> list[dict[str, object]]:
    """Rows of schemas.audit.IntegrityFaults."""
    return [
        {
            "part": "book",
            "verdict": fault["fault"],
            "where": " ".join(filter(None, [fault["path"], _text(fault["place"])])),
            "message": fault["message"],
            "action": fault["action"],
        }
        for fault in faults.to_dict("records")
    ]


def difference_rows(differences: pd.DataFrame, pointers: Pointers, note: str) -> list[dict[str, object]]:
    """Rows of schemas.audit.CellDifferences; ``note`` stands beside each."""
    words = {
        "missing": "the evidence gives this row; the dataset lacks it",
        "extra": "the evidence does not give this row",
        "moved": "from here on the rows stand in another order",
        "not derivable": "its evidence cannot be read again",
        "differs": "the evidence gives something else",
    }
    return [
        {
            "part": "dataset",
            "verdict": row["verdict"],
            "where": _text(row["where"]) or f"{row['table']}.csv",
            "what": " ".join(filter(None, [row["key"], _text(row["column"])])),
            "recorded": row["recorded"],
            "evidence": row["derived"],
            "message": ". ".join(filter(None, [words[row["verdict"]], note])),
        }
        | pointers.find(row["table"], row["key"])
        for row in differences.to_dict("records")
    ]


def recorded_rows(comparison: pd.DataFrame, name: str) -> list[dict[str, object]]:
    """Rows of schemas.audit.RecordedComparison that do not agree; ``name`` is the recorded file."""
    found = comparison[~comparison["verdict"].isin(AGREEING)]
    rows = []
    for record in found.to_dict("records"):
        row = {str(column): value for column, value in record.items()}
        left_out = row["verdict"] == "left out"
        what = [row["appliance_id"], row["quantity"], row["conductors"]]
        rows.append(
            {
                "part": "recorded values",
                "verdict": row["verdict"],
                "where": "not in the record" if left_out else _place(name, row),
                "what": " ".join(filter(None, map(_text, what))),
                "recorded": row["recorded_text"],
                "evidence": row["evidence_text"],
                "evidence_sha256": row["evidence_sha256"],
                "evidence_record_no": row["evidence_record_no"],
                "evidence_text": row["evidence_text"],
                "reading_id": row["reading_id"],
                "message": _recorded_message(row),
            }
        )
    return rows


def _place(name: str, row: Mapping[str, object]) -> str:
    column = _text(row["recorded_column"])
    return f"{name} line {row['recorded_record_no']}" + (f", column {column}" if column else "")


def _recorded_message(row: Mapping[str, object]) -> str:
    parts = [RECORDED_VERDICTS[str(row["verdict"])], _text(row["note"])]
    other = _text(row["evidence_appliance_id"])
    if other and other != _text(row["appliance_id"]):
        parts.append(f"the reading is of {other}")
    if row["failing"]:
        parts.append("the reading breaks a limit")
    told = {"probability": "probability of this explanation", "chance": "a made-up value would fit by chance"}
    for name, words in told.items():
        number = row[name]
        if isinstance(number, float) and number == number:
            parts.append(f"{words}: {number:.0%}" if number >= 0.01 else f"{words}: under 1%")
    return "; ".join(filter(None, parts))


def screening_rows(screening: pd.DataFrame) -> list[dict[str, object]]:
    """Rows of schemas.audit.Screening that ring."""
    return [
        {
            "part": "screening",
            "verdict": "reason to ask",
            "where": row["subject"],
            "what": " ".join(filter(None, [row["screen"], _text(row["quantity"])])),
            "recorded": f"{row['statistic_name']}: {row['statistic']:.3g}",
            "message": f"{row['message']}; corrected p-value {row['p_corrected']:.2g}",
            "action": "ask, and look at the raw evidence: this is no proof",
        }
        for row in screening[screening["rings"]].to_dict("records")
    ]


def audit_table(rows: Sequence[Mapping[str, object]], names: Mapping[str, str]) -> pd.DataFrame:
    """The rows as schemas.audit.AuditRows; ``names``: SHA-256 of evidence to its original name."""
    table = pd.DataFrame(list(rows), columns=[*AuditRows.to_schema().columns])
    table["evidence_name"] = table["evidence_sha256"].map(dict(names))
    return conform_table(AuditRows, table)


def _text(value: object) -> str:
    return value if isinstance(value, str) else ""
