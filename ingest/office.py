"""What the office knows, from the book: jobs, appliances, attestations, meters, with the rules for double entries.

- The same row twice is one row.
- Two different rows of one id in files taken in together: all of them are refused, for nobody can know which is meant.
- A file taken in later replaces entries of the same id: a corrected list is brought in by taking it in again.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import pandas as pd

from ingest.book import Book
from ingest.evidence import NewEvidence
from ingest.extract import RefusalRow, refusals_table
from ingest.jobs import ParsedList, parse_office_list
from ingest.moments import file_received_at
from ingest.register import accuracy_rows, meter_rows, parse_register
from schemas.check import conform_table
from schemas.errors import InputError, ProvebookError
from schemas.jobs import Appliances, Attestations, Jobs
from schemas.meters import Accuracies, Meters

OFFICE_KINDS: Final = ("job list", "appliance list", "attestations", "meter register")
Row = dict[str, Any]


@dataclass(frozen=True, kw_only=True)
class Office:
    """The office's tables (schemas.jobs, schemas.meters), the refusals, and files that could not be read at all."""

    jobs: pd.DataFrame
    appliances: pd.DataFrame
    attestations: pd.DataFrame
    meters: pd.DataFrame
    accuracies: pd.DataFrame
    refusals: pd.DataFrame
    errors: tuple[ProvebookError, ...]


def take_office_files(book: Book, files: Sequence[tuple[Path, str, str]]) -> list[str]:
    """Keep office files (path, name, kind) as evidence, together, and note them in the journal.

    Returns their hashes. A batch that is already the newest of the book is not noted again.
    """
    kept = book.evidence.keep_all(
        NewEvidence(content=path.read_bytes(), original_name=name, kind=kind, received_at=file_received_at(path))
        for path, name, kind in files
    )
    noted = [
        {"sha256": one.sidecar.sha256, "kind": kind, "name": name}
        for one, (_, name, kind) in zip(kept, files, strict=True)
    ]
    batches = [entry.body["files"] for entry in book.journal.entries() if entry.kind == "office"]
    if noted and (not batches or batches[-1] != noted):
        book.journal.append("office", {"files": noted})
    return [file["sha256"] for file in noted]


def read_office(book: Book, *, only: Collection[str] | None = None) -> Office:
    """The office's tables from the book's evidence; ``only`` names the files (SHA-256) to look at."""
    batches: list[list[dict[str, str]]] = []
    for entry in book.journal.entries():
        if entry.kind == "office":
            files = [file for file in entry.body["files"] if only is None or file["sha256"] in only]
            if files and files not in batches[-1:]:
                batches.append(files)
    gathered = Gathered(book)
    for files in batches:
        gathered.add_batch(files)
    return gathered.office()


class Gathered:
    """Office entries while they are gathered, batch after batch; a later batch replaces entries of the same id."""

    def __init__(self, book: Book) -> None:
        self.book = book
        self.jobs: dict[str, Row] = {}
        self.appliances: dict[str, Row] = {}
        self.attestations: dict[tuple[object, ...], Row] = {}
        self.meters: dict[str, Row] = {}
        self.accuracies: dict[str, list[Row]] = {}
        self.refusals: dict[RefusalRow, None] = {}
        self.errors: list[ProvebookError] = []

    def add_batch(self, files: list[dict[str, str]]) -> None:
        """Take in the files of one command; a file that cannot be read is told and the rest goes on."""
        parsed: list[ParsedList] = []
        for file in files:
            try:
                content = self.book.evidence.read(file["sha256"])
                if file["kind"] == "meter register":
                    self._add_register(content, file)
                else:
                    parsed.append(
                        parse_office_list(
                            content, kind=file["kind"], name=file["name"], sha256=file["sha256"], zone=self.book.zone
                        )
                    )
            except InputError as error:
                self.errors.append(error)
        for one in parsed:
            self.refusals |= dict.fromkeys(one.found.refusals)
        self.jobs |= self._unique(parsed, "job list", "job_id")
        self.appliances |= self._unique(parsed, "appliance list", "appliance_id")
        for one in parsed:
            if one.kind == "attestations":
                for row in one.rows:
                    identity = (row["appliance_id"], row["item"], row["value"], row["attested_at"], row["by"])
                    self.attestations.pop(identity, None)
                    self.attestations[identity] = row

    def _add_register(self, content: bytes, file: dict[str, str]) -> None:
        meters, faults = parse_register(content, name=file["name"])
        for row in meter_rows(meters, sha256=file["sha256"]):
            self.meters[row["meter_serial"]] = row
            self.accuracies[row["meter_serial"]] = []
        for row in accuracy_rows(meters):
            self.accuracies[row["meter_serial"]].append(row)
        for serial, fault in faults.items():
            self._refuse(
                {"evidence_sha256": file["sha256"], "record_no": 0}, None, serial, "unreadable",
                f"{file['name']}: meter {serial} is not taken in: {fault}",
            )  # fmt: skip

    def _unique(self, parsed: list[ParsedList], kind: str, key: str) -> dict[str, Row]:
        by_id: dict[str, list[tuple[Row, ParsedList]]] = {}
        for one in parsed:
            if one.kind == kind:
                for row in one.rows:
                    by_id.setdefault(row[key], []).append((row, one))
        unique: dict[str, Row] = {}
        for identity, entries in by_id.items():
            rows = [row for row, _ in entries]
            content = [{k: v for k, v in row.items() if k not in ("evidence_sha256", "record_no")} for row in rows]
            if all(one == content[0] for one in content):
                unique[identity] = rows[0]
                continue
            lines = ", ".join(f"{one.found.name} line {row['record_no']}" for row, one in entries)
            for row, one in entries:
                self._refuse(
                    row, key, identity, "duplicate id",
                    f"{one.found.name} line {row['record_no']}: {key} {identity} stands for different entries "
                    f"({lines}); none is taken; give each its own id",
                )  # fmt: skip
        return unique

    def _refuse(self, row: Row, column: str | None, raw: str, reason: str, message: str) -> None:
        refusal = RefusalRow(
            evidence_sha256=row["evidence_sha256"], record_no=row["record_no"], column_name=column, raw_text=raw,
            reason=reason, message=message,
        )  # fmt: skip
        self.refusals[refusal] = None

    def office(self) -> Office:
        """The tables; entries that point at nothing are refused."""
        for row in [row for row in self.appliances.values() if row["job_id"] not in self.jobs]:
            self._refuse(
                row, "job_id", row["job_id"], "unknown id",
                f"appliance {row['appliance_id']} belongs to job {row['job_id']}, which is not in the job list; "
                "it is left out until that job is there",
            )  # fmt: skip
            del self.appliances[row["appliance_id"]]
        for identity, row in list(self.attestations.items()):
            if row["appliance_id"] not in self.appliances:
                self._refuse(
                    row, "appliance_id", row["appliance_id"], "unknown id",
                    f"attested for appliance {row['appliance_id']}, which is not in the appliance list",
                )  # fmt: skip
                del self.attestations[identity]
        return Office(
            jobs=table(Jobs, numbered(self.jobs.values())),
            appliances=table(Appliances, numbered(self.appliances.values())),
            attestations=table(Attestations, list(self.attestations.values())),
            meters=table(Meters, [self.meters[serial] for serial in sorted(self.meters)]),
            accuracies=table(
                Accuracies, [row for serial in sorted(self.accuracies) for row in self.accuracies[serial]]
            ),
            refusals=refusals_table(list(self.refusals)),
            errors=tuple(self.errors),
        )


def numbered(rows: Collection[Row]) -> list[Row]:
    """The rows with their place in the list."""
    return [row | {"sequence": place} for place, row in enumerate(rows)]


def table(model: type[Any], rows: list[Row]) -> pd.DataFrame:
    """A table of ``model`` from rows of plain values."""
    columns = model.to_schema().columns
    frame = pd.DataFrame(rows, columns=[*columns])
    for name, column in columns.items():
        if "datetime64" in str(column.dtype.type):
            frame[name] = pd.to_datetime(frame[name], utc=str(column.dtype.type).endswith("UTC]"))
    return conform_table(model, frame)
