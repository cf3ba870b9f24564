"""Job list, appliance list and attestations to tables; every doubtful cell is refused and treated as unknown."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final
from zoneinfo import ZoneInfo

from ingest.lists import ListRow, OfficeList, parse_headings, parse_list
from ingest.words import known_word, moment, positive_number
from schemas.errors import InputError
from schemas.jobs import ATTESTED, CONSTRUCTION_CLASSES, DEVICES, EARTHINGS, STATUSES, WORK_TYPES

JOB_COLUMNS: Final = ("job_id", "site", "engineer", "meter_serial", "work_type", "arrived", "left", "status")
APPLIANCE_COLUMNS: Final = (
    "job_id", "appliance_id", "kind", "location", "label", "earthing", "device", "device_rating_a", "rcd_rated_ma",
    "construction_class",
)  # fmt: skip
ATTESTATION_COLUMNS: Final = ("appliance_id", "item", "value", "at", "by")

REQUIRED: Final[dict[str, tuple[str, ...]]] = {
    "job list": ("job_id",),
    "appliance list": ("job_id", "appliance_id"),
    "attestations": ("appliance_id", "item", "value"),
}


@dataclass(frozen=True, kw_only=True)
class ParsedList:
    """Rows of one office list, as dictionaries of the inner table's columns, with the refusals beside them."""

    kind: str
    rows: list[dict[str, Any]]
    found: OfficeList


def find_list_kind(content: bytes) -> str | None:
    """Which office list the bytes are, by their headings; None where they are none.

    An office list names its rows by ``job_id`` or ``appliance_id`` and has at least one more column that no export of a
    meter has.
    """
    headings = set(parse_headings(content))
    if {"appliance_id", "item", "value"} <= headings:
        return "attestations"
    if {"job_id", "appliance_id"} <= headings and headings & set(APPLIANCE_COLUMNS[5:]):
        return "appliance list"
    if "job_id" in headings and headings & {"site", "engineer", "work_type", "arrived", "status"}:
        return "job list"
    return None


def parse_office_list(content: bytes, *, kind: str, name: str, sha256: str, zone: ZoneInfo) -> ParsedList:
    """The rows of an office list of that kind. Raises InputError where the file cannot be read as one."""
    found = parse_list(content, name=name, sha256=sha256)
    missing = [column for column in REQUIRED[kind] if column not in found.headings]
    if missing:
        raise InputError(
            f"the {kind} has no column {missing[0]!r}", where=f"{name} line 1", seen=", ".join(found.headings),
            advice=f"a {kind} needs {' and '.join(REQUIRED[kind])}",
        )  # fmt: skip
    make = {"job list": job_row, "appliance list": appliance_row, "attestations": attestation_row}[kind]
    rows = []
    for row in found.rows:
        empty = [column for column in REQUIRED[kind] if not row.cells[column]]
        if empty:
            found.refuse(row, empty[0], "missing value", f"{empty[0]} is empty; the row is left out")
            continue
        made = make(found, row, zone)
        if made is not None:
            rows.append(made | {"evidence_sha256": sha256, "record_no": row.line})
    return ParsedList(kind=kind, rows=rows, found=found)


def job_row(found: OfficeList, row: ListRow, zone: ZoneInfo) -> dict[str, Any]:
    """One row of schemas.jobs.Jobs, without its place in the list."""
    arrived, left = moment(found, row, "arrived", zone), moment(found, row, "left", zone)
    if arrived and left and left < arrived:
        found.refuse(row, "left", "bad time", "left is before arrived; both are treated as unknown")
        arrived = left = None
    return {
        "job_id": row.cells["job_id"],
        "site": row.cells.get("site") or None,
        "engineer": row.cells.get("engineer") or None,
        "meter_serials": " ".join(row.cells.get("meter_serial", "").split()) or None,
        "work_type": known_word(found, row, "work_type", WORK_TYPES),
        "arrived_at": arrived,
        "left_at": left,
        "status": known_word(found, row, "status", STATUSES),
        "extra": extra_cells(row, JOB_COLUMNS),
    }


def appliance_row(found: OfficeList, row: ListRow, _zone: ZoneInfo) -> dict[str, Any]:
    """One row of schemas.jobs.Appliances, without its place in the list."""
    return {
        "appliance_id": row.cells["appliance_id"],
        "job_id": row.cells["job_id"],
        "kind": row.cells.get("kind") or None,
        "location": row.cells.get("location") or None,
        "label": row.cells.get("label") or None,
        "earthing": known_word(found, row, "earthing", EARTHINGS),
        "device": known_word(found, row, "device", DEVICES),
        "device_rating_a": positive_number(found, row, "device_rating_a", "A"),
        "rcd_rated_ma": positive_number(found, row, "rcd_rated_ma", "mA"),
        "construction_class": known_word(found, row, "construction_class", CONSTRUCTION_CLASSES),
        "extra": extra_cells(row, APPLIANCE_COLUMNS),
    }


def attestation_row(found: OfficeList, row: ListRow, zone: ZoneInfo) -> dict[str, Any] | None:
    """One row of schemas.jobs.Attestations, or None where item or value had to be refused."""
    item = known_word(found, row, "item", ATTESTED)
    if item is None:
        return None
    if ATTESTED[item]:
        value = known_word(found, row, "value", ATTESTED[item])
    else:
        amperes = positive_number(found, row, "value", "A")
        value = None if amperes is None else f"{amperes:g}"
    if value is None:
        return None
    return {
        "appliance_id": row.cells["appliance_id"],
        "item": item,
        "value": value,
        "attested_at": moment(found, row, "at", zone),
        "by": row.cells.get("by") or None,
    }


def extra_cells(row: ListRow, known: Iterable[str]) -> str:
    """JSON of the cells under headings that the program does not know: kept and carried through."""
    spare = {heading: cell for heading, cell in row.cells.items() if heading not in set(known)}
    return json.dumps(spare, sort_keys=True, ensure_ascii=False)
