"""The tables of a dataset as they are written: which model each file keeps, its key, what it points at.

Where a table leaves the program as it stands inside, its inner model is used; only the readings differ.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import pandera.pandas as pa
from pandera.typing.pandas import Series

from schemas.certificates import Certificates
from schemas.checks import Checks
from schemas.columns import LocalMoment, Moment, Number, OptionalWhole, Table, Text, Whole, key, optional, required
from schemas.evidence import Evidence
from schemas.findings import Findings
from schemas.matches import MATCH_STATUSES
from schemas.quantities import COMPARATORS, CONDUCTORS, INDICATIONS, QUANTITIES, UNITS
from schemas.readings import Duplicates, Refusals
from schemas.steps import STEPS

DATASET_FORMAT: Final = 1
"""Counted up when a column changes its meaning; written into ``datapackage.json``."""


class DatasetReadings(Table):
    """Every reading with where it belongs, one row each, matched or not, superseded or not.

    The columns of schemas.readings.Readings that a reader of the dataset needs, and those of
    schemas.matches.Matches. ``taken_at`` is UTC after clock correction, ``meter_time`` local as the meter said.
    """

    reading_id: Series[Text] = key()
    evidence_sha256: Series[Text] = required(str_length={"min_value": 64, "max_value": 64})
    record_no: Series[Whole] = required(ge=1)
    column_name: Series[Text] = optional()
    raw_text: Series[Text] = required()
    meter_serial: Series[Text] = optional()
    memory_no: Series[OptionalWhole] = optional()
    meter_time: Series[LocalMoment] = optional()
    taken_at: Series[Moment] = optional()
    quantity: Series[Text] = required(isin=list(QUANTITIES))
    conductors: Series[Text] = optional(isin=list(CONDUCTORS))
    value: Series[Number] = optional()
    unit: Series[Text] = optional(isin=list(UNITS))
    comparator: Series[Text] = optional(isin=list(COMPARATORS))
    indication: Series[Text] = optional(isin=list(INDICATIONS))
    reason: Series[Text] = optional()
    resolution: Series[Number] = optional()
    label: Series[Text] = optional()
    job_id: Series[Text] = optional()
    appliance_id: Series[Text] = optional()
    step: Series[Text] = optional(isin=list(STEPS))
    match_confidence: Series[Number] = required(ge=0.0, le=1.0)
    match_status: Series[Text] = required(isin=list(MATCH_STATUSES))


@dataclass(frozen=True, kw_only=True)
class DatasetTable:
    """One table of a dataset: its file ``name`` without ending, its ``model``, what a person is told of it, its
    ``primary_key`` (empty: rows have none) and ``foreign_keys`` as (column, table, column there).
    """

    name: str
    model: type[pa.DataFrameModel]
    title: str
    description: str
    primary_key: tuple[str, ...] = ()
    foreign_keys: tuple[tuple[str, str, str], ...] = ()


EVIDENCE_KEY: Final = ("evidence_sha256", "evidence", "sha256")
CERTIFICATE_KEY: Final = ("certificate_id", "certificates", "certificate_id")

TABLES: Final[dict[str, DatasetTable]] = {
    table.name: table
    for table in (
        DatasetTable(
            name="readings",
            model=DatasetReadings,
            title="Readings",
            description="Every value or indication that was read from the evidence, with the appliance it belongs to.",
            primary_key=("reading_id",),
            foreign_keys=(EVIDENCE_KEY,),
        ),
        DatasetTable(
            name="refusals",
            model=Refusals,
            title="Refusals",
            description="Every record or cell that could not be read with certainty, and why.",
            foreign_keys=(EVIDENCE_KEY,),
        ),
        DatasetTable(
            name="duplicates",
            model=Duplicates,
            title="Duplicates",
            description="Stored records that were received more than once: the reading stands once in readings.",
            foreign_keys=(("reading_id", "readings", "reading_id"), EVIDENCE_KEY),
        ),
        DatasetTable(
            name="checks",
            model=Checks,
            title="Checks",
            description="Every judged item of every certificate, with its limit and the source of the limit.",
            primary_key=("certificate_id", "check"),
            foreign_keys=(CERTIFICATE_KEY,),
        ),
        DatasetTable(
            name="findings",
            model=Findings,
            title="Findings",
            description="Remarks about a certificate or about the day: what is wrong or open, and what to do.",
            primary_key=("finding_id",),
            foreign_keys=(CERTIFICATE_KEY,),
        ),
        DatasetTable(
            name="certificates",
            model=Certificates,
            title="Certificates",
            description="The judged record of one appliance on one job, one row each.",
            primary_key=("certificate_id",),
        ),
        DatasetTable(
            name="evidence",
            model=Evidence,
            title="Evidence",
            description="Every file of bytes, exactly as received, that this dataset was made from.",
            primary_key=("sha256",),
        ),
    )
}
"""Every table of a dataset, in the order in which a reader meets them."""
