"""Extracts of exports as Parquet below ``derived/``: what was read once need not be read again, and may be deleted.

What can be made again from the rest (reading ids, the hash of the evidence in each row) is not stored.
"""

from __future__ import annotations

import hashlib
import io
from collections.abc import Sequence
from pathlib import Path
from typing import Final

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from ingest.chain import canonical
from ingest.derived import find_derived, write_derived
from ingest.exports.batch import FilesExtract, StoredExtract
from ingest.exports.distinct import decode
from ingest.exports.stored import FILE, StoredReadings
from ingest.taken import READER_VERSION, Taken
from schemas.check import conform_table
from schemas.readings import FileCounts, Refusals
from schemas.version import TOOL_VERSION

TABLES: Final = ("readings", "refusals", "files")


def extract_key(taken: Sequence[Taken], zones: object) -> str:
    """The key of the derived tables of these exports, read with these words and zones by this version."""
    told = [
        [one.sha256, one.profile, one.profile_sha256, one.refused, one.zone, one.date_order, one.original_name]
        for one in taken
    ]
    content = canonical([READER_VERSION, TOOL_VERSION, told, zones])
    return f"extract-{hashlib.sha256(content).hexdigest()[:32]}"


def write_extract(folder: Path, key: str, parts: Sequence[StoredExtract]) -> None:
    """Keep tables under ``key``. Raises BookError where the book cannot be written."""
    for number, part in enumerate(parts):
        write_part(folder, key, number, part)
    end_parts(folder, key, len(parts))


def write_part(folder: Path, key: str, number: int, extract: StoredExtract) -> None:
    """Keep one part of the tables under ``key``, its readings checked first. Raises TableError, BookError."""
    extract.readings.check()
    places = {sha256: place for place, sha256 in enumerate(extract.files["evidence_sha256"])}
    file = pa.array([places[sha256] for sha256 in extract.refusals["evidence_sha256"]], pa.int32())
    refusals = pa.Table.from_pandas(extract.refusals.drop(columns="evidence_sha256"), preserve_index=False)
    files = pa.Table.from_pandas(extract.files, preserve_index=False)
    for name, table in zip(TABLES, (extract.readings.table, refusals.append_column(FILE, file), files), strict=True):
        coded = [field.name for field in table.schema if pa.types.is_dictionary(field.type)]
        buffer = io.BytesIO()
        pq.write_table(table, buffer, compression="lz4", use_dictionary=coded, write_statistics=False)
        write_derived(folder, f"{key}-{number}-{name}", buffer.getvalue())


def end_parts(folder: Path, key: str, count: int) -> None:
    """Say how many parts there are: what is kept under ``key`` counts only from now on."""
    write_derived(folder, f"{key}-parts", str(count).encode())


def find_extract(folder: Path, key: str) -> list[FilesExtract] | None:
    """The parts kept under ``key``, checked; None where any of them is missing or damaged."""
    count = find_derived(folder, f"{key}-parts")
    if count is None:
        return None
    parts = []
    for number in range(int(count)):
        found = [find_derived(folder, f"{key}-{number}-{name}") for name in TABLES]
        if any(content is None for content in found):
            return None
        parts.append(_part([pq.read_table(io.BytesIO(content or b"")) for content in found]))
    return parts


def _part(tables: Sequence[pa.Table]) -> FilesExtract:
    """One part from its stored tables, with what was left out of them."""
    stored, refusals, files = tables
    counts = conform_table(FileCounts, files.to_pandas())
    hashes = [str(sha256) for sha256 in counts["evidence_sha256"]]
    of_refusals = decode(hashes, refusals[FILE].to_numpy().astype(np.int64))
    refused = refusals.append_column("evidence_sha256", of_refusals).to_pandas()
    return FilesExtract(
        readings=StoredReadings(stored, hashes).frame(), refusals=conform_table(Refusals, refused), files=counts
    )
