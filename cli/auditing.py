"""Audits as a story: what is on file, what the book holds, what the raw evidence gives again. Prints nothing."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd

from cli.audit_rows import Pointers, audit_table, book_rows, difference_rows, file_rows, screening_rows
from cli.pipeline import Derived, Scope, dataset_of, derive
from ingest.book import Book
from ingest.integrity import Integrity, check_integrity
from ingest.made import Made, find_made, list_made
from reconcile.audit.compare import compare_tables
from reconcile.audit.csv_cells import parse_cells, parse_parquet_cells
from reconcile.audit.dataset_tables import parse_dataset_table
from reconcile.audit.files import DESCRIPTOR, SIGNATURE, TIME_STAMP, UNLISTED, check_files, compare_file, parse_package
from reconcile.audit.screening import screen_records
from reconcile.emit.dataset import Dataset, measured_files
from reconcile.emit.descriptor import FileFacts
from reconcile.judging_code import judging_sha256
from schemas.audit import AuditRows
from schemas.check import conform_table
from schemas.dataset import TABLES
from schemas.errors import InputError, ProvebookError
from schemas.version import TOOL_VERSION

Progress = Callable[[str], None]
Hashed = tuple[int, str]
"""Size and SHA-256 of a file."""


@dataclass(kw_only=True)
class Audit:
    """What an audit found. ``rows``: schemas.audit.AuditRows; empty where everything agrees. ``totals``: what was
    looked at, by name. ``notes``: what a reader must know of the audit itself. ``tables``: every table behind it.
    """

    subject: str
    rows: pd.DataFrame = field(default_factory=lambda: audit_table([], {}))
    totals: dict[str, str] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    tables: dict[str, pd.DataFrame] = field(default_factory=dict)
    reading_ids: list[str] = field(default_factory=list)

    @property
    def clean(self) -> bool:
        """True where nothing speaks against what was audited."""
        return self.rows.empty


@dataclass(frozen=True, kw_only=True)
class Again:
    """A dataset derived again: its files one by one, and the tables to compare cells with."""

    derived: Derived
    dataset: Dataset
    files: Iterator[tuple[FileFacts, bytes]]


def audit_dataset(out: Path, book: Book | None, *, screen: bool = False, progress: Progress = lambda _: None) -> Audit:
    """The audit of the dataset in ``out``: its files, and with a book everything behind them.

    Raises InputError where ``out`` holds no dataset, BookError where ``book`` is no book.
    """
    audit = Audit(subject=f"dataset {out}")
    rows: list[dict[str, object]] = []
    progress("hashing the files of the dataset")
    package_bytes, package, found = read_dataset(out)
    faults = check_files(package, found)
    audit.tables["files"] = faults
    rows += file_rows(faults)
    audit.totals["files of the dataset"] = f"{len(found)}, {len(faults)} not as described"
    names: dict[str, str] = {}
    if book is not None:
        progress("hashing the book")
        integrity = check_integrity(book)
        rows += book_rows(integrity.faults)
        audit.tables["book"] = integrity.faults
        audit.totals["files of the book"] = f"{integrity.files}, {len(integrity.faults)} not as journalled"
        audit.totals["entries of the journal"] = str(integrity.entries)
        rows += _audit_derivation(audit, out, package_bytes, package, found, book, integrity, progress, names)
    else:
        audit.notes.append("no book was given: the readings were not traced to the raw evidence")
    if screen:
        progress("screening for made-up records")
        audit.tables["screening"] = screen_dataset(out)
        rows += screening_rows(audit.tables["screening"])
        audit.totals["screening tests"] = str(len(audit.tables["screening"]))
    finish(audit, rows, names)
    return audit


def finish(audit: Audit, rows: list[dict[str, object]], names: dict[str, str]) -> None:
    """Put the rows into the audit."""
    audit.rows = audit_table(rows, names)
    audit.reading_ids = [str(row.get("reading_id") or "") for row in rows]


def read_dataset(out: Path) -> tuple[bytes, dict[str, Any], dict[str, Hashed]]:
    """The description of a dataset, as bytes and parsed, and size and SHA-256 of every file. Raises InputError."""
    try:
        package = (out / DESCRIPTOR).read_bytes()
        found = {path: hash_file(out / path) for path in list_files(out)}
    except OSError as error:
        raise InputError(
            "no dataset can be read here", where=str(out), seen=str(error.strerror or error),
            advice="name the folder that 'provebook certify' wrote",
        ) from error  # fmt: skip
    return package, parse_package(package), found


def list_files(folder: Path) -> list[str]:
    """Every path below a folder that is not a plain folder, links not followed."""
    found = []
    for here, folders, names in os.walk(folder):
        links = [name for name in folders if (Path(here) / name).is_symlink()]
        found += [(Path(here) / name).relative_to(folder).as_posix() for name in [*names, *links]]
    return sorted(found)


def hash_file(path: Path) -> Hashed:
    """Size and SHA-256; a link has no content of its own."""
    if path.is_symlink() or not path.is_file():
        return -1, ""
    with path.open("rb") as stream:
        return path.stat().st_size, hashlib.file_digest(stream, "sha256").hexdigest()


def _audit_derivation(
    audit: Audit, out: Path, package_bytes: bytes, package: dict[str, Any], found: Mapping[str, Hashed], book: Book,
    integrity: Integrity, progress: Progress, names: dict[str, str],
) -> list[dict[str, object]]:  # fmt: skip
    """Derive the dataset again and compare; rows of what differs. What stops it is a row as well."""
    damaged = damaged_evidence(integrity)
    try:
        made = choose_made(audit, book, package_bytes)
        progress("reading the raw evidence again")
        again = derive_again(book, made, damaged, found)
    except ProvebookError as error:
        message = error.sentence().replace("\n", " ")
        return [{"part": "dataset", "verdict": "not derivable", "where": str(out), "message": message}]
    names.update(zip(again.derived.evidence["sha256"], again.derived.evidence["original_name"], strict=True))
    progress("comparing")
    if damaged:
        audit.notes.append(
            f"{len(damaged)} damaged pieces of evidence were left out; what else was worked out with their help "
            "(clocks, matches, verdicts) can differ because of that: restore them and audit again"
        )
    note = version_note(package)
    if note:
        audit.notes.append(note)
    return compare_out(audit, out, again, found, damaged, note)


def damaged_evidence(integrity: Integrity) -> frozenset[str]:
    """SHA-256 of the evidence that the book can no longer give."""
    faults = integrity.faults
    bad = faults.loc[faults["path"].str.startswith("evidence/") & faults["fault"].isin(["changed", "missing"]), "path"]
    return frozenset(path.rpartition("/")[2].removesuffix(".json") for path in bad)


def choose_made(audit: Audit, book: Book, package: bytes) -> Made | None:
    """The journal's note of this dataset; else of the last one that the book made, which is told."""
    made = find_made(book, package)
    if made is not None:
        return made
    every = list_made(book)
    known = "compared with the last one it made" if every else "compared with what it gives now"
    audit.notes.append(f"the book never made a dataset with this description: {known}")
    return every[-1] if every else None


def derive_again(book: Book, made: Made | None, damaged: Collection[str], found: Collection[str]) -> Again:
    """The dataset from raw evidence, as the book stood when it was made, without what is damaged."""
    then = book.as_of(made.entries if made else None, without=damaged)
    scope = scope_without(then, damaged, Scope(exports=made.exports, office=made.office) if made else Scope())
    derived = derive(then, scope, pack=made.rule_pack if made else None, use_derived=False)
    dataset, pages = dataset_of(derived, pdf=any(path.endswith(".pdf") for path in found))
    kinds = {path.rpartition(".")[2] for path in found if path.partition(".")[0] in TABLES}
    tables = "both" if {"csv", "parquet"} <= kinds else "parquet" if "parquet" in kinds else "csv"
    return Again(derived=derived, dataset=dataset, files=measured_files(dataset, tables=tables, pages=pages))


def scope_without(book: Book, damaged: Collection[str], scope: Scope) -> Scope:
    """The scope without what is damaged; the same where nothing is."""
    if not damaged:
        return scope
    every = frozenset(book.evidence.hashes())
    exports, office = (every if told is None else frozenset(told) for told in (scope.exports, scope.office))
    return Scope(exports=exports - set(damaged), office=office - set(damaged))


def version_note(package: dict[str, Any]) -> str:
    """What to say where another version, or other rules and limits, made the dataset; empty where these did."""
    made = package.get("provebook")
    told = made if isinstance(made, dict) else {}
    version, judging = told.get("tool_version"), str(told.get("judging_sha256"))
    if version != TOOL_VERSION:
        known = f"made with version {version}, audited with {TOOL_VERSION}"
        return f"{known}: install that version to tell what it comes from"
    if judging != judging_sha256():
        known = f"judged by other rules or limits (SHA-256 {judging[:16]}) than these ({judging_sha256()[:16]})"
        return f"{known}: what differs in verdicts may come from that, install that state of the program to tell"
    return ""


def compare_out(
    audit: Audit, out: Path, again: Again, found: Mapping[str, Hashed], damaged: Collection[str], note: str
) -> list[dict[str, object]]:
    """Every file of the dataset against the one derived again, the cells of tables whose bytes differ.

    A file with the size and SHA-256 of the one derived again is the same, and not read a second time.
    """
    same = cells = 0
    faults, recorded, differing = [], {}, {}
    left = found.keys() - UNLISTED | {DESCRIPTOR}
    for file, content in again.files:
        path = file.path
        left.discard(path)
        name, _, ending = path.rpartition(".")
        cells += again.dataset.table(name).size if name in TABLES else 0
        if found.get(path) == (file.size, file.sha256):
            same += 1
            continue
        ours = read_or_none(out / path)
        faults.append(compare_file(path, ours, content))
        if ours is not None and name in TABLES and name not in recorded:
            parse = parse_cells if ending == "csv" else parse_parquet_cells
            try:
                recorded[name], differing[name] = parse(ours, where=path), parse(content, where=path)
            except InputError:
                recorded.pop(name, None)
    faults += [compare_file(path, b"", None) for path in sorted(left)]
    comparison = compare_tables(recorded, {name: differing[name] for name in recorded}, not_derivable=damaged)
    audit.tables |= {"differences": comparison.differences, "comparison": comparison.totals}
    audit.totals["files derived again"] = f"{same} the same, {len(faults)} not"
    bad = int(comparison.totals["not_same"].sum())
    audit.totals["cells of tables"] = f"{cells - min(bad, cells)} the same, {bad} not"
    everything = pd.concat(faults, ignore_index=True) if faults else pd.DataFrame()
    if len(everything):
        audit.tables["files against evidence"] = everything
    if comparison.differences.empty:
        return file_rows(everything) if len(everything) else []
    ours_again = {name: again.dataset.table(name) for name in TABLES}
    pointers = Pointers.of([ours_again, recorded])
    rows = difference_rows(comparison.differences, pointers, note)
    told = {f"{name}.{ending}" for name in comparison.differences["table"].unique() for ending in ("csv", "parquet")}
    return rows + (file_rows(everything[~everything["path"].isin(told)]) if len(everything) else [])


def read_or_none(path: Path) -> bytes | None:
    """The bytes of a file, or nothing where there is none to be read."""
    try:
        return path.read_bytes() if not path.is_symlink() else None
    except OSError:
        return None


def audit_signature(
    audit: Audit, out: Path, book: Book | None, *, key: Path | None = None, roots: Path | None = None
) -> None:
    """Add to the audit what the signature and the time stamp say, or a row where they do not hold."""
    from cli import signing
    from reconcile.audit.time_stamp import check_time_stamp

    signed, stamped = (out / SIGNATURE).exists(), (out / TIME_STAMP).exists()
    if key is None and not signed:
        audit.totals["signature"] = "none"
        return
    if key is None:
        audit.totals["signature"] = "not checked: name the signer's public key with --key"
        audit.notes.append("without its signature a dataset shows no alteration by somebody who writes it all anew")
        return
    try:
        said = signing.check_signed(out, key, book)
        audit.totals["signature"] = f"good, key {said.key_id}, signer's clock {said.signed_at}"
        if stamped and roots is not None:
            content = (out / TIME_STAMP).read_bytes()
            moment = check_time_stamp((out / SIGNATURE).read_bytes(), content, signing.read(roots, "the certificates"))
            audit.totals["time stamp"] = f"{moment:%Y-%m-%d %H:%M:%S} UTC"
        elif stamped:
            audit.totals["time stamp"] = "not checked: name trusted certificates with --roots"
    except ProvebookError as error:
        audit.totals["signature"] = "does not hold"
        message = error.sentence().replace("\n", " ")
        row = {"part": "signature", "verdict": "does not hold", "where": str(out / SIGNATURE), "message": message}
        audit.rows = conform_table(AuditRows, pd.concat([audit_table([row], {}), audit.rows], ignore_index=True))
        audit.reading_ids.insert(0, "")


def screen_dataset(out: Path) -> pd.DataFrame:
    """The screening of a dataset on file (schemas.audit.Screening). Raises InputError where it has no CSV tables."""
    tables = {}
    for name in ("readings", "certificates", "checks"):
        content = read_or_none(out / f"{name}.csv")
        if content is None:
            raise InputError("screening needs the CSV tables of the dataset", where=str(out / f"{name}.csv"))
        tables[name] = parse_dataset_table(name, content)
    return screen_records(tables["readings"], tables["certificates"], tables["checks"])
