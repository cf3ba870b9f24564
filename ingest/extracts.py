"""Extracts of exports as Parquet below ``derived/``: what was read once need not be read again, and may be deleted.

What can be made again from the rest (reading ids, the hash of the evidence in each row) is not stored.
"""

from __future__ import annotations

import hashlib
import io
from collections.abc import Sequence
from concurrent.futures import Future
from pathlib import Path
from threading import Lock
from typing import Final

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from ingest.chain import canonical
from ingest.derived import find_derived, write_derived
from ingest.exports.batch import FilesExtract, StoredExtract
from ingest.exports.distinct import decode
from ingest.exports.stored import FILE, StoredReadings, check_standing
from ingest.taken import READER_VERSION, Taken
from schemas.check import conform_table
from schemas.readings import FileCounts, Refusals
from schemas.version import TOOL_VERSION

TABLES: Final = ("readings", "cases", "refusals", "files")
CHECKED_TOGETHER: Final = 16
"""So many parts at most wait to be checked."""
COUNTING: Final = ("record_no", "column_no", "memory_no", "meter_time", "stamped_at", FILE)
"""Columns whose numbers mostly rise by little: kept as differences."""


def extract_key(taken: Sequence[Taken], zones: object) -> str:
    """The key of the derived tables of these exports, read with these words and zones by this version."""
    told = [
        [one.sha256, one.profile, one.profile_sha256, one.refused, one.zone, one.date_order, one.original_name]
        for one in taken
    ]
    content = canonical([READER_VERSION, TOOL_VERSION, told, zones])
    return f"extract-{hashlib.sha256(content).hexdigest()[:32]}"


class Parts:
    """Tables kept under ``key``, part by part, from several threads; they count from ``end`` on."""

    def __init__(self, folder: Path, key: str) -> None:
        self._folder, self.key = folder, key
        self._standing: list[pd.DataFrame] = []
        self._lock = Lock()

    def write(self, number: int, extract: StoredExtract, *, after: Future[None] | None = None) -> None:
        """Keep one part, not before ``after`` is done; one that was kept under its number is replaced.

        Raises TableError, BookError.
        """
        self._check_later(extract.readings.standing())
        packed = pack_part(extract)
        if after is not None:
            after.result()
        for name, content in packed.items():
            write_derived(self._folder, f"{self.key}-{number}-{name}", content)

    def end(self, count: int) -> None:
        """Check the readings of all parts, then say how many parts there are. Raises TableError, BookError."""
        check_standing(self._standing)
        write_derived(self._folder, f"{self.key}-parts", str(count).encode())

    def _check_later(self, standing: pd.DataFrame) -> None:
        """Many parts are checked together: the check costs little more for many rows than for few."""
        full: list[pd.DataFrame] = []
        with self._lock:
            self._standing.append(standing)
            if len(self._standing) >= CHECKED_TOGETHER:
                full, self._standing = self._standing, []
        check_standing(full)


def pack_part(extract: StoredExtract) -> dict[str, memoryview]:
    """The tables of a part as Parquet, by name."""
    packed = {}
    places = {sha256: place for place, sha256 in enumerate(extract.files["evidence_sha256"])}
    file = pa.array([places[sha256] for sha256 in extract.refusals["evidence_sha256"]], pa.int32())
    refusals = pa.Table.from_pandas(extract.refusals.drop(columns="evidence_sha256"), preserve_index=False)
    files = pa.Table.from_pandas(extract.files, preserve_index=False)
    tables = (extract.readings.rows, extract.readings.cases, refusals.append_column(FILE, file), files)
    for name, table in zip(TABLES, tables, strict=True):
        coded = [field.name for field in table.schema if pa.types.is_dictionary(field.type)]
        differences = {name: "DELTA_BINARY_PACKED" for name in table.column_names if name in COUNTING}
        buffer = io.BytesIO()
        pq.write_table(table, buffer, compression="none", use_dictionary=coded, write_statistics=False,
                       column_encoding=differences)  # fmt: skip
        packed[name] = buffer.getbuffer()
    return packed


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
    rows, cases, refusals, files = tables
    counts = conform_table(FileCounts, files.to_pandas())
    hashes = [str(sha256) for sha256 in counts["evidence_sha256"]]
    of_refusals = decode(hashes, refusals[FILE].to_numpy().astype(np.int64))
    refused = refusals.append_column("evidence_sha256", of_refusals).to_pandas()
    return FilesExtract(
        readings=StoredReadings(rows, cases, hashes).frame(), refusals=conform_table(Refusals, refused), files=counts
    )
