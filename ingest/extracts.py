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
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from ingest.chain import canonical
from ingest.derived import find_derived, write_derived
from ingest.exports.batch import FilesExtract
from ingest.taken import READER_VERSION, Taken
from schemas.check import conform_table
from schemas.readings import FileCounts, Readings, Refusals
from schemas.version import TOOL_VERSION

FILE: Final = "file"
PARTS: Final = ("readings", "refusals", "files")


def extract_key(taken: Sequence[Taken], zones: object) -> str:
    """The key of the derived tables of these exports, read with these words and zones by this version."""
    told = [
        [one.sha256, one.profile, one.profile_sha256, one.refused, one.zone, one.date_order, one.original_name]
        for one in taken
    ]
    content = canonical([READER_VERSION, TOOL_VERSION, told, zones])
    return f"extract-{hashlib.sha256(content).hexdigest()[:32]}"


def write_extract(folder: Path, key: str, extract: FilesExtract) -> None:
    """Keep the tables of a batch under ``key``. Raises BookError where the book cannot be written."""
    places = {sha256: place for place, sha256 in enumerate(extract.files["evidence_sha256"])}
    for name, table in zip(PARTS, (extract.readings, extract.refusals, extract.files), strict=True):
        if name != "files":
            place = table["evidence_sha256"].map(places).astype("int32")
            table = table.drop(columns=["evidence_sha256", *(["reading_id"] if name == "readings" else [])])
            table = table.assign(**{FILE: place})
        buffer = io.BytesIO()
        pq.write_table(
            pa.Table.from_pandas(table, preserve_index=False), buffer, compression="zstd", compression_level=1
        )
        write_derived(folder, f"{key}-{name}", buffer.getvalue())


def find_extract(folder: Path, key: str) -> FilesExtract | None:
    """The tables kept under ``key``, checked; None where any of them is missing or damaged."""
    found = [find_derived(folder, f"{key}-{name}") for name in PARTS]
    if any(content is None for content in found):
        return None
    tables = [pq.read_table(io.BytesIO(content or b"")).to_pandas() for content in found]
    files = conform_table(FileCounts, tables[2])
    hashes = files["evidence_sha256"].to_numpy()
    readings, refusals = (table.assign(evidence_sha256=hashes[table[FILE].to_numpy()]) for table in tables[:2])
    readings["reading_id"] = reading_ids(readings)
    return FilesExtract(
        readings=conform_table(Readings, readings), refusals=conform_table(Refusals, refusals), files=files
    )  # fmt: skip


def reading_ids(readings: pd.DataFrame) -> np.ndarray:
    """The id of each reading: sixteen digits of its evidence, its record, its column."""
    prefix = readings["evidence_sha256"].str.slice(0, 16)
    return (prefix + "-" + readings["record_no"].astype(str) + "-" + readings["column_no"].astype(str)).to_numpy()
