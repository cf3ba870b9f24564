"""Checks a dataset with the standard library alone, knowing only what the README says of its form.

Usage: python independent_check.py DATASET BOOK READING_ID [TYPED]

1. Every file that ``datapackage.json`` describes has the size and the SHA-256 it says, and no other file is there but
   the signature and its time stamp.
2. The reading READING_ID stands in ``readings.csv``; its evidence in the book has the SHA-256 that names it; the line
   of that evidence holds the cell as received.

Prints the line of the instrument. Leaves with 1 where anything is not so.
"""

import csv
import hashlib
import json
import sys
from pathlib import Path


def check_files(dataset: Path) -> None:
    package = json.loads((dataset / "datapackage.json").read_text(encoding="utf-8"))
    described = set()
    for resource in package["resources"]:
        content = (dataset / resource["path"]).read_bytes()
        described.add(resource["path"])
        if "sha256:" + hashlib.sha256(content).hexdigest() != resource["hash"] or len(content) != resource["bytes"]:
            sys.exit(f"{resource['path']} is not the file that was described")
    allowed = described | {"datapackage.json", "datapackage.json.jws", "datapackage.json.jws.tsr"}
    for path in sorted(dataset.rglob("*")):
        if path.is_file() and path.relative_to(dataset).as_posix() not in allowed:
            sys.exit(f"{path.relative_to(dataset)} is not described")


def find_reading(dataset: Path, reading_id: str) -> dict[str, str]:
    with (dataset / "readings.csv").open(encoding="utf-8", newline="") as stream:
        for row in csv.DictReader(stream):
            if row["reading_id"] == reading_id:
                return row
    sys.exit(f"{reading_id} is not in readings.csv")


def trace(book: Path, row: dict[str, str]) -> str:
    sha256 = row["evidence_sha256"]
    content = (book / "evidence" / sha256[:2] / sha256).read_bytes()
    if hashlib.sha256(content).hexdigest() != sha256:
        sys.exit(f"evidence {sha256} was changed")
    line = content.decode("utf-8-sig").splitlines()[int(row["record_no"]) - 1]
    received = row["raw_text"].removeprefix("'")
    if received not in line:
        sys.exit(f"line {row['record_no']} does not hold {received!r}: {line}")
    return line


def main() -> None:
    if len(sys.argv) < 4:
        sys.exit(__doc__)
    dataset, book, reading_id = Path(sys.argv[1]), Path(sys.argv[2]), sys.argv[3]
    check_files(dataset)
    row = find_reading(dataset, reading_id)
    print(f"{row['quantity']} {row['value']} {row['unit']} stands in: {trace(book, row)}")


if __name__ == "__main__":
    main()
