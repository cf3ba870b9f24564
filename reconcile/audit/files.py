"""Files of a dataset held against its description, and against the files that the evidence gives again."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from typing import Any, Final

import pandas as pd

from schemas.audit import FileFaults
from schemas.check import conform_table
from schemas.errors import InputError

DESCRIPTOR: Final = "datapackage.json"
SIGNATURE: Final = "datapackage.json.jws"
TIME_STAMP: Final = "datapackage.json.jws.tsr"
UNLISTED: Final = frozenset({DESCRIPTOR, SIGNATURE, TIME_STAMP})
HASH: Final = re.compile(r"sha256:([0-9a-f]{64})")


def parse_package(content: bytes) -> dict[str, Any]:
    """``datapackage.json`` as an object. Raises InputError where it is none, or has two members of one name."""
    try:
        package = json.loads(content.decode("utf-8"), object_pairs_hook=_members)
        if not isinstance(package, dict) or not isinstance(package.get("resources"), list):
            raise ValueError("no list of resources")
    except (ValueError, RecursionError) as error:
        raise InputError("this is not the description of a dataset", where=DESCRIPTOR, seen=str(error)) from error
    return package


def _members(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    # Two readers may take different ones of two members with one name: what is signed must be read one way only.
    if len({name for name, _value in pairs}) != len(pairs):
        raise ValueError("two members of one name")
    return dict(pairs)


def check_files(package: Mapping[str, Any], found: Mapping[str, tuple[int, str]]) -> pd.DataFrame:
    """Where the files are not what ``datapackage.json`` says (schemas.audit.FileFaults).

    ``found``: path below the dataset to size [bytes] and SHA-256, of every file that is there.
    """
    rows: list[dict[str, str]] = []
    listed: set[str] = set()
    for number, resource in enumerate(package["resources"], start=1):
        path, digest, size = _resource_facts(resource)
        if path is None or digest is None:
            rows.append(_fault(path or f"resource {number}", "changed", "its description has no path or no SHA-256"))
            continue
        if path in listed:
            rows.append(_fault(path, "extra", "described twice"))
        listed.add(path)
        if path not in found:
            rows.append(_fault(path, "missing", "described and not there"))
        elif found[path][1] != digest:
            rows.append(_fault(path, "changed", "its bytes do not give the SHA-256 of the description"))
        elif size != found[path][0]:
            rows.append(_fault(path, "changed", f"{found[path][0]} bytes, the description says {size}"))
    for path in sorted(found.keys() - listed - UNLISTED):
        rows.append(_fault(path, "not listed", "not a file of this dataset"))
    return conform_table(FileFaults, pd.DataFrame(rows, columns=[*FileFaults.to_schema().columns]))


def compare_file(path: str, recorded: bytes | None, derived: bytes | None) -> pd.DataFrame:
    """At most one row (schemas.audit.FileFaults): how the file on record is not the one the evidence gives."""
    rows: list[dict[str, str]] = []
    if recorded is None and derived is not None:
        rows.append(_fault(path, "missing", "the evidence gives this file", against="evidence"))
    elif recorded is not None and derived is None:
        rows.append(_fault(path, "extra", "the evidence does not give this file", against="evidence"))
    elif recorded is not None and derived is not None and recorded != derived:
        place = first_difference(recorded, derived)
        line = recorded.count(b"\n", 0, place) + 1
        message = f"{len(recorded)} bytes on record, {len(derived)} from the evidence"
        fault = _fault(path, "changed", message, against="evidence")
        rows.append(fault | {"where": f"byte {place}, line {line}"})
    return conform_table(FileFaults, pd.DataFrame(rows, columns=[*FileFaults.to_schema().columns]))


def first_difference(one: bytes, other: bytes) -> int:
    """Place of the first byte that differs, counted from 0; the shorter length where one begins the other."""
    low, high = 0, min(len(one), len(other))
    while low < high:
        middle = (low + high + 1) // 2
        if one[low:middle] == other[low:middle]:
            low = middle
        else:
            high = middle - 1
    return low


def _resource_facts(resource: Any) -> tuple[str | None, str | None, Any]:
    if not isinstance(resource, dict):
        return None, None, None
    path, digest = resource.get("path"), HASH.fullmatch(str(resource.get("hash", "")))
    return (path if isinstance(path, str) else None), (digest[1] if digest else None), resource.get("bytes")


def _fault(path: str, verdict: str, message: str, *, against: str = DESCRIPTOR) -> dict[str, str]:
    return {"path": path, "verdict": verdict, "against": against, "message": message}
