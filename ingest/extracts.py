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
from ingest.exports.assemble import reading_ids
from ingest.exports.batch import FilesExtract
from ingest.exports.distinct import decode
from ingest.taken import READER_VERSION, Taken
from schemas.check import conform_table
from schemas.readings import FileCounts, Readings, Refusals
from schemas.version import TOOL_VERSION

FILE: Final = "file"
TABLES: Final = ("readings", "refusals", "files")


def extract_key(taken: Sequence[Taken], zones: object) -> str:
    """The key of the derived tables of these exports, read with these words and zones by this version."""
    told = [
        [one.sha256, one.profile, one.profile_sha256, one.refused, one.zone, one.date_order, one.original_name]
        for one in taken
    ]
    content = canonical([READER_VERSION, TOOL_VERSION, told, zones])
    return f"extract-{hashlib.sha256(content).hexdigest()[:32]}"


def write_extract(folder: Path, key: str, parts: Sequence[FilesExtract]) -> None:
    """Keep tables under ``key``. Raises BookError where the book cannot be written."""
    for number, part in enumerate(parts):
        write_part(folder, key, number, part)
    end_parts(folder, key, len(parts))


def write_part(folder: Path, key: str, number: int, extract: FilesExtract) -> None:
    """Keep one part of the tables under ``key``."""
    places = {sha256: place for place, sha256 in enumerate(extract.files["evidence_sha256"])}
    for name, table in zip(TABLES, (extract.readings, extract.refusals, extract.files), strict=True):
        if name != "files":
            place = table["evidence_sha256"].map(places).astype("int32")
            table = table.drop(columns=["evidence_sha256", *(["reading_id"] if name == "readings" else [])])
            table = table.assign(**{FILE: place})
        buffer = io.BytesIO()
        pq.write_table(
            pa.Table.from_pandas(table, preserve_index=False), buffer, compression="zstd", compression_level=1
        )
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
        parts.append(_part([pq.read_table(io.BytesIO(content or b"")).to_pandas() for content in found]))
    return parts


def _part(tables: Sequence[pd.DataFrame]) -> FilesExtract:
    """One part from its stored tables, with what was left out of them."""
    files = conform_table(FileCounts, tables[2])
    hashes = [str(sha256) for sha256 in files["evidence_sha256"]]
    places = [table[FILE].to_numpy().astype(np.int64) for table in tables[:2]]
    readings, refusals = (
        table.assign(evidence_sha256=pd.Series(decode(hashes, place).to_pandas(), dtype="str"))
        for table, place in zip(tables[:2], places, strict=True)
    )
    ids = reading_ids(
        [sha256[:16] for sha256 in hashes],
        places[0],
        readings["record_no"].to_numpy(),
        readings["column_no"].to_numpy(),
    )
    readings["reading_id"] = pd.Series(ids.to_pandas(), dtype="str")
    return FilesExtract(
        readings=conform_table(Readings, readings), refusals=conform_table(Refusals, refusals), files=files
    )  # fmt: skip
