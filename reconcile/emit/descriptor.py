"""``datapackage.json``: what is in a dataset, for programs. Data Package and Table Schema, version 2.

Types, constraints and units are taken from the models and the data dictionary, so that the description cannot
drift from the tables. Source: Data Package standard 2.0, datapackage.org, profiles ``datapackage``,
``tableschema`` and ``tabledialect``.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import pandera.pandas as pa

from reconcile.judging_code import judging_sha256
from schemas.dataset import DATASET_FORMAT, TABLES, DatasetTable
from schemas.dictionary import describe_column
from schemas.version import TOOL_VERSION

PACKAGE_PROFILE: Final = "https://datapackage.org/profiles/2.0/datapackage.json"
SCHEMA_PROFILE: Final = "https://datapackage.org/profiles/2.0/tableschema.json"
DIALECT_PROFILE: Final = "https://datapackage.org/profiles/2.0/tabledialect.json"

DIALECT: Final = {
    "$schema": DIALECT_PROFILE,
    "header": True,
    "delimiter": ",",
    "lineTerminator": "\n",
    "quoteChar": '"',
    "doubleQuote": True,
}

SPREADSHEET_NOTE: Final = (
    "Spreadsheets run a cell that starts with = + - or @ as a formula. Text cells of the CSV files that start so, or "
    "with an apostrophe, have one apostrophe put in front: take one leading apostrophe off a text cell to have the "
    "text as it was. Number and time cells are never changed. The JSON and Parquet files hold all text unchanged."
)

MEDIA_TYPES: Final = {
    "csv": "text/csv",
    "parquet": "application/vnd.apache.parquet",
    "json": "application/json",
    "html": "text/html",
    "pdf": "application/pdf",
}

FIELD_TYPES: Final = (("datetime64", "datetime"), ("float", "number"), ("int", "integer"), ("bool", "boolean"))


@dataclass(frozen=True, kw_only=True)
class FileFacts:
    """What the description says of one file: ``path`` below the dataset's folder, ``size`` [bytes], SHA-256."""

    path: str
    size: int
    sha256: str


def measure_file(path: str, content: bytes) -> FileFacts:
    """The facts of a file of that content."""
    return FileFacts(path=path, size=len(content), sha256=hashlib.sha256(content).hexdigest())


def describe_package(files: Sequence[FileFacts]) -> bytes:
    """``datapackage.json`` of ``files``, in their order.

    Every file is a resource with its size and SHA-256, so nothing in the folder goes unaccounted for.
    """
    package = {
        "$schema": PACKAGE_PROFILE,
        "name": "provebook-certificates",
        "title": "Electrical test readings and certificates of gas appliances",
        "description": SPREADSHEET_NOTE,
        "provebook": {
            "dataset_format": DATASET_FORMAT,
            "tool_version": TOOL_VERSION,
            "judging_sha256": judging_sha256(),
        },
        "resources": [describe_file(file) for file in files],
    }
    return (json.dumps(package, indent=1, ensure_ascii=False) + "\n").encode()


def describe_file(file: FileFacts) -> dict[str, Any]:
    """The resource of one file; a table of the dataset also has its fields."""
    path = file.path
    stem, _, ending = path.rpartition(".")
    facts = {
        "format": ending,
        "mediatype": MEDIA_TYPES[ending],
        "bytes": file.size,
        "hash": f"sha256:{file.sha256}",
    }
    table = TABLES.get(stem)
    if table is None:
        return {"name": resource_name(path), "path": path} | facts
    described = {"path": path, "type": "table", "title": table.title, "description": table.description} | facts
    if ending != "csv":
        return {"name": resource_name(path)} | described | {"schema": describe_table(table, linked=False)}
    return (
        {"name": table.name}
        | described
        | {"encoding": "utf-8", "dialect": DIALECT, "schema": describe_table(table, linked=True)}
    )


def resource_name(path: str) -> str:
    """A name of lower-case letters, digits and ``. _ -`` that no other path has."""
    plain = re.sub(r"[^a-z0-9._-]+", "-", path.lower())
    if plain == path:
        return plain
    return f"{plain}-{hashlib.sha256(path.encode()).hexdigest()[:8]}"


def describe_table(table: DatasetTable, *, linked: bool) -> dict[str, Any]:
    """The Table Schema of one table: fields, keys, and ``""`` for a missing value."""
    columns = table.model.to_schema().columns
    schema: dict[str, Any] = {
        "$schema": SCHEMA_PROFILE,
        "fields": [describe_field(table.name, name, column) for name, column in columns.items()],
        "missingValues": [""],
    }
    if table.primary_key:
        schema["primaryKey"] = list(table.primary_key)
    if table.foreign_keys and linked:
        schema["foreignKeys"] = [
            {"fields": [column], "reference": {"resource": other, "fields": [there]}}
            for column, other, there in table.foreign_keys
        ]
    return schema


def describe_field(table: str, name: str, column: pa.Column) -> dict[str, Any]:
    """One field: type, description, unit, constraints.

    A text that may never be null may still be empty, and an empty cell of it is the empty text.
    """
    entry = describe_column(table, name)
    field: dict[str, Any] = {"name": name, "type": field_type(str(column.dtype)), "description": entry.description}
    if entry.unit is not None:
        field["unit"] = entry.unit
    if entry.unit_column is not None:
        field["unitColumn"] = entry.unit_column
    constraints = describe_constraints(column)
    if field["type"] == "string" and not column.nullable and "enum" not in constraints:
        field["missingValues"] = []
    if constraints:
        field["constraints"] = constraints
    return field


def field_type(dtype: str) -> str:
    """The Table Schema type of a column type."""
    return next((kind for start, kind in FIELD_TYPES if dtype.lower().startswith(start)), "string")


def describe_constraints(column: pa.Column) -> dict[str, Any]:
    """The constraints of Table Schema that say the same as the checks of the column."""
    constraints: dict[str, Any] = {}
    if not column.nullable:
        constraints["required"] = True
    if column.unique:
        constraints["unique"] = True
    for check in column.checks:
        facts = check.statistics
        if check.name == "isin":
            constraints["enum"] = list(facts["allowed_values"])
        elif check.name == "greater_than_or_equal_to":
            constraints["minimum"] = plain_number(facts["min_value"])
        elif check.name == "less_than_or_equal_to":
            constraints["maximum"] = plain_number(facts["max_value"])
        elif check.name == "str_length":
            constraints |= {"minLength": facts["min_value"], "maxLength": facts["max_value"]}
    return constraints


def plain_number(value: float) -> float:
    """``0`` for ``0.0``: then plain JSON with sorted keys is also the canonical form that a signature is over."""
    return int(value) if float(value).is_integer() else value
