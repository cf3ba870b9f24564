"""The dataset: the tables and records that are written, and the writing of them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import pandas as pd

from reconcile.emit.csv_text import csv_bytes
from reconcile.emit.descriptor import FileFacts, describe_package, measure_file
from reconcile.emit.folder import DESCRIPTOR, replace_folder
from reconcile.emit.names import certificate_stems
from reconcile.emit.parquet import parquet_bytes
from schemas.certificate_record import CertificateRecord, record_bytes
from schemas.dataset import TABLES
from schemas.errors import InputError

TABLE_KINDS: Final = ("csv", "parquet", "both")


@dataclass(frozen=True, kw_only=True)
class Dataset:
    """What is written: one field a table of schemas.dataset.TABLES, each in its fixed row order, and ``records``, one
    a certificate in the order of ``certificates``. Made by reconcile.emit.build.build_dataset.
    """

    readings: pd.DataFrame
    refusals: pd.DataFrame
    duplicates: pd.DataFrame
    checks: pd.DataFrame
    findings: pd.DataFrame
    certificates: pd.DataFrame
    evidence: pd.DataFrame
    records: tuple[CertificateRecord, ...]

    def table(self, name: str) -> pd.DataFrame:
        """The table of that name."""
        table: pd.DataFrame = getattr(self, name)
        return table


def write_dataset(
    out: Path, dataset: Dataset, *, tables: str = "csv", pages: Mapping[str, bytes] | None = None
) -> list[str]:
    """Write the dataset to ``out``, whole or not at all. The paths written, relative to ``out``.

    ``tables``: ``csv``, ``parquet`` or ``both``. ``pages``: path below ``out`` to content (cli.pages makes them).
    Raises InputError where ``out`` cannot be written, or holds anything that is not a dataset of ours.
    """
    return replace_folder(out, dataset_files(dataset, tables=tables, pages=pages))


def dataset_files(
    dataset: Dataset, *, tables: str = "csv", pages: Mapping[str, bytes] | None = None
) -> Iterator[tuple[str, bytes]]:
    """Every file of the dataset as path and content, one at a time; ``datapackage.json`` last.

    The same dataset always gives the same files in the same order. Raises InputError for an unknown ``tables``.
    """
    return ((file.path, content) for file, content in measured_files(dataset, tables=tables, pages=pages))


def measured_files(
    dataset: Dataset, *, tables: str = "csv", pages: Mapping[str, bytes] | None = None
) -> Iterator[tuple[FileFacts, bytes]]:
    """As ``dataset_files``, with size and SHA-256 of each file in place of its path alone."""
    if tables not in TABLE_KINDS:
        raise InputError(f"no such kind of tables: {tables!r}", advice="one of " + ", ".join(TABLE_KINDS))
    facts = []
    for path, content in content_files(dataset, tables, {} if pages is None else pages):
        facts.append(measure_file(path, content))
        yield facts[-1], content
    package = describe_package(facts)
    yield measure_file(DESCRIPTOR, package), package


def content_files(dataset: Dataset, tables: str, pages: Mapping[str, bytes]) -> Iterator[tuple[str, bytes]]:
    """All files but the description: tables, then records, then pages."""
    for name in TABLES:
        if tables != "parquet":
            yield f"{name}.csv", csv_bytes(dataset.table(name))
        if tables != "csv":
            yield f"{name}.parquet", parquet_bytes(dataset.table(name))
    stems = certificate_stems([record.certificate.certificate_id for record in dataset.records])
    for record in dataset.records:
        yield f"certificates/{stems[record.certificate.certificate_id]}.json", record_bytes(record)
    yield from pages.items()
