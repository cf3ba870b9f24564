"""The data dictionary: what each column of a dataset means, and its unit. Read by emit into ``datapackage.json``."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True)
class Column:
    """What a column means; ``unit`` is a UCUM code where every row has the same one, ``unit_column`` names the column
    that holds the unit of each row.
    """

    description: str
    unit: str | None = None
    unit_column: str | None = None


SHARED: Final[dict[str, Column]] = {
    "reading_id": Column(
        "First 16 hexadecimal digits of the evidence hash, record number and place of the cell in the record."
    ),
    "evidence_sha256": Column("SHA-256 of the evidence that holds the record."),
    "record_no": Column(
        "Physical line of the export at which the record starts (the first line is 1), or frame number of a transcript."
    ),
    "column_no": Column("Place of the cell in its record; the first is 1."),
    "column_name": Column("Heading of the column that the value came from, where a record holds several."),
    "raw_text": Column(
        "The cell as received, decoded, nothing trimmed or corrected. Read it without the leading apostrophe that "
        "the note on spreadsheets explains."
    ),
    "job_id": Column("Job of the office's list."),
    "appliance_id": Column("Appliance of the office's list."),
    "certificate_id": Column("Certificate that the row belongs to; empty where it is about the whole day."),
    "value": Column("Number in SI units without prefix; empty where there is none, never zero for none.",
                    unit_column="unit"),
    "unit": Column("UCUM code of the unit of the numbers in this row."),
    "comparator": Column("eq: the value itself; gt: more than the value; lt: less than the value."),
    "indication": Column("What a meter without a number showed."),
    "reading_ids": Column("Readings behind the row, separated by spaces; the governing one first."),
    "tool_version": Column("Version of the program that made the row."),
    "profile": Column("Profile that the evidence was read with; built-in: the words of the trade alone."),
}  # fmt: skip

READINGS: Final[dict[str, Column]] = {
    "meter_serial": Column("Serial number of the meter, as the evidence or the job list says."),
    "memory_no": Column("Number of the record in the memory of the meter."),
    "meter_time": Column("What the clock of the meter said: local time, no offset, not corrected."),
    "taken_at": Column("Time of the reading in UTC after clock correction; empty where it cannot be known."),
    "quantity": Column("What was measured."),
    "conductors": Column("The pair measured between, or the path of a continuity test."),
    "reason": Column("Why the meter gave neither a number nor an indication."),
    "resolution": Column("One step of the last digit shown.", unit_column="unit"),
    "label": Column("What was typed into the meter for the appliance."),
    "step": Column("The planned test that the reading answers."),
    "match_confidence": Column("Probability that job and appliance are right, 0 to 1.", unit="1"),
    "match_status": Column(
        "auto: matched by the program; decided: by a person; review: best guess, not used in judging; none: nowhere."
    ),
}

REFUSALS: Final[dict[str, Column]] = {
    "reason": Column("Kind of refusal."),
    "message": Column("What is wrong with the record, and what would settle it."),
}

DUPLICATES: Final[dict[str, Column]] = {
    "reading_id": Column("The reading that stands; the other columns say where the same record was seen again."),
}

CHECKS: Final[dict[str, Column]] = {
    "check": Column("The judged item."),
    "outcome": Column("Verdict of the item; not tested and inconclusive never count as satisfactory."),
    "limit_low": Column("Lowest value that conforms.", unit_column="unit"),
    "limit_high": Column("Highest value that conforms.", unit_column="unit"),
    "limit_source": Column("Document, edition and clause or table of the limit, or what else it rests on."),
    "expanded_uncertainty": Column("Expanded uncertainty of the value, coverage factor 2.", unit_column="unit"),
    "probability_conforming": Column("Probability that the true value conforms, 0 to 1.", unit="1"),
    "note": Column("What else a reader must know of the verdict."),
}

FINDINGS: Final[dict[str, Column]] = {
    "finding_id": Column("Name of the remark in this dataset."),
    "code": Column("What kind of remark; one code never changes its meaning."),
    "severity": Column("danger, defect, query or note, the worst first."),
    "message": Column("What was found."),
    "action": Column("What to do."),
    "source": Column("What the remark rests on."),
}

CERTIFICATES: Final[dict[str, Column]] = {
    "certificate_id": Column("Name of the certificate."),
    "site": Column("Address or place of the job."),
    "kind": Column("Kind of appliance, as the office wrote it."),
    "location": Column("Where on the site the appliance is."),
    "engineer": Column("Name or id of the engineer."),
    "tested_from": Column("Time of the first reading, UTC."),
    "tested_to": Column("Time of the last reading, UTC."),
    "earthing": Column("Earthing arrangement of the supply; empty for unknown."),
    "device": Column("Protective device at the point of connection; empty for unknown."),
    "device_rating_a": Column("Rated current of the protective device.", unit="A"),
    "rcd_rated_ma": Column("Rated residual current of the RCD; empty where none is known.", unit="mA"),
    "outcome": Column(
        "satisfactory: every required check is; unsatisfactory: any check is; incomplete: anything else."
    ),
    "highest_severity": Column("Worst severity among the findings of the certificate."),
    "meter_serials": Column("Meters used, separated by spaces."),
    "rule_pack": Column("Name and version of the rules and limits that judged."),
    "evidence_sha256s": Column("Hashes of the evidence behind the certificate, separated by spaces."),
}

EVIDENCE: Final[dict[str, Column]] = {
    "sha256": Column("SHA-256 of the bytes, which is also the name of the evidence."),
    "original_name": Column("Name of the file as received."),
    "bytes": Column("Number of bytes.", unit="By"),
    "received_at": Column("When the bytes reached the computer, UTC."),
    "kind": Column("What the bytes are."),
}

BY_TABLE: Final[dict[str, dict[str, Column]]] = {
    "readings": READINGS,
    "refusals": REFUSALS,
    "duplicates": DUPLICATES,
    "checks": CHECKS,
    "findings": FINDINGS,
    "certificates": CERTIFICATES,
    "evidence": EVIDENCE,
}


def describe_column(table: str, column: str) -> Column:
    """The entry of a column: the table's own first, then the shared one. KeyError where nobody wrote one."""
    return BY_TABLE[table].get(column) or SHARED[column]
