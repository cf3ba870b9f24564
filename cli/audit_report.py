"""What an audit leaves behind: audit.csv, audit.json, and audit.html with the raw bytes beside each mismatch."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import pandas as pd

from cli.auditing import Audit
from cli.machine import rows as plain_rows
from ingest.book import Book
from ingest.raw import RawEvidence, RawPlace
from reconcile.emit.csv_text import csv_bytes
from schemas.audit import SCREENING_WARNING
from schemas.errors import BookError, InputError
from schemas.version import TOOL_VERSION

SHOWN: Final = 300
"""Mismatches on the page; the table and the JSON have all of them."""

FILES: Final = ("audit.csv", "audit.json", "audit.html")


@dataclass(frozen=True, kw_only=True)
class Shown:
    """One mismatch on the page, with the place in the raw evidence where it is known."""

    number: int
    row: Mapping[str, object]
    place: RawPlace | None


def write_report(audit: Audit, folder: Path, *, book: Book | None, apart_from: tuple[Path, ...]) -> list[Path]:
    """Write the three files into ``folder``; their paths. Other files there are left alone.

    Raises InputError where it cannot be written, or lies inside what was audited (``apart_from``).
    """
    place = folder.resolve()
    for audited in apart_from:
        if place == audited.resolve() or audited.resolve() in place.parents:
            raise InputError(
                "the report would lie inside what is audited", where=str(folder), advice="name another: --report DIR"
            )  # fmt: skip
    contents = (csv_bytes(audit.rows), audit_json(audit), audit_page(audit, book))
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, content in zip(FILES, contents, strict=True):
            (folder / name).write_bytes(content)
    except OSError as error:
        raise InputError(
            "the report cannot be written", where=str(folder), seen=str(error.strerror or error),
            advice="name a folder you may write to: --report DIR",
        ) from error  # fmt: skip
    return [folder / name for name in FILES]


def audit_json(audit: Audit) -> bytes:
    """The whole audit for machines: totals, notes, rows, and every table behind them."""
    result = {
        "subject": audit.subject,
        "tool_version": TOOL_VERSION,
        "clean": audit.clean,
        "totals": audit.totals,
        "notes": audit.notes,
        "mismatches": plain_rows(audit.rows),
        "tables": {name: plain_rows(table) for name, table in audit.tables.items()},
    }
    return (json.dumps(result, indent=1, ensure_ascii=False) + "\n").encode()


def audit_page(audit: Audit, book: Book | None) -> bytes:
    """The audit for people: totals, then each mismatch beside the raw bytes, the cell marked."""
    from cli.pages.render import render_template

    rows = [
        {str(name): None if pd.isna(value) else value for name, value in row.items()}
        for row in audit.rows.head(SHOWN).to_dict("records")
    ]
    shown = find_places(rows, audit.reading_ids, book)
    return render_template(
        "audit.html",
        audit=audit,
        shown=shown,
        more=len(audit.rows) - len(shown),
        warning=SCREENING_WARNING if "screening" in audit.tables else None,
        tool_version=TOOL_VERSION,
    )


def find_places(rows: list[dict[str, object]], reading_ids: list[str], book: Book | None) -> list[Shown]:
    """The rows with their places in the raw evidence; each evidence object is opened once."""
    opened: dict[str, RawEvidence | None] = {}
    shown = []
    for number, row in enumerate(rows):
        sha256, record_no = row["evidence_sha256"], row["evidence_record_no"]
        place = None
        if book is not None and isinstance(sha256, str) and isinstance(record_no, int):
            if sha256 not in opened:
                opened[sha256] = open_evidence(book, sha256)
            found = opened[sha256]
            column = reading_ids[number].rpartition("-")[2] if number < len(reading_ids) else ""
            text = row["evidence_text"] if isinstance(row["evidence_text"], str) else ""
            place = found.find(record_no, int(column) if column.isdigit() else None, text) if found else None
        shown.append(Shown(number=number + 1, row=row, place=place))
    return shown


def open_evidence(book: Book, sha256: str) -> RawEvidence | None:
    """The evidence object opened for looking up places, or nothing where the book cannot give it."""
    try:
        return RawEvidence(book.evidence.read(sha256), book.evidence.sidecar(sha256).kind)
    except BookError:
        return None
